"""What is doubtful about corrected tests and gains: each rule, and what differs between two states besides the work.

Each check looks at one rule and returns its findings; nothing is ever changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from flowkit.analysis.areas import geometry_changes, impossible_dimensions, known_throat_area, minimum_area
from flowkit.analysis.curves import PortCurve, SideVariant, common_ports, folded
from flowkit.analysis.gains import Circumstances, MatchedPair, what_changed
from flowkit.analysis.results import Gain, PortLag, RatioPoint, SideComparison
from flowkit.analysis.scatter import AtLifts, made
from flowkit.analysis.sentences import measures_drift
from flowkit.analysis.uncertainty import Assessor, Contrast, half_width_factor, plate_of
from flowkit.corrections.step import MATTERS
from flowkit.model import CorrectedPoint, CorrectedTest, Finding, Side, Variant, grouped
from flowkit.wording import Display, day_words, lift_words, listed, percent, ports_named, signed_percent

NOT_CREDIBLE = (1.03, 0.05e-3)
"""Largest credible coefficient on the minimum area, and what over the lift [m] adds (common practice, no source)."""
IMPOSSIBLE = (1.15, 0.10e-3)
"""Coefficient on the minimum area that is not possible, likewise (common practice, no source)."""
UNEVEN = 0.04
"""Port spread worth naming (common practice, no source)."""
USUAL_RATIO = (0.6, 0.95)
"""Usual exhaust over intake flow at equal fraction of peak lift (common practice, no source)."""


def flows(point: CorrectedPoint) -> bool:
    """Tell whether any flow is left at a point, so that gains can be taken there."""
    return math.isfinite(point.flow_m3_s) and point.flow_m3_s > 0


def unusable(tests: Sequence[CorrectedTest]) -> Iterator[Finding]:
    """Yield an error for each test without its side, and for each point without any flow."""
    for test in tests:
        if test.side is None:
            message = (
                "This test does not say whether it is the intake or the exhaust, so it was left out; state it with "
                "--side intake or --side exhaust, or as side under conditions in the job."
            )
            yield Finding("side-missing", "error", test.id, message)
    for point in (point for test in tests for point in test.points if not flows(point)):
        message = (
            f"At {point.lift_m * 1e3:.3f} mm no flow is left after the corrections, so no gain can be taken there and "
            "the point was left out; leave the cell empty where nothing was measured, or check the leak."
        )
        yield Finding("flow-zero", "error", point.source, message)


def state_findings(variants: Sequence[SideVariant]) -> Iterator[Finding]:
    """Yield an error for each valve that cannot be, and a warning for untouched ports that no sheet has."""
    for variant in variants:
        why = impossible_dimensions(variant.valve)
        if why is not None:
            message = (
                f"On the {variant.side} of {variant.name!r} {why}, so areas and coefficients that need it are left "
                "out; check the valve's dimensions and their units."
            )
            yield Finding("valve-impossible", "error", f"{variant.name}, {variant.side}", message)
    for variant in variants:
        known = {folded(name) for curve in variant.ports for name in (curve.port, curve.name)}
        missing = [name for name in variant.untouched if folded(name) not in known]
        if missing:
            message = (
                f"{variant.name!r} lists {variant.side} {ports_named(missing)} as untouched, but none of its sheets "
                "has such a port, so nothing shows the bench's drift by it; name the port as the sheets do."
            )
            yield Finding("unmatched-ports", "warning", f"{variant.name}, {variant.side}", message)


def impossible_flow(variant: SideVariant, velocity_m_s: float) -> Finding | None:
    """Return a finding for a state that flows more than its valve can pass (rule ``impossible-flow``)."""
    worst: tuple[float, float, float, PortCurve, int] | None = None
    ports: dict[str, list[str]] = {}
    impossible = False
    for curve in variant.ports:
        opened = np.flatnonzero(curve.lifts_m > 0)
        lifts = curve.lifts_m[opened]
        least, throat = minimum_area(lifts, variant.valve), known_throat_area(variant.valve)
        least = throat if least is None else least  # type: ignore[assignment]
        if least is None or not lifts.size:
            continue
        coefficients = curve.flow_m3_s[opened] / velocity_m_s / least
        above = coefficients - (NOT_CREDIBLE[0] + NOT_CREDIBLE[1] / lifts)
        impossible |= bool(np.any(coefficients > IMPOSSIBLE[0] + IMPOSSIBLE[1] / lifts))
        beyond = np.flatnonzero(above > 0)
        if beyond.size:
            lifts_named = listed([f"{lifts[index] * 1e3:.3f}" for index in beyond])
            ports.setdefault(lifts_named, []).append(curve.port or "")
            top = int(np.argmax(above))
            if worst is None or above[top] > worst[0]:
                worst = (float(above[top]), float(coefficients[top]), float(lifts[top]), curve, int(opened[top]))
    if worst is None:
        return None
    _, value, lift, curve, index = worst
    source = curve.sources[index][:1] if index < len(curve.sources) else ()
    said = [f"{ports_named(names) if all(names) else 'the port'} at {lifts} mm" for lifts, names in ports.items()]
    return Finding(
        "impossible-flow",
        "error" if impossible else "warning",
        source[0] if source else f"{curve.variant}, {curve.side}{' ' + curve.port if curve.port else ''}",
        f"{variant.name}, {variant.side}: more flow than the smallest passage can pass, "
        f"{listed(said)}; at worst {value:.2f} times its area at {lift * 1e3:.3f} mm, which is "
        f"not {'possible' if impossible else 'credible'}. The smallest passage is between seat, valve and throat. "
        "Check the unit of the flow, the test pressure and its unit, the lift and its unit and zero, the leak, the air "
        "and check plate readings, the valve's head, throat, stem, seat angle and seat width"
        f"{', and the bores' if any(made(test, 'bore') for test in curve.tests) else ''}.",
    )


def variants_left_out(side: Side, variants: Sequence[Variant]) -> list[Finding]:
    """Note variants that were not tested on a side that others were tested on."""
    without = [item.name for item in variants if not any(test.side == side for test in item.corrected)]
    if not without or len(without) == len(variants):
        return []
    names, one = listed([repr(name) for name in without]), len(without) == 1
    message = (
        f"{names} {'has' if one else 'have'} no {side} test, so {'it is' if one else 'they are'} not compared there; "
        "flow that side too if it matters."
    )
    return [Finding("side-untested", "note", side, message)]


def lagging_port(
    assessor: Assessor, side: Side, index: int, mean_flows: Sequence[float], spread_u95: float | None
) -> PortLag | None:
    """Return the port that flows least, where the spread is worth naming."""
    mean, count = float(np.mean(mean_flows)), len(mean_flows)
    spread = (max(mean_flows) - min(mean_flows)) / mean
    if count < 2 or spread <= UNEVEN:
        return None
    variant, own_ports = assessor.sides[side][index], assessor.ports[side][index].values()
    # a port flowed on another day holds the bench's drift, unless check plates took it out of all of them
    tests = [test for port in own_ports for test in port.tests]
    apart = len({session for port in own_ports for session in port.sessions}) > 1 and not all(map(plate_of, tests))
    least = int(np.argmin(mean_flows))
    every = variant.lifts_within(*assessor.ranges[side])
    lifts = [lift for lift in every if all(curve.measured(lift) for curve in variant.ports)]
    worst = below = None
    if len(lifts) > 1:
        own = assessor.contrast(side, [(index, -1.0, ())], AtLifts(tuple(lifts)))
        weight = own.weight.copy()
        weight[least] += 1.0
        lag = Contrast(own.figure, own.ports, weight)
        behind = np.log(variant.ports[least].flow(lifts) / variant.flow(lifts))
        if assessor.differs_along_lift(lag, assessor.blocks(side, own.benches), behind):
            at = int(np.argmin(behind))
            worst, below = lifts[at], -math.expm1(float(behind[at]))
    return PortLag(
        variant.ports[least].port,
        1 - mean_flows[least] / mean,
        worst,
        below,
        # no port is farther from the mean of all than this share of the range
        None if spread_u95 is None else spread_u95 * (count - 1) / count,
        None if spread_u95 is None or (apart and spread > spread_u95) else spread > spread_u95,
    )


def port_uneven(
    variant: SideVariant, spread: float | None, spread_u95: float | None, lag: PortLag | None
) -> list[Finding]:
    """Return a warning where ports flow unevenly, beyond the bench's scatter (rule ``port-uneven``)."""
    if spread is None or lag is None or lag.beyond_scatter is False:
        return []
    where = scatter = ""
    if lag.worst_lift_m is not None and lag.worst_below_mean is not None:
        where = f", most at {lag.worst_lift_m * 1e3:.2f} mm ({percent(lag.worst_below_mean)})"
    if lag.beyond_scatter is None:
        scatter = " Whether that is more than the bench's scatter is not known" + (
            "." if spread_u95 is None else ": the ports were flowed in different sessions."
        )
    known = f" ± {100 * spread_u95:.1f}" if spread_u95 is not None else ""
    message = (
        f"The {variant.side} ports of {variant.name!r} differ by {percent(spread)}{known} in mean flow; port "
        f"{lag.port} flows {percent(lag.below_mean)} less than their mean{where}.{scatter} The cylinders will not "
        "fill equally: look at that port, its seat and its valve, and flow it again."
    )
    return [Finding("port-uneven", "warning", f"{variant.name}, {variant.side}", message)]


