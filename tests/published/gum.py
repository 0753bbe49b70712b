"""Worked examples of the Guide to the expression of uncertainty in measurement.

JCGM 100:2008 (GUM 1995 with minor corrections). H.1 and H.2 read in the package phonometry,
tests/reference_data (H.1 also in suncal 1.7.0, GTC 1.5.1 and R propagate; H.2 in R errors 0.4.4,
data GUM.H.2), the data of H.5 and its scatter within a day in suncal 1.7.0, test/test_dataset.py.
G.4.1 and the shift from day to day (H.5) are from memory, worked anew. Rounding is that of the
printed figures.
"""

# H.1 End-gauge calibration: l = l_S + d - l_S·(δα·θ + α_S·δθ).
# name, estimate, standard uncertainty, degrees of freedom (lengths in nm, temperatures in °C).
# The uncertainties of α_S and θ have no first-order share, their partners' estimates being zero.
END_GAUGE: tuple[tuple[str, float, float, float], ...] = (
    ("length of the standard", 50_000_623.0, 25.0, 18.0),
    ("difference of lengths", 215.0, 9.7, 25.6),
    ("difference of expansion coefficients", 0.0, 0.58e-6, 50.0),
    ("deviation of temperature", -0.1, 0.41, float("inf")),
    ("expansion coefficient of the standard", 11.5e-6, 1.2e-6, float("inf")),
    ("difference of temperatures", 0.0, 0.029, 2.0),
)
END_GAUGE_LENGTH_NM = 50_000_838.0
END_GAUGE_UNCERTAINTY_NM = 32.0  # table H.1, H.1.4
END_GAUGE_DEGREES_OF_FREEDOM = 16  # H.1.6: 16.7, cut down to 16
END_GAUGE_INNER_FREEDOM = 25.6  # of the difference of lengths below; read in GTC 1.5.1, examples/GUM_H1.py
END_GAUGE_U99_NM = 93.0  # H.1.6, 2.92 × 32 nm
# H.1.3: the difference of lengths is itself put together: comparator (5 repeats pooled with 24
# degrees of freedom), its random and its systematic effects.
END_GAUGE_DIFFERENCE: tuple[tuple[float, float], ...] = ((5.8, 24.0), (3.9, 5.0), (6.7, 8.0))
# The same unrounded, as H.1.3.2 puts them together (from memory): 13 nm pooled, mean of five; 0.01 µm at 95 % with
# t95(5) = 2.57; 0.02 µm at three standard deviations.
END_GAUGE_DIFFERENCE_PARTS: tuple[tuple[float, float], ...] = ((13 / 5**0.5, 24.0), (10 / 2.57, 5.0), (20 / 3, 8.0))
END_GAUGE_DIFFERENCE_NM = 9.7
END_GAUGE_DIFFERENCE_FREEDOM = 25.6

# H.2 Simultaneous resistance and reactance measurement: five sets of V [V], I [A], φ [rad].
# Table H.2.
VOLTAGE = (5.007, 4.994, 5.005, 4.990, 4.999)
CURRENT = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
PHASE = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)
# means with experimental standard deviations of the mean, as printed
MEANS = (4.9990, 19.6610e-3, 1.04446)
MEANS_UNCERTAINTY = (0.0032, 0.0095e-3, 0.00075)
MEANS_ROUNDING = (0.00005, 0.00005e-3, 0.000005)
UNCERTAINTY_ROUNDING = (0.00005, 0.00005e-3, 0.000005)
CORRELATION_VI, CORRELATION_VPHI, CORRELATION_IPHI = -0.36, 0.86, -0.65
CORRELATION_ROUNDING = 0.005
# Table H.3 (table H.4 gives the same by the second approach): R = V/I·cosφ, X = V/I·sinφ, Z = V/I.
# name, value [ohm], standard uncertainty [ohm]
IMPEDANCE: tuple[tuple[str, float, float], ...] = (
    ("R", 127.732, 0.071),
    ("X", 219.847, 0.295),
    ("Z", 254.260, 0.236),
)
IMPEDANCE_ROUNDING = 0.0005
# The first approach with nothing rounded on the way gives u(X) = 0.29558, the second 0.29549: the
# Guide prints 0.295 for both, so uncertainties are held to one unit of the last printed digit.
IMPEDANCE_UNCERTAINTY_TOLERANCE = 0.001

# G.4.1, note: Y = b·X1·X2·X3, relative standard uncertainties [%] of the means of 10, 5, 15 readings.
PRODUCT: tuple[tuple[float, float], ...] = ((0.25, 9.0), (0.57, 4.0), (0.82, 14.0))
PRODUCT_UNCERTAINTY = 1.03
PRODUCT_FREEDOM = 19.0
PRODUCT_U95 = 2.2

# H.5 Analysis of variance: a Zener voltage standard, 10 days, 5 observations a day, table H.9.
# Mean of the day [V] and experimental standard deviation of the day's observations [V].
ZENER: tuple[tuple[float, float], ...] = (
    (10.000172, 60e-6),
    (10.000116, 77e-6),
    (10.000013, 111e-6),
    (10.000144, 101e-6),
    (10.000106, 67e-6),
    (10.000031, 93e-6),
    (10.000060, 80e-6),
    (10.000125, 73e-6),
    (10.000163, 88e-6),
    (10.000041, 86e-6),
)
ZENER_BETWEEN_V = 43e-6  # H.5.2.5, s_B
ZENER_WITHIN_V = 85e-6  # s_W
ZENER_ROUNDING_V = 0.5e-6
