"""What the texts of a sheet say of its flows and the reading did not use: a question, never passed over."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from math import isclose
from typing import NamedTuple

from flowkit.importers.files.own import is_own_output
from flowkit.importers.mapping import Stated
from flowkit.importers.sheets.blank import is_own_line
from flowkit.importers.tables.assemble import CONDITION_NAMES
from flowkit.importers.tables.columns import RAW
from flowkit.importers.tables.sheet import SheetReading
from flowkit.importers.words.items import CONDITION_FIELDS, refused
from flowkit.importers.words.labels import mentions, parse_label
from flowkit.importers.words.phrases import TEXT_KINDS, Found, actual, doubted, is_sentence, missed, pairs, quantities
from flowkit.importers.words.values import known_unit
from flowkit.importers.words.vocabulary import FACTORS, SIDE_KINDS, fold
from flowkit.model import Finding, FlowTest
from flowkit.units import FLOW_QUANTITIES, to_si

_LONGEST = 300  # a longer text is prose that says many things
_SHORTEST = 5  # of a text that says something of the flows
_GAUGE = 20_000.0  # Pa; no bench draws more, so a larger pressure is a barometer's, a spring's or a tyre's
_CLOSE = 2e-3  # a pressure said twice may be rounded once
_FOREIGN_UNIT = re.compile(r"\s*(?!(?:for|and|und|pour|per|a|e|y)\b)[^\W\d_]{1,4}\b")
_FACTOR_WORDS = frozenset(fold(word) for words in FACTORS.values() for word in words)
_OF_BENCH = re.compile(  # "Bench cal: 1.02 x", "cal factor 0.985"
    r"(?:\b(?:cal(?:ibration)?|factor|faktor|facteur|fattore|fator|współczynnik)\b[^\d.,;]{0,12}|^\s*K\s*=\s*)"
    r"(?:0[.,][89]\d*|1[.,][012]\d*)\s*[x×]?\s*(?:$|[;.,]\s)",
    re.IGNORECASE,
)
_TIMES = re.compile(r"([^\W\d_][\w/³]*)\s*(?:[x×*÷]\s*\d|/\s*1?0+\b)")
_AMISS = re.compile(
    r"\b(?:should (?:read|be|have)|must read|ignore|disregard|do not use|don't use|instead of|typo|misread|mistake|"
    r"wrong (?:figure|number|value|reading|unit|pressure)s?|not corrected|already (?:off|out|deducted|taken)|"
    r"korrektur|falsch|verschrieben|statt|erratum|erreur|au lieu de|equivocad[oa]|en lugar de|sbagliat[oa]|invece di|"
    r"verkeerd|in plaats van|błędn[aey]|zamiast|felaktig|istället för|errad[oa]|em vez de)\b|訂正|間違い"
    r"|\b(?:reads?|is|are|was|were)\s+(?:about\s+)?\d+(?:[.,]\d+)?\s*%\s*(?:too\s+)?(?:low|high)\b",
    re.IGNORECASE,
)
_SWAPPED = re.compile(
    r"\b(?:headings? (?:\w+ )?(?:swapped|reversed|switched)|mixed up|swap them|vice versa|wrong way (?:a)?round|"
    r"vertauscht|verwechselt|invertit[aeio]|inversée?s?)\b",
    re.IGNORECASE,
)
_CLAUSE = re.compile(r"[.;!]\s+")
_LABELLED = re.compile(r"\s*(?:[^\s:]+\s+){0,2}[^\s:]+:\s")
_SHOWN = 4  # remarks are named before the rest are counted
_RAN = re.compile(
    r"\b(?:ran|bench|depression|pulled|drew|vacuum)\b[^.;]*\b(?:at|only|to)\s+(\d+(?:[.,]\d+)?)(?![\w.,:]*\d)", re.I
)
_EVERYDAY = frozenset({"unknown", "filler", "common", "mark", "letter", "title"})
_OF_METER = frozenset({"leak_reading", "leak_reading_before", "leak_reading_after", "check_plate_reading"})
_STANDARD = frozenset({"standard", "std", "reference", "ref", "norm", "normal"})


def unused(readings: Sequence[SheetReading], tests: Sequence[FlowTest], stated: Stated) -> list[Finding]:
    """Ask about each text beside the tests of a file that bears on their flows and is not used by them."""
    if not tests or stated.columns is not None:
        return []
    said = _Used(tests, stated)
    found = []
    for reading in readings:
        if reading.grid.hidden or is_own_output(reading.grid):
            continue
        texts = _texts(reading)
        found += _remarks(reading, texts)
        found += said.doubts(reading, texts)
        for text, places in texts.items():
            what = said.missed(text) if len(text) > _SHORTEST and any(not place.head for place in places) else ""
            if what:
                option = "--flow-unit, or flow_unit" if "read in it" in what else "--test-pressure, or test_pressure"
                remedy = f"state what holds ({option} in the job's conditions), or leave that cell out (leave_out)"
                if "changed places" in what:
                    remedy = "set the headings right in the job file (values), then leave that cell out (leave_out)"
                if "an air" in what:
                    remedy = "leave that cell out (leave_out), and if they were, the day's air as well"
                shown = f"{' '.join(text.split())!r} {what}; {remedy}"
                found += [refused(place.source(reading), shown) for place in places if not place.head]
    return found


def _remarks(reading: SheetReading, texts: Texts) -> list[Finding]:
    """Name the sentences beside the tables, and what is written beside single readings, which no reading can use."""
    beside: set[tuple[int, int]] = set()
    for entry in reading.tables:
        view, table = entry.table.view, entry.table
        for c in entry.columns:
            if c.role == "ignored" and c.why == "no reading" and c.kind != "counter":
                beside |= {view.place(row, c.index) for row in table.span}
    stated = {(e.row, e.column) for e in reading.metadata.placed if e.item.kind in TEXT_KINDS}
    found = {}
    for text, places in texts.items():
        remark, passed = _is_remark(text)
        if passed or remark or (beside and not is_own_line(text)):
            for place in places:
                at = (place.row, place.column)
                if not place.head and (passed or at in beside or (remark and at not in stated)):
                    found[" ".join(text.split())] = place.source(reading)
    of_meter = [placed.item for placed in reading.metadata.placed if placed.item.kind in _OF_METER]
    for item in of_meter if all(test.gives_flows for test in reading.tests) else ():
        found[f"{item.kind.replace('_', ' ')} {item.value}"] = item.source
    if not found or not reading.tables:
        return []
    shown = "; ".join(f"{text!r}" for text in list(found)[:_SHOWN])
    more = f"; and {len(found) - _SHOWN} more" if len(found) > _SHOWN else ""
    what = f"written beside the readings and kept as a remark: {shown}{more}; check that it does not change them"
    return [Finding("remark", "note", next(iter(found.values())), what)]


@lru_cache(maxsize=4096)
def _is_remark(text: str) -> tuple[bool, bool]:
    """Whether a text has a sentence that is no label with its value, and whether it has a condition nothing reads."""
    if is_own_line(text):
        return False, False
    if _LABELLED.match(text) or parse_label(text).kind in CONDITION_FIELDS:
        return False, missed(text)
    clauses = (
        clause
        for clause in _CLAUSE.split(text)
        # "Sent from my phone" has no word of the trade and no number.
        if len(clause.split()) > 3 and any(mention.kind not in _EVERYDAY for mention in mentions(clause))
    )
    figure = any(n.unit is not None and n.unit.quantity in FLOW_QUANTITIES for n in quantities(text))
    said = any(is_sentence(c) and not pairs(c)[0] and parse_label(c).pressure is None for c in clauses)
    return said or (figure and not parse_label(text).names and not pairs(text)[0]), missed(text)


class _Place(NamedTuple):
    """Where a text is: its cell, or the line of a comment with its address; `head` where it heads a column."""

    row: int
    column: int
    head: bool = False
    line: str = ""

    def source(self, reading: SheetReading) -> str:
        """Its address."""
        return self.line or reading.view.source(self.row, self.column)


Texts = dict[str, list[_Place]]


def _texts(reading: SheetReading) -> Texts:
    """The texts of a sheet that are not too long, each with its places: a long table says "intake" in every row."""
    view = reading.view
    over: set[tuple[int, int]] = set()
    for entry in reading.tables:
        table = entry.table
        for row in [*table.headers, *table.named, *table.sections]:
            over |= {table.view.place(row, column) for column in range(table.left, table.right + 1)}
    found: Texts = {}
    for row, kinds in enumerate(view.kinds):
        column = kinds.find("t")
        while column >= 0:
            text = view.rows[row][column]
            if isinstance(text, str) and len(text) <= _LONGEST:
                found.setdefault(text, []).append(_Place(row, column, (row, column) in over))
            column = kinds.find("t", column + 1)
    for line, text in reading.grid.comments:
        if len(text) <= _LONGEST:
            found.setdefault(text, []).append(_Place(0, 0, line=f"{reading.grid.file}:{line}:1"))
    return found


class _Used:
    """What the tests of a file were read with."""

    def __init__(self, tests: Sequence[FlowTest], stated: Stated) -> None:
        of_sheet = {id(test.conditions): test.conditions for test in tests}.values()  # most tests of one share theirs
        known = {name: {getattr(at, name) for at in of_sheet} - {None} for name in CONDITION_NAMES}
        self.gauge = {p for test in tests for point in test.points if (p := test.pressure_at(point))}
        self.pressures = self.gauge.union(*(values for name, values in known.items() if name.endswith("_pa")))
        self.airs = known["air_temperature_k"] | known["barometer_pa"]
        self.units = {test.units.flow.unit for test in tests}
        self.lifts = {point.lift_m for test in tests for point in test.points}
        self.sided = all(test.side for test in tests)
        self.settled = stated.conditions.test_pressure_pa is not None
        self.unit_settled = stated.flow_unit is not None

    def doubts(self, reading: SheetReading, texts: Texts) -> Iterator[Finding]:
        """Name what the flows were read with and the sheet does not say for certain: ``~28 inH2O``."""
        if self.settled:
            return
        view = reading.view
        placed = {(entry.row, entry.column) for entry in reading.metadata.placed}
        cells = {str(view.rows[at][c]): [_Place(at, c)] for at, c in placed if view.kind(at, c) == "n"}
        known = {*self.pressures, *self.airs}
        for text, places in (cells | texts).items():
            for number in doubted(text):
                unit = number.unit if number.unit is not None and number.unit.name != "in" else None
                values = _numbers(number.number)
                if _among([to_si(v, unit) for v in values], known) if unit else any(map(self._is_pressure, values)):
                    shown = f"{number.number} {number.unit_text}".strip()
                    what = f"{' '.join(text.split())!r} is not said for certain; {shown} was taken"
                    remedy = "state what was measured, if it was another"
                    yield Finding("said-doubtfully", "note", places[0].source(reading), f"{what}; {remedy}")

    def missed(self, text: str) -> str:  # noqa: PLR0911
        """What a text says that was not used; empty where there is nothing."""
        text = actual(text)
        numbers = quantities(text)
        said = mentions(text)
        if not self.settled and self.gauge:
            loose = next((n for n in numbers if self._is_loose(n)), None)
            if loose is not None:
                return f"names {loose.number} {loose.unit_text}, and nothing in this file was read at that pressure"
            ran = _RAN.search(text)
            bare = ran and any(n.start == ran.start(1) and n.unit is None for n in numbers)
            if ran and bare and not self._is_known(float(ran[1].replace(",", "."))):
                return f"names {ran[1]}, and nothing in this file was read at that pressure"
        swapped = _SWAPPED.search(text)
        if swapped is not None:
            return f"says that headings or ports of this sheet changed places ({swapped[0]!r})"
        amiss = _AMISS.search(text)
        if amiss is not None and not self.settled:
            return f"says that figures on this sheet are not as they should be ({amiss[0]!r})"
        factor = _is_factor(text)
        worked = factor or any(m.kind == "treatment" and fold(m.text) not in RAW for m in said)
        if not factor:  # "springs 60 lb": of another thing
            numbers = tuple(n for n in numbers if n.unit or not _FOREIGN_UNIT.match(text, n.end))
        if worked and numbers and not self.settled and not all(self._is_used(n, factor=factor) for n in numbers):
            return "says that figures on this sheet were or are to be recalculated, and it is not clear which"
        if self.airs and not self.settled and _names_standard_air(text, numbers):
            return "names an air that flows may have been brought to, and it is not clear whether these were"
        if not self.unit_settled and parse_label(text).kind not in CONDITION_FIELDS:  # "Check plate nominal [CFM]"
            other = next(iter(_flow_units(text) - self.units), None)
            if other is not None and self.units:
                return f"names {other}, and no flow in this file was read in it"
        if not self.sided and SIDE_KINDS.keys() <= {mention.kind for mention in said} and numbers:
            return "names both sides, and it is not clear which test is which"
        return ""

    def _is_loose(self, number: Found) -> bool:
        """Whether a number is a gauge pressure that no test was read with."""
        if number.unit is None or number.unit.quantity != "pressure":
            return False
        values = [to_si(value, number.unit.name) for value in _numbers(number.number)]
        return bool(values) and all(0 < value < _GAUGE for value in values) and not _among(values, self.pressures)

    def _is_used(self, number: Found, *, factor: bool) -> bool:
        """Whether a number is no figure of the flows, or one that they were read with."""
        if number.unit is None:
            return any(self._is_known(value, factor=factor) for value in _numbers(number.number))
        if number.unit.quantity in FLOW_QUANTITIES or (factor and number.unit.quantity == "length"):
            return False  # "leakage 0.8 CFM deducted"
        if number.unit.name == "in" and not number.number.startswith((".", "0")):
            return any(self._is_known(value) for value in _numbers(number.number))  # 'Corrected to 28"'
        return number.unit.quantity != "pressure" or not self._is_loose(number)

    def _is_known(self, value: float, *, factor: bool = False) -> bool:
        """Whether a bare number is a test pressure in the trade's units, or a lift where it is no factor."""
        lifts = (to_si(value, unit) for unit in ("in", "mm", "thou"))
        return self._is_pressure(value) or (not factor and _among(lifts, self.lifts))

    def _is_pressure(self, value: float) -> bool:
        """Whether a bare number is a pressure that flows were read with, in a unit of the trade."""
        units = ("inH2O", "kPa", "mbar", "mmH2O", "cmH2O", "Pa")
        return _among((to_si(value, unit) for unit in units), self.pressures)


