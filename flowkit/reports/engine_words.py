"""What the terminal and the page say alike of an engine: power the air allows, time in bands of lift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flowkit.drawing import Display
from flowkit.engine.results import BandTime, EngineResult, EngineVariant
from flowkit.model import Side
from flowkit.reports.labels import interval_text, lift_text, signed_percent

__all__ = [
    "HALF_WORDS",
    "BandRow",
    "Bands",
    "band_sentence",
    "bands_of",
    "cam_gain_words",
    "power_figures",
    "power_unit",
    "power_words",
]

HALF_WORDS = (
    "Z is the mean inlet Mach index. Filling falls off sharply as it passes about 0.5: there the head begins to "
    "limit. It is no safe speed."
)
"""Why 0.5 is marked (Taylor, The Internal-Combustion Engine in Theory and Practice, vol. 1, ch. 6)."""

_HORSEPOWER_W = 550 * 0.3048 * 4.4482216152605
"""550 ft·lbf/s, exactly [W] (NIST SP 811, appendix B)."""
_SAME_EDGE_M = 1e-6


def power_unit(display: Display) -> str:
    """Return the unit powers are shown in: hp beside inches, else kW."""
    return "hp" if display.lift == "in" else "kW"


def power_figures(variant: EngineVariant, display: Display) -> tuple[float, ...]:
    """Return a variant's air-limited power at each speed, in the unit of `power_unit`.

    Parameters
    ----------
    variant : EngineVariant
    display : Display

    Returns
    -------
    tuple of float
        Empty where the variant has none.
    """
    scale = _HORSEPOWER_W if power_unit(display) == "hp" else 1e3
    return tuple(value / scale for value in variant.power.power_w) if variant.power else ()


def power_words(engine: EngineResult) -> str:
    """Say what air-limited power is, with every assumption behind it.

    Parameters
    ----------
    engine : EngineResult

    Returns
    -------
    str
        Empty where no variant has such a power.
    """
    if not any(variant.power for variant in engine.variants):
        return ""
    known = {item.name: item for item in engine.assumptions}

    def told(name: str) -> str:
        """An input and where it comes from."""
        return f"{known[name].value} ({known[name].source})" if name in known else "not told"

    # A predicted engine's own bore is among its inputs; the one it starts from may have another.
    whose, flows = ("The predicted engine's d", "measured and predicted") if engine.prediction else ("D", "measured")
    return (
        "Air-limited power (estimate) is air flow/(air–fuel ratio × brake specific fuel consumption), of all "
        f"cylinders. Air–fuel ratio: {told('air_fuel_ratio')}. Brake specific fuel consumption: {told('bsfc')}, the "
        "same at every speed and for every variant; friction is in it. Air flow: displacement × half the speed × "
        f"density of the intake air × volumetric efficiency. {whose}isplacement: cylinders {told('cylinders')}, bore "
        f"{told('bore')}, stroke {told('stroke')}. Density: dry air at {told('intake_pressure')} and "
        f"{told('intake_temperature')}. Volumetric efficiency: from the filling model, with the {flows} flows and the "
        "cams, without waves; not measured."
    )


@dataclass(frozen=True, slots=True)
class BandRow:
    """A band of lift, as reports show it.

    Attributes
    ----------
    lift : str
        The band, in the unit shown.
    time : BandTime
        Of the last variant.
    before_m3_s, after_m3_s : float or None
        Mean flow while the valve is in the band, of the first and of the last variant [m³/s].
    gain : float or None
    """

    lift: str
    time: BandTime
    before_m3_s: float | None
    after_m3_s: float | None
    gain: float | None


@dataclass(frozen=True, slots=True)
class Bands:
    """One side's bands of lift.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    before : str or None
        The variant compared with; None where there is none on the same bands.
    after : str
        The variant whose bands they are: the last there is.
    rows : tuple of BandRow
    """

    side: Side
    before: str | None
    after: str
    rows: tuple[BandRow, ...]


def _band_flow(variant: EngineVariant, side: Side, band: BandTime) -> float | None:
    """Mean flow while the valve is in a band: its share of flow over its share of time, of the mean over the cam."""
    mean: float | None = getattr(variant.cam_weighted_mean_flow_m3_s, side)
    if mean is None or band.share_of_flow is None or band.share_of_period <= 0:
        return None
    return band.share_of_flow / band.share_of_period * mean


def _same_bands(one: Sequence[BandTime], other: Sequence[BandTime]) -> bool:
    """Whether two variants were divided at the same lifts."""
    return len(one) == len(other) and all(
        abs(a.from_m - b.from_m) < _SAME_EDGE_M and abs(a.to_m - b.to_m) < _SAME_EDGE_M
        for a, b in zip(one, other, strict=True)
    )


def bands_of(engine: EngineResult, display: Display) -> tuple[Bands, ...]:
    """Return each side's bands: the last variant's, beside the first's where they are the same bands.

    Parameters
    ----------
    engine : EngineResult
    display : Display

    Returns
    -------
    tuple of Bands
        Without the sides no variant has bands of.
    """
    found = []
    sides: tuple[Side, Side] = ("intake", "exhaust")
    for side in sides:
        having = [variant for variant in engine.variants if variant.band_times.get(side)]
        if not having:
            continue
        first, last = having[0], having[-1]
        bands = last.band_times[side]
        comparable = first is not last and _same_bands(first.band_times[side], bands)
        olds = [_band_flow(first, side, band) for band in first.band_times[side]] if comparable else [None] * len(bands)
        rows = []
        for old, band in zip(olds, bands, strict=True):
            new = _band_flow(last, side, band)
            gain = new / old - 1 if old and new is not None else None
            rows.append(BandRow(_lifts(band, display), band, old, new, gain))
        found.append(Bands(side, first.name if comparable else None, last.name, tuple(rows)))
    return tuple(found)


def _lifts(band: BandTime, display: Display) -> str:
    """Write a band's lifts."""
    return f"{lift_text(band.from_m, display)}–{lift_text(band.to_m, display)}"


