"""Intervals of gains worked out slowly and plainly; nothing here comes from the package under test.

Sources: law of propagation, Welch–Satterthwaite, uniform resolution, bounds added linearly: JCGM
100:2008, 5.1.2, G.4.1, F.2.2.1, F.2.4.5. Pooling: ISO 5725-2. Ports as blocks: Box, Hunter &
Hunter, Statistics for Experimenters, ch. 4. One lift: gamma likelihood with identity link,
McCullagh & Nelder, ch. 8, found here by scipy's bounded search. Curves: scipy's PCHIP. Student's
t, its non-central form and the studentised range: scipy.stats.

A job is {side: {state: {port: [run, ...]}}}, a run a dict with session (day, bench), pressure
[Pa], flows {lift [m]: flow}, other {lift: flow by the other pressure law}, steps {lift: δ/Q as
written} and plate (nominal, reading, reading over nominal as corrected) or None.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, stats
from scipy.interpolate import PchipInterpolator


def t95(freedom, probability=0.975):
    return stats.norm.ppf(probability) if math.isinf(freedom) else stats.t.ppf(probability, freedom)


class Port:
    """The mean curve of some runs."""

    def __init__(self, runs):
        self.runs = runs
        self.lifts = sorted({lift for run in runs for lift in run["flows"]})
        self.held = {lift: [run for run in runs if lift in run["flows"]] for lift in self.lifts}
        self.known = {}

    def flows(self, key="flows"):
        return np.array([np.mean([run[key][lift] for run in self.held[lift]]) for lift in self.lifts])

    def slope(self, lift):
        if ("slope", lift) not in self.known:
            curve = PchipInterpolator(self.lifts, self.flows())
            self.known["slope", lift] = float(curve.derivative()(lift) / curve(lift))
        return self.known["slope", lift]


def figure_of(what):
    """A figure is ("mean", lo, hi) or ("lift", lift)."""

    def value(lifts, flows):
        curve = PchipInterpolator(lifts, flows)
        if what[0] == "lift":
            return float(curve(what[1]))
        return float(curve.integrate(what[1], what[2])) / (what[2] - what[1])

    return value


def shares(port, what):
    """M and the a_j of a port, worked out once for each figure."""
    if what not in port.known:
        port.known[what] = moved_points(port, what)
    return port.known[what]


def moved_points(port, what):
    """M and the a_j of a port, by moving one point after the other."""
    value, flows, a = figure_of(what), port.flows(), []
    middle = value(port.lifts, flows)
    for index in range(len(flows)):
        up, down = flows.copy(), flows.copy()
        up[index] *= 1 + 1e-5
        down[index] *= 1 - 1e-5
        a.append((value(port.lifts, up) - value(port.lifts, down)) / 2e-5 / middle)
    return middle, dict(zip(port.lifts, a, strict=True))


def run_shares(port, a):
    return [sum(a[lift] / len(port.held[lift]) for lift in port.lifts if lift in run["flows"]) for run in port.runs]


def groups_of(port):
    """Runs of one session, two or more, with the lifts they share."""
    for session in {run["session"] for run in port.runs}:
        runs = [run for run in port.runs if run["session"] == session]
        shared = [lift for lift in port.lifts if all(lift in run["flows"] for run in runs)]
        if len(runs) > 1 and shared:
            mean = {lift: np.mean([run["flows"][lift] for run in runs]) for lift in shared}
            yield session, shared, [{lift: run["flows"][lift] / mean[lift] - 1 for lift in shared} for run in runs]


class Job:
    """All ports of a job, and what its bench states."""

    def __init__(self, sides, ranges, stated=None, drift=0.0, lift=0.0, reading=0.0):
        self.ports = {
            side: {state: {name: Port(runs) for name, runs in ports.items()} for state, ports in states.items()}
            for side, states in sides.items()
        }
        self.ranges, self.stated, self.drift, self.lift, self.reading = ranges, stated, drift, lift, reading
        self.pools = {}

    def every(self):
        return [port for states in self.ports.values() for ports in states.values() for port in ports.values()]

    def mean(self, side):
        return ("mean", *self.ranges[side])

    def runs_pool(self, benches):
        key = frozenset(benches)
        if key not in self.pools:
            self.pools[key] = self.pooled(benches)
        return self.pools[key]

    def pooled(self, benches):
        squares = freedom = 0.0
        for side, states in self.ports.items():
            for port in [port for ports in states.values() for port in ports.values()]:
                a = shares(port, self.mean(side))[1]
                for session, shared, residuals in groups_of(port):
                    weight = sum(a[lift] for lift in shared)
                    if session[1] in benches and weight >= 0.5:
                        for run in residuals:
                            squares += (sum(a[lift] * run[lift] for lift in shared) / weight) ** 2
                        freedom += len(residuals) - 1
        return squares, freedom

    def in_use(self, benches):
        """The stated repeatability, unless the repeats contradict it."""
        squares, freedom = self.runs_pool(benches)
        contradicted = freedom and self.stated and squares / self.stated**2 > stats.chi2.ppf(0.99, freedom)
        return None if contradicted else self.stated

    def block_cells(self, side, pair, benches):
        def usable(state, name):
            port = self.ports[side][state].get(name)
            return port is not None and all(run["session"][1] in benches for run in port.runs)

        for tried in (list(self.ports[side]), list(pair)):
            states = [s for s in tried if any(usable(s, name) for name in self.ports[side][s])]
            if not states:
                continue
            names = [name for name in self.ports[side][states[0]] if all(usable(s, name) for s in states)]
            if len(names) >= 3 and len(states) >= 2:
                return [[self.ports[side][state][name] for name in names] for state in states]
        return None

    def blocks(self, cells, what):
        """Residuals of ln M from states + ports, and the harmonic mean of the runs."""
        logs, runs = [], []
        for row in cells:
            found = [shares(port, what) for port in row]
            logs.append([math.log(value) for value, _ in found])
            runs += [
                1 / sum(share**2 for share in run_shares(port, a)) for port, (_, a) in zip(row, found, strict=True)
            ]
        logs = np.array(logs)
        residual = logs - logs.mean(axis=0) - logs.mean(axis=1)[:, None] + logs.mean()
        return residual, stats.hmean(runs)

    def scatter(self, side, pair, benches):
        """s_M² and its degrees of freedom."""
        stated = self.in_use(benches)
        if stated:
            return stated**2, math.inf
        squares, freedom = self.runs_pool(benches)
        cells = self.block_cells(side, pair, benches)
        if freedom <= 2 and cells:
            residual, runs = self.blocks(cells, self.mean(side))
            squares += runs * float((residual**2).sum())
            freedom += (len(cells) - 1) * (len(cells[0]) - 1)
        return (squares / freedom if freedom else 0.0), freedom

    def residual_sets(self, side, pair, benches):
        """(degrees of freedom, residuals as a list of {lift: residual}, curves behind them)."""
        sets = [
            (len(residuals) - 1, residuals, [port])
            for port in self.every()
            for session, _, residuals in groups_of(port)
            if session[1] in benches
        ]
        runs = sum(freedom for freedom, _, _ in sets)
        cells = self.block_cells(side, pair, benches)
        if runs <= 2 and cells and not self.in_use(benches):
            flat = [port for row in cells for port in row]
            shared = [lift for lift in flat[0].lifts if all(lift in port.lifts for port in flat)]
            table = [{} for _ in flat]
            for lift in shared:
                residual, number = self.blocks(cells, ("lift", lift))
                for cell, value in zip(table, residual.ravel(), strict=True):
                    cell[lift] = math.sqrt(number) * value
            sets.append(((len(cells) - 1) * (len(cells[0]) - 1), table, flat))
        return sets


def variance_function(sets):
    """c, u_L² and their covariance, with the caps of the degrees of freedom."""
    at = {}
    for freedom, residuals, curves in sets:
        for lift in residuals[0]:
            row = at.setdefault(round(lift, 9), [0.0, 0.0, {}])
            row[0] += freedom
            row[1] += sum(run[lift] ** 2 for run in residuals)
            row[2].update({id(port): port.slope(lift) ** 2 for port in curves})
    nu = np.array([row[0] for row in at.values()], dtype=float)
    mean_square = np.array([row[1] for row in at.values()]) / nu
    x = np.array([np.mean(list(row[2].values())) for row in at.values()])
    centre = nu @ x / nu.sum()

    def level(t):
        return nu @ (mean_square / (1 - t + t * x / centre)) / nu.sum()

    def depth(t):
        return nu @ np.log(level(t) * (1 - t + t * x / centre))

    found = [
        optimize.minimize_scalar(depth, bounds=(low, low + 0.0495), method="bounded", options={"xatol": 1e-12}).x
        for low in np.arange(0, 0.99, 0.0495)
    ]
    t = min([0.0, 0.99, *found], key=depth)
    v = level(t) * (1 - t + t * x / centre)
    information = sum(0.5 * n / w**2 * np.outer([1, each], [1, each]) for n, w, each in zip(nu, v, x, strict=True))
    return level(t) * (1 - t), level(t) * t / centre, np.linalg.inv(information)


def caps(sets):
    """ν_R (+ ν_P) and Satterthwaite's degrees of freedom."""
    nu = sum(freedom for freedom, _, _ in sets)
    between = sum(np.mean(list(run.values())) ** 2 for _, residuals, _ in sets for run in residuals) / nu
    inside = slots = freedom_inside = 0.0
    for freedom, residuals, _ in sets:
        count = len(residuals[0])
        for run in residuals:
            inside += sum((value - np.mean(list(run.values()))) ** 2 for value in run.values())
        slots += freedom * count
        freedom_inside += freedom * (count - 1)
    inside /= slots
    return nu, (between + inside) ** 2 / (between**2 / nu + inside**2 / freedom_inside)


