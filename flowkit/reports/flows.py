"""Flows at lifts that other variants were measured at, and which lifts stand for a side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from flowkit.analysis.results import SideComparison, VariantFlow

__all__ = ["all_lifts", "all_ports", "flow_at", "main_lifts", "measured"]


def _key(lift_m: float) -> float:
    """Round a lift to the micrometre: within it lifts are one."""
    return round(lift_m, 6)


def measured(variant: VariantFlow) -> dict[float, float]:
    """Return a variant's mean flow by lift, lifts to the micrometre."""
    return {_key(lift): flow for lift, flow in zip(variant.lifts_m, variant.flow_m3_s, strict=True)}


def flow_at(variant: VariantFlow, lift_m: float) -> float | None:
    """Return a variant's mean flow at a lift it was not measured at, by its ports' curves.

    Parameters
    ----------
    variant : VariantFlow
    lift_m : float
        [m]

    Returns
    -------
    float or None
        Mean of the ports' monotone cubics [m³/s]; None beyond the lifts of any port.
    """
    # Here and not at the top: the terminal's tables need no numpy where everything was measured.
    from flowkit.analysis.lifts import pchip

    flows = []
    for port in variant.ports:
        if len(port.lifts_m) < 2 or not port.lifts_m[0] <= lift_m <= port.lifts_m[-1]:
            return None
        flows.append(float(pchip(port.lifts_m, port.flow_m3_s)(lift_m)))
    return sum(flows) / len(flows) if flows else None


def all_ports(result: SideComparison) -> list[str]:
    """Return the ports of any variant, in their order."""
    return list(dict.fromkeys(port.port for variant in result.variants for port in variant.ports))


def all_lifts(result: SideComparison) -> list[float]:
    """Return every lift of any variant, ascending, to the micrometre."""
    return sorted({_key(lift) for variant in result.variants for lift in variant.lifts_m})


def main_lifts(result: SideComparison, least: int = 3) -> list[float]:
    """Return the lifts most variants were measured at; the last variant's where they share too few.

    Parameters
    ----------
    result : SideComparison
    least : int, optional
        Fewer shared lifts than this are too few.
    """
    variants: Sequence[VariantFlow] = result.variants
    counts = Counter(_key(lift) for variant in variants for lift in variant.lifts_m)
    shared = sorted(lift for lift, count in counts.items() if 2 * count > len(variants))
    if len(shared) >= min(least, len(counts)):
        return shared
    return [_key(lift) for lift in variants[-1].lifts_m]
