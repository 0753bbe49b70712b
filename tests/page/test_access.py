"""Every step, light and dark, narrow and wide, by the rules of WCAG 2.2 AA as axe-core checks them."""

from __future__ import annotations

import os
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from .browsing import MESSY

pytestmark = pytest.mark.slow

AXE = "axe-core@4.10.3"
PATHS = (
    "/sheets /sheets?file=messy.csv /sheets?file=messy.pdf /heads /result /result/lifts /result/ports "
    "/result/corrections /result/cells?side=intake /engine /engine?state=seats%20recut /build /type "
    "/type?beside=photo.jpg /paste /records /meter?kind=plate /meter?kind=scale /nothing"
).split()


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core's script, fetched by npm for the tests alone."""
    npm = shutil.which("npm")
    if npm is None:
        if os.environ.get("CI"):
            pytest.fail("CI fetches axe-core with npm")
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


LOOK = """async (rules) => {
  for (const d of document.querySelectorAll('details')) d.open = true;
  const why = (node) => node.html.slice(0, 140) + ' ' +
    [...node.any, ...node.all, ...node.none].map(c => c.message).join('; ').slice(0, 160);
  const r = await axe.run({resultTypes: ['violations'],
    runOnly: rules});
  return [r.passes.length, ...r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 2).map(why))];
}"""


ALL = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
LOOKS = ["color-contrast", "link-in-text-block", "target-size", "scrollable-region-focusable", "bypass", "region"]
"""The rules whose answer can depend on colours or on the width; the others look at the same elements again."""
SCREENS = ((1280, False, ALL), (360, True, LOOKS))


def test_no_step_breaks_a_rule(visit: Any, served: Any, sample: Path, axe: str) -> None:
    (sample / "messy.csv").write_text(MESSY)
    with (sample / "job.toml").open("a") as stream:
        stream.write('\n[records]\nfile = "none.sqlite"\n\n[[variant]]\nname = "messy"\nsheets = ["messy.csv"]\n')
    Image.new("RGB", (60, 40), "white").save(sample / "photo.jpg")
    user = visit(served(sample), bypass_csp=True)
    user.page.add_init_script(axe)
    broken = []
    for path in PATHS:
        user.go(path)
        for width, dark, rules in SCREENS:
            user.window(width, dark=dark)
            found = user.page.evaluate(LOOK, rules)
            broken += [f"{path} {width} {'dark' if dark else 'light'}: {item}" for item in found[1:]]
            assert found[0] > (10 if rules is ALL else 2), found
    assert not broken, "\n".join(broken)
