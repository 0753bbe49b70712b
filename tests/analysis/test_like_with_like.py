"""Gains compare like with like, by the method asked for.

Ports tested on one side only, and the straight lines where they were asked for, must show in every
figure of a gain and not in its headline alone.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import trapezoid

from flowkit.analysis import compare
from flowkit.analysis.curves import side_variants
from flowkit.analysis.gains import expected_gains, match_pairs, shares_of_total
from flowkit.analysis.results import Gain
from flowkit.model import INH2O_PA, Bench, Conditions, CorrectedTest, Variant
from tests.analysis.heads import LIFTS, TYPICAL, VALVE, corrected, head

# --- like with like -------------------------------------------------------------------------------

OTHER = {0.002: 0.030, 0.005: 0.041, 0.010: 0.090}
"""Flows of a port that is in one variant only: another shape, another lift, more of everything."""
WORK = {0.002: 0.021, 0.004: 0.040, 0.006: 0.050, 0.008: 0.066, 0.010: 0.067}
LOW_PA = 10 * INH2O_PA


def lonely(variant: str, port: str) -> CorrectedTest:
    """A test of a port that the other variant does not have, taken at another pressure too."""
    return corrected(OTHER, variant=variant, port=port, pressure_pa=LOW_PA)


def both(*, alone: bool) -> Gain:
    """The gain over port 2, with or without ports beside it that have no counterpart."""
    before, after = corrected(TYPICAL, variant="a", port="2"), corrected(WORK, variant="b", port="2")
    extra = ((), ()) if alone else ((lonely("a", "1"),), (lonely("b", "3"),))
    heads = [Variant("a", corrected=(*extra[0], before)), Variant("b", corrected=(after, *extra[1]))]
    return compare(heads).sides["intake"].gains[0]


def test_ports_without_a_counterpart_show_in_no_figure_of_a_gain() -> None:
    alone, beside = both(alone=True), both(alone=False)
    assert beside == alone
    assert alone.gain_at_top_lift == pytest.approx(0.067 / 0.060 - 1, rel=1e-12)
    assert [item.lift_m for item in beside.per_lift] == list(LIFTS)
    assert [item.gain for item in beside.per_lift] == pytest.approx(
        [WORK[lift] / TYPICAL[lift] - 1 for lift in LIFTS], rel=1e-12
    )
    assert not any(item.interpolated for item in beside.per_lift)
    assert beside.law_difference is None
    assert beside.mean_of_gains == pytest.approx(math.fsum(WORK[x] / TYPICAL[x] - 1 for x in LIFTS) / 5, rel=1e-12)


def test_lifts_of_a_port_without_a_counterpart_are_not_compared_at() -> None:
    heads = [
        Variant("a", corrected=(lonely("a", "1"), corrected(TYPICAL, variant="a", port="2"))),
        Variant("b", corrected=(corrected(WORK, variant="b", port="2"), lonely("b", "3"))),
    ]
    (pair,) = match_pairs(side_variants(heads, "intake"), (0.002, 0.010))
    assert (pair.ports, pair.lifts_m) == (("2",), LIFTS)


# --- straight lines -------------------------------------------------------------------------------


def mean(flows: dict[float, float], lo: float, hi: float) -> float:
    """Mean of the broken line through the points between two lifts, by numpy."""
    lifts = sorted({lo, hi, *(lift for lift in flows if lo < lift < hi)})
    heights = np.interp(lifts, list(flows), list(flows.values()))
    return float(trapezoid(heights, lifts)) / (hi - lo)


def test_straight_lines_are_taken_in_every_mean_of_a_gain() -> None:
    heads = [
        Variant(name, corrected=(corrected(flows, variant=name),))
        for name, flows in (("a", TYPICAL), ("b", WORK), ("c", OTHER))
    ]
    side = compare(heads, area_method="trapezoid", bench=Bench(repeatability=1e-5)).sides["intake"]
    gain = side.gains[0]
    expected = mean(WORK, 0.002, 0.010) / mean(TYPICAL, 0.002, 0.010) - 1
    assert gain.mean_flow_gain == pytest.approx(expected, rel=1e-12)
    assert gain.mean_flow_gain != pytest.approx(compare(heads).sides["intake"].gains[0].mean_flow_gain, rel=1e-4)
    assert gain.ports[0].mean_flow_gain == pytest.approx(expected, rel=1e-12)
    assert [band.gain for band in gain.bands] == pytest.approx(
        [mean(WORK, band.from_m, band.to_m) / mean(TYPICAL, band.from_m, band.to_m) - 1 for band in gain.bands],
        rel=1e-9,
    )
    assert len(gain.bands) == 3
    logs = [math.log(mean(flows, 0.002, 0.010)) for flows in (TYPICAL, WORK, OTHER)]
    share = (logs[1] - logs[0]) / (logs[2] - logs[0])
    assert [step.share_of_total for step in side.steps] == pytest.approx([share, 1 - share], rel=1e-12)


def test_cubic_is_taken_unless_asked_otherwise() -> None:
    (variant,) = side_variants([head("a", ports=("1", "2"))], "intake")
    assert variant.mean_flow(0.002, 0.010) == variant.mean_flow(0.002, 0.010, "pchip")
    port = variant.ports[0]
    assert port.mean_flow(0.002, 0.010) == port.mean_flow(0.002, 0.010, "pchip")
    assert port.area(0.002, 0.010) == port.area(0.002, 0.010, "pchip")
    assert port.mean_flow(0.002, 0.010, "trapezoid") != pytest.approx(port.mean_flow(0.002, 0.010), rel=1e-4)


def test_pressures_that_differ_by_their_rounding_are_one() -> None:
    """28 inH2O are 6974.48948 Pa; as 6974.49 in a sheet it is the same pressure."""
    before, after = at("a", (6974.49,) * 3), at("b", (28 * INH2O_PA,) * 3)
    assert law_difference(before, after) is None
    assert law_difference(at("a", (6975.49,) * 3), after) is not None


def test_one_side_without_a_law_gives_no_difference_whatever_the_other_s_pressures() -> None:
    several = (10 * INH2O_PA, 20 * INH2O_PA, 28 * INH2O_PA)
    assert law_difference(at("a", (None,) * 3), at("b", several)) is None
    assert law_difference(at("a", several), at("b", (None,) * 3)) is None


# --- pairs, shares and laws -----------------------------------------------------------------------


def law(pressure: float, barometer: float) -> float:
    """ln of square-root over compressible factor to 28 inH2O on the intake (Heywood 1988, app. C, written out)."""

    def psi(drop: float) -> float:
        pr = 1 - drop / barometer
        return math.sqrt(pr ** (2 / 1.4) - pr ** (2.4 / 1.4))

    target = 28 * INH2O_PA
    return math.log(math.sqrt(target / pressure) * psi(pressure) / psi(target))


def at(variant: str, pressures: tuple[float | None, ...], barometer: float | None = None) -> CorrectedTest:
    """A test whose points were taken at pressures of their own."""
    flows = list(TYPICAL.items())[: len(pressures)]
    test = corrected(flows, variant=variant, conditions=Conditions(barometer_pa=barometer, date="d", bench="b"))
    points = tuple(dataclasses.replace(p, pressure_pa=own) for p, own in zip(test.points, pressures, strict=True))
    return dataclasses.replace(test, points=points)


def law_difference(before: CorrectedTest, after: CorrectedTest) -> float | None:
    """Of the only gain."""
    pair = [Variant("a", corrected=(before,)), Variant("b", corrected=(after,))]
    return compare(pair).sides["intake"].gains[0].law_difference


def test_laws_are_compared_at_the_day_s_barometer() -> None:
    low, high = (10 * INH2O_PA,) * 3, (28 * INH2O_PA,) * 3
    assert law_difference(at("a", low, 70e3), at("b", high, 70e3)) == pytest.approx(law(low[0], 70e3), rel=1e-9)
    assert law_difference(at("a", low), at("b", high)) == pytest.approx(law(low[0], 101_325.0), rel=1e-9)
    assert law(low[0], 70e3) > 1.3 * law(low[0], 101_325.0)


def test_suctions_that_cannot_be_do_not_hide_those_that_can() -> None:
    impossible = (120e3, 10 * INH2O_PA, 130e3, 20 * INH2O_PA, 140e3)
    expected = law(10 * INH2O_PA, 101_325.0)
    assert law_difference(at("a", impossible), at("b", (28 * INH2O_PA,) * 5)) == pytest.approx(expected, rel=1e-9)


def test_points_without_a_pressure_have_no_law() -> None:
    high = at("b", (28 * INH2O_PA,) * 3)
    expected = law(10 * INH2O_PA, 101_325.0)
    assert law_difference(at("a", (None, 10 * INH2O_PA, None)), high) == pytest.approx(expected, rel=1e-9)
    assert law_difference(at("a", (None,) * 3), high) is None
    assert law_difference(high, at("b", (None,) * 3)) is None


def test_a_test_without_a_line_for_the_pressure_has_no_law() -> None:
    bare = dataclasses.replace(at("a", (10 * INH2O_PA,) * 3), ledger=())
    assert law_difference(bare, at("b", (28 * INH2O_PA,) * 3)) is None


def test_shares_where_no_port_is_common() -> None:
    variants = side_variants([head("a", ports=("1",)), head("b", 1.1, ports=("2",)), head("c", 1.2)], "intake")
    assert shares_of_total(variants, (0.002, 0.010), "pchip") == (None, None)


def test_shares_of_a_small_gain_are_given() -> None:
    # By hand: ln 1.000001/ln 1.000003 = 1/3.
    variants = side_variants([head("a"), head("b", 1.000001), head("c", 1.000003)], "intake")
    found = shares_of_total(variants, (0.002, 0.010), "trapezoid")
    assert found == pytest.approx([1 / 3, 2 / 3], rel=1e-5)


def test_pairs_hold_their_ports_and_lifts() -> None:
    variants = side_variants(
        [head("a", ports=("1", "2")), head("b", ports=("2", "3")), head("c", ports=("3",))], "intake"
    )
    step, second, total = match_pairs(variants, (0.004, 0.008))
    assert [(pair.ports, pair.kind) for pair in (step, second, total)] == [
        (("2",), "step and total"),
        (("3",), "step"),
        ((), "total"),
    ]
    assert step.lifts_m == (0.004, 0.006, 0.008)
    assert (total.before.name, total.after.name) == ("a", "c")
    assert match_pairs(variants[:1], (0.004, 0.008)) == ()


def test_each_port_has_its_gain_by_the_method_asked_for() -> None:
    # By hand, trapezoid: the second port gains at the top point alone, 0.06 → 0.09 over the last 2 mm of 8.
    better = {**TYPICAL, 0.010: 0.090}
    after = Variant(
        "b", corrected=(corrected(TYPICAL, variant="b", port="1"), corrected(better, variant="b", port="2"))
    )
    gain = compare([head("a"), after], area_method="trapezoid").sides["intake"].gains[0]
    area = 0.002 * (0.020 / 2 + 0.036 + 0.048 + 0.056 + 0.060 / 2)
    found = {item.port: item.mean_flow_gain for item in gain.ports}
    assert found == {"1": pytest.approx(0.0, abs=1e-14), "2": pytest.approx(0.002 * 0.015 / area, rel=1e-12)}
    assert gain.mean_flow_gain == pytest.approx(0.002 * 0.015 / area / 2, rel=1e-12)


def test_a_shut_valve_beside_an_open_one_expects_by_the_open_one() -> None:
    slim = dataclasses.replace(VALVE, stem_m=0.007)
    found = expected_gains(VALVE, slim, [0.0, 0.0001, 0.010])
    assert found[0] is None
    assert found[1] == pytest.approx(0.0, abs=1e-15)
    assert found[2] == pytest.approx((33**2 - 7**2) / (33**2 - 8**2) - 1, rel=1e-12)


@pytest.mark.parametrize("name", ["head_m", "stem_m", "throat_m", "seat_angle_deg", "seat_width_m"])
def test_each_dimension_of_the_passage_makes_a_valve_change(name: str) -> None:
    other = dataclasses.replace(VALVE, **{name: getattr(VALVE, name) * 1.01})
    assert expected_gains(VALVE, other, [0.004, 0.010]) != [None, None]


def test_a_shut_valve_divides_nothing_by_nothing() -> None:
    with np.errstate(all="raise"):
        assert expected_gains(VALVE, dataclasses.replace(VALVE, stem_m=0.007), [0.0])[0] is None
