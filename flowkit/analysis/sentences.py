"""The comparison in plain sentences, by fixed rules; none claims more than the intervals bear out."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from flowkit.analysis.results import Gain, Repeatability, SideComparison, VariantFlow
from flowkit.model import Finding, Side, grouped
from flowkit.units import format_quantity
from flowkit.wording import (
    DISPLAYS,
    Display,
    day_words,
    half_figure,
    interval_words,
    lift_words,
    listed,
    percent,
    signed_percent,
)

if TYPE_CHECKING:
    from flowkit.analysis.gains import ExtraTest

MOST_STEPS = 4
"""Steps listed one by one; of more, the largest."""
Sides = Mapping[Side, SideComparison]


def gain_words(gain: Gain) -> str:
    """Write the gain in mean flow with its interval."""
    if gain.mean_flow_gain_low is None:
        return signed_percent(gain.mean_flow_gain, gain.mean_flow_gain_u95)
    return interval_words(gain.mean_flow_gain, gain.mean_flow_gain_low, gain.mean_flow_gain_high)


def factors(gain: Gain) -> list[str]:
    """Return what changed, as people call it; the day only where both are stated and differ."""
    days = set(gain.sessions)
    known = [item for item in gain.changed if item != "session" or (len(days) > 1 and "" not in days)]
    return [{"reference.bore": "bore", "session": "day"}.get(item, item) for item in known]


def changed_words(gain: Gain) -> str:
    """List what changed, and that the day is not stated where it may matter."""
    return ", ".join([*factors(gain), *_undated(gain)])


def _undated(gain: Gain) -> list[str]:
    """Say that a day is not stated, where that keeps the sessions apart."""
    return ["day not stated"] if "session" in gain.changed and "" in gain.sessions else []


def cause(gain: Gain) -> str:
    """Say what a gain belongs to, such as ``"seats alone"`` or ``"ports and seats together"``."""
    changed = factors(gain)
    if gain.unknown:
        known = f"{listed(changed)} changed, " if changed else ""
        said = f"{known}{listed(gain.unknown)} not declared for both"
    elif not changed:
        said = "nothing changed" if gain.unchanged else "change not declared"
    elif len(changed) > 1:
        said = f"{listed(changed)} together"
    else:
        said = f"{changed[0]} {'alone' if gain.attributable else 'changed'}"
    return ", ".join([said, *_undated(gain)])


def verdict(gain: Gain) -> str:
    """Say in a few words what the data bear out about a gain."""
    if gain.resolved is None:
        return "not assessed"
    if gain.resolved:
        return "proven beyond the bench's scatter"
    if not gain.beyond_scatter:
        return "within the bench's scatter"
    unlike = [f"{listed(gain.setup_differs)} not the same"] if gain.setup_differs else []
    unlike += ["not known whether it was one day"] if unlike and gain.drift_unknown and "" in gain.sessions else []
    if unlike or gain.in_doubt:
        return f"larger than the scatter, but not proven: {listed([*unlike, *gain.in_doubt])}"
    if gain.drift_unknown:
        margin = gain.resolved_if_drift_below
        return "larger than run-to-run scatter; " + (
            f"holds unless the bench moved by more than {percent(margin)}" if margin else "the sessions differ"
        )
    return "larger than the scatter, but not proven"


def least_words(at_least: float) -> str:
    """Say what a gain is at least, or a loss."""
    least = f"a loss of at least {percent(-at_least)}" if at_least < 0 else f"at least {signed_percent(at_least)}"
    return f"{least} (95 % sure)"


def measures_drift(sides: Sides, side: Side, gain: Gain) -> bool:
    """Tell whether a gain is of a side left untouched, which shows the other side's drift and needs none shown."""
    if gain.unknown or not gain.unchanged or any(item != "session" for item in gain.changed):
        return False
    return any(
        not item.drift_unknown and item.sessions
        for other, result in sides.items()
        for item in result.gains
        if other != side and (item.from_, item.to) == (gain.from_, gain.to)
    )


