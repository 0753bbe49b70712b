"""The ways in which operators lay out a table of lifts and flows."""

# ruff: noqa: E501

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from tests.importers.generator.model import Cell, Measured, Page, Task
from tests.importers.generator.words import WORDS

__all__ = ["LAYOUTS", "unit_suffix"]


def unit_suffix(task: Task, unit: str) -> str:
    """A unit behind a heading, in the sheet's way."""
    if not unit:
        return ""
    way = task.tags.setdefault("unit way", task.rng.choice([" ({})", " ({})", " [{}]", " {}", ", {}", " in {}"]))
    if unit.startswith('"') and way in (" {}", " in {}", ", {}"):
        way = " ({})"
    if way == " in {}" and task.lang != "en":
        way = " ({})"
    return way.format(unit)


def lift_heading(task: Task) -> str:
    word = task.word("lift")
    return word + (unit_suffix(task, task.lift_unit) if task.unit_at == "heading" else "")


def flow_word(task: Task) -> str:
    if "flow word" not in task.tags:
        task.tags["flow word"] = task.word("flow")
    return task.tags["flow word"]


def flow_suffix(task: Task, *, word: bool | None = None) -> str:
    """The flow's word and unit behind a label of side and port."""
    if "flow suffix" not in task.tags:
        task.tags["flow suffix"] = task.rng.choice(["unit", "unit", "unit", "word unit"])
    style = task.tags["flow suffix"]
    unit = task.flow_unit if task.unit_at == "heading" else ""
    text = f" {flow_word(task)}" if (style == "word unit" if word is None else word) else ""
    return text + unit_suffix(task, unit)


def flow_heading(task: Task) -> str:
    """A heading of a column of flows that says no port."""
    if task.unit_at == "heading" and task.rng.random() < 0.35 and not task.flow_unit.startswith("m"):
        return task.flow_unit
    return flow_word(task) + (unit_suffix(task, task.flow_unit) if task.unit_at == "heading" else "")


def side_word(task: Task, side: str) -> str:
    """Intake or exhaust in full, one spelling a sheet."""
    name = f"word {side}"
    if name not in task.tags:
        index = task.rng.randrange(min(len(WORDS[task.lang]["intake"]), len(WORDS[task.lang]["exhaust"])))
        task.tags["word intake"] = WORDS[task.lang]["intake"][index]
        task.tags["word exhaust"] = WORDS[task.lang]["exhaust"][index]
    return task.tags[name]


def side_short(task: Task, side: str) -> str:
    name = f"short {side}"
    if name not in task.tags:
        index = task.rng.randrange(min(len(WORDS[task.lang]["in"]), len(WORDS[task.lang]["ex"])))
        task.tags["short intake"] = WORDS[task.lang]["in"][index]
        task.tags["short exhaust"] = WORDS[task.lang]["ex"][index]
    return task.tags[name]


def port_label(task: Task, side: str | None, port: str | None) -> str:
    """Side and port in one of the trade's ways, the same throughout the sheet."""
    word = task.tags.setdefault("port word", task.word("port"))
    if side is None:
        styles = ["{W} {p}", "{W}{p}", "#{p}", "{p}"] if task.lang != "ja" else ["{W}{p}", "{p}番"]
        if port is not None and not port.isdigit():
            styles = ["{W} {p}"]
        style = task.tags.setdefault("label", task.rng.choice(styles[:2] if task.lang == "ja" else styles))
        return style.format(W=word, p=port)
    if port is None:
        return (
            side_word(task, side)
            if task.tags.setdefault("label", task.rng.choice(["full", "short"])) == "full"
            else side_short(task, side)
        )
    styles = ["{S} {p}", "{S} {p}", "{a} {p}", "{a}{p}", "{S} #{p}", "{S} {W} {p}", "{W} {p} {S}", "{W} {p} {a}", "{p} {S}", "#{p} {S}",
              "{a}-{p}", "{W}{p} {a}", "{S}-{p}", "{a} #{p}"]  # fmt: skip
    if WORDS[task.lang]["i"]:
        styles += ["{i}{p}", "{i}-{p}", "{i} {p}", "{p}{i}", "{i}{p}"]
    if task.lang == "ja":
        styles = ["{S}{p}", "{S} {p}", "{a}{p}", "{a}-{p}", "{W}{p} {S}", "{S}{W}{p}"]
    if not port.isdigit():
        styles = ["{S} {p}", "{S} {W} {p}", "{S} {p}"] if task.lang != "ja" else ["{S} {p}"]
    style = task.tags.setdefault("label", task.rng.choice(styles))
    short = side_short(task, side) if "{a}" in style else ""
    if style == "{a}{p}":
        short = short.rstrip(".")
    return style.format(S=side_word(task, side), a=short, i="I" if side == "intake" else "E", W=word, p=port)


