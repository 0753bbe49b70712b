"""A sheet for a seed: what was measured, a layout, conditions somewhere, quirks, a kind of file."""

# ruff: noqa: E501

from __future__ import annotations

import copy
import datetime
import random
from decimal import Decimal

from tests.importers.generator import quirks, readings, traps
from tests.importers.generator.files import WORKBOOKS, Form, write
from tests.importers.generator.layouts import LAYOUTS, side_word
from tests.importers.generator.model import Cell, Page, Sheet, Task, Truth, measure
from tests.importers.generator.words import INCH_OF_WATER, MM_OF_WATER, SI, UNITS, WORDS

__all__ = ["make"]

NEED_WORKBOOK = ("worksheet a side", "worksheet a state")
NEED_SIDES = ("worksheet a side", "side by side", "dividers")
CELLS = ("csv", "tsv", "xlsx", "ods", "xls", "html")
STEMS = [
    "head 12",
    "flow_2231",
    "bench sheet",
    "results",
    "as_received",
    "ported head",
    "test-0412",
    "kopf_17",
    "numbers",
]
LIFTS = {
    "in": [
        ("0.05", "0.05", 8),
        ("0.1", "0.1", 5),
        ("0.050", "0.050", 10),
        ("0.100", "0.100", 6),
        ("0.050", "0.050", 7),
    ],
    "mm": [("1", "1", 9), ("2", "1", 9), ("1.0", "1.0", 10), ("1.5", "1.5", 7), ("2.5", "2.5", 5), ("2", "2", 5)],
    "thou": [("50", "50", 9), ("100", "50", 9)],
    "cm": [("0.1", "0.1", 10), ("0.2", "0.2", 5)],
}


def pick(rng: random.Random, weights: dict[str, float]) -> str:
    return rng.choices(list(weights), list(weights.values()))[0]


def new_task(rng: random.Random) -> Task:
    """Language, units and what was tested."""
    lang = pick(rng, {"en": 9} | {name: 1 for name in WORDS if name != "en"})
    metric = rng.random() < (0.2 if lang == "en" else 0.8)
    lift = pick(rng, {"mm": 9, "in": 1, "cm": 0.5} if metric else {"in": 9, "mm": 1, "thou": 0.7})
    flow = pick(
        rng,
        {"CFM": 2, "L/s": 3, "L/min": 2, "m³/h": 3, "m³/min": 0.5, "m³/s": 0.3}
        if metric
        else {"CFM": 12, "CFS": 0.4, "L/s": 0.5},
    )
    pressure = pick(
        rng,
        {"inH2O": 3, "mmH2O": 3, "kPa": 2, "mbar": 3, "cmH2O": 1, "Pa": 1, "hPa": 0.5}
        if metric
        else {"inH2O": 14, "inHg": 0.6, "psi": 0.3, "kPa": 0.5},
    )
    truth = Truth([], lift, flow, pressure)
    task = Task(rng, lang, truth, [], {}, [None], [None], 1, {})
    task.lift_unit = rng.choice(UNITS["lift"][lift])
    task.flow_unit = rng.choice(UNITS["flow"][flow])
    spellings = UNITS["pressure"][pressure]
    local = {"inH2O": INCH_OF_WATER, "mmH2O": MM_OF_WATER}.get(pressure, {}).get(lang, [])
    task.pressure_unit = rng.choice(
        local if local and rng.random() < 0.5 else [s for s in spellings if lang == "en" or "of" not in s.split()]
    )
    return task


