"""The comparison in plain sentences, by fixed rules; none claims more than the intervals bear out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from flowkit.analysis.propagation import student_t
from flowkit.analysis.results import Gain, LiftGain, SideComparison, VariantFlow
from flowkit.model import Side
from flowkit.units import format_quantity

if TYPE_CHECKING:
    from flowkit.analysis.planning import ExtraTest

__all__ = [
    "MOST_SENTENCES",
    "REMEDIES",
    "cause",
    "headline",
    "listed",
    "percent",
    "ports_named",
    "sentences",
    "signed_percent",
]

REMEDIES: Mapping[str, str] = {
    "lift setting": "set the lift more exactly",
    "drift": "flow both states in one session, or take the drift out with a check plate and state what is left",
    "pressure reading": "read the test pressure more exactly, or flow both states in one session",
    "pressure law": "flow both states at one test pressure",
}
"""What to do about what hides a gain and repeats do not reduce."""


def listed(words: Sequence[str]) -> str:
    """Join words as in a sentence.

    Parameters
    ----------
    words : sequence of str

    Examples
    --------
    >>> listed(["ports"]), listed(["ports", "seats", "valves"])
    ('ports', 'ports, seats and valves')
    """
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def ports_named(names: Sequence[str]) -> str:
    """Name ports as in a sentence.

    Parameters
    ----------
    names : sequence of str
        At least one; "" for a port without a name.

    Examples
    --------
    >>> ports_named(["1", "2"]), ports_named([""])
    ('ports 1 and 2', 'port (unnamed)')
    """
    return f"port{'s' if len(names) > 1 else ''} {listed([name or '(unnamed)' for name in names])}"


def percent(value: float, digits: int = 1) -> str:
    """Write a fraction in per cent, without a sign for a plain zero.

    Parameters
    ----------
    value : float
        Fraction.
    digits : int, optional
        Decimals.

    Examples
    --------
    >>> percent(0.118), percent(-0.0312), percent(-0.00001)
    ('11.8 %', '−3.1 %', '0.0 %')
    """
    text = f"{abs(value) * 100:.{digits}f}"
    return f"{'−' if value < 0 and float(text) else ''}{text} %"


Display = Literal["US", "metric"]

MOST_SENTENCES = 8
MOST_STEPS = 4
"""Steps told one by one; of more, the largest."""
_UNITS: Mapping[Display, tuple[str, int, str, int]] = {"US": ("in", 3, "CFM", 1), "metric": ("mm", 2, "L/s", 1)}


def signed_percent(value: float, u95: float | None = None, *, digits: int = 1) -> str:
    """Write a gain in per cent with its sign and, where known, its interval.

    Parameters
    ----------
    value : float
        Gain as a fraction.
    u95 : float, optional
        Half its 95 % interval, as a fraction.
    digits : int, optional
        Decimals.

    Examples
    --------
    >>> signed_percent(0.118, 0.009), signed_percent(-0.0312)
    ('+11.8 % ± 0.9', '−3.1 %')
    """
    text = percent(value, digits)
    if value > 0 and float(text.removesuffix(" %")):
        text = f"+{text}"
    return text if u95 is None else f"{text} ± {_half(u95, digits)}"


def _half(u95: float, digits: int) -> str:
    """Write half an interval in per cent; one that rounds to nothing as less than the last digit."""
    text = f"{u95 * 100:.{digits}f}"
    return text if float(text) or not u95 else f"<{10**-digits:.{digits}f}"


def cause(gain: Gain) -> str:
    """Say what a gain belongs to.

    Parameters
    ----------
    gain : Gain

    Returns
    -------
    str
        Such as ``"seats alone"`` or ``"ports and seats together"``.
    """
    if gain.unknown:
        known = f"{listed(gain.changed)} changed, " if gain.changed else ""
        return f"{known}{listed(gain.unknown)} not declared for both"
    if not gain.changed:
        return "nothing changed" if gain.unchanged else "change not declared"
    return f"{gain.changed[0]} alone" if len(gain.changed) == 1 else f"{listed(gain.changed)} together"


def headline(gain: Gain, side: Side) -> str:
    """Return the line that stands over a chart.

    Parameters
    ----------
    gain : Gain
    side : {"intake", "exhaust"}

    Returns
    -------
    str
        Such as ``"Intake: +11.8 % ± 0.9 mean flow, ports and seats together"``.
    """
    line = f"{side.capitalize()}: {signed_percent(gain.mean_flow_gain, gain.mean_flow_gain_u95)} mean flow"
    if gain.resolved is None:
        return f"{line}, {cause(gain)} (not assessed)"
    return f"{line}, {cause(gain)}" if gain.resolved else f"{line}, within the bench's repeatability"


def sentences(
    sides: Mapping[Side, SideComparison],
    *,
    display: Display = "US",
    extra_tests: Mapping[Side, Sequence[ExtraTest]] | None = None,
    degrees_of_freedom: float | None = None,
) -> tuple[str, ...]:
    """Return a comparison in at most eight plain sentences.

    Parameters
    ----------
    sides : mapping
        Side to SideComparison.
    display : {"US", "metric"}, optional
        The units people see.
    extra_tests : mapping, optional
        Side to the tests that would tell apart what changed together.
    degrees_of_freedom : float, optional
        Of the repeatability behind the intervals; infinite unless given.

    Returns
    -------
    tuple of str
        In reading order; where there is more to say than eight sentences hold, the least
        important is left out.
    """
    # Each sentence with its importance; the least are left out first.
    told: list[tuple[int, str | None]] = []
    for side, result in sides.items():
        where = _where(side, result, display, degrees_of_freedom or math.inf)
        told += [(0, _total(side, result, display)), (2, _steps(side, result)), (4, where)]
    told += [(5, _limits(sides, display)), (3, _lagging(sides, display)), (1, _next(sides, extra_tests or {}))]
    kept = [(importance, text) for importance, text in told if text is not None]
    while len(kept) > MOST_SENTENCES:
        least = max(importance for importance, _ in kept)
        kept.reverse()
        kept.remove(next(item for item in kept if item[0] == least))
        kept.reverse()
    return tuple(text for _, text in kept)


def _overall(result: SideComparison) -> Gain | None:
    """Return the last variant's gain over the first."""
    return result.totals[-1] if result.totals else None


