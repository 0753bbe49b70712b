"""Filling and emptying of the cylinder through its valves, quasi-steady and without waves (model).

A state has eleven rows over (differences, copies, pieces, lanes), see `flowkit.engine.solvers`; a lane is one speed
of one variant, with the engine and the valves of that variant. The rows: mass [kg], internal energy [J] and burned
mass [kg] in the cylinder; mass, enthalpy [J] and burned mass of the gas pushed back into the intake port; and what
has passed since the piece began: work done by the gas [J], heat lost [J], air drawn from the intake [kg], and mass and
enthalpy gone out through the exhaust [kg], [J].
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.cam import Cam
from flowkit.engine.cylinder import Motored, burn_rate, cylinder_volume, heat_coefficient, kinematics
from flowkit.engine.data import EngineData
from flowkit.engine.gas import FlowTable, Gas, GasTable

__all__ = ["ROWS", "WATCHED", "AreaCurve", "Exchange", "Passage", "Setup"]

Array = NDArray[np.float64]

MASS, ENERGY, BURNED, PORT_MASS, PORT_ENTHALPY, PORT_BURNED = range(6)
WORK, HEAT_LOST, DRAWN, GONE, GONE_ENTHALPY = range(6, 11)
ROWS, WATCHED = 11, 6

AreaCurve = Callable[[Array], Array]
"""Effective area [m²] at valve lifts [m]."""

CELLS = 1536
"""Cells an open period is tabulated in."""

MIXING_ZONE = 0.01
"""Gas pushed back returns first; it gives way to fresh air within this share of the displaced air."""


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Effective area of one valve, tabulated over its open period.

    Attributes
    ----------
    opens_deg, closes_deg : float
        [degrees after firing dead centre]
    coefficients : array, shape (4, cells + 2)
        A monotone cubic in each cell, highest power first, of degrees from the cell's start; the
        first and the last cell are the closed valve.
    """

    opens_deg: float
    closes_deg: float
    coefficients: Array

    @classmethod
    def tabulate(cls, cam: Cam, area: AreaCurve, *, scale: float = 1.0) -> Passage:
        """Tabulate an effective area [m²] over the open period of a cam; scale is the valves per cylinder."""
        from scipy.interpolate import PchipInterpolator

        theta = cam.open_angles(CELLS + 1)
        lift = cam.lift(theta)
        lift[0] = lift[-1] = 0.0
        cubics = PchipInterpolator(theta, scale * area(lift)).c
        return cls(float(theta[0]), float(theta[-1]), np.pad(cubics, ((0, 0), (1, 1))))


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """One variant for the filling model: its engine, whose speeds are run, and its valves."""

    engine: EngineData
    intake: Passage
    exhaust: Passage


class _Passages:
    """Both valves' areas and the cylinder's volume, asked together at a crank angle of its own for every lane."""

    def __init__(self, setups: Sequence[Setup], which: NDArray[np.int_]) -> None:
        from scipy.interpolate import CubicSpline

        theta = np.linspace(0.0, 720.0, CELLS + 1)
        curves = []
        for setup in setups:
            volume = CubicSpline(theta, cylinder_volume(setup.engine, theta), bc_type="periodic").c
            padded = np.pad(volume, ((0, 0), (1, 1)), mode="edge")
            curves.append((setup.intake.coefficients, padded, setup.exhaust.coefficients))
        # One row of four coefficients for each cell of each curve of each setup.
        table = np.array(curves)
        self._rows = np.ascontiguousarray(np.moveaxis(table, 2, 3)).reshape(-1, 4)
        spans = [
            [
                (setup.intake.opens_deg, setup.intake.closes_deg),
                (0.0, 720.0),
                (setup.exhaust.opens_deg, setup.exhaust.closes_deg),
            ]
            for setup in setups
        ]
        shape = (3, 1, 1, 1, which.size)
        opens, closes = np.moveaxis(np.array(spans)[which], 0, 2).transpose(1, 0, 2).reshape(2, *shape)
        self._opens, self._cell_deg = opens, (closes - opens) / CELLS
        self._per_cell = 1.0 / self._cell_deg
        first = (which * 3 + np.arange(3)[:, None]) * (CELLS + 2) + 1
        self._first_row = first.reshape(shape)

    def at(self, theta_deg: Array) -> tuple[Array, Array, Array]:
        """Return areas [m²] of shape (2, …) for intake and exhaust, volume [m³] and dV/dθ [m³ per degree]."""
        place = (theta_deg - self._opens) * self._per_cell
        cell = np.floor(np.minimum(np.maximum(place, -1.0), CELLS))
        x = (place - cell) * self._cell_deg
        c = self._rows.take(cell.astype(np.intp) + self._first_row, axis=0, mode="clip")
        values = ((c[..., 0] * x + c[..., 1]) * x + c[..., 2]) * x + c[..., 3]
        c, x = c[1], x[1]
        rate = (3.0 * c[..., 0] * x + 2.0 * c[..., 1]) * x + c[..., 2]
        return values[::2], values[1], rate


