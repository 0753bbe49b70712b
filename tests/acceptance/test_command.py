"""Exit status, documents and findings of the command; each rule where it must appear and where it must not."""

from __future__ import annotations

import math

import pytest

HEAD = "Test pressure;28 inH2O\nSide;intake\nPort;1\n\nLift (mm);Flow (CFM)\n"
ROWS = "2;40\n4;75\n6;98\n8;110\n"
LIFTS = range(1, 12)
FLOWS = [round(118 * math.tanh(lift / 5.5), 1) for lift in LIFTS]

CONDITIONS = {
    "test_pressure_pa", "fixture_bore_m", "valve_diameter_m", "stem_diameter_m", "throat_diameter_m",
    "seat_angle_deg", "seat_width_m", "air_temperature_k", "barometer_pa", "relative_humidity", "leak_m3_s",
    "leak_pressure_pa", "check_reading_m3_s", "check_nominal_m3_s", "check_pressure_pa", "meter_temperature_k",
    "meter_pressure_pa", "date", "bench",
}  # fmt: skip
TEST = {"id", "file", "sheet", "head", "variant", "side", "port", "run", "conditions", "units", "points"}
SIDE_VARIANT = {
    "name", "lifts_m", "flow_m3_s", "curve_area_m4_s", "mean_flow_m3_s", "mean_flow_u95", "peak_flow_m3_s",
    "port_spread", "ports", "coefficients", "takeover_lift_m",
}  # fmt: skip
GAIN = {
    "from", "to", "mean_flow_gain", "mean_flow_gain_u95", "mean_flow_gain_low", "mean_flow_gain_high", "resolved",
    "at_least", "smallest_resolvable", "basis", "nu", "nu_eff", "drift_unknown", "resolved_if_drift_below",
    "setup_differs", "bounds", "terms", "differs_along_lift", "mean_of_gains", "gain_at_top_lift", "changed",
    "attributable", "expected_from_geometry", "per_lift",
}  # fmt: skip


def _smooth(*lines, side="intake", port=1, flows=FLOWS, pressure="28 inH2O"):
    head = [f"Test pressure;{pressure}"] if pressure else []
    rows = [f"{lift};{flow}" for lift, flow in zip(LIFTS, flows, strict=True)]
    return "\n".join([*head, f"Side;{side}", f"Port;{port}", *lines, "", "Lift (mm);Flow (CFM)", *rows]) + "\n"


def _changed(at, flow):
    return [flow if index == at else kept for index, kept in enumerate(FLOWS)]


def test_keys_of_the_documents(tell):
    read = tell("read", "a.csv", a_csv=HEAD + ROWS).document
    assert {"kind", "version", "tests", "findings"} <= set(read) and read["kind"] == "read"
    (test,) = read["tests"]
    assert set(test) >= TEST and set(test["conditions"]) >= CONDITIONS
    assert {key: set(value) for key, value in test["units"].items()} == {
        key: {"unit", "source"} for key in ("lift", "flow", "pressure")
    }
    assert set(test["points"][0]) == {"lift_m", "flow_m3_s", "pressure_pa", "source"}
    correct = tell("correct", "a.csv").document
    assert set(correct["reference"]) == {"pressure_pa", "bore_m", "air_density_kg_m3", "pressure_law"}
    assert set(correct["tests"][0]) >= {*TEST, "ledger"}
    for line in correct["tests"][0]["ledger"]:
        assert set(line) == {"correction", "formula", "inputs", "factor", "offset_m3_s", "skipped"}
    compare = tell("compare", "a.csv", "b.csv", b_csv=HEAD + ROWS.replace("75", "79")).document
    assert compare["kind"] == "compare" and set(compare["sides"]) == {"intake"}
    side = compare["sides"]["intake"]
    assert set(side["variants"][0]) >= SIDE_VARIANT and set(side["gains"][0]) >= GAIN
    assert set(side["gains"][0]["per_lift"][0]) >= PER_LIFT
    assert set(side["variants"][0]["ports"][0]) >= {
        "port", "head", "curve_area_m4_s", "mean_flow_m3_s", "runs",
    }  # fmt: skip


PER_LIFT = {"lift_m", "gain", "u95", "low", "high", "resolved", "interpolated", "expected"}

