from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
from dataclasses import replace

import pytest
from rich.console import Console

from flowkit.corrections import CorrectionResult
from flowkit.drawing.notebook import comparison_html
from flowkit.errors import FlowkitError
from flowkit.importers.result import ReadResult
from flowkit.model import Conditions, Finding, UnitSource
from flowkit.reports.contents import ReportContents
from flowkit.reports.labels import comparison_csv
from flowkit.reports.tables import Cell, Column, Row, Table
from flowkit.reports.terminal import (
    TableText,
    broken,
    comparison_text,
    correction_text,
    engine_text,
    findings_text,
    reading_text,
    sentences_text,
)
from tests.reports.invented import CFM, make_contents, names
from tests.reports.invented_engine import make_bands, make_engine


def printed(parts, *, width: int = 200, color: bool = False) -> str:
    """What rich prints of the parts: plain, or with its codes."""
    out = io.StringIO()
    console = Console(
        file=out, width=width, highlight=False, force_terminal=color, color_system="truecolor" if color else None
    )
    for part in parts:
        console.print(part, markup=False)
    return out.getvalue()


def row(text: str, label: str) -> str:
    return next(line for line in text.splitlines() if line.strip().startswith(label))


def test_flows_and_gains_stand_under_their_variants(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison, tables=True))
    side = contents.comparison.sides["intake"]
    lift = side.variants[0].lifts_m[-1] / 0.0254
    cells = row(text, f"{lift:.3f}").split()
    flows = [variant.flow_m3_s[-1] / CFM for variant in side.variants]
    gains = [100 * gain.per_lift[-1].gain for gain in side.totals]
    shown = [f"{flows[0]:.1f}"]
    for flow, gain in zip(flows[1:], gains, strict=True):
        shown += [f"{flow:.1f}", f"{gain:+.1f}", "±", "1.1"]
    assert cells[1:] == shown


def test_decimals_are_aligned(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison, tables=True))
    lines = text.splitlines()
    start = next(i for i, line in enumerate(lines) if "lift, in" in line) + 2
    rows = lines[start : start + 10]
    places = [[match.start() for match in re.finditer(r"\.", line)] for line in rows]
    assert all(len(place) == 11 for place in places)
    assert len({tuple(place) for place in places}) == 1


def test_gains_carry_a_sign_and_those_not_resolved_are_dim() -> None:
    contents = make_contents(variants=2)
    side = contents.comparison.sides["intake"]
    gain = side.gains[0]
    faint = replace(gain.per_lift[0], gain=0.004, low=-0.007, high=0.015)
    gain = replace(gain, per_lift=(faint, *gain.per_lift[1:]), mean_flow_gain=0.005, resolved=False)
    gain = replace(gain, mean_flow_gain_low=-0.006, mean_flow_gain_high=0.016)
    side = replace(side, gains=(gain,))
    comparison = replace(contents.comparison, sides={"intake": side})
    text = printed(comparison_text(comparison, tables=True), color=True)
    dim = re.findall(r"\x1b\[2m *([+−]\d+\.\d) (?:% )?± 1\.1", text)
    assert dim == ["+0.4", "+0.5", "+0.5"]  # at one lift, and in the mean under the lifts and under the ports
    assert "+0.5 ± 1.1 (?)" in text and "(?) not proven." in text


def test_a_gain_between_measured_lifts_is_marked(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison, tables=True))
    assert re.search(r"~\+\d+\.\d ± 1\.1", text)
    assert "~ between measured lifts." in text


def test_means_area_ports_and_spread_are_there(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison, tables=True))
    side = contents.comparison.sides["intake"]
    first = side.variants[0]
    assert row(text, "mean").split()[1] == f"{first.mean_flow_m3_s / CFM:.1f}"
    area = first.curve_area_m4_s / CFM / 0.0254
    assert row(text, "area, CFM·in").split()[2] == f"{area:.1f}"
    assert row(text, "port 3").split()[2] == f"{first.ports[2].mean_flow_m3_s / CFM:.1f}"
    assert row(text, "spread").split()[1] == f"{100 * first.port_spread:.1f}"


