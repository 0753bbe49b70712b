"""Density of air, and the parts of it, as others print them."""

# OIML R 111-1 (2004), annex E.3, equation (E.3-1), also EURAMET cg-18: an approximation of the
# CIPM formula of its own making, with its stated relative uncertainty of 2e-4 between 900 hPa
# and 1100 hPa, 10 °C and 30 °C, below 80 % humidity. From memory.
# density [kg/m3] = (0.34848 p/hPa - 0.009 h/% * exp(0.061 t/°C))/(273.15 + t/°C)
OIML_R111_RELATIVE = 2e-4
OIML_R111_RANGE = {"hPa": (900.0, 1100.0), "degC": (10.0, 30.0), "percent": (0.0, 80.0)}

# Vapour pressure of water at saturation [°C, kPa], steam tables after IAPWS-95 as
# thermodynamics textbooks print them (table of saturated water by temperature). From memory.
# CIPM-2007 has a vapour pressure formula of its own: within 0.01 % of them.
SATURATION_KPA: tuple[tuple[float, float], ...] = (
    (5.0, 0.8725),
    (10.0, 1.2281),
    (15.0, 1.7057),
    (20.0, 2.3392),
    (25.0, 3.1698),
    (30.0, 4.2469),
)

# IAPWS-IF97, table 35: p_s at 300 K = 0.353658941e-2 MPa. From memory.
IF97_300K_PA = 3536.58941

# Dry air: °C, Pa, kg/m3, half a unit of the last printed digit. Handbook values, from memory.
DRY_AIR: tuple[tuple[str, float, float, float, float], ...] = (
    ("handbook density of dry air at 0 °C, one atmosphere: 1.293", 0.0, 101_325.0, 1.293, 0.0005),
    # Printed 1.204 is that of a perfect gas; real air is 0.04 % denser: hence the whole digit.
    ("handbook density of dry air at 20 °C, one atmosphere: 1.204", 20.0, 101_325.0, 1.204, 0.001),
)

# Equation (2) of Picard et al. 2008, Metrologia 45, 149: the constants condensed,
# density = [3.483740 + 1.4446 (x_CO2 - 0.0004)] * p/(Z T) * (1 - 0.3780 x_v) * 1e-3. From memory.
CONDENSED = (3.483740e-3, 1.4446e-3, 0.3780)

# Its budget of uncertainty, of the same paper: relative sensitivities at 20 °C, one atmosphere and
# half saturated, one digit each: per Pa, per K, per unit of relative humidity, per mole fraction of
# CO2; and the half of that digit. From memory.
SENSITIVITIES = {
    "pressure": (1e-5, 0.05e-5),
    "temperature": (-4e-3, 0.5e-3),
    "humidity": (-9e-3, 0.5e-3),
    "carbon dioxide": (0.4, 0.05),
}
