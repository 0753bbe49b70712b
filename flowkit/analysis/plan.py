"""What to flow next: how many repeats a gain needs, and which extra test tells changes apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flowkit.analysis.curves import side_variants
from flowkit.analysis.repeats import RepeatPlan, check_aim, plan_repeats
from flowkit.analysis.results import Comparison, Repeatability
from flowkit.analysis.untangle import ExtraTest, untangle
from flowkit.model import Bench, Finding, Reference, Side, Variant

__all__ = ["ExtraTest", "Plan", "RepeatPlan", "plan", "plan_repeats", "untangle"]


@dataclass(frozen=True, slots=True)
class Plan:
    """What to flow next.

    Attributes
    ----------
    gain, power : float
        The gain that is to be resolved, and with what chance [-].
    repeatability : Repeatability
    repeats : tuple of RepeatPlan
    extra_tests : mapping
        Side to a tuple of ExtraTest.
    sentences : tuple of str
        All of it in words.
    findings : tuple of Finding
        What was doubtful in the comparison it is drawn from.
    """

    gain: float
    power: float
    repeatability: Repeatability
    repeats: tuple[RepeatPlan, ...]
    extra_tests: Mapping[Side, tuple[ExtraTest, ...]]
    sentences: tuple[str, ...]
    findings: tuple[Finding, ...] = ()

    def to_json(self, *, indent: int | None = None) -> str:
        """Return the plan as one JSON document of kind ``"plan"``."""
        from flowkit.serial import document, jsonable

        return document("plan", jsonable(self), indent=indent)


def plan(
    comparison: Comparison,
    variants: Sequence[Variant],
    gain: float,
    power: float = 0.8,
    *,
    bench: Bench | None = None,
) -> Plan:
    """Plan repeats and extra tests for the variants of a comparison.

    Parameters
    ----------
    comparison : Comparison
    variants : sequence of Variant
        What it was computed from.
    gain : float
        The size of a gain in mean flow that is to be resolved, above zero [-].
    power : float, optional
        The chance to resolve it, between 0.05 and 1 [-].
    bench : Bench, optional
        Standard uncertainties of drift, lift setting and pressure reading.

    Returns
    -------
    Plan

    Raises
    ------
    FlowkitError
        If gain or power cannot be.

    Notes
    -----
    See `flowkit.analysis.repeats.plan_repeats` and `flowkit.analysis.untangle.untangle`.

    Examples
    --------
    >>> from flowkit.corrections import reference_state
    >>> nothing = Comparison(reference_state(Reference()), {}, (), Repeatability(None, None, "none"))
    >>> plan(nothing, (), 0.01).sentences
    ()
    """
    check_aim(gain, power)
    repeats: list[RepeatPlan] = []
    extra: dict[Side, tuple[ExtraTest, ...]] = {}
    for side, result in comparison.sides.items():
        chosen = side_variants(variants, side)
        repeats += plan_repeats(
            chosen,
            result.range_m,
            Reference(pressure_pa=comparison.reference.pressure_pa),
            bench or Bench(),
            comparison.repeatability,
            gain=gain,
            power=power,
            method=comparison.area_method,
        )
        extra[side] = untangle([(variant.name, variant.state) for variant in chosen])
    words = [sentence for item in repeats for sentence in item.sentences()]
    for side, tests in extra.items():
        words += [f"{side.capitalize()}, {sentence}" for test in tests for sentence in test.sentences()]
    return Plan(
        gain, power, comparison.repeatability, tuple(repeats), extra, tuple(dict.fromkeys(words)), comparison.findings
    )
