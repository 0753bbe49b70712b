"""The sheet of findings, and where everything came from."""

from __future__ import annotations

from flowkit.reports.workbook.draft import Draft
from flowkit.reports.workbook.styles import Style

__all__ = ["write_findings"]

_ORDER = ("error", "warning", "note")
_WIDTHS = {1: 10.0, 2: 20.0, 3: 34.0, 4: 86.0}
_POINTS_A_LINE = 13.5


def write_findings(draft: Draft) -> None:
    """Write what was doubtful, the gravest first, and the files the readings came from.

    Parameters
    ----------
    draft : Draft
    """
    pen = draft.pens["Findings"]
    pen.title("Findings")
    heads = ["severity", "rule", "where", "what it means and what to do"]
    pen.header(3, heads, widths=_WIDTHS, words=_WIDTHS)
    row = 4
    left = Style(wrap=True)
    for finding in sorted(draft.contents.findings, key=lambda item: _ORDER.index(item.severity)):
        texts = (finding.severity, finding.rule, finding.where, finding.message)
        for column, text in enumerate(texts, 1):
            pen.put(row, column, text, left)
        lines = max(1 + int(len(text) * 1.05 / _WIDTHS[column]) for column, text in enumerate(texts, 1))
        pen.sheet.row_dimensions[row].height = lines * _POINTS_A_LINE
        row += 1
    if row == 4:
        pen.put(row, 1, "Nothing was doubtful.")
        row += 1
    pen.put(row + 1, 1, "Sources", Style("heading"))
    pen.header(row + 2, ["file", "", "", "SHA-256"], widths=_WIDTHS, words=_WIDTHS)
    for number, source in enumerate(draft.contents.sources, row + 3):
        pen.put(number, 1, source.name)
        pen.put(number, 4, source.sha256, Style("quiet"))
    pen.widths(_WIDTHS)
    pen.paper(title_rows="3:3", freeze="A4")
