"""Invented jobs of any size, built straight as results: the pages' own hard cases.

The figures are made up (a saturating curve a port, a few per cent a step) and only
consistent enough to be drawn; nothing is checked against them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from flowkit.analysis.areas import Coefficients
from flowkit.analysis.results import (
    Band,
    BandGain,
    Comparison,
    Gain,
    Interaction,
    LiftGain,
    PortFlow,
    PortGain,
    PortLag,
    RatioPoint,
    Repeatability,
    SideComparison,
    VariantFlow,
)
from flowkit.model import (
    INH2O_PA,
    Bench,
    Conditions,
    CorrectedPoint,
    CorrectedTest,
    Finding,
    FlowTest,
    JobInfo,
    LedgerLine,
    Point,
    Reference,
    ReferenceState,
    Side,
    Units,
    UnitSource,
    Variant,
)
from flowkit.reports.contents import ReportContents, SourceFile

CFM = 0.3048**3 / 60
NAMES = ("as received", "seats recut", "ports blended", "slim-stem valves")
BANDS = ("low", "middle", "high")
FACTORS = ("ports", "seats", "valves")


def names(count: int) -> tuple[str, ...]:
    """The demo's names, then invented ones."""
    more = ("large valves", "bowl opened", "short side raised", "back-cut valves", "guides cut", "manifold matched")
    return (NAMES + more + tuple(f"state {i}" for i in range(20)))[:count]


def flow(side: Side, variant: int, port: int, lift: float, top: float) -> float:
    """An invented flow [m³/s] at a lift [m]."""
    peak = (110 if side == "intake" else 80) * CFM * (1 + 0.035 * variant) * (1 + 0.008 * ((port * 7) % 5 - 2))
    slope = 2.4 + 0.12 * ((variant * 3) % 4)
    return peak * math.tanh(slope * lift / top) / math.tanh(slope)


def area(lifts: Sequence[float], flows: Sequence[float]) -> float:
    """Trapezoid; a single lift has the width of nothing, so its area is its flow times 1 mm."""
    if len(lifts) < 2:
        return flows[0] * 1e-3
    return sum((b - a) * (p + q) / 2 for a, b, p, q in zip(lifts, lifts[1:], flows, flows[1:], strict=False))


def make_variant(
    side: Side, place: int, name: str, ports: int, lifts: Sequence[float], *, known: bool, geometry: bool
) -> VariantFlow:
    top = lifts[-1]
    width = (lifts[-1] - lifts[0]) or 1e-3
    each = []
    for port in range(ports):
        flows = tuple(flow(side, place, port, lift, top) for lift in lifts)
        a = area(lifts, flows)
        each.append(
            PortFlow(
                str(port + 1), a, a / width, 3 if port == 0 else 1, tuple(lifts), flows, tuple(("x",) for _ in lifts)
            )
        )
    mean = tuple(float(np.mean([p.flow_m3_s[i] for p in each])) for i in range(len(lifts)))
    a = area(lifts, mean)
    means = [p.mean_flow_m3_s for p in each]
    spread = (max(means) - min(means)) / (sum(means) / ports) if ports > 1 else None
    velocity = math.sqrt(2 * 28 * INH2O_PA / 1.2041)
    effective = tuple(q / velocity for q in mean)
    minimum = tuple(min(math.pi * 0.034 * lift * 0.72, math.pi / 4 * (0.031**2 - 0.008**2)) for lift in lifts)
    ratio = tuple(e / m for e, m in zip(effective, minimum, strict=True))
    curtain = tuple(e / (math.pi * 0.036 * lift) for e, lift in zip(effective, lifts, strict=True))
    return VariantFlow(
        name=name,
        lifts_m=tuple(lifts),
        flow_m3_s=mean,
        flow_u95=tuple(0.006 if known else None for _ in lifts),
        curve_area_m4_s=a,
        mean_flow_m3_s=a / width,
        mean_flow_u95=0.005 if known else None,
        peak_flow_m3_s=max(mean),
        port_spread=spread,
        port_spread_u95=0.004 if known and ports > 1 else None,
        ports=tuple(each),
        coefficients=Coefficients(tuple(lifts), curtain, ratio, ratio, ratio) if geometry else None,
        effective_area_m2=effective,
        minimum_area_m2=minimum if geometry else None,
        takeover_lift_m=0.0081 + 0.0001 * place if geometry else None,
        bands=(Band("low", lifts[0], lifts[-1], a / width),),
        lagging=PortLag("2", 0.021, lifts[-1], 0.034) if spread and spread > 0.02 else None,
        flow_per_bore_area_m_s=None,
        flow_per_valve_area_m_s=None,
        port_velocity_m_s=None,
    )


