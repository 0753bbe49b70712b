"""The blank sheet: what stands on it, and that it reads back filled in without one assumption."""

from __future__ import annotations

import csv
import datetime
import io
import math
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet
from pypdf import PdfReader

from flowkit import Job
from flowkit.cli.app import run
from flowkit.errors import SheetError, UnitError
from flowkit.importers import read
from flowkit.importers.sheets.blank import MeterSheet, lifts_by_fraction, lifts_by_step, write_blank
from flowkit.units import to_si

IN = 0.0254
SHEETS: dict[str, dict[str, Any]] = {
    "plain": {"step_m": 0.001, "top_m": 0.012},
    "inches, first port three times": {
        "step_m": 0.05 * IN,
        "top_m": 0.5 * IN,
        "lift_unit": "in",
        "runs": {"1": 3},
    },
    "one port by fractions": {
        "valve_diameter_m": 0.035,
        "ports": ["1"],
        "sides": ["intake"],
        "flow_unit": "L/s",
        "pressure_unit": "Pa",
    },
    "eight ports twice, a table for each side": {
        "step_m": 0.001,
        "top_m": 0.012,
        "ports": list("12345678"),
        "runs": 2,
        "flow_unit": "m³/h",
        "pressure_unit": "mbar",
    },
    "named ports": {"lifts_m": [0.004, 0.002], "ports": ["front", "rear"], "sides": ["exhaust"], "lift_unit": "thou"},
    "numbers with a nought": {"step_m": 0.002, "top_m": 0.01, "ports": ["01", "02"]},
}
TEXTS = {
    "Head": "hill-climb head",
    "Variant": "ports blended",
    "Bench": "bench B",
    "Operator": "operator 2",
    "Entry fitting": "radius 12 mm",
    "Exit fitting": "straight, 100 mm",
    "Notes": "third port repeated; it wobbled, twice",
}
FIGURES = {
    "Test pressure": (28.0, "inH2O", 28.0, "inH2O"),
    "Fixture bore": (81.5, "mm", 3.209, "in"),
    "Air temperature": (21.0, "°C", 70.0, "°F"),
    "Barometer": (1001.0, "hPa", 29.6, "inHg"),
    "Humidity": (45.0, "%", 45.0, "%"),
    "Check plate reading": (60.4, "CFM", 60.4, "CFM"),
    "Check plate nominal": (60.0, "CFM", 60.0, "CFM"),
    "valve head": (35.0, "mm", 1.378, "in"),
    "stem": (7.0, "mm", 0.276, "in"),
    "throat": (30.0, "mm", 1.181, "in"),
    "seat angle": (45.0, "°", 45.0, "°"),
    "seat width": (1.5, "mm", 0.059, "in"),
}


def value_for(label: str) -> str | float | datetime.date:
    """What an operator writes behind a label."""
    name, _, unit = label.partition(" [")
    unit = unit.rstrip("]")
    if name == "Date":
        return datetime.date(2026, 3, 18)
    if name in TEXTS:
        return TEXTS[name]
    known = next(figures for key, figures in FIGURES.items() if name == key or name.endswith(" " + key))
    if unit in (known[1], known[3]):
        return known[0] if unit == known[1] else known[2]
    if name == "Test pressure":
        return {"Pa": 6970.0, "mbar": 70.0}[unit]
    return known[0]


def flow_at(nth: int, column: int) -> float:
    return round(140 * math.tanh(nth / 5) * (1 + 0.002 * (column % 3)), 1)


def fill_xlsx(path: Path) -> int:
    """Fill a workbook in; return how many flows were written."""
    book = openpyxl.load_workbook(path)
    sheet = book.worksheets[0]
    top = next(row for row in range(1, 60) if sheet.cell(row, 1).value == "Lift")
    ends = {(area.min_row, area.min_col): area.max_col for area in sheet.merged_cells.ranges}
    for (row, column), end in sorted(ends.items()):
        label = sheet.cell(row, column).value
        if 2 <= row < top and isinstance(label, str) and sheet.cell(row, column).protection.locked:
            assert not sheet.cell(row, end + 1).protection.locked
            sheet.cell(row, end + 1).value = value_for(label)
    written = nth = 0
    for row in range(top, sheet.max_row + 1):
        place = sheet.cell(row, 1).value
        if place == "Lift":
            columns = [n for n in range(2, sheet.max_column + 1) if sheet.cell(row, n).value]
            nth = 0
        elif place == "Leak" or isinstance(place, (int, float)):
            nth += 1
            for column in columns:
                assert not sheet.cell(row, column).protection.locked
                sheet.cell(row, column).value = 0.1 if place == "Leak" else flow_at(nth, column)
                written += place != "Leak"
    book.save(path)
    return written


