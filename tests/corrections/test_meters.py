"""Meters: their formulas against the standards, and readings through the whole of step 0."""

# ruff: noqa: E501

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from scipy.optimize import brentq

from flowkit.air import density, density_at, vapour_mole_fraction
from flowkit.corrections import correct
from flowkit.corrections.meter import Meter, meters_from
from flowkit.corrections.metering import (
    GAS_CONSTANT,
    MeterAir,
    column_pressure,
    critical_flow_factor,
    flow_through,
    meter_air,
    upstream_pressure,
    viscosity,
    water_density,
)
from flowkit.corrections.pressure import flow_function
from flowkit.errors import CorrectionError, JobError
from flowkit.model import AirState, Bench, Conditions, FlowTest, Point, Reading, Units, UnitSource
from tests.published import iso_5167

ROOM = AirState(295.15, 99_800.0, 0.45)
AIR = {"air_temperature_k": 295.15, "barometer_pa": 99_800.0, "relative_humidity": 0.45}
CFM = 0.3048**3 / 60


def meter(**keys: Any) -> Meter:
    """The lone meter of a job file."""
    return meters_from(keys)["meter"]


def readings(
    values: list[Any],
    unit: str,
    *,
    side: Any = "intake",
    pressure: float | None = 7000.0,
    rows: Any = None,
    **conditions: Any,
) -> FlowTest:
    """A test that gives only what a meter showed."""
    rows = rows or [{}] * len(values)
    points = tuple(
        Point(
            0.002 * (k + 1),
            math.nan,
            None,
            f"a.csv:{k + 2}:2",
            Reading(v if isinstance(v, tuple) else (v,), unit, **row),
        )
        for k, (v, row) in enumerate(zip(values, rows, strict=True))
    )
    stated = UnitSource(unit, "stated")
    units = Units(UnitSource("mm", "stated"), stated, UnitSource("Pa", "stated"), stated)
    known = Conditions(test_pressure_pa=pressure, **(AIR | conditions))
    return FlowTest("a.csv!intake 1", "a.csv", None, None, "as received", side, "1", 1, known, units, points)


def flows(test: FlowTest, keys: dict[str, Any], bench: Bench | None = None) -> list[float]:
    """The flows after the meter, before leakage."""
    result = correct([test], bench=bench, meters=meters_from(keys))
    assert result.tests, result.findings
    return [point.reading_m3_s for point in result.tests[0].points]


def rules(test: FlowTest, keys: dict[str, Any], bench: Bench | None = None, **rest: Any) -> list[tuple[str, str]]:
    found = correct([test], bench=bench, meters=meters_from(keys), **rest).findings
    return [(item.rule, item.severity) for item in found]


# -- against the standards -----------------------------------------------------------------------------------


def at_reynolds(shape: str, beta: float, reynolds: float) -> float:
    """C of a nozzle whose flow has this Reynolds number of the pipe."""
    pipe = 0.1
    nozzle = meter(kind="nozzle", bore=f"{pipe * beta} m", pipe="0.1 m", shape=shape, place="room")
    air = MeterAir(2e7, 293.15, 24_000.0, 0.0)  # so dense that no differential matters
    wanted = reynolds * math.pi * pipe * air.viscosity_pa_s / 4
    guess = (wanted / (0.95 * math.pi / 4 * (pipe * beta) ** 2)) ** 2 * (1 - beta**4) / (2 * air.density_kg_m3)
    dp = brentq(lambda p: flow_through(nozzle, (p,), air).flow - wanted, 0.8 * guess, 1.3 * guess, rtol=1e-14)
    found = flow_through(nozzle, (dp,), air)
    assert found.reynolds == pytest.approx(reynolds, rel=1e-4)
    assert found.coefficient is not None
    return found.coefficient


