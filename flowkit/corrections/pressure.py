"""Test pressure: bringing a flow to the reference pressure, as an incompressible orifice or as an isentropic nozzle."""

from __future__ import annotations

import math
from dataclasses import replace

from flowkit.air import density
from flowkit.corrections.step import Inputs, Setting, Step, made, skipped
from flowkit.errors import CorrectionError
from flowkit.model import Finding, FlowTest, PressureLaw, Reference, Side
from flowkit.units import format_quantity, from_si
from flowkit.wording import percent

__all__ = ["critical_pressure_ratio", "flow_function", "law_difference", "pressure_factor", "reference_velocity"]

GAMMA = 1.4
"""Ratio of specific heats of air."""
STANDARD_BAROMETER_PA = 101_325.0
"""Taken for the room's pressure where the sheet does not state it [Pa]."""

FORMULAS: dict[str, str] = {
    "square-root": "Q4 = Q3·sqrt(ΔP_ref/ΔP) (incompressible orifice; common practice, no source)",
    "intake": "Q4 = Q3·Ψ(1 − ΔP_ref/p_b)/Ψ(1 − ΔP/p_b) (isentropic nozzle; Heywood 1988, app. C)",
    "exhaust": (
        "Q4 = Q3·[(p_b + ΔP_ref)·Ψ(p_b/(p_b + ΔP_ref))]/[(p_b + ΔP)·Ψ(p_b/(p_b + ΔP))] "
        "(isentropic nozzle, blown; Heywood 1988, app. C)"
    ),
}


def critical_pressure_ratio(gamma: float = GAMMA) -> float:
    """Return the pressure ratio, throat over stagnation, at which a nozzle chokes.

    Parameters
    ----------
    gamma : float, optional
        Ratio of specific heats.

    Notes
    -----
    ``pr* = (2/(γ + 1))^(γ/(γ − 1))``; Heywood 1988, appendix C.

    Examples
    --------
    >>> round(critical_pressure_ratio(), 4)
    0.5283
    """
    return float((2 / (gamma + 1)) ** (gamma / (gamma - 1)))


def flow_function(pr: float, gamma: float = GAMMA) -> float:
    """Return Ψ, the dimensionless mass flow of an isentropic nozzle, ``mass flow/(A·p0)·sqrt(R·T0)``.

    Parameters
    ----------
    pr : float
        Downstream static over upstream stagnation pressure, 0 to 1.
    gamma : float, optional
        Ratio of specific heats.

    Raises
    ------
    CorrectionError
        If the pressure ratio is outside 0 to 1.

    Notes
    -----
    ``Ψ(pr) = sqrt(2γ/(γ − 1)·(pr^(2/γ) − pr^((γ + 1)/γ)))``, constant below the critical
    ratio, where the nozzle is choked; Heywood 1988, appendix C, equations (C.8), (C.9).

    Examples
    --------
    >>> round(flow_function(0.5), 4), round(flow_function(0.95), 4)
    (0.6847, 0.3076)
    """
    if not 0 <= pr <= 1:
        raise CorrectionError(
            f"a pressure ratio of {pr:.4g} is not possible", "check test pressure and barometer and their units"
        )
    pr = max(pr, critical_pressure_ratio(gamma))
    # expm1 keeps full precision near pr = 1, where the two powers all but cancel.
    rest = -math.expm1((gamma - 1) / gamma * math.log(pr))
    return math.sqrt(2 * gamma / (gamma - 1) * rest) * float(pr ** (1 / gamma))


def _both(pressure_pa: float) -> str:
    """Write a pressure in two units of the trade."""
    return f"{from_si(pressure_pa, 'kPa'):.5g} kPa ({from_si(pressure_pa, 'inH2O'):.4g} inH2O)"


def _refuse_vacuum(name: str, pressure_pa: float, barometer_pa: float) -> None:
    """Raise where an intake would be sucked at the whole of the room's pressure or more."""
    if pressure_pa >= barometer_pa:
        raise CorrectionError(
            f"the intake cannot be tested at a {name} pressure of {_both(pressure_pa)}, "
            f"which is not below the barometer of {_both(barometer_pa)}",
            f"check {name} pressure and barometer and their units",
        )


