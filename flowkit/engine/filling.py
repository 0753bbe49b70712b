"""The filling model: the cycle of one cylinder that repeats itself, by steady flow through measured areas, no waves.

All speeds and variants are computed side by side, and so are the pieces that gas exchange is cut into, each from a
start of its own, which Newton's method moves until they join up; see `simulate_filling` for the sources.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from flowkit.engine import exchange as rows
from flowkit.engine.cylinder import Motored, kinematics
from flowkit.engine.exchange import ROWS, WATCHED, Exchange, Setup, Tables
from flowkit.engine.solvers import Integration, integrate, integrate_stiff
from flowkit.errors import EngineError

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Reasons = NDArray[np.object_]
NotFiring = Literal["net-intake-flow", "trapped-air", "not-steady"]

CONVERGED = 2e-7
"""A cycle repeats itself when no piece begins farther from the end of the one before, of the displaced air."""
_FREEZE = 1e-2  # the gap from which on the same steps are taken again
_CLOSED_TOLERANCE, _TOLERANCE = 1e-6, 3e-6  # per step, of the displaced air and its energy
# The derivatives and the first rounds are integrated with a tolerance so much wider; the first cycles still more.
_LOOSER, _SECOND_LOOSER, _FIRST_LOOSER = 20.0, 5.0, 50.0
_PIECES = 24  # into which gas exchange is cut; those of a lane take about as many steps each
_BUMP = 1e-4  # of the displaced air, by which a start is moved to see how the end follows
# Rough cycles after the second at most; Newton's method goes on from where they change by less.
_MORE_ROUGH, _NEAR = 6, 0.05
_UNDECIDED = "undecided"
_PLAIN_CYCLES = 4  # that a lane is given which Newton's method does not bring home at first
_REACH = 5.0  # times its last step that a lane which settles slowly may still go
_ROUGH_ROUNDS, _MOST_ROUNDS = 3, 14  # rounds with wide tolerances, and rounds at most
# Gaps from which on the tolerances are narrow, and with which a cycle counts as steady.
_NEARLY, _SETTLED = 0.02, 1e-6
LEAST_TRAPPED = 0.20
"""Below this share of displacement full of intake air the trapped air makes no firing cycle (spec, CP)."""
_CERTAIN = 0.02  # beyond the limits an unfinished cycle must be, for it to be given up


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """The repeating cycle of one variant at each of its speeds; arrays of shape (speeds,), in kg, K and J.

    Trapped is at intake closing, `cycles` counts rounds until every piece had joined the next, `change` is the largest
    gap between two of them over the displaced air, and `evaluations` are those of all variants together.
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
    reasons: tuple[NotFiring | None, ...]
    evaluations: int


def simulate_filling(
    setups: Sequence[Setup], *, progress: Callable[[int, int], None] | None = None
) -> tuple[Cycles, ...]:
    """Find the repeating cycle of every variant at each of its engine's speeds.

    Every piece has to begin where the one before it ends, and the first where the last ends (multiple shooting: Keller,
    Numerical Methods for Two-Point Boundary-Value Problems, 1968; Deuflhard & Bornemann, Scientific Computing with
    Ordinary Differential Equations, 2002, ch. 8). A cycle found so is the one that running cycle after cycle would come
    to, if it comes to one. The pipes are taken as open spaces at given pressure and temperature.
    """
    groups: dict[tuple[object, ...], list[int]] = {}
    for index, setup in enumerate(setups):
        _check_order(setup)
        engine = setup.engine
        groups.setdefault((engine.gamma, engine.gamma_value, engine.heat_transfer), []).append(index)
    found: dict[int, Cycles] = {}
    for done, group in enumerate(groups.values()):

        def count_rounds(count: int, done: int = done) -> None:
            """Pass on the rounds of this group."""
            if progress is not None:
                progress(done * _MOST_ROUNDS + count, len(groups) * _MOST_ROUNDS)

        found.update(zip(group, _of_group([setups[index] for index in group], count_rounds), strict=True))
    return tuple(found[index] for index in range(len(setups)))


