"""What the names of worksheets and files say of their tests."""

from __future__ import annotations

import re
from dataclasses import dataclass

from flowkit.importers.labels import Label, parse_label
from flowkit.importers.words.vocabulary import fold
from flowkit.model import Side

__all__ = ["SheetName", "file_variant", "sheet_name"]

_GENERIC = re.compile(
    r"(sheet|tabelle|tabellenblatt|blatt|feuil|feuille|hoja|foglio|worksheet|page|seite|data|daten|donnees|datos|dati|table)\s*\d*"
)


@dataclass(frozen=True, slots=True)
class SheetName:
    """What a worksheet's name says.

    Attributes
    ----------
    whole : str or None
        The name, where it was given and says more than side, port or run.
    rest : str or None
        The same without side, port and run.
    side, port, run, code : optional
    """

    whole: str | None = None
    rest: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    code: str | None = None


def sheet_name(name: str | None) -> SheetName:
    """Read a worksheet's name.

    Parameters
    ----------
    name : str or None

    Examples
    --------
    >>> sheet_name("Sheet1"), sheet_name("Intake").whole, sheet_name("ports blended").whole
    (SheetName(whole=None, rest=None, side=None, port=None, run=None, code=None), None, 'ports blended')
    >>> sheet_name("Stock Int").rest, sheet_name("Stock Int").side
    ('Stock', 'intake')
    """
    clean = " ".join((name or "").replace("_", " ").split())
    if not clean or _GENERIC.fullmatch(fold(clean)):
        return SheetName()
    label = parse_label(clean)
    verbatim = str(name).strip()
    if not label.names:
        own = label.kind != "flow" and bool(label.kind or label.rest or label.bare)
        return SheetName(whole=verbatim if own or _says_something(label) else None, rest=verbatim if own else None)
    rest = label.rest or None
    return SheetName(verbatim if rest else None, rest, label.side, label.port, label.run, label.code)


def _says_something(label: Label) -> bool:
    """Whether a name holds anything besides words of titles."""
    return bool(label.kind not in (None, "flow") or label.rest or label.bare)


def file_variant(file: str) -> str:
    """Return the variant a file is named after: its name without folder and ending.

    Parameters
    ----------
    file : str

    Examples
    --------
    >>> file_variant("sheets/after work.xlsx")
    'after work'
    """
    name = file.replace("\\", "/").rpartition("/")[2]
    return name.rpartition(".")[0] or name or file
