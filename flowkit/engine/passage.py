"""A valve's effective area against crank angle, for all variants at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.engine.cam import Cam
from flowkit.engine.cylinder import cylinder_volume
from flowkit.engine.data import EngineData

__all__ = ["BOTH", "EXHAUST", "INTAKE", "AreaCurve", "Passage", "PassagePair"]

Array = NDArray[np.float64]

INTAKE, EXHAUST, BOTH = slice(0, 1), slice(1, 2), slice(0, 2)
"""Which valves are open."""

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
    """Intake, exhaust and the cylinder's volume asked together, at a crank angle of its own for every lane.

    Parameters
    ----------
    intake, exhaust : Passage
        Of the same variants.
    engine : EngineData
        For the volume, which is tabulated over the whole cycle within 1e-9.
    """

    def __init__(self, intake: Passage, exhaust: Passage, engine: EngineData) -> None:
        from scipy.interpolate import CubicSpline

        theta = np.linspace(0.0, 720.0, CELLS + 1)
        volume = CubicSpline(theta, cylinder_volume(engine, theta), bc_type="periodic").c[:, None, :]
        padded = np.broadcast_to(np.pad(volume, ((0, 0), (0, 0), (1, 1)), mode="edge"), intake.coefficients.shape)
        # The volume stands in the middle: with it, either valve alone is a slice.
        table = np.stack((intake.coefficients, padded, exhaust.coefficients))
        # One row of four coefficients for each cell of each variant of each curve.
        self._rows = np.ascontiguousarray(np.moveaxis(table, 1, 3)).reshape(-1, 4)
        cells = table.shape[3]
        self._first_row = (np.arange(3 * intake.variants) * cells + 1).reshape(3, 1, intake.variants, 1)
        self._opens = np.array([intake.opens_deg, 0.0, exhaust.opens_deg]).reshape(3, 1, 1, 1)
        spans = [intake.closes_deg - intake.opens_deg, 720.0, exhaust.closes_deg - exhaust.opens_deg]
        self._cell_deg = np.array(spans).reshape(3, 1, 1, 1) / CELLS
        self._per_cell = 1.0 / self._cell_deg

    def at(self, theta_deg: Array, valves: slice = BOTH) -> tuple[Array, Array, Array]:
        """Return what is to be had at crank angles [degrees].

        Parameters
        ----------
        theta_deg : array, shape (copies, variants, speeds)
            From 0 to 720 after firing dead centre.
        valves : slice, optional
            INTAKE, EXHAUST or BOTH.

        Returns
        -------
        tuple of (effective areas [m²] of shape (valves, …), volume [m³], dV/dθ [m³ per degree])
        """
        where = slice(valves.start, valves.stop + 1)
        place = (theta_deg - self._opens[where]) * self._per_cell[where]
        cell = np.floor(np.minimum(np.maximum(place, -1.0), CELLS))
        x = (place - cell) * self._cell_deg[where]
        c = self._rows.take(cell.astype(np.intp) + self._first_row[where], axis=0)
        values = ((c[..., 0] * x + c[..., 1]) * x + c[..., 2]) * x + c[..., 3]
        middle = 1 - valves.start
        c, x = c[middle], x[middle]
        rate = (3.0 * c[..., 0] * x + 2.0 * c[..., 1]) * x + c[..., 2]
        areas = values[::2] if valves == BOTH else values[valves.start : valves.start + 1]
        return areas, values[middle], rate
