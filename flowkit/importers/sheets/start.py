"""A job file to start from: what the sheets of a folder give, and what is left to fill in."""

from __future__ import annotations

import glob
import hashlib
import os
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from flowkit.errors import FlowkitError, JobError
from flowkit.fields import CONDITIONS, section
from flowkit.importers.files import SHEET_ENDINGS, not_text
from flowkit.importers.files.grid import read_bytes
from flowkit.importers.files.own import OwnOutputError, carried
from flowkit.importers.mapping import Stated
from flowkit.importers.reading import COPY, read
from flowkit.importers.result import ReadResult
from flowkit.importers.tables.mapped import mapping_lines, quoted
from flowkit.importers.words.items import PROPOSED, proposal_of
from flowkit.importers.words.values import iso_date
from flowkit.importers.words.vocabulary import FIRST_STATES, fold
from flowkit.model import Finding, FlowTest, one_spelling
from flowkit.output import write_new
from flowkit.units import format_quantity

SUFFIXES = SHEET_ENDINGS | {".md", ".pdf"}  # endings of sheets
_MAY_BE_SHEETS = SUFFIXES | {
    *(".numbers", ".docx", ".doc", ".rtf", ".odt", ".pages", ".zip", ".7z", ".rar", ".gz", ".xlsb"),
    *(".msg", ".fods", ".mht", ".dat", ".log", ".prn", ".asc", ""),
}
"""Endings of files that may hold a sheet, so that it is said why one cannot be read."""
PICTURES = frozenset({".png", ".jpg", ".jpeg", ".heic", ".tif", ".tiff", ".webp", ".gif", ".bmp"})
_MOST_FILES = 2000
_OWN = "everything in it was made by flowkit"

# Asked once for all sheets: an example, the question, and what a sheet's states are read with until it is answered.
_ASKED = {
    "flow_unit": ("CFM", "which unit are the flows in? (CFM, L/s, m³/h, …)", "CFM"),
    "lift_unit": ("in", "which unit are the lifts in? (in, mm, thou)", "in"),
    "date_order": ("day", "what comes first in a date such as 3/4/26? (day, month)", None),
}
# What a job can state of its sheets, but for what is stated by valve, of a meter or in prose.
_OF_VALVES = tuple(row for row in section("valves").values() if row.condition)
_OF_TESTS = tuple(
    row for row in CONDITIONS
    if not row.metered and row.key != "notes" and row.attribute not in {valve.condition for valve in _OF_VALVES}
)  # fmt: skip
_WANTED = ("test_pressure", "fixture_bore", "leak", "date", "bench")
_DIGITS = {"mm": 3, "inH2O": 2, "CFM": 2, "°C": 1, "hPa": 1, "°": 1}
_INCH_FLOWS = frozenset({"CFM", "CFS", "SCFM", "lb/min"})
_FIRST = tuple(fold(word) for words in FIRST_STATES.values() for word in words)
_LAST = tuple(fold(word) for word in ("final", "after all", "finished"))


@dataclass(slots=True)
class _Variant:
    """A state with what was found of it."""

    name: str
    tests: list[FlowTest] = field(default_factory=list)
    sheets: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    mapping: str = ""

    @property
    def date(self) -> str | None:
        """The first date on its sheets that can be put in order."""
        return min((date for test in self.tests if (date := iso_date(test.conditions.date))), default=None)

    @property
    def place(self) -> tuple[int, bool, str]:
        """Where it belongs: names of the start first and of the end last, then by date, undated ones after."""
        words = " " + fold(self.name) + " "
        early, late = (any(f" {word} " in words for word in known) for known in (_FIRST, _LAST))
        return late - early, self.date is None, self.date or ""


@dataclass(frozen=True, slots=True)
class Listed:
    """What became of one file of a folder: how many tests, the first question, or why it counts for nothing."""

    path: Path
    status: Literal["read", "needs you", "cannot be read", "left out"]
    reason: str


@dataclass(slots=True)
class Folder:
    """What a folder holds: its files with what became of each, and what a job file would say of them."""

    path: Path
    listed: list[Listed] = field(default_factory=list)
    results: list[tuple[Path, ReadResult]] = field(default_factory=list)
    asked: dict[str, list[str]] = field(default_factory=dict)
    more: bool = False


def start_job(folder: str | Path, out: str | Path | None = None, stated: Stated | None = None) -> Path:
    """Write a job file from the sheets of a folder and its subfolders."""
    target = target_of(folder, out)
    write_new(target, job_text(read_folder(folder, stated), target, stated).encode(), JobError)
    return target


