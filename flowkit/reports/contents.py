"""What a report shows: its contents, and the figures and sentences derived from them."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from flowkit.analysis.results import Band, BandGain, Comparison, Gain, Interaction, SideComparison, VariantFlow
from flowkit.engine.results import EngineResult
from flowkit.fields import section
from flowkit.model import SIDES, Bench, Finding, JobInfo, Reference, Variant
from flowkit.units import from_si, to_si
from flowkit.wording import (
    DISPLAYS,
    Display,
    as_displayed,
    date_words,
    length_words,
    lift_text,
    listed,
    numeral,
    ports_named,
    pressure_words,
)


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A sheet's file and its fingerprint."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ReportContents:
    """What goes into the pages, the workbook and the build file."""

    info: JobInfo
    reference: Reference
    bench: Bench
    variants: tuple[Variant, ...]
    comparison: Comparison
    engine: EngineResult | None
    sources: tuple[SourceFile, ...]
    findings: tuple[Finding, ...]


def micrometres(lift_m: float) -> float:
    """Round a lift to the micrometre: within it lifts are one [m]."""
    return round(lift_m, 6)


def flow_at(variant: VariantFlow, lift_m: float) -> tuple[float | None, bool]:
    """Return a variant's mean flow at a lift, and whether it was measured there; if not, it is by its ports' curves."""
    for lift, flow in zip(variant.lifts_m, variant.flow_m3_s, strict=True):
        if micrometres(lift) == micrometres(lift_m):
            return flow, True
    # Here and not at the top: the terminal's tables need no numpy where everything was measured.
    from flowkit.analysis.lifts import pchip

    flows = []
    for port in variant.ports:
        if len(port.lifts_m) < 2 or not port.lifts_m[0] <= lift_m <= port.lifts_m[-1]:
            return None, False
        flows.append(float(pchip(port.lifts_m, port.flow_m3_s)(lift_m)))
    return (sum(flows) / len(flows) if flows else None), False


def all_ports(result: SideComparison) -> list[str]:
    """Return the ports of any variant in numeric order: port 10 after port 9."""

    def pieces(name: str) -> list[tuple[int, int, str]]:
        """Return a name's numbers and words, which can be put in order."""
        found = re.findall(r"\d+|\D+", name)
        return [(0, int(piece), "") if piece.isdigit() else (1, 0, piece.casefold()) for piece in found]

    return sorted({port.label: None for variant in result.variants for port in variant.ports}, key=pieces)


def all_lifts(result: SideComparison) -> list[float]:
    """Return every lift of any variant, ascending, to the micrometre."""
    return sorted({micrometres(lift) for variant in result.variants for lift in variant.lifts_m})


def main_lifts(result: SideComparison) -> list[float]:
    """Return the lifts most variants were measured at; the last variant's where they share too few."""
    counts = Counter(micrometres(lift) for variant in result.variants for lift in variant.lifts_m)
    shared = sorted(lift for lift, count in counts.items() if 2 * count > len(result.variants))
    if len(shared) >= min(3, len(counts)):
        return shared
    return [micrometres(lift) for lift in result.variants[-1].lifts_m]


def common_lifts(result: SideComparison) -> list[float]:
    """Return the lifts most variants were measured at, within the common range [m]."""
    low, high = result.range_m
    return [lift for lift in main_lifts(result) if low - SAME_M <= lift <= high + SAME_M]


SAME_M = 1e-6


@dataclass(frozen=True, slots=True)
class StateFacts:
    """What is known of every state: what holds of all of them, and what differs, each with its label."""

    common: tuple[tuple[str, str], ...]
    labels: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def state_facts(contents: ReportContents) -> StateFacts:
    """Return the valves, bench, operator, days, pressure and bore of each state, as they were stated."""
    display = DISPLAYS[contents.info.display]
    shown = {variant.name for side in contents.comparison.sides.values() for variant in side.variants}
    found = {variant.name: _facts(variant, display) for variant in contents.variants if variant.name in shown}
    values = {
        label: tuple(facts.get(label, "not stated") for facts in found.values())
        for label in dict.fromkeys(label for facts in found.values() for label in facts)
    }
    differing = tuple(label for label, mine in values.items() if len(set(mine)) > 1)
    rows = tuple(zip(found, zip(*(values[label] for label in differing), strict=True), strict=False))
    return StateFacts(
        tuple((label, mine[0]) for label, mine in values.items() if label not in differing), differing, rows
    )


def fact_words(facts: Sequence[tuple[str, str]]) -> str:
    """Write labels with their values; those of one valve under its name."""
    groups: dict[str, list[str]] = {}
    for label, value in facts:
        group, _, item = label.partition(": ")
        groups.setdefault(group, []).append(f"{item} {value}" if item else value)
    texts = ((group, ", ".join(values)) for group, values in groups.items())
    return "; ".join(
        text if text.casefold().startswith(group.casefold()) else f"{group} {text}" for group, text in texts
    )


