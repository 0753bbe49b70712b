"""One text of a sheet (a heading, a title, the left half of a line) -> what it says.

A text is cut into mentions (phrases of the vocabulary, numbers, letters, unknown words); what
names a test is taken off both ends, and what is left in the middle is a name as written. A
letter whose side depends on the language, and a number that may name a port or be part of a
name, stay open here: the headings beside it decide (`tables/names.py`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

from flowkit.fields import CONDITIONS
from flowkit.importers.words import vocabulary
from flowkit.importers.words.units import foreign_unit, take_pressure, take_unit, whole_unit
from flowkit.importers.words.vocabulary import LONGEST, PHRASES, SIDE_CODES, SIDE_KINDS, fold
from flowkit.model import Side
from flowkit.units import FLOW_QUANTITIES, Unit, find_unit, measures

LENGTH_KINDS = frozenset(row.key for row in CONDITIONS if row.kind == "length") | {"lift"}
_INCH_KINDS = LENGTH_KINDS | {
    "pressure", "leak_pressure", "check_pressure", "check_reading_pressure", "barometer", "meter_pressure", "meter",
}  # fmt: skip
_SIZE_KINDS = LENGTH_KINDS | {"seat_angle", "barometer", "meter_pressure"}
LEFT_OUT = frozenset({"average", "total", "gain", "derived", "other", "counter"})
_STATISTICS = ("gain", "average", "total")
_WEAK = frozenset({"filler", "title", "common", "mark"})
WHO_KINDS = frozenset({"side", "port", "run", "variant", "head"})
_PORT_LETTERS = frozenset("pczk")
_POSITIONS = frozenset({"lh", "rh"})
_NUMERALS = dict(zip(("one", "two", "three", "four", "i", "ii", "iii", "iv"), "12341234", strict=True))
_MONTHS = {fold(name) for months in vocabulary.MONTH_WORDS.values() for names in months for name in names.split()}
_SIZED = frozenset({"deg", "degree", "grad", "mm", "inch", "zoll", "pouces", "st", "nd", "rd", "th"}) | _MONTHS
_AGAIN = frozenset(
    {"repeat", "rep", "repeat run", "repetition", "wiederholung", "herhaling", "powtorzenie", "upprepning"}
)
LONGEST_LABEL = 200
_NUMBER_MARKS = frozenset({"no", "nr", "n°", "nº"})
_TWO_LETTERS = frozenset({"EV", "AV", "EL", "AL"})  # codes of sides before or behind a port's number
_BEFORE_CODES = frozenset({"", "number", "port", "mark", "position", "head"})
_NO_NAME = frozenset(SIDE_KINDS) | {
    "port", "run", "position", "flow", "lift", "treatment", "title", "again", "common", "code",
}  # fmt: skip
_UNKNOWN: tuple[str, tuple[str, ...]] = ("unknown", ())
_PLAIN = {"letter", "number", "flow", "treatment", "run", "filler", "mark", "again", "common", "port"}
_BESIDE_IN = {"flow", "port", "number", "letter", "run", "treatment", "position", "again", "exhaust", "head"}
_WHOLE = {"tested": "date", "flowed": "date", "by": "operator", "op": "operator"}  # unless they are all there is
_IN_NAME = re.compile(r"_in(?=$|[\s(\[])")  # q_in (CFM)
_LEFT_RIGHT = re.compile(r"\b([LRlr])\.\s?[Hh]\b\.?")
_TOKEN = re.compile(r"\b[Hh]2[Oo0]\b|\d+(?:[.,]\d+)*|[^\W\d_]+|[#%+@⌀°&]")
_CJK = re.compile(r"[぀-ヿ㐀-鿿]")
_DENSITY = re.compile(r"\b(?:kg|g|lb)/(?:m|ft)[3³]")
_INCH = re.compile(r"(?<!\.001)[\s,/]+in\.?$", re.IGNORECASE)
_QUOTE = re.compile(r"(?<=[^\W\d])(?=[\"″”](?:\s|$|[)\]]))")
_ENDINGS = "|".join(
    re.escape(ending) for endings in vocabulary.ORDINAL_ENDINGS.values() for ending in endings if ending != "o"
)
_ORDINAL = re.compile(
    rf"\b(\d{{1,2}})(?:{_ENDINGS})\s*(?=\w)([^\W\d_]+)"
    r"(?!\s*[#.]?\d)",  # "1E pass 2" is the exhaust of port 1
    re.IGNORECASE,
)
_METER_UNIT = re.compile(r"(.*?\w)\s*[(\[]\s*(V|Hz|div)\s*[)\]]\s*$")
_MARKDOWN = re.compile(r"^\s*(\*\*|__|`|\*)(.*?)\1\s*$")
Tokens = list[tuple[str, str, int, int]]


@dataclass(frozen=True, slots=True)
class Label:
    """What a text says; None and empty where it says nothing."""

    kind: str | None = None
    side: Side | None = None
    port: str | None = None
    run: int | None = None
    head: str | None = None
    code: str | None = None  # a letter whose side depends on the language
    bare: str | None = None  # a number on its own
    letter: str | None = None  # a letter on its own
    position: str | None = None  # left, rear and the like: a port's name, or a head's where ports are numbered
    rest: str = ""  # a name as written
    unit: Unit | None = None
    unit_text: str = ""
    foreign: str = ""  # a quantity that is no part of a flow test, by its unit
    pressure: tuple[str, str] | None = None
    aside: tuple[str, str] | None = None  # what is a test pressure over a column of flows only
    aside_rest: str = ""  # `rest` without it
    treatment: str = ""  # what kind of reading it is said to be, such as corrected
    again: bool = False  # a run was repeated
    both_sides: bool = False
    kinds: tuple[str, ...] = ()
    languages: tuple[str, ...] = ()  # an entry for each word and language it belongs to

    @property
    def names(self) -> bool:
        """Whether it says which side, port, run or head is meant."""
        return bool(self.side or self.port or self.run or self.code or self.head or self.position)

    @property
    def only_unit(self) -> bool:
        """Whether it is a unit and nothing else."""
        no_kind = self.kind is None or (self.kind == "gain" and self.unit_text == "%")
        return self.unit is not None and no_kind and not (self.names or self.rest or self.bare or self.letter)


class Mention(NamedTuple):
    """A piece of a text: its kind in the vocabulary, or ``number``, ``letter``, ``mark``, ``unknown``."""

    kind: str
    text: str
    start: int
    end: int
    languages: tuple[str, ...] = ()


_NOTHING = Mention("", "", 0, 0)


@lru_cache(maxsize=8192)
def mentions(text: str) -> tuple[Mention, ...]:
    """Cut a text into the vocabulary's phrases, numbers and unknown words."""
    tokens: Tokens = []
    for match in _TOKEN.finditer(text):
        if _CJK.search(match[0]):
            tokens += _cut_cjk(match[0], match.start())
        else:
            tokens.append((match[0], fold(match[0]) or match[0], match.start(), match.end()))
    found: list[Mention] = []
    place = 0
    while place < len(tokens):
        raw, _, start, end = tokens[place]
        if raw[0].isdigit():
            found.append(Mention("number", raw, start, end))
            place += 1
            continue
        (kind, languages), count = _UNKNOWN, 1
        for size in range(min(LONGEST, len(tokens) - place), 0, -1):  # the longest phrase that begins here
            phrase = " ".join([token[1] for token in tokens[place : place + size]])
            if phrase in PHRASES:
                (kind, languages), count = PHRASES[phrase], size
                break
        if count == 1 and raw in "#&+@" and len(tokens) > 1:
            kind = "mark"
        elif count == 1 and len(raw) == 1 and raw.isalpha() and raw.isascii():
            kind = "letter"
        elif kind == "unknown" and raw.casefold() in _POSITIONS:
            kind = "position"
        end = tokens[place + count - 1][3]
        found.append(Mention(kind, text[start:end], start, end, languages))
        place += count
    return tuple(found)


