"""Who hears whom on LIN wires, from solved levels.

Each powered port in turn pulls its wire to its own ground. A receiver hears it when the wire is below 40 % of
the receiver's supply while the sender pulls, and above 60 % while none does, both against its own ground;
and the sender must read itself back by the same rules (ISO 17987-4 / LIN 2.x physical layer, VBUSdom and
VBUSrec, from memory).

Not modeled: slopes and the capacitance of the wire, thermal shutdown, dominant time-out, several senders at
once.
"""

from __future__ import annotations

from collections.abc import Iterable

from sim.wiring.oneway import Leg
from sim.wiring.reading import ElectricalReading
from sim.wiring.solution import Driven

DOMINANT_SHARE, RECESSIVE_SHARE = 0.4, 0.6
# The low side of a CAN driver is close to that of a LIN driver: a diode, some tens of ohm, and a limit within
# the 40..200 mA of LIN 2.x (from memory); 0.9 V on a healthy 12 V wire.
DRIVER = Leg()
# Two states of the car whose wires, supplies and grounds agree to this have the same answer.
STEP_V = 0.05

Links = frozenset[tuple[str, str]]
Levels = tuple[tuple[str, float, float], ...]  # port, its supply, its wire at rest


def levels_at_rest(reading: ElectricalReading, powered: Iterable[str]) -> Levels:
    """What each powered port has for a supply and sees on its wire, in steps; 0 V for what floats."""
    ports = reading.car.lin
    found = []
    for name in sorted(powered):
        port = ports[name]
        supply_v, wire_v = reading.supply_v(port.module), reading.between(port.node, port.gnd) or 0.0
        found.append((name, _rounded(supply_v), _rounded(wire_v)))
    return tuple(found)


def lin_links(reading: ElectricalReading, levels: Levels) -> Links:
    """Pairs (sender, receiver) of the ports whose levels at rest are given."""
    ports = [reading.car.lin[name] for name, _, _ in levels]
    seen = reading.ports([(port.node, port.gnd) for port in ports])
    recessive = [wire_v > RECESSIVE_SHARE * supply_v > 0 for _, supply_v, wire_v in levels]
    links: set[tuple[str, str]] = set()
    for number, sender in enumerate(ports):
        if seen.voltage_v[number] is None:
            continue
        pulled_v = Driven(seen, [(number, DRIVER)]).port_voltage_v
        reads = [
            recessive[k] and volt is not None and volt < DOMINANT_SHARE * levels[k][1]
            for k, volt in enumerate(pulled_v)
        ]
        if reads[number]:
            links |= {(sender.id, ports[k].id) for k, heard in enumerate(reads) if heard and k != number}
    return frozenset(links)


def _rounded(volt: float) -> float:
    return round(volt / STEP_V) * STEP_V
