"""Student's t for a coverage probability, two-sided, as printed.

NIST TN 1297 (Taylor & Kuyatt 1994), appendix B, table B.1, columns 95 % and 99 %, read on NIST's
page; the same table as JCGM 100:2008 (GUM), G.2. Two decimals are printed up to 50 degrees of
freedom, three from 100 on.
"""

import math

# degrees of freedom, t for 95 %, t for 99 %
T: tuple[tuple[float, float, float], ...] = (
    (1, 12.71, 63.66),
    (2, 4.30, 9.92),
    (3, 3.18, 5.84),
    (4, 2.78, 4.60),
    (5, 2.57, 4.03),
    (6, 2.45, 3.71),
    (7, 2.36, 3.50),
    (8, 2.31, 3.36),
    (9, 2.26, 3.25),
    (10, 2.23, 3.17),
    (11, 2.20, 3.11),
    (12, 2.18, 3.05),
    (13, 2.16, 3.01),
    (14, 2.14, 2.98),
    (15, 2.13, 2.95),
    (16, 2.12, 2.92),
    (17, 2.11, 2.90),
    (18, 2.10, 2.88),
    (19, 2.09, 2.86),
    (20, 2.09, 2.85),
    (25, 2.06, 2.79),
    (30, 2.04, 2.75),
    (35, 2.03, 2.72),
    (40, 2.02, 2.70),
    (45, 2.01, 2.69),
    (50, 2.01, 2.68),
)
T_ROUNDING = 0.005

T_FINE: tuple[tuple[float, float, float], ...] = (
    (100, 1.984, 2.626),
    (math.inf, 1.960, 2.576),
)
T_FINE_ROUNDING = 0.0005
