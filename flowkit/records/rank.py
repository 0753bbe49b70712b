"""Where a head is among like ones: flow over valve area and coefficient, against lift over valve diameter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from flowkit.records.store import PROFILE_RATIOS, Store, profile_of

if TYPE_CHECKING:
    from flowkit.model import Variant

ENOUGH = 5
"""Heads from which on a percentile is given."""
RANGE = 0.1
"""Valves within a tenth of this one's diameter are like it, unless somebody says otherwise."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where one state of the head is at one lift."""

    side: str
    state: str
    ratio: float  # lift over valve diameter
    value: float  # flow over valve area [m/s], or the coefficient
    percentile: float | None  # share of the others that flow less; None where there are too few heads
    quartiles: tuple[float, ...] | None  # of the others: 10, 25, 50, 75 and 90 %


@dataclass(frozen=True, slots=True)
class SideRank:
    """The places of one side, by flow over valve area and by coefficient, and whom it was compared with."""

    side: str
    valve_m: float | None
    low_m: float
    high_m: float
    heads: int
    states: int
    tests: int
    flow: tuple[Place, ...]
    coefficient: tuple[Place, ...]


def rank(
    store: Store,
    variants: Sequence[Variant],
    reference: Mapping[str, Any],
    *,
    but_for: str | None = None,
    within: float = RANGE,
) -> tuple[SideRank, ...]:
    """Place each state of a head among recorded heads with like valves."""
    from flowkit.output import jsonable

    found = []
    for side in ("intake", "exhaust"):
        own: dict[str, list[tuple[float, ...]]] = {}
        diameters = []
        for variant in variants:
            for test in variant.corrected:
                if test.side == side:
                    conditions = jsonable(test.conditions)
                    points = [(point.lift_m, point.flow_m3_s) for point in test.points]
                    lifts, flows = zip(*points, strict=True) if points else ((), ())
                    profile = profile_of(side, lifts, flows, conditions, reference)
                    own.setdefault(variant.name, []).extend([profile] if profile else [])
                    diameters += [conditions["valve_diameter_m"]] if conditions["valve_diameter_m"] else []
        if own:
            found.append(_side(store, side, own=own, diameters=diameters, but_for=but_for, within=within))
    return tuple(found)


def _side(
    store: Store,
    side: str,
    *,
    own: Mapping[str, Sequence[tuple[float, ...]]],
    diameters: Sequence[float],
    but_for: str | None,
    within: float,
) -> SideRank:
    """Place one side."""
    import numpy as np

    if not diameters:
        return SideRank(side, None, 0.0, 0.0, 0, 0, 0, (), ())
    valve = float(np.median(diameters))
    low, high = valve * (1 - within), valve * (1 + within)
    others, heads, tests = _others(store, side, low, high, but_for)
    count = len(PROFILE_RATIOS)
    places: tuple[list[Place], list[Place]] = ([], [])
    for state, profiles in own.items():
        if not profiles:
            continue
        mean = _mean(np.array(profiles))
        for which in range(2):
            for index, ratio in enumerate(PROFILE_RATIOS):
                column = which * count + index
                value = float(mean[column])
                if math.isnan(value):
                    continue
                rest = others[:, column][~np.isnan(others[:, column])] if len(others) else np.array([])
                enough = heads >= ENOUGH and len(rest) >= ENOUGH
                share = float(np.mean(rest < value) + 0.5 * np.mean(rest == value)) if enough else None
                band = tuple(np.percentile(rest, [10, 25, 50, 75, 90]).tolist()) if enough else None
                places[which].append(Place(side, state, ratio, value, share, band))
    return SideRank(side, valve, low, high, heads, len(others), tests, tuple(places[0]), tuple(places[1]))


def _mean(profiles: Any) -> Any:
    """Return the mean over tests, leaving out what a test does not reach."""
    import numpy as np

    known = ~np.isnan(profiles)
    number = known.sum(axis=0)
    total = np.where(known, profiles, 0.0).sum(axis=0)
    return np.where(number > 0, total / np.maximum(number, 1), math.nan)