def what_was_tested(task: Task, layout: str) -> None:
    """Sides, ports, heads, states, runs and lifts that the layout can hold."""
    rng = task.rng
    both = layout in NEED_SIDES or rng.random() < 0.65
    task.sides = ["intake", "exhaust"] if both else [rng.choice(["intake", "exhaust"])]
    if layout in ("worksheet a state", "states as columns") or (
        layout in ("wide", "grouped", "long", "stacked", "transposed") and rng.random() < 0.22
    ):
        task.states = list(rng.choice(WORDS[task.lang]["states"]).split("|"))
    if layout == "stacked" and not both and task.states == [None]:
        task.states = list(rng.choice(WORDS[task.lang]["states"]).split("|"))
    if layout in ("wide", "long", "transposed") and rng.random() < 0.1 and task.states == [None]:
        pairs = list(zip(WORDS[task.lang]["left"], WORDS[task.lang]["right"], strict=False)) + (
            [("Front", "Rear"), ("Bank 1", "Bank 2")] if task.lang == "en" else []
        )
        task.heads = list(rng.choice(pairs))
    room = (12 if layout != "long" else 16) // (len(task.sides) * len(task.states) * len(task.heads))
    count = min(rng.choice([1, 2, 2, 3, 4, 4]), max(room, 1))
    names: list[str | None] = [str(n) for n in range(1, count + 1)]
    if rng.random() < 0.06:
        names = list("ABCD"[:count])
    elif count == 1 and rng.random() < 0.5 and task.heads == [None]:
        names = [None]
    task.ports = dict.fromkeys(task.sides, names)
    if room // count >= 2 and rng.random() < 0.3 and layout not in ("states as columns", "dividers"):
        task.runs = 2 if room // count < 3 else rng.choice([2, 3])
    start, step, n = rng.choice(LIFTS[task.truth.lift_unit])
    lifts = [Decimal(start) + Decimal(step) * k for k in range(n)]
    shorter = lifts[:-2] if both and rng.random() < 0.2 and len(lifts) > 5 else lifts
    task.lifts = {"intake": lifts, "exhaust": shorter}


def make(seed: int) -> Sheet:
    """The sheet of a seed."""
    other = random.Random(f"readings {seed}")
    if other.random() < 0.03:
        return readings.make(other)
    rng = random.Random(f"sheet {seed}")
    if rng.random() < 0.09:
        return traps.make(rng, new_task(rng))
    task = new_task(rng)
    kind = pick(
        rng,
        {
            "csv": 5,
            "tsv": 2,
            "aligned": 2,
            "bars": 1.5,
            "quoted mail": 1,
            "eml": 1,
            "html": 1,
            "xlsx": 6,
            "ods": 2,
            "xls": 1.5,
            "pdf": 1.5,
        },
    )
    if kind == "pdf" and task.lang in ("ja", "pl"):
        kind = "csv"
    layouts = {name: 1.0 for name in LAYOUTS if kind in WORKBOOKS or name not in NEED_WORKBOOK} | {
        "wide": 4.0,
        "long": 1.5,
    }
    layout = pick(rng, layouts)
    what_was_tested(task, layout)
    place_of_side_and_state(task, layout, kind)
    task.unit_at = pick(
        rng,
        {"heading": 8, "sentence": 1}
        | ({"row": 0.8} if layout == "wide" else {})
        | ({"cell": 0.6} if layout in ("wide", "long", "worksheet a side") else {}),
    )
    places = {"labels": 6.0, "sentence": 1.5, "line": 1.2, "heading": 1.2}
    if layout in ("wide", "long"):
        places["row"] = 1.2
    if layout in ("side by side", "stacked") and len(task.states) == 1:
        places["caption"] = 2.0
    if kind in WORKBOOKS:
        places["worksheet"] = 1.2
    task.tags["pressure at"] = pick(rng, places)
    if (
        layout == "dividers"
        and rng.random() < 0.5
        and len(task.ports["intake"]) > 1
        and str(task.ports["intake"][0]).isdigit()
    ):
        task.tags["bare"] = "yes"
        task.unit_at = "sentence"
    measure(rng, task)
    if task.tags["pressure at"] not in ("caption", "row") or layout == "wide":
        for test in task.tests:
            if test.pressure != task.tests[0].pressure:
                same_pressure(task)
                break
    form = number_form(task, kind)
    if task.tags["pressure at"] == "heading":
        p = f"{form.number(task.tests[0].pressure or Decimal(28))} {task.pressure_unit}"
        if task.unit_at == "heading":
            task.flow_unit = task.flow_unit + " @ " + p
        else:
            task.tags["pressure at"] = "sentence"
    if task.tags["pressure at"] == "row" and task.unit_at != "heading":
        task.unit_at = "heading"
    pages = LAYOUTS[layout](task)
    task.tags |= {"layout": layout, "language": task.lang, "kind": kind, "flow unit": task.truth.flow_unit, "lift unit": task.truth.lift_unit,
                  "pressure unit": task.truth.pressure_unit, "units at": task.unit_at}  # fmt: skip
    return finish(task, pages, layout, kind, form)


