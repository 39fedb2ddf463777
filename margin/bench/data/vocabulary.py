"""Words by which laboratories name the columns of a bench, in English and German, some in French, Italian, Spanish."""

from __future__ import annotations

import re
import unicodedata

WORDS: dict[str, tuple[str, ...]] = {
    "load": (
        "load", "force", "kraft", "last", "belastung", "weight", "mass", "masse", "gewicht", "prufkraft", "f",
        "referenzkraft", "istkraft", "sollkraft", "kraftaufnehmer", "carga", "forza", "fuerza", "reference",
        "referenz", "ref",
    ),
    "sensor": (
        "sensor", "pad", "dut", "specimen", "prufling", "muster", "serial", "seriennummer", "sn", "part", "unit",
        "teil", "capteur", "sensore", "taster",
    ),
    "lot": ("lot", "batch", "los", "lotto", "lote"),
    "mounting": ("mounting", "mount", "remount", "remounting", "assembly", "einbau", "montage", "einspannung"),
    "circuit": ("circuit", "schaltung"),
    "interface": ("interface", "puck", "concentrator", "druckstuck"),
    "run": ("run", "cycle", "lauf", "zyklus", "durchlauf", "durchgang", "loading", "cycles", "ciclo"),
    "branch": ("branch", "direction", "richtung", "ast", "dir", "sens", "direzione"),
    "time": ("time", "zeit", "t", "elapsed", "temps", "tempo", "tiempo", "timestamp", "zeitstempel"),
    "temperature": ("temperature", "temperatur", "temp", "temperatura"),
    "voltage": ("voltage", "spannung", "u", "uout", "vout", "ausgangsspannung", "tension", "tensione"),
    "resistance": ("resistance", "widerstand", "r", "resistenza", "resistencia"),
    "conductance": ("conductance", "leitwert", "g", "conduttanza"),
    "ratio": ("ratio",),
    "code": ("code", "adc", "counts", "count", "digits", "raw"),
    "output": ("output", "signal", "ausgang", "reading", "readings", "anzeige", "messwert", "value", "wert", "sortie"),
}  # fmt: skip
"""Field -> words, lower case, without accents."""

OUTPUT_FIELDS = ("voltage", "resistance", "conductance", "ratio", "code", "output")
LABEL_FIELDS = ("lot", "sensor", "mounting", "circuit", "interface", "run", "branch")

AMBIGUOUS = frozenset((
    "set", "series", "serie", "reihe", "messreihe", "trial", "test", "versuch", "repeat", "repetition", "rep",
    "replicate", "wiederholung", "messung", "measurement", "session", "round", "runde", "day", "tag", "pass", "sample",
    "probe", "group", "gruppe", "essai", "prova",
))  # fmt: skip
"""Words that may stand for a part, a mounting or a loading alike: they decide a level and are asked for."""

NOT_OUTPUT = frozenset((
    "supply", "versorgung", "speisung", "excitation", "vref", "uref", "vcc", "batterie", "battery", "offset", "std",
    "sd", "stabw", "uncertainty", "unsicherheit", "humidity", "feuchte",
))  # fmt: skip

PREFERRED_LOAD = frozenset(
    ("reference", "referenz", "ref", "actual", "ist", "istkraft", "measured", "gemessen", "cell")
)
NOMINAL_LOAD = frozenset(("nominal", "soll", "sollkraft", "target", "setpoint", "sollwert", "nenn"))

UP = frozenset((
    "up", "auf", "aufwarts", "loading", "increasing", "rising", "ascending", "belasten", "belastung", "hin", "steigend",
    "montee", "salita", "+", "forward",
))  # fmt: skip
DOWN = frozenset((
    "down", "ab", "abwarts", "unloading", "decreasing", "falling", "descending", "entlasten", "entlastung", "ruck",
    "zuruck", "fallend", "descente", "discesa", "-", "backward", "reverse",
))  # fmt: skip


def bare(text: str) -> str:
    """Lower case, without accents and punctuation, words one blank apart."""
    letters = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    letters = "".join(sign for sign in letters if not unicodedata.combining(sign))
    return " ".join(re.split(r"[^0-9a-z+\-]+|(?<=[a-z])[\-_](?=[a-z0-9])", letters)).strip()


def words_of(text: str) -> tuple[str, ...]:
    """Words of a name, digits at their ends taken off."""
    return tuple(word for word in (part.strip("0123456789-") for part in bare(text).split()) if word)


def field_of(text: str) -> str | None:
    """Field that a name stands for: all of it, else one of its words; None where no word is known."""
    whole = bare(text)
    for field, words in WORDS.items():
        if whole in words:
            return field
    for word in words_of(text):
        for field, words in WORDS.items():
            if len(word) > 1 and word in words:
                return field
    return None


def is_ambiguous(text: str) -> bool:
    """Whether a name may stand for a part, a mounting or a loading alike."""
    return any(word in AMBIGUOUS for word in words_of(text))


def branch_of(text: str) -> str | None:
    """'up' or 'down' for a word of direction; None for other words."""
    for word in (text.strip(), *bare(text).split()):
        if word in UP:
            return "up"
        if word in DOWN:
            return "down"
    return None
