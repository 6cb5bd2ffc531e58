"""Clusters: the lines of one bus, and of buses that a lead or a short joins."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.elements import Element, Transceiver, Wire
from sim.wiring.conduction import ohm_of


@dataclass(frozen=True, slots=True)
class LinePart:
    """A whole element of a bus: its ends, resistance and, for a wire, length."""

    id: str
    a: str
    b: str
    ohm: float
    length_m: float

    @classmethod
    def of(cls, element: Element, car: Car) -> LinePart:
        """The part that an element of a car is on its bus."""
        length_m = element.length_m if isinstance(element, Wire) else 0.0
        return cls(element.id, element.a, element.b, ohm_of(element, car), length_m)


@dataclass(frozen=True)
class BusCluster:
    """Bus lines that are joined, their transceivers, and where shorts tie them to the rest of the car.

    contacts: nodes outside, at the far ends of shorts. leads: ids of those shorts.
    stuck: channels with a stuck transmit input, which send nothing of their own.
    """

    parts: tuple[LinePart, ...]
    channels: tuple[Transceiver, ...]
    contacts: tuple[str, ...]
    leads: frozenset[str]
    stuck: frozenset[str] = frozenset()

    @cached_property
    def _hash(self) -> int:
        return hash((self.parts, self.channels, self.contacts, self.stuck))

    def __hash__(self) -> int:
        return self._hash


def bus_clusters(car: Car) -> tuple[BusCluster, ...]:
    """The clusters of a car as its harness is now, in the order of its transceivers."""
    lines = car.bus_nodes
    whole = [element for element in car.all_elements.values() if car.is_whole(element)]
    inner = [element for element in whole if element.a in lines and element.b in lines]
    shorts = [element for element in whole if (element.a in lines) != (element.b in lines)]
    number = _cluster_numbers(car, inner)
    channels, inside, ties = defaultdict(list), defaultdict(list), defaultdict(list)
    for transceiver in car.transceivers.values():
        channels[number[transceiver.h]].append(transceiver)
    for element in inner:
        inside[number[element.a]].append(element)
    for element in shorts:
        ties[number[element.a if element.a in lines else element.b]].append(element)
    return tuple(_cluster(car, inside[k], ties[k], some) for k, some in channels.items())


def _cluster_numbers(car: Car, inner: list[Element]) -> dict[str, int]:
    """The cluster of every node of a bus line, by number."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(sorted(car.bus_nodes))
    graph.add_edges_from((element.a, element.b) for element in inner)
    graph.add_edges_from((one.h, one.l) for one in car.transceivers.values())
    return {node: k for k, component in enumerate(nx.connected_components(graph)) for node in component}


def _cluster(
    car: Car, inner: list[Element], shorts: list[Element], channels: list[Transceiver]
) -> BusCluster:
    ends = {node for one in shorts for node in (one.a, one.b)}
    return BusCluster(
        parts=tuple(LinePart.of(element, car) for element in (*inner, *shorts)),
        channels=tuple(channels),
        contacts=tuple(sorted(ends - car.bus_nodes)),
        leads=frozenset(one.id for one in shorts),
        stuck=car.harness.stuck & {one.id for one in channels},
    )
