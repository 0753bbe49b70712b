"""The workbook: its formulas, recalculated by LibreOffice, give flowkit's own numbers."""

from __future__ import annotations

import csv
import fcntl
import io
import os
import re
import shutil
import subprocess
import tempfile
import zipfile
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import openpyxl
import pytest

from flowkit import Job
from flowkit.air import density
from flowkit.job.job import contents_of
from flowkit.model import AirState, Bench, Finding, JobInfo, Reference, Variant
from flowkit.output import OutputError
from flowkit.reports import report_mark, write_report
from flowkit.reports.workbook import workbook_bytes
from flowkit.reports.workbook.pen import SHEETS, lines_of
from flowkit.samples import sample_folder
from flowkit.units import from_si, to_si
from tests.reports.chains import awkward, factorial, flow_test, plain_job, run, sample, sessions
from tests.reports.invented import make_contents

CHANGED = "one reading changed"
LIBREOFFICE = pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")


def standard_volume():
    """SCFM with the air known, and without."""
    standard = AirState(288.7, 101_325.0, 0.0)
    room = density(AirState(298.0, 100_000.0, 0.0))
    factor = to_si(1, "SCFM") * density(standard) / room
    air = {"air_temperature_k": 298.0, "barometer_pa": 100_000.0, "test_pressure_pa": 7000.0}
    lifts = {2.0: 30.0, 5.0: 60.0}
    tests = (
        flow_test("a", "exhaust", "", lifts, units=("mm", "SCFM", "inH2O"), factor=factor, **air),
        flow_test("a", "intake", "", lifts, units=("mm", "SCFM", "inH2O"), test_pressure_pa=7000.0),
    )
    return run((Variant("a", tests),), Reference(), Bench(standard_air=standard))


def stated_range(method: str):
    """A stated range that ends between measured lifts, and a state that does not cover it."""
    lifts = (1.0, 2.0, 3.0, 5.0, 7.0, 9.0)

    def state(name: str, gain: float, last: float) -> Variant:
        """Two ports, lifts up to `last` mm."""
        ports = (
            flow_test(
                name,
                "intake",
                port,
                {lift: 60 * gain * factor * (1 - 2.718 ** (-lift / 4)) for lift in lifts if lift <= last},
                run=number,
                test_pressure_pa=7000.0,
            )
            for port, factor in (("1", 1.0), ("2", 1.02))
            for number in (1, 2)
        )
        return Variant(name, tuple(ports))

    states = (state("before", 1.0, 9), state("after", 1.1, 9), state("short", 1.05, 5))
    return run(states, Reference(lifts_m=(0.0022, 0.0087)), Bench(), area_method=method)


def one_lift():
    """Two variants at one lift."""
    tests = [
        flow_test(name, "intake", "1", {5.0: q}, test_pressure_pa=7000.0) for name, q in (("a", 50.0), ("b", 54.0))
    ]
    return run(tuple(Variant(test.variant, (test,)) for test in tests), Reference(), Bench())


METERS = {
    "plate": 'kind = "plate"\nhole = "40 mm"\ncoefficient = 0.61\nplace = "chamber"',
    "orifice": 'kind = "orifice"\nbore = "40 mm"\npipe = "80 mm"\ntaps = "corner"\nplace = "outlet"',
    "nozzle": 'kind = "nozzle"\nbore = "40 mm"\npipe = "80 mm"\nshape = "long radius"\nplace = "chamber"',
    "laminar": 'kind = "laminar"\nflow = "150 CFM"\ndifferential = "8 inH2O"\ncalibrated_at = "20 °C"\nplace = "room"',
    "scale": 'kind = "percent"\nscale = "square-root"\nfull_scale = "180 CFM"\nzero = "1 %"',
    "linear": 'kind = "percent"\nscale = "linear"\nfull_scale = "180 CFM"',
    "table": 'kind = "table"\npoints = [["0 %", "0 CFM"], ["40 %", "71 CFM"], ["100 %", "150 CFM"]]',
}


