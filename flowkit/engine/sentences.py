"""What the engine's figures come to in words: the headline, the cautions, what the model does and leaves out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.results import CamGain, EngineDifference, EngineVariant, Filling, Peak
from flowkit.model import SIDES, Reference, Side
from flowkit.units import from_si
from flowkit.wording import signed_percent

if TYPE_CHECKING:
    from flowkit.engine.figures import Case

CAUTIONS: tuple[str, ...] = (
    "An estimated rpm is not a safe rpm: the model does not know what springs, rods, bearings or valves can take.",
    "Follow the valve maker's and the machinist's limits for stems, seats, guides and lift.",
    "Local rules and qualified practice come first.",
)
"""Beside every figure with a speed or a lift, after what fits the change."""

_BEFORE_RUNNING = "Before running: check valve-to-piston and coil-bind clearance at the lift and timing used."
_FILLS_MORE = (
    "Higher compression or filling: the mixture detonates sooner; set ignition timing, mixture and fuel octane again "
    "before full load."
)
_CAM = (
    "Another cam: check valve-to-piston, valve-to-valve, retainer to guide and seal, coil bind and springs at the lift "
    "and timing used."
)
_BIGGER_VALVES = "Bigger valves: check valve-to-bore and valve-to-valve clearance and the seat material that is left."
_SLIM_STEMS = "Slimmer stems: an exhaust valve may run hotter; keep to the valve maker's limits."
_OTHER_VALVES = (
    "Other valves: check valve-to-piston, valve-to-valve and valve-to-bore clearance, installed spring height and coil "
    "bind."
)
_SEATS = "Recut seats: check installed spring height, stem height, valve-to-piston clearance and that the valves seal."
_PORTED = "Ported castings: measure the wall thickness that is left."
_SPEED = "More speed: the load on rods, bolts, springs and the bottom end grows with the square of the rpm."
_REBORED = "Rebored: measure the walls that are left; fit pistons and rings to the bore."


def cautions_for(before: Case, after: Case, first: EngineVariant, last: EngineVariant) -> tuple[str, ...]:
    """Return what to beware of: first what fits the change, then what always counts."""
    from flowkit.engine.figures import what_changed

    changed = what_changed(before, after)

    def of(*beginnings: str) -> bool:
        """Whether anything that begins so changed."""
        return any(item.startswith(beginnings) for item in changed)

    old, new = first.filling, last.filling
    fills = faster = False
    if old is not None and new is not None:
        pairs = zip(old.volumetric_efficiency, new.volumetric_efficiency, strict=False)
        fills = any(a is not None and b is not None and b > a for a, b in pairs)
        faster = bool(old.peak and new.peak and new.peak.speed_rpm > old.peak.speed_rpm)
    both = [(before.valves[side], after.valves[side]) for side in after.valves if side in before.valves]
    heads = [(old.head_m, new.head_m) for old, new in both]
    stems = [(old.stem_m, new.stem_m) for old, new in both]
    same = all(a == b for a, b in (*heads, *stems))
    fitting = (
        (after.engine.compression_ratio > before.engine.compression_ratio or fills, _FILLS_MORE),
        (of("cam."), _CAM),
        ("engine.bore" in changed, _REBORED),
        (any(a and b and b > a for a, b in heads), _BIGGER_VALVES),
        (any(a and b and b < a for a, b in stems), _SLIM_STEMS),
        (of("valve") and same, _OTHER_VALVES),
        (of("seat"), _SEATS),
        (of("port"), _PORTED),
        (faster, _SPEED),
    )
    chosen = [text for fits, text in fitting if fits]
    return (*chosen, *([] if _CAM in chosen else [_BEFORE_RUNNING]), *CAUTIONS)


NO_WAVE_EFFECTS = (
    "No wave effects: intake and exhaust are taken as open spaces at constant pressure, without runners, plenum, "
    "carburettor or pipes. The tuning that lifts filling at some speeds and lowers it at others, the inertia of the "
    "gas column that fills the cylinder after bottom dead centre, the losses of pipes and silencer and heating in the "
    "port are left out, so absolute figures are estimates; compare states with one another."
)
"""What the filling model leaves out."""


def cam_called(side: Side, cam: Cam) -> str:
    """Return what a cam is called in a sentence; its name only where it has one of its own.

    >>> timing = {"opens_deg": 348, "closes_deg": 592, "checking_lift_m": 0, "peak_lift_m": 0.009}
    >>> cam_called("intake", Cam.from_timing(**timing))
    'intake cam'
    >>> cam_called("intake", Cam.from_timing(**timing, name="sport"))
    "intake cam 'sport'"
    """
    return f"{side} cam" if cam.name in ("cam", f"{side} cam") else f"{side} cam {cam.name!r}"


def cam_lifts(cam: Cam) -> str:
    """Return how long a cam keeps its valve open, and how far.

    >>> cam_lifts(Cam.from_timing(opens_deg=348, closes_deg=592, checking_lift_m=0, peak_lift_m=0.009))
    'open 244° of crank, largest valve lift 9.00 mm (0.354 in)'
    """
    opens, closes = cam.open_period
    lift = cam.peak_lift_m
    return f"open {closes - opens:.0f}° of crank, largest valve lift {lift * 1e3:.2f} mm ({lift / 0.0254:.3f} in)"


def model_notes(engine: EngineData, reference: Reference) -> tuple[str, ...]:
    """Say what the filling model does, with the choices made."""
    inches = from_si(reference.pressure_pa, "inH2O")
    f0, f1, f2 = (part / 1e5 for part in engine.friction_pa)
    same = engine.intake_reverse == engine.exhaust_reverse == 1.0
    reverse = "with the same area" if same else "with the stated share of the area"
    gas = {
        "temperature": "the heat capacity of air by temperature (rigid rotors, harmonic oscillators)",
        "constant": f"a constant ratio of specific heats of {engine.gamma_value:g}",
    }[engine.gamma]
    heat = {
        "woschni": "heat transfer to the walls by Woschni's law in Heywood's form (1988, ch. 12; exponent of T −0.55, "
        "no swirl)",
        "hohenberg": "heat transfer to the walls after Hohenberg (1979)",
        "none": "no heat transfer to the walls",
    }[engine.heat_transfer]
    burning = (
        f"heat released by a Wiebe function from {engine.wiebe_start_deg:g}° over {engine.wiebe_duration_deg:g}°"
        if engine.combustion_efficiency > 0
        else "no combustion (motored)"
    )
    backflow = {
        "returns": "returns first, with a mixing zone of 1 % of the displaced air",
        "fresh": "is lost among fresh air",
    }[engine.intake_backflow]
    return (
        f"Effective areas are the measured flows at {inches:.4g} inH2O over the velocity of the "
        f"{reference.pressure_law} law, taken to hold at every pressure difference.",
        f"Flow through the valves is quasi-steady, compressible and choked where it must be, in both directions, "
        f"{reverse} for reverse flow.",
        f"One ideal gas with {gas}; {burning}; {heat}.",
        f"Burned gas is followed: what is pushed back into the intake port {backflow}; what flows back from the "
        "exhaust is burned gas at the exhaust temperature; the cylinder is well mixed. The fuel releases its heat but "
        "adds no mass.",
        "Indicated figures are net, over the whole cycle, without friction; pumping work is that of the exhaust and "
        "intake strokes.",
        f"Brake figures are indicated less a friction mean pressure of {f0:g} + {f1:g}·(N/1000) + {f2:g}·(N/1000)² bar "
        "(N in 1/min). Barnes-Moss's correlation, as Heywood (1988, eq. 13.6) gives it, was found on motored engines "
        "of 0.85 to 2 litres at full throttle and contains some pumping work that the indicated figures contain "
        "already: the estimate is low rather than high.",
        "The cycle shown is the one that repeats itself; a speed at which none does while every cycle fires is named "
        "and left out.",
    )


_REASONS = {
    "net-intake-flow": "as much gas flows back into the intake as is drawn from it",
    "trapped-air": "less air is trapped than a fifth of displacement",
    "not-steady": "no cycle repeats itself",
}


def not_firing_words(filling: Filling) -> str:
    """Name the speeds without a steady firing cycle, a longer run by its ends, with the reason."""
    by_reason: dict[str, list[float]] = {}
    for item in filling.not_firing:
        by_reason.setdefault(item.reason, []).append(item.speed_rpm)
    parts = []
    for reason, speeds in by_reason.items():
        named = ", ".join(f"{speed:.0f}" for speed in speeds)
        if len(speeds) > 3:
            named = f"{speeds[0]:.0f} to {speeds[-1]:.0f}"
        parts.append(f"at {named} rpm {_REASONS[reason]}")
    return (
        f"No steady firing cycle: {'; '.join(parts)}. These speeds are left out of torque, power and comparisons; "
        "check intake pressure, cams and flows if the engine does run there."
    )


def engine_sentences(
    variants: Sequence[EngineVariant], gains: Sequence[CamGain], differences: Sequence[EngineDifference]
) -> tuple[str, ...]:
    """Return the headline in words: the last variant against the first, how peak and curve move first."""
    said: list[str] = []
    by_name = {variant.name: variant for variant in variants}
    if differences:
        last = differences[-1]
        said += _moved(last, by_name[last.from_], by_name[last.to])
    elif variants and variants[-1].filling is not None:
        said += _alone(variants[-1].name, variants[-1].filling.peak)
    for side in SIDES:
        total = [gain for gain in gains if gain.side == side and gain.kind != "step"]
        # A side of a what-if that nothing changes is not worth a sentence.
        if total and not (total[-1].gain == 0 and total[-1].u95 is None):
            gain = total[-1]
            tails = {None: " (interval not assessed)", True: "", False: " (within the bench's repeatability)"}
            said.append(
                f"{side.capitalize()}: {signed_percent(gain.gain, gain.u95)} flow averaged over the cam, from "
                f"{gain.from_!r} to {gain.to!r}{tails[gain.resolved]}."
            )
    return tuple(said)


def _moved(item: EngineDifference, before: EngineVariant, after: EngineVariant) -> list[str]:
    """Say what the last variant changes against the first."""
    said = []
    if before.filling is not None and after.filling is not None:
        said.append(_peaks(item, before.filling, after.filling))
        if item.speeds_rpm:
            said.append(_curve(item, before, after))
    if item.speed_at_half is not None and before.mach is not None and after.mach is not None:
        said.append(
            f"The mean inlet Mach index reaches 0.5 at {after.mach.speed_at_half_rpm:.0f} rpm instead of "
            f"{before.mach.speed_at_half_rpm:.0f} rpm ({signed_percent(item.speed_at_half)}): where the head begins to "
            "limit, not a safe speed."
        )
    return said


def _peaks(item: EngineDifference, before: Filling, after: Filling) -> str:
    """Say where the brake estimate has its peak, and how it moves."""
    old, new = before.peak, after.peak
    if old is None or new is None:
        idle = [name for name, peak in ((item.from_, old), (item.to, new)) if peak is None]
        fires = "do not fire at any speed" if len(idle) > 1 else "does not fire at any speed"
        return f"Brake estimate: {' and '.join(map(repr, idle))} {fires}, so no peak can be compared."
    weak = [name for name, peak in ((item.from_, old), (item.to, new)) if peak.brake_power_w <= 0]
    if weak:
        return (
            f"Brake estimate: at no speed does {' or '.join(map(repr, weak))} make more than the friction takes, so "
            "there is no peak to compare."
        )
    powers = f"{_kw(new.brake_power_w)} against {_kw(old.brake_power_w)}"
    if item.peak_speed is not None and item.peak_brake_power is not None:
        moves = "stays at" if round(old.speed_rpm, -1) == round(new.speed_rpm, -1) else "moves to"
        return (
            f"Peak of the brake estimate: from {item.from_!r} to {item.to!r} it {moves} {new.speed_rpm:.0f} rpm from "
            f"{old.speed_rpm:.0f} rpm ({signed_percent(item.peak_speed)}), with "
            f"{signed_percent(item.peak_brake_power)} power: {powers}. Not a safe speed."
        )
    where = []
    for name, peak, speeds in ((item.from_, old, before.speeds_rpm), (item.to, new, after.speeds_rpm)):
        runs = "rises up to" if peak.speed_rpm > speeds[0] else "falls from"
        if not peak.inside:
            where.append(f"{name!r} {'is known only at' if len(speeds) == 1 else runs} {peak.speed_rpm:.0f} rpm")
    return (
        f"Brake estimate: no peak inside the speeds ({'; '.join(where)}): higher speeds would show it. Largest "
        f"there: {powers}."
    )


def _kw(power_w: float) -> str:
    """Write a power in both units."""
    digits = 0 if power_w >= 20e3 else 1
    return f"{power_w / 1e3:.{digits}f} kW ({power_w / 745.7:.{digits}f} hp)"


def _curve(item: EngineDifference, before: EngineVariant, after: EngineVariant) -> str:
    """Say how the curve moves at a low, a middle and a high speed."""
    last = len(item.speeds_rpm) - 1
    chosen = list(dict.fromkeys((0, last // 2, last)))
    torque = ", ".join(
        f"{signed_percent(value) if value > -1 else 'none left'} at {item.speeds_rpm[index]:.0f} rpm"
        for index in chosen
        if (value := item.brake_torque[index]) is not None
    )
    said = f"Brake torque: {torque}. " if torque else ""
    air = ", ".join(signed_percent(item.air_flow[index]) for index in chosen)
    speeds = ", ".join(f"{item.speeds_rpm[index]:.0f}" for index in chosen)
    displaced = 0.0
    if after.engine and before.engine:
        displaced = after.engine.displacement_m3 / before.engine.displacement_m3 - 1
    if abs(displaced) < 1e-6:
        return f"{said}Air and filling: {air} at {speeds} rpm."
    filling = ", ".join(signed_percent(item.volumetric_efficiency[index]) for index in chosen)
    return (
        f"{said}Air mass: {air} at {speeds} rpm; filling (volumetric efficiency), referred to each state's own "
        f"displacement ({signed_percent(displaced)}): {filling}."
    )


def _alone(name: str, peak: Peak | None) -> list[str]:
    """Say where a single variant has its peak."""
    if peak is None:
        return []
    if peak.brake_power_w <= 0:
        return [f"{name!r}: the brake estimate never makes more than friction takes."]
    if not peak.inside:
        return [f"{name!r}: the brake estimate has no peak inside the speeds; higher speeds would show it."]
    where = f"{peak.speed_rpm:.0f} rpm, {_kw(peak.brake_power_w)}"
    return [f"{name!r}: the brake estimate has its peak at {where}. Not a safe speed."]
