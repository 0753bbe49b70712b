"""Two integrators that take many pieces of many cycles side by side, each with a crank angle and a step of its own.

A state is of shape (rows, 1, copies, pieces, lanes), crank angles and steps are (1, 1, pieces, lanes): copies of a
piece, which differ a little at its start, take the same steps, so that their ends show how the end depends on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RightSide = Callable[[Any, Array], Array]
Linearised = tuple[Array, Array, Array, Array, Array]
"""Slope; its derivative by pressure; the pressure's by crank angle, by row 0 and by row 1."""
Linear = Callable[[Any, Array], Linearised]

_NODES = (0.0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0, 1.0)
_STAGES = (
    np.array([]),
    np.array([1 / 5]),
    np.array([3 / 40, 9 / 40]),
    np.array([44 / 45, -56 / 15, 32 / 9]),
    np.array([19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729]),
    np.array([9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656]),
    np.array([35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84]),
)
_ERROR = np.array([71 / 57600, 0.0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40])

_GAMMA = 0.435866521508459
_STIFF_STAGES = (
    np.array([]),
    np.array([0.871733043016918]),
    np.array([0.84457060015369423, -0.11299064236484185]),
    np.array([0.0, 0.0, 1.0]),
)
_COUPLING = (
    np.array([]),
    np.array([-0.871733043016918]),
    np.array([-0.90338057013044082, 0.054180672388095326]),
    np.array([0.24212380706095346, -1.2232505839045147, 0.54526025533510214]),
)
_WEIGHTS = np.array([0.24212380706095346, -1.2232505839045147, 1.5452602553351020, _GAMMA])
_STIFF_ERROR = _WEIGHTS - np.array([0.37810903145819369, -0.096042292212423178, 0.5, 0.2179326075422950])
_STIFF_NODES = tuple(float(np.sum(stage)) for stage in _STIFF_STAGES)
_TIME = tuple(_GAMMA + float(np.sum(coupling)) for coupling in _COUPLING)

_MOST_STEPS = 4000
_SMALLEST_STEP = 1e-6
_FEW, _MANY = 300, 0.75
"""So few columns cost no less without those that arrived; and go on alone below this share."""


@dataclass(slots=True)
class Integration:
    """Pieces of the cycle that are integrated again and again: their tolerance and what was learned."""

    tolerance: float  # error per step over scale
    step: Array  # the first step each tries [degrees]
    mesh: Array | None = None  # the steps taken last time [degrees], none of them refused
    # Take the steps of the mesh again, unasked. The end of a piece is then a smooth function of its beginning, and
    # cycles can converge far below the tolerance.
    frozen: bool = False
    evaluations: int = 0  # of right sides so far
    # What the right sides need of the crank angles, step by step, while the steps stay the same
    seen: list[Any] = field(default_factory=list)