@pytest.mark.parametrize(
    ("shape", "numbers", "table"),
    [
        ("ISA 1932", iso_5167.ISA_1932_REYNOLDS, iso_5167.ISA_1932_C),
        ("long radius", iso_5167.LONG_RADIUS_REYNOLDS, iso_5167.LONG_RADIUS_C),
    ],
)
def test_nozzles_have_the_coefficients_of_iso_5167_3(shape: str, numbers: Any, table: Any) -> None:
    for beta, printed in table.items():
        for reynolds, c in zip(numbers, printed, strict=True):
            assert at_reynolds(shape, beta, reynolds) == pytest.approx(c, abs=iso_5167.C_TOLERANCE)


@pytest.mark.parametrize("kind", ["orifice", "nozzle"])
def test_expansibility_of_iso_5167(kind: str) -> None:
    own = {"taps": "corner"} if kind == "orifice" else {"shape": "ISA 1932"}
    found = flow_through(
        meter(kind=kind, bore="22.2 mm", pipe="73.9 mm", place="room", **own),
        (1000.0,),
        MeterAir(100e3, 293.15, 1.19, 0.0),
    )
    assert found.expansibility == pytest.approx(iso_5167.EXPANSIBILITY[kind], abs=iso_5167.EXPANSIBILITY_TOLERANCE)


def own_discharge(beta: float, pipe: float, reynolds: float, taps: str) -> float:
    """Reader-Harris/Gallagher written anew from ISO 5167-2:2003, 5.3.2.1."""
    l1, l2 = {"corner": (0.0, 0.0), "flange": (0.0254 / pipe, 0.0254 / pipe), "D and D/2": (1.0, 0.47)}[taps]
    m2 = 2 * l2 / (1 - beta)
    a = (19_000 * beta / reynolds) ** 0.8
    c = 0.5961 + 0.0261 * beta**2 - 0.216 * beta**8 + 0.000521 * (1e6 * beta / reynolds) ** 0.7
    c += (0.0188 + 0.0063 * a) * beta**3.5 * (1e6 / reynolds) ** 0.3
    c += (0.043 + 0.080 * math.exp(-10 * l1) - 0.123 * math.exp(-7 * l1)) * (1 - 0.11 * a) * beta**4 / (1 - beta**4)
    c -= 0.031 * (m2 - 0.8 * m2**1.1) * beta**1.3
    return c + (0.011 * (0.75 - beta) * (2.8 - pipe / 0.0254) if pipe < 0.07112 else 0.0)


def test_reader_harris_gallagher_of_the_reference_package() -> None:
    pipe, bore, rho, mu, mass, by_taps = iso_5167.READER_HARRIS
    reynolds = 4 * mass / (math.pi * pipe * mu)
    for taps, c in by_taps.items():
        assert own_discharge(bore / pipe, pipe, reynolds, taps) == pytest.approx(c, abs=0.6e-5)
    assert rho > 0


@pytest.mark.parametrize("taps", ["corner", "flange", "D and D/2"])
@pytest.mark.parametrize("pipe", [0.06, 0.1])
def test_orifice_by_an_evaluation_of_our_own(taps: str, pipe: float) -> None:
    orifice = meter(kind="orifice", bore="35 mm", pipe=f"{pipe} m", taps=taps, place="chamber")
    for dp in (200.0, 1000.0, 3000.0):
        p1 = upstream_pressure("chamber", True, ROOM.pressure_pa, 7000.0, dp)
        rho = density_at(296.15, p1, vapour_mole_fraction(ROOM))
        beta = 0.035 / pipe
        epsilon = 1 - (0.351 + 0.256 * beta**4 + 0.93 * beta**8) * (1 - (1 - dp / p1) ** (1 / 1.4))
        base = math.pi / 4 * 0.035**2 * epsilon * math.sqrt(2 * dp * rho / (1 - beta**4))
        mu = 1.458e-6 * 296.15**1.5 / (296.15 + 110.4)

        def rest(mass: float, base: float = base, mu: float = mu) -> float:
            return own_discharge(0.035 / pipe, pipe, 4 * mass / (math.pi * pipe * mu), taps) * base - mass

        wanted = brentq(rest, 0.3 * base, base, xtol=1e-16, rtol=1e-15)
        found = flow_through(orifice, (dp,), meter_air(ROOM, p1, 296.15))
        assert found.flow == pytest.approx(wanted, rel=1e-11)
        (flow,) = flows(
            readings([dp], "Pa", meter_temperature_k=296.15),
            {"kind": "orifice", "bore": "35 mm", "pipe": f"{pipe} m", "taps": taps, "place": "chamber"},
        )
        assert flow == pytest.approx(wanted / density(ROOM), rel=1e-11)