SCALES = ("scale", "linear", "table")


def readings_of_meters():
    """One state for each kind of meter, its flows worked out from readings."""
    folder = Path(tempfile.mkdtemp())
    air = "Air temperature,25 °C\nBarometer,980 hPa\nHumidity,60 %\n"
    text = "".join(f"[meter.{name}]\n{keys}\n" for name, keys in METERS.items())
    for name in METERS:
        unit, shown = ("%", (13.5, 31.2, 55.1, 64.3)) if name in SCALES else ("inH2O", (3.25, 6.5, 9.1, 10.2))
        rows = "".join(f"{lift},{value}\n" for lift, value in zip((2, 4, 6, 8), shown, strict=True))
        (folder / f"{name}.csv").write_text(
            f"Test pressure,10 inH2O\n{air}Leak reading,1.2 {unit}\n\nLift (mm),Intake 1 meter ({unit})\n{rows}"
        )
        text += f'[[variant]]\nname = "{name}"\nmeter = "{name}"\nsheets = ["{name}.csv"]\n'
    (folder / "job.toml").write_text(text)
    job = Job.load(folder / "job.toml")
    return contents_of(job, job.run())


def two_meters():
    """Two states, each flowed twice on a meter of its own, whose certificates count beside the runs."""
    folder = Path(tempfile.mkdtemp())
    text = ""
    for name, hole in (("small", "40 mm"), ("large", "41 mm")):
        text += f'[meter.{name}]\nkind = "plate"\nhole = "{hole}"\ncoefficient = 0.61\nplace = "chamber"\n'
        text += 'u_calibration = "0.8 %"\nu_zero = "0.02 inH2O"\n'
        rows = "".join(f"{lift},{dp},{dp + 0.03}\n" for lift, dp in ((2, 3.25), (4, 6.5), (6, 9.1), (8, 10.2)))
        heads = "Lift (mm),Intake 1 run 1 meter (inH2O),Intake 1 run 2 meter (inH2O)"
        stated = "Test pressure,10 inH2O\nAir temperature,25 °C\nBarometer,980 hPa\nHumidity,60 %\nDate,2026-03-01\n"
        (folder / f"{name}.csv").write_text(f"{stated}\n{heads}\n{rows}")
        text += f'[[variant]]\nname = "{name}"\nmeter = "{name}"\nsheets = ["{name}.csv"]\n'
    (folder / "job.toml").write_text(text)
    job = Job.load(folder / "job.toml")
    return contents_of(job, job.run())


CASES = {
    "readings of meters": readings_of_meters,
    "two meters, twice": two_meters,
    "sample": sample,
    "compressible, metered, trapezoid": awkward,
    "compressible, metered, monotone cubic": lambda: awkward(display="metric", area_method="pchip"),
    "true volume, no leakage": lambda: plain_job(actual=True, off=("leakage",)),
    "trapezoid, all at the same lifts": lambda: plain_job(area_method="trapezoid"),
    "compressible, barometer not stated": lambda: plain_job(law="compressible"),
    "as it is": lambda: plain_job(off=("test-pressure",)),
    "standard volume": standard_volume,
    "one lift": one_lift,
    "range stated between lifts": lambda: stated_range("pchip"),
    "range stated between lifts, trapezoid": lambda: stated_range("trapezoid"),
    "factorial, larger valves": factorial,
    "factorial, trapezoid, US": lambda: factorial(display="US", area_method="trapezoid"),
    "ports as blocks": lambda: sessions("blocks"),
    "one repeat": lambda: sessions("one repeat"),
    "check plates": lambda: sessions("plates"),
    "everything stated": lambda: sessions("stated"),
    "a side untouched": lambda: sessions("untouched"),
    "drift from the records": lambda: sessions("records"),
    "scatter from the records, one state": lambda: sessions("records, one state"),
}

