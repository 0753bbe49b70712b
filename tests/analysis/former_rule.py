"""The rule of the first version, as a small reference: what flowkit claimed before, on the same invented jobs.

One-way split of repeated readings into a run's shift and the scatter of its points, degrees of freedom counted over
single points, law difference as a uniform distribution, Monte Carlo (JCGM 101:2008, 6.4.9: normal errors times
sqrt(ν/χ²_ν)) for the mean flow and Student's t at one lift. Here all jobs of a scenario at once, to first order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.interpolate import PchipInterpolator

from tests.analysis.benches import LAW, LIFTS, Run, Scenario

DRAWS = 2000


@dataclass(frozen=True)
class Claims:
    """What the rule claims of each job: interval of the gain in mean flow, and of the gains at each lift."""

    low: np.ndarray
    high: np.ndarray
    lift_low: np.ndarray
    lift_high: np.ndarray


def flows_of(jobs: list[list[Run]], scenario: Scenario) -> np.ndarray:
    """Return flows by the square-root law, shape (jobs, states, ports, runs, lifts), nan where there is no run."""
    most = max(map(max, scenario.runs))
    made = np.full((len(jobs), 2, scenario.ports, most, len(LIFTS)), np.nan)
    for number, job in enumerate(jobs):
        for run in job:
            made[number, "ab".index(run.state), int(run.port) - 1, run.number - 1] = run.flows * run.ratio**2
    return made


def weights() -> np.ndarray:
    """Return ``(∂M/∂Q_j)·Q_j/M`` of the mean flow of a plausible curve."""
    flow = 0.06 * np.tanh(LIFTS / 0.0045)

    def area(curve: np.ndarray) -> float:
        return float(PchipInterpolator(LIFTS, curve).integrate(LIFTS[0], LIFTS[-1]))

    steps = np.diag(1e-5 * flow)
    return np.array([(area(flow + one) - area(flow - one)) / 2e-5 for one in steps]) / area(flow)


def split(flows: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """Return s_b², s_w² of each job and ν = Σ(n − 1) over every repeated point."""
    residual = flows / np.nanmean(flows, axis=3, keepdims=True) - 1.0
    runs = np.sum(~np.isnan(flows[0, ..., 0]), axis=2)
    repeats, lifts = int(np.sum(runs - 1)), flows.shape[-1]
    total = np.nansum(residual**2, axis=(1, 2, 3, 4))
    scatter = np.nansum((residual - residual.mean(axis=4, keepdims=True)) ** 2, axis=(1, 2, 3, 4))
    within = scatter / (repeats * (lifts - 1))
    between = total / (repeats * lifts) - within
    below = between < 0
    return np.where(below, 0.0, between), np.where(below, total / (repeats * lifts), within), repeats * lifts


def claims(jobs: list[list[Run]], scenario: Scenario) -> Claims:
    """Return what the rule claims of jobs whose repeated runs it could pool."""
    flows = flows_of(jobs, scenario)
    between, within, nu = split(flows)
    curves = np.nanmean(flows, axis=3)
    runs = np.sum(~np.isnan(flows[0, ..., 0]), axis=2)
    spline = PchipInterpolator(LIFTS, curves, axis=-1)
    means = spline.integrate(LIFTS[0], LIFTS[-1])
    share = means / means.sum(axis=2, keepdims=True)
    gain = means[:, 1].sum(axis=1) / means[:, 0].sum(axis=1) - 1
    squares = np.sum(share**2 / runs, axis=(1, 2))
    u_rep = np.sqrt(squares * (between + within * np.sum(weights() ** 2)))
    law = np.log(LAW) if scenario.low_pressure else 0.0
    known = np.sqrt(2.0) * scenario.drift
    rng = np.random.default_rng(20_260_101)
    t = rng.standard_normal(DRAWS) * np.sqrt(nu / rng.chisquare(nu, DRAWS))
    drawn = np.outer(u_rep, t) + known * rng.standard_normal(DRAWS) + law * rng.uniform(-1, 1, DRAWS)
    low, high = np.quantile(np.exp(drawn), (0.025, 0.975), axis=1) * (1 + gain) - 1
    at = curves / curves.sum(axis=2, keepdims=True)
    gains = curves[:, 1].sum(axis=1) / curves[:, 0].sum(axis=1) - 1
    repeats = np.sum(at**2 / runs[..., np.newaxis], axis=(1, 2)) * (between + within)[:, np.newaxis]
    u2 = repeats + known**2 + law**2 / 3
    half = (1 + gains) * stats.t.ppf(0.975, nu * (u2 / repeats) ** 2) * np.sqrt(u2)
    return Claims(low, high, gains - half, gains + half)