def test_the_answer_is_first_and_fits_one_screen(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison), width=80)
    assert text.startswith("Intake: +12.0 % ± 1.1 mean flow")
    assert re.search(r"seats recut +\+7\.6 ± 1\.1 +\+7\.6 ± 1\.1 +seats alone", text)
    assert re.search(r"all, over as received +\+12\.0 ± 1\.1 +\+12\.0 ± 1\.1 +ports, seats and valves", text)
    assert text.index("all, over") < text.index("The seats were worth most") < text.index("warning")
    assert "lift, in" not in text and "--tables" in text
    assert len(text.splitlines()) <= 24


def test_tables_follow_the_answer_where_asked(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison, tables=True))
    assert text.index("The seats were worth most") < text.index("lift, in") < text.index("warning  after_work")
    assert text.index("warning  after_work") < text.index("note     as_received")
    assert "[falling-flow]" in text
    assert printed(sentences_text(contents.comparison)).startswith("The seats were worth most")


def test_a_line_is_broken_between_words_and_never_inside_a_number_or_before_its_unit() -> None:
    words = "a_very_long_file_name_that_is_wider_than_the_terminal_itself.csv gains +11.8 % ± 0.9 at 10.00 mm of lift"
    for width in range(8, 60):
        lines = broken(words, width)
        assert " ".join(lines) == words
        assert not any(line.startswith(("%", "±", "mm")) or line.endswith("±") for line in lines)


def test_at_most_twenty_findings_of_a_sheet_are_shown() -> None:
    findings = [Finding("typing-slip", "warning", f"a.xlsx!one!B{row}", f"odd {row}") for row in range(1, 170)]
    findings += [Finding("typing-slip", "warning", "b.csv:3:2", "odd")]
    text = printed(findings_text(findings))
    assert text.count("[typing-slip]") == 21
    assert "a.xlsx!one: and 149 more in --json" in text


def test_plain_when_piped(contents: ReportContents) -> None:
    assert "\x1b" not in printed(comparison_text(contents.comparison, tables=True))


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_narrow_terminal_gets_whole_variants_in_several_tables(width: int) -> None:
    contents = make_contents(variants=8)
    text = printed(comparison_text(contents.comparison, tables=True), width=width)
    assert max(map(len, text.splitlines())) <= width
    tables = text.count("lift, in")
    assert tables >= 4
    for variant in contents.comparison.sides["intake"].variants:
        assert f"{variant.flow_m3_s[-1] / CFM:.1f}" in text


def test_no_uncertainty_is_said_once_with_its_reason() -> None:
    text = printed(comparison_text(make_contents(known=False).comparison, tables=True))
    assert "not assessed: no port was measured twice" in text
    assert "±" not in text


def test_metric_shows_the_same_flows_in_litres_a_second(contents: ReportContents) -> None:
    text = printed(comparison_text(contents.comparison, "metric", tables=True))
    mean = contents.comparison.sides["intake"].variants[0].mean_flow_m3_s
    assert row(text, "mean").split()[1] == f"{1000 * mean:.2f}"
    assert "28 inH2O" in text and "6.974" not in text  # the unit in which it was stated


def test_markup_and_control_characters_from_sheets_are_inert() -> None:
    contents = make_contents(variants=["[bold red]a[/]", "b\x1b[31m\nc"])
    text = printed(comparison_text(contents.comparison, tables=True), color=True)
    assert "[bold red]a[/]" in text
    assert "\x1b[31m" not in text


def test_one_variant_has_flows_and_no_gains() -> None:
    text = printed(comparison_text(make_contents(variants=1).comparison, tables=True))
    assert "gain, %" not in text and "gain in mean" not in text and "resolved" not in text
    assert re.search(r"as\s+received", text)


def test_unknown_display() -> None:
    with pytest.raises(FlowkitError, match="'US' or 'metric'"):
        comparison_text(make_contents().comparison, "imperial", tables=True)