def same_pressure(task: Task) -> None:
    for test in task.tests:
        test.pressure = task.tests[0].pressure


def place_of_side_and_state(task: Task, layout: str, kind: str) -> None:
    """Where a sheet says its only side and its only state."""
    rng = task.rng
    task.stem = rng.choice(STEMS)
    if len(task.sides) == 1:
        at = ["heading", "heading", "label", "caption", "file"]
        if kind in WORKBOOKS:
            at.append("worksheet")
        choice = rng.choice(at)
        if choice == "file" and task.lang != "ja":
            task.stem = f"{rng.choice(STEMS[:2])} {WORDS[task.lang]['intake' if task.sides[0] == 'intake' else 'exhaust'][0].lower()}"
        if layout in ("long", "stacked", "grouped", "dividers"):
            choice = "heading"
        task.tags["side at"] = choice if choice != "file" or task.lang != "ja" else "heading"
    if task.states == [None] and rng.random() < 0.4:
        task.tags["state at"] = "label"
        task.tags["one state"] = rng.choice(rng.choice(WORDS[task.lang]["states"]).split("|"))


def number_form(task: Task, kind: str) -> Form:
    rng = task.rng
    form = Form(hello=task.word("hello"), bye=task.word("bye"))
    if task.lang not in ("en", "ja") and rng.random() < 0.75:
        form.decimal = ","
    if task.truth.flow_unit == "L/min" and rng.random() < 0.35:
        form.thousands = (
            {"en": ",", "ja": ",", "fr": "\u202f", "sv": " ", "pl": "\u00a0"}.get(task.lang, ".")
            if form.decimal == "," or task.lang in ("en", "ja")
            else ""
        )
        if form.thousands and form.decimal == form.thousands:
            form.thousands = ""
        if form.thousands == "." and any(
            lift == lift.to_integral_value() and "." not in str(lift) for lift in task.lifts[task.sides[0]]
        ):
            form.thousands = ""
        if kind in ("aligned", "quoted mail", "eml", "pdf") and form.thousands.isspace():
            form.thousands = ""
    if task.lang == "en" and rng.random() < 0.15:
        form.leading_zero = False
    if kind in WORKBOOKS and rng.random() < 0.12:
        form.text_numbers = True
    form.date = (
        {"en": "%d %b %Y", "de": "%d.%m.%Y", "pl": "%d.%m.%Y", "sv": "%Y-%m-%d", "ja": "%Y/%m/%d"}.get(
            task.lang, "%d/%m/%Y"
        )
        if rng.random() < 0.6
        else "%Y-%m-%d"
    )
    task.tags["decimal"] = form.decimal
    task.tags["thousands"] = {"": "none", ".": "dot", ",": "comma"}.get(form.thousands, "blank")
    return form


def own_state(task: Task) -> None:
    """The only state is what a label says, else the file's name."""
    if task.states == [None]:
        for test in task.tests:
            test.state = task.tags.get("one state")
            test.states_ok = () if test.state else (task.stem, "")


