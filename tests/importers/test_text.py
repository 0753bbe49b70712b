"""Text files: encodings, line ends, delimiters, decimal marks, comments, physical lines."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from flowkit.errors import SheetError
from flowkit.importers.files.grid import Grid
from flowkit.importers.files.text import decimal_comma, is_numeric, text_grid

TABLE = [["Hub", "Fluß"], ["1.5", "30.2"], ["3.0", "61.4"], ["4.5", "88.1"]]


def grid(text: str | bytes) -> Grid:
    data = text.encode() if isinstance(text, str) else text
    return text_grid(data, "a.csv")


def cells(found: Grid) -> list[list[str | None]]:
    return [[str(cell).strip() if cell else None for cell in row] for row in found.rows]


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1"]
)
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(encoding: str, ending: str) -> None:
    text = ending.join(";".join(row) for row in TABLE) + ending
    found = grid(text.encode(encoding))
    assert cells(found) == TABLE
    assert found.lines == (1, 2, 3, 4)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_delimiters_and_decimal_marks(delimiter: str, decimal: str) -> None:
    if delimiter == decimal:
        pytest.skip("needs quotes; see the next test")
    table = [[cell.replace(".", decimal) for cell in row] for row in TABLE]
    found = grid("\n".join(delimiter.join(row) for row in table))
    assert cells(found) == table
    assert found.delimiter == delimiter
    assert found.decimal_comma is (decimal == ",")


def test_decimal_comma_in_quotes_between_commas() -> None:
    found = grid('Lift,Flow\n"1,5","30,2"\n"3,0","61,4"\n')
    assert cells(found) == [["Lift", "Flow"], ["1,5", "30,2"], ["3,0", "61,4"]]
    assert found.decimal_comma is True


def test_comma_as_separator_and_decimal_mark_is_refused() -> None:
    with pytest.raises(SheetError, match="decimal mark and the separator") as caught:
        grid("Lift,Flow\n1,5,30,2\n2,5,40,1\n3,5,50,9\n")
    assert caught.value.cell == "2:1"


def test_comma_table_with_a_wider_line_is_read() -> None:
    found = grid("Test pressure,28\n\nLift,Intake 1,Intake 2,Exhaust 1\nLeak,0.2,0.3\n2,30,31,25\n4,60,62,48\n")
    assert found.rows[-1] == ("4", "60", "62", "48")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("A;1.234,5", True),
        ("A;1,234.5", False),
        ("A;1.234.567", True),
        ("A;1,234,567", False),
        ("A;0,350", True),
        ("A;.350", False),
        ("A;12,5 cfm", True),
        ("A;1,234", None),
        ("A;2.000", None),
        ("A;1,5;2.5", None),
        ("A;B", None),
        ("A;1234,567", True),
        ("A;12.03.2024", None),
        ("A;1 234,5", True),
    ],
)
def test_decimal_mark_is_told_by_all_numbers_together(text: str, told: bool | None) -> None:
    assert grid(text).decimal_comma is told


def test_quoted_newlines_keep_physical_lines() -> None:
    found = grid('Lift,"Intake 1\r\n(cfm)","a ""b"""\r\n1.5,30.2,x\r\n3.0,61.4,y\r\n')
    assert found.rows[0] == ("Lift", "Intake 1\n(cfm)", 'a "b"')
    assert found.lines == (1, 3, 4)
    assert found.source(1, 1) == "a.csv:3:2"


def test_inch_marks_are_no_quotes() -> None:
    found = grid('Test pressure,28,"H2O\n"Lift (in)",Flow\n.350",212.5\n.400",220.1\n')
    assert found.rows == (
        ("Test pressure", "28", '"H2O'),
        ("Lift (in)", "Flow"),
        ('.350"', "212.5"),
        ('.400"', "220.1"),
    )


def test_unclosed_quote_is_kept_as_text() -> None:
    found = grid('"Lift,Flow\n1,30.5\n')
    assert found.rows[0] == ('"Lift', "Flow")


def test_quoted_cell_that_runs_too_far_is_no_quoted_cell() -> None:
    found = grid('"Lift,Flow\n' + "1,2.5\n" * 80 + '"\n')
    assert found.rows[0] == ('"Lift', "Flow")
    assert len(found.rows) == 82


