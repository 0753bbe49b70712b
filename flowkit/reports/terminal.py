"""Results as text for a terminal: the answer first, tables when asked, nothing wider than the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from flowkit.analysis.results import Comparison, Gain, SideComparison
from flowkit.analysis.sentences import SAID, cause, headline, least_words
from flowkit.engine.results import EngineDifference, EngineResult
from flowkit.model import Finding
from flowkit.reports.contents import (
    ALL_STEPS,
    BY_GEOMETRY,
    FACTORIAL,
    Bands,
    BandTable,
    Datum,
    GainColumn,
    SideRow,
    all_lifts,
    band_head,
    band_sentence,
    band_tables,
    band_words,
    bands_of,
    cam_gain_words,
    common_lifts,
    corrections_made,
    effect_words,
    effects,
    engine_inputs,
    engine_rows,
    evidence,
    evidence_note,
    formulas,
    further_figures,
    gains_of_steps,
    has_expected,
    matched_words,
    power_figures,
    power_unit,
    power_words,
    ratio_between,
    ratio_lifts,
    ratio_variants,
    side_rows,
    skipped_reasons,
    spaced,
    velocity_between,
    velocity_unit,
    with_interval,
)
from flowkit.reports.labels import KEPT, gathered, method_words, not_assessed_words, port_text, sheet_of, sides_of
from flowkit.units import from_si
from flowkit.wording import (
    NOTHING,
    Display,
    display_of,
    flow_text,
    gain_figure,
    interval_text,
    lift_text,
    numeral,
    percent_figure,
    pressure_words,
    printable,
    signed_figure,
)

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Table

    from flowkit.corrections import CorrectionResult
    from flowkit.importers import ReadResult

Parts = tuple["RenderableType", ...]
Justify = Literal["left", "right"]
Heads = Sequence[tuple[str, Justify]]
_STYLES = {"error": "bold red", "warning": "yellow", "note": "dim"}
_BETWEEN_COLUMNS = 3
_HEAD = 9
"""A head no longer than this takes one line where the terminal is narrow."""
_WIDE = 60
_NAME = 28
"""Names of rows are broken into lines of this many columns."""
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


def plain_text(words: object, style: str = "") -> Any:
    """Return a cell's words as they are, markup signs included."""
    from rich.text import Text

    return Text(printable(words), style=style, no_wrap=True, overflow="fold")


def plain_table(*heads: tuple[str, str]) -> Table:
    """Return an empty table: heads with their alignment, one rule under them."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for head, justify in heads:
        table.add_column(Text(printable(head)), justify=justify, no_wrap=False)  # type: ignore[arg-type]
    return table


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


Block = list[tuple[str, list[Any]]]
"""Columns that stay together: each its head and its cells."""


class WideTable:
    """Columns beside the names of their rows, split into several tables where the terminal is narrow."""

    def __init__(
        self,
        title: str,
        labels: Sequence[str],
        blocks: Sequence[Block],
        *,
        rules: Iterable[int] = (),
        names: Justify = "right",
        notes: str = "",
    ) -> None:
        self.title = title
        self.labels = labels
        self.blocks = blocks
        self.rules = set(rules)
        self.names = names
        self.notes = notes

    def _tables(self, width: int) -> Iterable[Table]:
        """Yield tables that fit a width, whole blocks in each; heads take one line where there is room."""
        needs = [sum(_room(*column, _HEAD) + _BETWEEN_COLUMNS for column in block) for block in self.blocks]
        least = max(map(_longest_word, self.labels))
        names = min(max(_NAME, width // 3), max(width - max(needs, default=0), least))
        labels = ["\n".join(broken(printable(label), names)) for label in self.labels]
        first = max(_columns(line) for label in labels for line in label.split("\n"))
        every = [column for block in self.blocks for column in block]
        whole = first + sum(_room(*column, _WIDE) + _BETWEEN_COLUMNS for column in every)
        head = _WIDE if whole <= width else _HEAD
        waiting: Block = []
        used = first
        for block in self.blocks:
            need = sum(_room(*column, head) + _BETWEEN_COLUMNS for column in block)
            if waiting and used + need > width:
                yield self._one(waiting, labels, head)
                waiting, used = [], first
            waiting += block
            used += need
        yield self._one(waiting, labels, head)

    def _one(self, columns: Block, labels: Sequence[str], most: int) -> Table:
        """Make one table of some columns, each as wide as its cells and its longest word."""
        from rich.text import Text

        heads = ["\n".join(broken(head, _room(head, cells, most))) for head, cells in columns]
        table = plain_table((labels[0], self.names), *((head, "right") for head in heads))
        for column, head in zip(table.columns, (labels[0], *heads), strict=True):
            column.header = Text(head, no_wrap=True, overflow="fold")
        for row, label in enumerate(labels[1:]):
            cells = [cells[row] if not isinstance(cells[row], str) else plain_text(cells[row]) for _, cells in columns]
            name = Text(label, no_wrap=True, overflow="fold")
            table.add_row(name, *cells, end_section=row in self.rules)
        return table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield title, tables and notes."""
        if self.title:
            yield Prose(self.title, "bold")
        for place, table in enumerate(self._tables(options.max_width)):
            if place:
                yield plain_text("")
            yield table
        if self.notes:
            yield plain_text("")
            yield Prose(self.notes, "dim")


