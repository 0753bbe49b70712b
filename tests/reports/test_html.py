"""The one-file report: whole on its own, the same figures, its data inside, nothing that a name could break."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from dataclasses import replace
from pathlib import Path

import pytest

import flowkit
from flowkit.analysis.sentences import headline
from flowkit.importers.files.own import PAGE_DATA
from flowkit.reports.contents import ReportContents
from flowkit.reports.html import html_bytes


@pytest.fixture(scope="module")
def page(contents: ReportContents) -> str:
    return html_bytes(contents).decode("utf-8")


def test_it_holds_everything_and_asks_for_nothing(page: str, contents: ReportContents) -> None:
    assert len(page.encode()) < 500_000
    # Addresses appear only as names of the drawing language.
    assert set(re.findall(r"https?://[^\s\"'<]+", page)) <= {"http://www.w3.org/2000/svg"}
    assert not re.search(r"<(?:img|link|iframe|object|embed)\b|\bsrc=|@import|url\(", page)
    text = html.unescape(re.sub(r"<[^>]+>", " ", page.partition("<script")[0]))
    for side, result in contents.comparison.sides.items():
        assert headline(result.totals[-1], side) in text
        for gain in result.steps:
            assert f"{100 * gain.mean_flow_gain:+.1f} %".replace("-", "−") in text
    for sentence in contents.comparison.sentences:
        assert sentence in text
    for source in contents.sources:
        assert f"{source.name} {source.sha256[:8]}" in text


def test_its_policy_allows_its_own_script_alone(page: str) -> None:
    script = re.search(r'<script type="module">(.*?)</script>', page, re.DOTALL)
    assert script is not None
    hashed = "sha256-" + base64.b64encode(hashlib.sha256(script.group(1).encode()).digest()).decode()
    assert f"script-src '{hashed}'" in html.unescape(page)


def test_it_reads_back_what_it_was_made_of(page: str, contents: ReportContents, tmp_path: Path) -> None:
    path = tmp_path / "flow_chart.html"
    path.write_text(page, encoding="utf-8")
    read = flowkit.read(path)
    assert read.tests == tuple(test for variant in contents.variants for test in variant.tests)
    assert read.findings == contents.findings


def test_data_that_was_tampered_with_is_refused_plainly(page: str, tmp_path: Path) -> None:
    path = tmp_path / "flow_chart.html"
    path.write_text(page.replace('"kind": "read"', '"kind": "other"').replace('"kind":"read"', '"kind":"other"'))
    with pytest.raises(flowkit.FlowkitError, match="not a document of kind"):
        flowkit.read(path)


def test_no_name_ends_an_element_or_becomes_one(contents: ReportContents) -> None:
    evil = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
    first = contents.variants[0]
    test = replace(first.tests[0], head=evil)
    made = html_bytes(
        replace(
            contents,
            info=replace(contents.info, title=evil, notes=evil),
            variants=(replace(first, tests=(test, *first.tests[1:])), *contents.variants[1:]),
        )
    ).decode()
    assert made.count("<script") == 2 and made.count("</script>") == 2
    assert "<img" not in made
    assert f'id="{PAGE_DATA}"' in made
