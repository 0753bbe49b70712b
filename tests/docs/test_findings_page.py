"""The page of findings names every rule the code can give, with its severities, and no other."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
PAGE = ROOT / "docs" / "reference" / "findings.md"
SLUG = re.compile(r"[a-z]+(-[a-z]+)+|unusable")
SEVERITIES = {"error", "warning", "note"}
MAKERS = {"Finding", "_Case", "doubt"}
REFUSALS = {"_Refused", "_TestRefused"}  # of a meter's readings: always an error
PASSED_ON = {"problem.rule", "error.rule", "case.rule", "rule", "reader.text('rule')", "bad.rule", "finding.rule"}
PASSED_ON.add("item['rule']")
"""What a rule may be where it is not written out: handed over from a place where it is."""


def _texts(node: ast.AST) -> set[str]:
    """Every text an expression can be: itself, or either branch of a choice."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    if isinstance(node, ast.IfExp):
        return _texts(node.body) | _texts(node.orelse)
    return set()


def _argument(call: ast.Call, place: int, name: str) -> ast.expr | None:
    """An argument by place or name."""
    if len(call.args) > place:
        return call.args[place]
    return next((keyword.value for keyword in call.keywords if keyword.arg == name), None)


def _of_module(tree: ast.Module, found: dict[str, set[str]], odd: list[str]) -> None:
    """Gather the rules of one module, with the severities that stand beside them."""
    handed_over = False
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if name in REFUSALS and (refused := _argument(node, 0, "rule")) is not None:
                for text in _texts(refused):
                    found[text] |= {"error"}
            if name in MAKERS and (rule := _argument(node, 0, "rule")) is not None:
                severity = _argument(node, 1, "severity")
                for text in _texts(rule):
                    found[text] |= _texts(severity) if severity is not None else set()
                handed_over |= not _texts(rule)
                if not _texts(rule) and ast.unparse(rule) not in PASSED_ON:
                    odd.append(ast.unparse(rule))
            for keyword in node.keywords:
                if keyword.arg == "rule" and name not in MAKERS:
                    for text in _texts(keyword.value):
                        if SLUG.fullmatch(text):
                            found[text] |= set()
        if isinstance(node, ast.ClassDef):
            for part in node.body:
                target = part.targets[0] if isinstance(part, ast.Assign) else getattr(part, "target", None)
                if isinstance(target, ast.Name) and target.id == "rule" and getattr(part, "value", None) is not None:
                    for text in _texts(part.value):
                        found[text] |= {"error"}
    if handed_over:
        _handed_over(tree, found)


def _handed_over(tree: ast.Module, found: dict[str, set[str]]) -> None:
    """Rules that a module keeps in a variable or returns from a function before they become a finding."""
    for node in ast.walk(tree):
        value = None
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id == "rule":
            value = node.value
        elif isinstance(node, ast.FunctionDef) and "rule" in (ast.get_docstring(node) or "").lower():
            for inner in ast.walk(node):
                if isinstance(inner, ast.Return) and inner.value is not None:
                    for text in _texts(inner.value):
                        if SLUG.fullmatch(text):
                            found[text] |= set()
        for text in _texts(value) if value is not None else ():
            if SLUG.fullmatch(text):
                found[text] |= set()


@pytest.fixture(scope="module")
def in_code():
    """Every rule in the code, with its severities as far as they are written out."""
    found: dict[str, set[str]] = defaultdict(set)
    odd: list[str] = []
    for path in sorted((ROOT / "flowkit").rglob("*.py")):
        _of_module(ast.parse(path.read_text(encoding="utf-8")), found, odd)
    assert not odd, f"a rule is not written out, and not known to be handed over: {odd}"
    return found


@pytest.fixture(scope="module")
def on_page():
    """Every rule on the page, with its severities and what is said of it."""
    text = PAGE.read_text(encoding="utf-8")
    parts = re.findall(r"^### ([a-z-]+)\n\*\*([a-z, ]+)\*\* · (.+?)(?=^#|\Z)", text, re.M | re.S)
    assert len(parts) == len(re.findall(r"^### ", text, re.M)), "an entry is not written like the others"
    return {rule: (set(severities.split(", ")), words) for rule, severities, words in parts}


def test_every_rule_is_on_the_page(in_code, on_page):
    """No rule without its entry."""
    assert len(in_code) > 40
    assert not set(in_code) - set(on_page)


def test_the_page_names_no_other(in_code, on_page):
    """No entry without its rule."""
    assert not set(on_page) - set(in_code)


def test_severities_are_those_of_the_code(in_code, on_page):
    """Where the code writes the severity beside the rule."""
    for rule, severities in in_code.items():
        assert severities <= on_page[rule][0] <= SEVERITIES, rule
    for rule, (severities, _) in on_page.items():
        if in_code[rule]:
            assert severities == in_code[rule], rule


def test_each_entry_says_something(on_page):
    """More than a repetition of its name."""
    assert all(len(words.split()) >= 8 for _, words in on_page.values())
