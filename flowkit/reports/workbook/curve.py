"""Cell formulas for the curve through a port's flows: the monotone cubic and its integral.

Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, with one-sided slopes by three
points at the ends, as scipy's PchipInterpolator has them. A place is a lift's place in the
side's grid; lifts stand in column 1, flows in the port's column, slopes in the same cells
of the sheet of slopes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from flowkit.reports.workbook.draft import Block
from flowkit.reports.workbook.pen import Pen, spans

__all__ = [
    "Knot",
    "area_formula",
    "flow_between",
    "flow_inside",
    "knot_at",
    "rows_area",
    "slope_at",
    "slope_between",
    "slope_inside",
    "step_area",
]

_SLOPES = "'Curve slopes'"

Knot = tuple[str, str, str]
"""The addresses of lift, flow and slope at a point of a curve."""


def _cells(pen: Pen, block: Block, column: int, place: int) -> Knot:
    """Return the addresses of lift, flow and slope at a place."""
    row = block.row(place)
    flow = pen.here(row, column)
    return pen.here(row, 1, lock_column=True), flow, f"{_SLOPES}!{flow}"


def knot_at(pen: Pen, block: Block, column: int, place: int) -> Knot:
    """Return the addresses of lift, flow and slope at a place, as other sheets call them.

    Parameters
    ----------
    pen : Pen
        Of the corrected flows.
    block : Block
    column : int
    place : int
    """
    lift, flow, slope = _cells(pen, block, column, place)
    sheet = f"'{pen.sheet.title}'!"
    return sheet + lift, sheet + flow, slope


def _along(x: str, low: Knot, high: Knot) -> tuple[str, str]:
    """Return the distance of two knots, and how far along it a lift's cell is."""
    h = f"({high[0]}-{low[0]})"
    return h, f"(({x}-{low[0]})/{h})"


def flow_inside(x: str, low: Knot, high: Knot) -> str:
    """Return the flow at a lift between two knots, on the cubic through them.

    Parameters
    ----------
    x : str
        The lift's cell.
    low, high : Knot
    """
    (_, q0, d0), (_, q1, d1) = low, high
    h, t = _along(x, low, high)
    return f"{q0}*(1+2*{t})*(1-{t})^2+{q1}*{t}^2*(3-2*{t})+{h}*{d0}*{t}*(1-{t})^2+{h}*{d1}*{t}^2*({t}-1)"


def slope_inside(x: str, low: Knot, high: Knot) -> str:
    """Return the slope there.

    Parameters
    ----------
    x : str
        The lift's cell.
    low, high : Knot
    """
    (_, q0, d0), (_, q1, d1) = low, high
    h, t = _along(x, low, high)
    return f"6*({t}-{t}^2)*({q1}-{q0})/{h}+{d0}*(1-4*{t}+3*{t}^2)+{d1}*(3*{t}^2-2*{t})"


def step_area(low: Knot, high: Knot) -> str:
    """Return the area under the cubic between two knots: ``h·(q0 + q1)/2 + h²·(d0 − d1)/12``.

    Parameters
    ----------
    low, high : Knot
    """
    (l0, q0, d0), (l1, q1, d1) = low, high
    h = f"({l1}-{l0})"
    return f"{h}*({q0}+{q1})/2+{h}^2*({d0}-{d1})/12"


def rows_area(first: Knot, second: Knot, last_but_one: Knot, last: Knot) -> str:
    """Return the area under the cubics through neighbouring rows, two rows or more.

    Parameters
    ----------
    first, second, last_but_one, last : Knot
        Of the first two and the last two rows, which may be the same.
    """
    lifts, flows, slopes = zip(first, second, last_but_one, last, strict=True)

    def step(cells: Sequence[str], sign: str) -> str:
        """Return neighbouring cells taken from or added to one another, as one array formula."""
        tail = [cell.rpartition("!")[2] for cell in cells]
        return f"({cells[1]}:{tail[3]}{sign}{cells[0]}:{tail[2]})"

    h = step(lifts, "-")
    falling = step(slopes, "-")
    return f"SUMPRODUCT({h}*{step(flows, '+')})/2-SUMPRODUCT({h}^2*{falling})/12"