def test_comments_are_set_aside_with_their_lines() -> None:
    found = grid("# bench B\n; made up, of course\nLift,Flow\n1,30.5\n# seat recut\n2,60.1\n")
    assert found.rows == (("Lift", "Flow"), ("1", "30.5"), ("2", "60.1"))
    assert found.comments == ((1, "bench B"), (2, "made up, of course"), (5, "seat recut"))
    assert found.lines == (3, 4, 6)


def test_semicolon_that_separates_begins_no_comment() -> None:
    found = grid(";Intake 1;Intake 2\n1,0;30;31\n2,0;40;41\n")
    assert found.rows[0] == (None, "Intake 1", "Intake 2")
    assert not found.comments


@pytest.mark.parametrize(
    "text", ["# Lift,Flow\n1,30.5\n2,60.1\n", "#Lift;Flow\n1;30,5\n2;60,1\n", "# Lift  Flow\n1.0   30.5\n2.0   60.1\n"]
)
def test_header_in_a_comment_is_a_header(text: str) -> None:
    found = grid(text)
    assert found.rows[0] == ("Lift", "Flow")
    assert found.lines == (1, 2, 3)
    assert not found.comments


def test_comment_of_other_width_is_no_header() -> None:
    assert grid("# Lift,Flow,Note\n1,30.5\n2,60.1\n").comments == ((1, "Lift,Flow,Note"),)


@pytest.mark.parametrize("mark", [";", ",", "|", "\t"])
def test_delimiter_stated_in_the_first_line(mark: str) -> None:
    found = grid(f"sep={mark}\nA{mark}B\n1{mark}2\n")
    assert found.rows == (("A", "B"), ("1", "2"))
    assert found.lines == (2, 3)


def test_blank_lines_stay_as_empty_rows_and_trailing_blanks_go() -> None:
    found = grid("Lift,Flow,,\n\n1,30.5,,\n , \n2,60.1\n\n\n")
    assert found.rows == (("Lift", "Flow"), (), ("1", "30.5"), (), ("2", "60.1"))


def test_table_drawn_with_pipes() -> None:
    found = grid("| Lift | Flow |\n|------|------|\n| 1.5 | 30.2 |\n| 3 | 60 |\n")
    assert cells(found)[1:] == [[None, "1.5", "30.2"], [None, "3", "60"]]  # the rule is no row
    assert found.lines == (1, 3, 4)


def test_one_column_has_no_delimiter() -> None:
    found = grid("just a note\nand another\n")
    assert found.delimiter is None
    assert found.rows == (("just a note",), ("and another",))


def test_labels_before_numbers_tell_the_delimiter() -> None:
    found = grid("Flow;10,5;20,5;30,5\nLift;1,0;2,0;3,0\n")
    assert found.delimiter == ";"


ALIGNED = """Test pressure: 28 inH2O

Lift      Intake 1   Intake 2   Exhaust 1
(mm)        (cfm)      (cfm)       (cfm)
-----------------------------------------
  2          30.2       31.0        25.1
  4                     62.0        48.2
  6          80.3        NT
 10          95.0       96.1        71.9
"""


def test_aligned_columns_keep_their_gaps() -> None:
    found = grid(ALIGNED)
    assert found.delimiter == " "
    assert found.rows[2:] == (
        ("Lift", "Intake 1", "Intake 2", "Exhaust 1"),
        ("(mm)", "(cfm)", "(cfm)", "(cfm)"),
        (),
        ("2", "30.2", "31.0", "25.1"),
        ("4", None, "62.0", "48.2"),
        ("6", "80.3", "NT"),
        ("10", "95.0", "96.1", "71.9"),
    )
    assert found.source(6, 2) == "a.csv:7:3"


def test_single_blanks_separate_where_each_line_has_as_many() -> None:
    found = grid("Lift Int1 Int2\n1.5 30.2 28\n3 61.4 60\n10 110.2 9\n")
    assert found.rows == (("Lift", "Int1", "Int2"), ("1.5", "30.2", "28"), ("3", "61.4", "60"), ("10", "110.2", "9"))


def test_decimal_comma_between_blanks() -> None:
    found = grid("Hub  Fluss\n1,5   30,2\n3,0   61,4\n")
    assert found.rows[1] == ("1,5", "30,2")
    assert found.decimal_comma is True