def _of_group(setups: Sequence[Setup], progress: Callable[[int], None]) -> list[Cycles]:
    """Find the cycles of variants whose gas and heat law are the same; leave out early what does not fire."""
    search = _Search(setups)
    first, reasons, pieces = search.rough_cycles()
    kept = reasons == None  # noqa: E711  (of an array, element by element)
    figures = {item.name: np.full(kept.size, np.nan) for item in fields(Cycles)}
    del figures["reasons"], figures["evaluations"]
    figures["speeds_rpm"], figures["cycles"] = search.model.speeds_rpm, np.zeros(kept.size, dtype=int)
    for again in (False, True):
        # Newton's method may lose its way; plain cycles, one after the other, then lead nearer.
        lanes = reasons == "not-steady" if again else kept
        if np.any(lanes):
            some = search.some(lanes)
            start = some.plain_cycles(first[:, lanes]) if again else (first[:, lanes], pieces.some(lanes))
            found, reasons[lanes] = some.run(*start, progress)
            search.evaluations += some.evaluations if some is not search else 0
            for name, values in found.items():
                figures[name][lanes] = values
    which = search.model.which
    return [
        Cycles(
            **{name: values[which == index] for name, values in figures.items()},
            reasons=tuple(reasons[which == index].tolist()),
            evaluations=search.evaluations,
        )
        for index in range(len(setups))
    ]


def _check_order(setup: Setup) -> None:
    """Refuse cams and combustion that cannot belong together."""
    engine, intake, exhaust = setup.engine, setup.intake, setup.exhaust
    start, end = engine.wiebe_start_deg, engine.wiebe_start_deg + engine.wiebe_duration_deg
    if not exhaust.opens_deg < intake.opens_deg < intake.closes_deg or exhaust.closes_deg >= intake.closes_deg:
        raise EngineError(
            f"the exhaust is open from {exhaust.opens_deg:.0f}° to {exhaust.closes_deg:.0f}° and the intake from "
            f"{intake.opens_deg:.0f}° to {intake.closes_deg:.0f}° after firing dead centre",
            "check the cams: are the two swapped, and is the zero of each table where it should be?",
        )
    if start <= intake.closes_deg - 720 or end >= exhaust.opens_deg:
        raise EngineError(
            f"combustion from {start:g}° to {end:g}° does not fit between intake closing at "
            f"{intake.closes_deg - 720:.0f}° and exhaust opening at {exhaust.opens_deg:.0f}°",
            "check wiebe_start, wiebe_duration and the cams",
        )


@dataclass(slots=True)
class _Pieces:
    """Where gas exchange is cut: starts and ends of shape (pieces, lanes), and the states and rough steps there."""

    low: Array
    high: Array
    starts: Array
    steps: Array
    counts: tuple[int, ...]  # into how many every stretch between two events is cut

    def some(self, lanes: Flags) -> _Pieces:
        """Return those of some lanes."""
        low, high, starts, steps = (item[..., lanes] for item in (self.low, self.high, self.starts, self.steps))
        return _Pieces(low, high, starts, steps, self.counts)


@dataclass(slots=True)
class _Round:
    """What one round over all pieces gave: ends of shape (rows, copies, pieces, lanes), and the closed part's."""

    closed: Array
    opened: Array
    heat: Array

    @property
    def ends(self) -> Array:
        """The states at the ends, shape (watched, copies, pieces + 1, lanes); the closed part is the first piece."""
        return np.concatenate((self.closed[:WATCHED, :, None], self.opened[:WATCHED]), axis=2)


