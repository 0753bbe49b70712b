"""A clean folder, and the command's documents in it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from flowkit.cli.app import run


@dataclass(frozen=True)
class Told:
    """What a call left: exit status, document (None where none was printed), words on standard error."""

    code: int
    document: Any
    err: str

    @property
    def rules(self) -> list[tuple[str, str]]:
        return sorted((finding["rule"], finding["severity"]) for finding in self.document["findings"])


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def tell(folder: Path, capfd: pytest.CaptureFixture[str]) -> Callable[..., Told]:
    """Write files (name=text), run a verb with --json in their folder, return what it told."""

    def call(*arguments: str, **files: str) -> Told:
        for name, text in files.items():
            stem, ending = name.rsplit("_", 1)
            (folder / f"{stem}.{ending}").write_text(text, encoding="utf-8")
        code = run([*arguments, "--json"])
        out, err = capfd.readouterr()
        assert "Traceback" not in err
        return Told(code, json.loads(out) if out.strip() else None, err)

    return call
