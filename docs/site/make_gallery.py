"""Draw the pictures of the gallery: ``python docs/site/make_gallery.py``.

The sample job's flow chart, page by page, with pdftoppm; and docs/gallery.md, which shows them.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from pypdf import PdfReader

from flowkit.job import Job
from flowkit.samples import copy_samples

DOCS = Path(__file__).resolve().parent.parent
FOLDER = DOCS / "gallery"
DPI = 80
LARGEST = 200_000
"""Bytes a picture may have: the repository carries them."""


def main() -> None:
    """Run the report of the sample job and turn its pages into pictures."""
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.glob("flow_chart_page_*.png"):
        old.unlink()
    with tempfile.TemporaryDirectory() as folder:
        job = Job.load(copy_samples(Path(folder) / "demo"))
        written = job.report(Path(folder) / "report", formats=("pdf",))
        chart = next(path for path in written if path.suffix == ".pdf")
        count = len(PdfReader(chart).pages)
        for page in range(1, count + 1):
            target = FOLDER / f"flow_chart_page_{page}"
            command = ["pdftoppm", "-r", str(DPI), "-f", str(page), "-l", str(page), "-singlefile", "-png"]
            subprocess.run([*command, str(chart), str(target)], check=True)
    for picture in sorted(FOLDER.glob("*.png")):
        size = picture.stat().st_size
        print(f"{picture.name}: {size / 1000:.0f} kB")
        if size >= LARGEST:
            raise SystemExit(f"{picture.name} has {size} bytes; {LARGEST} are allowed")


if __name__ == "__main__":
    main()
