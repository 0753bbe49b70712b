"""Figures of ISO 5167 and API 520, read in the tests of the package fluids 1.3.1 (test_flow_meter.py, test_safety_valve.py)."""

# ruff: noqa: E501

# ISO 5167-3:2003, table of C of the ISA 1932 nozzle; Re_D, then a row a diameter ratio.
ISA_1932_REYNOLDS = (2e4, 3e4, 5e4, 7e4, 1e5, 3e5, 1e6, 2e6, 1e7)
ISA_1932_C = {
    0.44: (0.9616, 0.9692, 0.9750, 0.9773, 0.9789, 0.9813, 0.9820, 0.9821, 0.9822),
    0.50: (0.9542, 0.9626, 0.9689, 0.9715, 0.9733, 0.9758, 0.9766, 0.9767, 0.9768),
    0.80: (0.9162, 0.9100, 0.9053, 0.9034, 0.9020, 0.9001, 0.8996, 0.8995, 0.8994),
}
# ISO 5167-3:2003, table of C of the long-radius nozzle.
LONG_RADIUS_REYNOLDS = (1e4, 2e4, 5e4, 1e5, 2e5, 5e5, 1e6, 5e6, 1e7)
LONG_RADIUS_C = {
    0.20: (0.9673, 0.9759, 0.9834, 0.9873, 0.9900, 0.9924, 0.9936, 0.9952, 0.9956),
    0.50: (0.9503, 0.9639, 0.9759, 0.9819, 0.9862, 0.9900, 0.9919, 0.9944, 0.9950),
    0.80: (0.9381, 0.9552, 0.9704, 0.9780, 0.9834, 0.9882, 0.9907, 0.9939, 0.9947),
}
C_TOLERANCE = 0.5001e-4  # the tables print four decimals

# ISO 5167-2 and -3: D 0.0739 m, d 0.0222 m, 100 to 99 kPa, κ 1.4; the orifice's is noted there as checked against
# a value in the standard.
EXPANSIBILITY = {"orifice": 0.99747, "nozzle": 0.99457}
EXPANSIBILITY_TOLERANCE = 0.5001e-5

# The package's own regression values of Reader-Harris/Gallagher, not a print: D, d [m], ρ, μ, kg/s, C by taps.
READER_HARRIS = (
    0.07391,
    0.0222,
    1.16459,
    1.85862e-5,
    0.124432,
    {"corner": 0.60001, "D and D/2": 0.59882, "flange": 0.59900},
)

# API 520, part I, worked example of critical flow: 24 270 kg/h, 348 K, Z 0.90, M 51 g/mol, k 1.11, 670 kPa, K_d 0.975.
API_520_CRITICAL = {
    "kg_h": 24_270.0,
    "k": 348.0,
    "z": 0.90,
    "molar_mass": 0.051,
    "gamma": 1.11,
    "pa": 670e3,
    "kd": 0.975,
}
API_520_AREA_MM2 = 3699.0
API_520_TOLERANCE_MM2 = 2.0  # the example goes through a constant of three figures
