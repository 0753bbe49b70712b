"""Sheets written by hand, each as another person would, by someone who had not seen the reader.

`handmade/truth.json` has for each sheet its tests: side, port, number of points, first and last flow, their unit, the
test pressure in inH2O (null where each row has its own), and whatever else is to hold. All figures are invented.
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
