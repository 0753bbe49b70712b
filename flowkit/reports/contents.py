"""What a report shows, and every table derived from it, built once."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeVar

from flowkit.analysis.results import (
    Band,
    BandGain,
    Comparison,
    Gain,
    Interaction,
    LiftGain,
    SideComparison,
    VariantFlow,
)
from flowkit.engine.results import BandTime, EngineResult, EngineVariant
from flowkit.fields import section
from flowkit.model import SIDES, Bench, CorrectedTest, Finding, JobInfo, LedgerLine, Reference, Side, Variant
from flowkit.units import from_si, to_si
from flowkit.wording import (
    DISPLAYS,
    MINUS,
    NOTHING,
    Display,
    as_displayed,
    date_words,
    gain_figure,
    interval_text,
    length_words,
    lift_text,
    listed,
    numeral,
    percent_figure,
    ports_named,
    pressure_words,
    signed_figure,
)

if TYPE_CHECKING:
    from flowkit.engine.results import EngineResult


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


def _flows_key(lift_m: float) -> float:
    """Round a lift to the micrometre: within it lifts are one."""
    return round(lift_m, 6)


def measured(variant: VariantFlow) -> dict[float, float]:
    """Return a variant's mean flow by lift, lifts to the micrometre."""
    return {_flows_key(lift): flow for lift, flow in zip(variant.lifts_m, variant.flow_m3_s, strict=True)}


def flow_at(variant: VariantFlow, lift_m: float) -> float | None:
    """Return a variant's mean flow at a lift it was not measured at, by its ports' curves."""
    # Here and not at the top: the terminal's tables need no numpy where everything was measured.
    from flowkit.analysis.lifts import pchip

    flows = []
    for port in variant.ports:
        if len(port.lifts_m) < 2 or not port.lifts_m[0] <= lift_m <= port.lifts_m[-1]:
            return None
        flows.append(float(pchip(port.lifts_m, port.flow_m3_s)(lift_m)))
    return sum(flows) / len(flows) if flows else None


def all_ports(result: SideComparison) -> list[str]:
    """Return the ports of any variant in numeric order: port 10 after port 9."""
    names = dict.fromkeys(port.label for variant in result.variants for port in variant.ports)
    return sorted(names, key=_natural)


def _natural(name: str) -> list[tuple[int, int, str]]:
    """Return what puts names with numbers in their order."""
    pieces = re.findall(r"\d+|\D+", name)
    return [(0, int(piece), "") if piece.isdigit() else (1, 0, piece.casefold()) for piece in pieces]


def all_lifts(result: SideComparison) -> list[float]:
    """Return every lift of any variant, ascending, to the micrometre."""
    return sorted({_flows_key(lift) for variant in result.variants for lift in variant.lifts_m})


def main_lifts(result: SideComparison, least: int = 3) -> list[float]:
    """Return the lifts most variants were measured at; the last variant's where they share too few."""
    variants: Sequence[VariantFlow] = result.variants
    counts = Counter(_flows_key(lift) for variant in variants for lift in variant.lifts_m)
    shared = sorted(lift for lift, count in counts.items() if 2 * count > len(variants))
    if len(shared) >= min(least, len(counts)):
        return shared
    return [_flows_key(lift) for lift in variants[-1].lifts_m]


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
    labels = list(dict.fromkeys(label for facts in found.values() for label in facts))
    common, differing = [], []
    for label in labels:
        values = [facts.get(label, "not stated") for facts in found.values()]
        if len(set(values)) == 1:
            common.append((label, values[0]))
        else:
            differing.append(label)
    rows = tuple((name, tuple(facts.get(item, "not stated") for item in differing)) for name, facts in found.items())
    return StateFacts(tuple(common), tuple(differing), rows if differing else ())


def fact_words(facts: Sequence[tuple[str, str]]) -> str:
    """Write labels with their values; those of one valve under its name."""
    groups: dict[str, list[str]] = {}
    for label, value in facts:
        group, _, item = label.partition(": ")
        groups.setdefault(group, []).append(f"{item} {value}" if item else value)
    words = []
    for group, values in groups.items():
        text = ", ".join(values)
        words.append(text if text.casefold().startswith(group.casefold()) else f"{group} {text}")
    return "; ".join(words)


