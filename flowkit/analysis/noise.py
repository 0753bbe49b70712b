"""What is uncertain about the points of one port's curve.

Each port is brought to plain arrays once: how its runs share in each point, which sessions
they belong to, and what the test pressure's reading and law mean to them. The intervals per
lift and the Monte Carlo of the curve figures both draw on these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.curves import PortCurve
from flowkit.analysis.lifts import lift_key
from flowkit.analysis.pchip import curve_derivative, curve_value, slopes
from flowkit.analysis.repeatability import runs_of
from flowkit.analysis.sessions import Session, session_of
from flowkit.corrections.pressure import STANDARD_BAROMETER_PA, pressure_factor
from flowkit.errors import CorrectionError
from flowkit.model import Bench, CorrectedTest, Reference, Side

__all__ = ["LiftNoise", "PortNoise", "port_noise"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LiftNoise:
    """One port at one lift.

    Attributes
    ----------
    flow : float
        [m³/s]
    slope : float
        dQ/dL [m²/s].
    runs : float
        Runs behind the flow; between two measured lifts the fewer of theirs.
    session_share, pressure_effect : array, shape (sessions,)
        Share of each session in the flow [-]; relative change of the flow by one standard
        uncertainty of the session's pressure reading [-].
    law : float
        Logarithm of the square-root law's factor over the compressible law's [-].
    pressures_pa : frozenset of float
        Test pressures behind it [Pa].
    """

    flow: float
    slope: float
    runs: float
    session_share: Array
    pressure_effect: Array
    law: float
    pressures_pa: frozenset[float]


@dataclass(frozen=True, slots=True, eq=False)
class PortNoise:
    """One port, at its measured lifts.

    Attributes
    ----------
    lifts_m, flow_m3_s, slope_m2_s : array, shape (n,)
        Lifts [m], flows [m³/s] and dQ/dL [m²/s].
    run_share : array, shape (n, runs)
        Share of each run in the flow at each lift [-].
    scatter_share : array, shape (n,)
        Variance of the mean of the readings over that of one, as far as points scatter [-].
    session_share, pressure_effect : array, shape (n, sessions)
        See `LiftNoise`.
    law : array, shape (n,)
        See `LiftNoise`.
    pressures_pa : tuple of frozenset of float
        Test pressures behind each point [Pa].
    """

    lifts_m: Array
    flow_m3_s: Array
    slope_m2_s: Array
    run_share: Array
    scatter_share: Array
    session_share: Array
    pressure_effect: Array
    law: Array
    pressures_pa: tuple[frozenset[float], ...]

    def runs(self, place: int) -> float:
        """Return the runs behind a point; one counts once however often it was read there."""
        return 1.0 / float(np.sum(self.run_share[place] ** 2))

    def at(self, lift_m: float) -> LiftNoise:
        """Return the port at a lift within its measured ones."""
        place = lift_key(lift_m, self.lifts_m.tolist())
        if place is not None or len(self.lifts_m) == 1:
            return self._measured(place or 0)
        right = int(np.searchsorted(self.lifts_m, lift_m))
        left = right - 1
        gap = float(self.lifts_m[right] - self.lifts_m[left])
        far = (lift_m - float(self.lifts_m[left])) / gap

        def between(values: Array) -> Array:
            """Take values on the straight line between the neighbouring lifts."""
            return np.asarray((1.0 - far) * values[left] + far * values[right])

        curve = (self.lifts_m, self.flow_m3_s, self.slope_m2_s)
        return LiftNoise(
            flow=float(curve_value(*curve, lift_m)),
            slope=float(curve_derivative(*curve, lift_m)),
            runs=min(self.runs(left), self.runs(right)),
            session_share=between(self.session_share),
            pressure_effect=between(self.pressure_effect),
            law=float(between(self.law)),
            pressures_pa=self.pressures_pa[left] | self.pressures_pa[right],
        )

    def _measured(self, place: int) -> LiftNoise:
        """Return the port at one of its measured lifts."""
        return LiftNoise(
            flow=float(self.flow_m3_s[place]),
            slope=float(self.slope_m2_s[place]),
            runs=self.runs(place),
            session_share=self.session_share[place],
            pressure_effect=self.pressure_effect[place],
            law=float(self.law[place]),
            pressures_pa=self.pressures_pa[place],
        )


def port_noise(curve: PortCurve, sessions: Sequence[Session], reference: Reference, bench: Bench) -> PortNoise:
    """Return what is uncertain about one port's points.

    Parameters
    ----------
    curve : PortCurve
        With the tests it is the mean of.
    sessions : sequence of Session
        All sessions that are compared.
    reference : Reference
        Its pressure counts where a test's own is not known.
    bench : Bench
        With the uncertainty of its pressure reading.

    Returns
    -------
    PortNoise

    Notes
    -----
    Flow goes with the root of the test pressure, so a reading error u_P changes it by
    ``½·u_P/ΔP`` (JCGM 100:2008, equation (10), applied to the incompressible orifice).

    Examples
    --------
    >>> x = np.array([0.001, 0.003])
    >>> untested = PortCurve("as received", "intake", "1", (), x, 10 * x, np.array([1, 1]), ())
    >>> port_noise(untested, (), Reference(), Bench()).slope_m2_s.round(6).tolist()
    [10.0, 10.0]
    """
    runs = runs_of(curve.tests)
    shape = len(curve.lifts_m)
    readings = np.zeros((shape, len(runs)))
    in_session, effect = np.zeros((shape, len(sessions))), np.zeros((shape, len(sessions)))
    law = np.zeros(shape)
    pressures: list[set[float]] = [set() for _ in range(shape)]
    laws: dict[tuple[float, float | None], float] = {}
    for number, run in enumerate(runs):
        for test in run:
            session = sessions.index(session_of(test))
            applied = _pressure_corrected(test)
            for point, place in zip(test.points, _places(curve, test), strict=True):
                pressure = point.pressure_pa or reference.pressure_pa
                readings[place, number] += 1.0
                in_session[place, session] += 1.0
                effect[place, session] += 0.5 * (bench.pressure_reading_pa or 0.0) / pressure
                pressures[place].add(pressure)
                if applied:
                    key = (pressure, test.conditions.barometer_pa)
                    if key not in laws:
                        laws[key] = _law_logarithm(curve.side, *key, reference)
                    law[place] += laws[key]
    count = np.maximum(readings.sum(axis=1), 1.0)
    several = count[:, np.newaxis]
    return PortNoise(
        lifts_m=curve.lifts_m,
        flow_m3_s=curve.flow_m3_s,
        slope_m2_s=slopes(curve.lifts_m, curve.flow_m3_s) if shape > 1 else np.zeros(1),
        run_share=readings / several,
        scatter_share=1.0 / count,
        session_share=in_session / several,
        pressure_effect=effect / several,
        law=law / count,
        pressures_pa=tuple(frozenset(group) for group in pressures),
    )


def _places(curve: PortCurve, test: CorrectedTest) -> list[int]:
    """Return the place of each point's lift among the curve's lifts."""
    lifts = np.array([point.lift_m for point in test.points])
    # A curve's lift is the smallest of those that are one, so each lies at or above its own.
    return [int(place) for place in np.searchsorted(curve.lifts_m, lifts, side="right") - 1]


def _pressure_corrected(test: CorrectedTest) -> bool:
    """Tell whether the test was brought to the reference pressure."""
    return any(line.correction == "test-pressure" and line.skipped is None for line in test.ledger)


def _law_logarithm(side: Side, pressure_pa: float, barometer_pa: float | None, reference: Reference) -> float:
    """Return the logarithm of the square-root law's factor over the compressible law's."""
    barometer = STANDARD_BAROMETER_PA if barometer_pa is None else barometer_pa
    try:
        factors = [
            pressure_factor(law, side, pressure_pa, reference.pressure_pa, barometer)
            for law in ("square-root", "compressible")
        ]
    except CorrectionError:
        return 0.0  # a suction beyond the barometer: only one law has a value, and the corrections report it
    return float(np.log(factors[0] / factors[1]))