def ratio_unusual(points: Sequence[RatioPoint]) -> Iterator[Finding]:
    """Yield a warning for each variant with an unusual exhaust-to-intake ratio (rule ``ratio-unusual``)."""
    low, high = USUAL_RATIO
    for name, own in grouped((point.variant, point) for point in points).items():
        outside = [point for point in own if not low <= point.ratio <= high]
        if outside:
            worst = max(outside, key=lambda point: max(low - point.ratio, point.ratio - high))
            message = (
                f"The exhaust of {name!r} flows {percent(worst.ratio, 0)} of the intake at {percent(worst.at, 0)} of "
                f"peak lift ({len(outside)} of {len(own)} fractions outside {percent(low, 0)} to {percent(high, 0)}). "
                "That is unusual, so check that sides, test pressures and units are not mixed up before drawing "
                "conclusions about the ports."
            )
            yield Finding("ratio-unusual", "warning", name, message)


def step_findings(
    variants: Sequence[SideVariant], pairs: Sequence[MatchedPair], states: Sequence[Variant]
) -> Iterator[Finding]:
    """Yield what keeps the gain of a step from one factor: changes made together, other ports, heads or valves."""
    steps = [pair for pair in pairs if pair.kind != "total"]
    where = {id(pair): f"{pair.after.name}, {pair.after.side}" for pair in pairs}
    for pair in steps:
        change = what_changed(pair.before.state, pair.after.state)
        step = f"From {pair.before.name!r} to {pair.after.name!r} on the {pair.before.side}"
        if change.unknown:
            message = (
                f"{step} it is not known whether {listed(change.unknown)} changed, since only one of the two states "
                "declares it, so the gain cannot be put down to one factor. Declare it for both."
            )
            yield Finding("confounded", "note", where[id(pair)], message)
        elif len(change.changed) > 1:
            message = (
                f"{step} {listed(change.changed)} changed together, so the gain belongs to all of them. "
                "Run flowkit plan to see which test would separate them, or already does."
            )
            yield Finding("confounded", "note", where[id(pair)], message)
    for pair in pairs:
        if set(pair.before.port_names) != set(pair.after.port_names):
            yield Finding("unmatched-ports", "warning", where[id(pair)], _unmatched(pair))
    shared = common_ports(variants)
    if len(steps) > 1 and any(set(pair.ports) != set(shared) or not pair.ports for pair in steps):
        over = (
            f"only over {ports_named(shared)}, which all of them have" if shared else "over no port, and have no shares"
        )
        message = (
            f"The steps on the {variants[0].side} were taken over different ports, so they multiply to the total "
            f"{over}. Test the same ports in every state of the head."
        )
        yield Finding("steps-unmatched", "note", f"{variants[-1].name}, {variants[-1].side}", message)
    for pair in steps:
        step = f"{pair.before.name!r} → {pair.after.name!r} on the {pair.before.side}"
        heads, valves = _heads(pair), _valves(pair, states)
        if heads:
            message = (
                f"{step}: the sheets name two heads, {heads}. Two castings differ before anyone touches them, so the "
                "gain is not put down to the work alone. If it is the same head, use the same name on both."
            )
            yield Finding("heads-differ", "warning", where[id(pair)], message)
        if valves:
            message = (
                f"{step}: the sheets give {listed(list(valves.values()))}, and no such change is declared. Declare it "
                "in the state of both, or correct the figure in the job."
            )
            yield Finding("geometry-differs", "warning", where[id(pair)], message)


