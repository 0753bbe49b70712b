from __future__ import annotations

import pytest
from matplotlib.figure import Figure

from flowkit.errors import FlowkitError
from flowkit.reports.pages.first import chart
from tests.reports.boxes import overlaps, text_boxes
from tests.reports.invented import make_contents


def words(ax) -> list[str]:
    return [text.get_text() for text in ax.texts]


def test_the_headline_stands_over_the_curves() -> None:
    ax = chart(make_contents().comparison)
    assert any(line.startswith("Intake: +12.0 % ± 1.1 mean flow") for line in words(ax))
    assert any(line.startswith("Exhaust: +12.0 % ± 1.1 mean flow") for line in words(ax))
    assert any("28 inH2O, square-root law" in line for line in words(ax))
    figure = ax.figure
    boxes = text_boxes(figure)
    assert not overlaps(boxes)
    width, height = (72 * size for size in figure.get_size_inches())
    assert all(box.x0 >= 0 and box.x1 <= width and box.y1 <= height for _, box in boxes)


def test_one_side_has_its_own_headline_only() -> None:
    ax = chart(make_contents().comparison, side="exhaust", display="metric")
    assert not any(line.startswith("Intake:") for line in words(ax))
    assert any("Flows at 28 inH2O" in line for line in words(ax))
    assert ax.get_ylabel() == "flow, L/s"


def test_on_given_axes_only_what_has_room_is_written_over_them() -> None:
    figure = Figure(figsize=(6, 4))
    ax = chart(make_contents().comparison, figure.add_axes((0.1, 0.1, 0.85, 0.78)), side="intake")
    assert any(line.startswith("Intake:") for line in words(ax))
    assert not any("square-root" in line for line in words(ax))


def test_one_variant_alone_has_no_headline() -> None:
    ax = chart(make_contents(variants=1).comparison)
    assert not any("mean flow," in line for line in words(ax))
    assert "intake, as received" in words(ax)


def test_no_such_side() -> None:
    with pytest.raises(FlowkitError, match="no exhaust curves"):
        chart(make_contents(sides=("intake",)).comparison, side="exhaust")
