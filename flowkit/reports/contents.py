"""Everything a report shows, gathered before anything is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flowkit.analysis.results import Comparison
from flowkit.model import Bench, Finding, JobInfo, Reference, Variant

if TYPE_CHECKING:
    from flowkit.engine.results import EngineResult

__all__ = ["ReportContents", "SourceFile"]


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A sheet's file and its fingerprint.

    Attributes
    ----------
    name : str
    sha256 : str
        In full, hexadecimal; reports show the first eight digits.
    """

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ReportContents:
    """What goes into the pages, the workbook and the build file.

    Attributes
    ----------
    info : JobInfo
    reference : Reference
    bench : Bench
    variants : tuple of Variant
        The tests as read, before any correction, with the geometry of each variant.
    comparison : Comparison
    engine : EngineResult or None
    sources : tuple of SourceFile
    findings : tuple of Finding
        All of them, reading to engine.
    """

    info: JobInfo
    reference: Reference
    bench: Bench
    variants: tuple[Variant, ...]
    comparison: Comparison
    engine: EngineResult | None
    sources: tuple[SourceFile, ...]
    findings: tuple[Finding, ...]