def fill_csv(path: Path) -> int:
    """Fill a text file in; return how many flows were written."""
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    out = io.StringIO()
    written, nth, table = 0, 0, False
    for row in rows:
        if row and row[0].startswith("#"):
            out.write(",".join(row) + "\n")
            continue
        filled = row
        table = table or row[:1] == ["Lift"]
        nth = 0 if row[:1] == ["Lift"] else nth
        if row and not table:
            filled = [row[0], str(value_for(row[0]))]
        elif row and table and row[1] == "":
            nth += 1
            leak = row[0] == "Leak"
            filled = [row[0], *("0.1" if leak else str(flow_at(nth, n)) for n in range(2, len(row) + 1))]
            written += 0 if leak else len(row) - 1
        csv.writer(out, lineterminator="\n").writerow(filled)
    path.write_text(out.getvalue(), encoding="utf-8-sig")
    return written


@pytest.mark.parametrize("suffix", ["xlsx", "csv"])
@pytest.mark.parametrize("name", SHEETS)
def test_filled_in_it_reads_back_without_one_assumption(tmp_path: Path, name: str, suffix: str) -> None:
    asked = SHEETS[name]
    path = write_blank(tmp_path / f"bench.{suffix}", **asked)
    written = fill_xlsx(path) if suffix == "xlsx" else fill_csv(path)
    result = read(path)
    assert result.findings == ()
    assert sum(len(test.points) for test in result.tests) == written > 0
    sides, ports = asked.get("sides", ["intake", "exhaust"]), asked.get("ports", ["1", "2", "3", "4"])
    runs = asked.get("runs", 1)
    expected = [
        (side, port, run)
        for side in sides
        for port in ports
        for run in range(1, (runs if isinstance(runs, int) else runs.get(port, 1)) + 1)
    ]
    assert [(test.side, test.port, test.run) for test in result.tests] == expected
    test = result.tests[0]
    assert (test.variant, test.head) == ("ports blended", "hill-climb head")
    assert test.units.lift.unit == asked.get("lift_unit", "mm")
    assert {test.units.lift.source, test.units.flow.source} == {"stated"}
    unit = asked.get("flow_unit", "CFM")
    assert test.points[0].flow_m3_s == pytest.approx(to_si(flow_at(1, 2), unit), rel=1e-12)
    known = test.conditions
    assert known.leak_m3_s == pytest.approx(to_si(0.1, unit))
    assert known.relative_humidity == pytest.approx(0.45)
    assert known.seat_angle_deg == 45.0
    assert known.fixture_bore_m == pytest.approx(0.0815, abs=1e-5)
    assert known.valve_diameter_m == pytest.approx(0.035, abs=1e-5)
    assert known.test_pressure_pa == pytest.approx(6974.49, rel=0.005)
    assert known.air_temperature_k == pytest.approx(294.2, abs=0.1)
    assert known.barometer_pa == pytest.approx(100_150, rel=2e-3)
    assert (known.date, known.bench, known.operator) == ("2026-03-18", "bench B", "operator 2")
    assert (known.entry_fitting, known.exit_fitting) == (TEXTS["Entry fitting"], TEXTS["Exit fitting"])
    assert known.notes == TEXTS["Notes"]
    assert known.check_reading_m3_s == pytest.approx(to_si(60.4, unit))


def sheet_of(path: Path) -> Worksheet:
    return openpyxl.load_workbook(path).worksheets[0]