class _Lanes:
    """Where every lane is, and whether its steps are taken."""

    def __init__(self, run: Integration, span: tuple[Array, Array], scale: Array, *, error: Array, order: int) -> None:
        self.run, self.weights, self.order = run, error, order
        self.theta, self.end = (np.broadcast_to(end, run.step.shape).astype(float) for end in span)
        self.columns = np.arange(self.theta.shape[-1])
        self.given = run.mesh if run.frozen else None
        self._per_tolerance = 1.0 / (scale * run.tolerance)
        self._taken: list[Array] = []
        self._wanted = run.step
        self._evaluated = 0
        self.at: Callable[[Array], Any] | None = None
        self.step = np.minimum(self._wanted, self.end - self.theta) if self.given is None else self.given[0]

    def angles(self, share: float) -> Any:
        """Return what right sides are given of the crank angle after a share of the step.

        While the steps stay the same it is worked out once.
        """
        seen, self._evaluated = self.run.seen, self._evaluated + 1
        if self.at is not None and self.run.frozen and self._evaluated <= len(seen):
            return seen[self._evaluated - 1]
        theta = self.theta + share * self.step if share else self.theta
        if self.at is None:
            return theta
        found = self.at(theta)
        if self.run.frozen:
            seen.append(found)
        return found

    def stepped(self, state: Array, weights: Array, slopes: Array) -> Array:
        """Return states a step on, by the weighted sum of the first slopes."""
        trial = (weights @ slopes.reshape(len(slopes), -1)[: len(weights)]).reshape(state.shape)
        trial *= self.step
        trial += state
        return trial

    def judge(self, slopes: Array) -> tuple[NDArray[np.bool_] | None, bool]:
        """Take or refuse the steps by their error over tolerance; return which (None: all), and whether all arrived."""
        if self.given is not None:
            return None, self._replay(self.given)
        watched = self._per_tolerance.shape[0]
        per_degree = self.weights @ slopes[:, :watched].reshape(len(slopes), -1)
        wrong = np.abs(per_degree.reshape(watched, *slopes.shape[2:]) * self._per_tolerance)
        error = np.max(self.step * np.max(wrong, axis=0), axis=1, keepdims=True)
        error[~(error < 1e8)] = 1e8  # an error that is not a number comes from a step far too long
        accepted = error <= 1.0
        arriving = accepted & (self.step >= self.end - self.theta)
        self.theta = np.where(arriving, self.end, np.where(accepted, self.theta + self.step, self.theta))
        taken = np.zeros(self.run.step.shape)
        taken[..., self.columns] = self.step * accepted
        self._taken.append(taken)
        factor = np.minimum(np.maximum(0.9 * np.maximum(error, 1e-12) ** (-1.0 / self.order), 0.2), 4.0)
        # A step cut short by the end says nothing against the step that was wanted.
        short = accepted & (self.step < self._wanted)
        self._wanted = np.where(short, np.maximum(self._wanted, self.step * factor), self.step * factor)
        # A lane that gets no further gives up where it is; its cycle will not join up, and that is reported.
        self.theta = np.where(self._wanted < _SMALLEST_STEP, self.end, self.theta)
        if len(self._taken) >= _MOST_STEPS:
            self.theta = self.end
        arrived = self.theta >= self.end
        if bool(arrived.all()):
            self.run.mesh = _pack(np.array(self._taken))
            self.run.step = np.maximum(self.run.mesh[0], 1e-3)
            return accepted, True
        self._wanted = np.where(arrived, 1.0, self._wanted)
        self.step = np.minimum(self._wanted, self.end - self.theta)
        return accepted, False

    def _replay(self, mesh: Array) -> bool:
        """Go on to the next step of the mesh; say whether there is none."""
        self._taken.append(self.step)
        self.theta = self.theta + self.step
        done = len(self._taken) == len(mesh)
        if not done:
            self.step = mesh[len(self._taken)][..., self.columns]
        return done

    def left(self) -> NDArray[np.intp] | None:
        """Return the columns that have not arrived, where so many have that the others are better off alone."""
        if self.theta.size <= _FEW:
            return None
        active = (self.step > 0 if self.given is not None else self.theta < self.end)[0, 0, 0]
        return np.flatnonzero(active) if np.count_nonzero(active) < _MANY * active.size else None

    def narrow(self, keep: NDArray[np.intp]) -> None:
        """Go on with some columns."""
        self.columns, self._per_tolerance = self.columns[keep], self._per_tolerance[..., keep]
        self.theta, self.end, self.step = (item[..., keep] for item in (self.theta, self.end, self.step))
        if self.given is None:
            self._wanted = self._wanted[..., keep]


def _pack(taken: Array) -> Array:
    """Leave out refused steps, lane by lane, and wait at the end instead."""
    # A stable sort by "was refused" moves what was taken forward and keeps its order.
    packed = np.take_along_axis(taken, np.argsort(taken == 0, axis=0, kind="stable"), axis=0)
    return np.ascontiguousarray(packed[: max(int(np.max(np.sum(taken > 0, axis=0))), 1)])


