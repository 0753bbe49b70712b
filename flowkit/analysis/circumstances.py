"""What differs between two states besides the work, and what follows for their gain: sessions, benches, heads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flowkit.analysis.areas import geometry_changes
from flowkit.analysis.checks import corrected_unequally
from flowkit.analysis.curves import PortCurve, SideVariant, common_ports
from flowkit.analysis.gains import Circumstances, MatchedPair, what_changed
from flowkit.analysis.propagation import half_width_factor
from flowkit.analysis.results import Gain, SideComparison
from flowkit.analysis.runs import Session, folded
from flowkit.analysis.sentences import measures_drift
from flowkit.analysis.uncertainty import Assessor, Contrast, plate_of
from flowkit.model import CorrectedTest, Finding, Side, Variant
from flowkit.wording import Display, day_words, lift_words, listed, percent, signed_percent

__all__ = ["circumstances", "drift_findings", "pair_findings", "scatter_findings", "setup_findings"]

SAME_BORE_M = 1e-4
"""Fixture bores closer than this are one [m]."""


def circumstances(pair: MatchedPair, assessor: Assessor, states: Sequence[Variant]) -> Circumstances:
    """Return what is known of a pair besides its flows."""
    before, after = (states[index] for index in pair.index)
    change = what_changed(pair.before.state, pair.after.state)
    also = list(geometry_changes(before, after, pair.before.side, change.changed))
    if _heads(pair):
        also.insert(0, "head")
    bores = [variant.bore_m or assessor.reference.bore_m for variant in (before, after)]
    if None not in bores and abs((bores[0] or 0.0) - (bores[1] or 0.0)) > 1e-6:
        also.append("reference.bore")
    unequal = corrected_unequally(pair.before.side, (before, after))
    return Circumstances(
        tuple(setup_differs(pair, assessor)),
        tuple(also),
        _untouched(pair, assessor, states),
        ("not all tests corrected the same way",) if unequal else (),
    )


def setup_differs(pair: MatchedPair, assessor: Assessor) -> dict[str, str]:
    """Return the label and the words of everything of the setup that differs in a matched port."""
    found: dict[str, str] = {}
    names = pair.ports or (None,)
    for name in names:
        curves = [variant.curves(() if name is None else (name,)) for variant in (pair.before, pair.after)]
        tests = [[test for curve in side for test in curve.tests] for side in curves]
        for label, words in (
            ("bench", _benches(tests, assessor)),
            ("operator", _unlike(tests, "operator")),
            ("fixture bore", _fixtures(tests)),
            ("entry fitting", _unlike(tests, "entry_fitting")),
            ("exit fitting", _unlike(tests, "exit_fitting")),
        ):
            if words is not None:
                found.setdefault(label, words)
    return found


def _unlike(tests: Sequence[Sequence[CorrectedTest]], name: str) -> str | None:
    """Say how a condition in words differs between two states, where both state it."""
    before, after = (
        {folded(value): value for test in side if (value := getattr(test.conditions, name))} for side in tests
    )
    if not before or not after or before.keys() == after.keys():
        return None
    return f"{listed([repr(value) for value in before.values()])} against {listed([repr(v) for v in after.values()])}"


def _benches(tests: Sequence[Sequence[CorrectedTest]], assessor: Assessor) -> str | None:
    """Say how the benches differ; one of several that is not named is unlike the others."""
    before, after = ({assessor.benches.bench(test) for test in side} for side in tests)
    if before == after:
        return None
    words = [
        listed(sorted({repr(test.conditions.bench) if test.conditions.bench else "one not named" for test in side}))
        for side in tests
    ]
    return f"{words[0]} against {words[1]}"


def _fixtures(tests: Sequence[Sequence[CorrectedTest]]) -> str | None:
    """Say how the fixtures' bores differ, where no bore correction was made."""
    bores = [
        sorted(
            bore
            for test in side
            if (bore := test.conditions.fixture_bore_m) is not None
            and not any(line.correction == "bore" and line.factor is not None for line in test.ledger)
        )
        for side in tests
    ]
    if not all(bores) or max(bores[0][-1] - bores[1][0], bores[1][-1] - bores[0][0]) <= SAME_BORE_M + 1e-9:
        return None
    return f"{bores[0][0] * 1e3:.4g} mm against {bores[1][-1] * 1e3:.4g} mm"


