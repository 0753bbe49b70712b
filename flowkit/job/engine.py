"""A job's engine for each variant, and with something changed: valves, cams, bore, compression, or a sweep."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import EngineError, JobError, with_article
from flowkit.fields import read_keys
from flowkit.model import Finding, Side
from flowkit.wording import as_displayed, display_of, displayed

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.analysis.results import Comparison
    from flowkit.engine.cam import Cam
    from flowkit.engine.figures import Case, Progress
    from flowkit.engine.results import EngineResult
    from flowkit.engine.run import VariantEngine
    from flowkit.job import Job
    from flowkit.model import Variant

_TIMING = ("opens", "closes", "checking_lift", "peak_lift", "duration", "lobe_lift")
_BORES_DIFFER = 0.01


def has_engine(job: Job) -> bool:
    """Tell whether a job describes an engine, for all its variants or for one."""
    return job.engine is not None or any(variant.engine for variant in job.variants)


def no_engine(job: Job) -> JobError:
    """Return the error of a job that is asked for an engine it has not."""
    file = job.path.name if job.path else None
    return JobError("the job describes no engine", "add an [engine] table", file=file)


def engine_of(
    job: Job, comparison: Comparison, variants: Sequence[Variant], progress: Progress | None = None
) -> EngineResult:
    """Carry a job's comparison into its engine."""
    from flowkit.engine.run import run_engine

    if not has_engine(job):
        raise no_engine(job)
    own = variant_engines(job, variants)
    some = own[variants[0].name]
    result = run_engine(comparison, some.engine, some.cams, reference=job.reference, own=own, progress=progress)
    return _displayed(job, result)


def _displayed(job: Job, result: EngineResult) -> EngineResult:
    """Return an engine's result whose sentences are in the units the job shows."""
    units = display_of(job.info.display)
    return replace(
        result,
        findings=displayed(result.findings, units),
        sentences=tuple(as_displayed(text, units) for text in result.sentences),
        model_notes=tuple(as_displayed(text, units) for text in result.model_notes),
        prediction=None if result.prediction is None else as_displayed(result.prediction, units),
    )


def variant_engines(
    job: Job,
    variants: Sequence[Variant],
    *,
    engine_over: Mapping[str, Any] | None = None,
    cam_over: Mapping[str, Any] | None = None,
) -> dict[str, VariantEngine]:
    """Return the engine of each variant: ``[engine]`` and ``[cam]`` of the job with what the variant says over them."""
    from flowkit.engine.cam import cams_of_tables
    from flowkit.engine.data import PARTS, engine_of_tables
    from flowkit.engine.run import VariantEngine

    folder = job.path.parent if job.path else Path()
    described = {item.name: item for item in job.variants}
    found = {}
    for variant in variants:
        item = described.get(variant.name)
        own_engine: dict[str, Any] = dict(item.engine) if item else {}
        for key, value in (engine_over or {}).items():
            # A ratio takes the place of the volumes, and the other way round.
            other = PARTS if key == "compression_ratio" else ("compression_ratio",) if key in PARTS else ()
            own_engine = {name: known for name, known in own_engine.items() if name not in other} | {key: value}
        own_cam: dict[str, Any] = dict(item.cam) if item else {}
        for key, value in (cam_over or {}).items():
            base = (own_cam.get(key) or job.cam_table.get(key) or {}) if isinstance(value, Mapping) else {}
            if base and "table" in value:
                base = {name: known for name, known in base.items() if name not in _TIMING}
            own_cam[key] = {**base, **value} if isinstance(value, Mapping) else value
        findings: tuple[Finding, ...] = ()
        if job.engine_table or own_engine:
            place = f"variant {variant.name!r}, [variant.engine]"
            engine, findings = engine_of_tables(job.engine_table, own_engine, own_place=place)
        elif job.engine is not None:
            engine = job.engine
        else:
            continue
        cams = dict(job.cams)
        if job.cam_table or own_cam:
            cams = cams_of_tables(job.cam_table, own_cam, folder, f"[variant {variant.name!r} cam]")
        bore = item.bore_m if item and item.bore_m is not None else job.reference.bore_m
        findings = (*findings, *_fixture(variant, bore, engine.bore_m))
        found[variant.name] = VariantEngine(engine, cams, variant.valves, variant.state, bore, findings)
    return found


