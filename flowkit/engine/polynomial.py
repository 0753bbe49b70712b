"""A smooth cam from a handful of numbers: the 2-6-8 lift polynomial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.errors import EngineError

__all__ = ["LiftPolynomial"]


@dataclass(frozen=True, slots=True)
class LiftPolynomial:
    """Lift by a polynomial with lift, velocity and acceleration zero at both ends (model).

    With x = (θ − centre)/(half duration): L = peak·(1 − 2x² + 2x⁶ − x⁸) for |x| < 1, else 0;
    dL/dx = −4x·(1 − x²)²·(1 + 2x²), so it rises and falls once and is twice continuously
    differentiable everywhere. Its mean over the duration is 0.508 of the peak.

    Attributes
    ----------
    peak_m : float
        Largest lift [m].
    centre_deg : float
        Crank angle of the largest lift [degrees].
    half_duration_deg : float
        From the centre to the end of lift [degrees of crank].

    Examples
    --------
    >>> polynomial = LiftPolynomial(0.010, 468.0, 130.0)
    >>> polynomial.lift([468.0, 598.0]).tolist()
    [0.01, 0.0]
    """

    peak_m: float
    centre_deg: float
    half_duration_deg: float

    def lift(self, theta_deg: ArrayLike) -> NDArray[np.float64]:
        """Return the lift [m] at crank angles [degrees], one period only."""
        x = np.clip((np.asarray(theta_deg, dtype=float) - self.centre_deg) / self.half_duration_deg, -1.0, 1.0)
        square = x * x
        shape = 1 - square * (2 - square * square * (2 - square))
        # Rounding leaves −1e−16 just inside the ends.
        return self.peak_m * np.maximum(shape, 0.0)

    @classmethod
    def through(cls, *, opens_deg: float, closes_deg: float, checking_lift_m: float, peak_m: float) -> LiftPolynomial:
        """Return the polynomial that has the checking lift at two crank angles.

        Parameters
        ----------
        opens_deg, closes_deg : float
            Where the checking lift is reached and left [degrees of crank].
        checking_lift_m : float
            Zero where the angles are the ends of lift [m].
        peak_m : float
            Largest lift [m], midway.

        Raises
        ------
        EngineError
            If the lifts or the angles make no cam.

        Examples
        --------
        >>> cam = LiftPolynomial.through(opens_deg=350, closes_deg=586, checking_lift_m=0.001, peak_m=0.01)
        >>> cam.centre_deg, round(float(cam.lift(350.0)) * 1e3, 9)
        (468.0, 1.0)
        """
        if not 0 <= checking_lift_m < peak_m:
            raise EngineError(
                f"the checking lift of {checking_lift_m * 1e3:g} mm is not below the peak lift of {peak_m * 1e3:g} mm",
                "check both, and their units",
            )
        if not 0 < closes_deg - opens_deg < 600:
            raise EngineError(
                f"the valve would be open from {opens_deg:g}° to {closes_deg:g}° after firing dead centre",
                "check the opening and the closing angle",
            )
        edge = cls.edge(checking_lift_m / peak_m)
        return cls(peak_m, (opens_deg + closes_deg) / 2, (closes_deg - opens_deg) / 2 / edge)

    @staticmethod
    def edge(fraction: float) -> float:
        """Return the x of 0 to 1 at which the polynomial has a fraction of its peak.

        Parameters
        ----------
        fraction : float
            0 to 1 [-].

        Examples
        --------
        >>> LiftPolynomial.edge(0.0), round(LiftPolynomial.edge(1.0), 6)
        (1.0, 0.0)
        """
        if fraction <= 0:
            return 1.0
        low, high = 0.0, 1.0
        for _ in range(60):
            middle = (low + high) / 2
            square = middle * middle
            if 1 - square * (2 - square * square * (2 - square)) > fraction:
                low = middle
            else:
                high = middle
        return high
