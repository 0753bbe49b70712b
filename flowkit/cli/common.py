"""What the verbs share: where words go, bars on a terminal, options that state conditions, and jobs from arguments."""

from __future__ import annotations

import functools
import inspect
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import typer

from flowkit.errors import FlowkitError, JobError
from flowkit.fields import section
from flowkit.model import Finding
from flowkit.output import document
from flowkit.result import Result

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flowkit.engine.figures import Progress
    from flowkit.importers import Stated
    from flowkit.job import Job
    from flowkit.reports.terminal import Parts


R = TypeVar("R", bound=Result)
Verb = Callable[..., int]

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead (SI units).")]
TablesOption = Annotated[bool, typer.Option("--tables", help="Every table too.")]
JobOrFiles = Annotated[
    list[Path], typer.Argument(metavar="JOB.toml | FILE…", help="A job file, or sheets: the first is the baseline.")
]


def verb(function: Callable[..., int], *, waits: bool = False) -> Callable[..., None]:
    """Make the exit status of a command of what its function returns; say what takes long, unless it `waits`."""
    name = function.__name__.rstrip("_")

    @functools.wraps(function)
    def wrapper(*arguments: Any, **options: Any) -> None:
        """Run the verb and leave with its exit status."""
        with nullcontext() if waits else working(f"flowkit {name}"):
            code = function(*arguments, **options)
        # Now, while a full disk can still be said in plain words.
        sys.stdout.flush()
        raise typer.Exit(code)

    return wrapper


def complain(message: str) -> None:
    """Print a plain sentence on standard error, broken between words where that is a terminal; a mapping in lines."""
    from flowkit.importers.words.items import PROPOSED, proposal_of

    hush()
    said, mapping = proposal_of(message)
    if mapping:
        from flowkit.importers.tables.mapped import mapping_lines

        said = f"{said}; {'or ' if ';' in said else ''}{PROPOSED.strip()}"
    if sys.stderr.isatty():
        from rich.console import Console

        from flowkit.reports.terminal import Prose

        Console(stderr=True, highlight=False).print(Prose(said), markup=False)
    else:
        print(said, file=sys.stderr)
    for line in mapping_lines(mapping) if mapping else ():
        print(line, file=sys.stderr)


def console() -> Console:
    """Return a console for standard output: as wide as the terminal, or COLUMNS; 80 columns where it is piped."""
    from rich.console import Console

    if sys.stdout.isatty():
        return Console(highlight=False)
    width = os.environ.get("COLUMNS", "")
    known = int(width) if width.isdigit() and int(width) > 0 else 80
    return Console(highlight=False, width=known, no_color=True, color_system=None)


def show(*parts: RenderableType) -> None:
    """Print parts on standard output, prose broken between words."""
    from flowkit.reports.terminal import Prose

    hush()
    out = console()
    for part in parts:
        out.print(Prose(part) if isinstance(part, str) and part else part, markup=False)


def print_document(text: str) -> None:
    """Print one JSON document, UTF-8 whatever the locale says."""
    hush()
    sys.stdout.buffer.write(text.encode("utf-8") + b"\n")
    sys.stdout.flush()


def give(result: R, text: Callable[[R, str], Parts], display: str, *, as_json: bool) -> int:
    """Print a result as people or as programs want it, and what is wrong in it."""
    if as_json:
        print_document(result.to_json())
    else:
        show(*text(result, display))
    report_errors(result.findings)
    return exit_code(result.findings)


def finding_of(error: FlowkitError) -> Finding:
    """Turn an error into the finding for it in a result."""
    return Finding(error.rule, "error", error.where, error.sentence)


@contextmanager
def failure_as_document(kind: str, rest: dict[str, Any], *, wanted: bool) -> Iterator[None]:
    """Print the document of a verb that could do nothing, with the error as its finding, where JSON is wanted."""
    try:
        yield
    except FlowkitError as error:
        if not wanted:
            raise
        print_document(document(kind, {**rest, "findings": [*error.findings, finding_of(error)]}))
        complain_of(error)
        raise typer.Exit(1) from error


def complain_of(error: FlowkitError) -> None:
    """Print what was found before an error, or else the error itself, which follows from it."""
    if exit_code(error.findings):
        report_errors(error.findings)
    else:
        complain(str(error))