def test_csv_holds_every_flow_and_gain(contents: ReportContents) -> None:
    rows = list(csv.DictReader(io.StringIO(comparison_csv(contents.comparison))))
    assert len(rows) == 2 * 4 * 11
    side = contents.comparison.sides["exhaust"]
    mine = [item for item in rows if item["side"] == "exhaust" and item["variant"] == "ports blended"]
    gain = next(item for item in side.totals if item.to == "ports blended")
    for item, lift, flow, expected in zip(
        mine, side.variants[2].lifts_m, side.variants[2].flow_m3_s, gain.per_lift, strict=False
    ):
        assert float(item["lift (in)"]) == pytest.approx(lift / 0.0254, rel=1e-9)
        assert float(item["flow (CFM)"]) == pytest.approx(flow / CFM, rel=1e-9)
        assert float(item["gain (%)"]) == pytest.approx(100 * expected.gain, rel=1e-9)
        assert item["interpolated"] == ("yes" if expected.interpolated else "no")
    assert mine[-1]["lift (in)"] == "mean"
    assert float(mine[-1]["gain (%)"]) == pytest.approx(100 * gain.mean_flow_gain, rel=1e-9)
    first = [item for item in rows if item["variant"] == "as received"]
    assert all(item["gain (%)"] == "" for item in first)


def test_csv_without_uncertainty_in_metric_units() -> None:
    contents = make_contents(known=False, variants=['odd "name", a', "b"])
    rows = list(csv.DictReader(io.StringIO(comparison_csv(contents.comparison, "metric"))))
    assert rows[0]["variant"] == 'odd "name", a'
    assert {item["gain u95 (%)"] for item in rows} == {""}
    assert float(rows[0]["lift (mm)"]) == pytest.approx(1.0)


def test_html_is_escaped_and_whole() -> None:
    contents = make_contents(
        variants=["<script>alert(1)</script>", "a & b"], findings=[Finding("x", "note", "<b>", "&")]
    )
    text = comparison_html(contents.comparison)
    assert "<script>" not in text and "&lt;script&gt;" in text and "a &amp; b" in text and "&lt;b&gt;" in text
    assert text.count("<table>") == 2 == text.count("</table>")
    variant = contents.comparison.sides["intake"].variants[1]
    assert f"{variant.mean_flow_m3_s / CFM:.1f}" in text


def test_html_dims_what_is_not_resolved() -> None:
    contents = make_contents(variants=2)
    side = contents.comparison.sides["intake"]
    half = {"mean_flow_gain_low": 0.005 - 0.011, "mean_flow_gain_high": 0.005 + 0.011}
    gain = replace(side.gains[0], mean_flow_gain=0.005, resolved=False, **half)
    text = comparison_html(replace(contents.comparison, sides={"intake": replace(side, gains=(gain,))}))
    assert '<span style="color:#767676">+0.5 ± 1.1</span>' in text
    assert "<ul>" not in comparison_html(make_contents(variants=1).comparison)


def test_html_without_uncertainty() -> None:
    assert "±" not in comparison_html(make_contents(known=False).comparison)


def test_findings_are_sorted_by_gravity_and_said_once() -> None:
    note, warning = Finding("a", "note", "x", "n"), Finding("c", "warning", "z", "w")
    findings = [note, Finding("b", "error", "y", "e"), warning, warning]  # errors go to standard error
    assert printed(findings_text(findings)) == "warning  z: w [c]\nnote     x: n [a]\n"
    assert findings_text([]) == ()


def test_what_was_read_is_a_row_a_test(contents: ReportContents) -> None:
    tests = contents.variants[0].tests
    odd = replace(
        tests[0],
        side=None,
        port=None,
        conditions=Conditions(fixture_bore_m=0.083),
        units=replace(tests[0].units, lift=UnitSource("in", "assumed"), flow=UnitSource("kg/h", "stated")),
    )
    text = printed(reading_text(ReadResult((*tests[1:4], odd), contents.findings)))
    assert "as_received.csv: 4 tests" in text
    assert "All of them: state as received" in text
    line = row(text, "intake")
    assert "1–10 mm" in line and "10 inH2O" in line
    last = next(line for line in text.splitlines() if "?" in line)
    assert "0.03937–0.3937 in (assumed)" in last and "kg/h" in last and "missing" in last and "3.268 in" in last
    assert "[falling-flow]" in text
    assert "no tests" in printed(reading_text(ReadResult((), ())))