def test_critical_flow_of_api_520() -> None:
    # The same nozzle flow as our choked Ψ, for another gas.
    case = iso_5167.API_520_CRITICAL
    flux = (
        case["pa"]
        * flow_function(0.1, case["gamma"])
        / math.sqrt(case["z"] * GAS_CONSTANT / case["molar_mass"] * case["k"])
    )
    area = case["kg_h"] / 3600 / (case["kd"] * flux)
    assert area * 1e6 == pytest.approx(iso_5167.API_520_AREA_MM2, abs=iso_5167.API_520_TOLERANCE_MM2)


def test_critical_flow_factor_by_coolprop() -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    for pressure in (60e3, 100e3, 300e3):
        for temperature in (273.15, 293.15, 318.15):

            def mass_flux(throat: float, p0: float = pressure, t0: float = temperature) -> float:
                entropy = coolprop.PropsSI("S", "P", p0, "T", t0, "Air")
                enthalpy = coolprop.PropsSI("H", "P", p0, "T", t0, "Air")
                rho = coolprop.PropsSI("D", "P", throat, "S", entropy, "Air")
                return rho * math.sqrt(2 * (enthalpy - coolprop.PropsSI("H", "P", throat, "S", entropy, "Air")))

            low, high = 0.5 * pressure, 0.56 * pressure
            for _ in range(60):
                a, b = low + (high - low) / 3, high - (high - low) / 3
                low, high = (a, high) if mass_flux(a) < mass_flux(b) else (low, b)
            r = coolprop.PropsSI("GAS_CONSTANT", "Air") / coolprop.PropsSI("M", "Air")
            wanted = mass_flux(low) * math.sqrt(r * temperature) / pressure
            assert critical_flow_factor(pressure, temperature) == pytest.approx(wanted, rel=4e-5)


def test_water_of_tanaka() -> None:
    # Tanaka et al. 2001, table 1: 0, 4, 20, 40 °C (as CIPM's recommended table prints them).
    for celsius, rho in ((0, 999.8428), (4, 999.9749), (20, 998.2067), (40, 992.2152)):
        assert water_density(celsius + 273.15) == pytest.approx(rho, abs=1.5e-4)
    with pytest.raises(CorrectionError, match="liquid of a manometer"):
        water_density(400.0)


def test_viscosity_of_the_standard_atmosphere() -> None:
    # U.S. Standard Atmosphere 1976, table III: sea level 1.7894e-5, 2 km 1.7260e-5 Pa s.
    assert viscosity(288.15) == pytest.approx(1.7894e-5, abs=0.5e-9)
    assert viscosity(275.154) == pytest.approx(1.7260e-5, abs=0.6e-9)


def test_laminar_element_by_hagen_and_poiseuille() -> None:
    # A capillary's law at two temperatures, from the geometry itself: Q = π·d⁴·Δp/(128·μ·l).
    tube, length = 0.5e-3, 0.1

    def volume(dp: float, t: float) -> float:
        return math.pi * tube**4 * dp / (128 * viscosity(t) * length)

    element = meter(
        kind="laminar",
        flow=f"{volume(2000.0, 293.15)!r} m³/s",
        differential="2000 Pa",
        calibrated_at="20 °C",
        place="room",
    )
    air = meter_air(ROOM, 99_800.0, 303.15)
    assert flow_through(element, (1300.0,), air).flow == pytest.approx(
        air.density_kg_m3 * volume(1300.0, 303.15), rel=1e-12
    )


