"""Bands of lift, factorial, promise of geometry, port velocity, ratios: on the terminal, on paper, in the workbook."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace

import openpyxl
import pytest
from scipy.interpolate import PchipInterpolator

from flowkit.reports.contents import band_tables, velocity_between
from flowkit.reports.labels import method_words
from flowkit.reports.pages import make_pages
from flowkit.reports.terminal import comparison_text
from flowkit.reports.workbook import workbook_bytes
from flowkit.wording import DISPLAYS
from tests.reports.chains import factorial, plain_job
from tests.reports.invented import make_contents
from tests.reports.test_terminal import printed

CFM = 0.3048**3 / 60
LIFTS = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0)
# By hand: the corners flow 1, 1.10, 1.05 and 1.10·1.05·1.02.
PORTS, SEATS, BOTH = 1.10 * math.sqrt(1.02) - 1, 1.05 * math.sqrt(1.02) - 1, 0.02


def mean(low: float, high: float, size: float = 90.0) -> float:
    """Mean flow of the first variant between two lifts [mm], in L/s at 28 inH2O, by scipy's own cubic."""
    pressure = math.sqrt(28 * 249.08891 / 6974.0)
    curve = PchipInterpolator(LIFTS, [size * math.tanh(lift / 6.0) * CFM * 1000 * pressure for lift in LIFTS])
    return float(curve.integrate(low, high)) / (high - low)


def block(text: str, title: str) -> list[list[str]]:
    """The rows of each table with a title that ends so, in cells: between its rule and the next empty line."""
    rows: list[list[str]] = []
    for part in text.split(f"{title}\n")[1:]:
        lines = part.splitlines()
        lines = lines[next(place for place, line in enumerate(lines) if line.startswith("──")) + 1 :]
        rows += [line.split() for line in lines[: lines.index("")] if line.strip()]
    return rows


def terminal(contents=None, *, width: int = 200) -> str:
    """The comparison as printed, metric."""
    return printed(comparison_text((contents or factorial()).comparison, "metric", tables=True), width=width)


def side_of(text: str, side: str) -> str:
    """What is printed of one side."""
    intake, exhaust = text.split("\nIntake: flow and gain")[1].split("\nExhaust: flow and gain")
    return intake if side == "intake" else exhaust.split("\nExhaust over intake")[0]


def paper(title: str, contents=None) -> str:
    """The texts of all pages of a chapter."""
    pages = [
        page
        for page in make_pages(contents or factorial())
        if any(chapter.startswith(title) for chapter in page.chapters)
    ]
    return " ".join(item.text for page in pages for item in page.cells.items)


def rows_of(sheet: str, contents=None) -> list[tuple]:
    """The values of a sheet of the workbook, as flowkit has them."""
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(contents or factorial())), data_only=True)
    return [row for row in book[sheet].iter_rows(values_only=True) if row[0] is not None]


def test_bands_end_where_the_valve_says() -> None:
    first, second = band_tables(factorial().comparison.sides["intake"])
    # 0.15 and 0.25 of 38 mm; of 40 mm the last is the end of the range.
    assert [round(end * 1000, 3) for _, _, end in first.limits] == [5.7, 9.5, 10.0]
    assert [round(end * 1000, 3) for _, _, end in second.limits] == [6.0, 10.0]
    assert [row.variant for row in first.rows] == ["none", "ports", "seats", "both", "larger", None]
    assert [row.variant for row in second.rows] == ["larger"]
    assert not first.thirds
    (thirds,) = band_tables(plain_job().comparison.sides["intake"])
    assert thirds.thirds


def test_the_terminal_shows_mean_flow_and_gain_in_bands() -> None:
    text = side_of(terminal(), "intake")
    head = text.split("mean flow and gain of each step in bands of lift")[1].split("──")[0]
    assert "low, 1.00–5.70 mm" in head and "middle, 5.70–9.50 mm" in head and "high, 9.50–10.00 mm" in head
    rows = {row[0]: row[1:] for row in block(text, "mean flow and gain of each step in bands of lift")[:6]}
    assert rows["none"] == [f"{mean(*ends):.2f}" for ends in ((1.0, 5.7), (5.7, 9.5), (9.5, 10.0))]
    # Normal: 1.96 · 0.3 % · (1 + gain), two states of two equal ports flowed once, 0.3 % stated.
    assert rows["ports"][1::4] == ["+10.0"] * 3 and rows["ports"][3::4] == [f"{1.96 * 0.3 * 1.10:.1f}"] * 3
    assert rows["larger"][::3] == ["+1.9"] * 3  # 1.20/(1.10·1.05·1.02): its own flows are in bands of its own
    assert rows["all"][1::3] == ["+20.0"] * 3 and rows["all"][3::3] == [f"{1.96 * 0.3 * 1.20:.1f}"] * 3
    own = [f"{1.2 * mean(*ends):.2f}" for ends in ((1.0, 6.0), (6.0, 10.0))]
    assert block(text, "mean flow and gain of each step in bands of lift")[6] == ["larger", *own]
    assert text.count("Bands end at 0.15 and 0.25 of the valve's diameter (common practice).") == 1


