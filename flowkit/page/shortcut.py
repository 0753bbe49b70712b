"""An icon on the desktop that opens the page, and the starter it calls."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

from flowkit.errors import FlowkitError
from flowkit.output import written_whole

IDLE_S = 8 * 3600.0
"""A page without a console ends after so long without an open window; an open one asks once a minute."""


def make_shortcut(folder: Path | None = None, *, system: str = sys.platform) -> Path:
    """Write a shortcut; returns where. A file of that name that is not ours is left alone."""
    target = folder or _desktop()
    if not target.is_dir():
        raise FlowkitError(
            "there is no desktop folder here", "name a folder: flowkit shortcut FOLDER", file=str(target)
        )
    starter = _starter()
    if system == "win32":
        # A .lnk is a binary of Windows' own; a .vbs starts without a console window and is plain text.
        command = " ".join(f'""{part}""' for part in starter)
        return _write(target / "flowkit.vbs", f'CreateObject("WScript.Shell").Run "{command}", 0, False\r\n', "WScript")
    line = " ".join(shlex.quote(part) for part in starter)
    if system == "darwin":
        made = _write(target / "flowkit.command", f"#!/bin/sh\nexec {line}\n", "#!/bin/sh")
        made.chmod(0o755)
        return made
    entry = (
        "[Desktop Entry]\nType=Application\nVersion=1.0\nName=flowkit\nComment=Flow-bench sheets to a flow chart\n"
        f"Exec={line}\nTerminal=false\nCategories=Science;Engineering;\n"
    )
    made = _write(target / "flowkit.desktop", entry, "[Desktop Entry]")
    made.chmod(0o755)
    return made


def _write(path: Path, text: str, start: str) -> Path:
    """Write a shortcut, in place of our own former one only."""
    if path.exists() and not (start in text and "flowkit" in path.read_text(encoding="utf-8", errors="replace")):
        raise FlowkitError("this file already exists and is not overwritten", "name another folder", file=str(path))
    with written_whole(path) as draft:
        draft.write_text(text, encoding="utf-8", newline="")
    return path


def _starter() -> list[str]:
    """The command that opens the page without a console window."""
    beside = Path(sys.executable).with_name("flowkit-open" + (".exe" if os.name == "nt" else ""))
    found = str(beside) if beside.exists() else shutil.which("flowkit-open")
    return [found] if found else [sys.executable, "-m", "flowkit.page.shortcut"]


def _desktop() -> Path:
    """The desktop's folder, whatever the system's language calls it."""
    if sys.platform.startswith("linux"):
        try:
            said = subprocess.run(["xdg-user-dir", "DESKTOP"], capture_output=True, text=True, timeout=5, check=False)
            if said.stdout.strip() and Path(said.stdout.strip()) != Path.home():
                return Path(said.stdout.strip())
        except (OSError, subprocess.TimeoutExpired):
            pass
    return Path.home() / "Desktop"


def main() -> int:
    """Open the page of the folder named, or of one named flowkit in the user's documents; no console is needed."""
    from flowkit.page.server import serve

    # Without a console there are no streams to write to.
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115
    if len(sys.argv) > 1:
        folder = Path(sys.argv[1])
    else:
        documents = Path.home() / "Documents"
        folder = (documents if documents.is_dir() else Path.home()) / "flowkit"
        folder.mkdir(exist_ok=True)
    try:
        return serve(folder, idle_s=IDLE_S)
    except FlowkitError as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    raise SystemExit(main())
