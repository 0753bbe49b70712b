"""What every correction is given and what it gives back; the only place where a ledger line is made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from flowkit.model import Bench, Finding, FlowTest, LedgerLine, Reference, Side, ValveGeometry

if TYPE_CHECKING:
    from flowkit.corrections.meter import Meter

MATTERS = 0.005
"""Relative change of a flow from which a correction that was left out is reported, or made for some tests only.

Common practice, no source."""

Inputs = dict[str, float | str | tuple[float | None, ...] | None]


@dataclass(frozen=True, slots=True)
class Setting:
    """What holds for all tests that are corrected together."""

    reference: Reference
    reference_density_kg_m3: float
    bench: Bench = field(default_factory=Bench)
    valves: Mapping[Side, ValveGeometry] = field(default_factory=dict)
    engine_bore_m: float | None = None
    off: frozenset[str] = frozenset()
    meters: Mapping[str, Meter] = field(default_factory=dict)
    meter: str | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """What one correction made of one test's flows."""

    line: LedgerLine
    flow_m3_s: tuple[float, ...]
    findings: tuple[Finding, ...] = ()
    fatal: bool = False


def made(
    correction: str,
    formula: str,
    flow: Sequence[float],
    inputs: Inputs,
    *,
    factor: Sequence[float] | None = None,
    offset: Sequence[float] | None = None,
    findings: tuple[Finding, ...] = (),
) -> Step:
    """Return the step of a correction that multiplies by a factor, or adds an offset, at each point."""
    if factor is not None:
        line = LedgerLine(correction, formula, inputs, factor=tuple(factor))
        return Step(line, tuple(q * part for q, part in zip(flow, factor, strict=True)), findings)
    added = tuple(offset or ())
    line = LedgerLine(correction, formula, inputs, offset_m3_s=added)
    return Step(line, tuple(q + part for q, part in zip(flow, added, strict=True)), findings)


def skipped(
    correction: str, formula: str, flow: tuple[float, ...], reason: str, inputs: Inputs | None = None, *said: Finding
) -> Step:
    """Return the step of a correction that was not made, flows unchanged."""
    return Step(LedgerLine(correction, formula, inputs or {}, skipped=reason), flow, said)


def incomplete(test: FlowTest, correction: str, missing: str, remedy: str) -> Finding:
    """Return the note for a correction whose inputs are there in part only."""
    message = f"The {correction} correction was not made: {missing}; {remedy}."
    return Finding("correction-skipped", "note", test.id, message)
