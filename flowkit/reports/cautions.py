"""What every flow chart says before anybody runs an engine on it."""

from __future__ import annotations

__all__ = ["CAUTIONS"]

CAUTIONS: tuple[str, ...] = (
    "Before running: check valve-to-piston and coil-bind clearance at the lift and timing used, and follow the valve "
    "maker's and the machinist's limits for stems, seats and guides.",
    "Flow at one test pressure is not power, and an estimate is no safe speed. Local rules and qualified practice "
    "come first.",
)
"""Printed in full on the first page."""
