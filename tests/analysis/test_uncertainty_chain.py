"""The whole chain on one curve: readings, corrections, curve and gain, against `uncertainties`.

Every reading carries its own repeatability and lift setting, each day its own drift and pressure
reading; the corrections are written out once more with correlated quantities.
"""

import math

import pytest
import uncertainties
from scipy import stats
from uncertainties import umath

from flowkit.analysis import compare
from flowkit.corrections import correct
from flowkit.corrections.pressure import pressure_factor
from flowkit.model import INH2O_PA, AirState, Bench, Conditions, FlowTest, Point, Reference, Units, UnitSource, Variant
from flowkit.moist_air import density

UNITS = Units(UnitSource("mm", "stated"), UnitSource("m3/s", "stated"))
LIFTS = (0.002, 0.004, 0.006, 0.008)
REPEAT, DRIFT, SETTING, READING = 0.004, 0.002, 2e-5, 30.0
BENCH = Bench(air="actual", repeatability=REPEAT, drift=DRIFT, lift_setting_m=SETTING, pressure_reading_pa=READING)
# flows proportional to lift, so that the curve's slope is known without the interpolant
DAYS = {
    "before": (8.0, 25 * INH2O_PA, "2025-03-01", 296.0, 100_400.0, 0.4, 0.0481, 0.0484),
    "after": (8.6, 20 * INH2O_PA, "2025-04-01", 291.0, 98_900.0, 0.6, 0.0487, 0.0484),
}


def reading(variant):
    """One test as read."""
    slope, pressure, date, kelvin, barometer, humidity, check, nominal = DAYS[variant]
    conditions = Conditions(
        test_pressure_pa=pressure,
        date=date,
        bench="A",
        air_temperature_k=kelvin,
        barometer_pa=barometer,
        relative_humidity=humidity,
        check_reading_m3_s=check,
        check_nominal_m3_s=nominal,
    )
    points = tuple(Point(lift, slope * lift, None, f"x.csv:{row}:2") for row, lift in enumerate(LIFTS, 1))
    return FlowTest(variant, "x.csv", None, None, variant, "intake", "1", 1, conditions, UNITS, points)


@pytest.fixture(scope="module")
def comparison():
    variants = [Variant(name, corrected=correct([reading(name)], bench=BENCH).tests) for name in DAYS]
    return compare(variants, bench=BENCH, area_method="trapezoid", draws=100_000)


@pytest.fixture(scope="module")
def points():
    """The corrected points of both variants as correlated quantities."""
    law = uncertainties.ufloat(0.0, 1 / math.sqrt(3))
    out = {}
    for name, (slope, pressure, _, kelvin, barometer, humidity, check, nominal) in DAYS.items():
        gauge, drift = uncertainties.ufloat(pressure, READING), uncertainties.ufloat(1.0, DRIFT)
        rho, rho_ref = density(AirState(kelvin, barometer, humidity)), density(Reference().air)
        factors = [
            pressure_factor(kind, "intake", pressure, 28 * INH2O_PA, barometer)
            for kind in ("square-root", "compressible")
        ]
        shift = uncertainties.ufloat(1.0, REPEAT)
        out[name] = []
        for lift in LIFTS:
            set_to = uncertainties.ufloat(lift, SETTING)
            flow = slope * set_to * shift * drift * math.sqrt(rho / rho_ref)
            # the check plate is read in the same air and cancels what it shares
            flow = flow * nominal / (check * math.sqrt(rho / rho_ref))
            flow = flow * umath.sqrt(28 * INH2O_PA / gauge) * umath.exp(law * math.log(factors[0] / factors[1]))
            out[name].append(flow)
    return out


def test_corrected_flows_and_their_intervals(comparison, points):
    for variant in comparison.sides["intake"].variants:
        for flow, u95, expected in zip(variant.flow_m3_s, variant.flow_u95, points[variant.name], strict=True):
            assert flow == pytest.approx(expected.nominal_value, rel=1e-9)
            relative = expected.std_dev / expected.nominal_value
            assert u95 == pytest.approx(stats.norm.ppf(0.975) * relative, rel=1e-6)


def test_gains_per_lift_and_their_intervals(comparison, points):
    (gain,) = comparison.sides["intake"].gains
    assert len(gain.per_lift) == len(LIFTS)
    for item, before, after in zip(gain.per_lift, points["before"], points["after"], strict=True):
        expected = after / before - 1
        assert item.gain == pytest.approx(expected.nominal_value, rel=1e-9)
        assert item.u95 == pytest.approx(stats.norm.ppf(0.975) * expected.std_dev, rel=1e-6)


def test_gain_in_mean_flow_and_its_interval(comparison, points):
    """Trapezoid, hence linear; the uniform law term is small, so the whole is nearly normal."""
    means = {name: (row[0] / 2 + row[1] + row[2] + row[3] / 2) / 3 for name, row in points.items()}
    expected = means["after"] / means["before"] - 1
    (gain,) = comparison.sides["intake"].gains
    assert gain.mean_flow_gain == pytest.approx(expected.nominal_value, rel=1e-9)
    # four standard errors of half an interval from 100 000 draws, 0.3 % each
    assert gain.mean_flow_gain_u95 == pytest.approx(stats.norm.ppf(0.975) * expected.std_dev, rel=0.013)
