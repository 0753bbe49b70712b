"""An empty sheet for the operator, laid out for what is to be flowed."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from flowkit.errors import SheetError
from flowkit.importers.words.items import is_meter_unit
from flowkit.model import Side, one_spelling
from flowkit.output import write_new
from flowkit.units import find_unit, from_si, unit

if TYPE_CHECKING:
    from openpyxl.worksheet.datavalidation import DataValidation

MAX_LIFTS = 60
MAX_LIFTS_IN_TWO = 24  # where intake and exhaust have a table each
MAX_COLUMNS_IN_ONE = 12  # beyond, intake and exhaust get a table each
MAX_COLUMNS_OF_A_SIDE = 20
MAX_POSITIONS = 40  # of a pitot tube
# Lift over valve diameter, where nothing else is asked for; common practice, no source.
FRACTIONS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35)
LEAK = "Leak"  # heads the line below the lifts
REPEATS = (
    "Before a port's next run take the head off, or at least close the valve and zero the dial again. Write the date, "
    "and read the check plate, in every session: without them a gain cannot be proven."
)
SAFETY = (
    "Wear ear and eye protection while the blower runs.",
    "Keep rags, sleeves and loose hair away from the opening that draws air.",
    "Keep manometer fluid off your skin and out of drains; do not breathe dust from old gaskets or grinding.",
)
HELP = (
    "in the units printed on the sheet. Leave empty what was not tested or is not known.",
    "A column is one run of one port. Write flows as read, uncorrected; the leak is the flow with the valve closed.",
    REPEATS,
    *SAFETY,
)
HELP_READINGS = (
    HELP[0],
    "A column is one run of one port. Write what the meter shows, without working anything out. Lift 0 is the reading "
    "with the valve closed; the zero reading is the meter's with no flow at all.",
    REPEATS,
    *SAFETY,
)
HELP_CHOICES = "In each row, write which of them was read: {}; do the same after the check plate's reading."


def is_own_line(text: str) -> bool:
    """Whether a text is one of the lines of help on a blank sheet."""
    said = " ".join(text.split())
    return said.endswith((*HELP, *HELP_READINGS)) or said.startswith(HELP_CHOICES.partition("{")[0])


# --- what is on the sheet --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MeterSheet:
    """What a sheet of a meter's readings has besides the readings."""

    unit: str
    positions: int = 1
    zero: bool = True
    liquid: bool = False
    temperature: bool = True
    pressure: bool = True
    outlet: str = ""
    ranges: tuple[str, ...] = ()
    meters: tuple[str, ...] = ()
    named_range: bool = False

    @classmethod
    def of_unit(cls, spelled: str) -> MeterSheet:
        """The sheet for a meter of which only the unit is known."""
        if not is_meter_unit(spelled):
            remedy = "write %, mm, inH2O, Pa or another length or pressure, V, Hz or div"
            raise SheetError(f"{spelled!r} is not a unit a meter is read in", remedy)
        found = find_unit(spelled)
        return cls(spelled, liquid=found is not None and found.quantity == "length", named_range=True)

    @property
    def columns(self) -> tuple[tuple[str, str], ...]:
        """What the columns of one test are, each with its unit."""
        several = [f"pitot reading {nth}" for nth in range(1, self.positions + 1)]
        columns = [("range", "")] * bool(self.ranges) + [("meter", "")] * bool(self.meters)
        columns += [(what, self.unit) for what in (several if self.positions > 1 else ["meter reading"])]
        return (*columns, *([("outlet pressure", self.outlet)] if self.outlet else []))


class _Field(NamedTuple):
    """One field of the heading: what it is called, what it takes, and its value where that is known."""

    label: str
    kind: str
    value: str | float | None
    choices: tuple[str, ...]


class _Column(NamedTuple):
    """One column of flows, or of what belongs to a meter's readings: its test and `what` it is, with its unit."""

    side: Side
    test: str
    what: str = ""
    unit: str = ""

    @property
    def of_position(self) -> bool:
        """Whether it is one of a pitot tube's positions."""
        return self.what.startswith("pitot")

    @property
    def heading(self) -> str:
        """Its heading; a pitot tube's positions are headed by their test together."""
        what = f"{self.what} ({self.unit})" if self.unit else self.what
        return what.capitalize() if self.of_position else f"{self.test} {what}".strip()


class _Plan(NamedTuple):
    """A blank sheet; `last` heads the line below the lifts."""

    fields: list[_Field]
    lifts: tuple[float, ...]
    tables: list[tuple[_Column, ...]]
    lift_unit: str
    flow_unit: str
    help: tuple[str, ...]
    last: str