def _columns(text: Any) -> int:
    """Return how many columns of a terminal a text takes."""
    from rich.cells import cell_len

    return cell_len(str(text))


def _longest_word(text: str) -> int:
    """Return how many columns the longest word takes; a number and its unit are one, as `broken` keeps them."""
    return max((_columns(word) for word in KEPT.sub("\u00a0", text).split(" ")), default=0)


def _room(head: str, cells: Sequence[Any], most: int) -> int:
    """Return how wide a column is: its cells, or the longest word of its head."""
    return max(*(_columns(cell) for cell in cells), _longest_word(head), min(_columns(head), most), 1)


def listing(heads: Heads, rows: Sequence[Sequence[str]], first: int = 1) -> Any:
    """Return a plain table that is split where the terminal is narrow; its first columns name the rows."""
    return _Listing(heads, rows, first)


_LEAST = 18
"""A last column of words is not made narrower than this, its gap included."""


class _Listing:
    """A table of texts, its last columns moved under the first ones where the terminal is narrow."""

    def __init__(self, heads: Heads, rows: Sequence[Sequence[str]], first: int) -> None:
        self.heads = [(printable(head), justify) for head, justify in heads]
        self.rows = [[printable(cell) for cell in row] for row in rows]
        self.first = first

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield one table, or several that begin with the same columns."""
        wide = [
            _BETWEEN_COLUMNS + _room(head, [row[i][:34] for row in self.rows] or [""], _HEAD)
            for i, (head, _) in enumerate(self.heads)
        ]
        # Words in the last column shrink first: they can be broken.
        most = options.max_width + _BETWEEN_COLUMNS
        spare = most - sum(wide[:-1])
        whole = _BETWEEN_COLUMNS + _room(self.heads[-1][0], [row[-1] for row in self.rows] or [""], _HEAD)
        wide[-1] = whole if whole <= spare else wide[-1]
        if self.heads[-1][1] == "left" and len(self.heads) > self.first and _LEAST <= spare < wide[-1]:
            wide[-1] = spare
        fixed = sum(wide[: self.first])
        groups: list[list[int]] = [[]]
        used = fixed
        for i in range(self.first, len(self.heads)):
            if groups[-1] and used + wide[i] > most:
                groups.append([])
                used = fixed
            groups[-1].append(i)
            used += wide[i]
        for place, group in enumerate(groups):
            if place:
                yield plain_text("")
            yield self._table([*range(self.first), *group], wide)

    def _table(self, chosen: Sequence[int], wide: Sequence[int]) -> Table:
        """Make a table of some of the columns."""
        from rich.text import Text

        table = plain_table(*(self.heads[i] for i in chosen))
        for column, i in zip(table.columns, chosen, strict=True):
            text = "\n".join(broken(self.heads[i][0], wide[i] - _BETWEEN_COLUMNS))
            column.header = Text(text, no_wrap=True, overflow="fold")
        for row in self.rows:
            lines = ["\n".join(broken(row[i], wide[i] - _BETWEEN_COLUMNS)) for i in chosen]
            table.add_row(*(Text(line, no_wrap=True, overflow="fold") for line in lines))
        return table


def reading_text(result: ReadResult) -> Parts:
    """Return what was understood of a sheet for a terminal: a row a test, then the findings."""
    heads = ("state", "side", "port", "run", "points", "lifts", "flows", "pressure", "bore")
    rows = [_reading_row(test) for test in result.tests]
    same = [place for place in range(len(heads)) if len(rows) > 2 and len({row[place] for row in rows}) == 1]
    files = list(dict.fromkeys(test.file for test in result.tests))
    count = f"{len(result.tests)} test" + ("s" if len(result.tests) != 1 else "")
    parts: list[RenderableType] = [Prose(f"{', '.join(files)}: {count}" if files else "no tests", "bold")]
    if same:
        parts.append(
            Prose(
                "All of them: "
                + "; ".join(_same_words(heads[i], rows[0][i]) for i in same if rows[0][i] != NOTHING)
                + "."
            )
        )
    shown = [place for place in range(len(heads)) if place not in same]
    if rows and shown:
        columns: list[tuple[str, Justify]] = [
            (heads[i], "right" if heads[i] in ("run", "points") else "left") for i in shown
        ]
        parts.append(listing(columns, [[row[i] for i in shown] for row in rows], min(3, len(shown) - 1) or 1))
    return (*parts, *findings_text(result.findings), "")


def _same_words(head: str, cell: str) -> str:
    """Say what holds of every test."""
    side = "side not stated" if cell == "?" else cell
    return {"points": f"{cell} points", "side": side, "run": f"run {cell}"}.get(head, f"{head} {cell}")


def _reading_row(test: Any) -> list[str]:
    """Return a test's row: who it is, its lifts and flows as the sheet has them, and its conditions."""
    pressures = {test.pressure_at(point) for point in test.points}
    words = ", ".join("missing" if p is None else _as_written(p, test.units) for p in sorted(pressures, key=str))
    bore = test.conditions.fixture_bore_m
    return [
        test.variant, test.side or "?", test.port or NOTHING, str(test.run), str(len(test.points)),
        _range([point.lift_m for point in test.points], test.units.lift.unit, test.units.lift.source),
        _flow_range(test),
        words, NOTHING if bore is None else _bore(bore, test.units.lift.unit),
    ]  # fmt: skip


