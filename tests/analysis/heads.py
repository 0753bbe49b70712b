"""Corrected tests of invented heads, for the tests of the analysis."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence

from flowkit.model import (
    INH2O_PA,
    Conditions,
    CorrectedPoint,
    CorrectedTest,
    LedgerLine,
    Side,
    Units,
    UnitSource,
    ValveGeometry,
    Variant,
)

LIFTS = (0.002, 0.004, 0.006, 0.008, 0.010)
UNITS = Units(UnitSource("mm", "stated"), UnitSource("L/s", "stated"))
TYPICAL = {0.002: 0.020, 0.004: 0.036, 0.006: 0.048, 0.008: 0.056, 0.010: 0.060}
"""Flows [m³/s] of an invented intake port of a small four-cylinder at 28 inH2O."""
VALVE = ValveGeometry(head_m=0.038, stem_m=0.008, throat_m=0.033, seat_angle_deg=45.0, seat_width_m=0.0014)


BROUGHT = LedgerLine("test-pressure", "square-root", {}, factor=(1.0,))
"""The ledger line of a flow brought to the reference pressure."""


def corrected(
    flows: Mapping[float, float] | Iterable[tuple[float, float]],
    *,
    variant: str = "as received",
    side: Side | None = "intake",
    port: str | None = "1",
    run: int = 1,
    conditions: Conditions | None = None,
    pressure_pa: float | None = 28 * INH2O_PA,
    file: str = "head.csv",
    ledger: tuple[LedgerLine, ...] = (BROUGHT,),
) -> CorrectedTest:
    """A corrected test with the given lift [m] -> flow [m³/s]."""
    pairs = list(flows.items()) if isinstance(flows, Mapping) else list(flows)
    name = f"{file}!{variant}!{side} {port} run {run}"
    # Readings of many figures, and unlike in every test: no resolution to speak of, and no copied sheet.
    read_as = 1.0 + zlib.crc32(name.encode()) / 2.0**42
    return CorrectedTest(
        id=name,
        file=file,
        sheet=None,
        head=None,
        variant=variant,
        side=side,
        port=port,
        run=run,
        conditions=conditions or Conditions(test_pressure_pa=pressure_pa, date="2026-03-04", bench="bench B"),
        units=UNITS,
        points=tuple(
            CorrectedPoint(lift, flow, pressure_pa, f"{file}:{variant} {side} {port} {run}:{place}", flow * read_as)
            for place, (lift, flow) in enumerate(pairs, 1)
        ),
        ledger=ledger,
    )


def scaled(factor: float | Callable[[float], float], base: Mapping[float, float] = TYPICAL) -> dict[float, float]:
    """The typical flows times a factor, or times a function of the lift."""
    return {lift: flow * (factor(lift) if callable(factor) else factor) for lift, flow in base.items()}


def head(
    name: str,
    factor: float | Callable[[float], float] = 1.0,
    *,
    ports: Sequence[str] = ("1", "2"),
    character: Sequence[float] = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
    sides: Sequence[Side] = ("intake",),
    runs: Sequence[float] = (1.0,),
    state: Mapping[str, str] | None = None,
    valve: ValveGeometry | None = None,
    base: Mapping[float, float] = TYPICAL,
    **test: object,
) -> Variant:
    """A variant whose flows are the typical ones times factor, port character and run shift.

    The exhaust flows 0.75 of the intake.
    """
    tests = tuple(
        corrected(
            {
                lift: flow * character[place] * shift * (0.75 if side == "exhaust" else 1.0)
                for lift, flow in scaled(factor, base).items()
            },
            variant=name,
            side=side,
            port=port,
            run=run,
            **test,  # type: ignore[arg-type]
        )
        for side in sides
        for place, port in enumerate(ports)
        for run, shift in enumerate(runs, 1)
    )
    return Variant(
        name=name,
        corrected=tests,
        state={side: dict(state) for side in sides} if state is not None else {},
        valves=dict.fromkeys(sides, valve) if valve is not None else {},
    )