def _unmatched(pair: MatchedPair) -> str:
    """Say which ports have no counterpart, what was compared and what to do."""
    names = f"{pair.before.name!r} and {pair.after.name!r} on the {pair.before.side}"
    if not pair.ports:
        return (
            f"{names} have no port in common ({ports_named(pair.before.port_names)} against "
            f"{ports_named(pair.after.port_names)}), so the means of all their ports were compared, which mixes the "
            "difference between ports into the gain. Use the same port names, or test the same ports."
        )
    alone = [
        f"{ports_named([port for port in one.port_names if port not in pair.ports])} only in {one.name!r}"
        for one in (pair.before, pair.after)
        if set(one.port_names) - set(pair.ports)
    ]
    return f"{names} were compared over {ports_named(pair.ports)}; {listed(alone)}. Test the same ports in both."


NEEDED: Mapping[str, Mapping[str, str]] = {
    "leakage": {"leak_m3_s": "the leak (zero if there was none)"},
    "check-plate": {
        "check_reading_m3_s": "the check plate's reading",
        "check_nominal_m3_s": "its nominal flow",
    },
    "bore": {"fixture_bore_m": "the fixture's bore", "valve_diameter_m": "the valve head's diameter"},
}
"""Correction to the inputs it needs of every test, as the ledger names them, and in words.

Air and test pressure are not among them: a test that lacks their inputs is left out."""


