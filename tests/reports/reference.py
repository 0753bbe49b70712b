"""The reference pictures of three pages, and how a page is compared with one.

``python -m tests.reports.reference`` draws them anew: look at them before committing.
"""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib
import numpy as np
from PIL import Image, ImageFilter
from PIL.PngImagePlugin import PngInfo

from flowkit.drawing import style
from flowkit.reports.pages import make_pages
from flowkit.reports.pages.layout import Page
from tests.reports.invented import make_contents, names
from tests.reports.invented_engine import make_engine

FOLDER = Path(__file__).parent / "reference"
PAGES = {
    "flow_chart": "Flow chart",
    "port_by_port": "Port by port",
    "engine": "What it means for the engine (estimates)",
}
DPI = 60


def drawn_here() -> bool:
    """Whether the references were drawn by this release of matplotlib: others set type a little otherwise."""
    with Image.open(FOLDER / "flow_chart.png") as image:
        return image.info.get("Software") == _release()


def _release() -> str:
    return "matplotlib " + ".".join(matplotlib.__version__.split(".")[:2])


def pages() -> dict[str, Page]:
    """The three pages, drawn now."""
    made = make_pages(make_contents(engine=make_engine(names(4))))
    return {name: next(page for page in made if title in page.chapters) for name, title in PAGES.items()}


def picture(page: Page) -> Image.Image:
    """A page in grey, small."""
    out = io.BytesIO()
    with style():
        page.figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None})
    return Image.open(out).convert("L")


def difference(a: Image.Image, b: Image.Image) -> float:
    """The largest difference of two pictures after blurring, of 255: type may be set a hair otherwise."""
    blurred = [np.asarray(image.filter(ImageFilter.GaussianBlur(3)), dtype=float) for image in (a, b)]
    return float(np.abs(blurred[0] - blurred[1]).max())


if __name__ == "__main__":
    for name, page in pages().items():
        note = PngInfo()
        note.add_text("Software", _release())
        picture(page).save(FOLDER / f"{name}.png", optimize=True, pnginfo=note)
