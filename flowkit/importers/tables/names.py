"""Which test a column is: the letters, numbers and words of all headings weighed together.

A letter or a number says little by itself: ``E`` beside ``I`` is the exhaust, beside ``A`` it depends on the language,
beside ``F`` it names a port; 2 is a port where a side is known. Where two readings remain the sheet is asked about.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from flowkit.importers.words.items import SET_HEADING
from flowkit.importers.words.vocabulary import LANGUAGES, SIDE_CODES
from flowkit.model import Finding, Side

if TYPE_CHECKING:
    from flowkit.importers.tables.columns import Column
    from flowkit.importers.tables.find import Table


MOST_PORTS = 16  # a larger number alone is no port's
_LIKE_RUNS = "like 'Intake 1' or 'Run 1'"
SIDE_LETTERS = tuple(map(frozenset, ("ie", "ea", "as", "iu", "dw", "ia")))
"""Pairs of letters that mean the sides in some language."""
_TAIL = re.compile(r"^(?P<name>.*\D)\s*#?(?P<number>\d{1,2})$")
_LEAD = re.compile(
    r"^#?(?P<number>\d{1,2})(?!\s*(?:[mc]m|in|inch|deg)\b)(?P<mark>\s*[-–:(/]\s*|\s+)(?P<name>(?:[^\W\d_]|\d+[.,]\d|\d+\s*[^\W\d_]).*)$"
)
_EDITION = re.compile(r"v ?\d+", re.IGNORECASE)
_COUNTED = re.compile(r"\d+(?:st|nd|rd|th)|first|second|third|fourth|[1-9]\.\d", re.IGNORECASE)
_YEARS = range(1950, 2100)


def resolve_codes(codes: Iterable[str], languages: Iterable[str]) -> dict[str, Side] | None:
    """Say which side each letter means, None where the sheet leaves it open."""
    used = sorted(set(codes))
    speaking = [lang for lang in LANGUAGES if all(lang in SIDE_CODES.get(code, {}) for code in used)]
    if not speaking:
        return None
    votes = Counter(languages)
    most = max(votes[lang] for lang in speaking)
    readings = [{code: SIDE_CODES[code][lang] for code in used} for lang in speaking if votes[lang] == most]
    others = [votes[lang] for lang in speaking if {code: SIDE_CODES[code][lang] for code in used} != readings[0]]
    return readings[0] if most >= 2 * max(others, default=-1) and all(r == readings[0] for r in readings) else None


def name_columns(table: Table, flows: Sequence[Column], side: Side | None, words: Sequence[str]) -> list[Finding]:
    """Give columns that may be flows their side, port, head and state, as far as all headings together tell."""
    _place_letters(flows, side)
    if side is None:
        _split_sides(flows)
    findings = _place_codes(table, flows, words, side)
    placed = [column for column in flows if column.position]
    if len({c.position for c in placed}) == len({c.port or c.bare for c in placed} - {None}) == len(placed) > 1:
        for column in placed:  # "1 (front), 4 (rear)": where each port is
            if f"({column.position})" in column.text:
                column.position = None
        placed = [column for column in placed if column.position]
    heads = any(column.port or column.bare for column in placed)
    for column in placed:  # left, rear and the like: heads where ports are numbered beside them, else ports
        if heads or column.port:
            column.head = column.head or column.position
        else:
            column.port = column.position
    findings += _split_numbers(table, flows, side)
    findings += _place_numbers(table, flows, side)
    return findings + _ask_odd_numbers(table, flows)


def _place_letters(flows: Sequence[Column], side: Side | None) -> None:
    """Take single letters for sides where they are a pair of sides, else for ports."""
    letters = {column.letter.casefold() for column in flows if column.letter}
    if letters == {"s", "p"} and any(column.side or column.code for column in flows):
        return  # stock and ported, or a secondary and a primary port: asked about
    sided = letters in SIDE_LETTERS
    alone = len(letters) == 1 and letters <= {"i", "e"} and not any(column.side for column in flows) and side is None
    for column in flows:
        if column.letter is None:
            continue
        if column.side is None and (sided or alone):
            column.code = column.letter.casefold()
            if column.bare and column.port is None and column.bare.isdecimal():
                column.port, column.bare = column.bare, None
        elif column.port is None:
            column.port = column.letter
        elif column.head is None:
            column.head = column.letter
        column.letter = None


def _split_sides(flows: Sequence[Column]) -> None:
    """Part ``Stk I, Stk E, Ported I, Ported E`` into states and sides."""
    named = [column for column in flows if column.variant and not (column.side or column.code or column.port)]
    pairs: dict[str, list[str]] = {}
    for column in named:
        name, _, letter = column.variant.rpartition(" ")
        if not name or len(letter) != 1 or not letter.isupper():
            return
        pairs.setdefault(name.casefold(), []).append(letter.casefold())
    sides = {frozenset(pair) for pair in pairs.values() if len(pair) == 2}
    if len(sides) == 1 and sides <= set(SIDE_LETTERS) and all(len(pair) == 2 for pair in pairs.values()):
        for column in named:
            column.variant, _, letter = column.variant.rpartition(" ")
            column.code = letter.casefold()


def _place_codes(table: Table, flows: Sequence[Column], words: Sequence[str], side: Side | None) -> list[Finding]:
    """Resolve letters such as E and A by each other and by the language of the sheet."""
    for column in flows:
        if column.code == "in" and side is not None and re.match(r"in\b", column.text) and not column.port:
            column.code = None  # "in CFM" under a caption that names the side
    nameless = [column for column in flows if column.side is None and column.code is None]
    beside = side is None and {c.side for c in flows} == {"exhaust", None} and not any(c.code for c in flows)
    if beside and all(re.search(r"(?<![^\W\d_])in(?![^\W\d_])", c.text, re.IGNORECASE) for c in nameless):
        for column in nameless:
            column.side = "intake"  # "Flow in CFM" beside "Flow ex CFM"
    for column in nameless:  # "Ported + 3 angle In" beside "Ported + 3 angle Ex"
        state, _, last = column.variant.rpartition(" ")
        states = {c.variant.casefold() for c in flows if c.side == "exhaust"}
        if last in ("In", "IN") and state.casefold() in states:
            column.side, column.variant = "intake", state
    coded = [(column, column.code) for column in flows if column.code is not None and column.side is None]
    codes = {code for _, code in coded}
    sides = resolve_codes(codes, words) if coded else None
    beside_intake = sides is None and codes == {"e"} and {c.side for c in flows if c.side} == {"intake"}
    if (codes == {"in"} and side != "exhaust") or beside_intake:
        sides = {"in": "intake", "e": "exhaust"}
    findings = []
    for column, code in coded:
        if sides is None:
            what = f"the letter {code.upper()!r} in {column.text!r} may be intake or exhaust, depending on the language"
            findings.append(column.refuse(table, f"{what}; {SET_HEADING}"))
        else:
            column.side = sides[code]
    return findings


def _split_numbers(table: Table, flows: Sequence[Column], side: Side | None) -> list[Finding]:
    """Part ``Stock 1, Stock 2, Ported 1, Ported 2`` into states and ports, or ask; so ``1 - Stock, 2 - Stock``."""
    named = [column for column in flows if column.variant and not column.port]
    for pattern in (_LEAD, _TAIL):
        matches = [match for column in named if (match := pattern.match(column.variant)) is not None]
        if not matches or len(matches) < len(named):
            continue
        names: dict[str, list[str]] = {}
        for match in matches:
            names.setdefault(match["name"].strip().casefold(), []).append(match["number"])
        sets = {tuple(sorted(numbers)) for numbers in names.values()}
        parted = len(names) > 1
        dashed = parted and all(re.search(r"\s[-–]\s?\d+$", column.variant) for column in named)  # "Stock - 1"
        marked = dashed or (pattern is _LEAD and all(match["mark"].strip() for match in matches))
        states = parted and any(column.state for column in named) and not any("variant" in c.own for c in named)
        sided = side is not None or all(column.side for column in named)
        several = parted and len(next(iter(sets))) > 1
        numbers = [match["number"] for match in matches]
        if pattern is _LEAD and sided and len(set(numbers)) == len(numbers) > len(names) > 1:
            what = "the numbers in these headings may be ports or count the tests"
            return [named[0].refuse(table, f"{what}; {SET_HEADING}, {_LIKE_RUNS}")]
        if len(sets) == 1 and (several or (sided and (marked or states))):
            for column, match in zip(named, matches, strict=True):
                column.variant, column.port = match["name"].strip().removesuffix(")").rstrip(" -–:("), match["number"]
            break
    return []


def _place_numbers(table: Table, flows: Sequence[Column], side: Side | None) -> list[Finding]:
    """Take a number over a column for its port where the side is known; alone it may be anything."""
    asked: dict[str, Finding] = {}
    for column in flows:
        number = column.bare
        if number is None or column.role == "trouble":
            continue
        whole = number.isdecimal()
        if not whole and (column.side or side) and not (column.variant or column.state):
            column.variant, column.state, column.bare = number, True, None  # a valve's size heads the state
        elif (not whole or len(number) > 2) and (column.variant or column.state):
            column.variant = f"{column.variant} {number}".strip()
            continue
        elif (
            (column.side or side or column.marked or column.head)
            and column.port is None
            and not (whole and int(number) > MOST_PORTS)  # "CFM (28)"
        ):
            column.port = number
        elif column.variant and column.port is None:
            column.variant = f"{column.variant} {number}"
            continue
        elif column.role in ("bare", "flow", "named"):
            what = f"the heading {column.text!r} may be a port, a run or something else; {SET_HEADING}, {_LIKE_RUNS}"
            asked.setdefault(column.text, column.refuse(table, what))
        column.role = "named" if column.role == "bare" else column.role
    return list(asked.values())


def _ask_odd_numbers(table: Table, flows: Sequence[Column]) -> list[Finding]:
    """Take years and editions for states, and ask about numbers that no port has."""
    findings = []
    ports = {column.port for column in flows}
    for column in flows:
        port = column.port or ""
        number = int(port) if port.isdecimal() else 0
        if not column.variant and not column.marked and (number in _YEARS or _EDITION.fullmatch(port)):
            column.variant, column.port, column.state = port, None, True
        elif (
            (number > MOST_PORTS and not column.marked and str(number - 1) not in ports)
            or _COUNTED.fullmatch(column.variant)
            or re.match(r"[x×*] ?\d", f"{port} {column.variant}".strip(), re.IGNORECASE)
            or (column.head and re.search(rf"\d{re.escape(column.head)}\b", column.text))
        ):
            what = f"the heading {column.text!r} may name a port, a run, a size or a state; {SET_HEADING}, {_LIKE_RUNS}"
            findings.append(column.refuse(table, what))
    return findings
