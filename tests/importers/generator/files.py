"""A page as a file: the kinds that benches, spreadsheets and mail programs write."""

# ruff: noqa: E501

from __future__ import annotations

import datetime
import io
import random
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from email.message import EmailMessage
from html import escape
from unicodedata import east_asian_width

from tests.importers.generator.model import Cell, Page

__all__ = ["KINDS", "Form", "write"]

KINDS = ["csv", "tsv", "aligned", "bars", "quoted mail", "eml", "html", "xlsx", "ods", "xls", "pdf"]
WORKBOOKS = ("xlsx", "ods", "xls")


@dataclass
class Form:
    """How numbers and dates are written where they are text."""

    decimal: str = "."
    thousands: str = ""
    leading_zero: bool = True
    date: str = "%Y-%m-%d"
    text_numbers: bool = False  # in workbooks: numbers kept as text
    hello: str = ""
    bye: str = ""

    def number(self, value: Decimal) -> str:
        text = f"{value:f}"
        whole, _, rest = text.partition(".")
        if self.thousands and len(whole) > 3:
            whole = f"{whole[:-3]}{self.thousands}{whole[-3:]}"
        if not self.leading_zero and whole == "0" and rest:
            whole = ""
        return whole + (self.decimal + rest if rest else "")

    def text(self, cell: Cell) -> str:
        if cell is None:
            return ""
        if isinstance(cell, Decimal):
            return self.number(cell)
        if isinstance(cell, datetime.date):
            return cell.strftime(self.date)
        return str(cell)


def width(text: str) -> int:
    return sum(2 if east_asian_width(c) in "WF" else 1 for c in text)


def table_rows(page: Page, form: Form) -> list[list[str]]:
    return [[form.text(cell) for cell in row] for row in page.rows]


def csv_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    import csv

    delimiter = (
        ";"
        if form.decimal == "," and rng.random() < 0.85
        else rng.choice([",", ",", ";", "|"] if form.decimal == "." else [","])
    )
    tags["delimiter"] = delimiter
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=rng.choice(["\n", "\r\n"]))
    rows = table_rows(page, form)
    if rng.random() < 0.4:
        rows = [row + [""] * (page.width - len(row)) for row in rows]
    writer.writerows(rows)
    return encoded(out.getvalue(), rng, lang, tags)


