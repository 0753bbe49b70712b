"""Density of air, and the parts of it, as others print them."""

# OIML R 111-1 (2004), annex E.3, equation (E.3-1), also EURAMET cg-18: an approximation of the
# CIPM formula of its own making, with its stated relative uncertainty of 2e-4 between 900 hPa
# and 1100 hPa, 10 °C and 30 °C, below 80 % humidity. From memory.
# density [kg/m3] = (0.34848 p/hPa - 0.009 h/% * exp(0.061 t/°C))/(273.15 + t/°C)
OIML_R111_RELATIVE = 2e-4
OIML_R111_RANGE = {"hPa": (900.0, 1100.0), "degC": (10.0, 30.0), "percent": (0.0, 80.0)}

# Vapour pressure of water at saturation [°C, kPa] by IAPWS-95, read by running the Python package
# iapws 1.5.5 (which meets the release's check values). Textbooks print 0.8725, 1.2281, 1.7057,
# 2.3392, 3.1698 and 4.2469: cut off or by an older formulation.
# CIPM-2007 has a vapour pressure formula of its own: within 0.01 % of them.
SATURATION_KPA: tuple[tuple[float, float], ...] = (
    (5.0, 0.8726),
    (10.0, 1.2282),
    (15.0, 1.7058),
    (20.0, 2.3393),
    (25.0, 3.1699),
    (30.0, 4.2470),
)

# IAPWS-IF97, table 35: p_s at 300 K = 0.353658941e-2 MPa; check value met by iapws 1.5.5.
IF97_300K_PA = 3536.58941

# Dry air: °C, Pa, kg/m3, tolerance. 1.293 stands in engineering tables; the others are real air with
# Z of ISO 6976:2016 (0.999419, 0.999595, 0.999645), read in NeqSim, Standard_ISO6976_2016.java.
DRY_AIR: tuple[tuple[str, float, float, float, float], ...] = (
    ("dry air at 0 °C, one atmosphere, engineering tables: 1.293", 0.0, 101_325.0, 1.293, 0.0005),
    ("dry air at 0 °C, one atmosphere: 1.293046", 0.0, 101_325.0, 1.293046, 5e-6),
    ("dry air at 15 °C, one atmosphere: 1.225519", 15.0, 101_325.0, 1.225519, 5e-6),
    ("dry air at 20 °C, one atmosphere: 1.2046", 20.0, 101_325.0, 1.2046, 0.00005),
)

# Equation (2) of Picard et al. 2008, Metrologia 45, 149: the constants condensed,
# density = [3.483740 + 1.4446 (x_CO2 - 0.0004)] * p/(Z T) * (1 - 0.3780 x_v) * 1e-3. Read in the R
# package masscor 0.0.7.1, R/airDensity.R, and the package phonometry (IEC 61094-2, annex F).
CONDENSED = (3.483740e-3, 1.4446e-3, 0.3780)

# Relative sensitivities at 20 °C, one atmosphere and half saturated, one digit each: per Pa, per K,
# per unit of relative humidity, per mole fraction of CO2; and the half of that digit. National
# Physical Laboratory (UK), How is air density determined?: 0.5 hPa goes with 500 ppm, 0.1 °C with
# 360 ppm, 50 ppm CO2 with 21 ppm. Humidity is worked anew (-8.7e-3), from memory.
SENSITIVITIES = {
    "pressure": (1e-5, 0.05e-5),
    "temperature": (-4e-3, 0.5e-3),
    "humidity": (-9e-3, 0.5e-3),
    "carbon dioxide": (0.4, 0.05),
}
