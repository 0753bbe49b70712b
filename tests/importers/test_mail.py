"""Tables that come by mail: in its text, in its markup, or attached."""

from __future__ import annotations

from email.message import EmailMessage
from pathlib import Path

import pytest

from flowkit.errors import SheetError
from flowkit.importers import read
from flowkit.importers.result import ReadResult
from flowkit.units import from_si, to_si
from tests.importers.sheets import write_xlsx

TABLE = "Lift (in)   Int 1 (CFM)   Int 2 (CFM)\n0.100   60.1   61.2\n0.200   110.5   112.3\n0.300   150.2   151.9\n"
SHEET = "Test pressure: 28 inH2O\n\n" + TABLE
PAGE = "<html><p>Test pressure: 28 inH2O</p><table>{}</table></html>".format(
    "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in line.split("   ")) + "</tr>" for line in TABLE.splitlines())
)


def mail(path: Path, text: str | None, page: str | None = None, encoding: str | None = None) -> EmailMessage:
    message = EmailMessage()
    message["From"], message["To"], message["Date"] = "a@b.c", "d@e.f", "Tue, 3 Nov 2026 17:22:10 +0000"
    if text is not None:
        message.set_content(text, cte=encoding)
    if page is not None:
        (message.set_content if text is None else message.add_alternative)(page, subtype="html", cte=encoding)
    path.write_bytes(bytes(message))
    return message


@pytest.mark.parametrize("encoding", ["quoted-printable", "base64", "7bit"])
@pytest.mark.parametrize(("text", "page"), [(SHEET, None), (None, PAGE), ("The table is below, call 555 1234.", PAGE)])
def test_the_table_of_a_mail(tmp_path: Path, text: str | None, page: str | None, encoding: str) -> None:
    mail(tmp_path / "a.eml", text, page, encoding)
    result = read(tmp_path / "a.eml")
    assert [(test.side, test.port, len(test.points)) for test in result.tests] == [("intake", n, 3) for n in "12"]
    assert {test.conditions.date for test in result.tests} == {None}  # the mail's date is not the test's


def test_attached_sheets_with_what_the_text_says_of_them(tmp_path: Path) -> None:
    message = mail(tmp_path / "a.eml", "Hi, all done at 28 inH2O. Call 555 1234.")
    rows = [["Lift mm", "Int 1 cfm"], [1.0, 15.0], [2.0, 31.0], [3.0, 44.0]]
    content = write_xlsx(tmp_path / "x.xlsx", {"Sheet1": rows}).read_bytes()
    message.add_attachment(content, maintype="application", subtype="octet-stream", filename="ported.xlsx")
    message.add_attachment(b"\x89PNG", maintype="image", subtype="png", filename="logo.png")
    (tmp_path / "a.eml").write_bytes(bytes(message))
    (test,) = read(tmp_path / "a.eml").tests
    assert (test.file, test.variant) == ("a.eml/ported.xlsx", "ported")
    assert test.points[0].source == "a.eml/ported.xlsx!Sheet1!B2"


def test_a_mail_with_a_photo_alone(tmp_path: Path) -> None:
    message = mail(tmp_path / "a.eml", "See the photo.")
    message.add_attachment(b"\xff\xd8\xff", maintype="image", subtype="jpeg", filename="photo.jpg")
    (tmp_path / "a.eml").write_bytes(bytes(message))
    with pytest.raises(SheetError, match=r"attached to it: 'photo\.jpg'"):
        read(tmp_path / "a.eml")


@pytest.mark.parametrize(
    "head",
    [
        "Von: Stand <a@b.c>\nGesendet: Dienstag, 3. November 2026\nDatum: 03.11.2026\nAn: Kunde\nBetreff: Werte\n\n",
        "De : Banc <a@b.c>\nEnvoyé : mardi 3 novembre 2026\nÀ : client\nObjet : mesures\n\n",
        "fyi\n\nFrom: bench\nDate: November 3, 2026\nTo: me\nSubject: flow\n\n",
        "On Tue, 3 Nov 2026, the bench wrote:\n\n",
        "Am 03.11.2026 um 17:22 schrieb Prüfstand:\n\n",
    ],
)
def test_the_date_of_a_mail_is_not_that_of_the_test(tmp_path: Path, head: str) -> None:
    (tmp_path / "a.txt").write_text(head + SHEET, encoding="utf-8")
    result = read(tmp_path / "a.txt")
    assert {test.conditions.date for test in result.tests} == {None} and len(result.tests) == 2
    assert result.findings == ()


def page(tmp_path: Path, rows: str, lead: str = "<p>28 inH2O, CFM</p>") -> ReadResult:
    path = tmp_path / "a.html"
    path.write_text(f"<html><body>{lead}<table>{rows}</table></body></html>", encoding="utf-8")
    return read(path)


ROWS = "<tr><td>Lift mm</td><td>Intake</td></tr><tr><td>2</td><td>45.2</td></tr><tr><td>4</td><td>84{}</td></tr>"


def test_a_raised_mark_in_a_page_is_no_digit(tmp_path: Path) -> None:
    (test,) = page(tmp_path, ROWS.format("<sup>1</sup>")).tests
    assert test.points[-1].flow_m3_s == pytest.approx(to_si(84, "CFM"))


def test_struck_cells_and_hidden_rows_of_a_page_give_no_points(tmp_path: Path) -> None:
    struck = '<tr><td>6</td><td style="text-decoration: line-through">99</td></tr>'
    hidden = '<tr style="display:none"><td>8</td><td>110</td></tr>'
    result = page(tmp_path, ROWS.format("") + struck + hidden)
    assert [len(test.points) for test in result.tests] == [2]
    assert {"struck-out", "hidden-content"} <= {finding.rule for finding in result.findings}


def test_headings_over_several_rows_and_columns_of_a_page(tmp_path: Path) -> None:
    heads = "<tr><th rowspan=2>Lift mm</th><th colspan=2>Intake</th></tr><tr><th>As received</th><th>Ported</th></tr>"
    rows = "<tr><td>2</td><td>45.2</td><td>47.9</td></tr><tr><td>4</td><td>84</td><td>89</td></tr>"
    result = page(tmp_path, heads + rows)
    assert {test.variant: round(from_si(test.points[0].flow_m3_s, "CFM"), 6) for test in result.tests} == {
        "As received": 45.2,
        "Ported": 47.9,
    }


def test_text_set_as_typed_and_a_table_inside_a_cell_of_a_page(tmp_path: Path) -> None:
    typed = "<p>28 inH2O, CFM</p><pre>Lift mm  Intake  Exhaust\n2        45.2    35.0\n4        84.0    62.2\n</pre>"
    assert len(page(tmp_path, "", typed).tests) == 2
    assert len(page(tmp_path, f"<tr><td><table>{ROWS.format('')}</table></td></tr>").tests) == 1