def _among(values: Iterable[float], known: Iterable[float]) -> bool:
    """Whether one of some values is known."""
    known = list(known)
    return any(isclose(value, other, rel_tol=_CLOSE) for value in values for other in known)


def _numbers(text: str) -> list[float]:
    """What a number as written may be: 1.019 and 1,019 are one and a bit, or a thousand and nineteen."""
    found = []
    for plain in (text.replace(",", "."), re.sub(r"[.,\s](?=\d{3}(?!\d))", "", text).replace(",", ".")):
        try:
            found.append(float(plain))
        except ValueError:
            continue
    return found


def _names_standard_air(text: str, numbers: Sequence[Found]) -> bool:
    """Whether a temperature or barometer is one that flows are brought to: ``Corrected to 20 °C, 1013 mbar``."""
    said = mentions(text)
    for place, mention in enumerate(said):
        if fold(mention.text) not in _STANDARD and (mention.kind != "treatment" or fold(mention.text) in RAW):
            continue
        if place and said[place - 1].kind in CONDITION_FIELDS:
            continue  # "temp corrected to 20 C": the day's, as read
        labels = [other.start for other in said[place + 1 :] if other.kind in CONDITION_FIELDS]
        end = min(labels, default=len(text))
        for number in numbers:
            if number.unit is not None and mention.end <= number.start < end:
                values = [to_si(value, number.unit.name) for value in _numbers(number.number)]
                barometer = number.unit.quantity == "pressure" and any(value > _GAUGE for value in values)
                if barometer or number.unit.quantity == "temperature":
                    return True
    return False


@lru_cache(maxsize=2048)
def _is_factor(text: str) -> bool:
    """Whether a text says that figures were multiplied, or something was added, or is to be."""
    for match in _TIMES.finditer(text):  # "CFM x 10", and no "15W40 x 4"
        unit = known_unit(match[1])
        if unit is not None and unit.quantity in (*FLOW_QUANTITIES, "length"):
            return True
        if any(mention.kind in ("flow", "lift") for mention in mentions(match[1])):
            return True
    words = {fold(word) for word in re.findall(r"[^\W\d_]+", text)}
    return bool(words & _FACTOR_WORDS) or _OF_BENCH.search(text) is not None


@lru_cache(maxsize=2048)
def _flow_units(text: str) -> frozenset[str]:
    """The units of flow that a text names without a number."""
    words = re.finditer(r"[^\s,;:()\[\]=]+", text)
    loose = [word[0].rstrip(".") for word in words if not text[: word.start()].rstrip()[-1:].isdigit()]
    units = [unit for word in loose if (unit := known_unit(word)) is not None]
    return frozenset(unit.name for unit in units if unit.quantity in FLOW_QUANTITIES)
