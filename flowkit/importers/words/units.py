"""Units and pressures inside a label: ``Flow (CFM @ 28 inH2O)``."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from flowkit.importers.words.vocabulary import PHRASES, fold
from flowkit.units import FLOW_QUANTITIES, Unit, find_unit, measures

# Units of quantities that are no part of a flow test: their columns are never flows.
_FOREIGN = {
    "speed of rotation": "rpm 1/min u/min tr/min obr/min t/min rev/min r/min min-1 varv/min",
    "sound": "db dba db(a) dbc",
    "electricity": "a amp amps ampere amperes ma v volt volts vdc vac mv w watt watts kw ohm ohms hz khz",
    "velocity": "ft/s fps ft/sec m/s m/sec fpm ft/min km/h mph",
    "power": "hp bhp whp ps kw cv",
    "mass": "lb lbs kg g gram grams oz",
    "force": "n kn lbf nm lbft lb-ft ft-lb kgf",
    "liquid flow": "gpm gal/min gph usgpm igpm l/h lph gal",
    "time": "s sec secs seconds min mins minutes h hrs hours",
    "density": "kg/m3 kg/m³ g/l lb/ft3 lb/ft³",
    "money": "usd eur gbp $ € £",
}
_FOREIGN_KEYS = {spelled: quantity for quantity, words in _FOREIGN.items() for spelled in words.split()}
_LETTERS = frozenset("avwsngh")  # single letters count as units in brackets only
_BRACKET = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_WATER = (
    r"(?:h2o|h20|h₂o|water(?:\s*column)?|w\.?c\.?|w\.?g\.?|h2o\s*column|hg|wassers(?:ä|ae)ule|ws|(?:colonne\s+)?d.?eau|eau|ce|"
    r"(?:columna\s+)?de\s+agua|agua|(?:colonna\s+)?d.?acqua|acqua|(?:coluna\s+)?(?:de\s+|d.)água|waterkolom|wk|słupa\s+wody|sł\.?\s*w\.?|vattenpelare|vp|de\s+água|água|ca|aq|水柱)"
)
_INCHES = (
    r"(?:in(?:ch(?:es)?)?\.?|ins\.?|zoll|pouces?|po\.?|pulgadas?|pulg\.?|pollici|duim|cali|tum|polegadas?|"
    r"pol\.?|インチ)"
)
_METRIC = r"(?:[mc]m|mil[lií][a-zíè]*m[eèé]tr\w*|[cz]ent[a-zíè]*m[eèé]tr\w*|milimetr\w*)"
_OTHER = r"(?:[hk]?pa|(?:kilo|he[ck]to)pas[ck]al\w*|mb(?:ar)?|millibars?|milibar\w*|bar|psi)"
_WORD_AT = r"(?:@|\bat\b|\bbei\b|(?<!\w)[àa](?=\s)|\bbij\b|\bprzy\b|\bvid\b|\bem\b|\bcon\b|\bto\b|\bauf\b|\bsous\b)"
_NUMBER = r"(?P<number>\d{1,3}(?:[ \u00a0\u202f]\d{3})+|\d+(?:[.,]\d+)?)"
_AT = re.compile(
    rf"{_WORD_AT}\s*{_NUMBER}\s*"
    rf"(?P<unit>[\"″”](?:\s*(?:of\s+|de\s+)?{_WATER})?|{_INCHES}(?:\s*(?:of\s+|de\s+)?{_WATER})?"
    rf"|{_METRIC}\s*(?:of\s+|de\s+)?{_WATER}|{_OTHER})(?!\w)",
    re.IGNORECASE,
)
_AT_BARE = re.compile(rf"(?:@|\bat\b|\bbei\b|\bto\b|\bauf\b)\s*{_NUMBER}(?P<unit>)(?=\s*(?:$|[,;)\]]))", re.IGNORECASE)
_PRESSURE = re.compile(
    rf"(?<![A-Za-z0-9.,]){_NUMBER}\s*"
    rf"(?P<unit>[\"″”]\s*(?:of\s+|de\s+)?{_WATER}|(?:{_INCHES}|{_METRIC})\s*(?:of\s+|de\s+)?{_WATER}"
    rf"|iwc|iwg|in\.?aq|(?!bar){_OTHER}|h[2₂][o0])(?![A-Za-z0-9])",
    re.IGNORECASE,
)
# 28" or 28 in on its own, of a size that no lift, bore or valve has.
_ALONE = re.compile(rf"(?<![\w.,/]){_NUMBER}\s*(?P<unit>[\"″”]|ins|{_INCHES})(?!\w)", re.IGNORECASE)
# Beside IN 1 and IN 3 it is the second intake port; a square inch is written with words around it, or in brackets.
_SECOND_INTAKE = re.compile(r"in[.\-#/_\s]*2", re.IGNORECASE)
LEAST_BARE = 1.0  # in inches: below it a bare figure is a lift
LEAST_AT_END, MOST_BARE = 6.0, 65.0  # in inches: "Stock heads @ 28"
MOST_PA = 50_000.0  # above it a figure is the barometer's or a compressor's
# Kinds of words a bare pressure may follow: "flow at 28 in", "tested @ 28", "leak @ 10".
_LEADS = frozenset({"flow", "pressure", "leak", "leak_pressure", "treatment", "bench"})
_TESTED = frozenset({"test", "tested", "flowed", "run", "getestet", "gepruft", "teste", "probado", "provato"})
_OTHER_WORDS = (
    "leak leaks leakage limit limits max maximum can could rated rating capacity calibrated calibration orifice pump "
    "blower catalogue catalog spring springs grenze höchstens kalibriert leck pumpe limite capacité étalonné fuite "
    "pompe calibrado fuga bomba taratura calibrato perdita pompa"
)
_OTHERS = frozenset(fold(word) for word in _OTHER_WORDS.split())
_NOT_AT = re.compile(r"\b(?:from|instead of|not|von|statt|nicht)\s+(?:at\s+|bei\s+)?$", re.IGNORECASE)
_SPAN = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:[-–/±]|\b(?:to|and|or|bis|und|à|et|a|y|e)\b)\s*$", re.IGNORECASE)
MOST_WORDS = 5  # of a unit: "mm de columna de agua"
_CLAUSE = re.compile(r"[,.;:!]\s+")
_TOO_SHORT = frozenset({"in", "of", "f", "c", "k", "m", "d", "h/d", "deg", "grad", "g", "mil"})


def foreign_unit(text: str, *, bracketed: bool = False) -> str:
    """The quantity of a unit that is no part of a flow test; empty where the text is none."""
    inner = text.strip("()[]{}<> ")
    bracketed = bracketed or inner != text.strip()
    key = inner.casefold().replace(" ", "").rstrip(".")
    if inner == "S" or (key in _LETTERS and not bracketed):  # "In (S)" names no seconds
        return ""
    return _FOREIGN_KEYS.get(key, "")


def whole_unit(text: str) -> Unit | None:
    """The unit the whole text is; words of the vocabulary are words."""
    plain = text.strip("()[]")
    if plain == text and _SECOND_INTAKE.fullmatch(text):
        return None
    return None if fold(plain) in PHRASES and plain != "%" else find_unit(plain) if plain.lower() != "rh %" else None


class TakenPressure(NamedTuple):
    """A pressure written in a label, and what is around it."""

    number: str
    unit: str
    before: str
    after: str
    marked: bool = False
    led: bool = False  # behind @, at, bei and the like

    @property
    def rest(self) -> str:
        """The label without it."""
        return f"{self.before} {self.after}".strip()

    @property
    def value(self) -> float:
        """Its number."""
        return float(self.number.replace(",", "."))

    @property
    def bare(self) -> bool:
        """Whether its unit could be a length, or there is none."""
        return not measures(find_unit(self.unit), "pressure")

    @property
    def of_water(self) -> bool:
        """Whether it is of a size that a column of water has in inches, and no lift, bore or valve."""
        return LEAST_AT_END <= self.value <= MOST_BARE

    @property
    def at_the_end(self) -> bool:
        """Whether it ends the text behind an @, or is in inches, and of the size of a column of water."""
        return self.marked and not self.after.strip(" )].") and self.of_water

    @property
    def of_a_test(self) -> bool:
        """Whether the words before it are of a test: ``bench was at 28 in``, unlike ``guide shortened at 12 in``."""
        words = [fold(word) for word in self.before.split()[-4:]]
        tested = any(word in _TESTED or PHRASES.get(word, ("",))[0] in _LEADS for word in words)
        return self.led and tested and self.after.lstrip()[:3] != "to "  # "tested at 12 in to the wall"

    @property
    def of_other(self) -> bool:
        """Whether it is not the test's, ``gauge limit 40 inH2O``, or one of two: ``28-28.2 inH2O``."""
        clause = re.split(r"[;,:.](?=\s)", self.before)[-1]
        words = {fold(word) for word in re.findall(r"[^\W\d_]+", clause)}
        span = _SPAN.search(self.before)
        if span is not None and ("±" in span[0] or 0.5 < float(span[1].replace(",", ".")) / self.value < 2.0):
            return True
        return bool(words & _OTHERS) or _NOT_AT.search(self.before) is not None

    @property
    def among_units(self) -> bool:
        """Whether nothing but units is around it, up to the next comma: ``(mm / CFM / 28")``, ``all at 28 in``."""
        clause = f"{_CLAUSE.split(self.before)[-1]} {_CLAUSE.split(self.after)[0]}" if self.led else self.rest
        words = re.sub(r"[()\[\],;/@–-]+(?=\s|$)|(?<![^\s])[()\[\],;/@–-]+", " ", clause).split()
        kinds = ("lift", "flow", "filler", "common", "pressure", "bench")
        return all(find_unit(word) is not None or PHRASES.get(fold(word), ("",))[0] in kinds for word in words)

    @property
    def behind_flow(self) -> bool:
        """Whether it directly follows a flow or a word for testing, and nothing unknown runs on behind it."""
        words = self.before.strip(" ,;:([").split()
        last = words[-1].strip("()[],;:/") if words else ""
        head = last.rpartition("/")[2]
        unit = find_unit(last) or find_unit(head)
        known = PHRASES.get(fold(head))
        led = (unit is not None and unit.quantity in FLOW_QUANTITIES) or (known is not None and known[0] in _LEADS)
        next_word = self.after.split()[0] if self.after.split() else ""
        follows = PHRASES.get(fold(next_word), ("",))[0]
        ends = not next_word or not next_word[0].isalnum() or follows not in ("", "filler", "common")
        return (led or fold(head) in _TESTED) and ends