def _heads(pair: MatchedPair) -> str | None:
    """Say how the heads differ in a matched port, where both are named."""
    for name in pair.ports:
        heads = [variant.curves((name,))[0].head for variant in (pair.before, pair.after)]
        if all(heads) and folded(heads[0]) != folded(heads[1]):
            return f"{heads[0]!r} against {heads[1]!r}"
    return None


def _untouched(pair: MatchedPair, assessor: Assessor, states: Sequence[Variant]) -> Contrast | None:
    """Return the ports that were not worked on between two states and flowed in the very same sessions.

    Ports that the variants list (for a gain, every variant between), and the other side where both states declare at
    least one factor for it, none differs, and setup, head and valve are the same too. All their sheets must be dated,
    and none corrected by a check plate, which would take the drift out of what is to show it.
    """
    side = pair.before.side
    wanted = [_sessions(variant.curves(pair.ports), assessor) for variant in (pair.before, pair.after)]
    parts: list[tuple[Side, str]] = []
    between = assessor.sides[side][pair.index[0] + 1 : pair.index[1] + 1]
    for name in common_ports((pair.before, pair.after)):
        if all(_lists(variant, name) for variant in between):
            parts.append((side, name))
    for other, theirs in assessor.sides.items():
        twins = [state for name in (pair.before.name, pair.after.name) for state in theirs if state.name == name]
        if other != side and len(twins) == 2 and what_changed(twins[0].state, twins[1].state).nothing:
            both = MatchedPair(twins[0], twins[1], common_ports(twins), ())
            alike = not (setup_differs(both, assessor) or _heads(both) or _valves(both, states))
            parts += [(other, name) for name in both.ports if alike]
    ports, weights = [], []
    for factor, name, sessions in zip((-1.0, 1.0), (pair.before.name, pair.after.name), wanted, strict=True):
        own = [
            assessor.ports[on][index][port]
            for on, port in parts
            for index, state in enumerate(assessor.sides[on])
            if state.name == name
        ]
        found = {session for port in own for session in port.sessions}
        undated = any(not session.date for session in found)
        put_right = any(plate_of(test) for port in own for test in port.tests)
        if not own or undated or put_right or found != sessions or any(port.copied for port in own):
            return None
        values = [port.values(assessor.headline).value for port in own]
        ports += own
        weights += [factor * value / sum(values) for value in values]
    import numpy as np

    return Contrast(assessor.headline, tuple(ports), np.array(weights))


def _valves(pair: MatchedPair, states: Sequence[Variant]) -> dict[str, str]:
    """Return label and words of each dimension that differs between a pair's states without being declared changed."""
    before, after = (next(one for one in states if one.name == each.name) for each in (pair.before, pair.after))
    return geometry_changes(before, after, pair.before.side, what_changed(pair.before.state, pair.after.state).changed)


def _lists(variant: SideVariant, name: str) -> bool:
    """Tell whether a variant lists a port as untouched."""
    return any(
        folded(listed_name) in (folded(name), folded(curve.name))
        for curve in variant.curves((name,))
        for listed_name in variant.untouched
    )


def _sessions(curves: Sequence[PortCurve], assessor: Assessor) -> set[Session]:
    """Return the sessions of some curves."""
    return {assessor.benches.session(test) for curve in curves for test in curve.tests}