def _flow_range(test: Any) -> str:
    """Return the range of a test's flows, or of what its meter showed."""
    if test.gives_flows:
        return _range([point.flow_m3_s for point in test.points], test.units.flow.unit, test.units.flow.source)
    shown = [value for point in test.points if point.reading for value in point.reading.value]
    return f"read {min(shown):g}–{max(shown):g} {test.units.reading.unit}"


def _as_written(pressure_pa: float, units: Any) -> str:
    """Write a pressure in the unit the sheet has it in, in inches of water where it has none."""
    from flowkit.units import UNITS

    unit = units.pressure.unit if units.pressure is not None and units.pressure.unit in UNITS else "inH2O"
    return f"{from_si(pressure_pa, unit):.4g} {unit}"


def _bore(bore_m: float, lift_unit: str) -> str:
    """Write a bore in inches where the sheet's lifts are in inches, in millimetres else."""
    unit, digits = ("in", 3) if lift_unit in ("in", "thou") else ("mm", 2)
    return f"{numeral(from_si(bore_m, unit), digits)} {unit}"


def _range(values: Sequence[float], unit: str, source: str) -> str:
    """Write the smallest and largest of SI values in the unit the sheet was written in."""
    from flowkit.units import UNITS

    known = UNITS.get(unit)
    plain = known is not None and known.quantity in ("length", "flow")
    if not values or not plain:
        text = unit
    else:
        low, high = (f"{from_si(value, unit):.4g}" for value in (min(values), max(values)))
        text = f"{low}–{high} {unit}"
    return text if source == "stated" else f"{text} ({source})"


