"""What a tester hears on SAE J1939: who has which address, and the codes of each by DM1 and DM2.

The tester claims address 249, asks all for their NAMEs, listens to DM1 for as long as every controller needs
to send one, and requests DM2 from each. A controller is known by its NAME, which the service information
lists.

Not modeled: a tester whose address is taken; DM1 of buses behind a bridge; freeze frames (DM4, DM25).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from sim.bench.tester import Tester
from sim.network.frames import Frame
from sim.network.j1939_transport import J1939Transport
from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER
from sim.vehicle.j1939 import (
    ADDRESS_CLAIMED,
    DM1,
    DM2,
    FIRST_ADDRESS_SPN,
    LAMPS,
    MOST_OCCURRENCES,
    NULL_ADDRESS,
    REQUEST,
    TOOL_ADDRESSES,
    DiagnosticMessage,
    Lamp,
    Name,
    ReportedFault,
    SpnFmi,
)
from sim.vehicle.words import counted

LISTENING_S: Final = 1.5  # each controller sends DM1 once a second; a broadcast of many codes takes longer
MOST_IN_WORDS: Final = 3  # codes that a sentence gives the meaning of; our own choice
ANSWER_S: Final = 0.3  # for a request, with the packets of a long answer
TOOL_NAME: Final = Name(identity=0x1FFFFF, function=129)  # off-board service tool (from memory)


@dataclass(frozen=True, slots=True)
class ControllerRead:
    """One controller: its address (254: it could not claim one), who it is, lamps and codes.

    module: by its NAME; empty if the service information has none like it. usual: the address that it should
    have. previous: None where it did not answer the request.
    """

    address: int
    module: str
    usual: int | None
    lamps: frozenset[Lamp] = frozenset()
    active: tuple[ReportedFault, ...] = ()
    previous: tuple[ReportedFault, ...] | None = None

    @property
    def place(self) -> str:
        """Its address as a tester shows it."""
        if self.address == NULL_ADDRESS:
            return f"could not claim address {self.usual}"
        moved = self.usual is not None and self.usual != self.address
        return f"address {self.address}, usually {self.usual}" if moved else f"address {self.address}"


@dataclass(frozen=True, slots=True)
class J1939Reading:
    """What all controllers on the tester's bus say. absent: modules of the service information, unheard.

    usual: modules by the address that the service information gives them.
    """

    time_s: float
    controllers: tuple[ControllerRead, ...] = ()
    absent: tuple[str, ...] = ()
    usual: Mapping[int, str] = field(default_factory=dict)
    refusal: str = ""

    @property
    def words(self) -> str:
        """One sentence."""
        if self.refusal:
            return self.refusal
        lost = [f"{one.module} {one.place}" for one in self.controllers if one.address == NULL_ADDRESS]
        coded = [row for row in self.rows() if row["code"]]
        faults = [f"{row['module']}: {row['code']}" for row in coded]
        if len(coded) <= MOST_IN_WORDS:
            faults = [f"{said}, {row['text']}" for said, row in zip(faults, coded, strict=True)]
        absent = [f"{name} not received" for name in self.absent]
        return f"{self.heard}: {'; '.join([*lost, *faults, *absent]) or 'no codes'}"

    @property
    def heard(self) -> str:
        """Who answers on the network of 29-bit identifiers, with the address that each has claimed."""
        placed = [one for one in self.controllers if one.address != NULL_ADDRESS]
        named = ", ".join(f"{one.module or 'unknown controller'} {one.address}" for one in placed)
        return f"{counted(len(placed), 'controller')} heard on SAE J1939{f' ({named})' if named else ''}"

    @property
    def lamps(self) -> tuple[Lamp, ...]:
        """The lamps that any controller asks for."""
        return tuple(lamp for lamp in LAMPS if any(lamp in one.lamps for one in self.controllers))

    def rows(self) -> list[dict[str, str]]:
        """One row for each code, and one for each controller without any: what a printed report shows."""
        return [row for one in self.controllers for row in self._rows_of(one)] + [
            {"module": name, "address": "not received", "code": "", "text": "", "state": "", "count": ""}
            for name in self.absent
        ]

    def _rows_of(self, one: ControllerRead) -> Iterator[dict[str, str]]:
        head = {"module": one.module or "unknown controller", "address": one.place}
        told = [("active", fault) for fault in one.active]
        told += [("previously active", fault) for fault in one.previous or ()]
        for state, each in told:
            times = "not counted" if each.occurrences > MOST_OCCURRENCES else str(each.occurrences)
            text = self._text_of(each.fault)
            yield {**head, "code": str(each.fault), "text": text, "state": state, "count": times}
        if not told:
            text = "no codes" if one.previous is not None else "no answer to the request for DM2"
            if one.address == NULL_ADDRESS:
                text = "sends nothing until it restarts"
            yield {**head, "code": "", "text": text, "state": "", "count": ""}

    def _text_of(self, fault: SpnFmi) -> str:
        """The meaning, with the module that the service information has at an address."""
        module = self.usual.get(fault.spn - FIRST_ADDRESS_SPN)
        return fault.words.replace(",", f" ({module}),", 1) if module else fault.words


@dataclass(eq=False)
class _Ear:
    """What has been heard so far, by address."""

    names: dict[int, list[Name]] = field(default_factory=dict)
    dm1: dict[int, DiagnosticMessage] = field(default_factory=dict)
    dm2: dict[int, DiagnosticMessage] = field(default_factory=dict)

    def message(self, pgn: int, source: int, destination: int, data: bytes) -> None:
        if pgn == ADDRESS_CLAIMED and len(data) == 8:
            known = self.names.setdefault(source, [])
            known += [one for one in (Name.of(data),) if one not in known]
        elif pgn in (DM1, DM2) and len(data) >= 6:
            (self.dm1 if pgn == DM1 else self.dm2)[source] = DiagnosticMessage.of(data)


def j1939_reading(tester: Tester, car: Car) -> J1939Reading:
    """Listen to the bus at the diagnostic connector, and ask each controller for what is over."""
    if not tester.begin("reads DM1 and DM2 on SAE J1939"):
        return J1939Reading(tester.now_s, refusal="the tester has no power")
    ear = _Ear()
    transport = J1939Transport(tester.after, tester.transmit, lambda: TOOL_ADDRESSES[0], ear.message)
    tester.on_frame = _only_29_bits(transport.frame)
    transport.send(ADDRESS_CLAIMED, TOOL_NAME.data)
    transport.send(REQUEST, ADDRESS_CLAIMED.to_bytes(3, "little"))
    tester.wait(LISTENING_S)
    for address in sorted(address for address in {*ear.names, *ear.dm1} if address != NULL_ADDRESS):
        transport.send(REQUEST, DM2.to_bytes(3, "little"), address)
        tester.wait(ANSWER_S)
    tester.on_frame = None
    transport.reset()
    tester.end()
    return _told(ear, car, tester.now_s)


def _only_29_bits(hear: Callable[[Frame], None]) -> Callable[[Frame], None]:
    return lambda frame: hear(frame) if frame.extended else None


def _told(ear: _Ear, car: Car, time_s: float) -> J1939Reading:
    by_name = {claim.name: module for module, claim in car.messages.claims.items()}
    found = []
    for address in sorted({*ear.names, *ear.dm1} - {TOOL_ADDRESSES[0]}):
        heard_names: list[Name | None] = [*ear.names.get(address, [])]
        names = heard_names if address == NULL_ADDRESS else heard_names[:1] or [None]
        found += [_controller(address, name, by_name, ear, car) for name in names]
    bus = car.transceivers[TESTER].bus if TESTER in car.transceivers else None
    expected = [name for name in car.messages.claims if bus in car.messages.buses_of[name]]
    heard = {one.module for one in found}
    usual = {car.messages.claims[name].address: name for name in expected}
    return J1939Reading(time_s, tuple(found), tuple(name for name in expected if name not in heard), usual)


def _controller(
    address: int, name: Name | None, by_name: dict[Name, str], ear: _Ear, car: Car
) -> ControllerRead:
    module = by_name.get(name, "") if name else ""
    usual = car.messages.claims[module].address if module else None
    if address == NULL_ADDRESS:
        return ControllerRead(address, module, usual)
    now, past = ear.dm1.get(address, DiagnosticMessage()), ear.dm2.get(address)
    previous = None if past is None else past.faults
    return ControllerRead(address, module, usual, now.lamps, now.faults, previous)
