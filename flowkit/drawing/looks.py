"""Colours, line styles, markers and type settings.

The colours are those of Okabe & Ito, *Color Universal Design* (2002, revised 2008), chosen for colour-blind eyes; a mid
grey takes the place of their yellow, which does not read on white paper. Every variant also has a line style and a
marker of its own, so that a photocopy still reads.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

PALETTE: tuple[tuple[str, str], ...] = (
    ("black", "#000000"),
    ("blue", "#0072B2"),
    ("vermillion", "#D55E00"),
    ("bluish green", "#009E73"),
    ("reddish purple", "#CC79A7"),
    ("orange", "#E69F00"),
    ("sky blue", "#56B4E9"),
    ("grey", "#7F7F7F"),
)
"""Okabe & Ito (2008) in the order variants take them; grey in place of their yellow."""

INK = "#1A1A1A"
SOFT = "#5A5A5A"
RULE = "#B8B8B8"
GRID = "#E4E4E4"
BLUE, RED = PALETTE[1][1], PALETTE[2][1]
"""Of what is limited, and of what is beyond its limits."""

_DASHES: tuple[tuple[float, ...], ...] = (
    (), (5, 1.6), (1.2, 1.3), (6, 1.6, 1.2, 1.6), (8, 2.4), (3, 1.2, 1.2, 1.2, 1.2, 1.2), (2.6, 1.2),
    (7, 1.4, 2.6, 1.4),
)  # fmt: skip
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "p")


@dataclass(frozen=True, slots=True)
class VariantStyle:
    """How one variant is drawn wherever it appears."""

    color: str
    text_color: str
    dashes: tuple[float, ...]
    marker: str

    @property
    def linestyle(self) -> Literal["-"] | tuple[float, tuple[float, ...]]:
        """The dashes as matplotlib takes them."""
        return (0, self.dashes) if self.dashes else "-"


def readable(color: str, contrast: float = 4.5) -> str:
    """Darken a colour until text in it can be read on white."""
    channels = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    for percent in range(100, -1, -1):
        scaled = [value * percent / 100 for value in channels]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in scaled]
        luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
        if 1.05 / (luminance + 0.05) >= contrast:
            return "#" + "".join(f"{round(v * 255):02X}" for v in scaled)
    return "#000000"


@lru_cache(maxsize=64)
def variant_style(index: int) -> VariantStyle:
    """Return the style of the variant at a place in the job, counted from 0."""
    lap, place = divmod(index, len(PALETTE))
    color = PALETTE[place][1]
    dashes, marker = _DASHES[(place + 3 * lap) % len(_DASHES)], _MARKERS[(place + 5 * lap) % len(_MARKERS)]
    return VariantStyle(color, readable(color), dashes, marker)


@contextmanager
def style() -> Iterator[None]:
    """Hold flowkit's type and line settings while something is drawn or written."""
    import matplotlib

    settings: Any = {
        "font.family": ["DejaVu Sans"], "font.size": 7.0, "text.parse_math": False, "text.hinting": "none",
        "text.color": INK, "axes.unicode_minus": True, "pdf.fonttype": 3, "pdf.compression": 6,
        "svg.fonttype": "path", "svg.hashsalt": "flowkit", "path.simplify": True,
    }  # fmt: skip
    with matplotlib.rc_context(settings), no_font_talk():
        yield


@contextmanager
def no_font_talk() -> Iterator[None]:
    """Keep matplotlib from logging which weight of a font it found: nobody who makes a report can act on it."""
    log = logging.getLogger("matplotlib.font_manager")
    before = log.level
    log.setLevel(logging.ERROR)
    try:
        yield
    finally:
        log.setLevel(before)
