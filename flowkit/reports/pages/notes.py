"""The page of findings, corrections and sources."""

from __future__ import annotations

from flowkit.analysis.results import Repeatability
from flowkit.drawing import INK, SOFT
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import change_words, gathered, not_assessed_words, where_words
from flowkit.reports.pages.first import further_sentences
from flowkit.reports.pages.layout import SIZES, Names, clean
from flowkit.reports.pages.table import Stream
from flowkit.reports.tables import correction_words, ledger_table
from flowkit.units import from_si
from flowkit.wording import Display, display_of, sentence_case

LABEL = 76.0


def write_notes(stream: Stream, contents: ReportContents, names: Names, *, sentences: bool, apart: bool) -> None:
    """Write what was changed by hand, the corrections, the findings and the sources."""
    comparison, display = contents.comparison, display_of(contents.info.display)
    stream.chapter("Corrections, notes and sources", keep=stream.paper.height if apart else 0.0)
    if sentences:
        stream.sentences(further_sentences(contents, stream.paper))
    changes = [change for variant in contents.variants for change in variant.changes]
    if changes:
        stream.heading("Changed by hand", keep=40.0)
    for change in changes:
        stream.text(clean(change_words(change)))
    if comparison.tests:
        stream.section([ledger_table(comparison.tests, display)], names)
        made, skipped = correction_words(comparison.tests)
        for correction, formula in made:
            stream.text(clean(formula), indent=LABEL, label=clean(correction))
        for correction, words in skipped:
            stream.text(clean(words), indent=LABEL, label=clean(correction), color=SOFT, label_color=SOFT)
    stream.heading("Uncertainty")
    stream.text(repeatability_words(comparison.repeatability, display))
    reasons = (gain.not_assessed_because for side in comparison.sides.values() for gain in side.gains)
    for reason in dict.fromkeys(filter(None, reasons)):
        stream.text(clean(not_assessed_words(reason)))
    _write_findings(stream, contents)
    if contents.info.notes:
        stream.heading("Notes")
        stream.text(clean(contents.info.notes))
    if contents.sources:
        stream.heading("Sources")
    for source in contents.sources:
        stream.text(f"{clean(source.name)}  SHA-256 {source.sha256}", size=SIZES.small)


def repeatability_words(known: Repeatability, display: Display) -> str:
    """Say how well the bench repeats itself."""
    if known.s_r is None:
        return "The bench's repeatability is not known: no port was measured more than once, and none is stated."
    text = f"Repeatability of one run's mean flow: {100 * known.s_r:.2f} % (relative standard deviation), "
    if known.source == "stated" or known.degrees_of_freedom is None:
        return text + "as stated."
    rests = {
        "repeated runs": "from repeated runs",
        "ports": "from the same ports in every state, no port having been flowed twice",
        "repeated runs and ports": "from repeated runs and the same ports in every state",
    }.get(known.source, "with the bench's own history")
    number = f"{known.degrees_of_freedom:.0f}"
    text += f"{rests}, with {number} degree{'s' if number != '1' else ''} of freedom."
    if known.lift_setting_m is not None and known.lift_setting_m >= 5e-7:
        setting = f"{from_si(known.lift_setting_m, display.lift):.{display.lift_digits + 1}f} {display.lift}"
        text += f" The scatter along the curves gives a lift setting of ± {setting} (k = 1)."
    return text


def _write_findings(stream: Stream, contents: ReportContents) -> None:
    """List the findings, errors first."""
    stream.heading("Findings")
    if not contents.findings:
        stream.text("Nothing doubtful was found.")
    for severity in ("error", "warning", "note"):
        for finding in gathered(contents.findings):
            if finding.severity == severity and finding.rule != "changed-by-hand":
                where = where_words(clean(finding.where))
                words = sentence_case(clean(finding.message))
                color = SOFT if severity == "note" else INK
                stream.text(
                    f"{where}: {words}" if where else words, indent=40.0, label=severity, color=color, label_color=color
                )
