"""The one table of words, and what labels made of them say."""

from __future__ import annotations

import pytest

from flowkit.importers.tables.find import CONDITION_KINDS, LINE_KINDS
from flowkit.importers.tables.names import resolve_codes
from flowkit.importers.words.items import CONDITION_FIELDS
from flowkit.importers.words.labels import LEFT_OUT, Label, parse_label
from flowkit.importers.words.values import iso_date
from flowkit.importers.words.vocabulary import (
    LANGUAGES,
    MONTH_WORDS,
    PHRASES,
    SHARED,
    SIDE_CODES,
    WORDS,
    fold,
    spellings,
)
from flowkit.units import find_unit


def test_no_word_means_two_things() -> None:
    meanings: dict[str, set[str]] = {}
    for kind, by_language in WORDS.items():
        for words in by_language.values():
            for word in words:
                for spelling in spellings(word):
                    meanings.setdefault(spelling, set()).add(kind)
    assert {word: kinds for word, kinds in meanings.items() if len(kinds) > 1} == {}
    assert set(meanings) == set(PHRASES)
    assert "" not in PHRASES


def test_no_word_is_a_unit_that_would_stand_in_a_heading() -> None:
    both = {word for word in PHRASES if (unit := find_unit(word)) is not None and unit.name != "%"}
    assert both <= {"of", "meter", "ins"}  # a meter that shows readings, and insug: alone in a heading they are words


def test_every_language_has_the_words_of_a_sheet() -> None:
    needed = {
        "lift", "flow", "pressure", "intake", "exhaust", "port", "run", "fixture_bore", "valve_head", "stem", "throat",
        "seat_angle", "seat_width", "leak", "check_reading", "check_nominal", "air_temperature", "barometer", "humidity",  # noqa: E501
        "date", "operator", "bench", "notes", "variant", "head", "side",
        "meter", "range", "zero_reading", "zero_before", "zero_after", "leak_before", "leak_after",
        "liquid_temperature", "meter_temperature", "meter_pressure", "outlet_pressure", "direction",
    }  # fmt: skip
    shared = {word: languages for word, languages in SHARED.items() if word in PHRASES}
    for kind in needed:
        speaking = {language for language in LANGUAGES if WORDS[kind].get(language)}
        speaking |= {lang for word, langs in shared.items() if PHRASES[word][0] == kind for lang in langs}
        assert speaking == set(LANGUAGES), kind


def test_every_language_has_its_months_and_no_word_means_two() -> None:
    known: dict[str, int] = {}
    for language in LANGUAGES:
        assert len(MONTH_WORDS[language]) == 12, language
        for month, words in enumerate(MONTH_WORDS[language], start=1):
            for word in words.split():
                assert known.setdefault(fold(word), month) == month, word


@pytest.mark.parametrize(
    "text",
    [
        "14 March 2026", "March 14th, 2026", "14. März 2026", "14 mars 2026", "14 de marzo de 2026", "14 marzo 2026",
        "14 maart 2026", "14 marca 2026 r.", "den 14 mars 2026", "14 de março de 2026", "2026年3月14日",
    ],
)  # fmt: skip
def test_a_date_in_each_language(text: str) -> None:
    assert iso_date(text) == "2026-03-14"


def test_kinds_are_known() -> None:
    assert CONDITION_KINDS == set(CONDITION_FIELDS)
    # Of a meter: a leak's or a check plate's label with a unit that meters are read in.
    readings = {"check_plate_reading", "reading_unit", "leak_reading", "leak_reading_before", "leak_reading_after"}
    assert (LINE_KINDS | LEFT_OUT) - readings <= set(WORDS)
    assert all(language in LANGUAGES for sides in SIDE_CODES.values() for language in sides)


# Every label that must be understood, in any case and with a unit.
LABELS = {
    "side": "side", "port": "port", "run": "run", "variant": "variant", "head": "head", "test pressure": "pressure",
    "fixture bore": "fixture_bore", "leak": "leak", "check plate reading": "check_reading",
    "check plate nominal": "check_nominal", "air temperature": "air_temperature", "barometer": "barometer",
    "humidity": "humidity", "meter temperature": "meter_temperature", "meter pressure": "meter_pressure",
    "valve head": "valve_head", "stem": "stem", "throat": "throat", "seat angle": "seat_angle",
    "zero reading": "zero_reading", "leak reading": "leak", "leak reading before": "leak_before", "range": "range",
    "leak reading after": "leak_after", "liquid temperature": "liquid_temperature", "direction": "direction",
    "outlet pressure": "outlet_pressure",
    "seat width": "seat_width", "bench": "bench", "date": "date", "operator": "operator", "notes": "notes",
}  # fmt: skip


