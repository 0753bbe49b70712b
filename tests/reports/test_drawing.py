from __future__ import annotations

import subprocess
import sys
from itertools import pairwise

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from scipy.interpolate import PchipInterpolator

from flowkit import drawing
from flowkit.errors import FlowkitError
from tests.published.okabe_ito_2008 import COLORS
from tests.reports.boxes import overlaps, text_boxes
from tests.reports.invented import make_contents


def test_the_palette_is_the_published_one() -> None:
    ours = {name: tuple(int(code[i : i + 2], 16) for i in (1, 3, 5)) for name, code in drawing.PALETTE}
    grey = ours.pop("grey")
    assert ours == {name: rgb for name, rgb in COLORS.items() if name != "yellow"}
    assert len(set(grey)) == 1


def test_eight_variants_differ_in_colour_and_line_and_marker() -> None:
    looks = [drawing.variant_style(i) for i in range(8)]
    assert len({look.color for look in looks}) == 8
    assert len({look.dashes for look in looks}) == 8
    assert len({look.marker for look in looks}) == 8


def test_beyond_eight_no_two_variants_look_alike_even_on_a_photocopy() -> None:
    looks = [drawing.variant_style(i) for i in range(24)]
    assert len({(look.color, look.dashes, look.marker) for look in looks}) == 24
    assert len({(look.dashes, look.marker) for look in looks}) == 24


def test_text_colours_reach_the_contrast_of_wcag() -> None:
    # WCAG 2.1, 1.4.3: 4.5 to 1. #767676 is the lightest grey that reaches it on white, #777777 fails
    # (common knowledge of accessibility checkers; 4.54 and 4.48).
    assert drawing.readable("#767676") == "#767676"
    assert drawing.readable("#777777") == "#767676"
    assert drawing.readable("#FFFFFF", 22.0) == "#000000"


def test_text_width_is_what_matplotlib_measures() -> None:
    figure = Figure(dpi=72)
    canvas = FigureCanvasAgg(figure)
    for bold in (False, True):
        for text in ("+18.7 % ± 1.1", "slim-stem valves", "прошивка каналов"):
            with drawing.style():
                artist = figure.text(0, 0, text, size=20, weight="bold" if bold else "normal")
                width = artist.get_window_extent(canvas.get_renderer()).width
            assert drawing.text_width(text, 20, bold=bold) == pytest.approx(width, rel=0.02)


@given(st.lists(st.tuples(st.floats(-50, 150), st.floats(5, 12)), min_size=1, max_size=10))
def test_labels_are_moved_apart_in_their_order(labels: list[tuple[float, float]]) -> None:
    wanted, heights = [w for w, _ in labels], [h for _, h in labels]
    places = drawing.place_labels(wanted, heights, 0.0, 130.0)
    order = sorted(range(len(labels)), key=lambda i: places[i])
    assert all(wanted[a] <= wanted[b] for a, b in pairwise(order))
    for a, b in pairwise(order):
        assert places[b] - places[a] >= (heights[a] + heights[b]) / 2 - 1e-9
    assert min(p - h / 2 for p, h in zip(places, heights, strict=True)) >= -1e-9
    assert max(p + h / 2 for p, h in zip(places, heights, strict=True)) <= 130 + 1e-9


def test_labels_that_are_apart_stay_where_they_are() -> None:
    assert drawing.place_labels([50, 10, 30], [8, 8, 8], 0, 60) == pytest.approx([50, 10, 30])


def test_two_labels_at_one_place_share_the_way() -> None:
    assert drawing.place_labels([20, 20], [8, 8], 0, 60) == pytest.approx([16, 24])


def test_too_many_labels_share_the_room_evenly() -> None:
    assert drawing.place_labels([0, 0, 0, 0], [10] * 4, 0, 20) == pytest.approx([2.5, 7.5, 12.5, 17.5])


