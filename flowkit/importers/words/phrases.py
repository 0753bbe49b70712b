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
from flowkit.importers.words.vocabulary import SIDE_KINDS, fold
from flowkit.model import Side
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
_OPEN, _CLOSE = re.compile(r"\s*[(\[]"), re.compile(r"\s*[)\]]")
_SENTENCE_WORDS = (
    "the a an on no not with without is are was were all here side when for from ohne der die das am auf mit sans "
    "sur le la les cote du au en sin sobre el los del con senza sul sull dell nell lato il di zonder op de het "
    "bez na po utan pa e o os sem"
)
_FITTINGS_WORDS = (
    "pipe tube stub tubo tuyau rohr rör pijp rura clay plastilina knete kit lera klei glina pâte masilla massa "
    "plate radius cornet without no senza sans ohne sin sem zonder bez utan inget パイプなし"
)
_SENTENCE, _FITTINGS = frozenset(_SENTENCE_WORDS.split()), frozenset(_FITTINGS_WORDS.split())
_NOMINAL_WORDS = (
    "nominal|rated|target|aim|soll|sollwert|nenn(?:wert)?|nominale?|consigne|objetivo|nominaal|nominalnie|nominellt"
)
_ACTUAL_WORDS = (
    "actual(?:ly)?|measured|real|true|ist|istwert|gemessen|r[ée]el(?:le)?|mesur[ée]e?|medid[ao]|misurat[ao]|gemeten"
)
_ACTUAL = re.compile(
    rf"(?P<dropped>{_NUMBER.pattern})\s*(?P<unit>[\"″”](?:\s*[Hh]2[Oo])?|[^\W\d_][\w/³]*)?\s*\(?(?:{_NOMINAL_WORDS})\b\)?"
    rf"[\s,;/(]*(?P<kept>{_NUMBER.pattern})\s*(?P<own>[\"″”](?:\s*[Hh]2[Oo])?|(?!(?:{_ACTUAL_WORDS})\b)[^\W\d_][\w/³]*)?"
    rf"\s*\(?(?:{_ACTUAL_WORDS})\b\)?",
    re.IGNORECASE,
)
_DOUBT_BEFORE = (
    r"(?:[~≈±]|\b(?:approx(?:imately)?|about|around|roughly|circa|ca|maybe|perhaps|probably|presumably|nearly|etwa|"
    r"ungefähr|rund|vermutlich|environ|env|à peu près|peut-être|aprox(?:imadamente)?|unos|cerca de|forse|ongeveer|"
    r"misschien|około|ok|chyba|ungefär|omkring|kanske|talvez)\b\.?|約|およそ)\s*$"
)
_DOUBT_BEHIND = r"\s*(?:[\"″”]|[^\W\d_][\w/³]*)?\s*\(?\?"
_UNSURE = re.compile(
    r"\b(?:I think|I believe|I guess|not sure|unsure|from memory|if I remember|glaube ich|je crois|creo que)\b",
    re.IGNORECASE,
)
_AT_WORDS = r"@|at|bei|à|bij|przy|vid|em|con|:|="
_READ = re.compile(
    r"\b(?:reads?|reading|shows?|showed|measured|gave|actual|abgelesen|gelesen|gemessen|lue?|mesuré|le[íi]d[oa]|medid[oa]|lett[oa]|"
    r"misurat[oa]|gelezen|gemeten|odczyt|zmierzono|avläst|uppmätt|lid[oa])\b|実測",
    re.IGNORECASE,
)
_NOMINAL = re.compile(rf"\b(?:{_NOMINAL_WORDS}|should (?:read|be))\b", re.IGNORECASE)
_BY = re.compile(
    r"^\s*(?:tested|flowed|measured|run|done|operated|getestet|gemessen|geprüft)\s+(?:by|von)\s+"
    r"(?P<operator>[^\W\d_][\w.'’-]*(?:\s+(?!on\b|at\b|auf\b|bei\b)[^\W\d_][\w.'’-]*){0,2}?)"
    r"(?:\s+(?:on|at|auf)\s+(?:the\s+)?(?P<bench>(?:flow)?bench\s+[\w-]+))?\s*(?:[.,;]\s*|(?=\s(?:on|at|auf|bei)\s)|$)",
    re.IGNORECASE,
)
_LETTERED = re.compile(r"(?:^|[\s,/;(])(?:[pt]|ta|pa|rh)\s*[:=]\s*$", re.IGNORECASE)
_USUAL = {row.key: row.usual for row in CONDITIONS if row.usual and row.key != "valve_head"}
_MISSED = frozenset({"humidity", "pressure", "temperature", *FLOW_QUANTITIES})
_OTHER_WORDS = (
    "engine gasket carb carburettor carburetor throttle manifold guide exhaust pipe",
    "oil coolant water fuel exhaust egt engine head sea level kuhlwasser ol abgas huile eau",
)
_OTHER_BORES, _OTHER_AIR = (frozenset(words.split()) for words in _OTHER_WORDS)
_STANDARD = re.compile(r"\b(?:standard|std|reference|ref|norm(?:al)?)\b[^,;.]*$", re.IGNORECASE)
_AIR = frozenset({"air_temperature", "barometer", "humidity"})
_ROOM = {"temperature": ("air_temperature", 278.0, 318.0), "pressure": ("barometer", 85e3, 108.5e3)}
_TAIL = re.compile(r"[\s:=：,(]*(?:\b(?:of|at|is|was|about|approx|ca|de|von|di)\b\.?)?[\s:=：,(]*$", re.IGNORECASE)
_NUMBERED = re.compile(r"\bn[or]\.?\s*(?=\d)", re.IGNORECASE)  # "Inlet no. 1"
_JAPANESE_SENTENCE = re.compile(r"[はをが](?=\S{2})|付き|なし$|です|ました")
_WORDS = re.compile(r"[^\s,;:()\[\]=。、：]+")


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
    bracket = _OPEN.match(text, start)
    place = bracket.end() if bracket else start
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
def actual(text: str) -> str:
    """A text with the actual figure alone where it gives it beside a nominal one: ``28 inH2O nominal, 27.6 actual``."""
    return _ACTUAL.sub(lambda m: f"{m['kept'].strip()} {m['own'] or m['unit'] or ''}".strip(), text)


