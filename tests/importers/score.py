"""Score the reader on generated sheets: right, rightly asked, asked needlessly, wrong, crash; by axis.

Run ``python -m tests.importers.score 20000`` (``--from N`` first seed, ``--show wrong`` lists seeds, ``--keep FOLDER``
writes those sheets there, ``--jobs 2``). A sheet read without an error finding must agree with its truth in every
value, side, port, head, run, state, pressure and condition; anything else is wrong, however little is off.
"""

# ruff: noqa: E501

from __future__ import annotations

import argparse
import collections
import json
import math
import multiprocessing
import re
import signal
import tempfile
import traceback
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.importers.generator import Measured, Sheet, make
from tests.importers.generator.words import SI

OUTCOMES = ("right", "rightly asked", "asked needlessly", "wrong", "crash")
SECONDS = 20


@dataclass(frozen=True)
class Score:
    """What became of one sheet."""

    seed: int
    outcome: str
    why: str
    tags: dict[str, str]


def plain(text: object) -> str:
    """A name without case, spaces and marks."""
    folded = unicodedata.normalize("NFKC", str(text or "")).casefold()
    return re.sub(r"[\W_]+", "", folded)


def close(a: float | None, b: float | None, tolerance: float = 1e-6) -> bool:
    if a is None or b is None:
        return a is b
    return math.isclose(a, b, rel_tol=tolerance, abs_tol=1e-12)


def true_points(test: Measured, sheet: Sheet) -> list[tuple[float, float]]:
    truth = sheet.truth
    factor = 1.0 if truth.reading_unit else SI[truth.flow_unit]
    return sorted((float(lift) * SI[truth.lift_unit], float(flow) * factor) for lift, flow in test.points)


def read_points(test: dict[str, Any]) -> list[tuple[float, float]]:
    shown = [(p["lift_m"], p["reading"] if p["flow_m3_s"] is None else p["flow_m3_s"]) for p in test["points"]]
    return sorted((lift, value) for lift, value in shown if lift > 0)


def same_points(a: list[tuple[float, float]], b: list[tuple[float, float]]) -> bool:
    return len(a) == len(b) and all(close(x[0], y[0]) and close(x[1], y[1]) for x, y in zip(a, b, strict=True))


def compare(sheet: Sheet, document: dict[str, Any]) -> str:
    """Say what differs from the truth; nothing where nothing does."""
    found = list(document["tests"])
    rules = {finding["rule"] for finding in document["findings"]}
    for test in sheet.truth.tests:
        points = true_points(test, sheet)
        mine = [item for item in found if same_points(points, read_points(item))]
        if not mine:
            near = next(
                (item for item in found if (item["side"], plain(item["port"])) == (test.side, plain(test.port))), None
            )
            return f"values: {test.key} not found" + (
                f"; there {len(near['points'])} points for {len(points)}" if near else ""
            )
        item = mine[0]
        if sheet.tags.get("quirk copy") and "identical-readings" in rules:
            found = [other for other in found if other not in mine]
        else:
            found.remove(item)
        difference = compare_test(sheet, test, item)
        if difference:
            return difference
    return f"extra: {len(found)} tests that are none, {found[0]['id']}" if found else ""


def compare_test(sheet: Sheet, test: Measured, item: dict[str, Any]) -> str:
    """Say what of one test differs apart from its points."""
    if item["side"] != test.side:
        return f"side: {item['side']} for {test.side}"
    if plain(item["port"]) != plain(test.port) and not (test.port is None and plain(item["port"]) in ("", "1")):
        return f"port: {item['port']} for {test.port}"
    head = plain(item["head"])
    if test.head is not None and plain(test.head) not in head and not head_words(test.head, head):
        return f"head: {item['head']} for {test.head}"
    if item["run"] != test.run:
        return f"run: {item['run']} for {test.run}"
    states = [
        plain(state)
        for state in (test.states_ok if test.state is None else (test.state, test.state.removeprefix("Stand ")))
    ]
    if plain(item["variant"]) not in states:
        return f"state: {item['variant']} for {test.state or test.states_ok}"
    unit = (item["units"].get("reading") or {}).get("unit", "")
    if sheet.truth.reading_unit and unit != sheet.truth.reading_unit:
        return f"unit of readings: {unit} for {sheet.truth.reading_unit}"
    return compare_pressure(sheet, test, item) or compare_conditions(sheet, test, item["conditions"])


