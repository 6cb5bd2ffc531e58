"""Words in scan reports, in English, German, French and Spanish, without accents and in lower case.

Source: plain words of the trade in these languages (common practice); no report of any program was a model.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Final, Literal

Field = Literal["module", "code", "text", "state", "status", "failure type", "other"]

MODULE: Final = (
    "module", "modules", "control module", "control unit", "ecu", "unit", "system", "controller", "node",
    "modul", "steuergerat", "steuergerate", "baugruppe",
    "calculateur", "calculateurs", "boitier", "unite", "unite de commande", "systeme",
    "modulo", "modulos", "unidad", "unidad de control", "unidad de mando", "centralita", "calculador",
    "sistema",
)  # fmt: skip
# what heads a column of a table, or comes before a colon
HEADINGS: Final[dict[Field, tuple[str, ...]]] = {
    "module": MODULE,
    "code": (
        "code", "codes", "dtc", "dtcs", "trouble code", "trouble codes", "fault code", "fault codes", "fault",
        "fehlercode", "fehler", "fehlercodes", "fehlerspeicher", "storcode",
        "code defaut", "codes defaut", "code de defaut", "defaut", "defauts", "code panne",
        "codigo", "codigos", "codigo de averia", "codigo de falla", "averia", "averias",
    ),
    "text": (
        "text", "description", "meaning", "fault text", "definition", "title",
        "beschreibung", "fehlertext", "bedeutung", "klartext", "benennung",
        "libelle", "signification", "designation", "texte",
        "descripcion", "significado", "texto", "denominacion",
    ),
    "state": (
        "state", "presence", "fault state", "zustand", "fehlerzustand", "etat", "presence du defaut",
        "estado",
        "situacion",
    ),
    "status": ("status", "status byte", "dtc status", "statusbyte", "fehlerstatus", "statut",
    "octet d'etat", "byte de estado"),
    "failure type": (
        "failure type", "failure type byte", "type", "ftb", "symptom", "fehlerart", "fehlertyp", "typ",
        "type de defaut", "symptome", "tipo", "tipo de fallo", "sintoma",
    ),
    "other": (
        "#", "no", "no.", "nr", "nr.", "number", "pos", "pos.", "count", "occurrences", "time", "date",
        "odometer",
        "anzahl", "haufigkeit", "zeit", "datum", "kilometerstand", "lfd. nr.",
        "nombre", "heure", "kilometrage", "occurrence", "n°",
        "cantidad", "hora", "fecha", "kilometraje", "veces", "num", "num.", "address", "adresse", "direccion",
    ),
}  # fmt: skip
# what a line of the head or the foot begins with: understood, and of no account here
NOTES: Final = (
    "date", "time", "vehicle", "vin", "odometer", "mileage", "customer", "technician", "order", "work order",
    "page", "report", "scan", "scan report", "total", "totals", "summary", "ignition", "battery", "plate",
    "registration", "end of report", "diagnostic report", "remarks", "protocol", "engine running",
    "datum", "uhrzeit", "fahrzeug", "kilometerstand", "kunde", "kennzeichen", "auftrag", "seite", "bericht",
    "protokoll", "gesamt", "summe", "zundung", "ende", "diagnosebericht", "prufer", "diagnoseprotokoll",
    "heure", "vehicule", "kilometrage", "client", "technicien", "ordre", "rapport", "immatriculation",
    "contact",
    "rapport de diagnostic", "fin du rapport", "resume",
    "fecha", "hora", "vehiculo", "kilometraje", "cliente", "tecnico", "orden", "pagina", "informe",
    "matricula",
    "contacto", "resumen", "informe de diagnostico", "fin del informe",
)  # fmt: skip
NOT_PRESENT: Final = (
    "not present", "not active", "not current", "nicht vorhanden", "nicht aktiv", "non present",
    "pas present",
    "non actif", "no presente", "no activo", "inactive", "inactif", "inactivo", "inaktiv",
)  # fmt: skip
STORED: Final = (
    "stored", "history", "historic", "historical", "past", "intermittent", "sporadic", "passive", "memorized",
    "memory", "old", "gespeichert", "sporadisch", "passiv", "historisch", "abgelegt", "fruher",
    "memorise", "enregistre", "historique", "fugitif", "sporadique", "passe", "ancien",
    "almacenado", "memorizado", "historico", "intermitente", "esporadico", "guardado", "pasado", "pasivo",
)  # fmt: skip
PRESENT: Final = (
    "present", "active", "current", "confirmed", "failing", "permanent", "now", "test failed",
    "aktiv", "vorhanden", "aktuell", "anliegend", "standig", "bestatigt",
    "actif", "actuel", "confirme", "en cours",
    "presente", "activo", "actual", "confirmado", "permanente",
)  # fmt: skip
NO_ANSWER: Final = (
    "no answer", "no response", "no communication", "not responding", "does not respond", "does not answer",
    "is silent", "silent", "not reachable", "unreachable", "no reply", "offline", "cannot be reached",
    "keine antwort", "antwortet nicht", "keine kommunikation", "nicht erreichbar", "keine verbindung",
    "pas de reponse", "ne repond pas", "aucune communication", "aucune reponse", "pas de communication",
    "injoignable",
    "sin respuesta", "no responde", "sin comunicacion", "no contesta", "no hay comunicacion",
)  # fmt: skip
NO_CODES: Final = (
    "no codes", "no faults", "no dtc", "no dtcs", "no fault codes", "no trouble codes", "no fault",
    "passed", "ok",
    "0 codes", "0 dtcs", "0 faults", "answers", "responds", "no code", "none", "in order",
    "keine fehler", "kein fehler", "fehlerfrei", "0 fehler", "i.o.", "antwortet", "keine eintrage",
    "aucun defaut", "pas de defaut", "aucun code", "0 defaut", "0 defauts", "repond", "sans defaut",
    "sin averias", "sin fallos", "ningun codigo", "sin codigos", "0 averias", "responde", "ninguna averia",
    "correcto",
)  # fmt: skip
OF_MODULE: Final = re.compile(
    rf"(?:{'|'.join(sorted(MODULE, key=len, reverse=True))})\b\s*(?:\d+\s*)?[:=]\s*(.+)"
)


def plain(text: str) -> str:
    """A text in lower case, without accents, with single spaces."""
    bare = "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))
    return " ".join(bare.casefold().split())


def says(words: Iterable[str], text: str) -> bool:
    """Does a plain text hold one of these words as a whole word?"""
    return any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text) for word in words)


def state_of(text: str) -> Literal["", "present", "stored"]:
    """What a plain text says of a code: present, stored, or neither."""
    if says(NOT_PRESENT, text) or says(STORED, text):
        return "stored"
    return "present" if says(PRESENT, text) else ""


def field_of(heading: str) -> Field | None:
    """The field that a plain heading of a column names."""
    bare = heading.strip(" :*#") or heading
    return next((field for field, words in HEADINGS.items() if bare in words), None)
