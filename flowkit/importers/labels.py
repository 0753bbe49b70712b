"""One label of a sheet (a heading, a title, the left half of a line) -> what it says."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from flowkit.importers.label_units import FLOW_QUANTITIES, take_pressure, take_unit, whole_unit
from flowkit.importers.segments import PORT_CODES, Segment, cut
from flowkit.importers.words.vocabulary import SIDE_CODES, SIDE_KINDS, fold
from flowkit.model import Side
from flowkit.units import Unit

__all__ = ["FLOW_QUANTITIES", "Label", "parse_label", "resolve_codes"]

LENGTH_KINDS = frozenset({"lift", "fixture_bore", "valve_head", "stem", "throat", "seat_width"})


INCH_KINDS = LENGTH_KINDS | {
    "pressure",
    "leak_pressure",
    "check_pressure",
    "check_reading_pressure",
    "barometer",
    "meter_pressure",
}


SIZE_KINDS = LENGTH_KINDS | {"seat_angle", "barometer", "meter_pressure"}


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
    aside : (str, str) or None
        What is a test pressure over a column of flows only, and elsewhere a bare length or number.
    aside_rest : str
        `rest` without it.
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
    aside: tuple[str, str] | None = None
    aside_rest: str = ""
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


_INCH = re.compile(r"[\s,/]+in\.?$", re.IGNORECASE)


_ORDINAL = re.compile(
    r"\b(\d+)\s*(?:st|nd|rd|th|er|e|eme|ème|[.ªaº°])\s*(?=\w)"
    r"(run|pass|lauf|messung|durchgang|essai|passage|pasada|ensayo|prova|passata)\b",
    re.IGNORECASE,
)


_QUOTE = re.compile(r"(?<=[^\W\d])(?=[\"″”](?:\s|$|[)\]]))")


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
    clean = _ORDINAL.sub(r"\2 \1", _QUOTE.sub(" ", clean))
    taken = take_pressure(clean)
    if taken is None:
        return _without_pressure(clean)
    label = _without_pressure(taken.rest)
    said = (taken.number, taken.unit)
    if not taken.bare or (label.kind not in SIZE_KINDS and (not label.rest or taken.behind_flow or taken.at_the_end)):
        return replace(label, pressure=said)
    plain = _without_pressure(clean)
    if label.kind in SIZE_KINDS:
        return plain
    return replace(label, rest=plain.rest or label.rest, aside=said, aside_rest=label.rest)


def _without_pressure(clean: str) -> Label:
    """Say what a label says that holds no test pressure, or no longer."""
    whole = whole_unit(clean) if clean else None
    if whole is not None:
        bracketed = clean[0] in "(["
        clean = clean.strip("()[]")
        code = "in" if clean.lower() == "in" and not bracketed else None
        return Label("gain" if clean == "%" else None, code=code, unit=whole, unit_text=clean)
    inch = _INCH.search(clean)
    if inch is not None and parse_label(clean[: inch.start()]).kind in INCH_KINDS:
        clean = clean[: inch.start()] + " (in)"
    unit, unit_text, clean = take_unit(clean)
    return _assemble(cut(clean), clean, unit, unit_text)


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


def _assemble(segments: list[Segment], text: str, unit: Unit | None, unit_text: str) -> Label:
    """Add up the segments of a label."""
    got = _Reader()
    for index in range(len(segments)):
        if index not in got.used:
            _take(got, segments, index)
    _loose_in(got, segments, unit)
    _loose_numbers(got, segments)
    _words_of_names(got, segments)
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
        treatment=got.treatment,
        both_sides=both,
        languages=tuple(language for segment in segments for language in segment.languages),
    )


def _take(got: _Reader, segments: list[Segment], index: int) -> None:
    """Take one segment, with the name behind it where it asks for one."""
    segment = segments[index]
    got.used.add(index)
    kind = segment.kind
    if kind in SIDE_KINDS:
        got.sides.append(SIDE_KINDS[kind])
        _take_name(got, segments, index)
    elif kind == "code":
        _take_code(got, segment, segments[index + 1].text)
        got.used.add(index + 1)
    elif kind == "port":
        if not _take_name(got, segments, index):
            got.kinds.append("port")
    elif kind == "run":
        _take_run(got, segments, index)
    elif kind == "number":
        got.used.discard(index)
    else:
        _take_word(got, segment, index)


def _take_word(got: _Reader, segment: Segment, index: int) -> None:
    """Take a word that asks for no name."""
    if segment.kind == "position":
        got.port = segment.text if got.port is None else f"{got.port} {segment.text}"
    elif segment.kind == "unknown":
        got.unknown.append(index)
    elif segment.kind == "treatment":
        got.treatment = segment.text
    elif segment.kind not in WEAK:
        got.kinds.append(segment.kind)


def _take_code(got: _Reader, letter: Segment, number: str) -> None:
    """Take a letter with its number: a run's, a port's, or a port's on a side the language decides."""
    if letter.text == "r":
        got.run = int(number) or None
        return
    got.port = number
    got.code = None if letter.text in PORT_CODES else letter.text


def _take_run(got: _Reader, segments: list[Segment], index: int) -> None:
    """Take a run with its number; without one the word heads a column of runs."""
    at = _name_after(segments, index, {"number"})
    if at is not None and segments[at].text.isdecimal() and int(segments[at].text) > 0:
        got.run = int(segments[at].text)
        got.used.update(range(index, at + 1))
    else:
        got.kinds.append("run")


def _name_after(segments: list[Segment], index: int, kinds: set[str]) -> int | None:
    """The segment that names what the one at `index` is, behind # and No."""
    at = index + 1
    while at < len(segments) and (segments[at].kind == "common" or fold(segments[at].text) in ("no", "nr", "number")):
        at += 1
    return at if at < len(segments) and segments[at].kind in kinds else None


def _take_name(got: _Reader, segments: list[Segment], index: int) -> bool:
    """Take a port's name behind a side or a port word: a number, one letter, or both."""
    at = _name_after(segments, index, {"number", "unknown", "position"})
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


def _loose_in(got: _Reader, segments: list[Segment], unit: Unit | None) -> None:
    """Take the word in beside a flow for the intake: ``CFM In``, ``Flow in``."""
    flow = "flow" in got.kinds or (unit is not None and unit.quantity in FLOW_QUANTITIES)
    if flow and len(got.unknown) == 1 and segments[got.unknown[0]].text.lower() == "in" and not got.sides:
        got.unknown = []
        got.code = "in"


def _words_of_names(got: _Reader, segments: list[Segment]) -> None:
    """Leave the word flow to a name that has it in its middle: "high flow valves"."""
    for index in range(1, len(segments) - 1):
        inside = segments[index - 1].kind == "unknown" and segments[index + 1].kind in ("unknown", "filler")
        if segments[index].kind == "flow" and inside:
            got.kinds.remove("flow")
            got.unknown = sorted({*got.unknown, index})


def _loose_numbers(got: _Reader, segments: list[Segment]) -> None:
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


def _rest(got: _Reader, segments: list[Segment], text: str) -> str:
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


def _kind(got: _Reader, segments: list[Segment], rest: str) -> str | None:
    """The one kind a label has, None where it has none or several."""
    kinds = list(dict.fromkeys(got.kinds))
    if "counter" in kinds and set(kinds) & WHO:
        kinds.remove("counter")  # "Run no."
    if "average" in kinds and set(kinds) & (LENGTH_KINDS - {"lift"}):
        kinds.remove("average")  # "Stem Ø": the sign of a mean is that of a diameter too
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
