"""Whole jobs, from written sheet and job file, against a cylinder written a second time (`independent_model`).

Issue 5 asks for filling and indicated figures within 1 % on at least eight jobs: small and large, 250 to
14 000 rpm, boosted, throttled, short and long cams, changes by variant. The difference of up to half a per cent
in heat capacity between the two models of the gas is inside that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from flowkit.engine.results import EngineResult
from flowkit.job import Job
from tests.engine.independent_model import Cylinder, Found, area_by_angle, polynomial_lift, repeating_cycle

pytestmark = pytest.mark.slow

WITHIN = 0.01


@dataclass(frozen=True)
class Built:
    """An invented engine: millimetres, cubic centimetres and degrees, as in its job file."""

    bore: float = 80.5
    stroke: float = 78.4
    rod: float = 132.0
    ratio: float = 10.2
    opens: float = 16.0  # BTDC
    closes: float = 52.0  # ABDC
    exhaust_opens: float = 54.0  # BBDC
    exhaust_closes: float = 14.0  # ATDC
    lift: float = 9.8
    exhaust_lift: float = 9.4
    checking: float = 1.0
    intake: tuple[float, float] = (101.325, 293.15)  # kPa, K
    exhaust: tuple[float, float] = (101.325, 900.0)
    port: float = 620.0  # mm² at full lift
    exhaust_port: float = 480.0
    speeds: tuple[float, ...] = (1500.0, 6500.0)
    valves: int = 1
    extra: dict[str, object] = field(default_factory=dict)

    def lifts(self, peak: float) -> list[float]:
        """Where the port was flowed [mm]; a little beyond the cam."""
        return [round(peak * 1.05 * step / 10, 3) for step in range(1, 11)]

    def flow(self, full: float, lift: float, peak: float) -> float:
        """Flow of one valve at 28 inH2O [L/s]: 107.55 m/s through an invented area."""
        return round(full / self.valves * 1e-6 * math.tanh(lift / (0.58 * peak)) * 107.55e3, 4)

    def sheet(self, name: str) -> str:
        """The flow sheet as text."""
        lines = [f"Variant,{name}", "Test pressure,28 inH2O"]
        for side, peak, full in (("Intake", self.lift, self.port), ("Exhaust", self.exhaust_lift, self.exhaust_port)):
            lines += ["", f"Side,{side}", "Port,1", "Lift (mm),Flow (L/s)"]
            lines += [f"{lift},{self.flow(full, lift, peak)}" for lift in self.lifts(peak)]
        return "\n".join(lines) + "\n"

    def job(self) -> str:
        """The job file's engine and cams."""
        lines = [
            "[engine]",
            "cylinders = 1",
            f'bore = "{self.bore} mm"',
            f'stroke = "{self.stroke} mm"',
            f'rod = "{self.rod} mm"',
            f"compression_ratio = {self.ratio}",
            f'intake_pressure = "{self.intake[0]} kPa"',
            f'intake_temperature = "{self.intake[1]} K"',
            f'exhaust_pressure = "{self.exhaust[0]} kPa"',
            f'exhaust_temperature = "{self.exhaust[1]} K"',
            f"intake_valves = {self.valves}",
            f"exhaust_valves = {self.valves}",
            f"speeds = [{', '.join(str(speed) for speed in self.speeds)}]",
            *(f"{key} = {value}" for key, value in self.extra.items()),
            "[cam.intake]",
            f'opens = "{self.opens} BTDC"',
            f'closes = "{self.closes} ABDC"',
            f'checking_lift = "{self.checking} mm"',
            f'peak_lift = "{self.lift} mm"',
            "[cam.exhaust]",
            f'opens = "{self.exhaust_opens} BBDC"',
            f'closes = "{self.exhaust_closes} ATDC"',
            f'checking_lift = "{self.checking} mm"',
            f'peak_lift = "{self.exhaust_lift} mm"',
        ]
        return "\n".join(lines) + "\n"

    def cylinder(self, **changed: object) -> Cylinder:
        """The same for the independent model."""
        curves, periods = [], []
        for opens, closes, peak, full in (
            (360 - self.opens, 540 + self.closes, self.lift, self.port),
            (180 - self.exhaust_opens, 360 + self.exhaust_closes, self.exhaust_lift, self.exhaust_port),
        ):
            lift, period = polynomial_lift(opens, closes, self.checking / 1e3, peak / 1e3)
            lifts = self.lifts(peak)
            flows = [self.flow(full, value, peak) * self.valves / 1e3 for value in lifts]
            curves.append(area_by_angle(lift, period, [value / 1e3 for value in lifts], flows))
            periods.append(period)
        displaced = math.pi / 4 * self.bore**2 * self.stroke * 1e-9
        given: dict[str, object] = {
            "bore": self.bore / 1e3,
            "stroke": self.stroke / 1e3,
            "rod": self.rod / 1e3,
            "clearance": displaced / (self.ratio - 1),
            "intake": curves[0],
            "exhaust": curves[1],
            "intake_open": periods[0],
            "exhaust_open": periods[1],
            "intake_state": (self.intake[0] * 1e3, self.intake[1]),
            "exhaust_state": (self.exhaust[0] * 1e3, self.exhaust[1]),
        }
        return Cylinder(**{**given, **changed})  # type: ignore[arg-type]