def _cut_cjk(word: str, start: int) -> Tokens:
    """Cut a word that is written without blanks at the longest phrases of the vocabulary."""
    cuts: list[tuple[int, int]] = []
    place = rest = 0
    while place < len(word):
        sizes = range(min(12, len(word) - place), 0, -1)
        size = next((n for n in sizes if fold(word[place : place + n]) in PHRASES), 0)
        if size:
            cuts += [(rest, place), (place, place + size)]
            rest = place + size
        place += size or 1
    cuts.append((rest, place))
    return [(word[a:b], fold(word[a:b]), start + a, start + b) for a, b in cuts if a < b]


_ENGINE = re.compile(  # "4 cil. 8 valvole": the engine, no head or port
    r"(?<![\w.,])\d{1,2}[ -]?(?:cyl|cil|zyl)\w*\.?[ ,/-]*"
    r"\d{1,2}[ -]?(?:v|valv\w*|ventil\w*|soupapes?|klep\w*|zaw\w*)\b\.?\s*[,;:–-]?",
    re.IGNORECASE,
)


@lru_cache(maxsize=8192)
def parse_label(text: str) -> Label:
    """Say what a text says."""
    clean = _IN_NAME.sub(" IN", text[: 4 * LONGEST_LABEL]).replace("_", " ")
    clean = " ".join(_ENGINE.sub(" ", clean).split()).strip(" :=")
    marked = _MARKDOWN.match(clean)
    if marked:
        clean = marked[2].strip(" :=")
    if not clean or len(clean) > LONGEST_LABEL:
        return Label(rest=clean)
    if clean.casefold() in _WHOLE:
        return Label(_WHOLE[clean.casefold()], languages=("en",))
    clean = _LEFT_RIGHT.sub(r"\1H", _ORDINAL.sub(_turn_ordinal, _QUOTE.sub(" ", clean)))
    taken = take_pressure(clean)
    if taken is None:
        return _without_pressure(clean)
    label = _without_pressure(taken.rest)
    said = (taken.number, taken.unit)
    if not taken.bare or (
        label.kind not in _SIZE_KINDS
        and (not label.rest or taken.behind_flow or taken.at_the_end or label.kind == "flow")
    ):
        return replace(label, pressure=said)
    plain = _without_pressure(clean)
    if label.kind in _SIZE_KINDS:
        return plain
    return replace(label, rest=plain.rest or label.rest, aside=said, aside_rest=label.rest)


