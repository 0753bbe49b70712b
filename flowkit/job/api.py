"""The library in an analyst's hands: read from anything, compare anything, errors in plain words."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.corrections import CorrectionResult
from flowkit.errors import FlowkitError, JobError, UnitError, with_article
from flowkit.fields import in_si, run_of, section
from flowkit.importers import FileReading, ReadResult, Stated
from flowkit.importers import read as read_file
from flowkit.importers import read_many as read_files
from flowkit.importers.checks import check_tests
from flowkit.importers.mapping import given
from flowkit.importers.reading import expand_paths
from flowkit.job.job import Job
from flowkit.job.load import JobVariant, join_tests, settings, stated_from
from flowkit.model import (
    Bench,
    CorrectedTest,
    Finding,
    FlowTest,
    JobInfo,
    Point,
    Reference,
    Units,
    UnitSource,
    Variant,
    joined,
    named_twice,
)
from flowkit.units import Unit, format_quantity, to_si, unit

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.analysis.results import Comparison


def read(source: Any, stated: Stated | None = None, *, name: str | None = None, **conditions: Any) -> ReadResult:
    r"""Read all tests of a sheet.

    Parameters
    ----------
    source : path, bytes, text of several lines, or a file object, text or binary
        csv, tsv, txt, xlsx, xlsm, xls, ods, pdf or html.
    stated : Stated, optional
        What the sheet does not say, ready made; or state it by `conditions`.
    name : str, optional
        The sheet's name in sources; that of the file unless given.
    **conditions
        What the sheet does not say: ``test_pressure="28 inH2O"``, ``side="intake"``, ``flow_unit="CFM"`` and every
        other condition of the job file. Quantities as text with a unit, as numbers in SI, or as pint quantities.

    Returns
    -------
    ReadResult
        What could be read, and everything doubtful as findings.

    Raises
    ------
    FlowkitError
        If it cannot be read, or a condition is not known.

    Examples
    --------
    >>> text = b"lift mm,intake 1 cfm,intake 2 cfm\n2,40,41\n4,80,81\n6,110,112\n"
    >>> result = read(text, name="mail.csv", test_pressure="28 inH2O")
    >>> [test.port for test in result.tests], round(result.tests[0].conditions.test_pressure_pa)
    (['1', '2'], 6974)
    """
    how = _stated(stated, conditions)
    name = None if name is None else str(name)
    if isinstance(source, Path) or (isinstance(source, str) and "\n" not in source):
        return read_file(source, how, label=name)
    try:
        content: Any = source.read() if hasattr(source, "read") else source
    except (OSError, ValueError) as error:
        remedy = "open it in binary, as open(path, 'rb'), and read it before it is closed"
        raise FlowkitError("the file object cannot be read", remedy) from error
    if isinstance(content, str):
        content = content.encode("utf-8")
    if not isinstance(content, (bytes, bytearray, memoryview)):
        raise FlowkitError(
            f"{_named(source)} cannot be read as a sheet", "give a path, bytes or an open file; or from_frame"
        )
    label = Path(str(name or getattr(source, "name", "") or "sheet.csv")).name.replace("\0", "")[-100:]
    label = "sheet.csv" if label in ("", ".", "..") else label
    with tempfile.TemporaryDirectory(prefix="flowkit-") as folder:
        path = Path(folder) / label
        path.write_bytes(bytes(content))
        return read_file(path, how, label=label)


@dataclass(frozen=True, slots=True, repr=False)
class Readings:
    """Many files: each is read when it is asked for, in the order of the paths.

    Examples
    --------
    >>> [len(reading.result.tests) for reading in read_many("sample_sheets/*.csv") if reading.result]
    [12]
    """

    paths: tuple[Path | str, ...]
    stated: Stated
    workers: int = 1
    client: Any = None

    def __iter__(self) -> Iterator[FileReading]:
        return read_files(self.paths, self.stated, workers=self.workers, client=self.client)

    def __repr__(self) -> str:
        return f"<Readings of {len(self.paths)} paths or patterns>"

    def table(self, units: str = "SI") -> pd.DataFrame:
        """Return one row per point of every file; a file that cannot be read has a row with its error.

        Parameters
        ----------
        units : {"SI", "US", "metric"}
            The unit of each column is in its name and in ``df.attrs["units"]``.
        """
        from flowkit.analysis.frames import in_units

        rows: list[dict[str, Any]] = []
        for reading in self:
            file = str(reading.path.absolute())
            result = reading.result
            if result is None or not result.tests:
                errors = [found.message for found in result.findings if found.severity == "error"] if result else []
                errors += [str(reading.error)] if reading.error else []
                rows.append({"file": file, "error": "; ".join(errors) or None})
            for test in result.tests if result else ():
                known = asdict(test.conditions) | {name: getattr(test, name) for name in _OF_TEST}
                common = {name: known[name] for name in _COLUMNS if name in known}
                rows += [
                    {
                        **common, "file": file, "state": test.variant, "lift_m": point.lift_m, "source": point.source,
                        "flow_m3_s": point.flow_m3_s, "pressure_pa": test.pressure_at(point),
                    }
                    for point in test.points
                ]  # fmt: skip
        return in_units(rows, _COLUMNS, units)


_OF_TEST = ("sheet", "head", "side", "port", "run")
_COLUMNS = (
    "file", "sheet", "head", "state", "side", "port", "run", "date", "bench", "operator", "valve_diameter_m",
    "check_reading_m3_s", "check_nominal_m3_s", "lift_m", "flow_m3_s", "pressure_pa", "source", "error",
)  # fmt: skip


def read_many(
    paths: str | Path | Iterable[str | Path],
    stated: Stated | None = None,
    *,
    workers: int = 1,
    client: Any = None,
    **conditions: Any,
) -> Readings:
    """Read many sheets; one that cannot be read carries its error and does not stop the rest.

    Parameters
    ----------
    paths : path or iterable of paths
        Files and patterns such as ``"archive/**/*.xlsx"``.
    stated : Stated, optional
        As for `read`.
    workers : int, optional
        Processes to read with.
    client : dask.distributed.Client, optional
        Reads a sheet a task on its workers instead.
    **conditions
        As for `read`, for every file.

    Returns
    -------
    Readings
        Iterable; ``.table()`` is one DataFrame of all.

    Examples
    --------
    >>> table = read_many("sample_sheets/as_*.csv").table("metric")
    >>> table.columns[-6:].tolist(), table.attrs["units"]["flow_L_per_s"]
    (['check_nominal_L_per_s', 'lift_mm', 'flow_L_per_s', 'pressure_kPa', 'source', 'error'], 'L/s')
    """
    every = (paths,) if isinstance(paths, (str, Path)) or not isinstance(paths, Iterable) else tuple(paths)
    for path in every:
        if not isinstance(path, (str, Path)):
            remedy = "give paths or patterns; read takes bytes and open files"
            raise FlowkitError(f"{_named(path)} is not a path", remedy)
    return Readings(every, _stated(stated, conditions), workers, client)


def _stated(stated: Stated | None, conditions: Mapping[str, Any]) -> Stated:
    """Statements as keywords, over what is stated already; a number is in SI."""
    if stated is not None and not isinstance(stated, Stated):
        raise FlowkitError(f"{_named(stated)} is not a Stated", 'state conditions by name, as test_pressure="28 inH2O"')
    rows = section("conditions")
    written: dict[str, Any] = {}
    numbers: dict[str, float] = {}
    for key, value in conditions.items():
        if key in rows and rows[key].kind != "text" and isinstance(value, Real):
            numbers[rows[key].attribute] = in_si(rows[key], value, "conditions")
        elif value is not None:
            written[key] = _plain(value) if hasattr(value, "isoformat") else value
    made = stated_from(written, place="conditions")
    at = replace(made.conditions, **numbers)  # type: ignore[arg-type]
    if stated is None:
        return replace(made, conditions=at)
    new = {name: value for name in ("side", "port", "run", "head", "lift_unit", "flow_unit", "pressure_unit")
           if (value := getattr(made, name)) is not None}  # fmt: skip
    return replace(stated, **new, conditions=replace(stated.conditions, **given(at)))  # type: ignore[arg-type]


_BY = ("head", "port", "run", "state", "variant", "side", "date", "bench", "operator")
LARGEST_LIFT_M = 0.030
"""No valve opens further; larger lifts are in another unit than is stated, as in a sheet."""


def from_frame(
    df: pd.DataFrame,
    *,
    lift: str,
    flow: str,
    by: str | Sequence[str] = (),
    side: str | None = None,
    pressure: str | None = None,
    lift_unit: str | None = None,
    flow_unit: str | None = None,
    pressure_unit: str | None = None,
    name: str = "frame",
    **conditions: Any,
) -> ReadResult:
    """Make flow tests of a DataFrame, one row a point.

    Parameters
    ----------
    df : pandas.DataFrame
    lift, flow : str
        Columns; the unit is the end of the name, as in ``"lift_mm"`` and ``"flow_cfm"``, or stated. A row without
        one of them is passed over.
    by : str or sequence of str
        Columns that tell tests apart: of head, port, run, state, side, date, bench, operator.
    side : {"intake", "exhaust"}, optional
        Of all rows.
    pressure : str, optional
        Column of test pressures, where rows have their own.
    lift_unit, flow_unit, pressure_unit : str, optional
    name : str, optional
        What sources and states are called where nothing else says it.
    **conditions
        As for `read`.

    Raises
    ------
    FlowkitError
        If a column is missing, there twice or not numeric, a unit is named nowhere, a lift is none that a valve has, or
        no row has a lift and a flow.

    Examples
    --------
    >>> import pandas as pd
    >>> df = pd.DataFrame({"port": [1, 1, 2, 2], "lift_mm": [2, 4, 2, 4], "flow_cfm": [40, 80, 41, 82]})
    >>> result = from_frame(df, lift="lift_mm", flow="flow_cfm", by=["port"], side="intake", test_pressure="28 inH2O")
    >>> [(test.port, len(test.points)) for test in result.tests]
    [('1', 2), ('2', 2)]
    """
    how = _stated(None, {**conditions, "side": side})
    by = [by] if isinstance(by, str) else list(by or ())
    _check_columns(df, [lift, flow, *by, *([pressure] if pressure else [])])
    strange = [column for column in by if column not in _BY]
    if strange:
        raise FlowkitError(f"tests cannot be distinguished by {strange[0]!r}", "rename it to one of " + ", ".join(_BY))
    read_as: dict[str, tuple[str, Unit]] = {
        "lift": (lift, _column_unit(lift, lift_unit, "length")),
        "flow": (flow, _column_unit(flow, flow_unit, "flow")),
    }
    if pressure:
        read_as["pressure"] = (pressure, _column_unit(pressure, pressure_unit, "pressure"))
    tests = []
    for key, rows in df.groupby(by, sort=False, dropna=False) if by else [((), df)]:
        names = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
        known = {name: None if _missing(value) else _plain(value) for name, value in names.items()}
        tests.append(_test_of(_points(rows, read_as, name), known, read_as, how, name))
    used = [test for test in tests if test.points]
    if not used:
        raise FlowkitError(f"no row of the frame has both {lift!r} and {flow!r}", "give at least one")
    largest = max(point.lift_m for test in used for point in test.points)
    if largest > LARGEST_LIFT_M:
        raise FlowkitError(
            f"the largest lift would be {largest * 1e3:g} mm, more than any valve lifts (30 mm at most)",
            f"check the unit of {lift!r}",
        )
    what = "no row has both a lift and a flow, so there is no test of it"
    empty = tuple(Finding("not-a-number", "note", test.id, what) for test in tests if not test.points)
    return ReadResult(tuple(used), joined(empty, check_tests(used)))


def _check_columns(df: Any, columns: Sequence[str]) -> None:
    """Refuse what is no frame, and columns it has not or has twice."""
    if not hasattr(df, "groupby") or not hasattr(df, "columns"):
        raise FlowkitError(f"{_named(df)} is not a DataFrame", "make one by pandas.DataFrame(…), or use read")
    for column in columns:
        count = list(df.columns).count(column)
        if count != 1:
            what = "has more than one column" if count else "has no column"
            remedy = "it has " + ", ".join(map(repr, df.columns))
            if column in getattr(df.index, "names", ()):
                remedy = "call reset_index() first"
            raise FlowkitError(f"the frame {what} {column!r}", remedy)


def _column_unit(column: str, stated: str | None, quantity: Literal["length", "flow", "pressure"]) -> Unit:
    """The unit of a column: stated, or the end of its name."""
    name = str(column)
    spelled = str(stated or (name.rpartition("_")[2] if "_" in name else name.rpartition(" ")[2].strip("()[]")))
    try:
        return unit(spelled, quantity)
    except UnitError as error:
        what = f"nothing says the unit of the column {column!r}" if stated is None else error.problem
        remedy = f"end its name in the unit, or state {'lift' if quantity == 'length' else quantity}_unit"
        raise FlowkitError(what, remedy) from error


def _points(rows: pd.DataFrame, read_as: Mapping[str, tuple[str, Unit]], name: str) -> Iterator[Point]:
    """The rows that have a lift and a flow, as points."""
    lift, flow = read_as["lift"][0], read_as["flow"][0]
    field = list(rows.columns).index(flow) + 1
    columns = rows[list(dict.fromkeys(column for column, _ in read_as.values()))]
    for row, values in zip(rows.index, columns.to_dict("records"), strict=True):
        if _missing(values[lift]) or _missing(values[flow]):
            continue
        si: dict[str, float] = {}
        for what, (column, own_unit) in read_as.items():
            value = values[column]
            try:
                number = math.nan if str(value) in ("True", "False") else float(value)
            except (TypeError, ValueError):
                number = math.nan
            if math.isfinite(number):
                si[what] = to_si(number, own_unit)
            elif not _missing(value):
                problem = f"row {row} of the frame has {str(value)!r} in {column!r}, which is not a number"
                raise FlowkitError(problem, "correct it")
        if si["lift"] < 0:
            raise FlowkitError(f"row {row} of the frame has the lift {values[lift]}", "a valve cannot open that way")
        yield Point(si["lift"], si["flow"], si.get("pressure"), f"{name}:{row}:{field}")


def _test_of(
    points: Iterable[Point],
    known: Mapping[str, str | None],
    read_as: Mapping[str, tuple[str, Unit]],
    how: Stated,
    name: str,
) -> FlowTest:
    """One group of rows as a test."""
    side = known.get("side") or how.side
    side = side if side is None else side.strip().casefold()
    if side not in ("intake", "exhaust", None):
        raise FlowkitError(f"the frame has the side {side!r}", "it must be intake or exhaust")
    head, port = known.get("head") or how.head, known.get("port") or how.port
    state = known.get("state") or known.get("variant") or name
    run = run_of(known.get("run"), "the frame") or how.run or 1
    label = " ".join(filter(None, (known.get("head"), side, port, f"run {run}" if run > 1 else None)))
    said: dict[str, Any] = {key: known[key] for key in ("date", "bench", "operator") if known.get(key)}
    units = {what: UnitSource(own.name, "stated") for what, (_, own) in read_as.items()}
    return FlowTest(
        id=f"{name}!{state}, {label or 'test'}",
        file=name,
        sheet=None,
        head=head,
        variant=state,
        side=side,  # type: ignore[arg-type]
        port=port,
        run=run,
        conditions=replace(how.conditions, **said),
        units=Units(**units),
        points=tuple(points),
    )


def _missing(value: Any) -> bool:
    """Tell whether a cell of a frame is empty."""
    return value is None or str(value) in ("nan", "<NA>", "NaT", "")


def _plain(value: Any) -> str:
    """A name as text: a whole number without its decimals, a day without its hours."""
    if hasattr(value, "isoformat"):
        return str(value.isoformat())[:10]
    return f"{value:g}" if isinstance(value, float) and value == int(value) else str(value)


def compare(
    *things: Any,
    reference: Reference | None = None,
    bench: Bench | str | None = None,
    stated: Stated | None = None,
    display: Literal["US", "metric"] = "US",
    area_method: Literal["pchip", "trapezoid"] = "pchip",
    **options: Any,
) -> Comparison:
    """Compare states of a head: read and correct what is not yet, the first being the baseline.

    Parameters
    ----------
    *things : Job, path, bytes or file object, ReadResult, Readings, CorrectionResult, Variant, tests, mapping or list
        Each a state, or several that it names itself; ``{"stock": r1, "ported": r2}`` names them. Paths may be
        patterns.
    reference : Reference, optional
        That of corrected results unless given; they must all be at one.
    bench : Bench or str, optional
        The bench's figures, or its name where the sheets do not say it.
    stated : Stated, optional
        What the sheets at paths do not say.
    display : {"US", "metric"}
        Units in sentences.
    area_method : {"pchip", "trapezoid"}
    **options
        Over `reference` and `bench`, as text or SI: ``pressure="28 inH2O"``, ``pressure_law="compressible"``,
        ``bore="80.5 mm"``, ``lifts="2-9 mm"``, ``repeatability="0.5 %"``, ``drift="0.2 %"``; and the conditions
        of `read` for paths.

    Returns
    -------
    Comparison

    Raises
    ------
    FlowkitError
        If something cannot be compared, in plain words.

    Examples
    --------
    >>> comparison = compare("sample_sheets/as_received.csv", pressure="25 inH2O")
    >>> round(comparison.reference.pressure_pa), [state.name for state in comparison["intake"]]
    (6227, ['as received'])
    """
    if not things:
        raise FlowkitError("there is nothing to compare", "give at least one sheet, result or job")
    _check_choices(reference, bench, display, area_method)
    if isinstance(bench, str):
        bench, options = None, {"bench": bench, **options}
    if len(things) == 1 and isinstance(things[0], Job):
        job: Job = things[0]
        reference, bench, conditions = settings(reference or job.reference, bench or job.bench, options)
        if conditions:
            what = f"{next(iter(conditions))!r} cannot be stated beside a job"
            raise FlowkitError(what, "state it in the job file, or give its sheets")
        method = area_method if area_method != "pchip" else job.area_method
        return replace(job, reference=reference, bench=bench, area_method=method).compare()
    fixed = reference is not None or bool({"pressure", "pressure_law"} & set(options))
    reference, bench, conditions = settings(reference or Reference(), bench or Bench(), options)
    how = _stated(stated, conditions)
    every = list(_flat(things))
    variants: list[Variant] = []
    findings: list[Finding] = []
    for name, thing in every:
        more, found = _variants_of(name, thing, how)
        variants += more
        findings += found
    if (twice := named_twice(variant.name for variant in variants)) is not None:
        raise JobError(f"two states are named {twice!r}", 'name them: compare({"stock": first, "ported": second})')
    reference = _one_reference([thing for _, thing in every], variants, reference, fixed=fixed)
    job = Job(JobInfo(display=display), reference, bench, (), area_method=area_method)
    correction, fresh = job._correct([variant for variant in variants if not variant.corrected], findings)
    now = {variant.name: variant for variant in fresh}
    done = [now.get(variant.name, variant) for variant in variants]
    errors = [finding for finding in correction.findings if finding.severity == "error"]
    if errors and not any(variant.corrected for variant in done):
        refusal = FlowkitError(f"{errors[0].where}: {errors[0].message}")
        refusal.findings = correction.findings
        raise refusal
    return job._compare(done, tuple(dict.fromkeys(correction.findings)))


def _check_choices(reference: Any, bench: Any, display: Any, area_method: Any) -> None:
    """Refuse what is none of the things that can be chosen."""
    if reference is not None and not isinstance(reference, Reference):
        raise FlowkitError(f"{_named(reference)} is not a Reference", 'state pressure="28 inH2O" or bore="80.5 mm"')
    if bench is not None and not isinstance(bench, (Bench, str)):
        raise FlowkitError(f"{_named(bench)} is not a Bench", 'state repeatability="0.5 %" or drift="0.2 %"')
    for key in ("repeatability", "drift", "lift_setting_m", "pressure_reading_pa") if isinstance(bench, Bench) else ():
        value = getattr(bench, key)
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise FlowkitError(f"the bench's {key} is {value!r}", "give a number above zero")
    for name, value, known in (
        ("display", display, ("US", "metric")), ("area_method", area_method, ("pchip", "trapezoid")),
    ):  # fmt: skip
        if value not in known:
            raise FlowkitError(f"there is no {name} {value!r}", "use " + " or ".join(map(repr, known)))


def _one_reference(
    things: Sequence[Any], variants: Sequence[Variant], reference: Reference, *, fixed: bool
) -> Reference:
    """The reference of everything: that of corrected results, which must all be at one and at the one asked for."""
    results = [thing.reference for thing in things if isinstance(thing, CorrectionResult)]
    found = {(state.pressure_pa, state.pressure_law): state.bore_m for state in results}
    for line in (line for variant in variants for test in variant.corrected for line in test.ledger):
        pressure = line.inputs.get("reference_pressure_pa")
        if line.correction == "test-pressure" and isinstance(pressure, float):
            found.setdefault((pressure, str(line.inputs["pressure_law"])), None)
    if fixed and found:
        found[reference.pressure_pa, reference.pressure_law] = reference.bore_m
    if len(found) > 1:
        words = " and ".join(f"{format_quantity(pressure, 'inH2O')}, {law} law" for pressure, law in found)
        raise FlowkitError(
            f"the flows would be at different references: {words}", "correct all to one, or give them as they were read"
        )
    for (pressure, law), bore in found.items():
        return replace(reference, pressure_pa=pressure, pressure_law=law, bore_m=reference.bore_m or bore)  # type: ignore[arg-type]
    return reference


def _named(thing: Any) -> str:
    """What something is, with its article."""
    if thing is None:
        return "None"
    return with_article(type(thing).__name__)


_TESTS = (FlowTest, CorrectedTest)
_OTHERS = {
    "DataFrame": "make tests of it by from_frame",
    "Comparison": "it is one already; give what it was made of",
    "JobResults": "it holds a comparison already; give its job",
}
"""What to do with things that are often given and cannot be compared."""


def _flat(things: Iterable[Any]) -> Iterator[tuple[str | None, Any]]:
    """Each thing with the name it is given; lists, mappings, patterns and many readings are opened."""
    for thing in things:
        if isinstance(thing, Mapping):
            yield from ((str(name), inner) for name, inner in thing.items())
        elif isinstance(thing, FileReading):
            if thing.error is not None:
                raise thing.error
            yield None, thing.result
        elif isinstance(thing, str):
            yield from ((None, path) for path in expand_paths([thing]))
        elif isinstance(thing, (list, tuple, set, frozenset, Readings)) or (
            isinstance(thing, Iterator) and not hasattr(thing, "read")
        ):
            inside = list(thing)
            if inside and all(isinstance(item, _TESTS) for item in inside):
                yield None, inside
            else:
                yield from _flat(inside)
        else:
            yield None, thing


def _variants_of(name: str | None, thing: Any, how: Stated) -> tuple[list[Variant], list[Finding]]:
    """A thing as variants, named by what gives it, or as its tests say."""
    findings: list[Finding] = []
    if isinstance(thing, Variant):
        return [replace(thing, name=name) if name else thing], []
    if isinstance(thing, Job):
        correction, variants = thing.corrected()
        return list(variants), list(correction.findings)
    if isinstance(thing, (str, Path, bytes)) or (hasattr(thing, "read") and not hasattr(thing, "tests")):
        # A sheet that names no state of its own is called after its file.
        thing = read(thing, how)
    if isinstance(thing, (ReadResult, CorrectionResult)):
        findings = list(thing.findings)
        tests: Sequence[FlowTest | CorrectedTest] = thing.tests
    elif isinstance(thing, (list, tuple)):
        tests = thing
    elif isinstance(thing, _TESTS):
        tests = [thing]
    else:
        remedy = _OTHERS.get(type(thing).__name__, "give sheets, what read or correct returned, or a job")
        raise FlowkitError(f"{_named(thing)} cannot be compared", remedy)
    strange = next((test for test in tests if not isinstance(test, _TESTS)), None)
    if strange is not None or not tests:
        nothing = f"there are no tests in {name or 'what was given'!r}"
        raise FlowkitError(
            f"{_named(strange)} is not a flow test" if tests else nothing, "give what read or correct returned"
        )
    for file in dict.fromkeys(test.file for test in tests) if name else ():
        own = dict.fromkeys(test.variant for test in tests if test.file == file)
        if len(own) > 1:  # they would be averaged as runs of one
            raise FlowkitError(
                f"{file} has several states ({', '.join(own)}), which cannot all be {name!r}",
                "give it without a name, or only the tests of one state",
            )
    made = []
    for state in dict.fromkeys(name or test.variant for test in tests):
        group = [test for test in tests if name or test.variant == state]
        corrected = [replace(test, variant=state) for test in group if isinstance(test, CorrectedTest)]
        raw = [test for test in group if isinstance(test, FlowTest)]
        together, more = join_tests(JobVariant(state, (), how), raw)
        findings += more
        if corrected and raw:
            raise FlowkitError(f"{state!r} has corrected tests and tests as read", "give one or the other")
        made.append(Variant(state, together, corrected=tuple(corrected)))
    return made, findings
