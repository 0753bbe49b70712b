"""A job's engine for each variant, and with something changed: valves, cams, bore, compression, or a sweep."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import EngineError, JobError
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
    from flowkit.engine.data import engine_of_tables
    from flowkit.engine.run import VariantEngine

    folder = job.path.parent if job.path else Path()
    described = {item.name: item for item in job.variants}
    found = {}
    for variant in variants:
        item = described.get(variant.name)
        own_engine = _over(dict(item.engine) if item else {}, engine_over or {})
        own_cam = _cam_over(job.cam_table, dict(item.cam) if item else {}, cam_over or {})
        if job.engine_table or own_engine:
            engine, findings = engine_of_tables(
                job.engine_table, own_engine, own_place=f"variant {variant.name!r}, [variant.engine]"
            )
        elif job.engine is not None:
            engine, findings = job.engine, ()
        else:
            continue
        cams = dict(job.cams)
        if job.cam_table or own_cam:
            cams = cams_of_tables(job.cam_table, own_cam, folder, f"[variant {variant.name!r} cam]")
        bore = item.bore_m if item and item.bore_m is not None else job.reference.bore_m
        found[variant.name] = VariantEngine(
            engine, cams, variant.valves, variant.state, bore, (*findings, *_fixture(variant, bore, engine.bore_m))
        )
    return found


def _over(table: dict[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Put keys over an engine's table; a ratio takes the place of the volumes, and the other way round."""
    from flowkit.engine.data import PARTS

    if "compression_ratio" in over:
        table = {key: value for key, value in table.items() if key not in PARTS}
    elif any(key in PARTS for key in over):
        table.pop("compression_ratio", None)
    return {**table, **over}


def _cam_over(common: Mapping[str, Any], own: dict[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Put keys over a variant's cams, each into its side's whole table."""
    merged = dict(own)
    for key, value in over.items():
        if isinstance(value, Mapping):
            base = own.get(key) or common.get(key) or {}
            if "table" in value:
                base = {name: item for name, item in base.items() if name not in _TIMING}
            merged[key] = {**base, **value}
        else:
            merged[key] = value
    return merged


def _fixture(variant: Variant, reference_bore_m: float | None, engine_bore_m: float) -> tuple[Finding, ...]:
    """Warn where the fixture was not the engine's bore and no correction is made for it."""
    bores = {test.conditions.fixture_bore_m for test in variant.tests if test.conditions.fixture_bore_m is not None}
    if reference_bore_m is not None or all(abs(bore / engine_bore_m - 1) <= _BORES_DIFFER for bore in bores):
        return ()
    shown = ", ".join(f"{bore * 1e3:.2f} mm" for bore in sorted(bores))
    return (
        Finding(
            "fixture-differs",
            "warning",
            variant.name,
            f"It was flowed on a fixture of {shown} and the engine's bore is {engine_bore_m * 1e3:.2f} mm; nothing is "
            "corrected for it. Add bore to [reference], or to the variant's own [variant.reference].",
        ),
    )


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
    from flowkit.engine.prediction import whatif as predict

    if not hasattr(job, "engine_table"):
        raise JobError(f"a {type(job).__name__} is not a job", "give Job.load(…)")
    if not has_engine(job):
        raise no_engine(job)
    over = _cam_changes(cams)
    ratio = (
        None
        if compression is None
        else read_keys("engine", {"compression_ratio": compression}, "--compression")["compression_ratio"]
    )
    results = job.run(engine=False)
    own = variant_engines(job, results.variants)
    name = variant or results.variants[-1].name
    changed: Mapping[Side, Cam] | None = None
    if over:
        start = next((item for item in results.variants if item.name == name), results.variants[-1])
        anew = variant_engines(job, [start], cam_over=_renamed(job, start.name, over))[start.name].cams
        changed = {side: cam for side, cam in anew.items() if cam != own[start.name].cams.get(side)}
        if not changed:
            raise EngineError("the cam changes change nothing", "name another value")
    some = own[results.variants[-1].name]
    result = predict(
        results.comparison,
        some.engine,
        some.cams,
        reference=job.reference,
        valves={item.name: item.valves for item in results.variants},
        own=own,
        changes=valves,
        new_cams=changed,
        bore_m=read_keys("engine", {"bore": bore}, "--bore")["bore"] if bore else None,
        compression_ratio=ratio,
        variant=variant,
        progress=progress,
    )
    return _displayed(job, result)


def _renamed(job: Job, variant: str, over: dict[str, Any]) -> dict[str, Any]:
    """Mark a named cam that is changed: it is no longer the cam of that name."""
    item = next((one for one in job.variants if one.name == variant), None)
    for side, table in over.items():
        if isinstance(table, dict):
            base = (item.cam.get(side) if item else None) or job.cam_table.get(side) or {}
            if "name" in base and "name" not in table:
                table["name"] = f"{base['name']}, changed"
    return over


def _cam_changes(changes: Sequence[str]) -> dict[str, Any]:
    """Gather changes of the cams by side; lobe separation and advance count for both."""
    from flowkit.engine.prediction import split_change

    over: dict[str, Any] = {}
    for change in changes:
        name, _, written = change.partition("=")
        if name.strip() in ("lobe_separation", "advance"):
            over[name.strip()] = written.strip()
            continue
        side, key, text = split_change(change, of="cam", example="intake.peak_lift=9.5mm")
        value: str | float = text
        with contextlib.suppress(ValueError):
            value = float(text)
        over.setdefault(side, {})[key] = value
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
    from flowkit.engine.prediction import parse_change, predicted_case
    from flowkit.engine.run import case_of, check_cams, ignition_finding

    group, _, key = quantity.partition(".")
    engine_over: dict[str, Any] = {}
    cam_over: dict[str, Any] = {}
    if group in ("intake", "exhaust"):
        cam_over = {group: {key: value}}
    elif quantity in ("cam.lobe_separation", "cam.advance"):
        cam_over = {key: value}
    elif group != "valves" and quantity != "bore":
        engine_over = {quantity: value}
    turned = 0.0
    if quantity == "cam.advance" and not _has_separation(job, start.name):
        # Cams stated by their timing or a table: from there.
        turned, cam_over = read_keys("cams", {"advance": value}, quantity)["advance"], {}
    own = variant_engines(job, [start], engine_over=engine_over, cam_over=cam_over)[start.name]
    if turned:
        own = replace(own, cams={name: cam.moved(-turned) for name, cam in own.cams.items()})
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
    for side, cam in case.cams.items():
        if side in case.curves and not case.reaches(side):
            raise EngineError(
                f"{quantity} {value}: the {side} cam lifts to {cam.peak_lift_m * 1e3:.2f} mm and was flowed to "
                f"{case.curves[side].highest_m * 1e3:.2f} mm",
                "leave this value out, or flow the port further",
            )
    return case


def _has_separation(job: Job, variant: str) -> bool:
    """Tell whether a variant's cams are placed by a lobe separation, so that an advance is an angle of its own."""
    own = next((item.cam for item in job.variants if item.name == variant), {})
    return "lobe_separation" in own or "lobe_separation" in job.cam_table