def pair_findings(pair: MatchedPair, assessor: Assessor, states: Sequence[Variant]) -> list[Finding]:
    """Return what differs between the states of a step besides the work and the setup: heads, valves."""
    if pair.kind == "total":
        return []
    step = f"{pair.before.name!r} → {pair.after.name!r}"
    where = f"{pair.after.name}, {pair.before.side}"
    found = []
    heads = _heads(pair)
    if heads:
        message = (
            f"{step} on the {pair.before.side}: the sheets name two heads, {heads}. Two castings differ before anyone "
            "touches them, so the gain is not put down to the work alone. If it is the same head, use the same name "
            "on both."
        )
        found.append(Finding("heads-differ", "warning", where, message))
    valves = _valves(pair, states)
    if valves:
        message = (
            f"{step} on the {pair.before.side}: the sheets give {listed(list(valves.values()))}, and no such change is "
            "declared. Declare it in the state of both, or correct the figure in the job."
        )
        found.append(Finding("geometry-differs", "warning", where, message))
    return found


def setup_findings(pairs: Mapping[Side, Sequence[MatchedPair]], assessor: Assessor) -> list[Finding]:
    """Return what of the setup differs, once for each step: what both sides share is said once."""
    steps: dict[tuple[str, str], dict[Side, str]] = {}
    for side, own in pairs.items():
        for pair in own:
            setup = setup_differs(pair, assessor) if pair.kind != "total" else {}
            if setup:
                words = "; ".join(f"{label}: {how}" for label, how in setup.items())
                steps.setdefault((pair.before.name, pair.after.name), {})[side] = words
    found = []
    for (before, after), by_side in steps.items():
        both = len(by_side) > 1 and len(set(by_side.values())) == 1
        if both:
            what = next(iter(by_side.values()))
        else:
            what = "; ".join(f"on the {side}, {words}" for side, words in by_side.items())
        message = (
            f"{before!r} → {after!r}: {what}. Part of the difference may come from that and not from the work, so the "
            "gain is not called proven. Next time flow both states on one bench with the same operator, fixture and "
            "fittings."
        )
        where = after if both else f"{after}, {next(iter(by_side))}"
        found.append(Finding("setup-differs", "warning", where, message))
    return found


def drift_findings(sides: Mapping[Side, SideComparison], tests: Sequence[CorrectedTest]) -> list[Finding]:
    """Return the warnings for sessions that differ without anything to show the bench's drift (``drift-unknown``).

    One for all undated sheets, whose one question settles it for all of them; one for each set of days otherwise.
    """
    groups: dict[tuple[str, ...], list[tuple[Side, Gain]]] = {}
    for side, result in sides.items():
        for gain in result.gains:
            if gain.drift_unknown and not measures_drift(sides, side, gain):
                key = () if "" in gain.sessions else tuple(sorted(set(gain.sessions)))
                groups.setdefault(key, []).append((side, gain))
    found = []
    for days, gains in groups.items():
        said = margins(gains)
        if not days:
            undated = [test for test in tests if not (test.conditions.date or "").strip()]
            names = list(dict.fromkeys(repr(test.variant) for test in undated))
            message = (
                f"When were these flowed? All on the same day? The sheets of {listed(names)} carry no date, so the "
                f"bench may have moved between the states. {said} {_where_dates_go(tests)} For other days a check "
                "plate reading, or the bench's own drift (drift under [bench]), settles it."
            )
            found.append(Finding("drift-unknown", "warning", undated[0].id if undated else "dates", message))
            continue
        when = listed([day_words(day) for day in days])
        if len(days) == 1:
            when = f"{when} on two benches"
        message = (
            f"Flowed on {when}, and nothing shows whether the bench moved in between: no check plate read in both, no "
            f"drift stated, no port or side left untouched. {said} If you know how far the bench moves from day to "
            "day, state it (drift under [bench]); next time read a check plate in every session."
        )
        found.append(Finding("drift-unknown", "warning", f"{gains[0][1].to}, {gains[0][0]}", message))
    return found


def _where_dates_go(tests: Sequence[CorrectedTest]) -> str:
    """Say how the one question about dates is answered for all sheets."""
    if any((test.conditions.date or "").strip() for test in tests):
        return "State the missing dates (date in each variant's conditions): the same day settles it."
    return (
        "If it was one day, stating that day once settles it for all sheets (date under [conditions]); if not, state "
        "it for each state (date in each variant's conditions)."
    )


