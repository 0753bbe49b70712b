"""Running text -> the conditions it states: labels with the quantities behind them, and units named in a sentence."""

from __future__ import annotations

import itertools
import re
from functools import lru_cache
from typing import NamedTuple

from flowkit.fields import CONDITIONS
from flowkit.importers.words.items import CONDITION_FIELDS, QUANTITIES
from flowkit.importers.words.labels import WHO_KINDS, Label, mentions, parse_label
from flowkit.importers.words.units import MOST_WORDS
from flowkit.importers.words.values import known_unit
from flowkit.importers.words.vocabulary import fold
from flowkit.units import FLOW_QUANTITIES, Unit, find_unit, measures, to_si
from flowkit.units import number as read_number

UNIT_KINDS = frozenset({"lift_unit", "flow_unit", "pressure_unit", "units"})
TEXT_KINDS = frozenset(row.key for row in CONDITIONS if row.kind == "text" and not row.metered)
LABELS = frozenset(CONDITION_FIELDS) | WHO_KINDS | UNIT_KINDS | {"zero_reading", "liquid_temperature"}
LONGEST = 2000  # characters of a text that are looked at
_NUMBER = re.compile(
    r"(?<![\w.,/-])[-+−]?(?:\d{1,3}(?:[ \u00a0\u202f,.]\d{3})+(?:[.,]\d+)?(?![\d.,]*\d)|\d*[.,]?\d+)(?![\w]*\d)"
)
_UNIT_WORD = re.compile(r"\s*(?:[\"″”°%]|[^\W\d_]+\.?)(?:['’³²/.\d\"″”₂]*[^\W\d_]*[³²₂\d]*)*\.?")
_CUT = re.compile(r"\s*[;|\t\n]\s*|\s{2,}")
_BREAK = re.compile(r"(?:[,;(]|\s[-–])\s*$")  # before a quantity that its label may follow
_WORDS_BEHIND = re.compile(r"\s+(?!-)((?:(?!\s[-–]\s)[^\d,;:.()@]){3,30})")
_DEDUCTED = re.compile(
    r"\b(?:corrected for|after|less|minus|net of|without|deducting|taking off)\s+(?:the\s+)?\w+\W*$", re.I
)
_DIGIT = re.compile(r"\d(?!O)")
_SENTENCE_WORDS = (
    "the a an on no not with without is are was were all here side when for from ohne der die das am auf mit sans "
    "sur le la les cote du au en sin sobre el los del con senza sul sull dell nell lato il di zonder op de het "
    "bez na po utan pa e o os sem"
)
_SENTENCE = frozenset(_SENTENCE_WORDS.split())


_FITTINGS_WORDS = (
    "pipe tube stub tubo tuyau rohr rör pijp rura clay plastilina knete kit lera klei glina pâte masilla massa "
    "plate radius cornet without no senza sans ohne sin sem zonder bez utan inget パイプなし"
)
_FITTINGS = frozenset(_FITTINGS_WORDS.split())


class Pair(NamedTuple):
    """A label of a text with what is written behind it."""

    label: Label
    value: str


class Found(NamedTuple):
    """A number in a text with the unit behind it."""

    number: str
    unit_text: str
    unit: Unit | None
    start: int
    end: int


@lru_cache(maxsize=2048)
def quantities(text: str) -> tuple[Found, ...]:
    """The numbers of a text that have a unit behind them, or none."""
    found = []
    end = 0
    for match in _NUMBER.finditer(text):
        if match.start() < end:
            continue
        unit, unit_text, end = _unit_behind(text, match.end())
        found.append(Found(match[0].strip(), unit_text, unit, match.start(), end))
    return tuple(found)


def _unit_behind(text: str, start: int) -> tuple[Unit | None, str, int]:
    """The longest unit right behind a number."""
    best: tuple[Unit | None, str, int] = (None, "", start)
    place = start
    bracket = re.compile(r"\s*[(\[]").match(text, place)
    if bracket:
        place = bracket.end()
    for _ in range(MOST_WORDS):
        word = _UNIT_WORD.match(text, place)
        if word is None:
            break
        place = word.end()
        spelled = text[start:place].strip(" ([")
        for tail in (spelled, spelled.rstrip(".")):
            unit = find_unit(tail)
            if unit is not None and not (len(tail) == 1 and tail.isalpha() and tail not in "CFK"):
                best = (unit, tail, place)
                break
    return best