def test_unaligned_columns_with_gaps_are_refused() -> None:
    with pytest.raises(SheetError, match="not clear where each begins") as caught:
        grid("Lift Int1 Int2\n1 30.2 28\n3 61.4\n10 110.2 9\n100 5 3\n")
    assert caught.value.cell == "2:1"


def test_gap_in_every_line_needs_a_heading_that_tells() -> None:
    text = "Lift   Int 1   Int 2\n1      30.2\n2              60.1\n"
    assert grid(text).rows[1:] == (("1", "30.2"), ("2", None, "60.1"))
    with pytest.raises(SheetError, match="not clear where each begins"):
        grid("1      30.2\n2              60.1\n")


def test_heading_is_placed_over_its_column() -> None:
    found = grid(
        "          Intake       Exhaust\nLift    one   two    one   two\n"
        "1      30.1  31.1   25.1  24.1\n2      60.1  61.1   45.1  44.1\n"
    )
    assert found.rows[0] == (None, "Intake", None, "Exhaust")
    assert found.rows[1] == ("Lift", "one", "two", "one", "two")


def test_labels_before_aligned_numbers() -> None:
    found = grid("Lift         1.0   2.0   3.0\nIntake 1    30.1  60.2  80.3\n")
    assert found.rows == (("Lift", "1.0", "2.0", "3.0"), ("Intake 1", "30.1", "60.2", "80.3"))


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"Lift,Flow\n1,\x002\n", "NUL characters"),
        (b"Lift,Flow\n1," + 9 * b"\x1b2" + b"\n", "line 2 holds the control character 0x1B"),
        (b"\xef\xbb\xbfLift\xff", "byte 5 does not belong"),
        (b"Lift\x81\n", "does not belong"),
        ("Lift\x02Flow".encode("utf-16") + 9 * b"\x02\0", "control character"),
        (b"  \n \n", "is blank"),
        (b"<?xml version='1.0'?><a/>", "this is XML"),
    ],
)
def test_what_is_no_text_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(SheetError, match=message):
        text_grid(data, "a.csv")


def test_name_of_a_package_is_not_believed() -> None:
    with pytest.raises(SheetError, match=r"ends in \.xlsx"):
        text_grid(b"Lift,Flow\n1,2\n", "a.xlsx", suffix=".xlsx")


def test_control_z_at_the_end_is_an_end() -> None:
    assert grid(b"Lift,Flow\r\n1,2\r\n\x1a").rows == (("Lift", "Flow"), ("1", "2"))


@pytest.mark.parametrize(
    ("text", "numeric"),
    [
        *(("0.350", True), ('.350"', True), ("1 234,5", True), ("212.5 cfm", True), ("12 inH2O", True), ("1e3", True)),
        *(("Intake 1", False), ("", False), ("1;2", False), ("-", False), ("28 10", False)),
    ],
)
def test_is_numeric(text: str, numeric: bool) -> None:
    assert is_numeric(text) is numeric


def test_gap_marks_count_only_when_asked() -> None:
    assert is_numeric("NT", gaps=True) and not is_numeric("NT")


numbers = st.decimals(min_value=0, max_value=999, places=2, allow_nan=False)
words = st.text(st.characters(codec="cp1252", categories=("L",)), min_size=1, max_size=8)


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    width = draw(st.integers(2, 6))
    header = draw(st.lists(words, min_size=width, max_size=width))
    rows = draw(st.lists(st.lists(numbers, min_size=width, max_size=width), min_size=2, max_size=8))
    return header, [[str(cell) for cell in row] for row in rows]


