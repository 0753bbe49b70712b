"""What every picture is drawn with: colours, line styles, markers, type, end labels.

Matplotlib is imported where something is drawn, never at import. No global state is
touched: figures are made directly, and a style holds only while its context is open.
"""

from flowkit.drawing.curves import (
    EndLabel,
    bare_axes,
    draw_curve,
    draw_flow,
    figure_of,
    label_ends,
    new_axes,
    place_labels,
    plot_comparison,
    plot_curve,
    plot_tests,
    save_figure,
    save_plot,
    smooth,
    text_width,
)
from flowkit.drawing.looks import GRID, INK, PALETTE, RULE, SOFT, VariantStyle, readable, style, variant_style

__all__ = [
    "GRID", "INK", "PALETTE", "RULE", "SOFT", "EndLabel", "VariantStyle", "bare_axes", "draw_curve", "draw_flow",
    "figure_of", "label_ends", "new_axes", "place_labels", "plot_comparison", "plot_curve", "plot_tests", "readable",
    "save_figure", "save_plot", "smooth", "style", "text_width", "variant_style",
]  # fmt: skip
