"""Names of control modules by their abbreviation (SAE J1930 / ISO 15031-2, and plain trade words)."""

from __future__ import annotations

ROLE_TITLES = {
    "ECM": "engine control module",
    "TCM": "transmission control module",
    "ABS": "anti-lock brake system module",
    "BCM": "body control module",
    "IPC": "instrument cluster",
    "GW": "gateway module",
    "SRS": "airbag (restraints) module",
    "EPS": "power steering module",
    "SAS": "steering angle sensor module",
    "EPB": "park brake module",
    "HVAC": "climate control module",
    "IMMO": "immobilizer module",
    "RADIO": "radio",
    "TCU": "telematics module",
    "DDM": "driver door module",
    "PDM": "passenger door module",
    "SCCM": "steering column module",
    "TRM": "trailer module",
    "PAM": "parking assist module",
    "FDR": "front distance sensor module",
}