def integrate(
    right_side: RightSide,
    span: tuple[Array, Array],
    state: Array,
    *,
    scale: Array,
    run: Integration,
    at: Callable[[Array], Any] | None = None,
) -> Array:
    """Integrate every lane from one crank angle to another.

    Dormand & Prince, J. Comput. Appl. Math. 6 (1980) 19: order 5, with a step control by the
    embedded order 4.
    """
    slopes = np.empty((7, *state.shape))
    lanes = _Lanes(run, span, scale, error=_ERROR, order=5)
    lanes.at = at
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        slopes[0] = right_side(lanes.angles(0.0), state)
        while True:
            for stage in range(1, 7):
                trial = lanes.stepped(state, _STAGES[stage], slopes)
                slopes[stage] = right_side(lanes.angles(_NODES[stage]), trial)
            run.evaluations += 6
            accepted, arrived = lanes.judge(slopes)
            state = trial if accepted is None else np.where(accepted, trial, state)
            if arrived:
                return state
            slopes[0] = slopes[6] if accepted is None else np.where(accepted, slopes[6], slopes[0])


def integrate_stiff(
    right_side: RightSide,
    span: tuple[Array, Array],
    state: Array,
    *,
    scale: Array,
    run: Integration,
    linear: Linear,
    at: Callable[[Array], Any] | None = None,
    some: Callable[[NDArray[np.intp]], tuple[RightSide, Linear, Callable[[Array], Any]]] | None = None,
    record: Callable[[Array, Array], None] | None = None,
) -> Array:
    """Integrate every lane through a part of the cycle in which the pressure is stiff.

    About gas-exchange top dead centre the cylinder is small and a little pressure difference moves much gas: the
    pressure follows the piston almost at once, and an explicit method would have to take steps far shorter than
    accuracy asks for. ROS34PW2 of Rang & Angermann, BIT 45 (2005) 761: order 3 with an embedded order 2, and
    of that order whatever is taken for the Jacobian. The one here is of rank one, slope by pressure
    times pressure by state, which contains all that is stiff and is inverted in closed form (Sherman
    & Morrison). By crank angle the slope depends through the pressure, which follows the piston; what is left of it is
    not stiff, and neither order asks for it.

    `at` turns crank angles into what both right sides are given in their place. `some` returns both and `at` for some
    of the lanes: where pieces are in one row with the lanes, those that have arrived are left behind.
    """
    final, slopes = np.empty_like(state), np.empty((4, *state.shape))
    lanes = _Lanes(run, span, scale, error=_STIFF_ERROR, order=3)
    lanes.at = at
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        while True:
            step = lanes.step
            first, by_pressure, turning, by_mass, by_energy = linear(lanes.angles(0.0), state)
            # Where more pressure would feed itself there is nothing to damp.
            stiffness = np.minimum(by_mass * by_pressure[0] + by_energy * by_pressure[1], 0.0)
            inverse = step * _GAMMA / (1.0 - step * _GAMMA * stiffness)
            for stage in range(4):
                right, pulled = first, turning * _TIME[stage]
                if stage:
                    trial = lanes.stepped(state, _STIFF_STAGES[stage], slopes)
                    right = right_side(lanes.angles(_STIFF_NODES[stage]), trial)
                    coupled = (_COUPLING[stage] @ slopes[:stage, :2].reshape(stage, -1)).reshape(2, *state.shape[1:])
                    pulled = pulled + by_mass * coupled[0] + by_energy * coupled[1]
                # Whatever the Jacobian adds is a multiple of the slope by pressure.
                pulled = pulled * step
                mass, energy = right[:2] + by_pressure[:2] * pulled
                pulled = pulled + inverse * (by_mass * mass + by_energy * energy)
                np.multiply(by_pressure, pulled, out=slopes[stage])
                slopes[stage] += right
            run.evaluations += 4
            trial = lanes.stepped(state, _WEIGHTS, slopes)
            accepted, arrived = lanes.judge(slopes)
            state = trial if accepted is None else np.where(accepted, trial, state)
            if record is not None:
                record(lanes.theta, state)
            keep = lanes.left() if some is not None and not arrived else None
            if arrived or keep is not None:
                final[..., lanes.columns] = state
            if arrived:
                return final
            if keep is not None and some is not None:
                lanes.narrow(keep)
                state = state[..., keep]
                right_side, linear, lanes.at = some(lanes.columns)
                slopes = np.empty((4, *state.shape))
