"""One label of a sheet (a heading, a title, the left half of a line) -> what it says."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from flowkit.importers.vocabulary import LONGEST, PHRASES, SIDE_CODES, SIDE_KINDS, fold
from flowkit.model import Side
from flowkit.units import Quantity, Unit, find_unit

__all__ = ["NOTHING", "Label", "parse_label", "resolve_codes"]

FLOW_QUANTITIES: tuple[Quantity, ...] = ("flow", "mass flow", "standard flow")
LENGTH_KINDS = frozenset({"lift", "fixture_bore", "valve_head", "stem", "throat", "seat_width"})
INCH_KINDS = LENGTH_KINDS | {"pressure", "leak_pressure", "check_pressure", "barometer", "meter_pressure"}
WEAK = frozenset({"filler", "title", "common", "treatment"})
LEFT_OUT = ("average", "total", "gain")
WHO = frozenset({"side", "port", "run", "variant", "head"})


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says; None and empty where it says nothing.

    Attributes
    ----------
    kind : str or None
        A quantity or a kind of column of the vocabulary.
    side, port, run : str, str, int or None
    code : str or None
        The letter before a port's number, where its side depends on the language.
    bare : str or None
        A number that stands alone.
    rest : str
        Words that are not in the vocabulary, as written.
    unit : Unit or None
    unit_text : str
        The unit as written.
    pressure : (str, str) or None
        A test pressure in the label, its number and unit as written.
    treatment : str
        What kind of reading it is said to be, such as "corrected".
    both_sides : bool
    languages : tuple of str
        One entry for each word and language it belongs to.
    """

    kind: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    code: str | None = None
    bare: str | None = None
    rest: str = ""
    unit: Unit | None = None
    unit_text: str = ""
    pressure: tuple[str, str] | None = None
    treatment: str = ""
    both_sides: bool = False
    languages: tuple[str, ...] = ()

    @property
    def names(self) -> bool:
        """Whether it says which side, port or run is meant."""
        return bool(self.side or self.port or self.run or self.code)

    @property
    def only_unit(self) -> bool:
        """Whether it is a unit and nothing else."""
        return self.unit is not None and self.kind is None and not (self.names or self.rest or self.bare)


NOTHING = Label()


class _Token(NamedTuple):
    text: str
    folded: str
    start: int
    end: int


class _Segment(NamedTuple):
    kind: str  # of the vocabulary, or "number", "code", "unknown"
    text: str
    start: int
    end: int
    languages: tuple[str, ...] = ()


_TOKEN = re.compile(r"[^\W\d_]+|\d+(?:[.,]\d+)*|[#%+@⌀°&]")
_BRACKET = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_WATER = r"(?:h2o|h20|h₂o|water|w\.?c\.?|w\.?g\.?)"
_AT = re.compile(
    r"(?:@|\bat\b|\bbei\b|(?<!\w)[àa](?=\s))\s*(?P<number>\d+(?:[.,]\d+)?)\s*"
    rf"(?P<unit>[\"″”]\s*{_WATER}?|in(?:ch(?:es)?)?\.?(?:\s*(?:of\s+)?{_WATER})?"
    r"|[mc]m\s*(?:h2o|h20|h₂o|ws|wc|wg|ce|ca)|[hk]?pa|mbar|psi)(?!\w)",
    re.IGNORECASE,
)
_AT_BARE = re.compile(
    r"(?:@|\bat\b|\bbei\b)\s*(?P<number>\d+(?:[.,]\d+)?)(?P<unit>)(?=\s*(?:$|[,;)\]]))", re.IGNORECASE
)
_PRESSURE = re.compile(
    rf"(?<![\w.,])(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>[\"″”]\s*{_WATER}|(?:in(?:ch(?:es)?)?\.?|[mc]m)\s*(?:of\s+)?{_WATER}"
    r"|mm\s*(?:ws|ce|ca)|[hk]pa|mbar)(?!\w)",
    re.IGNORECASE,
)
_INCH = re.compile(r"[\s,/]+in\.?$", re.IGNORECASE)
_ORDINAL = re.compile(
    r"\b(\d+)\s*(?:st|nd|rd|th|er|e|eme|ème|[.ªaº°])\s*(?=\w)(run|pass|lauf|messung|durchgang|essai|passage|pasada|ensayo|prova|passata)\b",
    re.IGNORECASE,
)
_QUOTE = re.compile(r"(?<=[^\W\d])(?=[\"″”](?:\s|$|[)\]]))")
_TOO_SHORT = frozenset({"in", "of", "f", "c", "k", "m", "d", "h/d", "deg", "grad", "g", "mil"})


