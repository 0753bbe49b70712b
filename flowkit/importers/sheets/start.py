"""A job file to start from: what the sheets of a folder give, and what is left to fill in."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from flowkit.errors import FlowkitError, JobError, SheetError
from flowkit.importers.files.own import OwnOutputError
from flowkit.importers.reading import read
from flowkit.importers.result import ReadResult
from flowkit.importers.words.values import iso_date
from flowkit.model import Conditions, FlowTest
from flowkit.units import format_quantity

__all__ = ["SUFFIXES", "start_job"]

SUFFIXES = frozenset({".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xls", ".ods"})

"""Endings of the files taken for sheets."""

# What a job can state, in its order: key, field, unit to show, digits, example.
_CONDITIONS: tuple[tuple[str, str, str, int, str], ...] = (
    ("test_pressure", "test_pressure_pa", "inH2O", 2, "28 inH2O"),
    ("fixture_bore", "fixture_bore_m", "mm", 3, "83 mm"),
    ("air_temperature", "air_temperature_k", "°C", 1, "21 °C"),
    ("barometer", "barometer_pa", "hPa", 1, "1002 hPa"),
    ("humidity", "relative_humidity", "%", 0, "45 %"),
    ("leak", "leak_m3_s", "CFM", 2, "0.4 CFM"),
    ("check_reading", "check_reading_m3_s", "CFM", 2, "101.2 CFM"),
    ("check_nominal", "check_nominal_m3_s", "CFM", 2, "100 CFM"),
    ("date", "date", "", 0, "2026-03-14"),
    ("bench", "bench", "", 0, "bench B"),
)

# Dimensions of a side's valves, in the order of the job file: key, field, unit, digits, example of intake and exhaust.
_DIMENSIONS: tuple[tuple[str, str, str, int, dict[str, str]], ...] = (
    ("head", "valve_diameter_m", "mm", 3, {"intake": '"38 mm"', "exhaust": '"32 mm"'}),
    ("stem", "stem_diameter_m", "mm", 3, {"intake": '"8 mm"', "exhaust": '"8 mm"'}),
    ("throat", "throat_diameter_m", "mm", 3, {"intake": '"33 mm"', "exhaust": '"28 mm"'}),
    ("seat_angle", "seat_angle_deg", "°", 1, {"intake": "45", "exhaust": "45"}),
    ("seat_width", "seat_width_m", "mm", 3, {"intake": '"1.8 mm"', "exhaust": '"2 mm"'}),
)

_BACKUP = ".before-flowkit"

_INCH_FLOWS = frozenset({"CFM", "CFS", "SCFM", "lb/min"})

_WANTED = ("test_pressure", "fixture_bore", "leak", "date", "bench")


@dataclass(slots=True)
class _Variant:
    """A variant with the tests found of it."""

    name: str
    tests: list[FlowTest] = field(default_factory=list)
    sheets: list[str] = field(default_factory=list)

    @property
    def date(self) -> str | None:
        """The first date on its sheets that can be put in order."""
        dates = [date for test in self.tests if (date := iso_date(test.conditions.date))]
        return min(dates, default=None)


@dataclass(slots=True)
class _Found:
    """What a folder holds; `own` and `left_out` tell of what flowkit wrote itself."""

    results: list[tuple[Path, ReadResult]] = field(default_factory=list)
    failures: list[FlowkitError] = field(default_factory=list)
    own: list[FlowkitError] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def start_job(folder: str | Path, out: str | Path | None = None) -> Path:
    """Write a job file from the sheets of a folder.

    Variants stand in the order of their dates, undated ones last. What a sheet does not say is
    left as a comment with an example. What flowkit wrote itself is left out, and a comment says so.

    Parameters
    ----------
    folder : str or Path
    out : str or Path, optional
        The job file; ``job.toml`` in the folder unless given. An existing file is never overwritten.

    Returns
    -------
    Path
        The job file written.

    Raises
    ------
    JobError
        If the folder has no sheet that can be read, or the job file exists.
    """
    folder = Path(folder)
    target = Path(out) if out is not None else folder / "job.toml"
    if not folder.is_dir():
        raise JobError("there is no such folder", "name the folder that holds the sheets", file=str(folder))
    if target.exists():
        raise JobError("this file exists and is not overwritten", "choose another name with -o", file=str(target))
    found = _read_all(folder)
    failures = found.failures
    variants = _variants(found.results, folder, target)
    if not variants:
        reasons = "".join(f" {failure}" for failure in [*failures, *found.own][:3])
        raise JobError(
            f"no sheet in this folder can be read.{reasons}", "put the bench's sheets there", file=str(folder)
        )
    _write(target, _text(variants, found))
    return target


def _read_all(folder: Path) -> _Found:
    """Read every sheet of a folder, in the order of their names, but for what flowkit wrote."""
    found = _Found()
    for path in sorted(folder.iterdir(), key=lambda p: _natural(p.name)):
        if path.suffix.lower() not in SUFFIXES or path.name.startswith(("~$", ".")) or not path.is_file():
            continue
        if _BACKUP in path.name:
            found.left_out.append(f"{path.name}: a build file as it was before flowkit added to it")
            continue
        try:
            result = read(path)
        except OwnOutputError as error:
            found.own.append(error)
            found.left_out.append(f"{path.name}: nothing in it but what flowkit made")
        except SheetError as error:
            found.failures.append(error)
        else:
            found.results.append((path, result))
            own = [finding.where for finding in result.findings if finding.rule == "own-output"]
            found.left_out += [f"{where}: made by flowkit" for where in own]
    return found


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort key that puts sheet 2 before sheet 10."""
    return [(int(part), "") if part.isdecimal() else (-1, part.casefold()) for part in re.split(r"(\d+)", name)]


