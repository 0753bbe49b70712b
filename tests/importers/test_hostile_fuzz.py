"""Files changed at random, and the memory that hostile ones take: never more than a plain error."""

from __future__ import annotations

import io
import random
import resource
import subprocess
import sys
import zipfile
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flowkit.errors import SheetError
from flowkit.importers.files import read_grids
from tests.importers.test_hostile import XLSX, xls_bytes

pytestmark = pytest.mark.slow

MEMORY = """
import resource, sys
from flowkit.importers.files import read_grids
from flowkit.errors import SheetError
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    read_grids(sys.argv[1])
except SheetError:
    print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)
"""


@pytest.mark.parametrize("name", ["zip bomb", "million rows", "long text in every cell", "half a million cells"])
def test_memory_stays_small(tmp_path: Path, name: str) -> None:
    path = XLSX[name][0](tmp_path / "a.xlsx")
    limit = (resource.RLIMIT_AS, (1_500_000_000, 1_500_000_000))
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        preexec_fn=lambda: resource.setrlimit(*limit),
    )
    assert int(done.stdout) < 400  # MB


def xlsx_bytes() -> bytes:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(["Lift", "Intake 1"])
    for n in range(6):
        sheet.append([n + 1.0, n * 13.7])
    sheet.merge_cells("D1:E1")
    sheet["C2"] = "=A2*2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def stored(data: bytes) -> bytes:
    """The same package without packing, so that a changed byte is a changed sheet."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
    return out.getvalue()


SEEDS = {"xlsx": stored(xlsx_bytes()), "xlsx packed": xlsx_bytes(), "xls": xls_bytes(20), "random": b""}


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_change_to_a_workbook_gives_grids_or_a_plain_error(tmp_path: Path, data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(sorted(SEEDS)))
    content = bytearray(SEEDS[kind]) or bytearray(
        data.draw(st.sampled_from([b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b""])) + data.draw(st.binary())
    )
    for _ in range(data.draw(st.integers(0, 8))):
        if content:
            content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    suffix = data.draw(st.sampled_from([".xlsx", ".xls", ".ods", ".csv"]))
    path = tmp_path / f"a{suffix}"
    path.write_bytes(bytes(content))
    try:
        read_grids(path)
    except SheetError as error:
        assert str(error).startswith("a.")


def mutate_part(seed: int) -> bytes:
    """Change one XML part as text, and make the package's sizes and checksums right again."""
    random_ = random.Random(seed)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(SEEDS["xlsx"])) as old, zipfile.ZipFile(out, "w") as new:
        chosen = random_.choice([name for name in old.namelist() if name.startswith("xl/") and "theme" not in name])
        for name in old.namelist():
            part = bytearray(old.read(name))
            if name == chosen:
                for _ in range(random_.randint(1, 5)):
                    at = random_.randrange(len(part))
                    part[at : at + random_.randint(0, 3)] = random_.choice(
                        [
                            b"9",
                            b'"',
                            b"<",
                            b"",
                            b"99999",
                            b"XFD",
                            b"-1",
                            b"&#0;",
                            b" hidden='1'",
                            bytes([random_.randrange(256)]),
                        ]
                    )
            new.writestr(name, bytes(part))
    return out.getvalue()


def test_changed_parts_give_grids_or_a_plain_error(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    refused = 0
    for seed in range(300):
        path.write_bytes(mutate_part(seed))
        try:
            read_grids(path)
        except SheetError as error:
            refused += 1
            assert str(error).startswith("a.xlsx")
    assert 0 < refused < 300
