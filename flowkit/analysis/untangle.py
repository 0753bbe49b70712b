"""Which extra test would separate the changes that were made together, and whether it can still be made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise, permutations

from flowkit.analysis.gains import find_corners, what_changed
from flowkit.wording import listed

State = Mapping[str, str]
ORDERS = 720
"""Orders of the changes that are looked through; all of them up to six factors."""
CAN_BE_PUT_BACK = ("valve", "spring", "guide plate", "gasket")
"""Beginnings of the factors that can be changed back: what was cut cannot (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ExtraTest:
    """What would remove the confounding of one step."""

    from_: str
    to: str
    factors: tuple[str, ...]
    unknown: tuple[str, ...]
    states: tuple[State, ...]
    already_tested: tuple[str, ...]
    completes: tuple[tuple[str, str], ...]
    otherwise: State | None
    possible: bool = True

    def sentences(self) -> tuple[str, ...]:
        """Return what to do, in words."""
        step = f"{self.from_!r} → {self.to!r}"
        if self.unknown:
            known = listed(self.unknown)
            return (f"{step}: {known} not declared in both states; declare them in the job to know what changed.",)
        together = f"{step}: {listed(self.factors)} changed together, so the gain belongs to all of them."
        if not self.states:
            through = listed([repr(name) for name in self.already_tested])
            return (f"{together} No extra test is needed: {through} lies between the two, compare through it.",)
        if not self.possible:
            return (f"{together} {self._next_time()}",)
        words = [together, self._to_test()]
        if self.completes:
            pairs = listed([f"{one} × {other}" for one, other in self.completes])
            words.append(f"This also completes the four corners of {pairs}, so that their interaction is known.")
        return (" ".join(words),)

    def advice(self, side: str) -> str | None:
        """Return the next test in one clause, None where there is none to make."""
        if not self.states:
            return None
        if not self.possible:
            return (
                f"next time, flow the {side} between the steps too, with {_described(self.states[0])}, to separate "
                f"{listed(self.factors)}; this head cannot go back there"
            )
        which = "" if len(self.states) == 1 else f", the first of {len(self.states)} tests"
        return f"flow the {side} with {_described(self.states[0])}{which}, to separate {listed(self.factors)}"

    def _next_time(self) -> str:
        """Say what would have separated them."""
        between = "; then ".join(_described(state) for state in self.states)
        return (
            f"What was cut cannot be put back, so this head can no longer separate them. Next time flow the head in "
            f"between, with {between}."
        )

    def _to_test(self) -> str:
        """Say which states to test."""
        first = _described(self.states[0])
        other = f" (or with {_described(self.otherwise)})" if self.otherwise is not None else ""
        if len(self.states) == 1:
            return f"One extra test separates them: the head with {first}{other}."
        rest = "; then ".join(_described(state) for state in self.states[1:])
        return f"{len(self.states)} extra tests separate them: the head with {first}; then {rest}."


def untangle(states: Sequence[tuple[str, State]]) -> tuple[ExtraTest, ...]:
    """Return for each step with several changes the tests that would separate them.

    Notes
    -----
    One factor at a time between the two states; two-level factorial where the corners allow
    (Box, Hunter & Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 5).

    Examples
    --------
    >>> before, after = {"ports": "as cast", "valves": "standard"}, {"ports": "blended", "valves": "slim"}
    >>> extra, = untangle([("as received", before), ("ported", after)])
    >>> dict(extra.states[0]), extra.possible
    ({'ports': 'blended', 'valves': 'standard'}, True)
    >>> untangle([("as received", before), ("ported", before | {"ports": "blended"}), ("valves", after)])
    ()
    """
    found = []
    for (name, before), (other, after) in pairwise(states):
        change = what_changed(before, after)
        if change.unknown:
            found.append(ExtraTest(name, other, change.changed, change.unknown, (), (), (), None))
        elif len(change.changed) > 1:
            found.append(_separate(states, (name, before), (other, after), change.changed))
    return tuple(found)


def _separate(
    states: Sequence[tuple[str, State]],
    before: tuple[str, State],
    after: tuple[str, State],
    factors: tuple[str, ...],
) -> ExtraTest:
    """Return the best way from one state to the other, one factor at a time."""
    tested = [state for _, state in states]
    now = tested[-1]
    ways: list[tuple[int, int, int, int, list[State], list[State]]] = []
    for order in islice(permutations(factors), ORDERS):
        way = _between(before[1], after[1], order)
        new = [state for state in way if _name_of(state, states) is None]
        lost = sum(not _reachable(now, state) for state in new)
        ways.append((lost, len(new), -len(_completed(tested, new)), len(ways), new, way))
    lost, *_, new, way = min(ways, key=lambda entry: entry[:4])
    otherwise = None
    if len(factors) == 2 and new:
        other = next(entry for entry in ways if entry[-1][0] != way[0])
        otherwise = other[-1][0] if other[0] == 0 else None
    return ExtraTest(
        from_=before[0],
        to=after[0],
        factors=factors,
        unknown=(),
        states=tuple(new),
        already_tested=tuple(name for state in way if (name := _name_of(state, states)) is not None),
        completes=_completed(tested, new),
        otherwise=otherwise,
        possible=lost == 0,
    )


def _reachable(now: State, wanted: State) -> bool:
    """Tell whether a head can be brought to a state: only what can be put back may differ."""
    differing = [factor for factor in wanted if what_changed(now, wanted).changed and now.get(factor) != wanted[factor]]
    return all(factor.casefold().startswith(CAN_BE_PUT_BACK) for factor in differing)


def _between(before: State, after: State, order: Sequence[str]) -> list[State]:
    """Return the states between two, changing one factor after the other."""
    way: list[State] = []
    state = dict(before)
    for factor in order[:-1]:
        state = {**state, factor: after[factor]}
        way.append(state)
    return way


def _name_of(state: State, states: Sequence[tuple[str, State]]) -> str | None:
    """Return the first variant that is in a state."""
    return next((name for name, other in states if what_changed(state, other).nothing), None)


def _completed(tested: Sequence[State], new: Sequence[State]) -> tuple[tuple[str, str], ...]:
    """Return the pairs of factors of which all four corners become known by new states."""
    known = {(corners.factors, corners.places) for corners in find_corners(tested)}
    every = find_corners([*tested, *new])
    return tuple(dict.fromkeys(item.factors for item in every if (item.factors, item.places) not in known))


def _described(state: State) -> str:
    """Return a state in words."""
    return listed([f"{factor} {level!r}" for factor, level in state.items()])
