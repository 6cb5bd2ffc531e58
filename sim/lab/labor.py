"""Labor time: how many minutes of hands-on work an action takes in a workshop.

All figures are common practice, round numbers of the trade, from no flat-rate book. Those of measurements and
inspections are in `sim.bench.observations` and `sim.bench.probing`.

Not modeled: the walk around the car, finding a part, trim to be taken off for anything but an inspection.
"""

from __future__ import annotations

from collections.abc import Mapping

from sim.bench.actions import BY_HAND, Action
from sim.bench.probing import access_s
from sim.vehicle.answer_parts import signal_sensors
from sim.vehicle.car import Car

# minutes by the verb of an action, or of the edit that it is: every repair, and all that a search takes apart
MINUTES: Mapping[str, float] = {
    "press": 0.2, "brake": 0.1, "key": 0.1, "fob": 0.2, "switch": 0.1, "cable": 0.5, "wait": 0.0,
    "ask": 1.0,  # a question, an answer, and a word in the order
    "drive": 2.0, "wiggle": 2.0, "heat": 3.0, "freeze": 1.0,
    "scan": 3.0, "save": 0.5, "clear": 1.0, "unlock": 2.0,
    "unplug": 4.0, "plug": 2.0, "pull": 1.0, "fit": 1.0,
    "repair": 15.0, "remove": 15.0, "bypass": 5.0, "unbypass": 3.0, "charge": 45.0,
    "unswap": 15.0, "unterminate": 10.0,  # two terminals out of their cavities and back; a resistor cut out
    "replace": 60.0, "refer": 180.0,
    "read": 2.0, "details": 1.0, "readiness": 1.0, "actuate": 2.0, "release": 0.5, "selftest": 2.0,
    "faults": 2.0,
    "identify": 2.0, "code": 10.0, "calibrate": 15.0, "match": 20.0, "flash": 30.0,  # with a tester
}  # fmt: skip
DAMAGE_MINUTES = 2.0  # to bring about a fault that no search brings about
SENSOR_MINUTES = 15.0  # to replace a sensor
NEW_BATTERY_MINUTES = 20.0  # to replace one
BATTERY_MINUTES = 5.0  # a battery clamp off or on


def minutes_of(action: Action, car: Car, waited_s: float = 0.0) -> float:
    """Minutes of labor time that an action takes, with `waited_s`, the simulated time that a wait took."""
    if action.observation is not None:
        return action.observation.labor_s / 60
    if action.verb in BY_HAND:
        return MINUTES[action.verb] + access_s(action.argument, car) / 60
    if action.edit is None:
        return MINUTES[action.verb] + waited_s / 60
    verb, part = action.edit.verb, action.edit.part
    if verb in ("unplug", "plug") and car.connectors[part].kind == "battery":
        return BATTERY_MINUTES
    if verb == "replace" and part in (*car.built.sensors, *signal_sensors(car)):
        return SENSOR_MINUTES
    if verb == "replace" and part in car.built.battery.names:
        return NEW_BATTERY_MINUTES
    return MINUTES.get(verb, DAMAGE_MINUTES)
