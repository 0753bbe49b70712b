"""The words and numbers on the pages: edges that the whole jobs do not reach."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from flowkit.analysis import compare
from flowkit.analysis.results import RatioPoint, Repeatability
from flowkit.drawing import place_labels, text_width
from flowkit.errors import FlowkitError
from flowkit.model import AirState, Bench, Finding, LedgerLine, Reference
from flowkit.reports.contents import matched_words
from flowkit.reports.labels import gathered, method_words, reference_words, where_words
from flowkit.reports.pages import make_pages
from flowkit.reports.pages.chapters import repeatability_words
from flowkit.reports.pages.layout import (
    PAPERS,
    Band,
    Cells,
    Laid,
    LaidColumn,
    Page,
    Paper,
    Stream,
    clean,
    missing_letters,
    shorten,
    wrap,
)
from flowkit.reports.tables import Cell, Row, effect_words, ledger_table
from flowkit.wording import DISPLAYS, as_displayed, date_of, display_of, numeral, signed_figure
from tests.analysis.heads import head
from tests.reports.boxes import overlaps, text_boxes
from tests.reports.invented import make_contents, names
from tests.reports.invented_engine import make_engine
from tests.reports.test_terminal import printed


def texts(page: Page) -> str:
    return " ".join(item.text for item in page.cells.items)


def test_numbers_have_true_minus_signs_and_no_signed_zeros() -> None:
    assert numeral(-3.14159, 2) == "−3.14"
    assert numeral(-0.001, 1) == "0.0"
    assert signed_figure(-0.0004) == "0.0" and signed_figure(0.0006) == "+0.1"
    assert signed_figure(None) == "–"


@pytest.mark.parametrize("text", ["2026-03-14", "14 March 2026", "March 14, 2026", "14.03.2026", "14 Mar 2026"])
def test_dates_that_can_be_read(text: str) -> None:
    day = date_of(text)
    assert day is not None and (day.year, day.month, day.day) == (2026, 3, 14)


@pytest.mark.parametrize("text", [None, "", "03/04/2026", "soon"])
def test_dates_that_could_mean_two_days_or_none_are_left_as_text(text: str | None) -> None:
    assert date_of(text) is None


def test_the_reference_says_only_what_was_done() -> None:
    reference = Reference(pressure_law="compressible", bore_m=0.0805, air=AirState(298.15, 100_000.0, 0.45))
    metric = DISPLAYS["metric"]
    stated = "All flows at 28 inH2O by the compressible law"
    assert reference_words(reference, metric) == f"{stated}, air as the bench gave it."
    tests = make_contents(variants=1, ports=1).comparison.tests
    air = LedgerLine("air", "Q2 = Q1", {}, factor=(1.01,))
    bores = [LedgerLine("bore", "Q5 = Q4", {"engine_bore_m": bore}, factor=(0.99,)) for bore in (0.0805, 0.083)]
    done = [replace(tests[0], ledger=(air, line)) for line in bores]
    assert reference_words(reference, metric, done) == (
        f"{stated}, for air of 45 % humidity at 25 °C, engine bore 80.5 mm and 83 mm."
    )
    assert "at 77 °F, engine bore 3.169 in and 3.268 in." in reference_words(reference, DISPLAYS["US"], done)
    off = replace(air, skipped="switched off")
    assert "air as the bench gave it" in reference_words(reference, metric, [replace(tests[0], ledger=(off,))])


def test_air_is_named_only_for_the_states_that_were_corrected_for_it() -> None:
    first = make_contents(variants=1, ports=1).comparison.tests[0]
    air = LedgerLine("air", "Q2 = Q1", {}, factor=(1.01,))
    tests = [replace(first, ledger=()), replace(first, variant="ported", ledger=(air,))]
    words = reference_words(Reference(), DISPLAYS["metric"], tests)
    assert "for dry air at 20 °C ('ported' only; the rest as the bench gave it)" in words
    assert "only" not in reference_words(Reference(), DISPLAYS["metric"], tests[1:])


def test_sides_with_different_ranges_are_told_apart() -> None:
    comparison = make_contents(variants=2).comparison
    other = make_contents(variants=2, lifts=[0.001, 0.008]).comparison
    comparison = replace(
        comparison,
        sides={**comparison.sides, "exhaust": other.sides["exhaust"]},
        area_method="trapezoid",
        repeatability=Repeatability(0.004, float("inf"), "stated"),
    )
    words = method_words(comparison, DISPLAYS["metric"])
    assert "over 1.00–10.00 mm (intake) and over 1.00–8.00 mm (exhaust), areas by the trapezoid rule" in words
    assert "95 % intervals from a stated repeatability (scatter 0.40 %)" in words


def test_repeatability_in_words() -> None:
    us = display_of("US")
    assert "not known" in repeatability_words(Repeatability(None, None, "none"), us)
    assert repeatability_words(Repeatability(0.005, float("inf"), "stated"), us).endswith("as stated.")
    assert repeatability_words(Repeatability(0.005, 12.0, "repeated runs"), us).endswith("with 12 degrees of freedom.")
    known = replace(Repeatability(0.005, 12.0, "repeated runs"), lift_setting_m=5e-6)
    assert repeatability_words(known, us).endswith("a lift setting of ± 0.0002 in (k = 1).")


def test_unknown_display() -> None:
    with pytest.raises(FlowkitError, match="no display 'SI'"):
        display_of("SI")


def test_offsets_and_corrections_made_in_some_tests_only() -> None:
    tests = make_contents(variants=1, ports=1, sides=("intake",)).comparison.tests
    leak = LedgerLine("leakage", "Q - leak", {}, offset_m3_s=(-0.0001, -0.0002))
    some = replace(tests[0], ledger=(leak,)), replace(tests[1], ledger=(replace(leak, skipped="no leak"),))
    table = ledger_table(some, DISPLAYS["metric"])
    (cells,) = ([cell.text for cell in row.cells] for row in table.rows)
    assert [column.head for column in table.columns] == ["state", "side", "tests", "flowed at", "leakage"]
    assert cells[2] == "2" and cells[4] == "−0.200 to −0.100 L/s (1 of 2 not)"
    assert effect_words([], DISPLAYS["US"]) == "–"
    assert effect_words([LedgerLine("air", "Q", {})] * 2, DISPLAYS["US"]) == "–"


def test_wrapping_keeps_a_number_with_its_sign() -> None:
    text = "flow gained 12.0 % ± 1.1 over"
    for width in range(20, 120, 5):
        for line in wrap(text, width, 7.0):
            assert not line.startswith("%") or width < 25
            assert not line.endswith("±") or width < 25
    assert wrap("", 50, 7.0) == []
    assert wrap("a  b", 50, 7.0) == ["a b"]
    first, last = wrap("one two three four five", 40, 8.0, most=2)
    assert first == "one two" and re.fullmatch(r"three \w+…", last) and text_width(last, 8.0) <= 40
    assert shorten("fits", 100, 7.0) == "fits"


def test_cleaning_keeps_meaning_and_drops_control() -> None:
    assert clean("a\u200bb\u2028c\x07d") == "a b c d"
    assert clean("Ü \U000f0000") == "Ü ▯" or clean("Ü \U000f0000") == "Ü"
    assert missing_letters(["plain", "Ü λ"]) == ""


def test_no_labels_need_no_room() -> None:
    assert place_labels([], [], 0, 10) == []


def test_ratios_of_the_sides_are_drawn_where_there_are_any() -> None:
    contents = make_contents(variants=2)
    points = tuple(RatioPoint(name, at, 0.7 + at) for name in names(2) for at in (0.002, 0.006, 0.01))
    comparison = replace(contents.comparison, ratio_at_lift=points, sentences=())
    pages = make_pages(replace(contents, comparison=comparison))
    detail = next(page for page in pages if "Flow in detail" in page.chapters)
    assert "Exhaust over intake flow at equal lift" in texts(detail)
    assert "In words" not in texts(detail)
    assert overlaps(text_boxes(detail.figure)) == []
    fractions = tuple(replace(point, at=point.at * 100) for point in points)
    pages = make_pages(replace(contents, comparison=replace(comparison, ratio_at_fraction=fractions)))
    detail = next(page for page in pages if "Flow in detail" in page.chapters)
    assert detail.figure.axes[1].get_xlim()[1] == pytest.approx(102, abs=1)


def test_nothing_more_to_tell_makes_no_page_of_detail() -> None:
    contents = make_contents(variants=1, ports=1, lifts=4, sides=("intake",))
    pages = make_pages(replace(contents, comparison=replace(contents.comparison, sentences=())))
    assert "Flow in detail" not in [chapter for page in pages for chapter in page.chapters]
    assert "In words" not in texts(pages[-1])
    pages = make_pages(contents)
    assert "Flow in detail" not in [chapter for page in pages for chapter in page.chapters]
    assert "In words The seats were worth most at low lift." in texts(pages[-1])


def test_tests_without_a_pressure_or_a_ledger() -> None:
    contents = make_contents(variants=1, ports=1, sides=("intake",))
    bare = tuple(
        replace(test, points=tuple(replace(point, pressure_pa=None) for point in test.points))
        for test in contents.comparison.tests
    )
    page = make_pages(replace(contents, comparison=replace(contents.comparison, tests=bare)))[-1]
    assert "Corrections, in their order" in texts(page)
    page = make_pages(replace(contents, comparison=replace(contents.comparison, tests=()), sources=()))[-1]
    assert "Corrections, in their order" not in texts(page) and "Sources" not in texts(page)


def test_an_engine_without_assumptions_or_notes() -> None:
    engine = replace(make_engine(names(3)), assumptions=(), model_notes=(), no_wave_effects="", cautions=())
    pages = make_pages(make_contents(variants=3, ports=1, engine=engine))
    page = next(page for page in pages if any("engine" in chapter for chapter in page.chapters))
    assert "Inputs of the model" not in texts(page) and "Cautions" not in texts(page)


def test_effective_areas_alone_and_the_curtain_where_the_throat_is_unknown() -> None:
    contents = make_contents(variants=1, ports=1, sides=("intake",))
    side = contents.comparison.sides["intake"]
    variant = side.variants[0]
    coefficients = replace(variant.coefficients, minimum=None, throat=None, valve=None)
    variant = replace(variant, coefficients=coefficients, minimum_area_m2=None, takeover_lift_m=None)
    comparison = replace(contents.comparison, sides={"intake": replace(side, variants=(variant,))})
    page = next(
        p for p in make_pages(replace(contents, comparison=comparison)) if "Coefficients and areas" in p.chapters
    )
    assert "Intake: coefficient on the curtain area" in texts(page)
    assert "takes over from the seat:" not in texts(page)
    bare = replace(variant, effective_area_m2=(), coefficients=None)
    comparison = replace(contents.comparison, sides={"intake": replace(side, variants=(bare,))})
    page = next(
        p for p in make_pages(replace(contents, comparison=comparison)) if "Coefficients and areas" in p.chapters
    )
    assert "Coefficients and minimum areas need" in texts(page)


def test_the_terminal_marks_flows_between_measured_lifts() -> None:
    from flowkit.reports.terminal import comparison_text

    contents = make_contents(variants=2, ports=1)
    odd = make_contents(variants=2, ports=1, lifts=[0.0012, 0.0034, 0.0091]).comparison.sides["intake"]
    side = contents.comparison.sides["intake"]
    side = replace(side, variants=(odd.variants[0], side.variants[1]))
    text = printed(comparison_text(replace(contents.comparison, sides={"intake": side}), tables=True))
    row = next(line for line in text.splitlines() if line.strip().startswith("0.197"))
    assert row.split()[1].startswith("~")
    beyond = next(line for line in text.splitlines() if line.strip().startswith("0.394"))
    assert beyond.split()[1] == "–"


def test_cells_know_where_they_are() -> None:
    page = Page(PAPERS["letter"], "x")
    assert page.cells.get_window_extent(FigureCanvasAgg(page.figure).get_renderer()).width <= 0
    page.write(100, 200, "left")
    page.write(300, 250, "right", align="right")
    page.write(300, 300, "middle", align="center")
    FigureCanvasAgg(page.figure)
    box = page.cells.get_window_extent()
    assert box.x0 == pytest.approx(100, abs=1)
    assert box.y0 == pytest.approx(792 - 300, abs=0.5) and box.y1 > 792 - 200 + 4
    page.cells.set_visible(False)
    page.figure.draw_without_rendering()
    assert isinstance(page.cells, Cells)


def test_tables_of_different_length_side_by_side_come_to_an_end() -> None:
    """The shorter is drawn once, the longer goes on over the page."""
    column = LaidColumn(("lift",), 40.0)
    tables = [Laid((column,), tuple(Row((Cell(f"{n}.{i}"),)) for i in range(n))) for n in (3, 90)]
    stream = Stream(Paper(300.0, 400.0))
    stream.chapter("Two tables")
    stream.flow([Band(tables, 100.0)])
    printed = " ".join(map(texts, stream.pages)).split()
    assert len(stream.pages) > 1
    assert printed.count("3.2") == 1
    assert printed.count("90.89") == 1


def test_warnings_are_counted_at_the_foot_of_the_first_page() -> None:
    contents = make_contents(variants=2)
    quiet = replace(contents, comparison=replace(contents.comparison, findings=()), findings=())
    assert "In doubt" not in texts(make_pages(quiet)[0])
    doubts = tuple(Finding("leak-large", "warning", f"a.csv:{n}", f"The leak is {n} %.") for n in (1, 2))
    loud = make_pages(replace(quiet, findings=doubts))[0]
    assert "In doubt: 2 warnings, listed under notes on the last page." in texts(loud)


def test_no_table_of_a_job_file_is_named_on_a_page() -> None:
    assert where_words("[cam.intake]") == "intake cam" and where_words("[engine]") == "engine"
    assert where_words("[valves.exhaust]") == "exhaust valve" and where_words("[reference]") == "reference"
    assert where_words("a.csv!Sheet [1]!B7") == "a.csv!Sheet [1]!B7"
    found = Finding("friction-range", "note", "[engine]", "a word")
    page = make_pages(replace(make_contents(variants=1, ports=1), findings=(found,)))[-1]
    assert "engine: A word" in " ".join(item.text for item in page.cells.items)


def test_it_is_said_over_which_ports_gains_are_taken() -> None:
    before = head("as received", ports=("1", "2", "3"))
    some = compare([before, head("ported", 1.1, ports=("1", "2"))], bench=Bench(repeatability=0.005))
    assert matched_words(some.sides["intake"]) == "gains over ports 1 and 2, flowed in both"
    every = compare([before, head("ported", 1.1, ports=("1", "2", "3"))], bench=Bench(repeatability=0.005))
    assert matched_words(every.sides["intake"]) == ""
    none = compare([before, head("ported", 1.1, ports=("4",))], bench=Bench(repeatability=0.005))
    assert matched_words(none.sides["intake"]) == "gains between all ports: none was flowed in both"


def test_lengths_are_in_the_units_shown_and_quotes_stay() -> None:
    """1 in = 25.4 mm exactly."""
    us, metric = DISPLAYS["US"], DISPLAYS["metric"]
    assert as_displayed("at 2.54 and 12.70 mm", us) == "at 0.100 and 0.500 in"
    assert as_displayed("up to 12.70 mm (0.500 in), 645.16 mm²", us) == "up to 0.500 in, 1.000 in²"
    assert as_displayed("up to 12.70 mm (0.500 in), 75 kW (101 hp)", metric) == "up to 12.70 mm, 75 kW"
    assert (
        as_displayed("'laid back 3 mm': the valve's stem of 7 mm", us)
        == "'laid back 3 mm': the valve's stem of 0.276 in"
    )


class TestGathered:
    """Findings that say the same of several places, as people read them."""

    def test_the_same_words_name_every_place_once(self) -> None:
        found = [Finding("check-unknown", "note", name, "The drift is not known.") for name in ("a", "b", "c")]
        assert gathered([*found, found[0]]) == [replace(found[0], where="a, b and c")]

    def test_shared_advice_is_given_once_and_both_sides_in_one_sentence(self) -> None:
        one = Finding("unmatched", "warning", "b, intake", "'a' and 'b' on the intake differ. Test the same ports.")
        two = Finding("unmatched", "warning", "b, exhaust", "'a' and 'b' on the exhaust differ. Test the same ports.")
        three = Finding("unmatched", "warning", "c, intake", "'b' and 'c' on the intake differ. Test the same ports.")
        assert gathered([one, two, three]) == [
            replace(
                one,
                where="b, intake; b, exhaust; c, intake",
                message="'a' and 'b' on the intake and the exhaust differ. 'b' and 'c' on the intake differ. "
                "Test the same ports.",
            )
        ]

    def test_tests_of_a_sheet_are_named_by_it_and_many_places_counted(self) -> None:
        found = [Finding("r", "note", f"{name}.csv!stock, intake 1", "Not stated.") for name in "aabcde"]
        assert gathered(found)[0].where == "a.csv, b.csv, c.csv and 2 more"

    def test_what_differs_in_rule_severity_or_advice_stays_apart(self) -> None:
        found = [
            Finding("r", "note", "a.csv:3:1", "the flow 1 is odd; check it"),
            Finding("r", "note", "a.csv:4:1", "the flow 2 is odd; check it"),
            Finding("r", "warning", "a.csv:3:1", "the flow 1 is odd; check it"),
            Finding("s", "note", "a.csv:3:1", "the flow 1 is odd; check it"),
        ]
        assert gathered(found) == found
