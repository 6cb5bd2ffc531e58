"""Pairs of nodes at which drivers or instruments can be put, with their Thevenin voltages and impedances."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from sim.wiring.errors import CircuitError
from sim.wiring.layout import Indices, Tap, ends_of, numbers_of
from sim.wiring.oneway import Array, Bank, OneWay
from sim.wiring.operating_point import small_signal
from sim.wiring.solved import SolvedCircuit


class Ports:
    """Pairs of nodes (a, b) of a solved circuit, all from one factorization.

    pairs: the node names.
    voltage_v: open-circuit voltage of a against b per port; None if they lie in different islands.
    """

    def __init__(self, solved: SolvedCircuit, pairs: tuple[tuple[str, str], ...]) -> None:
        self.solved, self.pairs = solved, pairs
        self.numbers = [(solved.number(a), solved.number(b)) for a, b in pairs]
        self.voltage_v = tuple(solved.between(a, b) for a, b in self.numbers)
        taps = len(solved.taps)
        columns = solved.linear.columns([*numbers_of(solved.taps), *self.numbers])
        self._columns, self._tap_columns = columns[:, taps:], columns[:, :taps]

    @cached_property
    def impedance_ohm(self) -> Array:
        """Voltage at one port per ampere put in at a and taken out at b of another; shape (ports, ports).

        With one-way elements in the circuit, for small changes. Infinite in the row and column of a port
        across two islands, where no current can pass; `drive` treats such ports exactly.
        """
        begin, end = ends_of(self.numbers)
        impedance_ohm = self._columns[begin] - self._columns[end]
        if self.solved.taps:
            impedance_ohm = impedance_ohm - self._relief_ohm(begin, end)
        across = self.solved.group[begin] != self.solved.group[end]
        impedance_ohm[across, :] = np.inf
        impedance_ohm[:, across] = np.inf
        return impedance_ohm

    def _relief_ohm(self, begin: Indices, end: Indices) -> Array:
        """What the one-way elements, as the conductances they are at this point, take off the impedances."""
        solved = self.solved
        tap_begin, tap_end = ends_of(numbers_of(solved.taps))
        port_v = solved.node_v[tap_begin] - solved.node_v[tap_end]
        _, slope_s = Bank([tap.oneway for tap in solved.taps]).current(port_v)
        seen_ohm = self._columns[tap_begin] - self._columns[tap_end]
        tap_ohm = self._tap_columns[tap_begin] - self._tap_columns[tap_end]
        ties = solved.ties(begin, end)
        response = small_signal(slope_s, tap_ohm, solved.ties(tap_begin, tap_end), seen_ohm, ties)
        n = len(solved.taps)
        return seen_ohm.T @ response[:n] - ties @ response[n:]

    def driven(self, legs: list[tuple[int, OneWay]]) -> SolvedCircuit:
        """The circuit with one-way elements at its ports, given with the port's number."""
        taps = [*self.solved.taps, *(self._tap(port, leg) for port, leg in legs)]
        columns = np.hstack([self._tap_columns, self._columns[:, [port for port, _ in legs]]])
        return SolvedCircuit(self.solved.linear, taps, columns)

    def _tap(self, port: int, leg: OneWay) -> Tap:
        if not 0 <= port < len(self.pairs):
            raise CircuitError(f"there is no port {port}: the ports are 0 to {len(self.pairs) - 1}")
        a, b = self.numbers[port]
        return Tap(f"driver on port {port}, {' to '.join(self.pairs[port])}", a, b, leg)
