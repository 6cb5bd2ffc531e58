"""What control modules are, by their name: an abbreviation of SAE J1930 / ISO 15031-2 or a plain word."""

from __future__ import annotations

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
