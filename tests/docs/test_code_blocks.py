"""Every command and every piece of code on the pages and in the README runs, page by page, in order."""

from __future__ import annotations

import shutil
from pathlib import Path

import matplotlib as mpl
import pytest

from flowkit.samples import copy_samples
from tests.docs.blocks import Block, Runner, blocks_of, command, compare

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parent.parent.parent
GENERATED = {"reference/command.md"}  # its blocks are the command's own help; test_generated holds them
PAGES = sorted(
    path
    for path in [ROOT / "README.md", *(ROOT / "docs").rglob("*.md")]
    if path.relative_to(ROOT / "docs" if "docs" in path.parts else ROOT).as_posix() not in GENERATED
)


def demo_of(page):
    """What ``flowkit demo`` does on a page: all of it in the tutorial, elsewhere the job without its report.

    No other page looks at the report, and it costs seconds.
    """
    if page.name == "tutorial.md":
        return lambda name: command(["demo", name])
    return lambda name: (0, str(copy_samples(Path(name))))


def own_sheets(folder):
    """Put the reader's own sheets and build file, as README calls them, into a folder."""
    from pypdf import PdfWriter

    folder = folder / "my_sheets"
    folder.mkdir()
    for name in ("my_sheet.csv", "before.csv"):
        shutil.copy(ROOT / "sample_sheets" / "as_received.csv", folder / name)
    shutil.copy(ROOT / "sample_sheets" / "after_work.xlsx", folder / "after.xlsx")
    pages = PdfWriter()
    pages.add_blank_page(595, 842)
    pages.write(folder / "build_file.pdf")


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_blocks_run(page, tmp_path, monkeypatch):
    """Run the blocks of a page."""
    monkeypatch.chdir(tmp_path)
    mpl.use("Agg")
    if page.name == "README.md":
        own_sheets(tmp_path)
    runner = Runner(tmp_path, demo_of(page))
    for block in blocks_of(page.read_text(encoding="utf-8")):
        try:
            runner.run(block)
        except Exception as error:
            raise AssertionError(f"{page.relative_to(ROOT)}, line {block.line}: {error}") from error


def test_blocks_are_found():
    """A fence with a title, one behind another, and one within a list."""
    text = (
        '# t\n\n```csv title="a.csv"\n1,2\n```\n\n```sh\nflowkit --help\n```\n\n'
        "- item\n\n    ```python\n    x = 1\n    ```\n"
    )
    assert blocks_of(text) == [
        Block("csv", "a.csv", "1,2\n", 3, False),
        Block("sh", None, "flowkit --help\n", 7, True),
        Block("python", None, "x = 1\n", 13, False),
    ]


@pytest.mark.parametrize(
    ("wanted", "printed"), [("a\n…\nb\n", "a\nb\n"), ("a … c\n", "a b c  \n"), ("a\n…\n", "a\nb\nc\n")]
)
def test_what_a_page_shows_may_leave_out(wanted, printed):
    """An ellipsis stands for lines or for characters."""
    compare(wanted, printed)


@pytest.mark.parametrize(("wanted", "printed"), [("a\n", "a\nb\n"), ("a c\n", "a b c\n"), ("b\n…\n", "a\nb\n")])
def test_what_a_page_shows_must_be_so(wanted, printed):
    """Anything else is told."""
    with pytest.raises(AssertionError):
        compare(wanted, printed)