def test_cells_take_no_negative_figures_and_labels_are_protected(tmp_path: Path) -> None:
    sheet = sheet_of(write_blank(tmp_path / "a.xlsx", step_m=0.002, top_m=0.012))
    assert sheet.protection.sheet
    top = next(row for row in range(1, 60) if sheet.cell(row, 1).value == "Lift")
    rules = {rule.type: rule for rule in sheet.data_validations.dataValidation if rule.operator != "between"}
    flows = rules["decimal"]
    assert (flows.operator, flows.formula1) == ("greaterThanOrEqual", "0")
    assert "zero up" in (flows.error or "")
    for column in range(2, 10):
        for row in range(top + 2, top + 9):
            place = sheet.cell(row, column)
            assert place.coordinate in flows.sqref
            assert not place.protection.locked
    assert sheet.cell(top, 2).protection.locked and sheet.cell(top + 2, 1).protection.locked
    assert [sheet.cell(top + 2 + n, 1).value for n in range(7)] == [2, 4, 6, 8, 10, 12, "Leak"]


def test_known_values_are_filled_in_and_never_as_formulas(tmp_path: Path) -> None:
    known = {"head": '=HYPERLINK("x")', "test pressure": 28.0}
    path = write_blank(tmp_path / "a.xlsx", step_m=0.002, top_m=0.012, known=known)
    values = {cell.value: cell.data_type for row in sheet_of(path).iter_rows() for cell in row if cell.value}
    assert values['=HYPERLINK("x")'] == "s"
    assert values[28.0] == "n"
    text = write_blank(tmp_path / "a.csv", step_m=0.002, top_m=0.012, known=known).read_text(encoding="utf-8-sig")
    assert "Test pressure [inH2O],28.0" in text


@pytest.mark.parametrize("name", ["plain", "eight ports twice, a table for each side"])
def test_page_is_one_page(tmp_path: Path, name: str) -> None:
    sheet = sheet_of(write_blank(tmp_path / "a.xlsx", **SHEETS[name]))
    assert sheet.page_setup.fitToWidth == sheet.page_setup.fitToHeight == 1
    assert sheet.sheet_properties.pageSetUpPr is not None and sheet.sheet_properties.pageSetUpPr.fitToPage
    assert sheet.page_setup.orientation == ("portrait" if name == "plain" else "landscape")
    assert sheet.print_area


@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs a spreadsheet program that prints")
def test_printed_it_is_one_page(tmp_path: Path) -> None:
    path = write_blank(tmp_path / "a.xlsx", **SHEETS["eight ports twice, a table for each side"])
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    subprocess.run(
        ["soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path), str(path)],
        check=True,
        capture_output=True,
        timeout=120,
    )
    pages = PdfReader(tmp_path / "a.pdf").pages
    assert len(pages) == 1
    text = " ".join(pages[0].extract_text().split())
    assert "Flow test sheet" in text and "Exhaust 8 run 2" in text and "Leave empty" in text


def test_never_over_an_existing_file(tmp_path: Path) -> None:
    for suffix in (".xlsx", ".csv"):
        path = tmp_path / f"a{suffix}"
        path.write_text("filled in")
        with pytest.raises(SheetError, match="this file already exists"):
            write_blank(path, step_m=0.001, top_m=0.01)
        assert path.read_text() == "filled in"
    link = tmp_path / "link.csv"
    link.symlink_to(tmp_path / "nowhere.csv")
    with pytest.raises(SheetError, match="this file already exists"):
        write_blank(link, step_m=0.001, top_m=0.01)


def test_a_file_that_appears_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    real = os.link

    def late(source: Path, target: Path) -> None:
        path.write_text("filled in")
        real(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(SheetError, match="this file already exists"):
        write_blank(path, step_m=0.001, top_m=0.01)
    assert path.read_text() == "filled in"
    assert [item.name for item in tmp_path.iterdir()] == ["a.csv"]


def test_where_there_are_no_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", none)
    assert write_blank(tmp_path / "a.csv", step_m=0.001, top_m=0.01).exists()
    assert [item.name for item in tmp_path.iterdir()] == ["a.csv"]


def test_place_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(SheetError, match="cannot be written"):
        write_blank(tmp_path / "missing" / "a.csv", step_m=0.001, top_m=0.01)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "chmod", full)
    with pytest.raises(SheetError, match="No space left"):
        write_blank(tmp_path / "a.csv", step_m=0.001, top_m=0.01)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({}, "needs its lifts"),
        ({"step_m": 0.001}, "needs its lifts"),
        ({"step_m": 0.0, "top_m": 0.01}, "above zero"),
        ({"step_m": 0.001, "top_m": math.inf}, "above zero"),
        ({"step_m": 0.00001, "top_m": 0.01}, "a page holds 60"),
        ({"valve_diameter_m": -1.0}, "above zero"),
        ({"valve_diameter_m": 0.035, "top_m": 0.001}, "no lift is left"),
        ({"lifts_m": []}, "needs a lift"),
        ({"lifts_m": [0.0]}, "must be above zero"),
        ({"lifts_m": [0.001], "ports": []}, "needs a lift, a side, a port"),
        ({"lifts_m": [0.001], "runs": 0}, "needs a lift, a side, a port and a run"),
        ({"lifts_m": [0.001], "runs": 30}, "1 lifts and 120 columns do not fit on a page"),
        ({"step_m": 0.0005, "top_m": 0.0145, "runs": 3}, "29 lifts and 12 columns"),
        ({"lifts_m": [0.001], "ports": [" "]}, "cannot be the name of a port"),
    ],
)
def test_sheets_that_cannot_be(tmp_path: Path, asked: dict[str, Any], message: str) -> None:
    with pytest.raises(SheetError, match=message):
        write_blank(tmp_path / "a.csv", **asked)
    assert list(tmp_path.iterdir()) == []


