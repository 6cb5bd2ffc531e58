"""SAE J1939: 29-bit identifiers, parameter groups, NAMEs, and trouble codes by SPN and FMI.

An identifier is priority (3 bits), parameter group number (18 bits) and source address (8 bits). A group
whose format byte is below 240 (PDU1) is sent to one address, which has the place of the low byte; the others
(PDU2) are sent to all. Layouts and numbers of groups: SAE J1939-21, -73 and -81 as given by the open package
`can-j1939` 2.0.12; none of the standards was read.

What SPNs and FMIs mean is in `j1939_texts.csv`, in our own words.

Not modeled: the extended data page, J1939-22 (CAN FD), commanded address, groups of memory access (DM14 to
DM18), conversion methods other than the current one (version 4).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from sim.vehicle.code_tables import tables

NULL_ADDRESS: Final = 254  # of who has no address: may claim and request, nothing else
GLOBAL_ADDRESS: Final = 255
HIGHEST_ADDRESS: Final = 253  # 0 to 253 can be claimed
TOOL_ADDRESSES: Final = (249, 250)  # off-board diagnostic tools 1 and 2
# a controller that may move looks for a free address here (SAE J1939-81)
FIRST_FREE_ADDRESS, LAST_FREE_ADDRESS = 128, 247
FIRST_PDU2: Final = 240

REQUEST: Final = 0xEA00  # 59904
ACKNOWLEDGMENT: Final = 0xE800  # 59392
ADDRESS_CLAIMED: Final = 0xEE00  # 60928
TRANSPORT_MANAGEMENT: Final = 0xEC00  # 60416, TP.CM
TRANSPORT_DATA: Final = 0xEB00  # 60160, TP.DT
DM1, DM2, DM3, DM11 = 0xFECA, 0xFECB, 0xFECC, 0xFED3  # 65226, 65227, 65228, 65235
COMPONENT_IDENTIFICATION: Final = 0xFEEB  # 65259
SOFTWARE_IDENTIFICATION: Final = 0xFEDA  # 65242
PROPRIETARY_B: Final = 0xFF00  # 65280 to 65535: what each maker likes
GROUP_NAMES: Final = {
    REQUEST: "request", ACKNOWLEDGMENT: "acknowledgment", ADDRESS_CLAIMED: "address claimed",
    TRANSPORT_MANAGEMENT: "transport, connection management", TRANSPORT_DATA: "transport, data",
    DM1: "DM1, active codes", DM2: "DM2, previously active codes", DM3: "DM3, clear previously active codes",
    DM11: "DM11, clear active codes", COMPONENT_IDENTIFICATION: "component identification",
    SOFTWARE_IDENTIFICATION: "software identification",
}  # fmt: skip

Lamp = Literal["malfunction", "stop", "warning", "protect"]
LAMPS: Final[tuple[Lamp, ...]] = (
    "malfunction",
    "stop",
    "warning",
    "protect",
)  # from bit 7 down, two bits each
MOST_OCCURRENCES: Final = 126  # of the seven bits of a count; 127 is "not available"
DTC_BYTES: Final = 4


@dataclass(frozen=True, slots=True)
class Identifier:
    """A 29-bit identifier in its parts; `pgn` without the destination, which is 255 for PDU2.

    Raises ValueError for a value out of its range.
    """

    priority: int
    pgn: int
    source: int
    destination: int = GLOBAL_ADDRESS

    def __post_init__(self) -> None:
        for name, most in (("priority", 7), ("pgn", 0x3FFFF), ("source", 255), ("destination", 255)):
            if not 0 <= getattr(self, name) <= most:
                raise ValueError(f"{name} is {getattr(self, name)}; it must be 0 to {most}")
        if self.is_addressed and self.pgn & 0xFF:
            raise ValueError(
                f"group {self.pgn} is addressed (PDU1): its low byte is the destination's, 0 here"
            )
        if not self.is_addressed and self.destination != GLOBAL_ADDRESS:
            raise ValueError(f"group {self.pgn} goes to all (PDU2), not to address {self.destination}")

    @property
    def is_addressed(self) -> bool:
        """PDU1: sent to one address, or to 255 for all."""
        return is_addressed(self.pgn)

    @property
    def can_id(self) -> int:
        """The 29 bits."""
        low = self.destination if self.is_addressed else 0
        return self.priority << 26 | (self.pgn | low) << 8 | self.source

    @staticmethod
    @lru_cache(maxsize=1024)
    def of(can_id: int) -> Identifier:
        """The parts of 29 bits."""
        pgn = can_id >> 8 & 0x3FFFF
        destination = GLOBAL_ADDRESS
        if is_addressed(pgn):
            pgn, destination = pgn & 0x3FF00, pgn & 0xFF
        return Identifier(can_id >> 26 & 7, pgn, can_id & 0xFF, destination)


def is_addressed(pgn: int) -> bool:
    """Is a group sent to one address (PDU1)?"""
    return (pgn >> 8 & 0xFF) < FIRST_PDU2


@dataclass(frozen=True, slots=True)
class Name:
    """The 64-bit NAME of a controller (SAE J1939-81). Of two that claim one address, the lower wins.

    `moves`: arbitrary address capable. Raises ValueError for a field out of its range.
    """

    identity: int  # 21 bits, unique with the manufacturer code
    manufacturer: int = 0  # 11 bits
    ecu_instance: int = 0  # 3 bits
    function_instance: int = 0  # 5 bits
    function: int = 0  # 8 bits
    vehicle_system: int = 0  # 7 bits, one reserved bit below it
    vehicle_system_instance: int = 0  # 4 bits
    industry_group: int = 1  # 3 bits; 1 is on-highway
    moves: bool = False

    def __post_init__(self) -> None:
        for name, _, bits in _NAME_FIELDS:
            if not 0 <= int(getattr(self, name)) < 1 << bits:
                raise ValueError(f"{name} is {getattr(self, name)}; it must be 0 to {(1 << bits) - 1}")

    @property
    def value(self) -> int:
        """The 64 bits as a number: this is what is compared."""
        return sum(int(getattr(self, name)) << place for name, place, _ in _NAME_FIELDS)

    @property
    def data(self) -> bytes:
        """The eight bytes on the bus, low byte first."""
        return self.value.to_bytes(8, "little")

    @staticmethod
    def of(data: bytes) -> Name:
        """The fields of eight bytes. Raises ValueError for another length."""
        if len(data) != 8:
            raise ValueError(f"a NAME has 8 bytes, not {len(data)}")
        value = int.from_bytes(data, "little")
        fields = {name: value >> place & (1 << bits) - 1 for name, place, bits in _NAME_FIELDS}
        moves = bool(fields.pop("moves"))
        return Name(**fields, moves=moves)


_NAME_FIELDS: Final = (
    ("identity", 0, 21), ("manufacturer", 21, 11), ("ecu_instance", 32, 3), ("function_instance", 35, 5),
    ("function", 40, 8), ("vehicle_system", 49, 7), ("vehicle_system_instance", 56, 4),
    ("industry_group", 60, 3), ("moves", 63, 1),
)  # fmt: skip


@dataclass(frozen=True, slots=True, order=True)
class SpnFmi:
    """What a J1939 trouble code says: the suspect parameter (19 bits), and how it fails (5 bits)."""

    spn: int
    fmi: int

    def __str__(self) -> str:
        return f"SPN {self.spn} FMI {self.fmi}"

    @property
    def words(self) -> str:
        """What it means, in our own words: "J1939 network 1, abnormal update rate"."""
        return f"{spn_text(self.spn)}, {FMI_TEXTS.get(self.fmi, f'failure mode {self.fmi}')}"


@dataclass(frozen=True, slots=True)
class ReportedFault:
    """One code in a diagnostic message, with how often it has come up; 127: not counted."""

    fault: SpnFmi
    occurrences: int

    @staticmethod
    def counted(fault: SpnFmi, times: int) -> ReportedFault:
        """The code after so many times; the count ends at 126."""
        return ReportedFault(fault, min(times, MOST_OCCURRENCES))

    @property
    def data(self) -> bytes:
        """Four bytes by conversion method 4: SPN from its low byte, top bits with the FMI, then the count."""
        spn, fmi = self.fault.spn, self.fault.fmi
        return bytes((spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi, self.occurrences & 0x7F))

    @staticmethod
    def of(data: bytes) -> ReportedFault:
        """The code of four bytes."""
        spn = data[0] | data[1] << 8 | data[2] >> 5 << 16
        return ReportedFault(SpnFmi(spn, data[2] & 0x1F), data[3] & 0x7F)


@dataclass(frozen=True, slots=True)
class DiagnosticMessage:
    """DM1 or DM2: the lamps that are asked for, and the codes."""

    lamps: frozenset[Lamp] = frozenset()
    faults: tuple[ReportedFault, ...] = ()

    @property
    def data(self) -> bytes:
        """Lamp byte, flash byte (all ones: does not flash), then the codes; four zeros where there is none.

        A message of less than eight bytes is filled with FF.
        """
        lit = sum(1 << 6 - 2 * place for place, lamp in enumerate(LAMPS) if lamp in self.lamps)
        codes = b"".join(one.data for one in self.faults) or bytes(DTC_BYTES)
        return (bytes((lit, 0xFF)) + codes).ljust(8, b"\xff")

    @staticmethod
    @lru_cache(maxsize=256)
    def of(data: bytes) -> DiagnosticMessage:
        """What a received one says. Raises ValueError below six bytes."""
        if len(data) < 2 + DTC_BYTES:
            raise ValueError(f"a diagnostic message has 6 bytes or more, not {len(data)}")
        lamps = frozenset(lamp for place, lamp in enumerate(LAMPS) if data[0] >> 6 - 2 * place & 3 == 1)
        codes = data[2 : len(data) - (len(data) - 2) % DTC_BYTES]
        each = (codes[place : place + DTC_BYTES] for place in range(0, len(codes), DTC_BYTES))
        return DiagnosticMessage(
            lamps, tuple(ReportedFault.of(one) for one in each if any(one) and one != b"\xff" * DTC_BYTES)
        )


# -- what numbers mean -----------------------------------------------------------------------------------

_TABLES: Final = {heading[0]: rows for heading, rows in tables("j1939_texts.csv")}
FMI_TEXTS: Final = {int(number): text for number, text in _TABLES["failure modes"]}
SPN_TEXTS: Final = {int(number): text for number, text in _TABLES["parameters"]}
NETWORK_SPNS: Final = tuple(int(number) for number, text in _TABLES["parameters"] if "J1939 network" in text)
FIRST_ADDRESS_SPN: Final = 2000  # SPN 2000 + n: the controller at source address n (from memory)
ADDRESSES: Final = {
    role: (int(address), int(function)) for role, address, function in _TABLES["usual addresses"]
}
_FMI_OF_FAILURE_TYPE: Final = {int(one, 16): int(fmi) for one, fmi in _TABLES["failure types"]}
OTHER_FAILURE: Final = 11  # the failure cannot be told more closely


def spn_text(spn: int) -> str:
    """What a suspect parameter is, in our own words."""
    if FIRST_ADDRESS_SPN <= spn <= FIRST_ADDRESS_SPN + HIGHEST_ADDRESS:
        return f"controller at address {spn - FIRST_ADDRESS_SPN}"
    return SPN_TEXTS.get(spn, f"parameter {spn}")


def fmi_of_failure_type(failure_type: int) -> int:
    """The failure mode that says what a failure type byte of SAE J2012-DA says."""
    return _FMI_OF_FAILURE_TYPE.get(failure_type, OTHER_FAILURE)