def _variants(results: Sequence[tuple[Path, ReadResult]], folder: Path, target: Path) -> list[_Variant]:
    """Gather the tests of each variant with the sheets they stand on."""
    found: dict[str, _Variant] = {}
    for path, result in results:
        by_variant: dict[str, list[FlowTest]] = {}
        for test in result.tests:
            by_variant.setdefault(" ".join(test.variant.split()).casefold(), []).append(test)
        for key, tests in by_variant.items():
            variant = found.setdefault(key, _Variant(" ".join(tests[0].variant.split())))
            variant.tests += tests
            variant.sheets += _entries(path, target, tests, result.tests)
    order = list(found.values())
    return sorted(order, key=lambda variant: (variant.date is None, variant.date or "", order.index(variant)))


def _entries(path: Path, target: Path, tests: Sequence[FlowTest], all_tests: Sequence[FlowTest]) -> list[str]:
    """The entries of ``sheets`` that give these tests of a file and no others."""
    relative = os.path.relpath(path, target.parent)
    name = glob.escape(Path(relative).as_posix())
    if len(tests) == len(all_tests):
        return [name]
    sheets = list(dict.fromkeys(test.sheet for test in tests))
    alone = all(sum(t.sheet == sheet for t in tests) == sum(t.sheet == sheet for t in all_tests) for sheet in sheets)
    if alone and all(sheet and "!" not in sheet for sheet in sheets):
        return [f"{name}!{sheet}" for sheet in sheets]
    # The file labels its variants itself: the variant's name picks its tests.
    return [name]


def _text(variants: Sequence[_Variant], found: _Found) -> str:
    """The job file."""
    lines = [
        "# A job file made from the sheets of this folder. Lines behind # are comments: fill in",
        "# what is known and take the # away. Lengths, pressures and flows are text with a unit.",
        "",
        "[job]",
        'title = ""',
        '# customer = "…"',
        '# vehicle = "…"',
        _display(variants),
        "",
        "[reference]",
        'pressure = "28 inH2O"          # all flows are brought to this test pressure',
        "# bore = \"80.5 mm\"             # the engine's bore, where the fixture's differs",
        "",
        "[bench]",
        '# repeatability = "0.5 %"      # only where the sheets hold no repeated runs',
        "",
        *_valves(variants),
    ]
    lines += [f"# Not read: {_comment(str(failure))}" for failure in found.failures]
    lines += [f"# Left out: {_comment(text)}" for text in found.left_out]
    if found.failures or found.left_out:
        lines.append("")
    for place, variant in enumerate(variants):
        lines += _variant_lines(variant, first=place == 0)
    return "\n".join(lines) + "\n"