def test_units_and_endings_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(UnitError, match="bananas"):
        write_blank(tmp_path / "a.csv", step_m=0.001, top_m=0.01, flow_unit="bananas")
    with pytest.raises(UnitError, match="not of flow"):
        write_blank(tmp_path / "a.csv", step_m=0.001, top_m=0.01, flow_unit="mm")
    with pytest.raises(SheetError, match=r"not '\.pdf'"):
        write_blank(tmp_path / "a.pdf", step_m=0.001, top_m=0.01)


def test_lifts() -> None:
    assert lifts_by_step(0.001, 0.003) == (0.001, 0.002, 0.003)
    assert lifts_by_step(0.1 * IN, 0.25 * IN) == pytest.approx((0.1 * IN, 0.2 * IN, 0.25 * IN))
    assert lifts_by_step(0.01, 0.01) == (0.01,)
    with pytest.raises(SheetError, match="step of the lifts is larger"):
        lifts_by_step(0.02, 0.01)
    assert lifts_by_fraction(0.04, (0.1, 0.05, 0.1), None) == (0.002, 0.004)


def test_a_blank_that_was_not_filled_in_says_so(tmp_path: Path) -> None:
    for name in ("blank.xlsx", "blank.csv"):
        result = read(write_blank(tmp_path / name, step_m=0.001, top_m=0.01))
        assert not result.tests
        assert [finding.rule for finding in result.findings] == ["sheet-ambiguous"]
        assert "no flows yet; fill them in" in result.findings[0].message


@pytest.mark.parametrize("ports", [["1", "1"], ["rear", "2", "Rear"]])
def test_a_port_named_twice_is_refused(tmp_path: Path, ports: list[str]) -> None:
    with pytest.raises(SheetError, match="is named twice"):
        write_blank(tmp_path / "a.csv", step_m=0.001, top_m=0.01, ports=ports)


def test_a_csv_does_not_speak_of_white_cells(tmp_path: Path) -> None:
    text = write_blank(tmp_path / "a.csv", step_m=0.001, top_m=0.01).read_text(encoding="utf-8-sig")
    assert "white" not in text and "# Fill in the blanks" in text
    book = openpyxl.load_workbook(write_blank(tmp_path / "a.xlsx", step_m=0.001, top_m=0.01))
    texts = [str(cell.value) for row in book.worksheets[0].iter_rows() for cell in row]
    assert any(text.startswith("Fill in the white cells only, in the units printed") for text in texts)


