"""Where a head is among like ones: flow over valve area and coefficient, against lift over valve diameter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from flowkit.model import SIDES, K, Side, Variant
from flowkit.records.store import PROFILE_RATIOS, Store, profile_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
    for side in SIDES:
        states: list[str] = []
        own: list[tuple[float, ...]] = []
        diameters: list[float] = []
        for variant in variants:
            for test in variant.corrected:
                if test.side == side:
                    conditions, points = jsonable(test.conditions), test.points
                    lifts, flows = [point.lift_m for point in points], [point.flow_m3_s for point in points]
                    profile = profile_of(side, lifts, flows, conditions, reference)
                    if profile:
                        states.append(variant.name)
                        own.append(profile)
                    diameters.append(conditions["valve_diameter_m"])
        if diameters:
            known = [diameter for diameter in diameters if diameter]
            found.append(_placed(store, side, (states, own), known, but_for, within))
    return tuple(found)


def _placed(  # noqa: PLR0917
    store: Store,
    side: Side,
    own: tuple[list[str], list[tuple[float, ...]]],
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
    rows = store.rows(
        "SELECT entry_id, state, lower(coalesce(head, '')), identity, profile FROM tests "
        "JOIN entries ON entries.id = entry_id "
        "WHERE current = 1 AND side = ? AND valve_m BETWEEN ? AND ? AND profile IS NOT NULL AND path <> ?",
        (side, low, high, but_for or ""),
    )
    count, kept = len(PROFILE_RATIOS), list({row[3]: row for row in reversed(rows)}.values())
    others = _means([row[:3] for row in kept], np.frombuffer(b"".join(row[4] for row in kept), dtype="<f8"))
    profiles = np.array(list(others.values())).reshape(len(others), 2 * count)
    heads = len({(entry, head) for entry, _, head in others})
    places: tuple[list[Place], list[Place]] = ([], [])
    for state, mean in _means(own[0], np.array(own[1])).items():
        for column, value in enumerate(mean.tolist()):
            if math.isnan(value):
                continue
            rest = profiles[~np.isnan(profiles[:, column]), column]
            enough = heads >= ENOUGH and len(rest) >= ENOUGH
            share = float(np.mean(rest < value) + 0.5 * np.mean(rest == value)) if enough else None
            band = tuple(np.percentile(rest, [10, 25, 50, 75, 90]).tolist()) if enough else None
            places[column // count].append(Place(side, state, PROFILE_RATIOS[column % count], value, share, band))
    return SideRank(side, valve, low, high, heads, len(others), len(kept), tuple(places[0]), tuple(places[1]))


def _means(keys: Sequence[K], profiles: NDArray[np.float64]) -> dict[K, NDArray[np.float64]]:
    """Return the mean profile of each key, leaving out what a test does not reach."""
    import numpy as np

    found = {key: index for index, key in enumerate(dict.fromkeys(keys))}
    index, values = [found[key] for key in keys], profiles.reshape(len(keys), 2 * len(PROFILE_RATIOS))
    known = ~np.isnan(values)
    total, number = np.zeros((2, len(found), values.shape[1]))
    np.add.at(total, index, np.where(known, values, 0.0))
    np.add.at(number, index, known)
    means = np.where(number > 0, total / np.maximum(number, 1), math.nan)
    return dict(zip(found, means, strict=True))


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
        others = f"{side.heads} head{'' if side.heads == 1 else 's'} in {side.states} states"
        against = f"against {others}" if side.heads >= ENOUGH else f"{others} recorded, too few to rank"
        for ax, (places, label, scale) in zip(axes[row], kinds, strict=True):
            if not places:
                words = "coefficient: the seat's and throat's\ndimensions are not stated"
                ax.text(0.5, 0.5, words, ha="center", va="center", transform=ax.transAxes, color="0.4")
                ax.set_axis_off()
                continue
            _panel(ax, places, scale, [colour for _, colour in PALETTE])
            ax.set_xlabel("lift over valve diameter")
            ax.set_ylabel(label)
            ax.set_title(f"{side.side.capitalize()}, {against}", fontsize=10, loc="left")
            ax.spines[["top", "right"]].set_visible(False)
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
    for number, state in enumerate(states):
        own = [place for place in places if place.state == state]
        look = {"color": colours[number % len(colours)], "ls": ("-", "--", "-.", ":")[number % 4]}
        x, y = [place.ratio for place in own], [place.value * scale for place in own]
        ax.plot(x, y, marker="o", ms=3.5, label=state, **look)