def make_gain(a: VariantFlow, b: VariantFlow, kind: str, place: int, *, known: bool) -> Gain:
    u = 0.011 if known else None
    per = tuple(
        LiftGain(
            lift,
            q / p - 1,
            u,
            i % 5 == 3,
            None,
            low=None if u is None else q / p - 1 - u,
            high=None if u is None else q / p - 1 + u,
        )
        for i, (lift, p, q) in enumerate(zip(a.lifts_m, a.flow_m3_s, b.flow_m3_s, strict=True))
    )
    g = b.mean_flow_m3_s / a.mean_flow_m3_s - 1
    changed = (FACTORS[place % 3],) if kind != "total" else FACTORS[: min(place, 3)]
    return Gain(
        from_=a.name,
        to=b.name,
        kind=kind,
        mean_flow_gain=g,
        mean_flow_gain_u95=u,
        mean_flow_gain_low=None if u is None else g - u,
        mean_flow_gain_high=None if u is None else g + u,
        resolved=abs(g) > u if u is not None else None,
        not_assessed_because=None if known else "no port was measured twice and no repeatability is stated",
        mean_of_gains=float(np.mean([x.gain for x in per])),
        gain_at_top_lift=per[-1].gain,
        largest=max(per, key=lambda x: x.gain),
        smallest=min(per, key=lambda x: x.gain),
        share_of_total=None,
        changed=changed,
        unknown=(),
        attributable=len(changed) == 1,
        matched_ports=tuple(p.port for p in a.ports),
        expected_from_geometry=None,
        per_lift=per,
        ports=tuple(
            PortGain(p.port, q.mean_flow_m3_s / p.mean_flow_m3_s - 1) for p, q in zip(a.ports, b.ports, strict=True)
        ),
        bands=(BandGain("low", a.lifts_m[0], a.lifts_m[-1], g),),
        law_difference=None,
    )


def make_side(side: Side, named: Sequence[str], ports: int, lifts: Sequence[float], *, known: bool, geometry: bool):
    made = tuple(
        make_variant(side, i, name, ports, lifts, known=known, geometry=geometry) for i, name in enumerate(named)
    )
    gains = []
    for i in range(1, len(made)):
        gains.append(make_gain(made[i - 1], made[i], "step and total" if i == 1 else "step", i, known=known))
        if i > 1:
            gains.append(make_gain(made[0], made[i], "total", i, known=known))
    return SideComparison((lifts[0], lifts[-1]), made, tuple(gains))


def make_tests(sides: Sequence[Side], named: Sequence[str], ports: int, lifts: Sequence[float], pressure: float):
    raw: dict[str, list[FlowTest]] = {name: [] for name in named}
    done: list[CorrectedTest] = []
    for side in sides:
        for v, name in enumerate(named):
            dp = 10 * INH2O_PA if v == 0 else pressure
            factor = math.sqrt(pressure / dp)
            for port in range(ports):
                for run in range(3 if port == 0 else 1):
                    file = "as_received.csv" if v == 0 else "after_work.xlsx"
                    id_ = f"{file}!{name}!{side} {port + 1} run {run + 1}"
                    q = [flow(side, v, port, lift, lifts[-1]) for lift in lifts]
                    head = (id_, file, None if v == 0 else name, "head", name, side, str(port + 1), run + 1)
                    conditions = Conditions(test_pressure_pa=dp, date="2026-03-14", bench="bench A")
                    units = Units(UnitSource("mm", "stated"), UnitSource("CFM", "stated"))
                    points = [
                        Point(lift, f / factor, None, f"{id_}:{i}")
                        for i, (lift, f) in enumerate(zip(lifts, q, strict=True))
                    ]
                    raw[name].append(FlowTest(*head, conditions, units, tuple(points)))
                    ledger = (
                        LedgerLine("leakage", "Q1 = Q - Q_leak", {}, skipped="no leakage was measured"),
                        LedgerLine("air", "as stated", {}, skipped="the bench has already done it"),
                        LedgerLine("check-plate", "Q3 = Q2 Q_nominal/Q_check (common practice)", {}, (1.004,) * len(q)),
                        LedgerLine(
                            "test-pressure",
                            "Q4 = Q3 sqrt(dP_ref/dP) (common practice, incompressible orifice law)",
                            {"pressure_pa": dp},
                            (factor,) * len(q),
                        ),
                        LedgerLine("bore", "1/A² = 1/A_h² + 1/A_gap² (model)", {}, skipped="no engine bore is stated"),
                    )
                    done.append(
                        CorrectedTest(
                            *head,
                            conditions,
                            units,
                            tuple(
                                CorrectedPoint(p.lift_m, f, dp, p.source, p.flow_m3_s)
                                for p, f in zip(points, q, strict=True)
                            ),
                            ledger,
                        )
                    )
    return raw, tuple(done)


