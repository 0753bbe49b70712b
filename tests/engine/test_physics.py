"""Gas, cylinder and integrators against closed forms and other people's libraries."""

from __future__ import annotations

import math
from dataclasses import replace

import cantera as ct
import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from flowkit.corrections.pressure import flow_function as bench_flow_function
from flowkit.engine.cylinder import (
    Motored,
    burn_rate,
    cylinder_volume,
    heat_coefficient,
    kinematics,
)
from flowkit.engine.figures import air_limited_power, mean_inlet_mach_index, sound_speed
from flowkit.engine.gas import SMALL_DIFFERENCE, FlowTable, Gas, flow_function
from flowkit.engine.solvers import Integration, Linearised, integrate, integrate_stiff
from flowkit.errors import EngineError
from tests.engine.samples import ENGINE
from tests.published import air_heat_capacity, gas_dynamics


def PropsSI(*state) -> float:
    from CoolProp.CoolProp import PropsSI

    return PropsSI(*state)


@pytest.mark.parametrize(("kelvin", "cp", "gamma"), air_heat_capacity.CP)
def test_heat_capacity_against_printed_tables(kelvin: float, cp: float, gamma: float) -> None:
    gas = Gas()
    ours = float(gas.cv(np.array(kelvin))) + gas.gas_constant
    assert ours == pytest.approx(cp * 1e3, rel=air_heat_capacity.MODEL_TOLERANCE)
    assert float(gas.gamma(np.array(kelvin))) == pytest.approx(gamma, abs=2e-3)


def test_heat_capacity_and_energy_against_cantera_air() -> None:
    """NASA polynomials of nitrogen and oxygen as Cantera has them; the model is good for 0.5 %."""
    air = ct.Solution("air.yaml")
    gas = Gas()
    air.TPX = 300, 1e5, "N2:0.79, O2:0.21"
    scale = air.mean_molecular_weight / 28.9647
    cold = air.int_energy_mass
    for kelvin in (300.0, 600.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0):
        air.TP = kelvin, 1e5
        theirs, ours = air.cp_mass * scale, float(gas.cv(np.array(kelvin))) + gas.gas_constant
        assert ours == pytest.approx(theirs, rel=0.005)
        if kelvin > 300:
            ours_u = float(gas.u(np.array(kelvin)) - gas.u(np.array(300.0)))
            assert ours_u == pytest.approx((air.int_energy_mass - cold) * scale, rel=0.005)


def test_gas_against_coolprop_air() -> None:
    """Helmholtz equation of Lemmon et al. (2000) for air, in the ideal-gas limit."""
    gas = Gas()
    for kelvin in (280.0, 320.0, 500.0, 1000.0):
        theirs = PropsSI("CP0MASS", "T", kelvin, "P", 1e5, "Air")
        assert float(gas.cv(np.array(kelvin))) + gas.gas_constant == pytest.approx(theirs, rel=0.005)
    assert sound_speed(293.15) == pytest.approx(PropsSI("A", "T", 293.15, "P", 101325, "Air"), rel=1e-3)


def test_energy_is_the_integral_of_heat_capacity() -> None:
    for gas in (Gas(), Gas("constant", 1.3)):
        cold, hot = (float(gas.u(np.array(kelvin))) for kelvin in (300.0, 2500.0))
        assert hot - cold == pytest.approx(quad(lambda t: float(gas.cv(np.array(t))), 300, 2500)[0], rel=1e-9)
    assert float(Gas("constant", 1.4).h(np.array(300.0))) == pytest.approx(3.5 * Gas().gas_constant * 300)


def test_flow_function_is_the_benchs_own_and_choked_where_printed() -> None:
    ratios = np.linspace(0.05, 1 - SMALL_DIFFERENCE, 50)
    bench = [bench_flow_function(ratio) for ratio in ratios]
    assert flow_function(ratios, np.array(1.4)) == pytest.approx(bench, rel=1e-12)
    choked = flow_function(np.array([0.1, 0.5]), np.array(1.4))
    assert choked == pytest.approx(gas_dynamics.CHOKED_FLOW, abs=gas_dynamics.CHOKED_FLOW_ROUNDING)


def test_flow_function_reverses_smoothly() -> None:
    drop = np.linspace(0, 3 * SMALL_DIFFERENCE, 3001)
    psi = flow_function(1 - drop, np.array(1.35))
    slope = np.diff(psi) / np.diff(drop)
    assert psi[0] == pytest.approx(0, abs=1e-6)
    assert np.all(slope > 0)
    assert np.max(np.abs(np.diff(slope))) < 0.01 * np.max(slope)


def test_table_of_the_flow_function() -> None:
    ratios = 1 - np.linspace(0, 0.99, 4000) ** 2
    for gas, gammas in ((Gas("constant", 1.37), (1.37,)), (Gas(), (1.28, 1.31, 1.36, 1.4))):
        table = FlowTable(gas)
        for gamma in gammas:
            exact = flow_function(ratios, np.array(gamma))
            assert np.max(np.abs(table(ratios, np.array(gamma)) - exact)) < 3e-5
    assert float(FlowTable(Gas())(np.array(0.0), np.array(1.4))) == pytest.approx(0.6847, abs=5e-5)


