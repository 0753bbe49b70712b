"""What sheets say, cell by cell: units, labels, names, gaps, provenance; factors from NIST SP 811, appendix B."""

from __future__ import annotations

import datetime

import pytest

import flowkit
from tests.acceptance.independent import CFM, INCH, INH2O, INHG, MMHG, air_density

FOOT = 0.3048**3
LIFTS = [("in", INCH), ('"', INCH), ("Inch", INCH), ("IN.", INCH), ("thou", INCH / 1000), ("MM", 1e-3), ("cm", 1e-2)]
FLOWS = [
    ("CFM", CFM), ("c.f.m.", CFM), ("ft3/min", CFM), ("ft³/min", CFM), ("CFS", FOOT), ("L/s", 1e-3), ("l / s", 1e-3),
    ("L/min", 1e-3 / 60), ("m3/h", 1 / 3600), ("m³/h", 1 / 3600), ("M3/MIN", 1 / 60), ("m³/s", 1.0),
]  # fmt: skip
PRESSURES = [
    ("inH2O", INH2O), ("in. w.c.", INH2O), ('"H2O', INH2O), ("in WG", INH2O), ("IN H2O", INH2O), ("mmH2O", 9.80665),
    ("cm H2O", 98.0665), ("Pa", 1.0), ("hPa", 100.0), ("kPa", 1000.0), ("mbar", 100.0), ("inHg", INHG), ("mmHg", MMHG),
    ("psi", 6894.757293168),
]  # fmt: skip


def _read(tmp_path, text, **stated):
    path = tmp_path / "sheet.csv"
    path.write_text(text, encoding="utf-8")
    return flowkit.read(path, flowkit.Stated(**stated)) if stated else flowkit.read(path)


def _sheet(*lines, lift="Lift (mm)", flow="Flow (CFM)", lifts=(2, 4, 6, 8), flows=(40, 75, 98, 110), who=None):
    who = ["Side;intake", "Port;1"] if who is None else who
    rows = [f"{x};{q}" for x, q in zip(lifts, flows, strict=True)]
    return "\n".join(["Test pressure;28 inH2O", *who, *lines, "", f"{lift};{flow}", *rows]) + "\n"


def _rules(result):
    return [(finding.rule, finding.severity) for finding in result.findings]


@pytest.mark.parametrize(("unit", "factor"), LIFTS)
def test_units_of_lift(tmp_path, unit, factor):
    lifts = [round(k * 0.002 / factor, 6) for k in (1, 2, 3, 4)]
    result = _read(tmp_path, _sheet(lift=f"Lift ({unit})", lifts=lifts))
    assert result.tests[0].points[-1].lift_m == pytest.approx(lifts[-1] * factor, rel=1e-12)
    assert result.tests[0].units.lift.source == "stated" and not result.findings


@pytest.mark.parametrize(("unit", "factor"), FLOWS)
def test_units_of_flow(tmp_path, unit, factor):
    scale = round(CFM / factor, 4) or 0.0005  # so that a valve of a car passes it
    flows = [round(q * scale, 6) for q in (40, 75, 98, 110)]
    result = _read(tmp_path, _sheet(flow=f"Flow ({unit})", flows=flows))
    assert result.tests[0].points[-1].flow_m3_s == pytest.approx(flows[-1] * factor, rel=1e-12)
    assert result.tests[0].units.flow.source == "stated" and not result.findings


@pytest.mark.parametrize(("unit", "factor"), PRESSURES)
def test_units_of_pressure(tmp_path, unit, factor):
    number = round(7000 / factor, 2)
    for text in (
        _sheet().replace("28 inH2O", f"{number} {unit}"),
        _sheet().replace("Test pressure;28 inH2O", f"Test pressure ({unit});{number}"),
        f"Side;intake\nPort;1\n\nLift (mm);Flow (CFM);Test pressure ({unit})\n"
        f"2;40;{number}\n4;75;{number}\n6;98;{number}\n",
    ):
        result = _read(tmp_path, text)
        test = result.tests[0]
        assert test.pressure_at(test.points[0]) == pytest.approx(number * factor, rel=1e-9)
        assert not result.findings


@pytest.mark.parametrize(("unit", "kilograms"), [("kg/h", 1 / 3600), ("g/s", 1e-3), ("lb/min", 0.45359237 / 60)])
def test_mass_flow_needs_the_air(tmp_path, unit, kilograms):
    air = ["Air temperature;20 °C", "Barometer;1000 hPa", "Humidity;50 %"]
    test = _read(tmp_path, _sheet(*air, flow=f"Flow ({unit})")).tests[0]
    assert test.points[-1].flow_m3_s == pytest.approx(110 * kilograms / air_density(293.15, 1e5, 0.5), rel=1e-9)
    without = _read(tmp_path, _sheet(flow=f"Flow ({unit})"))
    assert not without.tests and _rules(without) == [("sheet-ambiguous", "error")]