def _turn_ordinal(match: re.Match[str]) -> str:
    """``2nd run`` as ``run 2``; any other ordinal stays as it is."""
    kind = PHRASES.get(fold(match[2]), ("",))[0]
    return f"{match[2]} {match[1]}" if kind == "run" or (kind in ("port", "intake", "exhaust")) else match[0]


def _without_pressure(clean: str) -> Label:
    """Say what a text says that holds no test pressure, or no longer."""
    whole = whole_unit(clean) if clean else None
    if whole is not None:
        bracketed = clean[0] in "(["
        inner = clean.strip("()[]{}<>")
        code = "in" if inner.lower() == "in" and not bracketed else None
        return Label("gain" if inner == "%" else None, code=code, unit=whole, unit_text=inner)
    other = foreign_unit(clean)
    if other:
        return Label("other", foreign=other)
    of_table = _METER_UNIT.match(clean)
    if of_table is not None:
        label = parse_label(f"{of_table[1]} (mm)")
        if label.kind == "meter":
            return replace(label, unit=None, unit_text=of_table[2])
    inch = _INCH.search(clean)
    if inch is not None and parse_label(clean[: inch.start()]).kind in _INCH_KINDS:
        clean = clean[: inch.start()] + " (in)"
    unit, unit_text, clean, foreign = take_unit(clean)
    if unit is not None and "/" in clean:  # "Flow in m3/h, lift in mm": a second unit names nothing
        clean = " ".join(word for word in clean.split() if "/" not in word or find_unit(word.strip(",;:")) is None)
    clean = _DENSITY.sub(" ", clean)
    flow = unit is not None and unit.quantity in FLOW_QUANTITIES
    return _Reader(list(mentions(clean)), clean, flow=flow).label(unit, unit_text, foreign)