def test_kinematics_is_the_volume_with_its_slope_and_the_walls() -> None:
    theta = np.linspace(-180, 180, 37)
    step = 1e-4
    slope = (cylinder_volume(ENGINE, theta + step) - cylinder_volume(ENGINE, theta - step)) / (2 * step)
    volume, rate, walls = kinematics(ENGINE, theta)
    assert volume == pytest.approx(cylinder_volume(ENGINE, theta), rel=1e-12)
    assert rate == pytest.approx(slope, abs=1e-12)
    # Heywood (1988), eq. 2.7: two flat ends and the liner that the piston leaves open
    liner = math.pi * ENGINE.bore_m * (volume / ENGINE.piston_area_m2)
    assert walls == pytest.approx(2 * ENGINE.piston_area_m2 + liner, rel=1e-12)
    assert np.ptp(cylinder_volume(ENGINE, theta)) == pytest.approx(ENGINE.displacement_m3)


def test_wiebe_burns_everything_once() -> None:
    start, end = ENGINE.wiebe_start_deg, ENGINE.wiebe_start_deg + ENGINE.wiebe_duration_deg

    def burned(until: float) -> float:
        return quad(lambda theta: float(burn_rate(ENGINE, theta)), start, until)[0]

    assert burned(end) == pytest.approx(1, rel=1e-10)
    # a = 5, m = 2 (Heywood 1988, fig. 9-13): half is burned at y = (ln 2/5)^(1/3), but for our normalisation.
    half = start + ENGINE.wiebe_duration_deg * (math.log(2) / 5) ** (1 / 3)
    assert burned(half) == pytest.approx(0.5, abs=0.005)


def coefficient(model: str, **state: float) -> float:
    given = {"pressure": 50e5, "temperature": 2000.0, "volume": 6e-5, "piston_speed": 10.0, **state}
    arrays = {name: np.array([value]) for name, value in given.items()}
    engine = replace(ENGINE, heat_transfer=model)  # type: ignore[arg-type]
    return float(heat_coefficient(engine, open_valves=False, **arrays)[0])  # type: ignore[arg-type]


def test_woschni_in_the_units_of_its_first_paper() -> None:
    """h = 110·d^−0.2·p^0.8·T^−0.53·w^0.8 in kcal/(m²·h·K), kp/cm² (Woschni, SAE 670931, from memory): Heywood prints
    T^−0.55, and the constant in SI with three figures, 2 % from the first one."""
    kcal_per_hour = 4186.8 / 3600
    at = 50e5 / 98066.5
    first = 110 * kcal_per_hour * ENGINE.bore_m**-0.2 * at**0.8 * 2000.0**-0.53 * (2.28 * 10) ** 0.8
    assert coefficient("woschni") * 2000.0**0.02 == pytest.approx(first, rel=0.02)


def test_heat_transfer_models_are_of_one_size_and_scale_as_written() -> None:
    assert 0.3 < coefficient("hohenberg") / coefficient("woschni") < 3
    for model, exponent in (("woschni", -0.55), ("hohenberg", -0.4)):
        assert coefficient(model, pressure=100e5) == pytest.approx(2**0.8 * coefficient(model))
        assert coefficient(model, temperature=1000.0) == pytest.approx(2**-exponent * coefficient(model))
    assert coefficient("hohenberg", volume=12e-5) == pytest.approx(2**-0.06 * coefficient("hohenberg"))


def test_combustion_adds_velocity_above_the_motored_pressure_only() -> None:
    one = np.ones(1)
    given = {
        "pressure": 50e5 * one,
        "temperature": 2000 * one,
        "volume": 6e-5 * one,
        "piston_speed": 10 * one,
        "open_valves": False,
    }
    plain = heat_coefficient(ENGINE, **given)  # type: ignore[arg-type]
    cold = Motored(1e5 * one, 350 * one, 4e-4)
    burning = heat_coefficient(ENGINE, motored=cold, **given)  # type: ignore[arg-type]
    velocity = 22.8 + 3.24e-3 * ENGINE.displacement_m3 * 350 / (1e5 * 4e-4) * (50e5 - 1e5 * (4e-4 / 6e-5) ** 1.33)
    assert float(burning[0] / plain[0]) == pytest.approx((velocity / 22.8) ** 0.8)
    high = Motored(50e5 * one, 350 * one, 4e-4)
    assert heat_coefficient(ENGINE, motored=high, **given) == pytest.approx(plain)  # type: ignore[arg-type]


