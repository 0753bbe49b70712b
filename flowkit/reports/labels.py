"""Numbers, units, names and dates as a page writes them."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from flowkit.analysis.results import Comparison, Gain, SideComparison
from flowkit.model import SIDES, CorrectedTest, Finding, HandChange, JobInfo, Reference, Severity, Side
from flowkit.units import from_si
from flowkit.wording import (
    Display,
    date_words,
    display_of,
    gain_text,
    length_words,
    lift_text,
    listed,
    pressure_words,
    sentence_case,
    temperature_words,
)

KEPT = re.compile(
    r"(?<=\d) (?=%|(?:in|in²|mm|mm²|CFM|L/s|inH2O|kPa|rpm|°C|°F|hp|kW|Nm|ft/s|m/s)\b)|(?<=[±×]) |(?<=%) (?=±)"
)
"""Spaces that lines are not broken at: between a number and its unit, and round plus-minus."""


def sides_of(comparison: Comparison) -> list[tuple[Side, SideComparison]]:
    """Return the sides there are, the intake first."""
    return [(side, comparison.sides[side]) for side in SIDES if side in comparison.sides]


def port_text(port: str) -> str:
    """Return what a port is called."""
    return f"port {port}" if port else "port"


def resolved_words(gain: Gain) -> str:
    """Say whether the bench can tell a gain from nothing."""
    if gain.resolved is None:
        return "not assessed"
    if gain.resolved:
        return "proven beyond the bench's scatter"
    return "larger than the bench's scatter, but not proven" if gain.beyond_scatter else "within the bench's scatter"


def reference_words(reference: Reference, display: Display, tests: Sequence[CorrectedTest] = ()) -> str:
    """Say in words what all flows are brought to; air and bore only where they were corrected."""
    made = {name: [test for test in tests if any(line.correction == name and not line.skipped for line in test.ledger)]
            for name in ("air", "bore")}  # fmt: skip
    where = pressure_words(reference.pressure_pa, display)
    words = [f"All flows at {where} by the {reference.pressure_law} law"]
    if made["air"]:
        air = reference.air
        wet = "dry air" if not air.relative_humidity else f"air of {100 * air.relative_humidity:.0f} % humidity"
        states = ", ".join(dict.fromkeys(repr(test.variant) for test in made["air"]))
        only = f" ({states} only; the rest as the bench gave it)" if len(made["air"]) < len(tests) else ""
        words.append(f"for {wet} at {temperature_words(air.temperature_k, display)}{only}")
    else:
        words.append("air as the bench gave it")
    found = (line.inputs.get("engine_bore_m") for test in made["bore"] for line in test.ledger if not line.skipped)
    bores = sorted({float(value) for value in found if isinstance(value, int | float)})
    if bores:
        words.append(f"engine bore {' and '.join(length_words(bore, display) for bore in bores)}")
    return ", ".join(words) + "."


def not_assessed_words(reason: str) -> str:
    """Say why there are no intervals, in one sentence."""
    return f"Intervals not assessed: {reason.removeprefix('Not assessed: ').removesuffix('.')}."


def method_words(comparison: Comparison, display: Display, *, drawn: str = "") -> str:
    """Say over which lifts means are taken, and where the intervals come from."""
    ranges: dict[str, list[str]] = {}
    for side, result in sides_of(comparison):
        low, high = (lift_text(lift, display) for lift in result.range_m)
        words = f"at {low} {display.lift}" if low == high else f"over {low}–{high} {display.lift}"
        ranges.setdefault(words, []).append(side)
    where = " and ".join(f"{words} ({', '.join(mine)})" for words, mine in ranges.items())
    where = where if len(ranges) != 1 else f"{next(iter(ranges))} lift"
    rule = "" if comparison.area_method == "pchip" else ", areas by the trapezoid rule"
    known = comparison.repeatability
    if known.source == "none":
        return f"Mean flow {where}{rule}. Intervals not assessed: no repeated runs and no stated repeatability."
    origin = {
        "stated": "a stated repeatability",
        "ports": "the same ports in several states",
        "repeated runs and ports": "repeated runs and the same ports in several states",
        "history": "the bench's records",
    }.get(known.source, known.source)
    intervals = f"{f'{drawn} and ±' if drawn else '±'} are 95 % intervals from {origin}"
    intervals += f" (scatter {100 * known.s_r:.2f} %)" if known.s_r is not None else ""
    if any(gain.resolved is not None for _, item in sides_of(comparison) for gain in item.gains):
        intervals += "; proven means beyond the bench's scatter"
    return f"Mean flow {where}{rule}. {intervals}."


_GRAVEST: tuple[Severity, ...] = ("error", "warning", "note")
_SENTENCE_ENDS = re.compile(r"(?<=[.?!]) (?=[A-Z'])")
_PLACES_NAMED = 3
_LONG_TAIL = 40
"""Letters of a sentence's end worth saying once only."""


def sheet_of(where: str) -> str:
    """Return the file, and the worksheet where it is named before a cell, that a finding is about."""
    pieces = where.split("!")
    return "!".join(pieces[:2]) if len(pieces) > 2 else re.split(r"[:,]", pieces[0])[0]


