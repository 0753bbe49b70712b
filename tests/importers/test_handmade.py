"""Sheets written by hand, each as another person would, by someone who had not seen the reader.

`handmade/truth.json` has for each sheet its tests: side, port, number of points, first and last flow, their unit, the
test pressure in inH2O (null where each row has its own), and whatever else is to hold. `handmade/points.json` has every
lift and flow, more than one reading where a careful reader may choose, and what may or must be asked. All figures are
invented.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import flowkit

FOLDER = Path(__file__).parent / "handmade"
TRUTH: dict[str, list[list[Any]]] = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
ASKED = {
    "1-04.csv": "states no pressure",
    "1-08.csv": "states no pressure",
    "1-35.txt": "its two lines of headings are beside the lifts",
    "2-01.txt": "says 28 without a unit",
    "4-20.xlsx": "hides a column of flows: warned of",
    "6-08.txt": "says in its labels what the columns are, which have no headings",
}
"""Sheets that are asked or warned about, and why."""


@pytest.mark.parametrize("name", TRUTH)
def test_a_sheet_written_by_hand_is_read_right_or_asked_about(name: str) -> None:
    try:
        result = flowkit.read(FOLDER / name)
    except flowkit.FlowkitError:
        assert name in ASKED
        return
    if name in ASKED:
        assert any(finding.severity != "note" for finding in result.findings)
        return
    assert [finding.message for finding in result.findings if finding.severity == "error"] == []
    left = list(result.tests)
    for wanted in TRUTH[name]:
        found = next((test for test in left if _is(test, wanted)), None)
        assert found is not None, wanted
        left.remove(found)
    assert left == []


def _is(test: flowkit.FlowTest, wanted: list[Any]) -> bool:
    """Whether a test is the one that is wanted."""
    side, port, count, first, last, unit, pressure, *more = wanted
    if test.side != side or port not in (None, test.port) or len(test.points) != count:
        return False
    flows = [flowkit.to_si(value, unit) for value in (first, last)]
    read = [test.points[0].flow_m3_s, test.points[-1].flow_m3_s]
    if read != pytest.approx(flows, rel=1e-9):
        return False
    if isinstance(pressure, (int, float)):
        at = test.pressure_at(test.points[0])
        if at is None or at != pytest.approx(flowkit.to_si(pressure, "inH2O"), rel=2e-3):
            return False
    return all(
        str(getattr(test, key)).casefold() == value.casefold() for key, value in (more[0] if more else {}).items()
    )


POINTS: dict[str, dict[str, Any]] = json.loads((FOLDER / "points.json").read_text(encoding="utf-8"))
NEEDLESS = {
    "8-26.csv": "has a column of lifts for each side, headed In lift and Ex lift",
    "8-07.csv": "says a pressure for each side in one line",
    "8-18.csv": "has lifts in tenths of a millimetre",
    "9-03.csv": "writes @ before each lift",
    "9-24.csv": "has lifts in a column without a heading, under a line of ports",
    "11-07.csv": "has decimal commas for lifts and points between thousands for flows",
    "12-04.pdf": "was printed from a browser, and a port is blank",
    "12-06.pdf": "was printed from a browser, in letters set close",
    "12-14.pdf": "was printed from a browser, with remarks in its last column",
}
"""Sheets of `points.json` that a careful reader would read and that may still be asked about, and what they do."""


@pytest.mark.parametrize("name", POINTS)
def test_every_point_is_read_or_the_sheet_is_asked_about(name: str) -> None:
    truth = POINTS[name]
    try:
        result = flowkit.read(FOLDER / name)
    except flowkit.FlowkitError:
        assert "ask" in truth or name in NEEDLESS
        return
    if not result.tests or any(finding.severity == "error" for finding in result.findings):
        assert "ask" in truth or name in NEEDLESS, [finding.message for finding in result.findings]
        return
    if name in NEEDLESS and all(test.side is None for test in result.tests):
        return  # the side is asked for by whatever needs it
    assert "tests" in truth, "this sheet must be asked about"
    misfits = [_misfit(list(result.tests), wanted) for wanted in truth["tests"]]
    assert "" in misfits, misfits
    assert result.findings or not truth.get("say"), "nothing is said of what is doubtful"


def _misfit(left: list[flowkit.FlowTest], wanted: list[list[Any]]) -> str:
    """What is missing or left over; nothing where every test is there, point by point."""
    for one in wanted:
        found = next((test for test in left if _same(test, one)), None)
        if found is None:
            return f"missing {one}"
        left.remove(found)
    return f"too many: {[(test.side, test.port, test.variant) for test in left]}" if left else ""


def _same(test: flowkit.FlowTest, wanted: list[Any]) -> bool:
    """Whether a test has these points at this pressure, and whatever else is said of it."""
    side, port, (lift_unit, lifts), flows, unit, pressure, more = wanted
    if test.side != side or test.port not in ((port,) if port else (None, "1")) or len(test.points) != len(lifts):
        return False
    points = sorted(test.points, key=lambda point: point.lift_m) if lifts == sorted(lifts) else list(test.points)
    at = [test.pressure_at(point) or 0.0 for point in points]
    pressures = more.get("pressures", [pressure] * len(lifts))
    return bool(
        [point.lift_m for point in points] == pytest.approx([flowkit.to_si(x, lift_unit) for x in lifts], rel=1e-3)
        and [point.flow_m3_s for point in points] == pytest.approx([flowkit.to_si(x, unit) for x in flows], rel=1e-6)
        and at == pytest.approx([flowkit.to_si(x, "inH2O") for x in pressures], rel=2e-3)
        and all(
            str(getattr(test, key)).casefold().startswith(value.casefold())
            for key, value in more.items()
            if key != "pressures"
        )
    )