def _facts(variant: Variant, display: Display) -> dict[str, str]:
    """Return what is known of one state, by label."""
    facts = {}
    for side in SIDES:
        facts.update({f"{side} valve: {name}": words for name, words in _valve_sizes(variant, side, display)})
    conditions = [test.conditions for test in variant.tests]
    for label, key in (("bench", "bench"), ("operator", "operator"), ("flowed", "date")):
        values = [str(getattr(item, key)) for item in conditions if getattr(item, key) is not None]
        texts = dict.fromkeys(date_words(value) if key == "date" else value for value in values)
        if texts:
            facts[label] = ", ".join(texts)
    pressures = {p.pressure_pa for test in variant.corrected for p in test.points if p.pressure_pa is not None}
    if pressures:
        ends = dict.fromkeys(pressure_words(value, display) for value in (min(pressures), max(pressures)))
        facts["flowed at"] = " to ".join(ends)
    bores = {item.fixture_bore_m for item in conditions if item.fixture_bore_m is not None}
    if bores:
        facts["fixture bore"] = ", ".join(length_words(value, display) for value in sorted(bores))
    return facts


def _valve_sizes(variant: Variant, side: Side, display: Display) -> list[tuple[str, str]]:
    """Return the sizes of a valve and its seat that are stated, in the job or else on the sheets."""
    valve = variant.valves.get(side)
    conditions = [test.conditions for test in variant.tests if test.side == side]

    def known(mine: str, theirs: str) -> float | None:
        """Return a size from the job, else from the sheets."""
        stated = getattr(valve, mine) if valve is not None else None
        return stated if stated is not None else next((v for c in conditions if (v := getattr(c, theirs))), None)

    sizes = []
    for row in sorted(section("valves").values(), key=lambda row: row.kind == "angle"):
        value = known(row.attribute, row.condition) if row.condition else None
        if value is not None:
            sizes.append((row.words, f"{value:g}°" if row.kind == "angle" else length_words(value, display)))
    return sizes


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
    gains = [gain for side in contents.comparison.sides.values() for gain in side.gains]
    factors = {factor.casefold() for gain in gains for factor in (*gain.changed, *gain.unknown)}
    states = [state for variant in contents.variants for state in variant.state.values()]
    declared = {name.casefold() for state in states for name in state}
    levels = [level for state in states for name, level in state.items() if name.casefold() in factors]
    fitting = _fitting(factors)
    if gains and not fitting and (factors & declared or not declared):
        names = [variant.name for variant in contents.variants]
        fitting = _fitting(word for text in (*names, *levels) for word in re.findall(r"\w+", text.casefold()))
        fitting = fitting or [words for _, words in _CAUTIONS]
    first = (f"Before running: {'; '.join(fitting)}.",) if fitting else ()
    return (*first, _ALWAYS)


def _fitting(words: Iterable[str]) -> list[str]:
    """Return the cautions that any of some words calls for."""
    known = tuple(words)
    return [caution for starts, caution in _CAUTIONS if any(word.startswith(starts) for word in known)]


RowKind = Literal["lift", "mean", "area", "port", "spread"]


@dataclass(frozen=True, slots=True)
class Datum:
    """One figure of a table: its value, its 95 % interval where known, and how sure it is.

    Gains and spreads are fractions, flows m³/s. `between`: not measured there, from the curve. `unsure`: the bench's
    own scatter covers it.
    """

    value: float | None
    u95: float | None = None
    low: float | None = None
    high: float | None = None
    between: bool = False
    unsure: bool = False


@dataclass(frozen=True, slots=True)
class SideRow:
    """A row of a side's main table: a flow a variant, then a gain over the first a variant."""

    kind: RowKind
    lift_m: float | None
    port: str | None
    flows: tuple[Datum, ...]
    gains: tuple[Datum, ...]