def heading(task: Task, test: Measured, *, skip: str = "") -> str:
    """The heading of a test's column: whatever of side, port, head, run and state the sheet does not say elsewhere."""
    side = (
        None
        if "side" in skip or (len(task.sides) == 1 and task.tags.get("side at", "heading") != "heading")
        else test.side
    )
    parts = []
    text = "" if "port" in skip else port_label(task, side, test.port) if side or test.port else ""
    if not text:
        parts = []
    elif test.head is not None and "head" not in skip:
        text = task.tags.setdefault(
            "head way", task.rng.choice(["{h} {t}", "{t} {h}", "{h} - {t}", "{t} ({h})"])
        ).format(h=test.head, t=text)
    if text:
        parts.append(text)
    if test.state is not None and "state" not in skip:
        way = task.tags.setdefault(
            "state way", task.rng.choice(["before", "before dash", "after dash", "after bracket"])
        )
        base = parts[0] if parts else ""
        if not base:
            parts = [test.state]
        else:
            parts = [
                {
                    "before": "{s} {b}",
                    "before dash": "{s} - {b}",
                    "after dash": "{b} - {s}",
                    "after bracket": "{b} ({s})",
                }[way].format(s=test.state, b=base)
            ]
    text = " ".join(parts)
    if not text and task.runs == 1:
        return "" if skip else flow_heading(task)
    if task.runs > 1 and "run" not in skip:
        ways = ["word", "word", "bracket", "same"]
        if task.runs == 2 and WORDS[task.lang]["again"]:
            ways.append("again")
        way = task.tags.setdefault("run way", task.rng.choice(ways))
        run_word = task.tags.setdefault("run word", task.word("run"))
        if way == "word":
            text += f" {run_word} {test.run}" if task.lang != "ja" else f" {test.run}回目"
        elif way == "bracket":
            text += f" ({run_word} {test.run})" if task.lang != "ja" else f" ({test.run}回目)"
        elif way == "again" and test.run == 2:
            text += f" {task.tags.setdefault('again word', task.word('again'))}"
    return (text + flow_suffix(task)).strip()


def rows_of(tests: list[Measured]) -> list[Decimal]:
    return sorted({lift for test in tests for lift, _ in test.points})


def fill(page: Page, tests: list[Measured], top: int, left: int, *, lifts: list[Decimal] | None = None) -> None:
    """Write lifts and flows of the tests into the page from a cell on, lifts first, tests to the right."""
    lifts = rows_of(tests) if lifts is None else lifts
    for r, lift in enumerate(lifts):
        while len(page.rows) <= top + r:
            page.rows.append([])
        row = page.rows[top + r]
        row += [None] * (left - len(row))
        line: list[Cell] = [lift]
        for t, test in enumerate(tests):
            at = next((i for i, (value, _) in enumerate(test.points) if value == lift), None)
            line.append(None if at is None else test.points[at][1])
            if at is not None:
                page.slots[top + r, left + 1 + t] = (test, at)
        page.rows[top + r] = row + line


def wide(task: Task) -> list[Page]:
    """One row of headings, a column a test."""
    page = Page([[lift_heading(task), *(heading(task, test) for test in task.tests)]])
    fill(page, task.tests, 1, 0)
    if task.tags.get("pressure at") == "row":
        pressure_column(task, page, 0)
    return [page]


