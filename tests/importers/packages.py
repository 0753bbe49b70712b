"""Workbooks written by hand, so that a test can put anything into them."""

from __future__ import annotations

import zipfile
from pathlib import Path

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
_DOCUMENT = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_ODF = "urn:oasis:names:tc:opendocument:xmlns"

ONE_CELL = '<sheetData><row r="1"><c r="A1"><v>1</v></c></row></sheetData>'


def worksheet(body: str, before: str = "") -> str:
    """XML of one worksheet."""
    return f'<?xml version="1.0" encoding="UTF-8"?>{before}<worksheet xmlns="{_MAIN}">{body}</worksheet>'


def write_xlsx(
    path: Path,
    sheet: str | bytes = "",
    *,
    parts: dict[str, str | bytes] | None = None,
    sheets: str = '<sheet name="A" sheetId="1" r:id="rId1"/>',
    extra: str = "",
    target: str = "worksheets/sheet1.xml",
) -> Path:
    """Write an xlsx of one worksheet and whatever parts a test wants besides."""
    content: dict[str, str | bytes] = {
        "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="xml" ContentType="application/xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{_RELATIONS}"><Relationship Id="rId1" '
        f'Type="{_DOCUMENT}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{_MAIN}" xmlns:r="{_DOCUMENT}"><sheets>{sheets}</sheets>{extra}'
        "</workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_RELATIONS}"><Relationship Id="rId1" '
        f'Type="{_DOCUMENT}/worksheet" Target="{target}"/></Relationships>',
        "xl/worksheets/sheet1.xml": sheet or worksheet(ONE_CELL),
    }
    content |= parts or {}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in content.items():
            archive.writestr(name, data)
    return path


def write_ods(path: Path, tables: str, *, manifest: str = "", styles: str = "") -> Path:
    """Write an ods of some tables."""
    names = " ".join(f'xmlns:{name}="{_ODF}:{name}:1.0"' for name in ("office", "table", "text", "style"))
    names += ' xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
    content = (
        f'<?xml version="1.0"?><office:document-content {names}><office:automatic-styles>{styles}'
        f"</office:automatic-styles><office:body><office:spreadsheet>{tables}"
        "</office:spreadsheet></office:body></office:document-content>"
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr(
            "META-INF/manifest.xml",
            manifest or f'<manifest:manifest xmlns:manifest="{_ODF}:manifest:1.0"/>',
        )
    return path


def ods_table(rows: str, name: str = "A", attributes: str = "") -> str:
    """One table of an ods."""
    return f'<table:table table:name="{name}" {attributes}>{rows}</table:table>'


def ods_number(value: float, repeat: int = 1) -> str:
    """One number cell of an ods, several times over."""
    return (
        f'<table:table-cell office:value-type="float" office:value="{value}" '
        f'table:number-columns-repeated="{repeat}"><text:p>{value}</text:p></table:table-cell>'
    )
