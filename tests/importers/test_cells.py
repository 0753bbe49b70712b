"""Cells as people fill them in."""

from __future__ import annotations

import datetime

import pytest

from flowkit.importers.files.grid import Grid
from flowkit.importers.words.values import GAP_MARKS, Cell, as_text, decimal_comma_of, iso_date, read_cell


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ('.350"', 0.35, '"'),
        ("212.5 cfm", 212.5, "cfm"),
        ("50 thou", 50, "thou"),
        ("\u00a01\u00a0234,5\u00a0", 1234.5, ""),
        ("−3", -3, ""),
        ("–3.5 mm", -3.5, "mm"),
        ("1.234,5", 1234.5, ""),
        ("1,234.5", 1234.5, ""),
        ("1'234.5", 1234.5, ""),
        ("2.", 2, ""),
        ("1e-3", 0.001, ""),
        ("12 %", 12, "%"),
        ("0,350", 0.35, ""),
        ("0.350", 0.35, ""),
    ],
)  # fmt: skip
def test_numbers(text: str, value: float, unit: str) -> None:
    assert read_cell(text) == Cell(value, unit)


@pytest.mark.parametrize(
    "text", ["abc", "12 apples", "3.5.2026", "nan", "inf", "1e400", "1_000", "", " ", "4o", "12 V", "10:05"]
)
def test_what_is_no_number(text: str) -> None:
    assert read_cell(text) == Cell(None)


def test_the_mark_of_the_sheet_decides() -> None:
    assert read_cell("1,234") == Cell(None)
    assert read_cell("1,234", True) == Cell(1.234)
    assert read_cell("1,234", False) == Cell(1234.0)
    assert read_cell("1.234", True) == Cell(1234.0)
    assert read_cell("1.5", True) == read_cell("1,5", False) == Cell(1.5)
    assert read_cell("0.350", True) == read_cell("0,350", False) == Cell(0.35)


@pytest.mark.parametrize("mark", sorted(GAP_MARKS))
def test_gaps(mark: str) -> None:
    assert read_cell(f" {mark.upper()} ") == Cell(None, "", mark.upper())


def test_values_that_are_no_text() -> None:
    assert read_cell(1.5) == Cell(1.5)
    for value in (None, True, float("nan"), float("inf"), datetime.date(2026, 1, 2), datetime.time(1, 2)):
        assert read_cell(value) == Cell(None)


def test_the_mark_of_a_spreadsheet_s_texts() -> None:
    assert decimal_comma_of(Grid("a.xlsx", "S", (("1,25", 3.0), ("1,234",)))) is True
    assert decimal_comma_of(Grid("a.xlsx", "S", (("1,234", "a, b"),))) is None
    assert decimal_comma_of(Grid("a.csv", None, (("1,25",),), decimal_comma=False)) is False


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.0, "1"), (1.5, "1.5"), ("01", "01"), (None, ""), (" a\n b ", "a b"), (True, "True"), (datetime.date(2026, 3, 4), "2026-03-04"), (datetime.time(10, 5), "10:05:00")],  # noqa: E501
)  # fmt: skip
def test_names(value: object, text: str) -> None:
    assert as_text(value) == text  # type: ignore[arg-type]


def test_control_characters_do_not_survive() -> None:
    assert as_text("a\x1b[31mb\x00") == "a [31mb"


@pytest.mark.parametrize(
    ("value", "iso"),
    [
        ("2026-03-14", "2026-03-14"),
        ("2026/3/4", "2026-03-04"),
        ("14 March 2026", "2026-03-14"),
        ("March 14, 2026", "2026-03-14"),
        ("14th March 2026", "2026-03-14"),
        ("14.03.2026", "2026-03-14"),
        ("14. März 2026", "2026-03-14"),
        ("14 mars 2026", "2026-03-14"),
        ("1er août 2026", "2026-08-01"),
        ("14 de marzo de 2026", "2026-03-14"),
        ("14 marzo 2026", "2026-03-14"),
        ("2026-03-14 10:05", "2026-03-14"),
        ("2026-03-14T10:05:00Z", "2026-03-14"),
        (datetime.datetime(2026, 3, 14, 10), "2026-03-14"),
        (datetime.date(2026, 3, 14), "2026-03-14"),
        ("3/4/2026", None),
        ("03-04-26", None),
        ("31.02.2026", None),
        ("spring 2026", None),
        ("14 March", None),
        (46000.0, None),
        (None, None),
    ],
)  # fmt: skip
def test_dates(value: object, iso: str | None) -> None:
    assert iso_date(value) == iso  # type: ignore[arg-type]
