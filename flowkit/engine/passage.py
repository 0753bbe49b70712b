"""A valve's effective area against crank angle, for all variants at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.cam import Cam

__all__ = ["AreaCurve", "Passage", "PassagePair"]

Array = NDArray[np.float64]

AreaCurve = Callable[[Array], Array]
"""Effective area [m²] at valve lifts [m]."""

CELLS = 1536
"""Cells an open period is tabulated in."""


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Effective areas of one valve of every variant, tabulated over the open period.

    Attributes
    ----------
    opens_deg, closes_deg : float
        [degrees after firing dead centre]
    coefficients : array, shape (4, variants, cells + 2)
        A monotone cubic in each cell, highest power first, of degrees from the cell's start; the
        first and the last cell stand for the closed valve.
    """

    opens_deg: float
    closes_deg: float
    coefficients: Array

    @classmethod
    def tabulate(cls, cam: Cam, areas: Sequence[AreaCurve], *, scale: float = 1.0) -> Passage:
        """Tabulate areas over the open period of a cam.

        Parameters
        ----------
        cam : Cam
        areas : sequence of callable
            One per variant: effective area [m²] at valve lifts [m].
        scale : float, optional
            Valves per cylinder.

        Examples
        --------
        >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.01)
        >>> Passage.tabulate(cam, [lambda lift: 0.1 * lift]).coefficients.shape
        (4, 1, 1538)
        """
        from scipy.interpolate import PchipInterpolator

        theta = cam.open_angles(CELLS + 1)
        lift = cam.lift(theta)
        lift[0] = lift[-1] = 0.0
        table = np.stack([scale * curve(lift) for curve in areas], axis=-1)
        cubics = np.moveaxis(PchipInterpolator(theta, table, axis=0).c, 1, 2)
        return cls(float(theta[0]), float(theta[-1]), np.pad(cubics, ((0, 0), (0, 0), (1, 1))))

    @property
    def variants(self) -> int:
        """Number of variants."""
        return int(self.coefficients.shape[1])


class PassagePair:
    """Intake and exhaust asked together, at a crank angle of its own for every lane.

    Parameters
    ----------
    intake, exhaust : Passage
        Of the same variants.
    """

    def __init__(self, intake: Passage, exhaust: Passage) -> None:
        table = np.stack((intake.coefficients, exhaust.coefficients))
        # One row of four coefficients for each cell of each variant of each valve.
        self._rows = np.ascontiguousarray(np.moveaxis(table, 1, 3)).reshape(-1, 4)
        cells = table.shape[3]
        self._first_row = (np.arange(2 * intake.variants) * cells + 1).reshape(2, 1, intake.variants, 1)
        self._opens = np.array([intake.opens_deg, exhaust.opens_deg]).reshape(2, 1, 1, 1)
        spans = [intake.closes_deg - intake.opens_deg, exhaust.closes_deg - exhaust.opens_deg]
        self._cell_deg = np.array(spans).reshape(2, 1, 1, 1) / CELLS
        self._per_cell = 1.0 / self._cell_deg

    def areas(self, theta_deg: Array, valves: slice = slice(0, 2)) -> Array:
        """Return effective areas [m²] at crank angles [degrees], shape (valves, copies, variants, speeds)."""
        place = (theta_deg - self._opens[valves]) * self._per_cell[valves]
        cell = np.floor(np.minimum(np.maximum(place, -1.0), CELLS))
        x = (place - cell) * self._cell_deg[valves]
        c = self._rows.take(cell.astype(np.intp) + self._first_row[valves], axis=0)
        return np.asarray(((c[..., 0] * x + c[..., 1]) * x + c[..., 2]) * x + c[..., 3])