def target_of(folder: str | Path, out: str | Path | None = None) -> Path:
    """Return where the job file goes; a folder that is none and a file that exists are refused."""
    target = Path(out) if out is not None else Path(folder) / "job.toml"
    if not Path(folder).is_dir():
        raise JobError("there is no such folder", "name the folder that holds the sheets", file=str(folder))
    if target.exists():
        what = "this file already exists and is not overwritten"
        raise JobError(what, "choose another name with -o", file=str(target))
    return target


# --- reading the folder ------------------------------------------------------------------------------


def read_folder(folder: str | Path, stated: Stated | None = None) -> Folder:
    """Read every sheet of a folder and its subfolders; what is stated counts for sheets that do not say it."""
    found = Folder(Path(folder))
    known: dict[bytes, Path] = {}
    stated = replace(stated or Stated(), defaults=tuple(_ASKED))
    files = _files(found.path)
    found.more = len(files) > _MOST_FILES
    del files[_MOST_FILES:]
    # Of equal files the one counts that is not named as a copy; they are listed in the order of the folder.
    for path in sorted(files, key=lambda path: bool(COPY.search(path.stem))):
        may_be = path.suffix.lower() in _MAY_BE_SHEETS | PICTURES
        why = "not a sheet" if not may_be else "a hidden file" if path.name.startswith(".") else ""
        why = "a link to another folder" if path.is_dir() else why
        found.listed.append(Listed(path, "left out", why) if why else _read_one(path, found, known, stated))
    found.listed.sort(key=lambda entry: files.index(entry.path))
    found.results.sort(key=lambda entry: files.index(entry[0]))
    return found


def _files(folder: Path) -> list[Path]:
    """The files of a folder and its subfolders by name, sheet 2 before sheet 10, as far as they are looked at."""
    found: list[Path] = []
    for base, folders, names in os.walk(folder):
        found += [Path(base, name) for name in folders if Path(base, name).is_symlink()]
        folders[:] = sorted(name for name in folders if not name.startswith((".", "__")))
        found += [Path(base, name) for name in names if not name.startswith("~$")]
        if len(found) > _MOST_FILES:
            break

    def natural(path: Path) -> list[tuple[int, str]]:
        """The parts of a name, numbers by their size."""
        parts = re.split(r"(\d+)", path.relative_to(folder).as_posix())
        return [(int(part), "") if part.isdecimal() else (-1, part.casefold()) for part in parts]

    return sorted(found, key=natural)


def _read_one(path: Path, found: Folder, known: dict[bytes, Path], stated: Stated) -> Listed:  # noqa: PLR0911, PLR0912 - one for each thing a file may be
    """Read one file of a folder and say what became of it."""
    if ".before-flowkit" in path.name:
        return Listed(path, "left out", "the backup of a build file that flowkit added to")
    if not_text(str(path.relative_to(found.path))):
        return Listed(path, "cannot be read", "its name, as another system wrote it, is no text here: rename it")
    try:
        data = read_bytes(path)
        if carried(data) is not None or b"flowkitreport" in data[:1000]:
            return Listed(path, "left out", _OWN)
        if path.suffix.lower() in PICTURES:
            what = "a picture: type its readings into a sheet (flowkit blank), or beside it on the page"
            return Listed(path, "needs you", what)
        first = known.setdefault(hashlib.sha256(data).digest(), path)
        if first is not path:
            return Listed(path, "left out", f"a copy of {first.name}: the same bytes")
        result = read(path, stated)
    except OwnOutputError:
        return Listed(path, "left out", _OWN)
    except FlowkitError as error:
        if "there is no table of lifts and flows" not in error.problem:
            return Listed(path, "cannot be read", str(error))
        if PROPOSED not in error.remedy:
            return Listed(path, "left out", "there is no table of lifts and flows in it")
        # Numbers without headings may be a sheet, and wait for a mapping.
        asked = Finding("sheet-ambiguous", "error", path.name, f"{error.problem}; {error.remedy}")
        found.results.append((path, ReadResult((), (asked,))))
        return Listed(path, "needs you", str(error))
    except OSError as error:
        return Listed(path, "cannot be read", error.strerror or str(error))
    own = sum(finding.rule == "own-output" for finding in result.findings)
    made = f"{own} worksheets made by flowkit" if own > 1 else "what flowkit made in it"
    note = f"; {made} left out" if own else ""
    missing = [key for key in _ASKED if any(f"--{key.replace('_', '-')}" in f.message for f in result.findings)]
    for key in missing:
        found.asked.setdefault(key, []).append(path.name)
    # What a sheet without its units will give once they are known: its states, for the job to name.
    guesses = {key: guess for key in missing if (guess := _ASKED[key][2])}
    if guesses:
        result = replace(read(path, replace(stated, **guesses)), findings=result.findings)  # type: ignore[arg-type]
    found.results.append((path, result))
    questions = [finding for finding in result.findings if finding.severity == "error"]
    if questions:
        more = f" (and {len(questions) - 1} more: flowkit read {path.name})" if len(questions) > 1 else ""
        where = questions[0].where.removeprefix(path.name).lstrip(":!, ")
        return Listed(path, "needs you", f"{where}: {questions[0].message}{more}{note}".removeprefix(": "))
    count = len(result.tests)
    return Listed(path, "read", f"{count} test{'s' if count != 1 else ''}{note}")


