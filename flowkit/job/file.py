"""The job file as it is written: its tables and keys, how slips in it are said, and how a job is written to it.

The models say what a job file may hold; those of single tables are derived from `flowkit.fields`, and so is
the reference of the job file in the documentation. `flowkit.job.load` makes a `Job` of them.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from flowkit.errors import JobError
from flowkit.fields import Field as Row
from flowkit.fields import model, section, unknown_key
from flowkit.job.load import RECORDED, JobVariant, SheetChoice, parts_of_file
from flowkit.model import AirState, Bench, JobInfo, Reference
from flowkit.output import written_whole
from flowkit.units import from_si, to_si

if TYPE_CHECKING:
    from flowkit.importers import Stated
    from flowkit.job.job import Job

    JobTable: TypeAlias = BaseModel
    ReferenceTable: TypeAlias = BaseModel
    BenchTable: TypeAlias = BaseModel
    ValveTable: TypeAlias = BaseModel
    EngineTable: TypeAlias = BaseModel
    CamTable: TypeAlias = BaseModel
else:
    JobTable, ReferenceTable, BenchTable = model("job"), model("reference"), model("bench")
    ValveTable, EngineTable, CamTable = model("valves"), model("engine"), model("cam")


def _as_text(value: Any) -> Any:
    """Let a date or number be where free text is meant."""
    return value if value is None or isinstance(value, (str, dict, list)) else str(value)


Text = Annotated[str, BeforeValidator(_as_text)]


class _Table(BaseModel):
    """A table of the job file: unknown keys are refused, nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ValvesTable(_Table):
    """Valves of both sides."""

    intake: ValveTable = Field(default=ValveTable())
    exhaust: ValveTable = Field(default=ValveTable())


class CamsTable(_Table):
    """Cams of both sides."""

    lobe_separation: Annotated[Any, BeforeValidator(section("cams")["lobe_separation"].read)] = None
    advance: Annotated[Any, BeforeValidator(section("cams")["advance"].read)] = None
    intake: CamTable | None = None
    exhaust: CamTable | None = None


class ValueTable(_Table):
    """One cell of a sheet whose value is set by hand."""

    cell: Text = Field(description='Such as "C9", or "12:3" (line and field) in a text file.')
    value: Text = Field(description="What counts instead, in the unit of the sheet.")
    reason: Text = Field(description="Why; it is printed in every report.")


class LeftOutTable(_Table):
    """A cell or row of a sheet that is left out."""

    cell: Text = Field(description='Such as "B7", or "row 7".')
    reason: Text | None = Field(None, description="Why; it is printed in every report.")


class SheetTable(_Table):
    """One sheet of a variant, with what holds of it alone."""

    file: str = Field(description='As in "sheets": a file, a glob, or "book.xlsx!sheet name".')
    conditions: dict[str, Any] = Field(default_factory=dict, description="What holds of this sheet alone.")
    leave_out: list[LeftOutTable | Text] = Field(
        default_factory=list, description='Cells or rows that do not count: "B7", "row 7", or with a reason.'
    )
    values: list[ValueTable] = Field(default_factory=list, description="Cells whose value is set by hand.")
    columns: dict[str, Any] | list[dict[str, Any]] | None = Field(None, description="A mapping for this sheet.")


class BoreTable(_Table):
    """What a variant's reference has of its own."""

    bore: Annotated[Any, BeforeValidator(section("reference")["bore"].read)] = Field(
        description="The bore this variant's flows are brought to."
    )


class RecordsTable(_Table):
    """Where the shop's records are kept."""

    file: Text = Field(description="The records file; relative to the job file.")


class VariantTable(_Table):
    """One state of the head; the first of a job is the baseline."""

    name: Text = Field(description="Its name in every table and chart.")
    sheets: list[str | SheetTable] = Field(
        min_length=1,
        description='Files relative to the job file, globs allowed; "book.xlsx!sheet name" takes one worksheet. '
        "A table for what holds of one sheet alone.",
    )
    state: dict[str, Text | dict[str, Text]] = Field(
        default_factory=dict, description="Factor to level; tables intake and exhaust where the sides differ."
    )
    valves: ValvesTable = Field(default=ValvesTable(), description="Overrides for this variant.")
    untouched: dict[Literal["intake", "exhaust"], list[Text]] = Field(
        default_factory=dict, description="Ports not worked on since the variant before; they show the bench's drift."
    )
    reference: BoreTable | None = Field(None, description="This variant's own reference bore.")
    engine: EngineTable = Field(default=EngineTable(), description="Over [engine], key by key.")
    cam: CamsTable = Field(default=CamsTable(), description="Over [cam].")
    meter: Text | None = Field(None, description="The [meter.NAME] its readings were taken with.")
    conditions: dict[str, Any] = Field(default_factory=dict, description="What the sheets do not say.")
    columns: dict[str, Any] | list[dict[str, Any]] | None = Field(
        None, description="A mapping for a sheet that cannot be read unaided."
    )


