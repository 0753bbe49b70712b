"""Heads: a sheet that names none beside one that names the only head there is."""

from __future__ import annotations

from pathlib import Path

import pytest

import flowkit

HEAD = "Test pressure,28 inH2O\nLift (mm),Intake 1 (CFM)\n"


@pytest.mark.parametrize("named", [("", "left"), ("left", "left"), ("", "")])
def test_it_is_the_same_port_of_the_same_head(tmp_path: Path, named: tuple[str, str]) -> None:
    for number, (head, more) in enumerate(zip(named, (0.0, 0.6), strict=True)):
        rows = "".join(f"{lift},{20 * lift - lift * lift + more:.1f}\n" for lift in range(1, 9))
        said = f"Head,{head}\n" if head else ""
        (tmp_path / f"stock {number}.csv").write_text(f"Date,2026-03-0{number + 3}\n{said}{HEAD}{rows}")
    rows = "".join(f"{lift},{22 * lift - lift * lift}\n" for lift in range(1, 9))
    (tmp_path / "ported.csv").write_text(f"Date,2026-03-09\n{HEAD}{rows}")
    (tmp_path / "job.toml").write_text(
        '[[variant]]\nname = "stock"\nsheets = ["stock 0.csv", "stock 1.csv"]\n\n'
        '[[variant]]\nname = "ported"\nsheets = ["ported.csv"]\n'
    )
    job = flowkit.Job.load(tmp_path / "job.toml")
    stock = job.compare().sides["intake"].variants[0]
    assert [(port.port, port.runs) for port in stock.ports] == [("1", 2)]
    assert job.report(tmp_path / "out", formats=("xlsx",))
