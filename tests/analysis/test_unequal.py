"""A correction that one state of the head had and another could not have is not taken for a gain."""

from __future__ import annotations

import pytest

from flowkit.analysis import compare
from flowkit.analysis.checks import corrected_unequally
from flowkit.corrections import correct
from flowkit.model import Finding, LedgerLine, Reference, Variant
from flowkit.samples import sample_job
from tests.analysis.heads import BROUGHT, TYPICAL, corrected
from tests.corrections.samples import flow_test

PLATE = {"check_reading_m3_s": 0.1, "check_nominal_m3_s": 0.1}


def line(correction: str, *, factor: float | None = None, offset: float | None = None, **inputs: float) -> LedgerLine:
    """A correction by a factor or an offset; else one that was not made."""
    return LedgerLine(
        correction,
        "invented",
        inputs,
        factor=None if factor is None else (factor,) * len(TYPICAL),
        offset_m3_s=None if offset is None else (offset,) * len(TYPICAL),
        skipped="something" if factor is None and offset is None else None,
    )


def variant(name: str, *lines: LedgerLine, side: str = "intake") -> Variant:
    """A variant with one port for each line, of typical flows."""
    tests = (
        corrected(TYPICAL, variant=name, side=side, port=port, ledger=(one, BROUGHT))  # type: ignore[arg-type]
        for port, one in zip("1234", lines, strict=False)
    )
    return Variant(name, corrected=tuple(tests))


def only(*variants: Variant, side: str = "intake") -> Finding:
    """The single finding."""
    (found,) = corrected_unequally(side, variants)  # type: ignore[arg-type]
    return found


def test_what_was_corrected_by_how_much_and_what_is_missing() -> None:
    finding = only(variant("a", line("check-plate", factor=0.952, **PLATE)), variant("b", line("check-plate")))
    assert (finding.rule, finding.severity) == ("corrected-unequally", "warning")
    assert finding.where == "head.csv!b!intake 1 run 1"
    assert finding.message == (
        "On the intake the check-plate correction was made for 'a' (by up to −4.8 %) but not for 'b' (missing there: "
        "the check plate's reading and its nominal flow). A gain between them includes the correction as well as the "
        "work; state what is missing for 'b'."
    )


@pytest.mark.parametrize(
    ("made", "lacking", "missing"),
    [
        (line("leakage", offset=-0.00045, leak_m3_s=0.00045), line("leakage"), "the leak (zero if there was none)"),
        (
            line("check-plate", factor=1.006, **PLATE),
            line("check-plate", check_reading_m3_s=0.1),
            "its nominal flow",
        ),
        (
            line("bore", factor=0.994, fixture_bore_m=0.085, valve_diameter_m=0.038),
            line("bore", valve_diameter_m=0.038),
            "the fixture's bore",
        ),
        (
            line("bore", factor=0.994, fixture_bore_m=0.085, valve_diameter_m=0.038),
            line("bore", fixture_bore_m=0.085),
            "the valve head's diameter",
        ),
    ],
)
def test_each_correction_names_what_it_wants(made: LedgerLine, lacking: LedgerLine, missing: str) -> None:
    # By hand: the mean of the typical flows is 0.22/5 = 0.044; 0.00045 of it is 1.02 %.
    assert f"(missing there: {missing}). " in only(variant("a", made), variant("b", lacking)).message


@pytest.mark.parametrize(
    ("first", "second"),
    [
        # Nothing to speak of: 0.4 % of every flow, 0.45 % of the mean (0.0002/0.044), 1 % only of the lowest.
        (line("check-plate", factor=1.004, **PLATE), line("check-plate")),
        (line("leakage", offset=-0.0002, leak_m3_s=0.0002), line("leakage")),
        # Made for both, for neither, or switched off.
        (line("check-plate", factor=0.95, **PLATE), line("check-plate", factor=1.0, **PLATE)),
        (line("check-plate"), line("check-plate")),
        # Refused for another reason than a missing input: that has its own error.
        (line("check-plate", factor=0.95, **PLATE), line("check-plate", **PLATE)),
        (line("leakage", offset=-0.002, leak_m3_s=0.002), line("leakage", leak_m3_s=-1.0)),
        # Asked of all the same, so that a missing input leaves the test out.
        (line("air", factor=0.95), line("air")),
        (line("test-pressure", factor=1.7), line("test-pressure")),
    ],
)
def test_silent_where_nothing_is_unequal(first: LedgerLine, second: LedgerLine) -> None:
    assert corrected_unequally("intake", (variant("a", first), variant("b", second))) == ()


def test_sides_are_looked_at_by_themselves() -> None:
    made = variant("a", line("check-plate", factor=0.95, **PLATE))
    other = variant("b", line("check-plate"), side="exhaust")
    assert corrected_unequally("intake", (made, other)) == corrected_unequally("exhaust", (made, other)) == ()


def test_all_variants_are_named_each_in_its_kind_and_said_once() -> None:
    plate = line("check-plate", factor=1.02, **PLATE)
    message = only(
        variant("a", line("check-plate")),
        variant("b", plate, line("check-plate")),
        variant("c", line("check-plate", factor=1.03, **PLATE), plate),
    ).message
    assert (
        "made for some tests of 'b' (by up to +2.0 %) and 'c' (by up to +3.0 %) but not for 'a' and some tests of"
        in (message)
    )


def test_the_comparison_says_it_with_true_corrections() -> None:
    """By hand: a plate that reads 105 for 100 takes 4.76 % off (1/1.05)."""
    plated = flow_test(name="a.csv!1", check_reading_m3_s=0.105, check_nominal_m3_s=0.1)
    bored = flow_test(name="b.csv!1", file="b.csv", fixture_bore_m=0.085, valve_diameter_m=0.038)
    done = [correct([test], Reference(bore_m=0.075)).tests for test in (plated, bored)]
    found = compare([Variant("a", corrected=done[0]), Variant("b", corrected=done[1])]).findings
    said = {finding.where: finding.message for finding in found if finding.rule == "corrected-unequally"}
    assert set(said) == {"a.csv!1", "b.csv!1"}
    assert "the check-plate correction was made for 'a' (by up to −4.8 %) but not for 'b'" in said["b.csv!1"]
    assert "the bore correction was made for 'b'" in said["a.csv!1"]


def test_the_sample_job_is_corrected_alike() -> None:
    from flowkit.job import Job

    assert "corrected-unequally" not in {finding.rule for finding in Job.load(sample_job()).compare().findings}