def _facts(variant: Variant, display: Display) -> dict[str, str]:
    """Return what is known of one state, by label: sizes of valves and seats from the job, or else from the sheets."""
    facts = {}
    for side in SIDES:
        valve = variant.valves.get(side)
        sheets = [test.conditions for test in variant.tests if test.side == side]
        for row in sorted(section("valves").values(), key=lambda row: row.kind == "angle"):
            if row.condition:
                value = getattr(valve, row.attribute, None)
                if value is None:
                    value = next((size for sheet in sheets if (size := getattr(sheet, row.condition))), None)
                if value is not None:
                    words = f"{value:g}°" if row.kind == "angle" else length_words(value, display)
                    facts[f"{side} valve: {row.words}"] = words
    conditions = [test.conditions for test in variant.tests]
    for label, key in (("bench", "bench"), ("operator", "operator"), ("flowed", "date")):
        stated = [str(getattr(item, key)) for item in conditions if getattr(item, key) is not None]
        if stated:
            facts[label] = ", ".join(dict.fromkeys(date_words(text) if key == "date" else text for text in stated))
    pressures = {p.pressure_pa for test in variant.corrected for p in test.points if p.pressure_pa is not None}
    if pressures:
        ends = dict.fromkeys(pressure_words(value, display) for value in (min(pressures), max(pressures)))
        facts["flowed at"] = " to ".join(ends)
    bores = {item.fixture_bore_m for item in conditions if item.fixture_bore_m is not None}
    if bores:
        facts["fixture bore"] = ", ".join(length_words(value, display) for value in sorted(bores))
    return facts


_CAUTIONS: tuple[tuple[tuple[str, ...], str], ...] = (
    (
        ("valve", "stem"),
        "other valves: check valve-to-piston, valve-to-valve and valve-to-bore clearance, installed spring height and "
        "coil bind, and keep to the valve maker's limits for stems and heads",
    ),
    (
        ("seat",),
        "recut seats: check installed spring height, stem height, valve-to-piston clearance and that the valves seal",
    ),
    (
        ("port", "throat", "bowl", "short"),
        "ported castings: check wall thickness, especially at the short side and under the seats",
    ),
)
_ALWAYS = (
    "Flow at one test pressure is not power, and an estimated rpm is not a safe rpm. Local rules and qualified "
    "practice come first."
)


def cautions_of(contents: ReportContents) -> tuple[str, ...]:
    """Return the cautions that fit what changed; the engine's own where its figures were asked for.

    Where no factor says what was done, the names of the states and their levels do; where they do not either, all
    cautions are given.
    """
    if contents.engine is not None and contents.engine.cautions:
        return contents.engine.cautions

    def fitting(words: Iterable[str]) -> list[str]:
        """Return the cautions that any of some words calls for."""
        known = tuple(words)
        return [caution for starts, caution in _CAUTIONS if any(word.startswith(starts) for word in known)]

    gains = [gain for side in contents.comparison.sides.values() for gain in side.gains]
    factors = {factor.casefold() for gain in gains for factor in (*gain.changed, *gain.unknown)}
    states = [state for variant in contents.variants for state in variant.state.values()]
    declared = {name.casefold() for state in states for name in state}
    found = fitting(factors)
    if gains and not found and (factors & declared or not declared):
        levels = [level for state in states for name, level in state.items() if name.casefold() in factors]
        texts = [*(variant.name for variant in contents.variants), *levels]
        found = fitting(word for text in texts for word in re.findall(r"\w+", text.casefold()))
        found = found or [words for _, words in _CAUTIONS]
    return (*([f"Before running: {'; '.join(found)}."] if found else []), _ALWAYS)


def matched_words(result: SideComparison) -> str:
    """Say over which ports gains are taken where not all were flowed in both states; nothing where all were."""
    ports = {variant.name: {port.label for port in variant.ports} for variant in result.variants}
    over: dict[str, list[str]] = {}
    for gain in result.totals:
        matched = [item.port for item in gain.ports]
        if ports[gain.to] | ports[gain.from_] != set(matched):
            named = f"over {ports_named(matched)}, flowed in both"
            words = named if matched else "between all ports: none was flowed in both"
            over.setdefault(words, []).append(gain.to)
    if len(over) == 1 and len(next(iter(over.values()))) == len(result.totals):
        return f"gains {next(iter(over))}"
    return "; ".join(f"gain of {listed(names)} {words}" for words, names in over.items())


ALL_STEPS = "all steps"
"""What the gain of the last variant over the first is called under those of the steps."""


