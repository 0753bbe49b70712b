"""Running the command in a clean folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from flowkit.cli.app import run

SHEET = """Test pressure,28 inH2O
Lift (mm),Intake 1 (CFM),Intake 2 (CFM)
2,30.0,31.0
4,60.0,61.0
6,80.0,81.0
8,90.0,92.0
"""


@dataclass(frozen=True)
class Outcome:
    code: int
    out: str
    err: str


@pytest.fixture
def command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Callable[..., Outcome]:
    """Run the command with arguments in a clean folder."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str | Path) -> Outcome:
        code = run([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in err
        return Outcome(code, out, err)

    return call


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """A clean sheet in the clean folder."""
    path = tmp_path / "clean.csv"
    path.write_text(SHEET, encoding="utf-8")
    return path
