"""Pictures of the engine room: cams, and figures against speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from flowkit.errors import EngineError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from flowkit.engine.cam import Cam
    from flowkit.engine.results import EngineResult, EngineVariant

__all__ = ["plot_cams", "plot_engine"]

_LABELS: dict[str, tuple[str, float]] = {
    "z": ("mean inlet Mach index Z", 1.0),
    "volumetric_efficiency": ("volumetric efficiency, % (estimate, no waves)", 100.0),
    "trapped_mass_kg": ("trapped mass, g a cylinder (estimate)", 1e3),
    "trapped_air_kg": ("trapped air, g a cylinder (estimate)", 1e3),
    "residual_fraction": ("residual gas, % (estimate)", 100.0),
    "pumping_mep_pa": ("pumping mean pressure, bar (estimate)", 1e-5),
    "indicated_mep_pa": ("indicated mean pressure, bar (estimate)", 1e-5),
    "gross_indicated_mep_pa": ("gross indicated mean pressure, bar (estimate)", 1e-5),
    "indicated_torque_nm": ("indicated torque, N·m (estimate)", 1.0),
    "indicated_power_w": ("indicated power, kW (estimate)", 1e-3),
}


def _axes(ax: Axes | None) -> Axes:
    """Return the given axes, or new ones on a figure that belongs to nobody else."""
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    return Figure(figsize=(7.0, 4.6), dpi=110).add_subplot()


def plot_cams(cams: Sequence[Cam], ax: Axes | None = None) -> Axes:
    """Draw valve lift against crank angle.

    Parameters
    ----------
    cams : sequence of Cam
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure otherwise.

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> from flowkit.engine.cam import Cam
    >>> cam = Cam.from_timing(opens_deg=350, closes_deg=590, checking_lift_m=0, peak_lift_m=0.009)
    >>> plot_cams([cam]).get_xlabel()
    'crank angle, degrees after firing dead centre'
    """
    from flowkit.drawing import INK, bare_axes, style, variant_style

    with style():
        axes = _axes(ax)
        for index, cam in enumerate(cams):
            look = variant_style(index)
            theta = cam.open_angles(721)
            axes.plot(theta, cam.lift(theta) * 1e3, color=look.color, linestyle=look.linestyle, label=cam.name)
        bare_axes(axes, size=8)
        axes.set_ylim(bottom=0)
        axes.set_xlabel("crank angle, degrees after firing dead centre", size=8, color=INK)
        axes.set_ylabel("valve lift, mm", size=8, color=INK)
        axes.legend(frameon=False, fontsize=8)
    return axes


def _series(variant: EngineVariant, quantity: str) -> tuple[Sequence[float], Sequence[float]] | None:
    """Return speeds and values of one variant, None where it has none."""
    if quantity == "z":
        return (variant.mach.speeds_rpm, variant.mach.z) if variant.mach else None
    return (variant.filling.speeds_rpm, getattr(variant.filling, quantity)) if variant.filling else None


def plot_engine(result: EngineResult, ax: Axes | None = None, *, quantity: str = "volumetric_efficiency") -> Axes:
    """Draw one figure against speed, a line per variant; see `EngineResult.plot`.

    Parameters
    ----------
    result : EngineResult
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure otherwise.
    quantity : str, optional
        A field of `Filling`, or ``"z"``.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    EngineError
        If the quantity is not known, or no variant has it.
    """
    from flowkit.drawing import INK, bare_axes, style, variant_style

    if quantity not in _LABELS:
        raise EngineError(f"there is no quantity {quantity!r} to draw", "use one of " + ", ".join(_LABELS))
    label, scale = _LABELS[quantity]
    lines = [(index, variant.name, _series(variant, quantity)) for index, variant in enumerate(result.variants)]
    if all(series is None for _, _, series in lines):
        raise EngineError(f"no variant has {quantity} to draw", "the findings say what it lacks")
    with style():
        axes = _axes(ax)
        for index, name, series in lines:
            if series is not None:
                look = variant_style(index)
                axes.plot(
                    series[0],
                    [value * scale for value in series[1]],
                    color=look.color,
                    linestyle=look.linestyle,
                    marker=look.marker,
                    markersize=3,
                    label=name,
                )
        if quantity == "z":
            axes.axhline(0.5, color=INK, linewidth=0.6)
        bare_axes(axes, size=8)
        axes.set_xlabel("engine speed, rpm", size=8, color=INK)
        axes.set_ylabel(label, size=8, color=INK)
        axes.legend(frameon=False, fontsize=8)
    return axes