def _fixture(variant: Variant, reference_bore_m: float | None, engine_bore_m: float) -> list[Finding]:
    """Warn where the fixture was not the engine's bore and no correction is made for it."""
    bores = {test.conditions.fixture_bore_m for test in variant.tests if test.conditions.fixture_bore_m is not None}
    if reference_bore_m is not None or all(abs(bore / engine_bore_m - 1) <= _BORES_DIFFER for bore in bores):
        return []
    shown = ", ".join(f"{bore * 1e3:.2f} mm" for bore in sorted(bores))
    text = (
        f"It was flowed on a fixture of {shown} and the engine's bore is {engine_bore_m * 1e3:.2f} mm; nothing is "
        "corrected for it. Add bore to [reference], or to the variant's own [variant.reference]."
    )
    return [Finding("fixture-differs", "warning", variant.name, text)]


def whatif(
    job: Job,
    *,
    valves: Sequence[str] = (),
    cams: Sequence[str] = (),
    bore: str | None = None,
    compression: str | float | None = None,
    variant: str | None = None,
    progress: Progress | None = None,
) -> EngineResult:
    """Predict what a changed valve, cam, bore or compression ratio would mean for a job's engine.

    Parameters
    ----------
    job : Job
    valves : sequence of str
        Such as ``"intake.stem=6mm"``.
    cams : sequence of str
        Such as ``"intake.peak_lift=9.5mm"``: keys of the job file's cam tables; or ``"advance=4"``.
    bore : str, optional
        Such as ``"82 mm"``; the chamber keeps its volume, so the compression ratio follows unless it is given too.
    compression : str or float, optional
        Another compression ratio.
    variant : str, optional
        To start from; the last one unless given.
    progress : callable, optional
        Called with (rounds done, most rounds there may be).

    Returns
    -------
    EngineResult
        The prediction beside what it starts from.

    Raises
    ------
    JobError
        If the job describes no engine.
    EngineError
        If a change cannot be understood.
    FlowkitError
        If nothing can be compared or predicted.

    Examples
    --------
    >>> from flowkit import Job, sample_job
    >>> result = whatif(Job.load(sample_job()), compression=11.5, variant="as received")
    >>> len(result.variants)
    2
    """
    from flowkit.engine.run import whatif as predict

    if not hasattr(job, "engine_table"):
        raise JobError(f"{with_article(type(job).__name__)} is not a job", "give Job.load(…)")
    if not has_engine(job):
        raise no_engine(job)
    over = _cam_changes(cams)
    given = {"compression_ratio": compression}
    ratio = read_keys("engine", given, "--compression").get("compression_ratio")
    results = job.run(engine=False)
    own = variant_engines(job, results.variants)
    last = results.variants[-1]
    changed: Mapping[Side, Cam] | None = None
    if over:
        start = next((item for item in results.variants if item.name == variant), last)
        described = next((item.cam for item in job.variants if item.name == start.name), {})
        for side, table in over.items():
            base = (described.get(side) or job.cam_table.get(side) or {}) if isinstance(table, dict) else {}
            if "name" in base:  # it is no longer the cam of that name
                table.setdefault("name", f"{base['name']}, changed")
        anew = variant_engines(job, [start], cam_over=over)[start.name].cams
        changed = {side: cam for side, cam in anew.items() if cam != own[start.name].cams.get(side)}
        if not changed:
            raise EngineError("the cam changes change nothing", "name another value")
    result = predict(
        results.comparison,
        own[last.name].engine,
        own[last.name].cams,
        reference=job.reference,
        valves={item.name: item.valves for item in results.variants},
        own=own,
        changes=valves,
        new_cams=changed,
        bore_m=read_keys("engine", {"bore": bore or None}, "--bore").get("bore"),
        compression_ratio=ratio,
        variant=variant,
        progress=progress,
    )
    return _displayed(job, result)