def slope_at(pen: Pen, block: Block, column: int, place: int, measured: Sequence[int]) -> str:
    """Return the slope at a measured lift.

    Parameters
    ----------
    pen : Pen
        Of the corrected flows.
    block : Block
    column : int
    place : int
    measured : sequence of int
        The port's measured places, in order.

    Notes
    -----
    Inside: the weighted harmonic mean of the slopes on either side, 0 where they differ in
    sign. At an end: the slope of the parabola through three points, 0 where its sign is not
    that of the end's chord, at most three times that chord where the next chord turns.
    """
    index = list(measured).index(place)
    if len(measured) == 1:
        return "0"
    sheet = f"'{pen.sheet.title}'!"
    if 0 < index < len(measured) - 1:
        points = [_cells(pen, block, column, item)[:2] for item in measured[index - 1 : index + 2]]
        (l0, q0), (l1, q1), (l2, q2) = [(sheet + lift, sheet + flow) for lift, flow in points]
        first, second = f"({l1}-{l0})", f"({l2}-{l1})"
        terms = f"(2*{second}+{first})*{first}/({q1}-{q0})+({second}+2*{first})*{second}/({q2}-{q1})"
        return f"IF(({q1}-{q0})*({q2}-{q1})<=0,0,3*({l2}-{l0})/({terms}))"
    near = list(measured[:3]) if index == 0 else list(measured[-1:-4:-1])
    points = [_cells(pen, block, column, item)[:2] for item in near]
    chords = [f"({sheet}{b[1]}-{sheet}{a[1]})/({sheet}{b[0]}-{sheet}{a[0]})" for a, b in pairwise(points)]
    if len(measured) == 2:
        return chords[0]
    steps = [f"({sheet}{b[0]}-{sheet}{a[0]})" for a, b in pairwise(points)]
    parabola = f"((2*{steps[0]}+{steps[1]})*{chords[0]}-{steps[0]}*{chords[1]})/({steps[0]}+{steps[1]})"
    turns = f"AND(SIGN({chords[0]})<>SIGN({chords[1]}),ABS({parabola})>3*ABS({chords[0]}))"
    return f"IF(SIGN({parabola})<>SIGN({chords[0]}),0,IF({turns},3*{chords[0]},{parabola}))"


def flow_between(pen: Pen, block: Block, column: int, place: int, around: tuple[int, int]) -> str:
    """Return the flow at a lift that was not measured, between two that were.

    Parameters
    ----------
    pen : Pen
    block : Block
    column : int
    place : int
    around : tuple of int
        The measured places on either side.
    """
    low, high = (_cells(pen, block, column, item) for item in around)
    return flow_inside(_cells(pen, block, column, place)[0], low, high)


def slope_between(pen: Pen, block: Block, column: int, place: int, around: tuple[int, int]) -> str:
    """Return the slope there.

    Parameters
    ----------
    pen : Pen
    block : Block
    column : int
    place : int
    around : tuple of int
    """
    low, high = (knot_at(pen, block, column, item) for item in around)
    return slope_inside(knot_at(pen, block, column, place)[0], low, high)


def area_formula(
    pen: Pen, block: Block, column: int, ends: tuple[int, int], measured: Sequence[int], *, method: str
) -> str:
    """Return the area under a port's curve between two places.

    Parameters
    ----------
    pen : Pen
    block : Block
    column : int
    ends : tuple of int
        First and last place.
    measured : sequence of int
        The port's measured places, in order.
    method : {"pchip", "trapezoid"}

    Notes
    -----
    A cubic with flows q and slopes d at the ends of a step h has the area
    ``h·(q0 + q1)/2 + h²·(d0 − d1)/12``, exactly; straight lines have the first term alone.
    """
    low, high = ends
    if method == "trapezoid":
        return _trapezoid(pen, block, column, ends, measured)
    first, second, last_but_one, last = (_cells(pen, block, column, place) for place in (low, low + 1, high - 1, high))
    return rows_area(first, second, last_but_one, last)


def _trapezoid(pen: Pen, block: Block, column: int, ends: tuple[int, int], measured: Sequence[int]) -> str:
    """Return the area of straight lines between measured flows, cut off at the ends."""
    low, high = ends
    inner = [place for place in measured if low < place < high]
    knots = [low, *inner, high]

    def flow(place: int) -> str:
        """Return a place's flow: the cell, or the straight line between its neighbours."""
        if place in measured:
            return _cells(pen, block, column, place)[1]
        before, after = max(p for p in measured if p < place), min(p for p in measured if p > place)
        (l0, q0, _), (l1, q1, _) = (_cells(pen, block, column, item) for item in (before, after))
        here = _cells(pen, block, column, place)[0]
        return f"({q0}+({q1}-{q0})*({here}-{l0})/({l1}-{l0}))"

    terms = []
    for first, last in _stretches(knots, measured):
        if last - first > 1:
            lifts = [pen.here(block.row(p), 1, lock_column=True) for p in (first, first + 1, last - 1, last)]
            flows = [pen.here(block.row(p), column) for p in (first, first + 1, last - 1, last)]
            steps = f"({lifts[1]}:{lifts[3]}-{lifts[0]}:{lifts[2]})"
            terms.append(f"SUMPRODUCT({steps}*({flows[1]}:{flows[3]}+{flows[0]}:{flows[2]}))/2")
    covered = {
        pair
        for first, last in _stretches(knots, measured)
        if last - first > 1
        for pair in pairwise(range(first, last + 1))
    }
    for a, b in pairwise(knots):
        if (a, b) not in covered:
            lift_a, lift_b = _cells(pen, block, column, a)[0], _cells(pen, block, column, b)[0]
            terms.append(f"({lift_b}-{lift_a})*({flow(a)}+{flow(b)})/2")
    return "+".join(terms)


def _stretches(knots: Sequence[int], measured: Sequence[int]) -> list[tuple[int, int]]:
    """Return runs of neighbouring rows that were all measured."""
    return spans(place for place in knots if place in measured)
