"""Intervals per lift against the formula by hand and against the `uncertainties` package."""

import math

import numpy as np
import pytest
from scipy import stats

from flowkit.analysis.results import Repeatability
from flowkit.analysis.runs import sessions_of
from flowkit.analysis.uncertainty import assess_side, flow_uncertainty, gain_uncertainty, port_noise
from flowkit.corrections.pressure import pressure_factor
from flowkit.model import INH2O_PA, Bench, LedgerLine, Reference
from tests.analysis.bench_heads import LIFTS, P28, corrected, pair_of, side_of, true_curve

KNOWN = Repeatability(0.004, 12.0, "repeated runs", 0.003, math.sqrt(7e-6))
FLOWS = true_curve(LIFTS)


def noise_of(tests, bench=Bench(), reference=Reference()):
    """The ports of both variants as arrays."""
    sides = side_of(tests)
    sessions = sessions_of(test for group in tests.values() for test in group)
    return [tuple(port_noise(curve, sessions, reference, bench) for curve in side.ports) for side in sides]


def two(flow_a=FLOWS, flow_b=1.1 * FLOWS, runs_a=1, runs_b=1, **b):
    """One port before and after."""
    return {
        "a": [corrected("a", flow_a, run=run + 1) for run in range(runs_a)],
        "b": [corrected("b", flow_b, run=run + 1, **b) for run in range(runs_b)],
    }


def test_repeatability_alone():
    """u² = s_r²·(1/3 + 1/2); ν_eff = ν; u95 = (1 + g)·t95(12)·u, t95(12) = 2.18 (GUM, table G.2)."""
    before, after = noise_of(two(runs_a=3, runs_b=2))
    u95 = gain_uncertainty(before, after, 0.004, KNOWN, Bench())
    assert u95 == pytest.approx(1.1 * 2.18 * 0.004 * math.sqrt(5 / 6), rel=0.005 / 2.18)
    assert u95 == pytest.approx(1.1 * stats.t.ppf(0.975, 12) * 0.004 * math.sqrt(5 / 6), rel=1e-9)


def test_ports_weigh_by_their_share_of_the_flow():
    """Ports flowing 3 and 1: shares 3/4 and 1/4, so Σw² = 10/16 on each side."""
    tests = {v: [corrected(v, k * FLOWS, port=p) for k, p in ((3.0, "1"), (1.0, "2"))] for v in ("a", "b")}
    before, after = noise_of(tests)
    u95 = gain_uncertainty(before, after, 0.004, KNOWN, Bench())
    assert u95 == pytest.approx(stats.t.ppf(0.975, 12) * 0.004 * math.sqrt(2 * 10 / 16), rel=1e-9)


def test_lift_setting_by_the_slope_of_the_curve():
    """A straight curve: dQ/dL = Q/L, so the term is u_L/L on each side; ν_eff by Welch–Satterthwaite."""
    flows = 10.0 * np.asarray(LIFTS)
    before, after = noise_of(two(flows, 1.2 * flows))
    u95 = gain_uncertainty(before, after, 0.005, KNOWN, Bench(lift_setting_m=2e-5))
    repeats, setting = 2 * 0.004**2, 2 * (2e-5 / 0.005) ** 2
    freedom = 12 * ((repeats + setting) / repeats) ** 2
    assert u95 == pytest.approx(1.2 * stats.t.ppf(0.975, freedom) * math.sqrt(repeats + setting), rel=1e-9)


def test_sessions_count_only_where_they_differ():
    bench = Bench(drift=0.003, pressure_reading_pa=25.0)
    same = gain_uncertainty(*noise_of(two(), bench), 0.004, KNOWN, bench)
    assert same == pytest.approx(1.1 * stats.t.ppf(0.975, 12) * 0.004 * math.sqrt(2), rel=1e-9)
    other = gain_uncertainty(*noise_of(two(date="2025-03-09"), bench), 0.004, KNOWN, bench)
    repeats = 2 * 0.004**2
    variance = repeats + 2 * 0.003**2 + 2 * (0.5 * 25.0 / P28) ** 2
    freedom = 12 * (variance / repeats) ** 2
    assert other == pytest.approx(1.1 * stats.t.ppf(0.975, freedom) * math.sqrt(variance), rel=1e-9)


def test_sessions_shared_in_part_cancel_in_part():
    """Half of the second side flowed in the first's session: drift leaves (1/2)² twice."""
    tests = {
        "a": [corrected("a", FLOWS, port=p) for p in "12"],
        "b": [corrected("b", FLOWS, port="1"), corrected("b", FLOWS, port="2", date="2025-03-09")],
    }
    bench = Bench(drift=0.003)
    u95 = gain_uncertainty(*noise_of(tests, bench), 0.004, Repeatability(0.0, math.inf, "stated", 0.0, 0.0), bench)
    assert u95 == pytest.approx(1.96 * 0.003 * math.sqrt(0.5), rel=1e-3)