@lru_cache(maxsize=8192)
def parse_label(text: str) -> Label:
    """Say what a label says.

    Parameters
    ----------
    text : str
        As it stands in the cell.

    Examples
    --------
    >>> label = parse_label("Int #2 (CFM)")
    >>> label.side, label.port, label.unit.name
    ('intake', '2', 'CFM')
    >>> parse_label("Ventilhub [mm]").kind, parse_label("Cyl 1 Ex").side, parse_label("Port 01").port
    ('lift', 'exhaust', '01')
    """
    clean = " ".join(text.replace("_", " ").split()).strip(" :=")
    if not clean or len(clean) > 200:
        return Label(rest=clean)
    pressure, clean = _take_pressure(_ORDINAL.sub(r"\2 \1", _QUOTE.sub(" ", clean)))
    whole = _whole_unit(clean)
    if whole is not None:
        bracketed = clean[0] in "(["
        clean = clean.strip("()[]")
        code = "in" if clean.lower() == "in" and not bracketed else None
        return Label("gain" if clean == "%" else None, code=code, unit=whole, unit_text=clean, pressure=pressure)
    inch = _INCH.search(clean)
    if inch is not None and parse_label(clean[: inch.start()]).kind in INCH_KINDS:
        clean = clean[: inch.start()] + " (in)"
    unit, unit_text, clean = _take_unit(clean)
    return _assemble(_segments(clean), clean, unit, unit_text, pressure)


def _whole_unit(text: str) -> Unit | None:
    """The unit the whole text is; words of the vocabulary are words."""
    plain = text.strip("()[]")
    return None if fold(plain) in PHRASES and plain != "%" else find_unit(plain) if plain.lower() != "rh %" else None


def _take_pressure(text: str) -> tuple[tuple[str, str] | None, str]:
    """Take a test pressure such as ``@ 28" H2O`` out of a label."""
    found = _AT.search(text) or _PRESSURE.search(text) or _AT_BARE.search(text)
    if found is None:
        return None, text
    return (found["number"], (found["unit"] or "").strip()), (text[: found.start()] + " " + text[found.end() :]).strip()


def _take_unit(text: str) -> tuple[Unit | None, str, str]:
    """Take the unit out of a label: in brackets, at its end, at its beginning, between its words."""
    for found in _BRACKET.finditer(text):
        unit = find_unit(found[1])
        if unit is not None:
            return unit, found[1].strip(), _tidy(text[: found.start()] + " " + text[found.end() :])
    text = re.sub(r"[()\[\]{}<>]", " ", text)
    words = text.split()
    for count in (3, 2, 1):
        if count < len(words):
            tail = " ".join(words[-count:]).strip(",;:/-")
            unit = _free_unit(tail)
            if unit is not None:
                return unit, tail, _tidy(" ".join(words[:-count]))
    for place, word in enumerate(words):
        head, slash, tail = word.partition("/")
        unit = find_unit(tail) if slash and len(head) > 2 and place == len(words) - 1 else None
        if unit is not None and find_unit(word) is None:
            return unit, tail, _tidy(" ".join([*words[:-1], head]))
        unit = _free_unit(word.strip(",;:"))
        if unit is not None and len(words) > 1 and (unit.quantity in FLOW_QUANTITIES or (place == 0 and len(word) > 1)):
            return unit, word.strip(",;:"), _tidy(" ".join(words[:place] + words[place + 1 :]))
    return None, "", " ".join(words)


def _free_unit(text: str) -> Unit | None:
    """A unit that stands among words without brackets; too short ones are words."""
    plain = text.lower().strip(" .")
    if plain in _TOO_SHORT or (fold(text) in PHRASES and plain != "%"):
        return None
    return find_unit(text)


def _tidy(text: str) -> str:
    """Drop what led up to a unit: ``Lift in mm``, ``Hub / mm``, ``Flow,``."""
    return re.sub(r"(?:\s+(?:in|en))?[\s,;:/\-–]*$", "", " ".join(text.split()), flags=re.IGNORECASE)


