"""Minimum areas of poppet valves, worked by hand from the equations of the book.

J. B. Heywood, Internal Combustion Engine Fundamentals (1988), section 6.3.1, equations (6.7) to
(6.9); the equations are from memory, the figures were worked with a desk calculator (bc) from
them and not with this package. w is Heywood's, measured radially. Figures are given to two
decimals of a square millimetre and four of a millimetre, the tolerances are half the last digit.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Worked:
    """A valve (mm, degrees) with what the equations give for it (mm², mm)."""

    head: float
    throat: float
    stem: float
    angle: float
    radial_width: float
    seat: tuple[tuple[float, float], ...]
    throat_area: float
    takeover: float


WORKED = (
    # π·2·cos45°·(40 − 4 + 1); at the border of the regions L = 2/(sin45°·cos45°) = 4 both give
    # π·4·cos45°·38 = π·38·sqrt(2² + 2²); π·38·sqrt((8 − 2)² + 2²)
    Worked(40.0, 36.0, 8.0, 45.0, 2.0, ((2.0, 164.39), (4.0, 337.66), (8.0, 755.03)), 967.61, 9.8546),
    # π·2·cos30°·(34 − 3 + sin60°); π·32.5·sqrt((6 − 1.5·tan30°)² + 1.5²)
    Worked(34.0, 30.0, 7.0, 30.0, 1.5, ((2.0, 173.40), (6.0, 546.10)), 668.37, 7.2380),
    # a seat so wide that the throat takes over in the lower region: ½L² + 28L = 84/cos45°
    Worked(40.0, 20.0, 8.0, 45.0, 6.0, (), 263.89, 3.9623),
)
AREA_ROUNDING = 0.005
LIFT_ROUNDING = 0.00005
