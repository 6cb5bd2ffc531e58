"""Numbers for the nodes and elements of a circuit, and the pattern of its matrix.

A layout is what the switches do not change; a `CircuitState` is what they do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from hashlib import blake2b
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from sim.wiring.errors import CircuitError, unknown_name
from sim.wiring.oneway import Array, OneWay

CACHE_LAYOUTS = 16

# The matrix is symmetric and diagonally heavy: the diagonal is a safe pivot and keeps the order found once.
SYMMETRIC: dict[str, Any] = {"diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}

ElementKind = Literal["resistor", "source", "current source", "one-way"]
Indices = NDArray[np.intp]
ElementEnds = tuple[str, ElementKind, str, str, OneWay | None]


@dataclass(frozen=True, slots=True)
class CircuitElement:
    """An element between nodes a and b, with the values that it has while it is switched on."""

    kind: ElementKind
    a: str
    b: str
    ohm: float = math.inf
    volt: float = 0.0
    amp: float = 0.0
    oneway: OneWay | None = None
    closed: bool = True

    @property
    def ends(self) -> tuple[ElementKind, str, str, OneWay | None]:
        """What its place in a layout depends on."""
        return self.kind, self.a, self.b, self.oneway


@dataclass(frozen=True, slots=True)
class Tap:
    """A one-way element that is switched on, between two node numbers."""

    name: str
    a: int
    b: int
    oneway: OneWay


class CircuitLayout:
    """What the switches do not change: numbers of nodes and elements, and the matrix pattern in its order."""

    def __init__(self, nodes: list[str], elements: dict[str, CircuitElement]) -> None:
        self.node = {name: k for k, name in enumerate(nodes)}
        self.kind = {id: element.kind for id, element in elements.items()}
        linear = {id: e for id, e in elements.items() if e.oneway is None}
        self.branch = {id: k for k, id in enumerate(linear)}
        self.a = np.array([self.node[e.a] for e in linear.values()], dtype=np.intp)
        self.b = np.array([self.node[e.b] for e in linear.values()], dtype=np.intp)
        self.taps = [
            Tap(id, self.node[e.a], self.node[e.b], e.oneway)
            for id, e in elements.items()
            if e.oneway is not None
        ]
        self.tap = {tap.name: k for k, tap in enumerate(self.taps)}
        self._numbers: dict[tuple[tuple[str, str], ...], tuple[Indices, Indices]] = {}
        self.incidence = self._incidence()
        self.gather = sparse.csr_array(self.incidence.T)
        self._set_pattern(np.arange(len(nodes)))
        whole = self.matrix(np.ones(len(linear)), np.ones(len(nodes)))
        self._set_pattern(splu(whole, permc_spec="MMD_AT_PLUS_A", **SYMMETRIC).perm_c.astype(np.intp))

    def number(self, node: str) -> int:
        """A node's number. Raises CircuitError for an unknown one."""
        k = self.node.get(node)
        if k is None:
            raise CircuitError(unknown_name("node", node, self.node))
        return k

    def numbers(self, pairs: tuple[tuple[str, str], ...]) -> tuple[Indices, Indices]:
        """Numbers of the first and of the second nodes of several pairs, kept for the next time."""
        if pairs not in self._numbers:
            self._numbers[pairs] = ends_of([(self.number(a), self.number(b)) for a, b in pairs])
        return self._numbers[pairs]

    def _incidence(self) -> sparse.csr_array:
        branches = np.arange(len(self.a))
        values = np.concatenate([np.ones(len(self.a)), -np.ones(len(self.b))])
        where = (np.concatenate([branches, branches]), np.concatenate([self.a, self.b]))
        return sparse.csr_array((values, where), shape=(len(self.a), len(self.node)))

    def _set_pattern(self, place: Indices) -> None:
        """Lay the matrix out with node k in row and column place[k]; open elements keep their zeros."""
        n, a, b = len(self.node), place[self.a], place[self.b]
        rows = np.concatenate([a, b, a, b, place])
        columns = np.concatenate([a, b, b, a, place])
        cells, self._cell = np.unique(columns * n + rows, return_inverse=True)
        self._rows = (cells % n).astype(np.intc)
        self._starts = np.searchsorted(cells // n, np.arange(n + 1)).astype(np.intc)
        self.place, self.order = place, np.argsort(place)

    def matrix(self, siemens: Array, anchor: Array) -> sparse.csc_array:
        """Conductance matrix in the pattern's order, with `anchor` added on the diagonal."""
        values = np.concatenate([siemens, siemens, -siemens, -siemens, anchor])
        data = np.bincount(self._cell, values, minlength=len(self._rows))
        n = len(self.node)
        return sparse.csc_array((data, self._rows, self._starts), shape=(n, n))


@lru_cache(maxsize=CACHE_LAYOUTS)
def layout_of(nodes: tuple[str, ...], ends: tuple[ElementEnds, ...]) -> CircuitLayout:
    """The layout, kept: most edits of a car leave it alone, so the order is not searched again."""
    elements = {id: CircuitElement(kind, a, b, oneway=one) for id, kind, a, b, one in ends}
    return CircuitLayout(list(nodes), elements)


@dataclass(frozen=True, slots=True)
class CircuitState:
    """Values of the linear elements, each of shape (branches,), and which one-way elements are on."""

    siemens: Array
    volt: Array
    amp: Array
    oneway_closed: tuple[bool, ...]

    @classmethod
    def of(cls, layout: CircuitLayout, elements: dict[str, CircuitElement]) -> CircuitState:
        """The state that the elements are in."""
        linear = [element for id, element in elements.items() if id in layout.branch]
        return cls(
            np.array([1.0 / one.ohm if one.closed else 0.0 for one in linear]),
            np.array([one.volt for one in linear]),
            np.array([one.amp if one.closed else 0.0 for one in linear]),
            tuple(elements[tap.name].closed for tap in layout.taps),
        )

    def with_element(self, layout: CircuitLayout, id: str, element: CircuitElement) -> CircuitState:
        """This state with one element as it is now."""
        if id in layout.tap:
            k = layout.tap[id]
            on = self.oneway_closed
            return replace(self, oneway_closed=(*on[:k], element.closed, *on[k + 1 :]))
        k = layout.branch[id]
        return CircuitState(
            _with(self.siemens, k, 1.0 / element.ohm if element.closed else 0.0),
            _with(self.volt, k, element.volt),
            _with(self.amp, k, element.amp if element.closed else 0.0),
            self.oneway_closed,
        )

    def key(self) -> bytes:
        """A short key: equal for equal states only."""
        digest = blake2b(digest_size=32)
        for values in (self.siemens, self.volt, self.amp, np.array(self.oneway_closed)):
            digest.update(values.tobytes())
        return digest.digest()


def _with(values: Array, place: int, value: float) -> Array:
    """The values with one replaced; the same array if nothing changes, so that states share it."""
    if values[place] == value:
        return values
    changed = values.copy()
    changed[place] = value
    return changed


def numbers_of(taps: Sequence[Tap]) -> list[tuple[int, int]]:
    """The pair of node numbers of each tap."""
    return [(tap.a, tap.b) for tap in taps]


def ends_of(pairs: Sequence[tuple[int, int]]) -> tuple[Indices, Indices]:
    """The first and the second numbers of all pairs."""
    both = np.array(pairs, dtype=np.intp).reshape(-1, 2)
    return both[:, 0], both[:, 1]
