"""Jobs that are hard to lay out: no text may overlap another or run into the margin."""

from __future__ import annotations

from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from flowkit.model import Finding, JobInfo
from flowkit.reports.pages import make_pages
from flowkit.reports.pages.layout import PAPERS
from tests.reports.boxes import clipped, overlaps, text_boxes
from tests.reports.invented import make_contents, names
from tests.reports.invented_engine import make_engine

pytestmark = pytest.mark.slow

LONG = [
    f"{word} with a very long name that goes on and on to sixty letters"[:60]
    for word in ("as received", "seats recut", "ports blended", "slim-stem valves")
]
MARKUP = [r"$x_1^2$ as received", r"\frac{a}{b}_c & <b>bold</b>", r"50% ^up_ {curly}", r'[red]markup[/red] #1 ~ "q"']
MANY = [
    *(
        Finding("unit-assumed", "note", f"sheet {i}.csv", f"The lifts of sheet {i} can only be inches.")
        for i in range(60)
    ),
    *(
        Finding("typing-slip", "warning", f"f.xlsx!s!B{i}", "The value 21.5 lies off the curve by 4 %.")
        for i in range(70)
    ),
]
WORDY = JobInfo(
    title="T" * 200, vehicle="long vehicle " * 20, customer="customer " * 20, shop="shop name " * 20, number="9" * 50,
    date="a date in very many words " * 4, notes="notes " * 200,
)  # fmt: skip

FOUR = make_engine(names(4))
MOTORED = replace(
    FOUR, differences=tuple(replace(item, brake_torque=(None,) * len(item.speeds_rpm)) for item in FOUR.differences)
)
BANDLESS = replace(FOUR, variants=tuple(replace(item, band_times={}) for item in FOUR.variants))

CASES: dict[str, dict] = {
    "demo": {},
    "metric": {"display": "metric"},
    "long names": {"variants": LONG},
    "16 ports": {"ports": 16},
    "8 variants with long names": {"variants": [f"state number {i} ".ljust(60, "y") for i in range(8)]},
    "12 variants": {"variants": 12, "ports": 2},
    "40 lifts": {"lifts": 40},
    "one lift": {"lifts": 1},
    "one port": {"ports": 1},
    "9 ports": {"ports": 9, "variants": 2},
    "exhaust only": {"sides": ("exhaust",)},
    "no uncertainty": {"known": False},
    "no geometry": {"geometry": False},
    "one variant": {"variants": 1},
    "markup": {"variants": MARKUP, "info": JobInfo(title=r"$\alpha$_^\ <i>x</i>", number="$1_2$", shop=r"\a{}")},
    "letters": {"variants": ["受け取ったまま", "シート修正", "прошивка каналов", "κεφαλή"]},
    "no spaces": {"variants": ["A" * 60, "B" * 60]},
    "wordy job": {"info": WORDY},
    "nameless job": {"info": JobInfo()},
    "many findings": {"findings": MANY},
    "all at once": {
        "variants": [f"variant {i} with a name of sixty letters".ljust(60, "z") for i in range(8)],
        "ports": 16,
        "lifts": 40,
    },
    "further figures": {"further": True},
    "further figures, metric, long names": {"further": True, "display": "metric", "variants": LONG},
    "further figures, 12 variants": {"further": True, "variants": 12, "ports": 2},
    "further figures, 40 lifts": {"further": True, "lifts": 40},
    "further figures, one variant": {"further": True, "variants": 1},
    "further figures, markup": {"further": True, "variants": MARKUP},
    "engine without filling": {"engine": make_engine(names(4), filling=False, gains=False)},
    "engine": {"engine": make_engine(names(4))},
    "engine, metric": {"display": "metric", "engine": make_engine(names(4))},
    "engine, long names": {"variants": LONG, "engine": make_engine(LONG)},
    "engine, one variant": {"variants": 1, "engine": make_engine(names(1))},
    "engine, 8 variants": {"variants": 8, "engine": make_engine(names(8))},
    "engine, motored": {"engine": MOTORED},
    "engine, no bands": {"engine": BANDLESS},
    "engine, wordy": {"engine": replace(make_engine(names(4)), cautions=("No safe speed. " * 20,) * 6)},
}
ON_A4 = {"demo", "further figures", "long names", "engine", "engine, metric", "engine, long names"}
RUNS = [(name, "letter") for name in CASES] + [(name, "a4") for name in CASES if name in ON_A4]


