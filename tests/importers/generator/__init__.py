"""Sheets as operators and customers make them, from a seed, with the truth about each.

Written from the trade's habits and not from what the reader can do: nothing here imports flowkit.
"""

from tests.importers.generator.model import Measured, Sheet, Truth
from tests.importers.generator.sheets import make

__all__ = ["Measured", "Sheet", "Truth", "make"]
