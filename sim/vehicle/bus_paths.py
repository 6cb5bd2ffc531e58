"""Which buses a module is on, and how gateways join them."""

from __future__ import annotations

import networkx as nx

from sim.vehicle.description import Vehicle


def shortest_bus_path(
    graph: nx.MultiGraph[str], sources: tuple[str, ...], targets: tuple[str, ...]
) -> list[str] | None:
    """The buses that a message passes on its way, first and last included; ties by name."""
    paths = [
        nx.shortest_path(graph, source, target)
        for source in sources
        for target in targets
        if nx.has_path(graph, source, target)
    ]
    return min(paths, key=lambda path: (len(path), path), default=None)


def bus_graph(vehicle: Vehicle, buses_of: dict[str, tuple[str, ...]]) -> nx.MultiGraph[str]:
    """Buses as nodes, gateways as edges."""
    graph: nx.MultiGraph[str] = nx.MultiGraph()
    graph.add_nodes_from(vehicle.buses)
    for name, module in vehicle.modules.items():
        if module.gateway:
            joined = buses_of[name]
            graph.add_edges_from(
                (a, b, {"gateway": name}) for i, a in enumerate(joined) for b in joined[i + 1 :]
            )
    return graph


def find_buses_of(vehicle: Vehicle) -> dict[str, tuple[str, ...]]:
    """The CAN buses that each module is on, in file order."""
    found: dict[str, list[str]] = {name: [] for name in vehicle.modules}
    for bus, spec in vehicle.buses.items():
        for stop in spec.stops:
            if stop.name in found and bus not in found[stop.name]:
                found[stop.name].append(bus)
    return {name: tuple(buses) for name, buses in found.items()}


def clusters_of(vehicle: Vehicle) -> dict[str, tuple[str, ...]]:
    """The LIN clusters that each module is on, in file order."""
    return {
        name: tuple(cluster for cluster, spec in vehicle.lin.items() if name in spec.line)
        for name in vehicle.modules
    }
