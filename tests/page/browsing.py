"""What the browser tests share: a user with a mouse or a keyboard, counted."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

MESSY = """Test pressure,28 inH2O

Lift,Int #1,Int #2,Ex #1,Ex #2,note
.050,23.3,23.0,18.2,18.0,
.100,46.5,46.1,36.3,36.0,
.150,69.0,68.7,53.9,53.6,
.200,90.1,89.6,70.1,69.9,noisy
.250,109.4,180.9,84.8,84.5,
.300,126.1,125.6,97.4,97.0,
AVG,77.4,89.0,60.1,59.8,
"""
"""Invented: a sheet without a flow unit, with two digits swapped and a row of averages."""


class User:
    """A person at the page: every click and every answer typed counts."""

    def __init__(self, page: Any, address: str) -> None:
        self.page = page
        self.base = address.partition("/?")[0]
        self.clicks = 0
        self.typed = 0
        self.said: list[str] = []
        page.set_default_timeout(20_000)
        page.on("console", lambda message: self.said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.goto(address)

    def window(self, width: int, height: int = 900, *, dark: bool = False) -> None:
        """Take a screen of that size."""
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.emulate_media(color_scheme="dark" if dark else "light")

    def go(self, path: str) -> None:
        """Open an address of the page."""
        self.page.goto(self.base + path)

    def find(self, what: str) -> Any:
        """Find the first element by CSS."""
        return self.page.locator(what).first

    def all(self, what: str) -> list[Any]:
        """Find all elements by CSS."""
        found: list[Any] = self.page.locator(what).all()
        return found

    def button(self, words: str, within: str = "body") -> Any:
        """Find a button or link by the words it starts with."""
        start = re.compile(r"^\s*" + re.escape(words) + r"(?!\w)")
        return self.page.locator(within).locator("button, a, summary").filter(has_text=start).filter(visible=True).first

    def click(self, words: str, within: str = "body") -> None:
        """Click a button or link by its words."""
        self.clicks += 1
        self.button(words, within).click()

    def tick(self, what: str) -> None:
        """Click a box."""
        self.clicks += 1
        self.find(what).click()

    def fill(self, what: str, value: str) -> None:
        """Type an answer into a field, or choose it from a list."""
        self.typed += 1
        field = self.page.locator(what).filter(visible=True).first
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)

    def drop(self, *files: Path, into: str = "#files") -> None:
        """Drop files: one movement of the hand."""
        self.clicks += 1
        self.page.locator("html.js").wait_for(state="attached")
        self.find(into).set_input_files([str(path) for path in files])

    def sees(self, words: str, seconds: float = 20.0) -> None:
        """Wait until the page shows words."""
        self.page.wait_for_function("w => document.body?.innerText.includes(w)", arg=words, timeout=1000 * seconds)

    def until(self, script: str, seconds: float = 20.0) -> None:
        """Wait until a script says yes."""
        self.page.wait_for_function(script, timeout=1000 * seconds)

    def text(self, what: str = "body") -> str:
        """Everything that is shown, or a part of it."""
        return str(self.page.locator(what).first.inner_text())

    def complaints(self) -> Sequence[str]:
        """What the browser complained of: blocked scripts, missing files, errors."""
        return self.said

    def picture(self, path: Path, most: int = 3_400) -> None:
        """Keep a picture of the page, from its top at most so far down."""
        wide, high = self.page.evaluate("[innerWidth, document.documentElement.scrollHeight]")
        clip = {"x": 0, "y": 0, "width": wide, "height": min(high, most)}
        from PIL import Image

        self.page.screenshot(path=str(path), full_page=True, clip=clip)
        with Image.open(path) as seen:
            # Thin lines keep their colours.
            small = seen.convert("RGB").quantize(256, Image.Quantize.MAXCOVERAGE, kmeans=2, dither=Image.Dither.NONE)
        small.save(path, optimize=True)