@pytest.mark.parametrize("label", LABELS)
@pytest.mark.parametrize("write", [str.lower, str.upper, str.title, "{}:".format, " {} ".format, "{} (mm)".format])
def test_labels_of_a_sheet(label: str, write: object) -> None:
    assert parse_label(write(label)).kind == LABELS[label]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("text", "side", "port", "run"),
    [
        ("Int #2", "intake", "2", None),
        ("Intake 2", "intake", "2", None),
        ("Cyl 1 Ex", "exhaust", "1", None),
        ("EX.3", "exhaust", "3", None),
        ("Exh. No. 3", "exhaust", "3", None),
        ("Einlaß 01", "intake", "01", None),
        ("Auslass Zyl. 4", "exhaust", "4", None),
        ("Échappement cyl. 2", "exhaust", "2", None),
        ("Admisión 3", "intake", "3", None),
        ("Scarico 1 prova 2", "exhaust", "1", 2),
        ("Intake port 2 run 3", "intake", "2", 3),
        ("Int 2A", "intake", "2A", None),
        ("Cyl 1 port A intake", "intake", "1 A", None),
        ("2nd run, intake 1", "intake", "1", 2),
        ("P3", None, "3", None),
        ("R2", None, None, 2),
        ("Port rear", None, "rear", None),
    ],
)  # fmt: skip
def test_sides_ports_and_runs(text: str, side: str | None, port: str | None, run: int | None) -> None:
    label = parse_label(text)
    assert (label.side, label.port, label.run, label.rest, label.kind) == (side, port, run, "", None)


@pytest.mark.parametrize(
    ("text", "kind", "unit"),
    [
        ("Lift (in)", "lift", "in"),
        ('Lift"', "lift", "in"),
        ("Lift in", "lift", "in"),
        ("lift_mm", "lift", "mm"),
        ("Hub / mm", "lift", "mm"),
        ("Hub/mm", "lift", "mm"),
        ("Levée de soupape en mm", "lift", "mm"),
        ("Valve lift, thou", "lift", "thou"),
        ('Lift (0.001")', "lift", "thou"),
        ("Durchfluss in L/s", "flow", "L/s"),
        ("Flow [cu. ft/min]", "flow", "CFM"),
        ("mass flow (kg/h)", "flow", "kg/h"),
        ("Caudal, m3/h", "flow", "m³/h"),
        ("Test pressure (in. w.c.)", "pressure", "inH2O"),
        ("ΔP inH2O", "pressure", "inH2O"),
        ("Temp °F", "air_temperature", "°F"),
        ("RH %", "humidity", "%"),
        ("Avg Intake (CFM)", "average", "CFM"),
        ("Gain %", "gain", "%"),
        ("% change", "gain", None),
        ("+/-", "gain", None),
        ("Velocity", "derived", None),
        ("Ø", "average", None),
    ],
)  # fmt: skip
def test_quantities_and_their_units(text: str, kind: str, unit: str | None) -> None:
    label = parse_label(text)
    assert (label.kind, label.unit.name if label.unit else None, label.rest) == (kind, unit, "")


@pytest.mark.parametrize(
    "text",
    [
        "stock", "ports blended", "Slim-stem valves", "seats recut", "After welding", "Stage 2", "Head 2 ported",
        "Big valve heads", "Test 1", "High flow valves", "Invented data: no such head, bench or job exists",
    ],
)  # fmt: skip
def test_names_keep_their_words(text: str) -> None:
    label = parse_label(text)
    assert label.kind is None or label.kind == "flow"
    assert label.rest == text and not label.names


def test_words_that_only_look_like_a_heading() -> None:
    for text in ("lift step", "Max lift", "Lift stop height"):
        assert parse_label(text).kind != "lift"


def test_units_alone_and_the_word_in() -> None:
    assert parse_label("CFM").only_unit and parse_label("(mm)").only_unit and parse_label('"').only_unit
    assert parse_label("in").code == "in" and not parse_label("in").only_unit
    assert parse_label("(in)").code is None and parse_label("(in)").only_unit
    assert parse_label("In 1").code == "in" and parse_label("In 1").port == "1"


def test_both_sides() -> None:
    assert parse_label("Intake and exhaust").both_sides
    assert parse_label("Einlass / Auslass").kind == "side"
    assert parse_label("Exh/Int ratio").kind == "derived"


