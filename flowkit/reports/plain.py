"""A comparison as CSV, and words that no terminal can be steered by."""

from __future__ import annotations

import csv
import io
import unicodedata

from flowkit.analysis.results import Comparison, LiftGain
from flowkit.reports.labels import (
    display_of,
    sides_of,
)
from flowkit.units import from_si

__all__ = ["comparison_csv", "printable"]


def printable(words: object) -> str:
    r"""Return words on one line without control characters, so that no sheet can steer a terminal.

    Examples
    --------
    >>> printable("a\x1b[31m b")
    'a [31m b'
    """
    letters = (" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in str(words))
    return "".join(letters)


def comparison_csv(comparison: Comparison, display: str = "US") -> str:
    """Return the table as CSV: a row per side, variant and lift, and one for the mean.

    Parameters
    ----------
    comparison : Comparison
    display : {"US", "metric"}, optional
        The units shown; the header names them.

    Returns
    -------
    str
        Decimal points, commas between fields, full precision; ``mean`` in place of the lift for
        the mean flow. Gains are over the first variant, in per cent.

    Raises
    ------
    FlowkitError
        If there is no such display.
    """
    units = display_of(display)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["side", "variant", f"lift ({units.lift})", f"flow ({units.flow})", "gain (%)", "gain u95 (%)", "interpolated"]
    )
    for side, result in sides_of(comparison):
        gains = {gain.to: gain for gain in result.totals}
        for variant in result.variants:
            gain = gains.get(variant.name)
            per_lift = {round(item.lift_m, 6): item for item in gain.per_lift} if gain else {}
            for lift, flow in zip(variant.lifts_m, variant.flow_m3_s, strict=True):
                item = per_lift.get(round(lift, 6))
                row = [
                    side,
                    _text_field(variant.name),
                    _plain(from_si(lift, units.lift)),
                    _plain(from_si(flow, units.flow)),
                ]
                writer.writerow(row + _gain_fields(item))
            mean = _plain(from_si(variant.mean_flow_m3_s, units.flow))
            fields = ["", "", ""]
            if gain is not None:
                fields = [_plain(100 * gain.mean_flow_gain), _percent_field(gain.mean_flow_gain_u95), ""]
            writer.writerow([side, _text_field(variant.name), "mean", mean, *fields])
    return out.getvalue()


def _text_field(text: str) -> str:
    """Keep a spreadsheet from taking a name for a formula."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _plain(value: float) -> str:
    """Write a number for another program: ten digits, none of them noise of the conversion."""
    return f"{value:.10g}"


def _percent_field(fraction: float | None) -> str:
    """Write a fraction in per cent, nothing where there is none."""
    return "" if fraction is None else _plain(100 * fraction)


def _gain_fields(item: LiftGain | None) -> list[str]:
    """Return gain, interval and mark of one lift."""
    if item is None:
        return ["", "", ""]
    return [_plain(100 * item.gain), _percent_field(item.u95), "yes" if item.interpolated else "no"]