def _display(variants: Sequence[_Variant]) -> str:
    """The line that says what people see: the units most of the flows were written in."""
    units = [test.units.flow.unit for variant in variants for test in variant.tests]
    inch_units = sum(unit in _INCH_FLOWS for unit in units)
    if 2 * inch_units < len(units):
        return 'display = "metric"             # or "US"; what people see'
    return 'display = "US"                 # or "metric"; what people see'


def _valves(variants: Sequence[_Variant]) -> list[str]:
    """Tables of the valves on each side that was tested: what the sheets state, and the rest to be filled in."""
    lines: list[str] = []
    for side in ("intake", "exhaust"):
        tests = [test for variant in variants for test in variant.tests if test.side == side]
        if not tests:
            continue
        lines.append(f"[valves.{side}]                # for coefficients; what a sheet states need not be repeated")
        for key, name, unit, digits, examples in _DIMENSIONS:
            values, missing = _stated(tests, name, unit, digits)
            if values:
                some = "   (on some sheets; the others do not say)" if missing else ""
                lines.append(_comment(f"# found: {key} = {values}") + some)
            if missing:
                lines.append(f"# {key} = {examples[side]}")
        lines.append("")
    return lines


def _stated(tests: Sequence[FlowTest], name: str, unit: str, digits: int) -> tuple[str, bool]:
    """The different values of a condition in words, and whether any test lacks it."""
    values = list(dict.fromkeys(_shown(test.conditions, name, unit, digits) for test in tests))
    known = [value for value in values if value is not None]
    return f"{', '.join(known[:4])}{' …' if len(known) > 4 else ''}", None in values


def _variant_lines(variant: _Variant, *, first: bool) -> list[str]:
    """One variant: its sheets, its state to fill in, its conditions found and missing."""
    date = f"   # {_comment(variant.date)}" if variant.date else "   # no date on its sheets: put it where it belongs"
    lines = [
        "[[variant]]" + ("                    # the first is the baseline" if first else ""),
        f"name = {_quoted(variant.name)}{date}",
        f"sheets = [{', '.join(_quoted(sheet) for sheet in variant.sheets)}]",
        'state = {}                     # such as { ports = "as cast", seats = "worn", valves = "standard" }',
    ]
    missing: list[str] = []
    for key, name, unit, digits, example in _CONDITIONS:
        values, lacking = _stated(variant.tests, name, unit, digits)
        if values:
            lines.append(_comment(f"# found: {key} = {values}"))
        if lacking and key in _WANTED:
            missing.append(f'{key} = "{example}"')
    if any(test.side is None for test in variant.tests):
        missing.append('side = "intake"')
    if any(test.port is None for test in variant.tests):
        missing.append('port = "1"')
    if missing:
        lines += [
            "# missing on some or all of its sheets; state what is known:",
            f"# conditions = {{ {', '.join(missing)} }}",
        ]
    return [*lines, ""]


def _shown(conditions: Conditions, name: str, unit: str, digits: int) -> str | None:
    """A condition as people write it."""
    value = getattr(conditions, name)
    if value is None:
        return None
    return format_quantity(value, unit, digits) if unit else str(value)


def _comment(text: str) -> str:
    """A text on one line, without what TOML forbids in a comment."""
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())


def _quoted(text: str) -> str:
    """A string as TOML writes it."""
    escaped = []
    for mark in text:
        if mark in '"\\':
            escaped.append("\\" + mark)
        elif mark.isprintable():
            escaped.append(mark)
        else:
            escaped.append(f"\\u{ord(mark):04X}" if ord(mark) <= 0xFFFF else f"\\U{ord(mark):08X}")
    return f'"{"".join(escaped)}"'


def _write(target: Path, text: str) -> None:
    """Write the file whole or not at all, and never over another."""
    exists = JobError("this file exists and is not overwritten", "choose another name with -o", file=str(target))
    part = target.with_name(f".{target.name}.part")
    try:
        # Created anew or not at all, so that two starts at once cannot mix.
        with part.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        try:
            if target.exists():
                raise exists
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        remedy = "choose another place with -o"
        raise JobError(f"the job file cannot be written ({reason})", remedy, file=str(target)) from error