def _variants(folder: Folder, target: Path) -> list[_Variant]:
    """Gather the tests of each state with the sheets they are on; a sheet that gives none yet is a state of its own."""
    found: dict[str, _Variant] = {}
    for path, result in folder.results:
        by_variant: dict[str, list[FlowTest]] = {} if result.tests else {path.stem.casefold(): []}
        for test in result.tests:
            by_variant.setdefault(one_spelling(test.variant), []).append(test)
        questions = [proposal_of(item.message) for item in result.findings if item.severity == "error"]
        for key, tests in by_variant.items():
            name = " ".join(tests[0].variant.split()) if tests else path.stem
            variant = found.setdefault(key, _Variant(name))
            variant.tests += tests
            variant.sheets += map(quoted, _entries(path, target, tests, result.tests))
            variant.questions += [f"{path.name}: {said}" for said, _ in questions]
            variant.mapping = variant.mapping or next((mapping for _, mapping in questions if mapping), "")
    return sorted(found.values(), key=lambda variant: variant.place)


def _entries(path: Path, target: Path, tests: Sequence[FlowTest], all_tests: Sequence[FlowTest]) -> list[str]:
    """The entries of ``sheets`` that give these tests of a file and no others."""
    name = glob.escape(Path(os.path.relpath(path, target.parent)).as_posix())
    mine, every = (Counter(test.sheet for test in some) for some in (tests, all_tests))
    alone = all(count == every[sheet] and sheet and "!" not in sheet for sheet, count in mine.items())
    # Else the file labels its variants itself: the variant's name picks its tests.
    return [f"{name}!{sheet}" for sheet in mine] if alone and len(tests) < len(all_tests) else [name]


# --- the job file --------------------------------------------------------------------------------------


def job_text(folder: Folder, target: str | Path, stated: Stated | None = None) -> str:
    """Return the text of the job file that `start_job` writes."""
    variants = _variants(folder, Path(target))
    units = [test.units.flow.unit for variant in variants for test in variant.tests]
    metric = 2 * sum(unit in _INCH_FLOWS for unit in units) < len(units)
    lines = [
        "# A job file made from the sheets of this folder. Lines after a # are comments: fill in",
        "# what is known and take the # away. Lengths, pressures and flows are text with a unit.",
        "",
        *_listing(folder),
        "[job]",
        'title = ""',
        '# customer = "…"',
        '# vehicle = "…"',
        'display = "metric"             # or "US"; what people see'
        if metric
        else 'display = "US"                 # or "metric"; what people see',
        "",
        "[reference]",
        'pressure = "28 inH2O"          # all flows are brought to this test pressure',
        "# bore = \"80.5 mm\"             # the engine's bore, where the fixture's differs",
        "",
        "[bench]",
        '# repeatability = "0.5 %"      # standard deviation of a repeated run; only where the sheets hold none',
        '# drift = "0.7 %"              # of the bench between two days; or flow the check plate in every session',
        "# To have a gain proven, ask the bench for: the date on every sheet, the check plate read in every session,",
        "# and one port or more flowed twice in each state, with the head taken off in between.",
        "",
        *_for_all(folder, variants, stated),
        *_valves(variants),
    ]
    if len(variants) > 1:
        lines += [
            "# The order of the states is a guess from their names and dates: the first is the baseline. Check it.",
            "",
        ]
    for place, variant in enumerate(variants):
        lines += _variant_lines(variant, first=place == 0)
    if not variants:
        lines += [
            "# No sheet gave a test yet: answer what is asked above, or name the sheets here.",
            "# [[variant]]                  # the first is the baseline",
            '# name = "as received"',
            '# sheets = ["as_received.csv"]',
            "",
        ]
    return "\n".join(lines) + "\n"


