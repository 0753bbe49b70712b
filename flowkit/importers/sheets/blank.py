"""An empty sheet for the operator, laid out for what is to be flowed."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.errors import SheetError
from flowkit.importers.words.items import is_meter_unit
from flowkit.model import Side
from flowkit.output import write_new
from flowkit.units import find_unit, from_si, unit

if TYPE_CHECKING:
    from openpyxl.styles import Border
    from openpyxl.worksheet.datavalidation import DataValidation
    from openpyxl.worksheet.worksheet import Worksheet


MAX_LIFTS = 60
MAX_LIFTS_IN_TWO = 24  # where intake and exhaust have a table each
MAX_COLUMNS_IN_ONE = 12  # beyond, intake and exhaust get a table each
MAX_COLUMNS_OF_A_SIDE = 20
MAX_POSITIONS = 40  # of a pitot tube
FieldKind = Literal["text", "number", "date", "percent", "angle"]


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
            raise SheetError(
                f"{spelled!r} is not a unit a meter is read in",
                "write %, mm, inH2O, Pa or another length or pressure, V, Hz or div",
            )
        found = find_unit(spelled)
        return cls(spelled, liquid=found is not None and found.quantity == "length", named_range=True)

    @property
    def columns(self) -> tuple[tuple[str, str], ...]:
        """What the columns of one test are, each with its unit."""
        choices = [("range", "")] if self.ranges else []
        choices += [("meter", "")] if self.meters else []
        readings = [("meter reading", self.unit)]
        if self.positions > 1:
            readings = [(f"pitot reading {nth}", self.unit) for nth in range(1, self.positions + 1)]
        return (*choices, *readings, *([("outlet pressure", self.outlet)] if self.outlet else []))


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the heading."""

    label: str
    kind: FieldKind
    value: str | float | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Column:
    """One column of flows, or of what belongs to a meter's readings: `what` it is, with its unit."""

    side: Side
    port: str
    run: int
    runs: int
    what: str = ""
    unit: str = ""

    @property
    def test(self) -> str:
        """Which test it is of, such as ``Intake 1 run 2``."""
        name = f"{self.side.capitalize()} {self.port}"
        return name if self.runs == 1 else f"{name} run {self.run}"

    @property
    def heading(self) -> str:
        """Its heading; a pitot tube's positions are headed by their test together."""
        what = f"{self.what} ({self.unit})" if self.unit else self.what
        return what.capitalize() if self.of_position else f"{self.test} {what}".strip()

    @property
    def of_position(self) -> bool:
        """Whether it is one of a pitot tube's positions."""
        return self.what.startswith("pitot")


@dataclass(frozen=True, slots=True)
class BlankPlan:
    """A blank sheet."""

    fields: tuple[Field, ...]
    lifts: tuple[float, ...]
    tables: tuple[tuple[Column, ...], ...]
    lift_unit: str
    flow_unit: str
    help: tuple[str, ...]
    leak: str = "Leak"


REPEATS = (
    "Before a port's next run take the head off, or at least close the valve and zero the dial again. Write the date, "
    "and read the check plate, in every session: without them a gain cannot be proven."
)

SAFETY = (
    "Wear ear and eye protection while the blower runs.",
    "Keep rags, sleeves and loose hair away from the opening that draws air.",
    "Keep manometer fluid off your skin and out of drains; do not breathe dust from old gaskets or grinding.",
)

HELP_READINGS = (
    "in the units printed on the sheet. Leave empty what was not tested or is not known.",
    "A column is one run of one port. Write what the meter shows, without working anything out. Lift 0 is the reading "
    "with the valve closed; the zero reading is the meter's with no flow at all.",
    REPEATS,
    *SAFETY,
)

HELP_CHOICES = "In each row, write which of them was read: {}; do the same after the check plate's reading."
HELP = (
    "in the units printed on the sheet. Leave empty what was not tested or is not known.",
    "A column is one run of one port. Write flows as read, uncorrected; the leak is the flow with the valve closed.",
    REPEATS,
    *SAFETY,
)


