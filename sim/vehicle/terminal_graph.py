"""Graphs whose nodes are terminals of a car and whose edges are the parts that join them."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import networkx as nx

from sim.vehicle.elements import Element


def terminal_graph(elements: Iterable[Element]) -> nx.Graph[str]:
    """Return a graph of terminals whose edges carry these parts as `element`."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_edges_from((element.a, element.b, {"element": element}) for element in elements)
    return graph


def conductor(graph: nx.Graph[str], *nodes: str) -> set[str]:
    """Return these terminals and all that the parts of a graph join to them."""
    return {*nodes}.union(*(nx.node_connected_component(graph, node) for node in nodes if node in graph))


def conductor_up_to(joined_to: Callable[[str], Iterable[str]], node: str, ends: set[str]) -> frozenset[str]:
    """Return a terminal and all joined to it, without passing through any of the terminals in `ends`."""
    if node in ends:
        return frozenset({node})
    reached, todo = {node}, [node]
    while todo:
        new = [one for one in joined_to(todo.pop()) if one not in reached]
        reached.update(new)
        todo += [one for one in new if one not in ends]
    return frozenset(reached)
