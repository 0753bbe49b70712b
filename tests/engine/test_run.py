"""From a comparison to the engine, and what if."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.figures import LiftedCurve, PortCurves, cam_weighted_mean, cam_weighted_mean_flow, relative_u95
from flowkit.engine.results import EngineResult
from flowkit.engine.run import other_bore, parse_change, run_engine, whatif
from flowkit.errors import EngineError, RangeError
from flowkit.model import Reference, Side, ValveGeometry
from tests.engine.samples import CAMS, ENGINE, LIFTS, TWO, VALVES, area, comparison, exhaust_cam, intake_cam

QUICK = replace(ENGINE, speeds_rpm=(6000.0,))
BY_NAME = dict.fromkeys(("as received", "ported"), VALVES)


@pytest.fixture(scope="module")
def compared() -> Any:
    return comparison(TWO)


@pytest.fixture(scope="module")
def result(compared: Any) -> EngineResult:
    return run_engine(compared, QUICK, CAMS, reference=Reference(), valves=BY_NAME)


def rules(result: EngineResult) -> list[tuple[str, str]]:
    return [(finding.rule, finding.severity) for finding in result.findings]


def test_cam_weighted_mean_against_a_plain_sum(compared: Any, result: EngineResult) -> None:
    flow = compared.sides["intake"].variant("ported")
    cam = CAMS["intake"]
    opens, closes = cam.open_period
    theta = opens + (closes - opens) * (np.arange(200_000) + 0.5) / 200_000
    lifts, flows = np.array([0.0, *flow.lifts_m]), np.array([0.0, *flow.flow_m3_s])
    from scipy.interpolate import PchipInterpolator

    plain = float(np.mean(PchipInterpolator(lifts, flows)(cam.lift(theta))))
    assert result.variant("ported").cam_weighted_mean_flow_m3_s.intake == pytest.approx(plain, rel=1e-8)
    assert cam_weighted_mean_flow(cam, flow.lifts_m, flow.flow_m3_s) == pytest.approx(plain, rel=1e-8)


def test_flow_that_grows_in_proportion_gains_that_much_everywhere(result: EngineResult) -> None:
    intake, exhaust = result.cam_weighted_gains
    assert (intake.side, intake.from_, intake.to, intake.kind) == ("intake", "as received", "ported", "step and total")
    assert intake.gain == pytest.approx(0.1)
    assert exhaust.gain == pytest.approx(0.86 / 0.80 - 1)
    difference = result.differences[0]
    assert difference.speed_at_half == pytest.approx(0.1)
    assert difference.volumetric_efficiency[0] > 0
    assert len(difference.brake_torque) == 1
    assert difference.air_flow == pytest.approx(difference.volumetric_efficiency)  # one displacement
    assert difference.changed == ()


def test_interval_of_a_proportional_gain_is_that_of_the_mean_flow(compared: Any, result: EngineResult) -> None:
    """The scatter is a shift of whole runs, common along the curve, so the cam changes nothing."""
    gain = compared.sides["intake"].gains[0]
    cam_gain = result.cam_weighted_gains[0]
    assert cam_gain.u95 == pytest.approx(gain.mean_flow_gain_u95, rel=0.05)
    assert cam_gain.resolved is True


def test_interval_shrinks_with_independent_errors(compared: Any) -> None:
    gain = compared.sides["intake"].gains[0]
    after = PortCurves.of(compared.sides["intake"].variant("ported"))
    common = relative_u95(replace(gain, mean_flow_gain_u95=10.0), (0.001, 0.011), after, CAMS["intake"])
    apart = relative_u95(replace(gain, mean_flow_gain_u95=1e-9), (0.001, 0.011), after, CAMS["intake"])
    assert common is not None
    assert apart is not None
    per_lift = [item.u95 / (1 + item.gain) for item in gain.per_lift]
    assert min(per_lift) * 0.999 <= common <= max(per_lift) * 1.001
    # Eleven lifts of unequal shares: more than a third and less than half of the common one.
    assert 0.25 < apart / common < 0.5
    one = replace(gain, per_lift=gain.per_lift[:1])
    assert relative_u95(one, (0.001, 0.011), after, CAMS["intake"]) == pytest.approx(per_lift[0])


def test_gains_without_repeatability_are_not_assessed() -> None:
    single = comparison({"a": {"intake": 1.0}, "b": {"intake": 1.1}}, runs=1)
    result = run_engine(single, QUICK, {"intake": CAMS["intake"]}, reference=Reference())
    gain = result.cam_weighted_gains[0]
    assert gain.u95 is None
    assert gain.resolved is None
    assert gain.not_assessed_because
    assert "interval not assessed" in result.sentences[-1]


def test_only_matched_ports_are_compared() -> None:
    scales: dict[str, dict[Side, float]] = {"a": {"intake": 1.0}, "b": {"intake": 1.1}}
    uneven = comparison(scales, ports={"a": ("1", "2"), "b": ("1",)})
    result = run_engine(uneven, QUICK, {"intake": CAMS["intake"]}, reference=Reference())
    assert result.cam_weighted_gains[0].gain == pytest.approx(0.1)
    means = [variant.cam_weighted_mean_flow_m3_s.intake for variant in result.variants]
    assert means[1] / means[0] != pytest.approx(1.1, abs=1e-4)


def test_a_side_alone_gives_what_it_can() -> None:
    alone = comparison({"a": {"intake": 1.0}, "b": {"intake": 1.1}})
    result = run_engine(alone, QUICK, CAMS, reference=Reference())
    assert rules(result) == [("side-untested", "warning"), ("beyond-cam", "note")]
    variant = result.variant("a")
    assert variant.filling is None
    assert variant.power is None
    assert variant.mach is not None
    assert variant.cam_weighted_mean_flow_m3_s.exhaust is None
    assert result.differences[0].volumetric_efficiency == ()
    assert result.differences[0].speed_at_half == pytest.approx(0.1)
    assert "indicated" not in " ".join(result.sentences)
    assert list(result.table()["z"].notna()) == [True, True]
    with pytest.raises(EngineError, match="no variant has volumetric_efficiency"):
        result.plot()
    only_exhaust = run_engine(
        comparison({"a": {"exhaust": 1.0}, "b": {"exhaust": 1.1}}),
        QUICK,
        {"exhaust": CAMS["exhaust"]},
        reference=Reference(),
    )
    assert ("cam-missing", "warning") in rules(only_exhaust)
    assert only_exhaust.differences == ()
    assert only_exhaust.table().empty


def test_short_of_the_cam_is_an_error_and_nothing_is_made_of_it(compared: Any) -> None:
    cams = {"intake": intake_cam(0.0115), "exhaust": CAMS["exhaust"]}
    result = run_engine(compared, QUICK, cams, reference=Reference())
    assert rules(result).count(("short-of-cam", "error")) == 2
    variant = result.variants[0]
    assert variant.cam_weighted_mean_flow_m3_s.intake is None
    assert variant.cam_weighted_mean_flow_m3_s.exhaust is not None
    assert variant.mach is None
    assert variant.filling is None
    assert [gain.side for gain in result.cam_weighted_gains] == ["exhaust"]
    message = next(finding for finding in result.findings if finding.rule == "short-of-cam").message
    assert "11.00 mm (0.433 in)" in message
    assert "11.50 mm (0.453 in)" in message


def test_a_cam_within_a_micrometre_of_the_bench_is_covered(compared: Any) -> None:
    cams = {"intake": intake_cam(0.0110009), "exhaust": CAMS["exhaust"]}
    result = run_engine(compared, QUICK, cams, reference=Reference())
    assert ("short-of-cam", "error") not in rules(result)
    assert [finding.where for finding in result.findings if finding.rule == "beyond-cam"] == ["[cam.exhaust]"]


def test_curves_are_never_continued() -> None:
    with pytest.raises(RangeError, match="never extended"):
        cam_weighted_mean(intake_cam(0.012), PortCurves((LiftedCurve(LIFTS, LIFTS),)))
    with pytest.raises(RangeError, match="outside the measured lifts"):
        LiftedCurve(LIFTS, LIFTS)(0.02)
    with pytest.raises(EngineError, match="no lift above zero"):
        LiftedCurve((), ())
    assert LiftedCurve((0.0, 0.01), (0.003, 0.1))(0.0) == 0


def test_exchanged_cams_are_refused(compared: Any) -> None:
    with pytest.raises(
        EngineError,
        match=r"\[cam\.intake\]: the intake cam 'invented exhaust' is open .* not an intake stroke",
    ):
        run_engine(compared, QUICK, {"intake": exhaust_cam()}, reference=Reference())


def test_result_carries_its_cautions_assumptions_and_limits(result: EngineResult) -> None:
    assert "No wave effects" in result.no_wave_effects
    words = " ".join(result.cautions)
    for needed in ("valve-to-piston", "coil-bind", "not a safe rpm", "machinist", "Local rules"):
        assert needed in words
    assert len(result.assumptions) > 20
    assert any("0.250 of the valve's diameter" in note for note in result.model_notes)
    assert result.estimates
    assert result.prediction is None
    assert any("ot a safe speed" in sentence for sentence in result.sentences)


def test_json_has_the_keys_that_are_documented(result: EngineResult) -> None:
    document = json.loads(result.to_json())
    assert document["kind"] == "engine"
    variant = document["variants"][0]
    assert {"name", "cam_weighted_mean_flow_m3_s", "mach", "filling"} <= set(variant)
    assert set(variant["cam_weighted_mean_flow_m3_s"]) == {"intake", "exhaust"}
    assert {"speed_at_half_rpm", "speeds_rpm", "z"} <= set(variant["mach"])
    assert {
        "speeds_rpm",
        "volumetric_efficiency",
        "trapped_mass_kg",
        "residual_fraction",
        "pumping_mep_pa",
        "indicated_mep_pa",
        "indicated_power_w",
        "cycles",
        "mass_error",
        "energy_error",
    } <= set(variant["filling"])
    assert set(document["cam_weighted_gains"][0]) >= {"from", "to", "gain", "u95"}


def test_figures_belong_together(result: EngineResult) -> None:
    filling = result.variants[0].filling
    assert filling is not None
    work = filling.indicated_mep_pa[0] * ENGINE.displacement_m3 * 4
    assert filling.indicated_power_w[0] == pytest.approx(work * 50)
    assert filling.indicated_torque_nm[0] * 2 * np.pi * 100 == pytest.approx(filling.indicated_power_w[0])
    net = filling.gross_indicated_mep_pa[0] - filling.pumping_mep_pa[0]
    assert filling.indicated_mep_pa[0] == pytest.approx(net)
    share = 1 - filling.trapped_air_kg[0] / filling.trapped_mass_kg[0]
    assert filling.residual_fraction[0] == pytest.approx(share)
    table = result.table()
    assert list(table["variant"]) == ["as received", "ported"]
    assert table["volumetric_efficiency"][0] == filling.volumetric_efficiency[0]


def test_plots(result: EngineResult) -> None:
    ax = result.plot()
    assert [line.get_label() for line in ax.lines] == ["as received", "ported"]
    assert "estimate" in ax.get_ylabel()
    mach = result.plot(quantity="z")
    assert len(mach.lines) == 3
    with pytest.raises(EngineError, match="no quantity 'speed'"):
        result.plot(quantity="speed")
    with pytest.raises(KeyError):
        result.variant("nothing")


def test_variants_tested_on_one_side_keep_the_order_of_the_work() -> None:
    three = comparison(
        {"a": {"intake": 1.0, "exhaust": 1.0}, "b": {"exhaust": 1.05}, "c": {"intake": 1.1, "exhaust": 1.1}}
    )
    result = run_engine(three, QUICK, {"exhaust": CAMS["exhaust"]}, reference=Reference())
    assert [variant.name for variant in result.variants] == ["a", "b", "c"]


def test_assumed_unit_of_a_cam_is_a_note() -> None:
    cams = {"intake": replace(CAMS["intake"], notes=("cam.csv: the unit of lift is not stated",))}
    result = run_engine(comparison({"a": {"intake": 1.0}}), QUICK, cams, reference=Reference())
    assert ("unit-assumed", "note") in rules(result)


# --- what if -------------------------------------------------------------------------------


def predict(compared: Any, **what: Any) -> EngineResult:
    return whatif(compared, QUICK, CAMS, reference=Reference(), valves=BY_NAME, **what)


def test_slimmer_stem_gains_where_the_throat_rules(compared: Any) -> None:
    result = predict(compared, changes=["intake.stem=6mm"])
    assert result.prediction is not None
    assert result.prediction.startswith("Prediction, not measured")
    assert "intake.stem=6mm" in result.prediction
    assert [variant.name for variant in result.variants] == ["ported", "ported, predicted"]
    intake, exhaust = result.cam_weighted_gains
    # Throat area (33² − 6²)/(33² − 8²) = 1.0273, but only above the takeover lift.
    assert 0.005 < intake.gain < 0.0273
    assert exhaust.gain == 0
    assert len([sentence for sentence in result.sentences if "averaged over the cam" in sentence]) == 1


def test_a_valve_larger_all_over_passes_its_square(compared: Any) -> None:
    """Every dimension and the lift × 1.02: the coefficient is the same, the area 1.02² as large."""
    scale = 1.02
    changes = [
        f"intake.{key}={value * scale} mm"
        for key, value in (("head", 38), ("stem", 8), ("throat", 33), ("seat_width", 1.4))
    ]
    result = predict(compared, changes=changes, new_cams={"intake": intake_cam(0.0095 * scale)}, variant="as received")
    gain = result.cam_weighted_gains[0].gain
    # The polynomial's checking lift is not scaled, which moves its period a little.
    assert gain == pytest.approx(scale**2 - 1, abs=0.006)


def test_smaller_valve_may_fall_short_of_the_cam(compared: Any) -> None:
    result = predict(
        compared, changes=["intake.head=33.5 mm", "intake.throat=30 mm"], new_cams={"intake": intake_cam(0.0105)}
    )
    assert ("short-of-cam", "error") in rules(result)
    (short,) = [finding for finding in result.findings if finding.rule == "short-of-cam"]
    assert short.message.startswith("The flow of every port is predicted up to")
    assert result.variants[1].mach is None
    assert result.differences == ()


def test_another_cam_alone_changes_no_flow_but_its_use(compared: Any) -> None:
    result = predict(compared, new_cams={"intake": intake_cam(0.0105)})
    assert result.cam_weighted_gains[0].gain > 0
    lifts = "open 312° of crank, largest valve lift 10.50 mm (0.413 in)"
    assert f"with another intake cam 'invented intake' ({lifts})." in (result.prediction or "")
    unnamed = predict(compared, new_cams={"intake": replace(intake_cam(0.0105), name="intake cam")})
    assert f"with another intake cam ({lifts})." in (unnamed.prediction or "")


def test_larger_bore_unshrouds_and_displaces_more(compared: Any) -> None:
    result = predict(compared, bore_m=0.083)
    before, after = result.variants
    assert before.mach is not None
    assert after.mach is not None
    assert after.mach.mean_effective_area_m2 > before.mach.mean_effective_area_m2
    assert after.mach.speed_at_half_rpm < before.mach.speed_at_half_rpm
    flow = compared.sides["intake"].variant("ported")
    curves = PortCurves.of(flow)
    per_flow = flow.effective_area_m2[0] / flow.flow_m3_s[0]
    there = other_bore(curves, per_flow, VALVES["intake"], old_m=0.0805, new_m=0.083, side="intake")
    back = other_bore(there, per_flow, VALVES["intake"], old_m=0.083, new_m=0.0805, side="intake")
    lifts = np.linspace(0.0, 0.011, 12)
    assert np.all(there(lifts[1:]) > curves(lifts[1:]))
    assert back(lifts) == pytest.approx(curves(lifts), rel=1e-9)


@pytest.mark.parametrize(
    ("what", "message"),
    [
        ({}, "nothing is changed"),
        ({"changes": ["intake.stem=6mm"], "variant": "portet"}, "did you mean 'ported'"),
        ({"changes": ["intake.stem=33mm"]}, "is not possible: the stem"),
        ({"changes": ["intake.stem=-6mm"]}, "above zero"),
        ({"changes": ["intake.stem=six"]}, "not a number"),
        ({"changes": ["intake.steam=6mm"]}, "did you mean 'stem'"),
        ({"changes": ["inlet.stem=6mm"]}, "does not describe a change of a valve"),
        ({"changes": ["intake.colour=6mm"]}, "known are head|did you mean"),
        ({"bore_m": 0.02}, "intake in a bore of 20 mm"),
        (
            {"changes": ["intake.head=200 mm"]},
            "the changed intake valve is not possible: a valve of 200.00 mm .* touch the wall",
        ),
    ],
)
def test_changes_that_cannot_be(compared: Any, what: dict, message: str) -> None:
    with pytest.raises(EngineError, match=message):
        predict(compared, **what)


def test_a_prediction_was_not_flowed(compared: Any) -> None:
    """A larger valve stretches the lifts; what was flowed stays what was flowed."""
    flowed = compared.sides["intake"].variant("ported").lifts_m[-1]
    result = predict(compared, changes=["intake.head=40 mm"])
    notes = [item.message for item in result.findings if item.rule == "beyond-cam"]
    assert any(note.startswith(f"The intake was flowed up to {flowed * 1e3:.2f} mm") for note in notes)


def test_geometry_must_be_known(compared: Any) -> None:
    bare: dict[str, dict[Side, ValveGeometry]] = {"ported": {}}
    with pytest.raises(EngineError, match="must all be known"):
        whatif(compared, QUICK, CAMS, reference=Reference(), valves=bare, changes=["intake.stem=6mm"])
    with pytest.raises(EngineError, match="head must be known"):
        whatif(compared, QUICK, CAMS, reference=Reference(), valves=bare, bore_m=0.083)
    alone = comparison({"a": {"intake": 1.0}})
    with pytest.raises(EngineError, match="exhaust of 'a' was not tested"):
        whatif(alone, QUICK, CAMS, reference=Reference(), valves={"a": VALVES}, changes=["exhaust.stem=6mm"])
    only = whatif(alone, QUICK, CAMS, reference=Reference(), valves={"a": VALVES}, changes=["intake.stem=6mm"])
    assert only.variants[1].filling is None
    assert ("side-untested", "warning") in rules(only)
    without_exhaust_cam = whatif(
        compared, QUICK, {"intake": CAMS["intake"]}, reference=Reference(), valves=BY_NAME, bore_m=0.083
    )
    assert ("cam-missing", "warning") in rules(without_exhaust_cam)
    assert not {"cam-missing", "side-untested"} & {rule for rule, _ in rules(predict(compared, bore_m=0.083))}


def test_changes_are_read_with_their_units() -> None:
    assert parse_change("exhaust.seat_angle=30").value == 30
    assert parse_change(" intake.head = 1.5 in ").value == pytest.approx(0.0381)


def test_motored_engine_has_no_torque_to_gain(compared: Any) -> None:
    result = run_engine(compared, replace(QUICK, combustion_efficiency=0.0), CAMS, reference=Reference())
    assert result.differences[0].brake_torque == (None,)
    assert "Air and filling" in " ".join(result.sentences)
    assert "no combustion (motored)" in " ".join(result.model_notes)


def test_area_of_a_variant_is_that_of_the_bench(compared: Any) -> None:
    flow = compared.sides["intake"].variant("as received")
    # Two ports, the second 2 % better; V of 28 inH2O on air of 1.2041 kg/m³ is 107.6 m/s.
    assert flow.effective_area_m2 == pytest.approx((1.01 * area(flow.lifts_m)).tolist(), rel=1e-3)


def test_engine_and_cam_are_plain_values() -> None:
    assert EngineData(4, 0.08, 0.08, 0.14, 10) == EngineData(4, 0.08, 0.08, 0.14, 10)
    assert intake_cam() == intake_cam()
    assert isinstance(intake_cam(), Cam)
