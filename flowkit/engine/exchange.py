"""Filling and emptying of the cylinder through its valves, quasi-steady and without waves (model).

A state has eleven rows over (copies, variants, speeds), of one copy except where slopes are
formed: mass [kg], internal energy [J] and burned mass [kg] in the cylinder; mass, enthalpy [J] and
burned mass of the gas pushed back into the intake port; and what has passed since the cycle
began: work done by the gas [J], heat lost [J], air drawn from the intake [kg], and mass and
enthalpy gone out through the exhaust [kg], [J].
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.cam import Cam
from flowkit.engine.cylinder import Motored, burn_rate, cylinder_volume, heat_coefficient, kinematics
from flowkit.engine.data import EngineData
from flowkit.engine.gas import FlowTable, Gas

__all__ = [
    "BOTH",
    "EXHAUST",
    "INTAKE",
    "ROWS",
    "WATCHED",
    "AreaCurve",
    "Exchange",
    "Passage",
    "PassagePair",
    "closed_right_side",
]

Array = NDArray[np.float64]

INTAKE, EXHAUST, BOTH = slice(0, 1), slice(1, 2), slice(0, 2)
"""Which valves are open."""

AreaCurve = Callable[[Array], Array]
"""Effective area [m²] at valve lifts [m]."""

CELLS = 1536
"""Cells an open period is tabulated in."""


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Effective areas of one valve of every variant, tabulated over the open period.

    Attributes
    ----------
    opens_deg, closes_deg : float
        [degrees after firing dead centre]
    coefficients : array, shape (4, variants, cells + 2)
        A monotone cubic in each cell, highest power first, of degrees from the cell's start; the
        first and the last cell stand for the closed valve.
    """

    opens_deg: float
    closes_deg: float
    coefficients: Array

    @classmethod
    def tabulate(cls, cam: Cam, areas: Sequence[AreaCurve], *, scale: float = 1.0) -> Passage:
        """Tabulate areas over the open period of a cam.

        Parameters
        ----------
        cam : Cam
        areas : sequence of callable
            One per variant: effective area [m²] at valve lifts [m].
        scale : float, optional
            Valves per cylinder.

        Examples
        --------
        >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
        >>> Passage.tabulate(cam, [lambda lift: 0.1 * lift]).coefficients.shape
        (4, 1, 1538)
        """
        from scipy.interpolate import PchipInterpolator

        theta = cam.open_angles(CELLS + 1)
        lift = cam.lift(theta)
        lift[0] = lift[-1] = 0.0
        table = np.stack([scale * curve(lift) for curve in areas], axis=-1)
        cubics = np.moveaxis(PchipInterpolator(theta, table, axis=0).c, 1, 2)
        return cls(float(theta[0]), float(theta[-1]), np.pad(cubics, ((0, 0), (0, 0), (1, 1))))

    @property
    def variants(self) -> int:
        """Number of variants."""
        return int(self.coefficients.shape[1])