def test_manometer() -> None:
    inclined = meter(
        kind="plate",
        hole="30 mm",
        coefficient=0.6,
        place="room",
        manometer={
            "density": "826 kg/m3",
            "density_at": "20 °C",
            "expansion": "0.0009 1/K",
            "angle": "14.5°",
            "area_ratio": 0.004,
        },
    ).manometer
    assert inclined is not None
    wanted = 826 / (1 + 0.0009 * 6) * 9.80665 * 0.2 * (math.sin(math.radians(14.5)) + 0.004)
    assert column_pressure(0.2, inclined, 299.15) == pytest.approx(wanted, rel=1e-14)
    with pytest.raises(CorrectionError, match="temperature of the manometer's liquid"):
        column_pressure(0.2, inclined)


# -- there and back ------------------------------------------------------------------------------------------

KINDS: dict[str, tuple[dict[str, Any], str, float, float]] = {
    "percent of differential": ({"kind": "percent", "scale": "square-root", "full_scale": "180 CFM"}, "%", 100.0, 0.5),
    "percent of flow": ({"kind": "percent", "scale": "linear", "full_scale": "180 CFM"}, "%", 100.0, 1.0),
    "table": ({"kind": "table", "points": [["0 V", "0 CFM"], ["2 V", "60 CFM"], ["5 V", "180 CFM"]]}, "V", 5.0, 1.3),
    "orifice": ({"kind": "orifice", "bore": "45 mm", "pipe": "80 mm", "taps": "corner", "place": "chamber"}, "Pa", 4000.0, 0.5),
    "nozzle": ({"kind": "nozzle", "bore": "40 mm", "pipe": "80 mm", "shape": "long radius", "place": "room"}, "Pa", 3000.0, 0.5),
    "plate": ({"kind": "plate", "hole": "50 mm", "coefficient": 0.6, "place": "outlet", "manometer": {"liquid": "water", "liquid_temperature": "20 °C"}}, "mm", 400.0, 0.5),
    "laminar": ({"kind": "laminar", "flow": "100 CFM", "differential": "8 inH2O", "calibrated_at": "20 °C", "place": "room"}, "inH2O", 12.0, 1.0),
    "critical nozzle": ({"kind": "critical nozzle", "throat": "3 mm", "shape": "toroidal", "gauge": False, "count": 8}, "kPa", 400.0, 1.0),
    "pitot": ({"kind": "pitot", "pipe": "80 mm", "rule": "single", "profile": 0.82, "factor": 1.0, "place": "room"}, "Pa", 900.0, 0.5),
}  # fmt: skip


@pytest.mark.parametrize("name", KINDS)
def test_there_and_back_with_noise(name: str) -> None:
    """Invented flows, the readings they would give with noise, and back: nineteen of twenty within 1.96·S·σ."""
    keys, unit, top, sensitivity = KINDS[name]
    rng = random.Random(name)
    sigma = 0.004
    wanted = [20 * CFM * (1 + k) for k in range(4)]
    inside = 0
    exact = []
    for q in wanted:
        low = 1e-3 * top
        exact.append(brentq(lambda r, q=q: flows(readings([r], unit), keys)[0] - q, low, top, xtol=1e-13, rtol=1e-13))
    assert flows(readings(exact, unit), keys) == pytest.approx(wanted, rel=1e-9)
    trials = 60
    for _ in range(trials):
        noisy = [r * (1 + rng.gauss(0, sigma)) for r in exact]
        found = correct([readings(noisy, unit)], meters=meters_from(keys)).tests[0].points
        for point, q in zip(found, wanted, strict=True):
            assert point.mark is not None
            inside += abs(point.reading_m3_s / q - 1) <= 1.96 * point.mark.sensitivity * sigma * 1.02
            assert point.mark.sensitivity == pytest.approx(sensitivity, rel=0.4)
    assert 0.90 <= inside / (trials * len(wanted)) <= 0.99


