"""A figure of the analyst's own, worked out from each port's curve, with its interval by the rule of all figures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from flowkit.analysis.checks import circumstances
from flowkit.analysis.curves import PortCurve
from flowkit.analysis.frames import Curve, in_units
from flowkit.analysis.gains import WHY_NOT_ASSESSED, GainKind, MatchedPair, assess_pair, match_pairs
from flowkit.analysis.results import found_gain, found_state
from flowkit.analysis.scatter import Metric
from flowkit.analysis.uncertainty import Assessor, Contrast, Estimate
from flowkit.errors import FlowkitError, with_article
from flowkit.model import Side, Variant
from flowkit.result import Result

if TYPE_CHECKING:
    import pandas as pd

Rule = Callable[[Curve], float]
UNMOVED = 1e-9
"""Largest relative change of a figure by its flows at which it does not depend on them."""


@dataclass(frozen=True, slots=True)
class MetricValue:
    """A metric of one state: the mean over its ports.

    Attributes
    ----------
    state : str
    value : float
        In the unit of the rule.
    u95 : float or None
        Half the 95 % interval, relative; None where not assessed.
    ports : mapping
        Port to its own value.
    """

    state: str
    value: float
    u95: float | None
    ports: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class MetricGain:
    """By how much a metric changed from one state to another; fractions.

    Attributes
    ----------
    from_, to : str
    kind : {"step", "total", "step and total"}
    gain : float
        Ratio of the means over the ports flowed in both, − 1.
    u95, low, high : float or None
        The 95 % interval with its bounds, and its longer arm; None where not assessed.
    resolved : bool or None
        As for `Gain`.
    at_least, smallest_resolvable : float or None
        As for `Gain`.
    drift_unknown : bool
    setup_differs : tuple of str
    not_assessed_because : str or None
    """

    from_: str
    to: str
    kind: GainKind
    gain: float
    u95: float | None
    low: float | None
    high: float | None
    resolved: bool | None
    at_least: float | None
    smallest_resolvable: float | None
    drift_unknown: bool
    setup_differs: tuple[str, ...]
    not_assessed_because: str | None


@dataclass(frozen=True, slots=True)
class MetricSide:
    """A metric on one side.

    Attributes
    ----------
    states : tuple of MetricValue
    gains : tuple of MetricGain
        Each against the first, and each against the one before it.
    """

    states: tuple[MetricValue, ...]
    gains: tuple[MetricGain, ...]

    def __iter__(self) -> Iterator[MetricValue]:
        """Go through the states."""
        return iter(self.states)

    def state(self, name: str) -> MetricValue:
        """Return the value of a state."""
        return found_state({item.state: item for item in self.states}, name)

    def gain(self, before: str, after: str) -> MetricGain:
        """Return the gain between two states: the baseline or the one before to any other."""
        return found_gain(self.gains, before, after)


@dataclass(frozen=True, slots=True, repr=False)
class MetricResult(Result):
    """A metric of every state and side; see `Comparison.metric`.

    Attributes
    ----------
    name : str
    sides : mapping
        Side to MetricSide.
    """

    kind: ClassVar[str] = "metric"
    name: str
    sides: Mapping[Side, MetricSide]

    def __getitem__(self, side: str) -> MetricSide:
        """Return one side: ``metric["intake"]``."""
        if side not in self.sides:
            known = ", ".join(map(repr, self.sides))
            raise FlowkitError(f"the metric {self.name!r} was not worked out on the side {side!r}", f"there is {known}")
        return self.sides[side]  # type: ignore[index]

    def __iter__(self) -> Iterator[MetricSide]:
        """Go through the sides."""
        return iter(self.sides.values())

    def __len__(self) -> int:
        return len(self.sides)

    def __repr__(self) -> str:
        states = dict.fromkeys(item.state for side in self for item in side)
        return f"<Metric {self.name!r} of {', '.join(states)}: {' and '.join(self.sides)}>"

    def table(self) -> pd.DataFrame:
        """Return one row for each side and state, with its gain over the first.

        Returns
        -------
        pandas.DataFrame
            Columns ``side, state, value, u95, gain, low, high, resolved``; nullable types. Gains and u95 are
            fractions, the value is in the rule's own unit.
        """
        rows = []
        for side, own in self.sides.items():
            totals = {gain.to: gain for gain in own.gains if gain.kind != "step"}
            for item in own.states:
                row = {"side": side, "state": item.state, "value": item.value, "u95": item.u95}
                if item.state in totals:
                    gain = totals[item.state]
                    row |= {"gain": gain.gain, "low": gain.low, "high": gain.high, "resolved": gain.resolved}
                rows.append(row)
        columns = ("side", "state", "value", "u95", "gain", "low", "high", "resolved")
        states = list(dict.fromkeys(str(row["state"]) for row in rows))
        return in_units(rows, columns, "SI", states=states)


def metric_of(
    assessor: Assessor, variants: Sequence[Variant], rule: Rule, name: str | None, sides: Sequence[Side]
) -> MetricResult:
    """Return a metric of every state on some sides with its interval."""
    if not callable(rule):
        raise FlowkitError(
            f"{with_article(type(rule).__name__)} is not a rule for a metric",
            "give a function of a curve, as lambda curve: …",
        )
    called = name or str(getattr(rule, "__name__", "metric"))
    called = "metric" if called == "<lambda>" else called
    figure = Metric(called, lambda curve: _value(rule, called, assessor, curve), tuple(sides))
    by_name = {variant.name: variant for variant in variants}
    found = {}
    for side in sides:
        chosen = tuple(assessor.sides[side])
        states = [by_name[item.name] for item in chosen]
        pairs = match_pairs(chosen, assessor.ranges[side])
        found[side] = MetricSide(
            tuple(_state(index, side, assessor, figure) for index in range(len(chosen))),
            tuple(_gain(pair, assessor, figure, states) for pair in pairs),
        )
    return MetricResult(called, found)


def _value(rule: Rule, name: str, assessor: Assessor, curve: PortCurve) -> float:
    """Apply a rule to one port's curve; what it cannot do is said of that port."""
    valve = next(state.valve for state in assessor.sides[curve.side] if state.name == curve.variant)
    port = f" port {curve.port}" if curve.port else ""
    where = f"the metric {name!r} cannot be worked out for {curve.variant!r}, {curve.side}{port}"
    try:
        value = float(rule(Curve(curve.side, curve.variant, curve.port, (curve,), valve)))
    except FlowkitError as error:
        raise FlowkitError(f"{where}: {error.problem}", error.remedy) from error
    except Exception as error:
        raise FlowkitError(f"{where}: {type(error).__name__}: {error}", "check the rule") from error
    if not (math.isfinite(value) and value > 0.0):
        raise FlowkitError(f"{where}: it gives {value:g}", "a metric is a number above zero for every port")
    return value


