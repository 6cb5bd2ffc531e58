"""A circuit in one state, solved: every node's voltage and every element's current, by number."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from sim.wiring.layout import Indices, Tap, ends_of, numbers_of
from sim.wiring.linear import LinearSolution, joined_islands
from sim.wiring.oneway import Array
from sim.wiring.operating_point import operating_point


class SolvedCircuit:
    """A linear circuit with its one-way elements at their operating point.

    linear, taps: what was solved. columns: `LinearSolution.columns` of the taps.
    group: of every node, the islands that one-way elements join. node_v: voltages, shape (nodes,).
    tap_a: currents of the taps. branch_a: currents of the linear elements, from first to second node.
    """

    def __init__(self, linear: LinearSolution, taps: Sequence[Tap], columns: Array) -> None:
        self.linear, self.taps = linear, tuple(taps)
        self.number = linear.layout.number
        island = linear.island
        joins = [(int(island[tap.a]), int(island[tap.b])) for tap in taps]
        self.group = joined_islands(linear.islands, joins)[island]
        self.tap_a, self.node_v = self._operate(columns) if taps else (np.zeros(0), linear.node_v)
        self.branch_a = linear.branch_a(self.node_v)

    def between(self, a: int, b: int) -> float | None:
        """Voltage in V of one node against another; None if they lie in different islands."""
        return None if self.group[a] != self.group[b] else float(self.node_v[a] - self.node_v[b])

    def ties(self, begin: Indices, end: Indices) -> Array:
        """Shape (pairs, floating islands): +1 where a pair begins in an island, -1 where it ends there."""
        return self._inside(begin) - self._inside(end)

    def _operate(self, columns: Array) -> tuple[Array, Array]:
        """Currents of the one-way elements, and the voltage of every node with them."""
        begin, end = ends_of(numbers_of(self.taps))
        tap_a, offset_v = operating_point(
            self.linear.node_v[begin] - self.linear.node_v[end],
            columns[begin] - columns[end],
            self.ties(begin, end),
            [tap.oneway for tap in self.taps],
            [tap.name for tap in self.taps],
        )
        everywhere = self._inside(np.arange(len(self.linear.island)))
        return tap_a, self.linear.node_v - columns @ tap_a + everywhere @ offset_v

    def _inside(self, nodes: Indices) -> Array:
        """1 where a node lies in an island whose potential the one-way elements set."""
        return np.equal.outer(self.linear.island[nodes], self._floating).astype(np.float64)

    @cached_property
    def _floating(self) -> Indices:
        """Islands whose potential the one-way elements set: all but the first of each group."""
        island = self.linear.island
        across = [tap for tap in self.taps if island[tap.a] != island[tap.b]]
        tapped = sorted({int(island[node]) for tap in across for node in (tap.a, tap.b)})
        _, first = np.unique(self.group, return_index=True)
        return np.setdiff1d(np.array(tapped, dtype=np.intp), island[first])