@settings(max_examples=150, deadline=None)
@given(
    tables(),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from([".", ","]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_any_table_reads_back(
    table: tuple[list[str], list[list[str]]], delimiter: str, decimal: str, encoding: str, ending: str
) -> None:
    header, rows = table
    if delimiter == "," == decimal:
        decimal = "."
    body = [[cell.replace(".", decimal) for cell in row] for row in rows]
    text = ending.join(delimiter.join(row) for row in [header, *body])
    assume(encoding == "utf-8" or not _is_utf8(text.encode(encoding)))  # nobody can tell which was meant
    found = grid(text.encode(encoding))
    assert [list(row) for row in found.rows] == [header, *body]
    assert found.delimiter == delimiter
    assert found.lines == tuple(range(1, len(body) + 2))
    assert found.decimal_comma is (decimal == ",")


def _is_utf8(data: bytes) -> bool:
    """Whether bytes beyond ASCII happen to be UTF-8 as well."""
    try:
        return not data.isascii() and bool(data.decode("utf-8"))
    except UnicodeDecodeError:
        return False


@settings(max_examples=100, deadline=None)
@given(tables(), st.integers(2, 5), st.booleans())
def test_any_aligned_table_reads_back(table: tuple[list[str], list[list[str]]], gap: int, right: bool) -> None:
    header, rows = table
    widths = [max(len(row[nth]) for row in [header, *rows]) for nth in range(len(header))]
    place = str.rjust if right else str.ljust
    text = "\n".join(
        (" " * gap).join(place(cell, width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in [header, *rows]
    )
    found = grid(text)
    assert [list(row) for row in found.rows] == [header, *rows]


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_grid_or_a_plain_error(data: bytes) -> None:
    try:
        found = text_grid(data, "a.csv")
    except SheetError as error:
        assert str(error)
    else:
        assert found.lines is not None and len(found.lines) == len(found.rows)


@settings(max_examples=200, deadline=None)
@given(st.text("0123456789,.;|\t \"'#-\nabH²", max_size=300))
def test_any_text_gives_a_grid_or_a_plain_error(text: str) -> None:
    try:
        found = grid(text)
    except SheetError as error:
        assert str(error)
    else:
        assert found.lines == tuple(sorted(found.lines or ()))
        assert all(cell is None or cell.strip() for row in found.rows for cell in row if isinstance(cell, str))


@given(st.lists(st.text("0123456789,. ", max_size=8), max_size=6))
def test_decimal_mark_never_fails(texts: list[str]) -> None:
    assert decimal_comma(texts) in (True, False, None)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (  # two blanks and one mixed, as typed into a mail
            "Lift (thou)  In 1  In 2   Ex 1 Ex 2\n50  31.0 30.5  24.1 24.3\n100  60.2 59.8  46.0 46.4\n",
            [("Lift (thou)", "In 1", "In 2", "Ex 1", "Ex 2"), ("50", "31.0", "30.5", "24.1", "24.3")],
        ),
        (
            "LIFT IN CYL1 CYL2 CYL3\n.100 61 60.5 61.2\n.200 108 107.1 108.9\n",
            [("LIFT IN", "CYL1", "CYL2", "CYL3"), (".100", "61", "60.5", "61.2")],
        ),
        (  # a rule between the headings and the numbers
            "LIFT   INTAKE  INTAKE\n       CYL 1   CYL 2\n------\n1.0    25.1    24.8\n2.0    47.9    47.4\n",
            [("LIFT", "INTAKE", "INTAKE"), (None, "CYL 1", "CYL 2"), (), ("1.0", "25.1", "24.8")],
        ),
        (
            'Lift  In1  Ex1   (mm / CFM / 28")\n1.27  31.0 24.1\n2.54  60.2 46.0\n',
            [("Lift", "In1", "Ex1", '(mm / CFM / 28")'), ("1.27", "31.0", "24.1")],
        ),
        (
            "     I1   I1   I2   I2\nlift up   down up   down\n.1   61   61.3 60.5 60.7\n.2   108  108.4 107.1 107.5\n",
            [(None, "I1", "I1", "I2", "I2"), ("lift", "up", "down", "up", "down")],
        ),
        (
            "LIFT mm    : 1 2 3\nINTAKE CFM : 25.1 48.0 70.2\nPRESSURE   : 28 in H2O\n",
            [("LIFT mm", "1", "2", "3"), ("INTAKE CFM", "25.1", "48.0", "70.2"), ("PRESSURE", "28 in H2O")],
        ),
        (
            'TEST   28.0"H2O    82.0 mm bore plate\n\nLift  Intake  Exhaust\n1  25.1  19.6\n',
            [("TEST", '28.0"H2O', "82.0 mm bore plate"), (), ("Lift", "Intake", "Exhaust"), ("1", "25.1", "19.6")],
        ),
    ],
)
def test_headings_are_shared_out_over_the_columns_below_them(text: str, expected: list[tuple[str | None, ...]]) -> None:
    assert list(grid(text).rows[: len(expected)]) == expected