def test_a_reading_and_a_flow_give_the_same_gain() -> None:
    keys = {"kind": "percent", "scale": "square-root", "full_scale": "180 CFM"}
    low, high = flows(readings([25.0, 81.0], "%"), keys)
    assert low == pytest.approx(90 * CFM, rel=1e-14)
    assert high == pytest.approx(162 * CFM, rel=1e-14)


# -- the state at the meter ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "side", "wanted"),
    [
        ("chamber", "intake", 99_800 - 7000), ("chamber", "exhaust", 99_800 + 7000 + 500), ("room", "intake", 99_800),
        ("room", "exhaust", 99_800), ("outlet", "intake", 99_800 + 500), ("outlet", "exhaust", 99_800 + 500),
    ],
)  # fmt: skip
def test_pressure_at_the_meter(place: str, side: str, wanted: float) -> None:
    keys = {"kind": "plate", "hole": "50 mm", "coefficient": 0.6, "place": place}
    line = correct([readings([500.0], "Pa", side=side)], meters=meters_from(keys)).tests[0].ledger[0]
    assert line.correction == "meter"
    assert line.inputs["meter_pressure_pa"] == (wanted,)
    turned = correct(
        [readings([500.0], "Pa", side=side, direction="blows" if side == "intake" else "draws")],
        meters=meters_from(keys),
    )
    if place == "chamber":
        assert turned.tests[0].ledger[0].inputs["meter_pressure_pa"] != (wanted,)
    own = correct([readings([500.0], "Pa", rows=[{"pressure_pa": 98_000.0}])], meters=meters_from(keys)).tests[0]
    assert own.ledger[0].inputs["meter_pressure_pa"] == (98_000.0,)


def test_a_scale_made_at_another_pressure() -> None:
    keys: dict[str, Any] = {
        "kind": "percent",
        "scale": "square-root",
        "full_scale": "180 CFM",
        "at": "25 inH2O",
        "element": "orifice",
        "place": "chamber",
    }
    at = 25 * 249.08891
    (flow,) = flows(readings([100.0], "%"), keys)
    assert flow == pytest.approx(180 * CFM * math.sqrt((99_800 - 7000) / (99_800 - at)), rel=1e-12)
    (flow,) = flows(readings([100.0], "%"), keys | {"element": "laminar"})
    assert flow == pytest.approx(180 * CFM * (99_800 - 7000) / (99_800 - at), rel=1e-12)
    del keys["element"]
    assert rules(readings([50.0], "%"), keys) == [("meter-pressure", "error")]
    assert rules(readings([50.0], "%", pressure=at * 1.005), keys) == []


def test_air_after_the_meter() -> None:
    keys = {"kind": "plate", "hole": "50 mm", "coefficient": 0.6, "place": "room"}
    test = readings([500.0], "Pa", meter_temperature_k=295.15)
    unset = correct([test], meters=meters_from(keys))
    air = unset.tests[0].ledger[2]
    assert air.inputs["air"] == "actual"
    assert air.factor == pytest.approx((math.sqrt(density(ROOM) / density(AirState())),), rel=1e-12)
    stated = correct([test], bench=Bench(air="as stated", air_stated=True), meters=meters_from(keys))
    assert stated.tests[0].ledger[2].factor is None
    assert [item.rule for item in stated.findings] == ["air-as-stated"]
    twice = correct([test], bench=Bench(air="metered", air_stated=True), meters=meters_from(keys))
    assert not twice.tests
    assert ("air-twice", "error") in [(item.rule, item.severity) for item in twice.findings]
    missing = correct([readings([500.0], "Pa", relative_humidity=None)], meters=meters_from(keys))
    assert [item.rule for item in missing.findings] == ["meter-air-missing"]
    assert "humidity" in missing.findings[0].message