def headline(gain: Gain, side: Side) -> str:
    """Return the line over a chart, such as ``"Intake: +11.8 % ± 0.9 mean flow, ports and seats together"``."""
    return f"{side.capitalize()}: {gain_words(gain)} mean flow, {cause(gain) if gain.resolved else verdict(gain)}"


def sentences(
    sides: Sides,
    *,
    display: Literal["US", "metric"] = "US",
    extra_tests: Mapping[Side, Sequence[ExtraTest]] | None = None,
    repeatability: Repeatability | None = None,
    findings: Sequence[Finding] = (),
    range_stated: bool = False,
) -> dict[str, tuple[str, ...]]:
    """Return a comparison in a few plain sentences, by what they are."""
    units, each = DISPLAYS[display], list(sides.items())
    narrowed = [] if range_stated else [_narrowed(side, result, units) for side, result in each]
    found: dict[str, list[str | None]] = {
        "headline": [_total(side, result, units) for side, result in each],
        "steps": [_steps(side, result) for side, result in each],
        "detail": [*(_where(side, result, units) for side, result in each), _limits(sides, units)],
        "doubts": [
            *_doubts(sides),
            *_named(findings),
            *narrowed,
            _lagging(sides, units),
            _rests_on(sides, repeatability),
        ],
        "next": [_next(sides, extra_tests or {})],
    }
    return {part: tuple(text for text in texts if text is not None) for part, texts in found.items()}


def _total(side: Side, result: SideComparison, display: Display) -> str:
    """Say what was gained in all, over which lifts, and whether that is proven."""
    low, high = (lift_words(lift, display) for lift in result.range_m)
    over = f"at {low} of lift" if low == high else f"on average over {low} to {high} of lift"
    if not result.totals:
        only = result.variants[0]
        interval = "" if only.mean_flow_u95 is None else f" ± {half_figure(only.mean_flow_u95, 1)} %"
        flow = format_quantity(only.mean_flow_m3_s, display.flow)
        return f"{side.capitalize()}: {only.name!r} flows {flow}{interval} {over}."
    gain = result.totals[-1]
    g, size = gain.mean_flow_gain, gain_words(gain)
    if gain.beyond_scatter is False:
        smallest = "" if gain.smallest_resolvable is None else (
            f"; these tests would show a gain of {percent(gain.smallest_resolvable)} or more four times out of five"
        )  # fmt: skip
        return (
            f"{side.capitalize()}: no difference proven between {gain.from_!r} and {gain.to!r}: {size} {over}, which "
            f"is within the bench's scatter{_attributed(gain)}{smallest}."
        )
    if percent(g) == percent(0.0):
        said = f"{side.capitalize()}: {gain.to!r} flows as much as {gain.from_!r} ({size}) {over}"
    else:
        size, _, ends = size.partition(" (")
        more = size.replace("+", "", 1).replace("−", "", 1)
        said = (
            f"{side.capitalize()}: {gain.to!r} flows {more} {'more' if g >= 0 else 'less'} than {gain.from_!r} {over}"
            + (f" ({ends.removesuffix(')')} %)" if ends else "")
        )
    if gain.resolved is None:
        said += "; whether that is more than the bench's scatter is not known"
    elif not gain.resolved:
        said += f"; {verdict(gain)}"
    elif gain.at_least is not None:
        said += f", {least_words(gain.at_least)}"
    return f"{said}{_attributed(gain)}."


def _attributed(gain: Gain) -> str:
    """Say what the whole gain belongs to."""
    if not gain.matched_ports:
        return "; they have no port in common, so the difference between ports is in it"
    if gain.unknown:
        known = f"{listed(factors(gain))} changed; " if factors(gain) else ""
        return f"; {known}whether {listed(gain.unknown)} changed is not declared for both"
    work = [item for item in factors(gain) if item != "day"]
    if not work and gain.unchanged:
        return "; nothing is declared as changed, so it is the bench's own difference" + (
            " from session to session" if gain.beyond_scatter else ""
        )
    if not work:
        return "; what changed is not declared"
    return f"; {work[0]} alone changed" if gain.attributable else f"; {listed(work)} changed"


