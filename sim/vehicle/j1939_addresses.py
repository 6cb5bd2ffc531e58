"""Which address and NAME each controller of a car has, and which identifiers its messages get (SAE J1939)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sim.vehicle.description import Vehicle
from sim.vehicle.description_software import J1939Code, Message
from sim.vehicle.identifiers import HIGHEST_11_BIT
from sim.vehicle.j1939 import (
    ADDRESSES,
    FIRST_ADDRESS_SPN,
    HIGHEST_ADDRESS,
    LAST_FREE_ADDRESS,
    NETWORK_SPNS,
    PROPRIETARY_B,
    Identifier,
    Lamp,
    Name,
    SpnFmi,
    fmi_of_failure_type,
    is_addressed,
)
from sim.vehicle.problems import Problem

FIRST_MAKERS_SPN = 0x7F000  # 520192 to 524287: the maker's own (from memory)
LOST_FMI, INVALID_FMI = 9, 19


@dataclass(frozen=True, slots=True)
class AddressClaim:
    """What a controller claims: an address, with its NAME."""

    address: int
    name: Name


def j1939_buses(vehicle: Vehicle) -> tuple[str, ...]:
    """The buses of SAE J1939, in file order: the first is network 1."""
    return tuple(bus for bus, spec in vehicle.buses.items() if spec.protocol == "j1939")


def claims_of(vehicle: Vehicle, buses_of: Mapping[str, tuple[str, ...]]) -> dict[str, AddressClaim]:
    """The claim of each module on SAE J1939. Raises `Problem` where two of a bus claim one address."""
    buses, found = j1939_buses(vehicle), dict[str, AddressClaim]()
    members = [name for name in vehicle.modules if set(buses_of[name]) & set(buses)]
    given = {name: address for name in members if (address := _usual_address(vehicle, name)) is not None}
    free = (address for address in range(LAST_FREE_ADDRESS, 127, -1) if address not in given.values())
    for place, name in enumerate(vehicle.modules, start=1):
        if name in members:
            found[name] = AddressClaim(
                given[name] if name in given else next(free), _name_of(vehicle, name, place)
            )
    for bus in buses:
        on_bus: dict[int, str] = {}
        for name in (one for one in members if bus in buses_of[one]):
            other = on_bus.setdefault(found[name].address, name)
            if other != name:
                raise Problem(
                    f"address {found[name].address} on {bus} is {other}'s already: "
                    f"give {name} another of 0 to {HIGHEST_ADDRESS}",
                    ("modules", name, "j1939", "address"),
                )
    return found


def _usual_address(vehicle: Vehicle, name: str) -> int | None:
    spec = vehicle.modules[name]
    if spec.j1939.address is not None:
        return spec.j1939.address
    usual = ADDRESSES.get(spec.role or name)
    return usual[0] if usual else None


def _name_of(vehicle: Vehicle, name: str, place: int) -> Name:
    spec = vehicle.modules[name]
    one, usual = spec.j1939, ADDRESSES.get(spec.role or name)
    function = one.function if one.function is not None else usual[1] if usual else 255
    return Name(
        one.identity if one.identity is not None else place, one.manufacturer, one.ecu_instance,
        one.function_instance, function, industry_group=one.industry_group, moves=one.moves,
    )  # fmt: skip


class MessageIdentifiers:
    """Gives each message on a bus of SAE J1939 its 29-bit identifier, and checks those that are given."""

    def __init__(self, claims: Mapping[str, AddressClaim], listed: list[tuple[str, str, Message]]) -> None:
        self._claims = claims
        given = {message.pgn for _, _, message in listed}
        self._free = (pgn for pgn in range(PROPRIETARY_B, PROPRIETARY_B + 256) if pgn not in given)
        self._taken: dict[int, str] = {}

    def of(self, module: str, name: str, message: Message) -> int | None:
        """The identifier of a message; None where it has 11 bits."""
        path = ("modules", module, "sends", name, "pgn")
        if message.pgn is not None and (module not in self._claims or message.id is not None):
            why = "has an 11-bit id, too" if message.id is not None else f"{module} is on no bus of SAE J1939"
            raise Problem(f"a message with a parameter group: {module}.{name} {why}", path)
        if module in self._claims and message.id is not None and message.id > HIGHEST_11_BIT:
            path = ("modules", module, "sends", name, "id")
            raise Problem("on a bus of SAE J1939 29 bits follow from 'pgn' and 'priority'", path)
        if module not in self._claims or message.id is not None:
            return None
        pgn = message.pgn if message.pgn is not None else next(self._free, None)
        if pgn is None:
            raise Problem("no parameter group of 65280 to 65535 is left for this message", path)
        if is_addressed(pgn) and pgn & 0xFF:
            raise Problem(f"group {pgn} is addressed (PDU1): its last byte must be 0", path)
        can_id = Identifier(message.priority, pgn, self._claims[module].address).can_id
        other = self._taken.setdefault(can_id, f"{module}.{name}")
        if other != f"{module}.{name}":
            raise Problem(f"group {pgn} is already sent by {other}", path)
        return can_id


def readdressed(can_id: int, address: int) -> int:
    """The identifier of the same message from another source address."""
    return can_id & ~0xFF | address


# -- trouble codes ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ToldAs:
    """How a trouble code is told on SAE J1939, and which lamp it asks for, if any."""

    fault: SpnFmi
    lamp: Lamp | None


def of_message(sender: str, code: J1939Code, claims: Mapping[str, AddressClaim], invalid: bool) -> ToldAs:
    """The code of a lost or invalid message: by default the controller at its sender's address."""
    claim = claims.get(sender)
    usual = FIRST_ADDRESS_SPN + claim.address if claim else NETWORK_SPNS[0]
    return _told(code, usual, INVALID_FMI if invalid else LOST_FMI)


def of_number(number: int, code: J1939Code | None = None) -> ToldAs:
    """Any other code, by its three bytes; by default one of the maker's own."""
    fmi = fmi_of_failure_type(number & 0xFF)
    return _told(code or J1939Code(), FIRST_MAKERS_SPN + (number >> 8 & 0xFFF), fmi)


def of_bus_off(bus: str, vehicle: Vehicle) -> ToldAs:
    """A controller's own bus-off: the network itself, which has 639, 1231, 1235 by its place."""
    buses = j1939_buses(vehicle)
    place = buses.index(bus) if bus in buses else 0
    return ToldAs(SpnFmi(NETWORK_SPNS[min(place, len(NETWORK_SPNS) - 1)], LOST_FMI), "warning")


def _told(code: J1939Code, usual_spn: int, usual_fmi: int) -> ToldAs:
    spn = usual_spn if code.spn is None else code.spn
    fmi = usual_fmi if code.fmi is None else code.fmi
    return ToldAs(SpnFmi(spn, fmi), None if code.lamp == "none" else code.lamp)
