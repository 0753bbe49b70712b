"""Words of the trade in ten languages -> what they mean; a language is a row in each of these tables.

To teach flowkit a word, add it to its row in `WORDS`. A word may hold several words
(``"test pressure"``); case, accents, dots and dashes do not count, and German umlauts are
known with and without their e. No word may mean two things: a test checks that.
Single letters (``E3``) mean different sides in different languages and are in `SIDE_CODES`.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Final

from flowkit.fields import CONDITIONS, Side

LANGUAGES: Final = ("en", "de", "fr", "es", "it", "nl", "pl", "sv", "pt", "ja")

# Kind -> language -> words. Kinds are quantities, who-and-what (side, port, ...), and what is left out.
# fmt: off
WORDS: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "lift": {
        "en": ("lift", "valve lift", "lift height", "valve opening", "lifts"),
        "de": ("Hub", "Ventilhub", "Hubhöhe", "Ventilöffnung"),
        "fr": ("levée", "levée de soupape", "levée soupape", "ouverture soupape", "levées", "levée de la soupape", "levage"),
        "es": ("alzada", "alzada de válvula", "alzado", "alzado de válvula", "alzado válvula", "alzada válvula", "levantamiento", "levante", "apertura de válvula"),
        "it": ("alzata", "alzata valvola", "alzata della valvola", "apertura valvola", "alzate"),
        "nl": ("lichthoogte", "klephoogte", "kleplift", "kleplichthoogte", "lichting", "lift klep", "hoogte", "heffing", "klepheffing", "kl heffing"),
        "pl": ("wznios", "wznios zaworu", "skok zaworu", "podniesienie", "skok", "wysokość otwarcia"),
        "sv": ("lyft", "ventillyft", "lyfthöjd", "ventilens lyft"),
        "pt": ("levantamento", "abertura da válvula", "levantamento da válvula", "curso da válvula", "curso", "elevação", "alçada", "altura de abertura"),
        "ja": ("リフト", "バルブリフト", "リフト量", "バルブリフト量"),
    },
    "flow": {
        "en": ("flow", "air flow", "airflow", "flow rate", "volume flow", "mass flow", "flow reading", "flows"),
        "de": ("Durchfluss", "Durchfluß", "Volumenstrom", "Durchflussmenge", "Luftmenge", "Luftdurchsatz", "Durchsatz", "Massenstrom", "Strömung", "Durchströmung"),
        "fr": ("débit", "débit d'air", "débit volumique", "débit massique", "débits"),
        "es": ("caudal", "flujo", "caudal de aire", "flujo de aire", "caudales"),
        "it": ("portata", "flusso", "portata d'aria", "flusso d'aria", "portata aria", "portate", "flusso aria"),
        "nl": ("debiet", "doorstroming", "luchtdebiet", "luchtstroom", "stroming", "doorstroom", "luchthoeveelheid"),
        "pl": ("przepływ", "przepływ powietrza", "przepływy", "wydatek"),
        "sv": ("flöde", "luftflöde", "flöden"),
        "pt": ("vazão", "fluxo", "fluxo de ar", "caudal de ar", "vazões", "escoamento"),
        "ja": ("流量", "空気流量", "風量", "吸入流量", "空気量", "通過流量", "エアフロー"),
    },
    "pressure": {
        "en": ("h2o", "test pressure", "pressure", "depression", "test depression", "pressure drop", "test vacuum", "vacuum", "delta p", "dp", "δp", "δ p", "pressure difference", "differential pressure", "press", "tested at", "test depression at", "flowed at", "depression pressure", "test pressure drop", "water column", "water", "test press", "tp", "test dp", "bench depression", "bench pressure", "bench vacuum"),
        "de": ("Prüfdruck", "Druck", "Unterdruck", "Differenzdruck", "Druckdifferenz", "Testdruck", "Messdruck", "Prüfunterdruck", "Druckabfall", "geprüft bei", "gemessen bei", "Wassersäule"),
        "fr": ("dépression", "pression d'essai", "pression", "pression de test", "dépression d'essai", "perte de charge", "pression d'épreuve", "dépression de test", "testé à", "essai à"),
        "es": ("presión de prueba", "presión", "depresión", "presión de ensayo", "presión diferencial", "depresión de prueba", "vacío"),
        "it": ("pressione di prova", "pressione", "depressione", "depressione di prova", "pressione prova", "pressione differenziale"),
        "nl": ("testdruk", "meetdruk", "onderdruk", "drukverschil", "proefdruk", "druk"),
        "pl": ("ciśnienie testu", "ciśnienie próby", "podciśnienie", "różnica ciśnień", "ciśnienie", "ciśnienie testowe", "ciśnienie pomiaru"),
        "sv": ("provtryck", "testtryck", "undertryck", "tryckskillnad", "mättryck", "tryck"),
        "pt": ("pressão de teste", "pressão de ensaio", "depressão de teste", "depressão de ensaio", "pressão", "pressão diferencial", "depressão"),
        "ja": ("試験圧力", "テスト圧力", "差圧", "圧力", "負圧", "測定圧力", "試験圧", "測定圧", "試験差圧", "測定負圧", "測定差圧", "試験負圧", "試験真空", "水柱"),
    },
    "side": {
        "en": ("side", "valve side", "port side", "int exh", "in ex", "intake exhaust", "i e", "int ex", "inlet exhaust", "inlet outlet"),
        "de": ("Seite", "Ventilseite", "Einlass Auslass", "Ein Aus"),
        "fr": ("côté", "admission échappement"),
        "es": ("lado", "admisión escape"),
        "it": ("lato", "aspirazione scarico"),
        "nl": ("zijde", "kant", "klepzijde"),
        "pl": ("strona",),
        "sv": ("sida", "ventilsida"),
        "pt": ("admissão escape",),
        "ja": ("側", "吸排気", "吸気排気"),
    },
    "intake": {
        "en": ("intake", "inlet", "induction", "int", "intk", "inl", "intakes", "inlets", "intake side", "inlet side"),
        "de": ("Einlasskanäle", "Einlaßkanäle", "Ansaugkanal", "Ansaugkanäle", "Einlässe", "Einlassventile", "Einlasskanälen", "Einlass", "Einlaß", "Einl", "Einlassseite", "Ansaug", "Einlasskanal", "Einlassventil", "Ansaugseite", "Ein", "Einlassv"),
        "fr": ("conduits d'admission", "conduit d'admission", "soupape d'admission", "soupapes d'admission", "admission", "adm", "admissions"),
        "es": ("conductos de admisión", "conducto de admisión", "válvula de admisión", "válvulas de admisión", "admisión", "entrada"),
        "it": ("condotti di aspirazione", "condotto di aspirazione", "valvola di aspirazione", "aspirazione", "asp", "aspir", "immissione"),
        "nl": ("inlaatkanalen", "inlaatpoorten", "inlaatkleppen", "inlaat", "inl", "inlaatpoort", "inlaatklep", "inlaatkanaal", "inlaatzijde"),
        "pl": ("kanały dolotowe", "kanał dolotowy", "dolot", "ssanie", "dolotowy", "ssący", "wlot", "dolotowa", "dol", "dolotowe", "ss", "ssania"),
        "sv": ("insugskanaler", "insugsportar", "insug", "inlopp", "insugning", "insugskanal", "insugsventil", "ins", "insugssida"),
        "pt": ("condutos de admissão", "conduto de admissão", "dutos de admissão", "duto de admissão", "admissão", "adm."),
        "ja": ("吸気", "インテーク", "吸気側", "吸入", "IN側", "吸気ポート", "吸"),
    },
    "exhaust": {
        "en": ("exhaust", "exh", "ex", "exhst", "exhausts", "outlet", "exhaust side"),
        "de": ("Auslasskanäle", "Auslaßkanäle", "Abgaskanal", "Abgaskanäle", "Auslässe", "Auslassventile", "Auslasskanälen", "Auslass", "Auslaß", "Ausl", "Auslassseite", "Abgas", "Auslasskanal", "Auslassventil", "Aus", "Auslassv"),
        "fr": ("conduits d'échappement", "conduit d'échappement", "soupape d'échappement", "soupapes d'échappement", "échappement", "éch", "échap", "échappements"),
        "es": ("conductos de escape", "conducto de escape", "válvula de escape", "válvulas de escape", "escape", "esc", "salida"),
        "it": ("condotti di scarico", "condotto di scarico", "valvola di scarico", "scarico", "scar", "sca", "scarichi"),
        "nl": ("uitlaatkanalen", "uitlaatpoorten", "uitlaatkleppen", "uitlaat", "uitl", "uitlaatpoort", "uitlaatklep", "uitlaatkanaal", "uit", "uitlaatzijde"),
        "pl": ("kanały wydechowe", "kanał wydechowy", "wydech", "wylot", "wydechowy", "wyd", "wydechowa", "wydechowe", "wy", "wydechu", "wyl", "wylotowy", "wylotowa"),
        "sv": ("avgaskanaler", "avgasportar", "avgas", "utlopp", "avgaskanal", "avgasventil", "utblås", "avgassida", "ut", "utlopp ventil"),
        "pt": ("condutos de escape", "dutos de escape", "duto de escape", "condutos de exaustão", "exaustão", "escapamento", "esc."),
        "ja": ("排気", "エキゾースト", "排気側", "EX側", "エキゾースト側", "排気ポート", "排"),
    },
    "port": {
        "en": ("port", "cylinder", "cyl", "port number", "cylinder number", "runner", "prt"),
        "de": ("Kanal", "Zylinder", "Zyl", "Kanalnummer"),
        "fr": ("conduit", "cylindre", "canal"),
        "es": ("cilindro", "conducto", "cil", "puerto", "lumbrera"),
        "it": ("condotto", "luce"),
        "nl": ("poort", "kanaal", "cilinder", "poortnummer"),
        "pl": ("kanał", "cylinder nr", "port nr", "cylindra"),
        "sv": ("kanal nr", "portnummer", "cyl nr"),
        "pt": ("duto", "conduto", "pórtico"),
        "ja": ("ポート", "気筒", "シリンダー", "シリンダ", "番気筒", "番ポート", "番"),
    },
    "run": {
        "en": ("run", "pass", "repeat", "trial", "rep", "run number", "repetition", "repeat run", "sweep", "pull", "try", "attempt"),
        "de": ("Lauf", "Durchgang", "Messung", "Wiederholung", "Messlauf", "Durchlauf", "Versuch", "Test Nr"),
        "fr": ("passage", "essai", "mesure", "répétition", "passe", "relevé nr", "tour"),
        "es": ("pasada", "ensayo", "medición", "repetición", "corrida", "prueba"),
        "it": ("passata", "prova", "misura", "ripetizione", "misurazione", "prova nr", "giro"),
        "nl": ("meting", "herhaling", "loop", "test nr", "meetrun", "proef"),
        "pl": ("przebieg", "pomiar", "próba", "powtórzenie", "seria", "bieg", "przejazd"),
        "sv": ("körning", "mätning", "omgång", "upprepning"),
        "pt": ("medição", "rodada", "corrida nr", "passagem", "repetição", "ensaio", "teste", "tomada", "passada"),
        "ja": ("回目", "測定回", "回数", "測定", "試行"),
    },
    "variant": {
        "en": ("variant", "version", "state", "configuration", "config", "stage", "spec", "build", "modification", "head state", "state of the head", "work done", "condition", "head condition", "status", "setup", "state of work", "level of work"),
        "de": ("Variante", "Zustand", "Ausführung", "Bearbeitungszustand", "Konfiguration", "Bearbeitungsstand", "Stufe", "Stand", "Kopfzustand", "Version", "Arbeitsstand", "Status"),
        "fr": ("état", "variante", "stade", "état de la culasse", "condition", "configuration de la culasse", "préparation"),
        "es": ("estado", "versión", "configuración", "estado de la culata", "etapa", "condición", "variante", "fase de trabajo"),
        "it": ("stato", "versione", "configurazione", "stato della testa", "stato della testata", "fase", "condizione", "allestimento", "preparazione"),
        "nl": ("toestand", "uitvoering", "stadium", "versie", "staat", "conditie", "status kop"),
        "pl": ("stan", "wersja", "wariant", "etap", "stan głowicy", "konfiguracja"),
        "sv": ("tillstånd", "utförande", "steg", "skick", "variant nr", "läge"),
        "pt": ("condição", "etapa do cabeçote", "estado do cabeçote", "configuração", "estado", "condição do cabeçote", "versão"),
        "ja": ("状態", "仕様", "バリアント", "ヘッド状態"),
    },
    "head": {
        "en": ("head", "cylinder head", "cyl head", "head name", "head number", "casting"),
        "de": ("Zylinderkopf", "Kopf"),
        "fr": ("culasse",),
        "es": ("culata", "cabeza", "cabeza de cilindros"),
        "it": ("testata", "testa", "testa cilindri"),
        "nl": ("cilinderkop", "kop"),
        "pl": ("głowica", "głowica cylindrów"),
        "sv": ("topplock", "topp", "cylindertopp"),
        "pt": ("cabeçote", "cabeça do motor"),
        "ja": ("ヘッド", "シリンダーヘッド", "シリンダヘッド"),
    },
    "fixture_bore": {
        "en": ("fixture bore", "bore", "bore adaptor", "adaptor bore", "adaptor", "cylinder adaptor", "bore fixture", "bore adapter", "adapter bore", "test bore", "bore tube", "cylinder bore", "sleeve bore", "bore size", "fixture", "adapter", "bore of fixture", "cylinder adapter", "bore dia", "test cylinder", "cylinder sleeve", "bore sleeve", "fixture diameter", "bore fixture diameter", "sleeve", "liner", "cylinder liner"),
        "de": ("Bohrung Aufnahme", "Bohrung", "Prüfbohrung", "Adapterbohrung", "Zylinderbohrung", "Adapter Bohrung", "Bohrung Adapter", "Vorrichtungsbohrung", "Aufnahmebohrung", "Bohrung der Aufnahme", "Zylinderbohrung der Aufnahme", "Bohrung der Vorrichtung", "Adapterdurchmesser"),
        "fr": ("alésage", "alésage du montage", "alésage montage", "alésage d'essai", "alésage adaptateur", "alésage du gabarit", "montage"),
        "es": ("diámetro del cilindro", "diámetro cilindro", "diámetro de cilindro", "calibre", "calibre del útil", "diámetro interior", "diámetro de prueba", "calibre de prueba", "calibre del utillaje", "diámetro del útil", "diámetro del cilindro de prueba"),
        "it": ("alesaggio", "alesaggio attrezzatura", "alesaggio di prova", "alesaggio attrezzo", "alesaggio cilindro", "canna", "foro attrezzatura", "alesaggio del banco"),
        "nl": ("boring", "cilinderboring", "adapterboring", "testboring", "proefboring"),
        "pl": ("średnica cylindra", "średnica tulei", "otwór", "średnica adaptera", "tuleja"),
        "sv": ("cylinderdiameter", "borrning", "adapterborrning", "loppdiameter", "testlopp", "provborrning"),
        "pt": ("diâmetro do cilindro", "diâmetro cilindro", "diâmetro do dispositivo", "furo", "diâmetro do adaptador", "diâmetro do furo"),
        "ja": ("ボア", "ボア径", "治具ボア", "シリンダー径", "治具内径", "ボア内径"),
    },
    "valve_head": {
        "en": ("valve head", "valve", "valve size", "head diameter", "valve head diameter", "valve head size", "valve od"),
        "de": ("Ventilteller", "Teller", "Tellerdurchmesser", "Ventildurchmesser", "Ventilteller Durchmesser", "Ventil", "Ventiltellerdurchmesser"),
        "fr": ("tête de soupape", "soupape", "tulipe", "diamètre de soupape", "diamètre soupape", "tête soupape"),
        "es": ("cabeza de válvula", "válvula", "cabeza válvula", "diámetro de válvula", "plato de válvula"),
        "it": ("fungo", "fungo valvola", "valvola", "diametro valvola", "testa valvola", "testa della valvola"),
        "nl": ("klepschotel", "klepdiameter", "klep", "klepkop", "schotel"),
        "pl": ("grzybek zaworu", "średnica zaworu", "grzybek", "zawór", "talerzyk zaworu"),
        "sv": ("ventiltallrik", "ventildiameter", "tallrik", "ventilhuvud"),
        "pt": ("cabeça da válvula", "diâmetro da válvula", "cabeça de válvula", "válvula"),
        "ja": ("バルブ径", "バルブ傘径", "傘径", "バルブヘッド", "バルブ"),
    },
    "stem": {
        "en": ("stem", "valve stem", "stem diameter", "stem size"),
        "de": ("Schaft", "Ventilschaft", "Schaftdurchmesser", "Ventilschaftdurchmesser"),
        "fr": ("tige", "tige de soupape", "queue de soupape", "queue", "tige soupape"),
        "es": ("vástago", "vástago de válvula", "vástago válvula", "cola de válvula"),
        "it": ("stelo", "stelo valvola", "gambo", "gambo valvola"),
        "nl": ("klepsteel", "steel", "steeldiameter"),
        "pl": ("trzonek", "trzonek zaworu", "średnica trzonka"),
        "sv": ("ventilskaft", "skaft", "ventilspindel", "skaftdiameter"),
        "pt": ("haste", "haste da válvula", "diâmetro da haste"),
        "ja": ("ステム", "ステム径", "バルブステム", "軸径"),
    },
    "throat": {
        "en": ("throat", "throat diameter", "seat throat", "inner seat", "inner seat diameter", "valve throat", "port throat", "bowl throat"),
        "de": ("Engstelle", "Kehle", "Kehldurchmesser", "Sitzinnendurchmesser", "Sitz innen", "Engster Querschnitt", "Kanalhals"),
        "fr": ("gorge", "col", "diamètre de gorge", "diamètre au col", "gorge de siège", "col de siège"),
        "es": ("garganta", "diámetro de garganta", "garganta de asiento"),
        "it": ("gola", "diametro gola", "gola valvola", "gola sede"),
        "nl": ("keel", "keeldiameter", "zittingdoorlaat", "klepkeel"),
        "pl": ("gardziel", "średnica gardzieli", "przewężenie"),
        "sv": ("strypning", "strupdiameter", "strupe", "halsdiameter", "hals"),
        "pt": ("garganta", "diâmetro da garganta", "garganta da sede"),
        "ja": ("スロート", "スロート径", "シート内径", "のど径"),
    },
    "seat_angle": {
        "en": ("seat angle", "valve seat angle", "angle of seat"),
        "de": ("Sitzwinkel", "Ventilsitzwinkel"),
        "fr": ("angle de siège", "angle siège", "angle du siège", "angle de portée"),
        "es": ("ángulo de asiento", "ángulo asiento", "ángulo del asiento"),
        "it": ("angolo sede", "angolo di sede", "angolo della sede"),
        "nl": ("zittinghoek", "klepzittinghoek"),
        "pl": ("kąt gniazda", "kąt przylgni"),
        "sv": ("sätesvinkel", "ventilsätesvinkel"),
        "pt": ("ângulo da sede", "ângulo de sede"),
        "ja": ("シート角", "シート角度", "バルブシート角"),
    },
    "seat_width": {
        "en": ("seat width", "valve seat width", "width of seat"),
        "de": ("Sitzbreite", "Ventilsitzbreite"),
        "fr": ("largeur de siège", "largeur siège", "largeur du siège", "largeur de portée"),
        "es": ("ancho de asiento", "ancho asiento", "ancho del asiento", "anchura de asiento"),
        "it": ("larghezza sede", "larghezza di sede", "larghezza della sede"),
        "nl": ("zittingbreedte", "klepzittingbreedte"),
        "pl": ("szerokość gniazda", "szerokość przylgni"),
        "sv": ("sätesbredd", "ventilsätesbredd"),
        "pt": ("largura da sede", "largura de sede"),
        "ja": ("シート幅", "当たり幅", "バルブシート幅"),
    },
    "leak": {
        "en": ("leak", "leakage", "leak flow", "leak test", "leakage flow", "valve closed", "valve shut", "shut", "leak reading", "leak rate", "closed", "leakage reading", "leak down flow", "seat leak", "leaks"),
        "de": ("Leckage", "Leckablesung", "Leck", "Leckstrom", "Leckluft", "Leckmenge", "Ventil geschlossen", "Undichtigkeit"),
        "fr": ("fuite", "fuites", "débit de fuite", "soupape fermée", "lecture de fuite", "lecture fuite"),
        "es": ("fuga", "fugas", "caudal de fuga", "válvula cerrada", "lectura de fuga"),
        "it": ("perdita", "perdite", "trafilamento", "portata di perdita", "valvola chiusa", "lettura perdita", "lettura di perdita"),
        "nl": ("lek", "lekkage", "lekdebiet", "klep gesloten", "klep dicht", "lekaflezing"),
        "pl": ("przeciek", "nieszczelność", "wyciek", "zawór zamknięty", "nieszczelności", "odczyt przecieku"),
        "sv": ("läckage", "läcka", "läckflöde", "ventil stängd", "läckavläsning"),
        "pt": ("vazamento", "fuga de ar", "válvula fechada", "fuga", "vazamentos", "leitura de vazamento"),
        "ja": ("漏れ", "リーク", "漏れ量", "リーク量", "閉弁時漏れ", "バルブ全閉", "漏れ読み"),
    },
    "leak_pressure": {
        "en": ("leak pressure", "leak test pressure", "leakage pressure", "leakage test pressure", "leak depression"),
        "de": ("Leckagedruck", "Leckdruck", "Leckprüfdruck", "Leckage Prüfdruck"),
        "fr": ("pression de fuite", "dépression de fuite"),
        "es": ("presión de fuga", "presión de fugas"),
        "it": ("pressione di perdita", "pressione perdita", "depressione perdita"),
        "nl": ("lekdruk",),
        "pl": ("ciśnienie przecieku",),
        "sv": ("läckagetryck",),
        "pt": ("pressão de vazamento",),
        "ja": ("リーク圧力", "漏れ試験圧力"),
    },
    "check_reading": {
        "en": ("check plate reading", "check plate flow", "check plate measured", "check reading", "calibration plate reading", "check plate actual", "test plate reading", "check orifice reading", "cal plate today", "check plate today", "calibration plate today", "check orifice measured", "check orifice actual", "check orifice flow", "check orifice read", "check orifice", "check measured", "check actual", "check plate read", "check plate result", "plate check reading", "check plate test", "check plate value", "calibration plate read", "calibration plate flow", "check plate", "calibration plate", "cal plate", "cal plate reading", "cal plate read", "cal plate flow"),
        "de": ("Kontrollblende Ablesung", "Kontrollblende Messwert", "Kontrollblende Ist", "Prüfblende Ablesung", "Prüfblende Ist", "Prüfblende Messwert", "Kontrollblende gemessen", "Kalibrierblende Ist", "Kontrollblende", "Prüfblende gemessen", "Prüfplatte gemessen", "Prüfplatte Ablesung", "Prüfplatte Ist", "Kontrollplatte gemessen", "Prüfblende abgelesen", "Prüfblende"),
        "fr": ("plaque étalon lecture", "plaque étalon mesurée", "lecture plaque étalon", "plaque de contrôle lecture", "lecture plaque de contrôle", "plaque de contrôle mesurée", "lecture de la plaque étalon"),
        "es": ("placa de control lectura", "lectura placa de control", "placa patrón lectura", "lectura placa patrón", "lectura de la placa patrón", "lectura de la placa de control", "placa de calibración lectura"),
        "it": ("piastra campione lettura", "lettura piastra campione", "piastra di controllo lettura", "lettura piastra di controllo", "piastra di controllo misurata", "lettura della piastra campione"),
        "nl": ("controleplaat aflezing", "controleplaat gemeten", "testplaat gemeten", "ijkplaat aflezing", "controleplaat"),
        "pl": ("płytka kontrolna odczyt", "odczyt płytki kontrolnej", "kryza kontrolna odczyt", "płytka wzorcowa odczyt"),
        "sv": ("kontrollplatta avläst", "kontrollplatta avläsning", "testplatta avläst", "kontrollbricka avläst"),
        "pt": ("placa de controle leitura", "leitura placa de controle", "placa padrão leitura", "leitura da placa padrão", "leitura da placa de controle", "placa de aferição leitura"),
        "ja": ("校正板読み", "校正板測定値", "基準オリフィス読み", "チェックプレート読み", "チェックプレート測定値", "校正プレート測定値"),
    },
    "check_nominal": {
        "en": ("check plate nominal", "check plate nominal flow", "check nominal", "calibration plate nominal", "check plate rating", "check plate rated", "test plate nominal", "nominal check plate", "check orifice nominal", "cal plate certified", "check plate certified", "calibration plate certified", "check plate should read", "check plate should be", "check plate target", "calibration plate rated", "check plate spec", "cal plate nominal", "cal plate rated"),
        "de": ("Kontrollblende Nennwert", "Kontrollblende Soll", "Prüfblende Nennwert", "Prüfblende Soll", "Kontrollblende Sollwert", "Kalibrierblende Soll", "Prüfblende Sollwert", "Prüfplatte Soll", "Prüfplatte Nennwert", "Kontrollplatte Soll", "Kontrollplatte Nennwert"),
        "fr": ("plaque étalon nominale", "plaque étalon nominal", "valeur nominale plaque étalon", "plaque de contrôle nominale", "plaque de contrôle nominal", "débit nominal plaque étalon"),
        "es": ("placa de control nominal", "placa patrón nominal", "valor nominal placa patrón", "nominal de la placa patrón", "nominal placa de control", "placa de calibración nominal"),
        "it": ("piastra campione nominale", "piastra di controllo nominale", "valore nominale piastra campione", "nominale piastra campione", "nominale piastra di controllo"),
        "nl": ("controleplaat nominaal", "testplaat nominaal", "ijkplaat nominaal"),
        "pl": ("płytka kontrolna nominalna", "płytka kontrolna nominał", "nominał płytki kontrolnej", "kryza kontrolna nominał", "płytka wzorcowa nominał", "płytka wzorcowa nominalna"),
        "sv": ("kontrollplatta nominellt", "kontrollplatta nominell", "testplatta nominell", "kontrollbricka nominell"),
        "pt": ("placa de controle nominal", "placa padrão nominal", "nominal da placa de controle", "nominal da placa padrão", "placa de aferição nominal"),
        "ja": ("校正板公称値", "校正板公称", "基準オリフィス公称値", "チェックプレート公称", "チェックプレート公称値", "校正プレート公称値"),
    },
    "check_pressure": {
        "en": ("check plate pressure", "check pressure", "check plate test pressure", "calibration plate pressure", "check plate depression", "check plate nominal pressure"),
        "de": ("Kontrollblende Druck", "Kontrollblende Prüfdruck", "Prüfblende Druck", "Prüfblende Prüfdruck"),
        "fr": ("plaque étalon pression", "pression plaque étalon", "plaque étalon dépression", "pression plaque de contrôle"),
        "es": ("placa de control presión", "presión placa de control", "presión placa patrón", "placa patrón presión"),
        "it": ("piastra campione pressione", "pressione piastra campione", "pressione piastra di controllo"),
        "nl": ("controleplaat druk",),
        "pl": ("płytka kontrolna ciśnienie",),
        "sv": ("kontrollplatta tryck",),
        "pt": ("placa de controle pressão", "placa padrão pressão"),
        "ja": ("校正板圧力", "チェックプレート圧力"),
    },
    "check_reading_pressure": {
        "en": ("check plate reading pressure", "check reading pressure", "check plate read at"),
        "de": ("Kontrollblende Ablesedruck",),
        "fr": ("pression de lecture plaque étalon",),
        "es": ("presión de lectura placa de control",),
        "it": ("pressione di lettura piastra campione",),
    },
    "air_temperature": {
        "en": ("air temperature", "temperature", "temp", "air temp", "room temperature", "ambient temperature", "inlet air temperature", "ambient temp", "room temp", "inlet temperature", "t air", "air t", "ambient", "room", "room air"),
        "de": ("Lufttemperatur", "Temperatur", "Raumtemperatur", "Umgebungstemperatur", "Temp Luft"),
        "fr": ("température", "température de l'air", "température air", "température ambiante", "température d'air", "temp air", "température du local"),
        "es": ("temperatura del aire", "temperatura aire", "temperatura ambiente", "temperatura de aire", "temperatura"),
        "it": ("temperatura aria", "temperatura dell'aria", "temp aria"),
        "nl": ("luchttemperatuur", "temperatuur", "omgevingstemperatuur", "kamertemperatuur"),
        "pl": ("temperatura powietrza", "temperatura otoczenia", "temp powietrza", "temperatura w pomieszczeniu"),
        "sv": ("lufttemperatur", "rumstemperatur", "omgivningstemperatur", "temperatur luft"),
        "pt": ("temperatura do ar", "temperatura da sala", "temperatura ambiente do ar"),
        "ja": ("気温", "室温", "空気温度", "温度", "吸気温度", "雰囲気温度"),
    },
    "barometer": {
        "en": ("barometer", "baro", "barometric pressure", "atmospheric pressure", "ambient pressure", "air pressure", "baro pressure", "atm pressure", "barometric", "bar pressure", "atmospheric", "atm", "baro.", "barom"),
        "de": ("Luftdruck", "Barometerstand", "Umgebungsdruck", "Atmosphärendruck", "Barometerdruck"),
        "fr": ("baromètre", "pression atmosphérique", "pression barométrique", "pression ambiante"),
        "es": ("barómetro", "presión atmosférica", "presión barométrica", "presión ambiente"),
        "it": ("barometro", "pressione atmosferica", "pressione atm", "press atm", "pressione barometrica", "pressione ambiente"),
        "nl": ("luchtdruk", "barometerdruk", "barometerstand", "omgevingsdruk", "atmosferische druk"),
        "pl": ("ciśnienie atmosferyczne", "ciśnienie barometryczne", "ciśnienie otoczenia", "barometr"),
        "sv": ("lufttryck", "barometertryck", "atmosfärstryck", "omgivningstryck"),
        "pt": ("pressão atmosférica", "pressão barométrica", "barômetro", "pressão ambiente"),
        "ja": ("大気圧", "気圧"),
    },
    "humidity": {
        "en": ("humidity", "relative humidity", "rh", "air humidity", "rel humidity", "hum", "rel hum"),
        "de": ("Luftfeuchte", "Luftfeuchtigkeit", "relative Feuchte", "rel Feuchte", "Feuchte", "relative Luftfeuchte", "rel Luftfeuchte", "relative Luftfeuchtigkeit", "rel Luftfeuchtigkeit"),
        "fr": ("humidité", "humidité relative", "hygrométrie", "hr"),
        "es": ("humedad", "humedad relativa", "hr aire", "hum rel"),
        "it": ("umidità", "umidità relativa"),
        "nl": ("luchtvochtigheid", "vochtigheid", "relatieve vochtigheid", "rel vochtigheid"),
        "pl": ("wilgotność", "wilgotność względna", "wilgotność powietrza"),
        "sv": ("luftfuktighet", "fuktighet", "relativ fuktighet", "relativ luftfuktighet"),
        "pt": ("umidade", "umidade relativa", "humidade", "humidade relativa"),
        "ja": ("湿度", "相対湿度"),
    },
    "meter_temperature": {
        "en": ("meter temperature", "meter temp", "flow meter temperature", "orifice temperature", "temperature at the meter", "temperature at meter"),
        "de": ("Messblendentemperatur", "Temperatur Messblende", "Temperatur am Messgerät", "Messgerätetemperatur"),
        "fr": ("température débitmètre", "température du débitmètre", "température au débitmètre"),
        "es": ("temperatura del medidor", "temperatura medidor", "temperatura del caudalímetro"),
        "it": ("temperatura misuratore", "temperatura del misuratore", "temperatura flussometro"),
        "nl": ("metertemperatuur", "temperatuur meter"),
        "pl": ("temperatura przepływomierza", "temperatura miernika"),
        "sv": ("mätartemperatur",),
        "pt": ("temperatura do medidor de vazão",),
        "ja": ("流量計温度", "メーター温度"),
    },
    "meter_pressure": {
        "en": ("meter pressure", "flow meter pressure", "orifice pressure", "pressure at the meter", "pressure at meter"),
        "de": ("Messblendendruck", "Druck Messblende", "Druck am Messgerät", "Messgerätedruck"),
        "fr": ("pression débitmètre", "pression du débitmètre", "pression au débitmètre"),
        "es": ("presión del medidor", "presión medidor", "presión del caudalímetro"),
        "it": ("pressione misuratore", "pressione del misuratore", "pressione flussometro"),
        "nl": ("meterdruk", "druk meter"),
        "pl": ("ciśnienie przepływomierza", "ciśnienie miernika"),
        "sv": ("mätartryck",),
        "pt": ("pressão do medidor de vazão",),
        "ja": ("流量計圧力", "メーター圧力"),
    },
    "bench": {
        "en": ("bench", "flow bench", "flowbench", "test bench", "bench name"),
        "de": ("Prüfstand", "Flowbench Prüfstand", "Strömungsprüfstand", "Messbank", "Fließbank", "Bank"),
        "fr": ("banc", "banc d'essai", "banc de flux", "soufflerie"),
        "es": ("banco", "banco de flujo", "banco de pruebas"),
        "it": ("banco di flussaggio", "banco prova", "banco flussaggio", "flussometro"),
        "nl": ("flowbank", "testbank", "meetbank", "proefbank", "stromingsbank"),
        "pl": ("stanowisko", "stół przepływowy", "hamownia przepływowa", "ława przepływowa", "stanowisko przepływowe"),
        "sv": ("flödesbänk", "provbänk", "bänk", "testbänk"),
        "pt": ("bancada", "bancada de fluxo", "banco de fluxo"),
        "ja": ("ベンチ", "フローベンチ", "試験機", "流量試験機", "フローベンチ名", "測定機"),
    },
    "date": {
        "en": ("date", "test date", "date of test", "tested on", "date tested"),
        "de": ("Datum", "Prüfdatum", "Messdatum"),
        "fr": ("date d'essai", "date de l'essai", "date du test"),
        "es": ("fecha", "fecha de prueba", "fecha de ensayo"),
        "it": ("data", "data prova", "data della prova"),
        "nl": ("datum", "testdatum", "meetdatum"),
        "pl": ("data pomiaru", "data testu", "data próby", "dnia"),
        "sv": ("provdatum", "mätdatum"),
        "pt": ("data do teste", "data do ensaio", "data da medição"),
        "ja": ("日付", "試験日", "測定日", "実施日", "測定日付", "年月日"),
    },
    "operator": {
        "en": ("operator", "tested by", "technician", "tester", "done by", "operated by", "measured by", "flowed by"),
        "de": ("Prüfer", "Bediener", "geprüft von", "Bearbeiter", "gemessen von"),
        "fr": ("opérateur", "testé par", "essayeur", "opérateur du banc", "mesuré par"),
        "es": ("operador", "operario", "probado por", "técnico"),
        "it": ("operatore", "provato da", "eseguito da"),
        "nl": ("gemeten door", "bediener", "uitgevoerd door", "getest door"),
        "pl": ("wykonał", "operator stanowiska", "mierzył", "badał"),
        "sv": ("operatör", "utförd av", "mätt av", "provad av"),
        "pt": ("testado por", "medido por", "técnico responsável", "executado por"),
        "ja": ("測定者", "担当者", "試験者", "担当", "オペレーター"),
    },
    "notes": {
        "en": ("notes", "note", "comments", "comment", "remarks", "remark", "observations", "obs", "rem"),
        "de": ("Bemerkung", "Bemerkungen", "Anmerkung", "Anmerkungen", "Notizen", "Notiz", "Kommentar"),
        "fr": ("remarque", "remarques", "commentaire", "commentaires", "observation"),
        "es": ("notas", "nota", "observaciones", "observación", "comentario", "comentarios"),
        "it": ("osservazioni", "commento", "commenti", "annotazioni"),
        "nl": ("opmerking", "opmerkingen", "notities", "notitie"),
        "pl": ("uwagi", "uwaga", "notatki", "komentarz", "notatka"),
        "sv": ("anmärkning", "anmärkningar", "anteckning", "anteckningar", "kommentarer"),
        "pt": ("observações", "observação", "notas e observações", "comentários"),
        "ja": ("備考", "メモ", "注記", "コメント"),
    },
    "entry_fitting": {
        "en": ("entry fitting", "entry", "radius plate", "inlet fitting", "entry radius", "intake fitting"),
        "de": ("Einlauf", "Einlauftrichter", "Einlaufradius"),
        "fr": ("cornet", "pipe d'entrée", "raccord d'entrée"),
        "es": ("boquilla de entrada", "trompeta"),
        "it": ("cornetto", "trombetta", "raccordo di ingresso"),
        "nl": ("inlaattrechter", "instroomradius"),
        "pl": ("lejek wlotowy", "promień wlotowy"),
        "sv": ("inloppstratt", "inloppsradie"),
        "pt": ("corneta", "bocal de entrada"),
        "ja": ("入口治具", "ラジアスプレート", "入口アダプター"),
    },
    "exit_fitting": {
        "en": ("exit fitting", "exit", "pipe stub", "exhaust stub", "exhaust pipe", "outlet fitting", "exhaust fitting"),
        "de": ("Auslaufrohr", "Rohrstutzen", "Stutzen", "Auspuffstutzen"),
        "fr": ("tube de sortie", "raccord de sortie"),
        "es": ("tubo de salida", "tubo de escape"),
        "it": ("tubo di scarico", "raccordo di uscita", "tronchetto"),
        "nl": ("uitlaatpijp", "uitlaatstomp"),
        "pl": ("rura wylotowa", "króciec wydechowy"),
        "sv": ("utloppsrör", "avgasrör"),
        "pt": ("tubo de saída", "tubo de escapamento"),
        "ja": ("出口治具", "出口パイプ", "エキゾーストパイプ"),
    },
    "lift_unit": {
        "en": ("lift unit", "lift units", "unit of lift", "lifts in"),
        "de": ("Hub Einheit", "Einheit Hub"),
        "fr": ("unité de levée", "unité levée"),
        "es": ("unidad de alzada", "unidad alzada"),
        "it": ("unità alzata", "unità di alzata"),
        "nl": ("eenheid lichthoogte",),
        "pl": ("jednostka wzniosu",),
        "sv": ("lyftenhet",),
        "pt": ("unidade de levantamento",),
        "ja": ("リフト単位",),
    },
    "flow_unit": {
        "en": ("flow unit", "flow units", "unit of flow", "flows in"),
        "de": ("Durchfluss Einheit", "Einheit Durchfluss"),
        "fr": ("unité de débit", "unité débit"),
        "es": ("unidad de caudal", "unidad caudal"),
        "it": ("unità portata", "unità di portata"),
        "nl": ("eenheid debiet",),
        "pl": ("jednostka przepływu",),
        "sv": ("flödesenhet",),
        "pt": ("unidade de vazão",),
        "ja": ("流量単位",),
    },
    "pressure_unit": {
        "en": ("pressure unit", "pressure units", "unit of pressure"),
        "de": ("Druck Einheit", "Einheit Druck"),
        "fr": ("unité de pression",),
        "es": ("unidad de presión",),
        "it": ("unità pressione", "unità di pressione"),
        "nl": ("eenheid druk",),
        "pl": ("jednostka ciśnienia",),
        "sv": ("tryckenhet",),
        "pt": ("unidade de pressão",),
        "ja": ("圧力単位",),
    },
    "units": {
        "en": ("units", "unit"),
        "de": ("Einheit", "Einheiten"),
        "fr": ("unité", "unités"),
        "es": ("unidad", "unidades"),
        "it": ("unità di misura",),
        "nl": ("eenheid", "eenheden"),
        "pl": ("jednostki", "jednostka"),
        "sv": ("enhet", "enheter"),
        "pt": ("unidades de medida",),
        "ja": ("単位",),
    },
    # Figures worked out from the readings, and what else is found in sheets without being a reading.
    "average": {
        "en": ("average", "avg", "mean", "ave", "averages", "average flow", "mean flow", "avg flow", "port average", "average of ports", "aver"),
        "de": ("Mittelwert", "Mittel", "Durchschnitt", "MW", "Schnitt", "Ø", "⌀"),
        "fr": ("moyenne", "moy"),
        "es": ("promedio", "prom", "media"),
        "it": ("valore medio",),
        "nl": ("gemiddelde", "gem", "gemiddeld"),
        "pl": ("średnia", "śr"),
        "sv": ("medelvärde", "medel", "snitt"),
        "ja": ("平均", "平均値"),
    },
    "total": {
        "en": ("total", "sum", "totals", "max", "maximum", "peak", "min", "minimum", "best", "sum of flows", "area under curve", "auc"),
        "de": ("Summe", "Gesamt", "σ"),
        "fr": ("somme",),
        "es": ("suma",),
        "it": ("totale", "somma"),
        "nl": ("totaal", "som"),
        "pl": ("suma", "razem"),
        "sv": ("summa", "totalt"),
        "pt": ("soma",),
        "ja": ("合計", "総計"),
    },
    "gain": {
        "en": ("gain", "change", "difference", "diff", "delta", "δ", "increase", "improvement", "gain loss", "percent", "percent gain", "%", "% gain", "gain %", "% change", "change %", "% diff", "diff %", "% increase", "+", "+ -", "pct", "spread", "std dev", "standard deviation", "deviation", "gained", "loss", "lost", "losses", "+/- %", "vs stock", "vs base", "percent change", "percent difference", "delta %", "diff.", "improved"),
        "de": ("Differenz", "Zuwachs", "Gewinn", "Änderung", "Verbesserung", "Abweichung", "Prozent", "Streuung", "Unterschied"),
        "fr": ("gain en %", "différence", "écart", "amélioration", "pourcentage", "évolution"),
        "es": ("ganancia", "diferencia", "mejora", "porcentaje", "aumento", "desviación"),
        "it": ("guadagno", "differenza", "miglioramento", "percentuale", "aumento %", "scarto"),
        "nl": ("winst", "verschil", "toename", "verbetering"),
        "pl": ("przyrost", "różnica", "zysk", "zmiana", "poprawa"),
        "sv": ("ökning", "skillnad", "förbättring", "vinst"),
        "pt": ("ganho", "diferença", "aumento", "melhoria", "variação"),
        "ja": ("差", "増加", "増加率", "向上率", "改善率", "変化率"),
    },
    "derived": {
        "en": ("summary", "example", "example only", "template", "sd", "stdev", "st dev", "scatter", "sigma", "target", "goal", "published", "claimed", "advertised", "catalogue", "predicted", "expected", "theoretical", "simulated", "estimated", "max possible", "velocity", "port velocity", "air speed", "cd", "coefficient", "flow coefficient", "discharge coefficient", "ratio", "area", "valve area", "curtain area", "swirl", "tumble", "swirl ratio", "efficiency", "flow per area", "ex in ratio", "ex int ratio", "power", "hp", "e i ratio", "e i", "exhaust intake ratio", "potential", "efficiency %", "exh int", "exh int %", "ex int", "ex in", "e/i %", "exh/int", "e to i", "ratio %", "exh to int", "int to exh", "flow ratio", "percent of intake", "velocity ratio", "discharge", "flow coeff", "specific flow", "cfm per sq in", "cfm/in2", "cfm in2", "per sq in", "corr factor", "correction factor", "factor", "multiplier", "k factor", "time s", "noise", "sound", "torque", "load", "weight", "volume", "chamber", "exh int ratio", "ratio exh int", "percent intake", "exh pct of int"),
        "de": ("Zusammenfassung", "Übersicht", "Beispiel", "Vorlage", "Standardabweichung", "Ziel", "Zielwert", "Herstellerangabe", "theoretisch", "geschätzt", "Prognose", "Geschwindigkeit", "Strömungsgeschwindigkeit", "Durchflussbeiwert", "Beiwert", "Durchflusszahl", "Verhältnis", "Fläche", "Drall", "Drallzahl", "Wirkungsgrad", "Leistung", "Kennzahl"),
        "fr": ("résumé", "récapitulatif", "exemple", "écart type", "dispersion", "objectif", "théorique", "estimé", "vitesse", "vitesse d'air", "rapport", "surface", "section", "rendement", "puissance", "tourbillon"),
        "es": ("resumen", "ejemplo", "plantilla", "desviación típica", "desviación estándar", "objetivo", "teórico", "estimado", "velocidad", "coeficiente", "relación", "superficie", "rendimiento", "potencia", "turbulencia"),
        "it": ("riepilogo", "riassunto", "esempio", "deviazione standard", "obiettivo", "teorico", "stimato", "velocità", "coefficiente", "rapporto scarico aspirazione", "sezione", "rendimento", "potenza"),
        "nl": ("samenvatting", "overzicht", "voorbeeld", "sjabloon", "standaardafwijking", "doel", "streefwaarde", "theoretisch", "verhouding", "snelheid", "rendement", "coëfficiënt"),
        "pl": ("podsumowanie", "przykład", "szablon", "odchylenie", "stosunek", "prędkość", "współczynnik", "sprawność"),
        "sv": ("sammanfattning", "exempel", "standardavvikelse", "förhållande", "hastighet", "verkningsgrad", "koefficient"),
        "pt": ("resumo", "exemplo", "desvio padrão", "razão", "velocidade do ar", "coeficiente de descarga", "eficiência"),
        "ja": ("集計", "まとめ", "例", "見本", "標準偏差", "比", "比率", "流速", "速度", "効率", "係数", "流量係数"),
    },
    "counter": {
        "en": ("no", "nr", "number", "point", "pt", "row", "line", "step", "item", "index no", "reading no", "reading number", "time", "point no", "test point"),
        "de": ("Nummer", "Punkt", "Zeile", "Messpunkt", "Zeit", "Uhrzeit", "lfd"),
        "fr": ("numéro", "ligne", "point de mesure", "heure"),
        "es": ("número", "fila", "punto", "hora"),
        "it": ("numero", "riga", "punto di misura", "ora"),
        "nl": ("nummer", "regel", "punt", "meetpunt"),
        "pl": ("numer", "punkt", "lp", "nr pomiaru", "wiersz"),
        "sv": ("nummer", "punkt nr", "rad", "mätpunkt"),
        "pt": ("linha", "ponto", "item nr", "ponto de medição"),
        "ja": ("番号", "測定点", "点", "行"),
    },
    # Words that say what kind of reading a flow is: they name nothing, and two such columns look the same.
    "treatment": {
        "en": ("net", "less leak", "less leakage", "minus leak", "minus leakage", "net of leak", "net of leakage", "measured", "raw", "corrected", "normalised", "normalized", "converted", "adjusted", "actual", "observed", "indicated", "uncorrected", "as read", "calculated", "corr", "calc", "uncorr", "standardised", "standardized"),
        "de": ("netto", "gemessen", "korrigiert", "normiert", "umgerechnet", "unkorrigiert", "berechnet", "bereinigt"),
        "fr": ("valeur mesurée", "corrigé", "brut", "converti", "normalisé", "calculé"),
        "es": ("medido", "corregido", "bruto", "convertido", "normalizado", "calculado"),
        "it": ("misurato", "corretto", "grezzo", "convertito", "normalizzato", "calcolato"),
        "nl": ("gemeten", "gecorrigeerd", "omgerekend", "ruw", "berekend"),
        "pl": ("zmierzony", "skorygowany", "przeliczony", "surowy", "obliczony", "zmierzone", "skorygowane"),
        "sv": ("uppmätt", "korrigerad", "omräknad", "rå", "beräknad", "korrigerat"),
        "pt": ("medida", "corrigida", "corrigido", "convertida", "bruta", "calculada"),
        "ja": ("実測", "補正", "補正後", "換算", "生データ", "計算"),
    },
    # Words of titles: "Flow test results, intake".
    "title": {
        "en": ("results", "result", "data sheet", "flow test", "flow bench test", "flow sheet", "table", "flow data", "sheet", "report", "flow results", "report sheet", "bench test", "flow bench data", "flow report", "test sheet", "test results", "flow test results", "flow bench report", "flow bench results", "head flow", "cylinder head flow", "flow test sheet", "flow numbers", "head flow test", "bench sheet", "flow bench sheet"),
        "de": ("Ergebnis", "Ergebnisse", "Tabelle", "Prüfprotokoll", "Messprotokoll", "Protokoll", "Messwerte"),
        "fr": ("résultats", "tableau", "feuille", "test de débit", "relevé"),
        "es": ("resultados", "tabla", "hoja"),
        "it": ("risultati", "tabella", "foglio", "scheda"),
        "nl": ("resultaten", "meetresultaten", "testrapport", "tabel", "meetrapport", "blad"),
        "pl": ("wyniki", "tabela", "protokół", "raport", "arkusz", "karta pomiarowa"),
        "sv": ("resultat", "tabell", "protokoll", "mätprotokoll", "blad nr"),
        "pt": ("relatório", "ficha", "planilha", "relatório de teste"),
        "ja": ("結果", "測定結果", "試験結果", "表", "成績表", "データ", "記録"),
    },
    # Words that may come beside any other and add nothing.
    "filler": {
        "en": ("everything", "whole", "the", "of", "at", "for", "and", "diameter", "dia", "diam", "test", "tested", "values", "value", "reading", "readings", "ports", "cylinders", "valves", "@", "with", "on", "to", "from", "is", "are", "was", "were", "all", "each", "by", "per", "both", "valve closed at", "numbers", "figures", "only"),
        "de": ("der", "die", "das", "bei", "für", "Durchmesser", "Werte", "von", "mit", "am", "Kanäle", "Ventile"),
        "fr": ("du", "des", "au", "diamètre", "valeurs", "pour", "conduits", "soupapes"),
        "es": ("del", "las", "los", "diámetro", "valores", "con", "para", "conductos", "válvulas"),
        "it": ("della", "dei", "delle", "diametro", "valori", "per", "condotti", "valvole"),
        "nl": ("van", "het", "een", "met", "bij", "op", "waarden", "poorten", "diameter van"),
        "pl": ("dla", "przy", "od", "do", "wartości", "średnica"),
        "sv": ("för", "vid", "med", "från", "av", "värden", "kanaler"),
        "pt": ("do", "da", "dos", "das", "para o", "em", "com o"),
        "ja": ("の", "時", "で", "値", "径", "は", "における"),
    },
    "common": {
        "en": ("#", "n°"),
        "fr": ("de", "la", "le", "les"),
        "es": ("el",),
        "it": ("di", "il", "lo"),
        "ja": ("号",),
    },
    # Names of ports that are words.
    "position": {
        "en": ("front", "rear", "left", "right", "primary", "secondary", "inner", "outer", "middle", "centre", "center"),
        "de": ("vorn", "vorne", "hinten", "links", "rechts", "primär", "sekundär", "mitte"),
        "fr": ("arrière", "gauche", "droite", "primaire", "secondaire"),
        "es": ("delantera", "trasera", "izquierda", "derecha", "primaria", "secundaria"),
        "it": ("anteriore", "posteriore", "sinistra", "destra", "primario", "secondario"),
        "nl": ("achter", "linker", "rechter", "midden", "voorste", "achterste"),
        "pl": ("przód", "tył", "lewy", "prawy", "przedni", "tylny", "lewa", "prawa", "środkowy"),
        "sv": ("främre", "bakre", "vänster", "höger", "fram", "bak", "mitten"),
        "pt": ("dianteiro", "traseiro", "esquerdo", "direito", "esquerda", "direita"),
        "ja": ("左", "右", "前", "後", "左側", "右側", "前側", "後側", "左バンク", "右バンク"),
    },
    # Words of the state of a head, always part of its name.
    "state": {
        "en": ("before porting", "after porting", "porting", "before work", "after work", "before the work", "after the work", "slim valves", "slim valve", "slimmer valves", "slim stems", "slim stem", "big valve", "big valves", "bigger valves", "large valves", "oversize valves", "stock", "std", "standard", "original", "before", "after", "as received", "ported", "unported", "blended", "recut", "as cast", "baseline", "base", "modified", "mod", "polished", "old", "new", "untouched", "oem", "factory", "raced", "cleaned up", "reworked", "final", "first cut", "out of the box"),
        "de": ("vor Bearbeitung", "nach Bearbeitung", "vor der Bearbeitung", "nach der Bearbeitung", "schlanke Ventile", "große Ventile", "Serie", "serienmäßig", "vorher", "nachher", "bearbeitet", "unbearbeitet", "original Zustand", "Stand vorher", "Stand nachher", "alt", "neu", "überarbeitet", "Ausgangszustand"),
        "fr": ("avant", "après", "d'origine", "origine", "modifié", "retravaillé", "préparé", "série"),
        "es": ("antes", "después", "de serie", "modificado", "trabajado", "de fábrica"),
        "it": ("prima", "dopo", "dopo lavorazione", "dopo la lavorazione", "prima della lavorazione", "prima di lavorazione", "di serie", "modificata", "lavorata", "originale", "elaborata"),
        "nl": ("voor bewerking", "na bewerking", "standaard", "bewerkt", "origineel", "ongemodificeerd", "voor", "na"),
        "pl": ("przed", "po", "seryjny", "seryjna", "obrobiony", "obrobiona", "fabryczny", "oryginał", "przed obróbką", "po obróbce"),
        "sv": ("före", "efter", "portad", "orört", "bearbetad"),
        "pt": ("depois", "trabalhado", "antes do trabalho", "preparado", "antes", "original"),
        "ja": ("加工前", "加工後", "純正", "ノーマル", "ポート加工", "施工前", "施工後", "前回", "標準"),
    },
    # What repeats a run: "Int 2 again".
    "again": {
        "en": ("again", "repeated", "rerun", "re run", "retest", "redo", "2nd time", "repeat test", "rpt"),
        "de": ("nochmal", "wiederholt", "nochmals"),
        "fr": ("encore", "bis"),
        "es": ("otra vez", "repetido"),
        "it": ("ripetuto", "ancora"),
        "nl": ("opnieuw", "herhaald"),
        "pl": ("ponownie", "powtórnie"),
        "sv": ("igen", "upprepad"),
        "pt": ("de novo", "novamente"),
        "ja": ("再測定",),
    },
    # Words for what a meter shows, not yet a flow.
    "meter": {
        "en": ("meter", "manometer", "orifice", "nozzle", "venturi", "laminar", "pitot", "scale", "meter reading", "manometer reading", "orifice reading", "incline", "inclined manometer", "gauge", "meter scale", "plate reading", "flow meter", "flowmeter", "flow meter reading", "percent flow", "flow percent", "flow %", "% flow", "percent reading", "meter %", "% of scale", "orifice plate", "metering plate"),
        "de": ("Manometer", "Messblende", "Blende", "Düse", "Venturi", "Staurohr", "Skala", "Ablesung", "Schrägrohr", "Manometeranzeige", "Anzeige", "Schrägrohrmanometer", "Durchflussmesser", "Messdüse", "Venturirohr", "Venturidüse", "Laminarelement", "Laminar", "Pitotrohr", "Messgerät", "Manometer Ablesung", "Skalenwert"),
        "fr": ("manomètre", "diaphragme", "tuyère", "échelle", "lecture", "débitmètre", "lecture manomètre", "venturi", "laminaire", "élément laminaire", "pitot", "tube de pitot", "pour cent", "orifice de mesure", "manomètre incliné", "débitmètre lecture"),
        "es": ("manómetro", "placa orificio", "tobera", "escala", "lectura", "lectura del manómetro", "caudalímetro", "venturi", "laminar", "elemento laminar", "tubo pitot", "pitot", "por ciento", "orificio", "boquilla", "medidor"),
        "it": ("manometro", "diaframma", "ugello", "lettura", "lettura manometro", "venturi", "laminare", "elemento laminare", "tubo di pitot", "pitot", "per cento", "orifizio", "misuratore", "scala", "flangia tarata"),
        "nl": ("manometer aflezing", "meetplaat", "aflezing", "schaal", "meetflens", "manometer", "venturi", "laminair", "pitotbuis", "pitot", "meetblende", "straalpijp", "percentage", "procent", "debietmeter", "meetbuis"),
        "pl": ("manometr", "kryza", "dysza", "odczyt", "skala", "odczyt manometru", "zwężka", "manometr pochyły", "venturi", "element laminarny", "laminarny", "rurka pitota", "pitot", "procent", "przepływomierz", "dysza pomiarowa"),
        "sv": ("avläsning", "mätbricka", "strypfläns", "skala", "manometeravläsning", "manometer", "venturi", "laminär", "pitotrör", "pitot", "munstycke", "mätdysa", "procent", "flödesmätare"),
        "pt": ("manômetro", "placa de orifício", "bocal", "leitura", "leitura do manômetro", "venturi", "laminar", "elemento laminar", "tubo de pitot", "pitot", "porcentagem", "por cento", "orifício", "escala", "medidor", "medidor de vazão"),
        "ja": ("マノメーター", "オリフィス", "ノズル", "読み", "目盛", "読み値", "ベンチュリ", "メーター", "層流", "層流素子", "ピトー管", "パーセント", "流量計", "傾斜マノメーター"),
    },
    "range": {
        "en": ("range", "flow range", "orifice range", "meter range", "scale range", "full range", "full scale", "f.s.", "bench range", "range used"),
        "de": ("Bereich", "Messbereich", "Endwert", "Skalenendwert", "Messbereichsendwert"),
        "fr": ("gamme", "plage", "pleine échelle", "gamme de mesure", "calibre de mesure"),
        "es": ("rango", "gama", "fondo de escala", "escala completa"),
        "it": ("gamma", "portata scala", "fondo scala", "campo di misura", "campo"),
        "nl": ("bereik", "meetbereik", "volle schaal"),
        "pl": ("zakres", "pełny zakres", "zakres pomiarowy"),
        "sv": ("område", "mätområde", "fullt utslag"),
        "pt": ("faixa", "fundo de escala no medidor", "faixa de medição"),
        "ja": ("レンジ", "測定範囲", "フルスケール"),
    },
    # Conditions of a readings sheet.
    "zero_reading": {
        "en": ("zero reading", "zero", "manometer zero", "zero offset", "meter zero"),
        "de": ("Nullpunkt", "Nullablesung", "Nullanzeige"),
        "fr": ("lecture du zéro", "lecture zéro", "zéro manomètre", "zéro"),
        "es": ("lectura de cero", "lectura cero", "cero del manómetro", "cero"),
        "it": ("lettura di zero", "lettura zero", "zero manometro", "zero"),
        "nl": ("nulaflezing", "nulpunt", "nulstand"),
        "pl": ("odczyt zera", "punkt zerowy"),
        "sv": ("nollavläsning", "nollpunkt", "nolläge"),
        "pt": ("leitura do zero", "leitura de zero", "zero do manômetro", "zero"),
        "ja": ("ゼロ点", "零点", "ゼロ読み", "ゼロ読み値", "ゼロ"),
    },
    "liquid_temperature": {
        "en": ("liquid temperature", "fluid temperature", "water temperature", "manometer temperature"),
        "de": ("Flüssigkeitstemperatur", "Wassertemperatur"),
        "fr": ("température du liquide", "température de l'eau", "température liquide"),
        "es": ("temperatura del líquido", "temperatura del agua"),
        "it": ("temperatura del liquido", "temperatura liquido", "temperatura dell'acqua"),
        "nl": ("vloeistoftemperatuur", "watertemperatuur"),
        "pl": ("temperatura cieczy", "temperatura wody"),
        "sv": ("vätsketemperatur", "vattentemperatur"),
        "pt": ("temperatura do líquido", "temperatura da água"),
        "ja": ("液温", "水温", "液体温度"),
    },
    "outlet_pressure": {
        "en": ("outlet pressure", "meter outlet pressure", "downstream pressure"),
        "de": ("Austrittsdruck", "Druck nach der Düse"),
        "fr": ("pression de sortie", "pression aval"),
        "es": ("presión de salida", "presión aguas abajo"),
        "it": ("pressione di uscita", "pressione a valle"),
        "nl": ("uitgangsdruk",),
        "pl": ("ciśnienie wylotowe", "ciśnienie za dyszą"),
        "sv": ("utloppstryck",),
        "pt": ("pressão de saída", "pressão a jusante"),
        "ja": ("出口圧力", "下流圧力"),
    },
    # Which way the bench moves the air.
    "direction": {
        "en": ("direction", "bench direction", "air direction"),
        "de": ("Luftrichtung",),
        "fr": ("sens de l'air",),
        "es": ("sentido del aire",),
        "it": ("direzione dell'aria",),
        "nl": ("luchtrichting",),
        "pl": ("kierunek powietrza",),
        "sv": ("luftriktning",),
        "pt": ("sentido do ar",),
        "ja": ("空気の方向",),
    },
    # A quantity that is none of ours: its column is never a flow.
    "other": {
        "en": ("rpm", "speed", "voltage", "current", "volts", "amps", "motor", "motor speed", "fan speed", "decibel", "db", "hz", "frequency", "density", "viscosity", "mass", "bar gauge", "pipe", "pump", "hose", "nozzle size", "duty", "duty cycle", "vacuum motor", "blower", "cam", "crank", "angle", "spring", "force", "seat pressure", "open pressure", "length", "width", "height", "depth", "thickness", "price", "cost", "qty", "quantity", "amount", "distance", "altitude", "level", "temperature rise", "oil temp", "coolant", "lash", "duration", "dwell", "head loss", "discharge head", "reynolds", "friction factor", "pipe diameter", "tank", "valve position", "cv", "kv", "kvs", "stroke"),
        "de": ("Drehzahl", "Spannung", "Strom", "Lautstärke", "Dichte", "Gewicht", "Kraft", "Länge", "Breite", "Höhe", "Preis", "Menge", "Förderhöhe", "Pumpe", "Rohr"),
        "fr": ("régime", "tension", "courant", "bruit", "densité", "poids", "force du ressort", "longueur", "prix", "pompe", "hauteur"),
        "es": ("revoluciones", "tensión", "corriente", "ruido", "densidad", "peso", "fuerza", "longitud", "precio", "bomba", "altura"),
        "it": ("giri", "tensione", "corrente", "rumore", "densità", "peso", "forza", "lunghezza", "prezzo", "pompa", "prevalenza"),
        "nl": ("toerental", "spanning", "stroom", "geluid", "dichtheid", "gewicht", "kracht", "prijs", "pomp"),
        "pl": ("obroty", "napięcie", "prąd", "hałas", "gęstość", "masa", "siła", "cena", "pompa"),
        "sv": ("varvtal", "spänning", "ström", "ljud", "densitet", "vikt", "kraft", "pris", "pump nr"),
        "pt": ("rotação", "tensão elétrica", "corrente elétrica", "ruído", "densidade", "peso do ar", "força da mola", "preço"),
        "ja": ("回転数", "電圧", "電流", "騒音", "密度", "重量", "価格"),
    },
}

# Language -> how a label says that it is from before the test, and from after it.
_WHEN: Final = {
    "en": (("{} before", "{} before test"), ("{} after", "{} after test")),
    "de": (("{} vorher",), ("{} nachher",)),
    "fr": (("{} avant",), ("{} après",)),
    "es": (("{} antes",), ("{} después",)),
    "it": (("{} prima",), ("{} dopo",)),
    "nl": (("{} vooraf",), ("{} achteraf",)),
    "pl": (("{} przed",), ("{} po",)),
    "sv": (("{} före",), ("{} efter",)),
    "pt": (("{} antes",), ("{} depois",)),
    "ja": (("試験前{}",), ("試験後{}",)),
}
for _kind, _read_twice in (("zero", WORDS["zero_reading"]), ("leak", WORDS["leak"])):
    for _nth, _when in enumerate(("before", "after")):
        WORDS[f"{_kind}_{_when}"] = {
            language: tuple(form.format(word) for word in words for form in _WHEN[language][_nth])
            for language, words in _read_twice.items()
        }

# Languages -> words that mean the same thing in all of them: listed under one above, and read as any.
SHARED: Final[dict[str, tuple[str, ...]]] = {
    word: tuple(languages.split())
    for languages, words in {
        "en": "run",
        "de": "temperatur",
        "en de": "port barometer operator",
        "en fr": "date depression admission notes orifice configuration gain air",
        "fr es": "canal",
        "es it": "cilindro banco temperatura media",
        "en fr es": "total",
        "en fr it": "note",
        "en de fr es": "version",
        "de fr es it": "variante",
        "en de fr es it": "delta test flow",
    }.items()
    for word in words.split()
}

# Words of what was done, or is to be done, to the figures of a sheet.
FACTORS: Final[dict[str, tuple[str, ...]]] = {
    "en": ("multiply", "multiplied", "times", "divide", "divided", "add", "added", "subtract", "subtracted", "deducted"),
    "de": ("multiplizieren", "multipliziert", "mal", "dividieren", "addieren", "addiert", "abziehen", "abgezogen"),
    "fr": ("multiplier", "multiplié", "diviser", "divisé", "ajouter", "ajouté", "soustraire", "soustrait", "déduit"),
    "es": ("multiplicar", "multiplicado", "dividir", "dividido", "sumar", "sumado", "restar", "restado"),
    "it": ("moltiplicare", "moltiplicato", "dividere", "diviso", "aggiungere", "aggiunto", "sottrarre", "sottratto"),
    "nl": ("vermenigvuldigen", "vermenigvuldigd", "gedeeld", "optellen", "opgeteld", "aftrekken", "afgetrokken"),
    "pl": ("pomnożyć", "pomnożone", "podzielić", "podzielone", "dodać", "dodano", "odjąć", "odjęto"),
    "sv": ("multiplicera", "multiplicerat", "dividera", "dividerat", "addera", "adderat", "subtrahera", "avdraget"),
    "pt": ("multiplicar", "multiplicado", "dividir", "dividido", "somar", "somado", "subtrair", "subtraído"),
    "ja": ("倍", "加算", "減算", "掛ける"),
}

# Language -> the twelve months, each with its abbreviations and the form that dates use.
MONTH_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "en": ("january jan", "february feb", "march mar", "april apr", "may", "june jun", "july jul", "august aug", "september sep sept", "october oct", "november nov", "december dec"),
    "de": ("januar jänner", "februar feber", "märz mrz", "april", "mai", "juni", "juli", "august", "september", "oktober okt", "november", "dezember dez"),
    "fr": ("janvier janv", "février févr fév", "mars", "avril avr", "mai", "juin", "juillet juil", "août", "septembre", "octobre", "novembre", "décembre déc"),
    "es": ("enero ene", "febrero", "marzo", "abril abr", "mayo", "junio", "julio", "agosto ago", "septiembre setiembre", "octubre", "noviembre", "diciembre dic"),
    "it": ("gennaio gen", "febbraio", "marzo", "aprile", "maggio mag", "giugno giu", "luglio lug", "agosto", "settembre set", "ottobre ott", "novembre", "dicembre"),
    "nl": ("januari", "februari", "maart mrt", "april", "mei", "juni", "juli", "augustus", "september", "oktober", "november", "december"),
    "pl": ("styczeń stycznia sty", "luty lutego lut", "marzec marca", "kwiecień kwietnia kwi", "maj maja", "czerwiec czerwca cze", "lipiec lipca lip", "sierpień sierpnia sie", "wrzesień września wrz", "październik października paź", "listopad listopada lis", "grudzień grudnia gru"),
    "sv": ("januari", "februari", "mars", "april", "maj", "juni", "juli", "augusti", "september", "oktober", "november", "december"),
    "pt": ("janeiro", "fevereiro fev", "março", "abril", "maio", "junho", "julho", "agosto", "setembro", "outubro out", "novembro", "dezembro"),
    "ja": ("1月", "2月", "3月", "4月", "5月", "6月", "7月", "8月", "9月", "10月", "11月", "12月"),
}

# Language -> what people write where nothing was measured; marks are of every language.
GAP_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "": ("-", "--", "---", "–", "—", "−", "/", "-/-", "...", "…", "x", "?", "n/a", "na", "n.a.", "n.a", "#n/a"),
    "en": ("none", "tbd", "n.r.", "n/r", "not read", "nt", "n.t.", "n/t", "nd", "n.d.", "n.m.", "nm", "not tested", "not measured"),
    "de": ("k.a.", "ka", "n.g.", "nicht gemessen", "nicht geprüft"),
    "fr": ("non mesuré", "non mesure", "non testé"),
    "es": ("s/d", "no medido", "no probado"),
    "it": ("n.p.", "non misurato", "non provato"),
    "nl": ("niet gemeten", "niet getest"),
    "pl": ("nie zmierzono", "nie mierzono", "brak"),
    "sv": ("ej mätt", "ej uppmätt", "ej provad"),
    "pt": ("não medido", "não testado"),
    "ja": ("未測定", "測定なし"),
}

# Language -> words of a date beside day, month and year.
DATE_FILLERS: Final[dict[str, tuple[str, ...]]] = {
    "en": ("of", "the"),
    "de": ("den",),
    "fr": ("le",),
    "es": ("de", "del", "el"),
    "it": ("di",),
    "sv": ("den",),
    "pt": ("de",),
    "pl": ("r", "roku"),
}

# Language -> endings of a day's or a port's number (1st, 2e, 3ª).
ORDINAL_ENDINGS: Final[dict[str, tuple[str, ...]]] = {
    "en": ("st", "nd", "rd", "th"),
    "de": (".",),
    "fr": ("ère", "ere", "er", "eme", "ème", "e"),
    "es": ("ª", "a", "º", "o", "°"),
}

# Language -> names of the first state of a head.
FIRST_STATES: Final[dict[str, tuple[str, ...]]] = {
    "en": ("stock", "standard", "original", "before", "received", "recvd", "recd", "rcvd", "as found", "baseline", "base", "untouched", "as cast", "factory"),
    "de": ("serie", "vorher", "unbearbeitet"),
    "fr": ("avant", "d'origine"),
    "es": ("antes", "de serie"),
    "it": ("prima", "di serie", "originale"),
    "nl": ("voor", "origineel"),
    "pl": ("przed", "seryjny"),
    "sv": ("före", "orört"),
    "pt": ("antes", "original de fábrica"),
    "ja": ("加工前", "純正", "ノーマル"),
}
# fmt: on

SIDE_KINDS: Final[dict[str, Side]] = {"intake": "intake", "exhaust": "exhaust"}

# Letters before a port's number: letter -> language -> side.
SIDE_CODES: Final[dict[str, dict[str, Side]]] = {
    "i": {"en": "intake", "nl": "intake", "sv": "intake", "ja": "intake"},
    "in": {"en": "intake", "nl": "intake", "ja": "intake"},
    "e": {"en": "exhaust", "de": "intake", "fr": "exhaust", "es": "exhaust", "pt": "exhaust", "ja": "exhaust"},
    "a": {"de": "exhaust", "fr": "intake", "es": "intake", "it": "intake", "pt": "intake", "sv": "exhaust"},
    "s": {"it": "exhaust"},
    "u": {"nl": "exhaust"},
    "d": {"pl": "intake"},
    "w": {"pl": "exhaust"},
    "el": {"de": "intake"},
    "al": {"de": "exhaust"},
    "ev": {"de": "intake"},
    "av": {"de": "exhaust"},
}


_SPLIT = re.compile(r"[\s._\-/:,;=()\[\]|'’]+")


@lru_cache(maxsize=16384)
def fold(text: str) -> str:
    """Fold a text for comparison: case, accents, dots, dashes, slashes and spaces."""
    text = text.casefold()
    if not text.isascii():
        text = unicodedata.normalize("NFKD", text)
        text = "".join(mark for mark in text if not unicodedata.combining(mark))
    return " ".join(part for part in _SPLIT.split(text) if part)


def spellings(word: str) -> set[str]:
    """Return a word as it is compared, with umlauts also written as digraphs."""
    digraph = word.casefold().replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    return {fold(word), fold(digraph)}


def _phrases() -> dict[str, tuple[str, tuple[str, ...]]]:
    """Turn the table round: folded phrase -> (kind, languages)."""
    found: dict[str, tuple[str, tuple[str, ...]]] = {}
    for kind, by_language in WORDS.items():
        for language, words in by_language.items():
            for word in words:
                for spelling in spellings(word):
                    found.setdefault(spelling, (kind, SHARED.get(spelling, (language,))))
    for row in CONDITIONS:  # one without words of its own is known by its key
        if row.key not in WORDS and not row.metered:
            found.setdefault(fold(row.words), (row.key, ("en",)))
    return found


PHRASES: Final = _phrases()  # folded phrase -> (kind, languages it belongs to)
LONGEST: Final = max(len(phrase.split()) for phrase in PHRASES)  # words in one