def write_blank(
    path: str | Path,
    *,
    lifts_m: Sequence[float] | None = None,
    step_m: float | None = None,
    top_m: float | None = None,
    valve_diameter_m: float | None = None,
    fractions: Sequence[float] = FRACTIONS,
    ports: Sequence[str] = ("1", "2", "3", "4"),
    sides: Sequence[Side] = ("intake", "exhaust"),
    runs: int | Mapping[str, int] = 1,
    lift_unit: str = "mm",
    flow_unit: str = "CFM",
    pressure_unit: str = "inH2O",
    known: Mapping[str, str | float] | None = None,
    meter: MeterSheet | None = None,
) -> Path:
    """Write a blank sheet for a flow bench, or for one that shows a meter's readings."""
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in (".xlsx", ".csv"):
        raise SheetError(f"a blank sheet is written as .xlsx or .csv, not {path.suffix or 'without ending'!r}")
    if lifts_m is None and step_m is not None and top_m is not None:
        lifts_m = lifts_by_step(step_m, top_m)
    elif lifts_m is None and step_m is None and valve_diameter_m is not None:
        lifts_m = lifts_by_fraction(valve_diameter_m, fractions, top_m)
    if lifts_m is None:
        remedy = "give a step and the highest lift, or the valve's diameter for fractions of it"
        raise SheetError("a blank sheet needs its lifts", remedy)
    units = [unit(lift_unit, "length").name, unit(flow_unit, "flow").name, unit(pressure_unit, "pressure").name]
    lifts = _lifts_in(lifts_m, units[0])
    _refuse_ports(ports)
    columns = tuple(
        _Column(side, f"{side.capitalize()} {port}" + (f" run {run}" if count > 1 else ""), *of)
        for side in dict.fromkeys(sides)
        for port in ports
        for count in (runs if isinstance(runs, int) else runs.get(port, 1),)
        for run in range(1, count + 1)
        for of in (meter.columns if meter else (("", ""),))
    )
    if not columns or not lifts:
        raise SheetError("a blank sheet needs a lift, a side, a port and a run", "name at least one of each")
    tables = _tables(columns)
    pitot = columns[0].of_position
    widest = max(map(len, tables))
    most = MAX_LIFTS if len(tables) == 1 or pitot else MAX_LIFTS_IN_TWO
    if widest > (MAX_POSITIONS if pitot else MAX_COLUMNS_OF_A_SIDE) or len(lifts) > most:
        what = f"{len(lifts)} lifts and {widest} columns do not fit on a page ({most} and {MAX_COLUMNS_OF_A_SIDE} do)"
        raise SheetError(what, "make a sheet for each side, or ask for fewer runs or lifts")
    fields = _fields(dict.fromkeys(sides), units, known or {}, meter)
    plan = _Plan(fields, lifts, tables, units[0], units[1], HELP, LEAK)
    if meter is not None:
        choices = meter.ranges + meter.meters
        more = (HELP_CHOICES.format(", ".join(choices)),) if choices else ()
        plan = plan._replace(flow_unit="", help=(*HELP_READINGS[:2], *more, *HELP_READINGS[2:]), last="0")
    write_new(path, _csv_bytes(plan) if ending == ".csv" else _Page(plan).written(), SheetError)
    return path


def lifts_by_step(step_m: float, top_m: float) -> tuple[float, ...]:
    """Return lifts by equal steps up to a given lift."""
    if not (step_m > 0 and top_m > 0 and math.isfinite(step_m) and math.isfinite(top_m)):
        raise SheetError("the step and the highest lift must be above zero", 'give them like "1 mm" and "12 mm"')
    if step_m > top_m * (1 + 1e-9):
        what = "the step of the lifts is larger than the highest lift"
        raise SheetError(what, "take a smaller step or a higher lift")
    count = math.floor(top_m / step_m * (1 + 1e-9))
    if count > MAX_LIFTS:
        raise SheetError(f"that makes {count} lifts; a page holds {MAX_LIFTS}", "take a larger step")
    lifts = [round(step_m * nth, 9) for nth in range(1, count + 1)]
    return (*lifts, round(top_m, 9)) if top_m - lifts[-1] > 1e-6 else tuple(lifts)


def lifts_by_fraction(valve_diameter_m: float, fractions: Sequence[float], top_m: float | None) -> tuple[float, ...]:
    """Return lifts at fractions of the valve's diameter, up to a given lift."""
    if not (valve_diameter_m > 0 and math.isfinite(valve_diameter_m)) or any(not 0 < f < 2 for f in fractions):
        what = "the valve's diameter and the fractions of it must be above zero"
        raise SheetError(what, "a fraction is lift over diameter")
    lifts = sorted({round(valve_diameter_m * fraction, 9) for fraction in fractions})
    lifts = [lift for lift in lifts if top_m is None or lift <= top_m * (1 + 1e-9)]
    if not lifts:
        raise SheetError("no lift is left below the highest one", "give smaller fractions or a higher lift")
    return tuple(lifts)


