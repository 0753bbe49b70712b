"""What happens to tables in shops: gaps, notes, counters, averages, columns of other things, struck-out cells."""

# ruff: noqa: E501

from __future__ import annotations

import math
from decimal import Decimal

from tests.importers.generator.layouts import flow_suffix, port_label
from tests.importers.generator.model import Cell, Page, Task
from tests.importers.generator.words import SI, WORDS

__all__ = ["apply"]

GAPS = ["-", "—", "n/a", "NT", "", "N/A"]
SIMPLE = ("wide", "worksheet a side", "worksheet a state", "grouped", "stacked", "states as columns", "side by side")


def apply(task: Task, pages: list[Page], layout: str, kind: str, removed: set[tuple[int, int]]) -> None:
    """Bring up to two or three quirks into the pages."""
    rng = task.rng
    page = rng.choice(pages)
    header = page.data_rows()[0] - 1
    table = layout in ("wide", "worksheet a side", "worksheet a state", "grouped", "long")
    if table and rng.random() < 0.12 and len(page.data_columns()) > 0 and layout != "long":
        zero_row(task, pages)
    if rng.random() < 0.18 and layout != "transposed":
        averages(task, page, header, layout)
    if rng.random() < 0.15:
        gaps(task, page, kind, removed)
    if rng.random() < 0.12 and table:
        other_quantity(task, page, header)
    if rng.random() < 0.14 and table:
        notes(task, page, header)
    if rng.random() < 0.07 and table and kind not in ("aligned", "quoted mail", "eml", "pdf"):
        page.insert_column(page.data_columns()[0], {})
        task.tags["quirk blank column"] = "yes"
    if rng.random() < 0.1 and table:
        column: dict[int, Cell] = {header: rng.choice(["#", "No.", "Nr.", "#"])}
        column |= {r: Decimal(n) for n, r in enumerate(page.data_rows(), 1)}
        page.insert_column(0, column)
        task.tags["quirk counter"] = "yes"
        if kind in ("xlsx", "ods") and rng.random() < 0.3:
            page.hidden_columns.add(0)
            task.tags["quirk hidden column"] = "yes"
    if kind in ("xlsx", "ods", "xls") and rng.random() < 0.12:
        slot = rng.choice(sorted(page.slots))
        test, at = page.slots[slot]
        if page.rows[slot[0]][slot[1]] not in GAPS and len(test.points) > 3:
            page.struck.add(slot)
            removed.add((id(test), at))
            task.tags["quirk struck"] = "yes"


def gaps(task: Task, page: Page, kind: str, removed: set[tuple[int, int]]) -> None:
    rng = task.rng
    mark = rng.choice(GAPS)
    if kind in ("aligned", "quoted mail", "eml", "pdf") and not mark:
        mark = "-"
    for slot in rng.sample(sorted(page.slots), min(2, len(page.slots))):
        test, at = page.slots[slot]
        page.rows[slot[0]][slot[1]] = mark or None
        removed.add((id(test), at))
    task.tags["quirk gap"] = mark or "empty"


def zero_row(task: Task, pages: list[Page]) -> None:
    """A row at lift zero: the leak of each column."""
    unit = task.truth.flow_unit
    for page in pages:
        first = page.data_rows()[0]
        columns = {c: test for (r, c), (test, _) in page.slots.items() if r == first}
        if len({id(t) for t, _ in page.slots.values()}) != len(columns):
            return
    for page in pages:
        first = page.data_rows()[0]
        columns = {c: test for (r, c), (test, _) in page.slots.items() if r == first}
        row: list[Cell] = [None] * page.width
        lift_column = page.data_columns()[0] - 1
        if isinstance(page.rows[first][lift_column], Decimal) and task.tags.get("pressure at") == "row":
            row[lift_column] = page.rows[first][lift_column]
            lift_column -= 1
        row[lift_column] = Decimal(0)
        for c, test in columns.items():
            size = test.points[0][1]
            test.leak = max((size * Decimal("0.02")).quantize(size), Decimal(1).scaleb(size.as_tuple().exponent))  # type: ignore[arg-type]
            row[c] = test.leak
        page.insert_row(first, row)
    task.tags["quirk leak row"] = unit


