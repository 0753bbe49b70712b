"""The plan of the house, held: direction of imports, exported names, docstrings, light starts."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import flowkit

PACKAGE = Path(flowkit.__file__).parent
STREET = (
    "ground",
    "drawing",
    "importers",
    "corrections",
    "analysis",
    "engine",
    "reports",
    "records",
    "job",
    "page",
    "cli",
)
ENDS = {"drawing"}  # imported for plot() by results further up, and imports none of them

FORMULAS = (
    "air units corrections.pressure corrections.air corrections.bore corrections.leakage corrections.check_plate "
    "corrections.meter analysis.areas analysis.uncertainty engine.gas engine.cylinder engine.exchange"
).split()
"""Modules whose public functions are formulas: their docstrings name every argument."""

PUBLIC = """
__version__ AirState Bench Comparison Conditions CorrectedTest CorrectionResult Curve EngineResult Finding FlowTest
FlowkitError HandChange Job JobInfo JobResults JobVariant Point ReadResult Readings Reference SheetChoice Stated
ValveGeometry Variant chart compare correct from_frame from_si parse_quantity read read_many report sample_job to_si
whatif
""".split()


def module_of(path: Path) -> str:
    """A module's dotted name below flowkit."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def imports(path: Path) -> set[str]:
    """Modules of flowkit that a file imports at run time, wherever in the file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "flowkit":
            start = ".".join((node.module or "").split(".")[1:])
            inner = {f"{start}.{alias.name}".strip(".") for alias in node.names}
            found |= {name if name in MODULES else start for name in inner}
        elif isinstance(node, ast.Import):
            found |= {alias.name.removeprefix("flowkit.") for alias in node.names if alias.name.startswith("flowkit.")}
    return found


def room(module: str) -> int:
    """Where a module lies along the street; modules at the top of the package are the ground of all."""
    first = module.partition(".")[0]
    if first in STREET:
        return STREET.index(first)
    if first == "samples":
        return STREET.index("job")
    return len(STREET) if first in ("", "__main__") else 0


def test_nothing_imports_from_further_down_the_street() -> None:
    wrong = [
        f"{name} imports {other}"
        for name, path in MODULES.items()
        for other in imports(path)
        if room(other) > room(name) and other.partition(".")[0] not in ENDS
    ]
    assert not wrong


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """The ways from a module back to itself, each found once."""
    done: set[str] = set()
    found = []

    def follow(name: str, way: list[str]) -> None:
        if name in way:
            found.append([*way[way.index(name) :], name])
        elif name not in done:
            for other in sorted(graph.get(name, set()) - {name}):
                follow(other, [*way, name])
            done.add(name)

    for name in graph:
        follow(name, [])
    return found


def test_no_module_imports_itself_by_way_of_others() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [["b", "c", "b"]]
    assert circles({name: imports(path) for name, path in MODULES.items()}) == []


ASKED = """
from pathlib import Path
from openpyxl import load_workbook
from flowkit import read
from flowkit.cli.app import run
from flowkit.importers.sheets.start import start_job
assert run(["read", "a.csv"]) == 0 == run(["report", "a.csv", "-o", "out", "--head-temperature", "85 °C"])
assert read("a.csv").tests[0].conditions.head_temperature_k == 85 + 273.15
made = start_job(".").read_text()
assert "# found: head_temperature = 85.0 °C" in made and '# margin = "1.2 mm"' in made
book = load_workbook("out/flow_chart.xlsx")
assert "head temperature, °F" in [cell.value for cell in book["Conditions"][4]]
heads, first = ([cell.value for cell in book["Corrections"][row]] for row in (3, 4))
factor = book["Corrections"].cell(4, heads.index("scale factor") + 1)
assert factor.value == 1.5 and f"*{factor.coordinate}" in first[heads.index("corrected flow, CFM")]
Path("job.toml").write_text(made + "valves.intake.margin = '1 mm'\\nconditions.head_temperature = '85 °C'")
assert run(["check", "job.toml"]) == 0
"""


SCALE = """
from flowkit.corrections.step import made


def correct_scale(flow, test, setting):
    return made("scale", "Q2 = 1.5·Q1", flow, {}, factor=(1.5,) * len(flow))


_STEPS"""


def test_a_condition_or_a_dimension_of_a_valve_is_one_row_and_a_correction_one_more(tmp_path: Path) -> None:
    """An invented one of each, put into a copy of the package: read, stated, offered by start, in the workbook."""
    shutil.copytree(PACKAGE, tmp_path / "flowkit", ignore=shutil.ignore_patterns("__pycache__"))
    table = (tmp_path / "flowkit" / "fields.py").read_text(encoding="utf-8")
    words = '"temperature", "85 °C", "Of the head.", "°C"'
    row = f'    head_temperature_k: float | None = _condition("head_temperature", {words})\n'
    table = table.replace("    meter: str", row + "    meter: str", 1)
    words = '"length", "1.2 mm", "Of its head.", "mm", "seat_width_m"'
    row = f'    margin_m: float | None = _valve("margin", {words})\n'
    table = table.replace("    offset_m: float", row + "    offset_m: float", 1)
    (tmp_path / "flowkit" / "fields.py").write_text(table, encoding="utf-8")
    chain = (tmp_path / "flowkit" / "corrections" / "chain.py").read_text(encoding="utf-8")
    chain = chain.replace("\n_STEPS", "\n" + SCALE, 1).replace(
        '"bore": correct_bore,', '"bore": correct_bore, "scale": correct_scale,'
    )
    (tmp_path / "flowkit" / "corrections" / "chain.py").write_text(chain, encoding="utf-8")
    sheet = "Test pressure,28 inH2O\nHead temperature,85 °C\n\nLift mm,Intake 1 CFM\n2,40\n4,80\n6,110\n"
    (tmp_path / "a.csv").write_text(sheet, encoding="utf-8")
    asked = subprocess.run([sys.executable, "-c", ASKED], check=False, cwd=tmp_path, capture_output=True, text=True)
    assert asked.returncode == 0, asked.stderr


def code_lines(function: ast.FunctionDef) -> int:
    """Lines of a function from its first statement on, its docstring not counted."""
    body = function.body[1:] if ast.get_docstring(function) and len(function.body) > 1 else function.body
    return (function.end_lineno or 0) - body[0].lineno + 1


def test_functions_stay_readable() -> None:
    assert not [
        f"{name}.{node.name}: {code_lines(node)} lines"
        for name, path in MODULES.items()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and code_lines(node) >= 70
    ]


FOR_PROGRAMS = {"start_job", "cam_weighted_mean_flow"}
"""Functions that only a program of the user's calls; they are in the reference of the library."""


