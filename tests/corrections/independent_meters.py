"""What a meter's reading must give, worked out anew from the standards' formulas with 30 digits; nothing of flowkit.

Sources: orifice, ISO 5167-2:2003, 5.3.2 (Reader-Harris/Gallagher, expansibility); nozzles, ISO 5167-3:2003, 5.1.6,
5.2.6 and 5.3.4; critical nozzle, ISO 9300:2005 (constants from memory) with C* as readings.md prints it; traverse,
ISO 3966; laminar element, Hagen and Poiseuille; viscosity, U.S. Standard Atmosphere 1976, equation 51; water, Tanaka
2001; moist air, CIPM-2007; plate, common practice, no source.
"""

from __future__ import annotations

import itertools
from typing import Any

import mpmath as mp

mp.mp.dps = 30
R = mp.mpf("8.314462618")
DRY, WATER = mp.mpf("0.02896546"), mp.mpf("0.01801528")
KAPPA = mp.mpf("1.4")


def num(value: Any) -> Any:
    """The number as it is printed, not as a float stores it."""
    return mp.mpf(repr(value))


def vapour(t: Any, p: Any, h: Any) -> Any:
    """Mole fraction of water vapour (CIPM-2007, A1.1 to A1.3)."""
    c = t - num(273.15)
    psv = mp.exp(num(1.2378847e-5) * t**2 - num(1.9121316e-2) * t + num(33.93711047) - num(6.3431645e3) / t)
    return h * (num(1.00062) + num(3.14e-8) * p + num(5.6e-7) * c**2) * psv / p


def density(t: Any, p: Any, x: Any) -> Any:
    """Moist air [kg/m³] (CIPM-2007, equation 1, with its own R of 8.314472)."""
    c = t - num(273.15)
    a = num(1.58123e-6) - num(2.9331e-8) * c + num(1.1043e-10) * c**2
    a += (num(5.707e-6) - num(2.051e-8) * c) * x + (num(1.9898e-4) - num(2.376e-6) * c) * x**2
    z = 1 - p / t * a + (p / t) ** 2 * (num(1.83e-11) - num(0.765e-8) * x**2)
    return p * DRY / (z * num(8.314472) * t) * (1 - x * (1 - WATER / DRY))


def viscosity(t: Any) -> Any:
    return num(1.458e-6) * t ** num(1.5) / (t + num(110.4))


def water(t: Any) -> Any:
    c = t - num(273.15)
    shape = (c - num(3.983035)) ** 2 * (c + num(301.797)) / (num(522528.9) * (c + num(69.34881)))
    return num(999.97495) * (1 - shape)


def upstream(place: str, draws: bool, barometer: Any, test: Any, dp: Any) -> Any:
    if place == "room":
        return barometer
    if place == "outlet":
        return barometer + dp
    return barometer - test if draws else barometer + test + dp


def orifice_c(beta: Any, pipe: Any, reynolds: Any, taps: str) -> Any:
    l1, l2 = {
        "corner": (mp.mpf(0), mp.mpf(0)),
        "flange": (num(0.0254) / pipe, num(0.0254) / pipe),
        "D and D/2": (mp.mpf(1), num(0.47)),
    }[taps]
    m2 = 2 * l2 / (1 - beta)
    a = (19000 * beta / reynolds) ** num(0.8)
    c = num(0.5961) + num(0.0261) * beta**2 - num(0.216) * beta**8
    c += num(0.000521) * (10**6 * beta / reynolds) ** num(0.7)
    c += (num(0.0188) + num(0.0063) * a) * beta ** num(3.5) * (10**6 / reynolds) ** num(0.3)
    near = num(0.043) + num(0.080) * mp.exp(-10 * l1) - num(0.123) * mp.exp(-7 * l1)
    c += near * (1 - num(0.11) * a) * beta**4 / (1 - beta**4)
    c -= num(0.031) * (m2 - num(0.8) * m2 ** num(1.1)) * beta ** num(1.3)
    return c + (num(0.011) * (num(0.75) - beta) * (num(2.8) - pipe / num(0.0254)) if pipe < num(0.07112) else 0)


def nozzle_c(shape: str, beta: Any, reynolds: Any) -> Any:
    if shape == "ISA 1932":
        slope = num(0.00175) * beta**2 - num(0.0033) * beta ** num(4.15)
        return num(0.99) - num(0.2262) * beta ** num(4.1) - slope * (10**6 / reynolds) ** num(1.15)
    if shape == "long radius":
        return num(0.9965) - num(0.00653) * mp.sqrt(beta) * mp.sqrt(10**6 / reynolds)
    return num(0.9858) - num(0.196) * beta ** num(4.5)


def orifice_e(beta: Any, tau: Any) -> Any:
    return 1 - (num(0.351) + num(0.256) * beta**4 + num(0.93) * beta**8) * (1 - tau ** (1 / KAPPA))


