"""What is written at a pin and its wire: what the pin is for, and the color of the wire.

Letters of IEC 60757: red for supply, brown for ground, yellow and green for a pair. Which circuit has which
color is invented; the ones named are common practice.
"""

from __future__ import annotations

import zlib

from sim.instruments.claim import Claim
from sim.vehicle.elements import Pin

SUPPLY, GROUND, HIGH, LOW, ONE_WIRE = "RD", "BN", "YE", "GN", "VT"
PLUS, MINUS = "WH", "BU"  # of an Ethernet pair
GENERATOR_LAMP = "GEN.L"  # the circuit of its terminal L
OTHER_COLORS = ("BU", "VT", "GY", "WH", "OG", "BK")
STRIPES = ("", "/WH", "/BK", "/YE", "/RD", "/GN")


def wire_color(claim: Claim, node: str) -> str:
    """The color of the wire that ends at a terminal."""
    reached = claim.conductor(node)
    if reached & {"BAR", "BAT+"}:
        return SUPPLY
    pins = [pin for pin in claim.car.pins.values() if claim.outer(pin) in reached]
    functions = {pin.function for pin in pins}
    marks = ((".H", HIGH), (".L", LOW), (".P", PLUS), (".N", MINUS), (".LIN", ONE_WIRE))
    for marked, color in marks:
        if any(one.rstrip("2").endswith(marked) for one in functions):
            return color
    if reached & {"BODY", "BAT-", *claim.vehicle.grounds}:
        return GROUND
    name = min((one for one in reached if "." in one), default=node)
    stripe = STRIPES[zlib.crc32(name.encode()) % len(STRIPES)]
    if any(one.startswith("B+") for one in functions):
        return SUPPLY + stripe.replace("/RD", "")
    color = OTHER_COLORS[zlib.crc32(name[::-1].encode()) % len(OTHER_COLORS)]
    return color if stripe == f"/{color}" else color + stripe


def pin_words(claim: Claim, pin: Pin) -> str:
    """What a pin is for."""
    plug = claim.car.connectors[pin.connector]
    bus, _, leg = pin.function.rpartition(".")
    if leg.rstrip("2") in ("H", "L") and bus in claim.vehicle.buses:
        return f"CAN {'high' if leg[0] == 'H' else 'low'}, {bus}"
    if leg in ("P", "N") and bus:
        return f"Ethernet {'plus' if leg == 'P' else 'minus'}, {bus}"
    if leg == "LIN" and bus:
        return f"LIN, {bus}"
    if plug.kind == "dlc":
        return {"H": "CAN high", "L": "CAN low", "B+": "battery"}.get(pin.function, "ground")
    if plug.kind == "sensor":
        end, track = pin.function.rstrip("2"), " of track 2" if pin.function.endswith("2") else ""
        return {"supply": "5 V supply", "ground": "sensor ground"}.get(end, end) + track
    if plug.kind == "part":
        return "from its module" if pin.cavity == "1" else "back to its module"
    if plug.kind == "inline":
        return _passing_words(claim, pin.function)
    if plug.kind != "module":
        return {"B+": "battery plus", "GND": "body"}.get(pin.function, pin.function)
    return _module_words(claim, plug.owner, pin.function)


def words_at(claim: Claim, node: str) -> str:
    """What the pin at a terminal is for; nothing where no pin is."""
    return pin_words(claim, claim.car.pins[node]) if node in claim.car.pins else ""


def _passing_words(claim: Claim, circuit: str) -> str:
    """What passes through an in-line connector, by the name of its circuit; a module's own is its ground."""
    owner, _, function = circuit.partition(".")
    if circuit == GENERATOR_LAMP:
        return "lamp terminal of the generator"
    if owner in claim.vehicle.modules:
        return f"{_module_words(claim, owner, function)}, {owner}" if function else f"ground of {owner}"
    return f"from {circuit}" if circuit in claim.holders else circuit.replace("_", " ")


def _module_words(claim: Claim, module: str, function: str) -> str:
    spec = claim.vehicle.modules[module]
    if function.startswith("GND"):
        return "ground"
    if function in spec.outputs:
        return f"output: {spec.outputs[function].title or function.replace('_', ' ')}"
    if function in spec.inputs:
        return f"input: {function.replace('_', ' ')}"
    if function in spec.references:
        return f"{spec.references[function].volt:g} V supply of sensors"
    for name, sensor in claim.vehicle.sensors.items():
        for number, track in enumerate(sensor.tracks):
            _, signal, ground = track.ends
            if signal.target == f"{module}.{function}":
                return f"signal of {name.replace('_', ' ')}{', track 2' if number else ''}"
            if ground.target == f"{module}.{function}":
                return "sensor ground"
    watched = claim.vehicle.watched.get(function[:-1])
    if watched is not None:
        return f"{watched.title}{', back' if function.endswith('-') else ''}"
    feeder = _feeder(claim, module, function)
    if feeder:
        return f"{'supply' if function.startswith('B+') else 'sense line'} from {feeder}"
    return f"end of {function.replace('_', ' ')}"


def _feeder(claim: Claim, module: str, function: str) -> str:
    names = (f"{module}.{function}", module if function == "B+" else "")
    for name, holder in claim.holders.items():
        if any(end.target in names for end in holder.ends):
            return name
    return ""
