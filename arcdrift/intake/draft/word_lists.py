"""Words that logs use for our columns, units and outcomes (common practice, no source).

English, German, French and Spanish, with a few words of neighboring languages. All words are in the
form that `plain` gives a header: small letters without accents, one blank between words.
"""

import re
import unicodedata
from functools import lru_cache

from arcdrift.intake.schema.kinds import KINDS
from arcdrift.intake.schema.units import check_unit
from arcdrift.quantities import QUANTITIES

_AIR = {
    "temperature_c": "temperature|temp|t|air temperature|air temp|ambient temperature|ambient temp|"
    "ambient|temperatur|lufttemperatur|umgebungstemperatur|temperature ambiante|temperature air|"
    "temperatura|temperatura ambiente|temperatura aire|temperatuur",
    "pressure_hpa": "pressure|air pressure|barometer|baro|barometric pressure|atmospheric pressure|"
    "press|druck|luftdruck|pression|pression atmospherique|pression air|presion|"
    "presion atmosferica|pressione|pressao|lufttrykk|lufttryck|luchtdruk",
    "humidity_pct": "humidity|relative humidity|rel humidity|rh|hum|feuchte|luftfeuchte|"
    "luftfeuchtigkeit|relative feuchte|rel feuchte|feuchtigkeit|r f|rf|humidite|"
    "humidite relative|hr|humedad|humedad relativa|umidita|umidade|luftfuktighet|vochtigheid",
}
_SIDES = {
    "left": "left|l|links|li|gauche|g|izquierda|izquierdo|izq|i|sinistra|sinistro|esquerda",
    "right": "right|r|rechts|re|droite|droit|d|derecha|derecho|der|destra|destro|direita",
}
_ANGLES = (
    "cleave|cleave angle|angle|winkel|schnittwinkel|bruchwinkel|trennwinkel|clivage|"
    "angle de clivage|angulo|angulo de corte|corte|angolo|hoek|vinkel"
)
_FIBERS = "fiber|fibre|faser|fibra|vezel"
SYNONYMS: dict[str, str] = {
    **_AIR,
    "splicer": "splicer|splicer id|splicer name|splicer no|splicer serial|fusion splicer|machine|"
    "machine id|machine no|device|device id|unit|unit id|apparatus|instrument|serial|"
    "serial number|serial no|sn|gerat|geraet|gerate nr|maschine|spleissgerat|spleissgeraet|"
    "soudeuse|epissureuse|appareil|fusionadora|empalmadora|maquina|equipo|giuntatrice|macchina|"
    "maskin|apparaat|lasapparaat",
    "asset": "asset|equipment|item|tool|splicer|cleaver|machine|device|gerat|geraet|maschine|"
    "appareil|materiel|outil|equipo|maquina|herramienta",
    "action": "action|service|service done|work|work done|maintenance|activity|task|tatigkeit|"
    "taetigkeit|arbeit|wartung|massnahme|intervention|entretien|travail|accion|trabajo|"
    "mantenimiento",
    "outcome": "outcome|result|status|state|verdict|pass fail|check result|splice result|ergebnis|"
    "resultat|bewertung|zustand|etat|verdict|resultado|estado|esito|risultato|uitslag",
    "loss_db": "loss|splice loss|estimated loss|est loss|loss est|loss estimate|"
    "estimated splice loss|attenuation|splice attenuation|dampfung|daempfung|spleissdampfung|"
    "spleissdaempfung|verlust|geschatzte dampfung|perte|pertes|perte estimee|affaiblissement|"
    "perdida|perdida estimada|atenuacion|atenuacion estimada|perdita|attenuazione|perda|demping|"
    "dempning|verlies",
    "technician": "technician|tech|operator|user|by|initials|done by|worker|spliced by|checked by|"
    "techniker|bediener|monteur|bearbeiter|operateur|technicien|monteuse|tecnico|operador|"
    "operario|operatore|montor",
    "program": "program|splice program|program name|mode|splice mode|recipe|splice recipe|"
    "programme|programm|spleissprogramm|modus|rezept|programme de soudure|mode de soudure|"
    "programa|programa de fusion|modo|receta|programma",
    "core_offset_um": "core offset|offset|lateral offset|core misalignment|kernversatz|versatz|"
    "decalage|decalage de coeur|desalineacion|desalineacion del nucleo|disassamento",
    "melt_back_um": "melt back|meltback|melt back distance|ruckschmelzung|rueckschmelzung|"
    "recul de fusion|retroceso|retroceso de fusion",
    "arc_count": "arc count|arcs|arc counter|arc no|arc number|number of arcs|total arcs|"
    "discharges|discharge count|lichtbogen|lichtbogenzahler|anzahl lichtbogen|zundungen|"
    "entladungen|nombre d arcs|compteur d arcs|descargas|numero de descargas|contador de arcos|"
    "arcos",
    "arc_setting": "arc setting|arc power|arc power setting|arc offset|arc correction|"
    "arc adjustment|arc level|power|power setting|setting|lichtbogenleistung|bogenleistung|"
    "lichtbogenkorrektur|einstellung|puissance d arc|reglage d arc|correction d arc|"
    "potencia de arco|ajuste de arco|correccion de arco",
    "splice_number": "splice number|splice no|splice nr|splice|number|no|nr|num|n|index|record|"
    "record no|seq|sequence|spleiss nr|spleissnummer|lfd nr|laufende nummer|nummer|numero|"
    "numero de soudure|numero de empalme|empalme",
    "cleaver": "cleaver|cleaver id|cleaver no|cleaving tool|trenngerat|faserschneider|cliveuse|"
    "cortadora|taglierina",
    "blade_position": "blade position|blade|blade pos|klinge|klingenposition|lame|position lame|"
    "cuchilla|posicion cuchilla",
    "site": "site|job site|work site|place|station|depot|origin|standort|ort|baustelle|lieu|"
    "chantier|sitio|lugar|obra|emplazamiento|cantiere|sted|plats",
    "location": "location|closure|tray|splice location|enclosure|joint|muffe|kassette|boite|"
    "cassette|caja|bandeja|ubicacion",
    "purpose": "purpose|zweck|usage|proposito",
    "sleeve_mm": "sleeve|sleeve length|protection sleeve|schrumpfschlauch|spleissschutz|"
    "schutzlange|manchon|longueur manchon|manguito|longitud manguito",
    "heater_program": "heater program|heater mode|heating program|heizprogramm|ofenprogramm|"
    "programme de four|programa de horno",
    "measured_ab_db": "a b|a to b|measured a b|measured a to b|otdr a b|otdr a to b|loss a b",
    "measured_ba_db": "b a|b to a|measured b a|measured b to a|otdr b a|otdr b to a|loss b a",
    "pressure_reference": "pressure reference|reference|bezug|reference pression|referencia",
    "source": "source|sensor|logger|quelle|fuhler|capteur|fuente|origen",
    "remark": "remark|remarks|comment|comments|note|notes|bemerkung|bemerkungen|kommentar|notiz|"
    "anmerkung|remarque|remarques|commentaire|observacion|observaciones|comentario|nota|opmerking",
}
DATES = "date|datum|fecha|data|dato|day|tag|jour|dia|dag"
CLOCKS = "time|zeit|uhrzeit|heure|hora|ora|tid|klokkeslett|tijd|time of day|clock"
MOMENTS = (
    "date time|datetime|date and time|time stamp|timestamp|when|zeitstempel|datum zeit|"
    "datum uhrzeit|zeitpunkt|horodatage|date heure|date et heure|fecha hora|fecha y hora|data ora"
)
TIME_OF: dict[str, str] = {
    "arc-checks": "checked at|check time|check date|checked|check|prufzeit|prufdatum|gepruft am",
    "splices": "spliced at|splice time|splice date|spliced|gespleisst am|spleisszeit",
    "readings": "read at|reading time|measured at|messzeit|gemessen am|time hour",
    "service": "serviced at|service date|serviced|done on|wartungsdatum|gewartet am",
}
BOTH_ANGLES = (
    "cleave|cleaves|cleave angle|cleave angles|angles|angle|winkel|schnittwinkel|trennwinkel|"
    "clivage|angles de clivage|angulos|angulos de corte"
)
UNITS: dict[str, str] = {
    "db": "dB",
    "c": "degC",
    "degc": "degC",
    "celsius": "degC",
    "gradc": "degC",
    "gradcelsius": "degC",
    "f": "degF",
    "degf": "degF",
    "fahrenheit": "degF",
    "k": "kelvin",
    "kelvin": "kelvin",
    "hpa": "hPa",
    "mbar": "mbar",
    "mb": "mbar",
    "millibar": "mbar",
    "bar": "bar",
    "inhg": "inHg",
    "inchhg": "inHg",
    "mmhg": "mmHg",
    "torr": "torr",
    "kpa": "kPa",
    "pa": "Pa",
    "psi": "psi",
    "psia": "psi",
    "%": "percent",
    "%rh": "percent",
    "%rf": "percent",
    "%hr": "percent",
    "pct": "percent",
    "percent": "percent",
    "prozent": "percent",
    "deg": "degree",
    "degree": "degree",
    "degrees": "degree",
    "grad": "degree",  # German for degree; the gon is a "gon" there
    "degres": "degree",
    "grados": "degree",
    "mrad": "mrad",
    "rad": "radian",
    "um": "micrometer",
    "micron": "micrometer",
    "microns": "micrometer",
    "nm": "nanometer",
    "mm": "millimeter",
    "cm": "centimeter",
    "in": "inch",
    "inch": "inch",
    "inches": "inch",
    "zoll": "inch",
    "mil": "mil",
    "mils": "mil",
}
_GOOD = (
    "ok|pass|passed|good|yes|y|accepted|gut|bestanden|i o|io|ja|bon|reussi|conforme|oui|correcto|"
    "bien|bueno|si|aprobado"
)
_BAD = (
    "ng|fail|failed|bad|no|n|rejected|not ok|nok|schlecht|nicht bestanden|n i o|nio|nein|mauvais|"
    "echec|non conforme|non|mal|malo|fallo|rechazado"
)
_BROKEN_OFF = (
    "abort|aborted|cancel|canceled|cancelled|stopped|abbruch|abgebrochen|annule|interrompu|"
    "cancelado|abortado"
)
MEANINGS: dict[tuple[str, str], dict[str, str]] = {
    ("arc-checks", "outcome"): {"pass": _GOOD, "fail": _BAD, "aborted": _BROKEN_OFF},
    ("splices", "outcome"): {
        "done": f"{_GOOD}|done|fertig|fait|hecho",
        "redo": f"{_BAD}|redo|again|retry|repeat|repeated|wiederholt|wiederholen|refaire|repetir",
        "error": f"{_BROKEN_OFF}|error|fault|fehler|erreur|defaut",
    },
    ("splices", "purpose"): {
        "production": "production|live|job|produktion|betrieb|produccion",
        "practice": "practice|practise|training|test|ubung|exercice|essai|practica|prueba",
    },
    ("readings", "pressure_reference"): {
        "station": "station|local|absolute|qfe|absolut|locale",
        "sea-level": "sea level|sea|reduced|qff|slp|mslp|meereshohe|reduziert|niveau de la mer|"
        "nivel del mar",
        "qnh": "qnh|altimeter|altimeter setting",
    },
    ("service", "action"): {
        "electrodes replaced": "electrodes replaced|electrodes changed|electrode change|"
        "new electrodes|elektrodenwechsel|elektroden gewechselt|electrodes changees|"
        "electrodos cambiados",
        "v-grooves cleaned": "v grooves cleaned|grooves cleaned|v nuten gereinigt|"
        "rainures nettoyees",
        "blade rotated": "blade rotated|blade turned|klinge gedreht|lame tournee|cuchilla girada",
        "blade replaced": "blade replaced|new blade|klinge gewechselt|lame changee|"
        "cuchilla cambiada",
        "firmware updated": "firmware updated|firmware update|firmware aktualisiert",
        "factory service": "factory service|werksservice|revision",
        "cleaned": "cleaned|cleaning|gereinigt|reinigung|nettoye|nettoyage|limpieza|limpiado",
        "other": "other|sonstiges|autre|otro",
    },
}
NO_VALUE = frozenset(
    {
        "na",
        "n/a",
        "#n/a",
        "nan",
        "null",
        "none",
        "-",
        "--",
        "---",
        "----",
        "k.a.",
        "n.d.",
        "s/d",
        "?",
    }
)
_KEPT = 4096
"""Headers and units whose forms are kept, as each is looked at for every column."""
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_IN_BRACKETS = re.compile(r"^(.*?)\s*[(\[{]\s*([^()\[\]{}]+?)\s*[)\]}]\s*$")
_AT_THE_END = re.compile(r"^(.*?\S)(?:\s*[/,]\s*|\s+in\s+|[\s_]+)(\S+(?:\s?\S{1,2})?)$")