def _meshes(steps: Array, looser: float) -> list[Integration]:
    """Return the steps of the three closed parts and of gas exchange.

    The last begins with steps (pieces, lanes) that did at `_LOOSER`, made as short as the tolerance asks.
    """
    closed = [Integration(looser * _CLOSED_TOLERANCE, np.full((1, 1, 1, steps.shape[1]), 0.5)) for _ in range(3)]
    opened = 0.9 * steps.reshape(1, 1, 1, -1) * (looser / _LOOSER) ** (1 / 3)
    return [*closed, Integration(looser * _TOLERANCE, opened)]


class _Search:
    """The search for the repeating cycles of variants whose gas and heat law are the same."""

    def __init__(self, setups: Sequence[Setup], tables: Tables | None = None) -> None:
        self.setups = setups
        self.model = model = Exchange(setups, tables)
        valves = [(item.exhaust, item.intake) for item in setups]
        ends = [
            [exhaust.opens_deg, intake.opens_deg, exhaust.closes_deg, intake.closes_deg] for exhaust, intake in valves
        ]
        events = np.array(ends)[model.which].T
        self.opens, self.closes = events[0], events[3]
        dead = [np.clip(np.full(model.lanes, angle), self.opens, self.closes) for angle in (180.0, 540.0)]
        self.cuts = np.sort(np.stack((*events, *dead)), axis=0)
        # What errors are measured by: the displaced air, its energy and its enthalpy.
        air = model.displaced_air
        self.scale = np.stack((air, air * model.intake_u, air, air, air * model.intake_h, air))
        self.evaluations = 0

    def some(self, lanes: Flags) -> _Search:
        """Return the search for some of the lanes alone."""
        if np.all(lanes):
            return self
        chosen = []
        for index, setup in enumerate(self.setups):
            speeds = tuple(self.model.speeds_rpm[lanes & (self.model.which == index)].tolist())
            if speeds:
                chosen.append(replace(setup, engine=replace(setup.engine, speeds_rpm=speeds)))
        return _Search(chosen, self.model.tables)

    # --- the parts of a cycle ---------------------------------------------------------------

    def closed_part(self, start: Array, meshes: list[Integration]) -> tuple[Array, Array]:
        """Run compression, combustion and expansion from states (watched, copies, lanes) to exhaust opening.

        Returns the rows there and the heat released.
        """
        model, engine = self.model, self.model.engine
        heat = engine.heat_per_air_j_kg * np.maximum(start[rows.MASS] - start[rows.BURNED], 0.0)
        mass = start[rows.MASS][None, :, None]
        state = np.zeros((3, *mass.shape))
        state[0] = start[rows.ENERGY][None, :, None]
        burn = engine.wiebe_start_deg
        angles = (self.closes - 720.0, burn, burn + engine.wiebe_duration_deg, self.opens)
        volume = kinematics(engine, angles[0])[0]
        temperature, _ = model.table.temperature_and_cv(state[0] / mass)
        motored = Motored(mass * model.gas.gas_constant * temperature / volume, temperature, volume)
        parts = ((None, None), (heat[None, :, None], motored), (None, motored))
        for span, (released, added), run in zip(pairwise(angles), parts, meshes[:3], strict=True):
            right_side = model.closed(mass, released, added)
            state = integrate(
                right_side, span, state, scale=self.scale[1:2, None, None, None], run=run, at=model.at_closed
            )
        end = np.zeros((ROWS, *start.shape[1:]))
        end[:WATCHED] = start
        end[rows.ENERGY], end[rows.WORK], end[rows.HEAT_LOST] = state[:, 0, :, 0]
        end[rows.BURNED] = np.where(model.fires, end[rows.MASS], end[rows.BURNED])
        return end, heat

    def open_pieces(
        self,
        starts: Array,
        span: tuple[Array, Array],
        run: Integration,
        *,
        sums: bool = True,
        record: Callable[[Array, Array], None] | None = None,
    ) -> Array:
        """Run pieces of gas exchange from states (watched, copies, pieces, lanes); return the rows at their ends."""
        copies, pieces, lanes = starts.shape[1:]
        state = np.zeros((ROWS if sums else WATCHED, 1, copies, 1, pieces * lanes))
        state[:WATCHED, 0, :, 0] = starts.reshape(WATCHED, copies, -1)
        columns = np.tile(np.arange(lanes), pieces)

        def of_some(chosen: NDArray[np.intp]) -> tuple[Exchange, Any, Any]:
            """Return the equations of some of the columns."""
            model = self.model.some(columns[chosen])
            return model, model.linear, model.passages.at

        model, linear, at = of_some(np.arange(columns.size))
        end = integrate_stiff(
            model,
            (span[0].reshape(1, 1, 1, -1), span[1].reshape(1, 1, 1, -1)),
            state,
            scale=self.scale[:, None, None, None, columns],
            run=run,
            linear=linear,
            at=at,
            some=None if record else of_some,
            record=record,
        )
        return end.reshape(-1, copies, pieces, lanes)

    # --- the first, rough way through ----------------------------------------------------------

    def first_guess(self) -> Array:
        """Guess the state at intake closing: a full cylinder with some residual gas."""
        model, engine = self.model, self.model.engine
        temperature = engine.intake_temperature_k + 80
        volume = kinematics(engine, self.closes)[0]
        state = np.zeros((WATCHED, model.lanes))
        state[rows.MASS] = engine.intake_pressure_pa * volume / (model.gas.gas_constant * temperature)
        state[rows.ENERGY] = state[rows.MASS] * model.gas.u(temperature)
        state[rows.BURNED] = 0.06 * state[rows.MASS]
        state[rows.PORT_MASS] = 1e-6 * model.displaced_air
        state[rows.PORT_ENTHALPY] = state[rows.PORT_MASS] * model.intake_h
        return state

    def rough_way(self, first: Array, looser: float, counts: tuple[int, ...] = ()) -> tuple[_Pieces, Array, Array]:
        """Run one cycle with wide tolerances; cut it so that pieces take about as many steps each, or into so many.

        Returns the pieces with their starts, the state at the next intake closing, and the air drawn in.
        """
        meshes = _meshes(np.ones((1, self.model.lanes)), looser * _LOOSER)
        state = self.closed_part(first[:, None], meshes)[0][:WATCHED, :, None]
        ways, drawn = [], np.zeros(self.model.lanes)
        for low, high in pairwise(self.cuts):
            way = _Way(low, state[:, 0, 0])
            run = Integration(looser * _LOOSER * _TOLERANCE, np.full((1, 1, 1, self.model.lanes), 0.5))
            end = self.open_pieces(state, (low, high), run, record=way.record)
            state, drawn = end[:WATCHED], drawn + end[rows.DRAWN, 0, 0]
            ways.append(way)
            self.evaluations += run.evaluations
        if not counts:
            shares = np.array([float(np.max(way.counted()[-1])) for way in ways])
            counts = tuple(np.maximum(np.round(_PIECES * shares / shares.sum()), 1).astype(int).tolist())
        cut = [way.cut(count) for way, count in zip(ways, counts, strict=True)]
        low, steps = (np.concatenate([part[place] for part in cut]) for place in (0, 2))
        starts = np.concatenate([states for _, states, _ in cut], axis=1)
        self.evaluations += sum(run.evaluations for run in meshes)
        last = state[:, 0, 0]
        last[rows.PORT_MASS :] = np.maximum(last[rows.PORT_MASS :], 0.0)
        high = np.concatenate((low[1:], self.closes[None]))
        return _Pieces(low, high, starts, steps, counts), last, drawn

    # --- Newton's method ------------------------------------------------------------------------

    def one_round(
        self, first: Array, pieces: _Pieces, meshes: list[Integration], *, bumped: bool, sums: bool
    ) -> _Round:
        """Run all pieces from their starts; with copies whose starts are moved, one for each row."""
        start, starts = first[:, None], pieces.starts[:, None]
        if bumped:
            bumps = np.zeros((WATCHED, WATCHED + 1, self.model.lanes))
            bumps[range(WATCHED), range(1, WATCHED + 1)] = _BUMP * self.scale
            start, starts = start + bumps, starts + bumps[:, :, None]
        closed, heat = self.closed_part(start, meshes)
        opened = self.open_pieces(starts, (pieces.low, pieces.high), meshes[3], sums=sums)
        return _Round(closed, opened, heat)

    def derivatives(self, ends: Array) -> Array:
        """Return how the pieces' ends follow their starts, scaled: shape (pieces + 1, lanes, watched, watched)."""
        moved = (ends[:, 1:] - ends[:, :1]) / (_BUMP * self.scale[:, None, None])
        # Where no gas comes back from the port, its rows go through unchanged and nothing fixes them.
        moved[rows.PORT_MASS :] *= self.model.keeps
        return np.nan_to_num(np.ascontiguousarray(moved.transpose(2, 3, 0, 1)), nan=0.0, posinf=0.0, neginf=0.0)

    def moves(self, slopes: Array, gaps: Array) -> Array:
        """Return by how much the starts must move to close the gaps.

        Moves are of shape (watched, pieces + 1, lanes), the state at intake closing first.
        """
        gap = (gaps / self.scale[:, None]).transpose(1, 2, 0)[..., None]
        whole, carried = slopes[0], gap[0]
        for slope, more in zip(slopes[1:], gap[1:], strict=True):
            whole, carried = slope @ whole, slope @ carried + more
        try:
            move = np.linalg.solve(np.eye(WATCHED) - whole, carried)
        except np.linalg.LinAlgError:
            move = np.linalg.pinv(np.eye(WATCHED) - whole) @ carried
        found = [move]
        for slope, more in zip(slopes[:-1], gap[:-1], strict=True):
            found.append(slope @ found[-1] + more)
        return np.asarray(np.stack(found)[..., 0].transpose(2, 0, 1) * self.scale[:, None])

    def updated(self, slopes: Array, move: Array, gaps: Array) -> Array:
        """Return the derivatives corrected by what the last move showed (Broyden 1965): the gaps it left."""
        shift = (move / self.scale[:, None]).transpose(1, 2, 0)
        left = (gaps / self.scale[:, None]).transpose(1, 2, 0)
        length = np.sum(shift * shift, axis=-1, keepdims=True)
        share = np.where(length > 1e-20, shift / np.maximum(length, 1e-20), 0.0)
        return np.asarray(slopes + left[..., None] * share[..., None, :])

    def moved(self, state: Array, move: Array) -> Array:
        """Return states moved, at most so far that mass and energy change by half, and none below zero."""
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.max(np.abs(move[: rows.BURNED]) / state[: rows.BURNED], axis=(0, 1))
        state = state + move * np.minimum(1.0, 0.5 / np.maximum(np.nan_to_num(part, nan=1e9), 1e-9))
        state[rows.BURNED] = np.maximum(state[rows.BURNED], 0.0)
        # The port is empty at times; a trace below nothing does no harm.
        state[rows.PORT_MASS] = np.maximum(state[rows.PORT_MASS], -0.3 * self.model.mixing_mass)
        return state

    def rough_cycles(self) -> tuple[Array, Reasons, _Pieces]:
        """Run rough cycles until every lane is near its repeating cycle, or certainly has none that fires.

        Returns the states at intake closing, why a lane is given up, and the pieces the last cycle was cut
        into. Two cycles do for most lanes, the second with narrower tolerances; others go on alone.
        """
        before = self.rough_way(self.first_guess(), _FIRST_LOOSER)[1]
        pieces, state, drawn = self.rough_way(before, _SECOND_LOOSER)
        reasons = self.judged(before, state, drawn)
        undecided = reasons == _UNDECIDED
        for _ in range(_MORE_ROUGH):
            lanes = reasons == _UNDECIDED
            if not np.any(lanes):
                break
            some = self.some(lanes)
            _, following, drawn = some.rough_way(state[:, lanes], _FIRST_LOOSER)
            reasons[lanes] = some.judged(state[:, lanes], following, drawn)
            state[:, lanes] = following
            self.evaluations += some.evaluations if some is not self else 0
        reasons[reasons == _UNDECIDED] = "not-steady"
        late = undecided & (reasons == None)  # noqa: E711
        if np.any(late):
            some = self.some(late)
            others, state[:, late], _ = some.rough_way(state[:, late], _SECOND_LOOSER, pieces.counts)
            for name in ("low", "high", "starts", "steps"):
                getattr(pieces, name)[..., late] = getattr(others, name)
            self.evaluations += some.evaluations if some is not self else 0
        return state, reasons, pieces

    def judged(self, before: Array, after: Array, drawn: Array) -> Reasons:
        """Say of each lane why it cannot fire, None where it is near its repeating cycle, or that neither is certain.

        The trapped air goes on as it went: rising, perhaps several times as far; falling, back by half at most.
        """
        air = self.model.displaced_air
        steps = np.abs(after - before) / self.scale
        trapped = (after[rows.MASS] - after[rows.BURNED]) / air
        moved = trapped - (before[rows.MASS] - before[rows.BURNED]) / air
        least = LEAST_TRAPPED - _CERTAIN
        lean = self.model.fires & (trapped + np.maximum(_REACH * moved, -0.5 * moved) < least)
        near = (np.max(steps[: rows.PORT_BURNED], axis=0) < _NEAR) & ((trapped >= least) | ~self.model.fires)
        empty = drawn < -_CERTAIN * air
        reasons: Reasons = np.full(air.size, _UNDECIDED, dtype=object)
        reasons[near] = None
        reasons[lean] = np.where(empty[lean], "net-intake-flow", "trapped-air")
        return reasons

    def plain_cycles(self, first: Array) -> tuple[Array, _Pieces]:
        """Return states at intake closing after some more cycles, and the pieces of the last."""
        state = first
        for _ in range(_PLAIN_CYCLES):
            pieces, state, _ = self.rough_way(state, _SECOND_LOOSER)
        return state, pieces

    def run(self, first: Array, pieces: _Pieces, progress: Callable[[int], None]) -> tuple[dict[str, Any], Reasons]:
        """Search from states at intake closing, and the pieces before them; return figures and reasons of each lane."""
        rough, fine = (_meshes(pieces.steps, looser) for looser in (_LOOSER, 1.0))
        rounds = np.zeros(self.model.lanes, dtype=int)
        result = self.one_round(first, pieces, rough, bumped=True, sums=False)
        slopes, using, move = self.derivatives(result.ends), rough, None
        for count in range(1, _MOST_ROUNDS + 1):
            progress(count)
            gaps = result.ends[:, 0] - np.concatenate((pieces.starts, first[:, None]), axis=1)
            gap = np.max(np.abs(np.nan_to_num(gaps, nan=1e9)) / self.scale[:, None], axis=(0, 1))
            if move is not None:
                slopes = self.updated(slopes, move, gaps)
            if using is fine:
                rounds = np.where((rounds == 0) & (gap < CONVERGED), count, rounds)
                if np.all(gap < CONVERGED):
                    break
                for run in fine:  # from now on the same steps
                    run.frozen = run.frozen or bool(np.all(gap < _FREEZE))
            move = self.moves(slopes, gaps)
            states = self.moved(np.concatenate((first[:, None], pieces.starts), axis=1), move)
            first, pieces.starts = states[:, 0], states[:, 1:]
            if using is rough and (count == _ROUGH_ROUNDS or np.all(gap < _NEARLY)):
                # What the narrower tolerance changes says nothing of the derivatives.
                using, move = fine, None
            result = self.one_round(first, pieces, using, bumped=False, sums=using is fine)
        self.evaluations += sum(run.evaluations for run in (*rough, *fine))
        return self._collect(result, pieces, gap, np.where(rounds == 0, count, rounds))

    def _collect(
        self, result: _Round, pieces: _Pieces, gap: Array, rounds: NDArray[np.int_]
    ) -> tuple[dict[str, Any], Reasons]:
        """Gather the lanes' figures, close their balances and say why a lane has no steady firing cycle."""
        model = self.model
        closed, opened, heat = result.closed[:, 0], result.opened[:, 0], result.heat[0]
        end, total = opened[:, -1], np.sum(opened, axis=1) + closed
        exchange = (pieces.low >= 180.0 - 1e-9) & (pieces.high <= 540.0 + 1e-9)
        drawn, mass, air = total[rows.DRAWN], end[rows.MASS], model.displaced_air
        trapped, enthalpy_in = mass - end[rows.BURNED], drawn * model.intake_h
        missing = enthalpy_in + heat - total[rows.GONE_ENTHALPY] - total[rows.WORK] - total[rows.HEAT_LOST]
        with np.errstate(divide="ignore", invalid="ignore"):
            figures = {
                "trapped_mass": mass,
                "trapped_air": trapped,
                "burned_fraction": end[rows.BURNED] / mass,
                "trapped_temperature": model.table.temperature_and_cv(end[rows.ENERGY] / mass)[0],
                "drawn_air": drawn,
                "volumetric_efficiency": drawn / air,
                "work": total[rows.WORK],
                "pumping_work": -np.sum(opened[rows.WORK] * exchange, axis=0),
                "heat_released": heat,
                "heat_lost": total[rows.HEAT_LOST],
                "mass_error": np.abs(drawn - total[rows.GONE]) / np.abs(drawn),
                "energy_error": np.abs(missing) / np.abs(enthalpy_in + heat),
                "change": gap,
                "cycles": rounds,
            }
        reasons: Reasons = np.full(air.size, None, dtype=object)
        reasons[~(gap < _SETTLED)] = "not-steady"
        reasons[model.fires & (trapped < LEAST_TRAPPED * air)] = "trapped-air"
        reasons[model.fires & (np.sum(opened[rows.DRAWN], axis=0) <= 0)] = "net-intake-flow"
        return figures, reasons


