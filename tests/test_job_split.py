"""Splitting files changes no result: one run's lifts in several sheets are one run."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from flowkit.job import Job

pytestmark = pytest.mark.slow

LIFTS = tuple(range(1, 11))
HEAD = "Date,2026-01-02\nBench,bench a\nTest pressure,28 inH2O\n"
REPEATED = ("Intake 1 run 1", "Intake 1 run 2", "Intake 2 run 1", "Exhaust 1 run 1", "Exhaust 1 run 2")
SINGLE = ("Intake 1", "Intake 2", "Exhaust 1")


def sheet(folder: Path, name: str, columns: Sequence[str], lifts: Sequence[int], *, head: str = HEAD) -> str:
    """Write invented flows; those of a column at a lift are the same whatever the sheet."""
    rows = []
    for lift in lifts:
        rows.append(",".join([str(lift), *(f"{flow(name, column, lift):.3f}" for column in columns)]))
    titles = ",".join(["Lift (mm)", *(f"{column} (CFM)" for column in columns)])
    (folder / f"{name}.csv").write_text(head + titles + "\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return f"{name}.csv"


def flow(name: str, column: str, lift: int) -> float:
    """A rising flow with scatter of its own."""
    scatter = random.Random(f"{name[0]} {column} {lift}").gauss(0.0, 0.004)
    return (140.0 if "Intake" in column else 105.0) * lift / (lift + 5.0) * (1.0 + scatter)


def results(
    folder: Path, before: Sequence[str], after: Sequence[str], bench: str
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Numbers and plan of two variants."""
    text = f"[bench]\n{bench}\n"
    for name, sheets in (("before", before), ("after", after)):
        text += f'[[variant]]\nname = "{name}"\nsheets = {json.dumps(list(sheets))}\nstate = {{ ports = "{name}" }}\n'
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    job = Job.load(path)
    comparison = job.compare()
    assert not [finding for finding in comparison.findings if finding.severity == "error"]
    document = json.loads(comparison.to_json())
    return dict(leaves([document["sides"], document["repeatability"]])), job.plan(0.01).sentences


def leaves(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Every figure and word of a document with its place, but for the cells it came from."""
    if isinstance(value, (dict, list)):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            if key != "sources":
                yield from leaves(item, f"{place}/{key}")
    else:
        yield place, value


SPLITS = {
    "halves": (LIFTS[:5], LIFTS[5:]),
    "upper half first": (LIFTS[5:], LIFTS[:5]),
    "three": (LIFTS[:3], LIFTS[3:4], LIFTS[4:]),
    "interleaved": (LIFTS[::2], LIFTS[1::2]),
}
BENCHES = 'repeatability = "0.5 %"\n', 'drift = "0.2 %"\nlift_setting = "0.02 mm"\npressure_reading = "0.1 inH2O"\n'


@pytest.mark.parametrize("parts", SPLITS.values(), ids=SPLITS)
@pytest.mark.parametrize(("columns", "bench"), [(SINGLE, BENCHES[0]), (REPEATED, BENCHES[0]), (REPEATED, BENCHES[1])])
@pytest.mark.parametrize("head", [HEAD, HEAD.partition("\n")[2]], ids=["dated", "undated"])
def test_one_runs_lifts_in_several_sheets_give_the_same_numbers(
    tmp_path: Path, parts: Sequence[Sequence[int]], columns: Sequence[str], bench: str, head: str
) -> None:
    after = sheet(tmp_path, "b", columns, LIFTS, head=head)
    whole = results(tmp_path, [sheet(tmp_path, "a", columns, LIFTS, head=head)], [after], bench)
    split = [sheet(tmp_path, f"a{place}", columns, lifts, head=head) for place, lifts in enumerate(parts)]
    found, plan = results(tmp_path, split, [after], bench)
    assert found.keys() == whole[0].keys()
    for place, expected in whole[0].items():
        # Sums in another order; words, flags and what is missing are the same as they are.
        assert found[place] == (pytest.approx(expected, rel=1e-9) if isinstance(expected, float) else expected), place
    assert plan == whole[1]


def runs(folder: Path, sheets: Sequence[str]) -> list[int]:
    """The run numbers of port 1 of the intake."""
    path = folder / "own.toml"
    path.write_text(f'[[variant]]\nname = "a"\nsheets = {json.dumps(list(sheets))}\n', encoding="utf-8")
    (variant,), findings = Job.load(path).read()
    assert findings == ()
    assert len({test.id for test in variant.tests}) == len(variant.tests)
    return [test.run for test in variant.tests]


def test_a_lift_in_common_makes_a_repeat(tmp_path: Path) -> None:
    low, high = (sheet(tmp_path, f"a{n}", SINGLE[:1], lifts) for n, lifts in enumerate((LIFTS[:5], LIFTS[4:])))
    assert runs(tmp_path, [low, high]) == [1, 2]


def test_another_day_or_bench_makes_a_repeat(tmp_path: Path) -> None:
    low = sheet(tmp_path, "a1", SINGLE[:1], LIFTS[:5])
    for old, new in (("2026-01-02", "2026-01-03"), ("bench a", "bench b"), ("Date,2026-01-02\n", "")):
        high = sheet(tmp_path, "a2", SINGLE[:1], LIFTS[5:], head=HEAD.replace(old, new))
        assert runs(tmp_path, [low, high]) == [1, 2]


def test_two_runs_each_in_two_sheets_are_two_runs(tmp_path: Path) -> None:
    parts = [sheet(tmp_path, f"a{n}", SINGLE[:1], LIFTS[5 * (n % 2) :][:5]) for n in range(4)]
    assert runs(tmp_path, parts) == [1, 1, 2, 2]
    assert runs(tmp_path, [parts[0], parts[2], parts[1], parts[3]]) == [1, 2, 1, 2]


@pytest.mark.parametrize(("parts", "refused"), [(SPLITS["halves"], False), (SPLITS["interleaved"], True)])
def test_without_a_port_a_test_may_go_on_only_where_the_other_ends(
    tmp_path: Path, parts: Sequence[Sequence[int]], refused: bool
) -> None:
    head = HEAD + "Side,intake\n"
    sheets = [sheet(tmp_path, f"a{n}", ["Flow"], lifts, head=head) for n, lifts in enumerate(parts)]
    path = tmp_path / "own.toml"
    path.write_text(f'[[variant]]\nname = "a"\nsheets = {json.dumps(sheets)}\n', encoding="utf-8")
    (variant,), findings = Job.load(path).read()
    assert [finding.rule for finding in findings] == ["port-missing"] * refused
    assert [test.run for test in variant.tests] == ([1] if refused else [1, 1])
