"""The circuit without its one-way elements, solved by one factorization of its conductance matrix."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from sim.wiring.layout import SYMMETRIC, CircuitLayout, CircuitState, Indices, ends_of
from sim.wiring.oneway import Array

MOST_FACTORS = 8  # kept at a time: instruments ask about one network, or what is left without one part


class Factor:
    """The factorized conductance matrix.

    It is never kept beyond `factors_kept`: scipy frees SuperLU's memory only in the thread that took it, and
    a front end has a new thread for every click.

    The first node of every island is anchored to its own zero through 1 ohm. What flows into an island
    flows out of it, so the anchor carries nothing and moves nothing; it only makes the matrix regular.
    """

    def __init__(self, layout: CircuitLayout, siemens: Array) -> None:
        n, closed = len(layout.node), siemens > 0
        edges = (np.ones(np.count_nonzero(closed)), (layout.a[closed], layout.b[closed]))
        graph = sparse.csr_array(edges, shape=(n, n))
        self.islands, self.island = connected_components(graph, directed=False)
        _, self._base = np.unique(self.island, return_index=True)
        self._anchor = np.zeros(n)
        self._anchor[self._base] = 1.0
        self._layout, self._siemens = layout, siemens
        self._columns: dict[tuple[tuple[int, int], ...], Array] = {}
        matrix = layout.matrix(siemens, self._anchor)
        self._lu = splu(matrix, permc_spec="NATURAL", **SYMMETRIC)

    def joined(self, a: Indices, b: Indices) -> NDArray[np.bool_]:
        """Which pairs of node numbers lie in one island."""
        return np.equal(self.island[a], self.island[b])

    def potentials(self, injected_a: Array) -> Array:
        """Voltages of shape (nodes, columns) against the first node of each island, which takes the rest.

        One step of refinement: the sums on the diagonal have rounded small conductances beside large ones
        away, while currents taken element by element have not.
        """
        node_v = self._solve(injected_a)
        through_a = self._siemens[:, None] * (self._layout.incidence @ node_v)
        left_a = injected_a - self._layout.gather @ through_a - self._anchor[:, None] * node_v
        node_v += self._solve(left_a)
        return node_v - node_v[self._base[self.island]]

    def columns(self, pairs: Sequence[tuple[int, int]]) -> Array:
        """Voltages of shape (nodes, pairs) from 1 A put in at the first and taken out at the second node."""
        key = tuple(pairs)
        if key not in self._columns:
            self._columns[key] = self._solved_columns(key)
        return self._columns[key]

    def _solved_columns(self, pairs: Sequence[tuple[int, int]]) -> Array:
        injected_a = np.zeros((len(self._layout.node), len(pairs)))
        for k, (a, b) in enumerate(pairs):
            injected_a[a, k] += 1.0
            injected_a[b, k] -= 1.0
        return self.potentials(injected_a) if pairs else injected_a

    def _solve(self, injected_a: Array) -> Array:
        return self._lu.solve(injected_a[self._layout.order])[self._layout.place]


class _Kept(threading.local):
    """This thread's factorizations, each with the solution that it belongs to; None: none is kept."""

    factors: dict[int, tuple[LinearSolution, Factor]] | None = None


_KEPT = _Kept()


@contextmanager
def factors_kept() -> Iterator[None]:
    """In here, who asks one network again and again has it factorized once, and all are let go at the end."""
    before, _KEPT.factors = _KEPT.factors, {}
    try:
        yield
    finally:
        _KEPT.factors = before


class LinearSolution:
    """The circuit without its one-way elements, solved."""

    def __init__(self, layout: CircuitLayout, factor: Factor, state: CircuitState) -> None:
        self.layout = layout
        self._siemens, self._volt = state.siemens, state.volt
        self.islands, self.island = factor.islands, factor.island
        self._source_a = np.where(factor.joined(layout.a, layout.b), state.amp, 0.0)
        injected_a = layout.gather @ (self._siemens * self._volt - self._source_a)
        self.node_v = factor.potentials(injected_a[:, None])[:, 0]

    def columns(self, *groups: Sequence[tuple[int, int]]) -> list[Array]:
        """As `Factor.columns` of each group, by a factorization made for this call or kept by `factors_kept`.

        Each group is solved by itself: its last digits do not depend on what else was asked.
        """
        kept = _KEPT.factors
        known = None if kept is None else kept.get(id(self))
        factor = known[1] if known else Factor(self.layout, self._siemens)
        if kept is not None and not known:
            if len(kept) == MOST_FACTORS:
                del kept[next(iter(kept))]
            kept[id(self)] = (self, factor)
        return [factor.columns(pairs) for pairs in groups]

    def branch_a(self, node_v: Array) -> Array:
        """Currents of shape (branches,) from the first through the element to the second node."""
        return self._siemens * (self.layout.incidence @ node_v - self._volt) + self._source_a


def joined_islands(islands: int, pairs: Sequence[tuple[int, int]]) -> Indices:
    """Number of the group of every island when the given pairs of islands are joined."""
    across = [(a, b) for a, b in pairs if a != b]
    if not across:
        return np.arange(islands)
    graph = sparse.csr_array((np.ones(len(across)), ends_of(across)), shape=(islands, islands))
    return connected_components(graph, directed=False)[1].astype(np.intp)