def test_corrections_are_told_once_for_all_that_had_them(contents: ReportContents) -> None:
    comparison = contents.comparison
    result = CorrectionResult(comparison.reference, comparison.tests, contents.findings)
    text = printed(correction_text(result))
    assert re.search(r"as received +intake +6 .*× 1\.0040 +× 1\.6733", text)
    assert "leakage: not made in any test: no leakage was measured" in text
    assert "test-pressure: Q4 = Q3 sqrt(dP_ref/dP)" in text
    point = comparison.tests[0].points[0]
    lines = text.splitlines()
    after = lines[lines.index(comparison.tests[0].id) + 1 :]
    line = next(line for line in after if re.match(r" *\d", line))  # its first point, under the head of the columns
    assert f"{point.reading_m3_s / CFM:.1f}" in line and f"{point.flow_m3_s / CFM:.1f}" in line
    empty = printed(correction_text(CorrectionResult(comparison.reference, (), ())))
    assert "Flows at 28 inH2O" in empty


def test_the_engine_is_told_with_differences_and_assumptions() -> None:
    text = printed(engine_text(make_engine(names(3)), "metric", tables=True))
    assert re.search(r"seats recut .*\+5\.0 ± 1\.1 .* 7350 +\+2\.0", text)
    assert "Change over as received, % (estimates of a model)" in text
    assert "Assumed: fuel petrol, 44 MJ/kg; air–fuel ratio 12.8." in text
    assert "Stated: compression ratio 10.2; brake specific fuel consumption 310 g/kWh." in text
    assert "An estimate is no safe speed." in text
    assert re.search(r"^ *8000 .*\+1\.3", text, re.MULTILINE)


def test_power_the_air_allows_stands_with_every_assumption_behind_it() -> None:
    engine = make_engine(names(3))
    metric, us = printed(engine_text(engine, "metric", tables=True)), printed(engine_text(engine, tables=True))
    assert "Air-limited power, kW (estimates)" in metric and "Air-limited power, hp (estimates)" in us
    # 1.6 L × 1.2 kg/m³ × 4000 turns a second/60/2 × 0.8 = 51.2 g/s, over 12.8 × 300 g/kWh = 48.0 kW;
    # 1 hp = 745.6999 W (NIST SP 811, appendix B.8).
    assert re.search(r"^ *4000 +48\.0 +49\.2 +50\.4$", metric, re.MULTILINE)
    assert re.search(r"^ *4000 +64\.4 +66\.0 +67\.6$", us, re.MULTILINE)
    told = " ".join(metric.split())
    assert "Air–fuel ratio: 12.8 (assumed)." in told
    assert "Brake specific fuel consumption: 310 g/kWh (stated), the same at every speed" in told
    assert "Volumetric efficiency: from the filling model" in told and "not measured." in told
    assert "bore not stated" in told
    predicted = printed(engine_text(replace(engine, prediction="Not measured."), "metric", tables=True))
    assert "The predicted engine's displacement" in " ".join(predicted.split())


def test_time_in_bands_of_lift_stands_beside_flow_and_gain() -> None:
    text = printed(engine_text(make_engine(names(3)), "metric", tables=True))
    assert "Intake: time in bands of lift, and mean flow there" in text
    # Mean flow in the highest band: 0.4/0.2 of 60 CFM and of 66 CFM = 56.63 L/s and 62.30 L/s.
    assert re.search(r"^ *8\.00–10\.00 +48 +20\.0 +56\.63 +62\.30 +\+10\.0 +40\.0$", text, re.MULTILINE)
    told = " ".join(text.split())
    assert (
        "Intake, ports blended: more flow pays most at 8.00–10.00 mm of lift, where the valve spends 20 % of its "
        "open time and 40 % of the flow over the cam passes: 1 % more flow there alone gives 0.40 % more over the "
        "cam; at 0.00–2.00 mm, where it spends 50 % of the time, 0.04 %. Exhaust:"
    ) in told
    assert "Exhaust, ports blended: more flow pays most at 7.20–9.00 mm" in told