def correction_text(result: CorrectionResult, display: str = "US") -> Parts:
    """Return corrected flows and how they got there, for a terminal."""
    units = display_of(display)
    law = f"{result.reference.pressure_law} law"
    parts: list[RenderableType] = [
        Prose(f"Flows at {pressure_words(result.reference.pressure_pa, units)}, {law}.", "dim")
    ]
    names = list(dict.fromkeys(line.correction for test in result.tests for line in test.ledger))
    rows = [
        [state, side, str(count), *(effect_words(items.get(name), units) for name in names)]
        for state, side, count, items in corrections_made(result.tests)
    ]
    heads: list[tuple[str, Justify]] = [("state", "left"), ("side", "left"), ("tests", "right")]
    parts += ["", listing([*heads, *((name, "left") for name in names)], rows, 2), ""] if rows else []
    parts += [Prose(f"{name}: {formula}", indent=2) for name, formula in formulas(result.tests)]
    for name, reason, count in skipped_reasons(result.tests):
        where = "any test" if count == len(result.tests) else f"{count} of {len(result.tests)} tests"
        parts.append(Prose(f"{name}: not made in {where}: {reason}", "dim", indent=2))
    parts += _points(result, units)
    found = findings_text(result.findings)
    return (*parts, *(["", *found] if found else []))


def _points(result: CorrectionResult, display: Display) -> list[RenderableType]:
    """Return, under each test's name, a row a point: as read, the pressure it was read at, and at the reference."""
    heads: list[tuple[str, Justify]] = [
        (f"lift, {display.lift}", "right"), (f"read, {display.flow}", "right"), ("at", "right"),
        (f"corrected, {display.flow}", "right"),
    ]  # fmt: skip
    parts: list[RenderableType] = []
    for test in result.tests:
        rows = [
            [
                lift_text(point.lift_m, display),
                flow_text(point.reading_m3_s, display),
                NOTHING if point.pressure_pa is None else pressure_words(point.pressure_pa, display),
                flow_text(point.flow_m3_s, display),
            ]
            for point in test.points
        ]
        parts += ["", Prose(printable(test.id), "bold", indent=2), listing(heads, rows)]
    return parts


_SHOWN = 5
"""Lifts of a compact table."""
_BETWEEN = "~ between measured lifts."


def further_of_side(result: SideComparison, display: Display) -> Parts:
    """Return what there is to say of a side beyond its table and the worth of each step."""
    bands = band_tables(result)
    geometry = BY_GEOMETRY if has_expected(result) else ""
    parts = [
        *(_further_bands(table, display, last=table is bands[-1]) for table in bands),
        *_gain_table("gain of the step, %", result, further_figures(result, display), geometry),
        *_gain_table("what the data show, %", result, evidence(result), evidence_note([evidence(result)])),
        *_factorial(result),
        *_velocity(result, display),
    ]
    return tuple(item for part in parts for item in ("", part))


def _label(name: str | None) -> str:
    """Return what a row is called."""
    return ALL_STEPS if name is None else printable(name)


def _further_bands(table: BandTable, display: Display, *, last: bool) -> WideTable:
    """Return mean flow of every state and gain of every step, band by band."""
    gained = any(gain is not None for row in table.rows for gain in row.gains)
    blocks: list[Block] = []
    for place, limit in enumerate(table.limits):
        flows = [row.flows_m3_s[place] for row in table.rows]
        cells = ["" if flow is None else flow_text(flow, display) for flow in flows]
        block: Block = [(band_head(limit, display), cells)]
        if gained:
            gains = [row.gains[place] for row in table.rows]
            block.append(("step %", [with_interval(gain) for gain in gains]))
        blocks.append(block)
    labels = [f"mean flow by band of lift, {display.flow}", *(_label(row.variant) for row in table.rows)]
    return WideTable("", labels, blocks, notes=band_words(table) if last else "", names="left")


def _gain_table(title: str, result: SideComparison, columns: Sequence[GainColumn], notes: str) -> list[WideTable]:
    """Return figures of every step's gain, a row a step."""
    if not columns:
        return []
    gains = gains_of_steps(result)
    blocks: dict[str, Block] = {}
    for column in columns:
        head = column.group if column.head == "%" else column.head
        blocks.setdefault(column.group or head, []).append((head, [column.cell(gain) for _, gain in gains]))
    return [WideTable("", [title, *(_label(name) for name, _ in gains)], [*blocks.values()], notes=notes, names="left")]