@pytest.mark.parametrize(
    ("text", "pressure"),
    [
        ('CFM @ 28" H2O', ("28", '" H2O')),
        ("Flow (CFM @ 28 in. H2O)", ("28", "in. H2O")),
        ("Exhaust flow at 250 mmH2O", ("250", "mmH2O")),
        ("Intake, 28 inH2O", ("28", "inH2O")),
        ("CFM @28", ("28", "")),
        ("flow at 28 inches of water", ("28", "inches of water")),
    ],
)
def test_pressures_in_labels(text: str, pressure: tuple[str, str]) -> None:
    assert parse_label(text).pressure == pressure


@pytest.mark.parametrize("text", ["A1", "Flow at 10 mm", "E3", "a 2 valve head", "Port 28"])
def test_what_is_no_pressure(text: str) -> None:
    assert parse_label(text).pressure is None


def test_long_and_empty_texts_are_only_texts() -> None:
    assert parse_label("x" * 5000) == Label(rest="x" * 800)
    assert parse_label("  :") == Label()


def test_letters_that_stand_for_sides() -> None:
    assert resolve_codes(["e"], ["en"]) == {"e": "exhaust"}
    assert resolve_codes(["e"], ["de"]) == {"e": "intake"}
    assert resolve_codes(["e"], []) is None
    assert resolve_codes(["e", "a"], ["fr", "en", "en"]) == {"a": "intake", "e": "exhaust"}
    assert resolve_codes(["a", "s"], []) == {"a": "intake", "s": "exhaust"}
    assert resolve_codes(["i", "s"], ["en"]) is None


def test_folding() -> None:
    assert fold("  Prüf-Druck.  ") == fold("PRUF/DRUCK") == "pruf druck"
    assert spellings("Größe") == {"grosse", "groesse"}


# The same sheet in five languages and two layouts: the wording changes nothing.
HEADINGS = {
    "en": ("Test pressure", "Side", "Port", "Lift (mm)", "Flow (L/s)", "Intake", "Exhaust", "Fixture bore", "Leak", "Air temperature"),  # noqa: E501
    "de": ("Prüfdruck", "Seite", "Kanal", "Ventilhub [mm]", "Durchfluss [L/s]", "Einlass", "Auslass", "Bohrung", "Leckage", "Lufttemperatur"),  # noqa: E501
    "fr": ("Dépression d'essai", "Côté", "Conduit", "Levée (mm)", "Débit (L/s)", "Admission", "Échappement", "Alésage", "Fuite", "Température"),  # noqa: E501
    "es": ("Presión de prueba", "Lado", "Cilindro", "Alzada (mm)", "Caudal (L/s)", "Admisión", "Escape", "Calibre", "Fuga", "Temperatura ambiente"),  # noqa: E501
    "it": ("Pressione di prova", "Lato", "Condotto", "Alzata (mm)", "Portata (L/s)", "Aspirazione", "Scarico", "Alesaggio", "Perdita", "Temperatura aria"),  # noqa: E501
}  # fmt: skip


@pytest.mark.parametrize("language", HEADINGS)
def test_five_languages_say_the_same(language: str) -> None:
    from flowkit.importers.files.grid import Grid
    from tests.importers.sheets import read_grid

    pressure, side, port, lift, flow, intake, exhaust, bore, leak, temperature = HEADINGS[language]
    rows = [
        (pressure, "28 inH2O"),
        (bore, "83 mm"),
        (f"{leak}: 0.2 L/s",),
        (temperature, 21.0, "°C"),
        (side, port, lift, flow),
        *((word, 1.0, n, 10.0 * n + k) for k, word in enumerate((intake, exhaust.upper())) for n in (1.0, 2.0, 3.0)),
    ]
    result = read_grid(Grid("x.xlsx", "Sheet1", tuple(rows)))
    said = [(t.side, t.port, [(p.lift_m, p.flow_m3_s) for p in t.points]) for t in result.tests]
    assert said == [
        ("intake", "1", [(0.001, 0.010), (0.002, 0.020), (0.003, 0.030)]),
        ("exhaust", "1", [(0.001, 0.011), (0.002, 0.021), (0.003, 0.031)]),
    ]
    conditions = result.tests[0].conditions
    assert conditions.test_pressure_pa == pytest.approx(28 * 249.08891)
    assert (conditions.fixture_bore_m, conditions.leak_m3_s, conditions.air_temperature_k) == pytest.approx(
        (0.083, 0.0002, 294.15)
    )
    assert result.findings == ()
    wide = [
        (pressure, "28 inH2O"),
        (lift, f"{intake} 1 (L/s)", f"{exhaust} 1 (L/s)"),
        (1.0, 10.0, 11.0),
        (2.0, 20.0, 21.0),
    ]
    assert [t.side for t in read_grid(Grid("x.xlsx", "Sheet1", tuple(wide))).tests] == ["intake", "exhaust"]
