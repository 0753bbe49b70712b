"""What every step shares: templates, forms, files that arrive, answers that are written, and messages."""

from __future__ import annotations

import os
import re
import tempfile
import unicodedata
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO
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
from flowkit.model import Finding
from flowkit.page import answers
from flowkit.page.questions import plain, questions_of
from flowkit.page.security import MOST_BYTES
from flowkit.page.worker import Tasks
from flowkit.page.workspace import FileView, Snapshot, Workspace, load_text
from flowkit.reports.labels import gathered

MOST_NAME = 120
_RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")


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
    data = source if isinstance(source, bytes) else None
    stem, suffix = Path(name).stem, Path(name).suffix
    try:
        handle, draft = tempfile.mkstemp(dir=folder, prefix=".dropped-", suffix=suffix)
        with os.fdopen(handle, "wb") as stream:
            if data is not None:
                stream.write(data)
            else:
                assert not isinstance(source, bytes)
                while block := source.read(1 << 20):
                    stream.write(block)
            stream.flush()
            os.fsync(stream.fileno())
        try:
            return _placed(folder, Path(draft), stem, suffix)
        finally:
            Path(draft).unlink(missing_ok=True)
    except OSError as error:
        raise FlowkitError(
            f"{name} cannot be kept in {folder} ({error.strerror or error})",
            "free some space, or open a folder that can be written",
        ) from error


def _placed(folder: Path, draft: Path, stem: str, suffix: str) -> tuple[str, bool]:
    """Give a whole file its name, the first that is free."""
    mask = os.umask(0)
    os.umask(mask)
    draft.chmod(0o666 & ~mask)
    for number in range(1, 1_000):
        name = f"{stem}{suffix}" if number == 1 else f"{stem} ({number}){suffix}"
        target = folder / name
        if target.exists() or target.is_symlink():
            if target.is_file() and not target.is_symlink() and _same(target, draft):
                return name, True
            continue
        try:
            # A link, unlike a rename, never replaces a file that appeared meanwhile.
            _link(draft, target)
        except FileExistsError:
            continue
        return name, False
    raise FlowkitError(f"there are too many files named {stem}{suffix}", "rename the file first")


def _link(draft: Path, target: Path) -> None:
    """Name a file without replacing another; file systems without links get a fresh copy."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise
    except OSError:
        _copied(draft, target, os.open)


def _copied(draft: Path, target: Path, opener: Callable[..., int]) -> None:
    """Copy where a link is not to be had; half a copy is taken away again."""
    handle = opener(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(draft.read_bytes())
    except OSError:
        target.unlink(missing_ok=True)
        raise


def _same(one: Path, other: Path) -> bool:
    """Whether two files hold the same bytes."""
    return one.stat().st_size == other.stat().st_size and one.read_bytes() == other.read_bytes()


STEPS = (
    ("sheets", "Sheets"),
    ("heads", "Heads and work"),
    ("result", "Result"),
    ("engine", "Engine"),
    ("build", "Build file"),
)
MOST_FILES = 200
MOST_FIELDS = 4_000
Handler = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence shown once at the top of the page."""

    text: str
    bad: bool = False


