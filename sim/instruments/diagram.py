"""Wiring diagrams as SVG text, drawn from the service information: readable on screen and printable.

    drawing(service, "ECM")          # a module with everything on its pins
    drawing(service, "F11")          # a fuse or relay and what it feeds
    drawing(service, "powertrain")   # a bus line
    drawing(service, "G2")           # a ground point and everything that ends on it
    drawing(service, "map_sensor")   # a sensor with its three wires

Every part carries `data-id`, the terminal or part a click on it means: a probe can be put there. Current runs
from left to right. Symbols are the plain ones of IEC 60617: a box for a fuse or resistor, a dot for a splice.

Not modelled: what `svg_sheet` leaves out.
"""

from __future__ import annotations

from sim.instruments.bus_diagram import bus_diagram, cluster_diagram
from sim.instruments.feed_diagram import feed_diagram, ground_diagram, sensor_diagram
from sim.instruments.module_diagram import module_diagram
from sim.instruments.service import ServiceInformation


def drawing(service: ServiceInformation, name: str) -> str:
    """The diagram of a module, fuse, relay, load, switch, bus, LIN cluster, ground point or sensor.

    Raises `EditProblem` for an unknown name.
    """
    vehicle = service.vehicle
    if name in vehicle.grounds:
        return ground_diagram(service, name)
    if name in vehicle.sensors:
        return sensor_diagram(service, name)
    if name in vehicle.modules:
        return module_diagram(service, name)
    if name in vehicle.buses:
        return bus_diagram(service, name)
    if name in vehicle.lin:
        return cluster_diagram(service, name)
    service.circuit(name)  # knows the names, and the nearest to a wrong one
    return feed_diagram(service, name)