class _Reader:
    """Adds up the mentions of one text."""

    def __init__(self, found: list[Mention], text: str, *, flow: bool = False) -> None:
        self.found = _in_context(found, flow=flow)
        self.text = text
        self.flow = flow
        self.kinds: list[str] = []
        self.sides: list[Side] = []
        self.port: str | None = None
        self.run: int | None = None
        self.head: str | None = None
        self.code: str | None = None
        self.bare: str | None = None
        self.letter: str | None = None
        self.position: str | None = None
        self.treatment = ""
        self.again = False

    def label(self, unit: Unit | None, unit_text: str, foreign: str) -> Label:
        """Take what names a test off both ends; what is left is a name."""
        inside = self._name_span()
        outside = [m for i, m in enumerate(self.found) if i not in inside]
        self._take_all(outside, whole=not inside)
        rest = self.text[self.found[inside[0]].start : self.found[inside[-1]].end].strip() if inside else ""
        rest += ")" * (rest.count("(") - rest.count(")"))
        rest = rest.replace(")", "", 1) if rest.count(")") > rest.count("(") else rest
        kinds = [m.kind for m in self.found]
        if self.bare and unit is None and kinds[0] in ("filler", "title") and {*kinds} <= {"filler", "title", "number"}:
            rest, self.bare = self.text.strip(), None  # "Test 1" is a name
        plain = kinds[:2] == ["filler", "number"] and set(kinds[2:]) <= {"flow", "treatment"}
        if plain and (unit is not None or "flow" in kinds) and fold(self.found[0].text) == "test" and self.bare:
            self.run, self.bare = int(self.bare) if self.bare.isdecimal() else None, None
        both = len(set(self.sides)) > 1
        kind = self._kind(rest)
        if kind is None and both and not rest and not set(self.kinds) - {"flow"} and len(outside) == 2 and unit is None:
            kind = "side"
        if foreign and kind in (None, "flow", "derived") and not both:
            kind = "other"
        bare = not rest and kind in (None, "gain", "side", "port") and not set(self.kinds) - {"side", "port", "gain"}
        if bare and (unit_text == "%" or measures(unit, "length", "pressure")):
            reading = any(fold(m.text) in ("reading", "readings") for m in self.found)
            kind = "meter" if reading else kind  # "Intake 1 reading (mm)": beside any other word it adds nothing
        if kind in LEFT_OUT:
            rest = ""
        if kind == "average" and "filler number" in " ".join(kinds):
            self.port = None  # "average of 4 exhausts"
        if kind == "valve_head" and self.port and self.sides and unit is None and self.bare is None:
            kind = None  # "Cyl 1 inlet valve" over a column of flows
        if kind == "run" and self.run is None and self.flow:
            kind, self.again = None, any(fold(m.text) in _AGAIN for m in self.found)  # "repeat, CFM"
        return Label(
            kind, self.sides[0] if self.sides and not both else None, self.port, self.run, self.head, self.code,
            self.bare, self.letter, self.position, rest, unit, unit_text, foreign,
            treatment=self.treatment, again=self.again, both_sides=both,
            kinds=(*kinds, *(("meter",) if kind == "meter" and "meter" not in kinds else ())),
            languages=tuple(lang for m in self.found if len(m.languages) < 3 for lang in m.languages),
        )  # fmt: skip

    def _at(self, index: int) -> Mention:
        """A mention by its place, and nothing outside."""
        return self.found[index] if 0 <= index < len(self.found) else _NOTHING

    def _name_span(self) -> range:
        """The mentions of the name in the middle; none where nothing names a state."""
        core = []
        for i, m in enumerate(self.found):
            before = self._at(i - 1)
            names = m.kind in ("unknown", "state") or (m.kind == "variant" and self._at(i + 1).kind == "number")
            names = names or (m.kind == "valve_head" and before.kind == "number" and "." in before.text)
            a_port = m.kind == "unknown" and len(m.text) == 1 and before.kind in ("port", *SIDE_KINDS)
            if names and not a_port and not self._is_loose_in(i):
                core.append(i)
        if not core:
            return range(0)
        first, last = core[0], core[-1]
        while first > 0 and self._joins(first - 1, before=True):
            first -= 1
        while last + 1 < len(self.found) and self._joins(last + 1, before=False):
            last += 1
        return range(first, last + 1)

    def _joins(self, index: int, *, before: bool) -> bool:  # noqa: PLR0911
        """Whether a mention beside a name is part of it: small words, parts of the head, numbers before a word."""
        m, behind, ahead = self.found[index], self._at(index + 1), self._at(index - 1)
        if m.text.lower() == "in" and self._is_loose_in(index):
            return False
        if self._is_run_word(index) or (not before and m.kind == "number" and self._is_run_word(index - 1)):
            return False  # "Before porting - 1 test 2"
        if before and m.text.lower() == "no" and self.text[m.end : m.end + 1] == " ":
            return True  # "no clay" is not "clay"
        if before and m.kind == "number" and fold(behind.text) in _SIZED:
            return True  # "45 deg seat", "Intake 36mm", "Intake 2 Nov"
        if m.kind in ("number", "letter"):
            number, letter = (m, behind) if m.kind == "number" else (ahead, m)
            touching = letter.kind == "letter" and letter.start == number.end and letter.text.casefold() in SIDE_CODES
            if number.kind == "number" and touching:
                return False  # "Stock - 1I"
            if m.kind == "number" and behind.kind == "run" and _CJK.search(behind.text):
                return False
            return self._joins_figure(index, before=before)
        if m.kind == "mark":
            return m.text == "+" or (m.text == "&" and not before)
        if m.kind == "flow" and not before and index + 1 < len(self.found):
            return behind.kind in ("unknown", "filler", "valve_head")  # "high flow valves"
        return m.kind not in _NO_NAME and (m.kind not in LEFT_OUT or m.kind == "other")

    def _joins_figure(self, index: int, *, before: bool) -> bool:
        """Whether a number or a letter beside a name is part of it, and names no port or run."""
        m, ahead = self.found[index], self._at(index - 1)
        pair = index if m.kind == "letter" else index - 1
        if self._at(pair).kind == "letter" and self._at(pair + 1).kind == "number" and self._glued(self.found, pair):
            return False
        gap = self.text[ahead.end : m.start]
        if before and ahead.text.lower() == "in":
            return bool(re.search(r"[(\[]|\s[-–]\s", gap))
        if before and ahead.kind in SIDE_KINDS and re.search(r"\s[-–]\s|\(", gap):
            return True  # "Inlet - 44 mm valve"
        return not before or ahead.kind not in (*SIDE_KINDS, "port", "run", "mark", "position")

    def _is_run_word(self, index: int) -> bool:
        """Whether the word test counts the runs of a port: ``Intake 1 test 2``."""
        if fold(self._at(index).text) not in ("test", "tests", "proef") or self._at(index + 1).kind != "number":
            return False
        if self._at(index + 2).kind == "unknown":
            return False  # "Test 3 short side"
        names = (*SIDE_KINDS, "port", "letter", "position", "number", "state")
        return any(x.kind in names or x.text.lower() == "in" for x in self.found[:index])

    def _is_loose_in(self, index: int) -> bool:
        """Whether it is the word in, which beside a flow or a port means the intake."""
        m, ahead = self.found[index], self._at(index - 1).kind
        if m.text.lower() != "in":
            return False
        number = self._at(index + 1 + (self._at(index + 1).kind == "mark"))
        numbered = number.kind == "number" and len(number.text) < 3
        if numbered and self.text[m.end : number.start] in ("", "-", ".", "#", " #", " ", "/"):
            return True
        last = index == len(self.found) - 1
        gap = "(" if last else self.text[m.end : self.found[index + 1].start]
        if ahead in ("number", "letter", "port") and (m.text != "in" or "(" in gap or "-" in gap):
            return True
        others = {x.kind for i, x in enumerate(self.found) if i != index}
        after = {x.kind for x in self.found[index + 1 :]}
        flow_behind = "flow" in after and after <= {"flow", "treatment", "run", "again", "number", "mark"}
        if m.text != "in" and (
            (not last and re.match(r"\s*[(\-–:,]", gap))
            or (index == 0 and "state" in others and others <= {"state", "number", "variant", "flow"})
            or (index > 0 and re.search(r"[-–:(]\s*$", self.text[: m.start]))
            or (m.text == "IN" and last and not self.text.isupper())  # "Ported IN"
            or (m.text == "IN" and _CJK.search(self.text))
            or (m.text == "In" and last and "state" in others and others <= {"state", "flow"})
            or (m.text in ("IN", "In") and last and ahead == "valve_head")  # "44 mm valve In"
            or (m.text in ("IN", "In") and index > 0 and flow_behind)  # "Stock In Airflow"
        ):
            return True
        return others - _WEAK <= _BESIDE_IN

    def _take_all(self, found: list[Mention], *, whole: bool) -> None:  # noqa: PLR0912
        """Take the mentions that are no part of a name."""
        used: set[int] = set()
        for index, m in enumerate(found):
            if index in used:
                continue
            if m.kind in SIDE_KINDS:
                self.sides.append(SIDE_KINDS[m.kind])
                self._take_port(found, index, used)
            elif m.kind == "port":
                behind = index and found[index - 1].kind == "number" and self.port == found[index - 1].text
                if not self._take_port(found, index, used) and not behind:
                    self.kinds.append("port")
            elif m.kind == "run" or (m in self.found and self._is_run_word(self.found.index(m))):
                self._take_run(found, index, used)
            elif m.kind == "head" and not any(other.kind == "valve_head" for other in found):
                at = _after(found, index, used, {"number", "letter", "position"})
                bank = m.text.casefold() == "bank"
                if at is not None and (bank or len(found) > 2 or found[at].kind == "letter"):
                    self.head = f"{m.text} {found[at].text}" if bank else found[at].text
                    used.add(at)
                else:
                    self.kinds.append("head")
            elif m.kind == "position":
                self.position = m.text if self.position is None else f"{self.position} {m.text}"
            elif m.kind == "again":
                self.again = True
            elif m.kind == "treatment":
                self.treatment = m.text
            elif m.kind == "code" or (m.kind == "unknown" and m.text.lower() == "in"):
                self._take_code(found, index, used)
            elif m.kind not in ("number", "letter", *_WEAK, "unknown", "state"):
                self.kinds.append(m.kind)
        self._take_letters(found, used, whole=whole)
        for index, m in enumerate(found):  # the numbers that nothing asked for: a port's beside a side, else a name
            if index not in used and m.kind == "number":
                if (self.sides or self.code) and self.port is None and m.text.isdecimal() and len(m.text) < 4:
                    self.port = m.text
                elif self.bare is None:
                    self.bare = m.text

    def _take_port(self, found: list[Mention], index: int, used: set[int]) -> bool:
        """Take a port's name behind a side or a port word: a number, one letter, or both; or a number before it."""
        at = _after(found, index, used, {"number", "letter", "position"})
        behind = found[at + 1] if at is not None and at + 1 < len(found) else _NOTHING
        counted = index and found[index - 1].kind == "number" and found[index - 1].end == found[index].start  # 1番 (左)
        if at is not None and (
            (found[at].kind == "position" and (found[index].kind != "port" or counted))
            or (behind.kind == "run" and _CJK.search(behind.text))  # 1番 2回目
            or (found[at].kind == "letter" and behind.kind == "number" and self._glued(found, at))  # "Port E3"
        ):
            at = None
        if at is None:
            before = index - 1
            if before < 0 or before in used or not _is_small_number(found[before]):
                return False
            if "," in self.text[found[before].end : found[index].start]:
                return False  # "Test 14, intake port of cylinder 3"
            ahead = found[before - 1].kind if before else ""
            if ahead in ("run", "variant", "head", "state", "unknown") and (before - 1) not in used:
                return False
            used.add(before)
            self._add_port(found[before].text)
            return True
        if "." in found[at].text or "," in found[at].text:
            return False
        used.update(range(index, at + 1))
        touching = behind.kind == "letter" and behind.start == found[at].end
        used.update([at + 1] if touching else ())
        self._add_port(found[at].text + (behind.text if touching else ""))
        return True

    def _add_port(self, name: str) -> None:
        """Add a port's name; the same one twice is one."""
        if self.port is None:
            self.port = name
        elif self.port != name and self.port.isdecimal() and name.isdecimal():
            self.bare = self.bare or name
        elif self.port != name:
            self.port = f"{self.port} {name}"

    def _take_run(self, found: list[Mention], index: int, used: set[int]) -> None:
        """Take a run with its number; without one the word heads a column of runs."""
        at = _after(found, index, used, {"number"})
        if at is None and index and (index - 1) not in used and found[index - 1].end == found[index].start:
            at = index - 1 if found[index - 1].kind == "number" else None
        lettered = _after(found, index, used, {"letter"})
        if at is not None and found[at].text.isdecimal() and int(found[at].text) > 0:
            self.run = int(found[at].text)
            used.add(at)
        elif lettered is not None and found[lettered].text.upper() in "ABCD" and found[index].text.isascii():
            self.run = ord(found[lettered].text.upper()) - 64  # "Run A"
            used.add(lettered)
        elif fold(found[index].text) in _AGAIN and len(found) > 1:
            self.again = True
        else:
            self.kinds.append("run")

    def _glued(self, found: list[Mention], index: int) -> bool:
        """Whether a letter touches the number behind it, or is parted from it by a dash or a dot."""
        letter = found[index]
        gap = self.text[letter.end : found[index + 1].start]
        if gap == " " and letter.text.isupper() and letter.text.casefold() in SIDE_CODES:
            before = self.text[: letter.start].rstrip()
            more = [m for m in found[index + 2 :] if fold(m.text) not in ("test", "tests")]
            last = all(m.kind in ("flow", "run", "treatment", "again", "mark", "number") for m in more)
            return not before or before[-1] in "-–(:,[" or (last and letter.text in "IE")
        return gap in ("", "-", "–", ".", "#", " #")

    def _take_code(self, found: list[Mention], index: int, used: set[int]) -> None:
        """Take a letter or ``in`` for a side that the language decides, with the number beside it."""
        used.add(index)
        self.code = found[index].text.lower()
        at = _after(found, index, used, {"number"})
        behind = found[at + 1] if at is not None and at + 1 < len(found) else _NOTHING
        mark = index + 1 < len(found) and found[index + 1].kind == "mark"
        counted = behind.kind == "run" and _CJK.search(behind.text)  # IN 1回目
        if at == index + 1 + mark and _is_small_number(found[at]) and not counted:
            used.add(at)
            self._add_port(found[at].text)
        elif index and (index - 1) not in used and found[index - 1].text.isdecimal():
            used.add(index - 1)
            self._add_port(found[index - 1].text)

    def _take_letters(self, found: list[Mention], used: set[int], *, whole: bool) -> None:
        """Place single letters: a run's, a port's, a side's, or a name of their own."""
        plain = whole and {m.kind for m in found} <= _PLAIN
        for index, m in enumerate(found):
            if m.kind != "letter" or index in used:
                continue
            letter = m.text.casefold()
            ahead = index + 1 < len(found) and found[index + 1].kind == "number" and (index + 1) not in used
            behind = index > 0 and found[index - 1].kind == "number" and (index - 1) not in used
            glued = (ahead and self._glued(found, index)) or (
                behind and self.text[found[index - 1].end : m.start] in ("", "-", "–")
            )
            number = found[index + 1] if ahead else found[index - 1] if behind else _NOTHING
            if (glued or plain) and "=" not in self.text and _is_small_number(number):
                if letter == "r" and glued:
                    self.run = int(number.text) or None
                elif (letter in SIDE_CODES and self.code != "in") or letter in _PORT_LETTERS:  # not "In S1"
                    self._add_port(number.text)
                    self.code = None if letter in _PORT_LETTERS and letter not in SIDE_CODES else letter
                else:
                    self._add_port(f"{number.text}{m.text}" if behind and not ahead else f"{m.text}{number.text}")
                used.update((index, found.index(number)))
            elif self.letter is None and not self.sides:
                self.letter = m.text
                used.add(index)
            elif self.sides and self.port is None:
                self.port = m.text
                used.add(index)

    def _kind(self, rest: str) -> str | None:
        """The one kind a text has, None where it has none or several."""
        kinds = list(dict.fromkeys(self.kinds))
        said = set(kinds)
        ends = {self.found[0].kind, self.found[-1].kind} if self.found else set()
        if "counter" in said and said & WHO_KINDS:
            kinds.remove("counter")  # "Run no."
        if "average" in said and said & (LENGTH_KINDS - {"lift"}):
            kinds.remove("average")  # "Stem Ø": the sign of a mean is that of a diameter too
        for kind in _STATISTICS:
            if kind in kinds and not (rest and kinds == ["gain"] and "gain" not in ends):
                return kind
        if "derived" in said and (not rest or ("derived" in ends and "flow" not in said)):
            return "derived"
        if "other" in said and not rest and "lift" not in said:
            alone = said <= {"other", "meter", "head", "filler", "pressure"} or len(kinds) == 1
            return "other" if alone else kinds[0]
        if "meter" in said and not rest:
            kinds = [kind for kind in kinds if kind not in ("pressure", "flow") or said & {"average", "gain"}]
            if kinds == ["meter"]:
                return "meter"
        if "flow" in kinds and set(kinds) <= {"flow", "pressure", "head", "bench", "variant", "port"}:
            return "flow"
        return kinds[0] if len(kinds) == 1 and not rest else None


