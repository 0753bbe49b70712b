"""A job, and the whole way from its sheets to its reports in one readable place.

`Job.run` is that way: read, correct, compare, engine. Everything else makes a `Job` or asks it for one of the stages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.errors import AttachError, FlowkitError, JobError, with_article
from flowkit.fields import read_table, refuse_unknown, section
from flowkit.job.engine import engine_of, has_engine, no_engine
from flowkit.job.load import JobVariant, parts_of_file, read_variants, settings, variants_of_files
from flowkit.model import Bench, CorrectedTest, Finding, FlowTest, JobInfo, Reference, Side, Variant, joined
from flowkit.units import parse_quantity
from flowkit.wording import display_of, displayed

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.analysis.planning import Plan
    from flowkit.analysis.results import Comparison
    from flowkit.corrections import CorrectionResult
    from flowkit.corrections.calibration import CalibrationResult
    from flowkit.corrections.meter import Meter
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData
    from flowkit.engine.figures import Progress
    from flowkit.engine.results import EngineResult
    from flowkit.importers import Stated
    from flowkit.job.file import JobFile
    from flowkit.reports.attach import Attached, AttachReport
    from flowkit.reports.contents import ReportContents


@dataclass(frozen=True, slots=True)
class JobResults:
    """Every stage of a job's way.

    Attributes
    ----------
    variants : tuple of Variant
        With their tests as read and corrected.
    correction : CorrectionResult
    comparison : Comparison
    engine : EngineResult or None
        None where the job has no engine.
    findings : tuple of Finding
        All of them, each once.

    Examples
    --------
    >>> from flowkit import sample_job
    >>> Job.load(sample_job()).run(engine=False)
    <JobResults of as received, seats recut, ports blended, slim-stem valves: ... findings>
    """

    variants: tuple[Variant, ...]
    correction: CorrectionResult
    comparison: Comparison
    engine: EngineResult | None
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        names = ", ".join(variant.name for variant in self.variants)
        return f"<JobResults of {names}: {len(self.findings)} findings{', engine' if self.engine else ''}>"


@dataclass(frozen=True, slots=True, repr=False)
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
    engine_table, cam_table : mapping
        ``[engine]`` and ``[cam]`` as written.
    meters : mapping
        ``[meter]`` as written.
    records : Path or None
        The shop's records.
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
    engine_table: Mapping[str, Any] = field(default_factory=dict)
    cam_table: Mapping[str, Any] = field(default_factory=dict)
    meters: Mapping[str, Any] = field(default_factory=dict)
    records: Path | None = None
    path: Path | None = None

    @classmethod
    def load(cls, path: str | Path) -> Job:
        """Load a job file, ``.toml``; a JobError where it cannot be used as it is."""
        from flowkit.job.file import JobFile

        return cls._loaded(path, JobFile)

    @classmethod
    def load_bench(cls, path: str | Path) -> Job:
        """Load a job file that may have no variant yet, for its bench and meters; as `load`."""
        from flowkit.job.file import BenchFile

        return cls._loaded(path, BenchFile)

    @classmethod
    def _loaded(cls, path: str | Path, form: type[JobFile]) -> Job:
        """Load a job file of one form or the other."""
        from flowkit.job.file import parse

        path = _path_of(path, "a job file")
        try:
            content, written = parse(path, form)
            job = cls(**parts_of_file(content, written, path.parent), path=path)
            job.meter_set()
        except FlowkitError as error:
            error.file = error.file or path.name
            raise
        return job

    @classmethod
    def from_files(
        cls,
        paths: str | Path | Sequence[str | Path],
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
        paths : str, Path or sequence of them
        stated : Stated, optional
            What the sheets do not say.
        reference, bench, info : optional
            Without `info` results are shown in the units of the sheets: metric where none of them is US.
        switched_off : sequence of str
            Corrections not to be made, by name.

        Raises
        ------
        JobError
            If there is no file, or two variants would have one name.
        """
        from flowkit.importers import Stated

        given = [paths] if isinstance(paths, (str, Path)) else paths
        variants, display = variants_of_files([_path_of(path, "a sheet") for path in given], stated or Stated())
        return cls(
            info or JobInfo(display=display), reference or Reference(), bench or Bench(), variants, tuple(switched_off)
        )

    def with_(self, **changes: Any) -> Job:
        """Return a changed copy.

        Parameters
        ----------
        **changes
            Fields of the job (``info=``, ``bench=``, ``variants=``, …), keys of ``[job]`` such as ``title="…"``, or
            keys of ``[reference]`` and ``[bench]`` as text or SI: ``pressure="25 inH2O"``, ``bore="80.5 mm"``,
            ``lifts="2-9 mm"``, ``drift="0.2 %"``.

        Raises
        ------
        FlowkitError
            If a key is not known or a value cannot be understood.

        Examples
        --------
        >>> from flowkit.samples import sample_job
        >>> round(Job.load(sample_job()).with_(pressure="25 inH2O").reference.pressure_pa)
        6227
        """
        own = {name: changes.pop(name) for name in list(changes) if name in self.__dataclass_fields__}
        for name, value in own.items():
            wanted = _FIELD_TYPES.get(name, object)
            if not isinstance(value, wanted):
                what = f"{name} is {with_article(type(value).__name__)} and must be {with_article(wanted.__name__)}"
                raise JobError(what, f"give {name}={wanted.__name__}(…)")
        words = {name: changes.pop(name) for name in list(changes) if name in section("job")}
        job = replace(self, **own)
        if words:
            job = replace(job, info=replace(job.info, **read_table("job", words, "the job")))
        reference, bench, others = settings(job.reference, job.bench, changes)
        known = [*self.__dataclass_fields__, *section("job"), *section("reference"), *section("bench")]
        refuse_unknown(others, known, "the job")
        return replace(job, reference=reference, bench=bench)

    def write(self, path: str | Path) -> Path:
        """Write the job file, whole or not at all; comments and order of the file it came from stay.

        Sheets are written relative to its folder; a FlowkitError is raised where it cannot be written.
        """
        from flowkit.job.file import write_job

        return write_job(self, _path_of(path, "a job file"))

    def __repr__(self) -> str:
        names = ", ".join(variant.name for variant in self.variants)
        return f"<Job {self.info.title or (self.path.name if self.path else '')!r}: {names}>"

    def read(self) -> tuple[tuple[Variant, ...], tuple[Finding, ...]]:
        """Read the tests of every variant, with what was doubtful in them."""
        return read_variants(tuple(map(self._with_reading_unit, self.variants)), self.records)

    def _with_reading_unit(self, variant: JobVariant) -> JobVariant:
        """A variant whose sheets need not name the unit of their readings where ``[meter]`` does."""
        units = {meter.reading_unit for meter in self.meter_set().values()} if self.meters else set()
        if not any(units):
            return variant
        # Of meters with different units the rows say which was read, so the reading's unit is known only with it.
        unit = units.pop() if len(units) == 1 else ""

        def given(stated: Stated) -> Stated:
            """What is stated, with the reading's unit where it was open."""
            at = stated.conditions
            return replace(stated, conditions=replace(at, reading_unit=unit)) if at.reading_unit is None else stated

        sheets = (replace(one, stated=given(one.stated)) if one.stated else one for one in variant.sheets)
        return replace(variant, stated=given(variant.stated), sheets=tuple(sheets))

    def correct(self) -> CorrectionResult:
        """Read and bring every test to the reference."""
        return self._correct(*self.read())[0]

    def corrected(self) -> tuple[CorrectionResult, tuple[Variant, ...]]:
        """Read and correct: the result, and the variants with their tests as read and corrected."""
        return self._correct(*self.read())

    def compare(self) -> Comparison:
        """Read, correct and compare the variants; a FlowkitError where nothing can be compared."""
        return self.run(engine=False).comparison

    def run(self, *, engine: bool = True, progress: Progress | None = None) -> JobResults:
        """Go the whole way once: read, correct, compare, engine.

        Parameters
        ----------
        engine : bool, optional
            Whether to go on to the engine, where the job has one.
        progress : callable, optional
            Called with (cycles done, most cycles there may be) while the engine runs.

        Raises
        ------
        FlowkitError
            If nothing can be compared.
        """
        variants, correction, comparison = self._compared()
        carried = engine_of(self, comparison, variants, progress) if engine and has_engine(self) else None
        everything = joined(comparison.findings, carried.findings if carried else ())
        return JobResults(variants, correction, comparison, carried, everything)

    def meter_set(self) -> dict[str, Meter]:
        """Return the job's meters by name, in SI; a JobError where ``[meter]`` lacks a key or has a strange one."""
        from flowkit.corrections.meter import meters_from

        folder, file = (self.path.parent, self.path.name) if self.path else (None, None)
        return meters_from(self.meters, folder, file=file)

    def calibrate_meters(self) -> CalibrationResult:
        """Find coefficients and full scales of the job's meters; a JobError where no certificate can be used."""
        from flowkit.corrections.calibration import calibrate

        return calibrate(self.meter_set(), self.meters, self.bench)

    def run_engine(self, *, progress: Progress | None = None) -> EngineResult:
        """Say what the flows mean for the job's engine; a FlowkitError where it describes none. As `run`."""
        result = self.run(progress=progress).engine
        if result is None:
            raise no_engine(self)
        return result

    def engine_result(self, *, variant: str | None = None, progress: Progress | None = None) -> EngineResult:
        """Say what the flows mean for the engine of every variant, or of one of them alone.

        Parameters
        ----------
        variant : str, optional
            Its name; all of them, each against the first, unless given.
        progress : callable, optional
            As for `run`.

        Raises
        ------
        FlowkitError
            As for `run_engine`, or if there is no such variant.

        Examples
        --------
        >>> from flowkit.samples import sample_job
        >>> result = Job.load(sample_job()).engine_result()
        >>> result.variants[0].filling.peak.inside
        True
        """
        result = self.run_engine(progress=progress)
        if variant is None:
            return result
        chosen = tuple(item for item in result.variants if item.name == variant)
        if not chosen:
            raise JobError(f"there is no variant {variant!r}", "check its name")
        return replace(result, variants=chosen, differences=(), cam_weighted_gains=(), sentences=())

    def engine_sweep(
        self, quantity: str, values: Sequence[Any], *, variant: str | None = None, progress: Progress | None = None
    ) -> pd.DataFrame:
        """Return the engine's figures for several values of one input.

        Parameters
        ----------
        quantity : str
            Such as ``"compression_ratio"``, ``"bore"``, ``"intake.peak_lift"`` or ``"cam.advance"``.
        values : sequence
            Numbers, or text with units where the quantity has one.
        variant : str, optional
            The last one unless given.
        progress : callable, optional
            As for `run`.

        Raises
        ------
        FlowkitError
            If a value cannot be understood, or nothing can be computed.

        Examples
        --------
        >>> from flowkit.samples import sample_job
        >>> table = Job.load(sample_job()).engine_sweep("cam.advance", [-4, 0, 4])
        >>> sorted(table["cam.advance"].unique().tolist())
        [-4, 0, 4]
        """
        from flowkit.job.engine import sweep

        return sweep(self, quantity, values, variant=variant, progress=progress)

    def plan(self, gain: float, power: float = 0.8) -> Plan:
        """Say how many repeats a gain needs, and which extra tests would untangle the steps.

        Parameters
        ----------
        gain : float
            The gain to be proven, as a fraction.
        power : float, optional
            The chance to resolve it.

        Raises
        ------
        FlowkitError
            If nothing can be compared.
        """
        from flowkit.analysis.planning import plan

        variants, _, comparison = self._compared()
        return plan(comparison, [variant for variant in variants if variant.corrected], gain, power, bench=self.bench)

    def attach(
        self,
        build_file: str | Path,
        *,
        after: int | None = None,
        bookmark: str | None = None,
        paper: Literal["letter", "a4"] | None = None,
        pages: Sequence[int] | None = None,
    ) -> AttachReport:
        """Put the flow chart into the customer's build file; earlier flow pages are replaced.

        Parameters
        ----------
        build_file : str or Path
            A PDF, XLSX, XLSM or DOCX.
        after : int, optional
            PDF: the page the flow pages follow; at the end unless given.
        bookmark : str, optional
            DOCX: where they go; at the end unless given.
        paper : {"letter", "a4"}, optional
            That of the build file unless given.
        pages : sequence of int, optional
            The pages of the flow chart to add, from 1; all unless given.

        Raises
        ------
        FlowkitError
            If anything in the job is an error, or the build file cannot be extended without
            losing something: then it stays as it was.
        """
        (done,) = self.attach_all([build_file], after=after, bookmark=bookmark, paper=paper, pages=pages)
        if done.report is None:
            raise AttachError(done.message)
        return done.report

    def attach_all(
        self,
        build_files: Sequence[str | Path],
        *,
        after: int | None = None,
        bookmark: str | None = None,
        paper: Literal["letter", "a4"] | None = None,
        pages: Sequence[int] | None = None,
        run: Callable[[], JobResults] | None = None,
    ) -> tuple[Attached, ...]:
        """Put the flow chart into several build files, drawn once; one that is refused does not hinder the others.

        Parameters
        ----------
        build_files : sequence of str or Path
        after, bookmark, paper, pages : optional
            As for `attach`.
        run : callable, optional
            Runs the job, once the build files were looked at; `Job.run` unless given.

        Returns
        -------
        tuple of Attached
            One for each build file, with what was done or why it was refused.

        Raises
        ------
        FlowkitError
            If anything in the job is an error.
        """
        from flowkit.reports import flow_chart
        from flowkit.reports.attach import attach_all

        return attach_all(
            [Path(path) for path in build_files],
            lambda: contents_of(self, (run or self.run)()),
            lambda contents, form, size: flow_chart(contents, form, size, near=self.path.parent if self.path else None),
            paper=paper,
            default_paper=self._paper,
            after=after,
            bookmark=bookmark,
            pages=pages,
        )

    @property
    def _paper(self) -> Literal["letter", "a4"]:
        """The paper of the display units."""
        return "a4" if self.info.display == "metric" else "letter"

    def report(
        self,
        folder: str | Path,
        *,
        formats: Sequence[str] = ("pdf", "png", "xlsx", "html"),
        paper: Literal["letter", "a4"] | None = None,
        results: JobResults | None = None,
        pages: Sequence[int] | None = None,
        previews: bool = False,
    ) -> tuple[Path, ...]:
        """Write the flow chart and the workbook; files that hold the very same are left as they are.

        Parameters
        ----------
        folder : str or Path
            Made if it does not exist.
        formats : sequence of {"pdf", "png", "svg", "xlsx", "html"}
        paper : {"letter", "a4"}, optional
            Default: Letter for US display, A4 for metric.
        results : JobResults, optional
            What `run` gave; run anew if not given.
        pages : sequence of int, optional
            The pages of the PDF, from 1; all of them unless given.
        previews : bool, optional
            Write each page of the PDF as a small picture too, as ``flow_chart_page_1.png`` and on.

        Returns
        -------
        tuple of Path
            The files, new or as they were.

        Raises
        ------
        FlowkitError
            If anything in the job is an error: then nothing is written.
        """
        from flowkit.reports import write_report

        contents = contents_of(self, results or self.run())
        return write_report(
            contents, Path(folder), formats=formats, paper=paper or self._paper, pages=pages, previews=previews
        )

    def _compared(self) -> tuple[tuple[Variant, ...], CorrectionResult, Comparison]:
        """Go as far as the comparison, every stage kept."""
        correction, variants = self.corrected()
        usable = [variant for variant in variants if variant.corrected]
        return variants, correction, self._compare(usable, correction.findings)

    def _correct(
        self, variants: Sequence[Variant], findings: Sequence[Finding]
    ) -> tuple[CorrectionResult, tuple[Variant, ...]]:
        """Correct the variants one by one, each with its own valves, meter, and bores of reference and engine."""
        from flowkit.corrections import CorrectionResult, correct, reference_state

        described = {item.name: item for item in self.variants}
        corrected: list[Variant] = []
        found: list[Finding] = []
        for variant in variants:
            item = described.get(variant.name)
            engine_bore = item.engine.get("bore") if item else None
            reference = self.reference
            if variant.bore_m is not None:
                reference = replace(reference, bore_m=variant.bore_m)
            today = {"bench": self.bench, "meters": self.meter_set(), "meter": item.meter if item else None}
            done: list[CorrectedTest] = []
            for tests, setting in _by_setting(variant, today):
                result = correct(
                    tests,
                    reference,
                    valves=variant.valves,
                    engine_bore_m=self._bore if engine_bore is None else parse_quantity(str(engine_bore), "length"),
                    off=self.switched_off,
                    **setting,
                )
                found += displayed(result.findings, display_of(self.info.display))
                done += result.tests
            corrected.append(replace(variant, corrected=tuple(done)))
        everything = tuple(test for variant in corrected for test in variant.corrected)
        if "check-plate" not in self.switched_off:
            # The sheet alone shows the plate's raw reading; here it went through the correction for air as well.
            findings = [finding for finding in findings if finding.rule != "check-off"]
        return CorrectionResult(reference_state(self.reference), everything, joined(findings, found)), tuple(corrected)

    @property
    def _bore(self) -> float | None:
        """The engine's bore [m], where the job says it."""
        return self.engine.bore_m if self.engine else None

    def _compare(self, variants: Sequence[Variant], findings: Sequence[Finding]) -> Comparison:
        """Compare corrected variants; an error carries what was found before."""
        from flowkit.analysis import compare

        history, bench = None, self.bench
        if bench.from_records:
            from flowkit.records.bench import bench_of_records

            history, bench, more = bench_of_records(bench, variants, self.records, self.path)
            findings = (*findings, *more)
        try:
            return compare(
                variants,
                self.reference,
                bench,
                history=history,
                area_method=self.area_method,
                engine_bore_m=self._bore,
                findings=findings,
                display=self.info.display,
            )
        except FlowkitError as error:
            error.findings = tuple(findings)
            raise