@lru_cache(maxsize=2048)
def pairs(text: str) -> tuple[tuple[Pair, ...], str]:
    """The labels of a text with their values, and the text that is left."""
    text = text[:LONGEST]
    found: list[Pair] = []
    rest: list[str] = []
    pieces: list[str] = []
    for piece in _CUT.split(text):
        last = pieces[-1] if pieces else ""
        if piece and last and not _DIGIT.search(last) and _whole_label(last) and not _whole_label(piece):
            pieces[-1] = f"{last.rstrip(' :=')}: {piece}"  # "Temp  20 °C  RH  69 %"
        elif last[-1:].isdigit() and find_unit(piece) is not None:
            pieces[-1] = f"{last} {piece}"
        else:
            pieces += _at_labels(piece)
    for piece in pieces:
        got, left = _of_piece(piece, beside=bool(found))
        found += got
        if left.strip(" ,.:"):
            rest.append(left.strip())
    return tuple(found), "; ".join(rest)


def _at_labels(piece: str) -> list[str]:
    """Cut ``Bore: 83 mm Date: 2026-03-14`` before each label."""
    colons = list(re.finditer(r"[:=：](?=\s|\S)", piece))
    cuts = [0]
    for colon in colons[1:]:
        words = list(re.finditer(r"\S+", piece[cuts[-1] : colon.start()]))
        for count in range(min(4, len(words) - 1), 0, -1):
            begin = cuts[-1] + words[-count].start()
            label = piece[begin : colon.start()]
            unit = find_unit(label.split()[0])
            if unit is None and _DIGIT.search(label) is None and _whole_label(label.strip()) is not None:
                cuts.append(begin)
                break
    return [piece[a:b].strip(" ,.") for a, b in itertools.pairwise([*cuts, len(piece)])] if len(cuts) > 1 else [piece]


def _of_piece(piece: str, *, beside: bool = False) -> tuple[list[Pair], str]:
    """The pairs of one piece of text."""
    plain = _plain_pair(piece)
    if plain is not None:
        return plain, ""
    found: list[Pair] = []
    left = ""
    start = 0
    for number in quantities(piece):
        if number.start < start:
            continue
        before = piece[start : number.start]
        behind = _label_behind(piece, number, before)
        label = (
            (behind if _BREAK.search(before) else None)
            or _label_before(before)
            or behind
            or _of_room(number, before, beside or bool(found))
        )
        if label is not None and _of_standard(before):
            break  # "standard 29.92 inHg 60 F" is not the day's air
        deducted = label is not None and label[0].kind == "leak" and (label[0].treatment or _DEDUCTED.search(before))
        if label is not None and (deducted or _of_other(str(label[0].kind), before[: label[1]])):
            continue
        if label is None or (before.rstrip()[-1:] == "@" and "pressure" not in QUANTITIES.get(str(label[0].kind), ())):
            continue  # "7 mm stem, CFM @ 10 in"
        value = piece[number.start : number.end]
        answered = bool(re.search(r"[:=：]\s*$", before))
        if (
            number.unit is None
            and not answered
            and label[0].unit is None
            and label[0].kind not in ("humidity", "seat_angle", "port", "run")
        ):
            continue
        if number.unit is not None and not _suits(str(label[0].kind), number.unit):
            continue
        length = measures(number.unit, "length") and label[0].kind == "pressure"
        if length and before.rstrip()[-3:].lower() == " at" and piece[number.end :].strip(" ,.;)"):
            continue  # "tested at 12 in to the wall"
        found.append(Pair(label[0], value.strip(" ,.;)")))
        left += piece[start : start + label[1]]
        words = _WORDS_BEHIND.match(piece, number.end) if label is behind else None
        start = words.end() if words else number.end
        left += "." if piece[start - 1 : start + 1] == ". " else ""
        close = re.compile(r"\s*[)\]]").match(piece, start)
        start = close.end() if close else start
    return found, left + piece[start:]