def corrected_unequally(side: Side, variants: Sequence[Variant]) -> tuple[Finding, ...]:
    """Return a warning for each correction that only some tests of a side could have."""
    tests = [(variant.name, test) for variant in variants for test in variant.corrected if test.side == side]
    found = []
    for correction, needed in NEEDED.items():
        done: dict[str, float] = {}
        lacking: dict[str, CorrectedTest] = {}
        missing: dict[str, None] = {}
        for name, test in tests:
            line = next((line for line in test.ledger if line.correction == correction), None)
            if line is not None and line.skipped is None:
                # A factor where it did most, an offset in the mean: a leak is a large share of the lowest flows of
                # every test, and says little there.
                readings = sum(point.reading_m3_s for point in test.points)
                offset = sum(line.offset_m3_s or ()) / readings if readings > 0 else 0.0
                change = offset if line.factor is None else max((f - 1 for f in line.factor), key=abs, default=0.0)
                done[name] = max(done.get(name, 0.0), change, key=abs)
            elif line is not None and (lacks := [said for key, said in needed.items() if line.inputs.get(key) is None]):
                lacking.setdefault(name, test)
                missing |= dict.fromkeys(lacks)
        if not lacking or max(map(abs, done.values()), default=0.0) <= MATTERS:
            continue
        # a variant in both has some tests of either kind
        names = {
            name: f"some tests of {name!r}" if name in done and name in lacking else repr(name) for name, _ in tests
        }
        sized = [f"{names[name]} (by up to {'+' if by > 0 else ''}{percent(by)})" for name, by in done.items()]
        without = listed([names[name] for name in lacking])
        message = (
            f"On the {side} the {correction} correction was made for {listed(sized)} but not for {without} "
            f"(missing there: {listed(list(missing))}). A gain between them includes the correction as well as the "
            f"work; state what is missing for {without}."
        )
        found.append(Finding("corrected-unequally", "warning", next(iter(lacking.values())).id, message))
    return tuple(found)


