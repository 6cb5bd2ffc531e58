"""Claimed paths: from the battery to a terminal, back to it, along one wire, and to what a fuse feeds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import networkx as nx

from sim.instruments.claim import Claim
from sim.instruments.labels import pin_words, wire_color
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
from sim.vehicle.terminal_graph import conductor


@dataclass(frozen=True, slots=True)
class PathPart:
    """One thing on a path. kind: battery, clamp, bar, fuse, relay, switch, splice, pin, load, ground, body.

    node: the terminal on the battery's side of it, where a probe can go; color: of the wire that leaves it.
    """

    kind: str
    name: str
    words: str
    node: str
    color: str = ""


def supply_path(claim: Claim, node: str) -> tuple[PathPart, ...]:
    """Return the claimed path of current from the battery's plus post to a terminal, part by part."""
    return _path(claim, claim.feeds, "BAT+", node)


def return_path(claim: Claim, node: str) -> tuple[PathPart, ...]:
    """Return the claimed path from a terminal to the battery's minus post."""
    return _path(claim, claim.feeds, node, "BAT-")


def wire_path(claim: Claim, a: str, b: str) -> tuple[PathPart, ...]:
    """Return the splices and in-line connectors on the wire between two terminals."""
    return _path(claim, claim.wires, a, b)


def _path(claim: Claim, graph: nx.Graph[str], a: str, b: str) -> tuple[PathPart, ...]:
    try:
        return _parts(claim, nx.shortest_path(graph, a, b))
    except (nx.NodeNotFound, nx.NetworkXNoPath):
        return ()


def sensor_ends(claim: Claim, sensor: str) -> tuple[str, ...]:
    """Return the module's pins that a sensor's supply, signal and ground come from, track by track."""
    ends = (end for track in claim.vehicle.sensors[sensor].tracks for end in track.ends)
    pins = (claim.car.pin_of(end.part, end.pin) for end in ends)
    return tuple(pin.id for pin in pins if pin is not None)


def far_ends(claim: Claim, node: str) -> tuple[str, ...]:
    """Return where the wires of a terminal lead to, through in-line connectors."""
    if node not in claim.wires:
        return ()
    inner = nx.node_connected_component(claim.wires.subgraph({node} | claim.inline_terminals), node)
    return tuple(sorted({end for one in inner for end in claim.wires[one]} - inner))


def consumers(claim: Claim, name: str) -> tuple[str, ...]:
    """Return the terminals that a fuse or relay feeds; a load's or switch's own."""
    return tuple(_fed_terminals(claim, name)) if name in claim.holders else (f"{name}.1",)


def _fed_terminals(claim: Claim, holder: str) -> Iterator[str]:
    fed = claim.car.elements[holder].b
    below = conductor(_below(claim, holder), fed)
    for pin in claim.car.pins.values():
        if pin.id in below and claim.car.connectors[pin.connector].kind in ("module", "dlc"):
            yield pin.id
    for name in (*claim.vehicle.loads, *claim.vehicle.switches, "GEN"):
        if f"{name}.1" in below:
            yield f"{name}.1"


def _below(claim: Claim, holder: str) -> nx.Graph[str]:
    """What hangs on the load side of a fuse or relay, without the paths back through grounds."""
    element = claim.car.elements[holder]
    kept = (Wire, Contact, FuseLink, RelayContact)
    graph: nx.Graph[str] = nx.Graph()
    graph.add_node(element.b)
    for one in claim.car.elements.values():
        joint = isinstance(one, Resistor) and one.kind == "joint" and one.id not in claim.vehicle.grounds
        if one.id != holder and (isinstance(one, kept) or joint):
            graph.add_edge(one.a, one.b)
    graph.remove_nodes_from([node for node in ("BAR", "BODY", *claim.vehicle.grounds) if node in graph])
    return graph


def _parts(claim: Claim, nodes: list[str]) -> tuple[PathPart, ...]:
    ends = {"BAT+": "battery plus", "BAT-": "battery minus"}
    steps = [_end_or_splice(claim, nodes[0], ends)]
    for a, b in pairwise(nodes):
        element: Element = claim.feeds.edges[a, b]["element"]
        if not isinstance(element, Wire) and not _is_undrawn_rail(claim, element, a):
            step = _part_over(claim, element, a)
            steps.append(replace(step, color="" if step.kind == "bar" else wire_color(claim, b)))
        steps.append(_end_or_splice(claim, b, ends))
    return tuple(step for step in steps if step.kind)


def _end_or_splice(claim: Claim, node: str, ends: dict[str, str]) -> PathPart:
    """A battery post or splice; a step without a kind for any other terminal."""
    if node in ends:
        return PathPart("battery", node, ends[node], node, wire_color(claim, node))
    if node.startswith("SP."):
        return PathPart("splice", node, "splice", node, wire_color(claim, node))
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
    return PathPart("bar", "BAR", "distribution rail", node)
