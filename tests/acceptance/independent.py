"""Slow, plain calculations of what the results must be; nothing here comes from the package under test.

Sources: conventional units of pressure, NIST SP 811, appendix B. Moist air, Picard et al.,
Metrologia 45 (2008) 149 (CIPM-2007), coefficients as printed there, from memory. Isentropic
nozzle, Heywood, Internal Combustion Engine Fundamentals (1988), app. C. Least passage of a
poppet valve, Heywood 1988, eqs 6.7 to 6.9. Curves and integrals, scipy. Leakage, check plate
and square-root law: common practice, no source. Bore: series gap model, integrated with
scipy's adaptive quadrature and solved with its bracketing root finder.
"""

from __future__ import annotations

import math

from scipy import integrate, optimize

INCH = 0.0254
CFM = 0.3048**3 / 60
INH2O = 249.08891
MMHG = 133.322387415
INHG = 25.4 * MMHG
GAMMA = 1.4
STANDARD_PRESSURE = 101_325.0


def vapour_fraction(kelvin, pascal, humidity):
    """Mole fraction of water vapour, CIPM-2007 eqs A1.1 to A1.3."""
    t = kelvin - 273.15
    saturation = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    return humidity * (1.00062 + 3.14e-8 * pascal + 5.6e-7 * t * t) * saturation / pascal


def air_density(kelvin, pascal, humidity=0.0, vapour=None):
    """Density of moist air, CIPM-2007 eq. 1 with 400 ppm of CO2."""
    t = kelvin - 273.15
    x = vapour_fraction(kelvin, pascal, humidity) if vapour is None else vapour
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
    first += (5.707e-6 - 2.051e-8 * t) * x + (1.9898e-4 - 2.376e-6 * t) * x * x
    z = 1 - pascal / kelvin * first + (pascal / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x * x)
    molar = 28.96546e-3
    return pascal * molar / (z * 8.314472 * kelvin) * (1 - x * (1 - 18.01528e-3 / molar))


REFERENCE_DENSITY = air_density(293.15, STANDARD_PRESSURE)


def nozzle(ratio):
    ratio = max(ratio, (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1)))
    return math.sqrt(2 * GAMMA / (GAMMA - 1) * (ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA)))


def pressure_factor(law, side, at, to, barometer=STANDARD_PRESSURE):
    if law == "square-root":
        return math.sqrt(to / at)
    if side == "intake":
        return nozzle(1 - to / barometer) / nozzle(1 - at / barometer)
    above, below = barometer + to, barometer + at
    return above * nozzle(barometer / above) / (below * nozzle(barometer / below))


def reference_velocity(law, side, pascal, density=REFERENCE_DENSITY, barometer=STANDARD_PRESSURE):
    if law == "square-root":
        return math.sqrt(2 * pascal / density)
    if side == "intake":
        return math.sqrt(barometer / density) * nozzle(1 - pascal / barometer)
    return math.sqrt(barometer / density) * (1 + pascal / barometer) * nozzle(barometer / (barometer + pascal))


def area_in_bore(unshrouded, bore, offset, valve):
    """Effective area of a head in a bore: in series with the gap to the wall at every azimuth."""

    def element(angle):
        wall = -offset * math.cos(angle) + math.sqrt((bore / 2) ** 2 - (offset * math.sin(angle)) ** 2)
        gap = (wall**2 - (valve / 2) ** 2) / 2
        return ((2 * math.pi / unshrouded) ** 2 + gap**-2) ** -0.5

    return integrate.quad(element, 0, 2 * math.pi, epsrel=1e-12, limit=400)[0]


def bore_factor(area, fixture, engine, offset, valve):
    head = optimize.brentq(
        lambda a: area_in_bore(a, fixture, offset, valve) - area, area * 0.999, area * 50, xtol=1e-16
    )
    return area_in_bore(head, engine, offset, valve) / area


def passages(lift, head, angle, face_width, throat, stem):
    """Seat and throat areas, Heywood 1988 eqs 6.7 to 6.9."""
    beta = math.radians(angle)
    width = face_width * math.cos(beta)
    if lift <= width / (math.sin(beta) * math.cos(beta)):
        seat = math.pi * lift * math.cos(beta) * (head - 2 * width + lift / 2 * math.sin(2 * beta))
    else:
        seat = math.pi * (head - width) * math.sqrt((lift - width * math.tan(beta)) ** 2 + width**2)
    return seat, math.pi / 4 * (throat**2 - stem**2)