@lru_cache(maxsize=2048)
def doubted(text: str) -> tuple[Found, ...]:
    """The numbers of a text that it does not say for certain: ``~28``, ``approx. 28 in``, ``28?``."""
    if not _DIGIT.search(text):
        return ()
    unsure = _UNSURE.search(text)
    return tuple(
        number
        for number in quantities(text)
        if unsure
        or re.search(_DOUBT_BEFORE, text[: number.start], re.IGNORECASE)
        or re.match(_DOUBT_BEHIND, text[number.start + len(number.number) :])
    )


@lru_cache(maxsize=2048)
def by_side(text: str) -> tuple[tuple[tuple[Side, str], ...], str]:
    """The pressures a text gives side by side and what is behind them: ``intake at 28, exhaust at 10 inH2O``."""
    text = actual(text)
    numbers, more = quantities(text)[:2], quantities(text)[2:]
    loose = all(n.unit is None or measures(n.unit, "pressure") or n.unit.name == "in" for n in numbers)
    if len(numbers) != 2 or not loose or any(measures(n.unit, "pressure") for n in more):
        return (), text
    units = [n.unit_text for n in numbers if measures(n.unit, "pressure")]
    if not units and all(n.unit and 6 <= (read_number(n.number) or 0) <= 65 for n in numbers):
        units = [numbers[0].unit_text]  # IN 28" EX 10"
    tail = re.match(r"[^,;.]*", text[numbers[1].end :])
    assert tail is not None
    first, between, last = text[: numbers[0].start], text[numbers[0].end : numbers[1].start], tail[0]
    for one, other, lone in ((first, between, last), (between, last, first)):  # before the numbers, or behind them
        sides = [_only_side(part) for part in (one, other)]
        if units and None not in sides and sides[0] != sides[1] and _only_side(lone) is None:
            own = [n.unit_text if measures(n.unit, "pressure") else units[-1] for n in numbers]
            said = tuple(
                (side, f"{n.number} {unit}") for side, n, unit in zip(sides, numbers, own, strict=True) if side
            )
            return said, text[numbers[1].end + tail.end() :].strip(" ,;.")
    return (), text


