"""The gas in the cylinder and its flow through a valve.

Air, mixture and burned gas are one ideal gas (model): with the heat capacity of
air by temperature, or with a constant ratio of specific heats.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["AIR_GAS_CONSTANT", "FlowTable", "Gas", "GasTable", "flow_function"]

Array = NDArray[np.float64]

AIR_GAS_CONSTANT = 8.314_462_618 / 0.028_964_7
"""Of dry air [J/(kg·K)]: molar gas constant (SI 2019) over the molar mass of air, 28.9647 g/mol."""

_NITROGEN, _OXYGEN = 0.79, 0.21
_THETA_NITROGEN, _THETA_OXYGEN = 3393.0, 2273.0
_ANHARMONIC = 1.15e-8

SMALL_DIFFERENCE = 1e-3
"""Below this relative pressure difference the flow passes smoothly into one linear in it."""


@dataclass(frozen=True, slots=True)
class Gas:
    """An ideal gas.

    Attributes
    ----------
    model : {"temperature", "constant"}
        ``"temperature"``: rigid rotors and harmonic oscillators, 79 % nitrogen and 21 % oxygen by
        volume with vibrational temperatures of 3393 K and 2273 K (statistical thermodynamics, such
        as Vincenti & Kruger, Introduction to Physical Gas Dynamics, 1965, ch. IV; from memory):
        cv/R = 5/2 + Σ y·(θ/T)²·e^(θ/T)/(e^(θ/T) − 1)², u/R = 5/2·T + Σ y·θ/(e^(θ/T) − 1); and for what
        is not harmonic 1.15e-8·T² in cv/R, fitted to NASA's polynomials from 300 K to 3000 K.
        ``"constant"``: cv = R/(γ − 1).
    gamma_value : float
        Where constant.
    gas_constant : float
        [J/(kg·K)]

    Examples
    --------
    >>> round(float(Gas().gamma(np.array(300.0))), 2), round(float(Gas("constant", 1.4).cv(np.array(300.0))), 1)
    (1.4, 717.6)
    """

    model: Literal["temperature", "constant"] = "temperature"
    gamma_value: float = 1.4
    gas_constant: float = AIR_GAS_CONSTANT

    def cv(self, temperature: Array) -> Array:
        """Return the heat capacity at constant volume [J/(kg·K)] at temperatures [K]."""
        return self.cv_and_u(temperature)[0]

    def u(self, temperature: Array) -> Array:
        """Return the internal energy [J/kg] at temperatures [K], zero at 0 K."""
        return self.cv_and_u(temperature)[1]

    def h(self, temperature: Array) -> Array:
        """Return the enthalpy [J/kg] at temperatures [K]."""
        return self.u(temperature) + self.gas_constant * temperature

    def gamma(self, temperature: Array) -> Array:
        """Return the ratio of specific heats at temperatures [K]."""
        return 1 + self.gas_constant / self.cv(temperature)

    def cv_and_u(self, temperature: Array) -> tuple[Array, Array]:
        """Return heat capacity [J/(kg·K)] and internal energy [J/kg], together for speed."""
        if self.model == "constant":
            constant = self.gas_constant / (self.gamma_value - 1)
            return np.full_like(temperature, constant), constant * temperature
        more = _ANHARMONIC * temperature * temperature
        cv = 2.5 + more
        u = (2.5 + more / 3) * temperature
        inverse = 1.0 / temperature
        for share, theta in ((_NITROGEN, _THETA_NITROGEN), (_OXYGEN, _THETA_OXYGEN)):
            # In e^(−θ/T) nothing overflows when cold.
            x = theta * inverse
            boltzmann = np.exp(-x)
            occupied = boltzmann / (1.0 - boltzmann)
            u += (share * theta) * occupied
            cv += share * (x * x) * occupied * (1.0 + occupied)
        return self.gas_constant * cv, self.gas_constant * u


def flow_function(pressure_ratio: Array, gamma: Array) -> Array:
    """Return the mass flow per effective area, times √(RT)/p of the gas upstream.

    Isentropic flow through a nozzle, choked below the critical pressure ratio (Heywood 1988,
    appendix C, eqs C.8–C.9, from memory): Ψ = √(2γ/(γ−1)·(r^(2/γ) − r^((γ+1)/γ))). At pressure
    differences below 1e-3 of the pressure upstream the root of the difference is replaced by a
    polynomial that is linear through zero and meets it with equal value, slope and curvature, so
    that the flow reverses smoothly (numerical; a flow at Mach 0.04).

    Parameters
    ----------
    pressure_ratio : array
        Downstream over upstream, 0 to 1 [-].
    gamma : array
        Of the gas upstream [-].

    Returns
    -------
    array
        [-]

    Examples
    --------
    >>> bool(np.isclose(flow_function(np.array(0.3), np.array(1.4)), 0.6847, atol=5e-5))
    True
    """
    inverse = 1.0 / gamma
    over = 1.0 / (1.0 - inverse)
    critical = np.exp(-over * np.log(0.5 * gamma + 0.5))
    drop = np.maximum(1.0 - np.maximum(pressure_ratio, critical), 1e-12)
    root = np.exp(inverse * np.log1p(-drop))
    # root − ratio tends to drop·(γ−1)/γ, so the quotient stays finite where both vanish.
    steep = over * root * (root - 1.0 + drop) / drop
    x = np.minimum(drop * (1.0 / SMALL_DIFFERENCE), 1.0)
    square = x * x
    # Above the small difference the second factor is 1 and the third the drop itself.
    smooth = x * (1.40625 - square * (0.5625 - 0.15625 * square))
    return np.asarray(smooth * np.sqrt(2.0 * steep * np.maximum(drop, SMALL_DIFFERENCE)))


def _choked(gamma: Array) -> Array:
    """Return the root of the pressure drop from which on the flow is choked: √(1 − (2/(γ+1))^(γ/(γ−1)))."""
    return np.sqrt(1.0 - (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


class FlowTable:
    """The flow function of a gas in a table, for speed: within 3e-5 of `flow_function`.

    The flow goes with the root of the pressure drop. Over that root as a share of the one at which the
    flow is choked, and as a share of the choked flow, it hardly depends on γ: one table, and another for what is
    proportional to γ, do for all of them.

    Examples
    --------
    >>> table, ratio = FlowTable(Gas("constant", 1.4)), np.array([0.3, 0.9])
    >>> bool(np.allclose(table(ratio, np.array(1.4)), flow_function(ratio, np.array(1.4)), rtol=1e-6))
    True
    """

    _CELLS = 8192
    _MIDDLE = 1.34

    def __init__(self, gas: Gas) -> None:
        varies = gas.model == "temperature"
        gammas = np.linspace(1.27, 1.41, 15) if varies else np.array([gas.gamma_value])
        self._middle = self._MIDDLE if varies else gas.gamma_value
        place = np.linspace(0.0, 1.0, self._CELLS + 1)
        roots = _choked(gammas)[:, None]
        flows = flow_function(1.0 - (roots * place) ** 2, gammas[:, None])
        beside, degree = gammas - self._middle, 3 if varies else 0
        self._stretch = np.polyfit(beside, self._CELLS / roots[:, 0], degree)
        self._most = np.polyfit(beside, flows[:, -1], degree)
        shares = np.polyfit(beside, flows / flows[:, -1:], min(degree, 1))
        # One row for each cell: value and rise of each curve.
        parts = [part for share in shares[::-1] for part in (share[:-1], np.diff(share))]
        self._rows = np.ascontiguousarray(np.stack(parts, axis=1))

    def __call__(self, pressure_ratio: Array, gamma: Array | float) -> Array:
        """Return the flow function at pressure ratios and ratios of specific heats [-]."""
        value, *_ = self._look_up(pressure_ratio, gamma)
        return value

    def with_slope(self, pressure_ratio: Array, gamma: Array | float) -> tuple[Array, Array]:
        """Return the flow function and its derivative by the pressure ratio, zero where the flow is choked."""
        value, root, place, per_root = self._look_up(pressure_ratio, gamma)
        return value, (-0.5 * (place < self._CELLS)) * per_root / np.maximum(root, 1.0 / self._CELLS)

    def _look_up(self, pressure_ratio: Array, gamma: Array | float) -> tuple[Array, Array, Array, Array]:
        """Return the flow function, the root of the pressure drop, its place among the cells, and dΨ/d(root)."""
        root = np.sqrt(np.maximum(1.0 - pressure_ratio, 0.0))
        stretch, most = self._stretch[0], self._most[0]
        varies = self._stretch.size > 1
        if varies:
            beside = gamma - self._middle
            for more_stretch, more in zip(self._stretch[1:], self._most[1:], strict=True):
                stretch, most = stretch * beside + more_stretch, most * beside + more
        place = root * stretch
        cell = np.minimum(place, self._CELLS - 1).astype(np.intp)
        # A state that is not a number, of a step too long, must not stop the other lanes.
        c = self._rows.take(cell, axis=0, mode="clip")
        share, rise = c[..., 0], c[..., 1]
        if varies:
            share, rise = share + c[..., 2] * beside, rise + c[..., 3] * beside
        rise = most * rise
        return most * share + np.minimum(place - cell, 1.0) * rise, root, place, stretch * rise


class GasTable:
    """Temperature and heat capacity by internal energy, in a table where the heat capacity varies: within 1e-9.

    Examples
    --------
    >>> gas = Gas()
    >>> temperature, cv = GasTable(gas).temperature_and_cv(gas.u(np.array([1000.0])))
    >>> round(float(temperature[0]), 6), bool(abs(cv[0] / gas.cv(np.array([1000.0]))[0] - 1) < 1e-6)
    (1000.0, True)
    """

    _CELLS = 4096
    _COLDEST, _HOTTEST = 60.0, 6000.0

    def __init__(self, gas: Gas) -> None:
        self._constant = float(gas.cv(np.array(300.0))) if gas.model == "constant" else None
        self._r = gas.gas_constant
        if self._constant is None:
            temperature = np.linspace(self._COLDEST, self._HOTTEST, 40_000)
            cv = gas.cv(temperature)
            tables = [
                self._table(heat, temperature, capacity)
                for heat, capacity in ((gas.u(temperature), cv), (gas.h(temperature), cv + gas.gas_constant))
            ]
            self._rows = np.concatenate([rows for rows, _, _ in tables])
            self._first, self._per_energy = np.array([numbers for _, *numbers in tables]).T

    def _table(self, heat: Array, temperature: Array, capacity: Array) -> tuple[Array, float, float]:
        """Return coefficients of temperature over evenly spaced energies, the first of them, and cells per energy."""
        from scipy.interpolate import CubicHermiteSpline

        fine = CubicHermiteSpline(heat, temperature, 1.0 / capacity)
        even = np.linspace(heat[0], heat[-1], self._CELLS + 1)
        rows = np.ascontiguousarray(CubicHermiteSpline(even, fine(even), fine(even, 1)).c.T)
        return rows, float(even[0]), self._CELLS / float(even[-1] - even[0])

    def temperature_and_cv(self, energy: Array) -> tuple[Array, Array | float]:
        """Return temperature [K] and cv [J/(kg·K)] at internal energies [J/kg]."""
        temperature, cv = self.temperatures(energy[None])
        return temperature[0], cv

    def temperatures(self, heats: Array) -> tuple[Array, Array | float]:
        """Return temperatures [K] at heats [J/kg], internal energy and enthalpy, and cv [J/(kg·K)] at the first."""
        shape = (-1, *(1,) * (heats.ndim - 1))
        if self._constant is not None:
            capacities = np.array([self._constant, self._constant + self._r][: len(heats)])
            return heats * (1.0 / capacities).reshape(shape), self._constant
        first, per_energy = (item[: len(heats)].reshape(shape) for item in (self._first, self._per_energy))
        place = np.minimum(np.maximum((heats - first) * per_energy, 0.0), self._CELLS - 1e-9)
        cell = place.astype(np.intp)
        x = (place - cell) / per_energy
        cell[1:] += self._CELLS
        # A state that is not a number, of a step too long, must not stop the other lanes.
        c = self._rows.take(cell, axis=0, mode="clip")
        c0, c1, c2 = c[..., 0], c[..., 1], c[..., 2]
        temperature = ((c0 * x + c1) * x + c2) * x + c[..., 3]
        slope = (3.0 * c0[0] * x[0] + 2.0 * c1[0]) * x[0] + c2[0]
        return temperature, 1.0 / slope