def mean_gain(gain: Gain) -> Datum:
    """Return a gain in mean flow with its interval."""
    low, high = gain.mean_flow_gain_low, gain.mean_flow_gain_high
    return Datum(gain.mean_flow_gain, gain.mean_flow_gain_u95, low, high, unsure=gain.resolved is False)


def lift_gain(item: LiftGain | None) -> Datum:
    """Return a gain at one lift with its interval."""
    if item is None:
        return Datum(None)
    unsure = item.u95 is not None and abs(item.gain) <= item.u95
    return Datum(item.gain, item.u95, item.low, item.high, item.interpolated, unsure)


def side_rows(result: SideComparison, lifts: Sequence[float]) -> list[SideRow]:
    """Return the main table of a side: lifts, mean, area, ports and spread."""
    totals = result.totals
    known = [measured(variant) for variant in result.variants]
    at = [{_flows_key(item.lift_m): item for item in gain.per_lift} for gain in totals]
    rows = []
    for lift in lifts:
        flows = []
        for variant, mine in zip(result.variants, known, strict=True):
            flows.append(Datum(mine[lift]) if lift in mine else Datum(flow_at(variant, lift), between=True))
        rows.append(SideRow("lift", lift, None, tuple(flows), tuple(lift_gain(items.get(lift)) for items in at)))
    means = tuple(
        Datum(v.mean_flow_m3_s, None if v.mean_flow_u95 is None else v.mean_flow_u95 * v.mean_flow_m3_s)
        for v in result.variants
    )
    rows.append(SideRow("mean", None, None, means, tuple(map(mean_gain, totals))))
    # Under a single lift there is no area, which is another thing than an area of nothing.
    wide = result.range_m[1] > result.range_m[0]
    areas = tuple(Datum(variant.curve_area_m4_s if wide else None) for variant in result.variants)
    rows.append(SideRow("area", None, None, areas, ()))
    rows += [port_row(result, port) for port in all_ports(result)]
    if any(variant.port_spread is not None for variant in result.variants):
        spreads = tuple(Datum(variant.port_spread, variant.port_spread_u95) for variant in result.variants)
        rows.append(SideRow("spread", None, None, spreads, ()))
    return rows


def port_row(result: SideComparison, port: str) -> SideRow:
    """Return a port's mean flow in every variant, and its gains over the first."""
    flows = tuple(
        Datum(next((item.mean_flow_m3_s for item in variant.ports if item.label == port), None))
        for variant in result.variants
    )
    gains = []
    for gain in result.totals:
        mine = next((item for item in gain.ports if item.port == port), None)
        gains.append(Datum(None) if mine is None else Datum(mine.mean_flow_gain, mine.u95, mine.low, mine.high))
    return SideRow("port", None, port, flows, tuple(gains))


def matched_words(result: SideComparison, whole: SideComparison | None = None) -> str:
    """Say over which ports gains are taken where not all were flowed in both states; nothing where all were.

    Of a table in parts `result` is the part, and `whole` has the states that its gains are over.
    """
    ports = {variant.name: {port.label for port in variant.ports} for variant in (whole or result).variants}
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
FACTORIAL = (
    "A main effect is the mean of the two steps that change one thing alone; the interaction is what both together "
    "gave over the product of each alone."
)
BY_GEOMETRY = "By geometry: what the minimum areas alone would give (their ratio), as a mean over the same lifts."
_FOOT_M = 0.3048
_SAME_M = 1e-6

Limits = tuple[tuple[str, float, float], ...]
T = TypeVar("T")


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
        return len(widths) == 3 and max(widths) - min(widths) < _SAME_M


def band_head(limit: tuple[str, float, float], display: Display) -> str:
    """Return the heading of a band."""
    return f"{limit[0]}, {band_limits(limit, display)}"


def band_limits(limit: tuple[str, float, float], display: Display) -> str:
    """Return a band's limits with their unit."""
    _, start, end = limit
    return f"{lift_text(start, display)}–{lift_text(end, display)} {display.lift}"