@lru_cache(maxsize=4096)
def take_pressure(text: str) -> TakenPressure | None:
    """Find a test pressure such as ``@ 28" H2O`` in a label."""
    text = text.replace("''", '"')
    for pattern in (_AT, _PRESSURE, _AT_BARE, _ALONE):
        for found in pattern.finditer(text):
            written = re.sub(r"\s", "", found["number"]), (found["unit"] or "").strip()
            marked = pattern is _ALONE or found[0].startswith("@")
            taken = TakenPressure(*written, text[: found.start()], text[found.end() :], marked, pattern is _AT)
            # Whether a test pressure may be of this size is common practice, no source.
            unit, number = find_unit(taken.unit), taken.value
            likely = number >= LEAST_BARE if taken.bare else unit is None or number * unit.factor <= MOST_PA
            if likely and (pattern is not _ALONE or taken.of_water):
                return taken
    return None


def take_unit(text: str) -> tuple[Unit | None, str, str, str]:
    """Take the unit out of a label: in brackets, at its end, at its beginning, between its words."""
    foreign = ""
    for found in _BRACKET.finditer(text):
        unit = find_unit(found[1])
        if unit is None and re.search(r"[,;]", found[1]):  # before a remark: (CFM, corrected)
            unit = find_unit(re.split(r"[,;]", found[1])[0])
            unit = unit if measures(unit, *FLOW_QUANTITIES) else None
        if unit is not None:
            return unit, found[1].strip(), _tidy(text[: found.start()] + " " + text[found.end() :], bracketed=True), ""
        foreign = foreign or foreign_unit(found[1], bracketed=True)
    whole = " ".join(text.split())
    words = re.sub(r"[()\[\]{}<>]", " ", text).split()
    for count in range(min(len(words) - 1, MOST_WORDS), 0, -1):
        tail = " ".join(words[-count:]).strip(" ,;:/-–")
        unit = _free_unit(tail) or _letter(tail, words[:-count])
        if unit is not None and not (count > 1 and len(words[-count]) == 1 and words[-count].isalpha()):
            at = whole.rfind(words[-count])
            return unit, tail, _tidy(whole[:at] if at > 0 else " ".join(words[:-count])), foreign
    for place, word in enumerate(words):
        if place == len(words) - 1:
            hyphened = re.fullmatch(r"(\S+)-(\S+)", word)
            unit = find_unit(hyphened[2]) if hyphened is not None else None
            if hyphened is not None and measures(unit, *FLOW_QUANTITIES):
                return unit, hyphened[2], _tidy(" ".join([*words[:-1], hyphened[1]])), foreign  # "I-cfm"
            head, slash, tail = word.partition("/")
            unit = find_unit(tail) if slash and len(head) > 2 else None
            if unit is not None and find_unit(word) is None:
                return unit, tail, _tidy(" ".join([*words[:-1], head])), foreign
        unit = _free_unit(word.strip(",;:"))
        leads = place == 0 and len(word) > 1  # unless they begin with a phrase, such as "Meter temperature"
        leads = leads and not any(fold(" ".join(words[:count])) in PHRASES for count in range(2, len(words) + 1))
        if unit is not None and len(words) > 1 and (unit.quantity in FLOW_QUANTITIES or leads):
            before = words[: place - 1] if place > 1 and words[place - 1] == "in" else words[:place]  # "flow in CFM"
            return unit, word.strip(",;:"), _tidy(" ".join(before + words[place + 1 :])), foreign
    if not foreign and len(words) > 1:
        foreign = foreign_unit(words[-1].strip(",;:"))
    return None, "", whole, foreign