def _for_all(folder: Folder, variants: Sequence[_Variant], stated: Stated | None) -> list[str]:
    """The table of what holds for all sheets: what was stated, and a line for each question that one answer settles."""
    lines = []
    for key, (example, question, _) in _ASKED.items():
        if stated is not None and getattr(stated, key):
            lines.append(f'{key} = "{getattr(stated, key)}"   # of sheets that do not say it')
        elif key in folder.asked:
            names = folder.asked[key]
            more = f" and {len(names) - 3} more" if len(names) > 3 else ""
            lines.append(_comment(f'# {key} = "{example}"   # {", ".join(names[:3])}{more}: {question}'))
    tests = [test for variant in variants for test in variant.tests]
    if len(variants) > 1 and not any(test.conditions.date for test in tests) and "date_order" not in folder.asked:
        lines += [
            "# When were these flowed? No sheet carries a date, and on other days the bench may have moved. If it was",
            "# all on one day, this line settles it for all sheets:",
            '# date = "2026-03-14"',
        ]
    if tests and all(test.pressure_at(point) is None for test in tests for point in test.points):
        lines.append('# test_pressure = "28 inH2O"   # no sheet says it: what was it?')
    return ["[conditions]                   # for all sheets", *lines, ""] if lines else []


def _listing(folder: Folder) -> list[str]:
    """A line for every file."""
    lines = []
    for entry in folder.listed:
        name = Path(os.path.relpath(entry.path, folder.path)).as_posix()
        reason = proposal_of(entry.reason.removeprefix(f"{entry.path.name}: "))[0]
        lines.append("# " + _comment(f"{entry.status.capitalize()}: {name}: {reason}"))
    more = f"# The folder holds more than {_MOST_FILES} files; the rest was not looked at: start with a smaller one."
    lines += [more] if folder.more else []
    return [*(lines or ["# There are no sheets in this folder."]), ""]


def _valves(variants: Sequence[_Variant]) -> list[str]:
    """Tables of the valves on each side that was tested: what the sheets state, and the rest to be filled in."""
    lines: list[str] = []
    for side in ("intake", "exhaust"):
        tests = [test for variant in variants for test in variant.tests if test.side == side]
        if not tests:
            continue
        lines.append(f"[valves.{side}]                # for coefficients; what a sheet states need not be repeated")
        for row in _OF_VALVES:
            values, missing = _stated(tests, row.condition, row.unit)
            if values:
                some = "   (on some sheets; the others do not say)" if missing else ""
                lines.append(_comment(f"# found: {row.key} = {values}") + some)
            if missing:
                example = row.exhaust if side == "exhaust" and row.exhaust else row.example
                lines.append(f"# {row.key} = " + (example if row.kind == "angle" else f'"{example}"'))
        lines.append("")
    return lines


def _variant_lines(variant: _Variant, *, first: bool) -> list[str]:
    """One variant: its sheets, its state to fill in, its conditions found and missing."""
    date = f"   # {_comment(variant.date)}" if variant.date else "   # no date on its sheets: put it where it belongs"
    lines = [
        "[[variant]]" + ("                    # the first is the baseline" if first else ""),
        f"name = {quoted(variant.name)}{date}",
        f"sheets = [{', '.join(variant.sheets)}]",
        *(_comment(f"# needs you: {question}") for question in dict.fromkeys(variant.questions)),
        'state = {}                     # such as { ports = "as cast", seats = "worn", valves = "standard" }',
    ]
    missing: list[str] = []
    for row in _OF_TESTS:
        values, lacking = _stated(variant.tests, row.attribute, row.unit)
        if values and not (row.kind == "flow" and variant.questions):  # of flows whose unit is only guessed
            lines.append(_comment(f"# found: {row.key} = {values}"))
        if lacking and row.key in _WANTED:
            missing.append(f'{row.key} = "{row.example}"')
    missing += ['side = "intake"'] if any(test.side is None for test in variant.tests) else []
    missing += ['port = "1"'] if any(test.port is None for test in variant.tests) else []
    if missing:
        lines += [
            "# missing on some or all of its sheets; state what is known:",
            f"# conditions = {{ {', '.join(missing)} }}",
        ]
    if variant.mapping:
        lines.append("# or fill in each ? and remove the #:")
        lines += [f"# {line}" for line in mapping_lines(variant.mapping)]
    return [*lines, ""]


def _stated(tests: Sequence[FlowTest], name: str, unit: str) -> tuple[str, bool]:
    """The different values of a condition, as people write them, and whether any test lacks it."""
    values = dict.fromkeys(getattr(test.conditions, name) for test in tests)
    stated = [value for value in values if value is not None]
    shown = [format_quantity(value, unit, _DIGITS.get(unit, 0)) if unit else str(value) for value in stated]
    known = list(dict.fromkeys(shown))
    return f"{', '.join(known[:4])}{' …' if len(known) > 4 else ''}", None in values


def _comment(text: str) -> str:
    """A text on one line, without what TOML forbids in a comment."""
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