def make_further(comparison: Comparison) -> Comparison:
    """The same comparison with bands, port velocities, promises of geometry, interactions and ratios."""
    sides = {}
    for side, result in comparison.sides.items():
        lo, hi = result.range_m
        limits = [(name, lo + i * (hi - lo) / 3, lo + (i + 1) * (hi - lo) / 3) for i, name in enumerate(BANDS)]
        variants = tuple(
            replace(
                variant,
                bands=tuple(Band(*limit, variant.mean_flow_m3_s * (0.7 + 0.3 * i)) for i, limit in enumerate(limits)),
                port_velocity_m_s=tuple(flow / 760e-6 for flow in variant.flow_m3_s),
            )
            for variant in result.variants
        )
        gains = tuple(
            replace(
                gain,
                bands=tuple(BandGain(*limit, gain.mean_flow_gain + 0.01 * i) for i, limit in enumerate(limits)),
                expected_from_geometry=0.021,
                share_of_total=None if gain.kind == "total" else 0.25,
                per_lift=tuple(replace(item, expected=0.021) for item in gain.per_lift),
            )
            for gain in result.gains
        )
        found = (
            Interaction(("ports", "seats"), (0.05, 0.03), -0.01),
            Interaction(("ports", "valves"), (0.05, 0.02), 0),
        )
        sides[side] = replace(result, variants=variants, gains=gains, interactions=found)
    called = [variant.name for variant in comparison.sides["intake"].variants]
    lifts = comparison.sides["intake"].variants[0].lifts_m
    return replace(
        comparison,
        sides=sides,
        ratio_at_lift=tuple(RatioPoint(name, lift, 0.8 - 8 * lift) for name in called for lift in lifts),
        ratio_at_fraction=tuple(RatioPoint(name, i / 10, 0.8 - 0.01 * i) for name in called for i in range(1, 11)),
    )


def make_contents(
    *,
    variants: int | Sequence[str] = 4,
    ports: int = 4,
    lifts: int | Sequence[float] = 10,
    sides: Sequence[Side] = ("intake", "exhaust"),
    known: bool = True,
    geometry: bool = True,
    display: str = "US",
    info: JobInfo | None = None,
    findings: Sequence[Finding] | None = None,
    engine: object = None,
    further: bool = False,
) -> ReportContents:
    """Return an invented report of the size asked for, `further` with everything there is to tell of both sides."""
    named = names(variants) if isinstance(variants, int) else tuple(variants)
    where = tuple(0.010 * (i + 1) / lifts for i in range(lifts)) if isinstance(lifts, int) else tuple(lifts)
    reference = Reference()
    raw, done = make_tests(sides, named, ports, where, reference.pressure_pa)
    if findings is None:
        findings = (
            Finding("unit-assumed", "note", "as_received.csv", "The lifts have no unit; they can only be inches."),
            Finding(
                "falling-flow", "warning", "after_work.xlsx!ports blended!C12", "The flow falls by 1.4 % while the "
                "lift rises from 9.0 to 10.0 mm: the port stalls, or the reading slipped. Measure it again.",
            ),
            Finding("port-uneven", "warning", "seats recut, intake", "Port 2 flows 4.6 % less than port 4."),
        )  # fmt: skip
    comparison = Comparison(
        reference=ReferenceState(reference.pressure_pa, None, 1.2041, reference.pressure_law),
        sides={side: make_side(side, named, ports, where, known=known, geometry=geometry) for side in sides},
        findings=tuple(findings),
        repeatability=Repeatability(0.005, 60, "repeated runs", 0.003, 0.004)
        if known
        else Repeatability(None, None, "none"),
        sentences=("The seats were worth most at low lift.", "The valves gained what their smaller stems promise."),
        tests=done,
    )
    comparison = make_further(comparison) if further else comparison
    info = info or JobInfo(
        title="Inline-four, eight valves, 1.6 litre, historic hill-climb car (invented)",
        number="2417",
        customer="Invented customer",
        vehicle="hill-climb car",
        shop="Invented workshop",
        date="2026-03-14",
        display=display,
    )
    return ReportContents(
        info=info,
        reference=reference,
        bench=Bench(),
        variants=tuple(Variant(name, tuple(raw[name])) for name in named),
        comparison=comparison,
        engine=engine,
        sources=(SourceFile("as_received.csv", "3f9a2c1e" * 8), SourceFile("after_work.xlsx", "b7710d42" * 8)),
        findings=tuple(findings),
    )