JOBS = {
    "unknown table": '[refrence]\npressure = "28 inH2O"\n[[variant]]\nname = "a"\nsheets = ["a.csv"]\n',
    "unknown key": '[reference]\npresure = "28 inH2O"\n[[variant]]\nname = "a"\nsheets = ["a.csv"]\n',
    "names twice": '[[variant]]\nname = "a"\nsheets = ["a.csv"]\n[[variant]]\nname = "a"\nsheets = ["b.csv"]\n',
    "missing sheet": '[[variant]]\nname = "a"\nsheets = ["a.csv"]\n[[variant]]\nname = "b"\nsheets = ["z.csv"]\n',
    "empty glob": '[[variant]]\nname = "a"\nsheets = ["z*.csv"]\n',
    "no toml": "[[variant]\n",
    "no variant": '[job]\ntitle = "t"\n',
    "bad unit": '[reference]\npressure = "28 bananas"\n[[variant]]\nname = "a"\nsheets = ["a.csv"]\n',
    "contradiction": '[[variant]]\nname = "a"\nsheets = ["a.csv"]\nconditions = { test_pressure = "10 inH2O" }\n',
}


@pytest.mark.parametrize("name", JOBS)
def test_jobs_that_cannot_be_used_as_they_stand(tell, name):
    told = tell("compare", "job.toml", a_csv=HEAD + ROWS, b_csv=HEAD + ROWS, job_toml=JOBS[name])
    assert told.code == 1 and told.err
    assert told.document["kind"] == "compare" and "error" in {severity for _, severity in told.rules}


def test_the_nearest_key_is_named(tell):
    assert "'reference'" in tell("compare", "job.toml", job_toml=JOBS["unknown table"]).err


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("", "a.csv"),
        ("hello\nworld;1\n", "a.csv"),
        (HEAD + ROWS.replace("75", "abc"), "a.csv:7:2"),
        (HEAD + "-" + ROWS, "a.csv:6:1"),
        (HEAD + ROWS.replace("40", "-40"), "a.csv:6:2"),
        (HEAD.replace("Test pressure;28 inH2O\n", "") + ROWS, "a.csv"),
    ],
)
def test_sheets_that_cannot_be_used_as_they_stand(tell, text, where):
    told = tell("read", "a.csv", a_csv=text)
    assert told.code == 1 and told.document["kind"] == "read"
    assert where in told.err


def test_curves_without_a_lift_in_common(tell):
    told = tell("compare", "a.csv", "b.csv", a_csv=HEAD + ROWS, b_csv=HEAD + "9;115\n10;117\n11;118\n")
    assert told.rules == [("no-common-range", "error")] and told.code == 1


def test_a_contradiction_shows_both(tell):
    told = tell("read", "a.csv", "--test-pressure", "25 inH2O", a_csv=HEAD + ROWS)
    assert told.rules == [("stated-contradicts", "error")] and told.code == 1
    assert "28 inH2O" in told.err and "25 inH2O" in told.err and "a.csv:1:2" in told.err
    assert tell("read", "a.csv", "--test-pressure", "711.2 mmH2O").rules == []


@pytest.mark.parametrize(
    "options",
    [
        ["--lift-unit", "furlong"],
        ["--test-pressure", "banana"],
        ["--fixture-bore", "83"],
        ["--humidity", "145 %"],
        ["--run", "0"],
        ["--side", "left"],
        ["--nonsense"],
    ],
)
def test_options_that_say_nothing_are_wrong_usage(tell, options):
    told = tell("read", "a.csv", *options, a_csv=HEAD + ROWS)
    assert told.code == 2 and told.err and told.document is None


def test_a_correction_that_does_not_exist_is_wrong_usage(tell):
    told = tell("compare", "a.csv", "--off", "leek", a_csv=HEAD + ROWS)
    assert told.code == 2 and "leakage" in told.err


LEAK = ("leak-large", "warning")
PLATE = ("check-off", "warning")
SLIP = ("typing-slip", "warning")


@pytest.mark.parametrize(
    ("text", "rules"),
    [
        (_smooth(), []),
        (_smooth(pressure=None), [("pressure-missing", "error")]),
        (_smooth(f"Leak;{FLOWS[0] * 0.019:.4f} CFM"), []),
        (_smooth(f"Leak;{FLOWS[0] * 0.021:.4f} CFM"), [LEAK]),
        (_smooth("Check plate reading;103.0 CFM", "Check plate nominal;100 CFM"), []),
        (_smooth("Check plate reading;103.1 CFM", "Check plate nominal;100 CFM"), [PLATE]),
        (_smooth("Check plate reading;96.9 CFM", "Check plate nominal;100 CFM"), [PLATE]),
        (_smooth("Check plate reading;110.0 CFM", "Check plate nominal;100 CFM"), [PLATE]),
        (_smooth("Check plate reading;110.2 CFM", "Check plate nominal;100 CFM"), [("check-off", "error")]),
        (_smooth(flows=_changed(10, round(FLOWS[9] * 0.9905, 1))), []),
        (_smooth(flows=_changed(10, round(FLOWS[9] * 0.988, 1))), [("falling-flow", "warning")]),
        (_smooth(flows=_changed(5, round(FLOWS[5] * 1.03, 1))), []),
        (_smooth(flows=_changed(5, round(FLOWS[5] * 1.05, 1))), [SLIP]),
        (_smooth(flows=_changed(4, 58.0)), [SLIP]),  # 85.0 with its digits swapped
        (_smooth(flows=_changed(5, 941)), [SLIP]),  # 94.1 with its point moved
    ],
)
def test_what_reading_finds(tell, text, rules):
    told = tell("read", "a.csv", a_csv=text)
    assert told.rules == rules
    assert told.code == (1 if "error" in {severity for _, severity in rules} else 0)


