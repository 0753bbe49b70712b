"""The library in an analyst's hands: each line of what it promises, done."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pint
import pytest

import flowkit
from flowkit import FlowkitError, compare, correct, from_frame, read, read_many, sample_job
from flowkit.units import to_si

SHEET = sample_job().parent / "as_received.csv"
TEXT = "lift mm,intake 1 cfm,intake 2 cfm\n2,40,41\n4,80,81\n6,110,112\n8,125,127\n"
BETTER = TEXT.replace("110,112", "118,121").replace("125,127", "134,137")


@pytest.fixture(scope="module")
def comparison() -> flowkit.Comparison:
    """Two invented states of a head."""
    states = {name: read(text.encode(), test_pressure="28 inH2O") for name, text in (("a", TEXT), ("b", BETTER))}
    return compare(states)


def test_read_takes_paths_bytes_and_files_of_both_kinds() -> None:
    whole = [test.points for test in read(SHEET).tests]
    assert [test.points for test in read(str(SHEET)).tests] == whole
    with SHEET.open("rb") as binary, SHEET.open(encoding="utf-8") as text:
        for result in (read(SHEET.read_bytes(), name=SHEET.name), read(binary), read(text)):
            assert [test.points for test in result.tests] == whole
    assert read(io.StringIO(TEXT), test_pressure="28 inH2O").tests[0].file == "sheet.csv"


@pytest.mark.parametrize(
    "pressure", ["28 inH2O", 28 * 249.08891, pint.get_application_registry().Quantity(28, "inH2O")]
)
def test_conditions_as_text_in_si_or_with_units(pressure: object) -> None:
    test = read(TEXT.encode(), test_pressure=pressure, bench="b").tests[0]
    assert test.conditions.test_pressure_pa == pytest.approx(6974.489, rel=1e-6) and test.conditions.bench == "b"


def closed() -> io.StringIO:
    """A file object that was closed before it was read."""
    made = io.StringIO(TEXT)
    made.close()
    return made


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: read(TEXT.encode(), test_presure="28 inH2O"), "did you mean 'test_pressure'"),
        (lambda: read(TEXT.encode(), test_pressure="28 mm"), "unit of length, not of pressure"),
        (lambda: read(3.5), "a float cannot be read as a sheet"),
        (lambda: read(b""), "empty"),
        (compare, "nothing to compare"),
        (lambda: compare([42]), "an int cannot be compared"),
        (lambda: compare(read(SHEET), read(SHEET)), "name them"),
        (lambda: compare("missing.csv"), "no such file"),
        (lambda: compare(SHEET, lifts="9-2 mm"), "lower one"),
        (lambda: compare(SHEET, boar="80 mm"), "unknown key 'boar'"),
        (lambda: compare(SHEET)["inlet"], "'inlet'"),
        (lambda: compare(SHEET)["intake"].gain("a", "b"), "no gain from 'a' to 'b'"),
        (lambda: compare(SHEET).table("sums"), "no table of 'sums'"),
        (lambda: compare(SHEET).table(units="imperial"), "no units 'imperial'"),
        (lambda: compare(SHEET).curve("intake", "no such"), "no state 'no such'"),
        (lambda: read(closed()), "file object cannot be read"),
        (lambda: compare(flowkit.Job.load(sample_job()), air_temperature="20 °C"), "cannot be stated beside a job"),
        (lambda: flowkit.Job.load(sample_job()).with_(boar="80 mm"), "unknown key 'boar'; did you mean 'bore'"),
        (lambda: flowkit.Job.load(sample_job()).engine_result(variant="none"), "no variant 'none'"),
    ],
)
def test_what_cannot_be_done_is_a_plain_flowkit_error(call: object, message: str) -> None:
    with pytest.raises(FlowkitError, match=message):
        call()  # type: ignore[operator]


FRAME = pd.DataFrame(
    {"port": [1, 1, 1, 2, 2, 2], "lift_mm": [2, 4, 6] * 2, "flow_cfm": [40.0, 80.0, 110.0, 41.0, 81.0, 112.0]}
)


def frame(df: object = FRAME, **options: object) -> flowkit.ReadResult:
    """Tests of a frame as most people would state them."""
    said = {"lift": "lift_mm", "flow": "flow_cfm", "by": ["port"], "side": "intake", "test_pressure": "28 inH2O"}
    return from_frame(df, **(said | options))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: frame(FRAME.iloc[:0]), "no row of the frame has both"),
        (lambda: frame(FRAME.assign(flow_cfm=np.nan)), "no row of the frame has both"),
        (lambda: frame(FRAME.assign(flow_cfm=np.inf)), "row 0 of the frame has 'inf' in 'flow_cfm'"),
        (lambda: frame(FRAME.assign(flow_cfm="40,5")), "'40,5' in 'flow_cfm', which is not a number"),
        (lambda: frame(FRAME.assign(flow_cfm=True)), "'True' in 'flow_cfm', which is not a number"),
        (lambda: frame(FRAME.assign(lift_mm=-FRAME["lift_mm"])), "row 0 of the frame has the lift -2"),
        (lambda: frame(lift_unit="m"), "more than any valve lifts"),
        (lambda: frame(flow_unit=3), "the unit '3' is not known"),
        (lambda: frame([1, 2]), "a list is not a DataFrame"),
        (lambda: frame(None), "None is not a DataFrame"),
        (lambda: frame(pd.concat([FRAME, FRAME], axis=1)), "more than one column 'lift_mm'"),
        (lambda: frame(FRAME.set_index("lift_mm")), "reset_index"),
        (lambda: frame(FRAME.assign(run="first"), by=["port", "run"]), "'first' is not a run number"),
        (lambda: frame(FRAME.assign(side="inlet"), by=["port", "side"], side=None), "the side 'inlet'"),
        (lambda: frame(test_pressure=28), "28 Pa cannot be meant; write it with its unit"),
        (lambda: frame(test_pressure=float("nan")), "nan is not a number"),
        (lambda: frame(test_pressure=-7000.0), "above zero"),
        (lambda: compare(frame(FRAME.assign(flow_cfm=-FRAME["flow_cfm"]))), "below zero"),
        (lambda: compare(frame(test_pressure=None)), "no test pressure is stated"),
        (lambda: compare(frame(side=None)), "intake or the exhaust"),
        (lambda: compare(FRAME), "a DataFrame cannot be compared; make tests of it by from_frame"),
        (lambda: compare(None), "None cannot be compared"),
        (lambda: compare({"a": []}), "no tests in 'a'"),
        (lambda: compare({"a": [1]}), "an int is not a flow test"),
        (lambda: compare(compare(frame())), "one already"),
        (lambda: compare({"a": frame(), "A ": frame()}), "two states are named"),
        (lambda: compare({"a": SHEET.parent / "after_work.xlsx"}), "several states .seats recut, ports blended, slim"),
        (
            lambda: compare({"a": correct(frame().tests), "b": correct(frame().tests, flowkit.Reference(3000.0))}),
            "different ref",
        ),
        (lambda: compare({"a": correct(frame().tests)}, pressure="10 inH2O"), "different ref"),
        (lambda: compare(frame(), bench=3), "an int is not a Bench"),
        (lambda: compare({"a": [*frame().tests, *correct(frame().tests).tests]}), "corrected tests and tests as read"),
        (lambda: compare(frame(), lifts=("2 mm", "much")), "'much' is not a number"),
        (lambda: compare(frame(), lifts=(2, 6)), "not a range of lifts in m"),
        (lambda: compare(frame(), lifts=(0.006, 0.002)), "not a range of lifts in m"),
        (lambda: compare(frame(), repeatability=0.5), "50 % cannot be meant"),
        (lambda: compare(frame(), repeatability=float("nan")), "nan is not a number"),
        (lambda: compare(frame(), bore=80.5), "80.5 m cannot be meant"),
        (lambda: compare(frame(), reference="28 inH2O"), "a str is not a Reference"),
        (lambda: compare(frame(), display="SI"), "no display 'SI'"),
        (lambda: compare(frame(), area_method="simpson"), "no area_method 'simpson'"),
        (lambda: compare(SHEET, stated="28 inH2O"), "a str is not a Stated"),
        (lambda: compare(frame(), bench=flowkit.Bench(repeatability=-0.1)), "repeatability is -0.1"),
        (lambda: compare(frame()).curve("intake", "frame").area(0.006, 0.002), "lower one first"),
        (lambda: compare(frame()).curve("intake", "frame").mean(0.006, 0.002), "lower one first"),
        (lambda: compare(frame()).curve("intake", "frame")("4 mm"), "not a lift"),
        (lambda: compare(frame())["intake"].variant("x"), "no state 'x'"),
        (lambda: compare(frame()).plot("here"), "a str is not an Axes"),
        (lambda: compare(frame()).plot(color="nocolour"), "not a colour"),
        (lambda: compare(frame()).plot(errorbars=True), "no error bars"),
        (lambda: flowkit.chart(frame()), "is not a comparison"),
        (lambda: correct(None), "takes flow tests"),
        (lambda: correct(frame().tests, "28 inH2O"), "takes flow tests"),
        (lambda: flowkit.whatif("job.toml"), "not a job"),
        (lambda: flowkit.Job.load(None), "not a path to a job file"),
        (lambda: flowkit.Job.from_files([3]), "not a path to a sheet"),
        (lambda: flowkit.Job.load(sample_job()).with_(bench="b"), "must be a Bench"),
        (lambda: flowkit.report(compare(frame()), "out"), "not a path to a job file"),
        (lambda: read_many([b"x"]), "a bytes is not a path"),
        (lambda: flowkit.from_si("a", "CFM"), "'a' is not a number"),
        (lambda: flowkit.parse_quantity("3 mm", "lenth"), "no quantity 'lenth'"),
    ],
)
def test_odd_input_is_refused_in_plain_words(call: object, message: str) -> None:
    with pytest.raises(FlowkitError, match=message):
        call()  # type: ignore[operator]


def test_frames_as_they_come() -> None:
    plain = [test.points for test in frame().tests]
    for df in (
        FRAME.convert_dtypes(),
        FRAME.astype(str),
        FRAME.astype({"port": "category"}),
        FRAME.astype({"port": float}),
    ):
        assert [test.points for test in frame(df).tests] == plain and frame(df).tests[0].port == "1"
    assert frame(by="port").tests == frame().tests
    dated = frame(
        FRAME.assign(date=pd.Timestamp("2026-03-02 10:00"), side="Intake"), by=["port", "date", "side"], side=None
    )
    assert dated.tests[0].conditions.date == "2026-03-02" and dated.tests[0].side == "intake"
    gone = frame(FRAME.assign(flow_cfm=[np.nan] * 3 + [41, 81, 112]))
    assert [test.port for test in gone.tests] == ["2"] and "no test of it" in gone.findings[0].message


def test_compare_opens_what_holds_several_things(tmp_path: Path) -> None:
    for name, text in (("a.csv", TEXT), ("b.csv", BETTER)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    said = {"test_pressure": "28 inH2O"}
    wanted = compare(tmp_path / "a.csv", tmp_path / "b.csv", **said).table()
    for thing in (
        str(tmp_path / "*.csv"),
        [tmp_path / "a.csv", [tmp_path / "b.csv"]],
        read_many(tmp_path / "*.csv", **said),
        (read(tmp_path / name, **said) for name in ("a.csv", "b.csv")),
    ):
        pd.testing.assert_frame_equal(compare(thing, **said).table(), wanted)
    assert compare({"a": TEXT.encode(), "b": io.StringIO(BETTER)}, **said).table().equals(wanted)
    (tmp_path / "c.csv").write_text("item,price\n", encoding="utf-8")
    with pytest.raises(FlowkitError, match=r"c\.csv"):
        compare(read_many(tmp_path / "*.csv", **said))


def test_compare_takes_states_single_tests_and_jobs_beside_sheets() -> None:
    job = flowkit.Job.load(sample_job())
    first, last = (job.corrected()[1][place] for place in (0, -1))
    alone = compare(first, {"z": last})["intake"]
    assert [state.name for state in alone] == ["as received", "z"]
    whole = job.compare()["intake"].variant(last.name).mean_flow_m3_s
    assert alone.variant("z").mean_flow_m3_s == pytest.approx(whole, rel=1e-12)
    both = compare({"the job": job}, {"new": SHEET})["intake"]
    assert [state.name for state in both] == [*(variant.name for variant in job.variants), "new"]
    assert [state.name for state in compare(frame().tests[0])["intake"]] == ["frame"]


def test_a_bench_as_an_object_and_as_text_is_one_and_its_name_is_a_condition() -> None:
    said = compare({"a": frame(), "b": frame()}, repeatability="0.5 %")["intake"].gain("a", "b")
    meant = compare({"a": frame(), "b": frame()}, bench=flowkit.Bench(repeatability=0.005))["intake"].gain("a", "b")
    assert said.mean_flow_gain_u95 == meant.mean_flow_gain_u95 and said.mean_flow_gain_u95 > 0
    text = read(TEXT.encode(), test_pressure="28 inH2O", bench="mine")
    assert text.tests[0].conditions.bench == "mine"
    stated = [io.BytesIO(text.encode()) for text in (TEXT, BETTER)]
    both = compare(dict(zip("ab", stated, strict=True)), test_pressure="28 inH2O", bench="mine")
    assert {test.conditions.bench for test in both.tests} == {"mine"}


def test_corrected_results_keep_their_reference() -> None:
    done = correct(frame().tests, flowkit.Reference(pressure_pa=2490.8891))
    assert compare({"a": done}).reference.pressure_pa == pytest.approx(2490.8891)
    assert compare({"a": done.tests}).reference.pressure_pa == pytest.approx(2490.8891)


def test_many_files_make_one_table_and_an_unread_one_carries_its_error(tmp_path: Path) -> None:
    (tmp_path / "good.csv").write_text(TEXT, encoding="utf-8")
    (tmp_path / "prices.csv").write_text("item,price\nvalve,12\n", encoding="utf-8")
    readings = read_many(tmp_path / "*.csv", test_pressure="28 inH2O", bench="b")
    assert [reading.path.name for reading in readings] == ["good.csv", "prices.csv"]
    table = readings.table("US")
    assert set(table.columns) >= {
        "file",
        "head",
        "state",
        "side",
        "port",
        "run",
        "date",
        "bench",
        "operator",
        "lift_in",
    }
    good, bad = table[table["error"].isna()], table[table["error"].notna()]
    assert len(good) == 8 and len(bad) == 1 and bad.iloc[0]["file"] == str(tmp_path / "prices.csv")
    assert good["flow_CFM"].iloc[0] == pytest.approx(40) and good["lift_in"].iloc[0] == pytest.approx(2 / 25.4)
    assert table.attrs["units"]["pressure_inH2O"] == "inH2O" and str(table["flow_CFM"].dtype) == "Float64"


def test_tests_from_a_frame() -> None:
    rows = [("L", 1, lift, flow) for lift, flow in ((2, 40.0), (4, 80.0), (6, np.nan))]
    rows += [("R", 1, lift, flow) for lift, flow in ((2, 41.0), (4, 82.0))]
    df = pd.DataFrame(rows, columns=["head", "port", "lift_mm", "flow_cfm"])
    options = {"lift": "lift_mm", "flow": "flow_cfm", "side": "intake", "test_pressure": "28 inH2O"}
    result = from_frame(df, by=["head", "port"], **options)
    assert [(test.head, test.port, len(test.points)) for test in result.tests] == [("L", "1", 2), ("R", "1", 2)]
    assert result.tests[0].points[1].flow_m3_s == pytest.approx(to_si(80, "CFM"))
    with pytest.raises(FlowkitError, match="no column 'lift'"):
        from_frame(df, **{**options, "lift": "lift"})
    with pytest.raises(FlowkitError, match="nothing says the unit of the column 'flow'"):
        from_frame(df.rename(columns={"flow_cfm": "flow"}), **{**options, "flow": "flow"})
    with pytest.raises(FlowkitError, match="distinguished by 'valve'"):
        from_frame(df.assign(valve=1), by=["valve"], **options)


def test_compare_corrects_what_is_not_corrected_yet(comparison: flowkit.Comparison) -> None:
    results = [
        read(text.encode(), name=f"{name}.csv", test_pressure="28 inH2O") for name, text in (("a", TEXT), ("b", BETTER))
    ]
    states = [result.tests for result in results]
    done = [correct(tests) for tests in states]
    by_hand = float(np.log(1 + comparison["intake"].gain("a", "b").mean_flow_gain))
    for things in (
        [{"a": results[0], "b": results[1]}],
        results,
        [{"a": done[0], "b": done[1]}],
        [states[0], states[1]],
    ):
        gain = next(iter(compare(*things)["intake"].gains))
        assert np.log(1 + gain.mean_flow_gain) == pytest.approx(by_hand, rel=1e-12)


def test_options_of_reference_and_bench_count() -> None:
    at_25 = compare(SHEET, pressure="25 inH2O", lifts="2-9 mm", repeatability="0.5 %")
    assert at_25.reference.pressure_pa == pytest.approx(25 * 249.08891)
    assert len(at_25["intake"].variants) == 1
    job = flowkit.Job.load(sample_job())
    assert compare(job, pressure="25 inH2O").reference.pressure_pa == pytest.approx(25 * 249.08891)


def test_tables_in_units_with_nullable_types(comparison: flowkit.Comparison) -> None:
    for kind in ("lifts", "flows", "gains", "ports", "bands", "findings"):
        assert list(comparison.table(kind).columns)
    lifts = comparison.table("lifts", "metric")
    assert lifts["state"].dtype.ordered and list(lifts["state"].cat.categories) == ["a", "b"]
    assert lifts["lift_mm"].tolist() == pytest.approx([2, 4, 6, 8, 2, 4, 6, 8])
    assert lifts["gain"].isna().sum() == 4 and lifts.attrs["units"]["flow_L_per_s"] == "L/s"
    gains = comparison.table("gains")
    assert gains["gain"].iloc[0] == comparison["intake"].gain("a", "b").mean_flow_gain
    assert set(comparison.table("ports", "US")["port"]) == {"1", "2"}


def test_results_are_short_to_show_and_can_be_gone_through(comparison: flowkit.Comparison) -> None:
    assert len(repr(comparison)) < 120 and "<table" in comparison._repr_html_()
    assert [state.name for side in comparison for state in side] == ["a", "b"]
    assert len(repr(read(SHEET))) < 200 and len(repr(correct(read(SHEET).tests))) < 200


def test_results_show_themselves_in_a_notebook(comparison: flowkit.Comparison) -> None:
    done, job = correct(read(SHEET).tests), flowkit.Job.load(sample_job())
    metric = comparison.metric(lambda curve: curve.mean(0.002, 0.008), name="mean")
    shown = [read(SHEET), done, comparison, comparison["intake"], metric]
    assert all("<table" in item._repr_html_() for item in shown)
    gain, state = comparison["intake"].gain("a", "b"), comparison["intake"].variant("a")
    short = [*shown, gain, state, done.tests[0], read(SHEET).tests[0], job, job.run(engine=False), read_many(SHEET)]
    assert all(len(repr(item)) < 200 for item in short)
    assert repr(gain) == f"<Gain from 'a' to 'b': {100 * gain.mean_flow_gain:+.1f} %, not assessed>"


def test_unequal_arms_are_shown_as_low_and_high() -> None:
    comparison = flowkit.Job.load(sample_job()).compare()
    (gain,) = [gain for gain in comparison["intake"].steps if gain.to == "seats recut"]
    assert gain.mean_flow_gain_low is not None and gain.mean_flow_gain_high is not None
    arms = gain.mean_flow_gain - gain.mean_flow_gain_low, gain.mean_flow_gain_high - gain.mean_flow_gain
    assert abs(arms[0] - arms[1]) > 0.001
    both = f"(+{100 * gain.mean_flow_gain_low:.1f} % to +{100 * gain.mean_flow_gain_high:.1f} %)"
    assert both.replace(" %", "") in repr(gain).replace(" %", "")
    assert both.replace(" %", "") in comparison._repr_html_().replace(" %", "")


def test_text_of_several_lines_is_a_sheet() -> None:
    assert [test.points for test in read(TEXT, test_pressure="28 inH2O").tests] == [
        test.points for test in read(TEXT.encode(), test_pressure="28 inH2O").tests
    ]


def test_curves_are_functions_of_lift(comparison: flowkit.Comparison) -> None:
    curve = comparison.curve("intake", "a")
    assert float(curve(0.004)) == pytest.approx(to_si(80.5, "CFM"))
    assert [port.port for port in curve.ports] == ["1", "2"]
    assert curve.mean(0.002, 0.008) * 0.006 == pytest.approx(curve.area(0.002, 0.008))
    assert curve.area(0.002, 0.008) == pytest.approx(np.mean([port.area(0.002, 0.008) for port in curve.ports]))
    side = comparison["intake"]
    assert curve.mean(*side.range_m) == pytest.approx(side.variant("a").mean_flow_m3_s)
    assert curve.lifts_m == pytest.approx((0.002, 0.004, 0.006, 0.008)) and len(repr(curve)) < 100
    with pytest.raises(FlowkitError):
        curve(0.02)


def test_plots_return_axes_with_named_lines(comparison: flowkit.Comparison) -> None:
    _, ax = plt.subplots()
    assert comparison.plot(ax) is ax
    named = [line.get_label() for line in ax.get_lines() if not line.get_label().startswith("_")]
    assert named == ["a", "b"]
    stated = compare({"a": read(TEXT, test_pressure="28 inH2O")}, repeatability="0.5 %")
    own = stated.plot(plt.subplots()[1], label="bench A", color="C1", errorbars=True, display="metric")
    assert own.get_legend_handles_labels()[1] == ["bench A"] and own.get_lines()[-1].get_color() == "#ff7f0e"
    assert own.get_ylabel() == "flow, L/s" and len(own.containers) == 1
    curve = stated.curve("intake", "a").plot(own, label="again", errorbars=True)
    assert curve is own and own.get_legend_handles_labels()[1] == ["bench A", "again"]
    assert [line.get_label() for line in read(TEXT, side="intake").plot(label={"sheet": "as found"}).get_lines()]
    before = plt.get_fignums()
    comparison.plot()
    assert plt.get_fignums() == before
    plt.close("all")


def test_a_job_is_built_changed_and_written_in_python(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(TEXT, encoding="utf-8")
    (tmp_path / "b.csv").write_text(BETTER, encoding="utf-8")
    job = flowkit.Job.from_files(
        [tmp_path / "a.csv", tmp_path / "b.csv"],
        flowkit.Stated(conditions=read(TEXT.encode(), test_pressure="28 inH2O").tests[0].conditions),
    )
    named = job.with_(info=replace(job.info, title="Invented"), bore="80.5 mm", lifts="2-8 mm")
    path = named.write(tmp_path / "job.toml")
    again = flowkit.Job.load(path)
    assert again.info.title == "Invented" and again.reference.bore_m == pytest.approx(0.0805)
    assert again.reference.lifts_m == pytest.approx((0.002, 0.008))
    assert again.compare().to_json() == named.compare().to_json()
    text = "# kept\n" + path.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    flowkit.Job.load(path).with_(pressure="25 inH2O").write(path)
    assert path.read_text(encoding="utf-8").startswith("# kept\n")
    assert flowkit.Job.load(path).reference.pressure_pa == pytest.approx(25 * 249.08891)


def test_units_are_public() -> None:
    assert flowkit.from_si(flowkit.to_si(100, "CFM"), "CFM") == pytest.approx(100)
    assert flowkit.parse_quantity(pint.get_application_registry().Quantity(1, "inch"), "length") == pytest.approx(
        0.0254
    )
    with pytest.raises(FlowkitError, match="is not a length"):
        flowkit.parse_quantity(pint.get_application_registry().Quantity(1, "second"), "length")
