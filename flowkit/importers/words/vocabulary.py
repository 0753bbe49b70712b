"""Words of the trade in five languages -> what they stand for: one table.

To teach flowkit a word, add it to its row in `WORDS`. A word may hold several words
(``"test pressure"``); case, accents, dots and dashes do not count, and German umlauts are
known with and without their e. No word may stand for two things: a test holds that.
Single letters (``E3``) mean different sides in different languages and are in `SIDE_CODES`.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from flowkit.model import Side

__all__ = ["LANGUAGES", "LONGEST", "PHRASES", "SHARED", "SIDE_CODES", "SIDE_KINDS", "WORDS", "fold", "spellings"]

LANGUAGES: Final = ("en", "de", "fr", "es", "it")

# Kind -> language -> words. Kinds are quantities, who-and-what (side, port, ...), and what is left out.
# fmt: off
WORDS: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "lift": {
        "en": ("lift", "valve lift", "lift height", "valve opening", "lifts"),
        "de": ("Hub", "Ventilhub", "Hubhöhe", "Ventilöffnung"),
        "fr": ("levée", "levée de soupape", "levée soupape", "ouverture soupape", "levées"),
        "es": ("alzada", "alzada de válvula", "alzada válvula", "levantamiento", "levante", "apertura de válvula"),
        "it": ("alzata", "alzata valvola", "alzata della valvola", "apertura valvola", "alzate"),
    },
    "flow": {
        "en": ("flow", "air flow", "airflow", "flow rate", "volume flow", "mass flow", "flow reading", "flows"),
        "de": ("Durchfluss", "Durchfluß", "Volumenstrom", "Durchflussmenge", "Luftmenge", "Luftdurchsatz", "Durchsatz", "Massenstrom", "Strömung", "Durchströmung"),
        "fr": ("débit", "débit d'air", "débit volumique", "débit massique", "débits"),
        "es": ("caudal", "flujo", "caudal de aire", "flujo de aire", "caudales"),
        "it": ("portata", "flusso", "portata d'aria", "flusso d'aria", "portata aria", "portate"),
    },
    "pressure": {
        "en": ("test pressure", "pressure", "depression", "test depression", "pressure drop", "test vacuum", "vacuum", "delta p", "dp", "δp", "δ p", "pressure difference", "differential pressure", "press"),
        "de": ("Prüfdruck", "Druck", "Unterdruck", "Differenzdruck", "Druckdifferenz", "Testdruck", "Messdruck", "Prüfunterdruck", "Druckabfall"),
        "fr": ("dépression", "pression d'essai", "pression", "pression de test", "dépression d'essai", "perte de charge", "pression d'épreuve", "dépression de test"),
        "es": ("presión de prueba", "presión", "depresión", "presión de ensayo", "presión diferencial", "depresión de prueba", "vacío"),
        "it": ("pressione di prova", "pressione", "depressione", "depressione di prova", "pressione prova", "pressione differenziale"),
    },
    "side": {
        "en": ("side", "valve side", "port side", "int exh", "in ex", "intake exhaust"),
        "de": ("Seite", "Ventilseite", "Einlass Auslass"),
        "fr": ("côté", "admission échappement"),
        "es": ("lado", "admisión escape"),
        "it": ("lato", "aspirazione scarico"),
    },
    "intake": {
        "en": ("intake", "inlet", "int", "intk", "inl", "intakes", "inlets"),
        "de": ("Einlass", "Einlaß", "Einl", "Einlassseite", "Ansaug", "Einlasskanal", "Einlassventil", "Ansaugseite"),
        "fr": ("admission", "adm", "admissions"),
        "es": ("admisión", "entrada"),
        "it": ("aspirazione", "asp", "aspir", "immissione"),
    },
    "exhaust": {
        "en": ("exhaust", "exh", "ex", "exhst", "exhausts", "outlet"),
        "de": ("Auslass", "Auslaß", "Ausl", "Auslassseite", "Abgas", "Auslasskanal", "Auslassventil"),
        "fr": ("échappement", "éch", "échap", "échappements"),
        "es": ("escape", "esc", "salida"),
        "it": ("scarico", "scar"),
    },
    "port": {
        "en": ("port", "cylinder", "cyl", "port number", "cylinder number", "runner", "prt"),
        "de": ("Kanal", "Zylinder", "Zyl", "Kanalnummer"),
        "fr": ("conduit", "cylindre", "canal"),
        "es": ("cilindro", "conducto", "cil", "puerto", "lumbrera"),
        "it": ("condotto", "luce"),
    },
    "run": {
        "en": ("run", "pass", "repeat", "trial", "rep", "run number", "repetition", "repeat run"),
        "de": ("Lauf", "Durchgang", "Messung", "Wiederholung", "Messlauf", "Durchlauf"),
        "fr": ("passage", "essai", "mesure", "répétition"),
        "es": ("pasada", "ensayo", "medición", "repetición", "corrida"),
        "it": ("passata", "prova", "misura", "ripetizione", "misurazione"),
    },
    "variant": {
        "en": ("variant", "version", "state", "configuration", "config", "stage", "spec", "build", "modification", "head state", "state of the head", "work done"),
        "de": ("Variante", "Zustand", "Ausführung", "Bearbeitungszustand", "Konfiguration", "Bearbeitungsstand", "Stufe"),
        "fr": ("état", "variante", "stade", "état de la culasse"),
        "es": ("estado", "versión", "configuración", "estado de la culata", "etapa"),
        "it": ("stato", "versione", "configurazione", "stato della testa", "stato della testata", "fase"),
    },
    "head": {
        "en": ("head", "cylinder head", "cyl head", "head name", "head number", "casting"),
        "de": ("Zylinderkopf", "Kopf"),
        "fr": ("culasse",),
        "es": ("culata", "cabeza", "cabeza de cilindros"),
        "it": ("testata", "testa", "testa cilindri"),
    },
    "fixture_bore": {
        "en": ("fixture bore", "bore", "bore fixture", "bore adapter", "adapter bore", "test bore", "bore tube", "cylinder bore", "sleeve bore", "bore size"),
        "de": ("Bohrung", "Prüfbohrung", "Adapterbohrung", "Zylinderbohrung", "Adapter Bohrung", "Bohrung Adapter", "Vorrichtungsbohrung", "Aufnahmebohrung"),
        "fr": ("alésage", "alésage du montage", "alésage montage", "alésage d'essai", "alésage adaptateur"),
        "es": ("diámetro del cilindro", "calibre", "calibre del útil", "diámetro interior", "diámetro de prueba", "calibre de prueba", "calibre del utillaje"),
        "it": ("alesaggio", "alesaggio attrezzatura", "alesaggio di prova", "alesaggio attrezzo", "alesaggio cilindro"),
    },
    "valve_head": {
        "en": ("valve head", "valve", "valve size", "head diameter", "valve head diameter", "valve head size", "valve od"),
        "de": ("Ventilteller", "Teller", "Tellerdurchmesser", "Ventildurchmesser", "Ventilteller Durchmesser", "Ventil", "Ventiltellerdurchmesser"),
        "fr": ("tête de soupape", "soupape", "tulipe", "diamètre de soupape", "diamètre soupape", "tête soupape"),
        "es": ("cabeza de válvula", "válvula", "cabeza válvula", "diámetro de válvula", "plato de válvula"),
        "it": ("fungo", "fungo valvola", "valvola", "diametro valvola", "testa valvola", "testa della valvola"),
    },
    "stem": {
        "en": ("stem", "valve stem", "stem diameter", "stem size"),
        "de": ("Schaft", "Ventilschaft", "Schaftdurchmesser", "Ventilschaftdurchmesser"),
        "fr": ("tige", "tige de soupape", "queue de soupape", "queue", "tige soupape"),
        "es": ("vástago", "vástago de válvula", "vástago válvula", "cola de válvula"),
        "it": ("stelo", "stelo valvola", "gambo", "gambo valvola"),
    },
    "throat": {
        "en": ("throat", "throat diameter", "seat throat", "inner seat", "inner seat diameter", "valve throat", "port throat", "bowl throat"),
        "de": ("Engstelle", "Kehle", "Kehldurchmesser", "Sitzinnendurchmesser", "Sitz innen", "Engster Querschnitt", "Kanalhals"),
        "fr": ("gorge", "col", "diamètre de gorge", "diamètre au col", "gorge de siège", "col de siège"),
        "es": ("garganta", "diámetro de garganta", "garganta de asiento"),
        "it": ("gola", "diametro gola", "gola valvola", "gola sede"),
    },
    "seat_angle": {
        "en": ("seat angle", "valve seat angle", "angle of seat"),
        "de": ("Sitzwinkel", "Ventilsitzwinkel"),
        "fr": ("angle de siège", "angle siège", "angle du siège", "angle de portée"),
        "es": ("ángulo de asiento", "ángulo asiento", "ángulo del asiento"),
        "it": ("angolo sede", "angolo di sede", "angolo della sede"),
    },
    "seat_width": {
        "en": ("seat width", "valve seat width", "width of seat"),
        "de": ("Sitzbreite", "Ventilsitzbreite"),
        "fr": ("largeur de siège", "largeur siège", "largeur du siège", "largeur de portée"),
        "es": ("ancho de asiento", "ancho asiento", "ancho del asiento", "anchura de asiento"),
        "it": ("larghezza sede", "larghezza di sede", "larghezza della sede"),
    },
    "leak": {
        "en": ("leak", "leakage", "leak flow", "leak test", "leakage flow", "valve closed", "leak reading", "leak rate", "closed"),
        "de": ("Leckage", "Leck", "Leckstrom", "Leckluft", "Leckmenge", "Ventil geschlossen", "Undichtigkeit"),
        "fr": ("fuite", "fuites", "débit de fuite", "soupape fermée"),
        "es": ("fuga", "fugas", "caudal de fuga", "válvula cerrada"),
        "it": ("perdita", "perdite", "trafilamento", "portata di perdita", "valvola chiusa"),
    },
    "leak_pressure": {
        "en": ("leak pressure", "leak test pressure", "leakage pressure", "leakage test pressure", "leak depression"),
        "de": ("Leckagedruck", "Leckdruck", "Leckprüfdruck", "Leckage Prüfdruck"),
        "fr": ("pression de fuite", "dépression de fuite"),
        "es": ("presión de fuga", "presión de fugas"),
        "it": ("pressione di perdita", "pressione perdita", "depressione perdita"),
    },
    "check_reading": {
        "en": ("check plate reading", "check plate flow", "check plate measured", "check reading", "calibration plate reading", "check plate actual", "test plate reading", "check orifice reading"),
        "de": ("Kontrollblende Ablesung", "Kontrollblende Messwert", "Kontrollblende Ist", "Prüfblende Ablesung", "Prüfblende Ist", "Prüfblende Messwert", "Kontrollblende gemessen", "Kalibrierblende Ist", "Kontrollblende"),
        "fr": ("plaque étalon lecture", "plaque étalon mesurée", "lecture plaque étalon", "plaque de contrôle lecture", "lecture plaque de contrôle", "plaque de contrôle mesurée", "lecture de la plaque étalon"),
        "es": ("placa de control lectura", "lectura placa de control", "placa patrón lectura", "lectura placa patrón", "lectura de la placa patrón", "lectura de la placa de control", "placa de calibración lectura"),
        "it": ("piastra campione lettura", "lettura piastra campione", "piastra di controllo lettura", "lettura piastra di controllo", "piastra di controllo misurata", "lettura della piastra campione"),
    },
    "check_nominal": {
        "en": ("check plate nominal", "check plate nominal flow", "check nominal", "calibration plate nominal", "check plate rating", "check plate rated", "test plate nominal", "nominal check plate", "check orifice nominal"),
        "de": ("Kontrollblende Nennwert", "Kontrollblende Soll", "Prüfblende Nennwert", "Prüfblende Soll", "Kontrollblende Sollwert", "Kalibrierblende Soll", "Prüfblende Sollwert"),
        "fr": ("plaque étalon nominale", "plaque étalon nominal", "valeur nominale plaque étalon", "plaque de contrôle nominale", "plaque de contrôle nominal", "débit nominal plaque étalon"),
        "es": ("placa de control nominal", "placa patrón nominal", "valor nominal placa patrón", "nominal de la placa patrón", "nominal placa de control", "placa de calibración nominal"),
        "it": ("piastra campione nominale", "piastra di controllo nominale", "valore nominale piastra campione", "nominale piastra campione", "nominale piastra di controllo"),
    },
    "check_pressure": {
        "en": ("check plate pressure", "check pressure", "check plate test pressure", "calibration plate pressure", "check plate depression", "check plate nominal pressure"),
        "de": ("Kontrollblende Druck", "Kontrollblende Prüfdruck", "Prüfblende Druck", "Prüfblende Prüfdruck"),
        "fr": ("plaque étalon pression", "pression plaque étalon", "plaque étalon dépression", "pression plaque de contrôle"),
        "es": ("placa de control presión", "presión placa de control", "presión placa patrón", "placa patrón presión"),
        "it": ("piastra campione pressione", "pressione piastra campione", "pressione piastra di controllo"),
    },
    "check_reading_pressure": {
        "en": ("check plate reading pressure", "check reading pressure", "check plate read at"),
        "de": ("Kontrollblende Ablesedruck",),
        "fr": ("pression de lecture plaque étalon",),
        "es": ("presión de lectura placa de control",),
        "it": ("pressione di lettura piastra campione",),
    },
    "air_temperature": {
        "en": ("air temperature", "temperature", "temp", "air temp", "room temperature", "ambient temperature", "inlet air temperature", "ambient temp", "room temp", "inlet temperature"),
        "de": ("Lufttemperatur", "Temperatur", "Raumtemperatur", "Umgebungstemperatur", "Temp Luft"),
        "fr": ("température", "température de l'air", "température air", "température ambiante", "température d'air"),
        "es": ("temperatura del aire", "temperatura aire", "temperatura ambiente", "temperatura de aire"),
        "it": ("temperatura aria", "temperatura dell'aria", "temp aria"),
    },
    "barometer": {
        "en": ("barometer", "baro", "barometric pressure", "atmospheric pressure", "ambient pressure", "air pressure", "baro pressure", "atm pressure", "barometric"),
        "de": ("Luftdruck", "Barometerstand", "Umgebungsdruck", "Atmosphärendruck", "Barometerdruck"),
        "fr": ("baromètre", "pression atmosphérique", "pression barométrique", "pression ambiante"),
        "es": ("barómetro", "presión atmosférica", "presión barométrica", "presión ambiente"),
        "it": ("barometro", "pressione atmosferica", "pressione barometrica", "pressione ambiente"),
    },
    "humidity": {
        "en": ("humidity", "relative humidity", "rh", "air humidity", "rel humidity"),
        "de": ("Luftfeuchte", "Luftfeuchtigkeit", "relative Feuchte", "rel Feuchte", "Feuchte", "relative Luftfeuchte", "rel Luftfeuchte", "relative Luftfeuchtigkeit", "rel Luftfeuchtigkeit"),
        "fr": ("humidité", "humidité relative", "hygrométrie"),
        "es": ("humedad", "humedad relativa"),
        "it": ("umidità", "umidità relativa"),
    },
    "meter_temperature": {
        "en": ("meter temperature", "meter temp", "flow meter temperature", "orifice temperature", "temperature at the meter", "temperature at meter"),
        "de": ("Messblendentemperatur", "Temperatur Messblende", "Temperatur am Messgerät", "Messgerätetemperatur"),
        "fr": ("température débitmètre", "température du débitmètre", "température au débitmètre"),
        "es": ("temperatura del medidor", "temperatura medidor", "temperatura del caudalímetro"),
        "it": ("temperatura misuratore", "temperatura del misuratore", "temperatura flussometro"),
    },
    "meter_pressure": {
        "en": ("meter pressure", "flow meter pressure", "orifice pressure", "pressure at the meter", "pressure at meter"),
        "de": ("Messblendendruck", "Druck Messblende", "Druck am Messgerät", "Messgerätedruck"),
        "fr": ("pression débitmètre", "pression du débitmètre", "pression au débitmètre"),
        "es": ("presión del medidor", "presión medidor", "presión del caudalímetro"),
        "it": ("pressione misuratore", "pressione del misuratore", "pressione flussometro"),
    },
    "bench": {
        "en": ("bench", "flow bench", "flowbench", "test bench", "bench name"),
        "de": ("Prüfstand", "Flowbench Prüfstand", "Strömungsprüfstand", "Messbank", "Fließbank", "Bank"),
        "fr": ("banc", "banc d'essai", "banc de flux", "soufflerie"),
        "es": ("banco", "banco de flujo", "banco de pruebas"),
        "it": ("banco di flussaggio", "banco prova", "banco flussaggio", "flussometro"),
    },
    "date": {
        "en": ("date", "test date", "date of test", "tested on", "date tested"),
        "de": ("Datum", "Prüfdatum", "Messdatum"),
        "fr": ("date d'essai", "date de l'essai", "date du test"),
        "es": ("fecha", "fecha de prueba", "fecha de ensayo"),
        "it": ("data", "data prova", "data della prova"),
    },
    "operator": {
        "en": ("operator", "tested by", "technician", "tester", "done by", "operated by"),
        "de": ("Prüfer", "Bediener", "geprüft von", "Bearbeiter"),
        "fr": ("opérateur", "testé par", "essayeur"),
        "es": ("operador", "operario", "probado por", "técnico"),
        "it": ("operatore", "provato da", "eseguito da"),
    },
    "notes": {
        "en": ("notes", "note", "comments", "comment", "remarks", "remark"),
        "de": ("Bemerkung", "Bemerkungen", "Anmerkung", "Anmerkungen", "Notizen", "Notiz", "Kommentar"),
        "fr": ("remarque", "remarques", "commentaire", "commentaires", "observation"),
        "es": ("notas", "nota", "observaciones", "observación", "comentario", "comentarios"),
        "it": ("osservazioni", "commento", "commenti", "annotazioni"),
    },
    "entry_fitting": {
        "en": ("entry fitting", "entry", "radius plate", "inlet fitting", "entry radius", "intake fitting"),
        "de": ("Einlauf", "Einlauftrichter", "Einlaufradius"),
        "fr": ("cornet", "pipe d'entrée", "raccord d'entrée"),
        "es": ("boquilla de entrada", "trompeta"),
        "it": ("cornetto", "trombetta", "raccordo di ingresso"),
    },
    "exit_fitting": {
        "en": ("exit fitting", "exit", "pipe stub", "exhaust stub", "exhaust pipe", "outlet fitting", "exhaust fitting"),
        "de": ("Auslaufrohr", "Rohrstutzen", "Stutzen", "Auspuffstutzen"),
        "fr": ("tube de sortie", "raccord de sortie"),
        "es": ("tubo de salida", "tubo de escape"),
        "it": ("tubo di scarico", "raccordo di uscita", "tronchetto"),
    },
    "lift_unit": {
        "en": ("lift unit", "lift units", "unit of lift", "lifts in"),
        "de": ("Hub Einheit", "Einheit Hub"),
        "fr": ("unité de levée", "unité levée"),
        "es": ("unidad de alzada", "unidad alzada"),
        "it": ("unità alzata", "unità di alzata"),
    },
    "flow_unit": {
        "en": ("flow unit", "flow units", "unit of flow", "flows in"),
        "de": ("Durchfluss Einheit", "Einheit Durchfluss"),
        "fr": ("unité de débit", "unité débit"),
        "es": ("unidad de caudal", "unidad caudal"),
        "it": ("unità portata", "unità di portata"),
    },
    "pressure_unit": {
        "en": ("pressure unit", "pressure units", "unit of pressure"),
        "de": ("Druck Einheit", "Einheit Druck"),
        "fr": ("unité de pression",),
        "es": ("unidad de presión",),
        "it": ("unità pressione", "unità di pressione"),
    },
    "units": {
        "en": ("units", "unit"),
        "de": ("Einheit", "Einheiten"),
        "fr": ("unité", "unités"),
        "es": ("unidad", "unidades"),
        "it": ("unità di misura",),
    },
    # Figures worked out from the readings, and what else stands in sheets without being a reading.
    "average": {
        "en": ("average", "avg", "mean", "ave", "averages", "average flow", "mean flow", "avg flow"),
        "de": ("Mittelwert", "Mittel", "Durchschnitt", "MW", "Schnitt", "Ø", "⌀"),
        "fr": ("moyenne", "moy"),
        "es": ("promedio", "prom", "media"),
        "it": ("valore medio",),
    },
    "total": {
        "en": ("total", "sum", "totals", "max", "maximum", "peak", "min", "minimum", "best", "sum of flows", "area under curve", "auc"),
        "de": ("Summe", "Gesamt", "σ"),
        "fr": ("somme",),
        "es": ("suma",),
        "it": ("totale", "somma"),
    },
    "gain": {
        "en": ("gain", "change", "difference", "diff", "delta", "δ", "increase", "improvement", "gain loss", "percent", "percent gain", "%", "% gain", "gain %", "% change", "change %", "% diff", "diff %", "% increase", "+", "+ -", "pct", "spread", "std dev", "standard deviation", "deviation"),
        "de": ("Differenz", "Zuwachs", "Gewinn", "Änderung", "Verbesserung", "Abweichung", "Prozent", "Streuung", "Unterschied"),
        "fr": ("gain en %", "différence", "écart", "amélioration", "pourcentage", "évolution"),
        "es": ("ganancia", "diferencia", "mejora", "porcentaje", "aumento", "desviación"),
        "it": ("guadagno", "differenza", "miglioramento", "percentuale", "aumento %", "scarto"),
    },
    "derived": {
        "en": ("velocity", "port velocity", "air speed", "cd", "coefficient", "flow coefficient", "discharge coefficient", "ratio", "area", "valve area", "curtain area", "swirl", "tumble", "swirl ratio", "efficiency", "flow per area", "ex in ratio", "ex int ratio", "power", "hp", "e i ratio", "e i", "exhaust intake ratio", "index", "range", "scale", "manometer", "orifice", "orifice range", "flow range", "potential"),
        "de": ("Geschwindigkeit", "Strömungsgeschwindigkeit", "Durchflussbeiwert", "Beiwert", "Durchflusszahl", "Verhältnis", "Fläche", "Drall", "Drallzahl", "Wirkungsgrad", "Leistung", "Kennzahl", "Messbereich"),
        "fr": ("vitesse", "vitesse d'air", "rapport", "surface", "section", "rendement", "puissance", "tourbillon"),
        "es": ("velocidad", "coeficiente", "relación", "superficie", "rendimiento", "potencia", "turbulencia", "rango"),
        "it": ("velocità", "coefficiente", "rapporto scarico aspirazione", "sezione", "rendimento", "potenza", "scala"),
    },
    "counter": {
        "en": ("no", "nr", "number", "point", "pt", "row", "line", "step", "item", "index no", "reading no", "reading number", "time", "point no", "test point"),
        "de": ("Nummer", "Punkt", "Zeile", "Messpunkt", "Zeit", "Uhrzeit", "lfd"),
        "fr": ("numéro", "ligne", "point de mesure", "heure"),
        "es": ("número", "fila", "punto", "hora"),
        "it": ("numero", "riga", "punto di misura", "ora"),
    },
    # Words that say what kind of reading a flow is: they name nothing, and two such columns cannot be told apart.
    "treatment": {
        "en": ("measured", "raw", "corrected", "normalised", "normalized", "converted", "adjusted", "actual", "observed", "indicated", "uncorrected", "as read", "calculated"),
        "de": ("gemessen", "korrigiert", "normiert", "umgerechnet", "unkorrigiert", "berechnet", "bereinigt"),
        "fr": ("valeur mesurée", "corrigé", "brut", "converti", "normalisé", "calculé"),
        "es": ("medido", "corregido", "bruto", "convertido", "normalizado", "calculado"),
        "it": ("misurato", "corretto", "grezzo", "convertito", "normalizzato", "calcolato"),
    },
    # Words of titles: "Flow test results, intake".
    "title": {
        "en": ("results", "result", "data sheet", "flow test", "flow bench test", "flow sheet", "table", "flow data", "sheet", "report", "flow results", "report sheet", "bench test", "flow bench data", "flow report", "test sheet", "test results", "flow test results", "flow bench report", "flow bench results"),
        "de": ("Ergebnis", "Ergebnisse", "Tabelle", "Prüfprotokoll", "Messprotokoll", "Protokoll", "Messwerte"),
        "fr": ("résultats", "tableau", "feuille", "test de débit", "relevé"),
        "es": ("resultados", "tabla", "hoja"),
        "it": ("risultati", "tabella", "foglio", "scheda"),
    },
    # Words that may stand beside any other and add nothing.
    "filler": {
        "en": ("the", "of", "at", "for", "and", "diameter", "dia", "diam", "test", "tested", "values", "value", "reading", "readings", "ports", "cylinders", "valves", "@"),
        "de": ("der", "die", "das", "bei", "für", "Durchmesser", "Werte", "von", "mit", "am", "Kanäle", "Ventile"),
        "fr": ("du", "des", "au", "diamètre", "valeurs", "pour", "conduits", "soupapes"),
        "es": ("del", "las", "los", "diámetro", "valores", "con", "para", "conductos", "válvulas"),
        "it": ("della", "dei", "delle", "diametro", "valori", "per", "condotti", "valvole"),
    },
    "common": {
        "en": ("#", "n°"),
        "de": (),
        "fr": ("de", "la", "le", "les"),
        "es": ("el",),
        "it": ("di", "il", "lo"),
    },
    # Names of ports that are words.
    "position": {
        "en": ("front", "rear", "left", "right", "primary", "secondary", "inner", "outer", "middle", "centre", "center"),
        "de": ("vorn", "vorne", "hinten", "links", "rechts", "primär", "sekundär", "mitte"),
        "fr": ("avant", "arrière", "gauche", "droite", "primaire", "secondaire"),
        "es": ("delantera", "trasera", "izquierda", "derecha", "primaria", "secundaria"),
        "it": ("anteriore", "posteriore", "sinistra", "destra", "primario", "secondario"),
    },
}

# fmt: on

# Words of two languages that mean the same thing in both stand under one of them; these are read as either.
SHARED: Final[dict[str, tuple[str, ...]]] = {
    "port": ("en", "de"),
    "variante": ("de", "fr", "es", "it"),
    "cilindro": ("es", "it"),
    "temperatur": ("de",),
    "date": ("en", "fr"),
    "depression": ("en", "fr"),
    "version": ("en", "de", "fr", "es"),
    "admission": ("en", "fr"),
    "total": ("en", "fr", "es"),
    "notes": ("en", "fr"),
    "note": ("en", "fr", "it"),
    "orifice": ("en", "fr"),
    "configuration": ("en", "fr"),
    "canal": ("fr", "es"),
    "banco": ("es", "it"),
    "temperatura": ("es", "it"),
    "media": ("es", "it"),
    "gain": ("en", "fr"),
    "delta": ("en", "de", "fr", "es", "it"),
    "barometer": ("en", "de"),
    "operator": ("en", "de"),
    "test": ("en", "de", "fr", "es", "it"),
    "flow": ("en", "de", "fr", "es", "it"),
    "run": ("en",),
    "air": ("en", "fr"),
}

SIDE_KINDS: Final[dict[str, Side]] = {"intake": "intake", "exhaust": "exhaust"}

# Letters before a port's number: letter -> language -> side.
SIDE_CODES: Final[dict[str, dict[str, Side]]] = {
    "i": {"en": "intake"},
    "in": {"en": "intake"},
    "e": {"en": "exhaust", "de": "intake", "fr": "exhaust", "es": "exhaust"},
    "a": {"de": "exhaust", "fr": "intake", "es": "intake", "it": "intake"},
    "s": {"it": "exhaust"},
    "el": {"de": "intake"},
    "al": {"de": "exhaust"},
}


_SPLIT = re.compile(r"[\s._\-/:,;=()\[\]|'’]+")


def fold(text: str) -> str:
    """Fold a text for comparison: case, accents, dots, dashes, slashes and spaces.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> fold("Levée de  soupape"), fold("PRÜF-DRUCK"), fold("Einlaß")
    ('levee de soupape', 'pruf druck', 'einlass')
    """
    text = unicodedata.normalize("NFKD", text.casefold())
    text = "".join(mark for mark in text if not unicodedata.combining(mark))
    return " ".join(part for part in _SPLIT.split(text) if part)


def spellings(word: str) -> set[str]:
    """Return a word as it is compared, with umlauts also written as digraphs.

    Parameters
    ----------
    word : str

    Examples
    --------
    >>> sorted(spellings("Prüfdruck"))
    ['pruefdruck', 'prufdruck']
    """
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
    return found


PHRASES: Final = _phrases()

"""Folded phrase -> (kind, languages it belongs to)."""

LONGEST: Final = max(len(phrase.split()) for phrase in PHRASES)

"""Words in the longest phrase."""
