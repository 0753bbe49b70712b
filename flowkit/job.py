"""A job, and the whole way from its sheets to its reports in one readable place.

`Job.run` is that way: read, correct, compare, engine. Everything else here makes a `Job` from a
job file or from bare sheets, or asks it for one of the stations.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from flowkit.errors import FlowkitError, JobError, SheetError
from flowkit.jobread import JobVariant, SheetChoice, choose_sheets, read_variants
from flowkit.model import AirState, Bench, Finding, JobInfo, Reference, Side, ValveGeometry, Variant, VariantInput

if TYPE_CHECKING:
    from flowkit.analysis.results import Comparison
    from flowkit.corrections import CorrectionResult
    from flowkit.engine import Cam, EngineData, EngineResult
    from flowkit.importers import Stated
    from flowkit.jobfile import AirTable, JobFile, ValvesTable, VariantTable
    from flowkit.reports.contents import ReportContents

__all__ = ["Job", "JobResults", "refuse_errors", "report"]

SIDES: tuple[Side, Side] = ("intake", "exhaust")


@dataclass(frozen=True, slots=True)
class JobResults:
    """Every station of a job's way.

    Attributes
    ----------
    variants : tuple of VariantInput
        The tests as read.
    correction : CorrectionResult
    comparison : Comparison
    engine : EngineResult or None
        None where the job has no engine.
    findings : tuple of Finding
        All of them, each once.
    """

    variants: tuple[VariantInput, ...]
    correction: CorrectionResult
    comparison: Comparison
    engine: EngineResult | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Job:
    """Variants of a head with their sheets, the reference, the bench and the engine.

    Attributes
    ----------
    info : JobInfo
    reference : Reference
    bench : Bench
    variants : tuple of JobVariant
        In order; the first is the baseline.
    switched_off : tuple of str
        Corrections not to be made.
    area_method : {"pchip", "trapezoid"}
    engine : EngineData or None
    cams : mapping
        Side to Cam.
    path : Path or None
        The job file.

    Examples
    --------
    >>> from flowkit.samples import sample_job
    >>> job = Job.load(sample_job())
    >>> [variant.name for variant in job.variants]
    ['as received', 'seats recut', 'ports blended', 'slim-stem valves']
    """

    info: JobInfo
    reference: Reference
    bench: Bench
    variants: tuple[JobVariant, ...]
    switched_off: tuple[str, ...] = ()
    area_method: Literal["pchip", "trapezoid"] = "pchip"
    engine: EngineData | None = None
    cams: Mapping[Side, Cam] = field(default_factory=dict)
    path: Path | None = None

    @classmethod
    def load(cls, path: str | Path) -> Job:
        """Load a job file.

        Parameters
        ----------
        path : str or Path
            A ``.toml`` file.

        Raises
        ------
        JobError
            If it cannot be used as it stands.
        """
        from flowkit.jobfile import parse

        path = Path(path)
        content = parse(path)
        try:
            return _from_file(content, path)
        except FlowkitError as error:
            if error.file is None:
                error.file = path.name
            raise

    @classmethod
    def from_files(
        cls,
        paths: Sequence[str | Path],
        stated: Stated | None = None,
        *,
        reference: Reference | None = None,
        bench: Bench | None = None,
        info: JobInfo | None = None,
        switched_off: Sequence[str] = (),
    ) -> Job:
        """Make a job of bare sheets: each file a variant named after it, the first the baseline.

        A file that labels several variants itself gives each of them.

        Parameters
        ----------
        paths : sequence of str or Path
        stated : Stated, optional
            What the sheets do not say.
        reference, bench, info : optional
        switched_off : sequence of str
            Corrections not to be made, by name.

        Raises
        ------
        JobError
            If there is no file, or two variants would have one name.
        """
        from flowkit.importers import Stated

        stated = stated or Stated()
        variants = [variant for path in paths for variant in _variants_of(Path(path), stated)]
        _refuse_duplicates([variant.name for variant in variants])
        if not variants:
            raise JobError("no sheets were given", "name at least one file")
        return cls(info or JobInfo(), reference or Reference(), bench or Bench(), tuple(variants), tuple(switched_off))

    def read(self) -> tuple[tuple[VariantInput, ...], tuple[Finding, ...]]:
        """Read the tests of every variant, with what was doubtful in them."""
        return read_variants(self.variants)

    def correct(self) -> CorrectionResult:
        """Read and bring every test to the reference."""
        variants, findings = self.read()
        return self._correct(variants, findings)[0]

    def compare(self) -> Comparison:
        """Read, correct and compare the variants.

        Raises
        ------
        FlowkitError
            If nothing can be compared.
        """
        variants, findings = self.read()
        correction, corrected = self._correct(variants, findings)
        return self._compare(corrected, correction.findings)

    def run(self) -> JobResults:
        """Go the whole way once: read, correct, compare, engine.

        Raises
        ------
        FlowkitError
            If nothing can be compared.
        """
        variants, findings = self.read()
        correction, corrected = self._correct(variants, findings)
        comparison = self._compare(corrected, correction.findings)
        engine = self._run_engine(comparison, variants) if self.engine is not None else None
        everything = (*comparison.findings, *(engine.findings if engine else ()))
        return JobResults(variants, correction, comparison, engine, tuple(dict.fromkeys(everything)))

    def run_engine(self) -> EngineResult:
        """Say what the flows mean for the job's engine.

        Raises
        ------
        JobError
            If the job describes no engine.
        FlowkitError
            If nothing can be compared.
        """
        if self.engine is None:
            raise JobError("the job describes no engine", "add an [engine] table", file=_name(self.path))
        result = self.run().engine
        assert result is not None  # for the type checker: there is an engine
        return result

    def contents(self, results: JobResults | None = None) -> ReportContents:
        """Gather what reports show.

        Parameters
        ----------
        results : JobResults, optional
            What `run` gave; run anew if not given.
        """
        from flowkit.reports.contents import ReportContents, SourceFile

        results = results or self.run()
        paths = dict.fromkeys(choice.path for variant in self.variants for choice in variant.sheets)
        return ReportContents(
            info=self.info,
            reference=self.reference,
            bench=self.bench,
            variants=results.variants,
            comparison=results.comparison,
            engine=results.engine,
            sources=tuple(SourceFile(path.name, _sha256(path)) for path in paths if path.is_file()),
            findings=results.findings,
        )

    def report(
        self,
        folder: str | Path,
        *,
        formats: Sequence[str] = ("pdf", "png", "xlsx"),
        paper: Literal["letter", "a4"] | None = None,
        results: JobResults | None = None,
    ) -> tuple[Path, ...]:
        """Write the flow chart and the workbook.

        Parameters
        ----------
        folder : str or Path
            Made if it does not exist.
        formats : sequence of {"pdf", "png", "svg", "xlsx"}
        paper : {"letter", "a4"}, optional
            Letter for US display, A4 for metric unless given.
        results : JobResults, optional
            What `run` gave; run anew if not given.

        Returns
        -------
        tuple of Path
            The files written.

        Raises
        ------
        FlowkitError
            If anything in the job is an error: then nothing is written.
        """
        from flowkit.reports import write_report

        contents = self.contents(results)
        refuse_errors(contents.findings)
        paper = paper or ("a4" if self.info.display == "metric" else "letter")
        return write_report(contents, Path(folder), formats=formats, paper=paper)

    def _correct(
        self, variants: Sequence[VariantInput], findings: Sequence[Finding]
    ) -> tuple[CorrectionResult, tuple[Variant, ...]]:
        """Correct the variants one by one, each with its own valves."""
        from flowkit.corrections import CorrectionResult, correct, reference_state

        corrected: list[Variant] = []
        everything = list(findings)
        for variant in variants:
            result = correct(
                variant.tests,
                self.reference,
                self.bench,
                valves=variant.valves,
                engine_bore_m=self.engine.bore_m if self.engine else None,
                off=self.switched_off,
            )
            everything += result.findings
            corrected.append(Variant(variant.name, result.tests, variant.state, variant.valves))
        tests = tuple(test for variant in corrected for test in variant.tests)
        merged = CorrectionResult(reference_state(self.reference), tests, tuple(dict.fromkeys(everything)))
        return merged, tuple(variant for variant in corrected if variant.tests)

    def _compare(self, variants: Sequence[Variant], findings: Sequence[Finding]) -> Comparison:
        """Compare corrected variants."""
        from flowkit.analysis import compare

        return compare(
            variants,
            self.reference,
            self.bench,
            area_method=self.area_method,
            engine_bore_m=self.engine.bore_m if self.engine else None,
            findings=findings,
            display=self.info.display,
        )

    def _run_engine(self, comparison: Comparison, variants: Sequence[VariantInput]) -> EngineResult:
        """Carry the comparison into the engine."""
        from flowkit.engine import run_engine

        assert self.engine is not None  # callers ask first
        valves = {variant.name: variant.valves for variant in variants}
        return run_engine(comparison, self.engine, self.cams, reference=self.reference, valves=valves)


def report(
    job: Job | str | Path, folder: str | Path, formats: Sequence[str] = ("pdf", "png", "xlsx")
) -> tuple[Path, ...]:
    """Write the flow chart and the workbook of a job.

    Parameters
    ----------
    job : Job, str or Path
        A job, or the path of a job file.
    folder : str or Path
        Made if it does not exist.
    formats : sequence of {"pdf", "png", "svg", "xlsx"}

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    FlowkitError
        If anything in the job is an error: then nothing is written.
    """
    loaded = job if isinstance(job, Job) else Job.load(job)
    return loaded.report(folder, formats=formats)


def refuse_errors(findings: Sequence[Finding]) -> None:
    """Refuse to go on where a finding is an error.

    Raises
    ------
    JobError
        Naming the first error and how many there are.
    """
    errors = [finding for finding in findings if finding.severity == "error"]
    if errors:
        more = f" (and {len(errors) - 1} more: flowkit check lists them)" if len(errors) > 1 else ""
        raise JobError(f"{errors[0].where}: {errors[0].message.rstrip('.')}{more}; nothing was written")


def _from_file(content: JobFile, path: Path) -> Job:
    """Make a job of what its file says."""
    bench_air = content.bench.standard_air
    bench = Bench(
        air=content.bench.air,
        standard_air=_air(bench_air) if bench_air else None,
        repeatability=content.bench.repeatability,
        drift=content.bench.drift,
        lift_setting_m=content.bench.lift_setting,
        pressure_reading_pa=content.bench.pressure_reading,
    )
    reference = Reference(
        pressure_pa=content.reference.pressure,
        pressure_law=content.reference.pressure_law,
        bore_m=content.reference.bore,
        air=_air(content.reference.air),
    )
    _refuse_duplicates([variant.name for variant in content.variant])
    engine, cams = _engine(content, path.parent)
    return Job(
        info=JobInfo(**content.job.model_dump()),
        reference=reference,
        bench=bench,
        variants=tuple(_variant(item, content.valves, bench, path.parent) for item in content.variant),
        switched_off=tuple(content.reference.switched_off),
        area_method=content.reference.curve_area,
        engine=engine,
        cams=cams,
        path=path,
    )


def _engine(content: JobFile, folder: Path) -> tuple[EngineData | None, Mapping[Side, Cam]]:
    """Read the engine and the cams of a job file, where it has them."""
    written = {side: getattr(content.cam, side) for side in SIDES}
    if content.engine is None and not any(written.values()):
        return None, {}
    from flowkit.engine import Cam, EngineData

    if content.engine is None:
        raise JobError("the job has a cam but no engine", "add an [engine] table")
    cams: dict[Side, Cam] = {
        side: Cam.from_mapping(table, folder) for side, table in written.items() if table is not None
    }
    return EngineData.from_mapping(content.engine), cams


def _variant(item: VariantTable, valves: ValvesTable, bench: Bench, folder: Path) -> JobVariant:
    """Make a variant of what the job file says of it."""
    place = f"variant {item.name!r}"
    return JobVariant(
        name=item.name,
        sheets=tuple(choice for pattern in item.sheets for choice in choose_sheets(pattern, folder)),
        stated=_stated(item, place, bench),
        state=_state(item),
        valves={side: _valve(valves, item.valves, side) for side in SIDES},
    )


def _stated(item: VariantTable, place: str, bench: Bench) -> Stated:
    """What a variant's conditions and columns state of its sheets."""
    from flowkit.stating import stated_from

    return stated_from(item.conditions, columns=item.columns, standard_air=bench.standard_air, place=place)


