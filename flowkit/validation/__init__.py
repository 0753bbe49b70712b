"""What flowkit is held against: figures from outside and what it gives for them."""

from __future__ import annotations

from flowkit.validation.check import Check

__all__ = ["Check"]