def _by_setting(variant: Variant, today: Mapping[str, Any]) -> Iterator[tuple[tuple[FlowTest, ...], Mapping[str, Any]]]:
    """A variant's tests with what they are corrected by: this job's bench and meters, or those they were recorded with.

    A recorded meter that is not this job's is another meter, whatever it is called: its error cancels in no gain.
    """
    groups: dict[str, list[FlowTest]] = {}
    for test in variant.tests:
        groups.setdefault(variant.settings.get(test.id, {}).get("from", ""), []).append(test)
    for where, tests in groups.items():
        setting = dict(variant.settings.get(tests[0].id, today))
        if setting.pop("from", None):
            setting["meters"] = {
                key: meter if today["meters"].get(key) == meter else replace(meter, name=f"{meter.name} ({where})")
                for key, meter in setting["meters"].items()
            }
        yield tuple(tests), setting


_FIELD_TYPES: Mapping[str, type] = {
    "info": JobInfo, "reference": Reference, "bench": Bench, "variants": tuple, "meters": Mapping,
}  # fmt: skip


def _path_of(path: Any, what: str) -> Path:
    """Take a path, and refuse what is none."""
    if isinstance(path, (str, Path)):
        return Path(path)
    raise FlowkitError(f"{path!r:.60} is not a path to {what}", "give text or a Path")