def written(folder: Path, built: Built, variants: str = "") -> EngineResult:
    """The whole way: sheet and job file written, read, compared, and carried into the engine."""
    (folder / "flows.csv").write_text(built.sheet("flowed"), encoding="utf-8")
    variants = variants or '[[variant]]\nname = "flowed"\nsheets = ["flows.csv"]\n'
    (folder / "job.toml").write_text(built.job() + variants, encoding="utf-8")
    return Job.load(folder / "job.toml").engine_result()


def assert_same(result: EngineResult, place: int, cylinder: Cylinder, speeds: tuple[float, ...]) -> None:
    """Filling, trapped mass, residual gas and indicated mean pressure of one variant within 1 %."""
    filling = result.variants[place].filling
    assert filling is not None
    assert filling.not_firing == ()
    displaced = math.pi / 4 * cylinder.bore**2 * cylinder.stroke
    pressure, temperature = cylinder.intake_state
    air = pressure * displaced / (8.314462618 / 0.0289647 * temperature)
    for index, speed in enumerate(speeds):
        theirs: Found = repeating_cycle(cylinder, speed)
        assert filling.volumetric_efficiency[index] == pytest.approx(theirs.drawn / air, rel=WITHIN)
        assert filling.trapped_mass_kg[index] == pytest.approx(theirs.trapped, rel=WITHIN)
        assert filling.residual_fraction[index] == pytest.approx(theirs.burned_share, rel=WITHIN)
        assert filling.indicated_mep_pa[index] == pytest.approx(theirs.work / displaced, rel=WITHIN)
        assert (filling.mass_error[index] or 0) < 1e-6
        assert (filling.energy_error[index] or 0) < 1e-6


ROAD = Built()
JOBS = {
    "road engine of 1.6 litres": ROAD,
    "small, to 14 000 rpm": Built(
        bore=39, stroke=41.4, rod=90, ratio=11.5, lift=6.2, exhaust_lift=5.8, port=170, exhaust_port=135, opens=25,
        closes=65, exhaust_opens=65, exhaust_closes=25, checking=0.5, speeds=(4000.0, 14000.0),
    ),
    "large, from 250 rpm": Built(
        bore=150, stroke=180, rod=340, ratio=8, lift=15, exhaust_lift=14, port=1900, exhaust_port=1500, opens=5,
        closes=35, exhaust_opens=40, exhaust_closes=5, speeds=(250.0, 1500.0),
    ),
    "boosted": Built(
        ratio=8.5, intake=(180.0, 330.0), exhaust=(150.0, 1000.0), speeds=(2000.0, 6500.0),
    ),
    "throttled": Built(intake=(60.0, 300.0), speeds=(2500.0, 4000.0)),
    "short cam": Built(
        opens=-2, closes=22, exhaust_opens=25, exhaust_closes=-4, lift=7.5, exhaust_lift=7.2, speeds=(900.0, 5000.0),
    ),
    "long cam, much overlap": Built(
        opens=48, closes=82, exhaust_opens=84, exhaust_closes=44, lift=12.5, exhaust_lift=12.0, ratio=12.5,
        port=760, exhaust_port=590, speeds=(3000.0, 9000.0),
    ),
    "two valves flowed singly, long rod, hot walls": Built(
        bore=86, stroke=68, rod=150, valves=2, port=980, exhaust_port=720, speeds=(3000.0, 11000.0),
    ),
    "ports that choke": Built(port=300, exhaust_port=230, speeds=(3000.0, 8000.0)),
}  # fmt: skip


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[] if index == 0 else pytest.mark.slow) for index, name in enumerate(JOBS)]
)
def test_job_against_the_independent_model(name: str, tmp_path: Path) -> None:
    built = JOBS[name]
    assert_same(written(tmp_path, built), 0, built.cylinder(), built.speeds)


