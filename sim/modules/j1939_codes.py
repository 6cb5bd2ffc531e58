"""What a module's trouble codes are called on SAE J1939, and what it says it is.

Not modeled: a component's make and model by the registered abbreviations; a unit number.
"""

from __future__ import annotations

from collections.abc import Iterable

from sim.modules.uds_data import Identity
from sim.vehicle.car import Car
from sim.vehicle.codes import dtc_bytes, with_failure_type
from sim.vehicle.description_software import J1939Code
from sim.vehicle.j1939_addresses import ToldAs, of_bus_off, of_message, of_number

SEPARATOR = "*"  # between and after the fields of an identification (SAE J1939-71, second-hand)


class J1939Codes:
    """How the codes of one module are told. A test is known by its code as the fault memory has it."""

    def __init__(self, car: Car, module: str, identity: Identity) -> None:
        self._told: dict[str, ToldAs] = {}
        self._car = car
        self._module = module
        self.component = _fields(("busbay", module, identity.serial_number, ""))
        self.software = b"\x01" + _fields((identity.software_version,))

    def add_message(self, place: int, lost: str, invalid: str | None) -> None:
        """The codes of the module's monitor number `place`."""
        expected = self._car.messages.expected[self._module][place]
        about = (expected.sender, expected.j1939, self._car.messages.claims)
        self._told.setdefault(with_failure_type(lost), of_message(*about, invalid=False))
        if invalid is not None:
            self._told.setdefault(with_failure_type(invalid), of_message(*about, invalid=True))

    def add_bus_off(self, bus: str, codes: Iterable[str]) -> None:
        """The code of a controller in bus-off."""
        for code in codes:
            self._told.setdefault(with_failure_type(code), of_bus_off(bus, self._car.built))

    def add(self, code: str, told: J1939Code | None = None) -> None:
        """Any other code, with what the vehicle file says of it."""
        full = with_failure_type(code)
        self._told.setdefault(full, of_number(int.from_bytes(dtc_bytes(full), "big"), told))

    def told_as(self, code: str) -> ToldAs:
        """What a code is on SAE J1939."""
        return self._told[with_failure_type(code)]


def _fields(fields: Iterable[str]) -> bytes:
    return "".join(f"{one}{SEPARATOR}" for one in fields).encode("ascii", "replace")