def _others(store: Store, side: str, low: float, high: float, but_for: str | None) -> tuple[Any, int, int]:
    """Return the mean profile of every recorded state of a head with such a valve, how many heads, how many tests."""
    import numpy as np

    rows = store.rows(
        "SELECT entry_id, state, lower(coalesce(head, '')), identity, profile FROM tests "
        "JOIN entries ON entries.id = entry_id "
        "WHERE current = 1 AND side = ? AND valve_m BETWEEN ? AND ? AND profile IS NOT NULL AND path <> ?",
        (side, low, high, but_for or ""),
    )
    width = 2 * len(PROFILE_RATIOS)
    if not rows:
        return np.empty((0, width)), 0, 0
    seen: set[str] = set()
    kept = [row for row in rows if not (row[3] in seen or seen.add(row[3]))]  # type: ignore[func-returns-value]
    profiles = np.frombuffer(b"".join(row[4] for row in kept), dtype="<f8").reshape(len(kept), width)
    keys = {key: index for index, key in enumerate(dict.fromkeys((row[0], row[1], row[2]) for row in kept))}
    index = np.array([keys[row[0], row[1], row[2]] for row in kept])
    known = ~np.isnan(profiles)
    total, number = np.zeros((len(keys), width)), np.zeros((len(keys), width))
    np.add.at(total, index, np.where(known, profiles, 0.0))
    np.add.at(number, index, known)
    means = np.where(number > 0, total / np.maximum(number, 1), math.nan)
    return means, len({(key[0], key[2]) for key in keys}), len(kept)


def draw_rank(sides: Sequence[SideRank], path: Path, *, title: str = "", display: str = "US") -> None:
    """Draw the head's states over the band of the others, as PNG, SVG or PDF by the path's ending."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from flowkit.drawing.looks import PALETTE
    from flowkit.output import written_whole
    from flowkit.units import from_si

    shown = [side for side in sides if side.flow]
    figure = Figure(figsize=(10, 4.6 * max(len(shown), 1)), layout="constrained")
    FigureCanvasAgg(figure)
    unit, factor = ("CFM/in²", from_si(1.0, "CFM") / (1 / 0.0254**2)) if display == "US" else ("m/s", 1.0)
    axes = figure.subplots(max(len(shown), 1), 2, squeeze=False)
    for row, side in enumerate(shown):
        kinds = (
            (side.flow, f"flow over valve area, {unit}", factor),
            (side.coefficient, "coefficient on the minimum area", 1.0),
        )
        for column, (places, label, scale) in enumerate(kinds):
            ax = axes[row][column]
            _panel(ax, places, scale, [colour for _, colour in PALETTE])
            if not places:
                ax.set_axis_off()
                continue
            ax.set_xlabel("lift over valve diameter")
            ax.set_ylabel(label)
            others = f"{side.heads} head{'' if side.heads == 1 else 's'} in {side.states} states"
            against = f"against {others}" if side.heads >= ENOUGH else f"{others} recorded, too few to rank"
            ax.set_title(f"{side.side.capitalize()}, {against}", fontsize=10, loc="left")
    handles = {label: handle for ax in axes.flat for handle, label in zip(*ax.get_legend_handles_labels(), strict=True)}
    labels = [fill(label, 46) for label in handles]
    figure.legend(handles.values(), labels, loc="outside lower left", ncols=2, fontsize=8, frameon=False)
    if title:
        figure.suptitle(title, fontsize=12, x=0.01, ha="left")
    with written_whole(Path(path)) as draft:
        figure.savefig(draft, dpi=130)


def _panel(ax: Any, places: Sequence[Place], scale: float, colours: Sequence[str]) -> None:
    """Draw one panel: the others' band in grey, each state as a line."""
    states = list(dict.fromkeys(place.state for place in places))
    band = [place for place in places if place.quartiles and place.state == states[0]]
    if band:
        x = [place.ratio for place in band]
        q = [[value * scale for value in place.quartiles or ()] for place in band]
        ax.fill_between(x, [r[0] for r in q], [r[4] for r in q], color="0.90", label="8 of 10 others", lw=0)
        ax.fill_between(x, [r[1] for r in q], [r[3] for r in q], color="0.80", label="half of the others", lw=0)
        ax.plot(x, [r[2] for r in q], color="0.5", lw=1, label="middle of the others")
    styles = ("-", "--", "-.", ":")
    for number, state in enumerate(states):
        own = [place for place in places if place.state == state]
        ax.plot(
            [place.ratio for place in own],
            [place.value * scale for place in own],
            color=colours[number % len(colours)],
            ls=styles[number % len(styles)],
            marker="o",
            ms=3.5,
            label=state,
        )
    if not places:
        ax.text(
            0.5,
            0.5,
            "coefficient: the seat's and throat's\ndimensions are not stated",
            ha="center",
            va="center",
            transform=ax.transAxes,
            color="0.4",
        )
    ax.spines[["top", "right"]].set_visible(False)
