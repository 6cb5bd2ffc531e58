"""The path of single frames through a car's gateways."""

from __future__ import annotations

from itertools import pairwise

from sim.vehicle.bus_paths import bus_graph, shortest_bus_path
from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER

Hop = tuple[str, str]  # the channel that sends, and the one that must hear it


def frame_path(car: Car, start: str, end: str) -> list[Hop]:
    """Return the path of frames from a module or the tester to a module; empty if there is none."""
    buses_of = car.messages.buses_of
    tester = car.transceivers.get(TESTER)
    here = (tester.bus,) if start == TESTER and tester else buses_of.get(start, ())
    graph = bus_graph(car.built, buses_of)
    path = shortest_bus_path(graph, here, buses_of[end])
    if not path:
        return []
    hops, sender = [], TESTER if start == TESTER else f"{start}.{path[0]}"
    for bus, next_bus in pairwise(path):
        gateway = graph.edges[bus, next_bus, 0]["gateway"]
        hops.append((sender, f"{gateway}.{bus}"))
        sender = f"{gateway}.{next_bus}"
    return [*hops, (sender, f"{end}.{path[-1]}")]


def no_tester_address(car: Car, module: str) -> str:
    """Return why a tester cannot address a module that is on LIN only."""
    masters = " and ".join(car.built.lin[name].master for name in car.messages.clusters_of[module])
    return f"{module} stands on LIN only and answers no tester: {masters} reports for it"