SETUP = ("bench", "operator", "fixture bore", "entry fitting", "exit fitting")
"""What of the setup may differ, as sheets label it."""
SAME_BORE_M = 1e-4
"""Fixture bores closer than this are one [m]."""


def circumstances(pair: MatchedPair, assessor: Assessor, states: Sequence[Variant]) -> Circumstances:
    """Return what is known of a pair besides its flows."""
    before, after = (states[index] for index in pair.index)
    also = [*(["head"] if _heads(pair) else []), *_valves(pair, states)]
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
    """Return the label and the words of everything of the setup that differs in a matched port.

    Words that both states give, and unlike; bores where no bore correction was made; of several benches, one that is
    not named is unlike the others.
    """
    found: dict[str, list[str]] = {}
    for name in pair.ports or (None,):
        ports = () if name is None else (name,)
        both = [
            [test for curve in variant.curves(ports) for test in curve.tests] for variant in (pair.before, pair.after)
        ]
        benches = [{assessor.benches.bench(test) for test in own} for own in both]
        if benches[0] != benches[1]:
            named = [{test.conditions.bench for test in own} for own in both]
            words = [listed(sorted({repr(name) if name else "one not named" for name in own})) for own in named]
            found.setdefault("bench", words)
        for label in ("operator", "entry fitting", "exit fitting"):
            key = label.replace(" ", "_")
            stated = [{folded(said): said for test in own if (said := getattr(test.conditions, key))} for own in both]
            if all(stated) and stated[0].keys() != stated[1].keys():
                found.setdefault(label, [listed([repr(said) for said in own.values()]) for own in stated])
        bores = [
            sorted(
                bore
                for test in own
                if (bore := test.conditions.fixture_bore_m) is not None and made(test, "bore") is None
            )
            for own in both
        ]
        if all(bores) and max(bores[0][-1] - bores[1][0], bores[1][-1] - bores[0][0]) > SAME_BORE_M + 1e-9:
            found.setdefault("fixture bore", [f"{bore * 1e3:.4g} mm" for bore in (bores[0][0], bores[1][-1])])
    return {label: " against ".join(found[label]) for label in SETUP if label in found}


def _heads(pair: MatchedPair) -> str | None:
    """Say how the heads differ in a matched port, where both are named."""
    for name in pair.ports:
        heads = [variant.curves((name,))[0].head for variant in (pair.before, pair.after)]
        if all(heads) and folded(heads[0]) != folded(heads[1]):
            return f"{heads[0]!r} against {heads[1]!r}"
    return None


def _valves(pair: MatchedPair, states: Sequence[Variant]) -> dict[str, str]:
    """Return label and words of each dimension that differs between a pair's states without being declared changed."""
    before, after = (next(one for one in states if one.name == each.name) for each in (pair.before, pair.after))
    return geometry_changes(before, after, pair.before.side, what_changed(pair.before.state, pair.after.state).changed)


def _untouched(pair: MatchedPair, assessor: Assessor, states: Sequence[Variant]) -> Contrast | None:
    """Return the ports that were not worked on between two states and flowed in the very same sessions.

    Ports that the variants list (for a gain, every variant between), and the other side where both states declare at
    least one factor for it, none differs, and setup, head and valve are the same too. All their sheets must be dated,
    and none corrected by a check plate, which would take the drift out of what is to show it.
    """
    side = pair.before.side
    between = assessor.sides[side][pair.index[0] + 1 : pair.index[1] + 1]
    parts = [(side, name) for name in common_ports((pair.before, pair.after)) if all(_lists(v, name) for v in between)]
    for other, theirs in assessor.sides.items():
        twins = [state for name in (pair.before.name, pair.after.name) for state in theirs if state.name == name]
        if other != side and len(twins) == 2 and what_changed(twins[0].state, twins[1].state).nothing:
            both = MatchedPair(twins[0], twins[1], common_ports(twins), ())
            if not (setup_differs(both, assessor) or _heads(both) or _valves(both, states)):
                parts += [(other, name) for name in both.ports]
    ports, weights = [], []
    for factor, variant in ((-1.0, pair.before), (1.0, pair.after)):
        own = [
            assessor.ports[on][index][port]
            for on, port in parts
            for index, state in enumerate(assessor.sides[on])
            if state.name == variant.name
        ]
        sessions = {session for port in own for session in port.sessions}
        wanted = {assessor.benches.session(test) for curve in variant.curves(pair.ports) for test in curve.tests}
        undated = any(not session.date for session in sessions)
        put_right = any(plate_of(test) for port in own for test in port.tests)
        if not own or undated or put_right or sessions != wanted or any(port.copied for port in own):
            return None
        values = [port.values(assessor.headline).value for port in own]
        ports += own
        weights += [factor * value / sum(values) for value in values]
    return Contrast(assessor.headline, tuple(ports), np.array(weights))


