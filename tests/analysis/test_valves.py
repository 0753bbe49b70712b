"""The valve of a variant: from the job, from the sheets, and where they disagree."""

from __future__ import annotations

from dataclasses import replace

import pytest

from flowkit.analysis import compare
from flowkit.analysis.areas import valve_findings, valve_of
from flowkit.model import Conditions, ValveGeometry, Variant
from tests.analysis.heads import TYPICAL, VALVE, corrected

SHEET = Conditions(
    valve_diameter_m=0.038, stem_diameter_m=0.008, throat_diameter_m=0.033, seat_angle_deg=45.0, seat_width_m=0.0014
)


def variant(*conditions: Conditions, job: ValveGeometry | None = None) -> Variant:
    """A variant with a test for each set of conditions."""
    tests = (
        corrected(TYPICAL, variant="a", port=str(port), conditions=item) for port, item in enumerate(conditions, 1)
    )
    return Variant("a", corrected=tuple(tests), valves={"intake": job} if job else {})


def test_the_sheets_fill_up_what_the_job_does_not_state() -> None:
    found = valve_of(variant(SHEET, job=ValveGeometry(stem_m=0.008, offset_m=0.02, port_area_m2=1e-3)), "intake")
    assert found == replace(VALVE, offset_m=0.02, port_area_m2=1e-3)


def test_the_other_side_says_nothing() -> None:
    assert valve_of(variant(SHEET), "exhaust") == ValveGeometry()
    assert valve_findings(variant(SHEET, replace(SHEET, stem_diameter_m=0.007)), "exhaust") == []


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("valve_diameter_m", 0.039, "valve head of 'a' is 38 mm"),
        ("stem_diameter_m", 0.007, "stem of 'a' is 8 mm"),
        ("throat_diameter_m", 0.032, "throat of 'a' is 33 mm"),
        ("seat_angle_deg", 30.0, "seat angle of 'a' is 45°"),
        ("seat_width_m", 0.002, "seat width of 'a' is 1.4 mm"),
    ],
)
def test_sheets_that_contradict_each_other(name: str, value: float, words: str) -> None:
    both = variant(SHEET, replace(SHEET, **{name: value}))
    (found,) = valve_findings(both, "intake")
    assert (found.rule, found.severity, found.where) == ("valve-contradiction", "error", both.corrected[1].id)
    assert words in found.message
    assert found in compare([both], display="metric").findings
    assert valve_of(both, "intake") != valve_of(variant(SHEET), "intake")


def test_a_job_that_contradicts_the_sheet() -> None:
    both = variant(SHEET, job=replace(VALVE, stem_m=0.007))
    (found,) = valve_findings(both, "intake")
    assert (found.rule, found.severity) == ("geometry-differs", "warning")
    assert "stem of 'a' is 7 mm in the job but 8 mm on the sheet" in found.message
    assert valve_of(both, "intake").stem_m == 0.007  # the job's value counts
    assert found in compare([both], display="metric").findings


def test_agreement_is_silent() -> None:
    rounded = replace(SHEET, valve_diameter_m=0.038 + 0.5e-6, seat_angle_deg=45.0 + 1e-7)
    assert valve_findings(variant(SHEET, rounded, job=VALVE), "intake") == []
    assert valve_of(variant(SHEET, rounded, job=VALVE), "intake") == VALVE