LIVE = [name for name in CASES if "records" not in name]
"""Those whose intervals follow from the tests alone."""


@cache
def sample_book() -> bytes:
    """The sample job's workbook."""
    return workbook_bytes(sample())


@cache
def sample_sheets():
    """The same, opened; only looked at."""
    return opened(sample_book())


@cache
def invented_sheets():
    """The invented results' workbook, opened; only looked at."""
    return opened(workbook_bytes(make_contents()))


def uncalculated(data: bytes) -> bytes:
    """The workbook without the values beside its formulas, so that nothing can be copied from them."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, re.sub(rb"(</f>)<v>[^<]*</v>", rb"\1", old.read(name)))
    return out.getvalue()


def opened(data: bytes, **more):
    return openpyxl.load_workbook(io.BytesIO(data), **more)


@cache
def looked_at(data: bytes, **more):
    """The same for tests that only look, opened once."""
    return opened(data, **more)


def made_workbooks(folder: Path) -> None:
    """Write every case's workbook, and what LibreOffice makes of all of them in one call."""
    made = {name: workbook_bytes(case()) for name, case in CASES.items()}
    book = opened(workbook_bytes(plain_job()))
    row = next(row for row in book["Raw readings"].iter_rows() if row[11].value == "b!intake 1 run 1!B3")
    assert row[7].value == 65.0
    row[7].value = 70.0
    out = io.BytesIO()
    book.save(out)
    made[CHANGED] = out.getvalue()
    paths = []
    for number, data in enumerate(made.values()):
        (folder / f"{number}.own").write_bytes(data)
        paths.append(folder / f"{number}.xlsx")
        paths[-1].write_bytes(uncalculated(data))
    profile = f"-env:UserInstallation=file://{folder}/profile"
    command = ["soffice", profile, "--headless", "--convert-to", "xlsx", "--outdir", folder / "out", *paths]
    subprocess.run(command, capture_output=True, check=True)


@pytest.fixture(scope="module")
def recalculated(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[bytes, object]]:
    """Every case's workbook, and what LibreOffice makes of it; made once for all workers of a test run."""
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "workbooks"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "done").exists():
            made_workbooks(folder)
            (folder / "done").touch()
    return {
        name: (
            (folder / f"{number}.own").read_bytes(),
            openpyxl.load_workbook(folder / "out" / f"{number}.xlsx", data_only=True),
        )
        for number, name in enumerate((*CASES, CHANGED))
    }


@LIBREOFFICE
@pytest.mark.parametrize("name", CASES)
def test_recalculated_formulas_give_flowkits_own_numbers(recalculated, name: str) -> None:
    data, fresh = recalculated[name]
    formulas, known = looked_at(data), looked_at(data, data_only=True)
    compared = 0
    for sheet in formulas:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    value = known[sheet.title][cell.coordinate].value
                    got = fresh[sheet.title][cell.coordinate].value
                    where = f"{sheet.title}!{cell.coordinate} {cell.value[:120]}"
                    assert isinstance(got, (int, float)), where
                    if value is not None:
                        assert got == pytest.approx(value, rel=1e-9, abs=1e-12), where
                        compared += 1
    assert compared > {"sample": 5000, "one lift": 40, "standard volume": 70}.get(name, 90)


@LIBREOFFICE
def test_a_meter_s_flow_follows_from_its_reading_where_it_is_closed_form(recalculated) -> None:
    """Live for all but the table; a reading changed in the workbook changes the flow by the meter's own law."""
    book = opened(recalculated["readings of meters"][0])
    live: dict[str, set[bool]] = {}
    for row in book["Raw readings"].iter_rows(min_row=6):
        if row[1].value:
            live.setdefault(row[1].value, set()).add(row[7].data_type == "f")
    assert live == {name: {name != "table"} for name in METERS}


