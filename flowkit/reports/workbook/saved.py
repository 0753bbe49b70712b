"""A workbook to bytes: the same job gives the same bytes, and formulas carry their values.

Programs that calculate do so on opening; previews and readers that do not show what
flowkit has for each formula.
"""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

__all__ = ["workbook_bytes_of"]

_DATE = (1980, 1, 1, 0, 0, 0)
_FORMULA = re.compile(rb'(<c r="([A-Z]+[0-9]+)"[^>]*>)(<f>[^<]*</f>)<v ?/?>(?:</v>)?')


def workbook_bytes_of(
    book: Workbook, cached: Sequence[Mapping[str, float]], *, title: str, made: datetime.datetime
) -> bytes:
    """Return the workbook as a file's content.

    Parameters
    ----------
    book : Workbook
    cached : sequence of mapping
        Per sheet, in order: address to the value of its formula.
    title : str
    made : datetime
        What it gives as its date.
    """
    from flowkit.version import __version__

    book.properties.creator = f"flowkit {__version__}"
    book.properties.title = title
    book.properties.created = made
    book.calculation.fullCalcOnLoad = True
    first = io.BytesIO()
    book.save(first)
    out = io.BytesIO()
    with zipfile.ZipFile(first) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            sheet = re.fullmatch(r"xl/worksheets/sheet(\d+)\.xml", name)
            if sheet:
                content = _with_values(content, cached[int(sheet[1]) - 1])
            if name == "docProps/core.xml":
                # openpyxl writes the moment of saving; a file that is made anew shall not differ for that.
                moment = made.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + moment, content)
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            new.writestr(entry, content)
    return out.getvalue()


def _with_values(content: bytes, cached: Mapping[str, float]) -> bytes:
    """Put the values beside their formulas."""

    def filled(match: re.Match[bytes]) -> bytes:
        """Put the value known of a formula behind it."""
        value = cached.get(match[2].decode())
        return match[1] + match[3] + (b"" if value is None else f"<v>{value!r}</v>".encode())

    return _FORMULA.sub(filled, content)
