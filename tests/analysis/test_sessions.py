"""Sessions: one date on one bench, and what counts where the date is unknown."""

from flowkit.analysis.runs import Session, session_findings, session_of, sessions_of
from flowkit.model import Bench
from tests.analysis.bench_heads import LIFTS, corrected, true_curve

FLOWS = true_curve(LIFTS)


def test_one_date_on_one_bench_is_one_session_whatever_the_variant():
    one, other = corrected("a", FLOWS), corrected("b", FLOWS, bench=" a ")
    assert session_of(one) == session_of(other) == Session("2025-03-01", "a")
    assert sessions_of([one, other]) == (Session("2025-03-01", "a"),)


def test_another_date_or_bench_is_another_session():
    tests = [corrected("a", FLOWS), corrected("a", FLOWS, date="2025-03-02"), corrected("a", FLOWS, bench="B")]
    tests.append(corrected("a", FLOWS, bench=None))
    assert len(sessions_of(tests)) == 4


def test_without_a_date_each_variant_is_a_session_of_its_own():
    one, other = corrected("a", FLOWS, date=None), corrected("b", FLOWS, date=None)
    assert session_of(one) != session_of(other)
    assert session_of(one) == session_of(corrected("a", FLOWS, date=" ", file="other.csv", port="2"))


def test_unknown_sessions_are_noted_where_they_matter():
    tests = [corrected("a", FLOWS), corrected("b", FLOWS, date=None), corrected("b", FLOWS, date=None, port="2")]
    for bench in (Bench(drift=0.002), Bench(pressure_reading_pa=20.0)):
        findings = session_findings(tests, bench)
        assert [(item.rule, item.severity, item.where) for item in findings] == [
            ("session-unknown", "note", tests[1].id)
        ]
        assert "'b' has 2 tests without a date" in findings[0].message
    assert "'b' has a test without" in session_findings(tests[:2], Bench(drift=0.002))[0].message


def test_unknown_sessions_are_silent_where_nothing_depends_on_them():
    undated = [corrected("a", FLOWS, date=None), corrected("b", FLOWS, date=None)]
    assert session_findings(undated, Bench(lift_setting_m=2e-5, repeatability=0.005)) == ()
    assert session_findings(undated[:1], Bench(drift=0.002)) == ()
    assert session_findings([corrected("a", FLOWS), corrected("b", FLOWS)], Bench(drift=0.002)) == ()