def gains_of_steps(result: SideComparison) -> list[tuple[str | None, Gain]]:
    """Return each step's gain under its variant, then that of all steps under None where there are several."""
    rows: list[tuple[str | None, Gain]] = [(gain.to, gain) for gain in result.steps]
    return [*rows, (None, result.totals[-1])] if len(rows) > 1 else rows


FACTORIAL = (
    "A main effect is the mean of the two steps that change one thing alone; the interaction is what both together "
    "gave over the product of each alone."
)


@dataclass(frozen=True, slots=True)
class Effect:
    """A main effect or an interaction, as a fraction."""

    name: str
    gain: float
    u95: float | None


def effects(found: Interaction) -> list[Effect]:
    """Return main effects and interaction of two factors."""
    names = (*(f"main effect, {factor}" for factor in found.factors), f"interaction, {' × '.join(found.factors)}")
    logs = (*found.main_effects, found.interaction)
    halves = (*(found.main_effects_u95 or (None, None)), found.interaction_u95)
    return [
        Effect(name, math.expm1(value), None if half is None else math.exp(value) * half)
        for name, value, half in zip(names, logs, halves, strict=True)
    ]


Limits = tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class FurtherBandRow:
    """A variant, or all steps together: mean flow in each band, and the gain of the step there."""

    variant: str | None
    flows_m3_s: tuple[float | None, ...]
    gains: tuple[BandGain | None, ...]


@dataclass(frozen=True, slots=True)
class BandTable:
    """Mean flows and gains that were taken over the same bands."""

    limits: Limits
    rows: tuple[FurtherBandRow, ...]

    @property
    def thirds(self) -> bool:
        """Whether the bands are thirds of the range, for want of a valve's diameter."""
        widths = [end - start for _, start, end in self.limits]
        return len(widths) == 3 and max(widths) - min(widths) < SAME_M


def band_limits(limit: tuple[str, float, float], display: Display) -> str:
    """Return a band's limits with their unit."""
    _, start, end = limit
    return f"{lift_text(start, display)}–{lift_text(end, display)} {display.lift}"


def band_words(table: BandTable) -> str:
    """Say where the borders of the bands come from."""
    if table.thirds:
        return "Bands are thirds of the range of lift, because the valve diameter is not known (common practice)."
    return "Bands end at 0.15 and 0.25 of the valve's diameter (common practice)."


def band_tables(result: SideComparison) -> list[BandTable]:
    """Return mean flow and gain in bands of lift, a table for all that have the same bands."""
    gains = {name: gain.bands for name, gain in gains_of_steps(result)}
    flows: dict[str | None, tuple[Band, ...]] = {variant.name: variant.bands for variant in result.variants}

    def key(bands: Sequence[Band | BandGain]) -> Limits:
        """Return what distinguishes bands: their limits to the micrometre."""
        return tuple((band.name, micrometres(band.from_m), micrometres(band.to_m)) for band in bands)

    found: dict[Limits, Limits] = {}
    every: list[Sequence[Band | BandGain]] = [*flows.values(), *gains.values()]
    for bands in every:
        found.setdefault(key(bands), tuple((band.name, band.from_m, band.to_m) for band in bands))
    tables = []
    for these, limits in found.items():
        if len(limits) < 2:
            continue
        nothing = (None,) * len(limits)
        rows = []
        for name in [*flows, *(name for name in gains if name is None)]:
            mine, gained = flows.get(name, ()), gains.get(name, ())
            means = tuple(band.mean_flow_m3_s for band in mine) if key(mine) == these else nothing
            steps = gained if key(gained) == these else nothing
            if any(value is not None for value in (*means, *steps)):
                rows.append(FurtherBandRow(name, means, steps))
        tables.append(BandTable(limits, tuple(rows)))
    return tables


def velocity_between(variant: VariantFlow, lift_m: float) -> tuple[float | None, bool]:
    """Return the mean port velocity at a lift [m/s], and whether the flow was measured there."""
    flow, known = flow_at(variant, lift_m)
    if flow is None or not variant.port_velocity_m_s:
        return None, False
    return flow * variant.port_velocity_m_s[-1] / variant.flow_m3_s[-1], known


def velocity_unit(display: Display) -> tuple[str, float]:
    """Return the unit velocities are shown in, and the metres a second it has."""
    return ("ft/s", 0.3048) if display.lift == "in" else ("m/s", 1.0)


def ratio_variants(comparison: Comparison) -> list[tuple[VariantFlow, VariantFlow]]:
    """Return the variants flowed on both sides, intake and exhaust."""
    if not {"intake", "exhaust"} <= set(comparison.sides):
        return []
    others = {variant.name: variant for variant in comparison.sides["exhaust"].variants}
    return [(one, others[one.name]) for one in comparison.sides["intake"].variants if one.name in others]


