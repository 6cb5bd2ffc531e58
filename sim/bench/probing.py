"""How a terminal is reached with a probe, and what can be looked at."""

from __future__ import annotations

from collections.abc import Collection
from itertools import chain
from typing import Literal, get_args

from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER, Contact, Element, FuseLink, Pin, Resistor, Wire, part_of
from sim.vehicle.problems import EditProblem, unknown

Probing = Literal["touching", "back-probing", "front-probing", "piercing", "breakout lead"]
PROBING: tuple[Probing, ...] = get_args(Probing)

# Minutes of labor are common practice, to be changed by a class.
PROBING_S: dict[Probing, float] = {
    "touching": 15.0,
    "back-probing": 45.0,
    "front-probing": 30.0,
    "piercing": 30.0,
    "breakout lead": 120.0,
}


# What has to come off before a place can be looked at: common practice, to be changed by a class.
TRIM_S = 15 * 60.0  # trim and tape, for a wire along its length or a splice in the loom
TAPE_S = 5 * 60.0  # the tape at a connector, for a cavity from behind


def access_s(name: str, car: Car) -> float:
    """How long it takes until a place can be looked at, in s; 0 for what lies open."""
    if name.startswith("SP.") or isinstance(car.elements.get(name), Wire):
        return TRIM_S
    open_socket = name in car.pins and car.connectors[car.pins[name].connector].kind == "dlc"
    return TAPE_S if name in car.pins and name not in car.connectors and not open_socket else 0.0


def places(car: Car) -> tuple[str, ...]:
    """Everything that can be looked at: parts with a name, and places of the harness."""
    parts = chain.from_iterable(_parts(car))
    harness = sorted(node for node in car.terminals if node.startswith("SP."))
    wires = [element.id for element in car.elements.values() if isinstance(element, Wire)]
    return tuple(dict.fromkeys([*parts, *harness, *wires, *(pin.id for pin in car.pins.values())]))


def is_place(name: str, car: Car) -> bool:
    """Is it one of the `places`?"""
    if any(name in some for some in (*_parts(car), car.pins)) or isinstance(car.elements.get(name), Wire):
        return True
    return name.startswith("SP.") and name in car.terminals


def _parts(car: Car) -> tuple[Collection[str], ...]:
    wired = car.built
    return (
        car.connectors, wired.fuses, wired.relays, wired.grounds, wired.loads, wired.switches, wired.modules
    )  # fmt: skip


def loop_at(name: str, car: Car) -> Element:
    """The fuse holder, pin or battery clamp at which a loop can be opened for a meter."""
    pin = car.pins_by_function.get(name)
    element = car.elements.get(pin.id if pin else name)
    if isinstance(element, FuseLink) or (isinstance(element, Contact) and element.connector != "DLC"):
        return element
    known = [one.id for one in car.elements.values() if isinstance(one, FuseLink | Contact)]
    raise EditProblem(unknown("fuse, pin or battery clamp", name, known))


def reach(node: str, car: Car) -> tuple[Probing, ...]:
    """Return how a terminal can be reached now, the gentlest probing first; raises `EditProblem`."""
    if node.startswith(f"{TESTER}:"):
        raise EditProblem(f"{node} is inside the tester: probe the diagnostic connector's pin")
    pin, inner = _pin_at(node, car)
    if inner and pin:
        plug = car.connectors[pin.connector]
        if pin.connector in car.harness.unplugged and not car.harness.is_bypassed(plug.owner):
            return ("front-probing",)
        raise EditProblem(
            f"{node} is inside the {plug.kind}: probe {pin.id}, or unplug {pin.connector} first"
        )
    if pin is None:
        return _reach_of_part(node, car)
    plug = car.connectors[pin.connector]
    if plug.kind == "battery":
        return ("touching",)
    if plug.kind == "dlc":
        return ("breakout lead", "front-probing", "back-probing")
    if pin.connector in car.harness.unplugged:
        return ("front-probing", "back-probing", "piercing")
    return ("back-probing", "breakout lead", "piercing")


def _reach_of_part(node: str, car: Car) -> tuple[Probing, ...]:
    if ":" in node:
        raise EditProblem(f"{node} is inside the module: probe one of its pins")
    owner = part_of(node)
    part = car.elements.get(owner)
    if node.startswith("SP.") or (isinstance(part, Resistor) and part.kind == "terminator"):
        return ("piercing",)
    if owner in car.built.loads or owner in car.built.switches:
        return ("back-probing", "piercing")
    return ("touching",)


def _pin_at(node: str, car: Car) -> tuple[Pin | None, bool]:
    """The pin that a node belongs to, and whether it is the module's side of it."""
    if node in car.pins:
        return car.pins[node], False
    for pin in car.pins.values():
        plug = car.connectors[pin.connector]
        if plug.kind == "inline" and node in (pin.inner, f"{pin.id}a"):
            return pin, False
        if pin.inner == node and plug.kind in ("module", "sensor", "part"):
            return pin, True
        if pin.inner == node and plug.kind == "battery":
            return pin, False
    return None, False
