"""The page of findings, corrections and sources."""

from __future__ import annotations

from flowkit.analysis.results import Repeatability
from flowkit.drawing import INK, SOFT
from flowkit.model import CorrectedTest
from flowkit.reports.contents import ReportContents, corrections_made, effect_words, formulas, skipped_reasons
from flowkit.reports.labels import change_words, distinct, gathered, not_assessed_words, where_words
from flowkit.reports.pages.first import further_sentences
from flowkit.reports.pages.layout import SIZES, Names, clean, shorten_name
from flowkit.reports.pages.table import Cell, Column, Row, Stream, Table, needed_width
from flowkit.units import from_si
from flowkit.wording import Display, display_of, pressure_words, sentence_case

LABEL = 76.0
NAME_ROOM = 118.0


def write_notes(stream: Stream, contents: ReportContents, names: Names, *, sentences: bool, apart: bool) -> None:
    """Write what was changed by hand, the corrections, the findings and the sources."""
    tests = contents.comparison.tests
    stream.chapter("Corrections, notes and sources", keep=stream.paper.height if apart else 0.0)
    if sentences:
        stream.sentences(further_sentences(contents, stream.paper))
    _write_changes(stream, contents)
    if tests:
        stream.heading("Corrections, in their order", keep=60.0)
        stream.tables([_ledger_table(contents, names)])
        for correction, formula in formulas(tests):
            stream.text(clean(formula), indent=LABEL, label=clean(correction))
        for correction, reason, count in skipped_reasons(tests):
            where = "in any test" if count == len(tests) else f"in {count} of {len(tests)} tests"
            stream.text(
                f"not made {where}: {clean(reason)}", indent=LABEL, label=clean(correction), color=SOFT,
                label_color=SOFT,
            )  # fmt: skip
    stream.heading("Uncertainty")
    stream.text(repeatability_words(contents.comparison.repeatability, display_of(contents.info.display)))
    reasons = [g.not_assessed_because for side in contents.comparison.sides.values() for g in side.gains]
    for reason in distinct(reason for reason in reasons if reason):
        stream.text(clean(not_assessed_words(reason)))
    _write_findings(stream, contents)
    _write_sources(stream, contents)


def _write_changes(stream: Stream, contents: ReportContents) -> None:
    """List every value changed or left out by hand, beside what the sheet says, with its reason."""
    changes = [change for variant in contents.variants for change in variant.changes]
    if not changes:
        return
    stream.heading("Changed by hand", keep=40.0)
    for change in changes:
        stream.text(clean(change_words(change)))


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


def _pressures(tests: list[CorrectedTest], display: Display) -> str:
    """Write the lowest and the highest test pressure of some tests."""
    found = sorted({p.pressure_pa for t in tests for p in t.points if p.pressure_pa})
    if not found:
        return "–"
    return " to ".join(dict.fromkeys(pressure_words(value, display) for value in (found[0], found[-1])))


def _ledger_table(contents: ReportContents, names: Names) -> Table:
    """Return a row per variant and side: what each correction did."""
    tests = contents.comparison.tests
    display = display_of(contents.info.display)
    corrections = distinct(line.correction for test in tests for line in test.ledger)
    rows: list[Row] = []
    last = ""
    for variant, side, count, items in corrections_made(tests):
        members = [test for test in tests if test.variant == variant and (test.side or "side unknown") == side]
        known = variant in names.place
        name = names.prefixed(variant) if known else clean(variant)
        cells = [
            Cell(shorten_name(name, NAME_ROOM, SIZES.body) if variant != last else ""),
            Cell(side),
            Cell(str(count)),
            Cell(_pressures(members, display)),
            *(Cell(effect_words(items.get(correction), display)) for correction in corrections),
        ]
        rows.append(Row(tuple(cells), rule_above=bool(rows) and variant != last))
        last = variant
    heads = ("state", "side", "tests", "flowed at", *corrections)
    columns = []
    for place, head in enumerate(heads):
        texts = [row.cells[place].text for row in rows]
        width = max(
            needed_width(texts, gap=9.0, bold=False), needed_width([head], size=SIZES.small, gap=9.0, bold=False)
        )
        columns.append(Column((head,), width, align="right" if place in (2, 3) else "left"))
    return Table("", tuple(columns), tuple(rows))


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


def _write_sources(stream: Stream, contents: ReportContents) -> None:
    """List the files all this came from, each with its fingerprint."""
    if contents.info.notes:
        stream.heading("Notes")
        stream.text(clean(contents.info.notes))
    if not contents.sources:
        return
    stream.heading("Sources")
    for source in contents.sources:
        stream.text(f"{clean(source.name)}  SHA-256 {source.sha256}", size=SIZES.small)