def _letter(text: str, words: list[str]) -> Unit | None:
    """The unit of ``Air temp F`` and ``Lift m``: one letter, behind words that name a temperature or a lift."""
    named = PHRASES.get(fold(" ".join(words)), ("",))[0]
    warmth = named in ("air_temperature", "meter_temperature") and measures(find_unit(text), "temperature")
    return find_unit(text) if warmth or (named, text) == ("lift", "m") else None


def _free_unit(text: str) -> Unit | None:
    """A unit among words without brackets; too short ones are words."""
    plain = text.lower().strip(" .")
    if _SECOND_INTAKE.fullmatch(text):
        return None
    if plain in _TOO_SHORT or (fold(text) in PHRASES and plain != "%"):
        return None
    return find_unit(text)


def _tidy(text: str, *, bracketed: bool = False) -> str:
    """Drop what led up to a unit: ``Lift in mm``, ``Hub / mm``; before a bracket, ``Cyl 1 In (CFM)``, In is a side."""
    words = r"(?:(?<!\d)\s+(?:in|en))?" if bracketed else r"(?:\s+(?:in|en)|(?<!\d)\s+(?:IN|In))?"
    text = " ".join(text.split())
    return re.sub(rf"{'' if text[-1:] in ',;:/-–' else words}[\s,;:/\-–]*$", "", text)