def test_bands_of_another_cam_are_not_compared() -> None:
    engine = make_engine(names(2))
    first, last = engine.variants
    other = replace(last, band_times={"intake": make_bands(0.011), "exhaust": make_bands(0.009)})
    text = printed(engine_text(replace(engine, variants=(first, other)), "metric", tables=True))
    assert re.search(r"^ *8\.80–11\.00 +48 +20\.0 +59\.47 +40\.0$", text, re.MULTILINE)
    unknown = tuple(replace(band, share_of_flow=None) for band in make_bands(0.010))
    bare = replace(engine.variants[0], band_times={"intake": unknown})
    text = printed(engine_text(replace(engine, variants=(bare,)), "metric", tables=True))
    assert re.search(r"^ *8\.00–10\.00 +48 +20\.0 +– +–$", text, re.MULTILINE)
    assert "more flow pays most" not in text
    one = replace(engine.variants[0], band_times={"intake": make_bands(0.010)[4:]})
    text = printed(engine_text(replace(engine, variants=(one,)), "metric", tables=True))
    assert "gives 0.40 % more over the cam. Assumed" in " ".join(text.split())


def test_the_engine_without_filling_or_gains() -> None:
    engine = replace(
        make_engine(names(2), filling=False, gains=False),
        prediction="Not measured: larger valves.",
        findings=(Finding("short-of-cam", "warning", "x", "y"),),
        assumptions=(),
    )
    text = printed(engine_text(engine, tables=True))
    assert text.index("An estimate") < text.index("Not measured") and "filling" not in text.split("One cylinder")[0]
    assert "[short-of-cam]" in text


def test_a_terminal_needs_no_numbers_library() -> None:
    heavy = ("matplotlib", "scipy", "pandas", "numpy", "openpyxl", "pypdf")
    code = f"import sys, flowkit.reports.terminal; print([m for m in {heavy} if m in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


def test_a_name_in_csv_is_never_a_formula() -> None:
    base = make_contents(variants=1).comparison
    side = base.sides["intake"]
    odd = replace(side, variants=(replace(side.variants[0], name="=1+1"),), gains=())
    rows = comparison_csv(replace(base, sides={"intake": odd})).splitlines()
    assert all(row.startswith("intake,'=1+1,") for row in rows[1:])


def test_a_number_and_its_unit_in_a_head_make_room_for_themselves() -> None:
    groups = ("low, 2.00–4.67 mm", "high, 4.67–9.00 mm")
    columns = [Column("L/s", group) for group in groups] + [Column("step, %", group) for group in groups]
    rows = (Row(tuple(map(Cell, ("stock", "28.07", "51.12", "+5.1 ± 0.7", "+15.1 ± 0.7")))),)
    text = printed((TableText(Table("", None, (Column(""), *columns), rows)),), width=80)
    assert "2.00–4.67 mm" in text and "4.67–9.00 mm" in text
    # Columns of a group are side by side, wherever they are in the table.
    assert text.splitlines()[-1].split() == ["stock", "28.07", "+5.1", "±", "0.7", "51.12", "+15.1", "±", "0.7"]
    assert max(map(len, text.splitlines())) <= 80


def test_names_of_rows_are_broken_before_a_figure_is_cut() -> None:
    group = "middle, 5.70–9.50 mm"
    columns = (Column("mean flow by band of lift, L/s"), Column("L/s", group), Column("step, %", group))
    rows = (Row(tuple(map(Cell, ("seats recut", "51.12", "+15.1 (+13.4 to +19.8)")))),)
    text = printed((TableText(Table("", None, columns, rows)),), width=60)
    assert "+15.1 (+13.4 to +19.8)" in text and "lift, L/s" in text
    assert max(map(len, text.splitlines())) <= 60
