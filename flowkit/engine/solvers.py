"""Two integrators that take many cycles side by side: an explicit one, and one for where the pressure is stiff."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.errors import EngineError

__all__ = ["Integration", "RightSide", "TooStiff", "integrate", "integrate_stiff"]

Array = NDArray[np.float64]
RightSide = Callable[[Array, Array], Array]

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
_MOST_STEPS = 100_000
_SMALLEST_STEP = 1e-7


@dataclass(slots=True)
class Integration:
    """One part of the cycle, integrated again in every cycle: its tolerance and what it learned.

    Attributes
    ----------
    tolerance : float
        Error per step over scale.
    step : array of the lanes' shape
        The first step each lane tries [degrees].
    mesh : array, shape (steps, *lanes), or None
        The steps taken last time [degrees], none of them refused.
    frozen : bool
        Take the steps of the mesh again, unasked. The end of a cycle is then a smooth function
        of its beginning, and cycles can converge far below the tolerance.
    evaluations : int
        Of right sides so far.
    damping : float
        How often over the fastest decay of a lane would have died away by e, where the method knows.
    """

    tolerance: float
    step: Array
    mesh: Array | None = None
    frozen: bool = False
    evaluations: int = 0
    damping: float = 0.0


class Lanes:
    """Where every lane stands, and whether its steps are taken.

    Parameters
    ----------
    span : tuple of two floats
        Start and end [degrees].
    run : Integration
    """

    def __init__(self, span: tuple[float, float], run: Integration) -> None:
        self.run, self.end = run, span[1]
        self.theta = np.full(run.step.shape, span[0])
        self._taken: list[Array] = []
        self._wanted = run.step
        self.step = np.minimum(self._wanted, self.end - span[0])
        if run.frozen and run.mesh is not None:
            self.step = run.mesh[0]

    def judge(self, error: Array, order: int) -> tuple[NDArray[np.bool_], bool]:
        """Take or refuse the lanes' steps by their error over tolerance; tell which, and whether all arrived."""
        if self.run.frozen and self.run.mesh is not None:
            return self._replay(self.run.mesh)
        error[~(error < 1e8)] = 1e8  # an error that is not a number comes from a step far too long
        accepted = error <= 1.0
        arriving = accepted & (self.step >= self.end - self.theta)
        self.theta = np.where(arriving, self.end, np.where(accepted, self.theta + self.step, self.theta))
        self._taken.append(self.step * accepted)
        factor = np.minimum(np.maximum(0.9 * np.maximum(error, 1e-12) ** (-1.0 / order), 0.2), 4.0)
        # A step cut short by the end says nothing against the step that was wanted.
        short = accepted & (self.step < self._wanted)
        self._wanted = np.where(short, np.maximum(self._wanted, self.step * factor), self.step * factor)
        arrived = self.theta >= self.end
        if bool(arrived.all()):
            self.run.mesh = _pack(np.array(self._taken))
            self.run.step = self.run.mesh[0]
            return accepted, True
        self._wanted = np.where(arrived, 1.0, self._wanted)
        if float(np.min(self._wanted)) < _SMALLEST_STEP:
            raise self.lost()
        self.step = np.minimum(self._wanted, self.end - self.theta)
        return accepted, False

    def _replay(self, mesh: Array) -> tuple[NDArray[np.bool_], bool]:
        """Go on to the next step of the mesh."""
        self._taken.append(self.step)
        self.theta = self.theta + self.step
        done = len(self._taken) == len(mesh)
        if not done:
            self.step = mesh[len(self._taken)]
        return np.ones(self.theta.shape, dtype=bool), done

    def lost(self) -> EngineError:
        """Return the error for a lane that gets no further."""
        return EngineError(
            f"the filling model finds no way past {float(np.min(self.theta)):.1f}° of crank",
            "check the engine's dimensions, the cams and the flows",
        )


