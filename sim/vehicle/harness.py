"""From a description to the car as built: terminals, wires, splices, grounds, buses.

`build` lays the harness the way a loom maker would: from the battery to the bar, through fuse and in-line
connector to a splice or pin, back through a ground point; every bus as a pair along its line.

Not modeled: shields, twisted-pair geometry, connector sealing.
"""

from __future__ import annotations

from itertools import pairwise

from sim.vehicle.addresses import diagnostic_addresses
from sim.vehicle.car import Car
from sim.vehicle.checks import check_boxes, check_names, check_references, check_sources
from sim.vehicle.description import Vehicle
from sim.vehicle.description_wiring import Bus, Lin
from sim.vehicle.elements import TERMINATOR_OHM, Connector, Resistor
from sim.vehicle.harness_high_voltage import check_high_voltage, lay_high_voltage
from sim.vehicle.harness_modules import DLC_CAVITIES, lay_dlc, lay_module
from sim.vehicle.harness_power import (
    collect_fed_pins,
    collect_sensor_pins,
    lay_battery,
    lay_circuits,
    lay_fuse,
    lay_generator,
    lay_grounds,
    lay_load,
    lay_relay,
    lay_sensors,
    lay_switch,
)
from sim.vehicle.loom import Loom
from sim.vehicle.terminal_graph import conductor, terminal_graph
from sim.vehicle.wire_ends import LineStop


def build(vehicle: Vehicle, claimed: Vehicle | None = None) -> Car:
    """The car that a description describes; raises `Problem` where the description contradicts itself."""
    loom = Loom(vehicle)
    check_names(vehicle)
    check_sources(vehicle)
    check_boxes(vehicle)
    check_high_voltage(vehicle)
    collect_fed_pins(loom)
    collect_sensor_pins(loom)
    lay_battery(loom)
    lay_grounds(loom)
    for name, module in vehicle.modules.items():
        lay_module(loom, name, module)
    lay_dlc(loom)
    for name in vehicle.relays:
        lay_relay(loom, name)
    for name in vehicle.loads:
        lay_load(loom, name)
    for name in vehicle.switches:
        lay_switch(loom, name)
    for name in vehicle.fuses:
        lay_fuse(loom, name)
    # by consumer, so that no cavity gets another number when a theory moves one to another fuse
    for _, run in sorted(loom.fused, key=lambda one: one[0]):
        run()
    for name in vehicle.buses:
        _lay_bus(loom, name)
    for name in vehicle.lin:
        _lay_cluster(loom, name)
    lay_sensors(loom)
    lay_generator(loom)
    lay_high_voltage(loom)
    lay_circuits(loom)
    for name in vehicle.inline:
        loom.connectors[name] = Connector(
            name, "", "inline", tuple(loom.inline_pins[name]), vehicle.inline[name].location
        )
    check_references(vehicle, loom.feeds)
    legs = (leg for one in loom.transceivers.values() for leg in (one.h, one.l))
    return Car(
        vehicle,
        claimed or vehicle,
        loom.elements,
        loom.connectors,
        loom.transceivers,
        loom.messages,
        diagnostic_addresses(vehicle),
        lin=loom.ports,
        bus_nodes=frozenset(conductor(terminal_graph(loom.elements.values()), *legs)),
    )


def _lay_bus(loom: Loom, bus: str) -> None:
    """Lay the two wires of a bus, from stop to stop."""
    spec = loom.vehicle.buses[bus]
    last = len(spec.stops) - 1
    for leg in spec.legs:
        _join(loom, spec, [_at(loom, bus, leg, stop, k in (0, last)) for k, stop in enumerate(spec.stops)])


def _join(loom: Loom, spec: Bus | Lin, ends: list[tuple[str, str]]) -> None:
    """Wires from where the line leaves a stop to where it enters the next."""
    for (_, leaving), (entering, _) in pairwise(ends):
        loom.wire(leaving, entering, spec.span_m, spec.area_mm2)


def _at(loom: Loom, bus: str, leg: str, stop: LineStop, at_end: bool) -> tuple[str, str]:
    """Where the line's wire arrives and where the next one leaves, at one stop of the line."""
    name = stop.name
    if name in loom.vehicle.modules:
        pin = loom.pins[name, f"{bus}.{leg}"]
        if stop.is_through:
            return pin, loom.pins[name, f"{bus}.{leg}2"]
        return _branch(loom, loom.vehicle.buses[bus], f"SP.{bus}.{name}.{leg}", pin, at_end)
    if name == "DLC":
        pin = f"DLC.{DLC_CAVITIES[leg]}"
        return _branch(loom, loom.vehicle.buses[bus], f"SP.{bus}.{name}.{leg}", pin, at_end)
    if name in loom.vehicle.inline:
        return loom.cavity(name, f"{bus}.{leg}")
    if leg == "H":
        loom.add(Resistor(name, f"{name}.H", f"{name}.L", TERMINATOR_OHM, "terminator"))
    return f"{name}.{leg}", f"{name}.{leg}"


def _branch(loom: Loom, spec: Bus | Lin, splice: str, pin: str, at_end: bool) -> tuple[str, str]:
    """A pin at the end of a line, or on a stub from a splice."""
    if at_end:
        return pin, pin
    loom.wire(splice, pin, spec.stub_m, spec.area_mm2)
    return splice, splice


def _lay_cluster(loom: Loom, cluster: str) -> None:
    """The one wire of a LIN cluster, from stop to stop."""
    spec = loom.vehicle.lin[cluster]
    ends = []
    for index, name in enumerate(spec.line):
        if name in loom.vehicle.inline:
            ends.append(loom.cavity(name, f"{cluster}.LIN"))
        else:
            pin, at_end = loom.pins[name, f"{cluster}.LIN"], index in (0, len(spec.line) - 1)
            ends.append(_branch(loom, spec, f"SP.{cluster}.{name}", pin, at_end))
    _join(loom, spec, ends)
