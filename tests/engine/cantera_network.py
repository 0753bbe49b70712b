"""The same cylinder as a Cantera reactor network: valves, a moving wall and reservoirs.

An outside implementation of the filling model's physics: Cantera (Goodwin et al., doi:10.5281/zenodo.14455267,
version 3) integrates a constant-cp ideal gas with CVODES; only the valve's isentropic flow equation (Heywood
1988, appendix C), the slider-crank and the Wiebe function are written here, on their own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cantera as ct


@dataclass(frozen=True)
class Network:
    """One cylinder's data, SI and degrees of crank after firing dead centre."""

    bore: float
    stroke: float
    rod: float
    ratio: float
    gamma: float
    intake: tuple[float, float]  # pressure, temperature
    exhaust: tuple[float, float]
    intake_period: tuple[float, float]
    exhaust_period: tuple[float, float]
    intake_area: Callable[[float], float]  # of crank angle
    exhaust_area: Callable[[float], float]
    heat_per_air: float
    burn: tuple[float, float, float, float]  # start, duration, a, m


@dataclass(frozen=True)
class NetworkCycle:
    """What the last cycle gave."""

    trapped_mass: float
    fresh_share: float
    drawn: float
    work: float


def make_gas(gamma: float) -> ct.Solution:
    """Two species alike but in name, of constant heat capacity, molar mass of dry air."""
    # 28.9647 g/mol out of nitrogen (14.007) by a fractional composition.
    atoms = 28.9647 / 14.007
    cp = ct.gas_constant * gamma / (gamma - 1)
    species = []
    for name in ("fresh", "burned"):
        item = ct.Species(name, {"N": atoms})
        item.thermo = ct.ConstantCp(60, 6000, ct.one_atm, (298.15, cp * 298.15, 0.0, cp))
        species.append(item)
    return ct.Solution(thermo="ideal-gas", kinetics="gas", species=species, reactions=[])


def tabulated(
    curve: Callable[[float], float], period: tuple[float, float], step_deg: float = 0.1
) -> Callable[[float], float]:
    """A curve of crank angle as a table, linear between its points: what the peer needs to be fast."""
    low, high = period
    count = round((high - low) / step_deg)
    values = [float(curve(low + (high - low) * index / count)) for index in range(count + 1)]
    values[0] = values[-1] = 0.0
    per_degree = count / (high - low)

    def at(theta: float) -> float:
        place = (theta - low) * per_degree
        if not 0.0 < place < count:
            return 0.0
        index = int(place)
        return values[index] + (place - index) * (values[index + 1] - values[index])

    return at


LINEAR_BELOW = 1e-4


def nozzle(area_factor: float, p_up: float, t_up: float, p_down: float, gamma: float, r: float) -> float:
    """Isentropic nozzle flow per area, choked below the critical ratio; straight through zero below 1e-4 of the
    pressure, because CVODES does not get over the infinite slope of the root."""
    drop = 1 - p_down / p_up
    if drop < 0.999 * LINEAR_BELOW:
        return drop / LINEAR_BELOW * nozzle(area_factor, p_up, t_up, p_up * (1 - LINEAR_BELOW), gamma, r)
    pr = max(1 - drop, (2 / (gamma + 1)) ** (gamma / (gamma - 1)))
    psi = math.sqrt(max(2 * gamma / (gamma - 1) * (pr ** (2 / gamma) - pr ** ((gamma + 1) / gamma)), 0.0))
    return area_factor * p_up / math.sqrt(r * t_up) * psi


