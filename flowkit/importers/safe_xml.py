"""XML parts of a workbook, parsed as a stream and without the parts of XML that do harm."""

from __future__ import annotations

from collections.abc import Callable
from xml.parsers import expat

from flowkit.errors import SheetError

__all__ = ["Attributes", "parse_xml"]

Attributes = dict[str, str]


def parse_xml(
    xml: bytes,
    label: str,
    part: str,
    *,
    start: Callable[[str, Attributes], None],
    end: Callable[[str], None] | None = None,
    text: Callable[[str], None] | None = None,
) -> None:
    """Parse an XML part, calling back for each element.

    Parameters
    ----------
    xml : bytes
        The part.
    label, part : str
        The file and the part, for messages.
    start, end, text : callable
        Called with an element's name and attributes, its name, its text (in pieces).
        Names keep their namespace prefix.

    Raises
    ------
    SheetError
        If it is not well-formed, or declares a document type: entities declared there can
        be made to grow without bound, and no spreadsheet program writes one.

    Examples
    --------
    >>> parse_xml(b"<a><b/></a>", "a.xlsx", "b.xml", start=lambda name, attributes: print(name))
    a
    b
    """

    def refuse(*_: object) -> None:
        """Refuse a document type before anything in it is expanded."""
        raise SheetError(
            f"the file's part {part!r} declares a document type, which no spreadsheet program does",
            "do not open it if it came from a stranger; else save it again in the spreadsheet program",
            file=label,
        )

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start
    if end is not None:
        parser.EndElementHandler = end
    if text is not None:
        parser.CharacterDataHandler = text
    try:
        parser.Parse(xml, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise SheetError(
            f"the file is broken: its part {part!r} is not proper XML ({error})",
            "open it in the spreadsheet program and save it again",
            file=label,
        ) from error