class PassagePair:
    """Intake, exhaust and the cylinder's volume asked together, at a crank angle of its own for every lane.

    Parameters
    ----------
    intake, exhaust : Passage
        Of the same variants.
    engine : EngineData
        For the volume, which is tabulated over the whole cycle within 1e-9.
    """

    def __init__(self, intake: Passage, exhaust: Passage, engine: EngineData) -> None:
        from scipy.interpolate import CubicSpline

        theta = np.linspace(0.0, 720.0, CELLS + 1)
        volume = CubicSpline(theta, cylinder_volume(engine, theta), bc_type="periodic").c[:, None, :]
        padded = np.broadcast_to(np.pad(volume, ((0, 0), (0, 0), (1, 1)), mode="edge"), intake.coefficients.shape)
        # The volume stands in the middle: with it, either valve alone is a slice.
        table = np.stack((intake.coefficients, padded, exhaust.coefficients))
        # One row of four coefficients for each cell of each variant of each curve.
        self._rows = np.ascontiguousarray(np.moveaxis(table, 1, 3)).reshape(-1, 4)
        cells = table.shape[3]
        self._first_row = (np.arange(3 * intake.variants) * cells + 1).reshape(3, 1, intake.variants, 1)
        self._opens = np.array([intake.opens_deg, 0.0, exhaust.opens_deg]).reshape(3, 1, 1, 1)
        spans = [intake.closes_deg - intake.opens_deg, 720.0, exhaust.closes_deg - exhaust.opens_deg]
        self._cell_deg = np.array(spans).reshape(3, 1, 1, 1) / CELLS
        self._per_cell = 1.0 / self._cell_deg

    def at(self, theta_deg: Array, valves: slice = BOTH) -> tuple[Array, Array, Array]:
        """Return what is to be had at crank angles [degrees].

        Parameters
        ----------
        theta_deg : array, shape (copies, variants, speeds)
            From 0 to 720 after firing dead centre.
        valves : slice, optional
            INTAKE, EXHAUST or BOTH.

        Returns
        -------
        tuple of (effective areas [m²] of shape (valves, …), volume [m³], dV/dθ [m³ per degree])
        """
        where = slice(valves.start, valves.stop + 1)
        place = (theta_deg - self._opens[where]) * self._per_cell[where]
        cell = np.floor(np.minimum(np.maximum(place, -1.0), CELLS))
        x = (place - cell) * self._cell_deg[where]
        c = self._rows.take(cell.astype(np.intp) + self._first_row[where], axis=0)
        values = ((c[..., 0] * x + c[..., 1]) * x + c[..., 2]) * x + c[..., 3]
        middle = 1 - valves.start
        c, x = c[middle], x[middle]
        rate = (3.0 * c[..., 0] * x + 2.0 * c[..., 1]) * x + c[..., 2]
        areas = values[::2] if valves == BOTH else values[valves.start : valves.start + 1]
        return areas, values[middle], rate


MASS, ENERGY, BURNED, PORT_MASS, PORT_ENTHALPY, PORT_BURNED = range(6)
WORK, HEAT_LOST, DRAWN, GONE, GONE_ENTHALPY = range(6, 11)
ROWS, WATCHED = 11, 6

MIXING_ZONE = 0.01
"""Gas pushed back returns first; it gives way to fresh air within this share of the displaced air."""


