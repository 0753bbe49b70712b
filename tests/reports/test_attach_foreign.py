"""Build files that no one here wrote: attached to whole, or refused in plain words and left as they were.

They are read from the shared folder beside the project, where there is one; none of them is part of it.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import warnings
from collections import Counter
from pathlib import Path

import docx
import openpyxl
import pytest
from pypdf import PdfReader

from flowkit.errors import AttachError
from flowkit.reports.attach import attach, check_build_file
from flowkit.reports.attach.opc import read_package
from tests.reports.build_files import flow_pages, png
from tests.reports.invented import make_contents

_PLACES = [folder / "shared" / "documents" for folder in Path(__file__).resolve().parents[2:5]]
FOLDER = next((place for place in _PLACES if (place / "MANIFEST.tsv").is_file()), None)
ROWS = (
    [line.split("\t")[:2] for line in (FOLDER / "MANIFEST.tsv").read_text(encoding="utf-8").splitlines()[1:]]
    if FOLDER
    else []
)
pytestmark = pytest.mark.skipif(FOLDER is None, reason="the folder of foreign documents is not here")


def text_of(element) -> Counter:
    """Every piece of text in a document's main part."""
    return Counter(item.text for item in element.iter() if item.tag.endswith("}t") and item.text)


def check_pdf(old: bytes, new: bytes) -> None:
    """The old pages are there with their text and their order, and two more."""
    before, after = PdfReader(io.BytesIO(old)), PdfReader(io.BytesIO(new))
    assert len(after.pages) == len(before.pages) + 2
    assert [page.extract_text() for page in after.pages][: len(before.pages)] == [
        page.extract_text() for page in before.pages
    ]
    assert "flow 2" in after.pages[-1].extract_text()
    assert old.rstrip() in new


def check_xlsx(old: bytes, new: bytes) -> None:
    """Every sheet has its cells, two more come, and every part but the lists of parts is the same byte for byte."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl's own, about extensions it does not know
        before, after = (openpyxl.load_workbook(io.BytesIO(data)) for data in (old, new))
    assert after.sheetnames == [*before.sheetnames, "Flow chart", "Flow numbers"]
    for name in before.sheetnames:
        assert [[c.value for c in row] for row in getattr(before[name], "rows", ())] == [
            [c.value for c in row] for row in getattr(after[name], "rows", ())
        ]
    parts, now = read_package(old, "old").parts, read_package(new, "new").parts
    changed = {part for part, data in parts.items() if now.get(part) != data}
    assert all(re.search(r"Content_Types|workbook\.xml|styles\.xml", part) for part in changed), changed


def check_docx(old: bytes, new: bytes) -> None:
    """All its text is there, with the heading and the picture behind it."""
    before, after = read_package(old, "old"), read_package(new, "new")
    from flowkit.reports.attach.docx import _Text

    assert not text_of(_Text(before).root) - text_of(_Text(after).root)
    assert text_of(_Text(after).root)["Flow chart"] == text_of(_Text(before).root)["Flow chart"] + 1
    changed = {part for part, data in before.parts.items() if after.parts.get(part) != data}
    assert changed <= {"[Content_Types].xml", before.document, "word/_rels/document.xml.rels"}
    try:
        docx.Document(io.BytesIO(old))
    except (KeyError, ValueError):
        return  # python-docx cannot open it as it came
    docx.Document(io.BytesIO(new))


CHECKS = {".pdf": check_pdf, ".xlsx": check_xlsx, ".docx": check_docx}


@pytest.mark.parametrize(("name", "expected"), ROWS)
def test_attached_whole_or_refused(name: str, expected: str, tmp_path: Path, capfd) -> None:
    old = (FOLDER / name).read_bytes()
    path = tmp_path / name
    path.write_bytes(old)
    try:
        attach(path, make_contents(), flow_pages(), png())
    except AttachError as error:
        assert expected in ("refuse", "either"), str(error)
        assert str(error).startswith(f"{name}: ") and ";" in str(error)  # what is wrong, and what to do
        with pytest.raises(AttachError):
            check_build_file(path)  # known before anything is drawn
        assert path.read_bytes() == old
        assert [item.name for item in tmp_path.iterdir()] == [name]
    else:
        assert expected in ("attach", "either")
        CHECKS[path.suffix](old, path.read_bytes())
        once = path.stat().st_size
        attach(path, make_contents(), flow_pages(), png())
        assert path.stat().st_size == once  # attaching again replaces, and does not pile up
    assert capfd.readouterr() == ("", "")


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_an_office_program_opens_all_of_them(tmp_path: Path) -> None:
    """Turned into PDF, each office file shows the pages it had and more."""
    names = [name for name, expected in ROWS if expected == "attach" and not name.endswith(".pdf")]
    for folder in ("before", "after"):
        (tmp_path / folder).mkdir()
        for name in names:
            shutil.copy(FOLDER / name, tmp_path / folder / name)
    for name in names:
        path = tmp_path / "after" / name
        path.chmod(0o644)
        attach(path, make_contents(), flow_pages(), png(size=(1700, 2200)))
    places = [path.rename(path.with_name(f"{path.parent.name} {path.name}"))
              for folder in ("before", "after") for path in sorted((tmp_path / folder).iterdir())]  # fmt: skip
    profile, out = f"-env:UserInstallation=file://{tmp_path}/profile", tmp_path / "pdf"
    subprocess.run(
        ["soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", out, *places],
        check=True,
        capture_output=True,
        timeout=300,
    )

    def pages(folder: str, name: str) -> int:
        return len(PdfReader(out / f"{folder} {Path(name).stem}.pdf").pages)

    assert [name for name in names if pages("after", name) <= pages("before", name)] == []


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="poppler is not installed")
@pytest.mark.parametrize("name", [name for name, expected in ROWS if expected == "attach" and name.endswith(".pdf")])
def test_another_reader_counts_the_pages(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes((FOLDER / name).read_bytes())

    def count() -> int:
        shown = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
        return int(re.search(r"Pages:\s+(\d+)", shown)[1])

    before = count()
    attach(path, make_contents(), flow_pages())
    assert count() == before + 2