def margins(gains: Sequence[tuple[Side, Gain]]) -> str:
    """Say what gains are worth while the drift is not known."""
    words = []
    for side, gain in gains:
        size = f"{side} {gain.from_!r} → {gain.to!r} {signed_percent(gain.mean_flow_gain)}"
        if gain.resolved_if_drift_below is not None:
            words.append(f"{size} holds unless the bench moved by more than {percent(gain.resolved_if_drift_below)}")
        elif gain.beyond_scatter:
            words.append(f"{size} is larger than the run-to-run scatter")
        elif gain.beyond_scatter is False:
            words.append(f"{size} is within the run-to-run scatter")
        else:
            words.append(f"{size} is not assessed")
    return f"{'; '.join(words)[:1].upper()}{'; '.join(words)[1:]}." if words else ""


def scatter_findings(assessor: Assessor) -> list[Finding]:
    """Return what is doubtful about the repeatability: ``few-repeats`` and ``repeatability-understated``."""
    found = []
    pools = {
        frozenset().union(*(port.benches for port in state.values()))
        for states in assessor.ports.values()
        for state in states
    }
    benches = frozenset().union(*pools)
    for pool in sorted({frozenset(pool) for pool in pools} | {benches}, key=len):
        contradicted = assessor.understated(pool)
        if contradicted is not None:
            s, freedom = contradicted
            runs = "one repeated run" if freedom == 1 else f"{freedom:.0f} repeated runs"
            message = (
                f"The job states a repeatability of {percent(assessor.bench.repeatability or 0.0, 2)}, but its own "
                f"repeats scatter by {percent(s, 2)} ({runs}), more than chance explains. The repeats count and the "
                "stated figure does not; correct it, or look for what made the runs differ."
            )
            found.append(Finding("repeatability-understated", "warning", "repeatability", message))
            break
    if assessor.stated(benches) is None:
        squares, freedom = (float(value[0]) for value in assessor.run_variance(assessor.headline, benches))
        if freedom <= 2:
            found.append(Finding("few-repeats", "note", "repeatability", _few(assessor, benches, squares, freedom)))
    return found


def _few(assessor: Assessor, benches: frozenset[str], squares: float, freedom: float) -> str:
    """Say what intervals rest on where there are few repeats, and what one more run would buy."""
    blocks = [side for side in assessor.sides if assessor.blocks(side, benches) is not None]
    known = assessor.repeatability().degrees_of_freedom or 0.0
    one_more = "one more run, with the head taken off (or at least the valve closed and the dial zeroed again) first,"
    if freedom == 0 and not known:
        return (
            "No port was flowed twice and the bench's repeatability is not stated, so no gain can be proven: next "
            f"time {one_more} of any port in any state gives a first interval, and two more halve it."
        )
    difference = (2.0 * squares / freedom) ** 0.5 if freedom else 0.0
    words = ""
    if freedom == 1:
        words = (
            f"The two runs differ by {percent(difference, 2)}; from one difference the scatter is known only to "
            "between 0.45 and 32 times."
        )
    elif freedom:
        words = f"The bench's scatter is known from {freedom:.0f} repeated runs only."
    else:
        words = "No port was flowed twice."
    if blocks:
        words += (
            " The same ports flowed in every state take the place of repeats; ports that gained unequally widen the "
            "intervals."
        )
    now, then = half_width_factor(known), half_width_factor(known + 1.0)
    words += f" Next time {one_more} would make the intervals about {percent(1.0 - then / now, 0)} narrower."
    return words


def not_covered(variant: SideVariant, range_m: tuple[float, float], display: Display) -> Finding:
    """Return the warning for a state whose lifts do not reach the stated range (rule ``range-not-covered``)."""
    own, stated = (
        " to ".join(lift_words(lift, display) for lift in limits) for limits in (variant.own_range(), range_m)
    )
    return Finding(
        "range-not-covered",
        "warning",
        f"{variant.name}, {variant.side}",
        f"The {variant.side} of {variant.name!r} was measured from {own}, which does not cover the stated range of "
        f"{stated}, so it is left out of the comparison on that side. State a range that all states cover "
        "(lifts under [reference]), or flow it further.",
    )
