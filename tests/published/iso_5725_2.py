"""Repeatability of a standard method, worked through.

ISO 5725-2:1994, annex B.1, sulfur content of coal, level 1: eight laboratories' readings [% m/m].
From memory; `tests/analysis/test_repeatability.py` goes the standard's way (7.4.5) from the
readings to its five printed sums, which no slip in a reading would let through.
"""

COAL: tuple[tuple[float, ...], ...] = (
    (0.71, 0.71, 0.70, 0.71),
    (0.69, 0.67, 0.68),
    (0.66, 0.65, 0.69),
    (0.67, 0.65, 0.66),
    (0.70, 0.69, 0.66, 0.71, 0.69),
    (0.73, 0.74, 0.73),
    (0.71, 0.71, 0.69),
    (0.70, 0.65, 0.68),
)
# Of the cells' means and standard deviations, rounded to three decimals as the standard has them.
SUMS = {"T1": 18.642, "T2": 12.8837, "T3": 27, "T4": 95, "T5": 0.004411}
REPEATABILITY = 0.015
REPRODUCIBILITY = 0.026
ROUNDING = 0.0005