def _factorial(result: SideComparison) -> list[WideTable]:
    """Return main effects and interaction of every two factors whose four corners were tested."""
    rows = [row for found in result.interactions for row in effects(found)]
    if not rows:
        return []
    labels = ["factorial, mean flow", *(printable(row.name) for row in rows)]
    gains = [f"{signed_figure(row.gain)} {interval_text(row.u95)}".strip() for row in rows]
    return [WideTable("", labels, [[("%", gains)]], notes=FACTORIAL, names="left")]


def _velocity(result: SideComparison, display: Display) -> list[WideTable]:
    """Return the mean velocity in the port at some lifts."""
    variants = [variant for variant in result.variants if variant.port_velocity_m_s]
    lifts = spaced(common_lifts(result), _SHOWN)
    unit, scale = velocity_unit(display)
    if not variants or not lifts:
        return []
    rows = [[velocity_between(variant, lift) for lift in lifts] for variant in variants]
    cells = [[_marked(value and value / scale, known, 1) for value, known in row] for row in rows]
    names = [printable(variant.name) for variant in variants]
    return [_at_lifts(f"mean port velocity, {unit}", names, lifts, cells, display)]


def _marked(value: float | None, known: bool, digits: int) -> str:
    """Write a number, marked where it lies between measured lifts."""
    if value is None:
        return NOTHING
    return numeral(value, digits) if known else "~" + numeral(value, digits)


def _at_lifts(
    head: str, names: Sequence[str], lifts: Sequence[float], cells: Sequence[Sequence[str]], display: Display
) -> WideTable:
    """Return a row a state and a column a lift."""
    blocks: list[Block] = [
        [(f"at {lift_text(lift, display)} {display.lift}", [row[place] for row in cells])]
        for place, lift in enumerate(lifts)
    ]
    between = any(cell.startswith("~") for row in cells for cell in row)
    return WideTable("", [head, *names], blocks, notes=_BETWEEN if between else "", names="left")


def ratio_text(comparison: Comparison, display: Display) -> Parts:
    """Return exhaust flow over intake flow, at equal lift and at equal share of peak lift."""
    pairs = ratio_variants(comparison)
    lifts = spaced(ratio_lifts(comparison), _SHOWN)
    parts: list[WideTable] = []
    if pairs and lifts:
        rows = [[ratio_between(pair, lift) for lift in lifts] for pair in pairs]
        cells = [[_marked(value, known, 2) for value, known in row] for row in rows]
        names = [printable(intake.name) for intake, _ in pairs]
        parts.append(_at_lifts("exhaust over intake at equal lift", names, lifts, cells, display))
    points = comparison.ratio_at_fraction
    shares = spaced(sorted({point.at for point in points}), _SHOWN)
    if shares:
        known = {(point.variant, point.at): point.ratio for point in points}
        names = list(dict.fromkeys(point.variant for point in points))
        blocks: list[Block] = [
            [(f"{percent_figure(at, 0)} %", [numeral(known.get((name, at)), 2) for name in names])] for at in shares
        ]
        parts.append(
            WideTable("", ["exhaust over intake, share of peak lift", *map(printable, names)], blocks, names="left")
        )
    if not parts:
        return ()
    return tuple(item for part in parts for item in ("", part))[1:]


def sentences_text(comparison: Comparison) -> Parts:
    """Return what the comparison says in words, a line each."""
    return tuple(Prose(sentence, indent=2) for sentence in comparison.sentences)