def _pack(taken: Array) -> Array:
    """Leave out refused steps, lane by lane, and wait at the end instead."""
    # A stable sort by "was refused" moves what was taken forward and keeps its order.
    packed = np.take_along_axis(taken, np.argsort(taken == 0, axis=0, kind="stable"), axis=0)
    return np.ascontiguousarray(packed[: int(np.max(np.sum(taken > 0, axis=0)))])


class TooStiff(Exception):
    """An explicit method would cost more evaluations than it may."""


def integrate(
    right_side: RightSide,
    span: tuple[float, float],
    state: Array,
    *,
    scale: Array,
    run: Integration,
    budget: float = float("inf"),
) -> Array:
    """Integrate every lane from one crank angle to another.

    Dormand & Prince, J. Comput. Appl. Math. 6 (1980) 19: order 5, with a step control by the
    embedded order 4.

    Parameters
    ----------
    right_side : callable
        Derivative per degree at (crank angle of every lane [degrees], state).
    span : tuple of two floats
        Start and end [degrees].
    state : array, shape (rows, *lanes)
        The rows at the start; not changed.
    scale : array, shape (k, *lanes)
        What the errors of the first k rows are measured by; the others follow unwatched.
    run : Integration
        Updated.
    budget : float, optional
        Evaluations that may be spent.

    Returns
    -------
    array, shape (rows, *lanes)
        The rows at the end.

    Raises
    ------
    EngineError
        If no step is small enough.
    TooStiff
        If the budget is spent before the end.

    Examples
    --------
    >>> run = Integration(1e-9, np.array([0.1, 0.2]))
    >>> integrate(lambda x, y: -y, (0.0, 1.0), np.ones((1, 2)), scale=np.ones((1, 2)), run=run).round(8)
    array([[0.36787944, 0.36787944]])
    """
    watched = scale.shape[0]
    slopes = np.empty((7, *state.shape))
    flat = slopes.reshape(7, -1)
    per_tolerance = 1.0 / (scale * run.tolerance)
    lanes = Lanes(span, run)
    spent = run.evaluations
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        slopes[0] = right_side(lanes.theta, state)
        run.evaluations += 1
        for _ in range(_MOST_STEPS):
            for stage in range(1, 7):
                trial = (_STAGES[stage] @ flat[:stage]).reshape(state.shape)
                trial *= lanes.step
                trial += state
                slopes[stage] = right_side(lanes.theta + _NODES[stage] * lanes.step, trial)
            run.evaluations += 6
            if run.evaluations - spent > budget:
                raise TooStiff
            wrong = (_ERROR @ slopes[:, :watched].reshape(7, -1)).reshape(scale.shape)
            error = lanes.step * np.max(np.abs(wrong * per_tolerance), axis=0)
            accepted, arrived = lanes.judge(error, 5)
            state = np.where(accepted, trial, state)
            if arrived:
                return state
            slopes[0] = np.where(accepted, slopes[6], slopes[0])
    raise lanes.lost()


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
_BUMP_DEG, _BUMP = 1e-5, 1e-6