@pytest.mark.parametrize(
    ("options", "lifts"),
    [
        (["--lift-unit", "in"], [f"{0.05 * nth:.6g}" for nth in range(1, 11)]),
        (["--lift-unit", "thou"], [str(50 * nth) for nth in range(1, 11)]),
        (["--lift-unit", "in", "--top", "0.25 in"], ["0.05", "0.1", "0.15", "0.2", "0.25"]),
        ([], [str(nth) for nth in range(1, 11)]),
    ],
)
def test_lifts_of_the_command_are_round_in_their_own_unit(tmp_path: Path, options: list[str], lifts: list[str]) -> None:
    assert run(["blank", str(tmp_path / "a.csv"), *options]) == 0
    lines = (tmp_path / "a.csv").read_text(encoding="utf-8-sig").splitlines()
    top = next(place for place, line in enumerate(lines) if line.startswith("Lift,"))
    assert [line.partition(",")[0] for line in lines[top + 2 : -1]] == lifts


@pytest.mark.parametrize("options", [["--ports", "1,1"], ["--step", "20mm", "--top", "10mm"]])
def test_the_command_refuses_what_cannot_be_meant(
    tmp_path: Path, options: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["blank", str(tmp_path / "a.csv"), *options]) != 0
    assert not (tmp_path / "a.csv").exists()
    assert "named twice" in capsys.readouterr().err or "--step" in options


@pytest.mark.parametrize("reading", ["percents", "CFM", "furlongs", ""])
def test_a_sheet_of_readings_needs_a_unit_that_meters_have(
    tmp_path: Path, reading: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["blank", str(tmp_path / "a.csv"), "--readings", reading]) == 1
    assert "is not a unit a meter is read in" in capsys.readouterr().err
    assert not (tmp_path / "a.csv").exists()


def test_a_sheet_of_readings_has_the_cautions_too(tmp_path: Path) -> None:
    for options in ([], ["--readings", "inH2O"]):
        assert run(["blank", str(tmp_path / f"{len(options)}.csv"), *options]) == 0
        text = (tmp_path / f"{len(options)}.csv").read_text(encoding="utf-8-sig")
        assert all(word in text for word in ("ear and eye", "loose hair", "manometer fluid", "dust"))


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_a_sheet_for_readings_reads_back(tmp_path: Path, suffix: str) -> None:
    path = write_blank(
        tmp_path / f"bench.{suffix}",
        step_m=0.002,
        top_m=0.006,
        ports=["1"],
        sides=["intake"],
        meter=MeterSheet.of_unit("mm"),
        known={"test pressure": 10.0, "zero reading": 1.5, "liquid temperature": 20.0, "meter temperature": 21.0},
    )
    if suffix == "csv":
        text = path.read_text(encoding="utf-8-sig")
        for place, value in (("\n2,", 41), ("\n4,", 122), ("\n6,", 201), ("\n0,", 3)):
            assert place in text
            text = text.replace(place, f"{place}{value}")
        path.write_text(text, encoding="utf-8")
    else:
        import openpyxl

        book = openpyxl.load_workbook(path)
        sheet = book.active
        for row in sheet.iter_rows():
            if isinstance(row[0].value, (int, float)) and row[0].value in (0, 2, 4, 6):
                row[1].value = {0: 3.0, 2: 41.0, 4: 122.0, 6: 201.0}[row[0].value]
        book.save(path)
    from flowkit import read

    (test,) = read(path).tests
    assert test.units.reading is not None and test.units.reading.unit == "mm"
    assert [point.reading.value for point in test.points if point.reading] == [(41.0,), (122.0,), (201.0,)]
    assert test.conditions.leak_reading == "3 mm"
    assert test.conditions.zero_reading == "1.5 mm"
    assert test.conditions.liquid_temperature_k == 293.15


