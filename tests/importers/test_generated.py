"""The generator of sheets itself: the same seed gives the same sheet, and every axis of the trade occurs."""

from __future__ import annotations

import itertools
from functools import cache

import pytest

from tests.importers.generator import make
from tests.importers.generator.files import KINDS
from tests.importers.generator.layouts import LAYOUTS
from tests.importers.generator.words import WORDS
from tests.importers.score import read_points, same_points, score_all, true_points

pytestmark = pytest.mark.slow


@cache
def sheets():
    """Four hundred of them, made by the worker that looks at them."""
    return [make(seed) for seed in range(400)]


def test_a_seed_gives_the_same_sheet() -> None:
    for seed in (1, 7, 30):
        again = make(seed)
        assert again.truth == sheets()[seed].truth
        assert again.name == sheets()[seed].name
        assert again.tags == sheets()[seed].tags


def test_every_axis_occurs() -> None:
    for axis, values in (("kind", KINDS), ("layout", LAYOUTS), ("language", WORDS)):
        assert {sheet.tags[axis] for sheet in sheets()} >= set(values)
    quirks = {tag for sheet in sheets() for tag in sheet.tags if tag.startswith("quirk")}
    assert len(quirks) >= 12
    assert len({sheet.tags["trap"] for sheet in sheets() if "trap" in sheet.tags}) >= 9


def test_points_rise_and_are_told_apart() -> None:
    sheet = next(item for item in sheets() if len(item.truth.tests) > 3)
    points = [true_points(test, sheet) for test in sheet.truth.tests]
    for mine in points:
        assert all(a[1] < b[1] for a, b in itertools.pairwise(mine))
        assert sum(same_points(mine, other) for other in points) == 1
    read = {"points": [{"lift_m": lift, "flow_m3_s": flow * 1.00001} for lift, flow in points[0]]}
    assert not same_points(points[0], read_points(read))


def test_the_reader_on_generated_sheets() -> None:
    """No sheet is read wrong; the share that is asked about without need is the one reached on 2026-11-27."""
    scores = score_all(range(300), jobs=1)
    verdicts = [score.outcome for score in scores]
    assert [score.seed for score in scores if score.outcome in ("wrong", "crash")] == []
    assert verdicts.count("right") + verdicts.count("rightly asked") >= 294