def _segments(text: str) -> list[_Segment]:
    """Cut a label into the vocabulary's phrases, numbers and unknown words."""
    tokens = [_Token(m[0], fold(m[0]) or m[0], m.start(), m.end()) for m in _TOKEN.finditer(text)]
    segments: list[_Segment] = []
    place = 0
    while place < len(tokens):
        token = tokens[place]
        if token.text[0].isdigit():
            segments.append(_Segment("number", token.text, token.start, token.end))
            place += 1
            continue
        follows = tokens[place + 1] if place + 1 < len(tokens) else None
        if follows is not None and _is_code(token, follows):
            segments.append(_Segment("code", token.folded, token.start, token.end))
            place += 1
            continue
        count = _longest(tokens, place)
        last = tokens[place + count - 1] if count else token
        kind, languages = PHRASES[_joined(tokens, place, count)] if count else ("unknown", ())
        segments.append(_Segment(kind, text[token.start : last.end], token.start, last.end, languages))
        place += max(count, 1)
    return segments


def _is_code(token: _Token, follows: _Token) -> bool:
    """Whether a letter belongs to the number behind it: ``E3``, ``IN 2``, ``P1``."""
    if not follows.text.isdecimal() or len(follows.text) > 2:
        return False
    glued = follows.start == token.end
    return (glued and token.folded in _CODES) or (token.folded == "in" and follows.start - token.end <= 1)


_PORT_CODES = frozenset({"p", "c", "z", "k"})
_CODES = frozenset(SIDE_CODES) | _PORT_CODES | {"r"}


def _joined(tokens: list[_Token], place: int, count: int) -> str:
    return " ".join(token.folded for token in tokens[place : place + count])


def _longest(tokens: list[_Token], place: int) -> int:
    """How many tokens from here on are one phrase of the vocabulary; 0 if none."""
    most = min(LONGEST, len(tokens) - place)
    for count in range(most, 0, -1):
        if _joined(tokens, place, count) in PHRASES:
            return count
    return 0


class _Reader:
    """What the segments of one label add up to."""

    def __init__(self) -> None:
        self.kinds: list[str] = []
        self.sides: list[Side] = []
        self.port: str | None = None
        self.run: int | None = None
        self.code: str | None = None
        self.bare: str | None = None
        self.treatment = ""
        self.unknown: list[int] = []
        self.used: set[int] = set()


def _assemble(
    segments: list[_Segment], text: str, unit: Unit | None, unit_text: str, pressure: tuple[str, str] | None
) -> Label:
    """Add up the segments of a label."""
    got = _Reader()
    for index, segment in enumerate(segments):
        if index not in got.used:
            _take(got, segments, index)
    _loose_numbers(got, segments)
    rest = _rest(got, segments, text)
    kind = _kind(got, segments, rest)
    both = len(set(got.sides)) > 1
    if kind is None and both and not rest:
        kind = "side" if len(segments) == 2 else None
    if kind in LEFT_OUT or kind == "derived":
        rest = ""
    return Label(
        kind=kind,
        side=got.sides[0] if got.sides and not both else None,
        port=got.port,
        run=got.run,
        code=got.code,
        bare=got.bare,
        rest=rest,
        unit=unit,
        unit_text=unit_text,
        pressure=pressure,
        treatment=got.treatment,
        both_sides=both,
        languages=tuple(language for segment in segments for language in segment.languages),
    )


def _take(got: _Reader, segments: list[_Segment], index: int) -> None:
    """Take one segment, with the name behind it where it asks for one."""
    segment = segments[index]
    got.used.add(index)
    kind = segment.kind
    if kind in SIDE_KINDS:
        got.sides.append(SIDE_KINDS[kind])
        _take_name(got, segments, index)
    elif kind == "code":
        number = segments[index + 1].text
        got.used.add(index + 1)
        if segment.text == "r":
            got.run = int(number) or None
        else:
            got.port = number
            got.code = None if segment.text in _PORT_CODES else segment.text
    elif kind == "port":
        if not _take_name(got, segments, index):
            got.kinds.append("port")
    elif kind == "run":
        at = _name_after(segments, index, {"number"})
        if at is not None and segments[at].text.isdecimal() and int(segments[at].text) > 0:
            got.run = int(segments[at].text)
            got.used.update(range(index, at + 1))
        else:
            got.kinds.append("run")
    elif kind == "position":
        got.port = segment.text if got.port is None else f"{got.port} {segment.text}"
    elif kind == "unknown":
        got.unknown.append(index)
    elif kind == "treatment":
        got.treatment = segment.text
    elif kind == "number":
        got.used.discard(index)
    elif kind not in WEAK:
        got.kinds.append(kind)


def _name_after(segments: list[_Segment], index: int, kinds: set[str]) -> int | None:
    """The segment that names what the one at `index` is, behind # and No."""
    at = index + 1
    while at < len(segments) and (segments[at].kind == "common" or fold(segments[at].text) in ("no", "nr", "number")):
        at += 1
    return at if at < len(segments) and segments[at].kind in kinds else None


