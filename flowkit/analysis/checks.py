"""What is doubtful about corrected tests and gains: each rule, and what differs between two states besides the work.

Each check looks at one rule and returns its findings; nothing is ever changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from flowkit.analysis.areas import geometry_changes, impossible_dimensions, largest_possible_area
from flowkit.analysis.curves import PortCurve, Session, SideVariant, common_ports, folded
from flowkit.analysis.gains import Change, Circumstances, MatchedPair, what_changed
from flowkit.analysis.results import Gain, PortLag, RatioPoint, SideComparison
from flowkit.analysis.scatter import AtLifts
from flowkit.analysis.sentences import measures_drift
from flowkit.analysis.uncertainty import Assessor, Contrast, half_width_factor, plate_of
from flowkit.corrections.step import MATTERS
from flowkit.model import CorrectedPoint, CorrectedTest, Finding, LedgerLine, Side, Variant
from flowkit.wording import Display, day_words, lift_words, listed, percent, ports_named, signed_percent

NOT_CREDIBLE = (1.03, 0.05e-3)
"""Largest credible coefficient on the minimum area, and what over the lift [m] adds (common practice, no source)."""
IMPOSSIBLE = (1.15, 0.10e-3)
"""Coefficient on the minimum area that is not possible, likewise (common practice, no source)."""
UNEVEN = 0.04
"""Port spread worth naming (common practice, no source)."""
USUAL_RATIO = (0.6, 0.95)
"""Usual exhaust over intake flow at equal fraction of peak lift (common practice, no source)."""


def side_missing(tests: Iterable[CorrectedTest]) -> tuple[Finding, ...]:
    """Return an error for each test that does not say its side (rule ``side-missing``)."""
    return tuple(
        Finding(
            "side-missing",
            "error",
            test.id,
            "This test does not say whether it is the intake or the exhaust, so it was left out; state it with "
            "--side intake or --side exhaust, or as side under conditions in the job.",
        )
        for test in tests
        if test.side is None
    )


def flows(point: CorrectedPoint) -> bool:
    """Tell whether any flow is left at a point, so that gains can be taken there."""
    return math.isfinite(point.flow_m3_s) and point.flow_m3_s > 0


def zero_flow(tests: Iterable[CorrectedTest]) -> tuple[Finding, ...]:
    """Return an error for each point without any flow (rule ``flow-zero``)."""
    return tuple(
        Finding(
            "flow-zero",
            "error",
            point.source,
            f"At {point.lift_m * 1e3:.3f} mm no flow is left after the corrections, so no gain can be taken there and "
            "the point was left out; leave the cell empty where nothing was measured, or check the leak.",
        )
        for test in tests
        for point in test.points
        if not flows(point)
    )


def valve_impossible(variants: Sequence[SideVariant]) -> tuple[Finding, ...]:
    """Return an error for each valve whose dimensions cannot be (rule ``valve-impossible``)."""
    return tuple(
        Finding(
            "valve-impossible",
            "error",
            f"{variant.name}, {variant.side}",
            f"On the {variant.side} of {variant.name!r} {why}, so areas and coefficients that need it are left out; "
            "check the valve's dimensions and their units.",
        )
        for variant in variants
        if (why := impossible_dimensions(variant.valve)) is not None
    )


def untouched_unknown(variants: Sequence[SideVariant]) -> list[Finding]:
    """Return a warning for ports that are listed as untouched but that no sheet of the state has."""
    found = []
    for variant in variants:
        known = {folded(name) for curve in variant.ports for name in (curve.port, curve.name)}
        missing = [name for name in variant.untouched if folded(name) not in known]
        if missing:
            message = (
                f"{variant.name!r} lists {variant.side} {ports_named(missing)} as untouched, but none of its sheets "
                "has such a port, so nothing shows the bench's drift by it; name the port as the sheets do."
            )
            found.append(Finding("unmatched-ports", "warning", f"{variant.name}, {variant.side}", message))
    return found


def impossible_flow(variants: Sequence[SideVariant], velocity_m_s: float) -> tuple[Finding, ...]:
    """Return a finding for each state that flows more than its valve can pass (rule ``impossible-flow``)."""
    found = (_impossible_state(variant, velocity_m_s) for variant in variants)
    return tuple(finding for finding in found if finding is not None)


def _impossible_state(variant: SideVariant, velocity_m_s: float) -> Finding | None:
    """Look at one state."""
    worst: tuple[float, float, float, PortCurve, int] | None = None
    ports: dict[str, list[str]] = {}
    impossible = False
    for curve in variant.ports:
        opened = np.flatnonzero(curve.lifts_m > 0)
        lifts = curve.lifts_m[opened]
        least = largest_possible_area(lifts, variant.valve)
        if least is None or not lifts.size:
            continue
        coefficients = curve.flow_m3_s[opened] / velocity_m_s / least
        above = coefficients - (NOT_CREDIBLE[0] + NOT_CREDIBLE[1] / lifts)
        impossible |= bool(np.any(coefficients > IMPOSSIBLE[0] + IMPOSSIBLE[1] / lifts))
        beyond = np.flatnonzero(above > 0)
        if not beyond.size:
            continue
        lifts_named = listed([f"{lifts[index] * 1e3:.3f}" for index in beyond])
        ports.setdefault(lifts_named, []).append(curve.port or "")
        top = int(np.argmax(above))
        if worst is None or above[top] > worst[0]:
            worst = (float(above[top]), float(coefficients[top]), float(lifts[top]), curve, int(opened[top]))
    if worst is None:
        return None
    _, value, lift, curve, index = worst
    source = curve.sources[index][:1] if index < len(curve.sources) else ()
    bore = any(line.correction == "bore" and line.factor is not None for test in curve.tests for line in test.ledger)
    said = [
        f"{ports_named(names) if all(names) else 'the port'} at {lifts_named} mm"
        for lifts_named, names in ports.items()
    ]
    return Finding(
        "impossible-flow",
        "error" if impossible else "warning",
        source[0] if source else f"{curve.variant}, {curve.side}{' ' + curve.port if curve.port else ''}",
        f"{variant.name}, {variant.side}: more flow than the smallest passage can pass, "
        f"{listed(said)}; at worst {value:.2f} times its area at {lift * 1e3:.3f} mm, which is "
        f"not {'possible' if impossible else 'credible'}. The smallest passage is between seat, valve and throat. "
        "Check the unit of the flow, the test pressure and its unit, the lift and its unit and zero, the leak, the air "
        "and check plate readings, the valve's head, throat, stem, seat angle and seat width"
        f"{', and the bores' if bore else ''}.",
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


def port_uneven(
    variant: SideVariant, spread: float | None, spread_u95: float | None, lag: PortLag | None
) -> tuple[Finding, ...]:
    """Return a warning where ports flow unevenly, beyond the bench's scatter (rule ``port-uneven``)."""
    if spread is None or spread <= UNEVEN or lag is None or lag.beyond_scatter is False:
        return ()
    where = ""
    if lag.worst_lift_m is not None and lag.worst_below_mean is not None:
        where = f", most at {lag.worst_lift_m * 1e3:.2f} mm ({percent(lag.worst_below_mean)})"
    known = f" ± {100 * spread_u95:.1f}" if spread_u95 is not None else ""
    scatter = ""
    if lag.beyond_scatter is None:
        scatter = " Whether that is more than the bench's scatter is not known" + (
            "." if spread_u95 is None else ": the ports were flowed in different sessions."
        )
    return (
        Finding(
            "port-uneven",
            "warning",
            f"{variant.name}, {variant.side}",
            f"The {variant.side} ports of {variant.name!r} differ by {percent(spread)}{known} in mean flow; port "
            f"{lag.port} flows {percent(lag.below_mean)} less than their mean{where}.{scatter} The cylinders will not "
            "fill equally: look at that port, its seat and its valve, and flow it again.",
        ),
    )


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