@lru_cache(_KEPT)
def plain(header: str) -> str:
    """Reduce a header to small letters and digits without accents, one blank between words."""
    words = _CAMEL.sub(" ", header.strip()).replace("#", " no ").replace("№", " no ")
    bare = unicodedata.normalize("NFKD", words.casefold())
    bare = "".join(char for char in bare if not unicodedata.combining(char))
    return " ".join(re.findall(r"[a-z0-9]+", bare))


def unit_named(word: str) -> str | None:
    """Unit in pint's spelling that a word stands for; None for none."""
    bare = unicodedata.normalize("NFKC", word).casefold().replace("μ", "u").replace("µ", "u")
    bare = re.sub(r"[\s.]", "", bare).replace('"', "in")
    degrees = bare.replace("°", "").replace("º", "")
    if degrees != bare:
        return {"": "degree", "c": "degC", "f": "degF"}.get(degrees)
    bare = "".join(c for c in unicodedata.normalize("NFKD", bare) if not unicodedata.combining(c))
    return UNITS.get(bare)


@lru_cache(_KEPT)
def named_and_unit(header: str) -> tuple[str, str | None]:
    """Split a header into its name and unit; the unit is None if it has none."""
    for shape in (_IN_BRACKETS, _AT_THE_END):
        found = shape.match(header)
        if found is not None:
            unit = unit_named(found[2])
            if unit is not None:
                return found[1], unit
    tail = re.match(r"^(.*?)\s*(°\s?[CFcf]?|%)\s*$", header)
    if tail is not None and tail[1]:
        return tail[1], unit_named(tail[2])
    return header, None


