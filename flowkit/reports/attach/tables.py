"""The numbers of a comparison as tables, ready for a sheet or a document."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import not_assessed_words
from flowkit.units import from_si
from flowkit.wording import DISPLAYS, Display, gain_figure, numeral, pressure_words, without_keys


@dataclass(frozen=True, slots=True)
class Figure:
    """A number in the units people see."""

    value: float
    digits: int
    gain: bool = False
    u95: float | None = None
    low: float | None = None
    high: float | None = None


Cell = Figure | str | None

_DEFAULT_DPI = 200

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 has no place for (section 2.2)."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table with one header row."""

    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    summary_rows: int


def plain(text: str) -> str:
    r"""Drop the control characters that XML cannot hold.

    >>> plain("seats\x00 recut\ufffe")
    'seats recut'
    """
    return _NOT_XML.sub("", text)


def figure_text(cell: Cell) -> str:
    """Write a cell for people.

    >>> figure_text(Figure(0.1184, 1, gain=True, u95=0.009)), figure_text(Figure(-0.02, 1, gain=True))
    ('+11.8 ± 0.9', '−2.0')
    """
    if not isinstance(cell, Figure):
        return plain(cell or "")
    if cell.gain:
        return gain_figure(cell.value, cell.u95, cell.low, cell.high)
    return numeral(cell.value, cell.digits)


def tables(contents: ReportContents) -> tuple[Table, ...]:
    """Return the tables of each side: flows at the reference state, then gains over the first variant."""
    show = DISPLAYS[contents.info.display]
    pressure = pressure_words(contents.comparison.reference.pressure_pa, show)
    found: list[Table] = []

    def flow(value: float) -> Figure:
        """A flow in the units people see."""
        return Figure(from_si(value, show.flow), show.flow_digits)

    for side, result in contents.comparison.sides.items():
        flows = [
            (
                item.name,
                dict(zip(item.lifts_m, map(flow, item.flow_m3_s), strict=True)),
                flow(item.mean_flow_m3_s),
            )
            for item in result.variants
        ]
        found.append(_table(f"{side.capitalize()} flow at {pressure}, {show.flow}", flows, show))
        gains = [
            (
                gain.to,
                {item.lift_m: Figure(item.gain, 1, True, item.u95, item.low, item.high) for item in gain.per_lift},
                Figure(
                    gain.mean_flow_gain, 1, True,
                    gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high,
                ),
            )
            for gain in result.totals
        ]  # fmt: skip
        if gains:
            found.append(_table(f"{side.capitalize()} gain over {plain(result.variants[0].name)}, %", gains, show))
    return tuple(found)


def _table(title: str, columns: Sequence[tuple[str, Mapping[float, Figure], Figure]], show: Display) -> Table:
    """Lift by variant, and below it the mean flow over the common range or its gain."""
    lifts = sorted({lift for _, figures, _ in columns for lift in figures})
    rows: list[tuple[Cell, ...]] = [
        (Figure(from_si(lift, show.lift), show.lift_digits), *(figures.get(lift) for _, figures, _ in columns))
        for lift in lifts
    ]
    rows.append(("mean flow", *(mean for _, _, mean in columns)))
    return Table(title, (f"lift, {show.lift}", *(plain(name) for name, _, _ in columns)), tuple(rows), 1)


def notes(contents: ReportContents) -> tuple[str, ...]:
    """Return what goes under the tables: intervals, findings, sources, the program."""
    from flowkit.version import __version__

    comparison = contents.comparison
    found = [*comparison.sentences]
    gains = [gain for side in comparison.sides.values() for gain in side.gains]
    if any(gain.mean_flow_gain_u95 is not None for gain in gains):
        found.append("Intervals are 95 % intervals.")
    elif gains:
        reason = next((gain.not_assessed_because for gain in gains if gain.not_assessed_because), None)
        found.append(not_assessed_words(reason) if reason else "Intervals are not assessed.")
    doubts = (item for item in contents.findings if item.severity != "note")
    found += [f"{item.severity.capitalize()}, {item.where}: {item.message}" for item in doubts]
    if contents.sources:
        found.append("Sources: " + ", ".join(f"{item.name} {item.sha256[:8]}" for item in contents.sources) + ".")
    return tuple(plain(without_keys(text)) for text in (*found, f"flowkit {__version__}."))


def picture_inches(png: bytes) -> tuple[float, float]:
    """Return the printed size of a PNG [inches], 200 dots an inch unless it says otherwise."""
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(png), formats=("PNG",)) as picture:
            dots = picture.info.get("dpi", (_DEFAULT_DPI, _DEFAULT_DPI))[0]
            return picture.width / dots, picture.height / dots
    except UnidentifiedImageError as error:
        raise ValueError("the picture is not a PNG") from error