def oscillator(theta: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.stack((y[1], -y[0]))


ONE = np.ones((1, 1, 1, 1))


def lanes(*rows: list[float]) -> np.ndarray:
    """A state of one copy and one piece: rows over lanes."""
    return np.array(rows, dtype=float).reshape(len(rows), 1, 1, 1, -1)


def span(low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    return np.array(low), np.array(high)


def test_explicit_method_meets_its_tolerance_and_scipy() -> None:
    start, scale = lanes([1.0, 0.5], [0.0, 0.2]), lanes([1.0, 1.0], [1.0, 1.0])
    errors = []
    for tolerance in (1e-4, 1e-6, 1e-8):
        run = Integration(tolerance, np.array([0.1, 0.3]).reshape(1, 1, 1, 2))
        end = integrate(oscillator, span(0.0, 10.0), start, scale=scale, run=run)
        exact = start[0] * math.cos(10) + start[1] * math.sin(10)
        errors.append(float(np.max(np.abs(end[0] - exact))))
        assert run.mesh is not None
        assert np.sum(run.mesh, axis=0).ravel() == pytest.approx([10, 10])
    assert errors[2] < 1e-6
    assert errors[1] < 1e-4
    theirs = solve_ivp(oscillator, (0, 10), [1.0, 0.0], rtol=1e-10, atol=1e-12)
    assert end[:, 0, 0, 0, 0] == pytest.approx(theirs.y[:, -1], abs=1e-6)


def test_order_of_both_methods() -> None:
    """Halving all steps divides the error by 2⁵ and by 2³."""
    start, scale = lanes([1.0], [0.0]), lanes([1.0], [1.0])

    def linear(theta: np.ndarray, y: np.ndarray) -> Linearised:
        # "Pressure" is the second row, which the first follows.
        return oscillator(theta, y), np.stack((1 + 0 * y[0], 0 * y[0])), 0 * y[0], 0 * y[0], 1 + 0 * y[0]

    def error(steps: int, stiff: bool) -> float:
        run = Integration(1.0, 2 / steps * ONE, mesh=np.full((steps, 1, 1, 1, 1), 2 / steps), frozen=True)
        if stiff:
            end = integrate_stiff(oscillator, span(0.0, 2.0), start, scale=scale, run=run, linear=linear)
        else:
            end = integrate(oscillator, span(0.0, 2.0), start, scale=scale, run=run)
        return math.hypot(float(end[0].flat[0]) - math.cos(2), float(end[1].flat[0]) + math.sin(2))

    assert math.log2(error(10, False) / error(20, False)) == pytest.approx(5, abs=0.4)
    assert math.log2(error(40, True) / error(80, True)) == pytest.approx(3, abs=0.4)


def test_stiff_method_follows_a_stiff_course_in_few_steps() -> None:
    """Prothero & Robinson's problem y' = λ(y − cos x) − sin x with λ = −10⁶, whose solution is cos x."""

    def pull(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.stack((0 * y[0], -1e6 * (y[1] - np.cos(x)) - np.sin(x)))

    run = Integration(1e-5, 0.01 * ONE)
    end = integrate_stiff(
        pull,
        span(0.0, 3.0),
        lanes([0.0], [1.0]),
        scale=lanes([1.0], [1.0]),
        run=run,
        # "Pressure" is the second row; what else depends on x is the slope's −λ·sin x, as if the pressure turned.
        linear=lambda x, y: (pull(x, y), np.stack((0 * y[0], -1e6 + 0 * y[0])), np.sin(x), 0 * y[0], 1 + 0 * y[0]),
    )
    assert float(end[1].flat[0]) == pytest.approx(math.cos(3), abs=1e-4)
    assert run.evaluations < 3000


def test_a_lane_that_runs_into_nothing_gives_up_and_leaves_the_others_alone() -> None:
    def explode(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return y**2

    start = lanes([1.0, 0.1])
    run = Integration(1e-6, np.full((1, 1, 1, 2), 0.1))
    end = integrate(explode, span(0.0, 2.0), start, scale=lanes([1.0, 1.0]), run=run)
    assert end[0, 0, 0, 0, 1] == pytest.approx(0.1 / 0.8, rel=1e-4)  # y = y₀/(1 − y₀·x)
    assert not abs(end[0, 0, 0, 0, 0]) < 1e3


def test_mach_index_is_proportional_to_speed_and_inverse_to_area() -> None:
    index = mean_inlet_mach_index(ENGINE, 300e-6, (1000.0, 2000.0))
    assert index.z[1] == pytest.approx(2 * index.z[0])
    assert mean_inlet_mach_index(ENGINE, 600e-6).speed_at_half_rpm == pytest.approx(2 * index.speed_at_half_rpm)
    assert index.z[0] == pytest.approx(0.5 * 1000 / index.speed_at_half_rpm)
    with pytest.raises(EngineError, match="is zero"):
        mean_inlet_mach_index(ENGINE, 0.0)


def test_air_limited_power_in_the_units_of_the_trade() -> None:
    """100 kg/h of air at 12.5:1 feeds 8 kg/h of fuel, which at 250 g/kWh is 32 kW."""
    engine = replace(ENGINE, air_fuel_ratio=12.5, bsfc_kg_j=0.25 / 3.6e6)
    power = air_limited_power(engine, [1.0], [3000.0])
    assert power.power_w[0] == pytest.approx(power.air_flow_kg_s[0] * 3600 / 100 * 32e3)
    # 1.598 litres of air at 1.204 kg/m³ every second turn.
    assert power.air_flow_kg_s[0] == pytest.approx(4 * ENGINE.displacement_m3 * 1.204 * 25, rel=1e-3)
