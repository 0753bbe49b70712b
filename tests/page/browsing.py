"""What the browser tests share: a user with a mouse or a keyboard, counted."""

from __future__ import annotations

import base64
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver.common.by import By

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

    def __init__(self, driver: Any, address: str) -> None:
        self.driver = driver
        self.base = address.partition("/?")[0]
        self.clicks = 0
        self.typed = 0
        driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
        driver.set_window_size(1280, 1000)
        driver.get_log("browser")
        driver.get(address)

    def window(self, width: int, height: int = 900, *, dark: bool = False) -> None:
        """Take a screen of that size."""
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
        )
        scheme = "dark" if dark else "light"
        self.driver.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )

    def go(self, path: str) -> None:
        """Open an address of the page."""
        self.driver.get(self.base + path)

    def find(self, what: str) -> Any:
        """Find one element by CSS."""
        return self.driver.find_element(By.CSS_SELECTOR, what)

    def all(self, what: str) -> list[Any]:
        """Find all elements by CSS."""
        found: list[Any] = self.driver.find_elements(By.CSS_SELECTOR, what)
        return found

    def button(self, words: str, within: str = "body") -> Any:
        """Find a button or link by its words."""
        places = ", ".join(
            f"{part.strip()} {kind}" for part in within.split(",") for kind in ("button", "a", "summary")
        )
        return next(
            (
                item
                for item in self.all(places)
                if item.text.strip().partition("\n")[0] == words and item.is_displayed()
            ),
            None,
        )

    def click(self, words: str, within: str = "body") -> None:
        """Click a button or link by its words."""
        self.clicks += 1

        def clicked() -> bool:
            """Click it where it is now: the page may just have been replaced."""
            item = self.button(words, within)
            if item is None:
                return False
            self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", item)
            item.click()
            return True

        self.until(clicked, 10)

    def fill(self, what: str, value: str) -> None:
        """Type an answer into a field."""
        self.typed += 1
        field = self.find(what)
        field.clear()
        field.send_keys(value)

    def drop(self, *files: Path, into: str = "#files") -> None:
        """Drop files: one movement of the hand."""
        self.clicks += 1
        self.find(into).send_keys("\n".join(str(path) for path in files))

    def until(self, true: Callable[[], Any], seconds: float = 30.0) -> Any:
        """Wait until something holds."""
        end = time.monotonic() + seconds
        while True:
            try:
                if got := true():
                    return got
            except (StaleElementReferenceException, WebDriverException):
                pass
            if time.monotonic() > end:
                raise AssertionError(f"still not so after {seconds:g} s; the page says: {self.text()[:1500]}")
            time.sleep(0.03)

    def sees(self, words: str, seconds: float = 30.0) -> None:
        """Wait until the page shows words."""
        self.until(lambda: words in self.text(), seconds)

    def text(self) -> str:
        """Everything that is shown."""
        return str(self.find("body").text)

    def complaints(self) -> Sequence[str]:
        """What the browser complained of: blocked scripts, missing files, errors."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"]

    def picture(self, path: Path) -> None:
        """Keep a picture of the whole page."""
        size = self.driver.execute_script("return [innerWidth, document.documentElement.scrollHeight]")
        clip = {"x": 0, "y": 0, "width": size[0], "height": size[1], "scale": 1}
        made = self.driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip})
        path.write_bytes(base64.b64decode(made["data"]))
