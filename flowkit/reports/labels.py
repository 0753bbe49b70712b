"""Numbers and names as people read them, on paper and on a terminal."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterable

from flowkit.analysis.results import Comparison, Gain, SideComparison
from flowkit.drawing import Display
from flowkit.drawing.figures import (
    MINUS,
    NOTHING,
    display_of,
    flow_text,
    gain_text,
    interval_text,
    lift_text,
    numeral,
    percent,
    signed_percent,
)
from flowkit.model import AirState, Finding, JobInfo, Reference, Severity, Side
from flowkit.units import from_si

__all__ = [
    "MINUS",
    "NOTHING",
    "counted",
    "date_of",
    "date_words",
    "display_of",
    "flow_text",
    "gain_text",
    "interval_text",
    "lift_text",
    "method_words",
    "not_assessed_words",
    "numeral",
    "percent",
    "port_text",
    "reference_words",
    "resolved_words",
    "sides_of",
    "signed_percent",
]


def sides_of(comparison: Comparison) -> list[tuple[Side, SideComparison]]:
    """Return the sides there are, the intake first."""
    order: tuple[Side, Side] = ("intake", "exhaust")
    return [(side, comparison.sides[side]) for side in order if side in comparison.sides]


def port_text(port: str) -> str:
    """Return what a port is called."""
    return f"port {port}" if port else "port"


def resolved_words(gain: Gain) -> str:
    """Say whether the bench can tell a gain from nothing."""
    if gain.resolved is None:
        return "not assessed"
    return "resolved" if gain.resolved else "within the bench's repeatability"


def _air_words(air: AirState) -> str:
    """Say which air flows are referred to."""
    wet = "dry" if not air.relative_humidity else f"{100 * air.relative_humidity:.0f} % humidity"
    return f"{wet} air at {air.temperature_k - 273.15:.4g} °C and {air.pressure_pa / 1000:.6g} kPa"


def pressure_words(pressure_pa: float, display: Display) -> str:
    """Write a test pressure in inches of water, and in kPa where metric units are shown."""
    text = f"{from_si(pressure_pa, 'inH2O'):.4g} inH2O"
    return text if display.pressure == "inH2O" else f"{text} ({pressure_pa / 1000:.3f} kPa)"


def reference_words(reference: Reference, display: Display) -> str:
    """Say in words what all flows are brought to.

    Parameters
    ----------
    reference : Reference
    display : Display

    Examples
    --------
    >>> from flowkit.drawing import DISPLAYS
    >>> reference_words(Reference(), DISPLAYS["US"])
    'All flows at 28 inH2O by the square-root law, dry air at 20 °C and 101.325 kPa, bore as tested.'
    """
    bore = "bore as tested"
    if reference.bore_m is not None:
        bore = (
            f"bore {numeral(from_si(reference.bore_m, display.diameter), display.diameter_digits)} {display.diameter}"
        )
    law = f"{reference.pressure_law} law"
    where = pressure_words(reference.pressure_pa, display)
    return f"All flows at {where} by the {law}, {_air_words(reference.air)}, {bore}."


def not_assessed_words(reason: str) -> str:
    """Say why there are no intervals, in one sentence.

    Parameters
    ----------
    reason : str
        As the comparison has it.

    Examples
    --------
    >>> not_assessed_words("Not assessed: no port was flowed twice.")
    'Intervals not assessed: no port was flowed twice.'
    """
    return f"Intervals not assessed: {reason.removeprefix('Not assessed: ').removesuffix('.')}."


def method_words(comparison: Comparison, display: Display, *, drawn: str = "") -> str:
    """Say over which lifts means are taken, and where the intervals come from.

    Parameters
    ----------
    comparison : Comparison
    display : Display
        The units shown.
    drawn : str, optional
        What else stands for intervals, such as ``"Shading, bars"``.
    """
    ranges = {side: _range_words(item.range_m, display) for side, item in sides_of(comparison)}
    if len(set(ranges.values())) == 1:
        where = f"{next(iter(ranges.values()))} lift"
    else:
        where = " and ".join(f"{text} ({side})" for side, text in ranges.items())
    rule = "" if comparison.area_method == "pchip" else ", areas by the trapezoid rule"
    source = comparison.repeatability.source
    if source == "none":
        told = "Intervals not assessed: no repeated runs and no stated repeatability"
    else:
        origin = "repeated runs" if source == "repeated runs" else "a stated repeatability"
        what = f"{drawn} and ±" if drawn else "±"
        told = f"{what} are 95 % intervals from {origin}"
        if comparison.repeatability.s_r is not None:
            told += f" (one reading: {100 * comparison.repeatability.s_r:.2f} %)"
    return f"Mean flow {where}{rule}. {told}."


def _range_words(range_m: tuple[float, float], display: Display) -> str:
    """Say over which lifts, or at which single one."""
    low, high = (lift_text(lift, display) for lift in range_m)
    return f"at {low} {display.lift}" if low == high else f"over {low}–{high} {display.lift}"


_GRAVEST: tuple[Severity, ...] = ("error", "warning", "note")


def counted(findings: Iterable[Finding]) -> str:
    """Say how many findings there are of each severity.

    Parameters
    ----------
    findings : iterable of Finding

    Examples
    --------
    >>> counted([Finding("leak-large", "warning", "a.csv", "…")] * 2), counted([])
    ('2 warnings', '')
    """
    numbers = Counter(finding.severity for finding in findings)
    return ", ".join(f"{numbers[kind]} {kind}{'s' if numbers[kind] > 1 else ''}" for kind in _GRAVEST if numbers[kind])


def date_of(text: str | None) -> datetime.date | None:
    """Read a job's date, or None where it is none that can be read without doubt.

    Examples
    --------
    >>> date_of("2026-03-14"), date_of("spring")
    (datetime.date(2026, 3, 14), None)
    """
    if not text:
        return None
    for form in ("%Y-%m-%d", "%d %B %Y", "%d %b %Y", "%B %d, %Y", "%d.%m.%Y"):
        try:
            return datetime.datetime.strptime(text.strip(), form).date()
        except ValueError:
            continue
    return None


_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def date_words(text: str | None) -> str:
    """Write a job's date in words; one that cannot be read stands as it is.

    Examples
    --------
    >>> date_words("2026-03-14"), date_words("spring 2026"), date_words(None)
    ('14 March 2026', 'spring 2026', '')
    """
    day = date_of(text)
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}" if day else (text or "").strip()


def job_words(info: JobInfo) -> str:
    """Name the job in a few words: its number and date."""
    number = f"Job {info.number}" if info.number else ""
    return " · ".join(word for word in (number, date_words(info.date)) if word)


def distinct(items: Iterable[str]) -> list[str]:
    """Return each text once, in order."""
    return list(dict.fromkeys(items))
