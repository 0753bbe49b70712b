"""The numbers of a comparison as tables, ready for a sheet or a document."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from flowkit.analysis.results import LiftGain, SideComparison
from flowkit.model import Side
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import not_assessed_words
from flowkit.units import from_si
from flowkit.wording import gain_figure, numeral, pressure_words, without_keys


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
    """Return the tables of each side: flows, then gains over the first variant."""
    found: list[Table] = []
    for side, result in contents.comparison.sides.items():
        found.append(_flows(contents, side, result))
        if result.totals:
            found.append(_gains(contents, side, result))
    return tuple(found)


def _flows(contents: ReportContents, side: Side, result: SideComparison) -> Table:
    """Lift by variant: flow at the reference state, then mean flow over the common range."""
    from flowkit.wording import DISPLAYS

    show = DISPLAYS[contents.info.display]
    by_variant = [dict(zip(item.lifts_m, item.flow_m3_s, strict=True)) for item in result.variants]
    lifts = sorted({lift for flows in by_variant for lift in flows})
    rows: list[tuple[Cell, ...]] = [
        (
            Figure(from_si(lift, show.lift), show.lift_digits),
            *(
                Figure(from_si(flows[lift], show.flow), show.flow_digits) if lift in flows else None
                for flows in by_variant
            ),
        )
        for lift in lifts
    ]
    means = (Figure(from_si(item.mean_flow_m3_s, show.flow), show.flow_digits) for item in result.variants)
    rows.append(("mean flow", *means))
    pressure = pressure_words(contents.comparison.reference.pressure_pa, show)
    return Table(
        f"{side.capitalize()} flow at {pressure}, {show.flow}",
        (f"lift, {show.lift}", *(plain(item.name) for item in result.variants)),
        tuple(rows),
        1,
    )


def _gains(contents: ReportContents, side: Side, result: SideComparison) -> Table:
    """Lift by variant: gain over the first, then the gain in mean flow."""
    from flowkit.wording import DISPLAYS

    show = DISPLAYS[contents.info.display]
    by_variant = [{item.lift_m: item for item in gain.per_lift} for gain in result.totals]
    lifts = sorted({lift for gains in by_variant for lift in gains})
    rows: list[tuple[Cell, ...]] = [
        (
            Figure(from_si(lift, show.lift), show.lift_digits),
            *(_lift_gain(gains[lift]) if lift in gains else None for gains in by_variant),
        )
        for lift in lifts
    ]
    totals = (
        Figure(
            gain.mean_flow_gain, 1, gain=True, u95=gain.mean_flow_gain_u95,
            low=gain.mean_flow_gain_low, high=gain.mean_flow_gain_high,
        )
        for gain in result.totals
    )  # fmt: skip
    rows.append(("mean flow", *totals))
    return Table(
        f"{side.capitalize()} gain over {plain(result.variants[0].name)}, %",
        (f"lift, {show.lift}", *(plain(gain.to) for gain in result.totals)),
        tuple(rows),
        1,
    )


def _lift_gain(item: LiftGain) -> Figure:
    """Return the gain at a lift with its interval."""
    return Figure(item.gain, 1, gain=True, u95=item.u95, low=item.low, high=item.high)


def notes(contents: ReportContents) -> tuple[str, ...]:
    """Return what goes under the tables: intervals, findings, sources, the program."""
    return tuple(plain(without_keys(text)) for text in _notes(contents))


def _notes(contents: ReportContents) -> Iterator[str]:
    """Yield the notes one by one."""
    from flowkit.version import __version__

    comparison = contents.comparison
    yield from comparison.sentences
    gains = [gain for side in comparison.sides.values() for gain in side.gains]
    if any(gain.mean_flow_gain_u95 is not None for gain in gains):
        yield "Intervals are 95 % intervals."
    elif gains:
        reason = next((gain.not_assessed_because for gain in gains if gain.not_assessed_because), None)
        yield not_assessed_words(reason) if reason else "Intervals are not assessed."
    for finding in contents.findings:
        if finding.severity != "note":
            yield f"{finding.severity.capitalize()}, {finding.where}: {finding.message}"
    if contents.sources:
        yield "Sources: " + ", ".join(f"{item.name} {item.sha256[:8]}" for item in contents.sources) + "."
    yield f"flowkit {__version__}."


def picture_inches(png: bytes) -> tuple[float, float]:
    """Return the printed size of a PNG [inches], 200 dots an inch unless it says otherwise."""
    if png[:8] != b"\x89PNG\r\n\x1a\n" or png[12:16] != b"IHDR":
        raise ValueError("the picture is not a PNG")
    width, height = struct.unpack(">II", png[16:24])
    dpi: float = _DEFAULT_DPI
    place = png.find(b"pHYs", 24, png.find(b"IDAT", 24))
    if place > 0 and png[place + 12] == 1:
        dpi = struct.unpack(">I", png[place + 4 : place + 8])[0] * 0.0254
    return width / dpi, height / dpi