@pytest.mark.slow
@pytest.mark.parametrize(("kpa", "fires"), [(50.0, False), (60.0, False), (70.0, False), (80.0, True)])
def test_the_independent_model_traps_as_little_where_a_speed_is_said_not_to_fire(
    kpa: float, fires: bool, tmp_path: Path
) -> None:
    """Spec section 8: less trapped air than 20 % of displacement at the intake's state is no firing cycle."""
    built = Built(intake=(kpa, 300.0), speeds=(1500.0, 4000.0))
    cylinder = built.cylinder()
    theirs = repeating_cycle(cylinder, 1500.0)
    air = kpa * 1e3 * math.pi / 4 * cylinder.bore**2 * cylinder.stroke / (8.314462618 / 0.0289647 * 300)
    assert (theirs.trapped * (1 - theirs.burned_share) / air > 0.20) is fires
    filling = written(tmp_path, built).variants[0].filling
    assert filling is not None
    assert [item.speed_rpm for item in filling.not_firing] == ([] if fires else [1500.0])


@pytest.mark.slow
def test_changes_by_variant_against_the_independent_model(tmp_path: Path) -> None:
    """Rebored with the chamber kept, compression from volumes, another cam by its card: each worked out by hand."""
    built = Built(speeds=(2500.0, 7000.0))
    extra = """
[[variant]]
name = "as received"
sheets = ["a.csv"]
[[variant]]
name = "rebored"
sheets = ["b.csv"]
[variant.engine]
bore = "83 mm"
[[variant]]
name = "from volumes"
sheets = ["c.csv"]
[variant.engine]
chamber_volume = "38 cc"
milled = "0.5 mm"
chamber_area = "42 cm²"
gasket_bore = "82 mm"
gasket_thickness = "1.2 mm"
deck_clearance = "0.3 mm"
crown_volume = "2.5 cc"
[[variant]]
name = "cam card"
sheets = ["d.csv"]
[variant.cam]
lobe_separation = 108
advance = 4
[variant.cam.intake]
duration = 268
checking_lift = "0.3 mm"
lobe_lift = "6.5 mm"
rocker_ratio = 1.5
lash = "0.2 mm"
[variant.cam.exhaust]
duration = 264
checking_lift = "0.3 mm"
lobe_lift = "6.2 mm"
rocker_ratio = 1.5
lash = "0.25 mm"
"""
    for file, name in (("a", "as received"), ("b", "rebored"), ("c", "from volumes"), ("d", "cam card")):
        (tmp_path / f"{file}.csv").write_text(built.sheet(name), encoding="utf-8")
    result = written(tmp_path, built, extra)
    plain = built.cylinder()
    assert_same(result, 0, plain, built.speeds)
    assert_same(result, 1, built.cylinder(bore=0.083), built.speeds)
    clearance = 38 - 4200 * 0.5e-3 + math.pi / 4 * (82**2 * 1.2 + 80.5**2 * 0.3) / 1e3 - 2.5
    assert_same(result, 2, built.cylinder(clearance=clearance * 1e-6), built.speeds)
    curves = {}
    # Middles 108 - 4 after, 108 + 4 before the dead centre; lifts at the valve are 1.5 times the lobe's.
    for side, middle, duration, lobe, lash, peak, full in (
        ("intake", 360 + 104, 268, 6.5, 0.2, built.lift, built.port),
        ("exhaust", 360 - 112, 264, 6.2, 0.25, built.exhaust_lift, built.exhaust_port),
    ):
        lift, period = polynomial_lift(middle - duration / 2, middle + duration / 2, 0.45e-3, 1.5e-3 * lobe, lash / 1e3)
        lifts = built.lifts(peak)
        flows = [built.flow(full, value, peak) / 1e3 for value in lifts]
        curves[side] = area_by_angle(lift, period, [value / 1e3 for value in lifts], flows)
        curves[f"{side}_open"] = period
    assert_same(result, 3, built.cylinder(**curves), built.speeds)