def _total(side: Side, result: SideComparison, display: Display) -> str:
    """Say what was gained in all, and whether that is resolved."""
    over, gain = _over(result.range_m, display), _overall(result)
    if gain is None:
        only = result.variants[0]
        interval = "" if only.mean_flow_u95 is None else f" ± {_half(only.mean_flow_u95, 1)} %"
        return f"{side.capitalize()}: {only.name!r} flows {_flow(only.mean_flow_m3_s, display)}{interval} {over}."
    g, u95 = gain.mean_flow_gain, gain.mean_flow_gain_u95
    if gain.resolved is False:
        return (
            f"{side.capitalize()}: between {gain.from_!r} and {gain.to!r} the difference {over} is "
            f"{signed_percent(g, u95)}, which is within the bench's repeatability{_attributed(gain)}."
        )
    if percent(g) == percent(0.0):
        told = f"{side.capitalize()}: {gain.to!r} flows as much as {gain.from_!r} ({signed_percent(g, u95)}) {over}"
    else:
        more = f"{percent(abs(g))}{'' if u95 is None else f' ± {_half(u95, 1)}'} {'more' if g >= 0 else 'less'}"
        told = f"{side.capitalize()}: {gain.to!r} flows {more} than {gain.from_!r} {over}"
    if gain.resolved is None:
        told += "; whether that is more than the bench's scatter is not assessed"
    return f"{told}{_attributed(gain)}."


def _over(range_m: tuple[float, float], display: Display) -> str:
    """Say over which lifts a mean was taken."""
    low, high = (_lift(lift, display) for lift in range_m)
    return f"at {low} of lift" if low == high else f"in the mean over {low} to {high} of lift"