def gathered(findings: Iterable[Finding]) -> list[Finding]:
    """Return one finding for those that say the same of several places, states or sides: each is named, advice is once.

    For people to read; the JSON results keep every finding.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in dict.fromkeys(findings):
        advice = _SENTENCE_ENDS.split(finding.message)
        groups.setdefault((finding.rule, finding.severity, advice[-1]), []).append(finding)
    return [_as_one(group) if len(group) > 1 else group[0] for group in groups.values()]


def _as_one(group: Sequence[Finding]) -> Finding:
    """Put findings that end in the same sentence into one: what they share at the end, before it what each says."""
    said = [_SENTENCE_ENDS.split(finding.message) for finding in group]
    shared = 1
    while shared < min(map(len, said)) and len({sentences[-shared - 1] for sentences in said}) == 1:
        shared += 1
    own = list(dict.fromkeys(" ".join(sentences[:-shared]) for sentences in said))
    for place, words in enumerate(own):
        # The same of both sides is said once.
        other = re.sub(r"\bon the intake\b", "on the exhaust", words)
        if other != words and other in own:
            own[place] = re.sub(r"\bon the intake\b", "on the intake and the exhaust", words)
            own[own.index(other)] = ""
    # A test's id is long: its sheet is enough where there are several.
    wheres = (
        sheet_of(finding.where) if "!" in finding.where and ", " in finding.where else finding.where
        for finding in group
    )
    places = list(dict.fromkeys(wheres))
    more = len(places) - _PLACES_NAMED
    named = [*places[:_PLACES_NAMED], *([f"{more} more"] if more > 0 else [])]
    where = "; ".join(named) if any(", " in place for place in places) else listed(named)
    return replace(group[0], where=where, message=" ".join([*_once([*filter(None, own)]), *said[0][-shared:]]))


def _once(texts: Sequence[str]) -> list[str]:
    """Return texts with the end that all their first sentences have taken out, and said once behind them.

    >>> same = ", and nothing shows whether the bench moved in between."
    >>> _once([f"Flowed in May and June{same} It grew.", f"Flowed in June and July{same}"])[1:]
    ['Flowed in June and July.', 'Nothing shows whether the bench moved in between.']
    """
    first = _SENTENCE_ENDS.split(texts[0])[0] if len(texts) > 1 else ""
    for found in re.finditer(", and ", first):
        tail = first[found.start() :]
        if len(tail) > _LONG_TAIL and all(tail in text for text in texts):
            return [*(text.replace(tail, ".") for text in texts), sentence_case(tail.removeprefix(found[0]))]
    return list(texts)


def counted(findings: Iterable[Finding]) -> str:
    """Say how many findings there are of each severity."""
    numbers = Counter(finding.severity for finding in gathered(findings))
    return ", ".join(f"{numbers[kind]} {kind}{'s' if numbers[kind] > 1 else ''}" for kind in _GRAVEST if numbers[kind])


def job_words(info: JobInfo) -> str:
    """Name the job in a few words: its number and date."""
    number = f"Job {info.number}" if info.number else ""
    return " · ".join(word for word in (number, date_words(info.date)) if word)


def comparison_csv(comparison: Comparison, display: str = "US") -> str:
    """Return the table as CSV: a row per side, variant and lift, and one for the mean."""
    units = display_of(display)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["side", "variant", f"lift ({units.lift})", f"flow ({units.flow})", "gain (%)", "gain u95 (%)", "interpolated"]
    )

    def plain(value: float | None, scale: float = 100.0) -> str:
        """Write a number for another program: ten digits, none of them noise of the conversion."""
        return "" if value is None else f"{scale * value:.10g}"

    for side, result in sides_of(comparison):
        gains = {gain.to: gain for gain in result.totals}
        for variant in result.variants:
            gain = gains.get(variant.name)
            per_lift = {round(item.lift_m, 6): item for item in gain.per_lift} if gain else {}
            # A spreadsheet must not take a name for a formula.
            formula = variant.name.startswith(("=", "+", "-", "@", "\t", "\r"))
            first = [side, f"'{variant.name}" if formula else variant.name]
            for lift, flow in zip(variant.lifts_m, variant.flow_m3_s, strict=True):
                item = per_lift.get(round(lift, 6))
                more = ["", "", ""]
                if item is not None:
                    more = [plain(item.gain), plain(item.u95), "yes" if item.interpolated else "no"]
                row = [plain(from_si(lift, units.lift), 1.0), plain(from_si(flow, units.flow), 1.0)]
                writer.writerow([*first, *row, *more])
            more = ["", ""] if gain is None else [plain(gain.mean_flow_gain), plain(gain.mean_flow_gain_u95)]
            writer.writerow([*first, "mean", plain(from_si(variant.mean_flow_m3_s, units.flow), 1.0), *more, ""])
    return out.getvalue()


def gain_cell(gain: Gain, unit: str = " %") -> str:
    """Write a gain in mean flow with its interval, with the sign % or without."""
    low, high = gain.mean_flow_gain_low, gain.mean_flow_gain_high
    return gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95, low, high).replace(" %", unit, 1)


_PLACES = {
    "cam.intake": "intake cam", "cam.exhaust": "exhaust cam", "valves.intake": "intake valve",
    "valves.exhaust": "exhaust valve",
}  # fmt: skip


def where_words(where: str) -> str:
    """Say where a finding is without the brackets of a job file's tables."""
    return re.sub(r"\[([a-z.]+)\]", lambda found: _PLACES.get(found[1], found[1].replace(".", " ")), where)


def change_words(change: HandChange) -> str:
    """Say what was changed by hand, beside what the sheet says, and why."""
    where = "!".join(part for part in (change.file, change.sheet, change.cell) if part)
    if change.value is None:
        return f"{where}: {change.what} {change.sheet_says} left out. Reason: {change.reason or 'none given'}"
    return (
        f"{where}: {change.what} {change.value} used, the sheet says {change.sheet_says or 'nothing'}. "
        f"Reason: {change.reason or 'none given'}"
    )