def ratio_unusual(points: Sequence[RatioPoint]) -> tuple[Finding, ...]:
    """Return a warning for each variant with an unusual exhaust-to-intake ratio (rule ``ratio-unusual``)."""
    low, high = USUAL_RATIO
    findings = []
    for name in dict.fromkeys(point.variant for point in points):
        own = [point for point in points if point.variant == name]
        outside = [point for point in own if not low <= point.ratio <= high]
        if not outside:
            continue
        worst = max(outside, key=lambda point: max(low - point.ratio, point.ratio - high))
        findings.append(
            Finding(
                "ratio-unusual",
                "warning",
                name,
                f"The exhaust of {name!r} flows {percent(worst.ratio, 0)} of the intake at {percent(worst.at, 0)} of "
                f"peak lift ({len(outside)} of {len(own)} fractions outside {percent(low, 0)} to {percent(high, 0)}). "
                "That is unusual, so check that sides, test pressures and units are not mixed up before drawing "
                "conclusions about the ports.",
            )
        )
    return tuple(findings)


def confounded(pairs: Sequence[MatchedPair]) -> tuple[Finding, ...]:
    """Return a note for each step whose gain belongs to no single factor (rule ``confounded``)."""
    findings = []
    for pair in pairs:
        change = what_changed(pair.before.state, pair.after.state)
        if pair.kind != "total" and (len(change.changed) > 1 or change.unknown):
            findings.append(
                Finding(
                    "confounded", "note", f"{pair.after.name}, {pair.after.side}", _confounded_message(pair, change)
                )
            )
    return tuple(findings)


