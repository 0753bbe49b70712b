"""Results as text for a terminal: the answer first, tables when asked, nothing wider than the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from flowkit.analysis.results import Comparison
from flowkit.analysis.sentences import SAID, headline, least_words
from flowkit.engine.results import EngineResult
from flowkit.model import Finding
from flowkit.reports import tables as derived
from flowkit.reports.contents import all_lifts, engine_inputs, power_words
from flowkit.reports.labels import KEPT, gathered, method_words, not_assessed_words, sheet_of, sides_of
from flowkit.reports.tables import Cell, Column, Row, Table
from flowkit.units import UNITS, from_si
from flowkit.wording import NOTHING, Display, display_of, flow_text, lift_text, numeral, pressure_words, printable

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Table as RichTable

    from flowkit.corrections import CorrectionResult
    from flowkit.importers import ReadResult

Parts = tuple["RenderableType", ...]
_STYLES = {"error": "bold red", "warning": "yellow", "note": "dim"}
FINDINGS_SHOWN = 20
"""Findings of one sheet on a terminal; --json has them all."""


def broken(text: str, width: int) -> list[str]:
    """Break a text into lines, never inside a word, a number or between a number and its unit."""
    from rich.cells import cell_len

    lines, line = [], ""
    for word in KEPT.sub("\u00a0", text).split(" "):
        longer = f"{line} {word}" if line else word
        if line and cell_len(longer) > width:
            lines.append(line)
            longer = word
        line = longer
    return [one.replace("\u00a0", " ") for one in (*lines, line)]


class Prose:
    """A paragraph as wide as the terminal, its further lines indented; words too long for a line stay whole."""

    def __init__(
        self, words: object, style: str = "", *, label: str = "", label_style: str = "", indent: int = 0
    ) -> None:
        self.words = printable(words)
        self.style = style
        self.label = label
        self.label_style = label_style
        self.indent = indent

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the lines."""
        from rich.text import Text

        width = max(20, options.max_width - self.indent)
        for number, line in enumerate(broken(self.words, width)):
            text = Text(no_wrap=True, overflow="ignore", end="\n")
            first = self.label.ljust(self.indent) if self.label else ""
            text.append(first if number == 0 else " " * self.indent, style=self.label_style)
            text.append(line, style=self.style)
            yield text


_BETWEEN_COLUMNS = 3
_HEAD, _WIDE = 9, 60
"""A head no longer than this takes one line: where the terminal is narrow, and where the whole table fits."""
_NAME = 28
"""Names of rows are broken into lines of this many columns."""
_WORDS, _LEAST = 34, 15
"""A column of words is no wider than this, and the last of a row no narrower."""


