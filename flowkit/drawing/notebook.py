"""A comparison as HTML, for notebooks; nothing from a sheet is ever taken for markup."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from flowkit.wording import NOTHING, display_of, flow_text, gain_text, lift_text

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.analysis.results import Comparison, Gain, SideComparison
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
        proven = {True: "yes", False: "no", None: "not assessed"}[gain.resolved]
        rows.append(_row_html([html.escape(gain.from_), html.escape(gain.to), _mean_gain(gain), proven]))
    return f"<table>{''.join(rows)}</table>"


def _mean_gain(gain: Gain) -> str:
    """Write a gain in mean flow with its interval."""
    return gain_text(gain.mean_flow_gain, gain.mean_flow_gain_u95, gain.mean_flow_gain_low, gain.mean_flow_gain_high)


def _row_html(cells: list[str], tag: str = "td") -> str:
    """Return one row; the cells are escaped already."""
    inner = "".join(f'<{tag} style="text-align:right">{cell}</{tag}>' for cell in cells)
    return f"<tr>{inner}</tr>"


def _gain_html(words: str, *, proven: bool | None) -> str:
    """Return a gain in percent, grey where it is not proven."""
    text = words.replace(" %", "")
    return f'<span style="color:#767676">{text}</span>' if proven is False else text


def _side_html(side: Side, result: SideComparison, display: str) -> str:
    """Return one side's table: flows, and gains over the first variant."""
    units = display_of(display)
    lifts = sorted({round(lift, 6) for variant in result.variants for lift in variant.lifts_m})
    columns = [[f"lift, {units.lift}", *(lift_text(lift, units) for lift in lifts), "mean flow"]]
    for variant in result.variants:
        flows = {round(x, 6): q for x, q in zip(variant.lifts_m, variant.flow_m3_s, strict=True)}
        cells = [flow_text(flows.get(lift), units) for lift in lifts]
        mean = flow_text(variant.mean_flow_m3_s, units)
        columns.append([f"{html.escape(variant.name)}, {units.flow}", *cells, mean])
        for total in (gain for gain in result.totals if gain.to == variant.name):
            gains = {round(item.lift_m, 6): item for item in total.per_lift}
            cells = [
                _gain_html(gain_text(item.gain, item.u95, item.low, item.high), proven=item.resolved)
                if (item := gains.get(lift))
                else NOTHING
                for lift in lifts
            ]
            columns.append(["gain, %", *cells, _gain_html(_mean_gain(total), proven=total.resolved)])
    head, *rows, means = (list(row) for row in zip(*columns, strict=True))
    body = "".join(map(_row_html, [*rows, [f"<b>{cell}</b>" for cell in means]]))
    head_row = _row_html(head, "th")
    return f"<table><caption>{side.capitalize()}</caption><thead>{head_row}</thead><tbody>{body}</tbody></table>"


def _steps_html(result: SideComparison) -> str:
    """Return what each step was worth, a line each."""
    lines = [
        f"<li>{html.escape(gain.from_)} → {html.escape(gain.to)}: {_mean_gain(gain)}</li>" for gain in result.steps
    ]
    return f"<ul>{''.join(lines)}</ul>" if lines else ""
