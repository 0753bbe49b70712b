"""The whole way on the sample job recovers what the invented sheets were made of.

The sheets are made by tests/make_sample_sheets.py from coefficients and areas written out there on
their own; the program sees only the readings with their scatter, leak, drift and pressures.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from flowkit.analysis.results import Comparison
from flowkit.job import Job
from flowkit.output import OutputError
from flowkit.samples import copy_samples, sample_folder, sample_job
from tests import make_sample_sheets as made

PRESSURE = 28 * made.INH2O


@pytest.fixture(scope="module")
def comparison() -> Comparison:
    """The sample job compared without the bore correction, which the invented heads know nothing of."""
    import dataclasses

    job = Job.load(sample_job())
    return dataclasses.replace(job, switched_off=("bore",)).compare()


def mean_flow(state: made.State, side: str, lo: float, hi: float) -> float:
    """True mean flow over a range of lifts in mm, mean over the ports, m³/s."""
    ports = [
        quad(lambda lift, port=port: made.true_flow(state, side, port, lift, PRESSURE), lo, hi)[0]
        for port in made.PORTS
    ]
    return float(np.mean(ports)) / (hi - lo) * made.CFM


@pytest.mark.parametrize("side", ["intake", "exhaust"])
def test_mean_flows_and_gains_are_those_the_sheets_were_made_of(comparison: Comparison, side: str) -> None:
    result = comparison.sides[side]  # type: ignore[index]
    lo, hi = (1000 * lift for lift in result.range_m)
    truth = {state.name: mean_flow(state, side, lo, hi) for state in made.STATES}
    for variant in result.variants:
        assert variant.mean_flow_m3_s == pytest.approx(truth[variant.name], rel=0.006)
    for gain in result.gains:
        expected = truth[gain.to] / truth[gain.from_] - 1
        assert gain.mean_flow_gain_u95 is not None
        assert abs(gain.mean_flow_gain - expected) < gain.mean_flow_gain_u95


def test_the_sheets_are_what_their_maker_makes(tmp_path: Path) -> None:
    made.main(tmp_path)
    assert (tmp_path / "as_received.csv").read_bytes() == (sample_folder() / "as_received.csv").read_bytes()


def test_the_numbers_are_credible(comparison: Comparison) -> None:
    for result in comparison.sides.values():
        for variant in result.variants:
            assert variant.coefficients is not None
            assert variant.coefficients.minimum is not None
            assert 0.5 < min(variant.coefficients.minimum) <= max(variant.coefficients.minimum) < 0.9


def test_the_sample_job_is_clean_but_for_what_it_shows(comparison: Comparison) -> None:
    assert {finding.severity for finding in comparison.findings} <= {"note", "warning"}


def test_a_disk_that_fills_up_leaves_nothing_of_the_demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The third file does not fit; the next try, with room, is not in its own way."""
    copy, done = shutil.copyfile, []

    def fill_up(source: Path, target: Path) -> None:
        if len(done) == 2:
            raise OSError(28, "No space left on device")
        done.append(copy(source, target))

    monkeypatch.setattr(shutil, "copyfile", fill_up)
    with pytest.raises(OutputError, match="No space left on device"):
        copy_samples(tmp_path / "demo")
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    assert copy_samples(tmp_path / "demo").is_file()