class TableText:
    """A table as wide as the terminal, split into several where that is narrow.

    Columns of one state or group stay together; those that name the rows begin each of the tables.
    """

    def __init__(self, table: Table) -> None:
        self.table = table
        self.rows = [row for row in table.rows if row.kind != "interval"]
        blocks: dict[str, list[int]] = {}
        for place, column in enumerate(table.columns[table.keys :], table.keys):
            blocks.setdefault(column.state or column.group or f"{place}", []).append(place)
        self.blocks = [*blocks.values()]
        leading = {places[0] for places in self.blocks}
        self.heads, self.texts = [], []
        for place, column in enumerate(table.columns):
            words = column.head
            if place in leading and (block := column.state or column.group):
                words = f"{block}{'' if column.state else ','} {words}" if words else block
            self.heads.append(printable(words))
            cells = [row.cells[place] for row in self.rows]
            room = max((len(cell.half) for cell in cells), default=0)
            texts = []
            for cell in cells:
                # Aligned on the decimal and on the sign ±.
                half = f" ± {cell.half:>{room}}" if cell.half else " " * (room + 3 if room else 0)
                texts.append(printable(f"{'~' if 'italic' in cell.style else ''}{cell.text}{half}"))
            self.texts.append(texts)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield title, tables and notes."""
        table, width = self.table, options.max_width
        if table.title:
            yield Prose(table.heading, "bold")
        rooms = [self._room(place, _WIDE) + _BETWEEN_COLUMNS for place in range(len(self.heads))]
        most, below = width + _BETWEEN_COLUMNS, False
        if sum(rooms) > most:
            rooms = [self._room(place, _HEAD) + _BETWEEN_COLUMNS for place in range(len(self.heads))]
            # Names are broken before a figure is cut.
            needs = max((sum(rooms[place] for place in block) for block in self.blocks), default=0)
            needs += sum(rooms[1 : table.keys])
            least = max(map(_longest_word, (self.heads[0], *self.texts[0])))
            rooms[0] = min(rooms[0], max(_NAME, width // 3, most - needs) + _BETWEEN_COLUMNS)
            rooms[0] = max(min(rooms[0], most - needs), least + _BETWEEN_COLUMNS)
            # So are words in the last column; long ones that have no room there are written below.
            spare = most - sum(rooms[:-1])
            if table.columns[-1].left and self.blocks and spare < rooms[-1]:
                below = spare < _LEAST and max(map(len, self.texts[-1]), default=0) > _NAME
                rooms[-1] = spare if spare >= _LEAST else rooms[-1]
        blocks = self.blocks[:-1] if below else self.blocks
        fixed = sum(rooms[: table.keys])
        groups: list[list[int]] = [[]]
        used = fixed
        for block in blocks:
            need = sum(rooms[place] for place in block)
            if groups[-1] and used + need > most:
                groups.append([])
                used = fixed
            groups[-1] += block
            used += need
        for number, group in enumerate(groups):
            if number:
                yield ""
            yield self._part([*range(table.keys), *group], rooms)
        if below:
            words = "; ".join(f"{name}: {said}" for name, said in zip(self.texts[0], self.texts[-1], strict=True))
            yield Prose(f"{self.heads[-1][:1].upper()}{self.heads[-1][1:]}: {words}.", "dim", indent=2)
        notes = [f"Gains over {over}." for over in dict.fromkeys(c.over for c in table.columns if c.over is not None)]
        notes += [f"{mark[:1].upper()}{mark[1:]}." for mark in table.marks]
        notes += ["~ between measured lifts."] if table.between else []
        if said := " ".join(filter(None, (*notes, *table.notes))):
            yield ""
            yield Prose(said, "dim")

    def _room(self, place: int, most: int) -> int:
        """Return how wide a column is: its cells, the longest word of its head, or all of a short head."""
        from rich.cells import cell_len

        head = self.heads[place]
        cells = max(map(cell_len, self.texts[place]), default=1)
        last = place == len(self.heads) - 1 and most == _WIDE
        words = min(cells, _WORDS) if self.table.columns[place].left and place and not last else cells
        return max(words, _longest_word(head), min(cell_len(head), most), 1)

    def _part(self, chosen: Sequence[int], rooms: Sequence[int]) -> RichTable:
        """Make a table of some of the columns, each text broken into lines of its width."""
        from rich import box
        from rich.table import Table as RichTable
        from rich.text import Text

        def text(words: str, place: int, style: str = "") -> Text:
            """Return words as they are, markup signs included."""
            # An empty end keeps figures in line where others have an interval.
            lines = broken(words.rstrip(), rooms[place] - _BETWEEN_COLUMNS)
            lines[-1] += words[len(words.rstrip()) :]
            return Text("\n".join(lines), style=style, no_wrap=True, overflow="fold")

        table = RichTable(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
        for place in chosen:
            justify: Literal["left", "right"] = "left" if self.table.columns[place].left else "right"
            table.add_column(text(self.heads[place], place), justify=justify, no_wrap=True)
        for number, row in enumerate(self.rows):
            cells = []
            for place in chosen:
                style = row.cells[place].style
                style = "dim" if "dim" in style else "bold" if "bold" in style and place else ""
                cells.append(text(self.texts[place][number], place, style))
            following = self.rows[number + 1 : number + 2]
            table.add_row(*cells, end_section=bool(following) and following[0].rule)
        return table


def _longest_word(text: str) -> int:
    """Return how many columns the longest word takes; a number and its unit are one, as `broken` keeps them."""
    from rich.cells import cell_len

    return max((cell_len(word) for word in KEPT.sub(" ", text).split(" ")), default=0)


def in_order(tables: Sequence[Table]) -> list[TableText]:
    """Return tables ready to be printed; what several of a kind have to say under them is said under the last."""
    found = []
    for place, table in enumerate(tables):
        again = place + 1 < len(tables) and tables[place + 1].notes == table.notes
        found.append(TableText(replace(table, notes=()) if again else table))
    return found


def capped(findings: Iterable[Finding]) -> list[Finding | str]:
    """Return each finding once, at most so many of a sheet, and in place of the rest how many there are."""
    shown: list[Finding | str] = []
    counts: dict[str, int] = {}
    for finding in gathered(findings):
        if finding.rule == "date-ambiguous" and any(isinstance(f, Finding) and f.rule == finding.rule for f in shown):
            continue  # one answer settles the dates of all sheets
        sheet = sheet_of(finding.where)
        counts[sheet] = counts.get(sheet, 0) + 1
        if counts[sheet] <= FINDINGS_SHOWN:
            shown.append(finding)
    left = {sheet: count - FINDINGS_SHOWN for sheet, count in counts.items() if count > FINDINGS_SHOWN}
    return shown + [f"{sheet}: and {count} more in --json" for sheet, count in left.items()]


def findings_text(findings: Sequence[Finding]) -> Parts:
    """Return warnings, then notes, for a terminal; errors go to standard error."""
    ordered = [finding for kind in ("warning", "note") for finding in findings if finding.severity == kind]
    parts: list[RenderableType] = []
    for item in capped(ordered):
        if isinstance(item, str):
            parts.append(Prose(item, "dim"))
            continue
        words = f"{item.where}: {item.message}" if item.where else item.message
        parts.append(Prose(f"{words} [{item.rule}]", label=item.severity, label_style=_STYLES[item.severity], indent=9))
    return tuple(parts)


def reading_text(result: ReadResult) -> Parts:
    """Return what was understood of a sheet for a terminal: a row a test, then the findings."""
    heads = ("state", "side", "port", "run", "points", "lifts", "flows", "pressure", "bore")
    rows = [_reading_row(test) for test in result.tests]
    same = [place for place in range(len(heads)) if len(rows) > 2 and len({row[place] for row in rows}) == 1]
    files = list(dict.fromkeys(test.file for test in result.tests))
    count = f"{len(result.tests)} test" + ("s" if len(result.tests) != 1 else "")
    parts: list[RenderableType] = [Prose(f"{', '.join(files)}: {count}" if files else "no tests", "bold")]
    if same:
        words = []
        for head, cell in ((heads[place], rows[0][place]) for place in same):
            side = "side not stated" if cell == "?" else cell
            known = {"points": f"{cell} points", "side": side, "run": f"run {cell}"}
            words += [known.get(head, f"{head} {cell}")] if cell != NOTHING else []
        parts.append(Prose(f"All of them: {'; '.join(words)}."))
    shown = [place for place in range(len(heads)) if place not in same]
    if rows and shown:
        columns = tuple(Column(heads[place], left=heads[place] not in ("run", "points")) for place in shown)
        keys = min(3, len(shown) - 1) or 1
        parts.append(TableText(table_of(columns, [[row[place] for place in shown] for row in rows], keys)))
    return (*parts, *findings_text(result.findings), "")


def _reading_row(test: Any) -> list[str]:
    """Return a test's row: who it is, its lifts and flows as the sheet has them, and its conditions."""
    units, bore = test.units, test.conditions.fixture_bore_m
    # In the unit the sheet has them in, in inches of water where it has none.
    unit = units.pressure.unit if units.pressure is not None and units.pressure.unit in UNITS else "inH2O"
    found = sorted({test.pressure_at(point) for point in test.points}, key=str)
    pressures = ("missing" if value is None else f"{from_si(value, unit):.4g} {unit}" for value in found)
    if test.gives_flows:
        flows = _range([point.flow_m3_s for point in test.points], units.flow.unit, units.flow.source)
    else:
        shown = [value for point in test.points if point.reading for value in point.reading.value]
        flows = f"read {min(shown):g}–{max(shown):g} {units.reading.unit}"
    length, digits = ("in", 3) if units.lift.unit in ("in", "thou") else ("mm", 2)
    return [
        test.variant, test.side or "?", test.port or NOTHING, str(test.run), str(len(test.points)),
        _range([point.lift_m for point in test.points], units.lift.unit, units.lift.source), flows,
        ", ".join(pressures), NOTHING if bore is None else f"{numeral(from_si(bore, length), digits)} {length}",
    ]  # fmt: skip