def _nozzle_flow(side: Side | None, pressure_pa: float, barometer_pa: float) -> float:
    """Return the volume of room air through a nozzle, over A·sqrt(p_b/ρ_b)."""
    if side is None:
        raise CorrectionError(
            "the compressible pressure law needs the side", 'state intake or exhaust, or use the "square-root" law'
        )
    if side == "intake":
        return flow_function(1 - pressure_pa / barometer_pa)
    upstream = 1 + pressure_pa / barometer_pa
    return upstream * flow_function(1 / upstream)


def pressure_factor(
    law: PressureLaw,
    side: Side | None,
    pressure_pa: float,
    reference_pressure_pa: float,
    barometer_pa: float = STANDARD_BAROMETER_PA,
) -> float:
    """Return what a flow is multiplied by to bring it to the reference pressure; exactly 1 where they are the same.

    Parameters
    ----------
    law : {"square-root", "compressible"}
    side : {"intake", "exhaust"} or None
        Which way the air goes; the square-root law does not need it.
    pressure_pa, reference_pressure_pa : float
        Test pressure and reference test pressure [Pa], gauge, as positive magnitudes.
    barometer_pa : float, optional
        Pressure of the room [Pa]; the square-root law only asks whether an intake's test pressures
        are below it.

    Raises
    ------
    CorrectionError
        If a pressure is not above zero, or a suction is not below the barometer, or the
        compressible law is not given the side.

    Notes
    -----
    Square-root: common practice, no source. Compressible: Heywood 1988, appendix C; the
    intake is sucked from the room, the exhaust blown into it.

    Examples
    --------
    >>> round(pressure_factor("square-root", None, 2490.8891, 6974.48948), 4)
    1.6733
    >>> round(pressure_factor("compressible", "intake", 2490.8891, 6974.48948), 4)
    1.6321
    """
    for name, value in (
        ("a test pressure", pressure_pa),
        ("a reference test pressure", reference_pressure_pa),
        ("a barometer", barometer_pa),
    ):
        if not (value > 0 and math.isfinite(value)):
            raise CorrectionError(f"{name} of {_both(value)} cannot be corrected with", "check it and its unit")
    if side == "intake":
        _refuse_vacuum("test", pressure_pa, barometer_pa)
        _refuse_vacuum("reference test", reference_pressure_pa, barometer_pa)
    if law == "square-root":
        return math.sqrt(reference_pressure_pa / pressure_pa)
    return _nozzle_flow(side, reference_pressure_pa, barometer_pa) / _nozzle_flow(side, pressure_pa, barometer_pa)


def law_difference(
    side: Side, pressure_pa: float, reference_pressure_pa: float, barometer_pa: float = STANDARD_BAROMETER_PA
) -> float:
    """Return by how much the square-root law gives more than the other, ``f_square-root/f_compressible − 1``.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    pressure_pa, reference_pressure_pa : float
        Test pressure and reference test pressure [Pa].
    barometer_pa : float, optional
        Pressure of the room [Pa].

    Raises
    ------
    CorrectionError
        As for `pressure_factor`.

    Examples
    --------
    >>> round(law_difference("intake", 2490.8891, 6974.48948), 3)
    0.025
    """
    square_root = pressure_factor("square-root", side, pressure_pa, reference_pressure_pa, barometer_pa)
    return square_root / pressure_factor("compressible", side, pressure_pa, reference_pressure_pa, barometer_pa) - 1


def reference_velocity(reference: Reference, side: Side | None) -> float:
    """Return the velocity V [m/s] that turns a corrected flow into an effective area, ``A_eff = Q/V``.

    Parameters
    ----------
    reference : Reference
        The state the flow was corrected to, with its pressure law.
    side : {"intake", "exhaust"} or None
        The square-root law does not ask.

    Raises
    ------
    CorrectionError
        If the compressible law is not given the side, or the intake's reference pressure is not
        below that of the reference air.

    Notes
    -----
    Square-root ``V = sqrt(2ΔP_ref/ρ_ref)``; compressible, intake
    ``V = sqrt(p_ref/ρ_ref)·Ψ(1 − ΔP_ref/p_ref)``, exhaust
    ``V = sqrt(p_ref/ρ_ref)·(1 + ΔP_ref/p_ref)·Ψ(p_ref/(p_ref + ΔP_ref))`` with the pressure
    p_ref of the reference air; Heywood 1988, appendix C.

    Examples
    --------
    >>> round(reference_velocity(Reference(), "intake"), 1)
    107.6
    """
    rho = density(reference.air)
    if reference.pressure_law == "square-root":
        return math.sqrt(2 * reference.pressure_pa / rho)
    barometer = reference.air.pressure_pa
    if side == "intake":
        _refuse_vacuum("reference test", reference.pressure_pa, barometer)
    return math.sqrt(barometer / rho) * _nozzle_flow(side, reference.pressure_pa, barometer)


