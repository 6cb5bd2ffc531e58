"""How warm the parts of a harness are: the engine bay with its engine, other places with the air around.

Not modeled: weather, the sun, heat of a current or of an exhaust, what a heat gun does to plastic.
"""

from __future__ import annotations

import math

from sim.modules.world import AMBIENT_C, World
from sim.vehicle.car import Car
from sim.vehicle.elements import Contact, part_of

BAY_SHARE = 0.75  # of the coolant's rise above the air, under the hood of a warm engine; common practice
HEATED_C, FROZEN_C = 80.0, -20.0  # by a heat gun held at a distance, and by freeze spray; common practice
BACK_S = 180.0  # time constant of coming back to the temperature around; common practice
ENGINE_BAY = "engine"  # what the place of a part in the bay has in its name


class Spots:
    """The temperatures of one car's parts, and of those that were heated or frozen by hand."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._treated: dict[str, tuple[float, float]] = {}  # by how much it was away, and since when in s

    def bring(self, ids: frozenset[str], temperature_c: float) -> None:
        """These elements have a temperature now."""
        for id in sorted(ids):
            self._treated[id] = (temperature_c - self._around_c(id), self._world.now_s)

    def temperature_c(self, id: str) -> float:
        """The temperature of one element now."""
        away_k, since_s = self._treated.get(id, (0.0, 0.0))
        return self._around_c(id) + away_k * math.exp(-self._world.since_s(since_s) / BACK_S)

    def _around_c(self, id: str) -> float:
        if ENGINE_BAY not in location_of(id, self._world.car):
            return AMBIENT_C
        return AMBIENT_C + BAY_SHARE * (self._world.coolant_c() - AMBIENT_C)


def location_of(id: str, car: Car) -> str:
    """Where an element of the harness is, as the car's file says it; empty if it does not."""
    element = car.elements.get(id)
    if element is None:
        return ""
    plug = element.connector if isinstance(element, Contact) else ""
    pins = [car.pins[end] for end in (element.a, element.b) if end in car.pins]
    plugs = [plug, *(pin.connector for pin in pins)]
    known = [car.connectors[name].location for name in plugs if name in car.connectors]
    own = part_of(id.partition(":")[0])
    known += [one.location for one in (car.built.grounds.get(own), car.built.modules.get(own)) if one]
    return next((one for one in known if one), "")


def elements_at(name: str, car: Car) -> frozenset[str]:
    """The elements that a hand moves, or a heat gun warms, at a part or place of the harness.

    At a module it is what is inside, at its connector the contacts and the wires there.
    """
    if name in car.built.modules:
        return frozenset(id for id in car.elements if id.startswith(f"{name}:"))
    plug = car.connectors.get(name)
    ends = {node for pin in plug.pins for node in (pin.id, f"{pin.id}a", f"{pin.id}b")} if plug else {name}
    wire = car.elements.get(name)
    ends |= {wire.a, wire.b} if wire else set()
    found = (
        one.id
        for one in car.elements.values()
        if one.id == name or {one.a, one.b} & ends or name in (part_of(one.a), part_of(one.b))
    )
    return frozenset(found)
