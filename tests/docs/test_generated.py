"""The generated pages are what the generator writes now."""

from __future__ import annotations

import importlib.util
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


@pytest.mark.parametrize("name", sorted(GENERATOR.PAGES))
def test_page_is_up_to_date(name):
    """Run ``python docs/site/generate.py`` where this fails."""
    written = (DOCS / name).read_text(encoding="utf-8")
    assert written == GENERATOR.PAGES[name](), "out of date: run python docs/site/generate.py"


def test_every_verb_has_an_example():
    """Each verb's help ends with an example."""
    page = (DOCS / "reference" / "command.md").read_text(encoding="utf-8")
    verbs = page.split("\n## ")[1:]
    assert len(verbs) >= 10
    for verb in verbs:
        name = verb.splitlines()[0].strip()
        assert f"Example: {name}" in " ".join(verb.split()), name