def finish(task: Task, pages: list[Page], layout: str, kind: str, form: Form) -> Sheet:
    """Units, conditions, captions, quirks; then the file."""
    rng = task.rng
    removed: set[tuple[int, int]] = set()
    own_state(task)
    if layout == "wide" and len(task.tests) <= 3 and rng.random() < 0.15 and task.tags["pressure at"] != "heading":
        quirks.corrected_columns(task, pages[0])
    else:
        quirks.apply(task, pages, layout, kind, removed)
    if task.unit_at == "row":
        page = pages[0]
        first = page.data_rows()[0]
        lift_column = next(
            c for c, cell in enumerate(page.rows[first]) if isinstance(cell, Decimal) and (first, c) not in page.slots
        )
        row: list[Cell] = [None] * page.width
        row[
            page.data_columns()[0] - 1
            if lift_column != page.data_columns()[0] - 1 and page.rows[first][page.data_columns()[0] - 1] is not None
            else lift_column
        ] = task.lift_unit
        for c in page.data_columns():
            row[c] = task.flow_unit
        page.insert_row(first if task.tags.get("quirk leak row") is None else first - 1, row)
    if task.unit_at == "cell":
        for page in pages:
            for r, c in page.slots:
                if isinstance(page.rows[r][c], Decimal):
                    page.rows[r][c] = f"{form.number(page.rows[r][c])} {task.flow_unit}"
                lift_at = page.data_columns()[0] - 1
                if isinstance(page.rows[r][lift_at], Decimal):
                    page.rows[r][lift_at] = f"{form.number(page.rows[r][lift_at])} {task.lift_unit}"
            for r in [
                r
                for r in range(page.data_rows()[0])
                if len(page.rows[r]) > 1 and page.rows[r][page.data_columns()[0] - 1] == Decimal(0)
            ]:
                page.rows[r] = [
                    f"{form.number(cell)} {task.flow_unit if c >= page.data_columns()[0] else task.lift_unit}"
                    if isinstance(cell, Decimal)
                    else cell
                    for c, cell in enumerate(page.rows[r])
                ]
    elif (
        task.truth.lift_unit == "in"
        and rng.random() < 0.04
        and layout in ("wide", "worksheet a side")
        and not task.tags.get("quirk counter")
    ):
        fractions(task, pages, kind)
    elif task.truth.lift_unit == "in" and rng.random() < 0.03 and layout in ("wide", "worksheet a side"):
        for page in pages:
            for r in page.data_rows():
                for c, cell in enumerate(page.rows[r]):
                    if (
                        isinstance(cell, Decimal)
                        and (r, c) not in page.slots
                        and cell in task.lifts[task.sides[0]]
                        and c == page.data_columns()[0] - 1
                    ):
                        page.rows[r][c] = (
                            f"{form.number(cell)} in ({form.number((cell * Decimal('25.4')).quantize(Decimal('0.01')))} mm)"
                        )
        task.tags["quirk lift in both units"] = "yes"
    captions(task, pages, form)
    add_conditions(task, pages, kind, form, layout)
    for test in task.tests:
        keep = [at for at in range(len(test.points)) if (id(test), at) not in removed]
        if test.row_pressures:
            test.row_pressures = [test.row_pressures[at] for at in keep]
        test.points = [test.points[at] for at in keep]
    if kind in WORKBOOKS and len(pages) == 1 and rng.random() < 0.03:
        twin = copy.deepcopy(pages[0])
        twin.name = "copy"
        pages.append(twin)
        task.tags["quirk copy"] = "yes"
    name, data = write(kind, task.stem, pages, form, rng, task.lang, task.tags)
    return Sheet(name, data, task.truth, task.tags)