def _steps(side: Side, result: SideComparison) -> str | None:
    """Say what each step brought, where there is more than one."""
    steps = result.steps
    if len(steps) < 2:
        return None
    largest = sorted(steps, key=lambda gain: abs(gain.mean_flow_gain), reverse=True)[:MOST_STEPS]
    said = []
    for gain in (gain for gain in steps if gain in largest):
        known = {True: cause(gain), None: f"{cause(gain)}, not assessed", False: verdict(gain)}[gain.resolved]
        said.append(f"{gain.to!r} {gain_words(gain)} ({known})")
    left = len(steps) - len(said)
    more = f" (and {left} smaller step{'s' if left > 1 else ''})" if left else ""
    return f"By step on the {side}: {'; '.join(said)}{more}."


def _where(side: Side, result: SideComparison, display: Display) -> str | None:
    """Say where along the lift the gain is smallest and largest, where the test along the lift says that it differs.

    The gain over the first variant is described; where that shows no difference, the first step that does.
    """
    whole = result.totals[-1] if result.totals else None
    if whole is None or whole.differs_along_lift is None:
        return None
    gain = next((item for item in (whole, *result.steps) if item.differs_along_lift), None)
    if gain is None:
        return f"The {side} gain shows no difference along the lift beyond the bench's scatter."
    ends = []
    for item in (gain.smallest, gain.largest):
        band = next((f" ({band.name} lift)" for band in gain.bands if band.from_m <= item.lift_m <= band.to_m), "")
        ends.append(f"{interval_words(item.gain, item.low, item.high)} at {lift_words(item.lift_m, display)}{band}")
    subject = f"the {side} gain is" if gain is whole else f"{gain.to!r} brings the {side}"
    return f"Along the lift {subject} between {' and '.join(ends)}."


def _limits(sides: Sides, display: Display) -> str | None:
    """Say which passage is the smallest below and above the takeover lift, in the last variant."""
    clauses = []
    for side, result in sides.items():
        last = result.variants[-1]
        if last.takeover_lift_m is not None:
            lift = lift_words(last.takeover_lift_m, display)
            which = f"throat is the smallest passage above {lift} of lift, the seat below"
            if last.takeover_lift_m >= last.lifts_m[-1]:
                which = "seat is the smallest passage at every lift measured"
            clauses.append(f"on the {side} of {last.name!r} the {which}")
    return f"By geometry, {'; '.join(clauses)}." if clauses else None


def _doubts(sides: Sides) -> list[str]:
    """Say what keeps gains from being proven: sessions without anything to show the drift, another setup."""
    gains = [(side, gain) for side, result in sides.items() for gain in result.gains]
    unknown = [gain for side, gain in gains if gain.drift_unknown and not measures_drift(sides, side, gain)]
    said = []
    if any("" in gain.sessions for gain in unknown):
        some = "Some sheets carry" if any(any(gain.sessions) for gain in unknown) else "The sheets carry"
        said.append(
            f"When were these flowed? All on the same day? {some} no date, so the bench may have moved between the "
            "states."
        )
    elif unknown:
        days = listed(list(dict.fromkeys(day_words(day) for gain in unknown for day in gain.sessions)))
        said.append(
            f"Flowed on {days} without a check plate or an untouched port to show whether the bench moved in between."
        )
    differing = list(dict.fromkeys(label for _, gain in gains for label in gain.setup_differs))
    if differing:
        said.append(
            f"Not the same in all states: {listed(differing)}. Part of a difference may come from that and not from "
            "the work."
        )
    if any("head" in gain.changed for _, gain in gains):
        said.append("The sheets name different heads: two castings differ before anyone touches them.")
    return said


SAID = (
    "identical-readings",
    "range-not-covered",
    "geometry-differs",
    "repeatability-understated",
    "corrected-unequally",
    "typing-slip",
)
"""Rules of findings whose first clause is said with the figures."""


