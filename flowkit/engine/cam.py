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
from flowkit.importers.files.grid import Grid
from flowkit.model import SIDES, Side
from flowkit.units import find_unit, number, to_si

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
LiftAt = Literal["valve", "cam"]

GAS_EXCHANGE_TDC = 360.0
"""Crank angle of the top dead centre between exhaust and intake [degrees after firing dead centre]."""
_CYCLE = 720.0
_SAMPLES = 20_000
_CLOSED_FRACTION = 0.02
"""A table must begin and end below this fraction of its peak, else part of the cam is missing."""
_FEWEST_POINTS = 5


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

    def lift(self, theta_deg: ArrayLike) -> Array:
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


@dataclass(frozen=True)
class Cam:
    """Lift of one valve against crank angle; made by `from_table`, `from_file` or `from_timing`.

    Examples
    --------
    >>> cam = Cam.from_timing(opens_deg=348, closes_deg=592, checking_lift_m=0.001, peak_lift_m=0.0095)
    >>> round(float(cam.lift(348.0)) * 1e3, 6), round(cam.peak_lift_m * 1e3, 6)
    (1.0, 9.5)
    """

    name: str  # as it is called in findings and plots
    angles_deg: tuple[float, ...]  # crank angles after firing dead centre, rising
    lifts_m: tuple[float, ...]  # at the valve, before the lash is taken off
    lash_m: float = 0.0
    polynomial: LiftPolynomial | None = None  # where the cam is the model from its timing
    notes: tuple[str, ...] = ()  # what was assumed when it was read
    timing_notes: tuple[str, ...] = ()  # how signs in its valve events were understood
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
        lift_at: LiftAt = "valve",
        rocker_ratio: float = 1.0,
        lash_m: float = 0.0,
        zero: Literal["gas exchange TDC", "firing TDC"] | None = None,
        centreline_deg: float | None = None,
        name: str = "cam",
        notes: tuple[str, ...] = (),
        timing_notes: tuple[str, ...] = (),
    ) -> Cam:
        """Make a cam of a measured lift table: ordered, in crank degrees, set to the crank by its zero or its middle.

        >>> cam = Cam.from_table([2, 1, 0, -1, -2], [0, 1e-3, 2e-3, 1e-3, 0], degrees="cam", centreline_deg=110.0)
        >>> cam.angles_deg
        (466.0, 468.0, 470.0, 472.0, 474.0)
        """
        if (zero is None) == (centreline_deg is None):
            raise EngineError(
                f"{name}: it is not certain which crank angle the table starts at",
                'state either zero = "gas exchange TDC" (or "firing TDC") or the centreline, such as "108 ATDC"',
            )
        factor = rocker_ratio if lift_at == "cam" else 1.0
        angles, lifts = np.asarray(angles_deg, dtype=float), np.asarray(lifts_m, dtype=float) * factor
        angles, lifts = _rising(angles, lifts, lash_m, 2 if degrees == "cam" else 1, name)
        angles, lifts = _closed(angles, lifts, lash_m, name)
        shift = GAS_EXCHANGE_TDC if zero == "gas exchange TDC" else 0.0
        if centreline_deg is not None:
            # The middle between equal lifts of 95 % of the peak (common practice, no source). The table begins and
            # ends closed, so both neighbours exist and lie below the level.
            level = 0.95 * float(np.max(lifts))
            above = np.flatnonzero(lifts >= level)
            first, last = int(above[0]), int(above[-1])
            rise = np.interp(level, lifts[first - 1 : first + 1], angles[first - 1 : first + 1])
            fall = np.interp(level, lifts[last : last + 2][::-1], angles[last : last + 2][::-1])
            shift = GAS_EXCHANGE_TDC + centreline_deg - float(rise + fall) / 2
        angles = angles + shift
        if angles[-1] - angles[0] > _CYCLE + 1e-9:
            raise EngineError(f"{name}: the table is longer than one cycle", "check whether its degrees are the cam's")
        return cls(name, tuple(angles.tolist()), tuple(lifts.tolist()), lash_m, None, notes, timing_notes)

    @classmethod
    def from_timing(
        cls,
        *,
        opens_deg: float,
        closes_deg: float,
        checking_lift_m: float,
        peak_lift_m: float,
        lift_at: LiftAt = "valve",
        rocker_ratio: float = 1.0,
        lash_m: float = 0.0,
        name: str = "cam",
        timing_notes: tuple[str, ...] = (),
    ) -> Cam:
        """Make a smooth cam of its timing (model: the 2-6-8 polynomial, symmetrical)."""
        factor = rocker_ratio if lift_at == "cam" else 1.0
        checking, peak = checking_lift_m * factor, peak_lift_m * factor
        shape = LiftPolynomial.through(
            opens_deg=opens_deg, closes_deg=closes_deg, checking_lift_m=checking, peak_m=peak
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

    def lift(self, theta_deg: ArrayLike) -> Array:
        """Return the valve lift [m] at crank angles [degrees after firing dead centre], of period 720°."""
        start = self.angles_deg[0]
        theta = start + np.mod(np.asarray(theta_deg, dtype=float) - start, _CYCLE)
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

    def open_angles(self, count: int = 4001) -> Array:
        """Return crank angles spread evenly over the open period [degrees], shape (count,)."""
        return np.linspace(*self.open_period, count)

    def time_in_bands(
        self, edges_m: Sequence[float] | None = None, flow: Callable[[Array], Array] | None = None
    ) -> tuple[BandTime, ...]:
        """Return how long the valve stays in each band of lift, and what share of a flow over lift it passes."""
        edges = np.linspace(0, self.peak_lift_m, 11) if edges_m is None else np.asarray(edges_m, dtype=float)
        if edges.size < 2 or np.any(np.diff(edges) <= 0):
            raise EngineError("the edges of the bands of lift do not rise", "give them in rising order")
        opens, closes = self.open_period
        step = (closes - opens) / _SAMPLES
        lifts = self.lift(opens + step * (np.arange(_SAMPLES) + 0.5))
        weights = np.full(_SAMPLES, step)
        # The peak itself belongs to the last band.
        index = np.searchsorted(edges, lifts, side="right") - 1
        index[np.isclose(lifts, edges[-1], rtol=0, atol=1e-9)] = edges.size - 2
        flows = weights * flow(lifts) if flow is not None else np.zeros(_SAMPLES)
        bands = []
        for band in range(edges.size - 1):
            degrees = float(np.sum(weights[index == band]))
            share = float(np.sum(flows[index == band])) / float(np.sum(flows)) if flow is not None else None
            low, high = float(edges[band]), float(edges[band + 1])
            bands.append(BandTime(low, high, degrees, degrees / (closes - opens), share))
        return tuple(bands)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the valve lift against crank angle."""
        from flowkit.engine.results import plot_cams

        return plot_cams([self], ax=ax)

    # --- inside ----------------------------------------------------------------------

    def _train_lift(self, theta: Array) -> Array:
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
        ends = []
        for closed, opened in ((above[0] - 1, above[0]), (above[-1] + 1, above[-1])):
            out, inside = self.angles_deg[closed], self.angles_deg[opened]
            for _ in range(50 if self.lifts_m[closed] < self.lash_m else 0):
                middle = (out + inside) / 2
                if float(self._train_lift(np.asarray(middle))) > self.lash_m:
                    inside = middle
                else:
                    out = middle
            ends.append(out)
        return ends[0], ends[1]


def _rising(angles: Array, lifts: Array, lash_m: float, crank_per_degree: int, name: str) -> tuple[Array, Array]:
    """Return a table in rising crank degrees; refuse what cannot be one."""
    turn = _CYCLE / crank_per_degree
    if angles.size != lifts.size or angles.size < _FEWEST_POINTS:
        raise EngineError(f"{name}: a cam needs at least {_FEWEST_POINTS} points of degrees and lift", "measure more")
    if not (np.all(np.isfinite(angles)) and np.all(np.isfinite(lifts))):
        raise EngineError(f"{name}: the table has gaps", "fill them in")
    if np.max(lifts) <= max(lash_m, 0.0):
        raise EngineError(f"{name}: the valve never opens", "check the lifts, the lash and their units")
    if np.min(lifts) < -0.05 * np.max(lifts):
        raise EngineError(f"{name}: the table has negative lifts", "set the gauge to zero on the base circle")
    if np.median(np.diff(angles)) < 0:
        angles, lifts = angles[::-1], lifts[::-1]
    wraps = np.flatnonzero(np.diff(angles) < -turn / 2)
    if wraps.size == 1:
        angles = angles.copy()
        angles[wraps[0] + 1 :] += turn
    if np.any(np.diff(angles) <= 0):
        raise EngineError(f"{name}: the degrees do not run in one direction", "sort the table by degrees")
    return crank_per_degree * angles, lifts


def _closed(angles: Array, lifts: Array, lash_m: float, name: str) -> tuple[Array, Array]:
    """Make sure the table begins and ends with the valve closed."""
    limit = lash_m + _CLOSED_FRACTION * (np.max(lifts) - lash_m)
    for where, lift in (("begins", lifts[0]), ("ends", lifts[-1])):
        if lift > limit:
            problem = f"{name}: the table {where} at a lift of {lift * 1e3:.3g} mm"
            raise EngineError(problem, "give it from closed to closed")
    lifts = np.maximum(lifts, 0.0)
    step = float(np.median(np.diff(angles)))
    if lifts[0] > lash_m:
        angles, lifts = np.concatenate(([angles[0] - step], angles)), np.concatenate(([0.0], lifts))
    if lifts[-1] > lash_m:
        angles, lifts = np.concatenate((angles, [angles[-1] + step])), np.concatenate((lifts, [0.0]))
    return angles, lifts


# --- a table in a file --------------------------------------------------------------------

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


def read_cam_table(path: Path, *, lift_unit: str | None = None, sheet: str | None = None) -> CamTable:
    """Read a table of degrees and lift.

    >>> read_cam_table(Path("missing.csv"))
    Traceback (most recent call last):
    ...
    flowkit.errors.SheetError: missing.csv: there is no such file; check the name and the folder.
    """
    file = path.name
    grids = [grid for grid in read_grids(path) if sheet is None or grid.sheet == sheet]
    if not grids:
        raise SheetError(f"there is no worksheet {sheet!r}", "check its name", file=file)
    found = [(grid.sheet, *block) for grid in grids if (block := _columns(grid)) is not None]
    if not found:
        raise SheetError(
            "there is no table of degrees and lift",
            "write a column of degrees and one of lift, with their headings, in at least five rows",
            file=file,
            sheet=sheet,
        )
    if len(found) > 1:
        names = ", ".join(repr(name) for name, *_ in found)
        raise SheetError(f"there is a cam on each of the worksheets {names}", "say which with sheet", file=file)
    _, angles, lifts, heading = found[0]
    stated = find_unit(lift_unit, ("length",)) if lift_unit else None
    if lift_unit and stated is None:
        raise SheetError(f"the unit of lift {lift_unit!r} is not known", "use mm, in or thou", file=file)
    # In brackets, or as a word of its own.
    parts = [*re.findall(r"[(\[]([^)\]]*)[)\]]", heading), *re.split(r"[\s,;()\[\]]+", heading)]
    headed = next((unit for part in parts if part.strip() and (unit := find_unit(part, ("length",)))), None)
    if stated is not None and headed is not None and stated != headed:
        problem = f"the heading says {headed.name}, lift_unit says {stated.name}"
        raise SheetError(problem, "correct one of them", file=file)
    unit, largest = stated or headed, max(lifts)
    notes: tuple[str, ...] = ()
    if unit is None:  # assumed where the numbers leave one reading possible
        name = "in" if 0.05 <= largest <= 1.0 else "mm" if 1.5 <= largest <= 25 else None
        unit = find_unit(name) if name else None
        if unit is None:
            raise SheetError(
                f"the unit of lift is not stated, and a largest lift of {largest:g} leaves it open",
                "name it in the heading or with lift_unit",
                file=file,
            )
        notes = (f"{file}: the unit of lift is not stated; a largest lift of {largest:g} can only be {unit.name}",)
    return CamTable(file, angles, tuple(to_si(lift, unit) for lift in lifts), notes)


def _columns(grid: Grid) -> tuple[tuple[float, ...], tuple[float, ...], str] | None:
    """Find the longest run of rows with two numbers; of it angles, lifts as written, and the heading over the lifts."""

    def figure(value: object) -> float | None:
        """Return a cell's number, or None."""
        if isinstance(value, str):
            return number(value, decimal_comma=grid.decimal_comma)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    rows = [[figure(value) for value in row] for row in grid.rows]
    best, run = range(0), range(0)
    for index, row in enumerate(rows):
        together = sum(value is not None for value in row) >= 2
        run = range(run.start, index + 1) if together and run else range(index, index + together)
        best = run if len(run) > len(best) else best
    width = min((len(rows[index]) for index in best), default=0)
    columns = [column for column in range(width) if all(rows[index][column] is not None for index in best)]
    if len(best) < _FEWEST_POINTS or len(columns) < 2:
        return None
    headings = {column: _heading(grid, best[0], column) for column in columns}
    lifts = [column for column in columns if _LIFT.search(headings[column])]
    angles = [column for column in columns if column not in lifts and _ANGLE.search(headings[column])]
    if not (len(lifts) == 1 and len(angles) == 1):
        if len(columns) != 2:
            raise SheetError(
                "it is not certain which columns are degrees and lift",
                'head them "crank degrees" and "lift (mm)", one of each',
                file=grid.file,
                sheet=grid.sheet,
                cell=grid.address(best[0], columns[0]),
            )
        angles, lifts = columns[:1], columns[1:]
    theta, lift = (tuple(rows[index][column] or 0.0 for index in best) for column in (angles[0], lifts[0]))
    return theta, lift, headings[lifts[0]]


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


# --- a job's [cam] ------------------------------------------------------------------------

_OF_TABLE = ("sheet", "lift_unit", "zero")
_OF_TIMING = ("opens", "closes", "checking_lift", "peak_lift")
_OF_CARD = ("duration", "lobe_lift")
_ANOTHER = ("table", "opens", "closes", "duration")
_AGREE_DEG = 0.5
_REFUSED: dict[str, tuple[tuple[tuple[str, ...], str], ...]] = {
    "card": ((("table", "opens", "closes", *_OF_TABLE), "beside a duration"),),
    "table": (((*_OF_TIMING, *_OF_CARD), "beside a measured table"),),
    "timing": (((*_OF_TABLE, "degrees", "centreline"), "beside opens and closes"), (_OF_CARD, "without a duration")),
}
"""Way to describe a cam -> keys of the other ways, and why they cannot be used."""


def cams_of_tables(
    common: Mapping[str, Any], own: Mapping[str, Any], folder: Path, own_place: str = "[variant.cam]"
) -> dict[Side, Cam]:
    """Make the cams of ``[cam]`` and of what a variant says over it.

    A variant's side with a table, timing or duration is another cam and counts alone; without them it changes
    single keys of the job's.
    """
    both = {**common, **own}
    written: dict[str, Any] = {key: both[key] for key in ("lobe_separation", "advance") if key in both}
    phasing = read_keys("cams", written, own_place if written.keys() & own.keys() else "[cam]")
    tables: dict[Side, tuple[Mapping[str, Any], str]] = {}
    for side in SIDES:
        base, mine = common.get(side) or {}, own.get(side) or {}
        place = f"{own_place.rstrip(']')}.{side}]" if mine else f"[cam.{side}]"
        alone = any(key in mine for key in _ANOTHER)
        table: dict[str, Any] = {**({} if alone else base), **mine}
        if "rocker_ratio" in mine and not alone and table.get("lift_at") != "cam" and "duration" not in table:
            raise JobError(
                f"{place}: rocker_ratio changes nothing, the lifts are the valve's",
                'state the new peak_lift, or the lifts at the cam with lift_at = "cam"',
            )
        if table:
            tables[side] = (read_keys("cam", table, place), place)
    middles = _middles(tables, phasing.get("lobe_separation"), phasing.get("advance"))
    cams = {}
    for side, (read, place) in tables.items():
        try:
            cams[side] = _cam_of(read, folder, side, place, middles.get(side))
        except EngineError as error:
            raise JobError(f"{place}: {error.problem}", error.remedy) from error
    return cams


def _middles(
    tables: Mapping[Side, tuple[Mapping[str, Any], str]], separation: float | None, advance: float | None
) -> dict[Side, float]:
    """Return centrelines by side: intake after, exhaust before the dead centre of gas exchange."""
    own: dict[Side, float] = {}
    for side, (table, place) in tables.items():
        sign = 1 if side == "intake" else -1
        if "centreline" in table:
            angle, dead_centre, _ = table["centreline"]
            if dead_centre != "TDC":
                raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
            own[side] = sign * angle
        elif "opens" in table and "closes" in table:
            own[side] = sign * (float(table["opens"][0]) + sign * 180 + float(table["closes"][0])) / 2
    if advance is not None and separation is None:
        raise JobError("[cam]: advance needs lobe_separation", "add it, or state a centreline for each side")
    if separation is None:
        return own
    by_advance: dict[Side, float] = {}
    if advance is not None:
        by_advance = {"intake": separation - advance, "exhaust": separation + advance}
    elif "intake" in own:
        by_advance = {"exhaust": 2 * separation - own["intake"]}
    elif own:
        by_advance = {"intake": 2 * separation - own["exhaust"]}
    for side, angle in by_advance.items():
        if side in own and abs(own[side] - angle) > _AGREE_DEG:
            raise JobError(
                f"{tables[side][1]}: its centreline is {own[side]:g}°, lobe_separation and advance make {angle:g}°",
                "they cannot both be right; correct one or leave it out",
            )
    return {**by_advance, **own}


def _cam_of(table: Mapping[str, Any], folder: Path, side: Side, place: str, middle: float | None) -> Cam:
    """Make a cam of a table that was read into SI: a measured one, a cam card or a timing."""
    way = "card" if "duration" in table else "table" if "table" in table else "timing"
    for keys, why in _REFUSED[way]:
        for key in keys:
            if key in table:
                raise JobError(f"{place}: {key} cannot be used {why}", "take it out")
    if way == "card":
        _check_card(table, place)
    # Lifts are the valve's unless stated, the checking lift of a card the cam's.
    lift_at = table.get("lift_at", "cam" if way == "card" else "valve")
    if lift_at == "cam" and "rocker_ratio" not in table:
        raise JobError(f"{place}: lift at the cam needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    signs = [table[key][2] for key in ("centreline", "opens", "closes") if key in table]
    common: dict[str, Any] = {
        "lash_m": table.get("lash", 0.0), "timing_notes": tuple(note for note in signs if note is not None)
    }  # fmt: skip
    if "name" in table or way != "table":  # else it is called after its file
        common["name"] = table.get("name", f"{side} cam")
    ratio = table.get("rocker_ratio", 1.0)
    if way == "table":
        return Cam.from_file(
            folder / table["table"],
            lift_unit=table.get("lift_unit"),
            sheet=table.get("sheet"),
            degrees=table.get("degrees", "crank"),
            zero=table.get("zero"),
            centreline_deg=table["centreline"][0] if "centreline" in table else None,
            lift_at=lift_at,
            rocker_ratio=ratio,
            **common,
        )
    if way == "timing":
        opens, closes = _events(table, place)
        common |= {"peak_lift_m": table["peak_lift"], "lift_at": lift_at, "rocker_ratio": ratio}
        return Cam.from_timing(opens_deg=opens, closes_deg=closes, checking_lift_m=table["checking_lift"], **common)
    if middle is None:
        raise JobError(
            f"{place}: nothing says where the lobe's middle is",
            'add centreline, such as "108 ATDC", or lobe_separation and advance to [cam]; none is assumed',
        )
    centre = GAS_EXCHANGE_TDC + (middle if side == "intake" else -middle)
    half = table["duration"] * (1.0 if table.get("degrees") == "cam" else 0.5)
    return Cam.from_timing(
        opens_deg=centre - half,
        closes_deg=centre + half,
        checking_lift_m=table["checking_lift"] * (ratio if lift_at == "cam" else 1.0),
        peak_lift_m=table["lobe_lift"] * ratio if "lobe_lift" in table else table["peak_lift"],
        **common,
    )


def _check_card(table: Mapping[str, Any], place: str) -> None:
    """Refuse a cam card that lacks something, or says it twice."""
    if "checking_lift" not in table:
        raise JobError(
            f"{place} lacks checking_lift", "state the lift the duration is measured at; there is no standard one"
        )
    if ("lobe_lift" in table) == ("peak_lift" in table):
        raise JobError(f"{place}: a cam card needs lobe_lift or peak_lift", "state one: at the cam, or at the valve")
    if "lobe_lift" in table and "rocker_ratio" not in table:
        raise JobError(f"{place}: lobe_lift needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")


def _events(table: Mapping[str, Any], place: str) -> tuple[float, float]:
    """Return where a timing opens and closes [degrees after firing dead centre]."""
    missing = [key for key in _OF_TIMING if key not in table]
    if missing:
        raise JobError(
            f"{place} lacks {' and '.join(missing)}",
            "give a measured table; or opens, closes, checking_lift and peak_lift; or a cam card's duration, "
            "checking_lift and lobe_lift",
        )
    opens, opens_at, _ = table["opens"]
    closes, closes_at, _ = table["closes"]
    if opens_at == closes_at:
        raise JobError(
            f"{place}: the valve opens and closes at the same dead centre",
            "an intake opens about TDC and closes about BDC, an exhaust opens about BDC and closes about TDC",
        )
    # An intake opens about gas-exchange TDC (360°) and closes about the BDC after it; an exhaust
    # opens about the BDC before it.
    first = GAS_EXCHANGE_TDC if opens_at == "TDC" else GAS_EXCHANGE_TDC - 180
    return first + opens, first + 180 + closes
