"""What stands beside every figure of the engine room, and its headline in words."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.analysis.sentences import signed_percent
from flowkit.engine.cam import Cam
from flowkit.engine.data import EngineData
from flowkit.engine.filling import CONVERGED
from flowkit.engine.results import CamGain, EngineDifference, EngineVariant
from flowkit.model import Reference, Side
from flowkit.units import from_si

__all__ = ["CAUTIONS", "NO_WAVE_EFFECTS"]

CAUTIONS: tuple[str, ...] = (
    "Before running: check valve-to-piston and coil-bind clearance at the lift and timing used.",
    "An estimate is no safe speed: neither the Mach index nor the filling model knows what springs, rods, bearings "
    "or valves stand.",
    "Follow the valve maker's and the machinist's limits for stems, seats, guides and lift.",
    "Local rules and qualified practice come first.",
)
"""To stand beside every figure with a speed or a lift."""

NO_WAVE_EFFECTS = (
    "No wave effects: intake and exhaust are taken as open spaces at constant pressure, without runners, plenum, "
    "carburettor or pipes. The tuning that lifts filling at some speeds and lowers it at others, the inertia of the "
    "gas column that fills the cylinder after bottom dead centre, the losses of pipes and silencer and heating in the "
    "port are left out, so absolute figures are estimates; compare variants with one another."
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
    """Say what the filling model does, with the choices made.

    >>> engine = EngineData(4, 0.0805, 0.0785, 0.138, 10.5)
    >>> model_notes(engine, Reference())[0].startswith("Effective areas")
    True
    """
    inches = from_si(reference.pressure_pa, "inH2O")
    same = engine.intake_reverse == engine.exhaust_reverse == 1.0
    reverse = "with the same area" if same else "with the stated share of the area"
    gas = {
        "temperature": "the heat capacity of air by temperature (rigid rotors, harmonic oscillators)",
        "constant": f"a constant ratio of specific heats of {engine.gamma_value:g}",
    }[engine.gamma]
    heat = {
        "woschni": "heat transfer to the walls after Woschni (1967, without swirl)",
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
        f"Cycles are run until the state at intake closing repeats itself within {CONVERGED:g}.",
    )


def engine_sentences(
    variants: Sequence[EngineVariant], gains: Sequence[CamGain], differences: Sequence[EngineDifference]
) -> tuple[str, ...]:
    """Return the headline in words: the last variant against the first.

    >>> engine_sentences((), (), ())
    ()
    """
    said = []
    for side in ("intake", "exhaust"):
        total = [gain for gain in gains if gain.side == side and gain.kind != "step"]
        # A side of a what-if that nothing changes is not worth a sentence.
        if total and not (total[-1].gain == 0 and total[-1].u95 is None):
            said.append(_gain_sentence(total[-1]))
    overall = [item for item in differences if item.kind != "step"]
    if overall:
        said.extend(_difference_sentences(overall[-1], {variant.name: variant for variant in variants}))
    return tuple(said)


def _gain_sentence(gain: CamGain) -> str:
    """Say what one side gained on the cam."""
    tail = {
        None: " (interval not assessed)",
        True: "",
        False: " (within the bench's repeatability)",
    }[gain.resolved]
    return (
        f"{gain.side.capitalize()}: {signed_percent(gain.gain, gain.u95)} flow averaged over the cam, from "
        f"{gain.from_!r} to {gain.to!r}{tail}."
    )


def _difference_sentences(item: EngineDifference, variants: dict[str, EngineVariant]) -> list[str]:
    """Say what the last variant changes against the first."""
    said = []
    before, after = variants[item.from_].mach, variants[item.to].mach
    if item.speed_at_half is not None and before is not None and after is not None:
        said.append(
            f"The mean inlet Mach index reaches 0.5 at {after.speed_at_half_rpm:.0f} rpm instead of "
            f"{before.speed_at_half_rpm:.0f} rpm ({signed_percent(item.speed_at_half)}): where the head begins to "
            "limit, no safe speed."
        )
    if item.volumetric_efficiency:
        last = len(item.speeds_rpm) - 1
        parts = [_at_speed(item, place) for place in dict.fromkeys((last // 2, last))]
        said.append(f"Filling model, without waves (estimate): {'; '.join(parts)}.")
    return said


def _at_speed(item: EngineDifference, place: int) -> str:
    """Say what a variant changes at one speed."""
    text = f"{signed_percent(item.volumetric_efficiency[place])} air"
    if item.indicated_torque:
        text += f" and {signed_percent(item.indicated_torque[place])} indicated torque"
    return f"{text} at {item.speeds_rpm[place]:.0f} rpm"