def near(value: float | None):
    """The same number, but for what the last digits of a file lose."""
    return None if value is None else pytest.approx(value, rel=1e-9)


@LIBREOFFICE
@pytest.mark.parametrize("name", CASES)
def test_the_headline_is_that_of_the_comparison(recalculated, name: str) -> None:
    contents, (_, fresh) = CASES[name](), recalculated[name]
    unit = "L/s" if contents.info.display == "metric" else "CFM"
    rows = [[cell.value for cell in row] for row in fresh["Summary"].iter_rows()]
    for side, result in contents.comparison.sides.items():
        top = next(i for i, row in enumerate(rows) if str(row[0]).startswith(f"{side.capitalize()}, lifts"))
        for row, variant in zip(rows[top + 2 :], result.variants, strict=False):
            assert row[0] == variant.name
            assert row[1] == pytest.approx(from_si(variant.mean_flow_m3_s, unit), rel=1e-9)
            assert row[2] == near(variant.mean_flow_u95)
            assert row[3] == pytest.approx(from_si(variant.peak_flow_m3_s, unit), rel=1e-9)
            assert row[4] == near(variant.port_spread)
            total = next((gain for gain in result.totals if gain.to == variant.name), None)
            step = next((gain for gain in result.steps if gain.to == variant.name), None)
            for gain, column in ((total, 6), (step, 9)):
                if gain is None:
                    assert row[column] is None
                else:
                    assert row[column] == pytest.approx(gain.mean_flow_gain, rel=1e-9)
                    ends = (near(gain.mean_flow_gain_low), near(gain.mean_flow_gain_high))
                    assert row[column + 1 : column + 3] == list(ends)


@LIBREOFFICE
@pytest.mark.parametrize("name", LIVE)
def test_intervals_of_curve_figures_are_formulas_and_those_of_the_comparison(recalculated, name: str) -> None:
    contents, (data, fresh) = CASES[name](), recalculated[name]
    formulas = looked_at(data)["Gains"]
    rows = [row for row in fresh["Gains"].iter_rows() if row[0].value]
    for result in contents.comparison.sides.values():
        for gain in result.gains:
            want = (gain.mean_flow_gain_low, gain.mean_flow_gain_high)
            close = [
                [cell.coordinate for cell in row[3:5]]
                for row in rows
                if (row[0].value, row[1].value) == (gain.to, gain.from_)
                and all(cell.value == near(value) for cell, value in zip(row[3:5], want, strict=True))
            ]
            assert close, (gain.from_, gain.to, want)
            assert gain.resolved is None or all(formulas[cell].data_type == "f" for cell in close[0])


@LIBREOFFICE
@pytest.mark.parametrize("name", LIVE)
def test_intervals_of_bands_and_ports_are_formulas_and_those_of_the_comparison(recalculated, name: str) -> None:
    contents, (data, fresh) = CASES[name](), recalculated[name]
    formulas = looked_at(data)["Intervals"]
    rows = [row for row in fresh["Intervals"].iter_rows() if row[0].value and len(row) > 21]
    for result in contents.comparison.sides.values():
        for gain in result.gains:
            ports = [(f"{gain.to}, port {item.port}", item.mean_flow_gain, item.u95) for item in gain.ports[1:]]
            bands = [(gain.to, item.gain, item.u95) for item in gain.bands if len(gain.bands) > 1]
            for words, value, u95 in (*ports, *bands) if gain.resolved is not None else ():
                found = [
                    row[21].coordinate
                    for row in rows
                    if (row[0].value, row[1].value) == (words, gain.from_)
                    and (row[2].value, row[21].value) == (near(value), near(u95))
                ]
                assert found and formulas[found[0]].data_type == "f", (words, gain.from_, value, u95)


