"""Lines that say figures in words as rows of a table: ``lift 1mm 25.1cfm``, ``in 1: .1=55 .2=104 .3=141``."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from flowkit.importers.words.labels import Mention, mentions
from flowkit.importers.words.phrases import Found, quantities
from flowkit.units import FLOW_QUANTITIES, number

Row = tuple[str | None, ...]
_LEAST = 2  # lines of one form
_PAIRS = 3  # in a line
_KEPT = frozenset({"lift", "flow", "intake", "exhaust", "port", "head", "run", "position", "number"})
_FIGURES = frozenset({"lift", "flow", "intake", "exhaust"})
_LONGEST = 400
_CELLS = re.compile(r"[\t;|]|(?<!\d),(?=\S)|,(?=[^\s\d])")  # commas without a blank cut cells
_CELLS_OF_FIGURES = re.compile(r"[-+.\d]+(?:,[-+.\d]*){2,}")
_ROW = re.compile(r"[>\s]*[-+]?[.,]?\d[\d.,]*(?:\s+[-+]?[.,]?\d[\d.,]*)+\s*")
_JOINS = re.compile(r"[=:@→>/]")


class _Line(NamedTuple):
    """A line with its figures, and the words between them."""

    form: str
    found: tuple[Found, ...]
    words: list[str]
    gaps: list[str]  # as written


def said_rows(lines: Sequence[str]) -> tuple[list[Row], list[int]] | None:
    """Return rows and their lines where figures are said in lines of one form; None where they are not."""
    if sum(_CELLS_OF_FIGURES.fullmatch(line) is not None for line in lines) > 1:
        return None
    cut = [_cut(line) for line in lines]
    pairs = [_pairs(line) if line is not None else None for line in cut]
    if not any(pairs):
        if any(_ROW.fullmatch(line) for line in lines):
            return None  # rows of figures below headings
        forms = Counter(line.form for line in cut if line is not None and _says_both(line))
        if len(forms) != 1 or sum(forms.values()) < _LEAST:
            return None  # a line of another form would be passed over
        if sum(line is not None for line in cut) >= 2 * sum(forms.values()):
            return None  # the headings of tables, and no lines of figures
        cut = [line if line is not None and line.form in forms else None for line in cut]
    elif sum(line is not None for line in cut) >= 2 * sum(map(bool, pairs)):
        return None
    rows: list[tuple[Row, int]] = []
    above = False
    for at, (text, line, pair) in enumerate(zip(lines, cut, pairs, strict=True), 1):
        if pair:
            rows += [(row, at) for row in pair]
        elif line is None or any(pairs):
            rows.append(((text.strip(),) if text.strip() else (), at))
        else:
            rows += [] if above else [(_headings(line), at)]
            rows.append((tuple(f.number for f in line.found) + tuple(filter(None, line.words[-1:])), at))
        above = line is not None or (above and not text.strip())
    return [row for row, _ in rows], [at for _, at in rows]


def _cut(line: str) -> _Line | None:
    """Cut a line at its figures; None where it has less than two, or is cut by other marks."""
    if len(line) > _LONGEST or _CELLS.search(line):
        return None
    if "  " in line.strip() and not any(m.kind == "lift" and not m.start for m in mentions(line.strip())):
        return None  # cells below headings
    found = tuple(f for f in quantities(line) if not line[: f.start].rstrip().endswith("#"))
    if len(found) < 2:
        return None
    ends = [0, *(f.end for f in found)]
    starts = [*(f.start for f in found), len(line)]
    gaps = [line[a:b] for a, b in zip(ends, starts, strict=True)]
    words = [gap.strip(" ,.:=-–@()→>") for gap in gaps]
    form = " {} ".join(f"{text} {unit}" for text, unit in zip(words, [f.unit_text for f in found], strict=False))
    return _Line(" ".join(form.casefold().split()), found, words, gaps)


def _says_both(line: _Line) -> bool:
    """Whether a line says a lift and a flow, by words or units."""
    kinds = {_kind(m) for words in line.words for m in mentions(words)} & _FIGURES
    units = {f.unit.quantity for f in line.found if f.unit is not None}
    flows = bool(units & set(FLOW_QUANTITIES) or kinds - {"lift"})
    return bool(kinds) and ("lift" in kinds or "length" in units) and flows


def _kind(mention: Mention) -> str:
    """A mention's kind; In between figures is the intake."""
    return "intake" if mention.text.lower() == "in" else mention.kind


def _headings(line: _Line) -> Row:
    """What heads each figure: its unit, and the words before it, or behind it where nothing leads up to the first."""
    names: list[list[str]] = [[] for _ in line.found]
    leads = any(_kind(m) in _FIGURES for m in mentions(line.words[0]))
    for gap, text in enumerate(line.words):
        known = [m for m in mentions(text) if _kind(m) in _KEPT]
        for nth, mention in enumerate(known):
            behind = gap and not leads and not (nth and any(m.kind == "lift" for m in known[:nth]))
            at = gap - 1 if behind or gap == len(line.found) else gap
            names[at].append("intake" if _kind(mention) == "intake" else mention.text)
    return tuple(
        " ".join(words) + (f" ({found.unit_text})" if found.unit_text else "")
        for words, found in zip(names, line.found, strict=True)
    )


def _pairs(line: _Line) -> list[Row] | None:
    """The rows of ``in 1: .1=55 .2=104 .3=141``, under the line's own words; None where it holds no such pairs."""
    odd = len(line.found) % 2  # the number of a port leads
    found, words, gaps = line.found[odd:], line.words[odd:], line.gaps[odd:]
    lead = f"{line.words[0]} {line.found[0].number}{words[0]}" if odd else words[0]
    firsts, seconds = found[::2], found[1::2]
    joined = all(f.unit is not None or _JOINS.search(gap) for f, gap in zip(firsts, gaps[1::2], strict=True))
    if len(firsts) < _PAIRS or any(words[1:]) or not joined or not any(mark.isalpha() for mark in lead):
        return None
    lifts, flows = [[number(f.number) or 0.0 for f in half] for half in (firsts, seconds)]
    units = [{f.unit for f in half} for half in (firsts, seconds)]
    if max(flows) < max(lifts) and units[1] != {None}:
        firsts, seconds, lifts, flows = seconds, firsts, flows, lifts  # 55 cfm @ .1
        units.reverse()
    if lifts != sorted(set(lifts)) or any(len(of) > 1 for of in units) or units[0] == units[1] != {None}:
        return None
    heads = [f" ({f[0].unit_text})" if f[0].unit_text else "" for f in (firsts, seconds)]
    rows: list[Row] = [(lead,), (f"lift{heads[0]}", f"flow{heads[1]}")]
    return rows + [(a.number, b.number) for a, b in zip(firsts, seconds, strict=True)]