def _side_table(side: str, result: SideComparison, display: Display) -> WideTable:
    """Return one side's flows and gains over the first."""
    rows = side_rows(result, all_lifts(result))
    labels = [f"lift, {display.lift}", *(_row_label(row, display) for row in rows)]
    halves = [datum.u95 for row in rows if row.kind in ("lift", "mean") for datum in row.gains]
    room = max((len(percent_figure(half)) for half in halves if half is not None), default=0)
    gained = {gain.to: place for place, gain in enumerate(result.totals)}
    blocks: list[Block] = []
    for place, variant in enumerate(result.variants):
        flows = [_flow_cell(row, row.flows[place], display) for row in rows]
        block: Block = [(f"{printable(variant.name)} {display.flow}", flows)]
        if variant.name in gained:
            mine = [row.gains[gained[variant.name]] if row.gains else None for row in rows]
            cells = [_gain_cell(row.kind, datum, room) for row, datum in zip(rows, mine, strict=True)]
            block.append(("gain %", cells))
        blocks.append(block)
    kinds = [row.kind for row in rows]
    rules = {kinds.index("mean") - 1, kinds.index("area")}
    return WideTable(side.capitalize(), labels, blocks, rules=rules, notes=_table_notes(result, rows))


def _row_label(row: SideRow, display: Display) -> str:
    """Return what a row is called."""
    if row.kind == "lift" and row.lift_m is not None:
        return lift_text(row.lift_m, display)
    names = {
        "mean": "mean flow", "area": f"area, {display.flow}·{display.lift}", "spread": "spread, %",
        "port": port_text(printable(row.port or "")),
    }  # fmt: skip
    return names[row.kind]


def _flow_cell(row: SideRow, datum: Datum, display: Display) -> Any:
    """Return a state's figure in a row: a flow, an area or a spread."""
    if row.kind == "spread":
        return plain_text(percent_figure(datum.value))
    if row.kind == "area":
        scale = from_si(1.0, display.flow) * from_si(1.0, display.lift)
        return plain_text(numeral(None if datum.value is None else scale * datum.value, display.flow_digits))
    text = flow_text(datum.value, display)
    between = datum.between and datum.value is not None
    return plain_text(f"~{text}" if between else text, "bold" if row.kind == "mean" else "")


def _gain_cell(kind: str, datum: Datum | None, room: int) -> Any:
    """Return a gain with its interval, aligned on the decimal and on the sign ±; dim where the scatter covers it."""
    if datum is None:
        return plain_text("")
    half = f" ± {percent_figure(datum.u95):>{room}}" if datum.u95 is not None else " " * (room + 3 if room else 0)
    mark = "~" if datum.between and datum.value is not None else ""
    style = "dim" if datum.unsure else "bold" if kind == "mean" else ""
    return plain_text(mark + signed_figure(datum.value) + half, style)


def _table_notes(result: SideComparison, rows: Sequence[SideRow]) -> str:
    """Say what the marks in the table mean, where there are any."""
    notes = [f"Gains over {printable(result.variants[0].name)}."] if result.totals else []
    if matched := matched_words(result):
        notes.append(f"{matched[:1].upper()}{printable(matched[1:])}.")
    if any(datum.between and datum.value is not None for row in rows for datum in (*row.flows, *row.gains)):
        notes.append(_BETWEEN)
    return " ".join(notes)


def steps_text(comparison: Comparison) -> Parts:
    """Return what each step, and all together, were worth on either side."""
    sides = sides_of(comparison)
    names: dict[str | None, str] = {}
    for _, result in sides:
        for name, gain in gains_of_steps(result):
            names[name] = printable(gain.to) if name is not None else f"all, over {printable(gain.from_)}"
    if not names:
        return ()
    found = [dict(gains_of_steps(result)) for _, result in sides]
    rows = []
    for name in sorted(names, key=lambda item: item is None):
        gains = [side.get(name) for side in found]
        causes = dict.fromkeys(cause(gain) for gain in gains if gain is not None)
        rows.append([names[name], *(_step_cell(gain) for gain in gains), "; ".join(map(printable, causes))])
    heads: list[tuple[str, Justify]] = [("state", "left"), *((side, "left") for side, _ in sides)]
    wide = max(len(cell) for row in rows for cell in row[1:-1]) > _STEP_WIDE
    parts: list[RenderableType] = [Prose("Gain in mean flow, %", "bold")]
    if wide:
        parts.append(listing(heads, [row[:-1] for row in rows]))
        parts.append(Prose("Changed: " + "; ".join(f"{row[0]}: {row[-1]}" for row in rows) + ".", "dim", indent=2))
    else:
        parts.append(listing([*heads, ("what changed", "left")], rows))
    if any(gain is not None and gain.resolved is False for side in found for gain in side.values()):
        parts.append(Prose("(?) not proven.", "dim"))
    return tuple(parts)


