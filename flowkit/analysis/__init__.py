"""Corrected tests to numbers: curves, gains, areas, uncertainty, findings and words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowkit.analysis.comparison import compare

__all__ = ["compare"]


def __getattr__(name: str) -> Any:
    """Import numpy and the rest only once something is compared."""
    if name == "compare":
        from flowkit.analysis.comparison import compare

        return compare
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
