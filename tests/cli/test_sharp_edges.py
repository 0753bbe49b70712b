"""Settings that would shift results in silence are said, and what can be read in two ways is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from .conftest import SHEET, Outcome

Command = Callable[..., Outcome]


@pytest.fixture
def two(tmp_path: Path) -> list[Path]:
    """The same head, its flows as read at 10 and at 28 inH2O."""
    paths = [tmp_path / "first.csv", tmp_path / "second.csv"]
    paths[0].write_text(SHEET.replace("28 inH2O", "10 inH2O"), encoding="utf-8")
    paths[1].write_text(SHEET, encoding="utf-8")
    return paths


def test_a_correction_that_is_switched_off_and_would_have_mattered_is_said(command: Command, two: list[Path]) -> None:
    done = command("compare", *two, "--off", "test-pressure", "--repeatability", "0.5 %", "--json")
    assert done.code == 0
    found = [item for item in json.loads(done.out)["findings"] if item["rule"] == "correction-off"]
    # By hand: sqrt(28/10) = 1.673.
    assert [(item["severity"], item["where"].partition("!")[0]) for item in found] == [("warning", "first.csv")]
    assert "by up to +67.3 %" in found[0]["message"]
    assert "[correction-off]" in command("compare", *two, "--off", "test-pressure").out
    assert "correction-off" not in command("compare", *two).out


def test_an_intake_sucked_beyond_a_vacuum_is_an_error(command: Command, two: list[Path]) -> None:
    two[0].write_text(SHEET.replace("28 inH2O", "120 kPa"), encoding="utf-8")
    done = command("compare", *two, "--repeatability", "0.5 %")
    assert done.code == 1
    assert "first.csv!first, intake 1: the test pressure stated for this test" in done.err
    assert "is outside what flow benches use (50 Pa to 60 kPa); if its unit is wrong" in done.err
    assert done.err.count("\n") == 1


def test_a_correction_of_one_state_only_is_said(command: Command, two: list[Path]) -> None:
    two[0].write_text("Check plate reading,105 CFM\nCheck plate nominal,100 CFM\n" + SHEET, encoding="utf-8")
    done = command("compare", *two, "--tables")
    assert done.code == 0
    assert "made for 'first' (by up to −4.8 %) but not for 'second'" in done.out


def test_a_leak_below_zero_is_said_in_the_units_of_the_sheet(command: Command, two: list[Path]) -> None:
    two[1].write_text("Leak,-3 CFM\n" + SHEET, encoding="utf-8")
    done = command("correct", two[1])
    assert done.code == 1
    assert "m³/s" not in done.err
    assert "-3" in done.err.replace("−", "-")


TWO_WAYS = [
    ("0.5", "without the % sign it could be 0.5 % or 50 %"),
    ("5", "without the % sign it could be 5 % or 500 %"),
    ("1", "without the % sign it could be 1 % or 100 %"),
    ("0.005", "without the % sign it could be 0.005 % or 0.5 %"),
    ("0,5", "without the % sign it could be 0.5 % or 50 %"),
    ("150 %", "it must lie between 0 % and 100 %"),
    ("0 %", "it must lie between 0 % and 100 %"),
    ("-1 %", "it must lie between 0 % and 100 %"),
    ("half", "'half' is not a percentage"),
    ("0.5 mm", "'0.5 mm' is not a percentage"),
]


@pytest.mark.parametrize(("written", "said"), TWO_WAYS)
@pytest.mark.parametrize("key", ["repeatability", "drift"])
def test_a_percentage_is_read_alike_by_command_and_job(
    command: Command, two: list[Path], written: str, said: str, key: str
) -> None:
    job = two[0].with_name("own.toml")
    variants = "".join(f'[[variant]]\nname = "{path.stem}"\nsheets = ["{path.name}"]\n' for path in two)
    values = [f'"{written}"', written] if written.replace(".", "").isdigit() else [f'"{written}"']
    for value in values:
        job.write_text(f"[bench]\n{key} = {value}\n{variants}", encoding="utf-8")
        done = command("compare", job)
        assert done.code == 1
        assert said in done.err
        assert 'like "0.5 %"' in done.err
    if key == "repeatability":
        done = command("compare", *two, f"--repeatability={written}")
        assert done.code == 2
        assert f"--repeatability: {said}" in done.err


@pytest.mark.parametrize("written", ["0.5 %", "0.5%", "0,5 %", "0.5 percent"])
def test_a_percentage_with_its_sign_is_what_it_says(command: Command, two: list[Path], written: str) -> None:
    done = command("compare", *two, "--repeatability", written, "--json")
    assert json.loads(done.out)["repeatability"]["s_r"] == pytest.approx(0.005, rel=1e-12)


@pytest.mark.parametrize(
    ("gain", "shown"), [("1", "1.0 %"), ("1 %", "1.0 %"), ("0.04", "0.04 %"), ("0.04 %", "0.04 %")]
)
def test_a_gain_to_plan_for_is_in_per_cent_and_never_shown_as_nothing(
    command: Command, two: list[Path], gain: str, shown: str
) -> None:
    job = two[0].with_name("own.toml")
    variants = "".join(f'[[variant]]\nname = "{path.stem}"\nsheets = ["{path.name}"]\n' for path in two)
    job.write_text(f'[bench]\nrepeatability = "0.5 %"\n{variants}', encoding="utf-8")
    done = command("plan", job, "--gain", gain)
    assert done.code == 0
    assert f"a gain of {shown} " in done.out
    assert " 0.0 %" not in done.out
