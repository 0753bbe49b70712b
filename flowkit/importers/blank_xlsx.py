"""A blank sheet as a workbook: one page, white cells to fill in, the rest protected."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flowkit.importers.blank_plan import LEAK, BlankPlan, Column, Field

if TYPE_CHECKING:
    from openpyxl.styles import Border
    from openpyxl.worksheet.datavalidation import DataValidation
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["xlsx_bytes"]

_WIDE = 11  # beyond so many columns the page lies on its side
_GREY = "F2F2F2"
_LINE = "9A9A9A"
_MESSAGES = {
    "number": "A number from zero up, without its unit: the unit is printed on the sheet. Leave the cell empty if it "
    "was not tested.",
    "angle": "The seat's angle in degrees, measured from the head's plane.",
    "percent": "The relative humidity in per cent, 0 to 100.",
    "date": "The date of the test, such as 2026-03-18.",
}


def xlsx_bytes(plan: BlankPlan) -> bytes:
    """Write a plan as a workbook.

    Parameters
    ----------
    plan : BlankPlan

    Returns
    -------
    bytes
        The xlsx file.
    """
    from openpyxl import Workbook

    book = Workbook()
    sheet: Worksheet = book.worksheets[0]
    sheet.title = "Flow test"
    shape = _Shape.of(plan)
    _write_title(sheet, shape.width)
    checks = _validations(sheet)
    row = _write_fields(sheet, plan, shape, checks)
    for columns in plan.tables:
        row = _write_table(sheet, plan, columns, top=row + 2, flow_check=checks["number"])
    _write_help(sheet, plan, top=row + 2, width=shape.width)
    _set_page(sheet, shape, last_row=row + 1 + len(plan.help))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@dataclass(frozen=True, slots=True)
class _Shape:
    """How the page is divided.

    Attributes
    ----------
    width : int
        Columns of the sheet.
    groups, label : int
        Groups of fields side by side, and how many columns a label takes; its value takes two.
    column_width : float
        In characters.
    """

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


def _write_title(sheet: Worksheet, width: int) -> None:
    """Write the title."""
    from openpyxl.styles import Alignment, Font

    sheet.cell(1, 1, "Flow test sheet").font = Font(name="Arial", size=14, bold=True)
    sheet.cell(1, 1).alignment = Alignment(vertical="center")
    sheet.merge_cells(start_row=1, start_column=1, end_row=1, end_column=width)
    sheet.row_dimensions[1].height = 24


def _validations(sheet: Worksheet) -> dict[str, DataValidation]:
    """Add what a cell takes, one rule for each kind of field."""
    from openpyxl.worksheet.datavalidation import DataValidation

    rules = {
        "number": DataValidation(type="decimal", operator="greaterThanOrEqual", formula1="0"),
        "angle": DataValidation(type="decimal", operator="between", formula1="0", formula2="90"),
        "percent": DataValidation(type="decimal", operator="between", formula1="0", formula2="100"),
        "date": DataValidation(type="date", operator="greaterThan", formula1="36526"),
    }
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
    from openpyxl.styles import Alignment, Font, Protection

    column, end = columns
    start = end - 1 if label_width is None else column + label_width
    label = sheet.cell(row, column, field.label)
    label.font = Font(name="Arial", size=9)
    label.alignment = Alignment(horizontal="left", vertical="center", indent=0 if column == 1 else 1)
    sheet.merge_cells(start_row=row, start_column=column, end_row=row, end_column=start - 1)
    value = sheet.cell(row, start)
    if field.value is not None:
        value.value = field.value
        if isinstance(field.value, str):
            value.data_type = "s"  # never a formula, whatever the text begins with
    value.font = Font(name="Arial", size=10)
    value.alignment = Alignment(horizontal="left", vertical="center", wrap_text=field.label == "Notes")
    if field.kind == "date":
        value.number_format = "yyyy-mm-dd"
    if field.kind in checks:
        checks[field.kind].add(value)
    for at in range(start, end + 1):
        sheet.cell(row, at).border = _line(under=True)
        sheet.cell(row, at).protection = Protection(locked=False)
    sheet.merge_cells(start_row=row, start_column=start, end_row=row, end_column=end)


def _write_table(
    sheet: Worksheet, plan: BlankPlan, columns: Sequence[Column], *, top: int, flow_check: DataValidation
) -> int:
    """Write the table: two lines of headings, a line for each lift and one for the leak; return its last row."""
    from openpyxl.styles import Alignment, Font, PatternFill, Protection

    grey = PatternFill("solid", start_color=_GREY)
    headings = ["Lift", *(column.heading for column in columns)]
    units = [plan.lift_unit, *(plan.flow_unit for _ in columns)]
    for line, texts in enumerate((headings, units)):
        for nth, text in enumerate(texts):
            cell = sheet.cell(top + line, 1 + nth, text)
            cell.font = Font(name="Arial", size=9, bold=line == 0)
            cell.alignment = Alignment(horizontal="center", vertical="center", wrap_text=True)
            cell.fill = grey
            cell.border = _line()
    sheet.row_dimensions[top].height = 28 if any(column.runs > 1 for column in columns) else 18
    places: tuple[float | str, ...] = (*plan.lifts, LEAK)
    for row, lift in enumerate(places, top + 2):
        sheet.row_dimensions[row].height = 20
        place = sheet.cell(row, 1, lift)
        place.font = Font(name="Arial", size=10)
        place.alignment = Alignment(horizontal="center", vertical="center")
        place.fill = grey
        place.border = _line()
        place.number_format = _format(plan.lifts)
        for column in range(2, 2 + len(columns)):
            reading = sheet.cell(row, column)
            reading.border = _line()
            reading.font = Font(name="Arial", size=10)
            reading.protection = Protection(locked=False)
            reading.alignment = Alignment(horizontal="center", vertical="center")
            flow_check.add(reading)
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
    from openpyxl.styles import Alignment, Font

    for nth, line in enumerate((f"Fill in the white cells only, {plan.help[0]}", *plan.help[1:])):
        cell = sheet.cell(top + nth, 1, line)
        cell.font = Font(name="Arial", size=9)
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.merge_cells(start_row=top + nth, start_column=1, end_row=top + nth, end_column=width)
        sheet.row_dimensions[top + nth].height = 15


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
    sheet.page_setup.fitToHeight = 1
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_margins = PageMargins(left=0.5, right=0.5, top=0.5, bottom=0.5)
    sheet.print_options.horizontalCentered = True
    sheet.print_area = f"A1:{get_column_letter(shape.width)}{last_row}"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False
