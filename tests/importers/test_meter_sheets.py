"""Sheets of what a meter showed: which column is a reading, whose it is, and what is said beside the table."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowkit import CorrectionResult, Job, read
from flowkit.importers.words.vocabulary import LANGUAGES, WORDS
from flowkit.model import FlowTest

HEAD = (
    "State,as received\nTest pressure,10 inH2O\nAir temperature,21 °C\nBarometer,1002 hPa\nHumidity,45 %\n"
    "Liquid temperature,20 °C\n"
)
METER = """
[meter]
kind = "plate"
hole = "40 mm"
coefficient = 0.61
place = "chamber"
manometer = { liquid = "water" }
"""
ROWS = "2,41.5,31.5\n4,122.5,102.5\n6,180.1,160.1\n8,210.2,190.2\n"


def job(folder: Path, sheet: str, meter: str = METER) -> CorrectionResult:
    """Correct one sheet with a meter."""
    (folder / "a.csv").write_text(sheet, encoding="utf-8")
    (folder / "job.toml").write_text(f'[[variant]]\nname = "a"\nsheets = ["a.csv"]\n{meter}', encoding="utf-8")
    return Job.load(folder / "job.toml").correct()


def sheet(folder: Path, text: str) -> tuple[FlowTest, ...]:
    """Read one sheet."""
    (folder / "a.csv").write_text(text, encoding="utf-8")
    return read(folder / "a.csv").tests


def rules(result: CorrectionResult) -> dict[str, str]:
    """Rule to message."""
    return {finding.rule: finding.message for finding in result.findings}


BOTH = HEAD + "\nLift (mm),Intake 1 manometer (mm),Intake 1 flow (CFM)\n0,1,0.7\n2,41.5,42\n4,122.5,72\n6,180.1,{}\n"


def test_with_a_meter_the_readings_count_and_without_one_the_flows(tmp_path: Path) -> None:
    (test,) = sheet(tmp_path, BOTH.format(101))
    assert [point.reading and point.reading.value for point in test.points] == [(41.5,), (122.5,), (180.1,)]
    assert test.units.flow.unit == "CFM"
    assert test.units.reading is not None and test.units.reading.unit == "mm"
    with_meter = job(tmp_path, BOTH.format(101))
    only = job(tmp_path, BOTH.replace(",Intake 1 flow (CFM)", "").replace(",{}", "").replace(",0.7", "")
               .replace("41.5,42", "41.5").replace("122.5,72", "122.5"))  # fmt: skip
    assert [p.flow_m3_s for p in with_meter.tests[0].points] == [p.flow_m3_s for p in only.tests[0].points]
    assert "the readings count" in rules(with_meter)["column-ignored"]
    assert rules(with_meter)["meter-disagrees"].startswith("The reading gives 13.7 % less than the flow beside it")
    assert "meter-disagrees" not in rules(job(tmp_path, BOTH.format(87.5)))
    without = job(tmp_path, BOTH.format(101), "")
    assert without.tests[0].points[2].reading_m3_s == pytest.approx(101 * 0.3048**3 / 60)
    assert "the flows count" in rules(without)["column-ignored"]


def test_a_flow_without_its_reading_is_said(tmp_path: Path) -> None:
    found = job(tmp_path, BOTH.format(101).replace("4,122.5,72", "4,-,72"))
    assert len(found.tests[0].points) == 2
    assert "no reading beside it" in rules(found)["reading-missing"]


def test_a_reading_of_no_one_flow_is_left_out(tmp_path: Path) -> None:
    text = HEAD + "\nLift (mm),Manometer (mm),Intake 1 (CFM),Intake 2 (CFM)\n2,41,30,31\n4,122,60,61\n6,180,80,81\n"
    (tmp_path / "a.csv").write_text(text)
    result = read(tmp_path / "a.csv")
    assert not any(point.reading for test in result.tests for point in test.points)
    assert [finding.rule for finding in result.findings] == ["column-ignored"]


def test_each_side_has_its_own_test_pressure(tmp_path: Path) -> None:
    """Two columns of pressure beside two of readings: each is of its own side."""
    text = (
        HEAD.replace("Test pressure,10 inH2O\n", "")
        + "\nLift (mm),Intake 1 manometer (mm),Intake test pressure (inH2O),Exhaust 1 manometer (mm),"
        "Exhaust test pressure (inH2O)\n2,41.5,10,31.5,5\n4,122.5,10,102.5,5\n6,180.1,10,160.1,5\n"
    )
    first, second = sheet(tmp_path, text)
    assert [first.pressure_at(point) for point in first.points] == pytest.approx([2490.8891] * 3)
    assert [second.pressure_at(point) for point in second.points] == pytest.approx([1245.44455] * 3)


def test_rows_of_pressure_and_leak_hold_for_the_readings_above(tmp_path: Path) -> None:
    text = (
        HEAD.replace("Test pressure,10 inH2O\n", "") + "\nLift (mm),Intake 1 manometer (mm),Exhaust 1 manometer (mm)\n"
        "Test pressure (inH2O),10,5\nLeak reading (mm),3,2\n" + ROWS
    )
    first, second = sheet(tmp_path, text)
    assert (first.conditions.leak_reading, second.conditions.leak_reading) == ("3 mm", "2 mm")
    assert second.conditions.test_pressure_pa == pytest.approx(1245.44455)


@pytest.mark.parametrize(
    ("lines", "wanted"),
    [
        ("Leak reading before,3.1 mm\nLeak reading after,4.1 mm\n", "3.1 mm; 4.1 mm"),
        ("Leak reading,3.1,%,low\nLeak reading,5 %\n", "3.1 %@low; 5 %"),
        ("Leak reading (mm),3.1\n", "3.1 mm"),
    ],
)
def test_leaks_beside_the_table(lines: str, wanted: str, tmp_path: Path) -> None:
    (test, _) = sheet(tmp_path, HEAD + lines + "\nLift (mm),Intake 1 manometer (mm),Exhaust 1 manometer (mm)\n" + ROWS)
    assert test.conditions.leak_reading == wanted


def test_leaks_before_and_after_are_averaged_as_flows(tmp_path: Path) -> None:
    table = "\nLift (mm),Intake 1 manometer (mm)\n2,41.5\n4,122.5\n6,180.1\n"
    leaks = {}
    for name, lines in {
        "both": "Leak reading before,1 mm\nLeak reading after,4 mm\n", "before": "Leak reading,1 mm\n",
        "after": "Leak reading,4 mm\n",
    }.items():  # fmt: skip
        line = next(
            line for line in job(tmp_path, HEAD + lines + table).tests[0].ledger if line.correction == "leakage"
        )
        leaks[name] = line.offset_m3_s[0] if line.offset_m3_s else 0.0
    assert leaks["both"] == pytest.approx((leaks["before"] + leaks["after"]) / 2)
    assert leaks["after"] == pytest.approx(2 * leaks["before"], rel=1e-3)  # a square-root meter


def test_leaks_of_a_bench_that_shows_flows_are_averaged_too(tmp_path: Path) -> None:
    text = HEAD + "Leak before,0.4 CFM\nLeak after,0.8 CFM\n\nLift (mm),Intake 1 (CFM)\n2,30\n4,60\n6,80\n"
    (test,) = sheet(tmp_path, text)
    assert test.conditions.leak_m3_s == pytest.approx(0.6 * 0.3048**3 / 60)


def test_a_leak_in_readings_beside_flows_is_no_silent_loss(tmp_path: Path) -> None:
    text = HEAD + "Leak reading,3 %\n\nLift (mm),Intake 1 (CFM)\n2,30\n4,60\n6,80\n"
    found = job(tmp_path, text, "")
    assert ("meter-missing", "error") in {(item.rule, item.severity) for item in found.findings}


def test_zero_before_and_after(tmp_path: Path) -> None:
    lines = "Zero reading before,1 mm\nZero reading after,2 mm\n"
    (test,) = sheet(tmp_path, HEAD + lines + "\nLift (mm),Intake 1 manometer (mm)\n2,41.5\n4,122.5\n6,180.1\n")
    assert test.conditions.zero_reading == "1 mm; 2 mm"


def test_a_unit_that_only_the_meter_names_is_not_asked_for(tmp_path: Path) -> None:
    text = HEAD + "\nLift (mm),Intake 1 manometer\n2,41.5\n4,122.5\n6,180.1\n"
    assert "sheet-ambiguous" in rules(job(tmp_path, text))
    found = job(tmp_path, text, METER + 'reading_unit = "mm"\n')
    headed = job(tmp_path, text.replace("manometer\n", "manometer (mm)\n"))
    assert [p.flow_m3_s for p in found.tests[0].points] == [p.flow_m3_s for p in headed.tests[0].points]


def test_meters_of_different_units_say_which_holds_for_their_rows(tmp_path: Path) -> None:
    text = HEAD + "\nLift (mm),Intake 1 meter reading,Meter\n2,30,scale\n4,60,scale\n6,180.1,tube\n"
    meters = METER.replace("[meter]", "[meter.tube]") + 'reading_unit = "mm"\n' + (
        '[meter.scale]\nkind = "percent"\nscale = "linear"\nfull_scale = "100 CFM"\nreading_unit = "%"\n'
    )  # fmt: skip
    found = job(tmp_path, text, meters)
    tube = job(tmp_path, HEAD + "\nLift (mm),Intake 1 manometer (mm)\n2,1\n4,2\n6,180.1\n")
    flows = [point.reading_m3_s for point in found.tests[0].points]
    assert flows[:2] == [pytest.approx(share * 100 * 0.3048**3 / 60) for share in (0.3, 0.6)]
    assert flows[2] == tube.tests[0].points[2].reading_m3_s


def test_slips_falls_and_leaks_are_seen_in_readings_too(tmp_path: Path) -> None:
    rows = "0,1.0\n2,41.5\n4,122.5\n6,810.1\n8,210.2\n10,225.3\n12,205.4\n"
    found = job(tmp_path, HEAD + "\nLift (mm),Intake 1 manometer (mm)\n" + rows)
    assert {"typing-slip", "falling-flow", "leak-large"} <= set(rules(found))


RANGES = """
[meter]
kind = "percent"
scale = "linear"
full_scale = { low = "60 CFM", high = "180 CFM" }
"""
CFM = 0.3048**3 / 60


def test_each_column_of_readings_has_the_range_beside_it(tmp_path: Path) -> None:
    """Words between the columns end no table: the exhaust behind them is there, and each has its own range."""
    text = (
        HEAD + "\nLift (mm),Intake range,Intake 1 meter (%),Exhaust range,Exhaust 1 meter (%)\n"
        "2,low,50,low,40\n4,high,30,low,60\n6,high,50,high,30\n"
    )
    intake, exhaust = job(tmp_path, text, RANGES).tests
    assert [point.reading_m3_s / CFM for point in intake.points] == pytest.approx([30, 54, 90])
    assert [point.reading_m3_s / CFM for point in exhaust.points] == pytest.approx([24, 36, 54])


def test_words_between_flows_end_no_table(tmp_path: Path) -> None:
    text = (
        HEAD
        + "\nLift (mm),Intake 1 (CFM),Range,Exhaust 1 (CFM),Range\n2,41,low,42,low\n4,60,low,61,a\n6,80,high,81,b\n"
    )
    assert [(test.side, len(test.points)) for test in sheet(tmp_path, text)] == [("intake", 3), ("exhaust", 3)]


def test_a_leak_at_lift_zero_is_read_on_its_own_rows_range(tmp_path: Path) -> None:
    text = HEAD + "\nLift (mm),Range,Intake 1 meter (%)\n2,high,20\n4,high,40\n6,high,50\n0,low,3\n"
    (test,) = job(tmp_path, text, RANGES).tests
    assert test.ledger[1].offset_m3_s == pytest.approx([-0.03 * 60 * CFM] * 3)


@pytest.mark.parametrize(
    ("lines", "leak", "rule"),
    [
        ("Leak reading,3 %\n", None, "meter-unknown"),  # on which of the two?
        ("Leak reading,3 %,low\nLeak reading,2 %\n", (1.8, 3.6, 3.6), None),  # the other is of the other range
        ("Leak reading,3 %,low\nLeak reading,2 %,high\n", (1.8, 3.6, 3.6), None),
    ],
)
def test_a_leak_of_a_range(lines: str, leak: tuple[float, ...] | None, rule: str | None, tmp_path: Path) -> None:
    text = HEAD + lines + "\nLift (mm),Range,Intake 1 meter (%)\n2,low,40\n4,high,40\n6,high,50\n"
    found = job(tmp_path, text, RANGES)
    offsets = found.tests[0].ledger[1].offset_m3_s
    assert (offsets is None) if leak is None else offsets == pytest.approx([-item * CFM for item in leak])
    assert [item.rule for item in found.findings if item.severity == "error"] == ([rule] if rule else [])


def test_a_check_plate_of_a_range(tmp_path: Path) -> None:
    table = "\nLift (mm),Range,Intake 1 meter (%)\n2,low,40\n4,high,40\n6,high,50\n"
    named = job(tmp_path, HEAD + "Check plate reading,80 %,high\nCheck plate nominal,150 CFM\n" + table, RANGES)
    assert named.tests[0].conditions.check_reading_m3_s == pytest.approx(144 * CFM)
    bare = job(tmp_path, HEAD + "Check plate reading,80 %\nCheck plate nominal,150 CFM\n" + table, RANGES)
    assert "names no range or meter" in rules(bare)["meter-unknown"]


def test_a_leak_at_lift_zero_has_all_positions_and_the_rows_air(tmp_path: Path) -> None:
    pitot = '[meter]\nkind = "pitot"\npipe = "60 mm"\nrule = "log-linear"\ncount = 2\nfactor = 1\nplace = "room"\n'
    head = HEAD + "\nLift (mm),Meter temperature (°C),Pitot reading 1 (Pa),Pitot reading 2 (Pa)\n"
    text = (
        head.replace("Test pressure", "Side,intake\nTest pressure") + "2,24,100,150\n4,26,200,250\n6,27,300,350\n{}\n"
    )
    (test,) = job(tmp_path, text.format("0,30,4,9"), pitot).tests
    assert test.ledger[1].offset_m3_s is not None
    closed = -test.ledger[1].offset_m3_s[0]
    same = job(tmp_path, text.format("8,30,4,9"), pitot).tests[0].points[-1]
    assert closed == pytest.approx(same.reading_m3_s, rel=1e-12)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_meter_is_known_in_every_language(language: str, tmp_path: Path) -> None:
    """The reading's column, the zero, the liquid's temperature and the leaks before and after."""
    first = {kind: WORDS[kind][language][0] for kind in ("lift", "zero_reading", "leak_before", "leak_after")}
    temperature = WORDS["liquid_temperature"][language][0]
    for word in WORDS["meter"][language]:
        text = (
            HEAD.replace("Liquid temperature", temperature)
            + f"{first['zero_reading']},1.5 mm\n{first['leak_before']},3 mm\n{first['leak_after']},4 mm\n\n"
            + f"{first['lift']} (mm),{word} (mm)\n2,41.5\n4,122.5\n6,180.1\n8,210.2\n"
        )
        tests = sheet(tmp_path, text)
        assert len(tests) == 1, word
        assert [p.reading.value[0] for p in tests[0].points if p.reading] == [41.5, 122.5, 180.1, 210.2], word
        assert tests[0].conditions.zero_reading == "1.5 mm"
        assert tests[0].conditions.leak_reading == "3 mm; 4 mm"
        assert tests[0].conditions.liquid_temperature_k == pytest.approx(293.15)
