"""The job file's [engine] and [cam] tables: what is read, and how what cannot be read is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from flowkit.engine.cam import Cam, cams_of_tables
from flowkit.engine.data import EngineData, engine_of_tables
from flowkit.errors import EngineError, JobError
from flowkit.fields import section
from flowkit.model import Side

PLAIN = {"cylinders": 4, "bore": "80.5 mm", "stroke": "78.5 mm", "rod": "138 mm", "compression_ratio": 10.5}
TIMED = {"opens": "12 BTDC", "closes": "52 ABDC", "checking_lift": "1 mm", "peak_lift": "9.5 mm"}


def engine_of(table: dict[str, Any]) -> EngineData:
    """The engine of a job's own table."""
    return engine_of_tables(table, {})[0]


def cam_of(table: dict[str, Any], folder: Path = Path(), side: Side = "intake") -> Cam:
    """The cam of one side's own table."""
    return cams_of_tables({side: table}, {}, folder)[side]


def test_every_key_is_read_in_its_unit() -> None:
    engine = engine_of(
        {
            **PLAIN,
            "bore": "3.1693 in",
            "intake_valves": 2,
            "exhaust_valves": 2,
            "speeds": [6000, "3000 rpm"],
            "intake_pressure": "98 kPa",
            "intake_temperature": "30 °C",
            "exhaust_pressure": "1.05e3 hPa",
            "exhaust_temperature": "850 K",
            "air_fuel_ratio": 13,
            "stoichiometric_ratio": "14.5",
            "bsfc": "0.5 lb/hp-h".replace("-", " "),
            "fuel_heating_value": "43 MJ/kg",
            "combustion_efficiency": 1,
            "wall_temperature": "450 K",
            "heat_transfer": "Hohenberg",
            "gamma": "constant",
            "gamma_value": 1.33,
            "wiebe_start": -25,
            "wiebe_duration": "55°",
            "wiebe_a": 6,
            "wiebe_m": 1.5,
            "intake_backflow": "fresh",
            "intake_reverse": 0.9,
            "exhaust_reverse": 0.95,
            "friction": [1.0, 0.1, 0.04],
            "ignition": "spark",
        }
    )
    assert engine.bore_m == pytest.approx(0.0805, abs=1e-6)
    assert engine.speeds_rpm == (3000.0, 6000.0)
    assert engine.intake_temperature_k == pytest.approx(303.15)
    assert engine.exhaust_pressure_pa == pytest.approx(105_000)
    # 1 lb/(hp·h) = 608.277 g/kWh (NIST SP 811: lb 0.45359237 kg, hp 745.6999 W).
    assert engine.bsfc_kg_j * 3.6e9 == pytest.approx(608.277 / 2, rel=1e-5)
    assert (engine.heat_transfer, engine.gamma, engine.intake_backflow) == ("hohenberg", "constant", "fresh")
    assert all(line.source == "stated" for line in engine.assumptions())


def test_what_is_not_stated_is_listed_as_assumed() -> None:
    lines = {line.name: line for line in engine_of(PLAIN).assumptions()}
    assert lines["bore"].source == "stated"
    assert lines["bore"].value == "80.5 mm"
    assert lines["bsfc"].source == "assumed"
    assert lines["bsfc"].value == "300 g/kWh"
    assert lines["speeds"].value == "20 speeds from 1500 to 7200 rpm"
    assert lines["heat_transfer"].value == "woschni"
    by_hand = {line.name: line.source for line in EngineData(4, 0.08, 0.08, 0.14, 10, air_fuel_ratio=13).assumptions()}
    assert (by_hand["air_fuel_ratio"], by_hand["bsfc"], by_hand["bore"]) == ("stated", "assumed", "stated")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"strok": "78 mm"}, r"\[engine\] has an unknown key 'strok'; did you mean 'stroke'"),
        ({"bore": "80.5"}, r"\[engine\], bore: '80.5' has no unit"),
        ({"bore": True}, "not a number or a text"),
        ({"bore": "0 mm"}, "must be above zero"),
        ({"bore": "80.5 in"}, "'80.5 in' is outside what is possible; it lies between 10 mm and 500 mm"),
        ({"stroke": "3.1 mm"}, "'3.1 mm' is outside what is possible; it must be at least 10 mm"),
        ({"speeds": [60, 3000]}, "outside what is possible; it must be at least 100 rpm"),
        ({"cylinders": 2.5}, "whole number of one or more"),
        ({"cylinders": "none"}, "whole number of one or more"),
        ({"compression_ratio": 1}, "compression_ratio: 1 is outside what is possible; it must be above 1"),
        ({"compression_ratio": "high"}, "'high' is not a number"),
        ({"gamma_value": 0.9}, "gamma_value: 0.9 is outside what is possible; it must be above 1"),
        ({"rod": "30 mm"}, "rod is shorter than half the stroke"),
        ({"combustion_efficiency": 97}, "outside what is possible"),
        ({"bsfc": "300"}, "'300' has no unit"),
        ({"bsfc": "a lot"}, "not a number with a unit"),
        ({"bsfc": "0 g/kWh"}, "must be above zero"),
        ({"heat_transfer": "best"}, "use one of woschni, hohenberg, none"),
        ({"speeds": []}, "there are 0 speeds"),
        ({"speeds": {"from": 2000, "to": 3000}}, "needs from, to and step"),
        ({"speeds": {"from": 3000, "to": 2000, "step": 100}}, "empty or has too many"),
        ({"wiebe_duration": 0}, "must be above zero"),
    ],
)
def test_engine_tables_that_cannot_be_used(change: dict, message: str) -> None:
    with pytest.raises(JobError, match=message):
        engine_of({**PLAIN, **change})