@LIBREOFFICE
@pytest.mark.parametrize("name", LIVE)
def test_intervals_at_single_lifts_are_formulas_and_those_of_the_comparison(recalculated, name: str) -> None:
    contents, (data, fresh) = CASES[name](), recalculated[name]
    formulas = [[cell.data_type for cell in row] for row in looked_at(data)["Gains"].iter_rows()]
    rows = [[cell.value for cell in row] for row in fresh["Gains"].iter_rows()]
    unit = "mm" if contents.info.display == "metric" else "in"
    for side, result in contents.comparison.sides.items():
        for gain in result.gains:
            heads = next((row for row in rows if f"{gain.to} over {gain.from_}" in row), None)
            for item in gain.per_lift if heads is not None and gain.resolved is not None else ():
                column = heads.index(f"{gain.to} over {gain.from_}")
                lift = near(from_si(item.lift_m, unit))
                found = [
                    number
                    for number, row in enumerate(rows)
                    if row[0] == lift and row[column : column + 3] == [near(item.gain), near(item.low), near(item.high)]
                ]
                assert found and formulas[found[0]][column + 1 : column + 3] == ["f", "f"], (side, gain.to, item)


@pytest.mark.parametrize("name", [name for name in CASES if name not in LIVE])
def test_intervals_with_the_bench_s_records_in_them_are_values_and_marked(name: str) -> None:
    contents = CASES[name]()
    rows = list(opened(workbook_bytes(contents))["Summary"].iter_rows())
    for side, result in contents.comparison.sides.items():
        top = next(i for i, row in enumerate(rows) if str(row[0].value).startswith(f"{side.capitalize()}, lifts"))
        for row, variant in zip(rows[top + 2 :], result.variants, strict=False):
            step = next((gain for gain in result.steps if gain.to == variant.name), None)
            ends = [(step.mean_flow_gain_low, row[10]), (step.mean_flow_gain_high, row[11])] if step else []
            known = [(variant.mean_flow_u95, row[2])] if step is None and len(result.variants) == 1 else []
            assert ends or known or len(result.variants) > 1
            for value, cell in (*ends, *known):
                assert (cell.value, cell.data_type, cell.font.italic) == (near(value), "n", True)


@LIBREOFFICE
def test_a_whole_number_of_degrees_of_freedom_goes_through_the_spreadsheets_own_t(recalculated) -> None:
    data, _ = recalculated["ports as blocks"]
    texts = [str(cell.value) for row in opened(data)["Intervals"].iter_rows() for cell in row]
    assert any("T.INV.2T(0.05," in text for text in texts)


@LIBREOFFICE
def test_a_reading_changed_in_its_cell_changes_the_headline_as_flowkit_would(recalculated) -> None:
    before = plain_job().comparison.sides["intake"]
    after = plain_job(flows={2.0: 33.0, 5.0: 70.0, 8.0: 74.0}).comparison.sides["intake"]
    assert abs(after.gains[0].mean_flow_gain - before.gains[0].mean_flow_gain) > 0.01
    _, fresh = recalculated[CHANGED]
    rows = [[cell.value for cell in row] for row in fresh["Summary"].iter_rows()]
    row = next(row for row in rows if row[0] == "b")
    assert row[6] == pytest.approx(after.gains[0].mean_flow_gain, rel=1e-9)
    assert row[1] == pytest.approx(from_si(after.variant("b").mean_flow_m3_s, "CFM"), rel=1e-9)


@LIBREOFFICE
def test_areas_are_those_of_the_comparison(recalculated) -> None:
    contents, (_, fresh) = sample(), recalculated["sample"]
    rows = [[cell.value for cell in row] for row in fresh["Areas"].iter_rows()]
    for side, result in contents.comparison.sides.items():
        for variant in result.variants:
            top = next(i for i, row in enumerate(rows) if row[0] == f"{side.capitalize()}, {variant.name}")
            assert rows[top + 2][7] == pytest.approx(variant.takeover_lift_m * 1e3, rel=1e-9)
            for place, row in enumerate(rows[top + 5 : top + 5 + len(variant.lifts_m)]):
                known = variant.coefficients
                expected = [variant.effective_area_m2[place] * 1e6, variant.minimum_area_m2[place] * 1e6]
                expected += [figures[place] for figures in (known.curtain, known.throat, known.valve, known.minimum)]
                assert row[2:8] == pytest.approx(expected, rel=1e-9)