class _LaneEngine:
    """What the formulas of `flowkit.engine.cylinder` ask an engine for, an array over the lanes each."""

    _NAMES = (
        "bore_m",
        "stroke_m",
        "rod_m",
        "piston_area_m2",
        "displacement_m3",
        "clearance_m3",
        "wall_temperature_k",
        "wiebe_start_deg",
        "wiebe_duration_deg",
        "wiebe_a",
        "wiebe_m",
        "heat_per_air_j_kg",
        "intake_pressure_pa",
        "intake_temperature_k",
        "exhaust_pressure_pa",
        "exhaust_temperature_k",
        "intake_reverse",
        "exhaust_reverse",
    )

    def __init__(self, engines: Sequence[EngineData], which: NDArray[np.int_]) -> None:
        self.heat_transfer = engines[0].heat_transfer
        for name in self._NAMES:
            setattr(self, name, np.array([getattr(engine, name) for engine in engines])[which])

    def __getattr__(self, name: str) -> Any:
        """Say what is missing; the arrays above are found before this is asked."""
        raise AttributeError(name)


class Exchange:
    """The right side of the equations, for many lanes: speeds of variants whose gas and heat law are the same.

    Parameters
    ----------
    setups : sequence of Setup
        With one and the same model of gas and of heat transfer.
    """

    def __init__(self, setups: Sequence[Setup]) -> None:
        engines = [setup.engine for setup in setups]
        self.which = np.repeat(np.arange(len(setups)), [len(engine.speeds_rpm) for engine in engines])
        self.speeds_rpm = np.concatenate([np.array(engine.speeds_rpm, dtype=float) for engine in engines])
        self.gas = gas = Gas(engines[0].gamma, engines[0].gamma_value)
        # An array over the lanes for each number: the formulas of the cylinder do not care.
        self.engine: Any = _LaneEngine(engines, self.which)
        engine = self.engine
        self.passages = _Passages(setups, self.which)
        self.seconds_per_degree = 1.0 / (6.0 * self.speeds_rpm)
        self.degrees_per_second = 6.0 * self.speeds_rpm
        self.piston_speed = 2.0 * engine.stroke_m * self.speeds_rpm / 60.0
        outside_t = np.stack((engine.intake_temperature_k, engine.exhaust_temperature_k))
        shape = (2, 1, 1, 1, self.lanes)
        self.outside_p = np.stack((engine.intake_pressure_pa, engine.exhaust_pressure_pa)).reshape(shape)
        self.outside_rt = (gas.gas_constant * outside_t).reshape(shape)
        self.outside_gamma = gas.gamma(outside_t).reshape(shape)
        self.intake_u = gas.u(outside_t)[0]
        self.intake_h, self.exhaust_h = gas.h(outside_t)
        ones = np.ones(self.lanes)
        self.inward = np.stack((ones, engine.exhaust_reverse)).reshape(shape)
        self.outward = np.stack((-engine.intake_reverse, -ones)).reshape(shape)
        air = engine.intake_pressure_pa * engine.displacement_m3 / (gas.gas_constant * engine.intake_temperature_k)
        self.displaced_air = air
        self.mixing_mass = MIXING_ZONE * air
        self.keeps = np.array([1.0 if item.intake_backflow == "returns" else 0.0 for item in engines])[self.which]
        self.fires = np.array([item.combustion_efficiency > 0 for item in engines])[self.which]
        self.flow_function = FlowTable(gas)
        self.table = GasTable(gas)

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        return int(self.which.size)

    def flows(self, areas: Array, *, pressure: Array, rt: Array, gamma: Array | float, port_rt: Array) -> Array:
        """Return the mass flows into the cylinder [kg/s] through intake and exhaust, shape (2, …)."""
        # Choosing by a factor of 0 or 1 is several times faster than np.where.
        inward = (self.outside_p > pressure).astype(float)
        upstream = np.maximum(self.outside_p, pressure)
        ratio = np.minimum(self.outside_p, pressure) / upstream
        upstream_rt = rt + inward * (self.outside_rt - rt)
        upstream_rt[0] += inward[0] * (port_rt - self.outside_rt[0])
        psi = self.flow_function(ratio, gamma + inward * (self.outside_gamma - gamma))
        direction = self.outward + inward * (self.inward - self.outward)
        return np.asarray(direction * areas * upstream * psi / np.sqrt(upstream_rt))

    def heat_lost(self, pressure: Array, temperature: Array, volume: Array) -> Array | float:
        """Return the heat that goes into the walls during gas exchange [W]."""
        engine = self.engine
        if engine.heat_transfer == "none":
            return 0.0
        coefficient = heat_coefficient(
            engine,
            pressure=pressure,
            temperature=temperature,
            volume=volume,
            piston_speed=self.piston_speed,
            open_valves=True,
        )
        walls = 2 * engine.piston_area_m2 + (4 / engine.bore_m) * volume
        return np.asarray(coefficient * walls * (temperature - engine.wall_temperature_k))

    def __call__(self, theta: Array, state: Array) -> Array:
        """Return the derivative of the rows per degree, from exhaust opening to intake closing."""
        return self.linear(theta, state)[0]

    def linear(self, theta: Array, state: Array) -> tuple[Array, Array, Array]:
        """Return the same, and the derivatives of the pressure by mass [Pa/kg] and by internal energy [Pa/J]."""
        mass, energy, burned = state[:PORT_MASS]
        areas, volume, volume_rate = self.passages.at(theta)
        u = energy / mass
        temperature, cv = self.table.temperature_and_cv(u)
        r = self.gas.gas_constant
        rt = r * temperature
        per_volume = r / volume
        pressure, h = mass * temperature * per_volume, u + rt
        burned_share = burned / mass
        # What comes in through the intake: gas pushed back before, then fresh air, and between them their mixture.
        held = state[PORT_MASS]
        # A step too long may leave less than nothing there; it must not turn the sign.
        per_mixed = 1.0 / (np.maximum(held, 0.0) + self.mixing_mass)
        mixed = self.intake_h + self.keeps * (state[PORT_ENTHALPY] - held * self.intake_h) * per_mixed
        port_rt = r * self.table.port_temperature(mixed)
        flows = self.flows(areas, pressure=pressure, rt=rt, gamma=1.0 + r / cv, port_rt=port_rt)
        inward = np.maximum(flows, 0.0)
        (drawn, exhaust_in), (pushed, exhaust_out) = inward, inward - flows
        back = self.keeps * drawn * per_mixed
        from_port = back * held
        fresh = drawn - from_port
        back_enthalpy, back_burned = back * state[PORT_ENTHALPY], back * state[PORT_BURNED]
        kept = self.keeps * pushed
        brought, out = exhaust_in * self.exhaust_h, pushed + exhaust_out
        lost = self.heat_lost(pressure, temperature, volume)
        work = pressure * volume_rate
        slope = np.empty_like(state)
        slope[MASS] = flows[0] + flows[1]
        slope[ENERGY] = (
            back_enthalpy + fresh * self.intake_h + brought - out * h - work * self.degrees_per_second - lost
        )
        slope[BURNED] = back_burned + exhaust_in - out * burned_share
        slope[PORT_MASS] = kept - from_port
        slope[PORT_ENTHALPY] = kept * h - back_enthalpy
        slope[PORT_BURNED] = kept * burned_share - back_burned
        slope[HEAT_LOST] = lost
        # What is pushed back and not kept goes for so much air not drawn, and takes its warmth away.
        left = pushed - kept
        slope[DRAWN] = fresh - left
        slope[GONE] = -flows[1]
        slope[GONE_ENTHALPY] = exhaust_out * h - brought + left * (h - self.intake_h)
        slope *= self.seconds_per_degree
        slope[WORK] = work
        return slope, per_volume * (temperature - u / cv), per_volume / cv

    def closed(self, mass: Array, heat: Array | None, motored: Motored | None) -> Callable[[Array, Array], Array]:
        """Return the right side with both valves closed: rows internal energy [J], work [J], heat lost [J].

        `mass` is in the cylinder [kg], `heat` released by the whole combustion [J] and None before and after it,
        `motored` the state at intake closing, from the start of combustion on.
        """
        engine, gas = self.engine, self.gas

        def right_side(theta: Array, state: Array) -> Array:
            """Return the rates of energy, work and heat lost at a crank angle, valves closed."""
            temperature, _ = self.table.temperature_and_cv(state[0] / mass)
            volume, volume_rate, walls = kinematics(engine, theta)
            pressure = mass * gas.gas_constant * temperature / volume
            slope = np.empty_like(state)
            slope[1] = pressure * volume_rate
            slope[2] = 0.0
            if engine.heat_transfer != "none":
                coefficient = heat_coefficient(
                    engine,
                    pressure=pressure,
                    temperature=temperature,
                    volume=volume,
                    piston_speed=self.piston_speed,
                    open_valves=False,
                    motored=motored,
                )
                lost = coefficient * walls * (temperature - engine.wall_temperature_k)
                slope[2] = lost * self.seconds_per_degree
            released = 0.0 if heat is None else np.asarray(heat) * burn_rate(engine, theta)
            slope[0] = released - slope[1] - slope[2]
            return slope

        return right_side
