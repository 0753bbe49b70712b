"""Every step, light and dark, narrow and wide, by the rules of WCAG 2.2 AA as axe-core checks them."""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest

from flowkit.samples import sample_folder

from .browsing import MESSY, User

AXE = "axe-core@4.10.3"


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core's script, fetched by npm for the tests alone."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("no npm here to fetch axe-core")
    place = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [npm, "pack", "--silent", AXE], cwd=place, capture_output=True, text=True, check=False, timeout=120
    )
    if done.returncode:
        pytest.skip(f"axe-core cannot be fetched here: {done.stderr[-200:]}")
    with tarfile.open(next(place.glob("*.tgz"))) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode("utf-8")


def test_no_step_breaks_a_rule(chromium: Any, folder: Path, serve: Any, axe: str) -> None:
    for path in sample_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "messy.csv").write_text(MESSY)
    with (folder / "job.toml").open("a") as stream:
        stream.write('\n[[variant]]\nname = "messy"\nsheets = ["messy.csv"]\n')
    _, address = serve(folder)
    user = User(chromium, address)
    broken = []
    paths = (
        "/sheets /sheets?file=messy.csv /heads /result /result/lifts /result/corrections /engine /build /type /paste"
    )
    for width, dark in ((1280, False), (360, True)):
        user.window(width, dark=dark)
        for path in paths.split():
            user.go(path)
            chromium.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
            found = chromium.execute_async_script(
                """const done = arguments[0];
                for (const d of document.querySelectorAll('details')) d.open = true;
                const why = (node) => node.html.slice(0, 140) + ' ' +
                  [...node.any, ...node.all, ...node.none].map(c => c.message).join('; ').slice(0, 160);
                axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})
                  .then(r => done([r.passes.length,
                    ...r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 2).map(why))]))
                  .catch(e => done([0, 'axe failed: ' + e]));"""
            )
            broken += [f"{path} {width} {'dark' if dark else 'light'}: {item}" for item in found[1:]]
            assert found[0] > 10, found
    assert not broken, "\n".join(broken)