def _only_side(text: str) -> Side | None:
    """The one side that a few words of a test name: ``, exhaust flowed at``."""
    said = mentions(re.sub(r"(?<!\w)(?:in|int)(?=\W*(?:at|@|[:=]|$))", "intake", text.strip(), flags=re.IGNORECASE))
    sides = {SIDE_KINDS[m.kind] for m in said if m.kind in SIDE_KINDS}
    known = {*SIDE_KINDS, "filler", "flow", "pressure", "mark", "common", "treatment", "title", "bench", "port"}
    words = [
        m for m in said if m.kind not in known and m.text.casefold() not in _SENTENCE and m.text.casefold() != "flowed"
    ]
    return sides.pop() if len(sides) == 1 and not words else None


def _plate(piece: str) -> tuple[list[Pair], str] | None:
    """``Cal plate 150 CFM read 148 CFM``: the nominal flow and the reading, whichever comes first."""
    numbers = quantities(piece)
    if len(numbers) < 2 or not any(measures(n.unit, *FLOW_QUANTITIES) for n in numbers[:2]):
        return None
    first, second = numbers[:2]
    if any(n.unit is not None and n.unit.quantity not in FLOW_QUANTITIES for n in (first, second)):
        return None
    before, between, behind = piece[: first.start], piece[first.end : second.start], piece[second.end :]
    label = _label_before(_NOMINAL.sub("", _READ.sub("", before)))
    read_last = _READ.search(between) and not _READ.search(before)
    read_first = _NOMINAL.search(between) or _NOMINAL.match(behind.lstrip(" ("))
    if label is None or label[0].kind not in ("check_reading", "check_nominal") or not (read_last or read_first):
        return None
    kinds = ("check_nominal", "check_reading") if read_last else ("check_reading", "check_nominal")
    unit = first.unit_text or second.unit_text
    found = [Pair(Label(k), f"{n.number} {n.unit_text or unit}") for k, n in zip(kinds, numbers[:2], strict=True)]
    return found, re.sub(rf"^[\s(]*(?:{_NOMINAL.pattern})?[\s)]*", "", behind, flags=re.IGNORECASE)


def missed(text: str) -> bool:
    """Whether a text has a label of a condition with a number behind it that is not read: ``Ambient 20-22 °C``."""
    return _all_pairs(actual(text[:LONGEST]))[2]


def pairs(text: str) -> tuple[tuple[Pair, ...], str]:
    """The labels of a text with their values, and the text that is left."""
    return _all_pairs(actual(text[:LONGEST]))[:2]


@lru_cache(maxsize=2048)
def _all_pairs(text: str) -> tuple[tuple[Pair, ...], str, bool]:
    """The pairs of a text, what is left, and whether a label's number was passed over."""
    found: list[Pair] = []
    rest: list[str] = []
    pieces: list[str] = []
    missing = False
    by = _BY.match(text)
    if by is not None:
        found = [Pair(Label(kind), said) for kind, said in by.groupdict().items() if said]
        text = text[by.end() :]
    for piece in _CUT.split(text):
        last = pieces[-1] if pieces else ""
        if piece and last and not _DIGIT.search(last) and _whole_label(last) and not _whole_label(piece):
            pieces[-1] = f"{last.rstrip(' :=')}: {piece}"  # "Temp  20 °C  RH  69 %"
        elif last[-1:].isdigit() and find_unit(piece) is not None:
            pieces[-1] = f"{last} {piece}"
        else:
            pieces += _at_labels(piece)
    for piece in pieces:
        got, left, passed = _of_piece(piece, beside=bool(found))
        if got and got[-1].label.kind == "check_reading" and _NOMINAL.fullmatch(left.strip(" ()")):
            got, left = [*got[:-1], Pair(Label("check_nominal"), got[-1].value)], ""
        found += got
        missing = missing or passed
        if left.strip(" ,.:"):
            rest.append(left.strip())
    return tuple(found), "; ".join(rest), missing


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


