"""From a job file's tables, or from bare sheets, to what a `Job` is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowkit.errors import JobError, SheetError
from flowkit.jobread import JobVariant, SheetChoice, choose_sheets
from flowkit.model import AirState, Bench, JobInfo, Reference, Side, ValveGeometry

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData
    from flowkit.importers import Stated
    from flowkit.jobfile import AirTable, JobFile, ValvesTable, VariantTable

__all__ = ["parts_of_file", "variants_of_files"]

SIDES: tuple[Side, Side] = ("intake", "exhaust")


def parts_of_file(content: JobFile, folder: Path) -> dict[str, Any]:
    """Turn what a job file says into the fields of a `Job`.

    Parameters
    ----------
    content : JobFile
    folder : Path
        What its paths are relative to.

    Returns
    -------
    dict
        Field of `Job` to value.

    Raises
    ------
    FlowkitError
        If something in it cannot be used.
    """
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
    engine, cams = _engine(content, folder)
    return {
        "info": JobInfo(**content.job.model_dump()),
        "reference": reference,
        "bench": bench,
        "variants": tuple(_variant(item, content.valves, bench, folder) for item in content.variant),
        "switched_off": tuple(content.reference.switched_off),
        "area_method": content.reference.curve_area,
        "engine": engine,
        "cams": cams,
        "cam_tables": {side: table for side in SIDES if (table := getattr(content.cam, side)) is not None},
    }


def variants_of_files(paths: Sequence[Path], stated: Stated) -> tuple[JobVariant, ...]:
    """Make variants of bare sheets: each file one, named after it, or those it labels itself.

    Parameters
    ----------
    paths : sequence of Path
    stated : Stated
        What the sheets do not say.

    Raises
    ------
    JobError
        If there is no file, or two variants would have one name.
    """
    variants = [variant for path in paths for variant in _variants_of(path, stated)]
    if not variants:
        raise JobError("no sheets were given", "name at least one file")
    _refuse_duplicates([variant.name for variant in variants])
    return tuple(variants)


def _engine(content: JobFile, folder: Path) -> tuple[EngineData | None, Mapping[Side, Cam]]:
    """Read the engine and the cams of a job file, where it has them."""
    written = {side: getattr(content.cam, side) for side in SIDES}
    if content.engine is None and not any(written.values()):
        return None, {}
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData

    if content.engine is None:
        raise JobError("the job has a cam but no engine", "add an [engine] table")
    cams: dict[Side, Cam] = {
        side: Cam.from_mapping(table, folder, place=f"[cam.{side}]")
        for side, table in written.items()
        if table is not None
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
