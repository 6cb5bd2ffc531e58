"""Bus lines in a harness: the pair of a CAN bus and the wire of a LIN cluster, from stop to stop."""

from __future__ import annotations

from itertools import pairwise

from sim.vehicle.elements import TERMINATOR_OHM, Resistor
from sim.vehicle.loom import Loom
from sim.vehicle.wire_ends import LineStop


def lay_bus(loom: Loom, bus: str) -> None:
    """Lay the two wires of a bus, from stop to stop."""
    spec = loom.vehicle.buses[bus]
    last = len(spec.stops) - 1
    for leg in ("H", "L"):
        ends = [_at(loom, bus, leg, stop, k in (0, last)) for k, stop in enumerate(spec.stops)]
        for (_, leaving), (entering, _) in pairwise(ends):
            loom.wire(leaving, entering, spec.span_m, spec.area_mm2)


def _at(loom: Loom, bus: str, leg: str, stop: LineStop, at_end: bool) -> tuple[str, str]:
    """Where the line's wire arrives and where the next one leaves, at one stop of the line."""
    name = stop.name
    if name in loom.vehicle.modules:
        pin = loom.pins[name, f"{bus}.{leg}"]
        if stop.is_through:
            return pin, loom.pins[name, f"{bus}.{leg}2"]
        return _joint(loom, bus, leg, name, pin, at_end)
    if name == "DLC":
        return _joint(loom, bus, leg, name, f"DLC.{'6' if leg == 'H' else '14'}", at_end)
    if name in loom.vehicle.inline:
        return loom.cavity(name, f"{bus}.{leg}")
    if leg == "H":
        loom.add(Resistor(name, f"{name}.H", f"{name}.L", TERMINATOR_OHM, "terminator"))
    return f"{name}.{leg}", f"{name}.{leg}"


def _joint(loom: Loom, bus: str, leg: str, name: str, pin: str, at_end: bool) -> tuple[str, str]:
    if at_end:
        return pin, pin
    splice = f"SP.{bus}.{name}.{leg}"
    loom.wire(splice, pin, loom.vehicle.buses[bus].stub_m, loom.vehicle.buses[bus].area_mm2)
    return splice, splice


def lay_cluster(loom: Loom, cluster: str) -> None:
    """The one wire of a LIN cluster, from stop to stop."""
    spec = loom.vehicle.lin[cluster]
    ends = []
    for index, name in enumerate(spec.line):
        if name in loom.vehicle.inline:
            ends.append(loom.cavity(name, f"{cluster}.LIN"))
            continue
        pin = loom.pins[name, f"{cluster}.LIN"]
        if index in (0, len(spec.line) - 1):
            ends.append((pin, pin))
            continue
        splice = f"SP.{cluster}.{name}"
        loom.wire(splice, pin, spec.stub_m, spec.area_mm2)
        ends.append((splice, splice))
    for (_, leaving), (entering, _) in pairwise(ends):
        loom.wire(leaving, entering, spec.span_m, spec.area_mm2)
