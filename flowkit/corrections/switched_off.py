"""What a correction that is switched off would have done, so that leaving it out is never silent."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

from flowkit.corrections.step import MATTERS, Setting, Step, percent, pressure_words
from flowkit.model import Finding, FlowTest

__all__ = ["Undone", "findings_of_undone", "undone_by"]


@dataclasses.dataclass(frozen=True, slots=True)
class Undone:
    """What a correction that is switched off would have done to a test.

    Attributes
    ----------
    test : FlowTest
    correction : str
        Its name.
    change : float
        Largest relative change of a flow, with its sign.
    reference_pressure_pa : float
        [Pa]
    """

    test: FlowTest
    correction: str
    change: float
    reference_pressure_pa: float


def undone_by(
    name: str,
    correction: Callable[[tuple[float, ...], FlowTest, Setting], Step],
    flow: tuple[float, ...],
    test: FlowTest,
    setting: Setting,
) -> tuple[Undone, ...]:
    """Return what a correction would have done to a test, were it not switched off.

    Parameters
    ----------
    name : str
        The correction's name.
    correction : callable
        The correction itself.
    flow : tuple of float
        Flow at each point of the test [m³/s].
    test : FlowTest
    setting : Setting
        With the correction among those switched off.

    Returns
    -------
    tuple of Undone
        None where it would have changed no flow by more than 0.5 %, or could not have been made.
    """
    if name == "test-pressure":
        # Switched off, it needs no pressure; it is tried at the points that have one.
        known = [test.pressure_at(point) is not None for point in test.points]
        flow = tuple(value for value, has in zip(flow, known, strict=True) if has)
        test = dataclasses.replace(test, points=tuple(p for p, has in zip(test.points, known, strict=True) if has))
    step = correction(flow, test, dataclasses.replace(setting, off=setting.off - {name}))
    changes = [after / before - 1 for before, after in zip(flow, step.flow_m3_s, strict=True) if before > 0]
    change = max(changes, key=abs, default=0.0)
    return (Undone(test, name, change, setting.reference.pressure_pa),) if abs(change) > MATTERS else ()


def findings_of_undone(undone: Sequence[Undone]) -> tuple[Finding, ...]:
    """Return one warning for each correction of each sheet that is switched off and would have mattered.

    Parameters
    ----------
    undone : sequence of Undone

    Returns
    -------
    tuple of Finding
        Rule ``correction-off``, at the test that would have changed most.

    Examples
    --------
    >>> findings_of_undone([])
    ()
    """
    groups: dict[tuple[str, str, str | None], list[Undone]] = {}
    for item in undone:
        groups.setdefault((item.correction, item.test.file, item.test.sheet), []).append(item)
    return tuple(_finding(group) for group in groups.values())


def _finding(group: Sequence[Undone]) -> Finding:
    """Return the warning for one correction of one sheet."""
    most = max(group, key=lambda item: abs(item.change))
    others = len(group) - 1
    more = "" if not others else f" (and those of {'one more test' if others == 1 else f'{others} more tests'})"
    return Finding(
        "correction-off",
        "warning",
        most.test.id,
        f"The {most.correction} correction is switched off{_circumstance(most)}: it would have changed the flows of "
        f"this test{more} by up to {'+' if most.change > 0 else '−'}{percent(abs(most.change))}, and a gain against a "
        "test that differs in this holds that difference; leave the correction on, unless the bench has made it.",
    )


def _circumstance(undone: Undone) -> str:
    """Say the pressures, where it is the test pressure that counts."""
    if undone.correction != "test-pressure":
        return ""
    pressures = {undone.test.pressure_at(point) for point in undone.test.points}
    (read_at,) = pressures if len(pressures) == 1 else (None,)
    words = "pressures of its own" if read_at is None else pressure_words(undone.test, read_at)
    return f", though the test was flowed at {words} and the reference is " + pressure_words(
        undone.test, undone.reference_pressure_pa
    )
