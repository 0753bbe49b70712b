"""A linearly implicit method for the part of the cycle that is stiff in the pressure.

About gas-exchange top dead centre the cylinder is small and a little pressure difference moves
much gas: the pressure follows the piston almost at once, and an explicit method would have to
take steps far shorter than accuracy asks for.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.integrator import Integration, Lanes, RightSide

__all__ = ["integrate_stiff"]

Array = NDArray[np.float64]

_GAMMA = 0.435866521508459
_STAGES = (
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
_ERROR = _WEIGHTS - np.array([0.37810903145819369, -0.096042292212423178, 0.5, 0.2179326075422950])
_NODES = tuple(float(np.sum(stage)) for stage in _STAGES)
_TIME = tuple(_GAMMA + float(np.sum(coupling)) for coupling in _COUPLING)
_MOST_STEPS = 100_000
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
                    trial = (_STAGES[stage] @ flat[:stage]).reshape(state.shape) * step + state
                    right = right_side(lanes.theta + _NODES[stage] * step, trial)
                    coupled = (_COUPLING[stage] @ flat[:stage]).reshape(state.shape)
                    right = right + by_pressure * (step * (by_mass * coupled[0] + by_energy * coupled[1]))
                right = right + by_angle * (step * _TIME[stage])
                slopes[stage] = right + by_pressure * (inverse * (by_mass * right[0] + by_energy * right[1]))
            run.evaluations += 6
            wrong = (_ERROR @ slopes[:, :watched].reshape(4, -1)).reshape(scale.shape)
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
