"""Kinds of the vocabulary in groups, and how far a table reaches."""

from __future__ import annotations

__all__ = [
    "BLANK_DEPTH",
    "CONDITION_KINDS",
    "GAP_WIDTH",
    "GROUP_DEPTH",
    "HEADER_DEPTH",
    "LEFT_OUT",
    "LONG_HEADING",
    "ROW_KINDS",
    "UNIT_KINDS",
    "WHO_KINDS",
]

CONDITION_KINDS = frozenset(
    {
        "pressure", "fixture_bore", "valve_head", "stem", "throat", "seat_angle", "seat_width", "leak", "leak_pressure",
        "check_reading", "check_nominal", "check_pressure", "check_reading_pressure",
        "air_temperature", "barometer", "humidity",
        "meter_temperature", "meter_pressure", "date", "bench", "operator", "notes", "entry_fitting", "exit_fitting",
    }
)  # fmt: skip
"""Kinds that are conditions of a test."""


WHO_KINDS = frozenset({"side", "port", "run", "variant", "head"})


UNIT_KINDS = frozenset({"lift_unit", "flow_unit", "pressure_unit", "units"})


ROW_KINDS = CONDITION_KINDS | WHO_KINDS
"""Kinds that may head a row of values inside or above a table."""


LEFT_OUT = frozenset({"average", "total", "gain", "derived"})


HEADER_DEPTH = 12  # rows between the lift heading and its first number


GROUP_DEPTH = 4  # rows of headings above the lift heading


BLANK_DEPTH = 3  # blank rows between heading and numbers


GAP_WIDTH = 2  # blank columns inside a table


LONG_HEADING = 60
