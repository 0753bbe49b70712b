"""Filling and emptying of the cylinder through its valves, quasi-steady and without waves (model).

A state is of eleven rows over (differences, copies, pieces, lanes), see `flowkit.engine.solvers`; a lane is one speed
of one variant, with the engine and the valves of that variant.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from copy import copy
from dataclasses import dataclass, fields
from types import SimpleNamespace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.cam import Cam
from flowkit.engine.cylinder import Motored, burn_rate, cylinder_volume, heat_coefficient, kinematics
from flowkit.engine.data import EngineData
from flowkit.engine.gas import FlowTable, Gas, GasTable
from flowkit.engine.solvers import Linearised

__all__ = ["ROWS", "WATCHED", "AreaCurve", "Exchange", "Passage", "Setup"]

Array = NDArray[np.float64]
Item = TypeVar("Item")

# In the cylinder mass [kg], internal energy [J] and burned mass [kg]; the same of the gas pushed back into the intake
# port, its enthalpy for the energy; and since the piece began work done [J], heat lost [J], air drawn from the
# intake [kg], and mass and enthalpy gone out through the exhaust.
MASS, ENERGY, BURNED, PORT_MASS, PORT_ENTHALPY, PORT_BURNED = range(6)
WORK, HEAT_LOST, DRAWN, GONE, GONE_ENTHALPY = range(6, 11)
ROWS, WATCHED = 11, 6

At = tuple[Array, Array, Array]
"""Of a crank angle: areas [m²] of intake and exhaust, shape (2, …), volume [m³] and its rate [m³ per degree]."""

Tables = tuple[FlowTable, GasTable]

AreaCurve = Callable[[Array], Array]
"""Effective area [m²] at valve lifts [m]."""

CELLS = 1536  # an open period is tabulated in
MIXING_ZONE = 0.01  # gas pushed back returns first; fresh air takes its place within this share of the displaced air


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Effective area [m²] of one valve over its open period [degrees after firing dead centre].

    `coefficients` (4, cells + 2): a monotone cubic in each cell, highest power first, of degrees from the cell's start;
    the first and the last cell are the closed valve.
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


def _chosen(item: Item, names: Iterable[str], lanes: NDArray[np.intp]) -> Item:
    """Return a copy with the arrays of those names for some lanes."""
    copied = copy(item)
    for name in names:
        setattr(copied, name, getattr(item, name)[..., lanes])
    return copied


class _Passages:
    """Both valves' areas and the cylinder's volume, asked together at a crank angle of its own for every lane."""

    def __init__(self, setups: Sequence[Setup], which: NDArray[np.int_]) -> None:
        from scipy.interpolate import CubicSpline

        theta = np.linspace(0.0, 720.0, CELLS + 1)
        curves, spans = [], []
        for setup in setups:
            volume = CubicSpline(theta, cylinder_volume(setup.engine, theta), bc_type="periodic").c
            padded = np.pad(volume, ((0, 0), (1, 1)), mode="edge")
            three = (setup.intake, Passage(0.0, 720.0, padded), setup.exhaust)
            curves.append([item.coefficients for item in three])
            spans.append([(item.opens_deg, item.closes_deg) for item in three])
        # One row of four coefficients for each cell of each curve of each setup.
        self._rows = np.ascontiguousarray(np.moveaxis(np.array(curves), 2, 3)).reshape(-1, 4)
        shape = (3, 1, 1, 1, which.size)
        opens, closes = np.moveaxis(np.array(spans)[which], 0, 2).transpose(1, 0, 2).reshape(2, *shape)
        self._opens, self._cell_deg = opens, (closes - opens) / CELLS
        self._per_cell = 1.0 / self._cell_deg
        first = (which * 3 + np.arange(3)[:, None]) * (CELLS + 2) + 1
        self._first_row = first.reshape(shape)

    def at(self, theta_deg: Array) -> At:
        """Return what the right side needs of crank angles."""
        place = (theta_deg - self._opens) * self._per_cell
        cell = np.floor(np.minimum(np.maximum(place, -1.0), CELLS))
        x = (place - cell) * self._cell_deg
        c = self._rows.take(cell.astype(np.intp) + self._first_row, axis=0, mode="clip")
        values = ((c[..., 0] * x + c[..., 1]) * x + c[..., 2]) * x + c[..., 3]
        c, x = c[1], x[1]
        rate = (3.0 * c[..., 0] * x + 2.0 * c[..., 1]) * x + c[..., 2]
        return values[::2], values[1], rate


class Exchange:
    """The right side of the equations, for many lanes: speeds of variants whose gas and heat law are the same."""

    def __init__(self, setups: Sequence[Setup], tables: Tables | None = None) -> None:
        engines = [setup.engine for setup in setups]
        self.which = np.repeat(np.arange(len(setups)), [len(engine.speeds_rpm) for engine in engines])
        self.speeds_rpm = np.concatenate([np.array(engine.speeds_rpm, dtype=float) for engine in engines])
        self.gas = gas = Gas(engines[0].gamma, engines[0].gamma_value)
        # What `flowkit.engine.cylinder` asks an engine for, an array over the lanes each: its formulas do not care.
        numbers = [item.name for item in fields(EngineData) if isinstance(getattr(engines[0], item.name), (int, float))]
        numbers += ["piston_area_m2", "displacement_m3", "clearance_m3", "heat_per_air_j_kg"]
        lanes = {name: np.array([getattr(item, name) for item in engines])[self.which] for name in numbers}
        engine: Any = SimpleNamespace(heat_transfer=engines[0].heat_transfer, **lanes)
        self.engine = engine
        self.passages = _Passages(setups, self.which)
        self.seconds_per_degree = 1.0 / (6.0 * self.speeds_rpm)
        self.piston_speed = 2.0 * engine.stroke_m * self.speeds_rpm / 60.0
        outside_t = np.stack((engine.intake_temperature_k, engine.exhaust_temperature_k))
        shape = (2, 1, 1, 1, self.lanes)
        self.outside_p = np.stack((engine.intake_pressure_pa, engine.exhaust_pressure_pa)).reshape(shape)
        self.intake_u = gas.u(outside_t)[0]
        enthalpy = gas.h(outside_t)
        self.intake_h = enthalpy[0]
        ones = np.ones(self.lanes)
        burned = np.stack((0.0 * ones, ones))
        # What flows in brings: R·T, the ratio of specific heats, enthalpy and the share burned, intake and exhaust.
        outside = np.stack((gas.gas_constant * outside_t, gas.gamma(outside_t), enthalpy, burned))
        self.outside = outside.reshape(4, *shape)
        self.outward = np.stack((-engine.intake_reverse, -ones)).reshape(shape)
        self.turned = np.stack((ones, engine.exhaust_reverse)).reshape(shape) - self.outward
        air = engine.intake_pressure_pa * engine.displacement_m3 / (gas.gas_constant * engine.intake_temperature_k)
        self.displaced_air = air
        self.mixing_mass = MIXING_ZONE * air
        self.keeps = np.array([1.0 if item.intake_backflow == "returns" else 0.0 for item in engines])[self.which]
        self.fires = np.array([item.combustion_efficiency > 0 for item in engines])[self.which]
        self.tables = tables or (FlowTable(gas), GasTable(gas))
        self.flow_function, self.table = self.tables

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        return int(self.which.size)

    def some(self, lanes: NDArray[np.intp]) -> Exchange:
        """Return the right side of gas exchange for some lanes; one may come several times."""
        chosen = _chosen(self, [name for name, value in vars(self).items() if isinstance(value, np.ndarray)], lanes)
        chosen.engine = _chosen(self.engine, ("bore_m", "piston_area_m2", "wall_temperature_k"), lanes)
        chosen.passages = _chosen(self.passages, ("_opens", "_cell_deg", "_per_cell", "_first_row"), lanes)
        return chosen

    def heat_lost(self, pressure: Array, temperature: Array, volume: Array, **shut: Any) -> Array | float:
        """Return the heat that goes into the walls for each degree [J]; with `walls` and `motored` of shut valves."""
        engine = self.engine
        if engine.heat_transfer == "none":
            return 0.0
        coefficient = heat_coefficient(
            engine,
            pressure=pressure,
            temperature=temperature,
            volume=volume,
            piston_speed=self.piston_speed,
            open_valves=not shut,
            motored=shut.get("motored"),
        )
        walls = shut["walls"] if shut else 2 * engine.piston_area_m2 + (4 / engine.bore_m) * volume
        lost = coefficient * walls * (temperature - engine.wall_temperature_k)
        return np.asarray(lost * self.seconds_per_degree)

    def __call__(self, at: At, state: Array) -> Array:
        """Return the derivative of the rows per degree, from exhaust opening to intake closing."""
        return self.linear(at, state, slopes=False)[0]

    def linear(self, at: At, state: Array, *, slopes: bool = True) -> Linearised:
        """Return the same with how it depends on the pressure, and the pressure on the state, as `Linearised` names."""
        mass, energy, burned = state[:PORT_MASS]
        areas, volume, volume_rate = at
        r, keeps = self.gas.gas_constant, self.keeps
        # What comes in through the intake: gas pushed back before, then fresh air, and between them their mixture.
        # A step too long may leave less than nothing there; it must not turn the sign.
        from_port = keeps / (np.maximum(state[PORT_MASS], 0.0) + self.mixing_mass) * state[PORT_MASS:WORK]
        heats = np.empty((2, *mass.shape))
        heats[0] = energy / mass
        heats[1] = self.intake_h + from_port[1] - from_port[0] * self.intake_h
        temperatures, cv = self.table.temperatures(heats)
        rt, u, temperature, per_volume = r * temperatures, heats[0], temperatures[0], r / volume
        pressure = mass * temperature * per_volume
        own, outside = np.empty((4, 1, *mass.shape)), np.empty((4, 2, *mass.shape))
        own[0, 0], own[1, 0], own[2, 0], own[3, 0] = rt[0], 1.0 + r / cv, u + rt[0], burned / mass
        outside[:] = self.outside
        outside[0, 0], outside[2, 0], outside[3, 0] = rt[1], heats[1], from_port[2]
        # Choosing by a factor of 0 or 1 is several times faster than np.where.
        inward = (self.outside_p > pressure).astype(float)
        passing = own + inward * (outside - own)
        # The flows into the cylinder through intake and exhaust, shape (1 or 2, 2, …): mass [kg per degree] and, where
        # slopes are asked for, its derivative by the cylinder's pressure.
        higher = np.maximum(self.outside_p, pressure)
        ratio = np.minimum(self.outside_p, pressure) / higher
        through = (self.outward + inward * self.turned) * areas / np.sqrt(passing[0])
        if slopes:
            psi, by_ratio = self.flow_function.with_slope(ratio, passing[1])
            # Inward the pressure is downstream, d(p₀·Ψ(p/p₀)) = Ψ'; outward upstream, d(p·Ψ(p₀/p)) = Ψ − ratio·Ψ'.
            outward = psi - ratio * by_ratio
            flows = np.stack((through * higher * psi, through * (outward + inward * (by_ratio - outward))))
        else:
            flows = np.asarray(through * higher * self.flow_function(ratio, passing[1]))[None]
        flows *= self.seconds_per_degree
        # Rows are sums of flow times what it carries; by pressure they are the flows' derivatives times the same.
        carried = flows * passing[2:, None]
        pushed = np.empty((3, *mass.shape))
        pushed[0], pushed[1:] = keeps, keeps * own[2:, 0]
        port = pushed + inward[0] * (from_port - pushed)
        intake, exhaust = flows[:, 0], flows[:, 1]
        slope = np.empty((len(state), len(flows), *state.shape[1:]))
        slope[MASS] = intake + exhaust
        slope[ENERGY:PORT_MASS] = carried[:, :, 0] + carried[:, :, 1]
        slope[PORT_MASS:WORK] = -intake * port[:, None]
        lost = self.heat_lost(pressure, temperature, volume)
        work = pressure * volume_rate
        slope[ENERGY, 0] -= work + lost
        if slopes:
            slope[ENERGY, 1] -= volume_rate
        if len(state) == ROWS:
            slope[WORK, 0], slope[WORK, 1:] = work, volume_rate
            slope[HEAT_LOST, 0], slope[HEAT_LOST, 1:] = lost, 0.0
            # What is pushed back and not kept goes for so much air not drawn, and takes its warmth away.
            slope[DRAWN] = intake + slope[PORT_MASS]
            slope[GONE] = -exhaust
            slope[GONE_ENTHALPY] = (1.0 - keeps) * (intake * self.intake_h - carried[0, :, 0]) - carried[0, :, 1]
        # With the piston the pressure changes as 1/V; the valves' own motion is slow beside it.
        by_angle = -work / volume
        return slope[:, 0], slope[:, -1], by_angle, per_volume * (temperature - u / cv), per_volume / cv

    def at_closed(self, theta: Array) -> tuple[Array, Array, Array, Array]:
        """Return what the right side needs of crank angles with both valves closed: `kinematics`, and the burn rate."""
        return *kinematics(self.engine, theta), burn_rate(self.engine, theta)

    def closed(self, mass: Array, heat: Array | None, motored: Motored | None) -> Callable[[Any, Array], Array]:
        """Return the right side with both valves closed: rows internal energy [J], work [J], heat lost [J].

        `mass` is in the cylinder [kg], `heat` released by the whole combustion [J] and None before and after it,
        `motored` the state at intake closing, from the start of combustion on.
        """

        def right_side(at: tuple[Array, Array, Array, Array], state: Array) -> Array:
            """Return the rates of energy, work and heat lost, valves closed."""
            volume, volume_rate, walls, burning = at
            temperature, _ = self.table.temperature_and_cv(state[0] / mass)
            pressure = mass * self.gas.gas_constant * temperature / volume
            slope = np.empty_like(state)
            slope[1] = pressure * volume_rate
            slope[2] = self.heat_lost(pressure, temperature, volume, walls=walls, motored=motored)
            slope[0] = -slope[1] - slope[2]
            if heat is not None:
                slope[0] += heat * burning
            return slope

        return right_side