def pressure_column(task: Task, page: Page, header: int) -> None:
    """A column with each row's own test pressure behind the lifts, for all tests of the page."""
    rng = task.rng
    first = task.tests[0].pressure or Decimal(28)
    fine = Decimal("0.1") if first >= 5 else Decimal("0.01")
    column: dict[int, Cell] = {
        header: task.word("pressure").replace("Tested at", "Depression") + unit_suffix(task, task.pressure_unit)
    }
    pressures = {}
    for index, r in enumerate(page.data_rows()):
        pressures[r] = column[r] = (first * Decimal(repr(1 - 0.004 * index * rng.random()))).quantize(fine)
    page.insert_column(1, column)
    for test in task.tests:
        test.pressure = None
        test.row_pressures = [Decimal(0)] * len(test.points)
    for (r, _), (test, at) in page.slots.items():
        test.row_pressures[at] = pressures[r]
    task.unit_at = "heading"


def grouped(task: Task) -> list[Page]:
    """Two rows of headings: side, head or state over ports or runs, as merged cells leave them."""
    by = "state" if len(task.states) > 1 else "head" if len(task.heads) > 1 else "side"
    top: list[Cell] = [None]
    bottom: list[Cell] = [lift_heading(task)]
    last: object = None
    tests = sorted(task.tests, key=lambda t: str(getattr(t, by)) if by != "side" else "")
    if by == "state":
        tests = sorted(task.tests, key=lambda t: task.states.index(t.state))
    for test in tests:
        value = getattr(test, by)
        text = {
            "state": test.state,
            "head": f"{test.head} {task.word('head')}" if task.lang == "en" else test.head,
            "side": side_word(task, test.side or "intake"),
        }[by]
        top.append(text if value != last else None)
        last = value
        text = heading(task, test, skip=by) or flow_heading(task)
        bottom.append(text)
    page = Page([top, bottom])
    fill(page, tests, 2, 0)
    return [page]


def long(task: Task) -> list[Page]:
    """A row a reading: columns for side, port, run and state beside lift and flow."""
    rng = task.rng
    columns: list[tuple[str, Callable[[Measured], Cell]]] = []
    letters = bool(WORDS[task.lang]["i"]) and rng.random() < 0.3
    short = rng.random() < 0.4
    task.tags["side cells"] = "letters" if letters else "short" if short else "full"

    def side_cell(test: Measured) -> Cell:
        side = test.side or "intake"
        return (
            ("I" if side == "intake" else "E")
            if letters
            else side_short(task, side)
            if short
            else side_word(task, side)
        )

    if task.states != [None]:
        columns.append((task.word("state"), lambda t: t.state))
    if task.heads != [None]:
        columns.append((task.word("head").capitalize(), lambda t: t.head))
    columns.append((task.word("side"), side_cell))
    if task.tests[0].port is not None:
        columns.append(
            (
                task.tags.setdefault("port word", task.word("port")),
                lambda t: Decimal(t.port) if t.port and t.port.isdigit() else t.port,
            )
        )
    if task.runs > 1:
        columns.append((task.word("run").capitalize(), lambda t: Decimal(t.run)))
    if rng.random() < 0.3:
        rng.shuffle(columns)
    page = Page([[name for name, _ in columns] + [lift_heading(task), flow_heading(task)]])
    with_pressure = task.tags.get("pressure at") == "row"
    if with_pressure:
        page.rows[0].append(
            task.word("pressure").replace("Tested at", "Depression") + unit_suffix(task, task.pressure_unit)
        )
    order = [(test, at) for test in task.tests for at in range(len(test.points))]
    if rng.random() < 0.25:
        order.sort(key=lambda item: item[1])
    for test, at in order:
        row = [get(test) for _, get in columns] + [test.points[at][0], test.points[at][1]]
        if with_pressure:
            row.append(test.pressure)
        page.slots[len(page.rows), len(columns) + 1] = (test, at)
        page.rows.append(row)
    return [page]


def by_side(task: Task) -> list[Page]:
    """A worksheet a side."""
    pages = []
    for side in task.sides:
        tests = [test for test in task.tests if test.side == side]
        page = Page(
            [[lift_heading(task), *(heading(task, test, skip="side") for test in tests)]], name=side_word(task, side)
        )
        if not any(page.rows[0][1:]):
            page.rows[0] = [page.rows[0][0], *(flow_heading(task) for _ in tests)]
        fill(page, tests, 1, 0)
        pages.append(page)
    return pages