@pytest.mark.parametrize(("at", "flow", "meant"), [(4, 58.0, "85.0 CFM"), (5, 941, "94.1 CFM")])
def test_a_typing_slip_proposes_what_was_meant(tell, at, flow, meant):
    (finding,) = tell("read", "a.csv", a_csv=_smooth(flows=_changed(at, flow))).document["findings"]
    assert meant in finding["message"] and finding["where"] == f"a.csv:{6 + at}:2"


ONE = '[[variant]]\nname = "v"\nsheets = ["a.csv", "b.csv"]\n'
ONCE = ("few-repeats", "note")  # nothing was flowed twice


@pytest.mark.parametrize(("factor", "rules"), [(1.0397, [ONCE]), (1.042, [ONCE, ("port-uneven", "warning")])])
def test_uneven_ports(tell, factor, rules):
    other = _smooth(port=2, flows=[round(flow * factor, 3) for flow in FLOWS])
    assert tell("compare", "job.toml", a_csv=_smooth(), b_csv=other, job_toml=ONE).rules == rules


@pytest.mark.parametrize(("ratio", "unusual"), [(0.59, True), (0.61, False), (0.94, False), (0.97, True)])
def test_unusual_exhausts(tell, ratio, unusual):
    exhaust = _smooth(side="exhaust", flows=[round(flow * ratio, 3) for flow in FLOWS])
    told = tell("compare", "job.toml", a_csv=_smooth(), b_csv=exhaust, job_toml=ONE)
    assert told.rules == ([ONCE, ("ratio-unusual", "warning")] if unusual else [ONCE])


ENGINE = '[engine]\ncylinders = 4\nbore = "80 mm"\nstroke = "78 mm"\nrod = "130 mm"\ncompression_ratio = 10\n'


@pytest.mark.parametrize(("fixture", "differs"), [(80.7, False), (80.9, True)])
def test_a_fixture_unlike_the_engine(tell, fixture, differs):
    sheet = _smooth(f"Fixture bore;{fixture} mm")
    told = tell("compare", "job.toml", a_csv=sheet, job_toml=ENGINE + '[[variant]]\nname = "v"\nsheets = ["a.csv"]\n')
    assert told.rules == ([ONCE, ("fixture-differs", "warning")] if differs else [ONCE])


def test_a_valve_that_touches_the_wall(tell):
    job = '[reference]\nbore = "80 mm"\n[valves.intake]\nhead = "36 mm"\noffset = "24 mm"\n'
    job += '[[variant]]\nname = "v"\nsheets = ["a.csv"]\n'
    told = tell("correct", "job.toml", a_csv=_smooth("Fixture bore;83 mm"), job_toml=job)
    assert ("bore-impossible", "error") in told.rules and told.code == 1


def test_ports_that_do_not_match(tell):
    first, second = _smooth(), _smooth(port=2, flows=[round(flow * 1.05, 3) for flow in FLOWS])
    told = tell("compare", "a.csv", "b.csv", a_csv=first, b_csv=second)
    (gain,) = told.document["sides"]["intake"]["gains"]
    assert told.rules == [("drift-unknown", "warning"), ONCE, ("unmatched-ports", "warning")]
    assert gain["mean_flow_gain"] == pytest.approx(0.05, abs=1e-4)


def test_runs_in_two_files_are_counted(tell):
    job = '[[variant]]\nname = "v"\nsheets = ["a.csv", "b.csv"]\n'
    told = tell("correct", "job.toml", a_csv=HEAD + ROWS, b_csv=HEAD + ROWS.replace("75", "75.2"), job_toml=job)
    assert [test["run"] for test in told.document["tests"]] == [1, 2]