def test_the_curve_is_scipys_pchip() -> None:
    x, y = drawing.smooth([1, 2, 4, 7], [0.0, 3.0, 3.5, 9.0])
    assert y == pytest.approx(PchipInterpolator([1, 2, 4, 7], [0.0, 3.0, 3.5, 9.0])(x))
    assert x[0] == 1 and x[-1] == 7
    assert all(np.isclose(x, lift).any() for lift in (2, 4))
    assert [list(part) for part in drawing.smooth([3], [4])] == [[3], [4]]


def test_a_comparison_is_drawn_with_curves_points_bands_and_names() -> None:
    comparison = make_contents().comparison
    ax = drawing.plot_comparison(comparison)
    assert len(ax.get_lines()) == 8
    assert sum(isinstance(item, PolyCollection) for item in ax.collections) == 8
    assert sum(isinstance(item, LineCollection) for item in ax.collections) == 1
    assert {text.get_text() for text in ax.texts} == {
        f"{side}, {name}"
        for side in ("intake", "exhaust")
        for name in ("as received", "seats recut", "ports blended", "slim-stem valves")
    }
    assert ax.get_xlabel() == "valve lift, in" and ax.get_ylabel() == "flow, CFM"
    first = ax.get_lines()[0]
    marked = first.get_xydata()[first.get_markevery()]
    variant = comparison.sides["intake"].variants[0]
    assert marked[:, 0] == pytest.approx([lift / 0.0254 for lift in variant.lifts_m])
    assert marked[:, 1] == pytest.approx([flow / (0.3048**3 / 60) for flow in variant.flow_m3_s])
    assert not overlaps(text_boxes(ax.figure))


def test_one_side_on_given_axes_in_metric_units() -> None:
    figure = Figure()
    own = figure.add_subplot()
    ax = drawing.plot_comparison(make_contents(known=False).comparison, own, "exhaust", display="metric")
    assert ax is own
    assert len(ax.get_lines()) == 4
    assert not any(isinstance(item, PolyCollection) for item in ax.collections)
    assert ax.get_xlabel() == "valve lift, mm" and ax.get_ylabel() == "flow, L/s"
    assert {text.get_text() for text in ax.texts} >= {"as received"}


def test_nothing_global_is_touched() -> None:
    import matplotlib.pyplot as plt

    before, figures = dict(matplotlib.rcParams), plt.get_fignums()
    drawing.plot_comparison(make_contents().comparison)
    assert dict(matplotlib.rcParams) == before
    assert plt.get_fignums() == figures


def test_what_cannot_be_drawn_is_said() -> None:
    comparison = make_contents(sides=("intake",)).comparison
    with pytest.raises(FlowkitError, match="no exhaust curves to draw"):
        drawing.plot_comparison(comparison, side="exhaust")
    with pytest.raises(FlowkitError, match="'US' or 'metric'"):
        drawing.plot_comparison(comparison, display="imperial")
    with pytest.raises(FlowkitError, match="no points to draw"):
        drawing.plot_tests([])


def test_tests_are_drawn_as_they_are() -> None:
    tests = make_contents().variants[0].tests
    ax = drawing.plot_tests(tests)
    assert len(ax.get_lines()) == len(tests)
    assert "as received intake 1, run 2" in [text.get_text() for text in ax.texts]
    assert ax.get_ylim()[0] == 0


def test_sheet_text_is_never_taken_for_mathematics() -> None:
    contents = make_contents(variants=["$x_1^2$", r"\frac{a}{b}"])
    ax = drawing.plot_comparison(contents.comparison)
    boxes = dict(text_boxes(ax.figure))
    assert "intake, $x_1^2$" in boxes
    assert all(not text.get_parse_math() for text in ax.texts)


def test_a_plot_is_saved_whole(tmp_path) -> None:
    path = tmp_path / "curves.png"
    drawing.save_plot(make_contents().variants[1].tests, path)
    assert path.read_bytes().startswith(b"\x89PNG")
    with pytest.raises(FlowkitError):
        drawing.save_plot([], tmp_path / "none.png")
    assert [item.name for item in tmp_path.iterdir()] == ["curves.png"]


def test_importing_draws_nothing_in() -> None:
    heavy = ("matplotlib", "scipy", "pandas", "numpy")
    code = f"import sys, flowkit.drawing; print([m for m in {heavy} if m in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"