def band_words(table: BandTable) -> str:
    """Say where the borders of the bands come from."""
    if table.thirds:
        return "Bands are thirds of the range of lift, because the valve diameter is not known (common practice)."
    return "Bands end at 0.15 and 0.25 of the valve's diameter (common practice)."


def gains_of_steps(result: SideComparison) -> list[tuple[str | None, Gain]]:
    """Return each step's gain under its variant, then that of all steps under None where there are several."""
    rows: list[tuple[str | None, Gain]] = [(gain.to, gain) for gain in result.steps]
    return [*rows, (None, result.totals[-1])] if len(rows) > 1 else rows


def band_tables(result: SideComparison) -> list[BandTable]:
    """Return mean flow and gain in bands of lift, a table for all that have the same bands."""
    gains = dict(gains_of_steps(result))
    flows = {variant.name: variant.bands for variant in result.variants}
    order: list[str | None] = [*flows, *(name for name in gains if name is None)]
    found: dict[tuple[tuple[str, float, float], ...], Limits] = {}
    every: list[Sequence[Band | BandGain]] = [*flows.values(), *(gain.bands for gain in gains.values())]
    for bands in every:
        found.setdefault(_further_key(bands), tuple((band.name, band.from_m, band.to_m) for band in bands))
    tables = []
    for key, limits in found.items():
        if len(limits) > 1:
            rows = [_band_row(name, key, flows.get(name or "") if name else None, gains.get(name)) for name in order]
            kept = tuple(row for row in rows if any(value is not None for value in (*row.flows_m3_s, *row.gains)))
            tables.append(BandTable(limits, kept))
    return tables


def _further_key(bands: Sequence[Band | BandGain]) -> tuple[tuple[str, float, float], ...]:
    """Return what distinguishes bands: their limits to the micrometre."""
    return tuple((band.name, round(band.from_m, 6), round(band.to_m, 6)) for band in bands)


def _band_row(
    name: str | None, key: tuple[tuple[str, float, float], ...], flows: Sequence[Band] | None, gain: Gain | None
) -> FurtherBandRow:
    """Return what a variant has in these bands, nothing where its own are others."""
    nothing = (None,) * len(key)
    mine = flows is not None and _further_key(flows) == key
    here = gain is not None and _further_key(gain.bands) == key
    return FurtherBandRow(
        name,
        tuple(band.mean_flow_m3_s for band in flows) if mine and flows is not None else nothing,
        gain.bands if here and gain is not None else nothing,
    )


def with_interval(gain: BandGain | LiftGain | None) -> str:
    """Write the gain of a band, or at a lift, with its interval, in percent."""
    return "" if gain is None else gain_figure(gain.gain, gain.u95, gain.low, gain.high)


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


EVIDENCE = {
    "at least": "At least: 95 % sure, where the gain is proven.",
    "smallest": "Smallest: the smallest gain these tests would show four times out of five.",
    "drift": "Drift: the gain holds unless the bench moved by more than this between the days.",
    "one more run": "One more run: the ± to expect from one more run of every port of the later state.",
    "all twice": "All twice: the ± to expect from every port flowed twice in both states.",
}
"""What the columns of `evidence` mean."""


class GainColumn(NamedTuple):
    """A column of figures of gains, in percent: its head, its cell of a gain, and the group it is in."""

    head: str
    cell: Callable[[Gain], str]
    group: str = ""


def evidence(result: SideComparison) -> list[GainColumn]:
    """Return what the data bear out of each gain: every column that has anything."""
    gains = [gain for _, gain in gains_of_steps(result)]
    columns = [
        GainColumn("at least", lambda gain: "" if gain.at_least is None else signed_figure(gain.at_least)),
        GainColumn("smallest", lambda gain: _or_nothing(gain.smallest_resolvable)),
        GainColumn("drift", lambda gain: _or_nothing(gain.resolved_if_drift_below)),
        GainColumn("one more run", lambda gain: _narrower(gain, gain.one_more_run_u95)),
        GainColumn("all twice", lambda gain: _narrower(gain, gain.two_runs_u95)),
    ]
    return [column for column in columns if any(column.cell(gain) for gain in gains)]


