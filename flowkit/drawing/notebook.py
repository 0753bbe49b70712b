"""A comparison as HTML, for notebooks; nothing from a sheet is ever taken for markup."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from flowkit.wording import NOTHING, display_of, flow_text, gain_text, lift_text

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.analysis.results import Comparison, SideComparison
    from flowkit.model import Side


def comparison_html(comparison: Comparison, display: str = "US") -> str:
    """Return a comparison as a piece of HTML, for notebooks."""
    parts = ['<div class="flowkit">']
    for side, result in comparison.sides.items():
        parts += [_side_html(side, result, display), _steps_html(result)]
    for finding in comparison.findings:
        text = html.escape(f"{finding.where}: {finding.message}")
        parts.append(f"<p><b>{html.escape(finding.severity)}</b> {text}</p>")
    parts += [f"<p>{html.escape(sentence)}</p>" for sentence in comparison.sentences]
    return "\n".join([*parts, "</div>"])


def table_html(title: str, frame: pd.DataFrame) -> str:
    """Return a table with its title as a piece of HTML; long ones are cut in the middle."""
    inner = frame.to_html(max_rows=20, border=0, na_rep=NOTHING, index=False)
    return f'<div class="flowkit"><p>{html.escape(title)}</p>{inner}</div>'


def gains_html(result: SideComparison) -> str:
    """Return the gains of one side as a piece of HTML."""
    rows = [_row_html(["from", "to", "gain in mean flow", "proven"], "th")]
    for gain in result.gains:
        said = gain_text(
            gain.mean_flow_gain, gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high
        )
        proven = {True: "yes", False: "no", None: "not assessed"}[gain.resolved]
        rows.append(_row_html([html.escape(gain.from_), html.escape(gain.to), said, proven]))
    return f"<table>{''.join(rows)}</table>"


def _row_html(cells: list[str], tag: str = "td") -> str:
    """Return one row; the cells are escaped already."""
    inner = "".join(f'<{tag} style="text-align:right">{cell}</{tag}>' for cell in cells)
    return f"<tr>{inner}</tr>"


def _side_html(side: Side, result: SideComparison, display: str) -> str:
    """Return one side's table."""
    units = display_of(display)
    totals = {gain.to: gain for gain in result.totals}
    gains = {name: {round(item.lift_m, 6): item for item in gain.per_lift} for name, gain in totals.items()}
    flows = {v.name: {round(x, 6): q for x, q in zip(v.lifts_m, v.flow_m3_s, strict=True)} for v in result.variants}
    heads = [f"lift, {units.lift}"]
    mean = ["mean flow"]
    for variant in result.variants:
        heads.append(f"{html.escape(variant.name)}, {units.flow}")
        mean.append(flow_text(variant.mean_flow_m3_s, units))
        if variant.name in totals:
            gain = totals[variant.name]
            heads.append("gain, %")
            own = gain.mean_flow_gain, gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high
            mean.append(_gain_html(*own, proven=gain.resolved))
    rows = []
    for lift in sorted({lift for known in flows.values() for lift in known}):
        cells = [lift_text(lift, units)]
        for variant in result.variants:
            cells.append(flow_text(flows[variant.name].get(lift), units))
            if variant.name in totals:
                item = gains[variant.name].get(lift)
                cells.append(
                    NOTHING
                    if item is None
                    else _gain_html(item.gain, item.u95, item.low, item.high, proven=item.resolved)
                )
        rows.append(_row_html(cells))
    head = _row_html(heads, "th")
    body = "".join([*rows, _row_html([f"<b>{cell}</b>" for cell in mean])])
    return f"<table><caption>{side.capitalize()}</caption><thead>{head}</thead><tbody>{body}</tbody></table>"


def _gain_html(gain: float, u95: float | None, low: float | None, high: float | None, *, proven: bool | None) -> str:
    """Return a gain in percent, grey where it is not proven."""
    text = gain_text(gain, u95, low, high).replace(" %", "")
    return f'<span style="color:#767676">{text}</span>' if proven is False else text


def _steps_html(result: SideComparison) -> str:
    """Return what each step was worth, a line each."""
    lines = [
        f"<li>{html.escape(gain.from_)} → {html.escape(gain.to)}: "
        f"{gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high)}"
        "</li>"
        for gain in result.steps
    ]
    return f"<ul>{''.join(lines)}</ul>" if lines else ""