_STEP_WIDE = 16
"""Wider figures than this leave no room beside them for what changed."""


def _step_cell(gain: Gain | None) -> str:
    """Write a step's gain with its interval, marked where it is not proven."""
    if gain is None:
        return NOTHING
    text = gain_figure(gain.mean_flow_gain, gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high)
    return text + (" (?)" if gain.resolved is False else "")


def comparison_text(comparison: Comparison, display: str = "US", *, tables: bool = False) -> Parts:
    """Return a comparison for a terminal: the answer in one screen, and every table where asked."""
    units = display_of(display)
    parts: list[RenderableType] = [*_answer(comparison, units)]
    if tables:
        for side, result in sides_of(comparison):
            parts += ["", _side_table(side, result, units), *further_of_side(result, units)]
        ratio = ratio_text(comparison, units)
        parts += ["", *ratio] if ratio else []
        found = findings_text(comparison.findings)
        return (*parts, *(["", *found] if found else []))
    return (*parts, *_doubts(comparison))


def _answer(comparison: Comparison, display: Display) -> Parts:
    """Return headline, steps, what is in doubt and what to do next, then what the figures are."""
    parts: list[RenderableType] = []
    for side, result in sides_of(comparison):
        words = headline(result.totals[-1], side) if result.totals else ""
        if result.totals and (least := result.totals[-1].at_least) is not None:
            words += f", {least_words(least)}"
        parts += [Prose(words, "bold", indent=2)] if words else []
    steps = steps_text(comparison)
    parts += ["", *steps, ""] if steps else []
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


SPEEDS_SHOWN = 12


def engine_text(result: EngineResult, display: str = "US", *, tables: bool = False) -> Parts:
    """Return what the flows mean for the engine, for a terminal: cautions first, every table where asked."""
    units = display_of(display)
    parts: list[RenderableType] = [Prose(caution, indent=2) for caution in result.cautions]
    parts += [""] if parts else []
    parts += [Prose(result.prediction, "bold"), ""] if result.prediction else []
    parts += [Prose(sentence, indent=2) for sentence in result.sentences]
    parts += ["", *_engines(result, units), _variants(result, units), ""]
    found = findings_text(result.findings)
    if not tables:
        parts.append(Prose("Every figure, input and simplification of the model: --tables.", "dim"))
        return (*parts, *(["", *found] if found else []))
    over = [item for item in result.differences if item.speeds_rpm]
    if over:
        parts += [Prose(f"Change over {over[0].from_}, % (estimates of a model)", "bold"), _changes(over), ""]
    parts += _power(result, units)
    for bands in bands_of(result, units):
        parts += [*_engine_bands(bands, units), ""]
    for word, items in engine_inputs(result, units):
        parts.append(Prose(f"{word}: {'; '.join(items)}.", "dim", indent=2))
    notes = [note for note in (*result.model_notes, result.no_wave_effects) if note]
    parts += [Prose(note, "dim", indent=2) for note in notes]
    return (*parts, *(["", *found] if found else []))


def _engines(result: EngineResult, display: Display) -> Parts:
    """Return each state's engine and the peak of its brake estimate."""
    heads, rows = engine_rows(result, display)
    if not heads:
        return ()
    columns: list[tuple[str, Justify]] = [("state", "left"), *((head, "right") for head in heads)]
    return (listing(columns, [[name, *cells] for name, cells in rows]), "")


def _variants(result: EngineResult, display: Display) -> Any:
    """Return a row a state."""
    heads: list[tuple[str, Justify]] = [
        ("state", "left"), (f"intake flow over the cam, {display.flow}", "right"), ("gain, %", "right"),
        (f"exhaust, {display.flow}", "right"), ("gain, %", "right"), ("rpm at Z = 0.5", "right"),
        ("change, %", "right"),
    ]  # fmt: skip
    speeds = {item.to: item.speed_at_half for item in result.differences}
    rows = []
    for variant in result.variants:
        flows, more = variant.cam_weighted_mean_flow_m3_s, speeds.get(variant.name)
        rows.append([
            variant.name, flow_text(flows.intake, display), cam_gain_words(result, "intake", variant.name),
            flow_text(flows.exhaust, display), cam_gain_words(result, "exhaust", variant.name),
            NOTHING if variant.mach is None else numeral(variant.mach.speed_at_half_rpm, 0),
            "" if more is None else signed_figure(more),
        ])  # fmt: skip
    return listing(heads, rows)