def evidence_note(tables: Iterable[Sequence[GainColumn]]) -> str:
    """Say what the columns of `evidence` mean, those alone that are there."""
    heads = {column.head for columns in tables for column in columns}
    return " ".join(words for head, words in EVIDENCE.items() if head in heads)


def further_figures(result: SideComparison, display: Display) -> list[GainColumn]:
    """Return the further figures of every step's gain, nothing where there is a single lift."""
    gains = gains_of_steps(result)
    if not gains or result.range_m[1] <= result.range_m[0]:
        return []
    columns = [GainColumn("mean of lifts", lambda gain: signed_figure(gain.mean_of_gains))]
    if has_expected(result):
        columns.append(GainColumn("by geometry", lambda gain: signed_figure(gain.expected_from_geometry)))
    at = f"at {display.lift}"
    columns += [
        GainColumn("at top lift", lambda gain: signed_figure(gain.gain_at_top_lift)),
        GainColumn("%", lambda gain: with_interval(gain.largest), "largest"),
        GainColumn(at, lambda gain: lift_text(gain.largest.lift_m, display), "largest"),
        GainColumn("%", lambda gain: with_interval(gain.smallest), "smallest"),
        GainColumn(at, lambda gain: lift_text(gain.smallest.lift_m, display), "smallest"),
    ]
    if len(gains) > 1 and any(gain.share_of_total is not None for _, gain in gains):
        columns.append(GainColumn("share of total", share_words))
    return columns


def _narrower(gain: Gain, half: float | None) -> str:
    """Write a half width to expect where it is narrower than what there is."""
    now = gain.mean_flow_gain_u95
    return "" if half is None or now is None or half >= now else percent_figure(half)


def _or_nothing(fraction: float | None) -> str:
    """Write a fraction in percent, nothing where there is none."""
    return "" if fraction is None else percent_figure(fraction)


def share_words(gain: Gain) -> str:
    """Write a step's share of the total in percent, nothing for the total itself."""
    return "" if gain.share_of_total is None else percent_figure(gain.share_of_total, 0)


def has_expected(result: SideComparison) -> bool:
    """Whether the least areas promise anything of a step, so that it can be shown beside what was measured."""
    return any(gain.expected_from_geometry is not None for gain in result.gains)


def spaced(items: Sequence[T], most: int) -> list[T]:
    """Return a few of many, evenly spaced, the first and the last among them."""
    count = len(items)
    if count <= most:
        return list(items)
    return [items[round(place * (count - 1) / (most - 1))] for place in range(most)]


def common_lifts(result: SideComparison) -> list[float]:
    """Return the lifts most variants were measured at, within the common range [m]."""
    return _within(main_lifts(result), *result.range_m)


def _within(lifts: Sequence[float], low: float, high: float) -> list[float]:
    """Return the lifts of a range, its ends with them."""
    return [lift for lift in lifts if low - _SAME_M <= lift <= high + _SAME_M]


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
    lo, hi = (edge(intake.range_m[i], exhaust.range_m[i]) for i, edge in enumerate((max, min)))
    return _within(main_lifts(intake), lo, hi)


def ratio_between(pair: tuple[VariantFlow, VariantFlow], lift_m: float) -> tuple[float | None, bool]:
    """Return exhaust over intake flow at a lift, and whether both were measured there."""
    (intake, first), (exhaust, second) = (_flow(variant, lift_m) for variant in pair)
    if intake is None or exhaust is None:
        return None, False
    return exhaust / intake, first and second


def _flow(variant: VariantFlow, lift_m: float) -> tuple[float | None, bool]:
    """Return a variant's flow at a lift, and whether it was measured there."""
    known = measured(variant).get(round(lift_m, 6))
    return (known, True) if known is not None else (flow_at(variant, lift_m), False)


def velocity_between(variant: VariantFlow, lift_m: float) -> tuple[float | None, bool]:
    """Return the mean port velocity at a lift [m/s], and whether the flow was measured there."""
    flow, known = _flow(variant, lift_m)
    if flow is None or not variant.port_velocity_m_s:
        return None, False
    return flow * variant.port_velocity_m_s[-1] / variant.flow_m3_s[-1], known