def fractions(task: Task, pages: list[Page], kind: str) -> None:
    """Lifts in sixteenths and thirty-seconds of an inch."""
    lifts = sorted({lift for test in task.tests for lift, _ in test.points})
    if len(lifts) > 9:
        return
    new = {lift: Decimal(k) / Decimal(16) for k, lift in enumerate(lifts, 1)}
    if task.tags.get("quirk leak row"):
        return
    as_dates = kind == "xlsx" and len(lifts) <= 7 and task.rng.random() < 0.4
    task.tags["quirk fractions as dates" if as_dates else "quirk fractions"] = "yes"
    for page in pages:
        column = next(c for c, cell in enumerate(page.rows[page.data_rows()[0]]) if cell in new)
        for r in page.data_rows():
            value = new.get(page.rows[r][column])
            if value is not None:
                sixteenths = int(value * 16)
                divisor = 1
                while sixteenths % 2 == 0 and divisor < 16:
                    sixteenths //= 2
                    divisor *= 2
                if as_dates:
                    # What a spreadsheet makes of 3/8 typed into a cell: the eighth of March.
                    page.rows[r][column] = datetime.date(2026, sixteenths, 16 // divisor)
                    continue
                page.rows[r][column] = f"{sixteenths}/{16 // divisor}" + (task.rng.choice(["", ""]))
    for test in task.tests:
        test.points = [(new[lift], flow) for lift, flow in test.points]


def captions(task: Task, pages: list[Page], form: Form) -> None:
    """The only side, or each side's pressure, in captions, worksheets' names or labels."""
    at = task.tags.get("side at", "heading")
    if at == "caption":
        for page in pages:
            page.above([[side_word(task, task.sides[0])]])
    elif at == "label":
        for page in pages:
            page.above([[f"{task.word('side')}: {side_word(task, task.sides[0])}"]])
    elif at == "worksheet":
        if all(page.name is None for page in pages):
            pages[0].name = side_word(task, task.sides[0])
        else:
            pages[0].above([[side_word(task, task.sides[0])]])
            for page in pages[1:]:
                page.above([[side_word(task, task.sides[0])]])
    if task.tags["pressure at"] == "caption":
        for page in pages:
            for row in page.rows:
                for c, cell in enumerate(row):
                    for side in task.sides:
                        if cell == side_word(task, side):
                            pressure = next(t.pressure for t in task.tests if t.side == side)
                            row[c] = f"{cell} ({form.number(pressure or Decimal(28))} {task.pressure_unit})"


def conditions(task: Task, form: Form, *, pressure: bool) -> list[tuple[str, str, str]]:
    """Label, number and unit of what the sheet states; the truth takes them in."""
    rng, truth = task.rng, task.truth
    found: list[tuple[str, str, str]] = []
    if task.tags.get("state at") == "label":
        found.append((task.word("state"), task.tags["one state"], ""))
    if pressure:
        found.append((task.word("pressure"), form.number(task.tests[0].pressure or Decimal(28)), task.pressure_unit))
    if rng.random() < 0.35:
        celsius = rng.random() < (0.4 if task.lang == "en" else 1)
        value = Decimal(repr(rng.uniform(15, 29) if celsius else rng.uniform(60, 84))).quantize(Decimal("0.1"))
        found.append(
            (
                task.word("temperature"),
                form.number(value),
                rng.choice(["°C", "C"]) if celsius else rng.choice(["°F", "F"]),
            )
        )
        truth.conditions["air_temperature_k"] = float(value) + 273.15 if celsius else (float(value) + 459.67) / 1.8
    if rng.random() < 0.3:
        unit, low, high, step = rng.choice(
            [("mbar", 985, 1030, "1"), ("hPa", 985, 1030, "1"), ("kPa", 98, 103, "0.1")]
            + ([("inHg", 29, 30.4, "0.01")] * 2 if task.lang == "en" else [])
        )
        value = Decimal(repr(rng.uniform(low, high))).quantize(Decimal(step))
        found.append((task.word("barometer"), form.number(value), unit))
        truth.conditions["barometer_pa"] = float(value) * SI[unit]
    if rng.random() < 0.25:
        value = Decimal(rng.randint(25, 80))
        found.append((task.word("humidity"), form.number(value), "%"))
        truth.conditions["relative_humidity"] = float(value) / 100
    if WORDS[task.lang]["bore"] and rng.random() < 0.2:
        value = Decimal(repr(rng.uniform(78, 90))).quantize(Decimal("0.1"))
        found.append((task.word("bore"), form.number(value), "mm"))
        truth.conditions["fixture_bore_m"] = float(value) / 1e3
    bare_unit = task.flow_unit.partition(" @ ")[0]
    if rng.random() < 0.2 and not task.tags.get("quirk leak row"):
        smallest = min(test.points[0][1] for test in task.tests)
        value = max(
            (smallest * Decimal("0.02")).quantize(smallest), Decimal(1).scaleb(int(smallest.as_tuple().exponent))
        )
        found.append((task.word("leak"), form.number(value), bare_unit))
        truth.conditions["leak_m3_s"] = float(value) * SI[truth.flow_unit]
    if WORDS[task.lang]["check_reading"] and rng.random() < 0.2:
        largest = max(flow for test in task.tests for _, flow in test.points)
        reading = (largest * Decimal(repr(rng.uniform(0.985, 1.015)))).quantize(largest)
        found.append((task.word("check_reading"), form.number(reading), bare_unit))
        found.append((task.word("check_nominal"), form.number(largest), bare_unit))
        truth.conditions |= {
            "check_reading_m3_s": float(reading) * SI[truth.flow_unit],
            "check_nominal_m3_s": float(largest) * SI[truth.flow_unit],
        }
    if rng.random() < 0.35:
        day = datetime.date(2026, rng.randint(1, 11), rng.randint(13, 28))
        found.append((task.word("date"), form.text(day), ""))
        truth.conditions["date"] = day.isoformat()
    if rng.random() < 0.2:
        found.append((task.word("operator"), rng.choice(["J. T.", "operator 2", "MB"]), ""))
    if rng.random() < 0.2:
        found.append((task.word("bench"), rng.choice(["bench A", "No. 2", "B2"]), ""))
    return found


def add_conditions(task: Task, pages: list[Page], kind: str, form: Form, layout: str) -> None:
    """Write the conditions above, below or beside the table, on a worksheet, in a line or a sentence."""
    rng = task.rng
    at = task.tags["pressure at"]
    rows = conditions(task, form, pressure=at in ("labels", "worksheet"))
    where = (
        "worksheet"
        if at == "worksheet"
        else pick(rng, {"above": 6, "below": 1.2} | ({"beside": 1.5} if kind in CELLS and kind != "html" else {}))
    )
    style = pick(rng, {"cells": 4, "line": 3, "three cells": 1.2, "unit in label": 1.2}) if kind in CELLS else "line"
    task.tags |= {"conditions at": where, "conditions as": style}
    lines: list[list[Cell]] = []
    for label, number, unit in rows:
        value = f"{number} {unit}".strip()
        if style == "line":
            lines.append([f"{label}: {value}"])
        elif style == "three cells" and unit and label != "Tested at":
            lines.append([label, number, unit])
        elif style == "unit in label" and unit and unit != "%":
            lines.append([f"{label} ({unit})", number])
        else:
            lines.append([label, value])
    pages[0]
    p = f"{form.number(task.tests[0].pressure or Decimal(28))} {task.pressure_unit}"
    prose: list[list[Cell]] = []
    if at == "sentence":
        prose.append([task.word("sentence").format(p=p)])
    elif at == "line":
        prose.append(
            [f"{rng.choice(['Δp', 'dP', 'ΔP', 'DP'])} = {p}" if rng.random() < 0.7 else f"{task.word('pressure')} {p}"]
        )
        extra = []
        if "air_temperature_k" not in task.truth.conditions and rng.random() < 0.7:
            extra.append("temp 24 °C" if task.lang == "en" else f"{task.word('temperature')} 24 °C")
            task.truth.conditions["air_temperature_k"] = 297.15
        if "barometer_pa" not in task.truth.conditions and rng.random() < 0.7:
            extra.append("baro 998 mbar" if task.lang == "en" else f"{task.word('barometer')} 998 mbar")
            task.truth.conditions["barometer_pa"] = 99800.0
        prose[0] = [rng.choice(["  ", ", ", "; "]).join([str(prose[0][0]), *extra])]
    if task.unit_at == "sentence":
        spelled = (
            {"in": "inches", "mm": "mm", "thou": "thou", "cm": "cm"}[task.truth.lift_unit]
            if task.lang == "en"
            else task.lift_unit
        )
        prose.append([task.word("units").format(f=task.flow_unit, l=spelled)])
    if rng.random() < 0.15 and len(task.sides) == 2:
        prose.append([task.word("noise")])
        task.tags["quirk sentence"] = "yes"
    if rng.random() < 0.35:
        prose.insert(0, [task.word("title")])
    if where == "worksheet":
        page_of_conditions = Page(
            lines, name=rng.choice(["Info", "Conditions", "Setup"]) if task.lang == "en" else "Info"
        )
        pages.insert(rng.choice([0, len(pages)]), page_of_conditions)
        targets = [item for item in pages if item is not page_of_conditions]
        if prose:
            for item in targets:
                item.above([*[list(row) for row in prose], []])
        return
    for number, item in enumerate(pages):
        # The conditions are on every worksheet, or on the first alone, where it speaks of all.
        if where == "above" and lines:
            item.above([*[list(row) for row in prose], *[list(row) for row in lines], []])
        else:
            if prose:
                item.above([*[list(row) for row in prose], []])
            if lines and where == "below":
                item.below([[], *[list(row) for row in lines]])
            elif (lines and number == 0) or lines:
                item.right([list(row) for row in lines])
