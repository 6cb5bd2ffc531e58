"""From a description to the car as built: terminals, wires, splices, grounds, buses.

`build` lays the harness the way a loom maker would: from the battery to the bar, through fuse and in-line
connector to a splice or pin, back through a ground point; every bus as a pair along its line.

Not modelled: shields, twisted-pair geometry, connector sealing.
"""

from __future__ import annotations

from sim.vehicle.addresses import diagnostic_addresses
from sim.vehicle.car import Car
from sim.vehicle.checks import check_names, check_references, check_sources
from sim.vehicle.description import Vehicle
from sim.vehicle.elements import Connector
from sim.vehicle.harness_lines import lay_bus, lay_cluster
from sim.vehicle.harness_modules import lay_dlc, lay_module
from sim.vehicle.harness_power import (
    collect_fed_pins,
    collect_sensor_pins,
    lay_battery,
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


def build(vehicle: Vehicle, claimed: Vehicle | None = None) -> Car:
    """The car that a description describes; raises `Problem` where the description contradicts itself."""
    loom = Loom(vehicle)
    check_names(vehicle)
    check_sources(vehicle)
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
        lay_bus(loom, name)
    for name in vehicle.lin:
        lay_cluster(loom, name)
    lay_sensors(loom)
    lay_generator(loom)
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