def _lists(variant: SideVariant, name: str) -> bool:
    """Tell whether a variant lists a port as untouched."""
    names = {folded(known) for curve in variant.curves((name,)) for known in (name, curve.name)}
    return any(folded(known) in names for known in variant.untouched)


def setup_findings(pairs: Mapping[Side, Sequence[MatchedPair]], assessor: Assessor) -> Iterator[Finding]:
    """Yield what of the setup differs, once for each step: what both sides share is said once."""
    steps: dict[tuple[str, str], dict[Side, str]] = {}
    for side, own in pairs.items():
        for pair in own:
            setup = setup_differs(pair, assessor) if pair.kind != "total" else {}
            if setup:
                words = "; ".join(f"{label}: {how}" for label, how in setup.items())
                steps.setdefault((pair.before.name, pair.after.name), {})[side] = words
    for (before, after), by_side in steps.items():
        both = len(by_side) > 1 and len(set(by_side.values())) == 1
        what = "; ".join(f"on the {side}, {words}" for side, words in by_side.items())
        message = (
            f"{before!r} → {after!r}: {next(iter(by_side.values())) if both else what}. Part of the difference may "
            "come from that and not from the work, so the gain is not called proven. Next time flow both states on one "
            "bench with the same operator, fixture and fittings."
        )
        yield Finding("setup-differs", "warning", after if both else f"{after}, {next(iter(by_side))}", message)


def drift_findings(sides: Mapping[Side, SideComparison], tests: Sequence[CorrectedTest]) -> Iterator[Finding]:
    """Yield the warnings for sessions that differ without anything to show the bench's drift (``drift-unknown``).

    One for all undated sheets, whose one question settles it for all of them; one for each set of days otherwise.
    """
    groups = grouped(
        (() if "" in gain.sessions else tuple(sorted(set(gain.sessions))), (side, gain))
        for side, result in sides.items()
        for gain in result.gains
        if gain.drift_unknown and not measures_drift(sides, side, gain)
    )
    undated = [test for test in tests if not (test.conditions.date or "").strip()]
    for days, gains in groups.items():
        if not days:
            names = list(dict.fromkeys(repr(test.variant) for test in undated))
            answer = (
                "State the missing dates (date in each variant's conditions): the same day settles it."
                if len(undated) < len(tests)
                else "If it was one day, stating that day once settles it for all sheets (date under [conditions]); if "
                "not, state it for each state (date in each variant's conditions)."
            )
            message = (
                f"When were these flowed? All on the same day? The sheets of {listed(names)} carry no date, so the "
                f"bench may have moved between the states. {_margins(gains)} {answer} For other days a check "
                "plate reading, or the bench's own drift (drift under [bench]), settles it."
            )
            yield Finding("drift-unknown", "warning", undated[0].id if undated else "dates", message)
            continue
        when = listed([day_words(day) for day in days]) + (" on two benches" if len(days) == 1 else "")
        message = (
            f"Flowed on {when}, and nothing shows whether the bench moved in between: no check plate read in both, no "
            f"drift stated, no port or side left untouched. {_margins(gains)} If you know how far the bench moves from "
            "day to day, state it (drift under [bench]); next time read a check plate in every session."
        )
        yield Finding("drift-unknown", "warning", f"{gains[0][1].to}, {gains[0][0]}", message)