def band_sentence(bands: Bands, display: Display, name: str) -> str:
    """Say where on the lift curve more flow would pay.

    Parameters
    ----------
    bands : Bands
    display : Display
    name : str
        What the variant is called where it is shown.

    Returns
    -------
    str
        Empty where no shares of flow are known.
    """
    shares = [row.time.share_of_flow for row in bands.rows]
    known = [(share, row) for share, row in zip(shares, bands.rows, strict=True) if share is not None]
    if not known:
        return ""
    most = max(known, key=lambda item: item[0])
    least = min(known, key=lambda item: item[0])
    text = (
        f"{bands.side.capitalize()}, {name}: more flow pays most at {most[1].lift} {display.lift} of lift, where the "
        f"valve spends {100 * most[1].time.share_of_period:.0f} % of its open time and {100 * most[0]:.0f} % of the "
        f"flow over the cam passes: 1 % more flow there alone gives {most[0]:.2f} % more over the cam"
    )
    if least[0] < most[0]:
        text += (
            f"; at {least[1].lift} {display.lift}, where it spends {100 * least[1].time.share_of_period:.0f} % of the "
            f"time, {least[0]:.2f} %"
        )
    return text + "."


def cam_gain_words(engine: EngineResult, side: Side, name: str) -> str:
    """Write a variant's gain in cam-weighted flow over the first.

    Parameters
    ----------
    engine : EngineResult
    side : {"intake", "exhaust"}
    name : str
        The variant's.

    Returns
    -------
    str
        In per cent, with its interval; empty where there is none.
    """
    for gain in engine.cam_weighted_gains:
        if gain.side == side and gain.to == name and gain.kind != "step":
            return f"{signed_percent(gain.gain)} {interval_text(gain.u95)}".strip()
    return ""