def _state(index: int, side: Side, assessor: Assessor, figure: Metric) -> MetricValue:
    """Return the metric of one state."""
    contrast, whole = (assessor.contrast(side, [(index, 1.0, ())], own) for own in (figure, None))
    values = {port.curve.port: float(port.values(figure).value[0]) for port in contrast.ports}
    spread = assessor.spread(contrast, assessor.drift(whole), assessor.blocks(side, contrast.benches))
    u95 = spread.relative()[0] if _moves(contrast, figure) else None
    return MetricValue(assessor.sides[side][index].name, float(np.mean(list(values.values()))), u95, values)


def _gain(pair: MatchedPair, assessor: Assessor, figure: Metric, states: Sequence[Variant]) -> MetricGain:
    """Return the metric's gain between two states."""
    about = circumstances(pair, assessor, states)
    own = assess_pair(pair, assessor, about, figure)
    known, resolved, why = own.estimate, own.resolved, None if own.resolved is not None else WHY_NOT_ASSESSED
    if not _moves(own.contrast, figure):
        known, resolved = Estimate(known.gain), None
        why = "Not assessed: the metric does not change when a flow changes a little."
    return MetricGain(
        from_=pair.before.name,
        to=pair.after.name,
        kind=pair.kind,
        gain=known.gain,
        **known.ends,
        resolved=resolved,
        at_least=known.at_least if resolved else None,
        smallest_resolvable=known.smallest_resolvable,
        drift_unknown=own.drift.unknown,
        setup_differs=about.setup_differs,
        not_assessed_because=why,
    )


def _moves(contrast: Contrast, figure: Metric) -> bool:
    """Tell whether a metric changes with the flows of every port; a count or a step does not, and has no interval."""
    return all(float(port.values(figure).size.sum()) > UNMOVED for port in contrast.ports)
