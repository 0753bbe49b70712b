"""What every step shares: templates, forms and their fields, files that arrive, answers that are written."""

from __future__ import annotations

import filecmp
import io
import os
import re
import shutil
import tempfile
import unicodedata
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple
from urllib.parse import quote, urlsplit

import tomlkit
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from flowkit.drawing.looks import variant_style
from flowkit.errors import FlowkitError
from flowkit.fields import section
from flowkit.model import SIDES, Finding
from flowkit.page import answers
from flowkit.page.questions import plain, questions_of
from flowkit.page.worker import Tasks
from flowkit.page.workspace import FileView, Snapshot, Workspace, load_text
from flowkit.reports.attach.swap import claim
from flowkit.reports.labels import gathered

STEPS = (
    ("sheets", "Sheets"),
    ("heads", "Heads and work"),
    ("result", "Result"),
    ("engine", "Engine"),
    ("build", "Build file"),
)
MOST_BYTES = 200_000_000
"""Size of one upload, all its files together."""
MOST_FILES = 200
MOST_FIELDS = 4_000
MOST_NAME = 120
_RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")
_NUMBERS = ("number", "count", "angle", "timing")
DASHES = [" ".join(f"{2 * value:g}" for value in variant_style(index).dashes) for index in range(24)]
"""The dashes of the legend's lines."""

View = Callable[["Page", Request, Snapshot], Response]
"""Shows something of the snapshot."""
Action = Callable[["Page", FormData], str | Response]
"""Does what a form says; returns where to go, and may leave a notice."""
FieldRow = tuple[str, str, str]
"""A field of the job file: its dotted name, in which {side} is either side, its words, and which figure needs it."""


class Notice(NamedTuple):
    """A sentence shown once at the top of the page."""

    text: str
    bad: bool = False


class Field(NamedTuple):
    """A field of a form: its name, its words, an example, what is written, which figure needs it, and its choices."""

    name: str
    label: str
    example: str = ""
    value: Any = ""
    need: str = ""
    choices: Sequence[str] = ()


def fields_of(document: Any, rows: Iterable[FieldRow], prefix: Sequence[str | int] = (), side: str = "") -> list[Field]:
    """Return fields with what the document says, of the job or of the state whose path is `prefix`."""
    made = []
    for name, label, need in rows:
        path = name.format(side=side).split(".")
        row = section(path[0]).get(path[-1])
        example = (
            "" if row is None or path[0] == "job" else row.exhaust if side == "exhaust" and row.exhaust else row.example
        )
        value = answers.table_value(document, (*prefix, *path))
        made.append(Field(".".join(path), label, example, "" if value is None else value, need))
    return made


class Page:
    """One workspace with its templates and its notices."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.notice: Notice | None = None
        self.tasks = Tasks()
        self.closed = False
        self.templates = Environment(
            loader=PackageLoader("flowkit.page"),
            autoescape=select_autoescape(default=True, default_for_string=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.filters |= {
            "plain": plain, "gathered": gathered, "quoted": lambda value: quote(str(value), safe=""),
        }  # fmt: skip
        self.templates.globals |= {"plural": plural, "fields": _hidden, "dashes": DASHES, "most_bytes": MOST_BYTES,
                                   "job_file": workspace.document.path.name}  # fmt: skip

    def render(self, template: str, snapshot: Snapshot, **values: Any) -> Response:
        """Fill a template in."""
        notice, self.notice = self.notice, None
        html = self.templates.get_template(template).render(
            s=snapshot, steps=STEPS, notice=notice, counts=counts(snapshot), **values
        )
        return HTMLResponse(html)

    def plain(self, message: str, status: int = 400) -> Response:
        """A page with one sentence, and the way back unless it is closed."""
        html = self.templates.get_template("plain.html").render(message=message, closed=self.closed)
        return HTMLResponse(html, status)

    def show(self, view: View) -> Callable[[Request], Response]:
        """Make a handler of a view, for a thread of its own; whatever is wrong is a plain page."""

        def handler(request: Request) -> Response:
            """Answer a GET."""
            try:
                return view(self, request, self.workspace.snapshot())
            except FlowkitError as error:
                return self.plain(f"{(said := str(error))[:1].upper()}{said[1:]}", 404)

        return handler

    def act(self, action: Action) -> Callable[[Request], Awaitable[Response]]:
        """Make a handler of an action; whatever is wrong is a notice on the page that the form was on."""

        def made(form: FormData) -> str | Response:
            """Do it away from the loop that serves others."""
            try:
                return action(self, form)
            except FlowkitError as error:
                self.notice = Notice(str(error), bad=True)
                return text(form, "back")

        async def handler(request: Request) -> Response:
            """Answer a POST."""
            async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=5_000_000) as form:
                done = await run_in_threadpool(made, form)
            return RedirectResponse(here(done), 303) if isinstance(done, str) else done

        return handler

    def edit(self, form: Mapping[str, Any], change: Callable[[Any], str]) -> str:
        """Write an answer into the job file, if it is still the one that was shown."""
        return self.workspace.document.change(text(form, "version") or None, change)

    def save(self, form: Mapping[str, Any], change: Callable[[Any], str], then: str) -> str:
        """Write an answer and say so; returns where to go."""
        said = self.edit(form, change)
        self.notice = Notice(f"Saved: {said}." if said else "Nothing was changed.")
        return then

    def check(self, document: Any) -> None:
        """Refuse an answer after which the job could not be loaded, in the words of the loader."""
        if answers.variants(document):
            load_text(tomlkit.dumps(document), self.workspace.document.path)

    def write_fields(self, form: FormData, rows: Iterable[FieldRow]) -> str:
        """Write the form's fields that changed, of the job or of the state it names; returns where to go."""
        state = text(form, "state")
        known = {name.format(side=side) for name, *_ in rows for side in SIDES}

        def edit(document: Any) -> str:
            """Write each field that is not what it was."""
            said = []
            prefix: tuple[str | int, ...] = ()
            if state:
                prefix = ("variant", answers.variants(document).index(answers.variant_named(document, state)))
            for name, raw in form.items():
                if name not in known or not isinstance(raw, str):
                    continue
                path = name.split(".")
                row = section(path[0]).get(path[-1])
                written = " ".join(raw.split()) or None
                value = number(written) if written and row is not None and row.kind in _NUMBERS else written
                now = answers.table_value(document, (*prefix, *path))
                if (value or "") != (now if now is not None else ""):
                    answers.set_table_value(document, (*prefix, *path), value)
                    said.append(path[-1].replace("_", " "))
            self.check(document)
            more = f"{' …' if len(said) > 4 else ''}{f' of {state}' if state else ''}"
            return f"{', '.join(said[:4])}{more}" if said else ""

        return self.save(form, edit, text(form, "back"))


