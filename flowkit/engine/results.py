"""What the engine room gives: frozen dataclasses whose field names are the result's keys.

Differences between variants are the headline. Absolute figures are estimates of a model
without waves in the pipes, and are marked so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from flowkit.analysis.results import by_name
from flowkit.errors import EngineError
from flowkit.model import Finding, Side
from flowkit.result import Result

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from flowkit.engine.cam import Cam


@dataclass(frozen=True, slots=True)
class Assumption:
    """One input of the model by its key in the job file, its value as people read it."""

    name: str
    value: str
    source: Literal["stated", "assumed"]
    meaning: str


@dataclass(frozen=True, slots=True)
class CamWeightedMeanFlow:
    """Flow averaged over the open period of the cam [m³/s]; None where it cannot be made."""

    intake: float | None
    exhaust: float | None


@dataclass(frozen=True, slots=True)
class MachIndex:
    """Mean inlet Mach index against speed; where it is 0.5 the head begins to limit, never a safe speed.

    `mean_effective_area_m2` is one cylinder's intake averaged over the open period.
    """

    speed_at_half_rpm: float
    speeds_rpm: tuple[float, ...]
    z: tuple[float, ...]
    mean_effective_area_m2: float


@dataclass(frozen=True, slots=True)
class NotFiring:
    """A speed without a steady firing cycle, and why."""

    speed_rpm: float
    reason: Literal["net-intake-flow", "trapped-air", "not-steady"]


@dataclass(frozen=True, slots=True)
class Peak:
    """Largest brake power among the speeds, by the parabola through it and its neighbours; an estimate.

    `inside` is False where the largest is at an end of the speeds or beside one that does not fire: no peak.
    """

    speed_rpm: float
    brake_power_w: float
    inside: bool


Values = tuple[float | None, ...]
"""One for each speed; None where it does not fire."""


@dataclass(frozen=True, slots=True)
class Filling:
    """The filling model's figures against speed; estimates, one for each speed, None where it does not fire.

    `volumetric_efficiency` is the air drawn from the intake over the displaced volume full of intake air; air flow,
    torque and power are of all cylinders. Trapped mass is in one cylinder when the intake valve closes, trapped air the
    fresh air of it, `residual_fraction` the burned gas. `indicated_mep_pa` is net, over the whole cycle, the gross
    one over compression and expansion alone; `pumping_mep_pa`, positive as a loss, is the work spent on the exhaust and
    intake strokes. Brake is indicated less friction; below zero the engine would have to be driven. `cycles` are the
    rounds until the cycle repeated itself; `mass_error` is over the mass drawn in, `energy_error` over the enthalpy
    drawn in and the heat released. `peak` is None where nothing fires.
    """

    speeds_rpm: tuple[float, ...]
    volumetric_efficiency: Values
    air_flow_kg_s: Values
    trapped_mass_kg: Values
    trapped_air_kg: Values
    residual_fraction: Values
    pumping_mep_pa: Values
    indicated_mep_pa: Values
    gross_indicated_mep_pa: Values
    indicated_torque_nm: Values
    indicated_power_w: Values
    friction_mep_pa: tuple[float, ...]
    brake_mep_pa: Values
    brake_torque_nm: Values
    brake_power_w: Values
    cycles: tuple[int, ...]
    mass_error: Values
    energy_error: Values
    not_firing: tuple[NotFiring, ...] = ()
    peak: Peak | None = None


@dataclass(frozen=True, slots=True)
class AirLimitedPower:
    """Power that the air drawn in allows, air flow/(air-fuel ratio × brake specific fuel consumption); an estimate."""

    speeds_rpm: tuple[float, ...]
    air_flow_kg_s: Values
    power_w: Values


@dataclass(frozen=True, slots=True)
class Volumes:
    """What the clearance volume of one cylinder is made of [m³], each as stated.

    The chamber is before the milling, which took off `milled_m3`; the deck is negative where the piston comes out of
    the block, the crown + for a dome and − for dish and pockets.
    """

    chamber_m3: float
    milled_m3: float
    gasket_m3: float
    deck_m3: float
    crown_m3: float

    @property
    def clearance_m3(self) -> float:
        """Clearance volume [m³]."""
        return self.chamber_m3 - self.milled_m3 + self.gasket_m3 + self.deck_m3 - self.crown_m3


@dataclass(frozen=True, slots=True)
class EngineSummary:
    """A variant's engine: dimensions [m], displacement of all cylinders, clearance volume of one [m³]."""

    cylinders: int
    bore_m: float
    stroke_m: float
    rod_m: float
    displacement_m3: float
    compression_ratio: float
    clearance_volume_m3: float
    volumes: Volumes | None


