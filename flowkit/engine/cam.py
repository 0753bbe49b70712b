"""The cam: valve lift against crank angle, measured or from its timing.

Crank angles count from firing top dead centre as in Heywood (1988): gas-exchange top dead centre at 360°, the whole
cycle 720°. Valve lift = lift × rocker ratio (where it was measured at the cam) − lash, never below zero. A table of
degrees and lift is arranged from closed to closed. A job's ``[cam]`` is read here too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.lifts import pchip
from flowkit.engine.results import BandTime
from flowkit.errors import EngineError, JobError, SheetError
from flowkit.fields import read_keys
from flowkit.importers.files import read_grids
from flowkit.importers.files.grid import CellValue, Grid
from flowkit.model import Side
from flowkit.units import Unit, find_unit, number, to_si

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True)
class LiftPolynomial:
    """Lift by a polynomial with lift, velocity and acceleration zero at both ends (model).

    With x = (θ − centre)/(half duration): L = peak·(1 − 2x² + 2x⁶ − x⁸) for |x| < 1, else 0;
    dL/dx = −4x·(1 − x²)²·(1 + 2x²), so it rises and falls once and is twice continuously
    differentiable everywhere. Its mean over the duration is 0.508 of the peak.
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
        """Return the polynomial that has the checking lift at two crank angles."""
        if not 0 <= checking_lift_m < peak_m:
            raise EngineError(
                f"at the valve the checking lift of {checking_lift_m * 1e3:g} mm is not below the peak lift of "
                f"{peak_m * 1e3:g} mm",
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
        """Return the x of 0 to 1 at which the polynomial has a fraction of its peak."""
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


GAS_EXCHANGE_TDC = 360.0
"""Crank angle of the top dead centre between exhaust and intake [degrees after firing dead centre]."""


@dataclass(frozen=True)
class Cam:
    """Lift of one valve against crank angle.

    Make one with `from_table`, `from_file` or `from_timing`.

    Attributes
    ----------
    name : str
        As it is called in findings and plots.
    angles_deg : tuple of float
        Crank angles after firing dead centre, rising [degrees].
    lifts_m : tuple of float
        At the valve, before the lash is taken off [m].
    lash_m : float
        [m]
    polynomial : LiftPolynomial or None
        Where the cam is the model from its timing.
    notes : tuple of str
        What was assumed when it was read.
    timing_notes : tuple of str
        How signs in its valve events were understood.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=348, closes_deg=592, checking_lift_m=0.001, peak_lift_m=0.0095)
    >>> round(float(cam.lift(348.0)) * 1e3, 6), round(cam.peak_lift_m * 1e3, 6)
    (1.0, 9.5)
    """

    name: str
    angles_deg: tuple[float, ...]
    lifts_m: tuple[float, ...]
    lash_m: float = 0.0
    polynomial: LiftPolynomial | None = None
    notes: tuple[str, ...] = ()
    timing_notes: tuple[str, ...] = ()
    _spline: Any = field(init=False, repr=False, compare=False, default=None)
    _period: tuple[float, float] = field(init=False, repr=False, compare=False, default=(0.0, 0.0))

    def __post_init__(self) -> None:
        if self.polynomial is None:
            object.__setattr__(self, "_spline", pchip(self.angles_deg, self.lifts_m))
        object.__setattr__(self, "_period", self._find_period())

    # --- making one ------------------------------------------------------------------

    @classmethod
    def from_table(
        cls,
        angles_deg: Sequence[float],
        lifts_m: Sequence[float],
        *,
        degrees: Literal["crank", "cam"] = "crank",
        lift_at: Literal["valve", "cam"] = "valve",
        rocker_ratio: float = 1.0,
        lash_m: float = 0.0,
        zero: Literal["gas exchange TDC", "firing TDC"] | None = None,
        centreline_deg: float | None = None,
        name: str = "cam",
        notes: tuple[str, ...] = (),
        timing_notes: tuple[str, ...] = (),
    ) -> Cam:
        """Make a cam of a measured lift table."""
        factor = rocker_ratio if lift_at == "cam" else 1.0
        angles, lifts = arrange_table(
            angles_deg,
            [lift * factor for lift in lifts_m],
            cam_degrees=degrees == "cam",
            lash_m=lash_m,
            zero_deg={"gas exchange TDC": GAS_EXCHANGE_TDC, "firing TDC": 0.0, None: None}[zero],
            centre_deg=None if centreline_deg is None else GAS_EXCHANGE_TDC + centreline_deg,
            name=name,
        )
        return cls(name, angles, lifts, lash_m, None, notes, timing_notes)

    @classmethod
    def from_timing(
        cls,
        *,
        opens_deg: float,
        closes_deg: float,
        checking_lift_m: float,
        peak_lift_m: float,
        lift_at: Literal["valve", "cam"] = "valve",
        rocker_ratio: float = 1.0,
        lash_m: float = 0.0,
        name: str = "cam",
        timing_notes: tuple[str, ...] = (),
    ) -> Cam:
        """Make a smooth cam of its timing (model: the 2-6-8 polynomial, symmetrical)."""
        factor = rocker_ratio if lift_at == "cam" else 1.0
        shape = LiftPolynomial.through(
            opens_deg=opens_deg,
            closes_deg=closes_deg,
            checking_lift_m=checking_lift_m * factor,
            peak_m=peak_lift_m * factor,
        )
        if lash_m >= shape.peak_m:
            raise EngineError(f"{name}: the lash is not below the peak lift", "check both, and their units")
        ends = (shape.centre_deg - shape.half_duration_deg, shape.centre_deg + shape.half_duration_deg)
        angles = np.linspace(*ends, 241)
        return cls(name, tuple(angles.tolist()), tuple(shape.lift(angles).tolist()), lash_m, shape, (), timing_notes)

    @classmethod
    def from_file(cls, path: str | Path, *, lift_unit: str | None = None, sheet: str | None = None, **how: Any) -> Cam:
        """Make a cam of a table in a file."""
        table = read_cam_table(Path(path), lift_unit=lift_unit, sheet=sheet)
        how.setdefault("name", table.file)
        return cls.from_table(table.angles_deg, table.lifts_m, notes=table.notes, **how)

    # --- asking it -------------------------------------------------------------------

    def lift(self, theta_deg: ArrayLike) -> NDArray[np.float64]:
        """Return the valve lift [m] at crank angles [degrees after firing dead centre], of period 720°."""
        theta = self._in_period(np.asarray(theta_deg, dtype=float))
        return np.maximum(self._train_lift(theta) - self.lash_m, 0.0)

    def moved(self, crank_deg: float) -> Cam:
        """Return the cam turned later by crank degrees; earlier where they are negative."""
        shape = self.polynomial
        if shape is not None:
            shape = replace(shape, centre_deg=shape.centre_deg + crank_deg)
        angles = tuple(angle + crank_deg for angle in self.angles_deg)
        return replace(self, angles_deg=angles, polynomial=shape)

    @property
    def open_period(self) -> tuple[float, float]:
        """First and last crank angle with the valve open [degrees after firing dead centre]."""
        return self._period

    @property
    def peak_lift_m(self) -> float:
        """Largest valve lift [m]."""
        if self.polynomial is not None:
            return self.polynomial.peak_m - self.lash_m
        return max(self.lifts_m) - self.lash_m  # a monotone interpolant has no peak between the points

    def open_angles(self, count: int = 4001) -> NDArray[np.float64]:
        """Return crank angles spread evenly over the open period [degrees], shape (count,)."""
        return np.linspace(*self.open_period, count)

    def time_in_bands(self, edges_m: Sequence[float] | None = None) -> tuple[BandTime, ...]:
        """Return how long the valve stays in each band of lift."""
        return time_in_bands(self, edges_m)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the valve lift against crank angle."""
        from flowkit.engine.results import plot_cams

        return plot_cams([self], ax=ax)

    # --- inside ----------------------------------------------------------------------

    def _in_period(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bring crank angles into the 720° that begin where the table does."""
        start = self.angles_deg[0]
        return np.asarray(start + np.mod(theta - start, 720.0))

    def _train_lift(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the lift before lash, zero outside the table."""
        if self.polynomial is not None:
            return self.polynomial.lift(theta)
        return np.asarray(np.nan_to_num(self._spline(theta), nan=0.0))

    def _find_period(self) -> tuple[float, float]:
        """Find where the valve opens and closes; the interpolant is monotone between its points."""
        if self.polynomial is not None:
            reach = self.polynomial.half_duration_deg * self.polynomial.edge(self.lash_m / self.polynomial.peak_m)
            return self.polynomial.centre_deg - reach, self.polynomial.centre_deg + reach
        above = [index for index, lift in enumerate(self.lifts_m) if lift > self.lash_m]
        if not above or above[0] == 0 or above[-1] == len(self.lifts_m) - 1:
            raise EngineError(f"{self.name}: the lifts do not go from closed to closed", "check them and the lash")
        first, last = above[0], above[-1]
        return self._edge(first - 1, first), self._edge(last + 1, last)

    def _edge(self, closed: int, opened: int) -> float:
        """Return where the lash is taken up between a closed and an open point of the table."""
        out, inside = self.angles_deg[closed], self.angles_deg[opened]
        if self.lifts_m[closed] >= self.lash_m:
            return out
        for _ in range(50):
            middle = (out + inside) / 2
            if float(self._train_lift(np.asarray(middle))) > self.lash_m:
                inside = middle
            else:
                out = middle
        return out


_SAMPLES = 20_000


def time_in_bands(
    cam: Cam,
    edges_m: Sequence[float] | None = None,
    flow: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
) -> tuple[BandTime, ...]:
    """Return how long the valve stays in each band of lift, and what share of the flow it passes."""
    edges = np.linspace(0, cam.peak_lift_m, 11) if edges_m is None else np.asarray(edges_m, dtype=float)
    if edges.size < 2 or np.any(np.diff(edges) <= 0):
        raise EngineError("the edges of the bands of lift do not rise", "give them in rising order")
    opens, closes = cam.open_period
    step = (closes - opens) / _SAMPLES
    lifts = cam.lift(opens + step * (np.arange(_SAMPLES) + 0.5))
    weights = np.full(_SAMPLES, step)
    # The peak itself belongs to the last band.
    place = np.searchsorted(edges, lifts, side="right") - 1
    place[np.isclose(lifts, edges[-1], rtol=0, atol=1e-9)] = edges.size - 2
    flows = weights * flow(lifts) if flow is not None else np.zeros(_SAMPLES)
    total = float(np.sum(flows))
    return tuple(
        BandTime(
            from_m=float(edges[index]),
            to_m=float(edges[index + 1]),
            crank_deg=float(np.sum(weights[place == index])),
            share_of_period=float(np.sum(weights[place == index])) / (closes - opens),
            share_of_flow=float(np.sum(flows[place == index])) / total if flow is not None else None,
        )
        for index in range(edges.size - 1)
    )


_CLOSED_FRACTION = 0.02
"""A table must begin and end below this fraction of its peak, else part of the cam is missing."""

_FEWEST_POINTS = 5
_CYCLE = 720.0


def arrange_table(
    angles_deg: Sequence[float],
    lifts_m: Sequence[float],
    *,
    cam_degrees: bool,
    lash_m: float,
    zero_deg: float | None,
    centre_deg: float | None,
    name: str,
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Order a table, turn it to crank degrees and set it to the crank.

    >>> arrange_table([2, 1, 0, -1, -2], [0, 1e-3, 2e-3, 1e-3, 0], cam_degrees=True, lash_m=0,
    ...               zero_deg=None, centre_deg=470.0, name="cam")[0]
    (466.0, 468.0, 470.0, 472.0, 474.0)
    """
    if (zero_deg is None) == (centre_deg is None):
        raise EngineError(
            f"{name}: it is not certain which crank angle the table starts at",
            'state either zero = "gas exchange TDC" (or "firing TDC") or the centreline, such as "108 ATDC"',
        )
    angles, lifts = np.asarray(angles_deg, dtype=float), np.asarray(lifts_m, dtype=float)
    _check_numbers(angles, lifts, lash_m, name)
    angles = _rising(angles, 360.0 if cam_degrees else _CYCLE, name)
    if angles[0] > angles[-1]:
        angles, lifts = angles[::-1], lifts[::-1]
    if cam_degrees:
        angles = 2 * angles
    angles, lifts = _closed(angles, lifts, lash_m, name)
    shift = centre_deg - _middle(angles, lifts) if centre_deg is not None else zero_deg or 0.0
    angles = angles + shift
    if angles[-1] - angles[0] > _CYCLE + 1e-9:
        raise EngineError(f"{name}: the table is longer than one cycle", "check whether its degrees are the cam's")
    return tuple(angles.tolist()), tuple(lifts.tolist())


def _check_numbers(angles: NDArray[np.float64], lifts: NDArray[np.float64], lash_m: float, name: str) -> None:
    """Refuse tables too short, with gaps, or without lift above the lash."""
    if angles.size != lifts.size or angles.size < _FEWEST_POINTS:
        raise EngineError(f"{name}: a cam needs at least {_FEWEST_POINTS} points of degrees and lift", "measure more")
    if not (np.all(np.isfinite(angles)) and np.all(np.isfinite(lifts))):
        raise EngineError(f"{name}: the table has gaps", "fill them in")
    if np.max(lifts) <= max(lash_m, 0.0):
        raise EngineError(f"{name}: the valve never opens", "check the lifts, the lash and their units")
    if np.min(lifts) < -0.05 * np.max(lifts):
        raise EngineError(f"{name}: the table has negative lifts", "set the gauge to zero on the base circle")


def _rising(angles: NDArray[np.float64], turn: float, name: str) -> NDArray[np.float64]:
    """Unwrap a table that passes through zero, and leave one direction only."""
    steps = np.diff(angles)
    if np.median(steps) < 0:
        return _rising(angles[::-1], turn, name)[::-1]
    wraps = np.flatnonzero(steps < -turn / 2)
    if wraps.size == 1:
        angles = angles.copy()
        angles[wraps[0] + 1 :] += turn
    if np.any(np.diff(angles) <= 0):
        raise EngineError(f"{name}: the degrees do not run in one direction", "sort the table by degrees")
    return angles


def _closed(
    angles: NDArray[np.float64], lifts: NDArray[np.float64], lash_m: float, name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Make sure the table begins and ends with the valve closed."""
    limit = lash_m + _CLOSED_FRACTION * (np.max(lifts) - lash_m)
    for place, lift in (("begins", lifts[0]), ("ends", lifts[-1])):
        if lift > limit:
            raise EngineError(
                f"{name}: the table {place} at a lift of {lift * 1e3:.3g} mm", "give it from closed to closed"
            )
    lifts = np.maximum(lifts, 0.0)
    step = float(np.median(np.diff(angles)))
    if lifts[0] > lash_m:
        angles, lifts = np.concatenate(([angles[0] - step], angles)), np.concatenate(([0.0], lifts))
    if lifts[-1] > lash_m:
        angles, lifts = np.concatenate((angles, [angles[-1] + step])), np.concatenate((lifts, [0.0]))
    return angles, lifts


def _middle(angles: NDArray[np.float64], lifts: NDArray[np.float64]) -> float:
    """Return the middle between equal lifts of 95 % of the peak (common practice, no source)."""
    level = 0.95 * float(np.max(lifts))
    above = np.flatnonzero(lifts >= level)
    first, last = int(above[0]), int(above[-1])
    # The table begins and ends closed, so both neighbours exist and lie below the level.
    rise = np.interp(level, lifts[first - 1 : first + 1], angles[first - 1 : first + 1])
    fall = np.interp(level, lifts[last : last + 2][::-1], angles[last : last + 2][::-1])
    return float(rise + fall) / 2


_FEWEST_ROWS = 5
_ANGLE = re.compile(r"deg|°|angle|crank|\bcam\b", re.IGNORECASE)
_LIFT = re.compile(r"lift|hub", re.IGNORECASE)
_LONGEST_HEADING = 15


@dataclass(frozen=True, slots=True)
class CamTable:
    """What a sheet says of a cam."""

    file: str
    angles_deg: tuple[float, ...]
    lifts_m: tuple[float, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Found:
    """A block of numbers in a grid: its rows, its two columns and its headings."""

    grid: Grid
    rows: tuple[int, ...]
    angle: int
    lift: int
    headings: tuple[str, ...]


def read_cam_table(path: Path, *, lift_unit: str | None = None, sheet: str | None = None) -> CamTable:
    """Read a table of degrees and lift.

    >>> read_cam_table(Path("missing.csv"))
    Traceback (most recent call last):
    ...
    flowkit.errors.SheetError: missing.csv: there is no such file; check the name and the folder.
    """
    grids = [grid for grid in read_grids(path) if sheet is None or grid.sheet == sheet]
    if not grids:
        raise SheetError(f"there is no worksheet {sheet!r}", "check its name", file=path.name)
    found = [block for block in (_find(grid) for grid in grids) if block is not None]
    if not found:
        raise SheetError(
            "there is no table of degrees and lift",
            "write a column of degrees and one of lift, with their headings, in at least five rows",
            file=path.name,
            sheet=sheet,
        )
    if len(found) > 1:
        names = ", ".join(repr(block.grid.sheet) for block in found)
        raise SheetError(f"there is a cam on each of the worksheets {names}", "say which with sheet", file=path.name)
    return _table(found[0], path.name, lift_unit)


def _number(grid: Grid, row: int, column: int) -> float | None:
    """Return a cell's number, or None."""
    value: CellValue = grid.value(row, column)
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, (int, float)):
        return float(value)
    return number(value, decimal_comma=grid.decimal_comma) if isinstance(value, str) else None


def _find(grid: Grid) -> _Found | None:
    """Find the longest run of rows with two numbers, and the headings over it."""
    width = max((len(row) for row in grid.rows), default=0)
    best: tuple[int, ...] = ()
    run: list[int] = []
    for row in [*range(len(grid.rows)), len(grid.rows)]:
        if row < len(grid.rows) and sum(_number(grid, row, column) is not None for column in range(width)) >= 2:
            run.append(row)
            continue
        best, run = (tuple(run), []) if len(run) > len(best) else (best, [])
    if len(best) < _FEWEST_ROWS:
        return None
    columns = [column for column in range(width) if all(_number(grid, row, column) is not None for row in best)]
    if len(columns) < 2:
        return None
    headings = tuple(_heading(grid, best[0], column) for column in range(width))
    return _choose(grid, best, columns, headings)


def _choose(grid: Grid, rows: tuple[int, ...], columns: list[int], headings: tuple[str, ...]) -> _Found:
    """Choose the two columns by their headings; without headings the only two there are."""
    lifts = [column for column in columns if _LIFT.search(headings[column])]
    angles = [column for column in columns if column not in lifts and _ANGLE.search(headings[column])]
    if len(lifts) == 1 and len(angles) == 1:
        return _Found(grid, rows, angles[0], lifts[0], headings)
    if len(columns) == 2:
        return _Found(grid, rows, columns[0], columns[1], headings)
    raise SheetError(
        "it is not certain which columns are degrees and lift",
        'head them "crank degrees" and "lift (mm)", one of each',
        file=grid.file,
        sheet=grid.sheet,
        cell=grid.address(rows[0], columns[0]),
    )


def _heading(grid: Grid, first: int, column: int) -> str:
    """Return the words over a column, those of the nearest rows first."""
    words: list[str] = []
    for row in range(first - 1, max(first - 1 - _LONGEST_HEADING, -1), -1):
        value = grid.value(row, column)
        if value is None and not words:
            continue
        if not isinstance(value, str):
            break
        words.append(value)
        if len(words) == 2:
            break
    return " ".join(reversed(words))


def _unit_in(heading: str) -> Unit | None:
    """Return the unit of length a heading names, in brackets or as a word of its own."""
    parts = [*re.findall(r"[(\[]([^)\]]*)[)\]]", heading), *re.split(r"[\s,;()\[\]]+", heading)]
    for part in parts:
        found = find_unit(part, ("length",)) if part.strip() else None
        if found is not None:
            return found
    return None


def _table(block: _Found, file: str, lift_unit: str | None) -> CamTable:
    """Turn the block into SI."""
    grid = block.grid
    angles = tuple(_number(grid, row, block.angle) or 0.0 for row in block.rows)
    lifts = tuple(_number(grid, row, block.lift) or 0.0 for row in block.rows)
    stated = find_unit(lift_unit, ("length",)) if lift_unit else None
    if lift_unit and stated is None:
        raise SheetError(f"the unit of lift {lift_unit!r} is not known", "use mm, in or thou", file=file)
    headed = _unit_in(block.headings[block.lift])
    if stated is not None and headed is not None and stated != headed:
        raise SheetError(
            f"the heading says {headed.name}, lift_unit says {stated.name}", "correct one of them", file=file
        )
    unit = stated or headed
    notes: tuple[str, ...] = ()
    if unit is None:
        unit, notes = _assumed(max(lifts), file)
    return CamTable(file, angles, tuple(to_si(lift, unit) for lift in lifts), notes)


def _assumed(largest: float, file: str) -> tuple[Unit, tuple[str, ...]]:
    """Assume the unit of lift where the numbers leave one reading possible."""
    name = "in" if 0.05 <= largest <= 1.0 else "mm" if 1.5 <= largest <= 25 else None
    found = find_unit(name) if name else None
    if found is None:
        raise SheetError(
            f"the unit of lift is not stated, and a largest lift of {largest:g} leaves it open",
            "name it in the heading or with lift_unit",
            file=file,
        )
    return found, (f"{file}: the unit of lift is not stated; a largest lift of {largest:g} can only be {found.name}",)


_OF_TABLE = ("sheet", "lift_unit", "zero")
_OF_TIMING = ("opens", "closes", "checking_lift", "peak_lift")
_OF_CARD = ("duration", "lobe_lift")
_ANOTHER = ("table", "opens", "closes", "duration")
_TDC = 360.0
_AGREE_DEG = 0.5


@dataclass(frozen=True, slots=True)
class _Phasing:
    """What ``[cam]`` says for both sides: lobe separation [cam degrees] and advance [crank degrees]."""

    lobe_separation: float | None = None
    advance: float | None = None

    @classmethod
    def read(cls, table: Mapping[str, Any], place: str) -> _Phasing:
        """Read both, numbers or text."""
        both = {key: table[key] for key in ("lobe_separation", "advance") if key in table}
        read = read_keys("cams", both, place)
        return cls(read.get("lobe_separation"), read.get("advance"))


def cams_of_tables(
    common: Mapping[str, Any], own: Mapping[str, Any], folder: Path, own_place: str = "[variant.cam]"
) -> dict[Side, Cam]:
    """Make the cams of ``[cam]`` and of what a variant says over it.

    A variant's side with a table, timing or duration is another cam and counts alone; without them it changes
    single keys of the job's.
    """
    phasing = _Phasing.read({**common, **own}, own_place if "lobe_separation" in own or "advance" in own else "[cam]")
    tables: dict[Side, tuple[Mapping[str, Any], str]] = {}
    for side in ("intake", "exhaust"):
        base, mine = common.get(side) or {}, own.get(side) or {}
        place = f"{own_place.rstrip(']')}.{side}]" if mine else f"[cam.{side}]"
        alone = any(key in mine for key in _ANOTHER)
        table = dict(mine) if alone or not base else {**base, **mine}
        if "rocker_ratio" in mine and not alone and table.get("lift_at") != "cam" and "duration" not in table:
            raise JobError(
                f"{place}: rocker_ratio changes nothing, the lifts are the valve's",
                'state the new peak_lift, or the lifts at the cam with lift_at = "cam"',
            )
        if table:
            tables[side] = (read_keys("cam", table, place), place)
    middles = _middles(tables, phasing)
    return {side: _cam_of(table, folder, place, middles.get(side)) for side, (table, place) in tables.items()}


def _middles(tables: Mapping[Side, tuple[Mapping[str, Any], str]], phasing: _Phasing) -> dict[Side, float]:
    """Return the centrelines of cam cards by side: intake after, exhaust before the dead centre of gas exchange."""
    own: dict[Side, float] = {}
    for side, (table, place) in tables.items():
        if "centreline" in table:
            own[side] = _centreline(table, place, side)
        elif "opens" in table and "closes" in table:
            own[side] = _middle_of_timing(table, side)
    separation, advance = phasing.lobe_separation, phasing.advance
    if advance is not None and separation is None:
        raise JobError("[cam]: advance needs lobe_separation", "add it, or state a centreline for each side")
    found = dict(own)
    if separation is not None:
        by_advance: dict[Side, float] = {}
        if advance is not None:
            by_advance = {"intake": separation - advance, "exhaust": separation + advance}
        elif len(own) == 1:
            (known,) = own
            other: Side = "exhaust" if known == "intake" else "intake"
            by_advance = {other: 2 * separation - own[known]}
        elif len(own) == 2:
            by_advance = {"exhaust": 2 * separation - own["intake"]}
        for side, angle in by_advance.items():
            if side in own and side in tables and abs(own[side] - angle) > _AGREE_DEG:
                raise JobError(
                    f"{tables[side][1]}: its centreline is {own[side]:g}°, lobe_separation and advance make {angle:g}°",
                    "they cannot both be right; correct one or leave it out",
                )
            found.setdefault(side, angle)
    return found


def _centreline(table: Mapping[str, Any], place: str, side: Side) -> float:
    """Return a side's own centreline: intake after, exhaust before top dead centre."""
    angle: float
    angle, dead_centre, _ = table["centreline"]
    if dead_centre != "TDC":
        raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return angle if side == "intake" else -angle


def _middle_of_timing(table: Mapping[str, Any], side: Side) -> float:
    """Return the middle of a timing, counted as a centreline is."""
    opens, closes = float(table["opens"][0]), float(table["closes"][0])
    return (opens + 180 + closes) / 2 if side == "intake" else -(opens - 180 + closes) / 2


def _cam_of(mapping: Mapping[str, Any], folder: Path, place: str, middle: float | None) -> Cam:
    """Make a cam of a table that was read into SI."""
    try:
        if "duration" in mapping:
            return _from_card(mapping, place, middle)
        common = _common(mapping, place)
        return _from_table(mapping, folder, place, common) if "table" in mapping else _timed(mapping, place, common)
    except EngineError as error:
        raise JobError(f"{place}: {error.problem}", error.remedy) from error


def _common(mapping: Mapping[str, Any], place: str, at: str = "valve") -> dict[str, Any]:
    """Read what all kinds share; lifts are the valve's unless stated, the checking lift of a card the cam's."""
    lift_at = mapping.get("lift_at", at)
    if lift_at == "cam" and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lift at the cam needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    common: dict[str, Any] = {
        "lift_at": lift_at,
        "rocker_ratio": mapping.get("rocker_ratio", 1.0),
        "lash_m": mapping.get("lash", 0.0),
    }
    if "name" in mapping:
        common["name"] = mapping["name"]
    return common


def _from_card(mapping: Mapping[str, Any], place: str, middle: float | None) -> Cam:
    """Make a cam of its card: duration at a checking lift, lift, and where its middle is."""
    _refuse_other(mapping, ("table", "opens", "closes", *_OF_TABLE), place, "beside a duration")
    if "checking_lift" not in mapping:
        raise JobError(
            f"{place} lacks checking_lift", "state the lift the duration is measured at; there is no standard one"
        )
    if ("lobe_lift" in mapping) == ("peak_lift" in mapping):
        raise JobError(f"{place}: a cam card needs lobe_lift or peak_lift", "state one: at the cam, or at the valve")
    if "lobe_lift" in mapping and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lobe_lift needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    common = _common(mapping, place, "cam")
    ratio = common["rocker_ratio"]
    at_cam = mapping.get("degrees") == "cam"
    half = mapping["duration"] * (1.0 if at_cam else 0.5)
    peak = mapping["lobe_lift"] * ratio if "lobe_lift" in mapping else mapping["peak_lift"]
    checking = mapping["checking_lift"]
    if common.pop("lift_at") == "cam":
        checking *= ratio
    side = "exhaust" if "exhaust" in place else "intake"
    if middle is None and "centreline" in mapping:
        middle = _centreline(mapping, place, "exhaust" if side == "exhaust" else "intake")
    if middle is None:
        raise JobError(
            f"{place}: nothing says where the lobe's middle is",
            'add centreline, such as "108 ATDC", or lobe_separation and advance to [cam]; none is assumed',
        )
    centre = _TDC + middle if side == "intake" else _TDC - middle
    common.setdefault("name", f"{side} cam")
    del common["rocker_ratio"]
    notes = _signs(mapping, ("centreline",))
    return Cam.from_timing(
        opens_deg=centre - half,
        closes_deg=centre + half,
        checking_lift_m=checking,
        peak_lift_m=peak,
        timing_notes=notes,
        **common,
    )


def _signs(mapping: Mapping[str, Any], keys: tuple[str, ...]) -> tuple[str, ...]:
    """Return how signs in valve events were understood."""
    notes = [mapping[key][2] for key in keys if key in mapping]
    return tuple(note for note in notes if note is not None)


def _refuse_other(mapping: Mapping[str, Any], others: tuple[str, ...], place: str, why: str) -> None:
    """Refuse the keys of the other way to describe a cam."""
    for key in others:
        if key in mapping:
            raise JobError(f"{place}: {key} cannot be used {why}", "take it out")


def _from_table(mapping: Mapping[str, Any], folder: Path, place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of a measured table."""
    _refuse_other(mapping, (*_OF_TIMING, *_OF_CARD), place, "beside a measured table")
    centreline = None
    if "centreline" in mapping:
        centreline, dead_centre, _ = mapping["centreline"]
        if dead_centre != "TDC":
            raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return Cam.from_file(
        folder / mapping["table"],
        lift_unit=mapping.get("lift_unit"),
        sheet=mapping.get("sheet"),
        degrees=mapping.get("degrees", "crank"),
        zero=mapping.get("zero"),
        centreline_deg=centreline,
        timing_notes=_signs(mapping, ("centreline",)),
        **common,
    )


def _timed(mapping: Mapping[str, Any], place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of its timing."""
    _refuse_other(mapping, (*_OF_TABLE, "degrees", "centreline"), place, "beside opens and closes")
    _refuse_other(mapping, _OF_CARD, place, "without a duration")
    missing = [key for key in _OF_TIMING if key not in mapping]
    if missing:
        raise JobError(
            f"{place} lacks {' and '.join(missing)}",
            "give a measured table; or opens, closes, checking_lift and peak_lift; or a cam card's duration, "
            "checking_lift and lobe_lift",
        )
    opens, opens_at, _ = mapping["opens"]
    closes, closes_at, _ = mapping["closes"]
    if opens_at == closes_at:
        raise JobError(
            f"{place}: the valve opens and closes at the same dead centre",
            "an intake opens about TDC and closes about BDC, an exhaust opens about BDC and closes about TDC",
        )
    # An intake opens about gas-exchange TDC (360°) and closes about the BDC after it; an exhaust
    # opens about the BDC before it.
    intake = opens_at == "TDC"
    # A cam without a name is called after its table in the job file, such as "intake cam".
    side = next((side for side in ("intake", "exhaust") if side in place), None)
    named = {"name": f"{side} cam"} if side else {}
    return Cam.from_timing(
        opens_deg=(_TDC if intake else _TDC - 180) + opens,
        closes_deg=(_TDC + 180 if intake else _TDC) + closes,
        checking_lift_m=mapping["checking_lift"],
        peak_lift_m=mapping["peak_lift"],
        timing_notes=_signs(mapping, ("opens", "closes")),
        **{**named, **common},
    )