def _hidden(snapshot: Snapshot, back: str) -> Markup:
    """The hidden fields of every form: the version of the job file it was made of, and where to go after it."""
    made = '<input type="hidden" name="version" value="{}"><input type="hidden" name="back" value="{}">'
    return Markup(made).format(snapshot.state.version, back)


def plural(number: int, one: str, many: str = "") -> str:
    """Write a number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def text(form: Mapping[str, Any], key: str, default: str = "") -> str:
    """Return a form's field as text."""
    value = form.get(key, default)
    return value.strip() if isinstance(value, str) else default


def number(value: str) -> str | float:
    """A plain number as a number, anything else as it is."""
    try:
        number = float(value.replace(",", "."))
    except ValueError:
        return value
    return int(number) if number.is_integer() else number


def here(path: str) -> str:
    """Return a path of this page, the first step for anything else."""
    parts = urlsplit(path)
    own = path.startswith("/") and not path.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc
    return path if own and "\\" not in path and path.isprintable() else "/sheets"


def counts(snapshot: Snapshot) -> dict[str, int]:
    """How many questions wait at each step."""
    errors = sum(item.severity == "error" for item in snapshot.open_findings)
    return {
        "sheets": sum(asked(snapshot, view) for view in snapshot.files if view.states),
        "heads": errors + len(unstated(snapshot)) + len(drifts(snapshot)),
    }


def asked(snapshot: Snapshot, view: FileView) -> int:
    """How many questions of a sheet wait for an answer."""
    return sum(question.asks for question in questions_of(snapshot, view))


def drifts(snapshot: Snapshot) -> tuple[Finding, ...]:
    """What hangs on the bench's drift, at most once; sheets without a day are asked for it at the sheets."""
    found = (item for item in snapshot.open_findings if item.rule == "drift-unknown")
    return tuple(item for item in found if "carry no date" not in item.message)[:1]


def unstated(snapshot: Snapshot) -> tuple[str, ...]:
    """The states, after the first, of which the job does not say what changed."""
    if snapshot.document is None:
        return ()
    done = zip(answers.variants(snapshot.document), answers.changes(snapshot.document), strict=True)
    return tuple(str(item.get("name", "")) for item, changed in done if changed is None)


def safe_name(name: str) -> str:
    """Return a name that is a plain file of this folder on any system."""
    base = unicodedata.normalize("NFC", name).replace("\\", "/").rpartition("/")[2]
    kept = "".join(mark if mark.isprintable() and mark not in '<>:"|?*!' else "_" for mark in base)
    kept = " ".join(kept.split()).strip(". ")
    stem, suffix = Path(kept).stem, Path(kept).suffix
    stem = stem.encode()[: MOST_NAME - len(suffix.encode())].decode(errors="ignore").rstrip(". ")
    kept = (stem or "sheet") + suffix[:12]
    return f"_{kept}" if _RESERVED.match(kept) else kept


def keep(folder: Path, name: str, source: BinaryIO | bytes) -> tuple[str, bool]:
    """Copy a file into the folder; returns its name there, and whether the very same was there already.

    A different file of that name stays, and the new one gets a number.
    """
    name = safe_name(name)
    stem, suffix = Path(name).stem, Path(name).suffix
    draft: Path | None = None
    try:
        handle, made = tempfile.mkstemp(dir=folder, prefix=".dropped-", suffix=suffix)
        draft = Path(made)
        with os.fdopen(handle, "wb") as stream:
            shutil.copyfileobj(io.BytesIO(source) if isinstance(source, bytes) else source, stream, 1 << 20)
            stream.flush()
            os.fsync(stream.fileno())
        mask = os.umask(0)
        os.umask(mask)
        draft.chmod(0o666 & ~mask)
        for number in range(1, 1_000):
            name = f"{stem}{suffix}" if number == 1 else f"{stem} ({number}){suffix}"
            target = folder / name
            if target.is_file() and not target.is_symlink() and filecmp.cmp(target, draft, shallow=False):
                return name, True
            if not (target.exists() or target.is_symlink()) and claim(draft, target):
                return name, False
    except OSError as error:
        raise FlowkitError(
            f"{name} cannot be kept in {folder} ({error.strerror or error})",
            "free some space, or open a folder that can be written to",
        ) from error
    finally:
        if draft is not None:
            draft.unlink(missing_ok=True)
    raise FlowkitError(f"there are too many files named {stem}{suffix}", "rename the file first")