def _named(findings: Sequence[Finding]) -> list[str]:
    """Say each kind of finding that bears on the figures, the first of its kind in its own words."""
    said = []
    by_rule = grouped((finding.rule, finding) for finding in findings)
    for rule in SAID:
        own = by_rule.get(rule, [])
        if own:
            more = f" ({len(own) - 1} more like this)" if len(own) > 1 else ""
            words = own[0].message
            if "honest runs" not in words:  # coarse readings: how to answer is part of it
                words = re.split(r"[.;] ", words, maxsplit=1)[0]
            where = f"{own[0].where}: " if rule == "typing-slip" else ""
            said.append(f"{where}{words.rstrip('.')}{more}.")
    rows = [finding for finding in by_rule.get("lift-repeated", ()) if " read as " in finding.message]
    if rows:
        files = list(dict.fromkeys(re.split(r"[:!]", finding.where)[0] for finding in rows))
        said.append(
            f"Repeated lifts in {listed(files)} were taken as separate runs; if the valve was not closed and the dial "
            "zeroed in between, the intervals are too small."
        )
    return said


def _narrowed(side: Side, result: SideComparison, display: Display) -> str | None:
    """Say which state's lifts keep every state's mean from covering more, where that is much."""
    low, high = result.range_m
    for variant in result.variants:
        others = [one.lifts_m for one in result.variants if one is not variant]
        if not others:
            continue
        reach = max(lifts[0] for lifts in others), min(lifts[-1] for lifts in others)
        if reach[1] - reach[0] > 1.1 * (high - low):
            over, wide = (" to ".join(lift_words(lift, display) for lift in limits) for limits in ((low, high), reach))
            return (
                f"{variant.name!r} was measured over fewer lifts, so all {side} means are taken over {over}; the "
                f"others reach {wide}. A stated range keeps it the same (lifts under [reference])."
            )
    return None


def _rests_on(sides: Sides, repeatability: Repeatability | None) -> str | None:
    """Say that intervals rest on a single repeat, where they do."""
    gains = [gain for result in sides.values() for gain in result.gains]
    if repeatability is None or repeatability.runs_degrees_of_freedom != 1 or not any(g.basis == "runs" for g in gains):
        return None
    difference = (repeatability.s_r or 0.0) * 2.0**0.5
    return (
        f"The two runs differ by {percent(difference, 2)}; from one difference the scatter is known only to between "
        "0.45 and 32 times, which is why the intervals are wide."
    )


def _laggards(sides: Sides) -> list[tuple[Side, VariantFlow]]:
    """Return the last variants with a port that lags beyond the bench's scatter."""
    last = [(side, result.variants[-1]) for side, result in sides.items()]
    return [(side, variant) for side, variant in last if variant.lagging is not None and variant.lagging.beyond_scatter]


def _lagging(sides: Sides, display: Display) -> str | None:
    """Say which port of the last variant flows less than the others, where that is beyond the bench's scatter."""
    clauses = []
    for side, variant in _laggards(sides):
        lag = variant.lagging
        assert lag is not None  # `_laggards` gives no others
        spread = signed_percent(variant.port_spread or 0.0, variant.port_spread_u95).removeprefix("+")
        where = ""
        if lag.worst_lift_m is not None and lag.worst_below_mean is not None:
            where = f", most at {lift_words(lag.worst_lift_m, display)} ({percent(lag.worst_below_mean)})"
        clauses.append(
            f"{side} port {lag.port} of {variant.name!r} flows {percent(lag.below_mean)} less than the mean of the "
            f"ports{where} (spread {spread})"
        )
    return f"Lagging: {'; '.join(clauses)}." if clauses else None


