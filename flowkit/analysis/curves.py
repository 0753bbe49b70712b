"""Lift–flow curves of ports, from the corrected tests of one side.

Repeated runs are corrected one by one and then averaged lift by lift. Between the measured
lifts a curve is the monotone cubic of Fritsch & Butland (SIAM J. Sci. Stat. Comput. 5 (1984)
300), `flowkit.analysis.lifts`; outside them it is nothing, and asking is an error.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from flowkit.analysis.areas import valve_of
from flowkit.analysis.lifts import (
    SAME_LIFT_M,
    AreaMethod,
    integrate,
    lift_key,
    merge_lifts,
    natural_order,
    pchip,
    within,
)
from flowkit.analysis.runs import folded, without_copies
from flowkit.errors import RangeError
from flowkit.model import CorrectedTest, Side, ValveGeometry, Variant


@dataclass(frozen=True, slots=True, eq=False)
class PortCurve:
    """The lift–flow curve of one port of one variant: the mean of its runs."""

    variant: str
    side: Side
    port: str  # what it is called here: its name, with its head's where the side has several heads
    tests: tuple[CorrectedTest, ...]
    lifts_m: NDArray[np.float64]
    flow_m3_s: NDArray[np.float64]
    runs_at_lift: NDArray[np.int_]  # readings behind each mean
    sources: tuple[tuple[str, ...], ...]
    head: str | None = None
    name: str | None = None
    _spline: PchipInterpolator | None = field(init=False, repr=False, default=None)
    _areas: dict[tuple[float, float, str], float] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        for array in (self.lifts_m, self.flow_m3_s, self.runs_at_lift):
            array.setflags(write=False)
        if len(self.lifts_m) > 1:
            object.__setattr__(self, "_spline", pchip(self.lifts_m, self.flow_m3_s))

    @property
    def lowest(self) -> float:
        """Lowest measured lift [m]."""
        return float(self.lifts_m[0])

    @property
    def highest(self) -> float:
        """Highest measured lift [m]."""
        return float(self.lifts_m[-1])

    def measured(self, lift: float) -> bool:
        """Tell whether a lift [m] was measured, within 1 µm."""
        return lift_key(lift, self.lifts_m) is not None  # type: ignore[arg-type]

    def flow(self, lift: ArrayLike) -> NDArray[np.float64]:
        """Return the flow [m³/s] at lifts [m] within the measured ones."""
        inside = within(np.asarray(lift, dtype=float), self.lifts_m)
        if self._spline is None:
            return np.full(inside.shape, self.flow_m3_s[0])
        return np.asarray(self._spline(inside))

    def slope(self, lift: ArrayLike) -> NDArray[np.float64]:
        """Return dQ/dL [m²/s] at lifts [m] within the measured ones; 0 where only one was measured."""
        inside = within(np.asarray(lift, dtype=float), self.lifts_m)
        if self._spline is None:
            return np.zeros(inside.shape)
        return np.asarray(self._spline(inside, 1))

    def area(self, lo: float, hi: float, method: AreaMethod = "pchip") -> float:
        """Return the area under the curve between two lifts [m] in m⁴/s."""
        # The same few areas are asked for by every gain a variant has part in.
        key = (lo, hi, method)
        if key not in self._areas:
            self._areas[key] = self._area(lo, hi, method)
        return self._areas[key]

    def _area(self, lo: float, hi: float, method: AreaMethod) -> float:
        """Integrate anew."""
        if method == "trapezoid" or self._spline is None:
            return float(integrate(self.lifts_m, self.flow_m3_s, lo, hi, "trapezoid"))
        lo, hi = within(np.asarray([lo, hi]), self.lifts_m).tolist()
        return float(self._spline.integrate(lo, hi)) if hi > lo else 0.0

    def mean_flow(self, lo: float, hi: float, method: AreaMethod = "pchip") -> float:
        """Return the mean flow [m³/s] between two lifts [m]; the flow itself where they are one."""
        if hi - lo <= SAME_LIFT_M:
            return float(self.flow(lo))
        return self.area(lo, hi, method) / (hi - lo)


@dataclass(frozen=True, slots=True, eq=False)
class SideVariant:
    """One variant on one side: its ports, its state and its valve."""

    name: str
    side: Side
    ports: tuple[PortCurve, ...]
    state: Mapping[str, str]
    valve: ValveGeometry
    untouched: tuple[str, ...] = ()

    @property
    def port_names(self) -> tuple[str, ...]:
        """Names of the ports, in order."""
        return tuple(curve.port for curve in self.ports)

    def curves(self, ports: Sequence[str] = ()) -> tuple[PortCurve, ...]:
        """Return the curves of the named ports, or of all where none is named."""
        return tuple(curve for curve in self.ports if not ports or curve.port in ports)

    def flow(self, lift: ArrayLike, ports: Sequence[str] = ()) -> NDArray[np.float64]:
        """Return the mean flow over ports [m³/s] at lifts [m]."""
        return np.asarray(np.mean([curve.flow(lift) for curve in self.curves(ports)], axis=0))

    def mean_flow(self, lo: float, hi: float, method: AreaMethod = "pchip", ports: Sequence[str] = ()) -> float:
        """Return the mean over ports of their mean flows [m³/s] between two lifts [m]."""
        return float(np.mean([curve.mean_flow(lo, hi, method) for curve in self.curves(ports)]))

    def own_range(self) -> tuple[float, float]:
        """Return the range of lifts [m] within all the ports'."""
        return common_range(self.ports)

    def lifts_within(self, lo: float, hi: float, ports: Sequence[str] = ()) -> tuple[float, ...]:
        """Return the lifts [m] measured in any of the ports between two lifts."""
        every = merge_lifts(lift for curve in self.curves(ports) for lift in curve.lifts_m.tolist())
        return tuple(lift for lift in every if lo - SAME_LIFT_M <= lift <= hi + SAME_LIFT_M)