def gain(job, side, pair, what=None):
    """A gain with its interval, as a dict: gain, u, nu, nu_eff, low, high, terms."""
    what = what or job.mean(side)
    names = [name for name in job.ports[side][pair[0]] if name in job.ports[side][pair[1]]]
    members = []  # sign, port, W, a, M
    for sign, state in zip((-1, 1), pair, strict=True):
        found = [(job.ports[side][state][name], *shares(job.ports[side][state][name], what)) for name in names]
        total = sum(value for _, value, _ in found)
        members += [(sign, port, value / total, a, value) for port, value, a in found]
    benches = {run["session"][1] for _, port, *_ in members for run in port.runs}
    g = sum(m[4] for m in members if m[0] > 0) / sum(m[4] for m in members if m[0] < 0) - 1
    s2, nu = job.scatter(side, pair, benches)
    per_run = [sum(share**2 for share in run_shares(port, a)) for _, port, _, a, _ in members]
    stated = job.in_use(benches)
    if what[0] == "lift" and not stated:
        sets = job.residual_sets(side, pair, benches)
        c, setting, covariance = variance_function(sets)
        weights = [m[2] ** 2 * n for m, n in zip(members, per_run, strict=True)]
        slopes = [m[1].slope(what[1]) ** 2 for m in members]
        repeat = sum(w * (c + setting * x) for w, x in zip(weights, slopes, strict=True))
        gradient = np.array([sum(weights), sum(w * x for w, x in zip(weights, slopes, strict=True))])
        own, cap = caps(sets)
        nu = max(min(2 * repeat**2 / (gradient @ covariance @ gradient), cap), own)
        nu = 1 / (0.75 / nu + 0.25 / own)
    else:
        repeat = s2 * sum(m[2] ** 2 * n for m, n in zip(members, per_run, strict=True))
    known = {"lift": 0.0, "drift": 0.0, "pressure": 0.0}
    if stated:
        known["lift"] = sum(
            w**2 * sum((a[x] * port.slope(x) * job.lift) ** 2 for x in port.lifts) for _, port, w, a, _ in members
        )
    sums, plates = {}, {}
    mean_sums = {}
    for sign, port, w, a, _ in members:
        for run, share in zip(port.runs, run_shares(port, a), strict=True):
            sums[run["session"]] = sums.get(run["session"], 0.0) + sign * w * share
            if run["plate"]:
                key = (run["session"], *run["plate"][:2])
                plates[key] = plates.get(key, 0.0) + sign * w * share
    mean_sums = sums if what[0] == "mean" else gain(job, side, pair)["sums"]
    differing = {session for session, c in mean_sums.items() if abs(c) > 0.02}
    carried = {s: all(r["plate"] for _, port, *_ in members for r in port.runs if r["session"] == s) for s in differing}
    if differing:
        if not all(carried.values()):
            known["drift"] = job.drift**2 * sum(c**2 for c in sums.values())
        at = {
            s: np.mean([r["pressure"] for _, port, *_ in members for r in port.runs if r["session"] == s]) for s in sums
        }
        known["pressure"] = (job.reading / 2) ** 2 * sum((c / at[s]) ** 2 for s, c in sums.items())
    known["resolution"] = sum(
        w**2
        * sum(a[x] ** 2 * np.mean([run["steps"][x] ** 2 for run in port.held[x]]) for x in port.lifts) / 12
        for _, port, w, a, _ in members
    )  # fmt: skip
    s_w2, nu_c = plate_scatter(job, benches)
    plate = sum(c**2 for c in plates.values())
    plate_term = s_w2 * plate if nu_c else 0.0
    repeat += 0.0 if nu_c else s2 * plate
    square = repeat + plate_term + sum(known.values())
    below = (repeat**2 / nu if repeat else 0.0) + (plate_term**2 / nu_c if nu_c else 0.0)
    effective = square**2 / below if below else math.inf
    arm = (1 + g) * t95(effective) * math.sqrt(square)
    value = figure_of(what)
    moved = [value(port.lifts, port.flows("other")) for _, port, *_ in members]
    law = sum(v for v, m in zip(moved, members, strict=True) if m[0] > 0)
    law = law / sum(v for v, m in zip(moved, members, strict=True) if m[0] < 0) - 1
    return {
        "gain": g, "u": math.sqrt(square), "nu": nu, "nu_eff": effective, "sums": sums, "known": known,
        "low": g - arm - max(g - law, 0.0), "high": g + arm + max(law - g, 0.0),
        "accounted": not differing or all(carried.values()) or job.drift > 0, "benches": benches,
    }  # fmt: skip


def plate_scatter(job, benches):
    readings = {}
    for port in job.every():
        for run in port.runs:
            if run["plate"] and run["session"][1] in benches:
                readings.setdefault((run["session"], run["plate"][0]), {})[run["plate"][1]] = run["plate"][2]
    squares = sum((r / np.mean(list(g.values())) - 1) ** 2 for g in readings.values() for r in g.values())
    freedom = sum(len(g) - 1 for g in readings.values())
    return (squares / freedom if freedom else 0.0), freedom
