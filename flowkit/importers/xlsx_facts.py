"""Facts of an xlsx or xlsm package: sizes, hidden rows, percent formats, formulas, errors.

Looked at before the reader sees the file. Most sheets hold nothing of the kind, which a
search through the bytes tells; only where it finds something is the sheet's XML parsed.

Names and meaning of the elements: ECMA-376-1:2016, part 1, section 18.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping

from flowkit.errors import SheetError
from flowkit.importers.facts import SheetFacts
from flowkit.importers.limits import MAX_CELLS, MAX_CELLS_IN_FILE, MAX_COLUMNS, MAX_ROWS, MAX_SHEETS, MAX_TEXT_IN_CELLS
from flowkit.importers.safe_xml import Attributes, parse_xml
from flowkit.importers.xlsx_cells import CellFacts, parse_cells

__all__ = ["xlsx_facts"]

_REFERENCE = re.compile(rb' r="([A-Za-z]*)(\d*)"')
_UNPLACED = re.compile(rb"<c[\t\r\n/>]")
_STYLE_USE = re.compile(rb"""\ss\s*=\s*["'](\d+)["']""")
_SHARED_USE = re.compile(rb"""\st\s*=\s*["']s["']""")
_PROMISED = re.compile(rb"""uniqueCount\s*=\s*["']([^"']*)["']""")
_QUOTED_FORMAT = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
_PERCENT_BUILTIN = ("9", "10")
_MEND = "open it in the spreadsheet program and save it again"


def xlsx_facts(parts: Mapping[str, bytes], label: str) -> tuple[SheetFacts | None, ...]:
    """Collect the facts of every worksheet, and hold the limits.

    Parameters
    ----------
    parts : mapping
        The package's parts.
    label : str
        The file's name in messages.

    Returns
    -------
    tuple of SheetFacts or None
        In the workbook's order; None for a sheet of another kind.

    Raises
    ------
    SheetError
        If the package is incomplete, its XML broken, or a sheet larger than the limits.
    """
    names, recalculate = _workbook(parts["xl/workbook.xml"], label)
    if len(names) > MAX_SHEETS:
        raise SheetError(
            f"the file has {len(names)} sheets; flowkit reads up to {MAX_SHEETS}",
            "split it into several files",
            file=label,
        )
    targets = _targets(parts.get("xl/_rels/workbook.xml.rels", b""), label)
    listed = [targets.get(relation, "") for _, relation in names]
    percent = _percent_styles(parts.get("xl/styles.xml", b""), label)
    longest = _longest_string(parts, label)
    facts: dict[str, SheetFacts] = {}
    cells = 0
    # Every part with cells in it, listed or not, so that no reading of the list goes around the limits.
    for part, xml in parts.items():
        if b"\x00" in xml[:64] and part.endswith((".xml", ".rels")):
            raise SheetError(f"the file's part {part!r} is in an encoding flowkit does not read", _MEND, file=label)
        if b"sheetData" in xml or part in listed:
            sheet = next((name for (name, _), target in zip(names, listed, strict=True) if target == part), None)
            facts[part], extent = _sheet_facts(
                xml, label, part=part, sheet=sheet, percent=percent, recalculate=recalculate
            )
            cells += extent
            _check_text(xml, longest, label, sheet)
    if cells > MAX_CELLS_IN_FILE:
        raise SheetError(
            f"the file's sheets span {cells} cells; flowkit reads {MAX_CELLS_IN_FILE}",
            "split it into several files",
            file=label,
        )
    return tuple(_listed(facts, target, name, label) for (name, _), target in zip(names, listed, strict=True))


def _listed(facts: Mapping[str, SheetFacts], target: str, name: str, label: str) -> SheetFacts | None:
    """Return a listed sheet's facts; None where it is no worksheet."""
    if not target.startswith("xl/worksheets/"):
        return None
    if target not in facts:
        raise SheetError(
            f"the file is broken: its part {target!r} is missing or holds no cells", _MEND, file=label, sheet=name
        )
    return facts[target]


def _workbook(xml: bytes, label: str) -> tuple[list[tuple[str, str]], bool]:
    """Return each sheet's name and relation, and whether the program is asked to compute all on opening."""
    names: list[tuple[str, str]] = []
    recalculate = False

    def start(name: str, attributes: Attributes) -> None:
        """Take the names of the sheets, and whether all must be recalculated."""
        nonlocal recalculate
        local = name.rpartition(":")[2]
        if local == "sheet":
            relation = next((value for key, value in attributes.items() if key.endswith(":id")), "")
            names.append((attributes.get("name", ""), relation))
        elif local == "calcPr":
            recalculate = attributes.get("fullCalcOnLoad") in ("1", "true")

    parse_xml(xml, label, "xl/workbook.xml", start=start)
    return names, recalculate


def _targets(xml: bytes, label: str) -> dict[str, str]:
    """Return the part behind each relation of the workbook."""
    targets: dict[str, str] = {}

    def start(name: str, attributes: Attributes) -> None:
        """Take where a relation leads."""
        if name.rpartition(":")[2] == "Relationship":
            target = posixpath.join("/xl", attributes.get("Target", ""))
            targets[attributes.get("Id", "")] = posixpath.normpath(target).lstrip("/").lower()

    if xml:
        parse_xml(xml, label, "xl/_rels/workbook.xml.rels", start=start)
    return targets


def _percent_styles(xml: bytes, label: str) -> frozenset[str]:
    """Return the indices of the cell styles that show per cent."""
    if not any(sign in xml for sign in (b"%", b'numFmtId="9"', b'numFmtId="10"', b"numFmtId='", b"numFmtId ")):
        return frozenset()
    formats = set(_PERCENT_BUILTIN)
    styles: set[str] = set()
    count = 0
    inside = False

    def start(name: str, attributes: Attributes) -> None:
        """Count the cell formats and take those of per cent."""
        nonlocal count, inside
        local = name.rpartition(":")[2]
        if local == "numFmt" and "%" in _QUOTED_FORMAT.sub("", attributes.get("formatCode", "")):
            formats.add(attributes.get("numFmtId", ""))
        elif local == "cellXfs":
            inside = True
        elif local == "xf" and inside:
            if attributes.get("numFmtId") in formats:
                styles.add(str(count))
            count += 1

    def end(name: str) -> None:
        """Leave the list of cell formats."""
        nonlocal inside
        if name.rpartition(":")[2] == "cellXfs":
            inside = False

    parse_xml(xml, label, "xl/styles.xml", start=start, end=end)
    return frozenset(styles)


def _longest_string(parts: Mapping[str, bytes], label: str) -> int:
    """Return an upper bound of the longest shared text, in bytes.

    The part also promises a number of texts, for which the reader makes room at once.
    """
    longest = 0
    for part, xml in parts.items():
        for promised in _PROMISED.findall(xml) if b"uniqueCount" in xml else ():
            if not promised.isdigit() or len(promised) > 9 or int(promised) > len(xml):
                raise SheetError("the file is broken: it promises more texts than it can hold", _MEND, file=label)
        if part.lower().endswith("sharedstrings.xml") or b"<sst" in xml[:2000]:
            longest = max([longest, *map(len, re.split(rb"<(?:\w+:)?si\b", xml))] if len(xml) > 10_000 else [len(xml)])
    return longest


def _check_text(xml: bytes, longest: int, label: str, sheet: str | None) -> None:
    """Refuse a sheet whose shared texts, written out in every cell, would fill the memory."""
    if longest > 1000 and longest * len(_SHARED_USE.findall(xml)) > MAX_TEXT_IN_CELLS:
        raise SheetError(
            f"the sheet's texts, written out, may hold more than the {MAX_TEXT_IN_CELLS} characters flowkit reads",
            "delete the long texts and save it again",
            file=label,
            sheet=sheet,
        )


def _sheet_facts(
    xml: bytes, label: str, *, part: str, sheet: str | None, percent: frozenset[str], recalculate: bool
) -> tuple[SheetFacts, int]:
    """Return one sheet's facts and the cells it spans."""
    bound = _bound(xml)
    doubtful = (
        b"hidden" in xml
        or b"<f" in xml
        or b":f" in xml
        or b'"e"' in xml
        or b"'e'" in xml
        or b"<!DOCTYPE" in xml
        or (percent and not percent.isdisjoint(style.decode() for style in set(_STYLE_USE.findall(xml))))
    )
    if bound is not None and not doubtful:
        return SheetFacts(), bound
    cells = parse_cells(xml, label, part=part, sheet=sheet, percent_styles=percent)
    gaps = cells.formulas if recalculate and _never_computed(cells) else cells.formula_gaps
    return (
        SheetFacts(
            hidden_rows=frozenset(cells.hidden_rows),
            hidden_columns=frozenset(cells.hidden_columns),
            percent_cells=frozenset(cells.percent_cells),
            formula_gaps=frozenset(gaps),
            errors=cells.errors,
        ),
        cells.rows * cells.columns,
    )


def _never_computed(cells: CellFacts) -> bool:
    """Tell whether a program wrote the formulas without computing any: a bare 0 in each of them."""
    return bool(cells.formulas) and cells.zeros + len(cells.formula_gaps) == len(cells.formulas)


def _bound(xml: bytes) -> int | None:
    """Return an upper bound of the cells a sheet spans, or None where a closer look is needed.

    A row or cell without a place of its own follows the one before; such a sheet is parsed.
    """
    references = _REFERENCE.findall(xml)
    letters = {found for found, _ in references}
    numbers = {digits for _, digits in references}
    prefixed = b":row" in xml or b":c" in xml or b":sheetData" in xml
    if prefixed or len(references) < xml.count(b"<row") + xml.count(b"<c ") or _UNPLACED.search(xml):
        return None
    if max(map(len, letters), default=0) > 2 or max(map(len, numbers), default=0) > 9:
        return None
    rows = max((int(digits) for digits in numbers if digits), default=0)
    columns = max(map(_column_number, letters), default=0)
    return rows * columns if rows <= MAX_ROWS and columns <= MAX_COLUMNS and rows * columns <= MAX_CELLS else None


def _column_number(letters: bytes) -> int:
    """Return a column's number from 1."""
    column = 0
    for letter in letters.upper():
        column = column * 26 + letter - 64
    return column
