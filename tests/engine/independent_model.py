"""One cylinder written a second time, apart from flowkit: ODEPACK's LSODA through scipy, cycle after cycle.

Nothing here is imported from flowkit. The gas is nitrogen and oxygen by the NASA polynomials that Cantera ships
(flowkit has rotors and oscillators), the interpolation is scipy's, and the cycle is run with tight tolerances until
it repeats itself. What both share is what the docs say of the model: quasi-steady isentropic flow through measured
areas (Heywood 1988, appendix C), slider-crank (ch. 2), Wiebe heat release (eq. 9.30), Woschni's law in Heywood's form
(eqs 12.19-12.20), and gas pushed back into the intake that returns through a mixing zone of 1 % of the displaced air.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cantera as ct
import numpy as np
from scipy.integrate import odeint
from scipy.interpolate import PchipInterpolator

R = 8.314462618 / 0.0289647
REFERENCE_VELOCITY = math.sqrt(2 * 28 * 249.08891 / (101325 / (R * 293.15)))
"""Of 28 inH2O in dry air of 20 °C and 101 325 Pa, incompressible [m/s]."""


@dataclass(frozen=True)
class Cylinder:
    """One cylinder, SI; angles in degrees of crank after firing dead centre."""

    bore: float
    stroke: float
    rod: float
    clearance: float
    intake: Callable[[float], float]
    """Effective area [m²] by crank angle."""
    exhaust: Callable[[float], float]
    intake_open: tuple[float, float]
    exhaust_open: tuple[float, float]
    intake_state: tuple[float, float] = (101325.0, 293.15)
    exhaust_state: tuple[float, float] = (101325.0, 900.0)
    wall: float = 430.0
    heat_per_air: float = 0.97 * 44.0e6 / 14.6
    burn: tuple[float, float] = (-20.0, 60.0)


@dataclass(frozen=True)
class Found:
    """The cycle that repeats: masses [kg], work and heat [J]."""

    trapped: float
    burned_share: float
    drawn: float
    work: float
    released: float
    lost: float
    cycles: int


def polynomial_lift(opens: float, closes: float, checking: float, peak: float, lash: float = 0.0) -> tuple[
    Callable[[float], float], tuple[float, float]
]:  # fmt: skip
    """Lift by 1 - 2x² + 2x⁶ - x⁸ that has the checking lift at two angles, less lash; and when it is open."""
    from scipy.optimize import brentq

    def shape(x: float) -> float:
        return 1 - 2 * x**2 + 2 * x**6 - x**8

    def where(share: float) -> float:
        return 1.0 if share <= 0 else float(brentq(lambda x: shape(x) - share, 0, 1, xtol=1e-14))

    half = (closes - opens) / 2 / where(checking / peak)
    centre, reach = (opens + closes) / 2, half * where(lash / peak)

    def lift(theta: float) -> float:
        x = (theta - centre) / half
        return max(peak * shape(x) - lash, 0.0) if abs(x) < 1 else 0.0

    return lift, (centre - reach, centre + reach)


def area_by_angle(
    lift: Callable[[float], float], period: tuple[float, float], lifts: Sequence[float], flows: Sequence[float]
) -> Callable[[float], float]:
    """Effective area by crank angle: flow at 28 inH2O over the velocity there, a table of 20 000 cells, linear."""
    curve = PchipInterpolator([0.0, *lifts], [0.0, *(flow / REFERENCE_VELOCITY for flow in flows)])
    theta = np.linspace(*period, 20_001)
    values = curve([min(lift(float(angle)), lifts[-1]) for angle in theta]).tolist()
    values[0] = values[-1] = 0.0
    low, per_degree = period[0], 20_000 / (period[1] - period[0])

    def area(angle: float) -> float:
        place = (angle - low) * per_degree
        if not 0 < place < 20_000:
            return 0.0
        cell = int(place)
        return float(values[cell] + (place - cell) * (values[cell + 1] - values[cell]))

    return area


class _Air:
    """cp, h and u of 79 % nitrogen and 21 % oxygen by volume over R, by Cantera's polynomials."""

    def __init__(self) -> None:
        gas = ct.Solution("air.yaml")
        mixed = []
        for low in (True, False):
            parts = [
                (share, gas.species(name).thermo.coeffs[8:15] if low else gas.species(name).thermo.coeffs[1:8])
                for name, share in (("N2", 0.79), ("O2", 0.21))
            ]
            mixed.append([sum(share * float(c[n]) for share, c in parts) for n in range(7)])
        self.low, self.high = mixed

    def cv_h(self, t: float) -> tuple[float, float]:
        """cv [J/(kg K)] and h [J/kg]."""
        a = self.low if t < 1000 else self.high
        cp = a[0] + t * (a[1] + t * (a[2] + t * (a[3] + t * a[4])))
        h = t * (a[0] + t * (a[1] / 2 + t * (a[2] / 3 + t * (a[3] / 4 + t * a[4] / 5)))) + a[5]
        return R * (cp - 1), R * h

    def t_of_h(self, h: float, guess: float) -> float:
        """Temperature of an enthalpy, by Newton's method."""
        t = guess
        for _ in range(30):
            cv, at = self.cv_h(t)
            step = (h - at) / (cv + R)
            t += step
            if abs(step) < 1e-9 * t:
                break
        return t