def table_of(columns: Sequence[Column], rows: Iterable[Sequence[str]], keys: int = 1) -> Table:
    """Return texts as a table."""
    return Table("", None, tuple(columns), tuple(Row(tuple(map(Cell, row))) for row in rows), keys=keys)


def _range(values: Sequence[float], unit: str, source: str) -> str:
    """Write the smallest and largest of SI values in the unit the sheet was written in."""
    known = UNITS.get(unit)
    plain = known is not None and known.quantity in ("length", "flow")
    if not values or not plain:
        text = unit
    else:
        low, high = (f"{from_si(value, unit):.4g}" for value in (min(values), max(values)))
        text = f"{low}–{high} {unit}"
    return text if source == "stated" else f"{text} ({source})"


def correction_text(result: CorrectionResult, display: str = "US") -> Parts:
    """Return corrected flows and how they got there, for a terminal: a row a point under each test's name."""
    units = display_of(display)
    at = pressure_words(result.reference.pressure_pa, units)
    parts: list[RenderableType] = [Prose(f"Flows at {at}, {result.reference.pressure_law} law.", "dim")]
    ledger = derived.ledger_table(result.tests, units, pressures=False)
    parts += ["", TableText(replace(ledger, title="")), ""] if ledger.rows else []
    made, skipped = derived.correction_words(result.tests)
    parts += [Prose(f"{name}: {formula}", indent=2) for name, formula in made]
    parts += [Prose(f"{name}: {reason}", "dim", indent=2) for name, reason in skipped]
    heads = (f"lift, {units.lift}", f"read, {units.flow}", "at", f"corrected, {units.flow}")
    for test in result.tests:
        rows = [
            (
                lift_text(point.lift_m, units),
                flow_text(point.reading_m3_s, units),
                NOTHING if point.pressure_pa is None else pressure_words(point.pressure_pa, units),
                flow_text(point.flow_m3_s, units),
            )
            for point in test.points
        ]
        parts += ["", Prose(printable(test.id), "bold", indent=2), TableText(table_of([*map(Column, heads)], rows))]
    found = findings_text(result.findings)
    return (*parts, *(["", *found] if found else []))