@dataclass(slots=True)
class _Way:
    """The crank angles and states that lanes went through, step by step."""

    low: Array
    start: Array
    angles: list[Array] = field(default_factory=list)
    states: list[Array] = field(default_factory=list)

    def record(self, theta: Array, state: Array) -> None:
        """Keep one step."""
        self.angles.append(theta[0, 0, 0])
        self.states.append(state[:WATCHED, 0, 0, 0])

    def counted(self) -> Array:
        """Return the steps taken so far, shape (steps + 1, lanes); a refused step does not count."""
        moved = np.diff(np.array([self.low, *self.angles]), axis=0) > 0
        return np.concatenate((np.zeros((1, moved.shape[1])), np.cumsum(moved, axis=0)))

    def cut(self, count: int) -> tuple[Array, Array, Array]:
        """Return the starts of so many pieces: crank angles and first steps (pieces, lanes), states (watched, …)."""
        counted = self.counted()
        angles, states = np.array([self.low, *self.angles]), np.array([self.start, *self.states])
        lanes = np.arange(angles.shape[1])
        lows, starts, steps = [], [], []
        for piece in range(count):
            index = np.argmax(counted >= np.round(piece / count * counted[-1]), axis=0)
            following = np.argmax(counted > counted[index, lanes], axis=0)
            lows.append(angles[index, lanes])
            starts.append(states[index, :, lanes].T)
            steps.append(np.maximum(angles[following, lanes] - angles[index, lanes], 0.02) / _SECOND_LOOSER ** (1 / 3))
        return np.array(lows), np.stack(starts, axis=1), np.array(steps)
