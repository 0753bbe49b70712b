"""The job file's ``[cam.intake]`` and ``[cam.exhaust]`` tables."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.engine.fields import choice, plain_number, quantity, timing
from flowkit.errors import EngineError, JobError
from flowkit.fields import refuse_unknown

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam

__all__ = ["CAM_KEYS", "cam_from_mapping"]

CAM_KEYS: dict[str, str] = {
    "table": "File with a column of degrees and one of lift; relative to the job file.",
    "sheet": "Its worksheet, where there are several.",
    "lift_unit": "Unit of the table's lift, where its heading does not say it.",
    "degrees": '"crank" (default) or "cam": which degrees the table counts.',
    "zero": 'What the table\'s 0° is: "gas exchange TDC" or "firing TDC".',
    "centreline": 'Or where the middle of the lobe stands, such as "108 ATDC" (intake), "110 BTDC" (exhaust).',
    "opens": 'Without a table: where the checking lift is reached, such as "12 BTDC" or "55 BBDC".',
    "closes": 'Where it is left, such as "52 ABDC" or "15 ATDC".',
    "checking_lift": 'Lift the timing is stated at, such as "1 mm"; "0 mm" for the ends of lift.',
    "peak_lift": "Largest lift.",
    "lift_at": '"valve" (default) or "cam": where lifts were measured; the rocker ratio acts at the cam only.',
    "rocker_ratio": "Valve lift over cam lift; needed where lifts are the cam's.",
    "lash": "At the valve, taken off the lift; none unless stated.",
    "name": "How the cam is called.",
}
"""Keys of a cam's table and their meaning."""

_OF_TABLE = ("sheet", "lift_unit", "degrees", "zero", "centreline")
_OF_TIMING = ("opens", "closes", "checking_lift", "peak_lift")
_TDC = 360.0


def cam_from_mapping(mapping: Mapping[str, Any], folder: Path, place: str) -> Cam:
    """Make a cam of its table in a job file; see `Cam.from_mapping`.

    Parameters
    ----------
    mapping : mapping
        Keys of `CAM_KEYS`.
    folder : Path
        What paths are relative to.
    place : str
        For messages.

    Raises
    ------
    JobError
        If a key is not known, missing or cannot be understood.
    SheetError
        If the table cannot be read.

    Examples
    --------
    >>> cam_from_mapping({"opens": "55 BBDC", "closes": "15 ATDC", "checking_lift": "0 mm",
    ...                   "peak_lift": "9 mm"}, Path("."), "[cam.exhaust]").open_period
    (125.0, 375.0)
    """
    refuse_unknown(mapping, CAM_KEYS, place)
    common = _common(mapping, place)
    try:
        return _from_table(mapping, folder, place, common) if "table" in mapping else _timed(mapping, place, common)
    except EngineError as error:
        raise JobError(f"{place}: {error.problem}", error.remedy) from error


def _common(mapping: Mapping[str, Any], place: str) -> dict[str, Any]:
    """Read what tables and timings share."""
    lift_at = choice(mapping.get("lift_at", "valve"), ("valve", "cam"), place, "lift_at")
    if lift_at == "cam" and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lift at the cam needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    ratio = plain_number(mapping.get("rocker_ratio", 1.0), place, "rocker_ratio", highest=4.0)
    lash = quantity(mapping["lash"], "length", place, "lash", positive=False) if "lash" in mapping else 0.0
    if lash < 0:
        raise JobError(f"{place}, lash: {mapping['lash']!r} is negative", "correct it")
    common: dict[str, Any] = {"lift_at": lift_at, "rocker_ratio": ratio, "lash_m": lash}
    if "name" in mapping:
        common["name"] = str(mapping["name"])
    return common


def _refuse_other(mapping: Mapping[str, Any], others: tuple[str, ...], place: str, why: str) -> None:
    """Refuse the keys of the other way to describe a cam."""
    for key in others:
        if key in mapping:
            raise JobError(f"{place}: {key} has no meaning {why}", "take it out")


def _from_table(mapping: Mapping[str, Any], folder: Path, place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of a measured table."""
    from flowkit.engine.cam import Cam

    _refuse_other(mapping, _OF_TIMING, place, "beside a measured table")
    degrees = choice(mapping.get("degrees", "crank"), ("crank", "cam"), place, "degrees")
    zero = mapping.get("zero")
    if zero is not None:
        # Read in any case; the names are spelled as they are shown.
        words = {"gas exchange tdc": "gas exchange TDC", "firing tdc": "firing TDC"}
        zero = words[choice(zero, tuple(words), place, "zero")]
    centreline = None
    if "centreline" in mapping:
        centreline, dead_centre = timing(mapping["centreline"], place, "centreline")
        if dead_centre != "TDC":
            raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return Cam.from_file(
        folder / str(mapping["table"]),
        lift_unit=mapping.get("lift_unit"),
        sheet=mapping.get("sheet"),
        degrees=degrees,
        zero=zero,
        centreline_deg=centreline,
        **common,
    )


def _timed(mapping: Mapping[str, Any], place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of its timing."""
    from flowkit.engine.cam import Cam

    _refuse_other(mapping, _OF_TABLE, place, "without a table")
    missing = [key for key in _OF_TIMING if key not in mapping]
    if missing:
        raise JobError(
            f"{place} lacks {' and '.join(missing)}",
            "give a measured table, or opens, closes, checking_lift, peak_lift",
        )
    opens, opens_at = timing(mapping["opens"], place, "opens")
    closes, closes_at = timing(mapping["closes"], place, "closes")
    if opens_at == closes_at:
        raise JobError(
            f"{place}: the valve opens and closes at the same dead centre",
            "an intake opens about TDC and closes about BDC, an exhaust opens about BDC and closes about TDC",
        )
    # An intake opens about gas-exchange TDC (360°) and closes about the BDC after it; an exhaust
    # opens about the BDC before it.
    intake = opens_at == "TDC"
    # A cam without a name is called after its table in the job file, such as "intake cam".
    named = {"name": f"{place.strip('[]').removeprefix('cam.')} cam"} if place.startswith("[cam.") else {}
    return Cam.from_timing(
        opens_deg=(_TDC if intake else _TDC - 180) + opens,
        closes_deg=(_TDC + 180 if intake else _TDC) + closes,
        checking_lift_m=quantity(mapping["checking_lift"], "length", place, "checking_lift", positive=False),
        peak_lift_m=quantity(mapping["peak_lift"], "length", place, "peak_lift"),
        **{**named, **common},
    )