def sentences_text(comparison: Comparison) -> Parts:
    """Return what the comparison says in words, a line each."""
    return tuple(Prose(sentence, indent=2) for sentence in comparison.sentences)


def comparison_text(comparison: Comparison, display: str = "US", *, tables: bool = False) -> Parts:
    """Return a comparison for a terminal: the answer in one screen, and every table where asked."""
    units = display_of(display)
    answer = _answer(comparison, units)
    if not tables:
        return (*answer, *_doubts(comparison))
    found: list[Table] = []
    for side, result in sides_of(comparison):
        found.append(derived.flow_table(side, result, units, all_lifts(result), ports=False))
        found += [derived.port_table(side, result, units), *derived.further_tables(comparison, units, side)]
    doubts = findings_text(comparison.findings)
    printed = (item for table in in_order(found) for item in ("", table))
    return (*answer, *printed, *(["", *doubts] if doubts else []))


def _answer(comparison: Comparison, display: Display) -> Parts:
    """Return headline, steps, what is in doubt and what to do next, then what the figures are."""
    parts: list[RenderableType] = []
    for side, total in ((side, result.totals[-1]) for side, result in sides_of(comparison) if result.totals):
        least = "" if total.at_least is None else f", {least_words(total.at_least)}"
        parts.append(Prose(headline(total, side) + least, "bold", indent=2))
    steps = derived.step_table(comparison)
    parts += ["", TableText(steps), ""] if steps is not None else []
    said = comparison.parts
    sentences = (*said.get("doubts", ()), *said.get("next", ())) if said and steps else comparison.sentences
    parts += [Prose(sentence, indent=2) for sentence in sentences]
    reasons = [gain.not_assessed_because for _, side in sides_of(comparison) for gain in side.gains]
    if not said:
        parts += [Prose(not_assessed_words(reason), indent=2) for reason in dict.fromkeys(filter(None, reasons))]
    where = f"Flows at {pressure_words(comparison.reference.pressure_pa, display)}"
    law = f"{comparison.reference.pressure_law} law"
    return (*parts, Prose(f"{where}, {law}. {method_words(comparison, display)}", "dim", indent=2))


