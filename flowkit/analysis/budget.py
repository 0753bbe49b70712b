"""What makes up the interval of a gain in mean flow, and what of it repeats would reduce."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.montecarlo import mean_flow
from flowkit.analysis.noise import PortNoise
from flowkit.analysis.results import Repeatability
from flowkit.model import Bench

__all__ = ["Budget", "budget_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Budget:
    """Variances of the logarithm of a gain in mean flow, to first order.

    Attributes
    ----------
    now, one_run : float
        Of what repeats reduce: with the runs there are, and with one run of every port [-].
    fixed : mapping
        Of what they do not reduce, by name.
    runs : tuple of two tuples
        For each state and port the runs at each lift.
    """

    now: float
    one_run: float
    fixed: Mapping[str, float]
    runs: tuple[tuple[tuple[int, ...], ...], tuple[tuple[int, ...], ...]]

    @property
    def kept(self) -> float:
        """What no repeat reduces."""
        return sum(self.fixed.values())

    @property
    def shares(self) -> dict[str, float]:
        """Shares of the whole variance by name, the repeats' among them; empty where there is none."""
        whole = {"repeats": self.now, **self.fixed}
        total = sum(whole.values())
        return {name: variance / total for name, variance in whole.items()} if total > 0.0 else {}

    def runs_now(self) -> tuple[int, int]:
        """Return the fewest runs of a port in each state."""
        before, after = (min(min(port) for port in side) for side in self.runs)
        return before, after

    def added(self, runs: int) -> int:
        """Return the degrees of freedom that so many runs of every port would add."""
        return sum(max(runs - now, 0) for side in self.runs for port in side for now in port)


def budget_of(
    sides: Sequence[Sequence[PortNoise]],
    range_m: tuple[float, float],
    repeatability: Repeatability,
    bench: Bench,
    method: AreaMethod,
    *,
    same: bool = False,
    gradients: dict[int, Array] | None = None,
) -> Budget:
    """Gather the variances of the gain between two states.

    Parameters
    ----------
    sides : two sequences of PortNoise
        The ports of each.
    range_m : tuple of two floats
        [m]
    repeatability : Repeatability
    bench : Bench
    method : {"pchip", "trapezoid"}
    same : bool, optional
        Whether the second is the first once more, in another session.
    gradients : dict, optional
        Kept from port to port, where the same ports are asked for again.

    Returns
    -------
    Budget

    Notes
    -----
    See `flowkit.analysis.repeats.plan_repeats`.

    Examples
    --------
    >>> x, one = np.array([0.001, 0.003]), np.ones((2, 1))
    >>> port = PortNoise(x, 10 * x, np.full(2, 10.0), one, one[:, 0], one, 0 * one, 0 * x, (frozenset(),) * 2)
    >>> known = Repeatability(0.005, 4.0, "repeated runs", 0.005, 0.0)
    >>> budget = budget_of([[port], [port]], (0.001, 0.003), known, Bench(drift=0.002), "pchip", same=True)
    >>> {name: round(share, 3) for name, share in budget.shares.items() if share}
    {'repeats': 0.862, 'drift': 0.138}
    """
    kept = {} if gradients is None else gradients
    shift, scatter = (repeatability.s_between_runs or 0.0) ** 2, (repeatability.s_within_run or 0.0) ** 2
    now = one = setting = 0.0
    means = []
    for ports in sides:
        flows = [float(mean_flow(port.lifts_m, port.flow_m3_s, range_m, method)) for port in ports]
        total = sum(flows)
        sums = np.zeros((2, ports[0].session_share.shape[1]))
        law = 0.0
        for port, flow in zip(ports, flows, strict=True):
            if id(port) not in kept:
                kept[id(port)] = _gradient(port, range_m, method)
            slope = kept[id(port)] / total
            share = slope * port.flow_m3_s
            now += shift * float(np.sum((share @ port.run_share) ** 2))
            now += scatter * float(np.sum(share**2 * port.scatter_share))
            one += shift * (flow / total) ** 2 + scatter * float(np.sum(share**2))
            setting += float(np.sum((slope * port.slope_m2_s) ** 2))
            sums += np.array([share @ port.session_share, share @ port.pressure_effect])
            law += float(share @ port.law)
        means.append((sums, law))
    (first, law_before), (second, law_after) = means
    session, pressure = (2.0 * np.sum(first**2, axis=1)) if same else np.sum((second - first) ** 2, axis=1)
    fixed = {
        "lift setting": setting * (bench.lift_setting_m or 0.0) ** 2,
        "drift": float(session) * (bench.drift or 0.0) ** 2,
        "pressure reading": float(pressure),
        "pressure law": (law_after - law_before) ** 2 / 3.0,
    }
    runs = tuple(tuple(tuple(round(port.runs(j)) for j in range(len(port.lifts_m))) for port in side) for side in sides)
    return Budget(now, one, fixed, (runs[0], runs[1]))


def _gradient(port: PortNoise, range_m: tuple[float, float], method: AreaMethod) -> Array:
    """Return the derivative of a port's mean flow by each of its points."""
    size = len(port.lifts_m)
    step = 1e-4 * float(np.max(np.abs(port.flow_m3_s)))
    moved = np.repeat(port.flow_m3_s[:, np.newaxis], 2 * size, axis=1)
    moved[:, :size] += step * np.eye(size)
    moved[:, size:] -= step * np.eye(size)
    means = mean_flow(port.lifts_m, moved, range_m, method)
    return np.asarray((means[:size] - means[size:]) / (2.0 * step))