def test_the_terminal_shows_main_effects_and_interaction() -> None:
    text = terminal()
    for side in ("intake", "exhaust"):
        rows = block(side_of(text, side), "factorial: main effects and interaction in mean flow")
        names = ("main effect, ports", "main effect, seats", "interaction, ports × seats")
        gains = [f"+{100 * value:.1f}" for value in (PORTS, SEATS, BOTH)]
        assert [" ".join(row[:-2]) for row in rows] == [f"{n} {g}" for n, g in zip(names, gains, strict=True)]
        assert [row[-2] for row in rows] == ["±"] * 3
        # Normal, 1.96·u: four states of two equal ports flowed once, 0.3 % stated, with the factors ½ and 1 squared.
        u = 0.003 * 0.5**0.5
        halves = [1.959964 * u * (4 * factor**2) ** 0.5 for factor in (0.5, 0.5, 1.0)]
        want = [100 * half * (1 + gain) for half, gain in zip(halves, (PORTS, SEATS, BOTH), strict=True)]
        assert [row[-1] for row in rows] == [f"{half:.1f}" for half in want]


def test_the_terminal_shows_every_figure_of_a_gain_and_what_geometry_promised() -> None:
    text = terminal()
    rows = {row[0]: row[1:] for row in block(side_of(text, "intake"), "gain of each step, %, figure by figure")}
    # At every lift the promise lies between that of the seat, about 40/38, and that of the throat.
    promised = float(rows["larger"][1])
    assert 100 * (40 / 38 - 1) < promised < 100 * ((35**2 - 8**2) / (33**2 - 8**2) - 1)
    assert rows["larger"][0] == "+1.9" and rows["ports"][1] == "–"
    # one step is a loss: steps of opposite sign have no shares of the total
    assert "of the total" not in text
    assert rows["all"][1:4] == ["+20.0", f"+{promised}", "+20.0"]
    assert "y geometry" not in side_of(text, "exhaust")


def test_the_terminal_shows_velocity_where_the_port_is_known_and_ratios_where_both_sides_are() -> None:
    text = terminal()
    # A row a lift and a column a state: none, ports, seats, both, larger.
    side = factorial().comparison.sides["intake"]
    top = side.variant("both").flow_m3_s[-1]
    assert block(text, "mean port velocity, m/s")[-1][4] == f"{top / 760e-6:.1f}"
    assert text.count("mean port velocity") == 1
    for head, lifts in (("xhaust over intake at equal lift", 6), ("xhaust over intake at equal share of peak", 10)):
        assert [row[1:] for row in block(text, head)] == [["0.70"] * 5] * lifts
    us = printed(comparison_text(factorial().comparison, "US", tables=True))
    assert block(us, "mean port velocity, ft/s")[-1][4] == f"{top / 760e-6 / 0.3048:.1f}"


def test_velocity_and_ratio_between_measured_lifts_are_marked() -> None:
    variant = factorial().comparison.sides["intake"].variants[0]
    exact, between = velocity_between(variant, 0.004), velocity_between(variant, 0.005)
    assert exact == (pytest.approx(variant.port_velocity_m_s[2], rel=1e-12), True)
    assert exact[0] < between[0] < variant.port_velocity_m_s[3] and not between[1]
    assert velocity_between(variant, 0.011) == (None, False)
    contents = make_contents(variants=2, ports=1, further=True)
    side = contents.comparison.sides["exhaust"]
    odd = make_contents(variants=2, ports=1, lifts=[0.001, 0.0034, 0.010]).comparison.sides["exhaust"]
    sides = {**contents.comparison.sides, "exhaust": replace(side, variants=odd.variants)}
    comparison = replace(contents.comparison, sides=sides)
    rows = block(printed(comparison_text(comparison, "metric", tables=True)), "xhaust over intake at equal lift")
    marked = [row[0] for row in rows if row[1].startswith("~")]
    assert marked == [row[0] for row in rows if row[0] not in ("1.00", "10.00")] and len(rows) > 4


