"""Control charts and pooled variances, as published.

EWMA: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (pmc324.htm; doi 10.18434/M32189), two decimals; the
limits are printed with the factor rounded to 0.4201. Individuals: the same, 6.3.2.2, in form 3/1.128 = 2.66 times the
mean moving range; D4 of the ranges and c4 after the ASTM Manual on Presentation of Data and Control Chart Analysis
(1976), as Triola, Elementary Statistics, table 14-2, prints them.
"""

EWMA_WEIGHT, EWMA_TARGET, EWMA_S = 0.3, 50.0, 2.0539
EWMA_DATA = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
)  # fmt: skip
EWMA = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
    50.73, 51.23, 51.94, 51.99,
)  # fmt: skip
EWMA_LIMITS = (47.4115, 52.5884)

INDIVIDUALS_FACTOR = 2.66
D4_OF_TWO = 3.267
"""Upper limit of a moving range of two over its mean: 1 + 3·d3/d2, with d2 = 1.128."""

NIST_SETS = tuple(f"SmLs{number:02}" for number in range(1, 10))
NIST_S = 0.1
"""Certified residual standard deviation of all nine; scipy carries them in stats/tests/data/nist_anova."""
