"""The job file as it is written: its tables and keys, and nothing else.

The models here say what a job file may hold; those of single tables are derived from `flowkit.fields`, and so is
the reference of the job file in the documentation. `flowkit.job.load` makes a `Job` of them.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from flowkit.errors import JobError
from flowkit.fields import model, nearest, section

if TYPE_CHECKING:
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
        raise JobError(
            "the job file has tables within tables too deep to be a job", "check its brackets", file=name
        ) from None
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
    if _CURLY.search(line):
        return (
            f"line {number} has curly quotes, which a word processor makes: {line.strip()[:60]}",
            "type straight quotes",
        )
    if re.search(r'"[^"]*\\[^"]*"', line):
        path = re.search(r'"([^"]*\\[^"]*)"', line)
        shown = path[1].replace("\\\\", "/").replace("\\", "/") if path else ""
        return (
            f"line {number} has a backslash in double quotes, where it starts a code: {line.strip()[:60]}",
            f'write the path with forward slashes, "{shown}", or in single quotes',
        )
    remedy = next((words for sign, words in _TOML_SLIPS if message.startswith(sign)), "correct that line")
    return f"line {number} is not valid TOML: {line.strip()[:60]}", remedy


_WANTED = (
    ("string", "must be text in quotes"),
    ("list", "must be a list in square brackets"),
    ("tuple", "must be a list in square brackets"),
    ("dict", "must be a table"),
    ("model", "must be a table"),
    ("bool", "must be true or false"),
    ("int", "must be a whole number"),
    ("float", "must be a number"),
    ("union", "must be text in quotes, a list or a table"),
)


def _shown(value: Any) -> str:
    """What was written, cut short where it is long."""
    text = repr(value)
    return text if len(text) <= 60 else text[:59] + "…"


def plain_error(error: ValidationError, file: str | None) -> JobError:
    """Say the first thing wrong with a job file in one sentence."""
    errors = error.errors()
    first = errors[0]
    if first["loc"][-1:] == ("str",) and isinstance(first["input"], dict):  # a sheet may be a name or a table
        at = first["loc"][:-1]
        first = next((e for e in errors[1:] if e["loc"][: len(at)] == at and e["loc"][-1] != "str"), first)
    place = _place(first["loc"])
    if first["type"] == "extra_forbidden":
        name = str(first["loc"][-1])
        known = _known_keys(first["loc"][:-1])
        close = nearest(name, known)
        remedy = f"did you mean {close!r}?" if close else "known are " + ", ".join(known)
        where = _place(first["loc"][:-1]) or "the job file"
        return JobError(f"{where} has an unknown key {name!r}", remedy, file=file)
    if first["type"] == "missing":
        if first["loc"] == ("variant",):
            return JobError("the job has no [[variant]]", "add one for each state of the head", file=file)
        return JobError(f"{place} is missing", "add it", file=file)
    if first["type"] == "literal_error":
        return JobError(f"{place} cannot be {first['input']!r}", f"use {first['ctx']['expected']}", file=file)
    if first["type"] != "value_error":
        wanted = next((words for kind, words in _WANTED if first["type"].startswith(kind)), "cannot be used here")
        return JobError(f"{place}: {_shown(first['input'])} {wanted}", "correct it", file=file)
    problem, _, remedy = first["msg"].removeprefix("Value error, ").partition("; ")
    if repr(first["input"]) not in problem:
        problem = f"{_shown(first['input'])}: {problem[0].lower() + problem[1:]}"
    return JobError(f"{place}: {problem}", remedy, file=file)


def _place(loc: tuple[int | str, ...]) -> str:
    """Write a place as the file has it: ``[variant 2] valves intake stem``."""
    if not loc:
        return ""
    head, *rest = (part for part in loc if part not in ("SheetTable", "LeftOutTable"))
    if head == "variant" and rest and isinstance(rest[0], int):
        return " ".join([f"[variant {rest[0] + 1}]", *(str(part) for part in rest[1:])])
    return " ".join([f"[{head}]", *(str(part) for part in rest)])


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    """Return the keys known at a place."""
    table: type[BaseModel] = JobFile
    for part in loc:
        known = {field.alias or name: field for name, field in table.model_fields.items()}
        if part not in known:
            continue
        inner = next((item for item in _models_in(known[str(part)].annotation)), None)
        if inner is None:
            return []
        table = inner
    return [field.alias or name for name, field in table.model_fields.items()]


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """Find the table models an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for argument in getattr(annotation, "__args__", ()) for found in _models_in(argument)]