def velocity_unit(display: Display) -> tuple[str, float]:
    """Return the unit velocities are shown in, and the metres a second it has."""
    return ("ft/s", _FOOT_M) if display.lift == "in" else ("m/s", 1.0)


@dataclass(frozen=True, slots=True)
class CorrectionSummary:
    """One correction over the tests of one variant on one side."""

    correction: str
    tests: int
    skipped: int
    factor: tuple[float, float] | None
    offset_m3_s: tuple[float, float] | None


def corrections_made(tests: Sequence[CorrectedTest]) -> list[tuple[str, str, int, dict[str, CorrectionSummary]]]:
    """Return, per variant and side, what each correction did."""
    groups: dict[tuple[str, str], list[CorrectedTest]] = {}
    for test in tests:
        groups.setdefault((test.variant, test.side or "side unknown"), []).append(test)
    variants = list(dict.fromkeys(variant for variant, _ in groups))
    ordered = sorted(groups.items(), key=lambda item: variants.index(item[0][0]))
    return [(variant, side, len(members), _corrections(members)) for (variant, side), members in ordered]


def _corrections(tests: Sequence[CorrectedTest]) -> dict[str, CorrectionSummary]:
    """Gather one group's ledger lines by correction."""
    lines: dict[str, list[LedgerLine]] = {}
    for test in tests:
        for line in test.ledger:
            lines.setdefault(line.correction, []).append(line)
    result = {}
    for correction, found in lines.items():
        factors = [value for line in found for value in line.factor or ()]
        offsets = [value for line in found for value in line.offset_m3_s or ()]
        result[correction] = CorrectionSummary(
            correction,
            len(found),
            sum(line.skipped is not None for line in found),
            (min(factors), max(factors)) if factors else None,
            (min(offsets), max(offsets)) if offsets else None,
        )
    return result


def effect_words(item: CorrectionSummary | None, display: Display) -> str:
    """Write what a correction did: a factor, an offset, or nothing."""
    if item is None or item.skipped == item.tests:
        return NOTHING
    words = ""
    if item.factor is not None:
        low, high = (f"{value:.4f}" for value in item.factor)
        words = f"× {low}" if low == high else f"× {low}–{high}"
    if item.offset_m3_s is not None:
        digits = display.flow_digits + 1
        values = [f"{from_si(value, display.flow):+.{digits}f}".replace("-", MINUS) for value in item.offset_m3_s]
        words = " to ".join(dict.fromkeys(values)) + f" {display.flow}"
    if item.skipped:
        words += f" ({item.skipped} of {item.tests} not)"
    return words or NOTHING


def formulas(tests: Sequence[CorrectedTest]) -> list[tuple[str, str]]:
    """Return each correction that was made with its formula, each once, in order."""
    made = [(line.correction, line.formula) for test in tests for line in test.ledger if line.skipped is None]
    return list(dict.fromkeys(made))


def skipped_reasons(tests: Sequence[CorrectedTest]) -> list[tuple[str, str, int]]:
    """Return each correction that was not made, why, and in how many tests."""
    counts: dict[tuple[str, str], int] = {}
    for test in tests:
        for line in test.ledger:
            if line.skipped is not None:
                counts[line.correction, line.skipped] = counts.get((line.correction, line.skipped), 0) + 1
    return [(correction, reason, count) for (correction, reason), count in counts.items()]


HALF_WORDS = (
    "Z is the mean inlet Mach index. Measured engines are reported to lose filling quickly beyond about 0.5 (Taylor, "
    "from memory). This model falls more gently there: it has no waves and ideal pipes, so only the valves throttle "
    "it. It is where the head begins to limit, not a safe speed."
)
"""Why 0.5 is marked (Taylor, The Internal-Combustion Engine in Theory and Practice, vol. 1, ch. 6)."""

_HORSEPOWER_W = 550 * 0.3048 * 4.4482216152605
"""550 ft·lbf/s, exactly [W] (NIST SP 811, appendix B)."""
_SAME_EDGE_M = 1e-6


