"""A one-way analysis of variance, worked through.

NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3.4 (prc434.htm): three levels of a treatment
with five readings each, and the table of the analysis. Read on the page, which prints the raw sum
of squares as 829.390 (a slip: 779.041 + 45.349 is 824.390); `tests/analysis/test_repeatability.py`
sums the readings up and meets every printed figure, which no slip in a reading would let through.
"""

READINGS: tuple[tuple[float, ...], ...] = (
    (6.9, 5.4, 5.8, 4.6, 4.0),
    (8.3, 6.8, 7.8, 9.2, 6.5),
    (8.0, 10.5, 8.1, 6.9, 9.3),
)
CORRECTION_FOR_THE_MEAN = 779.041
TOTAL_SS, TREATMENT_SS, ERROR_SS = 45.349, 27.897, 17.452
TREATMENT_MS, ERROR_MS = 13.949, 1.454
ERROR_FREEDOM = 12
ROUNDING = 0.0005