def run(network: Network, speed_rpm: float, cycles: int, *, rtol: float = 1e-7, step_deg: float = 0.25) -> NetworkCycle:
    """Run cycles from intake closing and return the last; work and air drawn are summed every so many degrees."""
    n = network
    per_second = 6 * speed_rpm
    cylinder_gas, intake_gas, exhaust_gas = make_gas(n.gamma), make_gas(n.gamma), make_gas(n.gamma)
    r = ct.gas_constant / cylinder_gas.mean_molecular_weight
    area = math.pi / 4 * n.bore**2
    crank = n.stroke / 2
    start = n.intake_period[1] - 720

    def drop(theta: float) -> float:
        angle = math.radians(theta)
        return n.rod + crank - crank * math.cos(angle) - math.sqrt(n.rod**2 - (crank * math.sin(angle)) ** 2)

    def volume(theta: float) -> float:
        return area * (n.stroke / (n.ratio - 1) + drop(theta))

    intake_gas.TPY = n.intake[1], n.intake[0], "fresh:1"
    exhaust_gas.TPY = n.exhaust[1], n.exhaust[0], "burned:1"
    cylinder_gas.TPY = n.intake[1] + 80, n.intake[0], "fresh:0.94, burned:0.06"
    cylinder = ct.IdealGasReactor(cylinder_gas, clone=False, energy="on")
    cylinder.volume = volume(start)
    inlet, outlet, room = (ct.Reservoir(gas, clone=False) for gas in (intake_gas, exhaust_gas, make_gas(n.gamma)))

    def theta_at(time: float) -> float:
        return start + (time * per_second) % 720

    def piston_speed(time: float) -> float:
        theta = theta_at(time)
        angle = math.radians(theta)
        sine = math.sin(angle)
        slope = crank * sine * (1 + crank * math.cos(angle) / math.sqrt(n.rod**2 - (crank * sine) ** 2))
        return slope * math.radians(per_second)

    heat = {"all": 0.0}

    def heat_flux(time: float) -> float:
        theta = theta_at(time)
        begin, duration, a, m = n.burn
        y = (theta - begin) / duration
        if not 0 <= y <= 1:
            return 0.0
        rate = a * (m + 1) * y**m * math.exp(-a * y ** (m + 1)) / (1 - math.exp(-a)) / duration * per_second
        return -heat["all"] * rate  # the wall's heat goes from left to right

    wall = ct.Wall(cylinder, room, A=area, velocity=piston_speed)
    hot_wall = ct.Wall(cylinder, room, A=1.0)
    hot_wall.heat_flux = heat_flux

    def connect(source: ct.ReactorBase, sink: ct.ReactorBase, curve: Callable[[float], float], outward: bool) -> None:
        valve = ct.Valve(source, sink)
        valve.valve_coeff = 1.0
        valve.time_function = lambda time: curve(theta_at(time) if theta_at(time) > 0 else theta_at(time) + 720)

        def by_pressure(difference: float) -> float:
            if difference <= 0:
                return 0.0
            if outward:
                p_up, t_up = cylinder_gas.P, cylinder_gas.T
            else:
                gas = intake_gas if source is inlet else exhaust_gas
                p_up, t_up = gas.P, gas.T
            return nozzle(1.0, p_up, t_up, p_up - difference, n.gamma, r)

        valve.pressure_function = by_pressure
        valves.append(valve)

    valves: list[ct.Valve] = []
    connect(inlet, cylinder, n.intake_area, False)
    connect(cylinder, inlet, n.intake_area, True)
    connect(cylinder, outlet, n.exhaust_area, True)
    connect(outlet, cylinder, n.exhaust_area, False)
    net = ct.ReactorNet([cylinder])
    net.rtol, net.atol = rtol, 1e-14
    net.max_time_step = 1.0 / per_second
    last = None
    for cycle in range(cycles):
        last = _cycle(net, cylinder, cylinder_gas, n, heat, cycle, per_second, wall, valves, step_deg)
    assert last is not None
    return last


def _cycle(net, cylinder, gas, n, heat, cycle, per_second, wall, valves, step_deg) -> NetworkCycle:  # type: ignore[no-untyped-def]
    """Run one cycle from intake closing, stopping wherever something begins or ends."""
    start = n.intake_period[1] - 720
    begin = cycle * 720 / per_second
    mass = gas.density * cylinder.volume
    heat["all"] = n.heat_per_air * mass * gas["fresh"].Y[0]
    stops = sorted({n.burn[0], n.burn[0] + n.burn[1], n.exhaust_period[0], n.intake_period[0], n.exhaust_period[1]})
    drawn = work = 0.0
    time = begin
    for stop in [*stops, start + 720]:
        end = begin + (stop - start) / per_second
        net.initial_time = time
        net.reinitialize()
        while time < end - 1e-12:
            # Trapezoids: flow drawn in and work done.
            following = min(time + step_deg / per_second, end)
            before = (valves[0].mass_flow_rate - valves[1].mass_flow_rate, gas.P * wall.expansion_rate)
            net.advance(following)
            after = (valves[0].mass_flow_rate - valves[1].mass_flow_rate, gas.P * wall.expansion_rate)
            drawn += (before[0] + after[0]) / 2 * (following - time)
            work += (before[1] + after[1]) / 2 * (following - time)
            time = following
        if stop == n.exhaust_period[0] and n.heat_per_air > 0:
            gas.TPY = gas.T, gas.P, "burned:1"
            cylinder.syncState()
    mass = gas.density * cylinder.volume
    return NetworkCycle(mass, float(gas["fresh"].Y[0]), drawn, work)