class JobFile(_Table):
    """A whole job file."""

    job: JobTable = Field(default=JobTable())
    reference: ReferenceTable = Field(default=ReferenceTable())
    bench: BenchTable = Field(default=BenchTable())
    engine: EngineTable | None = None
    valves: ValvesTable = Field(default=ValvesTable())
    cam: CamsTable = Field(default=CamsTable())
    conditions: dict[str, Any] = Field(default_factory=dict, description="What holds of every sheet of the job.")
    meter: dict[str, Any] | None = Field(None, description="The meter behind sheets of readings, or several by name.")
    records: RecordsTable | None = Field(None, description="The shop's records.")
    variant: list[VariantTable] = Field(min_length=1)


class BenchFile(JobFile):
    """A job file that may have no variant yet: what it says of the bench and its meters is all that is wanted."""

    variant: list[VariantTable] = Field(default=[])


def parse(path: Path, form: type[JobFile] = JobFile) -> tuple[JobFile, dict[str, Any]]:
    """Read a job file: checked, and as it is written."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise JobError("there is no such job file", "check the path", file=str(path)) from None
    except UnicodeDecodeError:
        raise JobError("the job file is not UTF-8 text", "save it as UTF-8", file=str(path)) from None
    except OSError as error:
        raise JobError(f"the job file cannot be read ({error.strerror})", "check the path", file=str(path)) from error
    return parse_text(text, path.name, form)


def parse_text(text: str, name: str, form: type[JobFile] = JobFile) -> tuple[JobFile, dict[str, Any]]:
    """Read a job file's text; `name` is its name in messages. Returns and raises as `parse` does."""
    try:
        content = tomllib.loads(text)
        return form.model_validate(content), content
    except tomllib.TOMLDecodeError as error:
        raise JobError(*toml_problem(str(error), text), file=name) from error
    except ValidationError as error:
        raise plain_error(error, name) from error
    except RecursionError:
        what = "the job file has tables within tables too deep to be a job"
        raise JobError(what, "check its brackets", file=name) from None
    except ValueError:
        # Python refuses to make a number of more than 4300 digits.
        raise JobError("a number in the job file is too long to be one", "correct it", file=name) from None


_CURLY = re.compile("[\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb]")


# What the parser says of a line, and what to do about it.
_TOML_SLIPS = (
    ("Expected '='", "write key = value"),
    ("Invalid value", 'put text in quotes, such as "28 inH2O", and write true or false in small letters'),
    ("Cannot overwrite", "this key is there already; keep one of the two"),
    ("Cannot declare", "this table is there already; put its keys under the first one"),
    ("Unclosed", "close its bracket"),
    ("Unterminated", "close its quotes"),
    ("Illegal character", "close its quotes"),
    ("Expected newline", "put each key on a line of its own, and text in quotes"),
)


def toml_problem(message: str, text: str) -> tuple[str, str]:
    """Say what is wrong with a file that is not TOML, and what to do: the usual slips by name."""
    place = re.search(r"line (\d+)", message)
    lines = text.splitlines() or [""]
    number = min(int(place[1]), len(lines)) if place else len(lines)
    line = lines[number - 1]
    shown = line.strip()[:60]
    if _CURLY.search(line):
        return f"line {number} has curly quotes, which a word processor makes: {shown}", "type straight quotes"
    path = re.search(r'"([^"]*\\[^"]*)"', line)
    if path:
        meant = path[1].replace("\\\\", "/").replace("\\", "/")
        return (
            f"line {number} has a backslash in double quotes, where it starts a code: {shown}",
            f'write the path with forward slashes, "{meant}", or in single quotes',
        )
    remedy = next((words for sign, words in _TOML_SLIPS if message.startswith(sign)), "correct that line")
    return f"line {number} is not valid TOML: {shown}", remedy


_WANTED = {
    "string": "must be text in quotes",
    "list": "must be a list in square brackets",
    "tuple": "must be a list in square brackets",
    "dict": "must be a table",
    "model": "must be a table",
    "bool": "must be true or false",
    "int": "must be a whole number",
    "float": "must be a number",
    "union": "must be text in quotes, a list or a table",
}


