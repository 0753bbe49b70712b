"""What is doubtful about corrected tests and what was computed from them.

Each check looks at one rule and returns its findings; nothing is ever changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from flowkit.analysis.areas import impossible_dimensions, largest_possible_area
from flowkit.analysis.curves import PortCurve, SideVariant
from flowkit.analysis.gains import Change, MatchedPair, what_changed
from flowkit.analysis.results import PortLag, RatioPoint
from flowkit.analysis.runs import folded
from flowkit.analysis.scatter import AtLifts
from flowkit.analysis.uncertainty import Assessor, Contrast, plate_of
from flowkit.corrections.step import MATTERS
from flowkit.model import CorrectedPoint, CorrectedTest, Finding, LedgerLine, Side, Variant
from flowkit.wording import listed, percent, ports_named

__all__ = [
    "IMPOSSIBLE",
    "NOT_CREDIBLE",
    "UNEVEN",
    "USUAL_RATIO",
    "confounded",
    "corrected_unequally",
    "duplicate_names",
    "flows",
    "impossible_flow",
    "lagging_port",
    "port_uneven",
    "ratio_unusual",
    "side_missing",
    "unmatched_ports",
    "untouched_unknown",
    "valve_impossible",
    "variants_left_out",
    "zero_flow",
]

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
            "This test does not say whether it is the intake or the exhaust, so it was left out; write it in the "
            "sheet, or state it with --side intake or --side exhaust.",
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
        source[0] if source else _port_place(curve),
        f"{variant.name}, {variant.side}: more flow than the smallest passage can pass, "
        f"{listed(said)}; at worst {value:.2f} times its area at {lift * 1e3:.3f} mm, which is "
        f"not {'possible' if impossible else 'credible'}. The smallest passage is between seat, valve and throat. "
        "Check the unit of the flow, the test pressure and its unit, the lift and its unit and zero, the leak, the air "
        "and check plate readings, the valve's head, throat, stem, seat angle and seat width"
        f"{', and the bores' if bore else ''}.",
    )


def _port_place(curve: PortCurve) -> str:
    """Name a port for people."""
    return f"{curve.variant}, {curve.side}{' ' + curve.port if curve.port else ''}"


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


def duplicate_names(variants: Sequence[Variant]) -> str | None:
    """Return a name that two variants have, whatever its case and spaces, or None."""
    names = [" ".join(variant.name.casefold().split()) for variant in variants]
    return next((variant.name for variant, name in zip(variants, names, strict=True) if names.count(name) > 1), None)


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
    """Write a change in per cent with its sign."""
    return f"{'+' if change > 0 else ''}{percent(change)}"


def _change(test: CorrectedTest, line: LedgerLine) -> float:
    """Return by how much a correction changed a test: a factor where it did most, an offset in the mean.

    A leak is a large share of the lowest flows of every test, and says little there.
    """
    if line.factor is not None:
        return max((factor - 1 for factor in line.factor), key=abs, default=0.0)
    readings = sum(point.reading_m3_s for point in test.points)
    return sum(line.offset_m3_s or ()) / readings if readings > 0 else 0.0
