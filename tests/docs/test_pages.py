"""Pages hang together: all in the navigation, nothing named that is not there, pictures small."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.rglob("*.md"))
LARGEST = 200_000


def _names(path):
    return path.relative_to(ROOT).as_posix()


def test_every_page_is_in_the_navigation():
    """And the navigation names no other."""
    config = (DOCS / "site" / "mkdocs.yml").read_text(encoding="utf-8").partition("nav:")[2]
    named = re.findall(r"([\w/-]+\.md)\s*$", config, re.M)
    assert len(named) == len(set(named))
    assert set(named) == {path.relative_to(DOCS).as_posix() for path in PAGES}


@pytest.mark.parametrize("page", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *PAGES], ids=_names)
def test_what_a_page_names_is_there(page):
    """Local links and pictures, and files of the repository that are named by their path."""
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\((?!https?://|#)([^)#\s]+)", text):
        assert (page.parent / target).exists(), target
    for name in re.findall(r"\b((?:tests|flowkit|docs)/[\w./-]+\.(?:py|md|json))\b", text):
        assert (ROOT / name).exists(), name


def test_pictures_are_small_and_shown():
    """The repository carries them."""
    gallery = (DOCS / "gallery.md").read_text(encoding="utf-8")
    pictures = sorted((DOCS / "gallery").glob("*.png"))
    assert pictures
    assert {path.name for path in pictures} == set(re.findall(r"\(gallery/([\w.]+)\)", gallery))
    assert all(path.stat().st_size < LARGEST for path in pictures)
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in pictures)


def test_public_names_are_in_the_reference():
    """The page of the Python names has every public one that is called or asked."""
    import flowkit

    page = (DOCS / "reference" / "api.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"^::: flowkit\.(\w+)$", page, re.M))
    of_the_model = set(flowkit._HOMES["model"].split())
    assert {name for name in flowkit.__all__ if not name.startswith("_")} - of_the_model <= shown
    assert "model" in shown


def test_terms_in_headings_and_labels_are_in_the_glossary():
    """Conditions, valve sizes, corrections and the heads of the tables of gains, each as it is written there."""
    from flowkit.corrections import CORRECTIONS
    from flowkit.fields import CONDITIONS, section
    from flowkit.reports.tables import EVIDENCE, FIGURES

    page = (DOCS / "glossary.md").read_text(encoding="utf-8").partition("## Units")[0].casefold()
    heads = {figure.head for figure in (*EVIDENCE, *FIGURES)} - {"%", "at lift"}
    assert {"at least", "by geometry", "share of total"} <= heads
    terms = {row.words for row in CONDITIONS} | {row.words for row in section("valves").values()} | heads
    terms |= {name.replace("-", " ") for name in CORRECTIONS}
    plain = {"date", "notes", "humidity", "air temperature", "reading unit"}  # mean what they say
    of_one_of_them = re.compile(r"^(check|leak|meter|test) ")  # "leak pressure": the leak's
    missing = {term for term in terms - plain if term not in page and not of_one_of_them.match(term)}
    assert not missing


def test_the_glossary_is_in_order_and_names_a_term_once():
    """A reader finds a term where the alphabet has it."""
    text = (DOCS / "glossary.md").read_text(encoding="utf-8").partition("## Units")[0]
    terms = [term.casefold() for term in re.findall(r"^\| \*\*(.+?)\*\* \|", text, re.M)]
    assert len(terms) > 60
    assert terms == sorted(set(terms))
