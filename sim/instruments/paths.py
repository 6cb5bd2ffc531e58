"""Claimed paths of current: from the battery to a terminal, back to it, and along one wire."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import networkx as nx

from sim.instruments.claim import Claim
from sim.instruments.colours import wire_colour
from sim.instruments.pin_words import pin_words
from sim.vehicle.elements import (
    Contact,
    Driver,
    Element,
    FuseLink,
    GeneratorOutput,
    HandSwitch,
    LoadPart,
    RelayContact,
    Resistor,
    Wire,
)


@dataclass(frozen=True, slots=True)
class PathPart:
    """One thing on a way. kind: battery, clamp, bar, fuse, relay, switch, splice, pin, load, ground, body.

    node: the terminal on the battery's side of it, where a probe can go; colour: of the wire that leaves it.
    """

    kind: str
    name: str
    words: str
    node: str
    colour: str = ""


def supply_path(claim: Claim, node: str) -> tuple[PathPart, ...]:
    """The claimed way of current from the battery's plus post to a terminal, step by step."""
    graph = claim.feeds
    if node not in graph or not nx.has_path(graph, "BAT+", node):
        return ()
    return _parts(claim, nx.shortest_path(graph, "BAT+", node))


def return_path(claim: Claim, node: str) -> tuple[PathPart, ...]:
    """The claimed way from a terminal to the battery's minus post."""
    graph = claim.feeds
    if node not in graph or not nx.has_path(graph, node, "BAT-"):
        return ()
    return _parts(claim, nx.shortest_path(graph, node, "BAT-"))


def wire_path(claim: Claim, a: str, b: str) -> tuple[PathPart, ...]:
    """Splices and in-line connectors on the wire between two terminals."""
    if a not in claim.wires or b not in claim.wires or not nx.has_path(claim.wires, a, b):
        return ()
    return _parts(claim, nx.shortest_path(claim.wires, a, b))


def sensor_ends(claim: Claim, sensor: str) -> tuple[str, ...]:
    """The module's pins that a sensor's supply, signal and ground come from."""
    spec = claim.vehicle.sensors[sensor]
    pins = (claim.car.pin_of(end.part, end.pin) for end in spec.ends)
    return tuple(pin.id for pin in pins if pin is not None)


def far_ends(claim: Claim, node: str) -> tuple[str, ...]:
    """Where the wires of a terminal lead to, through in-line connectors."""
    found, todo, seen = [], [node], {node}
    while todo:
        here = todo.pop()
        for element in claim.elements_at(here):
            if not isinstance(element, Wire) and not claim.is_inline(element):
                continue
            there = element.b if element.a == here else element.a
            if there in seen:
                continue
            seen.add(there)
            if _passes(claim, there):
                todo.append(there)
            else:
                found.append(there)
    return tuple(sorted(found))


def _passes(claim: Claim, node: str) -> bool:
    return any(claim.is_inline(element) for element in claim.elements_at(node))


def _parts(claim: Claim, nodes: list[str]) -> tuple[PathPart, ...]:
    ends = {"BAT+": "battery plus", "BAT-": "battery minus"}
    steps = [_end_or_splice(claim, nodes[0], ends)] if nodes else []
    for a, b in pairwise(nodes):
        element: Element = claim.feeds.edges[a, b]["element"]
        if not isinstance(element, Wire) and not _is_undrawn_rail(claim, element, a):
            step = _part_over(claim, element, a)
            steps.append(replace(step, colour="" if step.kind == "bar" else wire_colour(claim, b)))
        steps.append(_end_or_splice(claim, b, ends))
    return tuple(step for step in steps if step.kind)


def _end_or_splice(claim: Claim, node: str, ends: dict[str, str]) -> PathPart:
    """A battery post or splice; a step without a kind for any other terminal."""
    if node in ends:
        return PathPart("battery", node, ends[node], node, wire_colour(claim, node))
    if node.startswith("SP."):
        return PathPart("splice", node, "splice", node, wire_colour(claim, node))
    return PathPart("", node, "", node)


def _is_undrawn_rail(claim: Claim, element: Element, node: str) -> bool:
    """Is it a short piece of rail after a relay or fuse, which no diagram draws?"""
    joint = isinstance(element, Resistor) and element.kind == "joint"
    return joint and node != "BAR" and element.id not in claim.vehicle.grounds


def _part_over(claim: Claim, element: Element, node: str) -> PathPart:
    match element:
        case FuseLink():
            fuse = claim.vehicle.fuses[element.id]
            return PathPart("fuse", element.id, f"{fuse.rating_a:g} A, {fuse.title or fuse.location}", node)
        case RelayContact():
            title = claim.vehicle.relays[element.id].title
            return PathPart("relay", element.id, title or "contact 30-87", node)
        case HandSwitch():
            return PathPart("switch", element.id, claim.vehicle.switches[element.id].title or "switch", node)
        case GeneratorOutput():
            return PathPart("load", element.id, "generator", node)
        case LoadPart():
            return PathPart("load", element.id, claim.vehicle.loads[element.id].title or element.kind, node)
        case Contact():
            plug = claim.car.connectors[element.connector]
            kind = "clamp" if plug.kind == "battery" else "pin"
            return PathPart(kind, element.id, pin_words(claim, claim.car.pins[element.id]), node)
        case Driver():
            return PathPart("driver", f"{element.module}.{element.output}", "driver inside the module", node)
        case Resistor(kind="joint") if element.id in claim.vehicle.grounds:
            return PathPart("ground", element.id, claim.vehicle.grounds[element.id].location, node)
    return PathPart("bar", "BAR", "feed bar", node)