def test_pressure_laws_count_only_between_different_pressures():
    p10 = 10 * INH2O_PA
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    args = (p10, P28, 101_325.0)
    difference = math.log(pressure_factor("square-root", "intake", *args))
    difference -= math.log(pressure_factor("compressible", "intake", *args))
    u95 = gain_uncertainty(*noise_of(two(pressure=p10)), 0.004, exact, Bench())
    assert u95 == pytest.approx(1.1 * stats.norm.ppf(0.975) * abs(difference) / math.sqrt(3), rel=1e-9)
    both = {"a": [corrected("a", FLOWS, pressure=p10)], "b": [corrected("b", FLOWS, pressure=p10, barometer=98e3)]}
    assert gain_uncertainty(*noise_of(both), 0.004, exact, Bench()) == 0.0


def test_laws_leave_tests_alone_that_were_not_brought_to_the_reference():
    from dataclasses import replace

    skipped = LedgerLine("test-pressure", "", {}, skipped="switched off")
    tests = two(pressure=10 * INH2O_PA)
    tests["b"] = [replace(test, ledger=(skipped,)) for test in tests["b"]]
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    assert gain_uncertainty(*noise_of(tests), 0.004, exact, Bench()) == 0.0


def test_a_suction_beyond_the_barometer_has_no_second_law():
    before, after = noise_of(two(pressure=110_000.0))
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    assert gain_uncertainty(before, after, 0.004, exact, Bench()) == 0.0


def test_unknown_pressure_counts_as_the_reference():
    bench = Bench(pressure_reading_pa=25.0)
    exact = Repeatability(0.0, math.inf, "stated", 0.0, 0.0)
    before, after = noise_of(two(pressure=None, date="2025-03-09"), bench)
    u95 = gain_uncertainty(before, after, 0.004, exact, bench)
    assert u95 == pytest.approx(1.1 * stats.norm.ppf(0.975) * math.sqrt(2) * 0.5 * 25.0 / P28, rel=1e-9)


def test_between_measured_lifts_the_fewer_runs_count():
    tests = two(runs_a=1, runs_b=1)
    tests["a"].append(corrected("a", FLOWS[:5], lifts=LIFTS[:5], run=2))
    before, after = noise_of(tests)
    t = stats.t.ppf(0.975, 12)
    for lift, runs in ((0.0045, 2), (0.005, 2), (0.0055, 1), (0.006, 1)):
        u95 = gain_uncertainty(before, after, lift, KNOWN, Bench())
        gain = after[0].at(lift).flow / before[0].at(lift).flow
        assert u95 == pytest.approx(gain * t * 0.004 * math.sqrt(1 / runs + 1), rel=1e-9)


def test_a_lift_read_twice_in_one_run_is_one_run():
    """The run's shift is common to both readings, so they count as one."""
    flows = [*FLOWS[:4], FLOWS[3], *FLOWS[4:]]
    lifts = [*LIFTS[:4], LIFTS[3], *LIFTS[4:]]
    tests = {"a": [corrected("a", flows, lifts=lifts)], "b": [corrected("b", FLOWS)]}
    before, _ = noise_of(tests)
    assert before[0].at(LIFTS[3]).runs == pytest.approx(1.0)
    assert before[0].scatter_share[3] == 0.5


def test_lifts_within_a_micrometre_belong_to_one_point():
    near = [lift + 0.9e-6 for lift in LIFTS]
    tests = {"a": [corrected("a", FLOWS), corrected("a", FLOWS, lifts=near, run=2)], "b": [corrected("b", FLOWS)]}
    before, _ = noise_of(tests)
    assert [before[0].runs(place) for place in range(len(LIFTS))] == [2.0] * len(LIFTS)


def test_no_flow_has_no_interval():
    tests = two(np.zeros(len(LIFTS)), FLOWS)
    before, after = noise_of(tests)
    assert gain_uncertainty(before, after, 0.004, KNOWN, Bench()) is None
    assert flow_uncertainty(before, 0.004, KNOWN, Bench()) is None


def test_a_port_of_one_lift_only():
    tests = {v: [corrected(v, [0.05], lifts=[0.004])] for v in "ab"}
    before, after = noise_of(tests)
    u95 = gain_uncertainty(before, after, 0.004, KNOWN, Bench(lift_setting_m=1e-4))
    assert u95 == pytest.approx(stats.t.ppf(0.975, 12) * 0.004 * math.sqrt(2), rel=1e-9)