_DOUBTS = 2
"""Warnings shown under the answer."""


_SAID = ("setup-differs", "drift-unknown", "heads-differ", "few-repeats", *SAID)
"""Rules of findings that the sentences on what is in doubt say already."""


def _doubts(comparison: Comparison) -> Parts:
    """Return the first warnings, and how to see everything else."""
    every = gathered(finding for finding in comparison.findings if finding.severity == "warning")
    said = _SAID if comparison.parts.get("doubts") else ()
    warnings = [finding for finding in every if finding.rule not in said][:_DOUBTS]
    notes = len(gathered(finding for finding in comparison.findings if finding.severity == "note"))
    left = len(every) - len(warnings)
    more = [f"{left} warning{'s' if left > 1 else ''}"] if left else []
    more += [f"{notes} note{'s' if notes > 1 else ''}"] if notes else []
    parts = list(findings_text(warnings))
    listed = f"; {' and '.join(more)} with flowkit check" if more else ""
    return (*(["", *parts] if parts else []), Prose(f"Every figure: --tables{listed}.", "dim"))


def engine_text(result: EngineResult, display: str = "US", *, tables: bool = False) -> Parts:
    """Return what the flows mean for the engine, for a terminal: cautions first, every table where asked."""
    units = display_of(display)
    parts: list[RenderableType] = [Prose(caution, indent=2) for caution in result.cautions]
    parts += [""] if parts else []
    parts += [Prose(result.prediction, "bold"), ""] if result.prediction else []
    parts += [Prose(sentence, indent=2) for sentence in result.sentences]
    for table in (derived.engine_table(result, units), derived.cam_flow_table(result, units)):
        parts += ["", TableText(table)] if table.rows else []
    parts.append("")
    found = findings_text(result.findings)
    if not tables:
        parts.append(Prose("Every figure, input and simplification of the model: --tables.", "dim"))
        return (*parts, *(["", *found] if found else []))
    for table in derived.speed_tables(result, units):
        parts += [TableText(table), ""]
    if words := power_words(result, units):
        parts += [Prose(words, "dim", indent=2), ""]
    for table, sentence in derived.cam_band_tables(result, units):
        parts += [TableText(replace(table, notes=())), *([Prose(sentence, indent=2)] if sentence else []), ""]
    for word, items in engine_inputs(result, units):
        parts.append(Prose(f"{word}: {'; '.join(items)}.", "dim", indent=2))
    notes = [note for note in (*result.model_notes, result.no_wave_effects) if note]
    parts += [Prose(note, "dim", indent=2) for note in notes]
    return (*parts, *(["", *found] if found else []))
