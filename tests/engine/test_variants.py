"""An engine, cam and bore for each variant; compression from volumes; cam cards; what is said of it (spec §8)."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowkit.engine.cam import Cam, cams_of_tables
from flowkit.engine.data import engine_of_tables
from flowkit.engine.figures import Case, LiftedCurve, PortCurves, peak_of
from flowkit.engine.results import EngineResult
from flowkit.engine.run import VariantEngine, engine_findings, run_engine
from flowkit.engine.sentences import cautions_for
from flowkit.errors import EngineError, FlowkitError, JobError
from flowkit.job import Job
from flowkit.job.engine import whatif
from flowkit.model import Reference
from flowkit.samples import sample_job
from tests.engine.samples import CAMS, ENGINE, TWO, VALVES, comparison, intake_cam

RATIO = {"cylinders": 4, "bore": "80 mm", "stroke": "80 mm", "rod": "140 mm", "compression_ratio": 10}
PARTS = {
    "chamber_volume": "42 cc",
    "milled": "0.5 mm",
    "chamber_area": "44 cm²",
    "gasket_bore": "81 mm",
    "gasket_thickness": "1.2 mm",
    "deck_clearance": "-0.2 mm",
    "crown_volume": "-3 cc",
}
VOLUMES = {**{key: value for key, value in RATIO.items() if key != "compression_ratio"}, **PARTS}
CARD = {"duration": 244, "checking_lift": "1 mm", "lobe_lift": "6.5 mm", "rocker_ratio": 1.5}


# --- compression ---------------------------------------------------------------------------


def test_compression_from_volumes_by_hand() -> None:
    """42 − 44·0.05 + π/4·8.1²·0.12 − π/4·8²·0.02 + 3 cm³, and 402.1 cm³ displaced (geometry)."""
    engine, findings = engine_of_tables(VOLUMES, {})
    clearance = 42 - 2.2 + math.pi / 4 * 8.1**2 * 0.12 - math.pi / 4 * 64 * 0.02 + 3
    displaced = math.pi / 4 * 64 * 8
    assert engine.compression_ratio == pytest.approx(1 + displaced / clearance, rel=1e-12)
    assert engine.clearance_m3 == pytest.approx(clearance * 1e-6, rel=1e-12)
    assert engine.volumes is not None
    assert engine.volumes.milled_m3 == pytest.approx(2.2e-6)
    assert findings == ()


@pytest.mark.parametrize("part", [key for key in PARTS if key != "chamber_area"])
def test_every_part_of_the_volume_must_be_stated(part: str) -> None:
    with pytest.raises(JobError, match=f"without {part}"):
        engine_of_tables({key: value for key, value in VOLUMES.items() if key != part}, {})


@pytest.mark.parametrize(
    ("common", "own", "ratio", "rules"),
    [
        (RATIO, {"compression_ratio": 11}, 11.0, []),
        (RATIO, {"rod": "150 mm"}, 10.0, []),
        # 402.12 cm³ over 9 is 44.68 cm³, kept while the bore grows to 82 mm (422.48 cm³), or less 2.2 cm³.
        (RATIO, {"bore": "82 mm"}, 1 + 422.4813 / 44.68043, ["compression-follows"]),
        (RATIO, {"milled": "0.5 mm", "chamber_area": "44 cm²"}, 1 + 402.1239 / 42.48043, ["compression-follows"]),
        (VOLUMES, {"compression_ratio": 9.5}, 9.5, []),
        (VOLUMES, {"chamber_volume": "40 cc"}, None, []),
        ({**VOLUMES, "gasket_bore": "79 mm"}, {}, None, ["compression-doubtful"]),
        ({**VOLUMES, "deck_clearance": "-1.3 mm"}, {}, None, ["compression-doubtful"]),
    ],
)
def test_which_statement_of_compression_counts(
    common: dict[str, Any], own: dict[str, Any], ratio: float | None, rules: list[str]
) -> None:
    engine, findings = engine_of_tables(common, own)
    assert [finding.rule for finding in findings] == rules
    if ratio is not None:
        assert engine.compression_ratio == pytest.approx(ratio, rel=1e-6)


def test_a_new_chamber_volume_starts_without_the_milling() -> None:
    engine, _ = engine_of_tables(VOLUMES, {"chamber_volume": "40 cc"})
    assert engine.volumes is not None
    assert engine.volumes.milled_m3 == 0
    again, _ = engine_of_tables(VOLUMES, {"chamber_volume": "40 cc", "milled": "0.1 mm"})
    assert again.volumes is not None
    assert again.volumes.milled_m3 == pytest.approx(0.44e-6)


@pytest.mark.parametrize(
    ("common", "own", "message"),
    [
        ({**RATIO, "milled": "0.5 mm"}, {}, "states compression_ratio and milled"),
        (RATIO, {"compression_ratio": 11, "crown_volume": "1 cc"}, "states compression_ratio and crown_volume"),
        (RATIO, {"milled": "0.5 mm"}, "milled needs chamber_area"),
        (RATIO, {"chamber_volume": "40 cc"}, "cannot be worked out without"),
        ({**VOLUMES, "crown_volume": "60 cc"}, {}, "the clearance volume comes to"),
        ({**VOLUMES, "milled": "-0.5 mm"}, {}, "is negative"),
        ({**RATIO, "ignition": "compression"}, {}, "outside the model"),
        ({**RATIO, "friction": [1, 2]}, {}, "three numbers"),
    ],
)
def test_compression_that_cannot_be_used(common: dict[str, Any], own: dict[str, Any], message: str) -> None:
    with pytest.raises(JobError, match=message):
        engine_of_tables(common, own)


def test_rebored_with_the_same_chamber() -> None:
    engine, _ = engine_of_tables(VOLUMES, {})
    bored = engine.with_bore(0.082)
    stated, _ = engine_of_tables(VOLUMES, {"bore": "82 mm"})
    assert bored.compression_ratio == pytest.approx(stated.compression_ratio, rel=1e-12)


# --- cam cards -------------------------------------------------------------------------------


def test_a_cam_card_by_hand() -> None:
    """Lobe separation 108°, 4° advanced: intake at 104° ATDC, exhaust at 112° BTDC, 122° each way at the checking
    lift of 1 mm at the cam, which is 1.5 mm at the valve; 9.75 mm less 0.25 mm lash."""
    table = {"lobe_separation": 108, "advance": "4 deg", "intake": {**CARD, "lash": "0.25 mm"}, "exhaust": CARD}
    cams = cams_of_tables(table, {}, Path())
    assert cams["intake"].lift([360 + 104 - 122, 360 + 104 + 122]) == pytest.approx([0.00125, 0.00125], rel=1e-9)
    assert cams["exhaust"].lift([360 - 112 - 122, 360 - 112 + 122]) == pytest.approx([0.0015, 0.0015], rel=1e-9)
    assert cams["intake"].peak_lift_m == pytest.approx(0.0095)
    at_valve = cams_of_tables({**table, "intake": {**CARD, "lift_at": "valve"}}, {}, Path())["intake"]
    assert float(at_valve.lift(342.0)) == pytest.approx(0.001, rel=1e-9)


def test_card_and_timing_of_the_same_cam_are_one() -> None:
    """Half a duration of 122° about 104° ATDC opens 18 BTDC and closes 46 ABDC."""
    card = cams_of_tables({"intake": {**CARD, "centreline": "104 ATDC", "lift_at": "valve"}}, {}, Path())["intake"]
    timed = cams_of_tables(
        {"intake": {"opens": "18 BTDC", "closes": "46 ABDC", "checking_lift": "1 mm", "peak_lift": "9.75 mm"}},
        {},
        Path(),
    )["intake"]
    theta = np.linspace(300, 620, 33)
    assert card.lift(theta) == pytest.approx(timed.lift(theta), abs=1e-12)


@pytest.mark.parametrize(
    ("table", "own", "intake", "exhaust"),
    [
        ({"lobe_separation": 108, "intake": {**CARD, "centreline": "104 ATDC"}, "exhaust": CARD}, {}, 104, 112),
        ({"lobe_separation": 108, "advance": 0, "intake": CARD, "exhaust": CARD}, {"advance": 6}, 102, 114),
        ({"lobe_separation": 108, "advance": 0, "intake": CARD, "exhaust": CARD}, {"lobe_separation": 110}, 110, 110),
    ],
)
def test_centrelines(table: dict[str, Any], own: dict[str, Any], intake: float, exhaust: float) -> None:
    cams = cams_of_tables(table, own, Path())
    assert sum(cams["intake"].open_period) / 2 - 360 == pytest.approx(intake)
    assert 360 - sum(cams["exhaust"].open_period) / 2 == pytest.approx(exhaust)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"intake": CARD}, "nothing says where the lobe's middle is"),
        ({"lobe_separation": 108, "intake": CARD}, "nothing says where"),
        ({"advance": 4, "intake": CARD}, "advance needs lobe_separation"),
        ({"lobe_separation": 108, "advance": 4, "intake": {**CARD, "centreline": "106 ATDC"}}, "cannot both be right"),
        ({"intake": {**CARD, "peak_lift": "9 mm", "centreline": "106 ATDC"}}, "needs lobe_lift or peak_lift"),
        (
            {"intake": {key: value for key, value in CARD.items() if key != "checking_lift"}},
            "lacks checking_lift",
        ),
        (
            {"intake": {key: value for key, value in CARD.items() if key != "rocker_ratio"}},
            "lobe_lift needs the rocker ratio",
        ),
    ],
)
def test_cards_that_cannot_be_used(table: dict[str, Any], message: str) -> None:
    with pytest.raises(JobError, match=message):
        cams_of_tables(table, {}, Path())


def test_another_cam_counts_alone_and_single_keys_change_the_jobs() -> None:
    timed = {"opens": "12 BTDC", "closes": "52 ABDC", "checking_lift": "1 mm", "peak_lift": "9.5 mm", "lash": "0.3 mm"}
    other = {key: value for key, value in timed.items() if key != "lash"}
    changed = cams_of_tables({"intake": timed}, {"intake": {"lash": "0.1 mm"}}, Path())["intake"]
    assert changed.peak_lift_m == pytest.approx(0.0094)
    alone = cams_of_tables({"intake": timed}, {"intake": {**other, "opens": "20 BTDC"}}, Path())["intake"]
    assert alone.lash_m == 0


def test_a_sign_in_the_timing_is_understood_and_said() -> None:
    cam = cams_of_tables(
        {"exhaust": {"opens": "54 BBDC", "closes": "-4 ATDC", "checking_lift": "0 mm", "peak_lift": "9 mm"}}, {}, Path()
    )["exhaust"]
    assert cam.open_period == pytest.approx((126.0, 356.0))
    assert cam.timing_notes == ('"-4 ATDC" is taken as 4 BTDC',)


# --- the engine of each variant ------------------------------------------------------------------

QUICK = replace(ENGINE, speeds_rpm=(3000.0, 5000.0, 6500.0))
REBUILT = replace(QUICK, bore_m=0.082, compression_ratio=11.5, speeds_rpm=(3000.4, 5000.0, 6500.0))


@pytest.fixture(scope="module")
def compared() -> Any:
    return comparison(TWO)


@pytest.fixture(scope="module")
def result(compared: Any) -> EngineResult:
    own = {
        "as received": VariantEngine(QUICK, CAMS, VALVES, {"intake": {"ports": "cast"}}, 0.0805),
        "ported": VariantEngine(
            REBUILT, {**CAMS, "intake": intake_cam(0.0105)}, VALVES, {"intake": {"ports": "blended"}}, 0.082
        ),
    }
    return run_engine(compared, QUICK, CAMS, reference=Reference(), own=own)


def test_variants_are_compared_each_in_its_own_engine(result: EngineResult) -> None:
    (difference,) = result.differences
    assert difference.changed == ("cam.intake", "engine.bore", "engine.compression_ratio", "ports", "reference.bore")
    assert difference.speeds_rpm == (3000.0, 5000.0, 6500.0)
    # Air is mass, filling is referred to the own displacement: they differ by it and by the slightly other speed.
    displaced = (0.082 / 0.0805) ** 2
    for air, filling, speed in zip(
        difference.air_flow, difference.volumetric_efficiency, (3000.4, 5000, 6500), strict=True
    ):
        assert (1 + air) / (1 + filling) == pytest.approx(displaced * speed / round(speed, -1), rel=1e-9)
    text = " ".join(result.sentences)
    assert "Air mass" in text and "filling (volumetric efficiency)" in text


def test_brake_figures_are_indicated_less_barnes_moss_friction(result: EngineResult) -> None:
    """fmep = 0.97 + 0.15·5 + 0.05·25 = 2.97 bar at 5000/min (Heywood 1988, eq. 13.6, from memory)."""
    filling = result.variants[0].filling
    assert filling is not None
    assert filling.friction_mep_pa[1] == pytest.approx(2.97e5)
    indicated, brake = filling.indicated_mep_pa[1], filling.brake_mep_pa[1]
    assert indicated is not None
    assert brake is not None
    assert brake == pytest.approx(indicated - 2.97e5)
    swept = 4 * QUICK.displacement_m3
    assert filling.brake_torque_nm[1] == pytest.approx(brake * swept / (4 * math.pi))
    assert filling.brake_power_w[1] == pytest.approx(brake * swept * 5000 / 120)


def test_peak_is_that_of_the_parabola() -> None:
    """P = 80 − (N − 5.3)²/2 through 5, 5.2 and 6 thousand."""
    speeds = [4000.0, 5000.0, 5200.0, 6000.0]
    peak = peak_of(speeds, [80 - (speed / 1e3 - 5.3) ** 2 / 2 for speed in speeds])
    assert peak is not None
    assert (peak.speed_rpm, peak.brake_power_w, peak.inside) == (pytest.approx(5300), pytest.approx(80), True)
    rising = peak_of(speeds, [1.0, 2.0, 3.0, 4.0])
    assert rising is not None
    assert (rising.speed_rpm, rising.inside) == (6000.0, False)
    beside = peak_of(speeds, [1.0, None, 3.0, 2.0])
    assert beside is not None
    assert not beside.inside
    assert peak_of(speeds, [None] * 4) is None


def test_json_of_variants_is_as_documented(result: EngineResult) -> None:
    document = json.loads(result.to_json())
    variant = document["variants"][1]
    assert variant["engine"]["bore_m"] == 0.082
    assert variant["engine"]["displacement_m3"] == pytest.approx(4 * REBUILT.displacement_m3)
    assert variant["engine"]["clearance_volume_m3"] == pytest.approx(REBUILT.displacement_m3 / 10.5)
    assert variant["cam"]["exhaust"]["opens_deg"] < 0
    assert variant["cam"]["intake"]["peak_lift_m"] == pytest.approx(0.0105)
    assert {"friction_mep_pa", "brake_power_w", "not_firing", "peak", "air_flow_kg_s"} <= set(variant["filling"])
    assert {"from", "to", "air_flow", "brake_torque", "peak_speed", "changed"} <= set(document["differences"][0])


def test_cautions_fit_what_changed_and_come_first(result: EngineResult) -> None:
    assert result.cautions[0].startswith("Higher compression or filling")
    assert "retainer to guide" in result.cautions[1]
    assert result.cautions[2].startswith("Rebored")
    assert any("wall thickness" in text for text in result.cautions)
    assert not any("stems: an exhaust" in text for text in result.cautions)


def test_recut_seats_and_other_valves_have_cautions_of_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    case, flows = SimpleNamespace(valves=VALVES, engine=QUICK), SimpleNamespace(filling=None)
    monkeypatch.setattr("flowkit.engine.figures.what_changed", lambda before, after: ("seats", "valves"))
    first, second, *rest = cautions_for(case, case, flows, flows)
    assert first.startswith("Other valves: check valve-to-piston")
    assert second.startswith("Recut seats: check installed spring height")
    assert not any(text.startswith(("Other valves", "Recut", "Slimmer", "Bigger")) for text in rest)


def test_averages_are_of_each_ports_own_curve() -> None:
    """A port measured at 2 and 6 mm and one at 3, 6 and 8: the mean at 4 mm is that of both curves, to 6 mm only."""
    one, two = LiftedCurve((0.002, 0.006), (0.02, 0.05)), LiftedCurve((0.003, 0.006, 0.008), (0.03, 0.05, 0.06))
    both = PortCurves((one, two))
    assert float(both(0.004)) == pytest.approx((float(one(0.004)) + float(two(0.004))) / 2, rel=1e-12)
    assert both.highest_m == 0.006
    assert not both.covers(0.007)


def rules_of(compared: Any, engine: Any, **own: Any) -> dict[str, str]:
    given = VariantEngine(engine, CAMS, own.get("valves", VALVES), {}, own.get("bore_m"))
    found = run_engine(compared, engine, CAMS, reference=Reference(), own=dict.fromkeys(TWO, given)).findings
    return {finding.rule: finding.severity for finding in found}


def test_doubts_about_the_engine(compared: Any) -> None:
    one = replace(QUICK, speeds_rpm=(7500.0,))
    assert rules_of(compared, one)["friction-range"] == "note"
    high = rules_of(compared, replace(one, compression_ratio=16.0))
    assert high["ignition-unstated"] == "error"
    stated = replace(one, compression_ratio=16.0, stated=("ignition", "friction_pa"))
    assert not {"ignition-unstated", "friction-range"} & set(rules_of(compared, stated))
    big = {"intake": replace(VALVES["intake"], head_m=0.046), "exhaust": replace(VALVES["exhaust"], head_m=0.039)}
    assert rules_of(compared, one, valves=big)["valves-do-not-fit"] == "warning"
    huge = {**big, "intake": replace(VALVES["intake"], head_m=0.085)}
    assert rules_of(compared, one, valves=huge)["valves-do-not-fit"] == "error"
    tight = {"intake": replace(VALVES["intake"], head_m=0.0435), "exhaust": replace(VALVES["exhaust"], head_m=0.0365)}
    assert rules_of(compared, one, valves=tight)["valves-may-touch"] == "warning"
    assert rules_of(compared, one, bore_m=0.083)["geometry-differs"] == "warning"


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"intake_pressure_pa": 69e3}, "for a boosted one add"),
        ({"bore_m": 0.00805}, "a bore of 8.05 mm"),
        ({"compression_ratio": 2.0}, "a compression ratio of 2 "),
        ({"intake_temperature_k": 20.0}, "an intake temperature of 20 K"),
        ({"exhaust_temperature_k": 363.0}, "an exhaust temperature of 363 K"),
        ({"air_fuel_ratio": 5.0}, "an air-fuel ratio of 5 to 1"),
        ({"speeds_rpm": (3.0, 5.0)}, "a fastest speed of 5 rpm"),
        ({"gamma_value": 1.05, "stated": ("gamma_value",)}, "gamma_value is not used"),
    ],
)
def test_inputs_of_no_usual_engine_are_asked_about(compared: Any, changed: dict[str, Any], words: str) -> None:
    """Possible, but more likely a slip of a unit: each gave figures without a word before."""
    case = Case("one", replace(QUICK, **changed), CAMS, {}, {})
    said = [item.message.lower() for item in engine_findings([case]) if item.rule == "engine-doubtful"]
    assert any(words.lower() in text for text in said)
    usual = Case("one", QUICK, CAMS, {}, {})
    assert not [item for item in engine_findings([usual]) if item.rule == "engine-doubtful"]
    wide = Cam.from_timing(opens_deg=200, closes_deg=592, checking_lift_m=1e-3, peak_lift_m=0.009)
    cams = {**CAMS, "intake": wide}
    assert "open for" in next(
        item.message for item in engine_findings([replace(usual, cams=cams)]) if item.rule == "engine-doubtful"
    )


def test_no_speed_in_common_is_said(compared: Any) -> None:
    own = {
        "as received": VariantEngine(replace(QUICK, speeds_rpm=(4000.0,)), CAMS),
        "ported": VariantEngine(replace(QUICK, speeds_rpm=(4500.0,)), CAMS),
    }
    found = run_engine(compared, QUICK, CAMS, reference=Reference(), own=own)
    assert ("no-common-speed", "note") in {(item.rule, item.severity) for item in found.findings}
    assert found.differences[0].speeds_rpm == ()


def test_light_load_is_left_out_in_words_and_the_command_does_not_fail(compared: Any) -> None:
    """25 kPa at 1500 rpm once ended in a traceback (issue 5)."""
    light = replace(QUICK, intake_pressure_pa=25e3, speeds_rpm=(1500.0, 7000.0))
    found = run_engine(compared, light, CAMS, reference=Reference())
    finding = next(item for item in found.findings if item.rule == "not-firing")
    assert finding.severity == "warning"
    assert "1500 rpm" in finding.message
    filling = found.variants[0].filling
    assert filling is not None
    assert filling.brake_torque_nm[0] is None
    assert filling.brake_torque_nm[1] is not None
    assert found.differences[0].speeds_rpm == (7000.0,)
    assert found.table()["brake_torque_nm"].isna().sum() == 2


def test_brake_figures_below_zero_are_no_peak_and_repeated_findings_are_said_once(compared: Any) -> None:
    """25 kPa (issue 5): a largest power below zero was printed as "> -14.3 kW", and every note once a variant."""
    light = replace(QUICK, intake_pressure_pa=25e3, speeds_rpm=(1500.0, 7000.0))
    found = run_engine(compared, light, CAMS, reference=Reference())
    peak = found.variants[0].filling and found.variants[0].filling.peak
    assert peak
    assert peak.brake_power_w < 0
    assert "more than the friction takes" in found.sentences[0]
    notes = [item for item in found.findings if item.rule == "engine-doubtful"]
    assert [item.where for item in notes] == ["; ".join(TWO)]
    none = run_engine(compared, replace(light, speeds_rpm=(1500.0,)), CAMS, reference=Reference())
    assert "'as received' and 'ported' do not fire at any speed" in none.sentences[0]


def quick_job() -> Job:
    """The sample job at three speeds: what is asked here holds at any."""
    job = Job.load(sample_job())
    return replace(job, engine_table={**job.engine_table, "speeds": [3000, 5000, 6500]})


def test_a_sweep_is_a_table_of_all_values() -> None:
    job = quick_job()
    table = job.engine_sweep("compression_ratio", [9.0, 12.0], variant="as received")
    work = table.groupby("compression_ratio")["indicated_mep_pa"].max()
    assert work[12.0] > work[9.0]
    with pytest.raises(EngineError, match="was flowed to"):
        job.engine_sweep("intake.peak_lift", ["12 mm"])
    with pytest.raises(EngineError, match="no variant"):
        job.engine_sweep("bore", ["81 mm"], variant="nothing")


@pytest.mark.parametrize(
    ("quantity", "values", "words"),
    [
        ("compression_ratio", [], "a value is missing"),
        ("compression_ratio", [10, None], "a value is missing"),
        ("compression_ratio", 10, "is not a list of values"),
        ("compression_ratio", "10", "is not a list of values"),
        ("compression_ratio", [20], "is above 15"),
        ("compression_ratio", ["a"], "is not a number"),
        ("cam.advance", ["x"], "'x'"),
        ("cam.advance", [float("nan")], "is not a number"),
        ("bore", [80], "has no unit"),
        ("valves.intake.head", ["80 mm"], "is not possible"),
        ("valves.intake.width", ["80 mm"], "no dimension"),
        ("nonsense", [1], "unknown key"),
        ("intake.nonsense", [1], "unknown key"),
        ("intake.", [1], "unknown key"),
    ],
)
def test_a_sweep_refuses_what_it_cannot_use(quantity: str, values: Any, words: str) -> None:
    with pytest.raises(FlowkitError, match=words):
        Job.load(sample_job()).engine_sweep(quantity, values)


def test_a_sweep_of_bore_or_valve_is_the_what_if() -> None:
    """The bore changes the flow round the valve and, the chamber kept, the ratio; so does it in a sweep."""
    job = quick_job()
    for quantity, value, predicted in (
        ("bore", "82 mm", whatif(job, bore="82 mm", variant="as received")),
        ("valves.intake.stem", "6 mm", whatif(job, valves=["intake.stem=6mm"], variant="as received")),
    ):
        table = job.engine_sweep(quantity, [value], variant="as received")
        expected = predicted.variants[1].filling
        assert expected is not None
        assert table["indicated_mep_pa"].tolist() == pytest.approx(expected.indicated_mep_pa, rel=1e-4)


def test_a_sweep_of_advance_is_the_job_files_advance_where_cards_are_placed_by_it(tmp_path: Path) -> None:
    """With lobe_separation, advance is an angle of its own: 4 is IC = separation - 4, whatever the job says now."""
    text = sample_job().read_text(encoding="utf-8").partition("# The engine this head")[0]
    card = 'duration = 248\nchecking_lift = "1 mm"\nlift_at = "valve"\npeak_lift = "{}"\n'
    for side, lift in (("intake", "9.8 mm"), ("exhaust", "9.4 mm")):
        start = text.index(f"[cam.{side}]")
        end = text.index("peak_lift", start)
        text = text[:start] + f"[cam.{side}]\n" + card.format(lift) + text[text.index("\n", end) + 1 :]
    text = text.replace("[engine]\n", "[engine]\nspeeds = [3000, 5000, 6500]\n", 1)
    text = text.replace("[cam.intake]", "[cam]\nlobe_separation = 108\nadvance = 2\n[cam.intake]", 1)
    for name in ("as_received.csv", "after_work.xlsx"):
        (tmp_path / name).write_bytes((sample_job().parent / name).read_bytes())
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    swept = Job.load(path).engine_sweep("cam.advance", [6], variant="as received")
    path.write_text(text.replace("advance = 2", "advance = 6"), encoding="utf-8")
    stated = Job.load(path).engine_result(variant="as received").variants[0].filling
    assert stated is not None
    assert swept["indicated_mep_pa"].tolist() == pytest.approx(stated.indicated_mep_pa, rel=1e-4)