def _lifts_in(lifts_m: Sequence[float], lift_unit: str) -> tuple[float, ...]:
    """Return the lifts in their unit, as fine as a dial gauge shows."""
    decimals = {"in": 4, "thou": 1, "mm": 3, "cm": 4, "m": 6, "tenths of mm": 2, "hundredths of mm": 1}[lift_unit]
    if any(not (math.isfinite(lift) and lift > 0) for lift in lifts_m):
        raise SheetError("a lift on a blank sheet must be above zero", 'give lifts like "1 mm"')
    return tuple(sorted({round(from_si(lift, lift_unit), decimals) for lift in lifts_m}))


def _refuse_ports(ports: Sequence[str]) -> None:
    """Refuse two ports of one name, whose columns would look the same, and names that are none."""
    seen: set[str] = set()
    for port in ports:
        if one_spelling(port) in seen:
            raise SheetError(f"the port {port!r} is named twice", "give each port a name of its own, or their number")
        if not port.strip() or len(port) > 20 or not port.isprintable():
            raise SheetError(f"{port!r} cannot be the name of a port", 'use a short name such as "1" or "rear"')
        seen.add(one_spelling(port))


def _tables(columns: tuple[_Column, ...]) -> list[tuple[_Column, ...]]:
    """Part the columns by side where they are too many for one table that can be read on paper; pitots by test."""
    by_test = any(column.of_position for column in columns)
    if len(columns) <= MAX_COLUMNS_IN_ONE and not by_test:
        return [columns]
    keys = [column.test if by_test else column.side for column in columns]
    return [tuple(c for c, own in zip(columns, keys, strict=True) if own == key) for key in dict.fromkeys(keys)]


def _fields(
    sides: Iterable[Side], units: Sequence[str], known: Mapping[str, str | float], meter: MeterSheet | None
) -> list[_Field]:
    """List the fields of the heading; `units` are those of lift, flow and test pressure."""
    length, flow, pressure = units
    size, warmth, weight = ("mm", "°C", "hPa") if length in ("mm", "cm", "m") else ("in", "°F", "inHg")
    plate = [("Check plate reading", meter.unit if meter else flow), ("Check plate nominal", flow)]
    of_meter = [] if meter is None else [
        (meter.zero, "Zero reading", meter.unit),
        (meter.temperature, "Meter temperature", warmth),
        (meter.pressure, "Meter pressure", weight),
        (meter.liquid, "Liquid temperature", warmth),
        (meter.named_range, "Range", ""),
    ]  # fmt: skip
    of_valves = ("valve head", size), ("stem", size), ("throat", size), ("seat angle", "°"), ("seat width", size)
    wanted = [
        *((name, "") for name in ("Head", "Variant", "Date", "Bench", "Operator")),
        ("Test pressure", pressure),
        ("Fixture bore", size),
        ("Air temperature", warmth),
        ("Barometer", weight),
        ("Humidity", "%"),
        *((name, spelled) for asked, name, spelled in of_meter if asked),
        *([] if meter and meter.positions > 1 else plate),  # no label holds all positions of a pitot tube
        ("Entry fitting", ""),
        ("Exit fitting", ""),
        *((f"{side.capitalize()} {name}", spelled) for side in sides for name, spelled in of_valves),
        ("Notes", ""),
    ]
    choices = meter.ranges + meter.meters if meter else ()
    kinds = {"": "text", "°": "angle"}
    named = {"Date": "date", "Humidity": "percent"}
    return [
        _Field(
            f"{name} [{spelled}]" if spelled else name,
            named.get(name) or kinds.get(spelled, "number"),
            known.get(name.lower()),
            choices if name == "Check plate reading" else (),
        )
        for name, spelled in wanted
    ]


# --- as text, and as a worksheet ---------------------------------------------------------------------