ENGINE_HEADS = ("displacement", "bore × stroke", "compression", "intake cam", "exhaust cam", "peak power", "at rpm")


def engine_rows(engine: EngineResult, display: Display) -> tuple[tuple[str, ...], list[tuple[str, tuple[str, ...]]]]:
    """Return each state's engine and the peak of its brake estimate: heads with units, and a row a state.

    A column that nobody knows anything of is left out.
    """
    us = display.lift == "in"
    size, digits = ("in³", 1) if us else ("L", 3)
    cubic = 0.0254**3 if us else 1e-3
    unit = power_unit(display)
    rows = []
    for variant in engine.variants:
        cells = [""] * len(ENGINE_HEADS)
        mine, peak = variant.engine, variant.filling.peak if variant.filling else None
        if mine is not None:
            cells[0] = numeral(mine.displacement_m3 / cubic, digits)
            sizes = (from_si(value, display.diameter) for value in (mine.bore_m, mine.stroke_m))
            cells[1] = " × ".join(numeral(value, display.diameter_digits) for value in sizes)
            cells[2] = numeral(mine.compression_ratio, 2)
        for place, side in enumerate(SIDES):
            cam = variant.cam.get(side)
            if cam is not None:
                cells[3 + place] = f"{lift_text(cam.peak_lift_m, display)}, {cam.closes_deg - cam.opens_deg:.0f}°"
        if peak is not None:
            scale = _HORSEPOWER_W if unit == "hp" else 1e3
            above = peak.brake_power_w > 0
            cells[5] = ("" if peak.inside else "> ") + numeral(peak.brake_power_w / scale, 1) if above else NOTHING
            cells[6] = numeral(peak.speed_rpm, 0) if peak.inside and above else NOTHING
        rows.append((variant.name, tuple(cells)))
    units = (size, display.diameter, "ratio", display.lift, display.lift, unit, "")
    heads = [f"{head}, {unit}" if unit else head for head, unit in zip(ENGINE_HEADS, units, strict=True)]
    kept = [place for place in range(len(heads)) if any(cells[place] for _, cells in rows)]
    return tuple(heads[i] for i in kept), [(name, tuple(cells[i] for i in kept)) for name, cells in rows]


def power_unit(display: Display) -> str:
    """Return the unit powers are shown in: hp beside inches, else kW."""
    return "hp" if display.lift == "in" else "kW"


def power_figures(variant: EngineVariant, display: Display) -> tuple[float | None, ...]:
    """Return a variant's air-limited power at each speed, in the unit of `power_unit`; None where it does not fire."""
    scale = _HORSEPOWER_W if power_unit(display) == "hp" else 1e3
    return tuple(None if value is None else value / scale for value in variant.power.power_w) if variant.power else ()


