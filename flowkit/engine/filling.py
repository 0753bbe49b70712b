"""The filling model: one cylinder, cycle after cycle, until it repeats itself.

Quasi-steady: at each crank angle the flow through the valves is the steady compressible flow
through the effective areas measured on the bench. The pipes are taken as open spaces at given
pressure and temperature, so there are no waves. All speeds and variants are computed side by side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flowkit.engine import exchange as rows
from flowkit.engine.cylinder import Motored, cylinder_volume
from flowkit.engine.data import EngineData
from flowkit.engine.exchange import BOTH, EXHAUST, INTAKE, ROWS, WATCHED, Exchange, Passage, closed_right_side
from flowkit.engine.gas import Gas
from flowkit.engine.solvers import Integration, TooStiff, integrate, integrate_stiff
from flowkit.errors import EngineError

__all__ = ["CONVERGED", "Cycles", "simulate_filling"]

Array = NDArray[np.float64]

CONVERGED = 3e-7
"""A cycle repeats itself when its state at intake closing does: mass, energy, burned mass, gas in the port."""

_FREEZE = 1e-3
"""From this change on the steps of the last cycle are taken again."""

_CLOSED_TOLERANCE, _TOLERANCE, _IMPLICIT_TOLERANCE = 1e-7, 1e-6, 3e-6
"""Per step, of the displaced air and its energy."""

_CUTS_DEG = (180.0, 225.0, 270.0, 315.0, 345.0, 375.0, 405.0, 450.0, 495.0, 540.0)
"""Gas exchange is cut here, and each part goes by the method that costs less."""

_FIRST_LOOSER = 100.0
"""The first cycle, which begins with a guess, is integrated with a tolerance so much wider."""

_BUDGET = 1.5
"""What the explicit method may cost over the implicit in the first cycle, for it to be taken."""

_PER_DAMPING = 6 / 3.3
"""Evaluations an explicit step takes, over the decay it stays stable for (Dormand & Prince's interval, 3.3)."""

_MOST_CYCLES = 40


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """The last cycle of every lane; arrays of shape (variants, speeds).

    Attributes
    ----------
    speeds_rpm : array, shape (speeds,)
    trapped_mass, trapped_air, burned_fraction, trapped_temperature : array
        At intake closing [kg], [kg], [-], [K].
    drawn_air : array
        Air drawn from the intake in the cycle [kg].
    volumetric_efficiency : array
        Drawn air over the displaced volume full of intake air.
    work, pumping_work : array
        Done by the gas in the whole cycle, and spent on the exhaust and intake strokes [J].
    heat_released, heat_lost : array
        [J]
    cycles : array of int
        Until the lane had converged.
    mass_error, energy_error : array
        What is missing in the balances of the last cycle.
    change : array
        Last change at intake closing.
    evaluations : int
        Of the right side, over all cycles.
    """

    speeds_rpm: Array
    trapped_mass: Array
    trapped_air: Array
    burned_fraction: Array
    trapped_temperature: Array
    drawn_air: Array
    volumetric_efficiency: Array
    work: Array
    pumping_work: Array
    heat_released: Array
    heat_lost: Array
    cycles: NDArray[np.int_]
    mass_error: Array
    energy_error: Array
    change: Array
    evaluations: int


@dataclass(slots=True)
class _Part:
    """A part of gas exchange: how it goes by either method, and which one is taken once that is known."""

    explicit: Integration
    implicit: Integration
    chosen: Literal["explicit", "implicit"] | None = None

    @property
    def evaluations(self) -> int:
        """Evaluations by both methods."""
        return self.explicit.evaluations + self.implicit.evaluations

    def freeze(self) -> None:
        """Take the same steps from now on."""
        self.explicit.frozen = self.implicit.frozen = True

    def go(self, model: Exchange, span: tuple[float, float], state: Array, scale: Array) -> Array:
        """Integrate: by the implicit method first, then by the explicit if it comes out cheaper."""
        right_side = partial(model.right_side, _open_valves(model, span))
        if self.chosen == "explicit":
            return integrate(right_side, span, state, scale=scale, run=self.explicit)
        if self.chosen is None and self.implicit.evaluations > 0:
            self.implicit.tolerance = _IMPLICIT_TOLERANCE
            try:
                budget = _BUDGET * self.implicit.evaluations
                if self.implicit.damping * _PER_DAMPING > budget:
                    raise TooStiff
                end = integrate(right_side, span, state, scale=scale, run=self.explicit, budget=budget)
            except TooStiff:
                self.chosen = "implicit"
            else:
                self.chosen = "explicit"
                return end
        gradient = model.pressure_gradient
        return integrate_stiff(right_side, span, state, scale=scale, run=self.implicit, gradient=gradient)


def _open_valves(model: Exchange, span: tuple[float, float]) -> slice:
    """Return which valves are open in a part; cuts are made where they open and close."""
    intake, exhaust = span[1] > model.intake.opens_deg, span[0] < model.exhaust.closes_deg
    return BOTH if intake == exhaust else INTAKE if intake else EXHAUST


@dataclass(slots=True)
class _Runs:
    """The parts of a cycle by their crank angles."""

    closed: dict[tuple[float, float], Integration] = field(default_factory=dict)
    open: dict[tuple[float, float], _Part] = field(default_factory=dict)

    def closed_part(self, span: tuple[float, float], lanes: tuple[int, ...]) -> Integration:
        """Return the integration of a part with closed valves."""
        return self.closed.setdefault(span, Integration(_CLOSED_TOLERANCE, np.full(lanes, 0.1)))

    def open_part(self, span: tuple[float, float], lanes: tuple[int, ...]) -> _Part:
        """Return a part of gas exchange."""
        first = np.full(lanes, 0.1)
        return self.open.setdefault(
            span, _Part(Integration(_TOLERANCE, first), Integration(_FIRST_LOOSER * _IMPLICIT_TOLERANCE, first))
        )

    def freeze(self) -> None:
        """Take the same steps from now on."""
        for run in self.closed.values():
            run.frozen = True
        for part in self.open.values():
            part.freeze()

    @property
    def evaluations(self) -> int:
        """Evaluations of all parts."""
        closed = sum(run.evaluations for run in self.closed.values())
        return closed + sum(part.evaluations for part in self.open.values())


@dataclass(frozen=True, slots=True)
class _Cycle:
    """One cycle: its state at the end, its work on the pumping strokes, its heat."""

    state: Array
    pumping: Array
    heat: Array


def simulate_filling(
    engine: EngineData,
    intake: Passage,
    exhaust: Passage,
    speeds_rpm: Array,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Cycles:
    """Run cycles of every speed and variant until each repeats itself.

    Parameters
    ----------
    engine : EngineData
    intake, exhaust : Passage
        Effective areas over crank angle, of the same variants.
    speeds_rpm : array, shape (speeds,)
    progress : callable, optional
        Called with (cycles done, most cycles there may be).

    Returns
    -------
    Cycles

    Raises
    ------
    EngineError
        If the valve events or the combustion are in an impossible order.

    Examples
    --------
    >>> from flowkit.engine.cam import Cam
    >>> engine = EngineData(1, 0.080, 0.080, 0.140, 10)
    >>> inlet = Cam.from_timing(opens_deg=348, closes_deg=592, checking_lift_m=0, peak_lift_m=0.01)
    >>> outlet = Cam.from_timing(opens_deg=130, closes_deg=372, checking_lift_m=0, peak_lift_m=0.01)
    >>> areas = [lambda lift: 0.06 * lift]
    >>> cycles = simulate_filling(engine, Passage.tabulate(inlet, areas), Passage.tabulate(outlet, areas),
    ...                           np.array([3000.0]))
    >>> bool(0.8 < cycles.volumetric_efficiency[0, 0] < 1.0), bool(cycles.energy_error.max() < 1e-6)
    (True, True)
    """
    gas = Gas(engine.gamma, engine.gamma_value)
    model = Exchange(engine, gas, intake, exhaust, speeds_rpm)
    _check_order(engine, intake, exhaust)
    state = _first_guess(model, intake)
    runs = _Runs()
    converged = np.zeros(state.shape[1:], dtype=int)
    last_step: Array | None = None
    for count in range(1, _MOST_CYCLES + 1):
        before = state
        cycle = _run_cycle(model, before, runs)
        change = _change(before, cycle.state)
        if progress is not None:
            progress(count, _MOST_CYCLES)
        converged = np.where((converged == 0) & (change < CONVERGED), count, converged)
        if np.all(change < CONVERGED):
            break
        if count > 1 and np.all(change < _FREEZE):
            runs.freeze()
        step = cycle.state[:WATCHED] - before[:WATCHED]
        state = cycle.state.copy()
        # Every other cycle jumps to where the last two steps lead.
        if last_step is not None and count % 2 == 1:
            state[:WATCHED] += _extrapolation(last_step, step, _scale(model, state))
            state[rows.PORT_MASS : WATCHED] = np.maximum(state[rows.PORT_MASS : WATCHED], 1e-15)
            last_step = None
        else:
            last_step = step
    converged = np.where(converged == 0, count, converged)
    return _collect(model, cycle, converged, change, runs)


def _extrapolation(earlier: Array, later: Array, scale: Array) -> Array:
    """Return what is left after two steps of a geometric series, lane by lane (Aitken)."""
    weight = 1.0 / (scale * scale)
    ratio = np.sum(weight * earlier * later, axis=0) / np.maximum(np.sum(weight * earlier * earlier, axis=0), 1e-300)
    ratio = np.clip(ratio, -0.3, 0.6)
    return np.asarray(later * (ratio / (1.0 - ratio)))


def _check_order(engine: EngineData, intake: Passage, exhaust: Passage) -> None:
    """Refuse cams and combustion that cannot belong together."""
    start, end = engine.wiebe_start_deg, engine.wiebe_start_deg + engine.wiebe_duration_deg
    if not exhaust.opens_deg < intake.opens_deg < intake.closes_deg or exhaust.closes_deg >= intake.closes_deg:
        raise EngineError(
            f"the exhaust is open from {exhaust.opens_deg:.0f}° to {exhaust.closes_deg:.0f}° and the intake from "
            f"{intake.opens_deg:.0f}° to {intake.closes_deg:.0f}° after firing dead centre",
            "check the cams: is the exhaust's the intake's, or the zero of a table another?",
        )
    if start <= intake.closes_deg - 720 or end >= exhaust.opens_deg:
        raise EngineError(
            f"combustion from {start:g}° to {end:g}° does not fit between intake closing at "
            f"{intake.closes_deg - 720:.0f}° and exhaust opening at {exhaust.opens_deg:.0f}°",
            "check wiebe_start, wiebe_duration and the cams",
        )


def _first_guess(model: Exchange, intake: Passage) -> Array:
    """Guess the state at intake closing: a full cylinder with some residual gas."""
    engine = model.engine
    temperature = engine.intake_temperature_k + 80
    volume = float(cylinder_volume(engine, intake.closes_deg))
    state = np.zeros((ROWS, 1, intake.variants, model.piston_speed.size))
    state[rows.MASS] = engine.intake_pressure_pa * volume / (model.gas.gas_constant * temperature)
    state[rows.ENERGY] = state[rows.MASS] * model.gas.u(np.array(temperature))
    state[rows.BURNED] = 0.06 * state[rows.MASS]
    state[rows.PORT_MASS] = 1e-6 * model.displaced_air
    state[rows.PORT_ENTHALPY] = state[rows.PORT_MASS] * model.intake_h
    return state


def _change(before: Array, after: Array) -> Array:
    """Return the largest relative change of a lane at intake closing."""
    mass = before[rows.MASS]
    return np.asarray(
        np.max(
            [
                np.abs(after[rows.MASS] - mass) / mass,
                np.abs(after[rows.ENERGY] / before[rows.ENERGY] - 1),
                np.abs(after[rows.BURNED] - before[rows.BURNED]) / mass,
                np.abs(after[rows.PORT_MASS] - before[rows.PORT_MASS]) / mass,
            ],
            axis=0,
        )
    )


def _run_cycle(model: Exchange, state: Array, runs: _Runs) -> _Cycle:
    """Run from intake closing to the next."""
    state = state.copy()
    state[WATCHED:] = 0.0
    pumping = np.zeros(state.shape[1:])
    heat = model.engine.heat_per_air_j_kg * (state[rows.MASS] - state[rows.BURNED])
    state = _closed_part(model, state, heat, runs)
    if model.engine.combustion_efficiency > 0:
        state[rows.BURNED] = state[rows.MASS]
    scale = _scale(model, state)
    for low, high in pairwise(_breaks(model)):
        before = state[rows.WORK]
        state = runs.open_part((low, high), state.shape[1:]).go(model, (low, high), state, scale)
        if low >= 180 and high <= 540:
            pumping = pumping - (state[rows.WORK] - before)
    return _Cycle(state, pumping, heat)


def _breaks(model: Exchange) -> list[float]:
    """Return the crank angles of gas exchange at which something begins or ends, in order."""
    start, end = model.exhaust.opens_deg, model.intake.closes_deg
    events = {model.intake.opens_deg, model.exhaust.closes_deg, *_CUTS_DEG}
    return [start, *sorted(event for event in events if start < event < end), end]


def _scale(model: Exchange, state: Array) -> Array:
    """Return what errors are measured by: the displaced air, its energy and its enthalpy."""
    scale = np.full((WATCHED, *state.shape[1:]), model.displaced_air)
    scale[rows.ENERGY] = model.displaced_air * model.intake_u
    scale[rows.PORT_ENTHALPY] = model.displaced_air * model.intake_h
    return scale


def _closed_part(model: Exchange, state: Array, heat: Array, runs: _Runs) -> Array:
    """Run compression, combustion and expansion to exhaust opening."""
    engine = model.engine
    start, burn = model.intake.closes_deg - 720, engine.wiebe_start_deg
    closed = np.stack((state[rows.ENERGY], state[rows.WORK], state[rows.HEAT_LOST]))
    mass = state[rows.MASS]
    volume = float(cylinder_volume(engine, start))
    temperature, _ = model.temperature_and_cv(closed[0] / mass)
    motored = Motored(mass * model.gas.gas_constant * temperature / volume, temperature, volume)
    scale = np.full((1, *mass.shape), model.displaced_air * model.intake_u)
    for low, high, released, added in (
        (start, burn, None, None),
        (burn, burn + engine.wiebe_duration_deg, heat, motored),
        (burn + engine.wiebe_duration_deg, model.exhaust.opens_deg, None, motored),
    ):
        right_side = closed_right_side(model, mass, released, added)
        run = runs.closed_part((low, high), closed.shape[1:])
        closed = integrate(right_side, (low, high), closed, scale=scale, run=run)
    state[rows.ENERGY], state[rows.WORK], state[rows.HEAT_LOST] = closed
    return state


def _collect(model: Exchange, cycle: _Cycle, converged: NDArray[np.int_], change: Array, runs: _Runs) -> Cycles:
    """Gather the last cycle's figures and close its balances; the axis of copies falls away."""
    state, heat = cycle.state[:, 0], cycle.heat[0]
    drawn, mass = state[rows.DRAWN], state[rows.MASS]
    enthalpy_in = drawn * model.intake_h
    missing = enthalpy_in + heat - state[rows.GONE_ENTHALPY] - state[rows.WORK] - state[rows.HEAT_LOST]
    return Cycles(
        speeds_rpm=model.degrees_per_second / 6.0,
        trapped_mass=mass,
        trapped_air=mass - state[rows.BURNED],
        burned_fraction=state[rows.BURNED] / mass,
        trapped_temperature=model.temperature_and_cv(state[rows.ENERGY] / mass)[0],
        drawn_air=drawn,
        volumetric_efficiency=drawn / model.displaced_air,
        work=state[rows.WORK],
        pumping_work=cycle.pumping[0],
        heat_released=heat,
        heat_lost=state[rows.HEAT_LOST],
        cycles=converged[0],
        mass_error=np.abs(drawn - state[rows.GONE]) / drawn,
        energy_error=np.abs(missing) / (enthalpy_in + heat),
        change=change[0],
        evaluations=runs.evaluations,
    )