def _of_piece(piece: str, *, beside: bool = False) -> tuple[list[Pair], str, bool]:
    """The pairs of one piece of text, what is left, and whether a label's number was passed over."""
    whole = _plate(piece) or _plain_pair(piece)
    if whole is not None:
        return *whole, False
    found: list[Pair] = []
    missing = False
    left = ""
    start = 0
    for number in quantities(piece):
        if number.start < start:
            continue
        before = piece[start : number.start]
        behind = _label_behind(piece, number, before)
        named = behind if _BREAK.search(before) else None
        named = named or _label_before(before) or behind or _of_room(number, before, beside or bool(found))
        if named is None:
            missing = missing or (number.unit is None and _LETTERED.search(before) is not None)
            continue
        label, begin = named
        kind = str(label.kind)
        if _STANDARD.search(before):
            break  # "standard 29.92 inHg 60 F" is not the day's air
        if (kind == "leak" and (label.treatment or _DEDUCTED.search(before))) or _of_other(kind, before[:begin]):
            continue
        if before.rstrip()[-1:] == "@" and "pressure" not in QUANTITIES.get(kind, ()):
            continue  # "7 mm stem, CFM @ 10 in"
        answered = re.search(r"[:=：]\s*$", before) or label.unit or kind in ("humidity", "seat_angle", "port", "run")
        if number.unit is None and not answered and not _is_usual(kind, number, before[:begin], piece):
            missing = missing or kind in QUANTITIES
            continue
        if number.unit is not None and not _suits(kind, number.unit):
            missing = missing or (kind in QUANTITIES and number.unit.quantity in _MISSED)
            continue
        to_wall = measures(number.unit, "length") and kind == "pressure" and before.rstrip()[-3:].lower() == " at"
        if to_wall and piece[number.end :].strip(" ,.;)"):
            continue  # "tested at 12 in to the wall"
        found.append(Pair(label, piece[number.start : number.end].strip(" ,.;)")))
        left += piece[start : start + begin]
        words = _WORDS_BEHIND.match(piece, number.end) if named is behind else None
        start = words.end() if words else number.end
        left += "." if piece[start - 1 : start + 1] == ". " else ""
        close = _CLOSE.match(piece, start)
        start = close.end() if close else start
    return found, left + piece[start:], missing


def _is_usual(kind: str, number: Found, before: str, piece: str) -> bool:
    """Whether a number without a unit is all that a label begins, and can be in one unit only: ``Barometer 29.92``."""
    value = read_number(number.number)
    if kind not in _USUAL or value is None or before.strip() or piece[number.end :].strip(" ,.;"):
        return False
    sure = value >= 10 or not value.is_integer()  # "Bore 2" may be the second
    return sure and sum(low <= value <= high for low, high in _USUAL[kind].values()) == 1


def _of_other(kind: str, before: str) -> bool:
    """Whether the word before a label says that it is of something else: ``Gasket bore 38 mm``, ``Oil temp 80 °C``."""
    word = re.search(r"(?<!of )(?<!in )(?<!mm )(?<!cm )(?<![\"″”] )\b([^\W\d_]+)\s*$", before)
    last = fold(word[1]) if word else ""  # not the water of "28 inches of water, baro 998 mbar"
    return last in (_OTHER_BORES if kind == "fixture_bore" else _OTHER_AIR if kind in _AIR else ())


def _suits(kind: str, unit: Unit) -> bool:
    """Whether a unit is one of a condition's."""
    if kind in QUANTITIES:
        inch = unit.name == "in" and "pressure" in QUANTITIES[kind]
        return unit.quantity in QUANTITIES[kind] or inch
    return unit.quantity == "length" if kind in CONDITION_FIELDS and kind not in TEXT_KINDS else False