def contents_of(job: Job, results: JobResults) -> ReportContents:
    """Gather what reports show."""
    from flowkit.reports.contents import ReportContents, SourceFile

    refuse_errors(results.comparison.findings)
    sources = {path: sha256 for variant in results.variants for path, sha256 in variant.sources.items()}
    return ReportContents(
        info=job.info,
        reference=job.reference,
        bench=job.bench,
        variants=results.variants,
        comparison=results.comparison,
        engine=results.engine,
        sources=tuple(SourceFile(path.name, sha256) for path, sha256 in sources.items()),
        findings=results.findings,
    )


def refuse_errors(findings: Sequence[Finding]) -> None:
    """Refuse to go on where a finding is an error."""
    errors = [finding for finding in findings if finding.severity == "error"]
    if errors:
        more = f" (and {len(errors) - 1} more: flowkit check lists them)" if len(errors) > 1 else ""
        raise JobError(f"{errors[0].where}: {errors[0].message.rstrip('.')}{more}; nothing was written")


def report(
    job: Job | str | Path, folder: str | Path, formats: Sequence[str] = ("pdf", "png", "xlsx", "html")
) -> tuple[Path, ...]:
    """Write the flow chart and the workbook of a job.

    Parameters
    ----------
    job : Job, str or Path
        A job, or the path of a job file.
    folder : str or Path
        Made if it does not exist.
    formats : sequence of {"pdf", "png", "svg", "xlsx", "html"}

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    FlowkitError
        If anything in the job is an error: then nothing is written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from flowkit import sample_job
    >>> with TemporaryDirectory() as folder:
    ...     [path.name for path in report(sample_job(), folder, formats=["xlsx"])]
    ['flow_chart.xlsx']
    """
    loaded = job if isinstance(job, Job) else Job.load(job)
    return loaded.report(folder, formats=formats)