def is_own_line(text: str) -> bool:
    """Whether a text is one of the lines of help on a blank sheet."""
    said = " ".join(text.split())
    return said.endswith((*HELP, *HELP_READINGS)) or said.startswith(HELP_CHOICES.partition("{")[0])


LEAK = "Leak"  # Heads the line below the lifts


def lifts_by_step(step_m: float, top_m: float) -> tuple[float, ...]:
    """Return lifts by equal steps up to a given lift."""
    if not (step_m > 0 and top_m > 0 and math.isfinite(step_m) and math.isfinite(top_m)):
        raise SheetError("the step and the highest lift must be above zero", 'give them like "1 mm" and "12 mm"')
    if step_m > top_m * (1 + 1e-9):
        raise SheetError(
            "the step of the lifts is larger than the highest lift", "take a smaller step or a higher lift"
        )
    count = math.floor(top_m / step_m * (1 + 1e-9))
    if count > MAX_LIFTS:
        raise SheetError(f"that makes {count} lifts; a page holds {MAX_LIFTS}", "take a larger step")
    lifts = [round(step_m * nth, 9) for nth in range(1, count + 1)]
    if top_m - lifts[-1] > 1e-6:
        lifts.append(round(top_m, 9))
    return tuple(lifts)


def lifts_by_fraction(valve_diameter_m: float, fractions: Sequence[float], top_m: float | None) -> tuple[float, ...]:
    """Return lifts at fractions of the valve's diameter, up to a given lift."""
    if not (valve_diameter_m > 0 and math.isfinite(valve_diameter_m)) or any(not 0 < f < 2 for f in fractions):
        raise SheetError(
            "the valve's diameter and the fractions of it must be above zero", "a fraction is lift over diameter"
        )
    lifts = sorted({round(valve_diameter_m * fraction, 9) for fraction in fractions})
    lifts = [lift for lift in lifts if top_m is None or lift <= top_m * (1 + 1e-9)]
    if not lifts:
        raise SheetError("no lift is left below the highest one", "give smaller fractions or a higher lift")
    return tuple(lifts)


def plan_blank(
    lifts_m: Sequence[float],
    *,
    ports: Sequence[str],
    sides: Sequence[Side],
    runs: int | Mapping[str, int],
    lift_unit: str,
    flow_unit: str,
    pressure_unit: str,
    known: Mapping[str, str | float],
    meter: MeterSheet | None = None,
) -> BlankPlan:
    """Lay out a blank sheet."""
    length, flow, pressure = unit(lift_unit, "length"), unit(flow_unit, "flow"), unit(pressure_unit, "pressure")
    lifts = _lifts_in(lifts_m, length.name)
    _refuse_twice(ports)
    columns = tuple(
        Column(side, port, run, count, *of)
        for side in dict.fromkeys(sides)
        for port in ports
        for count in (runs if isinstance(runs, int) else runs.get(port, 1),)
        for run in range(1, count + 1)
        for of in (meter.columns if meter else (("", ""),))
    )
    if not columns or not lifts:
        raise SheetError("a blank sheet needs a lift, a side, a port and a run", "name at least one of each")
    tables = _tables(columns)
    most = MAX_LIFTS if len(tables) == 1 or columns[0].of_position else MAX_LIFTS_IN_TWO
    widest = max(map(len, tables))
    if widest > (MAX_POSITIONS if columns[0].of_position else MAX_COLUMNS_OF_A_SIDE) or len(lifts) > most:
        raise SheetError(
            f"{len(lifts)} lifts and {widest} columns do not fit on a page ({most} and {MAX_COLUMNS_OF_A_SIDE} do)",
            "make a sheet for each side, or ask for fewer runs or lifts",
        )
    for column in columns:
        if not column.port.strip() or len(column.port) > 20 or not column.port.isprintable():
            raise SheetError(f"{column.port!r} cannot be the name of a port", 'use a short name such as "1" or "rear"')
    fields = _fields(dict.fromkeys(sides), length.name, flow.name, pressure.name, known, meter)
    if meter is None:
        return BlankPlan(fields, lifts, tables, length.name, flow.name, HELP)
    choices = meter.ranges + meter.meters
    more = (HELP_CHOICES.format(", ".join(choices)),) if choices else ()
    return BlankPlan(fields, lifts, tables, length.name, "", (*HELP_READINGS[:2], *more, *HELP_READINGS[2:]), "0")


