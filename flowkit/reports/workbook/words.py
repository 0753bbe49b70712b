"""Words that several sheets use."""

from __future__ import annotations

from flowkit.analysis.results import Gain

__all__ = ["changed_words"]


def changed_words(gain: Gain) -> str:
    """Say what changed between two variants, and whether the gain belongs to it alone.

    Parameters
    ----------
    gain : Gain
    """
    if gain.changed:
        words = ", ".join(gain.changed)
        return words if gain.attributable else f"{words} (together)"
    return "not declared" if gain.unknown else "nothing: repeatability"