_OTHER_WORDS = (
    "gasket carb carburettor carburetor throttle manifold guide exhaust pipe",
    "oil coolant water fuel exhaust egt engine head sea level kuhlwasser ol abgas huile eau",
)
_OTHER_BORES, _OTHER_AIR = (frozenset(words.split()) for words in _OTHER_WORDS)
_STANDARD = re.compile(r"\b(?:standard|std|reference|ref|norm(?:al)?)\b[^,;.]*$", re.IGNORECASE)


def _of_standard(before: str) -> bool:
    """Whether a quantity is the standard that flows were brought to."""
    return _STANDARD.search(before) is not None


def _of_other(kind: str, before: str) -> bool:
    """Whether the word before a label says that it is of something else: ``Gasket bore 38 mm``, ``Oil temp 80 °C``."""
    word = re.search(r"(?<!of )(?<!in )(?<!mm )(?<!cm )(?<![\"″”] )\b([^\W\d_]+)\s*$", before)
    last = fold(word[1]) if word else ""  # not the water of "28 inches of water, baro 998 mbar"
    return last in (_OTHER_BORES if kind == "fixture_bore" else _OTHER_AIR if kind in _AIR else ())


_AIR = frozenset({"air_temperature", "barometer", "humidity"})


def _suits(kind: str, unit: Unit) -> bool:
    """Whether a unit is one of a condition's."""
    if kind in QUANTITIES:
        inch = unit.name == "in" and "pressure" in QUANTITIES[kind]
        return unit.quantity in QUANTITIES[kind] or inch
    return unit.quantity == "length" if kind in CONDITION_FIELDS and kind not in TEXT_KINDS else False


def _plain_pair(piece: str) -> list[Pair] | None:  # noqa: PLR0911
    """``label: value`` where the value is a text, a date, a name, or one quantity alone."""
    for match in re.finditer(r"\s*[:=：]\s*", piece):
        label = _whole_label(piece[: match.start()])
        value = piece[match.end() :].strip()
        if label is None:
            return None
        if not value:
            return None
        kind = str(label.kind)
        if kind in TEXT_KINDS | WHO_KINDS | UNIT_KINDS:
            return [Pair(label, value)]
        numbers = quantities(value)
        if not numbers or (len(numbers) == 1 and numbers[0].start < 3):
            return [Pair(label, value)]
        if len(numbers) == 2 and re.search(r"[@(]|\bat\b", value[numbers[0].end : numbers[1].start]):
            return [Pair(label, value)]  # a leak with its pressure
        return None
    return None


def _whole_label(text: str) -> Label | None:
    """A text that is a label and nothing else."""
    label = parse_label(text)
    return label if _is_label(label) else None


def _is_label(label: Label) -> bool:
    """Whether a text asks for a value behind it."""
    if label.kind not in LABELS or label.rest or label.bare or (label.letter and label.kind != "fixture_bore"):
        return False
    return not (label.kind in WHO_KINDS and label.names)


def _label_behind(piece: str, number: Found, before: str) -> tuple[Label, int] | None:
    """The label right behind a quantity, where nothing leads up to it: ``28 inH2O test pressure``."""
    lead = re.split(r"[,.;]\s|\s[-–]\s", before)[-1].strip(" ,;(").casefold()
    if lead not in ("", "same", "the", "with", "mit") or number.unit is None:
        return None
    words = _WORDS_BEHIND.match(piece, number.end)
    label = _whole_label(words[1].strip()) if words else None
    named = bool(words) and not piece[: number.start].strip() and not piece[words.end() :].strip()  # type: ignore[union-attr]
    if label is not None and label.kind == "valve_head" and named:
        return None  # "44 mm valve" alone is a state's name
    fits = label is not None and label.kind in CONDITION_FIELDS and _suits(str(label.kind), number.unit)
    return (label, len(before)) if fits and label is not None else None


_ROOM = {"temperature": ("air_temperature", 278.0, 318.0), "pressure": ("barometer", 85e3, 108.5e3)}


def _of_room(number: Found, before: str, beside: bool) -> tuple[Label, int] | None:
    """What ``21C 1004mb`` behind other conditions can only be: the room's air."""
    if not beside or number.unit is None or number.unit.quantity not in _ROOM:
        return None
    kind, low, high = _ROOM[number.unit.quantity]
    value = read_number(number.number)
    begin = 0 if before.strip().casefold() in ("t", "ta", "p", "pa") else len(before)  # "T 20.5 C   p 998 hPa"
    return (Label(kind), begin) if value is not None and low <= to_si(value, number.unit) <= high else None