@LIBREOFFICE
def test_the_trapezoid_is_that_of_plain_arithmetic(recalculated) -> None:
    """Mean flow worked out here from the corrected flows in the workbook, by the school rule."""
    _, fresh = recalculated["compressible, metered, trapezoid"]
    rows = [[cell.value for cell in row] for row in fresh["Corrected flows"].iter_rows()]
    top = next(i for i, row in enumerate(rows) if row[0] == "Intake, first: flow, CFM")
    end = next(i for i, row in enumerate(rows) if i > top and row[0] == "mean flow")
    lo, hi = (from_si(lift, "in") for lift in awkward().comparison.sides["intake"].range_m)
    curve = [(row[0], row[1]) for row in rows[top + 2 : end - 1] if row[0] in measured_lifts(rows, top, end)]
    area = sum(
        (min(b, hi) - max(a, lo)) * (at(max(a, lo), a, p, b, q) + at(min(b, hi), a, p, b, q)) / 2
        for (a, p), (b, q) in pairwise(curve)
        if min(b, hi) > max(a, lo)
    )
    assert rows[end][1] == pytest.approx(area / (hi - lo), rel=1e-9)


def measured_lifts(rows, top: int, end: int) -> list[float]:
    """The lifts of port 1 of the first variant, as its sheet has them, as the workbook shows them."""
    wanted = [1.5, 3, 5, 7, 9]
    return [row[0] for row in rows[top + 2 : end - 1] if any(abs(row[0] * 25.4 - lift) < 1e-6 for lift in wanted)]


def at(x: float, a: float, p: float, b: float, q: float) -> float:
    """A straight line's value."""
    return p + (q - p) * (x - a) / (b - a)


def test_raw_cells_are_the_sheets_own() -> None:
    """Compared with the CSV file itself."""
    with (sample_folder() / "as_received.csv").open(encoding="utf-8-sig", newline="") as file:
        lines = list(csv.reader(file))
    rows = list(sample_sheets()["Raw readings"].iter_rows(values_only=True))
    seen = 0
    for row in rows:
        place = re.fullmatch(r"as_received\.csv:(\d+):(\d+)", str(row[11]))
        if place:
            line = lines[int(place[1]) - 1]
            assert (row[5], row[6]) == (float(line[0]), "in")
            assert (row[7], row[8]) == (float(line[int(place[2]) - 1]), "CFM")
            seen += 1
    assert seen == 96


def test_sheets_are_ready_for_paper_and_screen() -> None:
    contents, book = sample(), sample_sheets()
    assert tuple(book.sheetnames) == SHEETS
    for sheet in book:
        assert sheet.print_area
        assert sheet.oddFooter.left.text == "&A"
        assert not sheet.sheet_view.showGridLines
        if sheet.title != "Summary":
            assert sheet.freeze_panes
    assert book["Raw readings"].print_title_rows == "$3:$3"
    assert [cell.value for cell in book["Corrections"][3]][5:8] == ["lift, mm", "flow as read, L/s", "leakage, L/s"]
    assert len(book["Summary"]._charts) == len(book["Gains"]._charts) == 2
    colors = {series.graphicalProperties.ln.solidFill.srgbClr for series in book["Summary"]._charts[0].series}
    dashes = {series.graphicalProperties.ln.prstDash for series in book["Summary"]._charts[0].series}
    markers = {series.marker.symbol for series in book["Summary"]._charts[0].series}
    assert len(colors) == len(dashes) == len(markers) == 4
    assert book.calculation.fullCalcOnLoad
    assert book.properties.title == contents.info.title