def plain_error(error: ValidationError, file: str | None) -> JobError:
    """Say the first thing wrong with a job file in one sentence."""
    errors = error.errors()
    first = errors[0]
    if first["loc"][-1:] == ("str",) and isinstance(first["input"], dict):  # a sheet may be a name or a table
        at = first["loc"][:-1]
        first = next((e for e in errors[1:] if e["loc"][: len(at)] == at and e["loc"][-1] != "str"), first)
    place, kind, written = _place(first["loc"]), first["type"], first["input"]
    shown = repr(written) if len(repr(written)) <= 60 else repr(written)[:59] + "…"
    if kind == "extra_forbidden":
        *where, name = first["loc"]
        return unknown_key(str(name), _known_keys(where), _place(where) or "the job file", file=file)
    if kind == "missing" and first["loc"] == ("variant",):
        return JobError("the job has no [[variant]]", "add one for each state of the head", file=file)
    if kind == "missing":
        return JobError(f"{place} is missing", "add it", file=file)
    if kind == "literal_error":
        return JobError(f"{place} cannot be {written!r}", f"use {first['ctx']['expected']}", file=file)
    if kind != "value_error":
        wanted = next((words for start, words in _WANTED.items() if kind.startswith(start)), "cannot be used here")
        return JobError(f"{place}: {shown} {wanted}", "correct it", file=file)
    problem, _, remedy = first["msg"].removeprefix("Value error, ").partition("; ")
    if repr(written) not in problem:
        problem = f"{shown}: {problem[0].lower() + problem[1:]}"
    return JobError(f"{place}: {problem}", remedy, file=file)


def _place(loc: Sequence[int | str]) -> str:
    """Write a place as the file has it: ``[variant 2] valves intake stem``."""
    head, *rest = [part for part in loc if part not in ("SheetTable", "LeftOutTable")] or [""]
    if head == "variant" and rest and isinstance(rest[0], int):
        head = f"variant {rest.pop(0) + 1}"  # type: ignore[operator]
    return " ".join([f"[{head}]" if head else "", *map(str, rest)])


def _known_keys(loc: Sequence[int | str]) -> list[str]:
    """Return the keys known at a place."""
    table: type[BaseModel] = JobFile
    for part in loc:
        field = next((f for name, f in table.model_fields.items() if (f.alias or name) == part), None)
        if field is not None:
            inner = _models_in(field.annotation)
            if not inner:
                return []
            table = inner[0]
    return [field.alias or name for name, field in table.model_fields.items()]


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """Find the table models an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for argument in getattr(annotation, "__args__", ()) for found in _models_in(argument)]


# --- writing ---------------------------------------------------------------------------------------------


def write_job(job: Job, path: Path) -> Path:
    """Write a job file; comments, order and what else the job's own file holds stay, only what differs is written."""
    import tomlkit

    source = job.path if job.path is not None and job.path.is_file() else None
    document = tomlkit.parse(source.read_text(encoding="utf-8-sig")) if source else tomlkit.document()
    whole: list[tuple[str, Any, Any]] = [
        ("job", job.info, JobInfo()),
        ("reference", job.reference, Reference()),
        ("bench", job.bench, Bench()),
    ]
    for name, value, nothing in whole:
        own = {"area_method": job.area_method, "switched_off": job.switched_off} if name == "reference" else {}
        _put_section(document, name, value, nothing, own)
    for key, table in (("engine", job.engine_table), ("cam", job.cam_table), ("meter", job.meters)):
        if table and dict(document.get(key, {})) != dict(table):
            document[key] = dict(table)
        elif not table and key in document:
            del document[key]
    if job.records is not None and not source:
        document["records"] = {"file": _relative(job.records, path.parent)}
    same_folder = source is not None and source.parent.resolve() == path.parent.resolve()
    if not (same_folder and source and parts_of_file(*parse(source), source.parent)["variants"] == job.variants):
        every = tomlkit.aot()
        for variant in job.variants:
            for key in variant.stated.defaults:
                document.setdefault("conditions", tomlkit.table())[key] = getattr(variant.stated, key)
            every.append(tomlkit.item(_variant(variant, path.parent)))
        document["variant"] = every
    text = tomlkit.dumps(document)
    parse_text(text, path.name)  # what is to be written reads back
    with written_whole(path) as draft:
        draft.write_text(text, encoding="utf-8")
    return path


def _put_section(document: Any, name: str, value: Any, nothing: Any, own: Mapping[str, Any]) -> None:
    """Put into a table what differs from what it says."""
    table = document.get(name, {})
    for key, row in section(name).items():
        current = own[row.attribute] if row.attribute in own else getattr(value, row.attribute)
        default = {"area_method": "pchip", "switched_off": ()}.get(row.attribute, getattr(nothing, row.attribute, None))
        said = row.read(table[key]) if key in table else default
        if current == said or (name == "job" and key == "logo" and key in table):  # a path; as it is written
            continue
        if current in (None, (), default):
            del document[name][key]
        else:
            document.setdefault(name, {})[key] = _written(row, current)