def _attributed(gain: Gain) -> str:
    """Say what the whole gain belongs to."""
    if not gain.matched_ports:
        return "; they have no port in common, so the difference between ports is in it"
    if gain.unknown:
        known = f"{listed(gain.changed)} changed; " if gain.changed else ""
        return f"; {known}whether {listed(gain.unknown)} changed is not declared for both"
    if not gain.changed and gain.unchanged:
        return "; nothing is declared as changed, so it is the bench's own repeatability" + (
            " from session to session" if gain.resolved else ""
        )
    if not gain.changed:
        return "; what changed is not declared"
    if len(gain.changed) == 1:
        return f"; {gain.changed[0]} alone changed"
    return f"; {listed(gain.changed)} changed"


def _steps(side: Side, result: SideComparison) -> str | None:
    """Say what each step brought, where there is more than one."""
    steps = result.steps
    if len(steps) < 2:
        return None
    largest = sorted(steps, key=lambda gain: abs(gain.mean_flow_gain), reverse=True)[:MOST_STEPS]
    told = [gain for gain in steps if gain in largest]
    left = len(steps) - len(told)
    more = f" (and {left} smaller step{'s' if left > 1 else ''})" if left else ""
    return f"By step on the {side}: {'; '.join(_step(gain) for gain in told)}{more}."


def _step(gain: Gain) -> str:
    """Say what one step brought."""
    words = f"{gain.to!r} {signed_percent(gain.mean_flow_gain, gain.mean_flow_gain_u95)}"
    verdict = {True: cause(gain), False: "within the bench's repeatability", None: f"{cause(gain)}, not assessed"}
    return f"{words} ({verdict[gain.resolved]})"


def _where(side: Side, result: SideComparison, display: Display, freedom: float) -> str | None:
    """Say where along the lift the gain is smallest and largest, as far as the intervals tell.

    The gain over the first variant is told; where its intervals do not tell the lifts apart, the
    step that differs most along the lift does.
    """
    gain = _overall(result)
    if gain is None or len(gain.per_lift) < 2:
        return None
    if gain.smallest.u95 is None:
        return f"Along the lift the {side} gain is {_extremes(gain, display)} (not assessed)."
    if round(gain.largest.gain - gain.smallest.gain, 3) == 0:
        widest = max(item.u95 or 0.0 for item in gain.per_lift)
        return f"Along the lift the {side} gain comes out the same, {signed_percent(gain.largest.gain, widest)}."
    looked_through = [gain, *(result.steps if len(result.steps) > 1 else ())]
    factor = _picked(sum(math.comb(len(item.per_lift), 2) for item in looked_through), freedom)
    if _contrast(gain, factor) > 0:
        return f"Along the lift the {side} gain is {_extremes(gain, display)}."
    step = max(result.steps, key=lambda item: _contrast(item, factor))
    if _contrast(step, factor) > 0:
        return f"Along the lift {step.to!r} brings the {side} {_extremes(step, display)}."
    return f"Along the lift the {side} gain shows no difference beyond its intervals."


def _picked(pairs: int, freedom: float) -> float:
    """Return by what 95 % intervals widen for the pair that is picked of so many as the farthest apart (Bonferroni)."""
    return student_t(freedom, 1.0 - 0.05 / pairs) / student_t(freedom)


def _contrast(gain: Gain, factor: float) -> float:
    """Return by how much the smallest and the largest gain stand apart beyond their intervals, widened."""
    small, large = gain.smallest, gain.largest
    return large.gain - small.gain - factor * math.hypot(small.u95 or 0.0, large.u95 or 0.0)


def _extremes(gain: Gain, display: Display) -> str:
    """Tell the smallest and the largest gain with their lifts."""
    return "between " + " and ".join(
        f"{signed_percent(item.gain, item.u95)} at {_at(item, gain, display)}" for item in (gain.smallest, gain.largest)
    )


def _at(item: LiftGain, gain: Gain, display: Display) -> str:
    """Name a lift with its band."""
    name = next((band.name for band in gain.bands if band.from_m <= item.lift_m <= band.to_m), None)
    return _lift(item.lift_m, display) + (f" ({name} lift)" if name else "")