def test_missing_keys_are_named() -> None:
    with pytest.raises(JobError, match="lacks stroke, rod"):
        engine_of({key: PLAIN[key] for key in ("cylinders", "bore", "compression_ratio")})


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bore_m": 0.0}, "bore_m is 0"),
        ({"compression_ratio": 0.9}, "must be above 1"),
        ({"rod_m": 0.03}, "rod is shorter"),
        ({"combustion_efficiency": 1.2}, "between 0 and 1"),
        ({"gamma_value": 1.0}, "ratio of specific heats of 1"),
        ({"wiebe_duration_deg": 0.0}, "must be above zero"),
        ({"speeds_rpm": ()}, "none at all"),
    ],
)
def test_engines_that_cannot_be(change: dict, message: str) -> None:
    sizes = {"cylinders": 4, "bore_m": 0.08, "stroke_m": 0.08, "rod_m": 0.14, "compression_ratio": 10.0}
    with pytest.raises(EngineError, match=message):
        EngineData(**{**sizes, **change})


def test_rich_mixture_burns_no_more_than_its_air_allows() -> None:
    rich, just = (EngineData(4, 0.08, 0.08, 0.14, 10, air_fuel_ratio=ratio) for ratio in (12.0, 14.6))
    lean = EngineData(4, 0.08, 0.08, 0.14, 10, air_fuel_ratio=18.0)
    assert rich.heat_per_air_j_kg == just.heat_per_air_j_kg
    assert lean.heat_per_air_j_kg == pytest.approx(just.heat_per_air_j_kg * 14.6 / 18)


def test_small_readers() -> None:
    assert section("engine")["speeds"].read("4500 rpm") == (4500.0,)
    assert section("engine")["speeds"].read({"from": 2000, "to": 3000, "step": 500}) == (2000.0, 2500.0, 3000.0)
    assert section("cam")["opens"].read("55 bbdc") == (-55.0, "BDC", None)
    assert section("cam")["closes"].read("-4 ATDC") == (-4.0, "TDC", '"-4 ATDC" is taken as 4 BTDC')
    with pytest.raises(JobError, match="not a valve event"):
        cam_of({**TIMED, "opens": "55 before"})


def test_cam_of_timing_knows_its_side_by_its_dead_centres() -> None:
    intake = cam_of(TIMED)
    exhaust = cam_of(
        {**TIMED, "opens": "55 BBDC", "closes": "15 ATDC", "name": "invented", "lash": "0.2 mm"}, side="exhaust"
    )
    assert intake.lift([348.0, 592.0]) == pytest.approx([0.001, 0.001])
    assert exhaust.lift([125.0, 375.0]) == pytest.approx([0.0008, 0.0008])
    assert exhaust.name == "invented"


def test_cam_of_a_table(tmp_path: Path) -> None:
    rows = [(-70, 0), (-50, 0.5), (-30, 3), (0, 6), (30, 3), (50, 0.5), (70, 0)]
    (tmp_path / "cam.csv").write_text("deg,lift (mm)\n" + "\n".join(f"{a},{b}" for a, b in rows), encoding="utf-8")
    table = {"table": "cam.csv", "degrees": "cam", "lift_at": "cam", "rocker_ratio": 1.4}
    cam = cam_of({**table, "centreline": "110 BTDC"}, tmp_path)
    assert float(cam.lift(250.0)) == pytest.approx(0.0084)
    other = cam_of({**table, "zero": "Firing TDC"}, tmp_path)
    assert float(other.lift(0.0)) == pytest.approx(0.0084)
    with pytest.raises(JobError, match=r"\[cam.intake\]: cam.csv: it is not certain which crank angle"):
        cam_of(table, tmp_path)
    with pytest.raises(JobError, match="counts from top dead centre"):
        cam_of({**table, "centreline": "70 ABDC"}, tmp_path)
    with pytest.raises(JobError, match="opens cannot be used beside a measured table"):
        cam_of({**table, "opens": "12 BTDC"}, tmp_path)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"peak": "9 mm"}, "did you mean 'peak_lift'"),
        ({"degrees": "cam"}, "degrees cannot be used beside opens and closes"),
        ({"lift_at": "cam"}, "needs the rocker ratio"),
        ({"lash": "-0.1 mm"}, "negative"),
        ({"closes": "15 ATDC"}, "opens and closes at the same dead centre"),
        ({"checking_lift": "20 mm"}, "not below the peak lift"),
        ({"peak_lift": "9"}, "has no unit"),
    ],
)
def test_cam_tables_that_cannot_be_used(change: dict, message: str) -> None:
    with pytest.raises(JobError, match=message):
        cam_of({**TIMED, **change})


def test_missing_cam_keys_are_named() -> None:
    with pytest.raises(JobError, match="lacks closes and peak_lift"):
        cam_of({"opens": "12 BTDC", "checking_lift": "1 mm"})


def test_a_rocker_ratio_that_changes_nothing_is_refused() -> None:
    """The job's lifts are the valve's: another ratio over them gave the same figures without a word."""
    timing = {"opens": "16 BTDC", "closes": "52 ABDC", "checking_lift": "1 mm", "peak_lift": "9 mm"}
    with pytest.raises(JobError, match="changes nothing"):
        cams_of_tables({"intake": timing}, {"intake": {"rocker_ratio": 1.6}}, Path())
    at_cam = {**timing, "lift_at": "cam", "rocker_ratio": 1.5, "peak_lift": "6 mm", "checking_lift": "0.5 mm"}
    changed = cams_of_tables({"intake": at_cam}, {"intake": {"rocker_ratio": 1.6}}, Path())["intake"]
    assert changed.peak_lift_m == pytest.approx(9.6e-3)
