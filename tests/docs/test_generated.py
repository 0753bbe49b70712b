"""The generated pages are what the generator writes now."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

DOCS = Path(__file__).resolve().parent.parent.parent / "docs"


def _generator():
    """The generator, which is no package's module."""
    spec = importlib.util.spec_from_file_location("generate", DOCS / "site" / "generate.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


GENERATOR = _generator()


COMPUTED = "validation.md"
"""Its figures may differ in their last digits with other versions of the libraries."""
COSTLY = ("ideal-cycle volumetric efficiency", "Otto efficiency", "work of a motored cycle")


@pytest.mark.parametrize("name", sorted(set(GENERATOR.PAGES) - {COMPUTED}))
def test_page_is_up_to_date(name):
    """Run ``python docs/site/generate.py`` where this fails."""
    written = (DOCS / name).read_text(encoding="utf-8")
    assert written == GENERATOR.PAGES[name](), "out of date: run python docs/site/generate.py"


def _rows(page):
    """The lines of a page; those of tables as their cells."""
    return [re.split(r"(?<!\\)\|", line) if line.startswith("|") else [line] for line in page.splitlines()]


def test_validation_page_is_up_to_date():
    """Every check is on the page, and our figures there are today's, to a tenth of the check's tolerance.

    Those that run the filling model are computed in tests/engine/test_validation.py alone.
    """
    written = _rows((DOCS / COMPUTED).read_text(encoding="utf-8"))
    now = _rows(GENERATOR.PAGES[COMPUTED](lambda name: name.startswith(COSTLY)))
    ours, difference, tolerance = 4, 5, 6
    assert len(written) == len(now), "out of date: run python docs/site/generate.py"
    checked = 0
    for old, new in zip(written, now, strict=True):
        for row in (old, new):
            assert len(row) in (1, 9), row
        texts = [[cell for place, cell in enumerate(row) if place not in (ours, difference)] for row in (old, new)]
        assert texts[0] == texts[1], "out of date: run python docs/site/generate.py"
        if len(old) > ours and old[ours].strip() not in ("ours", "---"):
            assert abs(float(old[difference])) <= float(old[tolerance])
            if new[ours].strip():
                checked += 1
                assert float(old[ours]) == pytest.approx(float(new[ours]), rel=1e-6, abs=0.1 * float(old[tolerance]))
    assert checked > 100


def test_every_verb_has_an_example():
    """Each verb has its section, with an example of itself."""
    page = (DOCS / "reference" / "command.md").read_text(encoding="utf-8")
    verbs = page.split("\n## ")[1:]
    assert len(verbs) >= 10
    for verb in verbs:
        name = verb.splitlines()[0].strip()
        assert f"Example: `{name} " in verb, name


def test_every_option_on_the_page_is_in_the_help_of_its_verb(capsys):
    """Not by the generator's own way, but as people see it."""
    from flowkit.cli.app import run

    page = (DOCS / "reference" / "command.md").read_text(encoding="utf-8")
    sections = re.split(r"^## flowkit (\w+)$", page, flags=re.MULTILINE)[1:]
    verbs = dict(zip(sections[::2], sections[1::2], strict=True))
    assert len(verbs) >= 12
    for verb, text in verbs.items():
        assert run([verb, "--help"]) == 0
        shown = set(re.findall(r"(?<![\w-])--?[a-z][\w-]*", capsys.readouterr().out)) - {"-h", "--help"}
        on_page = {
            flag
            for row in re.findall(r"^\| `(-[^`]*)`", text, flags=re.MULTILINE)
            for flag in re.findall(r"(?<![\w-])--?[a-z][\w-]*", row)
        }
        assert on_page - shown == set(), verb
        assert {flag for flag in shown if f"`{flag}" in text or f", {flag}" in text} == on_page, verb