_TAIL = re.compile(r"[\s:=：,(]*(?:\b(?:of|at|is|was|about|approx|ca|de|von|di)\b\.?)?[\s:=：,(]*$", re.IGNORECASE)


def _label_before(text: str) -> tuple[Label, int] | None:
    """The label that ends right before a number, and where in the text it begins."""
    tail = _TAIL.search(text)
    for body in (text.rstrip(" :=：,("), text[: tail.start()] if tail else text):
        words = list(re.finditer(r"\S+", body))
        for count in range(min(5, len(words)), 0, -1):
            begin = words[-count].start()
            if _DIGIT.search(body[begin:]) or (count > 1 and find_unit(words[-count][0].strip(",;.")) is not None):
                continue  # "60 mbar, air 24 °C"
            label = _whole_label(body[begin:].strip(" ,.;:="))
            if label is not None and label.kind not in WHO_KINDS | UNIT_KINDS | TEXT_KINDS:
                return label, begin
    return None


_NUMBERED = re.compile(r"\bn[or]\.?\s*(?=\d)", re.IGNORECASE)  # "Inlet no. 1"
_JAPANESE_SENTENCE = re.compile(r"[はをが](?=\S{2})|付き|なし$|です|ました")


@lru_cache(maxsize=2048)
def is_sentence(text: str) -> bool:
    """Tell a sentence from a title: words of a sentence beside words that name nothing."""
    text = _NUMBERED.sub("", text)
    words = re.findall(r"[^\W\d_]+", text)
    if any(word.casefold() in _FITTINGS for word in words) and len(words) > 2:
        return True
    small = sum(word in _SENTENCE for word in words)  # lower case: a port's letter and a unit are no small words
    if _JAPANESE_SENTENCE.search(text) or (text.rstrip().endswith((".", "。", "!")) and len(words) > 3):
        return True
    unknown = sum(
        m.kind in ("unknown", "entry_fitting", "exit_fitting", "notes", "filler") for m in mentions(text[:300])
    )
    return len(words) > 2 and small > 0 and unknown > 0


_WORDS = re.compile(r"[^\s,;:()\[\]=。、：]+")


@lru_cache(maxsize=1024)
def named_units(text: str) -> tuple[tuple[str, Unit], ...]:
    """The units of flow and lift that a sentence names: ``flow in CFM, lift inches``."""
    found: dict[str, Unit] = {}
    text = re.sub(r"(?<=[぀-ヿ㐀-鿿])(?=[^぀-ヿ㐀-鿿\s])|(?<=[^぀-ヿ㐀-鿿\s])(?=[぀-ヿ㐀-鿿])", " ", text[:400])
    words = [(m[0].rstrip(".。"), m.start()) for m in _WORDS.finditer(text)]
    said = mentions(text)
    lifts = [m.end for m in said if m.kind == "lift"]
    pressures = [m.end for m in said if m.kind == "pressure"]
    for place, (_, start) in enumerate(words):
        lift = max((end for end in lifts if end <= start), default=-99)
        behind = text[words[place - 1][1] + len(words[place - 1][0]) : start] if place else ""
        if place and words[place - 1][0][:1].isdigit() and not behind.strip():
            continue
        for count in range(MOST_WORDS, 0, -1):
            spelled = " ".join(w for w, _ in words[place : place + count])
            unit = known_unit(spelled)
            if unit is None or (count > 1 and place + count > len(words)):
                continue
            if unit.quantity in FLOW_QUANTITIES and len(spelled) > 2:
                found.setdefault("flow_unit", unit)
            elif (
                unit.quantity == "length"
                and start - lift <= 16
                and (spelled.lower() not in ("in", "m") or place + 1 == len(words))
            ):
                found.setdefault("lift_unit", unit)
            elif unit.quantity == "pressure" and any(0 <= start - end <= 9 for end in pressures):
                found.setdefault("pressure_unit", unit)  # "pressure in inches of water"
            else:
                continue
            break
    return tuple(found.items())