def side_variants(variants: Sequence[Variant], side: Side) -> tuple[SideVariant, ...]:
    """Return the variants that were tested on a side, with their curves."""
    tests = {
        index: [test for test in variant.corrected if test.side == side and test.points]
        for index, variant in enumerate(variants)
    }
    grid = merge_lifts(point.lift_m for group in tests.values() for test in group for point in test.points)
    # Where any state has two heads, left 1 and right 1 are two ports everywhere.
    several = any(len({folded(test.head) for test in group if test.head}) > 1 for group in tests.values())
    return tuple(
        SideVariant(
            name=variant.name,
            side=side,
            ports=_port_curves(variant.name, side, tests[index], grid, several=several),
            state=dict(variant.state.get(side, {})),
            valve=valve_of(variant, side),
            untouched=tuple(variant.untouched.get(side, ())),
        )
        for index, variant in enumerate(variants)
        if tests[index]
    )


def _port_curves(
    name: str, side: Side, tests: Sequence[CorrectedTest], grid: Sequence[float], *, several: bool
) -> tuple[PortCurve, ...]:
    """Return the curve of each port, in the natural order of their names."""
    by_port: dict[tuple[str, str], list[CorrectedTest]] = {}
    for test in tests:
        # A sheet that names no head, beside one that names the only head there is, is of the same port.
        by_port.setdefault((folded(test.head) if several else "", test.port or ""), []).append(test)
    curves = [_port_curve(name, side, without_copies(group)[0], grid, several=several) for group in by_port.values()]
    return tuple(sorted(curves, key=lambda curve: natural_order(curve.port)))


def _port_curve(
    variant: str, side: Side, tests: Sequence[CorrectedTest], grid: Sequence[float], *, several: bool
) -> PortCurve:
    """Average the runs of one port lift by lift."""
    ordered = sorted(tests, key=lambda test: (test.run, test.id))
    starts = np.asarray(grid)
    readings: dict[int, list[tuple[float, str]]] = {}
    for test in ordered:
        for point in test.points:
            index = int(np.searchsorted(starts, point.lift_m, side="right")) - 1
            readings.setdefault(index, []).append((point.flow_m3_s, point.source))
    indices = sorted(readings)
    head, port = ordered[0].head, ordered[0].port
    return PortCurve(
        variant=variant,
        side=side,
        port=" ".join(filter(None, (" ".join((head or "").split()), port))) if several else port or "",
        tests=tuple(ordered),
        lifts_m=starts[indices],
        flow_m3_s=np.array([sum(flow for flow, _ in readings[index]) / len(readings[index]) for index in indices]),
        runs_at_lift=np.array([len(readings[index]) for index in indices], dtype=int),
        sources=tuple(tuple(source for _, source in readings[index]) for index in indices),
        head=head,
        name=port,
    )


def common_ports(variants: Sequence[SideVariant]) -> tuple[str, ...]:
    """Return the ports, by name, that every variant was tested on."""
    return tuple(port for port in variants[0].port_names if all(port in other.port_names for other in variants))


def common_range(curves: Iterable[PortCurve]) -> tuple[float, float]:
    """Return the range of lifts that every curve was measured over [m]."""
    several = tuple(curves)
    low, high = max(several, key=lambda curve: curve.lowest), min(several, key=lambda curve: curve.highest)
    lo, hi = low.lowest, high.highest
    if hi < lo - SAME_LIFT_M:
        raise RangeError(
            f"no common range of lifts on the {low.side}: {_named(low)} begins at {lo * 1e3:.3f} mm, "
            f"{_named(high)} ends at {hi * 1e3:.3f} mm",
            "test them over lifts that overlap",
        )
    return (lo, hi) if hi - lo > SAME_LIFT_M else (lo, lo)


def _named(curve: PortCurve) -> str:
    """Name a curve in a sentence."""
    return f"{curve.variant!r} port {curve.port}" if curve.port else repr(curve.variant)