def report_errors(findings: Sequence[Finding]) -> None:
    """Print the error findings on standard error, each once and at most so many of a sheet."""
    if not exit_code(findings):
        return
    from flowkit.reports.terminal import capped

    for item in capped(finding for finding in findings if finding.severity == "error"):
        complain(item if isinstance(item, str) else f"{item.where}: {item.message}" if item.where else item.message)


def page_numbers(text: str) -> tuple[int, ...] | None:
    """Read which pages are wanted: None for all."""
    if text.strip().lower() == "all":
        return None
    chosen: set[int] = set()
    for part in text.split(","):
        found = re.fullmatch(r"\s*(\d{1,3})\s*(?:-\s*(\d{1,3})\s*)?", part)
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (0, 0)
        if not 1 <= first <= last:
            raise typer.BadParameter(f"--pages: {text!r} is not understood; write 1, 2-4, 1,3 or all")
        chosen.update(range(first, last + 1))
    return tuple(sorted(chosen))


def exit_code(findings: Sequence[Finding]) -> int:
    """1 where any finding is an error, else 0."""
    return int(any(finding.severity == "error" for finding in findings))


def load_job(paths: Sequence[Path], *, stated: dict[str, Any], reference: dict[str, Any]) -> Job:
    """Make a job of a job file or of sheets, as the arguments and options say."""
    from flowkit.job import Job

    if any(path.suffix.lower() == ".toml" for path in paths):
        if len(paths) > 1:
            raise typer.BadParameter("give a job file alone: it names its own sheets")
        refuse_beside_job({**stated, **reference})
        return Job.load(paths[0])
    return Job.from_files(paths, stated_of(stated), **_settings(reference))


def refuse_beside_job(options: dict[str, Any]) -> None:
    """Refuse options that say something of sheets, where a job file says it."""
    for name in sorted(name for name, value in options.items() if value is not None):
        option = "--" + name.replace("_", "-")
        raise typer.BadParameter(f"{option} goes with sheets; in a job it is stated in the job file")


def _settings(options: dict[str, Any]) -> dict[str, Any]:
    """Turn the options of `with_reference` into what `Job.from_files` takes."""
    from flowkit.fields import read_table
    from flowkit.model import Bench, JobInfo, Reference

    tables = {
        "reference": {"pressure": "reference_pressure", "pressure_law": "pressure_law", "bore": "bore",
                      "lifts": "lifts", "switched_off": "off"},
        "bench": {"repeatability": "repeatability"},
        "job": {"display": "display"},
    }  # fmt: skip
    found: dict[str, dict[str, Any]] = {}
    for name, keys in tables.items():
        given = {key: options.get(option) for key, option in keys.items()}
        try:
            found[name] = read_table(name, given, "")
        except JobError as error:
            key = error.problem.partition(":")[0].strip(", ")
            option = "--" + keys[key].replace("_", "-")
            message = error.problem.partition(": ")[2]
            raise typer.BadParameter(f"{option}: {message}" + (f"; {error.remedy}" if error.remedy else "")) from error
    off = found["reference"].pop("switched_off", ())
    return {
        "reference": Reference(**found["reference"]),
        "bench": Bench(**found["bench"]),
        "info": JobInfo(**found["job"]) if found["job"].get("display") else None,
        "switched_off": off,
    }


def _option(name: str, annotation: Any, help_text: str, metavar: str | None = None) -> inspect.Parameter:
    """An optional option as a parameter of a verb."""
    option = typer.Option("--" + name.replace("_", "-"), help=help_text, metavar=metavar, show_default=False)
    kind = inspect.Parameter.KEYWORD_ONLY
    return inspect.Parameter(name, kind, default=None, annotation=Annotated[annotation | None, option])


def _statement_options() -> list[inspect.Parameter]:
    """An option for everything that can be stated of sheets, with an example where it is a value."""
    types: dict[str, Any] = {"side": Literal["intake", "exhaust"], "run": int, "date_order": Literal["day", "month"]}
    return [
        _option(
            row.key,
            types.get(row.key, str),
            row.meaning if row.section == "names" else f'{row.meaning} Such as "{row.example}".',
            "TEXT" if row.kind == "text" else "VALUE",
        )
        for row in (*section("names").values(), *section("conditions").values())
    ]


