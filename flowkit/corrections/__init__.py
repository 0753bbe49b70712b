"""Flow tests to corrected tests with their ledger."""

from __future__ import annotations

from flowkit.corrections.chain import CORRECTIONS, correct, reference_state
from flowkit.corrections.result import CorrectionResult

__all__ = ["CORRECTIONS", "CorrectionResult", "correct", "reference_state"]