# -- leak, zero, check plate, ranges -------------------------------------------------------------------------


def test_zero_leak_and_check_plate() -> None:
    keys = {"kind": "percent", "scale": "square-root", "full_scale": "180 CFM", "zero": "9 %"}
    test = readings(
        [64.0, 100.0],
        "%",
        zero_reading="1 %; 3 %",
        leak_reading="3 %; 3 %",
        check_plate_reading="83 %",
        check_nominal_m3_s=160 * CFM,
    )
    done = correct([test], meters=meters_from(keys)).tests[0]
    assert [p.reading_m3_s / CFM for p in done.points] == pytest.approx([180 * math.sqrt(0.62), 180 * math.sqrt(0.98)])
    assert done.ledger[1].offset_m3_s == pytest.approx((-180 * math.sqrt(0.01) * CFM,) * 2)
    assert done.conditions.check_reading_m3_s == pytest.approx(180 * math.sqrt(0.81) * CFM)


def test_leaks_of_ranges() -> None:
    keys = {"kind": "percent", "scale": "linear", "full_scale": {"low": "60 CFM", "high": "180 CFM"}}
    rows = [{"range": "Low"}, {"range": "high"}]
    test = readings([50.0, 50.0], "%", rows=rows, leak_reading="2 % @ low")
    done = correct([test], meters=meters_from(keys))
    assert done.tests[0].ledger[1].offset_m3_s == pytest.approx((-1.2 * CFM, 0.0))
    assert [item.rule for item in done.findings] == ["leak-missing"]
    both = readings([50.0, 50.0], "%", rows=rows, leak_reading="2 % @ low; 1 % @ high")
    assert correct([both], meters=meters_from(keys)).tests[0].ledger[1].offset_m3_s == pytest.approx(
        (-1.2 * CFM, -1.8 * CFM)
    )
    assert rules(readings([50.0], "%", rows=[{"range": "medium"}]), keys) == [("meter-unknown", "error")]
    assert flows(readings([50.0], "%", rows=[{"range": "90 CFM"}]), keys) == pytest.approx([45 * CFM])


def test_two_meters_open_under_one_reading() -> None:
    keys = {
        "A": {"kind": "plate", "hole": "20 mm", "coefficient": 0.6, "place": "room", "u_calibration": "1 %"},
        "B": {"kind": "plate", "hole": "30 mm", "coefficient": 0.6, "place": "room", "u_calibration": "0.5 %"},
    }
    a, b, both = (flows(readings([500.0], "Pa", rows=[{"meter": name}]), keys)[0] for name in ("a", "B", "A + B"))
    assert both == pytest.approx(a + b, rel=1e-14)
    mark = correct([readings([500.0], "Pa", rows=[{"meter": "A+B"}])], meters=meters_from(keys)).tests[0].points[0].mark
    assert mark is not None
    assert [u for _, u, _ in mark.parts] == [0.01, 0.005]
    assert [share for _, _, share in mark.parts] == pytest.approx([a / both, b / both])
    assert rules(readings([500.0], "Pa"), keys) == [("meter-unknown", "error")]


# -- what is refused and flagged -----------------------------------------------------------------------------

PLATE = {"kind": "plate", "hole": "50 mm", "coefficient": 0.6, "place": "room"}
PERCENT = {"kind": "percent", "scale": "linear", "full_scale": "180 CFM"}


