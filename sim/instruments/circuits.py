"""What belongs to one circuit: a module, a fuse or relay with all it feeds, a load, or a bus."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import networkx as nx

from sim.instruments.claim import Claim
from sim.instruments.colours import wire_colour
from sim.instruments.paths import far_ends, supply_path
from sim.vehicle.elements import Contact, FuseLink, Pin, RelayContact, Resistor, Wire
from sim.vehicle.problems import EditProblem, unknown
from sim.vehicle.terminal_graph import conductor, terminal_graph


def circuit(claim: Claim, name: str) -> nx.Graph[str]:
    """Everything that the diagram of a module, fuse, relay, load, switch or bus shows.

    Nodes are terminals; an edge carries `element`, a part of the car, and `colour` for a wire. Raises
    `EditProblem` for an unknown name.
    """
    wanted = _paths_in(claim, name)
    shown: nx.Graph[str] = nx.Graph()
    for nodes in wanted:
        for a, b in pairwise(nodes):
            element = claim.everything.edges[a, b]["element"]
            colour = wire_colour(claim, a) if isinstance(element, Wire) else ""
            shown.add_edge(a, b, element=element, colour=colour)
    return shown


def _paths_in(claim: Claim, name: str) -> list[list[str]]:
    """Ways, as lists of nodes, that make up a circuit."""
    car = claim.car
    if name in claim.vehicle.modules:
        ways = [_around(claim, pin) for pin in car.pins_of(name)]
        return [way for found in ways for way in found]
    if name in (*claim.vehicle.fuses, *claim.vehicle.relays):
        return [way for end in _fed_terminals(claim, name) for way in _fed_and_back(claim, end)]
    if name in claim.vehicle.buses:
        return _bus_edges(claim, name)
    if name in claim.vehicle.lin:
        return _wire_edges(claim, name)
    if name in claim.vehicle.loads or name in claim.vehicle.switches:
        return [
            _path(claim, "BAT+", f"{name}.1"),
            [f"{name}.1", f"{name}.2"],
            _path(claim, f"{name}.2", "BAT-"),
        ]
    known = [*claim.vehicle.modules, *claim.vehicle.fuses, *claim.vehicle.relays, *claim.vehicle.buses]
    known += [*claim.vehicle.lin, *claim.vehicle.loads, *claim.vehicle.switches]
    raise EditProblem(unknown("circuit", name, known))


def _around(claim: Claim, pin: Pin) -> Iterator[list[str]]:
    """The ways that meet at a module's pin: from its supply, to its ground, to the next stop."""
    node = pin.id
    yield [node, pin.inner]
    if pin.function.startswith("GND"):
        yield _path(claim, node, "BAT-")
    elif supply_path(claim, node):
        yield _path(claim, "BAT+", node)
    for end in far_ends(claim, node):
        yield nx.shortest_path(claim.wires, node, end)


def _fed_and_back(claim: Claim, end: str) -> Iterator[list[str]]:
    """The way to a consumer, through it if it is a load, and back to the battery."""
    yield _path(claim, "BAT+", end)
    name = end.removesuffix(".1")
    if name in claim.vehicle.loads or name == "GEN":
        yield [end, f"{name}.2"]
        yield _path(claim, f"{name}.2", "BAT-")
    elif end in claim.car.pins:
        owner = claim.car.connectors[claim.car.pins[end].connector].owner
        for pin in claim.car.pins_of(owner) if owner else []:
            if pin.function.startswith("GND"):
                yield _path(claim, pin.id, "BAT-")


def _bus_edges(claim: Claim, bus: str) -> list[list[str]]:
    """The pair of a bus with its stubs, in-line connectors and terminators."""
    lines = {node for one in claim.car.transceivers.values() if one.bus == bus for node in (one.h, one.l)}
    kept = [
        element
        for element in claim.car.elements.values()
        if isinstance(element, Wire | Contact) or element.id.endswith(".through")
    ]
    graph = terminal_graph(kept)
    nodes = conductor(graph, *lines)
    resistors = (one for one in claim.car.elements.values() if isinstance(one, Resistor))
    ends = [one for one in resistors if one.kind == "terminator" and one.a in nodes]
    return [[element.a, element.b] for element in (*kept, *ends) if element.a in nodes]


def _wire_edges(claim: Claim, cluster: str) -> list[list[str]]:
    """The wire of a LIN cluster with its stubs and in-line connectors."""
    kept = [one for one in claim.car.elements.values() if isinstance(one, Wire | Contact)]
    graph = terminal_graph(kept)
    ports = [port.node for port in claim.car.lin.values() if port.bus == cluster]
    nodes = conductor(graph, *ports)
    return [[element.a, element.b] for element in kept if element.a in nodes]


def consumers(claim: Claim, name: str) -> tuple[str, ...]:
    """The terminals that a fuse or relay feeds; a load's or switch's own."""
    return tuple(_fed_terminals(claim, name)) if name in claim.holders else (f"{name}.1",)


def bus_pins(claim: Claim, bus: str, name: str) -> dict[str, str]:
    """A stop's pins on a bus, by leg: H, L, and H2, L2 where the pair goes in and out; LIN: one wire."""
    plugs = [plug for plug in claim.car.connectors.values() if name in (plug.owner, plug.id)]
    prefix = "" if name == "DLC" else f"{bus}."
    legs = [(pin.function.removeprefix(prefix), pin.id) for plug in plugs for pin in plug.pins]
    return {leg: id for leg, id in legs if leg in ("H", "L", "H2", "L2", "LIN")}


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
    """What hangs on the load side of a fuse or relay, without the ways back through grounds."""
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


def _path(claim: Claim, a: str, b: str) -> list[str]:
    graph = claim.everything
    if a not in graph or b not in graph or not nx.has_path(graph, a, b):
        return []
    return list(nx.shortest_path(graph, a, b, weight="weight"))