def _next(sides: Sides, extra_tests: Mapping[Side, Sequence[ExtraTest]]) -> str | None:
    """Say what to do next: the first that applies, and only what can be done."""
    gains = [(side, gain) for side, result in sides.items() for gain in (*result.totals[-1:], *result.steps)]
    unassessed = [gain for _, gain in gains if gain.resolved is None]
    gains = [(side, gain) for side, gain in gains if not measures_drift(sides, side, gain)]
    open_ = [
        (side, gain)
        for side, gain in gains
        if not gain.resolved and (gain.changed or gain.unknown or not gain.unchanged)
    ]
    drifting = [gain for _, gain in gains if gain.drift_unknown]
    advice = [words for side, tests in extra_tests.items() for test in tests if (words := test.advice(side))]
    said = None
    if unassessed:
        said = (
            f"Next: flow at least one port of {unassessed[0].to!r} once more, with the head taken off (or at least the "
            "valve closed and the dial zeroed again) in between, so that the gains can be separated from the bench's "
            "scatter."
        )
    elif any("" in gain.sessions for gain in drifting):
        said = "Next: put the dates these sheets were flowed in the job; that settles it for all of them."
    elif drifting:
        said = (
            "Next time: read a check plate in every session, or flow a port that was not worked on in both; for these "
            "tests, state how far the bench moves from day to day (drift under [bench]), if you know it."
        )
    elif any(gain.setup_differs for _, gain in gains):
        said = "Next time: flow all states on one bench, with the same operator, fixture and fittings."
    elif any(gain.in_doubt for _, gain in gains):
        said = (
            "Next: settle what is in doubt about the readings and corrections (a value can be put right in the job), "
            "then compare again."
        )
    elif open_:
        side, gain = open_[0]
        said = _to_resolve(side, gain, sides[side])
    elif advice:
        later = advice[0].startswith("next time")
        said = f"{advice[0][:1].upper()}{advice[0][1:]}." if later else f"Next: {advice[0]}."
    elif lagging := _laggards(sides):
        side, variant = lagging[0]
        port = variant.lagging.port if variant.lagging else ""
        said = f"Next: flow {side} port {port} of {variant.name!r} again and compare its seat and throat."
    return said


REMEDIES = {
    "lift_setting": "set the lift more precisely",
    "drift": "flow both states in one session, or read a check plate in both",
    "pressure_reading": "read the test pressure more precisely, or flow both states in one session",
    "resolution": "read the flow to one more digit",
    "check_plate": "read the check plate several times in every session",
    "meter": "use one meter and range for both states",
    "pressure-law": "flow both states at one test pressure",
    "bore-model": "flow both states on a fixture of the engine's bore",
}
"""What to do next time about what hides a gain and repeats do not reduce."""


def _to_resolve(side: Side, gain: Gain, result: SideComparison) -> str:
    """Say what would narrow the interval of a gain that is not proven: runs, or what they do not reduce."""
    size = f"{gain.from_!r} → {gain.to!r} on the {side} ({signed_percent(gain.mean_flow_gain)})"
    main, one_more, twice = hidden_by(gain), gain.one_more_run_u95, gain.two_runs_u95
    if main != "repeatability":
        return f"Next time: {REMEDIES[main]}; that is most of what hides {size}, and more runs would not reduce it."
    # whether an interval to be expected is worth the runs
    worth = 0.95 * (gain.mean_flow_gain_u95 or math.inf)
    if not any(half is not None and half < worth for half in (one_more, twice)):
        return f"Next: flowkit plan says how many runs would be needed to prove {size}."
    if one_more is not None and gain.to == result.variants[-1].name:
        return (
            f"Next: flow every port of {gain.to!r} once more, with the head taken off in between: {size} would then be "
            f"known to about ± {half_figure(one_more)} %."
        )
    known = "" if twice is None else f", which would narrow it to about ± {half_figure(twice)} %"
    return (
        f"Next time: flow every port {'several times' if twice is None else 'twice'} in each state, with the head "
        f"taken off in between{known}; {size} is within the bench's scatter, and the earlier state can no longer be "
        "flowed."
    )


def hidden_by(gain: Gain) -> str:
    """Return what widens an interval most: a term, or a bound that is longer than all terms together."""
    if gain.terms is None:
        return "repeatability"
    for bound in gain.bounds:
        if max(bound.low, bound.high) > 0.5 * (gain.mean_flow_gain_u95 or 0.0) and bound.name != "drift":
            return bound.name
    sizes = {name: getattr(gain.terms, name) or 0.0 for name in gain.terms.__slots__}
    return max(sizes, key=lambda name: sizes[name])
