"""The library in an analyst's hands: read from anything, compare anything, errors in plain words."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowkit.corrections import CorrectionResult
from flowkit.errors import FlowkitError, JobError, UnitError
from flowkit.fields import section
from flowkit.importers import FileReading, ReadResult, Stated
from flowkit.importers import read as read_file
from flowkit.importers import read_many as read_files
from flowkit.importers.checks import check_tests
from flowkit.job.job import Job
from flowkit.job.load import JobVariant, settings
from flowkit.job.read import join_tests
from flowkit.model import (
    Bench,
    CorrectedTest,
    Finding,
    FlowTest,
    Point,
    Reference,
    Units,
    UnitSource,
    Variant,
    joined,
)
from flowkit.units import Unit, to_si, unit

if TYPE_CHECKING:
    import pandas as pd

    from flowkit.analysis.results import Comparison

__all__ = ["Readings", "compare", "from_frame", "read", "read_many"]


def read(source: Any, stated: Stated | None = None, *, name: str | None = None, **conditions: Any) -> ReadResult:
    r"""Read all tests of a sheet.

    Parameters
    ----------
    source : path, bytes, or a file object, text or binary
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
    if isinstance(source, (str, Path)):
        return read_file(source, how, label=name)
    content: Any = source.read() if hasattr(source, "read") else source
    if isinstance(content, str):
        content = content.encode("utf-8")
    if not isinstance(content, (bytes, bytearray, memoryview)):
        raise FlowkitError(
            f"a {type(source).__name__} cannot be read as a sheet", "give a path, bytes or an open file; or from_frame"
        )
    label = Path(str(name or getattr(source, "name", "") or "sheet.csv")).name
    with tempfile.TemporaryDirectory(prefix="flowkit-") as folder:
        path = Path(folder) / (label or "sheet.csv")
        path.write_bytes(bytes(content))
        return read_file(path, how, label=label)


@dataclass(frozen=True, slots=True, repr=False)
class Readings:
    """Many files: each is read when it is asked for, in the order of the paths."""

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
            path = str(reading.path)
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
    given = (paths,) if isinstance(paths, (str, Path)) else tuple(paths)
    return Readings(given, _stated(stated, conditions), workers, client)