def encoded(text: str, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    choices = ["utf-8", "utf-8", "utf-8-sig", "utf-16"]
    choices += {"ja": ["shift_jis", "shift_jis"], "pl": ["cp1250"]}.get(lang, ["cp1252", "cp1252"])
    encoding = rng.choice(choices)
    try:
        data = text.encode(encoding)
    except UnicodeEncodeError:
        encoding = "utf-8"
        data = text.encode(encoding)
    tags["encoding"] = encoding
    return data


def tsv_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    empty_first = rng.random() < 0.25
    tags["empty first column"] = str(empty_first)
    rows = [["", *row] if empty_first and row else row for row in table_rows(page, form)]
    return encoded("\n".join("\t".join(row) for row in rows) + "\n", rng, lang, tags)


def aligned_lines(page: Page, form: Form, rng: random.Random, gap: int = 2) -> list[str]:
    """Text in columns: rows of one cell are lines of prose, the rest is set in columns."""
    rows = table_rows(page, form)
    table = [row for row in rows if sum(bool(cell) for cell in row) > 1]
    widths = [max((width(row[c]) for row in table if c < len(row)), default=0) for c in range(page.width)]
    right = rng.random() < 0.6
    lines = []
    for row in rows:
        if sum(bool(cell) for cell in row) <= 1:
            lines.append(next((cell for cell in row if cell), ""))
            continue
        parts = []
        for c, cell in enumerate(row):
            pad = " " * (widths[c] - width(cell))
            parts.append(pad + cell if right and c else cell + pad)
        lines.append((" " * gap).join(parts).rstrip())
    return lines


def aligned_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    return encoded("\n".join(aligned_lines(page, form, rng, rng.choice([2, 3, 4]))) + "\n", rng, lang, tags)


def bar_lines(page: Page, form: Form, rng: random.Random) -> list[str]:
    edges = rng.random() < 0.7
    bold = rng.random() < 0.25
    rule = edges or rng.random() < 0.5
    lines: list[str] = []
    first = True
    for row in table_rows(page, form):
        if sum(bool(cell) for cell in row) <= 1 and first:
            lines.append(next((cell for cell in row if cell), ""))
            continue
        cells = [cell.replace("|", "/") for cell in row] + [""] * (page.width - len(row))
        if first:
            head = [f"**{cell}**" if bold and cell else cell for cell in cells]
            if lines and lines[-1]:
                lines.append("")
            lines.append(bar(head, edges))
            if rule:
                lines.append(bar([rng.choice(["---", "---:", ":--"])] * page.width, edges))
            first = False
        else:
            lines.append(bar(cells, edges))
    return lines


def bar(cells: list[str], edges: bool) -> str:
    line = " | ".join(cells)
    return f"| {line} |" if edges else line


def bars_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    return encoded("\n".join(bar_lines(page, form, rng)) + "\n", rng, lang, tags)


def mail_body(page: Page, form: Form, rng: random.Random, quote: str) -> str:
    lines = aligned_lines(page, form, rng) if rng.random() < 0.7 else bar_lines(page, form, rng)
    return "\n".join([form.hello, "", *(f"{quote}{line}" for line in lines), "", form.bye]) + "\n"


def quoted_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    return encoded(mail_body(page, form, rng, "> "), rng, lang, tags)


def eml_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    message = EmailMessage()
    message["From"] = "bench operator <bench@example.invalid>"
    message["To"] = "builder <builder@example.invalid>"
    message["Subject"] = "flow numbers"
    message["Date"] = "Fri, 14 Aug 2026 09:12:00 +0200"
    style = rng.choice(["plain", "html", "both"])
    tags["mail"] = style
    if style != "html":
        message.set_content(mail_body(page, form, rng, ""))
    if style != "plain":
        html = html_text(page, form)
        if style == "html":
            message.set_content(html, subtype="html")
        else:
            message.add_alternative(html, subtype="html")
    return bytes(message)


def html_text(page: Page, form: Form) -> str:
    parts = ["<html><head><meta charset='utf-8'></head><body>"]
    open_table = False
    for row in table_rows(page, form):
        if sum(bool(cell) for cell in row) <= 1 and not open_table:
            parts.append(f"<p>{escape(next((cell for cell in row if cell), ''))}</p>")
            continue
        if not open_table:
            parts.append("<table border=1>")
            open_table = True
        parts.append("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>")
    return "\n".join(parts) + "\n</table></body></html>"


def html_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    return html_text(page, form).encode("utf-8")


def pdf_file(page: Page, form: Form, rng: random.Random, lang: str, tags: dict[str, str]) -> bytes:
    """A page of text set by position in Helvetica, as a print from a bench's program."""
    import zlib

    rows = table_rows(page, form)
    size = 9
    table = [row for row in rows if sum(bool(cell) for cell in row) > 1]
    widths = [
        max((len(row[c]) for row in table if c < len(row)), default=1) * size * 0.56 + 14 for c in range(page.width)
    ]
    lefts = [40 + sum(widths[:c]) for c in range(page.width)]
    wide = max(lefts[-1] + widths[-1] + 40 if lefts else 0, 595)
    ops = [f"BT /F1 {size} Tf"]
    per_page, pages = 56, []
    for r, row in enumerate(rows):
        if r and r % per_page == 0:
            pages.append("\n".join([*ops, "ET"]))
            ops = [f"BT /F1 {size} Tf"]
        y = 800 - 13 * (r % per_page)
        for c, cell in enumerate(row):
            if cell:
                text = cell.replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)")
                ops.append(f"1 0 0 1 {lefts[c]:.1f} {y} Tm ({text}) Tj")
    pages.append("\n".join([*ops, "ET"]))
    kids = " ".join(f"{4 + 2 * i} 0 R" for i in range(len(pages)))
    objects = [
        b"<</Type/Catalog/Pages 2 0 R>>",
        f"<</Type/Pages/Kids[{kids}]/Count {len(pages)}>>".encode(),
        b"<</Type/Font/Subtype/Type1/BaseFont/Helvetica/Encoding/WinAnsiEncoding>>",
    ]
    for index, content in enumerate(pages):
        data = zlib.compress(content.encode("cp1252", "replace"))
        objects.append(
            f"<</Type/Page/Parent 2 0 R/MediaBox[0 0 {wide:.0f} 842]/Resources<</Font<</F1 3 0 R>>>>/Contents {5 + 2 * index} 0 R>>".encode()
        )
        objects.append(b"<</Length %d/Filter/FlateDecode>>stream\n" % len(data) + data + b"\nendstream")
    out = b"%PDF-1.4\n"
    offsets = []
    for number, body in enumerate(objects, 1):
        offsets.append(len(out))
        out += b"%d 0 obj" % number + body + b"endobj\n"
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    return out + b"trailer<</Size %d/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start)