def _state(item: VariantTable) -> Mapping[Side, Mapping[str, str]]:
    """A variant's state per side: what holds for both, then what one side says of its own."""
    common = {factor: level for factor, level in item.state.items() if isinstance(level, str)}
    own: dict[Side, dict[str, str]] = {}
    for side in SIDES:
        level = item.state.get(side, {})
        if isinstance(level, str):
            raise JobError(
                f"variant {item.name!r}: state.{side} is {level!r}, which is not a table of factors",
                f'write it like state.{side} = {{ valves = "slim stem" }}',
            )
        own[side] = {**common, **level}
    strange = [name for name, level in item.state.items() if isinstance(level, dict) and name not in SIDES]
    if strange:
        raise JobError(
            f"variant {item.name!r}: the state of {strange[0]!r} is a table", "only intake and exhaust may be tables"
        )
    return own


def _valve(valves: ValvesTable, override: ValvesTable, side: Side) -> ValveGeometry:
    """The job's valve on one side, with the variant's own dimensions put over it."""
    merged = {**getattr(valves, side).model_dump(), **getattr(override, side).model_dump(exclude_none=True)}
    return ValveGeometry(
        head_m=merged["head"],
        stem_m=merged["stem"],
        throat_m=merged["throat"],
        seat_angle_deg=merged["seat_angle"],
        seat_width_m=merged["seat_width"],
        offset_m=merged["offset"],
        port_area_m2=merged["port_area"],
    )


def _air(table: AirTable) -> AirState:
    """An air state of a job file."""
    return AirState(table.temperature, table.pressure, table.humidity)


def _variants_of(path: Path, stated: Stated) -> list[JobVariant]:
    """The variants of one bare file: one named after it, or those it labels itself."""
    from flowkit import importers

    choice = (SheetChoice(path),)
    try:
        labels = list(dict.fromkeys(test.variant for test in importers.read(path, stated).tests))
    except SheetError:
        # Said again, and as a finding, when the job is read: the other files still count.
        labels = []
    if len(labels) <= 1:
        return [JobVariant(path.stem, choice, stated)]
    return [JobVariant(label, choice, stated, named_by_label=True) for label in labels]


def _refuse_duplicates(names: Sequence[str]) -> None:
    """Refuse two variants of one name."""
    folded = [" ".join(name.casefold().split()) for name in names]
    for name, key in zip(names, folded, strict=True):
        if folded.count(key) > 1:
            raise JobError(f"two variants are named {name!r}", "give each variant a name of its own")


def _sha256(path: Path) -> str:
    """Fingerprint of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _name(path: Path | None) -> str | None:
    """A job file's name for messages."""
    return path.name if path else None