def _refuse_twice(ports: Sequence[str]) -> None:
    """Refuse two ports of one name; their columns would look the same."""
    seen: set[str] = set()
    for port in ports:
        if port.strip().casefold() in seen:
            raise SheetError(f"the port {port!r} is named twice", "give each port a name of its own, or their number")
        seen.add(port.strip().casefold())


def _tables(columns: tuple[Column, ...]) -> tuple[tuple[Column, ...], ...]:
    """Part the columns by side where they are too many for one table that can be read on paper; pitots by test."""
    if any(column.of_position for column in columns):
        tests = dict.fromkeys(column.test for column in columns)
        return tuple(tuple(column for column in columns if column.test == test) for test in tests)
    if len(columns) <= MAX_COLUMNS_IN_ONE:
        return (columns,)
    return tuple(
        tuple(column for column in columns if column.side == side)
        for side in dict.fromkeys(column.side for column in columns)
    )


def _lifts_in(lifts_m: Sequence[float], lift_unit: str) -> tuple[float, ...]:
    """Return the lifts in their unit, as fine as a dial gauge shows."""
    decimals = {"in": 4, "thou": 1, "mm": 3, "cm": 4, "m": 6, "tenths of mm": 2, "hundredths of mm": 1}[lift_unit]
    if any(not (math.isfinite(lift) and lift > 0) for lift in lifts_m):
        raise SheetError("a lift on a blank sheet must be above zero", 'give lifts like "1 mm"')
    return tuple(sorted({round(from_si(lift, lift_unit), decimals) for lift in lifts_m}))


def _fields(  # noqa: PLR0917
    sides: Mapping[Side, object],
    length: str,
    flow: str,
    pressure: str,
    known: Mapping[str, str | float],
    meter: MeterSheet | None,
) -> tuple[Field, ...]:
    """List the fields of the heading."""
    size = "mm" if length in ("mm", "cm", "m") else "in"
    warmth, weight = ("°C", "hPa") if size == "mm" else ("°F", "inHg")
    wanted: list[tuple[str, str, FieldKind]] = [
        ("Head", "", "text"),
        ("Variant", "", "text"),
        ("Date", "", "date"),
        ("Bench", "", "text"),
        ("Operator", "", "text"),
        ("Test pressure", pressure, "number"),
        ("Fixture bore", size, "number"),
        ("Air temperature", warmth, "number"),
        ("Barometer", weight, "number"),
        ("Humidity", "%", "percent"),
        *(_meter_fields(warmth, weight, meter) if meter else ()),
        *(
            ()  # no label holds all positions of a pitot tube
            if meter and meter.positions > 1
            else (
                ("Check plate reading", meter.unit if meter else flow, "number"),
                ("Check plate nominal", flow, "number"),
            )
        ),
        ("Entry fitting", "", "text"),
        ("Exit fitting", "", "text"),
    ]
    for side in sides:
        name = side.capitalize()
        wanted += [
            (f"{name} valve head", size, "number"),
            (f"{name} stem", size, "number"),
            (f"{name} throat", size, "number"),
            (f"{name} seat angle", "°", "angle"),
            (f"{name} seat width", size, "number"),
        ]
    wanted.append(("Notes", "", "text"))
    choices = meter.ranges + meter.meters if meter else ()
    return tuple(
        Field(
            f"{label} [{spelled}]" if spelled else label,
            kind,
            known.get(label.lower()),
            choices if label == "Check plate reading" else (),
        )
        for label, spelled, kind in wanted
    )