@pytest.mark.parametrize(
    ("test", "keys", "rule"),
    [
        (readings([500.0], "Pa"), {}, ("meter-missing", "error")),
        (readings([50.0], "mm"), PERCENT, ("meter-unit", "error")),
        (readings([50.0], "mm"), PLATE, ("meter-unit", "error")),
        (readings([50.0], "V"), PLATE, ("meter-unit", "error")),
        (readings([130.0], "%"), PERCENT, ("meter-beyond", "error")),
        (readings([-2.0], "%"), PERCENT, ("meter-negative", "error")),
        (readings([120.0], "kPa"), PLATE, ("meter-beyond", "error")),
        (readings([6.0], "V"), KINDS["table"][0], ("meter-beyond", "error")),
        (readings([500.0], "Pa", rows=[{"meter": "large"}]), PLATE, ("meter-unknown", "error")),
        (readings([500.0], "Pa"), {"kind": "plate", "hole": "50 mm", "coefficient": 0.6}, ("meter-missing", "error")),
        (readings([50.0], "kPa", outlet_pressure_pa=99_800.0), KINDS["critical nozzle"][0], ("meter-not-choked", "error")),
        (readings([150.0], "kPa"), KINDS["critical nozzle"][0], ("meter-not-choked", "note")),
        (readings([500.0], "Pa"), PLATE, ("meter-air-assumed", "note")),
        (readings([(300.0, 320.0)], "Pa"), {"kind": "pitot", "pipe": "80 mm", "rule": "log-linear", "count": 6, "factor": 1, "place": "room"}, ("meter-unit", "error")),
    ],
)  # fmt: skip
def test_refused_and_flagged(test: FlowTest, keys: dict[str, Any], rule: tuple[str, str]) -> None:
    assert rule in rules(test, keys)
    assert all(len(item.message) > 30 for item in correct([test], meters=meters_from(keys)).findings)


@pytest.mark.parametrize(
    ("keys", "value", "limit"),
    [
        ({"kind": "orifice", "bore": "10 mm", "pipe": "60 mm", "taps": "corner"}, 3000.0, "d "),
        ({"kind": "orifice", "bore": "20 mm", "pipe": "40 mm", "taps": "corner"}, 3000.0, "D "),
        ({"kind": "orifice", "bore": "50 mm", "pipe": "60 mm", "taps": "corner"}, 3000.0, "β"),
        ({"kind": "orifice", "bore": "30 mm", "pipe": "80 mm", "taps": "flange"}, 5.0, "Re_D"),
        ({"kind": "orifice", "bore": "30 mm", "pipe": "80 mm", "taps": "corner"}, 30_000.0, "p₂/p₁"),
        ({"kind": "nozzle", "bore": "30 mm", "pipe": "80 mm", "shape": "ISA 1932"}, 50.0, "Re_D"),
        ({"kind": "nozzle", "bore": "10 mm", "pipe": "80 mm", "shape": "long radius"}, 3000.0, "β"),
        ({"kind": "nozzle", "bore": "40 mm", "pipe": "80 mm", "shape": "venturi nozzle"}, 3000.0, "d "),
    ],
)  # fmt: skip
def test_limits_of_the_standards_are_warned_of(keys: dict[str, Any], value: float, limit: str) -> None:
    found = correct([readings([value], "Pa")], meters=meters_from(keys | {"place": "room"})).findings
    warned = [item for item in found if item.rule == "meter-limits"]
    assert any(f"limit for {limit}" in item.message for item in warned), warned
    assert all(item.severity == "warning" and "2 mm" in item.message for item in warned)


def test_limits_of_critical_nozzles_and_traverses_are_warned_of() -> None:
    """ISO 9300's Reynolds number of the throat, and ISO 3966's least count of positions."""
    small = KINDS["critical nozzle"][0] | {"throat": "0.3 mm"}
    warned = [f.message for f in correct([readings([150.0], "kPa")], meters=meters_from(small)).findings]
    assert any("limit for Re is from 21000" in message for message in warned)
    pitot = {"kind": "pitot", "pipe": "80 mm", "rule": "log-linear", "count": 6, "factor": 1, "place": "room"}
    warned = [f.message for f in correct([readings([(90.0,) * 6], "Pa")], meters=meters_from(pitot)).findings]
    assert any("limit for positions is at least 12, and here it is 6" in message for message in warned)
    enough = correct([readings([(90.0,) * 12], "Pa")], meters=meters_from(pitot | {"count": 12}))
    assert "meter-limits" not in [item.rule for item in enough.findings]