def test_what_is_no_formula_is_marked() -> None:
    book = sample_sheets()
    corrections = book["Corrections"]
    for column, formula in (("H", True), ("J", True), ("K", True), ("L", False), ("M", True)):
        cell = corrections[f"{column}4"]
        assert (cell.data_type == "f") is formula
        assert cell.font.italic is not formula
        assert (cell.fill.fgColor.rgb == "00ECECEC") is not formula
    assert book["Raw readings"]["H4"].font.color.rgb == "000B4F8A"
    legend = [row[0].value for row in book["Summary"].iter_rows()]
    assert "computed by flowkit" in legend


@pytest.mark.parametrize("name", ["compressible, metered, trapezoid", "true volume, no leakage"])
def test_factors_are_formulas_where_their_law_is_elementary(name: str) -> None:
    book = opened(workbook_bytes(CASES[name]()))
    text = " ".join(str(cell.value) for row in book["Conditions"].iter_rows() for cell in row if cell.data_type == "f")
    assert "SQRT(" in text
    pressure = book["Corrections"]["K4"].value
    assert pressure.startswith("=SQRT(")
    assert ("MAX(1-" in pressure) is name.startswith("compressible")


def test_values_stand_beside_the_formulas_for_programs_that_do_not_calculate() -> None:
    contents = sample()
    book = opened(sample_book(), data_only=True)
    rows = [row for row in book["Summary"].iter_rows(values_only=True) if row[0] == "ports blended"]
    side = contents.comparison.sides["intake"]
    assert rows[0][1] == side.variant("ports blended").mean_flow_m3_s * 1000
    assert rows[0][6] == side.totals[1].mean_flow_gain


def test_points_and_tests_left_out_stay_visible() -> None:
    contents = awkward()
    book = opened(workbook_bytes(contents))
    remarks = [row for row in book["Corrections"].iter_rows(min_row=4, values_only=True) if row[13]]
    assert len(remarks) == 1
    assert remarks[0][13] == "left out, see the findings"
    assert remarks[0][12] is None
    gone = replace(contents, comparison=replace(contents.comparison, tests=contents.comparison.tests[1:]))
    sheet = opened(workbook_bytes(gone))["Conditions"]
    assert any("the test was left out" in str(cell.value) for row in sheet.iter_rows() for cell in row)


def test_where_the_ledger_tells_another_story_its_numbers_are_written_as_values() -> None:
    """The invented results' ledger does not follow from their conditions."""
    book = invented_sheets()
    sheet = book["Corrections"]
    column = next(cell.column_letter for cell in book["Conditions"][4] if cell.value == "check plate factor")
    plate = book["Conditions"][f"{column}5"]
    assert (plate.value, plate.data_type, plate.font.italic) == (1.004, "n", True)
    assert sheet["M4"].data_type == "n"
    assert sheet["J4"].value == f"='Conditions'!${column}$5"
    contents = plain_job()
    tests = tuple(
        replace(test, ledger=tuple(replace(line, factor=(1.5,) * 3) if line.factor else line for line in test.ledger))
        for test in contents.comparison.tests
    )
    tests = tuple(
        replace(test, ledger=(replace(test.ledger[0], offset_m3_s=(-1e-4,) * 3), *test.ledger[1:])) for test in tests
    )
    sheet = opened(workbook_bytes(replace(contents, comparison=replace(contents.comparison, tests=tests))))[
        "Corrections"
    ]
    assert sheet["K4"].value == 1.5
    assert sheet["H4"].value == pytest.approx(from_si(-1e-4, "CFM"))