_INPUT_NAMES = {
    "intake_valves": "intake valves per cylinder",
    "exhaust_valves": "exhaust valves per cylinder",
    "rod": "connecting rod",
    "air_fuel_ratio": "air–fuel ratio",
    "stoichiometric_ratio": "air–fuel ratio of complete combustion",
    "bsfc": "brake specific fuel consumption",
    "fuel_heating_value": "heating value of the fuel",
    "wiebe_start": "combustion begins",
    "wiebe_duration": "combustion lasts",
    "wiebe_a": "Wiebe's efficiency parameter a",
    "wiebe_m": "Wiebe's shape parameter m",
    "heat_transfer": "heat lost to the walls",
    "gamma": "heat capacity of the gas",
    "gamma_value": "ratio of heat capacities, where taken as constant",
    "intake_backflow": "what is pushed back into the intake",
    "intake_reverse": "intake's area in reverse flow, over that forward",
    "exhaust_reverse": "exhaust's area in reverse flow, over that forward",
}
"""Inputs of the engine model in words, where their key is not already plain."""
_INPUT_VALUES = {
    ("heat_transfer", "woschni"): "Woschni's law",
    ("heat_transfer", "none"): "none",
    ("gamma", "temperature"): "by temperature",
    ("gamma", "constant"): "constant",
    ("intake_backflow", "returns"): "returns first",
    ("intake_backflow", "mixes"): "mixes with the air there",
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
    found = []
    for source in ("assumed", "stated"):
        words = []
        for item in engine.assumptions:
            if item.source == source:
                name = _INPUT_NAMES.get(item.name, item.name.replace("_", " "))
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


@dataclass(frozen=True, slots=True)
class EngineBandRow:
    """A band of lift, as reports show it."""

    lift: str
    time: BandTime
    before_m3_s: float | None
    after_m3_s: float | None
    gain: float | None


@dataclass(frozen=True, slots=True)
class Bands:
    """One side's bands of lift."""

    side: Side
    before: str | None
    after: str
    rows: tuple[EngineBandRow, ...]


def _band_flow(variant: EngineVariant, side: Side, band: BandTime) -> float | None:
    """Mean flow while the valve is in a band: its share of flow over its share of time, of the mean over the cam."""
    mean: float | None = getattr(variant.cam_weighted_mean_flow_m3_s, side)
    if mean is None or band.share_of_flow is None or band.share_of_period <= 0:
        return None
    return band.share_of_flow / band.share_of_period * mean


def _same_bands(one: Sequence[BandTime], other: Sequence[BandTime]) -> bool:
    """Whether two variants were divided at the same lifts."""
    return len(one) == len(other) and all(
        abs(a.from_m - b.from_m) < _SAME_EDGE_M and abs(a.to_m - b.to_m) < _SAME_EDGE_M
        for a, b in zip(one, other, strict=True)
    )


def bands_of(engine: EngineResult, display: Display) -> tuple[Bands, ...]:
    """Return each side's bands: the last variant's, beside the first's where they are the same bands."""
    found = []
    for side in SIDES:
        having = [variant for variant in engine.variants if variant.band_times.get(side)]
        if not having:
            continue
        first, last = having[0], having[-1]
        bands = last.band_times[side]
        comparable = first is not last and _same_bands(first.band_times[side], bands)
        olds = [_band_flow(first, side, band) for band in first.band_times[side]] if comparable else [None] * len(bands)
        rows = []
        for old, band in zip(olds, bands, strict=True):
            new = _band_flow(last, side, band)
            gain = new / old - 1 if old and new is not None else None
            rows.append(EngineBandRow(_lifts(band, display), band, old, new, gain))
        found.append(Bands(side, first.name if comparable else None, last.name, tuple(rows)))
    return tuple(found)


def _lifts(band: BandTime, display: Display) -> str:
    """Write a band's lifts."""
    return f"{lift_text(band.from_m, display)}–{lift_text(band.to_m, display)}"


def band_sentence(bands: Bands, display: Display, name: str) -> str:
    """Say where on the lift curve more flow would pay."""
    shares = [row.time.share_of_flow for row in bands.rows]
    known = [(share, row) for share, row in zip(shares, bands.rows, strict=True) if share is not None]
    if not known:
        return ""
    most = max(known, key=lambda item: item[0])
    least = min(known, key=lambda item: item[0])
    text = (
        f"{bands.side.capitalize()}, {name}: more flow pays most at {most[1].lift} {display.lift} of lift, where the "
        f"valve spends {100 * most[1].time.share_of_period:.0f} % of its open time and {100 * most[0]:.0f} % of the "
        f"flow over the cam passes: 1 % more flow there alone gives {most[0]:.2f} % more over the cam"
    )
    if least[0] < most[0]:
        text += (
            f"; at {least[1].lift} {display.lift}, where it spends {100 * least[1].time.share_of_period:.0f} % of the "
            f"time, {least[0]:.2f} %"
        )
    return text + "."


def cam_gain_words(engine: EngineResult, side: Side, name: str) -> str:
    """Write a variant's gain in cam-weighted flow over the first."""
    for gain in engine.cam_weighted_gains:
        if gain.side == side and gain.to == name and gain.kind != "step":
            return f"{signed_figure(gain.gain)} {interval_text(gain.u95)}".strip()
    return ""