def _meter_fields(warmth: str, weight: str, meter: MeterSheet) -> list[tuple[str, str, FieldKind]]:
    """List the fields that readings of a meter need."""
    fields: list[tuple[bool, tuple[str, str, FieldKind]]] = [
        (meter.zero, ("Zero reading", meter.unit, "number")),
        (meter.temperature, ("Meter temperature", warmth, "number")),
        (meter.pressure, ("Meter pressure", weight, "number")),
        (meter.liquid, ("Liquid temperature", warmth, "number")),
        (meter.named_range, ("Range", "", "text")),
    ]
    return [field for wanted, field in fields if wanted]


_PAGE = 90  # rows that can still be read on one page
_WIDE = 11  # beyond so many columns the page lies on its side
_GREY = "F2F2F2"
_LINE = "9A9A9A"
_MESSAGES = {
    "number": "A number from zero up, without its unit: the unit is printed on the sheet. Leave the cell empty if it "
    "was not tested.",
    "angle": "The seat's angle in degrees, measured from the head's plane.",
    "percent": "The relative humidity in percent, 0 to 100.",
    "date": "The date of the test, such as 2026-03-18.",
    "choice": "One of the names in the list.",
}


def xlsx_bytes(plan: BlankPlan) -> bytes:
    """Write a plan as a workbook."""
    from openpyxl import Workbook

    book = Workbook()
    sheet: Worksheet = book.worksheets[0]
    sheet.title = "Flow test"
    shape = _Shape.of(plan)
    _put(sheet, 1, 1, "Flow test sheet", 14, "left", bold=True)
    _merge(sheet, 1, 1, shape.width)
    sheet.row_dimensions[1].height = 24
    checks = _validations(sheet, plan)
    row = _write_fields(sheet, plan, shape, checks)
    for columns in plan.tables:
        row = _write_table(sheet, plan, columns, top=row + 2, checks=checks)
    _write_help(sheet, plan, top=row + 2, width=shape.width)
    _set_page(sheet, shape, last_row=row + 1 + len(plan.help))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@dataclass(frozen=True, slots=True)
class _Shape:
    """How the page is divided."""

    width: int
    groups: int
    label: int
    column_width: float

    @classmethod
    def of(cls, plan: BlankPlan) -> _Shape:
        """Divide the page for a plan."""
        columns = 1 + max(map(len, plan.tables))
        groups, label, column_width = (
            (2, 2, 11.5) if columns <= _WIDE else (3, 2, 10.5) if columns <= 13 else (3, 3, 8.5)
        )
        return cls(max(columns, groups * (label + 2)), groups, label, column_width)


def _put(  # noqa: PLR0917
    sheet: Worksheet, row: int, column: int, value: object = None, size: int = 9, across: str = "center", **more: bool
) -> Any:
    """Put a value into a cell, in its type and place; `more` are bold, wrap, and white: to be filled in."""
    from openpyxl.styles import Alignment, Font, Protection

    cell = sheet.cell(row, column, value)
    cell.font = Font(name="Arial", size=size, bold=more.get("bold", False))
    cell.alignment = Alignment(horizontal=across, vertical="center", wrap_text=more.get("wrap", False))
    if more.get("white"):
        cell.protection = Protection(locked=False)
    return cell


def _merge(sheet: Worksheet, row: int, first: int, last: int) -> None:
    """Join the cells of a row from one column to another."""
    sheet.merge_cells(start_row=row, start_column=first, end_row=row, end_column=last)


def _validations(sheet: Worksheet, plan: BlankPlan) -> dict[str, DataValidation]:
    """Add what a cell takes, one rule for each kind of field."""
    from openpyxl.worksheet.datavalidation import DataValidation

    rules = {
        "number": DataValidation(type="decimal", operator="greaterThanOrEqual", formula1="0"),
        "angle": DataValidation(type="decimal", operator="between", formula1="0", formula2="90"),
        "percent": DataValidation(type="decimal", operator="between", formula1="0", formula2="100"),
        "date": DataValidation(type="date", operator="greaterThan", formula1="36526"),
    }
    choices = next((field.choices for field in plan.fields if field.choices), ())
    if choices and not any("," in choice or '"' in choice for choice in choices):
        rules["choice"] = DataValidation(type="list", formula1=f'"{",".join(choices)}"')
    for kind, rule in rules.items():
        rule.allow_blank = True
        rule.errorTitle, rule.error, rule.showErrorMessage = "This cell", _MESSAGES[kind], True
        sheet.add_data_validation(rule)
    return rules