@lru_cache(_KEPT)
def measures(column: str, unit: str) -> bool:
    """Whether a unit fits the quantity of a column."""
    if column not in QUANTITIES:
        return False
    try:
        check_unit(column, unit)
    except ValueError:
        return False
    return True


def _words() -> dict[str, frozenset[str]]:
    known = {column: set(words.split("|")) for column, words in SYNONYMS.items()}
    for side, names in _SIDES.items():
        known[f"cleave_{side}_deg"] = {
            form
            for name in names.split("|")
            for angle in _ANGLES.split("|")
            for form in (f"{name} {angle}", f"{angle} {name}")
        } | {name for name in names.split("|") if len(name) > 2}
    for letter, side in (("a", "left"), ("b", "right")):
        known[f"fiber_{letter}"] = {
            form
            for fiber in _FIBERS.split("|")
            for name in (letter, "1" if letter == "a" else "2", *_SIDES[side].split("|"))
            for form in (f"{fiber} {name}", f"{name} {fiber}")
        }
    for kind in KINDS.values():
        for column in kind.columns:
            known.setdefault(column, set()).update({plain(column), _without_unit(column)})
    return {column: frozenset(words) for column, words in known.items()}


def _without_unit(column: str) -> str:
    return plain(column.rpartition("_")[0] if column in QUANTITIES else column)


WORDS: dict[str, frozenset[str]] = _words()
"""All words for each column, including its name."""