def averages(task: Task, page: Page, header: int, layout: str) -> None:
    """A column or row of means, or of gains or ratios."""
    rng = task.rng
    rows = page.data_rows()
    columns = page.data_columns()
    if layout not in ("wide", "worksheet a side", "states as columns", "worksheet a state"):
        return
    if layout == "states as columns" and len({(t.side, t.port) for t, _ in page.slots.values()}) > 1:
        return
    tests = {c: page.slots[next((r, c) for r in rows if (r, c) in page.slots)][0] for c in columns}
    choice = rng.choice(["average", "average", "average row", "gain", "ratio"])
    column: dict[int, Cell] = {}
    if choice == "average":
        side = rng.choice(sorted({str(t.side) for t in tests.values()}))
        mine = [c for c, t in tests.items() if t.side == side and t.state == task.states[0]]
        if len(mine) < 2:
            return
        word = task.word("average")
        both = len({t.side for t in tests.values()}) > 1
        column[header] = f"{word} {port_label(task, side, None)}" if both else word
        column[header] += flow_suffix(task, word=False)
        for r in rows:
            values = [page.rows[r][c] for c in mine if (r, c) in page.slots]
            if len(values) == len(mine):
                column[r] = (sum(values) / len(values)).quantize(values[0])
    elif choice == "average row":
        row: list[Cell] = [None] * page.width
        row[0] = task.word("average")
        if rng.random() < 0.6:
            for c in columns:
                values = [page.rows[r][c] for r in rows if (r, c) in page.slots]
                row[c] = (sum(values) / len(values)).quantize(values[0])
        page.insert_row(rows[-1] + 1, row)
        task.tags["quirk average row"] = "yes"
        return
    elif choice == "gain":
        if len(columns) != 2 or len(task.states) != 2:
            return
        a, b = sorted(columns, key=lambda c: task.states.index(tests[c].state))
        column[header] = next((w for w in WORDS[task.lang]["gain"] if "%" in w), "%")
        for r in rows:
            if (r, a) in page.slots and (r, b) in page.slots:
                column[r] = ((page.rows[r][b] / page.rows[r][a] - 1) * 100).quantize(Decimal("0.1"))
    else:
        sides = {t.side: c for c, t in tests.items()}
        if len(columns) != 2 or len(sides) != 2 or task.lang != "en":
            return
        column[header] = rng.choice(["Exh/Int %", "E/I ratio %", "Exh/Int"])
        scale = 100 if "%" in str(column[header]) else 1
        for r in rows:
            if (r, sides["intake"]) in page.slots and (r, sides["exhaust"]) in page.slots:
                ratio = page.rows[r][sides["exhaust"]] / page.rows[r][sides["intake"]] * scale
                column[r] = ratio.quantize(Decimal("0.1") if scale == 100 else Decimal("0.01"))
    page.insert_column(columns[-1] + 1, column)
    task.tags[f"quirk {choice} column"] = "yes"


def other_quantity(task: Task, page: Page, header: int) -> None:
    """A column of something else that rises, or does not, beside the flows."""
    rng = task.rng
    name, low, step = rng.choice(
        [("rpm", 4200, 150), ("Motor rpm", 9000, 310), ("Temp °C", 21, 0.2), ("Noise dB", 82, 1.4), ("Volts", 61, 4.5), ("V", 61, 4.5),
         ("Amps", 7, 0.4), ("Velocity ft/s", 110, 18), ("Velocity m/s", 40, 6), ("ft/s", 110, 18), ("bar", 0.9, 0.02),
         ("Loss", 1, 0.3), ("Gained", 2, 0.5), ("lb", 12, 0.1), ("°C", 21, 0.2), ("dB", 80, 1.2), ("Hz", 31, 1.5), ("Repeated", None, 0.0), ("Opening", 0.1, 0.1)]
    )  # fmt: skip
    column: dict[int, Cell] = {header: name}
    for n, r in enumerate(page.data_rows()):
        if low is None:
            column[r] = rng.choice(["TRUE", "FALSE"])
            continue
        if name == "Opening":
            column[r] = f"{10 * (n + 1)} %"
            continue
        column[r] = Decimal(repr(low + step * n + rng.uniform(0, step / 3))).quantize(
            Decimal("0.1") if step < 10 else Decimal(1)
        )
    page.insert_column(page.data_columns()[-1] + 1, column)
    task.tags["quirk other quantity"] = name


def notes(task: Task, page: Page, header: int) -> None:
    rng = task.rng
    rows = page.data_rows()
    column: dict[int, Cell] = {header: task.word("notes")}
    for r in rng.sample(rows[1:], min(2, len(rows) - 1)):
        column[r] = (
            rng.choice(["whistles", "turbulent here", "repeated", "ok", "needle jumps"])
            if task.lang == "en"
            else rng.choice(["ok", "!", "ok?"])
        )
    at = page.width
    page.insert_column(at, column)
    task.tags["quirk notes column"] = "yes"


def corrected_columns(task: Task, page: Page) -> None:
    """Beside each measured column the same flows brought to 28 inH2O by the bench's own sheet."""
    rng = task.rng
    header = page.data_rows()[0] - 1
    target = 28 * SI["inH2O"]
    way = rng.choice(["corrected to 28 inH2O", "@ 28 inH2O", 'corr. to 28" H2O', "corrected to 28 in. H2O"])
    for column in sorted(page.data_columns(), reverse=True):
        new: dict[int, Cell] = {header: f"{page.rows[header][column]} {way}"}
        for r in page.data_rows():
            if (r, column) in page.slots:
                test, at = page.slots[r, column]
                pressure = test.row_pressures[at] if test.row_pressures else test.pressure
                factor = math.sqrt(target / (float(pressure or 1) * SI[task.truth.pressure_unit]))
                value = page.rows[r][column]
                new[r] = Decimal(repr(float(value) * factor)).quantize(value)
        page.insert_column(column + 1, new)
    task.tags["quirk corrected column"] = "yes"