def head_words(written: str, read: str) -> bool:
    pairs = {"lh": "left", "rh": "right", "left": "lh", "right": "rh"}
    return pairs.get(plain(written), "?") in read


def compare_pressure(sheet: Sheet, test: Measured, item: dict[str, Any]) -> str:
    unit = SI[sheet.truth.pressure_unit]
    common = item["conditions"]["test_pressure_pa"]
    points = sorted((p for p in item["points"] if p["lift_m"] > 0), key=lambda p: p["lift_m"])
    order = sorted(range(len(test.points)), key=lambda at: test.points[at][0])
    for point, at in zip(points, order, strict=True):
        own = point["pressure_pa"]
        value = common if own is None else own
        wanted = test.row_pressures[at] if test.row_pressures else test.pressure
        if not close(value, None if wanted is None else float(wanted) * unit):
            return f"pressure: {value} Pa for {wanted} {sheet.truth.pressure_unit}"
    return ""


NUMBERS = (
    "air_temperature_k", "barometer_pa", "relative_humidity", "fixture_bore_m", "leak_m3_s", "check_reading_m3_s", "check_nominal_m3_s",
    "valve_diameter_m", "stem_diameter_m", "throat_diameter_m", "meter_temperature_k", "meter_pressure_pa",
)  # fmt: skip


def compare_conditions(sheet: Sheet, test: Measured, read: dict[str, Any]) -> str:
    """Conditions stated must be there, and none that was not stated."""
    truth = dict(sheet.truth.conditions)
    if test.leak is not None:
        truth["leak_m3_s"] = float(test.leak) * SI[sheet.truth.flow_unit]
    for name in NUMBERS:
        wanted, value = truth.get(name), read.get(name)
        if name == "valve_diameter_m" and "valve" in str(test.state):
            continue  # a state called after its valve may give the valve's size
        if not close(value, wanted if isinstance(wanted, float) else None, 1e-5):
            return f"condition {name}: {value} for {wanted}"
    if "date" in truth and read.get("date") != truth["date"]:
        return f"condition date: {read.get('date')} for {truth['date']}"
    if "date" in sheet.truth.ask and read.get("date"):
        return f"condition date: {read.get('date')} though it can be read in two ways"
    return ""


def judge(sheet: Sheet, document: dict[str, Any]) -> tuple[str, str]:
    """Outcome and reason for one sheet's reading."""
    errors = [f for f in document["findings"] if f["severity"] == "error"]
    asked = bool(errors) or ("date" in sheet.truth.ask and any("date" in f["rule"] for f in document["findings"]))
    if asked:
        first = f"{errors[0]['rule']}: {errors[0]['message'][:160]}" if errors else "date"
        if not sheet.truth.ask:
            return "asked needlessly", first
        if sheet.truth.ask <= {"pressure", "date"}:
            difference = compare(sheet, document)
            other = [e for e in errors if "pressure" not in e["rule"] and "date" not in e["rule"]]
            if difference or other:
                return "asked needlessly", f"more than {sheet.truth.ask}: {difference or other[0]['message'][:120]}"
        return "rightly asked", first
    if sheet.truth.ask:
        if not document["tests"]:
            return "wrong", "nothing read and nothing asked"
        return "wrong", f"read without asking for {', '.join(sorted(sheet.truth.ask))}"
    difference = compare(sheet, document)
    return ("wrong", difference) if difference else ("right", "")


class TooSlowError(Exception):
    """A sheet that took too long."""


def too_slow(*_: object) -> None:
    raise TooSlowError


