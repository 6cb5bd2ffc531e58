"""What control modules are, by their name: an abbreviation of SAE J1930 / ISO 15031-2 or a plain word."""

from __future__ import annotations

from sim.vehicle.codes import is_role

ROLE_TITLES = {
    "ECM": "engine control module",
    "TCM": "transmission control module",
    "ABS": "anti-lock brake system module",
    "BCM": "body control module",
    "CLUSTER": "instrument cluster",
    "GATEWAY": "gateway module",
    "AIRBAG": "airbag (restraints) module",
    "STEERING": "power steering module",
    "STEER-ANGLE": "steering angle sensor module",
    "PARK-BRAKE": "park brake module",
    "CLIMATE": "climate control module",
    "IMMOBILIZER": "immobilizer module",
    "RADIO": "radio",
    "TELEMATICS": "telematics module",
    "DOOR-LEFT": "driver door module",
    "DOOR-RIGHT": "passenger door module",
    "COLUMN": "steering column module",
    "TRAILER": "trailer module",
    "PARK-AID": "parking assist module",
    "DISTANCE": "front distance sensor module",
}


def role_title(name: str) -> str | None:
    """What a module of this name, or another name of the same role, is; None for a name that says nothing."""
    return next((title for role, title in ROLE_TITLES.items() if is_role(name, role)), None)