def _take_name(got: _Reader, segments: list[_Segment], index: int) -> bool:
    """Take a port's name behind a side or a port word: a number, one letter, or both."""
    at = _name_after(segments, index, {"number", "unknown"})
    if at is None or (segments[at].kind == "unknown" and len(segments[at].text) > 1):
        return False
    name = segments[at].text
    follows = segments[at + 1] if at + 1 < len(segments) else None
    got.used.update(range(index, at + 1))
    if (
        follows is not None
        and follows.kind == "unknown"
        and len(follows.text) == 1
        and follows.start == segments[at].end
    ):
        name += follows.text
        got.used.add(at + 1)
    got.port = name if got.port is None else f"{got.port} {name}"
    return True


def _loose_numbers(got: _Reader, segments: list[_Segment]) -> None:
    """Place the numbers nothing asked for: a port's beside a side, else a name of its own."""
    for index, segment in enumerate(segments):
        if index in got.used:
            continue
        got.used.add(index)
        named = index > 0 and segments[index - 1].kind in ("filler", "title")
        if got.unknown or got.kinds or (named and not got.sides):
            got.unknown.append(index)
        elif got.sides and got.port is None:
            got.port = segment.text
        elif got.bare is None and got.port is None:
            got.bare = segment.text
        else:
            got.unknown.append(index)
    got.unknown.sort()


_EDGES = frozenset(
    {"flow", "lift", *LEFT_OUT, "derived", *SIDE_KINDS, "port", "run", "code", "number", "title", "common", "treatment"}
)


def _rest(got: _Reader, segments: list[_Segment], text: str) -> str:
    """The words that name something, as written, with the small words beside them."""
    who = [i for i, s in enumerate(segments) if s.kind in ("variant", "head") and len(segments) > 1]
    if who and (got.unknown or len(segments) > len(who)) and not set(got.kinds) - WHO:
        named = [i for i in range(len(segments)) if segments[i].kind not in WEAK]
        if got.unknown or any(segments[i].kind == "number" for i in named):
            got.unknown = sorted({*got.unknown, *who})
    if not got.unknown:
        return ""
    first, last = got.unknown[0], got.unknown[-1]
    # A small word or a quantity's word beside unknown ones is part of the name: "slim-stem valves".
    while first > 0 and segments[first - 1].kind not in _EDGES:
        first -= 1
    while last + 1 < len(segments) and segments[last + 1].kind not in _EDGES:
        last += 1
    return text[segments[first].start : segments[last].end].strip()


def _kind(got: _Reader, segments: list[_Segment], rest: str) -> str | None:
    """The one kind a label has, None where it has none or several."""
    kinds = list(dict.fromkeys(got.kinds))
    if len(kinds) > 1 and "counter" in kinds:
        kinds.remove("counter")
    for kind in LEFT_OUT:
        if kind in kinds:
            return kind
    ends = {segments[0].kind, segments[-1].kind} if segments else set()
    if "derived" in kinds and (len(kinds) == 1 or not rest) and ("derived" in ends or not rest):
        return "derived"
    if "flow" in kinds and not set(kinds) - {"flow", "pressure", "head", "bench", "variant"}:
        return "flow"
    if rest:
        return None
    return kinds[0] if len(kinds) == 1 else None


def resolve_codes(codes: Iterable[str], languages: Iterable[str]) -> dict[str, Side] | None:
    """Say which side each letter stands for, None where the sheet leaves it open.

    Parameters
    ----------
    codes : iterable of str
        The letters used together, such as ``{"e", "a"}``.
    languages : iterable of str
        The languages of the sheet's words, one entry for each word and language it belongs to.

    Examples
    --------
    >>> resolve_codes({"i", "e"}, [])
    {'e': 'exhaust', 'i': 'intake'}
    >>> resolve_codes({"e"}, ["de", "de"])
    {'e': 'intake'}
    >>> resolve_codes({"e", "a"}, []) is None
    True
    """
    used = sorted(set(codes))
    speaking = [lang for lang in ("en", "de", "fr", "es", "it") if all(lang in SIDE_CODES[code] for code in used)]
    if not speaking:
        return None
    votes = Counter(languages)
    most = max(votes[lang] for lang in speaking)
    readings = [{code: SIDE_CODES[code][lang] for code in used} for lang in speaking if votes[lang] == most]
    return readings[0] if all(reading == readings[0] for reading in readings) else None
