"""What conductors join, up to ends."""

import networkx as nx
from hypothesis import given
from hypothesis import strategies as st

from sim.vehicle.terminal_graph import conductor_up_to

NODES = st.sampled_from("abcdefgh")


@given(st.lists(st.tuples(NODES, NODES)), NODES, st.sets(NODES, max_size=3))
def test_a_conductor_ends_where_networkx_says(
    joined: list[tuple[str, str]], node: str, ends: set[str]
) -> None:
    """A conductor is its component in the graph without the ends, and the ends next to that (networkx)."""
    graph: nx.Graph[str] = nx.Graph(joined)
    apart = graph.subgraph(graph.nodes - ends)
    inside = nx.node_connected_component(apart, node) if node in apart else set()
    expected = inside | nx.node_boundary(graph, inside) if inside else {node}
    assert expected == conductor_up_to(lambda one: graph.adj[one] if one in graph else (), node, ends)