def _flow(area: float, p_up: float, rt_up: float, p_down: float, gamma: float) -> float:
    """Isentropic nozzle [kg/s]; linear below a relative drop of 1e-5, where the root's slope would be infinite."""
    if area <= 0:
        return 0.0
    drop = 1 - p_down / p_up
    if drop < 1e-5:
        return drop / 1e-5 * _flow(area, p_up, rt_up, p_up * (1 - 1.000001e-5), gamma)
    ratio = max(1 - drop, (2 / (gamma + 1)) ** (gamma / (gamma - 1)))
    psi = math.sqrt(2 * gamma / (gamma - 1) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma)))
    return area * p_up * psi / math.sqrt(rt_up)


class _Run:
    """One cylinder at one speed. State: mass, temperature, burned mass, port's mass, enthalpy and burned mass; then
    sums over the cycle: air drawn, work, heat lost."""

    def __init__(self, cylinder: Cylinder, rpm: float) -> None:
        self.c, self.rpm, self.air = cylinder, rpm, _Air()
        c = cylinder
        self.piston = math.pi / 4 * c.bore**2
        self.displaced = self.piston * c.stroke
        self.displaced_air = c.intake_state[0] * self.displaced / (R * c.intake_state[1])
        self.mean_speed = 2 * c.stroke * rpm / 60
        self.h_intake = self.air.cv_h(c.intake_state[1])[1]
        self.h_exhaust = self.air.cv_h(c.exhaust_state[1])[1]
        self.gamma_out = [1 + R / self.air.cv_h(t)[0] for t in (c.intake_state[1], c.exhaust_state[1])]
        self.reference: tuple[float, float, float] | None = None
        self.heat = 0.0

    def volume(self, theta: float) -> tuple[float, float]:
        """Volume and its rate per degree."""
        c, a, radians = self.c, self.c.stroke / 2, math.radians(theta)
        leg = math.sqrt(c.rod**2 - (a * math.sin(radians)) ** 2)
        drop = c.rod + a - a * math.cos(radians) - leg
        rate = a * math.sin(radians) * (1 + a * math.cos(radians) / leg)
        return c.clearance + self.piston * drop, self.piston * math.radians(rate)

    def loss(self, p: float, t: float, v: float, open_valves: bool) -> float:
        """Heat to the walls [W]."""
        c = self.c
        w = (6.18 if open_valves else 2.28) * self.mean_speed
        if self.reference is not None and not open_valves:
            p0, t0, v0 = self.reference
            w += 3.24e-3 * self.displaced * t0 / (p0 * v0) * max(p - p0 * (v0 / v) ** 1.33, 0.0)
        h = 3.26 * c.bore**-0.2 * (p / 1e3) ** 0.8 * t**-0.55 * w**0.8
        return h * (2 * self.piston + 4 / c.bore * v) * (t - c.wall)

    def open(self, y: Sequence[float], theta: float) -> list[float]:
        """Rates per degree while a valve is open."""
        c, air = self.c, self.air
        m, t, burned, held, held_h, held_b = y[0], y[1], y[2], max(y[3], 0.0), y[4], y[5]
        v, rate = self.volume(theta)
        p = m * R * t / v
        cv, h = air.cv_h(t)
        gamma = 1 + R / cv
        mixing = 0.01 * self.displaced_air
        share = held / (held + mixing)
        come_h = (held_h + mixing * self.h_intake) / (held + mixing)
        come_b = held_b / (held + mixing)
        drawn = pushed = out = back = 0.0
        p_in, p_ex = c.intake_state[0], c.exhaust_state[0]
        if p_in > p:
            port_t = air.t_of_h(come_h, c.intake_state[1] + 50)
            drawn = _flow(c.intake(theta), p_in, R * port_t, p, self.gamma_out[0])
        else:
            pushed = _flow(c.intake(theta), p, R * t, p_in, gamma)
        if p > p_ex:
            out = _flow(c.exhaust(theta), p, R * t, p_ex, gamma)
        else:
            back = _flow(c.exhaust(theta), p_ex, R * c.exhaust_state[1], p, self.gamma_out[1])
        seconds = 1 / (6 * self.rpm)
        lost = self.loss(p, t, v, True)
        dm = (drawn + back - pushed - out) * seconds
        energy = (drawn * come_h + back * self.h_exhaust - (pushed + out) * h - lost) * seconds - p * rate
        u = h - R * t
        x = burned / m
        return [
            dm,
            (energy - u * dm) / (m * cv),
            (drawn * come_b + back - (pushed + out) * x) * seconds,
            (pushed - drawn * share) * seconds,
            (pushed * h - drawn * (come_h - self.h_intake * (1 - share))) * seconds,
            (pushed * x - drawn * come_b) * seconds,
            drawn * (1 - share) * seconds,
            p * rate,
            lost * seconds,
        ]

    def shut(self, y: Sequence[float], theta: float) -> list[float]:
        """Rates per degree while both valves are shut."""
        c = self.c
        m, t = y[0], y[1]
        v, rate = self.volume(theta)
        p = m * R * t / v
        place = (theta - c.burn[0]) / c.burn[1]
        burning = 0.0
        if 0 <= place <= 1:
            burning = self.heat * 15 * place**2 * math.exp(-5 * place**3) / (1 - math.exp(-5)) / c.burn[1]
        lost = self.loss(p, t, v, False) / (6 * self.rpm)
        return [0.0, (burning - p * rate - lost) / (m * self.air.cv_h(t)[0]), 0, 0, 0, 0, 0, p * rate, lost]

    def cycle(self, y: Sequence[float], tolerance: float) -> list[float]:
        """From intake closing to intake closing."""
        c = self.c
        closing = c.intake_open[1] - 720
        y = [*y[:6], 0.0, 0.0, 0.0]
        self.heat, self.reference = c.heat_per_air * (y[0] - y[2]), None
        v = self.volume(closing)[0]
        reference = (y[0] * R * y[1] / v, y[1], v)
        spans = [(closing, c.burn[0]), (c.burn[0], sum(c.burn)), (sum(c.burn), c.exhaust_open[0])]
        stops = sorted({180.0, 360.0, 540.0, c.exhaust_open[0], *c.intake_open, c.exhaust_open[1]})
        stops = [stop for stop in stops if c.exhaust_open[0] <= stop <= c.intake_open[1]]
        for low, high in spans:
            y = self._way(self.shut, y, low, high, tolerance)
            self.reference = reference
        if c.heat_per_air > 0:
            y[2] = y[0]
        for low, high in pairwise(stops):
            y = self._way(self.open, y, low, high, tolerance)
        return y

    def _way(
        self, rates: Callable[..., list[float]], y: list[float], low: float, high: float, tol: float
    ) -> list[float]:
        m, h = self.displaced_air, self.displaced_air * 3e5
        sizes = np.array([m, 300.0, m, m, h, m, m, h, h])
        return odeint(  # type: ignore[no-any-return]
            rates, y, [low, high], rtol=tol, atol=tol * sizes, mxstep=200_000, tcrit=[high], hmax=4.0
        )[-1].tolist()


def repeating_cycle(cylinder: Cylinder, rpm: float, *, tolerance: float = 1e-8, most: int = 60) -> Found:
    """Run cycles until mass, temperature and burned mass repeat within 1e-6."""
    run = _Run(cylinder, rpm)
    p, t = cylinder.intake_state
    closing = cylinder.intake_open[1] - 720
    m = p * run.volume(closing)[0] / (R * (t + 80))
    y = [m, t + 80, 0.06 * m, 1e-9, 1e-9 * run.h_intake, 0.0]
    for count in range(1, most + 1):
        after = run.cycle(y, tolerance)
        change = max(abs(after[n] - y[n]) / size for n, size in ((0, m), (1, t), (2, m)))
        y = after
        if change < 1e-6:
            break
    return Found(y[0], y[2] / y[0], y[6], y[7], run.heat, y[8], count)