def test_no_limit_is_warned_of_inside_them() -> None:
    for name in ("orifice", "nozzle"):
        assert "meter-limits" not in [rule for rule, _ in rules(readings([2500.0], "Pa"), KINDS[name][0])]


def test_a_flow_beside_the_reading() -> None:
    test = readings([50.0], "%")
    point = test.points[0]
    import dataclasses

    beside = dataclasses.replace(test, points=(dataclasses.replace(point, flow_m3_s=95 * CFM),))
    found = correct([beside], meters=meters_from(PERCENT))
    assert found.tests[0].points[0].reading_m3_s == pytest.approx(90 * CFM)
    assert [(item.rule, item.severity) for item in found.findings] == [
        ("column-ignored", "note"),
        ("meter-disagrees", "warning"),
    ]
    without = correct([beside])
    assert without.tests[0].points[0].reading_m3_s == pytest.approx(95 * CFM)
    assert [(item.rule, item.severity) for item in without.findings] == [("column-ignored", "note")]


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"kind": "percent", "scale": "linear"}, "lacks full_scale"),
        ({"kind": "orifice", "bore": "30 mm", "pipe": "60 mm"}, "lacks taps"),
        ({"kind": "plate", "hole": "30 mm", "area": "700 mm²", "coefficient": 0.6}, "hole and area"),
        ({"kind": "plate", "hole": "30", "coefficient": 0.6}, "no unit"),
        ({"kind": "plate", "hole": "30 mm", "coeficient": 0.6}, "coeficient"),
        ({"kind": "venturi"}, "no known kind"),
        ({"kind": "orifice", "bore": "60 mm", "pipe": "30 mm", "taps": "corner"}, "not smaller"),
        ({"kind": "table", "points": [["0 V", "0 CFM"], ["1 V", "0 CFM"]]}, "not strictly rising"),
        ({"kind": "pitot", "pipe": "80 mm", "rule": "log-linear", "factor": 1}, "lacks count"),
        ({**PLATE, "manometer": {"liquid": "mercury"}}, "mercury"),
        ({**PLATE, "place": "cellar"}, "cellar"),
        ({**PLATE, "u_calibration": "80 %"}, "not between"),
    ],
)  # fmt: skip
def test_a_meter_is_refused_by_name(keys: dict[str, Any], words: str) -> None:
    with pytest.raises(JobError, match=words):
        meters_from(keys, file="job.toml")


def test_uncertainty_by_the_standard() -> None:
    keys = {
        "kind": "orifice",
        "bore": "40 mm",
        "pipe": "80 mm",
        "taps": "corner",
        "place": "room",
        "u_bore": "0.1 %",
        "u_pipe": "0.2 %",
    }
    mark = correct([readings([2000.0], "Pa")], meters=meters_from(keys)).tests[0].points[0].mark
    assert mark is not None
    beta4 = 0.5**4
    parts = (0.005 / 2, 0.035 * 2000 / (1.4 * 99_800) / 2, 2 / (1 - beta4) * 0.001, 2 * beta4 / (1 - beta4) * 0.002)
    assert mark.parts[0][1] == pytest.approx(math.sqrt(sum(part**2 for part in parts)), rel=1e-12)
    stated = (
        correct(
            [readings([2000.0], "Pa")], meters=meters_from(keys | {"u_calibration": "0.6 %", "u_differential": "1 %"})
        )
        .tests[0]
        .points[0]
        .mark
    )
    assert stated is not None
    assert stated.parts[0][1] == pytest.approx(math.hypot(0.006, 0.005), rel=1e-12)
