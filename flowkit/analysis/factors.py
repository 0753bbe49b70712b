"""What changed between variants, and how two changes act together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.analysis.curves import SideVariant, common_ports
from flowkit.analysis.results import Interaction

__all__ = ["Change", "Corners", "find_corners", "interaction", "log_effects", "what_changed"]


@dataclass(frozen=True, slots=True)
class Change:
    """What is known of the difference between two states.

    Attributes
    ----------
    changed : tuple of str
        Factors declared in both, with another level.
    unknown : tuple of str
        Factors declared in one only.
    same : tuple of str
        Factors declared in both, with the same level.
    """

    changed: tuple[str, ...]
    unknown: tuple[str, ...]
    same: tuple[str, ...]

    @property
    def attributable(self) -> bool:
        """Exactly one factor changed and none is unknown."""
        return len(self.changed) == 1 and not self.unknown

    @property
    def nothing(self) -> bool:
        """States were declared, and nothing changed: the difference is repeatability."""
        return bool(self.same) and not self.changed and not self.unknown


def what_changed(before: Mapping[str, str], after: Mapping[str, str]) -> Change:
    """Compare two states factor by factor.

    Parameters
    ----------
    before, after : mapping
        Factor to level.

    Returns
    -------
    Change

    Examples
    --------
    >>> what_changed({"ports": "as cast", "seats": "worn"}, {"ports": "as cast", "seats": "recut"}).changed
    ('seats',)
    >>> what_changed({"ports": "as cast"}, {}).unknown
    ('ports',)
    """
    every = tuple(dict.fromkeys((*before, *after)))
    both = tuple(factor for factor in every if factor in before and factor in after)
    return Change(
        changed=tuple(factor for factor in both if _level(before[factor]) != _level(after[factor])),
        unknown=tuple(factor for factor in every if factor not in both),
        same=tuple(factor for factor in both if _level(before[factor]) == _level(after[factor])),
    )


def _level(text: str) -> str:
    """Fold a level's case and spaces."""
    return " ".join(text.casefold().split())


@dataclass(frozen=True, slots=True)
class Corners:
    """Four variants that differ in two factors and nothing else.

    Attributes
    ----------
    factors : tuple of two str
    places : tuple of four int
        The variants with levels 00, 10, 01 and 11 of the two factors, 0 being the level that
        comes first among the variants.
    """

    factors: tuple[str, str]
    places: tuple[int, int, int, int]


def find_corners(states: Sequence[Mapping[str, str]]) -> tuple[Corners, ...]:
    """Find every set of four states that are the corners of two factors.

    Parameters
    ----------
    states : sequence of mapping
        Factor to level, a state per variant; of equal states the first counts.

    Returns
    -------
    tuple of Corners

    Examples
    --------
    >>> find_corners([{"p": "0", "v": "0"}, {"p": "1", "v": "0"}, {"p": "0", "v": "1"}, {"p": "1", "v": "1"}])
    (Corners(factors=('p', 'v'), places=(0, 1, 2, 3)),)
    """
    folded = [{factor: _level(level) for factor, level in state.items()} for state in states]
    where: dict[frozenset[tuple[str, str]], int] = {}
    for place, state in enumerate(folded):
        where.setdefault(frozenset(state.items()), place)
    found: dict[tuple[tuple[str, str], tuple[int, ...]], Corners] = {}
    for place, state in enumerate(folded):
        for factors in combinations(state, 2):
            for others in _others(folded, state, factors):
                corner = [
                    where.get(frozenset({**state, **change}.items()))
                    for change in (
                        {},
                        {factors[0]: others[0]},
                        {factors[1]: others[1]},
                        dict(zip(factors, others, strict=True)),
                    )
                ]
                places = [item for item in corner if item is not None]
                if len(places) == 4 and min(places) == place == places[0]:
                    key = (tuple(sorted(factors)), tuple(sorted(places)))
                    found.setdefault(key, Corners(factors, tuple(places)))  # type: ignore[arg-type]
    return tuple(found.values())


def _others(
    states: Sequence[Mapping[str, str]], state: Mapping[str, str], factors: tuple[str, ...]
) -> Iterator[tuple[str, str]]:
    """Yield the levels both factors have in states that differ from this one in both and nothing else."""
    rest = {factor: level for factor, level in state.items() if factor not in factors}
    for other in states:
        if {factor: level for factor, level in other.items() if factor not in factors} != rest:
            continue
        if all(factor in other and other[factor] != state[factor] for factor in factors):
            yield other[factors[0]], other[factors[1]]


def log_effects(mean_flows: Sequence[ArrayLike]) -> tuple[NDArray[np.float64], ...]:
    """Return both main effects and the interaction of four corners.

    Parameters
    ----------
    mean_flows : four array_like of one shape
        Of the corners 00, 10, 01 and 11, numbers or draws [m³/s].

    Returns
    -------
    tuple of three ndarray
        Natural logarithms.

    Notes
    -----
    Two-level factorial (Box, Hunter & Hunter, Statistics for Experimenters, 2nd ed. 2005, ch. 5) of
    logarithms, since gains multiply: the interaction is ``ln Q11 − ln Q10 − ln Q01 + ln Q00``, a main
    effect the mean of the factor's two log steps.

    Examples
    --------
    >>> [round(float(effect), 6) for effect in log_effects([1.0, np.e, np.e**2, np.e**3.5])]
    [1.25, 2.25, 0.5]
    """
    q00, q10, q01, q11 = (np.log(np.asarray(flow, dtype=float)) for flow in mean_flows)
    return ((q10 - q00) + (q11 - q01)) / 2, ((q01 - q00) + (q11 - q10)) / 2, q11 - q10 - q01 + q00


def interaction(
    corners: Corners,
    variants: Sequence[SideVariant],
    mean_flow: Callable[[SideVariant, tuple[str, ...]], float],
    u95: Sequence[float] | None = None,
) -> Interaction:
    """Return main effects and interaction of two factors.

    Parameters
    ----------
    corners : Corners
    variants : sequence of SideVariant
    mean_flow : callable
        Mean flow [m³/s] of a variant over some ports (all where none is named).
    u95 : sequence of three floats, optional
        Half the 95 % intervals of both main effects and the interaction, natural logarithms.

    Returns
    -------
    Interaction
        Natural logarithms; over the ports that all four have, or all of each where none.

    Notes
    -----
    See `log_effects`.
    """
    four = [variants[place] for place in corners.places]
    ports = common_ports(four)
    first, second, both = (float(effect) for effect in log_effects([mean_flow(variant, ports) for variant in four]))
    if u95 is None:
        return Interaction(corners.factors, (first, second), both)
    return Interaction(corners.factors, (first, second), both, (u95[0], u95[1]), u95[2])
