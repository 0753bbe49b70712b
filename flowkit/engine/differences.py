"""What one variant changes in the engine against another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from flowkit.engine.results import EngineDifference, EngineVariant

__all__ = ["difference_of", "differences_between"]

Kind = Literal["step", "total", "step and total"]


def differences_between(variants: Sequence[EngineVariant]) -> tuple[EngineDifference, ...]:
    """Return each variant against the one before it and against the first.

    Parameters
    ----------
    variants : sequence of EngineVariant
        In the job's order.

    Returns
    -------
    tuple of EngineDifference
        Without pairs of which one has neither Mach index nor filling.

    Examples
    --------
    >>> differences_between(())
    ()
    """
    pairs: list[tuple[EngineVariant, EngineVariant, Kind]] = []
    for place in range(1, len(variants)):
        if place == 1:
            pairs.append((variants[0], variants[1], "step and total"))
        else:
            pairs.append((variants[place - 1], variants[place], "step"))
            pairs.append((variants[0], variants[place], "total"))
    found = [difference_of(before, after, kind) for before, after, kind in pairs]
    return tuple(item for item in found if item is not None)


def difference_of(before: EngineVariant, after: EngineVariant, kind: Kind) -> EngineDifference | None:
    """Return what one variant changes against another, None where nothing can be said.

    Parameters
    ----------
    before, after : EngineVariant
    kind : {"step", "total", "step and total"}
    """
    at_half = None
    if before.mach is not None and after.mach is not None:
        at_half = after.mach.speed_at_half_rpm / before.mach.speed_at_half_rpm - 1
    old, new = before.filling, after.filling
    if old is None or new is None or old.speeds_rpm != new.speeds_rpm:
        if at_half is None:
            return None
        return EngineDifference(before.name, after.name, kind, at_half, (), (), (), ())
    return EngineDifference(
        from_=before.name,
        to=after.name,
        kind=kind,
        speed_at_half=at_half,
        speeds_rpm=old.speeds_rpm,
        volumetric_efficiency=_ratios(old.volumetric_efficiency, new.volumetric_efficiency),
        indicated_torque=_ratios(old.indicated_torque_nm, new.indicated_torque_nm),
        pumping_mep_pa=tuple(b - a for a, b in zip(old.pumping_mep_pa, new.pumping_mep_pa, strict=True)),
    )


def _ratios(before: Sequence[float], after: Sequence[float]) -> tuple[float, ...]:
    """Return ratios less one; none at all where a figure is not positive (a motored engine has no torque to gain)."""
    if any(value <= 0 for value in before):
        return ()
    return tuple(b / a - 1 for a, b in zip(before, after, strict=True))
