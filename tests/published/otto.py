"""Thermal efficiency of the air-standard Otto cycle, as textbooks print it.

1 - r**(1 - gamma) with gamma = 1.4: read on open pages of thermodynamics; the three decimals as
textbooks print them (J. B. Heywood, Internal Combustion Engine Fundamentals (1988), eq. 5.31, from
memory).
"""

# Compression ratio, efficiency, half a unit of the last digit.
EFFICIENCY: tuple[tuple[float, float, float], ...] = ((8.0, 0.565, 5e-4), (10.0, 0.602, 5e-4))