def _plain_pair(piece: str) -> tuple[list[Pair], str] | None:
    """``label: value`` where the value is a text, a date, a name, or one quantity alone."""
    match = re.search(r"\s*[:=：]\s*", piece)
    label = _whole_label(piece[: match.start()]) if match else None
    value = piece[match.end() :].strip() if match else ""
    if label is None or not value:
        return None
    numbers = quantities(value)
    text = label.kind in TEXT_KINDS | WHO_KINDS | UNIT_KINDS
    alone = not numbers or (len(numbers) == 1 and numbers[0].start < 3)
    # a leak with its pressure
    with_pressure = len(numbers) == 2 and re.search(r"[@(]|\bat\b", value[numbers[0].end : numbers[1].start])
    return ([Pair(label, value)], "") if text or alone or with_pressure else None


def _whole_label(text: str) -> Label | None:
    """A text that is a label, asks for a value behind it, and is nothing else."""
    label = parse_label(text)
    if label.kind not in LABELS or label.rest or label.bare or (label.letter and label.kind != "fixture_bore"):
        return None
    return None if label.kind in WHO_KINDS and label.names else label


def _label_behind(piece: str, number: Found, before: str) -> tuple[Label, int] | None:
    """The label right behind a quantity, where nothing leads up to it: ``28 inH2O test pressure``."""
    lead = re.split(r"[,.;]\s|\s[-–]\s", before)[-1].strip(" ,;(").casefold()
    words = _WORDS_BEHIND.match(piece, number.end)
    if lead not in ("", "same", "the", "with", "mit") or number.unit is None or words is None:
        return None
    label = _whole_label(words[1].strip())
    if label is None or label.kind not in CONDITION_FIELDS or not _suits(str(label.kind), number.unit):
        return None
    named = not piece[: number.start].strip() and not piece[words.end() :].strip()
    return None if label.kind == "valve_head" and named else (label, len(before))  # "44 mm valve" is a state's name


def _of_room(number: Found, before: str, beside: bool) -> tuple[Label, int] | None:
    """What ``21C 1004mb`` behind other conditions can only be: the room's air."""
    letter = before.strip(" =:/,").casefold() in ("t", "ta", "p", "pa")  # "T 20.5 C   p 998 hPa", "T = 70F"
    if not (beside or letter) or number.unit is None or number.unit.quantity not in _ROOM:
        return None
    kind, low, high = _ROOM[number.unit.quantity]
    value = read_number(number.number)
    begin = 0 if letter else len(before)
    return (Label(kind), begin) if value is not None and low <= to_si(value, number.unit) <= high else None


def _label_before(text: str) -> tuple[Label, int] | None:
    """The label that ends right before a number, and where in the text it begins."""
    tail = _TAIL.search(text)
    for body in (text.rstrip(" :=：,("), text[: tail.start()] if tail else text):
        words = list(re.finditer(r"\S+", body))
        for count in range(min(5, len(words)), 0, -1):
            begin = words[-count].start()
            of_number = count > 1 and body[:begin].rstrip()[-1:].isdigit()  # "60 mbar, air 24 °C"
            if _DIGIT.search(body[begin:]) or (of_number and find_unit(words[-count][0].strip(",;.")) is not None):
                continue
            label = _whole_label(body[begin:].strip(" ,.;:="))
            if label is not None and label.kind not in WHO_KINDS | UNIT_KINDS | TEXT_KINDS:
                return label, begin
    return None


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
    loose = {"unknown", "entry_fitting", "exit_fitting", "notes", "filler"}
    return len(words) > 2 and small > 0 and any(m.kind in loose for m in mentions(text[:300]))


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
            plain = spelled.lower() not in ("in", "m") or place + 1 == len(words)
            if unit.quantity in FLOW_QUANTITIES and len(spelled) > 2:
                found.setdefault("flow_unit", unit)
            elif unit.quantity == "length" and start - lift <= 16 and plain:
                found.setdefault("lift_unit", unit)
            elif unit.quantity == "pressure" and any(0 <= start - end <= 9 for end in pressures):
                found.setdefault("pressure_unit", unit)  # "pressure in inches of water"
            else:
                continue
            break
    return tuple(found.items())