@pytest.mark.parametrize(("name", "paper"), RUNS)
def test_no_text_overlaps_or_is_clipped(name: str, paper: str) -> None:
    sheet = PAPERS[paper]
    for page in make_pages(make_contents(**CASES[name]), paper):
        boxes = text_boxes(page.figure)
        assert len(boxes) > 4, page.chapters
        assert overlaps(boxes) == [], page.chapters
        assert clipped(boxes, sheet.width, sheet.height) == [], page.chapters


def with_facts(contents, operator: str):
    """Every state flowed on a day, a bench and a fixture of its own, with other valves."""
    variants = []
    for n, variant in enumerate(contents.variants):
        own = {
            "date": f"2026-03-{n + 1:02d}", "operator": f"{operator} {n % 3}", "bench": f"bench {'AB'[n % 2]}",
            "fixture_bore_m": 0.081 + 0.0001 * n, "stem_diameter_m": 0.008 - 0.0001 * n,
            "seat_width_m": 0.0018 - 0.00001 * n, "throat_diameter_m": 0.03 + 0.0001 * n,
        }  # fmt: skip
        tests = tuple(replace(test, conditions=replace(test.conditions, **own)) for test in variant.tests)
        variants.append(replace(variant, tests=tests))
    return replace(contents, variants=tuple(variants))


@pytest.mark.parametrize("operator", ["operator", "an operator whose name and firm take up a whole line of the page"])
@pytest.mark.parametrize("name", ["demo", "8 variants with long names", "12 variants", "letters", "metric"])
def test_what_differs_between_the_states_fits_on_page_1(name: str, operator: str) -> None:
    page = make_pages(with_facts(make_contents(**CASES[name]), operator))[0]
    boxes = text_boxes(page.figure)
    assert overlaps(boxes) == [] and clipped(boxes, page.paper.width, page.paper.height) == []
    assert "2 March 2026" in " ".join(item.text for item in page.cells.items)


def test_the_check_itself_bites() -> None:
    figure = Figure(figsize=(4, 3))
    figure.text(0.3, 0.5, "as received")
    assert overlaps(text_boxes(figure)) == []
    figure.text(0.35, 0.51, "seats recut")
    assert overlaps(text_boxes(figure)) == [("as received", "seats recut")]
    figure.text(0.9, 0.9, "over the edge")
    assert clipped(text_boxes(figure), 288, 216) == ["over the edge"]


def shown(pages) -> list[str]:
    return [item.text for page in pages for item in page.cells.items]


def test_every_lift_of_forty_is_printed_once_a_side() -> None:
    texts = shown(make_pages(make_contents(lifts=40, geometry=False)))
    counts = [texts.count(f"{0.010 * (i + 1) / 40 / 0.0254:.3f}") for i in range(40)]
    assert min(counts) == 2
    # A few stand again where the largest and the smallest gain are told.
    assert counts.count(2) >= 36


def test_a_missing_side_is_left_out_without_a_word() -> None:
    texts = shown(make_pages(make_contents(sides=("exhaust",))))
    assert not any("ntake" in text for text in texts if "valve" not in text and "[" not in text and ":" not in text)
    assert any(text.startswith("Exhaust:") for text in texts)


def test_long_names_get_letters_that_are_explained() -> None:
    texts = shown(make_pages(make_contents(variants=LONG))[:1])
    assert {"A", "B", "C", "D"} <= set(texts)
    joined = " ".join(texts)
    for letter, name in zip("ABCD", LONG, strict=True):
        assert f"{letter} {name.split()[0]}" in joined.replace("  ", " ")


def test_letters_no_font_has_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    from flowkit.drawing import curves

    monkeypatch.setattr(curves, "_families", lambda: ())
    curves.family_with.cache_clear()
    texts = shown(make_pages(make_contents(variants=["受け取った", "seats recut"]))[:1])
    curves.family_with.cache_clear()
    assert any("▯▯▯▯" in text for text in texts)
    assert "replaces letters that no font on this computer has (5 of them)." in " ".join(texts)


@pytest.mark.parametrize("name", ["入荷時のまま", "포트 가공", "端口抛光"])
def test_other_scripts_are_drawn_with_fonts_of_this_machine(name: str) -> None:
    from flowkit.drawing.curves import MAIN, families_of

    if families_of(name) == [MAIN]:
        pytest.skip("no font with this script on this machine")
    texts = shown(make_pages(make_contents(variants=[name, "seats recut"]))[:1])
    assert any(name in text for text in texts) and not any("▯" in text for text in texts)


def test_unknown_uncertainty_is_said_and_no_interval_invented() -> None:
    texts = shown(make_pages(make_contents(known=False))[:1])
    joined = " ".join(texts)
    assert "not assessed" in joined
    assert "±" not in joined.replace("Bands and ±", "")
