"""The control pilot and the proximity contact of a charge inlet (IEC 61851-1).

The station holds 12 V through 1 kohm at the pilot; the car pulls it down through a diode to 9 V (state B: a
car is there) and, with a second resistor, to 6 V (state C: it asks for current). Resistances as given by a
semiconductor maker's reference design (2.74 kohm, 882 ohm and 246 ohm for states B, C and D), the windows of
1 V on each side and the codes of the cable from memory of the standard.

Not modeled: the square wave whose width tells the current (the voltage here is that of its upper half), the
station's own tests, state D, digital communication.
"""

from __future__ import annotations

from typing import Final

STATION_V: Final = 12.0
STATION_OHM: Final = 1000.0
DIODE_V: Final = 0.7
PRESENT_OHM: Final = 2740.0  # state B
CHARGE_OHM: Final = 1300.0  # beside it for state C: together 882 ohm
WINDOW_V: Final = 1.0
STATES: Final = {"A": 12.0, "B": 9.0, "C": 6.0, "D": 3.0, "E": 0.0, "F": -12.0}
PROXIMITY_V, PROXIMITY_OHM = 5.0, 330.0  # the car's side of the proximity contact; from memory
CABLE_OHM: Final = {13: 1500.0, 20: 680.0, 32: 220.0, 63: 100.0}  # by rated current in A
CABLE_A: Final = 32  # the cable that is plugged in here


def pilot_state(pin_v: float) -> str | None:
    """The state of a pilot by the upper voltage of its wave; None between two windows."""
    return next((state for state, volt in STATES.items() if abs(pin_v - volt) <= WINDOW_V), None)


def cable_rating_a(pin_v: float) -> int | None:
    """Rating of the plugged cable in A by the voltage at the proximity contact; None for no cable."""
    if not 0 < pin_v < PROXIMITY_V * 0.95:
        return None
    ohm = PROXIMITY_OHM * pin_v / (PROXIMITY_V - pin_v)
    return min(CABLE_OHM, key=lambda rating: abs(CABLE_OHM[rating] / ohm - 1))