def test_a_job_with_nothing_further_says_nothing_further() -> None:
    text = terminal(make_contents(variants=1, sides=("intake",), geometry=False))
    for head in ("bands of lift", "gain of each step", "factorial", "port velocity", "xhaust over intake"):
        assert head not in text
    assert "\n\n\n" not in terminal()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_narrow_terminal_keeps_bands_whole(width: int) -> None:
    text = terminal(width=width)
    notes = [line for line in text.splitlines() if line and not line.startswith(("Flows at", "note", "'"))]
    assert max(map(len, notes)) <= width
    flat = " ".join(text.split())
    assert all(f"{mean(*ends):.2f}" in flat for ends in ((1.0, 5.7), (5.7, 9.5), (9.5, 10.0)))


def test_one_common_lift_has_no_area_and_no_range() -> None:
    contents = make_contents(variants=2, lifts=1, sides=("intake",))
    line = next(line for line in terminal(contents).splitlines() if line.startswith("area"))
    assert line.split()[2:] == ["–", "–"]
    assert method_words(contents.comparison, DISPLAYS["metric"]).startswith("Mean flow at 10.00 mm lift.")


def test_why_there_are_no_intervals_is_said_once() -> None:
    contents = make_contents(known=False)
    side = contents.comparison.sides["intake"]
    gains = tuple(replace(gain, not_assessed_because="Not assessed: flow a port twice.") for gain in side.gains)
    contents = replace(contents, comparison=replace(contents.comparison, sides={"intake": replace(side, gains=gains)}))
    assert "\nIntervals not assessed: flow a port twice.\n" in terminal(contents)
    assert "Intervals not assessed: flow a port twice." in paper("Corrections, notes and sources", contents)


def test_only_drawn_intervals_are_said_to_be_drawn() -> None:
    comparison = factorial().comparison
    assert ". ± are 95 % intervals" in method_words(comparison, DISPLAYS["US"])
    assert "Shading, bars and ± are 95 % intervals" in paper("Flow chart").replace("  ", " ")
    assert "hading" not in terminal()


def test_the_pages_show_them_too() -> None:
    detail, areas = paper("Flow in detail"), paper("Coefficients and areas")
    for low, high in ((1.0, 5.7), (5.7, 9.5), (9.5, 10.0)):
        assert f"{low:.2f}–{high:.2f} mm" in detail and f" {mean(low, high):.2f} " in detail
    for name, value in (
        ("main effect, ports", PORTS),
        ("main effect, seats", SEATS),
        ("interaction, ports × seats", BOTH),
    ):
        assert re.search(rf"{name} \+{100 * value:.1f} ± \d\.\d", detail)
    assert "at equal lift" in detail and detail.count(" 0.70") >= 5 * (6 + 10)
    assert (
        "Gain of the step, measured and by geometry" in areas and "measured, %" in areas and "by geometry, %" in areas
    )
    top = factorial().comparison.sides["intake"].variant("both").flow_m3_s[-1]
    assert "mean port velocity, m/s" in areas and f" {top / 760e-6:.1f} " in areas
    assert "band" not in paper("Flow chart")


def test_a_port_is_fast_whether_or_not_the_valve_is_known() -> None:
    contents = make_contents(variants=2, geometry=False, further=True)
    areas = paper("Coefficients and areas", contents)
    assert "Coefficients and minimum areas need" in areas and "mean port velocity, ft/s" in areas


def test_the_workbook_shows_them_too() -> None:
    rows = rows_of("Bands and ratios")
    first = next(row for row in rows if row[0] == "none")
    assert first[1:13:4] == pytest.approx([mean(1.0, 5.7), mean(5.7, 9.5), mean(9.5, 10.0)], rel=1e-9)
    ports = next(row for row in rows if row[0] == "ports")
    assert ports[2:13:4] == pytest.approx([0.1] * 3, rel=1e-9)
    effects = {row[0]: row[1] for row in rows if "effect," in str(row[0]) or "interaction," in str(row[0])}
    assert list(effects.values()) == pytest.approx([PORTS, SEATS, BOTH], rel=1e-9)
    top = next(i for i, row in enumerate(rows) if row[0] == "Exhaust over intake flow at equal lift")
    assert [row[1:6] for row in rows[top + 2 : top + 8]] == [pytest.approx((0.7,) * 5, rel=1e-9)] * 6
    areas = rows_of("Areas")
    start = next(i for i, row in enumerate(areas) if row[0] == "Intake, none")
    place = areas[start + 3].index("mean port velocity, m/s")
    flow = factorial().comparison.sides["intake"].variants[0].flow_m3_s
    assert [row[place] for row in areas[start + 4 : start + 10]] == pytest.approx([q / 760e-6 for q in flow], rel=1e-9)


def test_bands_of_straight_lines_are_values() -> None:
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(factorial(area_method="trapezoid"))))
    kinds = {
        cell.data_type for row in book["Flow by band"].iter_rows(min_row=6, min_col=3) for cell in row if cell.value
    }
    assert "f" not in kinds