def _stated(stated: Stated | None, conditions: Mapping[str, Any]) -> Stated:
    """Statements as keywords, over what is stated already; a number is in SI."""
    from flowkit.job.load import stated_from

    given = {key: value for key, value in conditions.items() if value is not None}
    rows = section("conditions")
    numbers: dict[str, Any] = {
        rows[key].attribute: float(given.pop(key))
        for key in list(given)
        if key in rows and rows[key].kind != "text" and isinstance(given[key], (int, float))
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


def from_frame(
    df: pd.DataFrame,
    *,
    lift: str,
    flow: str,
    by: Sequence[str] = (),
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
        Columns; the unit is the end of the name, as in ``"lift_mm"`` and ``"flow_cfm"``, or stated.
    by : sequence of str
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
        If a column is missing or not numeric, or a unit is named nowhere.

    Examples
    --------
    >>> import pandas as pd
    >>> df = pd.DataFrame({"port": [1, 1, 2, 2], "lift_mm": [2, 4, 2, 4], "flow_cfm": [40, 80, 41, 82]})
    >>> result = from_frame(df, lift="lift_mm", flow="flow_cfm", by=["port"], side="intake", test_pressure="28 inH2O")
    >>> [(test.port, len(test.points)) for test in result.tests]
    [('1', 2), ('2', 2)]
    """
    how = _stated(None, {**conditions, "side": side})
    for column in (lift, flow, *by, *([pressure] if pressure else [])):
        if column not in df.columns:
            raise FlowkitError(f"the frame has no column {column!r}", "it has " + ", ".join(map(repr, df.columns)))
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
    used = tuple(test for test in tests if test.points)
    return ReadResult(used, check_tests(list(used)))


def _column_unit(column: str, stated: str | None, quantity: Literal["length", "flow", "pressure"]) -> Unit:
    """The unit of a column: stated, or the end of its name."""
    spelled = stated or (column.rpartition("_")[2] if "_" in column else column.rpartition(" ")[2].strip("()[]"))
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
    if side not in ("intake", "exhaust", None):
        raise FlowkitError(f"the frame has the side {side!r}", "it must be intake or exhaust")
    at = how.conditions
    said: dict[str, Any] = {key: known[key] for key in ("date", "bench", "operator") if known.get(key)}
    points = []
    for number, (_, row) in zip(rows.index, rows.iterrows(), strict=True):
        if _missing(row[lift]) or _missing(row[flow]):
            continue
        try:
            values = float(row[lift]), float(row[flow])
            own = None if pressure is None or _missing(row[pressure]) else float(row[pressure])
        except (TypeError, ValueError):
            raise FlowkitError(f"row {number} of the frame is not a number in {lift!r} or {flow!r}") from None
        own = None if own is None or units[2] is None else to_si(own, units[2])
        source = f"{name}:{number}:{places[flow] + 1}"
        points.append(Point(to_si(values[0], units[0]), to_si(values[1], units[1]), own, source))
    port = known.get("port") or how.port
    state = known.get("state") or known.get("variant") or name
    run = known.get("run")
    label = " ".join(str(part) for part in (known.get("head"), side, port, f"run {run}" if run else None) if part)
    return FlowTest(
        id=f"{name}!{state}, {label or 'test'}",
        file=name,
        sheet=None,
        head=known.get("head") or how.head,
        variant=state,
        side=side,  # type: ignore[arg-type]
        port=port,
        run=int(run) if run else how.run or 1,
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


def _plain(value: Any) -> str:
    """A name as text; a whole number without its decimals."""
    return f"{value:g}" if isinstance(value, float) and value == int(value) else str(value)


def compare(
    *things: Any,
    reference: Reference | None = None,
    bench: Bench | None = None,
    stated: Stated | None = None,
    display: Literal["US", "metric"] = "US",
    area_method: Literal["pchip", "trapezoid"] = "pchip",
    **options: Any,
) -> Comparison:
    """Compare states of a head: read and correct what is not yet, the first being the baseline.

    Parameters
    ----------
    *things : Job, path, ReadResult, CorrectionResult, Variant, tests, mapping or list
        Each a state, or several that it names itself; ``{"stock": r1, "ported": r2}`` names them.
    reference : Reference, optional
    bench : Bench, optional
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
    from flowkit.analysis import compare as compare_variants
    from flowkit.corrections import correct

    if not things:
        raise FlowkitError("there is nothing to compare", "give at least one sheet, result or job")
    reference, bench, conditions = settings(reference or Reference(), bench or Bench(), options)
    if len(things) == 1 and isinstance(things[0], Job):
        return _changed_job(things[0], options, area_method).compare()
    how = _stated(stated, conditions)
    variants: list[Variant] = []
    findings: list[Finding] = []
    for name, thing in _flat(things):
        more, found = _variants_of(name, thing, how)
        variants += more
        findings += found
    _refuse_twins(variants)
    done: list[Variant] = []
    found_later: list[Finding] = []
    for variant in variants:
        if variant.corrected:
            done.append(variant)
            continue
        result = correct(variant.tests, reference, bench, valves=variant.valves)
        found_later += result.findings
        done.append(replace(variant, corrected=result.tests))
    findings = list(joined(findings, found_later))
    try:
        return compare_variants(
            done, reference, bench, area_method=area_method, findings=tuple(dict.fromkeys(findings)), display=display
        )
    except FlowkitError as error:
        error.findings = tuple(findings)
        raise


def _changed_job(job: Job, options: Mapping[str, Any], area_method: Literal["pchip", "trapezoid"]) -> Job:
    """A job with options over its own reference and bench."""
    reference, bench, conditions = settings(job.reference, job.bench, options)
    if conditions:
        raise FlowkitError(
            f"{next(iter(conditions))!r} cannot be stated beside a job", "state it in the job file, or give its sheets"
        )
    method = area_method if area_method != "pchip" else job.area_method
    return replace(job, reference=reference, bench=bench, area_method=method)


_TESTS = (FlowTest, CorrectedTest)


def _flat(things: Iterable[Any]) -> Iterator[tuple[str | None, Any]]:
    """Each thing with the name it is given; lists and mappings are opened."""
    for thing in things:
        if isinstance(thing, Mapping):
            for name, inner in thing.items():
                yield str(name), inner
        elif isinstance(thing, (list, tuple)) and not all(
            isinstance(item, (FlowTest, CorrectedTest)) for item in thing
        ):
            yield from _flat(thing)
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
    if isinstance(thing, (str, Path)):
        # A sheet that names no state of its own is called after its file.
        result = read_file(thing, how)
        thing = result
    if isinstance(thing, (ReadResult, CorrectionResult)):
        findings = list(thing.findings)
        tests: Sequence[FlowTest | CorrectedTest] = thing.tests
    elif isinstance(thing, (list, tuple)) and thing:
        tests = thing
    elif isinstance(thing, (FlowTest, CorrectedTest)):
        tests = [thing]
    else:
        raise FlowkitError(
            f"a {type(thing).__name__} cannot be compared", "give sheets, what read or correct returned, or a job"
        )
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


def _refuse_twins(variants: Sequence[Variant]) -> None:
    """Refuse two states of one name."""
    names = [" ".join(variant.name.casefold().split()) for variant in variants]
    for variant, name in zip(variants, names, strict=True):
        if names.count(name) > 1:
            raise JobError(
                f"two states are named {variant.name!r}", 'name them: compare({"stock": first, "ported": second})'
            )