def unreached() -> set[str]:
    """Functions and classes that nothing in the package uses, those used by such ones alone among them."""
    defined, users = {}, {}
    for name, path in MODULES.items():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            own = getattr(node, "name", None) if isinstance(node, (ast.FunctionDef, ast.ClassDef)) else None
            if own and not own.startswith("__"):
                defined[name, own] = node
            if isinstance(node, (ast.Import, ast.ImportFrom)) or ast.unparse(node).startswith("__all__"):
                continue
            for part in ast.walk(node):
                used = getattr(part, "id", None) or getattr(part, "attr", None) or getattr(part, "value", None)
                if isinstance(used, str) and used.isidentifier():
                    users.setdefault(used, set()).add((name, own))
    left = {key for key in defined if key[1] not in {*PUBLIC, *FOR_PROGRAMS, "main"}}
    called = {key for key in left if any("app." in ast.unparse(item) for item in defined[key].decorator_list)}
    dead: set[tuple[str, str]] = set()
    while new := {key for key in left - dead - called if not users.get(key[1], set()) - dead - {key}}:
        dead |= new
    templates = " ".join(path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.html"))
    return {f"{module}.{name}" for module, name in dead if name not in templates}


def test_nothing_is_reached_by_tests_alone() -> None:
    assert unreached() == set()


def test_exported_names_are_these_and_no_others() -> None:
    assert sorted(flowkit.__all__) == sorted(PUBLIC)
    for name in PUBLIC:
        assert getattr(flowkit, name) is not None
    assert dir(flowkit) == sorted(flowkit.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        flowkit.nothing


def documented() -> dict[str, object]:
    """The functions whose docstrings are complete: the public ones, their classes' methods, and the formulas."""
    items = {name: getattr(flowkit, name) for name in PUBLIC if name != "__version__"}
    for name, item in list(items.items()):
        if inspect.isclass(item):
            items |= {f"{name}.{key}": value for key, value in vars(item).items() if not key.startswith("_")}
    for name in FORMULAS:
        module = importlib.import_module(f"flowkit.{name}")
        items |= {f"{name}.{key}": getattr(module, key) for key in module.__all__}
    return {name: getattr(item, "__func__", item) for name, item in items.items()}


def test_docstrings_of_the_public_api_and_of_formulas_name_every_argument() -> None:
    missing = []
    for name, function in documented().items():
        if not inspect.isfunction(function):
            continue
        arguments = [item for item in inspect.signature(function).parameters if item not in ("self", "cls")]
        section = (inspect.getdoc(function) or "").partition("Parameters\n----------\n")[2]
        missing += [f"{name}: {item}" for item in arguments if len(arguments) > 1 and item not in section]
        missing += [name] * (not inspect.getdoc(function))
    assert not missing


def test_every_public_name_has_an_example_that_runs() -> None:
    """The doctests run with all tests; here only that there is one for each name."""
    without = [
        name for name in PUBLIC if name != "__version__" and ">>> " not in (getattr(flowkit, name).__doc__ or "")
    ]
    assert not without


def loaded(*arguments: str) -> list[str]:
    """The modules that a run of the command loads, by their full names."""
    run = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "flowkit", *arguments], capture_output=True, text=True, check=True
    )
    return [line.rpartition("|")[2].strip() for line in run.stderr.splitlines() if "|" in line]


def test_light_verbs_load_nothing_heavy() -> None:
    from flowkit.samples import sample_folder

    for arguments in (["--help"], ["read", str(sample_folder() / "as_received.csv")]):
        assert not {name.split(".")[0] for name in loaded(*arguments)} & {"scipy", "pandas", "matplotlib"}
    version = loaded("--version")
    assert not {name.split(".")[0] for name in version} & {"typer", "rich", "pydantic", "numpy"}
    assert len([name for name in version if name.startswith("flowkit")]) <= 4


PROSE_AFTER = frozenset("a again and at cannot does import in is made printed speaks wrote added itself".split())
"""Words that follow the name flowkit where no verb of the command is meant, besides those that end in an s."""


def test_messages_name_verbs_that_exist() -> None:
    from flowkit.cli.app import app

    verbs = {command.name for command in app.registered_commands} | {group.name for group in app.registered_groups}
    unknown = []
    for name, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                said = set(re.findall(r"\bflowkit ([a-z]+)\b", node.value)) - verbs - PROSE_AFTER
                unknown += [f"{name}: flowkit {word}" for word in said if not word.endswith("s")]
    assert "compare" in verbs and not unknown
