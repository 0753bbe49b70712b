"""Cams: tables, timings, files, and what they are asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowkit.engine.cam import Cam, LiftPolynomial, read_cam_table
from flowkit.errors import EngineError, SheetError

TABLE_DEG = tuple(range(-70, 71, 10))
TABLE_MM = (0, 0.02, 0.4, 1.4, 3.0, 4.7, 5.8, 6.2, 5.8, 4.7, 3.0, 1.4, 0.4, 0.02, 0)


def lobe(**how: object) -> Cam:
    settings_: dict[str, object] = {"degrees": "cam", "lift_at": "cam", "rocker_ratio": 1.5, "centreline_deg": 108.0}
    return Cam.from_table(TABLE_DEG, [lift / 1e3 for lift in TABLE_MM], **{**settings_, **how})  # type: ignore[arg-type]


def test_cam_degrees_turn_at_half_speed_and_the_rocker_multiplies() -> None:
    cam = lobe()
    assert cam.open_period == (328.0, 608.0)
    assert cam.peak_lift_m == pytest.approx(0.0093)
    assert float(cam.lift(468.0)) == pytest.approx(0.0093)
    assert float(cam.lift(468.0 + 40.0)) == pytest.approx(0.0047 * 1.5, rel=1e-12)
    assert float(cam.lift(468.0 - 720.0)) == pytest.approx(0.0093)
    assert cam.lift([100.0, 327.0, 609.0]).tolist() == [0, 0, 0]


def test_lash_is_taken_off_at_the_valve_and_shortens_the_period() -> None:
    cam = lobe(lash_m=0.00025)
    opens, closes = cam.open_period
    assert cam.peak_lift_m == pytest.approx(0.00905)
    assert float(cam.lift(468.0)) == pytest.approx(0.00905)
    assert 328 < opens < 388
    assert (opens + closes) / 2 == pytest.approx(468.0, abs=1e-6)
    assert float(cam.lift(opens + 1e-6)) == pytest.approx(0.0, abs=1e-8)
    assert float(cam.lift(opens - 1e-3)) == 0


def test_the_rocker_does_not_act_on_lift_measured_at_the_valve() -> None:
    assert lobe(lift_at="valve").peak_lift_m == pytest.approx(0.0062)
    timed = {"opens_deg": 350, "closes_deg": 590, "checking_lift_m": 0.001, "peak_lift_m": 0.006, "rocker_ratio": 1.5}
    assert Cam.from_timing(**timed).peak_lift_m == pytest.approx(0.006)  # type: ignore[arg-type]
    at_cam = Cam.from_timing(**timed, lift_at="cam")  # type: ignore[arg-type]
    assert at_cam.peak_lift_m == pytest.approx(0.009)
    assert float(at_cam.lift(350.0)) == pytest.approx(0.0015)


def test_zero_of_a_table() -> None:
    plain = lobe(degrees="crank", centreline_deg=None, zero="gas exchange TDC")
    assert plain.open_period == (290.0, 430.0)
    firing = lobe(degrees="crank", centreline_deg=None, zero="firing TDC", rocker_ratio=2.0)
    assert firing.open_period == (-70.0, 70.0)
    assert firing.peak_lift_m == pytest.approx(0.0124)


def test_order_and_wrapping_do_not_matter() -> None:
    lifts = [lift / 1e3 for lift in TABLE_MM]
    how = {"degrees": "cam", "centreline_deg": 108.0}
    plain = Cam.from_table(TABLE_DEG, lifts, **how)  # type: ignore[arg-type]
    backwards = Cam.from_table(TABLE_DEG[::-1], lifts[::-1], **how)  # type: ignore[arg-type]
    wrapped = Cam.from_table([angle % 360 for angle in TABLE_DEG], lifts, **how)  # type: ignore[arg-type]
    assert plain == backwards == wrapped


def test_a_table_that_stops_a_little_open_is_closed_one_step_out() -> None:
    lifts = [lift / 1e3 for lift in TABLE_MM[1:-1]]
    cam = Cam.from_table(TABLE_DEG[1:-1], lifts, zero="gas exchange TDC")
    assert cam.open_period == (290.0, 430.0)


@pytest.mark.parametrize(
    ("angles", "lifts", "how", "message"),
    [
        ((0, 1, 2), (0, 1, 0), {}, "at least 5 points"),
        ((0, 1, 2, 3, 4), (0, 1, float("nan"), 1, 0), {}, "gaps"),
        ((0, 1, 2, 3, 4), (0, 0, 0, 0, 0), {}, "never opens"),
        ((0, 1, 2, 3, 4), (0, 1, 2, 1, 0), {"lash_m": 0.002}, "never opens"),
        ((0, 1, 2, 3, 4), (-1, 1, 2, 1, 0), {}, "negative lifts"),
        ((0, 1, 3, 2, 4), (0, 1, 2, 1, 0), {}, "one direction"),
        ((0, 1, 2, 3, 4), (1, 1.5, 2, 1, 0), {}, "begins at a lift of 1 mm"),
        ((0, 1, 2, 3, 4), (0, 1, 2, 1.5, 1), {}, "ends at a lift"),
        ((0, 200, 400, 600, 800), (0, 1, 2, 1, 0), {}, "longer than one cycle"),
        ((0, 1, 2, 3, 4), (0, 1, 2, 1, 0), {"zero": None}, "not certain which crank angle the table starts at"),
    ],
)
def test_tables_that_are_no_cams(angles: tuple[float, ...], lifts: tuple[float, ...], how: dict, message: str) -> None:
    with pytest.raises(EngineError, match=message):
        Cam.from_table(angles, [lift / 1e3 for lift in lifts], **{"zero": "gas exchange TDC", **how})


def test_a_cam_made_by_hand_must_be_closed_at_both_ends() -> None:
    with pytest.raises(EngineError, match="from closed to closed"):
        Cam("by hand", (0.0, 10.0, 20.0), (0.001, 0.002, 0.0))


def test_timing_meets_the_checking_lift_the_peak_and_smoothness() -> None:
    cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0.001, peak_lift_m=0.010, lash_m=0.0002)
    assert cam.lift([350.0, 590.0, 470.0]) == pytest.approx([0.0008, 0.0008, 0.0098])
    opens, closes = cam.open_period
    assert float(cam.lift(opens)) == pytest.approx(0, abs=1e-12)
    assert closes - opens > 240
    with pytest.raises(EngineError, match="lash is not below the peak"):
        Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0.001, peak_lift_m=0.010, lash_m=0.01)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.004, 0.015), st.floats(0.0, 0.3), st.floats(150, 400))
def test_polynomial_is_twice_smooth_single_peaked_and_through_its_points(
    peak: float, share: float, duration: float
) -> None:
    shape = LiftPolynomial.through(
        opens_deg=470 - duration / 2, closes_deg=470 + duration / 2, checking_lift_m=share * peak, peak_m=peak
    )
    assert float(shape.lift(470 - duration / 2)) == pytest.approx(share * peak, abs=1e-9)
    x = np.linspace(-1, 1, 2001) * shape.half_duration_deg + 470
    lift = shape.lift(x) / peak
    assert np.all(np.diff(lift[:1001]) >= 0)
    assert np.all(np.diff(lift[1000:]) <= 0)
    second = np.diff(lift, 2) / (0.001**2)
    # Continuous second derivative: neighbours differ by no more than a step of the third allows, ends by nothing.
    assert np.max(np.abs(np.diff(second))) < 0.1
    assert abs(second[0]) < 0.1
    assert np.mean(lift) == pytest.approx(1 - 2 / 3 + 2 / 7 - 1 / 9, abs=1e-3)


def test_timings_that_are_no_cams() -> None:
    with pytest.raises(EngineError, match="not below the peak lift"):
        LiftPolynomial.through(opens_deg=0, closes_deg=200, checking_lift_m=0.01, peak_m=0.01)
    with pytest.raises(EngineError, match="would be open from"):
        LiftPolynomial.through(opens_deg=300, closes_deg=200, checking_lift_m=0.001, peak_m=0.01)


def test_time_in_bands_adds_up_and_weighs_the_flow() -> None:
    cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.010)
    bands = cam.time_in_bands()
    assert len(bands) == 10
    assert sum(band.crank_deg for band in bands) == pytest.approx(240)
    assert sum(band.share_of_period for band in bands) == pytest.approx(1)
    assert bands[0].share_of_flow is None
    # Half the lift is passed where 1 − 2x² + 2x⁶ − x⁸ = ½: x = 0.5235; above it for that share of the period.
    above = cam.time_in_bands([0, 0.005, 0.010], lambda lift: lift)[1]
    assert above.share_of_period == pytest.approx(LiftPolynomial.edge(0.5), abs=1e-4)
    assert above.share_of_flow is not None
    assert above.share_of_flow > above.share_of_period
    with pytest.raises(EngineError, match="do not rise"):
        cam.time_in_bands([0.0, 0.0])


def write(folder: Path, text: str, name: str = "cam.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


ROWS = "\n".join(f"{angle},{lift}" for angle, lift in zip(TABLE_DEG, TABLE_MM, strict=True))


def test_file_with_headings(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "Invented cam\nlobe lift (mm),remarks,cam degrees\n"
        + "\n".join(f"{lift},,{angle}" for angle, lift in zip(TABLE_DEG, TABLE_MM, strict=True)),
    )
    table = read_cam_table(path)
    assert table.angles_deg == tuple(float(angle) for angle in TABLE_DEG)
    assert table.lifts_m[7] == pytest.approx(0.0062)
    assert table.notes == ()


def test_file_in_inches_by_heading_by_unit_and_by_assumption(tmp_path: Path) -> None:
    rows = "\n".join(f"{angle};{lift / 25.4:.4f}" for angle, lift in zip(TABLE_DEG, TABLE_MM, strict=True))
    headed = read_cam_table(write(tmp_path, "crank angle;valve lift [in]\n" + rows))
    stated = read_cam_table(write(tmp_path, rows), lift_unit="in")
    assumed = read_cam_table(write(tmp_path, rows))
    assert headed.lifts_m == stated.lifts_m == assumed.lifts_m
    assert headed.lifts_m[7] == pytest.approx(0.0062, abs=2e-6)
    assert len(assumed.notes) == 1
    assert "can only be in" in assumed.notes[0]


def test_workbook_with_two_sheets(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    first, second = book.active, book.create_sheet("exhaust")
    first.title = "intake"
    for sheet, scale in ((first, 1.0), (second, 0.9)):
        sheet.append(["cam", "lift"])
        sheet.append(["degrees", "mm"])
        for angle, lift in zip(TABLE_DEG, TABLE_MM, strict=True):
            sheet.append([angle, lift * scale])
    path = tmp_path / "cams.xlsx"
    book.save(path)
    with pytest.raises(SheetError, match="say which with sheet"):
        read_cam_table(path)
    assert read_cam_table(path, sheet="exhaust").lifts_m[7] == pytest.approx(0.0062 * 0.9)
    with pytest.raises(SheetError, match="no worksheet 'inlet'"):
        read_cam_table(path, sheet="inlet")
    cam = Cam.from_file(path, sheet="intake", degrees="cam", centreline_deg=108.0)
    assert cam.name == "cams.xlsx"


@pytest.mark.parametrize(
    ("text", "how", "message"),
    [
        ("no,table\nhere,at all\n", {}, "no table of degrees and lift"),
        (ROWS, {"lift_unit": "bananas"}, "unit of lift 'bananas' is not known"),
        ("deg,lift (mm)\n" + ROWS, {"lift_unit": "in"}, "heading says mm, lift_unit says in"),
        (
            ROWS.replace("6.2", "1.2").replace("5.8", "1.1").replace("4.7", "1.0").replace("3.0", "0.9"),
            {},
            "leaves it open",
        ),
        ("\n".join(f"{a},{b},{b}" for a, b in zip(TABLE_DEG, TABLE_MM, strict=True)), {}, "which columns"),
        (
            "\n".join(f"{a},x,{b}" if a % 20 else f"{a},{b}," for a, b in zip(TABLE_DEG, TABLE_MM, strict=True)),
            {},
            "no table",
        ),
    ],
)
def test_files_that_are_no_cams(tmp_path: Path, text: str, how: dict, message: str) -> None:
    with pytest.raises(SheetError, match=message):
        read_cam_table(write(tmp_path, text), **how)


def test_plot_shows_lift_over_crank_angle() -> None:
    ax = lobe(name="invented lobe").plot()
    line = ax.lines[0]
    assert line.get_label() == "invented lobe"
    assert max(line.get_ydata()) == pytest.approx(9.3)
    assert "degrees" in ax.get_xlabel()
    assert lobe().plot(ax) is ax
    assert len(ax.lines) == 2