def _limits(sides: Mapping[Side, SideComparison], display: Display) -> str | None:
    """Say which passage is the least below and above the takeover lift, in the last variant."""
    clauses = []
    for side, result in sides.items():
        last = result.variants[-1]
        if last.takeover_lift_m is None:
            continue
        if last.takeover_lift_m >= last.lifts_m[-1]:
            clauses.append(f"on the {side} of {last.name!r} the seat is the least passage at every lift measured")
        else:
            clauses.append(
                f"on the {side} of {last.name!r} the throat is the least passage above "
                f"{_lift(last.takeover_lift_m, display)} of lift, the seat below"
            )
    return f"By geometry, {'; '.join(clauses)}." if clauses else None


def _lagging(sides: Mapping[Side, SideComparison], display: Display) -> str | None:
    """Say which port of the last variant flows less than the others, where that is beyond the bench's scatter."""
    clauses = []
    for side, variant in _laggards(sides):
        lag = variant.lagging
        assert lag is not None  # `_laggards` gives no others
        below = f"{percent(lag.below_mean)}"
        below += " less" if lag.below_mean_u95 is None else f" ± {_half(lag.below_mean_u95, 1)} less"
        assessed = " (not assessed)" if lag.below_mean_u95 is None else ""
        clauses.append(
            f"{side} port {lag.port} of {variant.name!r} flows {below} than the mean of the "
            f"ports{assessed}, most at {_lift(lag.worst_lift_m, display)} ({percent(lag.worst_below_mean)})"
        )
    return f"Lagging: {'; '.join(clauses)}." if clauses else None


def _laggards(sides: Mapping[Side, SideComparison]) -> list[tuple[Side, VariantFlow]]:
    """Return the last variants with a lagging port, unless the bench's own scatter may have set it apart."""
    return [
        (side, last)
        for side, result in sides.items()
        if (last := result.variants[-1]).lagging is not None and last.lagging.beyond_scatter is not False
    ]


def _next(sides: Mapping[Side, SideComparison], extra_tests: Mapping[Side, Sequence[ExtraTest]]) -> str | None:
    """Say what to test next: the first that applies."""
    gains = [(side, gain) for side, result in sides.items() for gain in (*result.totals[-1:], *result.steps)]
    if any(gain.resolved is None for _, gain in gains):
        return (
            "Next: flow at least one port twice, shutting and opening the valve in between, so that the gains can be "
            "told from the bench's scatter."
        )
    for side, gain in gains:
        retested = gain.unchanged and not gain.changed and not gain.unknown
        if not gain.resolved and not retested:
            return f"Next: {_to_resolve(side, gain)}."
    for side, tests in extra_tests.items():
        for advice in filter(None, (test.advice(side) for test in tests)):
            return f"Next: {advice}."
    for side, gain in gains:
        if gain.interval_shares.get("pressure law", 0.0) > 0.5:
            return (
                f"Next: flow {gain.from_!r} and {gain.to!r} on the {side} at one test pressure; between the two laws "
                f"that convert it lie up to {percent(gain.law_difference or 0.0)}, which is most of the interval."
            )
    for side, variant in _laggards(sides):
        assert variant.lagging is not None  # `_laggards` gives no others
        return (
            f"Next: flow {side} port {variant.lagging.port} of {variant.name!r} again and compare its seat and throat."
        )
    return None


def _to_resolve(side: Side, gain: Gain) -> str:
    """Say what would narrow the interval of a gain that is not resolved: repeats, or what they do not reduce."""
    size = signed_percent(gain.mean_flow_gain)
    main = max(gain.interval_shares, key=lambda name: gain.interval_shares[name], default="repeats")
    if main == "repeats":
        return f"repeat the runs of {gain.from_!r} and {gain.to!r} on the {side}; their {size} is not resolved"
    return (
        f"{REMEDIES[main]}; from {gain.from_!r} to {gain.to!r} on the {side} {size} is not resolved, and what hides it "
        f"most is the {main}, which repeated runs do not reduce"
    )


def _lift(lift_m: float, display: Display) -> str:
    """Write a lift in the unit people see."""
    unit, digits, _, _ = _UNITS[display]
    return format_quantity(lift_m, unit, digits)


def _flow(flow_m3_s: float, display: Display) -> str:
    """Write a flow in the unit people see."""
    _, _, unit, digits = _UNITS[display]
    return format_quantity(flow_m3_s, unit, digits)