@dataclass(frozen=True, slots=True)
class CamSummary:
    """A variant's cam: ends of the valve's lift [degrees after the dead centre of gas exchange], lift less lash [m]."""

    opens_deg: float
    closes_deg: float
    peak_lift_m: float


@dataclass(frozen=True, slots=True)
class BandTime:
    """How long the valve stays in a band of lift, and what flows there.

    One percent more flow in this band alone gives `share_of_flow` of a percent more cam-weighted mean flow.
    """

    from_m: float
    to_m: float
    crank_deg: float
    share_of_period: float
    share_of_flow: float | None


@dataclass(frozen=True, slots=True)
class EngineVariant:
    """One variant in its engine; None where the sheets or the cams do not allow a figure."""

    name: str
    cam_weighted_mean_flow_m3_s: CamWeightedMeanFlow
    mach: MachIndex | None
    filling: Filling | None
    power: AirLimitedPower | None
    band_times: Mapping[Side, tuple[BandTime, ...]]
    engine: EngineSummary | None = None
    cam: Mapping[Side, CamSummary] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CamGain:
    """The gain in cam-weighted mean flow of one variant over another.

    `u95` is half the 95 % interval, absolute; None where the bench's repeatability is not known.
    """

    side: Side
    from_: str
    to: str
    kind: Literal["step", "total", "step and total"]
    gain: float
    u95: float | None
    resolved: bool | None
    not_assessed_because: str | None


@dataclass(frozen=True, slots=True)
class EngineDifference:
    """What a variant changes in the engine against the first, at the speeds at which both fire; ratios − 1.

    Filling is referred to each one's own displacement. `brake_torque` is None where the first's is not above zero, the
    peaks unless both are inside their speeds; `changed` names factors of the head's state, keys of the engine, cams and
    reference bore that differ, in alphabetical order.
    """

    from_: str
    to: str
    speeds_rpm: tuple[float, ...]
    air_flow: tuple[float, ...]
    volumetric_efficiency: tuple[float, ...]
    brake_torque: Values
    peak_speed: float | None
    peak_brake_power: float | None
    speed_at_half: float | None
    changed: tuple[str, ...]


@dataclass(frozen=True, slots=True, repr=False)
class EngineResult(Result):
    """What the measured flow means for this engine.

    Attributes
    ----------
    variants : tuple of EngineVariant
    findings : tuple of Finding
    cam_weighted_gains : tuple of CamGain
    differences : tuple of EngineDifference
        The headline.
    sentences : tuple of str
        The headline in words.
    assumptions : tuple of Assumption
        Every input of the model, stated or assumed.
    model_notes : tuple of str
        What the filling model does, in words.
    no_wave_effects : str
        What is left out.
    cautions : tuple of str
        To be shown beside every figure with a speed or a lift.
    prediction : str or None
        For what-if results: what was changed and that it was not measured.

    Examples
    --------
    >>> from flowkit import Job, sample_job
    >>> result = Job.load(sample_job()).engine_result(variant="as received")
    >>> result.variant("as received").engine.cylinders
    4
    """

    kind: ClassVar[str] = "engine"
    variants: tuple[EngineVariant, ...]
    findings: tuple[Finding, ...]
    cam_weighted_gains: tuple[CamGain, ...]
    differences: tuple[EngineDifference, ...]
    sentences: tuple[str, ...]
    assumptions: tuple[Assumption, ...]
    model_notes: tuple[str, ...]
    no_wave_effects: str
    cautions: tuple[str, ...]
    prediction: str | None = None
    estimates: bool = field(default=True)

    def __repr__(self) -> str:
        names = ", ".join(variant.name for variant in self.variants)
        return f"<EngineResult of {names}: {len(self.differences)} differences, {len(self.findings)} findings>"

    def variant(self, name: str) -> EngineVariant:
        """Return the variant of that name.

        Raises
        ------
        KeyError
            If there is none.
        """
        return by_name(self.variants, name)

    def table(self) -> pd.DataFrame:
        """Return one row per variant and speed.

        Returns
        -------
        pandas.DataFrame
            Columns ``variant, speed_rpm, z`` and the figures of `Filling` and `AirLimitedPower`,
            missing where they cannot be made.
        """
        import pandas as pd

        rows: list[dict[str, Any]] = []
        for variant in self.variants:
            rows.extend(table_rows(variant))
        return pd.DataFrame(rows)

    def plot(self, ax: Axes | None = None, *, quantity: str = "volumetric_efficiency") -> Axes:
        """Draw one figure of the filling model against speed, a line per variant.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure otherwise.
        quantity : str, optional
            A field of `Filling`, or ``"z"`` for the mean inlet Mach index.

        Returns
        -------
        matplotlib.axes.Axes

        Raises
        ------
        EngineError
            If the quantity is not known, or no variant has it.
        """
        if quantity not in _LABELS:
            raise EngineError(f"there is no quantity {quantity!r} to draw", "use one of " + ", ".join(_LABELS))
        label, scale = _LABELS[quantity]
        lines: list[_Line | None] = []
        for variant in self.variants:
            source = variant.mach if quantity == "z" else variant.filling
            values = [float("nan") if value is None else value * scale for value in getattr(source, quantity, ())]
            lines.append((source.speeds_rpm, values, variant.name) if source else None)
        if not any(lines):
            raise EngineError(f"no variant has {quantity} to draw", "the findings say what it lacks")
        axes = _drawn(lines, ax, "engine speed, rpm", label, marked=True)
        if quantity == "z":
            from flowkit.drawing import INK

            axes.axhline(0.5, color=INK, linewidth=0.6)
        return axes


