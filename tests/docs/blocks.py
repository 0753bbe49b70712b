"""The fenced code blocks of a page, and how they are run.

The convention, which is also what a reader sees:

- ```` ```csv title="name" ```` (or toml, text, json …): the block is written to a file of that name first;
- ```` ```sh ````: its lines are run one by one; a line ends with ``# exit status 1`` where that is expected;
- ```` ```python ````: run in one namespace a page;
- ```` ```text ```` straight behind either: what it printed; a line with ``…`` alone stands for any lines,
  ``…`` within a line for any characters, and the padding of columns does not count.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flowkit.cli.app import run

FENCE = re.compile(
    r"^(?P<indent> *)(?P<marks>`{3,}|~{3,})(?P<info>[^`\n]*)\n(?P<body>.*?)^(?P=indent)(?P=marks) *$", re.M | re.S
)
TITLE = re.compile(r'title="([^"]+)"')
STATUS = re.compile(r"#\s*exit status (\d)\s*$")

EXEMPT = frozenset(
    {
        "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/flowkit demo flowkit-demo",
        ".venv/bin/pip install -q '.[test]' && .venv/bin/python -m pytest -n auto",
        "pipx install .",
    }
)
"""README's lines that make an environment; .ci/run runs them on a clean machine. The page has tests of its own."""


@dataclass(frozen=True)
class Block:
    """One fenced block."""

    language: str
    title: str | None
    body: str
    line: int
    follows: bool
    """Whether nothing but blank lines stands between it and the block before."""


def blocks_of(text: str) -> list[Block]:
    """Every fenced block of a page, in order."""
    found: list[Block] = []
    end = 0
    for match in FENCE.finditer(text):
        info = match["info"].strip()
        title = TITLE.search(info)
        indent = len(match["indent"])
        body = "".join(
            line[min(indent, len(line) - len(line.lstrip(" "))) :] for line in match["body"].splitlines(True)
        )
        found.append(
            Block(
                language=info.split()[0].split("{")[0] if info else "",
                title=title[1] if title else None,
                body=body,
                line=text.count("\n", 0, match.start()) + 1,
                follows=bool(found) and not text[end : match.start()].strip(),
            )
        )
        end = match.end()
    return found


@dataclass
class Runner:
    """Runs the blocks of one page in one folder."""

    folder: Path
    demo: Callable[[str], tuple[int, str]]
    """Does what ``flowkit demo`` does; its exit status and what it printed."""
    names: dict[str, Any] = field(default_factory=lambda: {"__name__": "__main__"})
    printed: str = ""

    def run(self, block: Block) -> None:
        """Run one block."""
        if block.title is not None:
            self._write(block)
        elif block.language == "sh":
            self.printed = "".join(self._line(line) for line in block.body.splitlines())
        elif block.language == "python":
            self.printed = self._python(block.body)
        elif block.language == "text":
            assert block.follows, "a text block stands behind what printed it, or has a title"
            compare(block.body, self.printed)
        elif block.language == "toml":
            tomllib.loads(block.body)
        else:
            raise AssertionError(f"no way to run a block of {block.language!r}")

    def _write(self, block: Block) -> None:
        target = self.folder / str(block.title)
        assert target.resolve().is_relative_to(self.folder.resolve())
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(block.body, encoding="utf-8")

    def _line(self, line: str) -> str:
        """Run one line of a shell block and return what it printed."""
        line = line.strip()
        if not line or line.startswith(("#", "flowkit open ")) or line in EXEMPT:
            return ""
        wanted = int(match[1]) if (match := STATUS.search(line)) else 0
        words = shlex.split(line, comments=True)
        assert words and words[0] in ("flowkit", "cd", "cp", "mkdir"), f"not a line that may be run: {line}"
        if words[0] != "flowkit":
            self._shell(words)
            return ""
        if words[1] == "demo":
            status, printed = self.demo(words[2])
        else:
            status, printed = command(words[1:])
        assert status == wanted, f"{line}: exit status {status}\n{printed}"
        return printed

    def _shell(self, words: list[str]) -> None:
        if words[0] == "cd":
            os.chdir(words[1])
            self.folder = Path.cwd()
        elif words[0] == "mkdir":
            Path(words[1]).mkdir()
        else:
            *sources, target = words[1:]
            for source in sources:
                shutil.copy(source, target)

    def _python(self, body: str) -> str:
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            exec(compile(body, "<page>", "exec"), self.names)
        return out.getvalue()


def command(words: list[str]) -> tuple[int, str]:
    """Run flowkit in this process; its exit status and all it printed, as a terminal shows it."""
    out = _stream()
    return _run(words, out, out), _text(out)


def results_of(words: list[str]) -> tuple[int, str]:
    """Run flowkit in this process; its exit status and what it printed on standard output alone."""
    out = _stream()
    return _run(words, out, _stream()), _text(out)


def _run(words: list[str], out: io.TextIOWrapper, error: io.TextIOWrapper) -> int:
    kept = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = out, error
    try:
        return run(words)
    finally:
        sys.stdout, sys.stderr = kept


def _stream() -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    return stream.buffer.getvalue().decode("utf-8")  # type: ignore[attr-defined]


def compare(wanted: str, printed: str) -> None:
    """Hold what a page shows against what was printed; how columns are padded does not count."""
    patterns = []
    for line in wanted.strip("\n").splitlines():
        if line.strip() == "…":
            patterns.append(r"(?:[^\n]*\n)*?")
        else:
            patterns.append("[^\n]*?".join(re.escape(part) for part in _squeezed(line).split("…")) + "\n")
    text = "".join(_squeezed(line) + "\n" for line in printed.strip("\n").splitlines())
    if re.fullmatch("".join(patterns), text):
        return
    right = next(n for n in range(len(patterns), -1, -1) if re.match("".join(patterns[:n]), text))
    lines = [*wanted.strip("\n").splitlines(), "(nothing more)"]
    raise AssertionError(f"not printed as the page shows it: {lines[right]!r}; printed was\n{printed[:1500]}")


def _squeezed(line: str) -> str:
    """A line with single spaces and none at its end."""
    return re.sub(" +", " ", line).rstrip()