def _written(row: Row, value: Any) -> Any:
    """A value as its row reads it back."""
    if isinstance(value, AirState):
        return {key: _written(air, getattr(value, air.attribute)) for key, air in section("air").items()}
    if row.kind == "percent":
        return f"{value * 100:.10g} %"
    if row.kind == "lifts":
        return f"{_number(value[0], 'mm')}-{_number(value[1], 'mm')} mm"
    if row.kind in ("records", "choices"):
        return "records" if row.kind == "records" else list(value)
    if isinstance(value, float):
        shown = row.unit or {"length": "mm", "pressure": "Pa", "temperature": "°C", "humidity": "%"}.get(row.kind, "")
        return f"{_number(value, shown)} {shown}" if shown else value
    return value


def _number(value: float, unit: str) -> str:
    """The shortest number that reads back as the very value."""
    shown = from_si(value, unit)
    found = (f"{shown:.{digits}g}" for digits in range(6, 17) if to_si(float(f"{shown:.{digits}g}"), unit) == value)
    return next(found, repr(shown))


def _relative(path: Path, folder: Path) -> str:
    """A path as the job file has it, with forward slashes."""
    return os.path.relpath(path.resolve(), folder.resolve()).replace(os.sep, "/")


def _variant(variant: JobVariant, folder: Path) -> dict[str, Any]:
    """A state as a table."""
    state = {side: dict(levels) for side, levels in variant.state.items() if levels}
    valves = {side: _of_section("valves", valve) for side, valve in variant.valves.items()}
    said = _said(variant.stated)
    # A table counts over its sheets as a whole or not at all: of both kinds, what counts is written with each sheet.
    mixed = any(reason for _, reason in said.values()) and not all(reason for _, reason in said.values())
    common = {key: known for key, known in said.items() if not (mixed and known[1])}
    table: dict[str, Any] = {
        "name": variant.name,
        "sheets": [_sheet(choice, choice.stated or variant.stated, common, folder) for choice in variant.sheets],
        "state": state.get("intake") if state.get("intake") == state.get("exhaust") else state,
        "valves": {side: dimensions for side, dimensions in valves.items() if dimensions},
        "untouched": {side: list(ports) for side, ports in variant.untouched.items()},
        "reference": {} if variant.bore_m is None else {"bore": f"{_number(variant.bore_m, 'mm')} mm"},
        "engine": dict(variant.engine),
        "cam": dict(variant.cam),
        "conditions": _conditions(common),
    }
    return {key: value for key, value in table.items() if value or key in ("name", "sheets")}


def _of_section(name: str, value: Any) -> dict[str, Any]:
    """The keys of a section that are known, as written in a job file."""
    known = {key: (row, getattr(value, row.attribute)) for key, row in section(name).items()}
    return {key: _written(row, value) for key, (row, value) in known.items() if value is not None}


def _sheet(choice: SheetChoice, stated: Stated, common: Mapping[str, Any], folder: Path) -> Any:
    """An entry of ``sheets``, with what holds of it alone."""
    if choice.recorded is not None:
        return f"{RECORDED}{choice.recorded}"
    entry = {
        "file": _relative(choice.path, folder) + (f"!{choice.sheet}" if choice.sheet else ""),
        "conditions": _conditions({key: known for key, known in _said(stated).items() if common.get(key) != known}),
        "leave_out": [{"cell": cell.cell, "reason": cell.reason} for cell in stated.cells if cell.value is None],
        "values": [
            {"cell": cell.cell, "value": cell.value, "reason": cell.reason}
            for cell in stated.cells if cell.value is not None
        ],
    }  # fmt: skip
    entry = {key: value for key, value in entry.items() if value}
    return entry if len(entry) > 1 else entry["file"]


def _said(stated: Stated) -> dict[str, tuple[Any, str | None]]:
    """What is stated of sheets, as written in a job file: key to value, and why it counts over the sheet if it does."""
    if stated.columns is not None:
        raise JobError(
            "a mapping of columns cannot be written", "put it into the job file by hand, as [variant.columns]"
        )
    names = [key for key in section("names") if key not in stated.defaults]
    found = {key: value for key in names if (value := getattr(stated, key)) is not None}
    found |= _of_section("conditions", stated.conditions)
    rows = section("conditions")
    why = {key: stated.overrides.get(rows[key].attribute if key in rows else key) for key in found}
    return {key: (value, why[key]) for key, value in found.items()}


def _conditions(said: Mapping[str, tuple[Any, str | None]]) -> dict[str, Any]:
    """A table of conditions, which count over what a sheet says or do not."""
    reasons = {reason for _, reason in said.values() if reason}
    if reasons and not all(reason for _, reason in said.values()):
        raise JobError(
            "some conditions of a sheet count over what it says and some do not, which one table cannot say",
            "state for the whole variant what does not",
        )
    found = {key: value for key, (value, _) in said.items()}
    return found | ({"overrides": True, "reason": "; ".join(sorted(reasons))} if reasons else {})
