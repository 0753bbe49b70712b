"""What a job file says of a meter: read from its file, and refused by name where it cannot be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from flowkit.corrections import correct
from flowkit.corrections.meter import inlined, meters_from, split_leak
from flowkit.errors import JobError
from flowkit.model import Bench
from tests.corrections.test_meters import readings

CFM = 0.3048**3 / 60
PLATE: dict[str, Any] = {"kind": "plate", "hole": "32 mm", "coefficient": 0.602, "place": "chamber"}
PERCENT: dict[str, Any] = {"kind": "percent", "scale": "linear", "full_scale": "180 CFM"}
WATER = {"liquid": "water", "liquid_temperature": "20 °C"}
CERTIFICATE = {"flow": "61 CFM", "at": "28 inH2O", "u": "0.4 %", "reading": "83 mm", "test_pressure": "26 inH2O"}


@pytest.mark.parametrize(
    "text",
    [
        "reading (mm),flow (CFM)\n0,0\n42,71\n",
        "0 mm;0 CFM\n42 mm;71 CFM\n",
        "manometer mm\tflow CFM\n\n0\t0\n42\t71\n",
    ],
)
def test_a_calibration_comes_as_a_file_of_two_columns(tmp_path: Path, text: str) -> None:
    (tmp_path / "cal.csv").write_text(text, encoding="utf-8")
    raw = {"kind": "table", "file": "cal.csv"}
    meter = meters_from(raw, tmp_path)["meter"]
    assert meter.points_unit == "mm"
    assert [reading for reading, _ in meter.points] == [0, 42]
    assert [flow / CFM for _, flow in meter.points] == pytest.approx([0, 71])
    whole = inlined({"small": raw, "other": PLATE}, tmp_path)
    assert whole["small"] == {"kind": "table", "points": [["0 mm", "0 CFM"], ["42 mm", "71 CFM"]]}
    assert whole["other"] == PLATE


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({"small": 3}, "has no kind, and 'small' is not a meter"),
        ({"a b": PLATE, "AB": PLATE}, "cannot be distinguished from another meter"),
        ({"kind": "rotameter"}, "has no known kind"),
        ({"kind": "table", "file": "none.csv"}, "names the file 'none.csv', which cannot be read"),
        ({"kind": "table", "file": "wide.csv"}, "with a row of 3 columns"),
        ({"kind": "table", "points": [["a", "b"]]}, "has a point"),
        ({"kind": "table", "points": [["1 mm", "2 CFM"], ["2 mm", "1 CFM"]]}, "not strictly rising in one unit"),
        ({"kind": "table", "points": [["1 mm", "2 CFM"], ["2 V", "3 CFM"]]}, "not strictly rising in one unit"),
        ({"kind": "table", "points": [["1 mm", "2 dB"], ["2 mm", "3 dB"]]}, "has points = '2 dB'"),
        ({**PLATE, "area": "800 mm²"}, "states hole and area"),
        ({**PLATE, "place": "roof"}, "has place = 'roof'"),
        ({**PLATE, "zero": "none"}, "has zero = 'none', which is not a reading"),
        ({**PLATE, "manometer": 3}, "has manometer = 3"),
        ({**PLATE, "manometer": {"angle": "30°"}}, "must state liquid or density"),
        ({**PLATE, "manometer": {**WATER, "liquid": "oil"}}, "has liquid = 'oil'"),
        (
            {**PLATE, "manometer": {"density": "826 kg/m3", "expansion": "0.0009 1/K"}},
            "one of density_at and expansion",
        ),
        ({**PERCENT, "full_scale": "180"}, "has full_scale = '180'"),
        ({"kind": "orifice", "bore": "60 mm", "pipe": "30 mm", "taps": "corner"}, "bore that is not smaller"),
        ({"kind": "nozzle", "bore": "30 mm", "pipe": "60 mm", "shape": "toroidal"}, "has shape = 'toroidal'"),
        ({"kind": "pitot", "pipe": "60 mm", "rule": "single", "factor": 1}, "lacks profile"),
        ({**PLATE, "certificate": {}}, "certificate 1 lacks flow"),
        ({**PLATE, "certificate": {**CERTIFICATE, "reading": "high"}}, "has reading = 'high'"),
        ({**PLATE, "certificate": {**CERTIFICATE, "humidity": "40 %"}}, "states the day's air in part"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, raw: dict[str, Any], words: str) -> None:
    (tmp_path / "wide.csv").write_text("1,2,3\n", encoding="utf-8")
    with pytest.raises(JobError) as error:
        meters_from(raw, tmp_path)
    assert words in str(error.value)


@pytest.mark.parametrize(
    ("raw", "test", "rule"),
    [
        ([], readings([20.0], "mm"), "meter-missing"),
        ([PLATE], readings([20.0], ""), "meter-unit"),
        ([PLATE], readings([20.0], "mm"), "meter-unit"),  # a length of liquid, and no manometer
        ([PLATE], readings([20.0], "V"), "meter-unit"),
        ([{**PLATE, "manometer": {"liquid": "water"}}], readings([20.0], "mm"), "meter-unit"),
        ([{**PLATE, "place": {"exhaust": "room"}}], readings([2.0], "kPa"), "meter-missing"),
        ([PLATE], readings([2.0], "kPa", side=None), "side-missing"),
        ([PLATE], readings([2.0], "kPa", pressure=None), "pressure-missing"),
        ([PLATE], readings([200.0], "kPa"), "meter-beyond"),
        ([PLATE], readings([2.0], "kPa", relative_humidity=None), "meter-air-missing"),
        ([PLATE], readings([(2.0, 2.1)], "kPa"), "meter-unit"),
        ([PLATE], readings([2.0], "kPa", zero_reading="none"), "meter-unit"),
        ([PLATE, PLATE], readings([2.0], "kPa"), "meter-unknown"),
        ([PLATE], readings([2.0], "kPa", rows=[{"meter": "large"}]), "meter-unknown"),
        ([PERCENT], readings([20.0], "mm"), "meter-unit"),
        ([PERCENT], readings([101.0], "%"), "meter-beyond"),
        ([PERCENT], readings([20.0], "%", rows=[{"range": "wide"}]), "meter-unknown"),
        ([{**PERCENT, "at": "25 inH2O"}], readings([20.0], "%", pressure=None), "pressure-missing"),
        ([{**PERCENT, "at": "25 inH2O"}], readings([20.0], "%", pressure=7000.0), "meter-pressure"),
        (
            [{**PERCENT, "at": "25 inH2O", "element": "orifice", "place": "chamber"}],
            readings([20.0], "%", pressure=7000.0, barometer_pa=None),
            "meter-air-missing",
        ),
    ],
)
def test_a_reading_that_gives_no_flow_is_an_error(raw: list[dict[str, Any]], test: Any, rule: str) -> None:
    meters = {str(number): meters_from(item)["meter"] for number, item in enumerate(raw)}
    result = correct([test], bench=Bench(), meters=meters)
    assert result.tests == ()
    assert rule in [finding.rule for finding in result.findings if finding.severity == "error"]


def test_a_leak_is_taken_apart() -> None:
    found = split_leak("3 mm on small at 294.15 K into 480 hPa @low")
    assert found is not None
    reading, names = found
    assert (reading.value, reading.unit, names) == ((3.0,), "mm", ["small"])
    assert (reading.temperature_k, reading.outlet_pa) == (294.15, 48_000.0)
    assert split_leak("3.1 % @low") == (type(reading)((3.1,), "%"), ["low"])
    assert split_leak("none") is None
