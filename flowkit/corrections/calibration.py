"""What a meter's coefficient or full scale is, from plates of known flow and what the meter showed behind them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

from flowkit.air import density
from flowkit.corrections.meter import KINDS, Certificate, Meter
from flowkit.corrections.readings import flow_of
from flowkit.errors import JobError
from flowkit.model import AirState, Bench, Finding
from flowkit.result import Result
from flowkit.units import from_si

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One plate: what the meter showed, the true flow of the day, its share of uncertainty, and what follows."""

    reading: float
    reading_unit: str
    flow_m3_s: float
    u: float
    value: float
    residual: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """What was found for one meter, or for one range of it."""

    name: str
    kind: str
    range: str | None
    parameter: str
    value: float
    u: float  # standard uncertainty, as a share
    chi_squared: float  # of the plates about it
    points: tuple[CalibrationPoint, ...]
    toml: str


@dataclass(frozen=True, slots=True)
class CalibrationResult(Result):
    """All meters of a job that have certificates."""

    kind: ClassVar[str] = "meter"
    meters: tuple[Calibration, ...]
    findings: tuple[Finding, ...] = ()

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw by how much each plate lies off what was found, with its standard uncertainty."""
        from flowkit.drawing import new_axes

        ax = ax or new_axes(7.0, 4.0)
        for index, item in enumerate(self.meters):
            readings = [point.reading for point in item.points]
            off = [100 * point.residual for point in item.points]
            bars = [100 * point.u for point in item.points]
            label = item.name if item.range is None else f"{item.name}, {item.range}"
            ax.errorbar(
                readings, off, yerr=bars, label=label, marker="osD^v"[index % 5], color=f"C{index}", linestyle="none",
                capsize=3,
            )  # fmt: skip
            ax.axhspan(-100 * item.u, 100 * item.u, color=f"C{index}", alpha=0.12, linewidth=0)
        units = {point.reading_unit for item in self.meters for point in item.points}
        ax.axhline(0, color="0.3", linewidth=0.8)
        ax.set_xlabel(f"reading ({', '.join(sorted(units))})")
        ax.set_ylabel("plate less what was found (%)")
        who = "Meters" if len(self.meters) > 1 else self.meters[0].name.capitalize()
        ax.set_title(f"{who} against plates of known flow; bars and band: one standard uncertainty", fontsize=10)
        if len(self.meters) > 1:
            ax.legend(frameon=False, loc="best")
        return ax


def calibrate(meters: Mapping[str, Meter], raw: Mapping[str, Any], bench: Bench | None = None) -> CalibrationResult:
    """Find the coefficient of plates and the full scale of percent meters from their certificates.

    With a bench's `air` other than ``"as stated"`` a percent meter's true flow is brought to the day's density.

    Notes
    -----
    ``Q_i = flow·sqrt(test_pressure/at)·sqrt(ρ_certificate/ρ₀)``; ``value = Σw·value_i/Σw`` with
    ``w = 1/(u_i·value_i)²``; ``u = 1/√Σw``, times ``√(χ²/(n − 1))`` where that is above 1 (Birge's ratio), joined
    with the part that all certificates share (`u_common`).
    """
    found: list[Calibration] = []
    findings: list[Finding] = []
    for meter in meters.values():
        if meter.certificates and not KINDS[meter.kind].found:
            raise JobError(
                f"the meter {meter.name!r} is of kind {meter.kind}, of which nothing is found from certificates",
                "certificates are for plates (coefficient) and percent scales (full_scale)",
            )
        for band in dict.fromkeys(item.day.range for item in meter.certificates):
            items = [item for item in meter.certificates if item.day.range == band]
            found.append(_one(meter, band, items, raw, bench or Bench()))
            if len(items) == 1:
                what = "One plate alone: nothing shows how well it repeats or whether the scale is straight."
                findings.append(Finding("few-repeats", "note", f"meter {meter.name}", what))
    if not found:
        raise JobError(
            "no meter of the job has a certificate", "add [[meter.certificate]], or [[meter.NAME.certificate]]"
        )
    return CalibrationResult(tuple(found), tuple(findings))


def _one(meter: Meter, band: str | None, items: list[Certificate], raw: Mapping[str, Any], bench: Bench) -> Calibration:
    """One meter, or one range of it."""
    if meter.kind == "plate":
        parameter, of_one = "coefficient", replace(meter, values={**meter.values, "coefficient": 1.0})
    else:
        parameter, of_one = "full_scale_m3_s", replace(meter, full_scale={"": 1.0})
    flows = [_true_flow(meter, item, bench) for item in items]
    values = [q / flow_of(of_one, item, bench) for q, item in zip(flows, items, strict=True)]
    weights = [1 / (item.u * value) ** 2 for value, item in zip(values, items, strict=True)]
    mean = math.fsum(w * v for w, v in zip(weights, values, strict=True)) / math.fsum(weights)
    chi = math.fsum(w * (v - mean) ** 2 for w, v in zip(weights, values, strict=True))
    scale = math.sqrt(max(chi / (len(values) - 1), 1.0)) if len(values) > 1 else 1.0
    u = math.hypot(scale / math.sqrt(math.fsum(weights)) / mean, meter.values.get("u_common", 0.0))
    points = tuple(
        CalibrationPoint(item.reading, item.unit, q, item.u, value, value / mean - 1)
        for item, q, value in zip(items, flows, values, strict=True)
    )
    return Calibration(meter.name, meter.kind, band, parameter, mean, u, chi, points, _table(meter, band, mean, u, raw))


def _true_flow(meter: Meter, item: Certificate, bench: Bench) -> float:
    """The true flow of the day through a plate of known flow [m³/s]."""
    day = item.day
    if not item.u > 0:
        raise JobError(f"a certificate of the meter {meter.name!r} has u = 0", "state its standard uncertainty")
    flow = item.flow_m3_s * math.sqrt((day.test_pressure_pa or 0.0) / item.at_pa)
    if meter.kind == "percent" and bench.air == "as stated":
        return flow
    if day.air_temperature_k is None or day.barometer_pa is None or day.relative_humidity is None:
        raise JobError(
            f"a certificate of the meter {meter.name!r} does not state the day's air",
            "state air_temperature, barometer and humidity",
        )
    room = AirState(day.air_temperature_k, day.barometer_pa, day.relative_humidity)
    return flow * math.sqrt(density(item.air) / density(room))


def _table(meter: Meter, band: str | None, value: float, u: float, raw: Mapping[str, Any]) -> str:
    """The meter's table with what was found, to paste into the job."""
    import tomlkit

    lone = isinstance(raw.get("kind"), str)
    own: dict[str, Any] = dict(raw if lone else raw[meter.name])
    own.pop("certificate", None)
    if meter.kind == "plate":
        own["coefficient"] = round(value, 5)
    else:
        text, known = f"{from_si(value, 'CFM'):.5g} CFM", own.get("full_scale")
        own["full_scale"] = text if band is None else {**(known if isinstance(known, Mapping) else {}), band: text}
    own["u_calibration"] = f"{100 * u:.2g} %"
    # A table of its own for what is one: an inline one must not be broken by a narrow terminal.
    return tomlkit.dumps({"meter": own if lone else {meter.name: own}})