def test_text_is_never_a_formula_nor_breaks_the_file() -> None:
    names = ("=1+1", "+cmd|x", "-2", "@SUM(A1)", "a\x00b\x1f<&>")
    info = JobInfo(title='=HYPERLINK("x")\x08', notes="-1", date="2026-02-30")
    findings = (Finding("x", "warning", "=a", "+b"), Finding("y", "note", "", "z" * 40_000))
    book = opened(workbook_bytes(make_contents(variants=names, info=info, findings=findings)))
    allowed = re.compile(r"^=[A-Z('\-0-9$]")
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert allowed.match(cell.value)
                    assert "cmd" not in cell.value
                    assert "HYPERLINK" not in cell.value
    title = book["Summary"]["A1"]
    assert "an estimated rpm is not a safe rpm" in str(book["Summary"]["A2"].value)  # cautions before any figure
    assert (title.value, title.data_type) == ('=HYPERLINK("x")', "s")
    assert title.quotePrefix
    assert book["Raw readings"]["B4"].value == "=1+1"
    assert book["Raw readings"]["B4"].data_type == "s"
    assert not book["Raw readings"]["C4"].quotePrefix
    assert "ab<&>" in {row[1] for row in book["Raw readings"].iter_rows(values_only=True)}


def test_the_same_job_gives_the_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    contents = plain_job()
    first = workbook_bytes(contents)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    assert workbook_bytes(contents) == first
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {info.date_time[0] for info in archive.infolist()} == {1980}
    assert opened(first).properties.created.year == 2026


def test_large_jobs_fit() -> None:
    contents = make_contents(variants=8, ports=16, lifts=40, sides=("intake",))
    book = opened(workbook_bytes(contents), read_only=True)
    assert book["Raw readings"].max_row > 8 * 16 * 40
    assert book["Corrected flows"].max_column == 18
    assert book["Gains"].max_column == 1 + 3 * 13


@pytest.mark.parametrize(
    "size",
    [
        {"variants": 1, "ports": 1, "lifts": 1, "known": False, "geometry": False, "findings": ()},
        {"sides": ("exhaust",), "known": False},
        {"variants": 9, "lifts": (0.001, 0.0015)},
    ],
)
def test_small_and_odd_jobs(size: dict) -> None:
    book = opened(workbook_bytes(make_contents(**size)))
    assert tuple(book.sheetnames) == SHEETS
    if size.get("variants") == 1:
        assert "one state only" in book["Gains"]["A4"].value
        assert book["Findings"]["A4"].value == "Nothing doubtful was found."
    if "sides" in size:
        assert len(book["Summary"]._charts) == 1
        verdicts = {row[5] for row in book["Gains"].iter_rows(values_only=True)}
        assert "not assessed" in verdicts


def test_findings_come_gravest_first() -> None:
    contents = make_contents(findings=(Finding("n", "note", "a", "b"), Finding("e", "error", "c", "d" * 400)))
    sheet = opened(workbook_bytes(contents))["Findings"]
    assert [sheet.cell(row, 1).value for row in (4, 5)] == ["error", "note"]
    assert sheet.row_dimensions[4].height > 3 * sheet.row_dimensions[5].height


def test_coefficients_without_dimensions_are_values() -> None:
    """The invented results name coefficients but no valve."""
    sheet = invented_sheets()["Areas"]
    row = next(row for row in sheet.iter_rows(min_row=4) if row[0].data_type == "f")
    assert [cell.data_type for cell in row[:8]] == ["f", "f", "f", "n", "n", "n", "n", "f"]


def test_written_whole_or_not_at_all(tmp_path: Path) -> None:
    (path,) = write_report(plain_job(), tmp_path / "new", formats=["xlsx"], name="a")
    assert path.read_bytes() == workbook_bytes(plain_job(), report_mark(plain_job(), "letter"))
    assert [item.name for item in path.parent.iterdir()] == ["a.xlsx"]
    with pytest.raises(OutputError):
        write_report(plain_job(), path, formats=["xlsx"])


def test_lines_are_counted_word_by_word() -> None:
    assert lines_of("one", 2) == 1
    assert lines_of("", 10) == 1
    assert lines_of("aaaa bbbb cccc", 9.0) == 2