def table_rows(variant: EngineVariant) -> list[dict[str, Any]]:
    """Build a variant's rows of the table."""
    source = variant.filling or variant.mach
    if source is None:
        return []
    rows = []
    for index, speed in enumerate(source.speeds_rpm):
        row: dict[str, Any] = {"variant": variant.name, "speed_rpm": speed}
        row["z"] = variant.mach.z[index] if variant.mach else None
        for name in Filling.__slots__:
            if name not in ("speeds_rpm", "not_firing", "peak"):
                row[name] = getattr(variant.filling, name)[index] if variant.filling else None
        row["air_limited_power_w"] = variant.power.power_w[index] if variant.power else None
        rows.append(row)
    return rows


_LABELS: dict[str, tuple[str, float]] = {
    "z": ("mean inlet Mach index Z", 1.0),
    "volumetric_efficiency": ("volumetric efficiency, % (estimate, no waves)", 100.0),
    "air_flow_kg_s": ("air, g/s, all cylinders (estimate, no waves)", 1e3),
    "brake_torque_nm": ("brake torque, N·m (estimate)", 1.0),
    "brake_power_w": ("brake power, kW (estimate)", 1e-3),
    "brake_mep_pa": ("brake mean pressure, bar (estimate)", 1e-5),
    "trapped_mass_kg": ("trapped mass, g a cylinder (estimate)", 1e3),
    "trapped_air_kg": ("trapped air, g a cylinder (estimate)", 1e3),
    "residual_fraction": ("residual gas, % (estimate)", 100.0),
    "pumping_mep_pa": ("pumping mean pressure, bar (estimate)", 1e-5),
    "indicated_mep_pa": ("indicated mean pressure, bar (estimate)", 1e-5),
    "gross_indicated_mep_pa": ("gross indicated mean pressure, bar (estimate)", 1e-5),
    "indicated_torque_nm": ("indicated torque, N·m (estimate)", 1.0),
    "indicated_power_w": ("indicated power, kW (estimate)", 1e-3),
}


_Line = tuple[Sequence[float], Sequence[float], str]
"""Abscissas, ordinates and name."""


def plot_cams(cams: Sequence[Cam], ax: Axes | None = None) -> Axes:
    """Draw valve lift against crank angle."""
    lines = [((theta := cam.open_angles(721)).tolist(), (cam.lift(theta) * 1e3).tolist(), cam.name) for cam in cams]
    axes = _drawn(lines, ax, "crank angle, degrees after firing dead centre", "valve lift, mm")
    axes.set_ylim(bottom=0)
    return axes


def _drawn(lines: Sequence[_Line | None], ax: Axes | None, x: str, y: str, *, marked: bool = False) -> Axes:
    """Draw lines, each in the look of its place."""
    from flowkit.drawing import INK, bare_axes, new_axes, style, variant_style

    with style():
        axes = ax or new_axes(over=0.04)
        for index, line in enumerate(lines):
            if line is not None:
                look, (xs, ys, name) = variant_style(index), line
                marker = look.marker if marked else None
                axes.plot(xs, ys, color=look.color, linestyle=look.linestyle, marker=marker, markersize=3, label=name)
        bare_axes(axes, size=8)
        axes.set_xlabel(x, size=8, color=INK)
        axes.set_ylabel(y, size=8, color=INK)
        axes.legend(frameon=False, fontsize=8)
    return axes
