"""Sample sizes for comparing two means, two-sided at 5 %, power 80 %.

J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, table 2.4.1 (a2 =
0.05, power 0.80). Read on medicalalgorithms.com and in the statistics wiki of the MRC Cognition and Brain
Sciences Unit; the number of the table is not verified
(d = 0.2, 0.5, 0.8: "small, medium, large"). Whole numbers in each of the two groups.
"""

# difference of the means over the standard deviation, readings in each group
SAMPLE_SIZES: tuple[tuple[float, int], ...] = ((0.2, 393), (0.5, 64), (0.8, 26), (1.0, 17))
POWER = 0.80
