"""Factors from one test pressure to another that the trade goes by."""

# Common practice, no source: from inH2O, to inH2O, factor with as many decimals as people use.
COMMON_FACTORS: tuple[tuple[float, float, float, float], ...] = (
    (10.0, 28.0, 1.673, 0.0005),
    (25.0, 28.0, 1.058, 0.0005),
    (12.0, 28.0, 1.528, 0.0005),
    (28.0, 10.0, 0.598, 0.0005),
    (28.0, 25.0, 0.945, 0.0005),
)

# Ventilation handbooks: V [ft/min] = 4005 sqrt(VP [inH2O]) for standard air of 0.075 lb/ft3.
# Read on pages that quote ACGIH, Industrial Ventilation. Their inch of water is that of water at
# 68 °F, 0.1 % lighter than the conventional one, and 4005 is rounded: hence 0.1 %.
VENTILATION_CONSTANT = 4005.0
VENTILATION_STANDARD_AIR_LB_FT3 = 0.075
VENTILATION_TOLERANCE = 0.001

# By how much the square-root law gives more than the isentropic nozzle from 10 to 28 inH2O at
# 101 325 Pa, to the printed decimal: what the method states of itself, held here against the
# expansion factor of ISO 5167 (nozzles) and API 520 in the tests.
LAW_DIFFERENCE_10_TO_28 = {"intake": (0.025, 0.0005), "exhaust": (0.002, 0.0005)}