def correct_test_pressure(flow: tuple[float, ...], test: FlowTest, setting: Setting) -> Step:
    """Bring a test's flows to the reference pressure; fatal where the law lacks the side or a pressure cannot be.

    Every point's pressure is known. Where the square-root law is carried over more than a factor of two in pressure,
    the difference of the two laws is stated as the method's uncertainty.
    """
    law, target = setting.reference.pressure_law, setting.reference.pressure_pa
    pressures = [pressure for point in test.points if (pressure := test.pressure_at(point)) is not None]
    barometer = test.conditions.barometer_pa
    room = STANDARD_BAROMETER_PA if barometer is None else barometer
    formula = formula_of(law, test.side)
    inputs: Inputs = {
        "pressure_law": law,
        "test_pressure_pa": pressures[0] if len(set(pressures)) == 1 else "each point's own",
        "reference_pressure_pa": target,
    }
    if law == "compressible":
        inputs |= {"barometer_pa": room, "gamma": GAMMA}
    try:
        factors = [pressure_factor(law, test.side, pressure, target, room) for pressure in pressures]
    except CorrectionError as problem:
        rule = "side-missing" if law == "compressible" and test.side is None else "pressure-impossible"
        finding = Finding(rule, "error", test.id, f"The test was left out: {problem}")
        return replace(skipped("test-pressure", formula, flow, problem.problem, inputs, finding), fatal=True)
    findings: tuple[Finding, ...] = ()
    if law == "compressible" and barometer is None and set(pressures) != {target}:
        message = (
            f"The barometer is not stated, so the compressible pressure law took {STANDARD_BAROMETER_PA:.0f} Pa "
            f"({format_quantity(STANDARD_BAROMETER_PA, 'inHg', 2)}); "
            "state the day's barometer, and nothing is assumed."
        )
        findings = (Finding("barometer-assumed", "note", test.id, message),)
    far = [pressure for pressure in pressures if not 0.5 <= target / pressure <= 2]
    if law == "square-root" and far:
        worst, finding = _method_uncertainty(test, far, target, room)
        inputs |= {"law_difference": worst, "barometer_pa": room}
        findings = (finding,)
    return made("test-pressure", formula, flow, inputs, factor=factors, findings=findings)


def formula_of(law: PressureLaw, side: Side | None) -> str:
    """Return the formula as the ledger names it."""
    return FORMULAS[law if law == "square-root" else side or "intake"]


def _method_uncertainty(test: FlowTest, far: list[float], target: float, barometer: float) -> tuple[float, Finding]:
    """Return the largest difference of the two laws, and the note that says it of each side that it can be."""
    sides: tuple[Side, ...] = (test.side,) if test.side else ("intake", "exhaust")
    worst: dict[Side, float] = {}
    for side in sides:
        try:
            worst[side] = max((law_difference(side, p, target, barometer) for p in far), key=abs)
        except CorrectionError:
            continue  # of unknown side, and no intake could be sucked so hard: it can only be the exhaust
    words = ", ".join(f"{percent(abs(value))} on the {side}" for side, value in worst.items())
    pressure = max(far, key=lambda p: abs(math.log(target / p)))
    unit = test.units.pressure.unit if test.units.pressure else "inH2O"
    message = (
        f"From {format_quantity(pressure, unit)} to {format_quantity(target, unit)} the square-root and the "
        f"compressible law differ by {words}. That is the uncertainty of the method; test nearer to the reference "
        "pressure to make it smaller."
    )
    return max(worst.values(), key=abs), Finding("law-difference", "note", test.id, message)
