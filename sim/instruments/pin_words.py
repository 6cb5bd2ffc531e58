"""What each pin of a car is for, in words."""

from __future__ import annotations

from sim.instruments.claim import Claim
from sim.vehicle.elements import Pin


def pin_words(claim: Claim, pin: Pin) -> str:
    """What a pin is for."""
    plug = claim.car.connectors[pin.connector]
    bus, _, leg = pin.function.rpartition(".")
    if leg.rstrip("2") in ("H", "L") and bus:
        return f"CAN {'high' if leg[0] == 'H' else 'low'}, {bus}"
    if leg == "LIN" and bus:
        return f"LIN, {bus}"
    if plug.kind == "dlc":
        return {"H": "CAN high", "L": "CAN low", "B+": "battery"}.get(pin.function, "ground")
    if plug.kind == "sensor":
        return {"supply": "5 V supply", "ground": "sensor ground"}.get(pin.function, pin.function)
    if plug.kind != "module":
        return {"B+": "battery plus", "GND": "body"}.get(pin.function, pin.function)
    return _module_words(claim, plug.owner, pin.function)


def words_at(claim: Claim, node: str) -> str:
    """What the pin at a terminal is for; nothing where no pin is."""
    return pin_words(claim, claim.car.pins[node]) if node in claim.car.pins else ""


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
        _, signal, ground = sensor.ends
        if signal.target == f"{module}.{function}":
            return f"signal of {name}"
        if ground.target == f"{module}.{function}":
            return "sensor ground"
    feeder = _feeder(claim, module, function)
    if feeder:
        return f"{'supply' if function.startswith('B+') else 'sense line'} from {feeder}"
    return f"end of {function}"


def _feeder(claim: Claim, module: str, function: str) -> str:
    names = (f"{module}.{function}", module if function == "B+" else "")
    for name, holder in claim.holders.items():
        if any(end.target in names for end in holder.ends):
            return name
    return ""
