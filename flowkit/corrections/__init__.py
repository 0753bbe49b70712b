"""Flow tests to corrected tests with their ledger."""

from __future__ import annotations

from flowkit.corrections.chain import CORRECTIONS, CorrectionResult, correct, reference_state

__all__ = ["CORRECTIONS", "CorrectionResult", "correct", "reference_state"]