WATER = 'manometer = { liquid = "water" }\n'
METERS: dict[str, tuple[str, str, float]] = {
    "percent": ('kind = "percent"\nscale = "linear"\nfull_scale = "180 CFM"\n', "%", 90.0),
    "percent, two ranges": (
        'kind = "percent"\nscale = "square-root"\nfull_scale = { low = "60 CFM", high = "180 CFM" }\n', "%", 90.0,
    ),
    "table": ('kind = "table"\npoints = [["0 V", "0 CFM"], ["5 V", "180 CFM"]]\n', "V", 4.5),
    "orifice": ('kind = "orifice"\nbore = "40 mm"\npipe = "80 mm"\ntaps = "corner"\nplace = "chamber"\n', "inH2O", 9.0),
    "nozzle": ('kind = "nozzle"\nbore = "40 mm"\npipe = "80 mm"\nshape = "long radius"\n' + WATER, "mm", 300.0),
    "plate": ('kind = "plate"\nhole = "40 mm"\ncoefficient = 0.6\nplace = "room"\n' + WATER, "mm", 300.0),
    "laminar": (
        'kind = "laminar"\nflow = "100 CFM"\ndifferential = "8 inH2O"\ncalibrated_at = "20 °C"\n', "inH2O", 9.0,
    ),
    "critical nozzle": ('kind = "critical nozzle"\nthroat = "4 mm"\nshape = "toroidal"\ngauge = true\n', "kPa", 300.0),
    "pitot": (
        'kind = "pitot"\npipe = "80 mm"\nrule = "log-linear"\ncount = 12\nfactor = 1\nplace = "room"\n', "Pa", 900.0,
    ),
    "pitot, single": (
        'kind = "pitot"\npipe = "80 mm"\nrule = "single"\nprofile = 0.8\nfactor = 1\nplace = "room"\n', "Pa", 900.0,
    ),
}  # fmt: skip
ASKED: dict[str, tuple[set[str], set[str]]] = {
    "percent": (set(), set()),
    "percent, two ranges": (set(), {"range"}),
    "table": (set(), set()),
    "orifice": ({"Meter temperature"}, set()),
    "nozzle": ({"Meter temperature", "Meter pressure", "Liquid temperature"}, set()),
    "plate": ({"Meter temperature", "Liquid temperature"}, set()),
    "laminar": ({"Meter temperature", "Meter pressure"}, set()),
    "critical nozzle": ({"Meter temperature"}, {"outlet pressure"}),
    "pitot": ({"Meter temperature"}, {"pitot"}),
    "pitot, single": ({"Meter temperature"}, set()),
}
SMALL = {"Zero reading": 0.02, "Meter temperature": 22.0, "Meter pressure": 995.0, "Liquid temperature": 20.0}


def fill_readings(text: str, top: float) -> str:
    """Fill in a text sheet of readings: the fields as they are asked, readings that rise, the leak and the choices."""
    rows = list(csv.reader(io.StringIO(text)))
    out = []
    headings: list[str] = []
    for row in rows:
        name = row[0].partition(" [")[0] if row else ""
        if len(row) < 2 or row[0].startswith("#") or (headings and not row[0][:1].isdigit()):
            filled = row
        elif row[0] == "Lift":
            filled = row
        elif not headings:
            figure = SMALL.get(name, 0.8 * top if name == "Check plate reading" else None)
            filled = [row[0], str(figure if figure is not None else value_for(row[0]))]
            filled += ["high"] if len(row) > 2 else []
        else:
            lift = float(row[0])
            filled = [row[0]]
            for heading in headings:
                high = "high" if lift > 4 else "low"
                shown = 0.03 * top if lift == 0 else top * math.tanh(lift / 8)
                filled.append(high if heading.endswith("range") else "30" if "outlet" in heading else f"{shown:.4g}")
        headings = row[1:] if row and row[0] == "Lift" else headings
        out.append(filled)
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(out)
    return stream.getvalue()


