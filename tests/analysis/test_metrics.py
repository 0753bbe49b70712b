"""Figures of the analyst's own: by the rule of all figures, where that can be worked out by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from flowkit import Comparison, Curve, FlowkitError, compare, from_frame

LIFTS = (2.0, 4.0, 6.0, 8.0)
BASE = np.array([40.0, 80.0, 110.0, 125.0])
MADE = np.array([41.0, 84.0, 118.0, 135.0])


def comparison_of(before: list[np.ndarray], after: list[np.ndarray], **options: str) -> Comparison:
    """Two invented states of one port, each flowed as often as it has curves."""
    rows = [
        (state, run, lift, flow)
        for state, runs in (("before", before), ("after", after))
        for run, flows in enumerate(runs, 1)
        for lift, flow in zip(LIFTS, flows, strict=True)
    ]
    frame = pd.DataFrame(rows, columns=["state", "run", "lift_mm", "flow_cfm"])
    said = {"side": "intake", "test_pressure": "28 inH2O", "date": "2026-03-02", "port": "1"}
    return compare(from_frame(frame, lift="lift_mm", flow="flow_cfm", by=["state", "run"], **said), **options)


RUNS = ([BASE * 1.002, BASE * [0.999, 1.001, 0.998, 1.004]], [MADE * 0.997, MADE * [1.003, 1.0, 1.004, 0.999]])


def top_over_middle(curve: Curve) -> float:
    """A figure that a shift of the whole run does not move."""
    return float(curve(0.008) / curve(0.004))


def test_the_mean_flow_as_a_metric_is_the_mean_flow() -> None:
    comparison = comparison_of(*RUNS)
    side = comparison["intake"]
    own = comparison.metric(lambda curve: curve.mean(*side.range_m))["intake"]
    gain, wanted = own.gain("before", "after"), side.gain("before", "after")
    assert (gain.gain, gain.low, gain.high, gain.resolved, gain.at_least) == (
        wanted.mean_flow_gain, wanted.mean_flow_gain_low, wanted.mean_flow_gain_high, wanted.resolved, wanted.at_least,
    )  # fmt: skip
    assert own.state("after").u95 == side.variant("after").mean_flow_u95
    assert own.state("after").value == pytest.approx(side.variant("after").mean_flow_m3_s)


def test_a_square_is_twice_as_uncertain() -> None:
    comparison = comparison_of(*RUNS)
    lo, hi = comparison["intake"].range_m
    one, two = (
        comparison.metric(rule)["intake"].gain("before", "after")
        for rule in (lambda curve: curve.mean(lo, hi), lambda curve: curve.mean(lo, hi) ** 2)
    )
    assert 1 + two.gain == pytest.approx(1 + one.gain, rel=0.2)  # one port: the mean of one square
    assert math.log(1 + two.gain) == pytest.approx(2 * math.log(1 + one.gain), rel=1e-9)
    arms = [(gain.gain - gain.low) / (1 + gain.gain) for gain in (one, two) if gain.low is not None]
    assert arms[1] == pytest.approx(2 * arms[0], rel=1e-6)


def test_a_ratio_of_two_lifts_against_its_own_repeats() -> None:
    """Two means of two runs each, by a textbook's pooled t of the logarithms; the readings' last digit aside."""
    comparison = comparison_of(*RUNS)
    gain = comparison.metric(top_over_middle)["intake"].gain("before", "after")
    logs = [[math.log(flows[3] / flows[1]) for flows in runs] for runs in RUNS]
    pooled = sum(np.var(each, ddof=1) for each in logs) / 2
    half = float(student.ppf(0.975, 2)) * math.sqrt(pooled * (1 / 2 + 1 / 2))
    assert math.log(1 + gain.gain) == pytest.approx(np.mean(logs[1]) - np.mean(logs[0]), abs=1e-5)
    assert (gain.high - gain.gain) / (1 + gain.gain) == pytest.approx(half, rel=0.02)
    assert gain.gain - gain.low == pytest.approx(gain.high - gain.gain)


def test_a_stated_repeatability_does_not_cancel_in_a_ratio() -> None:
    """Σ|a| = 2 for a ratio of two flows (GUM 5.2.2, note: fully correlated inputs add linearly); readings to 1 CFM."""
    comparison = comparison_of([BASE], [MADE], repeatability="0.5 %")
    gain = comparison.metric(top_over_middle)["intake"].gain("before", "after")
    resolution = sum(1 / flow**2 for flows in (BASE, MADE) for flow in (flows[1], flows[3])) / 12
    half = 1.959964 * math.sqrt(2 * (2 * 0.005) ** 2 + resolution)
    assert (gain.high - gain.gain) / (1 + gain.gain) == pytest.approx(half, rel=1e-5)


def test_what_no_flow_moves_has_no_interval() -> None:
    comparison = comparison_of(*RUNS)
    own = comparison.metric(lambda curve: float(len(curve.lifts_m)), name="lifts")
    gain = own["intake"].gain("before", "after")
    assert gain.gain == 0 and gain.low is None and gain.resolved is None
    assert "does not change" in (gain.not_assessed_because or "")
    assert own.table()["u95"].isna().all() and str(own.table()["value"].dtype) == "Float64"


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        (lambda curve: curve(0.02), "outside the measured lifts"),
        (lambda curve: curve.peak, "AttributeError: 'Curve' object has no attribute 'peak'"),
        (lambda curve: float("nan"), "it gives nan"),
        (lambda curve: -curve(0.004), "above zero"),
        (lambda curve: "much", "ValueError"),
        ("mean", "a str is not a rule"),
    ],
)
def test_a_rule_that_fails_says_where(rule: object, message: str) -> None:
    with pytest.raises(FlowkitError, match=message):
        comparison_of(*RUNS).metric(rule)  # type: ignore[arg-type]


def covered(seed: int, count: int) -> float:
    """Share of invented heads whose true change of the ratio lies in the interval: four ports, two runs each."""
    random = np.random.default_rng(seed)
    hits = 0
    true = math.log(MADE[3] / MADE[1]) - math.log(BASE[3] / BASE[1])
    for _ in range(count):
        rows = [
            (state, port, run, lift, flow)
            for state, flows in (("before", BASE), ("after", MADE))
            for port in range(1, 5)
            for run in (1, 2)
            for lift, flow in zip(
                LIFTS, flows * (1 + 0.004 * random.normal()) * (1 + 0.003 * random.normal(size=4)), strict=True
            )
        ]
        frame = pd.DataFrame(rows, columns=["state", "port", "run", "lift_mm", "flow_cfm"])
        said = {"side": "intake", "test_pressure": "28 inH2O", "date": "2026-03-02"}
        tests = from_frame(frame, lift="lift_mm", flow="flow_cfm", by=["state", "port", "run"], **said)
        gain = compare(tests).metric(top_over_middle)["intake"].gain("before", "after")
        assert gain.low is not None and gain.high is not None
        hits += gain.low <= math.expm1(true) <= gain.high
    return hits / count


@pytest.mark.slow
def test_its_intervals_hold_as_often_as_they_say() -> None:
    """95 times in a hundred, within three times the error of so few trials."""
    assert 0.95 - 3 * math.sqrt(0.95 * 0.05 / 30) <= covered(7, 30)


if __name__ == "__main__":  # the long way: python -m tests.analysis.test_metrics
    print(covered(1, 1500))


def test_what_a_comparison_or_a_metric_does_not_have_is_said_with_what_it_has() -> None:
    comparison = comparison_of(*RUNS)
    own = comparison.metric(top_over_middle, name="top")
    assert len(own) == 1
    for asked, words in (
        (lambda: own["exhaust"], "the metric 'top' was not worked out on the side 'exhaust'; there is 'intake'"),
        (lambda: own["intake"].state("new"), "there is no state 'new'; there is 'before', 'after'"),
        (lambda: own["intake"].gain("after", "before"), "there is 'before' to 'after'"),
        (lambda: comparison["intake"].gain("after", "before"), "there is 'before' to 'after'"),
        (lambda: comparison.curve("intake", "new"), "no state 'new' on the intake; there are 'before', 'after'"),
        (lambda: comparison.curve("intake", "after", "9"), "'after' has no intake port '9'; it has '1'"),
        (lambda: dataclasses.replace(comparison, made_of=None).metric(top_over_middle), "use what compare returns"),
    ):
        with pytest.raises(FlowkitError, match=words):
            asked()
