"""Flow tests back from a report: the PDF carries its readings as an attachment.

A customer's report can so be compared with later work although the sheets are lost.
"""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

from flowkit.errors import SheetError
from flowkit.importers.from_json import finding_from_json, test_from_json
from flowkit.importers.grid import read_bytes
from flowkit.importers.limits import MAX_TEXT_BYTES, megabytes
from flowkit.importers.result import ReadResult

__all__ = ["ATTACHMENT", "is_pdf", "read_pdf"]

ATTACHMENT = "flowkit-data.json"
"""Name of the attachment: a document of kind ``"read"``."""


def is_pdf(path: str | Path) -> bool:
    """Tell by its first bytes whether a file is a PDF.

    Parameters
    ----------
    path : str or Path
        Any file; one that cannot be opened is none.

    Examples
    --------
    >>> is_pdf("sample_sheets/as_received.csv")
    False
    """
    try:
        if not Path(path).is_file():
            return False
        with Path(path).open("rb") as stream:
            return stream.read(5) == b"%PDF-"
    except (OSError, ValueError):
        return False


def read_pdf(path: str | Path, *, label: str | None = None) -> ReadResult:
    """Read the flow tests a report carries.

    Parameters
    ----------
    path : str or Path
        A PDF written by flowkit.
    label : str, optional
        The file's name in messages; its base name unless given.

    Returns
    -------
    ReadResult
        The tests and findings as they were when the report was written; sources are the
        cells of the sheets it was made from.

    Raises
    ------
    SheetError
        If it is no PDF, has a password, carries no readings, or ones that cannot be used.
    """
    path = Path(path)
    label = path.name if label is None else label
    data = _attachment(read_bytes(path, label), label)
    if len(data) > MAX_TEXT_BYTES:
        raise SheetError(
            f"the readings it carries are {megabytes(len(data))}, more than the {megabytes(MAX_TEXT_BYTES)} "
            "flowkit reads",
            "write the report once more from the sheets",
            file=label,
        )
    content = _json(data, label)
    tests, findings = content.get("tests"), content.get("findings", [])
    if content.get("kind") != "read" or not isinstance(tests, list) or not isinstance(findings, list):
        raise SheetError(
            'the data in it cannot be used: it is no document of kind "read"',
            "write the report once more from the sheets",
            file=label,
        )
    return ReadResult(
        tuple(test_from_json(item, place=f"tests[{nth}]", file=label) for nth, item in enumerate(tests)),
        tuple(finding_from_json(item, place=f"findings[{nth}]", file=label) for nth, item in enumerate(findings)),
    )


def _attachment(data: bytes, label: str) -> bytes:
    """Return the attachment's bytes."""
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # its warnings would stand between ours
    try:
        reader = PdfReader(io.BytesIO(data))
        if reader.is_encrypted:
            raise SheetError("the PDF has a password", "save it without one", file=label)
        found = [content for name, contents in reader.attachments.items() if name == ATTACHMENT for content in contents]
    except (PyPdfError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError, RecursionError) as error:
        # A broken PDF comes apart in any of these ways inside the PDF library.
        raise SheetError(
            "the PDF is cut off or broken", "ask for it once more, or for the sheets themselves", file=label
        ) from error
    if not found:
        raise SheetError(
            "this PDF carries no readings: only reports written by flowkit do",
            "ask the bench for the sheet itself, as xlsx or csv",
            file=label,
        )
    if any(content != found[0] for content in found):
        raise SheetError(
            "this PDF carries two different sets of readings", "take the report that was written last", file=label
        )
    return found[0]


def _json(data: bytes, label: str) -> Mapping[str, Any]:
    """Parse the attachment; figures that are no numbers are refused."""

    def refuse(word: str) -> NoReturn:
        """Refuse what the machine-readable form does not know, such as NaN."""
        raise ValueError(f"{word} is no number")

    try:
        content = json.loads(data.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise SheetError(
            f"the data in it cannot be used: {error}", "write the report once more from the sheets", file=label
        ) from error
    return content if isinstance(content, dict) else {}