def by_state(task: Task) -> list[Page]:
    """A worksheet a state."""
    pages = []
    for state in task.states:
        tests = [test for test in task.tests if test.state == state]
        page = Page(
            [[lift_heading(task), *(heading(task, test, skip="state") or flow_heading(task) for test in tests)]],
            name=state,
        )
        fill(page, tests, 1, 0)
        pages.append(page)
    return pages


def beside(task: Task) -> list[Page]:
    """A block a side, each with its own lifts, side by side under a caption."""
    page = Page([])
    left = 0
    for side in task.sides:
        tests = [test for test in task.tests if test.side == side]
        for row in (0, 1):
            while len(page.rows) <= row:
                page.rows.append([])
            page.rows[row] += [None] * (left - len(page.rows[row]))
        page.rows[0].append(side_word(task, side))
        page.rows[1] += [
            lift_heading(task),
            *(heading(task, test, skip="side") or flow_heading(task) for test in tests),
        ]
        fill(page, tests, 2, left)
        left = left + 2 + len(tests)
    return [page]


def stacked(task: Task) -> list[Page]:
    """A block a side or state, one below another."""
    by = "state" if len(task.states) > 1 else "side"
    page = Page([])
    groups = task.states if by == "state" else task.sides
    for group in groups:
        tests = [test for test in task.tests if getattr(test, by) == group]
        if page.rows:
            page.rows.append([])
        page.rows.append([group if by == "state" else side_word(task, str(group))])
        page.rows.append([lift_heading(task), *(heading(task, test, skip=by) or flow_heading(task) for test in tests)])
        fill(page, tests, len(page.rows), 0)
    return [page]


def transposed(task: Task) -> list[Page]:
    """Lifts along the top, a row a test."""
    lifts = rows_of(task.tests)
    corner = lift_heading(task)
    page = Page([[corner, *lifts]])
    for test in task.tests:
        row: list[Cell] = [heading(task, test)]
        for c, lift in enumerate(lifts):
            at = next((i for i, (value, _) in enumerate(test.points) if value == lift), None)
            row.append(None if at is None else test.points[at][1])
            if at is not None:
                page.slots[len(page.rows), c + 1] = (test, at)
        page.rows.append(row)
    return [page]


def states_as_columns(task: Task) -> list[Page]:
    """Before beside after: one port a block, the states its columns."""
    page = Page([])
    groups: list[tuple[str | None, str | None, str | None]] = list(
        dict.fromkeys((t.side, t.head, t.port) for t in task.tests)
    )
    for side, head, port in groups:
        tests = [t for t in task.tests if (t.side, t.head, t.port) == (side, head, port)]
        if page.rows:
            page.rows.append([])
        if len(groups) > 1 or task.tags.get("side at") == "heading":
            caption = port_label(task, side, port)
            page.rows.append([caption if head is None else f"{head} {caption}"])
        elif port is not None:
            for test in tests:
                test.port = None  # nothing on the sheet says it
        page.rows.append([lift_heading(task), *(heading(task, test, skip="side port head") for test in tests)])
        fill(page, tests, len(page.rows), 0)
    return [page]


def dividers(task: Task) -> list[Page]:
    """One row of bare port headings; rows INTAKE and EXHAUST part the table."""
    first = [test for test in task.tests if test.side == task.sides[0]]
    bare = task.tags.get("bare") == "yes"
    names: list[Cell] = [
        Decimal(t.port) if bare and t.port and t.port.isdigit() else heading(task, t, skip="side") or flow_heading(task)
        for t in first
    ]
    page = Page([[lift_heading(task), *names]])
    for side in task.sides:
        page.rows.append([side_word(task, side).upper() if task.lang == "en" else side_word(task, side)])
        fill(page, [test for test in task.tests if test.side == side], len(page.rows), 0)
    return [page]


LAYOUTS: dict[str, Callable[[Task], list[Page]]] = {
    "wide": wide, "grouped": grouped, "long": long, "worksheet a side": by_side, "worksheet a state": by_state,
    "side by side": beside, "stacked": stacked, "transposed": transposed, "states as columns": states_as_columns,
    "dividers": dividers,
}  # fmt: skip
