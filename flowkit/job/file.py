"""The job file as it is written: its tables and keys, and nothing else.

The models here say what may stand in a job file; `flowkit.job` makes a `Job` of them. The
reference of the job file in the documentation is generated from these models.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from flowkit.errors import JobError, UnitError
from flowkit.fields import nearest
from flowkit.model import INH2O_PA
from flowkit.units import Quantity, number, parse_quantity

__all__ = ["AirTable", "BenchTable", "JobFile", "JobTable", "ReferenceTable", "ValveTable", "VariantTable", "parse"]


def _as_text(value: Any) -> Any:
    """Let a date or number stand where free text is meant."""
    return value if value is None or isinstance(value, (str, dict, list)) else str(value)


def _quantity(quantity: Quantity) -> BeforeValidator:
    """Read text such as ``"80.5 mm"`` into SI, with flowkit's own message when it cannot be."""

    def read(value: Any) -> Any:
        """Read one value, so that pydantic says what is wrong with it."""
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise ValueError("a number with its unit is wanted")
        try:
            return parse_quantity(value, quantity)
        except UnitError as error:
            raise ValueError(f"{error.problem}; {error.remedy}") from error

    return BeforeValidator(read)


def _fraction(value: Any) -> Any:
    """Read ``"0.5 %"`` into a fraction; without its sign it could be two things, so that it is refused."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise ValueError('a percentage is wanted; write it like "0.5 %"')
    bare = number(str(value).strip())
    if bare is not None:
        raise ValueError(
            f'without the sign % it could be {bare:g} % or {100 * bare:g} %; write it with its sign, like "0.5 %"'
        )
    try:
        fraction = parse_quantity(value, "humidity")
    except UnitError as error:
        raise ValueError(f'{value!r} is not a number of per cent; write it like "0.5 %"') from error
    if not 0 < fraction < 1:
        raise ValueError('it must lie between 0 % and 100 %; write it like "0.5 %"')
    return fraction


Text = Annotated[str, BeforeValidator(_as_text)]
Length = Annotated[float, _quantity("length"), Field(gt=0)]
Distance = Annotated[float, _quantity("length"), Field(ge=0)]
Pressure = Annotated[float, _quantity("pressure"), Field(gt=0)]
Temperature = Annotated[float, _quantity("temperature"), Field(gt=0)]
Humidity = Annotated[float, _quantity("humidity"), Field(ge=0, le=1)]
Angle = Annotated[float, _quantity("angle"), Field(gt=0, lt=90)]
Area = Annotated[float, _quantity("area"), Field(gt=0)]
Fraction = Annotated[float, BeforeValidator(_fraction)]


class _Table(BaseModel):
    """A table of the job file: unknown keys are refused, nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class JobTable(_Table):
    """What the job is called: free text, all optional."""

    title: Text | None = Field(None, description="A title for the reports.")
    number: Text | None = Field(None, description="The job's number.")
    customer: Text | None = Field(None, description="For whom.")
    vehicle: Text | None = Field(None, description="The car or engine.")
    shop: Text | None = Field(None, description="Who did the work.")
    date: Text | None = Field(None, description="The date on the reports.")
    notes: Text | None = Field(None, description="Printed in the footer.")
    logo: Text | None = Field(None, description="A picture (PNG) for the reports; relative to the job file.")
    display: Literal["US", "metric"] = Field("US", description="The units people see; results stay SI.")


class AirTable(_Table):
    """A state of air."""

    temperature: Temperature = Field(293.15, description='Such as "20 °C".')
    pressure: Pressure = Field(101_325.0, description='Absolute, such as "1013.25 hPa".')
    humidity: Humidity = Field(0.0, description='Relative, such as "45 %".')


def _range(value: Any) -> Any:
    """Read a range of lifts such as ``"0.100-0.600 in"`` into SI."""
    parts = re.fullmatch(r"\s*([\d.,]+)\s*(\D*?)\s*(?:-|–|to)\s*([\d.,]+)\s*(\D+?)\s*", str(value))
    if parts is None:
        raise ValueError('write it like "0.100-0.600 in"')
    low, low_unit, high, high_unit = parts.groups()
    try:
        lifts = tuple(
            parse_quantity(f"{n} {u}", "length") for n, u in ((low, low_unit or high_unit), (high, high_unit))
        )
    except UnitError as error:
        raise ValueError(f"{error.problem}; {error.remedy}") from error
    if not 0 <= lifts[0] < lifts[1]:
        raise ValueError("the first lift must be the lower one")
    return lifts


LiftRange = Annotated[tuple[float, float], BeforeValidator(_range)]


class ReferenceTable(_Table):
    """The state all tests are brought to, and how."""

    pressure: Pressure = Field(28 * INH2O_PA, description='Reference test pressure; "28 inH2O" unless given.')
    pressure_law: Literal["square-root", "compressible"] = Field("square-root", description="How pressures convert.")
    bore: Length | None = Field(None, description="The engine's bore; left out, no bore correction is made.")
    air: AirTable = Field(default=AirTable(), description="Reference air; dry, 101 325 Pa, 20 °C unless given.")
    lifts: LiftRange | None = Field(
        None, description='Lifts of the headline figures, such as "0.100-0.600 in"; else those measured in common.'
    )
    curve_area: Literal["pchip", "trapezoid"] = Field("pchip", description="How the area under a curve is taken.")
    switched_off: list[Literal["leakage", "air", "check-plate", "test-pressure", "bore"]] = Field(
        default_factory=list, description="Corrections not to be made, by name."
    )


