"""Worked examples of the Guide to the expression of uncertainty in measurement.

JCGM 100:2008 (GUM 1995 with minor corrections). H.1 read in the package phonometry, tests/reference_data (also in
suncal 1.7.0, GTC 1.5.1 and R propagate), the data of H.5 and its scatter within a day in suncal, test/test_dataset.py.
G.4.1 and the shift from day to day (H.5) are from memory, worked anew. Rounding is that of the printed figures.
"""

# H.1 End-gauge calibration, table H.1: the shares of the inputs [nm] with their degrees of freedom.
END_GAUGE_SHARES: tuple[tuple[float, float], ...] = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))
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
END_GAUGE_DIFFERENCE_FREEDOM = 25.6

# G.4.1, note: Y = b·X1·X2·X3, relative standard uncertainties [%] of the means of 10, 5, 15 readings.
PRODUCT: tuple[tuple[float, float], ...] = ((0.25, 9.0), (0.57, 4.0), (0.82, 14.0))
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
