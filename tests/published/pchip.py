"""Areas under monotone cubics, worked by hand with fractions.

Slopes after F. N. Fritsch and J. Butland, "A method for constructing local monotone piecewise cubic
interpolants", SIAM J. Sci. Stat. Comput. 5 (1984) 300-304, as used in PCHIM (weights w1 = 2h_k +
h_(k-1), w2 = h_k + 2h_(k-1) in the harmonic mean), at the ends the three-point formula kept to the
shape (C. Moler, Numerical Computing with MATLAB (2004), section 3.6); both read in scipy 1.17.1,
scipy/interpolate/_cubic.py. Each interval adds h·(y0 + y1)/2 + h²·(d0 − d1)/12. The results are
exact fractions.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Worked:
    """Points with the slopes and the area that follow from them."""

    name: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    slopes: tuple[Fraction, ...]
    area: Fraction


F = Fraction
WORKED = (
    Worked("a straight line", (1.0, 2.0, 4.0, 7.0), (3.0, 5.0, 9.0, 15.0), (F(2),) * 4, F(54)),
    # δ = 1, 2: d1 = (3 + 3)/(3/1 + 3/2); d0 = (3·1 − 2)/2; d2 = (3·2 − 1)/2
    Worked("three points, equal steps", (0.0, 1.0, 2.0), (0.0, 1.0, 3.0), (F(1, 2), F(4, 3), F(5, 2)), F(7, 3)),
    # δ = 2, 1/2, h = 1, 2: w1 = 5, w2 = 4: d1 = 9/(5/2 + 8); d0 = (4·2 − 1/2)/3;
    # d2 = (5·1/2 − 2·2)/3 has the wrong sign, so 0
    Worked(
        "three points, unequal steps", (0.0, 1.0, 3.0), (0.0, 2.0, 3.0), (F(5, 2), F(6, 7), F(0)), F(6) + F(71, 168)
    ),
    # δ = 2, 1, 0: a plateau: d2 = 0, d3 would be −1/2 and is 0
    Worked(
        "four points with a plateau",
        (0.0, 1.0, 2.0, 3.0),
        (0.0, 2.0, 3.0, 3.0),
        (F(5, 2), F(4, 3), F(0), F(0)),
        F(161, 24),
    ),
    # δ = 1, −4: d1 = 0 at the peak, d0 = 7/2 is cut to 3·δ0 = 3, d2 = −13/2
    Worked("a peak", (0.0, 1.0, 2.0), (5.0, 6.0, 2.0), (F(3), F(0), F(-13, 2)), F(19, 2) + F(19, 24)),
)
"""The last one's area: 5.5 + 3/12 + 4 + 6.5/12."""