class BenchTable(_Table):
    """The bench; uncertainties are standard uncertainties (k = 1)."""

    repeatability: Fraction | None = Field(
        None, description='Relative, with the sign %, such as "0.5 %"; else from repeated runs.'
    )
    drift: Fraction | None = Field(None, description='Relative drift of one session, with the sign %, such as "0.2 %".')
    lift_setting: Length | None = Field(None, description='Of a lift setting, such as "0.02 mm".')
    pressure_reading: Pressure | None = Field(None, description='Of a test pressure, such as "0.1 inH2O".')
    air: Literal["as stated", "actual", "metered"] = Field("as stated", description="What the flow readings are.")
    standard_air: AirTable | None = Field(None, description="The air the meter is scaled for, or SCFM means.")
    from_: Literal["records"] | None = Field(
        None, alias="from", description='"records": repeatability and drift from the shop\'s own years of tests.'
    )


class ValveTable(_Table):
    """The valve, its seat and its port on one side."""

    head: Length | None = Field(None, description="Valve head diameter.")
    stem: Length | None = Field(None, description="Stem diameter at the throat.")
    throat: Length | None = Field(None, description="Throat (inner seat) diameter.")
    seat_angle: Angle | None = Field(None, description="From the plane of the head, degrees.")
    seat_width: Length | None = Field(None, description="Measured along the face.")
    offset: Distance | None = Field(None, description="Valve axis from bore axis.")
    port_area: Area | None = Field(None, description='Cross-section where the velocity is wanted, "850 mm²".')


class ValvesTable(_Table):
    """Valves of both sides."""

    intake: ValveTable = Field(default=ValveTable())
    exhaust: ValveTable = Field(default=ValveTable())


class CamsTable(_Table):
    """Cams of both sides; see the engine pages for their keys."""

    lobe_separation: float | str | None = Field(None, description="Of cam cards, in cam degrees as they print it.")
    advance: float | str | None = Field(None, description="Of cam cards, in crank degrees; + is earlier.")
    intake: dict[str, Any] | None = None
    exhaust: dict[str, Any] | None = None


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

    bore: Length = Field(description="The bore this variant's flows are brought to.")


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
    engine: dict[str, Any] = Field(default_factory=dict, description="Over [engine], key by key.")
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
    engine: dict[str, Any] | None = None
    valves: ValvesTable = Field(default=ValvesTable())
    cam: CamsTable = Field(default=CamsTable())
    conditions: dict[str, Any] = Field(default_factory=dict, description="What holds of every sheet of the job.")
    meter: dict[str, Any] | None = Field(None, description="The meter behind sheets of readings, or several by name.")
    records: RecordsTable | None = Field(None, description="The shop's records.")
    variant: list[VariantTable] = Field(min_length=1)


def parse(path: Path) -> JobFile:
    """Read a job file.

    Parameters
    ----------
    path : Path

    Raises
    ------
    JobError
        If it is missing, is not TOML, has an unknown key (with the nearest known one) or a
        value that cannot be understood.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise JobError("there is no such job file", "check the path", file=str(path)) from None
    except UnicodeDecodeError:
        raise JobError("the job file is not UTF-8 text", "save it as UTF-8", file=str(path)) from None
    except OSError as error:
        raise JobError(f"the job file cannot be read ({error.strerror})", "check the path", file=str(path)) from error
    return parse_text(text, path.name)


def parse_text(text: str, name: str) -> JobFile:
    """Read a job file's text; `name` stands for it in messages. Raises as `parse` does."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise JobError(f"the job file is not valid TOML ({error})", "correct that line", file=name) from error
    try:
        return JobFile.model_validate(content)
    except ValidationError as error:
        raise _plain(error, name) from error


def _plain(error: ValidationError, file: str) -> JobError:
    """Say the first thing wrong with a job file in one sentence."""
    first = error.errors()[0]
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
    message = first["msg"].removeprefix("Value error, ")
    return JobError(f"{place} is {first['input']!r}: {message[0].lower() + message[1:]}", file=file)


def _place(loc: tuple[int | str, ...]) -> str:
    """Write a place as it stands in the file: ``[variant 2] valves intake stem``."""
    if not loc:
        return ""
    head, *rest = loc
    if head == "variant" and rest and isinstance(rest[0], int):
        return " ".join([f"[variant {rest[0] + 1}]", *(str(part) for part in rest[1:])])
    return " ".join([f"[{head}]", *(str(part) for part in rest)])


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    """Return the keys known at a place."""
    model: type[BaseModel] = JobFile
    for part in loc:
        if isinstance(part, int):
            continue
        annotation = model.model_fields[part].annotation
        inner = next((item for item in _models_in(annotation)), None)
        if inner is None:
            return []
        model = inner
    return list(model.model_fields)


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """Find the table models an annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for argument in getattr(annotation, "__args__", ()) for model in _models_in(argument)]