def _in_context(found: list[Mention], *, flow: bool) -> list[Mention]:
    """Mentions whose neighbours decide what they are: marks of a number, RH, letters of sides, numerals, Q, bank."""
    kinds = {m.kind for m in found}
    placed = kinds & {*SIDE_KINDS, "port", "run", "number", "letter", "position", "head", "state"}
    meant: list[Mention] = []
    for m, after in zip(found, [*found[1:], _NOTHING], strict=False):
        word, before = fold(m.text), meant[-1].kind if meant else ""
        if word in _NUMBER_MARKS and after.kind == "number":
            meant.append(m._replace(kind="mark"))
        elif placed and m.text.casefold() == "rh":
            meant.append(m._replace(kind="position"))
        elif not kinds & SIDE_KINDS.keys() and m.text in _TWO_LETTERS and before in _BEFORE_CODES:
            meant.append(m._replace(kind="code"))
        elif before == "port" and m.kind in ("unknown", "letter") and word in _NUMERALS:
            meant.append(m._replace(kind="number", text=_NUMERALS[word]))
        elif flow and not meant and m.kind == "letter" and word == "q":
            meant.append(m._replace(kind="flow"))  # "Q1 (cfm)": the symbol of a flow
        else:
            meant.append(m)
    numbers = sum(m.kind == "number" for m in meant)
    named = any(m.kind in (*SIDE_KINDS, "port", "letter") or m.text.casefold() == "in" for m in meant)
    if named or numbers > 1 or (len(meant) == 2 and numbers):
        meant = [m._replace(kind="head", languages=()) if m.text.casefold() == "bank" else m for m in meant]
    return meant


def _is_small_number(m: Mention) -> bool:
    """Whether it is a whole number such as a port has."""
    return m.kind == "number" and m.text.isdecimal() and len(m.text) < 3


def _after(found: list[Mention], index: int, used: set[int], kinds: set[str]) -> int | None:
    """The mention that names what the one at `index` is, behind # and No."""
    at = index + 1
    while at < len(found) and (found[at].kind in ("common", "mark") or fold(found[at].text) in ("no", "nr", "number")):
        at += 1
    return at if at < len(found) and found[at].kind in kinds and at not in used else None