@pytest.mark.parametrize("name", METERS)
def test_the_sheet_of_every_kind_of_meter_has_what_it_needs_and_reads_back(name: str, tmp_path: Path) -> None:
    """From the job's meter to the sheet, filled in, read and corrected without one assumption."""
    table, unit, top = METERS[name]
    (tmp_path / "job.toml").write_text(f"[meter]\n{table}", encoding="utf-8")
    options = ["--ports", "2", "--step", "2 mm", "--reading-unit", unit, "--readings", str(tmp_path / "job.toml")]
    assert run(["blank", str(tmp_path / "sheet.csv"), *options]) == 0
    text = (tmp_path / "sheet.csv").read_text(encoding="utf-8-sig")
    labels, headings = ASKED[name]
    asked = {"Meter temperature", "Meter pressure", "Liquid temperature", "Range"}
    assert {label for label in asked if f"\n{label}" in text} == labels
    assert {word for word in ("range", "outlet pressure", "pitot") if f"{word} " in text.lower().partition("\nlift,")[2]
            or f"{word}," in text.partition("\nLift,")[2]} == headings  # fmt: skip
    assert ("Check plate reading" in text) == (name != "pitot")
    (tmp_path / "sheet.csv").write_text(fill_readings(text, top), encoding="utf-8")
    result = read(tmp_path / "sheet.csv")
    assert result.findings == ()
    assert [(t.side, t.port, t.run, len(t.points)) for t in result.tests] == [
        (side, port, r, 5) for side in ("intake", "exhaust") for port, r in (("1", 1), ("1", 2), ("1", 3), ("2", 1))
    ]
    job = f'[[variant]]\nname = "a"\nsheets = ["sheet.csv"]\n[meter]\n{table}'
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    done = Job.load(tmp_path / "job.toml").correct()
    assert len(done.tests) == 8
    doubts = [f for f in done.findings if f.severity == "error" or f.rule.startswith(("meter-", "leak-m", "air-"))]
    assert {f.rule for f in doubts} <= {"meter-limits", "check-off"}, doubts
    assert all(len(t.points) == 5 and t.ledger[1].offset_m3_s for t in done.tests)


def test_a_sheet_by_kind_alone_and_what_it_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["blank", str(tmp_path / "a.xlsx"), "--readings", "critical nozzle"]) == 0
    heads = [cell.value for row in sheet_of(tmp_path / "a.xlsx").iter_rows() for cell in row]
    assert "Intake 1 run 2 outlet pressure (kPa)" in heads
    (tmp_path / "two.toml").write_text(
        '[meter.a]\nkind = "percent"\nscale = "linear"\nfull_scale = "90 CFM"\n'
        '[meter.b]\nkind = "plate"\nhole = "20 mm"\ncoefficient = 0.6\n', encoding="utf-8",
    )  # fmt: skip
    for options, words in (
        (["--readings", "pitot"], "positions"),
        (["--readings", str(tmp_path / "none.toml")], "no such job file"),
        (["--readings", str(tmp_path / "two.toml")], "--meter"),
        (["--readings", str(tmp_path / "two.toml"), "--meter", "c"], "no meter 'c'"),
        (["--readings", "percent", "--reading-unit", "mm"], "not read in 'mm'"),
        (["--readings", str(tmp_path / "two.toml"), "--meter", "b", "--reading-unit", "mm"], "needs the manometer"),
    ):
        assert run(["blank", str(tmp_path / "b.csv"), *options]) == 1
        assert words in capsys.readouterr().err
    assert run(["blank", str(tmp_path / "b.csv"), "--readings", str(tmp_path / "two.toml"), "--meter", "b"]) == 0


def test_meters_of_one_unit_share_a_sheet_with_a_column_for_which(tmp_path: Path) -> None:
    plates = "".join(f'[meter.{n}]\nkind = "plate"\nhole = "{d} mm"\ncoefficient = 0.6\nplace = "room"\n'
                     for n, d in (("small", 20), ("large", 40)))  # fmt: skip
    (tmp_path / "job.toml").write_text(plates, encoding="utf-8")
    options = ["--ports", "1", "--runs", "1", "--step", "2 mm", "--readings", str(tmp_path / "job.toml")]
    assert run(["blank", str(tmp_path / "sheet.csv"), *options]) == 0
    text = (tmp_path / "sheet.csv").read_text(encoding="utf-8-sig")
    assert "Intake 1 meter,Intake 1 meter reading (inH2O),Exhaust 1 meter" in text
    for lift in (2, 4, 6, 8, 10, 0):
        name = "small" if lift < 5 else "large"
        text = text.replace(f"\n{lift},,,,", f"\n{lift},{name},{2 + lift},{name},{3 + lift}")
    (tmp_path / "sheet.csv").write_text(text, encoding="utf-8")
    for test in read(tmp_path / "sheet.csv").tests:
        assert [p.reading.meter for p in test.points if p.reading] == ["small", "small", "large", "large", "large"]
        assert (test.conditions.leak_reading or "").endswith("on small")