def _margins(gains: Sequence[tuple[Side, Gain]]) -> str:
    """Say what gains are worth while the drift is not known."""
    words = []
    for side, gain in gains:
        worth = {
            True: "larger than the run-to-run scatter",
            False: "within the run-to-run scatter",
            None: "not assessed",
        }
        said = f"is {worth[gain.beyond_scatter]}"
        if gain.resolved_if_drift_below is not None:
            said = f"holds unless the bench moved by more than {percent(gain.resolved_if_drift_below)}"
        words.append(f"{side} {gain.from_!r} → {gain.to!r} {signed_percent(gain.mean_flow_gain)} {said}")
    text = "; ".join(words)
    return f"{text[:1].upper()}{text[1:]}."


def scatter_findings(assessor: Assessor) -> Iterator[Finding]:
    """Yield what is doubtful about the repeatability: ``few-repeats``, ``repeatability-understated`` and history."""
    benches = assessor.every_bench
    pools = {
        frozenset().union(*(port.benches for port in state.values()))
        for states in assessor.ports.values()
        for state in states
    }
    for pool in sorted(pools | {benches}, key=len):
        contradicted = assessor.understated(pool)
        if contradicted is not None:
            s, freedom = contradicted
            runs = "one repeated run" if freedom == 1 else f"{freedom:.0f} repeated runs"
            message = (
                f"The job states a repeatability of {percent(assessor.bench.repeatability or 0.0, 2)}, but its own "
                f"repeats scatter by {percent(s, 2)} ({runs}), more than chance explains. The repeats count and the "
                "stated figure does not; correct it, or look for what made the runs differ."
            )
            yield Finding("repeatability-understated", "warning", "repeatability", message)
            break
    squares, freedom = assessor.repeats_of_mean_flow(benches)
    if assessor.stated(benches) is None and freedom <= 2:
        yield Finding("few-repeats", "note", "repeatability", _few(assessor, benches, squares, freedom))
    if assessor.history_left_out:
        message = (
            "the job's own repeats scatter more than the bench's history allows (F test at 95 %), so the history is "
            "left out and the repeats count alone; look for what has changed on the bench"
        )
        yield Finding("history-exceeded", "warning", "bench", message)


def _few(assessor: Assessor, benches: frozenset[str], squares: float, freedom: float) -> str:
    """Say what intervals rest on where there are few repeats, and what one more run would buy."""
    known = assessor.repeatability().degrees_of_freedom or 0.0
    one_more = "one more run, with the head taken off (or at least the valve closed and the dial zeroed again) first,"
    if freedom == 0 and not known:
        return (
            "No port was flowed twice and the bench's repeatability is not stated, so no gain can be proven: next "
            f"time {one_more} of any port in any state gives a first interval, and two more halve it."
        )
    words = "No port was flowed twice."
    if freedom == 1:
        words = (
            f"The two runs differ by {percent((2.0 * squares) ** 0.5, 2)}; from one difference the scatter is known "
            "only to between 0.45 and 32 times."
        )
    elif freedom:
        words = f"The bench's scatter is known from {freedom:.0f} repeated runs only."
    if any(assessor.blocks(side, benches) for side in assessor.sides):
        words += (
            " The same ports flowed in every state take the place of repeats; ports that gained unequally widen the "
            "intervals."
        )
    now, then = half_width_factor(known), half_width_factor(known + 1.0)
    return f"{words} Next time {one_more} would make the intervals about {percent(1.0 - then / now, 0)} narrower."


def not_covered(
    variant: SideVariant, own_m: tuple[float, float], range_m: tuple[float, float], display: Display
) -> Finding:
    """Return the warning for a state whose lifts do not reach the stated range (rule ``range-not-covered``)."""
    own, stated = (" to ".join(lift_words(lift, display) for lift in limits) for limits in (own_m, range_m))
    measured = f"was measured from {own}" if own_m[0] <= own_m[1] else "has no range of lifts that all its ports share"
    message = (
        f"The {variant.side} of {variant.name!r} {measured}, which does not cover the stated range of "
        f"{stated}, so it is left out of the comparison on that side. State a range that all states cover "
        "(lifts under [reference]), or flow it further."
    )
    return Finding("range-not-covered", "warning", f"{variant.name}, {variant.side}", message)
