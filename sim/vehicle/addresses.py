"""Identifiers of diagnostic requests: which module answers to which (ISO 15765-4 and common practice)."""

from __future__ import annotations

from sim.vehicle.bus_paths import find_buses_of
from sim.vehicle.description import Vehicle
from sim.vehicle.problems import Problem

FIRST_DIAGNOSTIC_ID = 0x700  # common practice: identifiers from here on carry diagnosis
FUNCTIONAL_ID = 0x7DF  # ISO 15765-4
RESPONSE_OFFSET = 8  # ISO 15765-4: 7E0..7E7 answer on 7E8..7EF; kept for the other modules


def diagnostic_addresses(vehicle: Vehicle) -> dict[str, int]:
    """Request identifiers by module, without those that are on LIN only: their masters answer for them.

    7E0 engine, 7E1 transmission (ISO 15765-4), the others from 710 up by file order (common practice).
    """
    reachable = {name for name, buses in find_buses_of(vehicle).items() if buses}
    wanted = {name: module.address for name, module in vehicle.modules.items() if name in reachable}
    usual = {"ECM": 0x7E0, "TCM": 0x7E1}
    taken: dict[int, str] = {}
    for name, address in wanted.items():
        chosen = address if address is not None else usual.get(vehicle.modules[name].role or name)
        if chosen is None or (address is None and chosen in taken):
            continue
        if chosen in taken or chosen & 0x8 or chosen < 0x700:
            why = f"already answers for {taken[chosen]}" if chosen in taken else "is no request identifier"
            raise Problem(
                f"address 0x{chosen:03X} {why} (700 to 7F7, last hex digit 0 to 7)",
                ("modules", name, "address"),
            )
        taken[chosen] = name
    free = (
        block + low for block in range(0x710, 0x7D0, 0x10) for low in range(8) if block + low not in taken
    )
    given = {name: address for address, name in taken.items()}
    return {name: given.get(name) or next(free) for name in wanted}