def test_standard_flow_needs_its_standard(tmp_path):
    assert _rules(_read(tmp_path, _sheet(flow="Flow (SCFM)"))) == [("sheet-ambiguous", "error")]


@pytest.mark.parametrize(
    ("largest", "unit"),
    [(0.049, None), (0.05, "in"), (1.0, "in"), (1.001, None), (1.49, None), (1.5, "mm"), (25, "mm"), (25.1, None)],
)
def test_lifts_without_a_unit(tmp_path, largest, unit):
    lifts = [round(largest * k / 4, 5) for k in (1, 2, 3)] + [largest]
    result = _read(tmp_path, _sheet(lift="Lift", lifts=lifts))
    if unit is None:
        assert not result.tests and _rules(result) == [("sheet-ambiguous", "error")]
    else:
        assert (result.tests[0].units.lift.unit, result.tests[0].units.lift.source) == (unit, "assumed")
        assert _rules(result) == [("unit-assumed", "note")]


def test_lifts_over_the_valve(tmp_path):
    text = _sheet("Valve head;40 mm", lift="L/D", lifts=(0.05, 0.1, 0.2, 0.25))
    assert _read(tmp_path, text).tests[0].points[-1].lift_m == pytest.approx(0.010)
    assert not _read(tmp_path, text.replace("Valve head;40 mm\n", "")).tests


def test_units_in_cells_are_stated(tmp_path):
    cells = ["40 CFM", "75 CFM", "98 CFM", "52 L/s"]
    result = _read(tmp_path, _sheet(lift="Lift", flow="Flow", lifts=["2 mm", "4 mm", "6 mm", "8 mm"], flows=cells))
    (test,) = result.tests
    assert (test.units.flow.source, test.units.lift.source, result.findings) == ("stated", "stated", ())
    assert (test.points[1].lift_m, test.points[3].flow_m3_s) == pytest.approx((0.004, 0.052))
    half = _read(tmp_path, _sheet(flow="Flow", flows=["40 CFM", "75", "98", "110"]))
    assert half.tests[0].units.flow.source == "assumed"
    assert [(f.rule, f.where) for f in half.findings] == [("unit-assumed", "sheet.csv:7:2")]


LABELS = {
    "SIDE": "Exhaust", "port": "01", "Run": "2", "Variant": "ported", "HEAD": "head 7", "Fixture Bore": "83 mm",
    "leak": "0.1 CFM", "Check Plate Reading": "101 CFM", "check plate nominal": "100 CFM", "air temperature": "20 °C",
    "Barometer": "1000 hPa", "humidity": "40 %", "meter temperature": "22 °C", "METER PRESSURE": "990 hPa",
    "Valve Head": "40 mm", "stem": "8 mm", "Throat": "34 mm", "seat angle": "45", "Seat Width": "1.5 mm",
    "bench": "bench B", "Date": "2026-01-02", "operator": "operator 2", "NOTES": "a note",
}  # fmt: skip


@pytest.mark.parametrize("shape", ["{};{}", "{}: {}"])
def test_labels_in_any_case(tmp_path, shape):
    result = _read(tmp_path, _sheet(*(shape.format(*pair) for pair in LABELS.items()), who=[]))
    (test,) = result.tests
    at = test.conditions
    assert not result.findings
    assert (test.side, test.port, test.run, test.variant, test.head) == ("exhaust", "01", 2, "ported", "head 7")
    assert (at.air_temperature_k, at.meter_temperature_k) == pytest.approx((293.15, 295.15))
    assert (at.test_pressure_pa, at.barometer_pa, at.meter_pressure_pa) == pytest.approx((28 * INH2O, 1e5, 99_000))
    assert (at.leak_m3_s, at.check_reading_m3_s, at.check_nominal_m3_s) == pytest.approx(
        (0.1 * CFM, 101 * CFM, 100 * CFM)
    )
    assert (at.fixture_bore_m, at.valve_diameter_m, at.stem_diameter_m, at.throat_diameter_m, at.seat_width_m) == (
        pytest.approx((0.083, 0.04, 0.008, 0.034, 0.0015))
    )
    assert (at.relative_humidity, at.seat_angle_deg) == pytest.approx((0.4, 45))
    assert (at.bench, at.date, at.operator, at.notes) == ("bench B", "2026-01-02", "operator 2", "a note")


