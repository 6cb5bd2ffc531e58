"""Wires and splices of the harness in words that a person reads, they have no other name; and warning lamps.

wire_words(car.elements["SP.F11--FAN.1"], car)    # "wire from splice after F11 to FAN.1"
in_words("open SP.F11--FAN.1", car)               # "open wire from splice after F11 to FAN.1"
in_words("telltale distance lights", car)         # "front distance lamp lights"
"""

from __future__ import annotations

from sim.vehicle.car import Car
from sim.vehicle.elements import Wire

WIRE, SPLICE = "--", "SP."  # what the names have in them that the program gives
LAMP = "telltale "  # before the name of a lamp in an event


def in_words(text: str, car: Car) -> str:
    """A sentence with the wires, splices and lamps that it names in words; every other word stays."""
    if text.startswith(LAMP):
        name, _, what = text.removeprefix(LAMP).partition(" ")
        return f"{lamp_words(name, car)} {what}"
    if WIRE not in text and SPLICE not in text:
        return text
    return " ".join(_word(word, car) for word in text.split(" "))


def _word(word: str, car: Car) -> str:
    name = word.strip(".,;:()“”'")
    wire = car.elements.get(name)
    if isinstance(wire, Wire):
        return word.replace(name, wire_words(wire, car))
    if name.startswith(SPLICE) and name in car.terminals:
        return word.replace(name, splice_words(name, car))
    return word


def lamp_words(name: str, car: Car) -> str:
    """A warning lamp as it is called in the car: `front distance lamp`."""
    lamps = (module.telltales.get(name) for module in car.built.modules.values())
    title = next((lamp.title for lamp in lamps if lamp and lamp.title), name)
    return f"{title.replace('_', ' ').removesuffix(' lamp')} lamp"


def wire_words(wire: Wire, car: Car) -> str:
    """A wire by its two ends, as a person says it."""
    ends = (splice_words(end, car) if end.startswith(SPLICE) else end for end in (wire.a, wire.b))
    return f"wire from {' to '.join(ends)}"


def splice_words(splice: str, car: Car) -> str:
    """A splice of the harness (`SP.body.BCM.H`) by what is spliced there: `splice at BCM, body CAN high`."""
    first, *rest = splice.split(".")[1:]
    if not rest:
        return f"splice after {first}"
    if first in car.claimed.modules:
        return f"splice of {rest[0].replace('_', ' ')} from {first}"
    legs = {"H": " CAN high", "L": " CAN low", "P": " plus", "N": " minus"}
    return f"splice at {rest[0]}, {first}{legs.get(rest[-1][:1], '') if len(rest) > 1 else ' LIN'}"
