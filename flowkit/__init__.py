"""flowkit: flow-bench data analysis."""

from flowkit.version import __version__

__all__ = ["__version__"]
