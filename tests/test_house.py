"""The plan of the house, held: direction of imports, exported names, sizes, docstrings, light starts."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import flowkit

PACKAGE = Path(flowkit.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
STREET = ("ground", "importers", "corrections", "analysis", "engine", "reports", "top")
GROUND = {
    "errors",
    "findings",
    "numerals",
    "model",
    "units",
    "serial",
    "version",
    "moist_air",
    "drawing",
    "statements",
    "files",
}


def room(parts: tuple[str, ...]) -> str:
    """The room a module stands in, from its dotted parts below flowkit."""
    if not parts or parts[0] in GROUND:
        return "ground"
    return parts[0] if parts[0] in STREET else "top"


def imports(path: Path) -> list[tuple[str, ...]]:
    """Modules of flowkit that a file imports at run time, wherever in the file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "flowkit":
            parts = tuple((node.module or "").split(".")[1:])
            found += [parts or (alias.name,) for alias in node.names]
        elif isinstance(node, ast.Import):
            found += [tuple(alias.name.split(".")[1:]) for alias in node.names if alias.name.startswith("flowkit.")]
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nothing_imports_from_further_down_the_street(path: Path) -> None:
    here = room(path.relative_to(PACKAGE).with_suffix("").parts)
    if here == "top":
        return
    for parts in imports(path):
        assert STREET.index(room(parts)) <= STREET.index(here), f"{path.name} imports flowkit.{'.'.join(parts)}"


PUBLIC = """
__version__ AirState Bench Comparison Conditions CorrectedTest CorrectionResult EngineResult Finding FlowTest
FlowkitError Job JobResults Point ReadResult Reference Stated ValveGeometry Variant chart compare correct read
read_many report
""".split()


def test_exported_names_are_these_and_no_others() -> None:
    assert sorted(flowkit.__all__) == sorted(PUBLIC)
    for name in PUBLIC:
        assert getattr(flowkit, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        flowkit.nothing


def public_functions() -> list[tuple[str, object]]:
    """Every public function and class of every module, by its full name."""
    found = {}
    for info in pkgutil.walk_packages([str(PACKAGE)], "flowkit."):
        if info.name.endswith("__main__"):
            continue
        module = importlib.import_module(info.name)
        for name in getattr(module, "__all__", ()):
            item = getattr(module, name)
            if inspect.isfunction(item) and item.__module__ == info.name:
                found[f"{info.name}.{name}"] = item
    return sorted(found.items())


@pytest.mark.parametrize(
    ("name", "function"), public_functions(), ids=lambda item: item if isinstance(item, str) else ""
)
def test_docstrings_name_every_argument(name: str, function: object) -> None:
    if ".cli." in name:
        return
    text = inspect.getdoc(function) or ""
    assert text, f"{name} has no docstring"
    arguments = [
        argument
        for argument in inspect.signature(function).parameters
        if argument not in ("self", "cls")  # type: ignore[arg-type]
    ]
    if len(arguments) < 2:
        return
    section = text.partition("Parameters\n----------\n")[2]
    missing = [argument for argument in arguments if argument not in section]
    assert not missing, f"{name} does not document {missing}"


@pytest.mark.parametrize("arguments", [["--help"], ["read", "SHEET"], ["--version"]])
def test_light_verbs_load_nothing_heavy(arguments: list[str]) -> None:
    from flowkit.samples import sample_folder

    arguments = [str(sample_folder() / "as_received.csv") if item == "SHEET" else item for item in arguments]
    run = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "flowkit", *arguments], capture_output=True, text=True, check=True
    )
    loaded = {line.rpartition("|")[2].strip().split(".")[0] for line in run.stderr.splitlines() if "|" in line}
    assert not loaded & {"scipy", "pandas", "matplotlib"}
    if arguments == ["--version"]:
        assert not loaded & {"typer", "rich", "pydantic", "numpy"}


def test_version_is_quick_to_answer_because_it_loads_next_to_nothing() -> None:
    run = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "flowkit", "--version"], capture_output=True, text=True, check=True
    )
    assert run.stdout.startswith("flowkit ")
    own = [line for line in run.stderr.splitlines() if line.rpartition("|")[2].strip().startswith("flowkit")]
    assert len(own) <= 4