@pytest.mark.parametrize("label", ["Meter temp F", "Meter temperature °F", "Meter temperature (°F)"])
def test_a_meter_is_no_metre(tmp_path, label):
    at = _read(tmp_path, _sheet(f"{label};77")).tests[0].conditions
    assert at.air_temperature_k is None
    assert at.meter_temperature_k == pytest.approx(298.15)
    room = _read(tmp_path, _sheet(f"{label.replace('Meter', 'Air')};77")).tests[0].conditions
    assert room.air_temperature_k == pytest.approx(298.15)


@pytest.mark.parametrize("name", ["IN {}", "IN{}", "In {}", "Int #{}", "Inlet {}"])
def test_the_second_intake_is_no_square_inch(tmp_path, name):
    heads = ";".join(name.format(port) for port in (1, 2, 3))
    text = f"Test pressure;28 inH2O\nFlow in CFM\n\nLift (mm);{heads}\n2;40;41;42\n4;75;76;77\n6;98;99;99.5\n"
    result = _read(tmp_path, text)
    assert [(test.side, test.port) for test in result.tests] == [("intake", "1"), ("intake", "2"), ("intake", "3")]
    assert not result.findings


@pytest.mark.parametrize(("text", "value"), [("45", 0.45), ("0.45", 0.45), ("45 % RH", 0.45), ("100", 1.0)])
def test_humidity_is_a_fraction(tmp_path, text, value):
    assert _read(tmp_path, _sheet(f"Humidity;{text}")).tests[0].conditions.relative_humidity == pytest.approx(value)


@pytest.mark.parametrize("text", ["105", "101 %", "-3 %"])
def test_a_humidity_that_cannot_be(tmp_path, text):
    result = _read(tmp_path, _sheet(f"Humidity;{text}"))
    assert result.tests[0].conditions.relative_humidity is None
    assert _rules(result) == [("not-a-number", "error")]


def test_inch_marks_are_water_for_tests_and_mercury_for_barometers(tmp_path):
    text = _sheet('Barometer;29.92"', "Meter pressure;29.1 in").replace("28 inH2O", '28"')
    result = _read(tmp_path, text)
    at = result.tests[0].conditions
    assert (at.test_pressure_pa, at.barometer_pa, at.meter_pressure_pa) == pytest.approx(
        (28 * INH2O, 29.92 * INHG, 29.1 * INHG)
    )
    assert _rules(result) == [("unit-assumed", "note")] * 3


def test_a_flow_at_lift_zero_is_the_leak(tmp_path):
    (test,) = _read(tmp_path, _sheet(lifts=(0, 2, 4, 6), flows=(0.6, 40, 75, 98))).tests
    assert test.conditions.leak_m3_s == pytest.approx(0.6 * CFM)
    assert [point.source for point in test.points] == ["sheet.csv:7:2", "sheet.csv:8:2", "sheet.csv:9:2"]


def test_gaps_give_no_point(tmp_path):
    marks = ["NT", "40", "n/a", "75", "", "98", "-", "110"]
    result = _read(tmp_path, _sheet(lifts=(1, 2, 3, 4, 5, 6, 7, 8), flows=marks))
    assert [round(1000 * point.lift_m) for point in result.tests[0].points] == [2, 4, 6, 8]
    assert set(_rules(result)) == {("not-a-number", "note")}


def test_a_test_pressure_of_zero_is_seen_in_the_sheet(tmp_path):
    assert _rules(_read(tmp_path, _sheet().replace("28 inH2O", "0 inH2O"))) == [("pressure-impossible", "error")]


def test_cells_of_a_workbook(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = "Blended"
    for row in (
        ["Test pressure", "28 in. w.c."], ["Date", datetime.date(2026, 3, 4)], [],
        ["Side", "Port", "Lift (in)", "Flow (CFM)"],
        ["Intake", 1, 0.1, 40], ["Intake", 1, 0.2, 75], ["Intake", 1, 0.3, 98],
        ["Intake", "02", 0.1, 41], ["Intake", "02", 0.2, 76], ["Intake", "02", 0.3, 99],
    ):  # fmt: skip
        sheet.append(row)
    book.save(tmp_path / "flow.xlsx")
    result = flowkit.read(tmp_path / "flow.xlsx")
    assert [(t.variant, t.side, t.port, t.conditions.date) for t in result.tests] == [
        ("Blended", "intake", "1", "2026-03-04"), ("Blended", "intake", "02", "2026-03-04"),
    ]  # fmt: skip
    assert result.tests[1].points[2].source == "flow.xlsx!Blended!D10"
    assert not result.findings
