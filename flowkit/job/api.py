"""The library in an analyst's hands: read from anything, compare anything, errors in plain words."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.corrections import CorrectionResult
from flowkit.errors import FlowkitError, JobError, UnitError
from flowkit.fields import in_si, run_of, section
from flowkit.importers import FileReading, ReadResult, Stated
from flowkit.importers import read as read_file
from flowkit.importers import read_many as read_files
from flowkit.importers.checks import check_tests
from flowkit.importers.many import expand_paths
from flowkit.job.job import Job
from flowkit.job.load import JobVariant, join_tests, settings
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
            path = str(reading.path.absolute())
            errors = [str(reading.error)] if reading.error else []
            tests = reading.result.tests if reading.result else ()
            if reading.result and not tests:
                errors = [f.message for f in reading.result.findings if f.severity == "error"]
            rows += [{"file": path, "error": "; ".join(errors) or None}] * (not tests)
            rows += [{**row, "file": path} for test in tests for row in _rows_of(test)]
        return in_units(rows, _COLUMNS, units)


_COLUMNS = (
    "file", "sheet", "head", "state", "side", "port", "run", "date", "bench", "operator", "valve_diameter_m",
    "check_reading_m3_s", "check_nominal_m3_s", "lift_m", "flow_m3_s", "pressure_pa", "source", "error",
)  # fmt: skip


def _rows_of(test: FlowTest) -> Iterator[dict[str, Any]]:
    """One test as rows, one a point."""
    at = test.conditions
    common: dict[str, Any] = {
        "sheet": test.sheet,
        "head": test.head,
        "state": test.variant,
        "side": test.side,
        "port": test.port,
    }
    common |= {"run": test.run, "date": at.date, "bench": at.bench, "operator": at.operator}
    common |= {"valve_diameter_m": at.valve_diameter_m, "check_reading_m3_s": at.check_reading_m3_s}
    common |= {"check_nominal_m3_s": at.check_nominal_m3_s}
    for point in test.points:
        own = {"lift_m": point.lift_m, "flow_m3_s": point.flow_m3_s, "source": point.source}
        yield {**common, **own, "pressure_pa": test.pressure_at(point)}


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
    given = (paths,) if isinstance(paths, (str, Path)) or not isinstance(paths, Iterable) else tuple(paths)
    strange = next((path for path in given if not isinstance(path, (str, Path))), None)
    if strange is not None or None in given:
        raise FlowkitError(
            f"{_named(strange)} is not a path", "give paths or patterns; read takes bytes and open files"
        )
    return Readings(given, _stated(stated, conditions), workers, client)


def _stated(stated: Stated | None, conditions: Mapping[str, Any]) -> Stated:
    """Statements as keywords, over what is stated already; a number is in SI."""
    from flowkit.job.load import stated_from

    if stated is not None and not isinstance(stated, Stated):
        raise FlowkitError(f"{_named(stated)} is not a Stated", 'state conditions by name, as test_pressure="28 inH2O"')
    given = {
        key: _plain(value) if hasattr(value, "isoformat") else value
        for key, value in conditions.items()
        if value is not None
    }
    rows = section("conditions")
    numbers: dict[str, Any] = {
        rows[key].attribute: in_si(rows[key], given.pop(key), "conditions")
        for key in list(given)
        if key in rows and rows[key].kind != "text" and isinstance(given[key], Real)
    }
    made = stated_from(given, place="conditions")
    at = replace(made.conditions, **numbers) if numbers else made.conditions
    if stated is None:
        return replace(made, conditions=at)
    new = {name: value for name in ("side", "port", "run", "head", "lift_unit", "flow_unit", "pressure_unit")
           if (value := getattr(made, name)) is not None}  # fmt: skip
    known = {name: value for name in at.__dataclass_fields__ if (value := getattr(at, name)) is not None}
    return replace(stated, **new, conditions=replace(stated.conditions, **known))


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
    units = (
        _column_unit(lift, lift_unit, "length"),
        _column_unit(flow, flow_unit, "flow"),
        _column_unit(pressure, pressure_unit, "pressure") if pressure else None,
    )
    places = {column: index for index, column in enumerate(df.columns)}
    groups = df.groupby(list(by), sort=False, dropna=False) if by else [((), df)]
    tests = []
    for key, rows in groups:
        names = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
        tests.append(_test_of(rows, names, (lift, flow, pressure), units, places, how, name))
    used = [test for test in tests if test.points]
    if not used:
        raise FlowkitError(f"no row of the frame has both {lift!r} and {flow!r}", "give at least one")
    largest = max(point.lift_m for test in used for point in test.points)
    if largest > LARGEST_LIFT_M:
        raise FlowkitError(
            f"the largest lift would be {largest * 1e3:g} mm, more than any valve lifts (30 mm at most)",
            f"check the unit of {lift!r}",
        )
    empty = tuple(
        Finding("not-a-number", "note", test.id, "no row has both a lift and a flow, so there is no test of it")
        for test in tests
        if not test.points
    )
    return ReadResult(tuple(used), joined(empty, check_tests(used)))


def _check_columns(df: Any, columns: Sequence[str]) -> None:
    """Refuse what is no frame, and columns it has not or has twice."""
    if not hasattr(df, "groupby") or not hasattr(df, "columns"):
        raise FlowkitError(f"{_named(df)} is not a DataFrame", "make one by pandas.DataFrame(…), or use read")
    for column in columns:
        count = list(df.columns).count(column)
        if count != 1:
            known = ", ".join(map(repr, df.columns))
            what = "has no column" if not count else "has more than one column"
            inside = column in getattr(df.index, "names", ())
            raise FlowkitError(
                f"the frame {what} {column!r}", "call reset_index() first" if inside else f"it has {known}"
            )


def _column_unit(column: str, stated: str | None, quantity: Literal["length", "flow", "pressure"]) -> Unit:
    """The unit of a column: stated, or the end of its name."""
    name = str(column)
    spelled = str(stated or (name.rpartition("_")[2] if "_" in name else name.rpartition(" ")[2].strip("()[]")))
    try:
        return unit(spelled, quantity)
    except UnitError as error:
        what = f"nothing says the unit of the column {column!r}" if stated is None else error.problem
        raise FlowkitError(
            what, f"end its name in the unit, or state {'lift' if quantity == 'length' else quantity}_unit"
        ) from error


def _test_of(  # noqa: PLR0917
    rows: pd.DataFrame, names: Mapping[str, Any], columns: tuple[str, str, str | None],
    units: tuple[Unit, Unit, Unit | None], places: Mapping[Any, int], how: Stated, name: str,
) -> FlowTest:  # fmt: skip
    """One group of rows as a test."""
    lift, flow, pressure = columns
    known = {key: None if _missing(value) else _plain(value) for key, value in names.items()}
    side = known.get("side") or how.side
    side = side if side is None else side.strip().casefold()
    if side not in ("intake", "exhaust", None):
        raise FlowkitError(f"the frame has the side {side!r}", "it must be intake or exhaust")
    at = how.conditions
    said: dict[str, Any] = {key: known[key] for key in ("date", "bench", "operator") if known.get(key)}
    points = []
    for number, (_, row) in zip(rows.index, rows.iterrows(), strict=True):
        if _missing(row[lift]) or _missing(row[flow]):
            continue
        source = f"{name}:{number}:{places[flow] + 1}"
        own = None
        if pressure is not None and units[2] is not None and not _missing(row[pressure]):
            own = to_si(_number(row[pressure], number, pressure), units[2])
        lift_m = to_si(_number(row[lift], number, lift), units[0])
        if lift_m < 0:
            raise FlowkitError(f"row {number} of the frame has the lift {row[lift]}", "a valve cannot open that way")
        points.append(Point(lift_m, to_si(_number(row[flow], number, flow), units[1]), own, source))
    port = known.get("port") or how.port
    state = known.get("state") or known.get("variant") or name
    run = run_of(known.get("run"), "the frame") or how.run or 1
    label = " ".join(str(part) for part in (known.get("head"), side, port, f"run {run}" if run > 1 else None) if part)
    return FlowTest(
        id=f"{name}!{state}, {label or 'test'}",
        file=name,
        sheet=None,
        head=known.get("head") or how.head,
        variant=state,
        side=side,  # type: ignore[arg-type]
        port=port,
        run=run,
        conditions=replace(at, **said) if said else at,
        units=Units(
            UnitSource(units[0].name, "stated"),
            UnitSource(units[1].name, "stated"),
            UnitSource(units[2].name, "stated") if units[2] else None,
        ),
        points=tuple(points),
    )


def _missing(value: Any) -> bool:
    """Tell whether a cell of a frame is empty."""
    return value is None or str(value) in ("nan", "<NA>", "NaT", "")


def _number(value: Any, row: Any, column: str) -> float:
    """A cell of a frame as a number."""
    try:
        found = math.nan if isinstance(value, (bool, complex)) or str(value) in ("True", "False") else float(value)
    except (TypeError, ValueError):
        found = math.nan
    if not math.isfinite(found):
        raise FlowkitError(
            f"row {row} of the frame has {str(value)!r} in {column!r}, which is not a number", "correct it"
        )
    return found


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
    fixed = reference is not None or bool({"pressure", "pressure_law"} & set(options))
    if len(things) == 1 and isinstance(things[0], Job):
        return _changed_job(things[0], reference, bench, options, area_method).compare()
    reference, bench, conditions = settings(reference or Reference(), bench or Bench(), options)
    how = _stated(stated, conditions)
    variants: list[Variant] = []
    findings: list[Finding] = []
    given = list(_flat(things))
    for name, thing in given:
        more, found = _variants_of(name, thing, how)
        variants += more
        findings += found
    _refuse_twins(variants)
    reference = _one_reference([thing for _, thing in given], variants, reference, fixed=fixed)
    job = Job(JobInfo(display=display), reference, bench, (), area_method=area_method)
    correction, fresh = job._correct([variant for variant in variants if not variant.corrected], findings)
    now = {variant.name: variant for variant in fresh}
    done = [now.get(variant.name, variant) for variant in variants]
    _refuse_nothing(done, correction.findings)
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


def _at(tests: Iterable[Any]) -> Iterator[tuple[float, str]]:
    """The test pressure and law that corrected tests were brought to, by their ledgers."""
    for test in tests:
        for line in test.ledger if isinstance(test, CorrectedTest) else ():
            pressure = line.inputs.get("reference_pressure_pa")
            if line.correction == "test-pressure" and isinstance(pressure, float):
                yield pressure, str(line.inputs["pressure_law"])


def _one_reference(
    things: Sequence[Any], variants: Sequence[Variant], reference: Reference, *, fixed: bool
) -> Reference:
    """The reference of everything: that of corrected results, which must all be at one and at the one asked for."""
    results = [thing.reference for thing in things if isinstance(thing, CorrectionResult)]
    found = {(state.pressure_pa, state.pressure_law): state.bore_m for state in results}
    for at in _at(test for variant in variants for test in variant.corrected):
        found.setdefault(at, None)
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


def _refuse_nothing(variants: Sequence[Variant], findings: Sequence[Finding]) -> None:
    """Where nothing could be corrected, say the first reason why."""
    errors = [finding for finding in findings if finding.severity == "error"]
    if errors and not any(variant.corrected for variant in variants):
        refusal = FlowkitError(f"{errors[0].where}: {errors[0].message}")
        refusal.findings = tuple(findings)
        raise refusal


def _named(thing: Any) -> str:
    """What something is, with its article."""
    if thing is None:
        return "None"
    name = type(thing).__name__
    return f"{'an' if name[0] in 'aeiouAEIOU' else 'a'} {name}"


def _changed_job(
    job: Job,
    reference: Reference | None,
    bench: Bench | None,
    options: Mapping[str, Any],
    area_method: Literal["pchip", "trapezoid"],
) -> Job:
    """A job with options over its own reference and bench."""
    reference, bench, conditions = settings(reference or job.reference, bench or job.bench, options)
    if conditions:
        raise FlowkitError(
            f"{next(iter(conditions))!r} cannot be stated beside a job", "state it in the job file, or give its sheets"
        )
    method = area_method if area_method != "pchip" else job.area_method
    return replace(job, reference=reference, bench=bench, area_method=method)


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
            for name, inner in thing.items():
                yield str(name), inner
        elif isinstance(thing, Readings):
            yield from _flat(thing)
        elif isinstance(thing, FileReading):
            if thing.error is not None:
                raise thing.error
            yield None, thing.result
        elif isinstance(thing, str) and len(found := expand_paths([thing])) > 1:
            yield from ((None, path) for path in found)
        elif isinstance(thing, str):
            yield None, found[0]
        elif isinstance(thing, (list, tuple, set, frozenset)) or (
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
        what = (
            f"{_named(strange)} is not a flow test" if tests else f"there are no tests in {name or 'what was given'!r}"
        )
        raise FlowkitError(what, "give what read or correct returned")
    if name:
        _refuse_several(name, tests)
    groups: dict[str, list[Any]] = {}
    for test in tests:
        groups.setdefault(name or test.variant, []).append(test)
    made = []
    for state, group in groups.items():
        corrected = [replace(test, variant=state) for test in group if isinstance(test, CorrectedTest)]
        raw = [test for test in group if isinstance(test, FlowTest)]
        together, more = join_tests(JobVariant(state, (), how), raw)
        findings += more
        if corrected and raw:
            raise FlowkitError(f"{state!r} has corrected tests and tests as read", "give one or the other")
        made.append(Variant(state, together, corrected=tuple(corrected)))
    return made, findings


def _refuse_several(name: str, tests: Sequence[FlowTest | CorrectedTest]) -> None:
    """Refuse one name for a sheet that has several states: they would be averaged as runs of one."""
    states: dict[str, dict[str, None]] = {}
    for test in tests:
        states.setdefault(test.file, {})[test.variant] = None
    for file, own in states.items():
        if len(own) > 1:
            raise FlowkitError(
                f"{file} has several states ({', '.join(own)}), which cannot all be {name!r}",
                "give it without a name, or only the tests of one state",
            )


def _refuse_twins(variants: Sequence[Variant]) -> None:
    """Refuse two states of one name."""
    if (name := named_twice(variant.name for variant in variants)) is not None:
        raise JobError(f"two states are named {name!r}", 'name them: compare({"stock": first, "ported": second})')
