"""``flowkit read`` on a terminal and in a pipe, and beside a job file."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from tests.importers.sheets import write_csv

BAD = [["Test pressure", "28 inH2O"], ["Lift mm", "Int 1 cfm"], [1.0, -15.0], [2.0, 31.0]]
SAID = "below zero"


def on_a_terminal(folder: Path, *, errors_too: bool) -> tuple[str, str]:
    """What stands on the terminal, and what went into standard error's own pipe."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "flowkit", "read", "a.csv"]
    with subprocess.Popen(
        command,
        cwd=folder,
        stdout=slave,
        stderr=slave if errors_too else subprocess.PIPE,
        env={**os.environ, "COLUMNS": "200"},
    ) as run:
        os.close(slave)
        shown = b""
        while True:
            try:
                part = os.read(master, 4096)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            shown += part
        piped = run.stderr.read() if run.stderr is not None else b""
    os.close(master)
    assert run.returncode == 1
    return shown.decode(), piped.decode()


def test_an_error_stands_once_on_a_terminal(tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", BAD)
    shown, _ = on_a_terminal(tmp_path, errors_too=True)
    assert shown.count(SAID) == 1


def test_errors_go_to_standard_error_alone(tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", BAD)
    shown, piped = on_a_terminal(tmp_path, errors_too=False)
    assert shown.count(SAID) == 0 and piped.count(SAID) == 1
    command = [sys.executable, "-m", "flowkit", "read", "a.csv"]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert run.stdout.count(SAID) == 0 and run.stderr.count(SAID) == 1


@pytest.mark.parametrize("options", [[], ["--explain"], ["--json"]])
def test_a_job_file_is_no_sheet(tmp_path: Path, options: list[str]) -> None:
    (tmp_path / "job.toml").write_text('[[variant]]\nname = "a"\nsheets = ["a.csv"]\n', encoding="utf-8")
    command = [sys.executable, "-m", "flowkit", "read", "job.toml", *options]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert run.stderr.strip() == (
        "job.toml: this is a job file, not a sheet; give it to flowkit compare, check or report, which read its sheets."
    )