def _csv_bytes(plan: _Plan) -> bytes:
    """Write a plan as text; with a byte-order mark, which spreadsheet programs want to see."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    fill = f"Fill in the blanks next to the labels and under the headings, {plan.help[0]}"
    # Comments, so never quoted, whatever commas they hold.
    out.writelines(f"# {line}\r\n" for line in ("Flow test sheet", fill, *plan.help[1:]))
    for field in plan.fields:
        writer.writerow([field.label, "" if field.value is None else field.value, *([""] if field.choices else [])])
    for columns in plan.tables:
        writer.writerow([])
        if columns[0].of_position:
            writer.writerow([columns[0].test])
        writer.writerow(["Lift", *(column.heading for column in columns)])
        writer.writerow([plan.lift_unit, *(plan.flow_unit for _ in columns)])
        writer.writerows([line, *("" for _ in columns)] for line in (*(f"{lift:g}" for lift in plan.lifts), plan.last))
    return out.getvalue().encode("utf-8-sig")


_PAGE = 90  # rows that can still be read on one page
_WIDE = 11  # beyond so many columns the page lies on its side
_GREY = "F2F2F2"
_LINE = "9A9A9A"
_TAKES: dict[str, tuple[dict[str, str], str]] = {
    "number": (
        {"type": "decimal", "operator": "greaterThanOrEqual", "formula1": "0"},
        "A number from zero up, without its unit: the unit is printed on the sheet. Leave the cell empty if it "
        "was not tested.",
    ),
    "angle": (
        {"type": "decimal", "operator": "between", "formula1": "0", "formula2": "90"},
        "The seat's angle in degrees, measured from the head's plane.",
    ),
    "percent": (
        {"type": "decimal", "operator": "between", "formula1": "0", "formula2": "100"},
        "The relative humidity in percent, 0 to 100.",
    ),
    "date": (
        {"type": "date", "operator": "greaterThan", "formula1": "36526"},
        "The date of the test, such as 2026-03-18.",
    ),
    "choice": ({"type": "list"}, "One of the names in the list."),
}
"""What a cell takes, by the kind of its field, and what the program says of anything else."""


class _Page:
    """A plan on a worksheet that prints on one page: fields in groups side by side, tables, help."""

    def __init__(self, plan: _Plan) -> None:
        from openpyxl import Workbook, styles

        thin = styles.Side(style="thin", color=_LINE)
        self.styles = styles
        self.under, self.frame = styles.Border(bottom=thin), styles.Border(thin, thin, thin, thin)
        self.plan = plan
        self.book = Workbook()
        self.sheet = self.book.worksheets[0]
        self.sheet.title = "Flow test"
        columns = 1 + max(map(len, plan.tables))
        self.groups, self.label, self.column_width = (
            (2, 2, 11.5) if columns <= _WIDE else (3, 2, 10.5) if columns <= 13 else (3, 3, 8.5)
        )
        self.width = max(columns, self.groups * (self.label + 2))

    def written(self) -> bytes:
        """The workbook."""
        self.put(1, 1, "Flow test sheet", 14, "left", bold=True)
        self.merge(1, 1, self.width)
        self.sheet.row_dimensions[1].height = 24
        self.rules = self.validations()
        row = self.write_fields()
        for columns in self.plan.tables:
            row = self.write_table(row + 2, columns)
        top = row + 2
        for at, line in enumerate((f"Fill in the white cells only, {self.plan.help[0]}", *self.plan.help[1:]), top):
            self.put(at, 1, line, 9, "general", wrap=True)
            self.merge(at, 1, self.width)
            self.sheet.row_dimensions[at].height = 15
        self.set_page(last_row=row + 1 + len(self.plan.help))
        out = io.BytesIO()
        self.book.save(out)
        return out.getvalue()

    def put(
        self, row: int, column: int, value: object = None, size: int = 9, across: str = "center", **more: bool
    ) -> Any:
        """Put a value into a cell, in its type and place; `more` are bold, wrap, and white: to be filled in."""
        cell = self.sheet.cell(row, column, value)
        cell.font = self.styles.Font(name="Arial", size=size, bold=more.get("bold", False))
        cell.alignment = self.styles.Alignment(horizontal=across, vertical="center", wrap_text=more.get("wrap", False))
        if more.get("white"):
            cell.protection = self.styles.Protection(locked=False)
        return cell

    def merge(self, row: int, first: int, last: int) -> None:
        """Join the cells of a row from one column to another."""
        self.sheet.merge_cells(start_row=row, start_column=first, end_row=row, end_column=last)

    def validations(self) -> dict[str, DataValidation]:
        """Add what a cell takes, one rule for each kind of field."""
        from openpyxl.worksheet.datavalidation import DataValidation

        choices = next((field.choices for field in self.plan.fields if field.choices), ())
        offered = bool(choices) and not any("," in choice or '"' in choice for choice in choices)
        rules = {}
        for kind, (takes, message) in _TAKES.items():
            if kind != "choice" or offered:
                more = {"formula1": f'"{",".join(choices)}"'} if kind == "choice" else {}
                rule = rules[kind] = DataValidation(**takes, **more, allow_blank=True)
                rule.errorTitle, rule.error, rule.showErrorMessage = "This cell", message, True
                self.sheet.add_data_validation(rule)
        return rules

    def write_fields(self) -> int:
        """Write the heading's fields, group beside group, and the notes below; return the last row."""
        *fields, notes = self.plan.fields
        rows = -(-len(fields) // self.groups)
        size = self.label + 2
        for nth, field in enumerate(fields):
            group, down = divmod(nth, rows)
            self.write_field(field, 3 + down, 1 + size * group, size * (group + 1) - 1, size * (group + 1))
        last = 3 + rows
        self.write_field(notes, last, 1, 1 + self.label, size * self.groups)
        self.sheet.row_dimensions[last].height = 34
        for row in range(3, last):
            self.sheet.row_dimensions[row].height = 19
        return last

    def write_field(self, field: _Field, row: int, column: int, start: int, end: int) -> None:
        """Write a label from a column on and the cells for its value, from `start` to `end`."""
        label = self.put(row, column, field.label)
        label.alignment = self.styles.Alignment(horizontal="left", vertical="center", indent=0 if column == 1 else 1)
        self.merge(row, column, start - 1)
        value = self.put(row, start, field.value, 10, "left", wrap=field.label == "Notes")
        if isinstance(field.value, str):
            value.data_type = "s"  # never a formula, whatever the text begins with
        if field.kind == "date":
            value.number_format = "yyyy-mm-dd"
        if field.kind in self.rules:
            self.rules[field.kind].add(value)
        for at in range(start, end + 1):
            self.sheet.cell(row, at).border = self.under
            self.sheet.cell(row, at).protection = self.styles.Protection(locked=False)
        if not field.choices:
            self.merge(row, start, end)
        elif "choice" in self.rules:
            self.rules["choice"].add(self.sheet.cell(row, end))

    def write_table(self, top: int, columns: Sequence[_Column]) -> int:
        """Write two lines of headings, a line for each lift and one for the leak; return the last row."""
        plan, pitot = self.plan, columns[0].of_position
        if pitot:
            self.put(top, 1, columns[0].test, 10, "left", bold=True)
            top += 1
        headings = ["Lift", *(column.heading for column in columns)]
        printed = [self.put(top, nth, text, bold=True, wrap=True) for nth, text in enumerate(headings, 1)]
        units = [plan.lift_unit, *(plan.flow_unit for _ in columns)]
        printed += [self.put(top + 1, nth, text, wrap=True) for nth, text in enumerate(units, 1)]
        longest = max(map(len, headings))
        self.sheet.row_dimensions[top].height = 18 if longest < 12 else 28 if longest < 22 or pitot else 42
        decimals = max(len(f"{lift:g}".partition(".")[2]) for lift in plan.lifts)
        lines: tuple[float | str, ...] = (*plan.lifts, plan.last if plan.last == LEAK else 0.0)
        for row, lift in enumerate(lines, top + 2):
            self.sheet.row_dimensions[row].height = 20
            printed.append(self.put(row, 1, lift, 10))
            printed[-1].number_format = "0." + "0" * decimals if decimals else "0"
            for nth, column in enumerate(columns, 2):
                reading = self.put(row, nth, None, 10, white=True)
                reading.border = self.frame
                rule = self.rules.get("choice" if column.what in ("range", "meter") else "number")
                if rule is not None:
                    rule.add(reading)
        for cell in printed:
            cell.fill, cell.border = self.styles.PatternFill("solid", start_color=_GREY), self.frame
        return top + 1 + len(lines)

    def set_page(self, *, last_row: int) -> None:
        """Make the sheet print on one page, and protect what is printed on it."""
        from openpyxl.utils import get_column_letter
        from openpyxl.worksheet.page import PageMargins
        from openpyxl.worksheet.properties import PageSetupProperties

        sheet = self.sheet
        for column in range(1, self.width + 1):
            sheet.column_dimensions[get_column_letter(column)].width = self.column_width
        sheet.sheet_view.showGridLines = False
        sheet.page_setup.orientation = "landscape" if self.width > _WIDE else "portrait"
        sheet.page_setup.paperSize = 9
        sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 1 if last_row <= _PAGE else 0
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        sheet.page_margins = PageMargins(left=0.5, right=0.5, top=0.5, bottom=0.5)
        sheet.print_options.horizontalCentered = True
        sheet.print_area = f"A1:{get_column_letter(self.width)}{last_row}"
        sheet.protection.sheet = True
        sheet.protection.formatColumns = sheet.protection.formatRows = False