def test_whole_chain_equals_the_uncertainties_package():
    """From readings at 25 inH2O on two days to the gain at a lift, all terms at once, first order."""
    import uncertainties
    from uncertainties import umath

    bench = Bench(drift=0.002, pressure_reading_pa=30.0, lift_setting_m=2e-5)
    pressures, dates = {"a": 25 * INH2O_PA, "b": 20 * INH2O_PA}, {"a": "2025-03-01", "b": "2025-04-01"}
    reading = {"a": (0.072, 0.070), "b": (0.071, 0.0685)}
    sides = {}
    for variant, ports in reading.items():
        factor = math.sqrt(P28 / pressures[variant])
        sides[variant] = [
            corrected(
                variant,
                flow * factor * np.asarray(LIFTS) / 0.005,
                port=str(number),
                date=dates[variant],
                pressure=pressures[variant],
            )
            for number, flow in enumerate(ports)
        ]
    before, after = noise_of(sides, bench)
    infinite = Repeatability(0.004, math.inf, "stated", 0.004, 0.0)
    u95 = gain_uncertainty(before, after, 0.005, infinite, bench)

    total = {}
    for variant, ports in reading.items():
        pressure = uncertainties.ufloat(pressures[variant], 30.0)
        drift = uncertainties.ufloat(1.0, 0.002)
        flows = []
        for flow in ports:
            lift = uncertainties.ufloat(0.005, 2e-5)
            read = uncertainties.ufloat(flow, 0.004 * flow) * (lift / 0.005) * drift
            flows.append(read * umath.sqrt(P28 / pressure))
        total[variant] = sum(flows)
    factors = [
        math.log(pressure_factor("square-root", "intake", pressures[v], P28, 101_325.0))
        - math.log(pressure_factor("compressible", "intake", pressures[v], P28, 101_325.0))
        for v in "ab"
    ]
    law = uncertainties.ufloat(0.0, 1 / math.sqrt(3))
    gain = total["b"] / total["a"] * umath.exp(law * (factors[1] - factors[0])) - 1
    assert u95 == pytest.approx(stats.norm.ppf(0.975) * gain.std_dev, rel=1e-6)
    nominal = after[0].at(0.005).flow + after[1].at(0.005).flow
    nominal /= before[0].at(0.005).flow + before[1].at(0.005).flow
    assert nominal - 1 == pytest.approx(gain.nominal_value, rel=1e-9)


def assess(tests, bench=Bench(), repeatability=KNOWN, **more):
    """The whole side."""
    sides = side_of(tests)
    pairs = [pair_of(sides[0], other) for other in sides[1:]]
    lifts = [list(LIFTS)] * len(sides)
    return assess_side(sides, pairs, (LIFTS[0], LIFTS[-1]), lifts, Reference(), bench, repeatability, **more)


def test_nothing_is_assessed_without_a_repeatability():
    result = assess(two(), repeatability=Repeatability(None, None, "none"))
    assert result.mean_flow_u95 == result.curve_area_u95 == result.spread_u95 == (None, None)
    assert result.gain_u95 == result.gain_interval == result.resolved == (None,)
    assert result.flow_u95 == ((None,) * 10,) * 2
    assert result.per_lift_u95 == ((None,) * 10,)


def test_shapes_and_which_figures_have_an_interval():
    tests = two()
    tests["a"].append(corrected("a", FLOWS, port="2"))
    result = assess(tests)
    assert result.spread_u95[0] > 0 and result.spread_u95[1] is None
    assert [len(row) for row in result.flow_u95] == [10, 10]
    assert len(result.per_lift_u95[0]) == 10
    assert result.resolved == (True,)
    low, high = result.gain_interval[0]
    assert low < 0.1 < high
    assert result.gain_u95[0] == pytest.approx((high - low) / 2)


def test_matched_ports_only_enter_a_gain():
    """A port tested before only, wildly different, changes neither per lift nor curve intervals of the gain."""
    plain = assess(two())
    tests = two()
    tests["a"].append(corrected("a", 0.2 * FLOWS, port="9", pressure=10 * INH2O_PA))
    matched = assess(tests)
    assert matched.per_lift_u95 == plain.per_lift_u95
    assert matched.gain_u95[0] == pytest.approx(plain.gain_u95[0], rel=0.05)
    assert matched.mean_flow_u95[0] != pytest.approx(plain.mean_flow_u95[0], rel=0.05)


def test_unmatched_ports_compare_all_with_all():
    tests = {"a": [corrected("a", FLOWS, port=p) for p in "12"], "b": [corrected("b", 1.1 * FLOWS, port="left")]}
    result = assess(tests)
    t = stats.t.ppf(0.975, 12)
    assert result.per_lift_u95[0][3] == pytest.approx(1.1 * t * 0.004 * math.sqrt(0.5 + 1), rel=1e-9)


def test_a_small_gain_is_not_resolved_and_none_is_negative():
    tests = two(flow_b=1.003 * FLOWS)
    assert assess(tests).resolved == (False,)
    assert assess(two(flow_b=0.9 * FLOWS)).resolved == (True,)