def _confounded_message(pair: MatchedPair, change: Change) -> str:
    """Say why a step is not attributable, and what to do."""
    step = f"From {pair.before.name!r} to {pair.after.name!r} on the {pair.before.side}"
    if change.unknown:
        return (
            f"{step} it is not known whether {listed(change.unknown)} changed, since only one of the two states "
            "declares it, so the gain cannot be put down to one factor. Declare it for both."
        )
    return (
        f"{step} {listed(change.changed)} changed together, so the gain belongs to all of them. "
        "Run flowkit plan to see which test would separate them, or already does."
    )


def unmatched_ports(
    variants: Sequence[SideVariant], pairs: Sequence[MatchedPair], shared: Sequence[str]
) -> tuple[Finding, ...]:
    """Return findings where variants were not tested on the same ports."""
    findings = [
        Finding("unmatched-ports", "warning", f"{pair.after.name}, {pair.after.side}", _unmatched_message(pair))
        for pair in pairs
        if set(pair.before.port_names) != set(pair.after.port_names)
    ]
    steps = [pair for pair in pairs if pair.kind != "total"]
    if len(steps) > 1 and any(set(pair.ports) != set(shared) or not pair.ports for pair in steps):
        over = (
            f"only over {ports_named(shared)}, which all of them have" if shared else "over no port, and have no shares"
        )
        findings.append(
            Finding(
                "steps-unmatched",
                "note",
                f"{variants[-1].name}, {variants[-1].side}",
                f"The steps on the {variants[0].side} were taken over different ports, so they multiply to the total "
                f"{over}. Test the same ports in every state of the head.",
            )
        )
    return tuple(findings)


def _unmatched_message(pair: MatchedPair) -> str:
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
    found = (_unequal(side, correction, tests) for correction in NEEDED)
    return tuple(finding for finding in found if finding is not None)


def _unequal(side: Side, correction: str, tests: Sequence[tuple[str, CorrectedTest]]) -> Finding | None:
    """Look at one correction."""
    made: dict[str, float] = {}
    lacking: dict[str, None] = {}
    missing: dict[str, None] = {}
    first: CorrectedTest | None = None
    for name, test in tests:
        line = next((line for line in test.ledger if line.correction == correction), None)
        if line is None:
            continue
        if line.skipped is None:
            made[name] = max(made.get(name, 0.0), _change(test, line), key=abs)
        elif lacks := [words for key, words in NEEDED[correction].items() if line.inputs.get(key) is None]:
            lacking[name] = None
            missing |= dict.fromkeys(lacks)
            first = first or test
    if first is None or max(map(abs, made.values()), default=0.0) <= MATTERS:
        return None
    sized = [f"{_named(name, lacking)} (by up to {_signed(change)})" for name, change in made.items()]
    without = listed([_named(name, made) for name in lacking])
    return Finding(
        "corrected-unequally",
        "warning",
        first.id,
        f"On the {side} the {correction} correction was made for {listed(sized)} but not for {without} "
        f"(missing there: {listed(list(missing))}). A gain between them includes the correction as well as the work; "
        f"state what is missing for {without}.",
    )


def _named(name: str, others: Mapping[str, object]) -> str:
    """Name a variant, or some of its tests where its others are of the other kind."""
    return f"some tests of {name!r}" if name in others else repr(name)


def _signed(change: float) -> str:
    """Write a change in percent with its sign."""
    return f"{'+' if change > 0 else ''}{percent(change)}"


def _change(test: CorrectedTest, line: LedgerLine) -> float:
    """Return by how much a correction changed a test: a factor where it did most, an offset in the mean.

    A leak is a large share of the lowest flows of every test, and says little there.
    """
    if line.factor is not None:
        return max((factor - 1 for factor in line.factor), key=abs, default=0.0)
    readings = sum(point.reading_m3_s for point in test.points)
    return sum(line.offset_m3_s or ()) / readings if readings > 0 else 0.0


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
