"""Means, gains and intervals of whole jobs against plain calculations.

Curves: scipy's PCHIP. Intervals: `independent_uncertainty`, the law of propagation written out in
plain loops.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from tests.acceptance import independent_uncertainty
from tests.acceptance.independent import INH2O, passages, pressure_factor, reference_velocity

REFERENCE = 28 * INH2O
NAMES = ("stock", "ported", "ported and valves")
BENCHES = ((28, "2026-01-05", "A"), (28, "2026-01-05", "A"), (25, "2026-02-01", "A"), (10, "2026-01-05", "B"))


@dataclass
class State:
    """One variant as invented: pressure [Pa], session, and side, port, run -> {lift [m]: flow at the reference}."""

    pressure: float
    session: tuple[str, str]
    runs: dict


@dataclass
class Bench:
    law: str
    stated: bool
    drift: float
    lift: float
    reading: float


def _job(seed):
    """Invent a job: three states, other ports, lifts, pressures and sessions; ports 1 and 2 with repeated runs."""
    pick = random.Random(seed)
    bench = Bench(
        pick.choice(["square-root", "compressible"]),
        seed == 3,
        pick.choice([0, 0.002]),
        pick.choice([0, 0.03e-3]),
        pick.choice([0, 0.15 * INH2O]),
    )
    text = f'[reference]\npressure_law = "{bench.law}"\n[bench]\n'
    text += 'repeatability = "0.6 %"\n' if bench.stated else ""
    text += f'drift = "{100 * bench.drift} %"\n' if bench.drift else ""
    text += f'lift_setting = "{1000 * bench.lift} mm"\n' if bench.lift else ""
    text += f'pressure_reading = "{bench.reading / INH2O} inH2O"\n' if bench.reading else ""
    files, states = {}, {}
    for number, name in enumerate(NAMES):
        inches, date, place = pick.choice(BENCHES)
        lifts = sorted(pick.sample([1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 10.5, 11], 9))
        ports = sorted(pick.sample("1234", pick.choice([3, 4])))
        columns = {}
        for side, top in (("intake", 60), ("exhaust", 46)):
            for port in ports:
                for run in range(1, {"1": 3, "2": 2}.get(port, 1) + 1):
                    shift = pick.gauss(0, 0.003)
                    columns[side, port, run] = [
                        round(
                            top * math.tanh(lift / 6.2) * math.sqrt(inches / 28) * (1 + 0.01 * math.sin(int(port)))
                            * (1 + 0.05 * number * (1 if lift > 4 else 0.4)) * (1 + shift + pick.gauss(0, 0.003)), 3,
                        )
                        for lift in lifts
                    ]  # fmt: skip
                    if run == 2:
                        columns[side, port, run][4] = None
        sheet = [f"Variant;{name}", f"Date;{date}", f"Bench;{place}", f"Test pressure;{inches} inH2O", ""]
        sheet.append("Lift (mm);" + ";".join(f"{side} {port} run {run} (L/s)" for side, port, run in columns))
        for at, lift in enumerate(lifts):
            cells = ["-" if flows[at] is None else str(flows[at]) for flows in columns.values()]
            sheet.append(";".join([str(lift), *cells]))
        files[f"s{number}_csv"] = "\n".join(sheet) + "\n"
        text += f'[[variant]]\nname = "{name}"\nsheets = ["s{number}.csv"]\nstate = {{ work = "{number}" }}\n'
        pressure = inches * INH2O
        states[name] = State(
            pressure,
            (date, place),
            {
                key: {
                    lift / 1000: flow / 1000 * pressure_factor(bench.law, key[0], pressure, REFERENCE)
                    for lift, flow in zip(lifts, flows, strict=True)
                    if flow is not None
                }
                for key, flows in columns.items()
            },
        )
    return bench, states, {**files, "job_toml": text}


class Curve:
    """The mean curve of a port."""

    def __init__(self, runs):
        self.runs = runs
        self.count = {lift: sum(lift in run for run in runs) for run in runs for lift in run}
        self.lifts = sorted(self.count)
        self.flows = [np.mean([run[lift] for run in runs if lift in run]) for lift in self.lifts]
        self.at = PchipInterpolator(self.lifts, self.flows)


def _curves(state, side):
    ports = sorted({port for of, port, _ in state.runs if of == side})
    return {p: Curve([run for (of, port, _), run in state.runs.items() if (of, port) == (side, p)]) for p in ports}


def _uncertain(bench, states, ranges):
    """The same job for the independent evaluation of the intervals."""
    other = "compressible" if bench.law == "square-root" else "square-root"
    sides = {}
    for name, state in states.items():
        for (side, port, _), run in state.runs.items():
            ratio = pressure_factor(other, side, state.pressure, REFERENCE)
            ratio /= pressure_factor(bench.law, side, state.pressure, REFERENCE)
            factor = pressure_factor(bench.law, side, state.pressure, REFERENCE)
            sides.setdefault(side, {}).setdefault(name, {}).setdefault(port, []).append(
                {
                    "session": state.session,
                    "pressure": state.pressure,
                    "flows": run,
                    "other": {lift: flow * ratio for lift, flow in run.items()},
                    "steps": _steps({lift: round(1000 * flow / factor, 3) for lift, flow in run.items()}),
                    "plate": None,
                }
            )
    stated = 0.006 if bench.stated else None
    return independent_uncertainty.Job(sides, ranges, stated, bench.drift, bench.lift, bench.reading)


def _steps(written):
    """δ/Q as written, in thousandths of L/s: the largest 1, 2 or 5 times a power of ten that divides all."""
    whole = [round(1000 * flow) for flow in written.values()]
    step = max(
        factor * 10**power
        for factor in ((1, 2, 5) if len(whole) >= 6 else (1,))
        for power in range(6)
        if all(value % (factor * 10**power) == 0 for value in whole)
    )
    return {lift: step / 1000 / flow for lift, flow in written.items()}


@pytest.mark.parametrize("seed", range(6))
def test_a_whole_comparison(tell, seed):
    bench, states, files = _job(seed)
    told = tell("compare", "job.toml", **files)
    assert told.code == 0
    ranges = {side: tuple(result["range_m"]) for side, result in told.document["sides"].items()}
    job = _uncertain(bench, states, ranges)
    for side, result in told.document["sides"].items():
        curves = {name: _curves(state, side) for name, state in states.items()}
        every = [curve for ports in curves.values() for curve in ports.values()]
        low, high = max(curve.lifts[0] for curve in every), min(curve.lifts[-1] for curve in every)
        assert result["range_m"] == pytest.approx([low, high], rel=1e-12)
        means = {
            name: {port: curve.at.integrate(low, high) / (high - low) for port, curve in ports.items()}
            for name, ports in curves.items()
        }
        for variant in result["variants"]:
            mean = list(means[variant["name"]].values())
            assert variant["mean_flow_m3_s"] == pytest.approx(np.mean(mean), rel=1e-9)
            assert variant["curve_area_m4_s"] == pytest.approx(np.mean(mean) * (high - low), rel=1e-9)
            assert variant["port_spread"] == pytest.approx((max(mean) - min(mean)) / np.mean(mean), rel=1e-9)
            assert {p["port"]: p["runs"] for p in variant["ports"]} == {
                port: len(curve.runs) for port, curve in curves[variant["name"]].items()
            }
        assert [(gain["from"], gain["to"]) for gain in result["gains"]] == [
            (NAMES[0], NAMES[1]), (NAMES[1], NAMES[2]), (NAMES[0], NAMES[2]),
        ]  # fmt: skip
        for gain in result["gains"]:
            first, second = gain["from"], gain["to"]
            ports = sorted(set(curves[first]) & set(curves[second]))
            ratio = sum(means[second][p] for p in ports) / sum(means[first][p] for p in ports)
            assert gain["mean_flow_gain"] == pytest.approx(ratio - 1, rel=1e-9)
            lifts = {x for name in (first, second) for p in ports for x in curves[name][p].lifts if low <= x <= high}
            assert [entry["lift_m"] for entry in gain["per_lift"]] == pytest.approx(sorted(lifts), rel=1e-12)
            for entry, lift in zip(gain["per_lift"], sorted(lifts), strict=True):
                ratio = sum(curves[second][p].at(lift) for p in ports) / sum(curves[first][p].at(lift) for p in ports)
                everywhere = all(lift in curves[name][p].count for name in (first, second) for p in ports)
                own = independent_uncertainty.gain(job, side, (first, second), ("lift", lift))
                assert entry["gain"] == pytest.approx(ratio - 1, rel=1e-9)
                assert entry["interpolated"] is not everywhere
                assert [entry["low"], entry["high"]] == pytest.approx([own["low"], own["high"]], abs=1e-7)
            assert gain["mean_of_gains"] == pytest.approx(np.mean([x["gain"] for x in gain["per_lift"]]), rel=1e-12)
            own = independent_uncertainty.gain(job, side, (first, second))
            ends = [gain["mean_flow_gain_low"], gain["mean_flow_gain_high"]]
            assert ends == pytest.approx([own["low"], own["high"]], abs=1e-8)
            assert gain["mean_flow_gain_u95"] == pytest.approx(max(ratio_of(gain, ends)), rel=1e-12)
            assert gain["nu"] == (None if math.isinf(own["nu"]) else pytest.approx(own["nu"]))
            assert gain["drift_unknown"] is not own["accounted"]
            proven = bool(own["accounted"] and len(own["benches"]) == 1 and (own["low"] > 0 or own["high"] < 0))
            assert gain["resolved"] is proven


def ratio_of(gain, ends):
    return gain["mean_flow_gain"] - ends[0], ends[1] - gain["mean_flow_gain"]


def _plain(*factors, ports=("1", "2"), work=None, bench=""):
    """Sheets that are one curve times a factor each, and a job of them; the flows multiply exactly."""
    files, text = {}, f"[bench]\n{bench}" if bench else ""
    for number, factor in enumerate(factors):
        head = "Lift (mm);" + ";".join(f"Intake {port} (CFM)" for port in ports)
        rows = [
            f"{lift};" + ";".join(f"{flow * factor * (1 + 0.01 * at):.6f}" for at in range(len(ports)))
            for lift, flow in ((2, 40), (4, 75), (6, 98), (8, 110), (10, 114))
        ]
        files[f"s{number}_csv"] = "\n".join(["Test pressure;28 inH2O", "", head, *rows]) + "\n"
        state = f"state = {work[number]}\n" if work else ""
        text += f'[[variant]]\nname = "v{number}"\nsheets = ["s{number}.csv"]\n{state}'
    return {**files, "job_toml": text}


def test_steps_multiply_and_share_the_total(tell):
    """Port work +10 %, with slimmer valves +14 %: the valves alone +3.6 % (common practice, no source)."""
    files = _plain(
        1, 1.10, 1.14,
        work=['{ports="cast", valves="thick"}', '{ports="new", valves="thick"}', '{ports="new", valves="slim"}'],
        bench='repeatability = "0.3 %"\ndrift = "0.1 %"\n',
    )  # fmt: skip
    ported, valves, total = tell("compare", "job.toml", **files).document["sides"]["intake"]["gains"]
    assert ported["mean_flow_gain"] == pytest.approx(0.10, rel=1e-6)
    assert valves["mean_flow_gain"] == pytest.approx(0.036, abs=0.0005)
    assert total["mean_flow_gain"] == pytest.approx(0.14, rel=1e-6)
    assert ported["share_of_total"] == pytest.approx(math.log(1.10) / math.log(1.14), rel=1e-6)
    assert valves["share_of_total"] == pytest.approx(1 - math.log(1.10) / math.log(1.14), rel=1e-6)
    assert [(g["changed"], g["attributable"]) for g in (ported, valves, total)] == [
        (["ports"], True), (["valves"], True), (["ports", "valves"], False),
    ]  # fmt: skip
    assert ported["resolved"] and valves["resolved"] and total["resolved"]


def test_no_share_of_a_total_that_is_not_assessed(tell):
    ported, valves, total = tell("compare", "job.toml", **_plain(1, 1.10, 1.14)).document["sides"]["intake"]["gains"]
    assert ported["share_of_total"] is valves["share_of_total"] is total["share_of_total"] is None
    assert ported["mean_flow_gain_u95"] is None and ported["resolved"] is None  # nothing was repeated or stated
    assert (ported["nu"], ported["basis"], ported["terms"]) == (0, None, None)
    assert ported["drift_unknown"] and not ported["attributable"] and "session" in ported["changed"]


def test_four_corners_of_two_factors(tell):
    work = [f'{{a="{a}", b="{b}"}}' for a, b in ("00", "10", "01", "11")]
    files = _plain(1, 1.05, 1.08, 1.15, work=work)
    (found,) = tell("compare", "job.toml", **files).document["sides"]["intake"]["interactions"]
    assert found["factors"] == ["a", "b"]
    assert found["main_effects"] == pytest.approx(
        [math.log(1.05 * 1.15 / 1.08) / 2, math.log(1.08 * 1.15 / 1.05) / 2], rel=1e-6
    )
    assert found["interaction"] == pytest.approx(math.log(1.15 / 1.05 / 1.08), rel=1e-5)


def test_a_factor_declared_on_one_side_is_unknown(tell):
    told = tell("compare", "job.toml", **_plain(1, 1.05, work=['{a="0"}', '{a="1", b="1"}']))
    (gain,) = told.document["sides"]["intake"]["gains"]
    assert (gain["changed"], gain["unknown"], gain["attributable"]) == (["a", "session"], ["b"], False)


VALVE = {"head": 0.036, "angle": 45, "face_width": 0.0015, "throat": 0.031, "stem": 0.008}
VALVES = '[valves.intake]\nhead = "36 mm"\nstem = "8 mm"\nthroat = "31 mm"\nseat_angle = 45\nseat_width = "1.5 mm"\n'


@pytest.mark.parametrize(
    ("coefficient", "rules", "code"),
    [
        (0.70, [], 0),
        (1.03, [], 0),  # 1.0345 is credible at 11 mm
        (1.036, [("impossible-flow", "warning")], 0),
        (1.155, [("impossible-flow", "warning")], 0),
        (1.16, [("impossible-flow", "error")], 1),  # 1.1591 is impossible at 11 mm
    ],
)
def test_coefficients_and_flows_that_cannot_be(tell, coefficient, rules, code):
    velocity = reference_velocity("square-root", "intake", REFERENCE)
    lifts = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]
    flows = [1000 * coefficient * velocity * min(passages(lift / 1000, **VALVE)) for lift in lifts]
    sheet = "Test pressure;28 inH2O\nSide;intake\nPort;1\n\nLift (mm);Flow (L/s)\n"
    sheet += "".join(f"{lift};{flow:.9f}\n" for lift, flow in zip(lifts, flows, strict=True))
    told = tell(
        "compare", "job.toml", sheet_csv=sheet, job_toml=VALVES + '[[variant]]\nname = "v"\nsheets = ["sheet.csv"]\n'
    )
    assert told.rules == [("few-repeats", "note"), *rules] and told.code == code
    (variant,) = told.document["sides"]["intake"]["variants"]
    areas = variant["coefficients"]
    assert areas["minimum"] == pytest.approx([coefficient] * len(lifts), rel=1e-8)
    curtain = [
        flow / 1000 / velocity / (math.pi * 0.036 * lift / 1000) for lift, flow in zip(lifts, flows, strict=True)
    ]
    assert areas["curtain"] == pytest.approx(curtain, rel=1e-8)
    seat, throat = passages(variant["takeover_lift_m"], **VALVE)
    assert seat == pytest.approx(throat, rel=1e-9)