def xlsx_file(pages: list[Page], form: Form) -> bytes:
    import openpyxl
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, page in enumerate(pages, 1):
        sheet = book.create_sheet(page.name or f"Sheet{number}")
        for r, row in enumerate(page.rows):
            for c, cell in enumerate(row):
                if cell is None:
                    continue
                target = sheet.cell(r + 1, c + 1)
                if isinstance(cell, Decimal) and not form.text_numbers:
                    target.value = float(cell)
                    digits = -int(cell.as_tuple().exponent)
                    target.number_format = "0." + "0" * digits if digits > 0 else "General"
                else:
                    target.value = cell if isinstance(cell, datetime.date) else form.text(cell)
                    if isinstance(cell, str):
                        target.data_type = "s"
                if (r, c) in page.struck:
                    target.font = Font(strike=True)
        for c in page.hidden_columns:
            sheet.column_dimensions[get_column_letter(c + 1)].hidden = True
        for r in page.hidden_rows:
            sheet.row_dimensions[r + 1].hidden = True
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def xls_file(pages: list[Page], form: Form) -> bytes:
    import xlwt

    book = xlwt.Workbook(encoding="utf-8")
    strike = xlwt.easyxf("font: struck_out on")
    day = xlwt.easyxf(num_format_str="YYYY-MM-DD")
    for number, page in enumerate(pages, 1):
        sheet = book.add_sheet((page.name or f"Sheet{number}")[:31])
        for r, row in enumerate(page.rows):
            for c, cell in enumerate(row):
                if cell is None:
                    continue
                value = (
                    float(cell)
                    if isinstance(cell, Decimal) and not form.text_numbers
                    else cell
                    if isinstance(cell, datetime.date)
                    else form.text(cell)
                )
                if (r, c) in page.struck:
                    sheet.write(r, c, value, strike)
                elif isinstance(value, datetime.date):
                    sheet.write(r, c, value, day)
                else:
                    sheet.write(r, c, value)
        for c in page.hidden_columns:
            sheet.col(c).hidden = True
        for r in page.hidden_rows:
            sheet.row(r).hidden = True
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods_file(pages: list[Page], form: Form) -> bytes:
    names = "xmlns:office='urn:oasis:names:tc:opendocument:xmlns:office:1.0' xmlns:table='urn:oasis:names:tc:opendocument:xmlns:table:1.0' xmlns:text='urn:oasis:names:tc:opendocument:xmlns:text:1.0' xmlns:style='urn:oasis:names:tc:opendocument:xmlns:style:1.0'"
    parts = [f"<?xml version='1.0' encoding='UTF-8'?><office:document-content {names} office:version='1.2'><office:automatic-styles>"
             "<style:style style:name='struck' style:family='table-cell'><style:text-properties style:text-line-through-style='solid' style:text-line-through-type='single'/></style:style>"
             "</office:automatic-styles><office:body><office:spreadsheet>"]  # fmt: skip
    for number, page in enumerate(pages, 1):
        parts.append(f"<table:table table:name={quoted(page.name or f'Sheet{number}')}>")
        for c in range(page.width):
            parts.append(
                "<table:table-column" + (" table:visibility='collapse'" if c in page.hidden_columns else "") + "/>"
            )
        for r, row in enumerate(page.rows):
            parts.append("<table:table-row" + (" table:visibility='collapse'" if r in page.hidden_rows else "") + ">")
            for c, cell in enumerate(row):
                style = " table:style-name='struck'" if (r, c) in page.struck else ""
                if cell is None:
                    parts.append("<table:table-cell/>")
                elif isinstance(cell, Decimal) and not form.text_numbers:
                    parts.append(
                        f"<table:table-cell{style} office:value-type='float' office:value='{cell:f}'><text:p>{form.number(cell)}</text:p></table:table-cell>"
                    )
                elif isinstance(cell, datetime.date):
                    parts.append(
                        f"<table:table-cell{style} office:value-type='date' office:date-value='{cell:%Y-%m-%d}'><text:p>{cell:%Y-%m-%d}</text:p></table:table-cell>"
                    )
                else:
                    parts.append(
                        f"<table:table-cell{style} office:value-type='string'><text:p>{escape(form.text(cell))}</text:p></table:table-cell>"
                    )
            parts.append("</table:table-row>" if row else "<table:table-cell/></table:table-row>")
        parts.append("</table:table>")
    parts.append("</office:spreadsheet></office:body></office:document-content>")
    manifest = (
        "<?xml version='1.0' encoding='UTF-8'?><manifest:manifest xmlns:manifest='urn:oasis:names:tc:opendocument:xmlns:manifest:1.0' manifest:version='1.2'>"
        "<manifest:file-entry manifest:full-path='/' manifest:media-type='application/vnd.oasis.opendocument.spreadsheet'/>"
        "<manifest:file-entry manifest:full-path='content.xml' manifest:media-type='text/xml'/></manifest:manifest>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet", zipfile.ZIP_STORED)
        archive.writestr("content.xml", "".join(parts))
        archive.writestr("META-INF/manifest.xml", manifest)
    return out.getvalue()


def quoted(text: str) -> str:
    return '"' + escape(text) + '"'


TEXTS: dict[str, tuple[str, Callable[[Page, Form, random.Random, str, dict[str, str]], bytes]]] = {
    "csv": ("csv", csv_file), "tsv": ("tsv", tsv_file), "aligned": ("txt", aligned_file), "bars": ("md", bars_file),
    "quoted mail": ("txt", quoted_file), "eml": ("eml", eml_file), "html": ("html", html_file), "pdf": ("pdf", pdf_file),
}  # fmt: skip


def write(
    kind: str, stem: str, pages: list[Page], form: Form, rng: random.Random, lang: str, tags: dict[str, str]
) -> tuple[str, bytes]:
    """Write the pages as a file of a kind; its name and bytes. Text kinds hold one page."""
    if kind in WORKBOOKS:
        writer = {"xlsx": xlsx_file, "ods": ods_file, "xls": xls_file}[kind]
        return f"{stem}.{kind}", writer(pages, form)
    (page,) = pages
    suffix, make = TEXTS[kind]
    if kind == "tsv" and rng.random() < 0.5:
        suffix = "txt"
    return f"{stem}.{suffix}", make(page, form, rng, lang, tags)