def _changes(over: list[EngineDifference]) -> Any:
    """Return what air mass, filling and brake torque change, at some of the speeds."""
    every = sorted({speed for item in over for speed in item.speeds_rpm})
    speeds = [every[place] for place in _places(len(every))]
    blocks: list[Block] = []
    for item in over:
        block: Block = [(f"{printable(item.to)} air", _at_speeds(item, item.air_flow, speeds))]
        if any(abs(a - b) > 1e-6 for a, b in zip(item.air_flow, item.volumetric_efficiency, strict=True)):
            block.append(("filling", _at_speeds(item, item.volumetric_efficiency, speeds)))
        block.append(("brake torque", _at_speeds(item, item.brake_torque, speeds)))
        blocks.append(block)
    return WideTable("", ["rpm", *(numeral(speed, 0) for speed in speeds)], blocks)


def _at_speeds(item: EngineDifference, values: Sequence[float | None], speeds: Sequence[float]) -> list[str]:
    """Return a difference at each speed, nothing where there is none."""
    known = dict(zip(item.speeds_rpm, values, strict=True))
    return [NOTHING if (value := known.get(speed)) is None else signed_figure(value) for speed in speeds]


def _places(count: int) -> list[int]:
    """Return which of so many speeds are shown, counted from the highest, where the differences are."""
    step = -(-count // SPEEDS_SHOWN)
    return sorted(range(count - 1, -1, -step)) if count else []


def _power(result: EngineResult, display: Display) -> Parts:
    """Return the power the air allows, at some of the speeds, and every assumption behind it."""
    having = [variant for variant in result.variants if variant.power is not None]
    if not having or having[0].power is None:
        return ()
    every = sorted({speed for variant in having if variant.power for speed in variant.power.speeds_rpm})
    speeds = [every[place] for place in _places(len(every))]
    blocks: list[Block] = []
    for variant in having:
        known = dict(
            zip(variant.power.speeds_rpm if variant.power else (), power_figures(variant, display), strict=True)
        )
        shown = [NOTHING if (value := known.get(speed)) is None else numeral(value, 1) for speed in speeds]
        blocks.append([(printable(variant.name), shown)])
    title = f"Air-limited power, {power_unit(display)} (estimates)"
    table = WideTable(title, ["rpm", *(numeral(speed, 0) for speed in speeds)], blocks)
    return (table, Prose(power_words(result, display), "dim", indent=2), "")


def _engine_bands(bands: Bands, display: Display) -> Parts:
    """Return where one side's valve spends its time, and where more flow would pay."""
    heads: list[tuple[str, Justify]] = [
        (f"lift, {display.lift}", "right"), ("crank, °", "right"), ("time, %", "right")
    ]  # fmt: skip
    heads += [] if bands.before is None else [(f"{bands.before}, {display.flow}", "right")]
    heads.append((f"{bands.after}, {display.flow}", "right"))
    heads += [] if bands.before is None else [("gain, %", "right")]
    heads.append(("share of flow, %", "right"))
    rows = []
    for row in bands.rows:
        cells = [row.lift, numeral(row.time.crank_deg, 0), percent_figure(row.time.share_of_period)]
        cells += [] if bands.before is None else [flow_text(row.before_m3_s, display)]
        cells.append(flow_text(row.after_m3_s, display))
        cells += [] if bands.before is None else [NOTHING if row.gain is None else signed_figure(row.gain)]
        rows.append([*cells, percent_figure(row.time.share_of_flow)])
    title = Prose(f"{bands.side.capitalize()}: time in bands of lift, and mean flow there", "bold")
    sentence = band_sentence(bands, display, bands.after)
    return (title, listing(heads, rows), *((Prose(sentence, indent=2),) if sentence else ()))
