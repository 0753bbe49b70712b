"""``flowkit open`` and ``flowkit shortcut``: the whole job with a mouse."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flowkit.cli.common import show, verb

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the verbs to the command."""
    app.command("open", epilog="Example: flowkit open .")(verb(open_page))
    app.command("shortcut", epilog="Example: flowkit shortcut .")(verb(shortcut))


def open_page(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="The folder with the sheets.")] = Path(),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="A free one unless given.")] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
) -> int:
    """Open the job on a page in your browser, on this computer only; Ctrl-C ends it."""
    from flowkit.page.server import serve

    return serve(folder, port=port, browser=not no_browser)


def shortcut(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[FOLDER]", help="Where to put it; the desktop unless given.")
    ] = None,
) -> int:
    """Put an icon on the desktop that opens flowkit's page."""
    from flowkit.page.shortcut import make_shortcut

    show(f"wrote {make_shortcut(folder)}")
    return 0