def integrate_stiff(
    right_side: RightSide,
    span: tuple[float, float],
    state: Array,
    *,
    scale: Array,
    run: Integration,
    gradient: Callable[[Array, Array], tuple[Array, Array]],
) -> Array:
    """Integrate every lane through a part of the cycle in which the pressure is stiff.

    ROS34PW2 of Rang & Angermann, BIT 45 (2005) 761: order 3 with an embedded order 2, and
    of that order whatever stands for the Jacobian. The one here is of rank one, slope by pressure
    times pressure by state, which holds all that is stiff and is inverted in closed form (Sherman
    & Morrison); slopes by pressure and by crank angle are differences.

    Parameters
    ----------
    right_side : callable
        Derivative per degree at (crank angle [degrees], state), for any number of copies of the
        lanes along the first lane axis.
    span : tuple of two floats
        Start and end [degrees].
    state : array, shape (rows, 1, *lanes)
        The rows at the start; not changed. Rows 0 and 1 are mass and energy.
    scale : array, shape (k, 1, *lanes)
        What the errors of the first k rows are measured by.
    run : Integration
        Updated.
    gradient : callable
        Derivatives of the pressure by rows 0 and 1, at (crank angle, state).

    Returns
    -------
    array, shape (rows, 1, *lanes)
        The rows at the end.

    Raises
    ------
    EngineError
        If no step is small enough.

    Examples
    --------
    >>> run = Integration(1e-6, np.array([[0.01]]))
    >>> pull = lambda x, y: np.stack((0 * y[0], -1000.0 * (y[1] - np.cos(x))))
    >>> end = integrate_stiff(pull, (0.0, 1.0), np.ones((2, 1, 1)), scale=np.ones((2, 1, 1)), run=run,
    ...                       gradient=lambda x, y: (0 * x, 1 + 0 * x))
    >>> round(float(end[1, 0, 0]), 4), run.evaluations < 1000
    (0.5411, True)
    """
    watched = scale.shape[0]
    slopes = np.empty((4, *state.shape))
    flat = slopes.reshape(4, -1)
    per_tolerance = 1.0 / (scale * run.tolerance)
    lanes = Lanes(span, run)
    damping = np.zeros_like(lanes.theta)
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        for _ in range(_MOST_STEPS):
            step = lanes.step
            first, by_pressure, by_angle, slope_of = _linearised(right_side, lanes.theta, state, gradient)
            by_mass, by_energy = slope_of
            stiffness = by_mass * by_pressure[0] + by_energy * by_pressure[1]
            inverse = step * _GAMMA / (1.0 - step * _GAMMA * stiffness)
            for stage in range(4):
                right = first
                if stage:
                    trial = (_STIFF_STAGES[stage] @ flat[:stage]).reshape(state.shape) * step + state
                    right = right_side(lanes.theta + _STIFF_NODES[stage] * step, trial)
                    coupled = (_COUPLING[stage] @ flat[:stage]).reshape(state.shape)
                    right = right + by_pressure * (step * (by_mass * coupled[0] + by_energy * coupled[1]))
                right = right + by_angle * (step * _TIME[stage])
                slopes[stage] = right + by_pressure * (inverse * (by_mass * right[0] + by_energy * right[1]))
            run.evaluations += 6
            wrong = (_STIFF_ERROR @ slopes[:, :watched].reshape(4, -1)).reshape(scale.shape)
            error = step * np.max(np.abs(wrong * per_tolerance), axis=0)
            trial = state + step * (_WEIGHTS @ flat).reshape(state.shape)
            accepted, arrived = lanes.judge(error, 3)
            damping -= stiffness * step * accepted
            state = np.where(accepted, trial, state)
            if arrived:
                run.damping = float(np.max(damping))
                return state
    raise lanes.lost()


def _linearised(
    right_side: RightSide, theta: Array, state: Array, gradient: Callable[[Array, Array], tuple[Array, Array]]
) -> tuple[Array, Array, Array, tuple[Array, Array]]:
    """Return the slope, its derivatives by pressure and by crank angle, and the pressure's by mass and energy.

    The three evaluations are made at once. Where more pressure would feed itself there is
    nothing to damp, and the derivative by pressure is left out.
    """
    by_mass, by_energy = gradient(theta, state)
    copies = np.repeat(state, 3, axis=1)
    copies[1, 1] *= 1.0 + _BUMP
    angles = np.repeat(theta, 3, axis=0)
    angles[2] += _BUMP_DEG
    slopes = right_side(angles, copies)
    first = slopes[:, :1]
    by_pressure = (slopes[:, 1:2] - first) / (by_energy * _BUMP * state[1])
    damped = by_mass * by_pressure[0] + by_energy * by_pressure[1] < 0
    by_angle = (slopes[:, 2:3] - first) / _BUMP_DEG
    return first, np.where(damped, by_pressure, 0.0), by_angle, (by_mass, by_energy)