def score(seed: int, folder: Path) -> Score:
    """Make the sheet of a seed, read it and judge the reading."""
    import flowkit

    sheet = make(seed)
    path = folder / sheet.name
    path.write_bytes(sheet.data)
    signal.signal(signal.SIGALRM, too_slow)
    signal.alarm(SECONDS)
    try:
        document = json.loads(flowkit.read(path).to_json())
    except flowkit.FlowkitError as problem:
        outcome = "rightly asked" if sheet.truth.ask and not sheet.truth.ask <= {"date"} else "asked needlessly"
        return Score(seed, outcome, f"{type(problem).__name__}: {str(problem)[:160]}", sheet.tags)
    except Exception:
        return Score(seed, "crash", traceback.format_exc().strip().rpartition("\n")[2], sheet.tags)
    finally:
        signal.alarm(0)
        path.unlink()
    return Score(seed, *judge(sheet, document), sheet.tags)


def some(seeds: list[int]) -> list[Score]:
    """Score a share of the seeds."""
    with tempfile.TemporaryDirectory() as folder:
        return [score(seed, Path(folder)) for seed in seeds]


def score_all(seeds: range, jobs: int = 1) -> list[Score]:
    """Score every seed, in their order."""
    shares = [list(seeds)[n : n + 50] for n in range(0, len(seeds), 50)]
    if jobs == 1:
        return [item for share in shares for item in some(share)]
    with multiprocessing.Pool(jobs) as pool:
        return [item for share in pool.imap(some, shares) for item in share]


AXES = ("trap", "kind", "layout", "language", "units at", "pressure at", "conditions at", "conditions as", "side at", "label", "decimal",
        "thousands", "flow unit", "lift unit", "pressure unit", "encoding", "delimiter", "side cells", "state way", "run way", "head way")  # fmt: skip


def table(scores: list[Score]) -> str:
    """The rates in all and by axis, worst first."""
    lines = [
        "| axis | value | sheets | right | rightly asked | asked needlessly | wrong | crash |",
        "|---|---|---:|---:|---:|---:|---:|---:|",
    ]
    groups: dict[tuple[str, str], list[Score]] = collections.defaultdict(list)
    for item in scores:
        groups["all", ""].append(item)
        for name, value in item.tags.items():
            if name in AXES:
                groups[name, value].append(item)
            elif name.startswith("quirk"):
                groups["quirk", name[6:]].append(item)
    for name, value in sorted(
        groups, key=lambda key: (key[0] != "all", ([*AXES, "quirk", "all"]).index(key[0]), key[1])
    ):
        items = groups[name, value]
        counts = collections.Counter(item.outcome for item in items)
        shares = " | ".join(f"{100 * counts[outcome] / len(items):.1f} %" for outcome in OUTCOMES)
        lines.append(f"| {name} | {value} | {len(items)} | {shares} |")
    return "\n".join(lines)


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description="Score the reader on generated sheets")
    parser.add_argument("count", type=int)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--show", nargs="*", default=[], choices=[*OUTCOMES, "all"])
    parser.add_argument("--keep", type=Path, help="folder for the sheets shown, with their truth")
    parser.add_argument("--axes", action="store_true", help="print the rates by axis")
    arguments = parser.parse_args()
    scores = score_all(range(arguments.first, arguments.first + arguments.count), arguments.jobs)
    counts = collections.Counter(item.outcome for item in scores)
    for item in scores:
        if item.outcome in arguments.show or "all" in arguments.show:
            print(f"{item.seed:6d} {item.outcome:16s} {item.tags['kind']:11s} {item.tags['layout']:17s} {item.why}")
            if arguments.keep:
                keep(item, arguments.keep)
    print(
        ", ".join(f"{outcome} {counts[outcome]} ({100 * counts[outcome] / len(scores):.2f} %)" for outcome in OUTCOMES)
    )
    if arguments.axes:
        print(table(scores))


def keep(item: Score, folder: Path) -> None:
    """Write a sheet and what is true of it, to look at."""
    folder.mkdir(parents=True, exist_ok=True)
    sheet = make(item.seed)
    (folder / f"{item.seed} {sheet.name}").write_bytes(sheet.data)
    lines = [f"{item.outcome}: {item.why}", str(sheet.tags), f"ask {sheet.truth.ask}", str(sheet.truth.conditions)]
    for test in sheet.truth.tests:
        lines += [str(test.key), f"  {test.pressure or test.row_pressures} {sheet.truth.pressure_unit}",
                  "  " + ", ".join(f"{lift}: {flow}" for lift, flow in test.points)]  # fmt: skip
    (folder / f"{item.seed} truth.txt").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
