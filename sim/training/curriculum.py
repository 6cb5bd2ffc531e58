"""The exercises as a curriculum: in an order in which each comes after those that it needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import networkx as nx

from sim.training.library import Entry
from sim.vehicle.problems import Problem


def suggested_path(entries: Sequence[Entry]) -> list[Entry]:
    """All exercises, each after those it names, else by level and name; raises `Problem` for a circle."""
    known = {one.name: one for one in entries}
    graph = nx.DiGraph()
    graph.add_nodes_from(known)
    needs = ((before, one.name) for one in entries for before in one.exercise.after if before in known)
    graph.add_edges_from(needs)
    try:
        order = list(
            nx.lexicographical_topological_sort(graph, key=lambda name: (known[name].exercise.level, name))
        )
    except nx.NetworkXUnfeasible:
        raise Problem("exercises that come after each other in a circle have no order") from None
    return [known[name] for name in order]


def path_to(name: str, entries: Mapping[str, Entry]) -> list[str]:
    """The names of all exercises that come before one, the first to do first."""
    found: dict[str, None] = {}

    def take(one: str) -> None:
        for before in entries[one].exercise.after if one in entries else ():
            if before not in found:
                take(before)
                found[before] = None

    take(name)
    return list(found)
