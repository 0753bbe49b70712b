"""How long something takes."""

from __future__ import annotations

import time
from collections.abc import Callable


def best(function: Callable[[], object], repeats: int = 3) -> float:
    """The shortest of a few runs [s]."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)
