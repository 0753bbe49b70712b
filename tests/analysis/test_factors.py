"""What changed, and how two changes act together."""

from __future__ import annotations

import math
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowkit.analysis import compare
from flowkit.analysis.gains import find_corners, what_changed
from flowkit.model import Bench
from tests.analysis.heads import head
from tests.published.checks.analysis import CHECKS

OLD = {"ports": "as cast", "seats": "worn", "valves": "standard"}


def test_one_factor_changed_is_attributable() -> None:
    change = what_changed(OLD, {**OLD, "seats": "recut"})
    assert (change.changed, change.unknown, change.same) == (("seats",), (), ("ports", "valves"))
    assert change.attributable and not change.nothing


def test_two_factors_changed_are_not() -> None:
    change = what_changed(OLD, {**OLD, "seats": "recut", "ports": "blended"})
    assert change.changed == ("ports", "seats")
    assert not change.attributable


def test_a_factor_declared_on_one_side_is_unknown_never_unchanged() -> None:
    change = what_changed(OLD, {"ports": "as cast", "seats": "recut", "guides": "new"})
    assert (change.changed, change.unknown) == (("seats",), ("valves", "guides"))
    assert not change.attributable and not change.nothing


def test_nothing_changed_needs_a_declaration() -> None:
    assert what_changed(OLD, dict(OLD)).nothing
    assert not what_changed({}, {}).nothing
    assert not what_changed(OLD, {**OLD, "guides": "new"}).nothing


def test_case_and_spaces_of_a_level_do_not_matter() -> None:
    assert what_changed({"seats": "Worn  out"}, {"seats": " worn out"}).nothing


CORNERS = [{"ports": p, "seats": s} for s in ("worn", "recut") for p in ("cast", "blended")]


@pytest.mark.parametrize("order", list(permutations(range(4))))
def test_four_corners_are_found_in_any_order(order: tuple[int, ...]) -> None:
    states = [CORNERS[place] for place in order]
    (corners,) = find_corners(states)
    s00, s10, s01, s11 = (states[place] for place in corners.places)
    assert corners.places[0] == 0
    a, b = corners.factors
    assert s10[a] != s00[a] == s01[a] and s11[a] == s10[a]
    assert s01[b] != s00[b] == s10[b] and s11[b] == s01[b]


def test_three_corners_are_not_enough() -> None:
    assert find_corners(CORNERS[:3]) == ()


def test_corners_that_differ_elsewhere_do_not_count() -> None:
    states = [{**state, "valves": "slim" if place == 3 else "standard"} for place, state in enumerate(CORNERS)]
    assert find_corners(states) == ()
    undeclared = [*CORNERS[:3], {**CORNERS[3], "valves": "standard"}]
    assert find_corners(undeclared) == ()


def test_of_equal_states_the_first_counts() -> None:
    (corners,) = find_corners([CORNERS[0], CORNERS[0], *CORNERS[1:]])
    assert corners.places == (0, 2, 3, 4)


def test_three_factors_fully_crossed_give_every_pair_at_every_level() -> None:
    states = [{"a": a, "b": b, "c": c} for a in "01" for b in "01" for c in "01"]
    found = find_corners(states)
    # Three pairs of factors, each at both levels of the third.
    assert sorted(corners.factors for corners in found) == [("a", "b")] * 2 + [("a", "c")] * 2 + [("b", "c")] * 2
    assert len({corners.places for corners in found}) == 6


effects = st.floats(-0.2, 0.2)


@settings(max_examples=15, deadline=None)
@given(effects, effects, effects)
def test_effects_put_in_come_out(first: float, second: float, both: float) -> None:
    """ln Q = a·first + b·second + a·b·both by construction, so the definitions give them back."""
    heads = [
        head(f"{a}{b}", math.exp(a * first + b * second + a * b * both), state={"ports": str(a), "seats": str(b)})
        for b in (0, 1)
        for a in (0, 1)
    ]
    (found,) = compare(heads).sides["intake"].interactions
    assert found.factors == ("ports", "seats")
    assert found.interaction == pytest.approx(both, abs=1e-12)
    assert found.main_effects == pytest.approx((first + both / 2, second + both / 2), abs=1e-12)


@pytest.mark.parametrize("ports", [("1",), ("1", "2", "3", "4")])
def test_intervals_of_the_effects(ports: tuple[str, ...]) -> None:
    """Closed form: each corner's log mean has s/sqrt(ports); the interaction adds four, a main effect half of it."""
    heads = [head(str(place), state=state, ports=ports) for place, state in enumerate(CORNERS)]
    (found,) = compare(heads, bench=Bench(repeatability=0.004)).sides["intake"].interactions
    each = 1.959964 * 0.004 / math.sqrt(len(ports))
    assert found.interaction_u95 == pytest.approx(2 * each, rel=0.05)
    assert found.main_effects_u95 == pytest.approx((each, each), rel=0.05)


def test_effects_are_not_assessed_without_repeatability() -> None:
    heads = [head(str(place), state=state) for place, state in enumerate(CORNERS)]
    (found,) = compare(heads).sides["intake"].interactions
    assert found.main_effects_u95 is None
    assert found.interaction_u95 is None


def test_no_interaction_without_four_corners() -> None:
    heads = [head(str(place), state=state) for place, state in enumerate(CORNERS[:3])]
    assert compare(heads).sides["intake"].interactions == ()


def test_interaction_is_over_the_ports_all_four_have() -> None:
    """Port 2 of one corner is far off and missing from another, so it must not enter."""
    heads = [
        head(str(place), factor, state=state, ports=ports, character=(1.0, 1.5))
        for place, (factor, state, ports) in enumerate(
            zip((1.0, 1.1, 1.2, 1.32), CORNERS, (("1", "2"), ("1",), ("1", "2"), ("1", "2")), strict=True)
        )
    ]
    (found,) = compare(heads).sides["intake"].interactions
    assert found.interaction == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_figures_from_outside(check: object) -> None:
    # The source stands beside each figure in tests/published/checks/analysis.py.
    assert check.holds(), check.difference()  # type: ignore[attr-defined]