class Exchange:
    """The right side of the equations from exhaust opening to intake closing.

    Parameters
    ----------
    engine : EngineData
    gas : Gas
    intake, exhaust : Passage
        Of the same variants.
    speeds_rpm : array, shape (speeds,)
    """

    def __init__(self, engine: EngineData, gas: Gas, intake: Passage, exhaust: Passage, speeds_rpm: Array) -> None:
        self.engine, self.gas = engine, gas
        self.intake, self.exhaust = intake, exhaust
        self.passages = PassagePair(intake, exhaust, engine)
        self.seconds_per_degree = 1.0 / (6.0 * speeds_rpm)
        self.degrees_per_second = 6.0 * speeds_rpm
        self.piston_speed = 2.0 * engine.stroke_m * speeds_rpm / 60.0
        outside_t = np.array([engine.intake_temperature_k, engine.exhaust_temperature_k])
        shape = (2, 1, 1, 1)
        self.outside_p = np.array([engine.intake_pressure_pa, engine.exhaust_pressure_pa]).reshape(shape)
        self.outside_rt = (gas.gas_constant * outside_t).reshape(shape)
        self.outside_gamma = gas.gamma(outside_t).reshape(shape)
        self.intake_u = float(gas.u(outside_t)[0])
        self.intake_h, self.exhaust_h = (float(value) for value in gas.h(outside_t))
        self.inward = np.array([1.0, engine.exhaust_reverse]).reshape(shape)
        self.outward = np.array([-engine.intake_reverse, -1.0]).reshape(shape)
        air = engine.intake_pressure_pa * engine.displacement_m3 / float(self.outside_rt.flat[0])
        self.displaced_air = air
        self.mixing_mass = MIXING_ZONE * air
        self.keeps = 1.0 if engine.intake_backflow == "returns" else 0.0
        self.flow_function = FlowTable(gas)
        self.constant_cv = float(gas.cv(np.array(300.0))) if gas.model == "constant" else None
        self.table_t = np.arange(60.0, 6000.5, 0.5)
        self.table_cv, self.table_u = gas.cv_and_u(self.table_t)
        self.table_h = self.table_u + gas.gas_constant * self.table_t

    def temperature_and_cv(self, energy: Array) -> tuple[Array, Array | float]:
        """Return temperature [K] and cv [J/(kg·K)] at internal energies [J/kg], from a table where cv varies."""
        if self.constant_cv is not None:
            return energy * (1.0 / self.constant_cv), self.constant_cv
        temperature = np.interp(energy, self.table_u, self.table_t)
        return np.asarray(temperature), np.interp(energy, self.table_u, self.table_cv)

    def port_temperature(self, enthalpy: Array) -> Array:
        """Return the temperature [K] of gas of an enthalpy [J/kg]."""
        if self.constant_cv is not None:
            return enthalpy * (1.0 / (self.constant_cv + self.gas.gas_constant))
        return np.asarray(np.interp(enthalpy, self.table_h, self.table_t))

    def flows(
        self, valves: slice, areas: Array, *, pressure: Array, rt: Array, gamma: Array | float, port_rt: Array
    ) -> Array:
        """Return the mass flows into the cylinder [kg/s], shape (valves, copies, variants, speeds)."""
        outside_p, outside_rt = self.outside_p[valves], self.outside_rt[valves]
        # Choosing by a factor of 0 or 1 is several times faster than np.where.
        inward = (outside_p > pressure).astype(float)
        upstream = np.maximum(outside_p, pressure)
        ratio = np.minimum(outside_p, pressure) / upstream
        upstream_rt = rt + inward * (outside_rt - rt)
        if valves.start == 0:
            upstream_rt[0] += inward[0] * (port_rt - outside_rt[0])
        psi = self.flow_function(ratio, gamma + inward * (self.outside_gamma[valves] - gamma))
        outward = self.outward[valves]
        direction = outward + inward * (self.inward[valves] - outward)
        return np.asarray(direction * areas * upstream * psi / np.sqrt(upstream_rt))

    def pressure_gradient(self, theta: Array, state: Array) -> tuple[Array, Array]:
        """Return the derivatives of the pressure by mass [Pa/kg] and by internal energy [Pa/J]."""
        u = state[ENERGY] / state[MASS]
        temperature, cv = self.temperature_and_cv(u)
        _, volume, _ = self.passages.at(theta)
        per_volume = self.gas.gas_constant / volume
        return per_volume * (temperature - u / cv), per_volume / cv

    def __call__(self, theta: Array, state: Array) -> Array:
        """Return the derivative of the rows per degree, both valves open."""
        return self.right_side(BOTH, theta, state)

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

    def right_side(self, valves: slice, theta: Array, state: Array) -> Array:
        """Return the derivative of the rows per degree, with these valves open; the rest is left out for speed."""
        mass, energy, burned = state[:PORT_MASS]
        areas, volume, volume_rate = self.passages.at(theta, valves)
        u = energy / mass
        temperature, cv = self.temperature_and_cv(u)
        r = self.gas.gas_constant
        rt = r * temperature
        pressure, h = mass * rt / volume, u + rt
        burned_share = burned / mass
        slope = np.zeros_like(state)
        energy_in: Array | float = 0.0
        out: Array | float = 0.0
        port_rt, returned, held = rt, rt, rt
        if valves.start == 0:
            # What comes in through the intake: gas pushed back before, then fresh air.
            held = np.maximum(state[PORT_MASS], 1e-15)
            returned = self.keeps * held / (held + self.mixing_mass)
            port_t = self.port_temperature(state[PORT_ENTHALPY] / held)
            port_rt = returned * (r * port_t) + (1.0 - returned) * self.outside_rt[0]
        flows = self.flows(valves, areas, pressure=pressure, rt=rt, gamma=1.0 + r / cv, port_rt=port_rt)
        if valves.start == 0:
            drawn, pushed = np.maximum(flows[0], 0.0), np.maximum(-flows[0], 0.0)
            from_port = returned * drawn
            back, fresh = from_port / held, drawn - from_port
            energy_in = self._intake_rows(
                slope, state, fresh=fresh, share_back=back, out=pushed, h=h, burned_share=burned_share
            )
            out = pushed
        if valves.stop == 2:
            exhaust = flows[-1]
            exhaust_in, exhaust_out = np.maximum(exhaust, 0.0), np.maximum(-exhaust, 0.0)
            brought = exhaust_in * self.exhaust_h
            slope[GONE] -= exhaust
            slope[GONE_ENTHALPY] += exhaust_out * h - brought
            slope[BURNED] += exhaust_in
            energy_in, out = energy_in + brought, out + exhaust_out
        lost = self.heat_lost(pressure, temperature, volume)
        mass_rate = flows[0] + flows[1] if valves == BOTH else flows[0]
        work = pressure * volume_rate
        slope[MASS] = mass_rate
        slope[ENERGY] = energy_in - out * h - work * self.degrees_per_second - lost
        slope[BURNED] -= out * burned_share
        slope[HEAT_LOST] = lost
        slope *= self.seconds_per_degree
        slope[WORK] = work
        return slope

    def _intake_rows(
        self,
        slope: Array,
        state: Array,
        *,
        fresh: Array,
        share_back: Array,
        out: Array,
        h: Array,
        burned_share: Array,
    ) -> Array:
        """Fill in what goes through the intake; return the energy it brings in [W].

        `share_back` is the flow back from the port over the mass that is there.
        """
        returned_energy = share_back * state[PORT_ENTHALPY]
        returned_burned = share_back * state[PORT_BURNED]
        kept = self.keeps * out
        slope[PORT_MASS] = kept - share_back * np.maximum(state[PORT_MASS], 1e-15)
        slope[PORT_ENTHALPY] = kept * h - returned_energy
        slope[PORT_BURNED] = kept * burned_share - returned_burned
        slope[BURNED] = returned_burned
        slope[DRAWN] = fresh
        if not self.keeps:
            # What is pushed back and not kept goes for so much air not drawn, and takes its warmth away.
            slope[DRAWN] -= out
            slope[GONE_ENTHALPY] = out * (h - self.intake_h)
        return np.asarray(returned_energy + fresh * self.intake_h)


def closed_right_side(
    exchange: Exchange, mass: Array, heat: Array | None, motored: Motored | None
) -> Callable[[Array, Array], Array]:
    """Return the right side with both valves closed: rows internal energy [J], work [J], heat lost [J].

    Parameters
    ----------
    exchange : Exchange
        For engine, gas and speeds.
    mass : array, shape (variants, speeds)
        In the cylinder [kg].
    heat : array, shape (variants, speeds), or None
        Released by the whole combustion [J]; None before and after it.
    motored : Motored or None
        From the start of combustion on.
    """
    engine, gas = exchange.engine, exchange.gas

    def right_side(theta: Array, state: Array) -> Array:
        """Return the rates of energy, work and heat lost at a crank angle, valves closed."""
        temperature, _ = exchange.temperature_and_cv(state[0] / mass)
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
                piston_speed=exchange.piston_speed,
                open_valves=False,
                motored=motored,
            )
            lost = coefficient * walls * (temperature - engine.wall_temperature_k)
            slope[2] = lost * exchange.seconds_per_degree
        released: Array | float = 0.0 if heat is None else heat * burn_rate(engine, theta)
        slope[0] = released - slope[1] - slope[2]
        return slope

    return right_side
