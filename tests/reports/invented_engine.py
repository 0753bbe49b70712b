"""An invented engine result for the engine's page."""

from __future__ import annotations

from collections.abc import Sequence

from flowkit.engine.results import (
    AirLimitedPower,
    Assumption,
    BandTime,
    CamGain,
    CamWeightedMeanFlow,
    EngineDifference,
    EngineResult,
    EngineVariant,
    Filling,
    MachIndex,
)
from tests.reports.invented import CFM

SPEEDS = tuple(range(2000, 8001, 500))


def make_filling(place: int) -> Filling:
    eta = tuple(0.82 + 0.02 * place - 1e-8 * (speed - 4500 - 200 * place) ** 2 for speed in SPEEDS)
    mep = tuple(12.0e5 * value for value in eta)
    torque = tuple(110.0 * value for value in eta)
    power = tuple(t * speed * 0.1047 for t, speed in zip(torque, SPEEDS, strict=True))
    flat = tuple(0.0 for _ in SPEEDS)
    friction = tuple(2.5e5 for _ in SPEEDS)
    return Filling(
        SPEEDS, eta, eta, eta, eta, tuple(0.06 for _ in SPEEDS), tuple(4e4 for _ in SPEEDS), mep, mep, torque, power,
        friction, mep, torque, power, tuple(5 for _ in SPEEDS), flat, flat,
    )  # fmt: skip


def make_power(place: int) -> AirLimitedPower:
    air = tuple(1.6e-3 * 1.2 * speed / 120 * (0.8 + 0.02 * place) for speed in SPEEDS)
    return AirLimitedPower(SPEEDS, air, tuple(flow / (12.8 * 300e-3 / 3.6e6) for flow in air))


def make_bands(peak: float) -> tuple[BandTime, ...]:
    """Five bands: the lowest for half the time, the highest with two fifths of the flow."""
    times = (0.5, 0.1, 0.1, 0.1, 0.2)
    flows = (0.04, 0.11, 0.2, 0.25, 0.4)
    return tuple(
        BandTime(peak * place / 5, peak * (place + 1) / 5, 240 * time, time, flow)
        for place, (time, flow) in enumerate(zip(times, flows, strict=True))
    )


def make_engine(names: Sequence[str], *, filling: bool = True, gains: bool = True) -> EngineResult:
    """An engine result for some variants."""
    variants = tuple(
        EngineVariant(
            name,
            CamWeightedMeanFlow((60 + 3 * place) * CFM, (45 + 2 * place) * CFM if filling else None),
            MachIndex(7200.0 + 150 * place, SPEEDS, tuple(s / 15000 - 0.005 * place for s in SPEEDS), 4e-4),
            make_filling(place) if filling else None,
            make_power(place) if filling else None,
            {"intake": make_bands(0.010), "exhaust": make_bands(0.009)} if filling else {"intake": make_bands(0.010)},
        )
        for place, name in enumerate(names)
    )
    differences = []
    cam_gains = []
    for place in range(1, len(names)):
        more = tuple(0.01 * place + 1e-6 * (s - 5000) for s in SPEEDS)
        if filling:
            changed = ("ports",)
            differences.append(
                EngineDifference(names[0], names[place], SPEEDS, more, more, more, 0.03, 0.05, 0.02, changed)
            )
        for start in dict.fromkeys((0, place - 1)):
            kind = "step and total" if place == 1 else "total" if start == 0 else "step"
            for side in ("intake", "exhaust"):
                cam_gains.append(CamGain(side, names[start], names[place], kind, 0.05, 0.011, True, None))
    return EngineResult(
        variants=variants,
        findings=(),
        cam_weighted_gains=tuple(cam_gains) if gains else (),
        differences=tuple(differences),
        sentences=("At 6000 1/min the head fills the cylinder 3.1 % better than as received.",),
        assumptions=(
            Assumption("compression_ratio", "10.2", "stated", "of the engine"),
            Assumption("fuel", "petrol, 44 MJ/kg", "assumed", "what burns"),
            Assumption("air_fuel_ratio", "12.8", "assumed", "air to fuel"),
            Assumption("bsfc", "310 g/kWh", "stated", "fuel consumption"),
        ),
        model_notes=("One cylinder, quasi-steady flow through the measured areas.",),
        no_wave_effects="Waves in the pipes are left out.",
        cautions=("An estimate is no safe speed.",),
        prediction=None,
    )
