"""What everything printed on a terminal is made of; nothing from a sheet is ever taken for markup."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from flowkit.model import Finding
from flowkit.reports.plain import printable

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

__all__ = ["Parts", "findings_text", "plain_table", "plain_text"]

Parts = tuple["RenderableType", ...]
_STYLES = {"error": "bold red", "warning": "yellow", "note": "dim"}


def plain_text(words: object, style: str = "") -> Any:
    """Return words that are printed as they stand, markup signs included.

    Parameters
    ----------
    words : object
        Text, or something with one.
    style : str, optional
        As rich names it.
    """
    from rich.text import Text

    return Text(printable(words), style=style)


def plain_table(*heads: tuple[str, str]) -> Table:
    """Return an empty table: heads with their alignment, one rule under them."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for head, justify in heads:
        table.add_column(plain_text(head), justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def findings_text(findings: Sequence[Finding]) -> Parts:
    """Return findings for a terminal: errors first, then warnings, then notes.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    tuple of rich renderables
        Empty where there is nothing doubtful.
    """
    parts = []
    for severity in ("error", "warning", "note"):
        for finding in dict.fromkeys(findings):
            if finding.severity == severity:
                line = plain_text(severity, _STYLES[severity])
                line.append(f"  {printable(finding.where)}", style="bold")
                line.append(f"  {printable(finding.message)} [{finding.rule}]")
                parts.append(line)
    return tuple(parts)
