"""Connector faces with their pin tables: cavity, function, wire, and where the wire goes."""

from __future__ import annotations

from dataclasses import dataclass

from sim.instruments.claim import Claim
from sim.instruments.colours import wire_colour
from sim.instruments.lists import module_title
from sim.instruments.paths import far_ends
from sim.instruments.pin_words import pin_words
from sim.vehicle.elements import Pin, Wire
from sim.vehicle.problems import EditProblem, unknown


@dataclass(frozen=True, slots=True)
class FacePin:
    """One line of a pin table. to: where the wire goes; area_mm2: 0 where no wire is shown."""

    id: str
    cavity: str
    function: str
    words: str
    colour: str
    area_mm2: float
    to: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Face:
    """A connector's face, seen from the wire side. kind: module, inline, battery or dlc."""

    id: str
    title: str
    location: str
    kind: str
    pins: tuple[FacePin, ...]


def face(claim: Claim, connector: str) -> Face:
    """A connector's face with its pin table; raises `EditProblem` for an unknown one."""
    if connector not in claim.car.connectors:
        raise EditProblem(unknown("connector", connector, claim.car.connectors))
    plug = claim.car.connectors[connector]
    title = {"dlc": "diagnostic link connector", "battery": "battery clamp"}.get(plug.kind, "")
    if plug.kind == "module":
        spec = claim.vehicle.modules[plug.owner]
        title = module_title(plug.owner, spec.title, spec.role)
    elif plug.kind == "inline":
        title = claim.vehicle.inline[connector].title or "in-line connector"
    elif plug.kind == "sensor":
        title = claim.vehicle.sensors[connector].title or "sensor"
    pins = tuple(_face_pin(claim, pin) for pin in plug.pins)
    return Face(plug.id, title, plug.location, plug.kind, pins)


def _face_pin(claim: Claim, pin: Pin) -> FacePin:
    node = claim.outer(pin)
    wires = [one for one in claim.elements_at(node) if isinstance(one, Wire)]
    area_mm2 = max((wire.area_mm2 for wire in wires), default=0.0)
    return FacePin(
        pin.id,
        pin.cavity,
        pin.function,
        pin_words(claim, pin),
        wire_colour(claim, node),
        area_mm2,
        far_ends(claim, node),
    )