def plural(number: int, one: str, many: str = "") -> str:
    """Write a number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def text(form: Mapping[str, Any], key: str, default: str = "") -> str:
    """Return a form's field as text."""
    value = form.get(key, default)
    return value.strip() if isinstance(value, str) else default


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
        self.templates.filters["plain"] = plain
        self.templates.filters["gathered"] = gathered
        self.templates.filters["quoted"] = lambda value: quote(str(value), safe="")
        self.templates.globals |= {"plural": plural, "fields": _fields, "dashes": DASHES, "most_bytes": MOST_BYTES,
                                   "job_file": workspace.document.path.name}  # fmt: skip

    def render(self, template: str, snapshot: Snapshot, *, status: int = 200, **values: Any) -> Response:
        """Fill a template in."""
        notice, self.notice = self.notice, None
        html = self.templates.get_template(template).render(
            s=snapshot, steps=STEPS, notice=notice, counts=counts(snapshot), **values
        )
        return HTMLResponse(html, status)

    def show(self, view: Callable[[Request, Snapshot], Response]) -> Handler:
        """Make a handler of a view of the snapshot; whatever is wrong is a plain page."""

        async def handler(request: Request) -> Response:
            """Answer a GET."""

            def made() -> Response:
                """Make the page away from the loop that serves others."""
                try:
                    return view(request, self.workspace.snapshot())
                except FlowkitError as error:
                    return self.plain(f"{(said := str(error))[:1].upper()}{said[1:]}", 404)

            return await run_in_threadpool(made)

        return handler

    def act(self, action: Callable[[FormData], str | Response]) -> Handler:
        """Make a handler of an action on a form: it returns where to go, and may leave a notice."""

        async def handler(request: Request) -> Response:
            """Answer a POST."""
            async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=5_000_000) as form:

                def made() -> str | Response:
                    """Do it away from the loop that serves others."""
                    try:
                        return action(form)
                    except FlowkitError as error:
                        self.notice = Notice(str(error), bad=True)
                        return here(text(form, "back"))

                done = await run_in_threadpool(made)
            return RedirectResponse(here(done), 303) if isinstance(done, str) else done

        return handler

    def plain(self, message: str, status: int = 400) -> Response:
        """A page with one sentence, and the way back unless it is closed."""
        html = self.templates.get_template("plain.html").render(message=message, closed=self.closed)
        return HTMLResponse(html, status)

    def edit(self, form: Mapping[str, Any], change: Callable[[Any], str]) -> str:
        """Write an answer into the job file, if it is still the one that was shown."""
        return self.workspace.document.change(text(form, "version") or None, change)

    def check(self, document: Any) -> None:
        """Refuse an answer after which the job could not be loaded, in the words of the loader."""
        if answers.variants(document):
            load_text(tomlkit.dumps(document), self.workspace.document.path)

    def write_fields(self, form: FormData, known: Collection[tuple[str, ...]], numbers: Collection[str]) -> str:
        """Write the form's known fields that changed, of the job or of the state it names; returns where to go."""
        state = text(form, "state")

        def edit(document: Any) -> str:
            """Write each field that is not what it was."""
            said = []
            prefix: tuple[str | int, ...] = ()
            if state:
                prefix = ("variant", answers.variants(document).index(answers.variant_named(document, state)))
            for name, raw in form.items():
                path = tuple(name.split("."))
                if path not in known or not isinstance(raw, str):
                    continue
                written = " ".join(raw.split()) or None
                value = number(written) if written and path[-1] in numbers else written
                now = answers.table_value(document, (*prefix, *path))
                if (value or "") != (now if now is not None else ""):
                    answers.set_table_value(document, (*prefix, *path), value)
                    said.append(path[-1].replace("_", " "))
            self.check(document)
            more = f"{' …' if len(said) > 4 else ''}{f' of {state}' if state else ''}"
            return f"{', '.join(said[:4])}{more}" if said else ""

        said = self.edit(form, edit)
        self.notice = Notice(f"Saved: {said}." if said else "Nothing was changed.")
        return text(form, "back")


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
    sheets = sum(asked(snapshot, view) for view in snapshot.files if view.states)
    return {
        "sheets": sheets,
        "heads": sum(item.severity == "error" for item in snapshot.open_findings)
        + len(unstated(snapshot))
        + len(drifts(snapshot)),
    }


def drifts(snapshot: Snapshot) -> tuple[Finding, ...]:
    """What hangs on the bench's drift, at most once; sheets without a day are asked for it at the sheets."""
    found = (item for item in snapshot.open_findings if item.rule == "drift-unknown")
    return tuple(item for item in found if "carry no date" not in item.message)[:1]


def asked(snapshot: Snapshot, view: FileView) -> int:
    """How many questions of a sheet wait for an answer."""
    return sum(question.asks for question in questions_of(snapshot, view))


def unstated(snapshot: Snapshot) -> tuple[str, ...]:
    """The states, after the first, of which the job does not say what changed."""
    if snapshot.document is None:
        return ()
    done = zip(answers.variants(snapshot.document), answers.changes(snapshot.document), strict=True)
    return tuple(str(item.get("name", "")) for item, changed in done if changed is None)


def _fields(snapshot: Snapshot, back: str) -> Markup:
    """The hidden fields of every form: the version of the job file it was made of, and where to go after it."""
    made = '<input type="hidden" name="version" value="{}"><input type="hidden" name="back" value="{}">'
    return Markup(made).format(snapshot.state.version, back)


DASHES = [" ".join(f"{2 * value:g}" for value in variant_style(index).dashes) for index in range(24)]
"""The dashes of the legend's lines."""


def home() -> Path:
    """The folder of the page's own files."""
    return Path(__file__).parent