def _write_fields(sheet: Worksheet, plan: BlankPlan, shape: _Shape, checks: dict[str, DataValidation]) -> int:
    """Write the heading's fields, group beside group; return its last row."""
    *fields, notes = plan.fields
    rows = -(-len(fields) // shape.groups)
    size = shape.label + 2
    for nth, field in enumerate(fields):
        group, down = divmod(nth, rows)
        _write_field(sheet, field, row=3 + down, columns=(1 + size * group, size * (group + 1)), checks=checks)
    last = 3 + rows
    _write_field(sheet, notes, row=last, columns=(1, size * shape.groups), checks=checks, label_width=shape.label)
    sheet.row_dimensions[last].height = 34
    for row in range(3, last):
        sheet.row_dimensions[row].height = 19
    return last


def _write_field(
    sheet: Worksheet,
    field: Field,
    *,
    row: int,
    columns: tuple[int, int],
    checks: dict[str, DataValidation],
    label_width: int | None = None,
) -> None:
    """Write one label and the cell for its value, which takes the last two columns unless said otherwise."""
    from openpyxl.styles import Alignment, Protection

    column, end = columns
    start = end - 1 if label_width is None else column + label_width
    label = _put(sheet, row, column, field.label)
    label.alignment = Alignment(horizontal="left", vertical="center", indent=0 if column == 1 else 1)
    _merge(sheet, row, column, start - 1)
    value = _put(sheet, row, start, field.value, 10, "left", wrap=field.label == "Notes")
    if isinstance(field.value, str):
        value.data_type = "s"  # never a formula, whatever the text begins with
    if field.kind == "date":
        value.number_format = "yyyy-mm-dd"
    if field.kind in checks:
        checks[field.kind].add(value)
    for at in range(start, end + 1):
        sheet.cell(row, at).border = _line(under=True)
        sheet.cell(row, at).protection = Protection(locked=False)
    if not field.choices:
        _merge(sheet, row, start, end)
    elif "choice" in checks:
        checks["choice"].add(sheet.cell(row, end))


def _write_table(
    sheet: Worksheet, plan: BlankPlan, columns: Sequence[Column], *, top: int, checks: dict[str, DataValidation]
) -> int:
    """Write the table: two lines of headings, a line for each lift and one for the leak; return its last row."""
    from openpyxl.styles import PatternFill

    if columns[0].of_position:
        _put(sheet, top, 1, columns[0].test, 10, "left", bold=True)
        top += 1
    grey = PatternFill("solid", start_color=_GREY)
    headings = ["Lift", *(column.heading for column in columns)]
    units = [plan.lift_unit, *(plan.flow_unit for _ in columns)]
    printed = [
        *(_put(sheet, top, nth, text, bold=True, wrap=True) for nth, text in enumerate(headings, 1)),
        *(_put(sheet, top + 1, nth, text, wrap=True) for nth, text in enumerate(units, 1)),
    ]
    sheet.row_dimensions[top].height = max(
        18 if len(heading) < 12 else 28 if len(heading) < 22 or columns[0].of_position else 42 for heading in headings
    )
    places: tuple[float | str, ...] = (*plan.lifts, plan.leak if plan.leak == LEAK else 0.0)
    for row, lift in enumerate(places, top + 2):
        sheet.row_dimensions[row].height = 20
        printed.append(_put(sheet, row, 1, lift, 10))
        printed[-1].number_format = _format(plan.lifts)
        for nth, column in enumerate(columns, 2):
            reading = _put(sheet, row, nth, None, 10, white=True)
            reading.border = _line()
            check = checks.get("choice") if column.what in ("range", "meter") else checks["number"]
            if check is not None:
                check.add(reading)
    for cell in printed:
        cell.fill, cell.border = grey, _line()
    return top + 1 + len(places)


def _line(*, under: bool = False) -> Border:
    """Return a thin frame, or a line under a cell."""
    from openpyxl.styles import Border, Side

    thin = Side(style="thin", color=_LINE)
    return Border(bottom=thin) if under else Border(left=thin, right=thin, top=thin, bottom=thin)


def _format(lifts: tuple[float, ...]) -> str:
    """Return a number format with as many decimals as the lifts need."""
    decimals = max(len(f"{lift:g}".partition(".")[2]) for lift in lifts)
    return "0." + "0" * decimals if decimals else "0"


def _write_help(sheet: Worksheet, plan: BlankPlan, *, top: int, width: int) -> None:
    """Write how to fill the sheet in."""
    for row, line in enumerate((f"Fill in the white cells only, {plan.help[0]}", *plan.help[1:]), top):
        _put(sheet, row, 1, line, 9, "general", wrap=True)
        _merge(sheet, row, 1, width)
        sheet.row_dimensions[row].height = 15


def _set_page(sheet: Worksheet, shape: _Shape, *, last_row: int) -> None:
    """Make the sheet print on one page, and protect what is printed on it."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.page import PageMargins
    from openpyxl.worksheet.properties import PageSetupProperties

    for column in range(1, shape.width + 1):
        sheet.column_dimensions[get_column_letter(column)].width = shape.column_width
    sheet.sheet_view.showGridLines = False
    sheet.page_setup.orientation = "landscape" if shape.width > _WIDE else "portrait"
    sheet.page_setup.paperSize = 9
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 1 if last_row <= _PAGE else 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_margins = PageMargins(left=0.5, right=0.5, top=0.5, bottom=0.5)
    sheet.print_options.horizontalCentered = True
    sheet.print_area = f"A1:{get_column_letter(shape.width)}{last_row}"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False


FRACTIONS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35)

"""Lift over valve diameter, where nothing else is asked for; common practice, no source."""

_FILL = "Fill in the blanks next to the labels and under the headings"


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
    if path.suffix.lower() not in (".xlsx", ".csv"):
        raise SheetError(f"a blank sheet is written as .xlsx or .csv, not {path.suffix or 'without ending'!r}")
    if lifts_m is None:
        lifts_m = _lifts(step_m, top_m, valve_diameter_m, fractions)
    plan = plan_blank(
        lifts_m,
        ports=ports,
        sides=sides,
        runs=runs,
        lift_unit=lift_unit,
        flow_unit=flow_unit,
        pressure_unit=pressure_unit,
        known=known or {},
        meter=meter,
    )
    write_new(path, _csv_bytes(plan) if path.suffix.lower() == ".csv" else xlsx_bytes(plan), SheetError)
    return path


def _lifts(
    step_m: float | None, top_m: float | None, valve_diameter_m: float | None, fractions: Sequence[float]
) -> tuple[float, ...]:
    """Return the lifts that were asked for."""
    if step_m is not None and top_m is not None:
        return lifts_by_step(step_m, top_m)
    if step_m is None and valve_diameter_m is not None:
        return lifts_by_fraction(valve_diameter_m, fractions, top_m)
    raise SheetError(
        "a blank sheet needs its lifts", "give a step and the highest lift, or the valve's diameter for fractions of it"
    )


def _csv_bytes(plan: BlankPlan) -> bytes:
    """Write a plan as text; with a byte-order mark, which spreadsheet programs want to see."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    # Comments, so never quoted, whatever commas they hold.
    out.writelines(f"# {line}\r\n" for line in ("Flow test sheet", f"{_FILL}, {plan.help[0]}", *plan.help[1:]))
    for field in plan.fields:
        writer.writerow([field.label, "" if field.value is None else field.value, *([""] if field.choices else [])])
    for columns in plan.tables:
        writer.writerow([])
        if columns[0].of_position:
            writer.writerow([columns[0].test])
        writer.writerow(["Lift", *(column.heading for column in columns)])
        writer.writerow([plan.lift_unit, *(plan.flow_unit for _ in columns)])
        writer.writerows(
            [place, *("" for _ in columns)] for place in (*(f"{lift:g}" for lift in plan.lifts), plan.leak)
        )
    return out.getvalue().encode("utf-8-sig")