def _cam_changes(changes: Sequence[str]) -> dict[str, Any]:
    """Gather changes of the cams by side; lobe separation and advance count for both."""
    from flowkit.engine.run import split_change

    over: dict[str, Any] = {}
    for change in changes:
        name, _, written = (part.strip() for part in change.partition("="))
        if name in ("lobe_separation", "advance"):
            over[name] = written
            continue
        side, key, text = split_change(change, of="cam", example="intake.peak_lift=9.5mm")
        table = over.setdefault(side, {})
        try:
            table[key] = float(text)
        except ValueError:
            table[key] = text
    return over


def sweep(
    job: Job, quantity: str, values: Iterable[Any], *, variant: str | None = None, progress: Progress | None = None
) -> pd.DataFrame:
    """Return the engine's figures for several values of one input, all of them found side by side."""
    import pandas as pd

    from flowkit.engine.figures import evaluate
    from flowkit.engine.results import table_rows

    if not has_engine(job):
        raise no_engine(job)
    if isinstance(values, str) or not isinstance(values, Iterable):
        raise EngineError(f"{values!r} is not a list of values", f'write it like engine_sweep("{quantity}", [a, b])')
    listed = list(values)
    if not listed or any(value is None for value in listed):
        raise EngineError(f"{quantity}: a value is missing", "give one value or more, and none of them empty")
    results = job.run(engine=False)
    chosen = next((item for item in results.variants if item.name == variant), None)
    if variant is not None and chosen is None:
        raise EngineError(f"there is no variant {variant!r}", "check its name")
    start = chosen or results.variants[-1]
    cases = [_swept(job, results.comparison, start, quantity, value) for value in listed]
    rows = []
    for value, figures in zip(listed, evaluate(cases, progress), strict=True):
        rows += [{quantity: value, **row} for row in table_rows(figures)]
    if not rows:
        raise EngineError(
            f"{start.name!r} has no engine figures to sweep", "run flowkit engine: its findings say what is missing"
        )
    return pd.DataFrame(rows)


def _swept(job: Job, comparison: Comparison, start: Variant, quantity: str, value: Any) -> Case:
    """Return a variant in its engine with one input changed: a valve's and the bore's as in a what-if."""
    from flowkit.engine.run import case_of, check_cams, ignition_finding, parse_change, predicted_case

    group, _, key = quantity.partition(".")
    engine_over: dict[str, Any] = {}
    cam_over: dict[str, Any] = {}
    turned = 0.0
    cam = next((item.cam for item in job.variants if item.name == start.name), {})
    if group in ("intake", "exhaust"):
        cam_over = {group: {key: value}}
    elif quantity == "cam.advance" and "lobe_separation" not in {**job.cam_table, **cam}:
        turned = read_keys("cams", {"advance": value}, quantity)["advance"]  # from the timing or table that is stated
    elif quantity in ("cam.lobe_separation", "cam.advance"):
        cam_over = {key: value}
    elif group != "valves" and quantity != "bore":
        engine_over = {quantity: value}
    own = variant_engines(job, [start], engine_over=engine_over, cam_over=cam_over)[start.name]
    if turned:
        own = replace(own, cams={side: cam.moved(-turned) for side, cam in own.cams.items()})
    check_cams(own.cams)
    case = case_of(comparison, start.name, own)
    if group == "valves":
        case = predicted_case(case, [parse_change(f"{key}={value}")], job.reference)
    elif quantity == "bore":
        bore = read_keys("engine", {"bore": value}, quantity)["bore"]
        if bore != own.engine.bore_m:
            case = predicted_case(case, [], job.reference, bore_m=bore)
    for finding in ignition_finding(case):
        raise EngineError(f"{quantity} {value}: {finding.message}", "leave this value out")
    for side, lobe in case.cams.items():
        if side in case.curves and not case.reaches(side):
            raise EngineError(
                f"{quantity} {value}: the {side} cam lifts to {lobe.peak_lift_m * 1e3:.2f} mm and was flowed to "
                f"{case.curves[side].highest_m * 1e3:.2f} mm",
                "leave this value out, or flow the port further",
            )
    return case