def nozzle_e(beta: Any, tau: Any) -> Any:
    first = KAPPA * tau ** (2 / KAPPA) / (KAPPA - 1)
    second = (1 - beta**4) / (1 - beta**4 * tau ** (2 / KAPPA))
    return mp.sqrt(first * second * (1 - tau ** ((KAPPA - 1) / KAPPA)) / (1 - tau))


def settled(coefficient: Any, base: Any) -> Any:
    """Mass flow whose coefficient is that of its own Reynolds number."""
    return mp.findroot(lambda m: coefficient(m) * base - m, num(0.7) * base)


def mass(keys: dict[str, Any], dps: list[Any], p1: Any, t1: Any, x: Any) -> Any:
    """Mass flow [kg/s]; `keys` in SI; of a critical nozzle p1 is its reading."""
    kind, rho, mu = keys["kind"], density(t1, p1, x), viscosity(t1)
    (dp, *_) = dps
    tau = 1 - dp / p1
    if kind in ("orifice", "nozzle"):
        d, pipe = keys["bore"], keys["pipe"]
        beta, area = d / pipe, mp.pi / 4 * d**2
        epsilon = (orifice_e if kind == "orifice" else nozzle_e)(beta, tau)
        base = epsilon * area * mp.sqrt(2 * dp * rho / (1 - beta**4))

        def c(m: Any) -> Any:
            reynolds = 4 * m / (mp.pi * pipe * mu)
            if kind == "orifice":
                return orifice_c(beta, pipe, reynolds, keys["taps"])
            return nozzle_c(keys["shape"], beta, reynolds)

        return settled(c, base)
    if kind == "plate":
        area = mp.pi / 4 * keys["hole"] ** 2 * keys["count"]
        return keys["coefficient"] * orifice_e(mp.mpf(0), tau) * area * mp.sqrt(2 * dp * rho)
    if kind == "laminar":
        return rho * keys["flow"] * dp / keys["differential"] * viscosity(keys["calibrated_at"]) / mu
    if kind == "critical nozzle":
        c = t1 - num(273.15)
        star = num(0.684836) + num(2.92e-9) * p1 - (num(2.75e-6) + num(3.21e-11) * p1) * (c - 20)
        molar = DRY * (1 - x) + WATER * x
        base = mp.pi / 4 * keys["throat"] ** 2 * star * p1 * mp.sqrt(molar / (R * t1))
        a, b, n = {
            "toroidal": (num(0.9959), num(2.72), num(0.5)),
            "toroidal, accurately machined": (num(0.9985), num(3.412), num(0.5)),
            "cylindrical": (num(0.9976), num(0.1388), num(0.2)),
        }[keys["shape"]]
        return keys["count"] * settled(lambda m: a - b * (4 * m / (mp.pi * keys["throat"] * mu)) ** -n, base)
    velocities = []
    for one in dps:
        ratio = one / p1
        squeezed = mp.sqrt(1 - ratio / (2 * KAPPA) + (KAPPA - 1) * ratio**2 / (6 * KAPPA**2))
        velocities.append(keys["factor"] * squeezed * mp.sqrt(2 * one / rho))
    return rho * mp.pi / 4 * keys["pipe"] ** 2 * mp.fsum(velocities) / len(velocities) * keys.get("profile", 1)


def pchip(points: list[tuple[Any, Any]], at: Any) -> Any:
    """Fritsch & Butland's monotone cubic with Moler's three-point ends, at one place."""
    x, y = [p[0] for p in points], [p[1] for p in points]
    h = [b - a for a, b in itertools.pairwise(x)]
    s = [(b - a) / w for (a, b), w in zip(itertools.pairwise(y), h, strict=True)]
    last = len(points) - 1
    if last == 1:
        return y[0] + s[0] * (at - x[0])

    def end(h0: Any, h1: Any, s0: Any, s1: Any) -> Any:
        d = ((2 * h0 + h1) * s0 - h0 * s1) / (h0 + h1)
        if d * s0 <= 0:
            return mp.mpf(0)
        return 3 * s0 if s0 * s1 <= 0 and abs(d) > 3 * abs(s0) else d

    slopes = [end(h[0], h[1], s[0], s[1])]
    for k in range(1, last):
        w1, w2 = 2 * h[k] + h[k - 1], h[k] + 2 * h[k - 1]
        slopes.append((w1 + w2) / (w1 / s[k - 1] + w2 / s[k]))
    slopes.append(end(h[-1], h[-2], s[-1], s[-2]))
    k = max(i for i in range(last) if x[i] <= at)
    u = (at - x[k]) / h[k]
    return (
        y[k] * (1 + 2 * u) * (1 - u) ** 2 + slopes[k] * h[k] * u * (1 - u) ** 2
        + y[k + 1] * u**2 * (3 - 2 * u) + slopes[k + 1] * h[k] * u**2 * (u - 1)
    )  # fmt: skip