def ratio_lifts(comparison: Comparison) -> list[float]:
    """Return the lifts at which exhaust and intake are compared: the intake's, within both ranges [m]."""
    if not comparison.ratio_at_lift:
        return []
    intake, exhaust = comparison.sides["intake"], comparison.sides["exhaust"]
    low, high = exhaust.range_m
    return [lift for lift in common_lifts(intake) if low - SAME_M <= lift <= high + SAME_M]


def ratio_between(pair: tuple[VariantFlow, VariantFlow], lift_m: float) -> tuple[float | None, bool]:
    """Return exhaust over intake flow at a lift, and whether both were measured there."""
    (intake, first), (exhaust, second) = (flow_at(variant, lift_m) for variant in pair)
    if intake is None or exhaust is None:
        return None, False
    return exhaust / intake, first and second


HALF_WORDS = (
    "Z is the mean inlet Mach index. Measured engines are reported to lose filling quickly beyond about 0.5 (Taylor, "
    "from memory). This model falls more gently there: it has no waves and ideal pipes, so only the valves throttle "
    "it. It is where the head begins to limit, not a safe speed."
)
"""Why 0.5 is marked (Taylor, The Internal-Combustion Engine in Theory and Practice, vol. 1, ch. 6)."""


def power_unit(display: Display) -> str:
    """Return the unit powers are shown in: hp beside inches, else kW."""
    return "hp" if display.lift == "in" else "kW"


_INPUT_VALUES = {
    ("heat_transfer", "woschni"): "Woschni's law",
    ("heat_transfer", "hohenberg"): "Hohenberg's law",
    ("heat_transfer", "none"): "none",
    ("gamma", "temperature"): "by temperature",
    ("gamma", "constant"): "constant",
    ("intake_backflow", "returns"): "returns first",
    ("intake_backflow", "fresh"): "lost among fresh air",
}
_CONVERTED = {
    "US": {"mm": ("in", 3), "K": ("°F", 0), "kPa": ("inHg", 2), "mm²": ("in²", 3)},
    "metric": {"K": ("°C", 0), "in": ("mm", 2)},
}


def input_value(text: str, display: Display) -> str:
    """Write an input's value in the units shown."""
    units = _CONVERTED["US" if display.lift == "in" else "metric"]

    def shown(found: re.Match[str]) -> str:
        """Return one value in the unit shown, as it is where it has no other."""
        if found[2] not in units:
            return found[0]
        unit, digits = units[found[2]]
        number = float(found[1].replace("−", "-"))
        return f"{numeral(from_si(to_si(number, found[2]), unit), digits)} {unit}"

    # Alone, or one of several with the states they hold for behind them.
    said = re.sub(r"(?:^|(?<=\), ))([-−]?\d+(?:\.\d+)?) (\S+)(?=$| \()", shown, text)
    return as_displayed(text, display) if said == text else said


def engine_inputs(engine: EngineResult, display: Display) -> list[tuple[str, list[str]]]:
    """Return the engine model's inputs in words: what was assumed, then what was stated."""
    found, rows = [], section("engine")
    for source in ("assumed", "stated"):
        words = []
        for item in engine.assumptions:
            if item.source == source:
                name = rows[item.name].words if item.name in rows else item.name.replace("_", " ")
                value = _INPUT_VALUES.get((item.name, item.value), input_value(item.value, display))
                if item.name == "wiebe_start":
                    value = re.sub(r"^[-−](.*)$", r"\1 before top dead centre", value)
                words.append(f"{name} {value}")
        if words:
            found.append((source.capitalize(), words))
    return found


def power_words(engine: EngineResult, display: Display) -> str:
    """Say what air-limited power is, with every assumption behind it."""
    if not any(variant.power for variant in engine.variants):
        return ""
    known = {item.name: item for item in engine.assumptions}

    def stated(name: str) -> str:
        """An input and where it comes from."""
        return f"{input_value(known[name].value, display)} ({known[name].source})" if name in known else "not stated"

    # A predicted engine's own bore is among its inputs; the one it starts from may have another.
    whose, flows = ("The predicted engine's d", "measured and predicted") if engine.prediction else ("D", "measured")
    return (
        "Air-limited power (estimate) is air flow/(air–fuel ratio × brake specific fuel consumption), of all "
        f"cylinders. Air–fuel ratio: {stated('air_fuel_ratio')}. Brake specific fuel consumption: {stated('bsfc')}, "
        "the same at every speed and for every state; friction is in it. Air flow: displacement × half the speed × "
        f"density of the intake air × volumetric efficiency. {whose}isplacement: cylinders {stated('cylinders')}, bore "
        f"{stated('bore')}, stroke {stated('stroke')}. Density: dry air at {stated('intake_pressure')} and "
        f"{stated('intake_temperature')}. Volumetric efficiency: from the filling model, with the {flows} flows and "
        "the cams, without waves; not measured."
    )
