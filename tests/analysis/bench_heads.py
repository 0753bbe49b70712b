"""Invented heads with known scatter, to test intervals with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from flowkit.analysis.curves import SideVariant, side_variants
from flowkit.analysis.gains import MatchedPair
from flowkit.model import (
    INH2O_PA,
    Conditions,
    CorrectedTest,
    LedgerLine,
    Side,
    Variant,
)
from tests.analysis.heads import corrected as corrected_test

LIFTS = tuple(0.001 * step for step in range(1, 11))
P28 = 28 * INH2O_PA


def true_curve(lifts: Sequence[float], peak: float = 0.10) -> np.ndarray:
    """A plausible port [m³/s]: rises, bends, flattens."""
    x = np.asarray(lifts)
    return peak * np.tanh(x / 0.006)


def corrected(
    variant: str,
    flows: Sequence[float],
    *,
    lifts: Sequence[float] = LIFTS,
    side: Side = "intake",
    port: str | None = "1",
    run: int = 1,
    date: str | None = "2025-03-01",
    bench: str | None = "A",
    pressure: float | None = P28,
    barometer: float | None = None,
    file: str = "invented.csv",
) -> CorrectedTest:
    """One corrected test, as if brought to 28 inH2O."""
    return corrected_test(
        zip(map(float, lifts), map(float, flows), strict=True),
        variant=variant,
        side=side,
        port=port,
        run=run,
        conditions=Conditions(test_pressure_pa=pressure, date=date, bench=bench, barometer_pa=barometer),
        pressure_pa=pressure,
        file=file,
        ledger=(LedgerLine("test-pressure", "", {}, factor=(1.0,) * len(flows)),),
    )


def side_of(tests: Mapping[str, Sequence[CorrectedTest]], side: Side = "intake") -> tuple[SideVariant, ...]:
    """The variants of one side."""
    return side_variants([Variant(name, corrected=tuple(group)) for name, group in tests.items()], side)


def pair_of(before: SideVariant, after: SideVariant) -> MatchedPair:
    """Two variants with the lifts of both."""
    lifts = sorted({float(x) for one in (before, after) for port in one.ports for x in port.lifts_m})
    matched = tuple(name for name in before.port_names if name in after.port_names)
    return MatchedPair(before, after, matched, tuple(lifts))


def noisy_run(rng: np.random.Generator, flows: np.ndarray, shift: float, scatter: float) -> np.ndarray:
    """One run of a port: the whole run shifted, each point scattered, both relative."""
    return flows * (1 + shift * rng.standard_normal() + scatter * rng.standard_normal(flows.shape))
