"""Checks from the trade's repertoire that work on the car, each with the reason for which it is made.

    pair resistance   at both ends and in the middle of the line of a bus in doubt, battery off
    either side       the pair at the plug in the middle of the line, which is off: each half by itself
    half-split        a plug in the line of a bus off, and a scan: what answers now is on this side
    scope             both wires of the pair at these places
    refit             push on what hangs or is half seated, and start again
    remove a feed     the fuse out of a module that may disturb a bus
    substitute        a good fuse in, to see whether it holds and what comes back
    load              a lamp in place of the consumer: a feed or ground that only looks good
    wiggle            where a contact may come and go

All are common practice of the trade. Nothing here touches an airbag circuit or orange parts.

Not modeled: the resistance of the pair at every module, and at every plug.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sim.lab.drive import start_of, stop_of
from sim.vehicle.car import Car
from sim.vehicle.codes import is_role
from sim.vehicle.edit import Edit

DISTURBING = frozenset({"stick", "babble", "set"})
LAMP = "21 W lamp"
SWEEP_MS = 1  # some frames' bits at 500 kbit/s


class Plan(NamedTuple):
    """What to do, and why."""

    actions: tuple[str, ...]
    why: str


def repertoire(car: Car, edits: Sequence[Edit]) -> Iterator[Plan]:
    """The checks that these faults call for."""
    buses = list(dict.fromkeys(bus for edit in edits for bus in _buses_in_doubt(edit, car)))
    for bus in buses:
        yield from _pair_checks(bus, car)
    for edit in edits:
        yield from _of_one(edit, car)
    hanging = [name for name in car.connectors if name in car.harness.unplugged]
    yield from (_refit(name, car) for name in hanging if not on_airbag(name, car))


def loads(edit: Edit, car: Car) -> Iterator[str]:
    """Load tests that change nothing: of a ground, and of the feed at a fuse or supply pin in doubt."""
    name = next(iter(edit.targets), "")
    if name in car.built.grounds:
        yield f"load BAT+ to {name} with {LAMP}"
    elif name in car.built.fuses and edit.verb != "theory":
        yield f"load {name}.2 to BAT- with {LAMP}"
    elif edit.verb in ("corrode", "open") and name in car.pins and car.pins[name].function.startswith("B+"):
        yield f"load {name} to BAT- with {LAMP}"


def _of_one(edit: Edit, car: Car) -> Iterator[Plan]:
    name = next(iter(edit.targets), "")
    again = [*start_of(car), "wait 5 s", "scan"]
    if edit.verb == "loosen" and not on_airbag(name, car):
        yield _refit(name, car)
    elif edit.verb == "blow" and not _feeds_airbag(name, car):
        why = "A good fuse in place of the blown one: it holds, or something shorts it."
        yield Plan((f"fit {name}", *again, f"look {name}"), why)
    elif edit.verb == "interrupt" and not on_airbag(name, car):
        yield Plan((f"wiggle {name}", "scan"), "A contact that comes and goes shows where it is moved.")
    elif edit.verb in DISTURBING and name in car.transceivers:
        module = car.transceivers[name].module
        for fuse, spec in car.built.fuses.items():
            alone = {end.part for end in spec.ends} == {module}
            if alone and not is_airbag_module(module, car):
                why = f"Without its feed {module} cannot disturb the bus."
                yield Plan((f"pull {fuse}", "wait 5 s", "scan", f"fit {fuse}"), why)


def _refit(name: str, car: Car) -> Plan:
    again = (*start_of(car), "wait 5 s", "scan")
    return Plan((f"plug {name}", *again), "Refit what hangs or is half seated before anything is condemned.")


def _buses_in_doubt(edit: Edit, car: Car) -> Iterator[str]:
    """The buses that a fault of the pair, of a terminator or of a sender is on."""
    if edit.theory is not None:
        yield from [edit.theory.subject] if edit.theory.subject in car.built.buses else []
        return
    for name in edit.targets:
        nodes = {car.pins[name].inner} if name in car.pins else set()
        if (element := car.elements.get(name)) is not None:
            nodes |= {element.a, element.b}
        yield from (one.bus for one in car.transceivers.values() if name == one.id or nodes & {one.h, one.l})


def _pair_checks(bus: str, car: Car) -> Iterator[Plan]:
    """Resistance of the pair, and the scope, at the ends of the line and in its middle."""
    off, on = [*stop_of(car), "disconnect battery", "wait 60 s"], "reconnect battery"
    for module, pair in _places(bus, car):
        why = f"About 60 ohm at {module}: both terminators reach it; 120 ohm: one is cut off."
        yield Plan((*off, f"measure ohms {pair[0]} to {pair[1]}", on), why)
        if "DLC.4" in car.pins:
            scope = f"scope {pair[0]} to DLC.4 and {pair[1]} to DLC.4 for {SWEEP_MS} ms"
            yield Plan((scope,), f"Both wires at {module} swing against each other, or one is dead.")

    for plug, pair in _plug_in_the_middle(bus, car):
        sides = [f"measure ohms {pair[0]}{side} to {pair[1]}{side}" for side in "ab"]
        why = f"With {plug} off each half is seen alone: about 120 ohm, if it has its terminator."
        yield Plan((*off, f"unplug {plug}", *sides, f"plug {plug}", on), why)


def _plug_in_the_middle(bus: str, car: Car) -> list[tuple[str, list[str]]]:
    """The in-line connector nearest the middle of a bus line, with its high and its low pin; or none."""
    found = []
    for name in dict.fromkeys((*(stop.name for stop in car.built.buses[bus].stops), *car.connectors)):
        plug = car.connectors.get(name)
        if plug is None or plug.kind != "inline":
            continue
        legs = {pin.function: pin.id for pin in reversed(plug.pins)}
        pair = [legs.get(f"{bus}.{leg}", "") for leg in car.built.buses[bus].legs]
        if all(pair):
            found.append((name, pair))
    middle = len(found) // 2
    return found[middle : middle + 1]


def _places(bus: str, car: Car) -> list[tuple[str, list[str]]]:
    """Where the pair of a bus is measured: the first, the middle and the last module that has both wires."""
    on_line = [stop.name for stop in car.built.buses[bus].stops]
    found = []
    for one in car.transceivers.values():
        pair = [pin.id for wire in (one.h, one.l) for pin in car.pins_of(one.module) if pin.inner == wire]
        if (
            one.bus == bus
            and len(pair) == 2
            and one.module in on_line
            and not is_airbag_module(one.module, car)
        ):
            found.append((one.module, pair))
    found.sort(key=lambda place: on_line.index(place[0]))
    return [found[k] for k in sorted({0, len(found) // 2, len(found) - 1})] if found else []


def on_airbag(connector: str, car: Car) -> bool:
    """Is it a plug of the airbag module?"""
    return connector in car.connectors and is_airbag_module(car.connectors[connector].owner, car)


def is_airbag_module(name: str, car: Car) -> bool:
    """Is it the airbag module?"""
    module = car.built.modules.get(name)
    return module is not None and is_role(module.role or name, "AIRBAG")


def _feeds_airbag(fuse: str, car: Car) -> bool:
    spec = car.built.fuses.get(fuse)
    return spec is not None and any(is_airbag_module(end.part, car) for end in spec.ends)