def _reference_options() -> list[inspect.Parameter]:
    """Options for the reference of bare sheets."""
    laws = Literal["square-root", "compressible"]
    repeats = 'Such as "0.5 %", with the % sign; left out, it comes from repeated runs.'
    return [
        _option("reference_pressure", str, 'Reference test pressure; default "28 inH2O".', "VALUE"),
        _option("pressure_law", laws, "How flows are converted to the reference pressure."),
        _option("bore", str, "The engine's bore; without it no bore correction.", "VALUE"),
        _option("lifts", str, 'Lifts of the headline figures, such as "0.100-0.600 in".', "RANGE"),
        _option("repeatability", str, repeats, "VALUE"),
        _option("off", list[str], "A correction to skip, by name; can be repeated.", "NAME"),
        _option("display", Literal["US", "metric"], "Units shown."),
    ]


def _gathering(target: str, options: Callable[[], list[inspect.Parameter]]) -> Callable[[Verb], Verb]:
    """Give a verb more options, handed over in one dictionary under the name `target`."""

    def decorate(verb: Verb) -> Verb:
        """Add the options to a verb."""
        more = options()

        @functools.wraps(verb)
        def wrapper(**arguments: Any) -> int:
            """Call the verb with its own arguments and the options gathered."""
            gathered = {option.name: arguments.pop(option.name, None) for option in more}
            # An option that may be given again comes as an empty list where it was not given.
            gathered = {name: None if value in ([], ()) else value for name, value in gathered.items()}
            return verb(**arguments, **{target: gathered})

        signature = inspect.signature(verb, eval_str=True)
        own = [
            parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY)
            for parameter in signature.parameters.values()
            if parameter.name != target
        ]
        wrapper.__signature__ = signature.replace(parameters=[*own, *more])  # type: ignore[attr-defined]
        return wrapper

    return decorate


with_statements = _gathering("statements", _statement_options)
"""Give a verb the options that state what a sheet does not say, as `statements`."""
with_reference = _gathering("reference", _reference_options)
"""Give a verb the options that say what bare sheets are brought to, as `reference`."""


def stated_of(statements: dict[str, Any]) -> Stated:
    """Turn the options of `with_statements` into what the readers take."""
    from flowkit.job.load import stated_from

    try:
        return stated_from(statements, place="options")
    except JobError as error:
        # "options, lift_unit: …" names a key of the job file; on a command line it is the option.
        message = re.sub(r"^options, (\w+)", lambda found: "--" + found[1].replace("_", "-"), str(error))
        raise typer.BadParameter(message) from error


@contextmanager
def progress_bar(what: str) -> Iterator[Progress | None]:
    """Give what work reports its progress to: a bar on standard error, gone when it is done; none where it is piped."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    bar = Progress(TextColumn(what), BarColumn(), MofNCompleteColumn(), console=Console(stderr=True), transient=True)
    task = bar.add_task(what, total=None)

    def report(done: int, most: int) -> None:
        """Show how far it is; the bar begins with the work, not with the reading of sheets before it."""
        hush()
        bar.start()
        bar.update(task, completed=done, total=most)

    try:
        yield report
    finally:
        bar.stop()


# How many cycles it takes shows only at the end; the bar shows the most there may be.
engine_progress = functools.partial(progress_bar, "engine, cycles (at most)")


_SHOWN: ContextVar[Callable[[], None]] = ContextVar("_SHOWN", default=lambda: None)
"""Takes away what `working` shows now."""


def hush() -> None:
    """Take away what `working` shows, since something is about to be printed."""
    _SHOWN.get()()


@contextmanager
def working(what: str, *, after_s: float = 1.0) -> Iterator[None]:
    """Say on a terminal what takes longer than a second; it goes when anything is printed or the work is done."""
    if not sys.stderr.isatty():
        yield
        return
    import threading

    hush()
    gone = threading.Event()

    def wait() -> None:
        """Show it once the time is up, until it is to go; rich is loaded here and not before."""
        if gone.wait(after_s):
            return
        from rich.console import Console

        with Console(stderr=True).status(f"{what} …"):
            gone.wait()

    thread = threading.Thread(target=wait, daemon=True)

    def stop() -> None:
        """Take it away."""
        gone.set()
        thread.join()

    token = _SHOWN.set(stop)
    thread.start()
    try:
        yield
    finally:
        stop()
        _SHOWN.reset(token)
