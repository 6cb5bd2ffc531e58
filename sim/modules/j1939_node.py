"""A module on a bus of SAE J1939: it claims its address, tells its codes by DM1, and answers requests.

Address claim by SAE J1939-81: a controller that comes online announces its NAME from its address. Of two that
claim one address the lower NAME keeps it and says so again; the other takes a free one if it can, otherwise
it announces from address 254 that it cannot claim, and sends nothing more until it starts anew. A tester's
request for it is answered even then. DM1 by SAE J1939-73: once a second, and at once when a code comes or
goes, but for changes in the same second. Both as given by the open package `can-j1939` and by lecture notes.

Not modeled: the pause of 0 to 153 ms before "cannot claim", commanded addresses, a list of the others'
NAMEs, a DM1 that a bridge passes on to another bus, one DM1 of several networks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal

from sim.modules.fault_memory import Dtc, FaultMemory, Status
from sim.modules.j1939_codes import J1939Codes
from sim.modules.world import Host, NamedTimers
from sim.network.frames import Frame
from sim.network.j1939_transport import J1939Transport
from sim.vehicle.elements import part_of
from sim.vehicle.j1939 import (
    ACKNOWLEDGMENT,
    ADDRESS_CLAIMED,
    COMPONENT_IDENTIFICATION,
    DM1,
    DM2,
    DM3,
    DM11,
    FIRST_FREE_ADDRESS,
    GLOBAL_ADDRESS,
    LAST_FREE_ADDRESS,
    NULL_ADDRESS,
    REQUEST,
    SOFTWARE_IDENTIFICATION,
    DiagnosticMessage,
    Identifier,
    Name,
    ReportedFault,
)

ClaimState = Literal["offline", "claiming", "claimed", "cannot claim"]
CLAIM_WAIT_S: Final = 0.25  # for an address of 128 to 247, until it may be used
DM1_PERIOD_S: Final = 1.0
FIRST_DM1_S: Final = 0.1  # after the claim; spread by the address, our own choice
RESPONSE_S: Final = 0.003  # a module's own time to respond; common practice
CLAIM_PRIORITY: Final = 6
POSITIVE, NEGATIVE = 0, 1  # control byte of an acknowledgment


class J1939Node:
    """One module on one bus. `event`: since when it has its address or has lost it.

    hear_dm1(sender channel, source, message): told of each DM1 of another controller, if the module's
    software reads them.
    """

    def __init__(
        self,
        host: Host,
        bus: str,
        codes: J1939Codes,
        memory: FaultMemory,
        talk: Callable[[], None],
        hear_dm1: Callable[[str, int, DiagnosticMessage], None] | None,
    ) -> None:
        self.bus = bus
        self.state: ClaimState = "offline"
        self.event: int | None = None
        self.address = NULL_ADDRESS
        self._host = host
        self._codes = codes
        self._memory = memory
        self._talk = talk
        self._hear_dm1 = hear_dm1
        self._timers = NamedTimers(host.world)
        self._channel = host.channels[bus]
        self._seen: dict[int, str] = {}  # channels, by the address that they last sent from
        self._told = DiagnosticMessage()
        self._active = DiagnosticMessage()  # as of the memory's `changes` then
        self._active_at = -1
        self._transport = J1939Transport(
            host.world.after, lambda frame, on_sent: self._put(frame), lambda: self.address, self._message
        )

    @property
    def may_send(self) -> bool:
        """Has it an address to send from?"""
        return self.state == "claimed"

    @property
    def name(self) -> Name:
        """Its NAME."""
        return self._host.world.car.messages.claims[self._host.name].name

    @property
    def usual_address(self) -> int:
        """The address that it claims first: what is set in it."""
        usual = self._host.world.car.messages.claims[self._host.name].address
        return self._host.world.car.harness.addresses.get(self._host.name, usual)

    # -- what the module does --------------------------------------------------------------------------

    def start(self) -> None:
        """The module has come online."""
        self._claim(self.usual_address)

    def stop(self) -> None:
        """The module sends no more: it goes to sleep, is reset or has lost its supply."""
        self.state, self.address, self._told = "offline", NULL_ADDRESS, DiagnosticMessage()
        self._timers.clear()
        self._transport.reset()

    def codes_changed(self) -> None:
        """A code came or went: tell it at once, unless a change was told less than a second ago."""
        if self.may_send and self.active() != self._told and not self._timers.runs("after change"):
            self._timers.start("after change", DM1_PERIOD_S, lambda: None)
            self._tell()

    def heeds(self, frame: Frame) -> bool:
        """Could a frame of this identifier ever concern it? One that may move notes all addresses."""
        return frame.extended and (self._is_mine(Identifier.of(frame.can_id)) or self.name.moves)

    def _is_mine(self, id: Identifier) -> bool:
        is_asked = id.destination != GLOBAL_ADDRESS or id.pgn in (REQUEST, ADDRESS_CLAIMED)
        return is_asked or self._hear_dm1 is not None

    def frame(self, frame: Frame, sender: str) -> None:
        """A frame from the bus."""
        if self.state == "offline" or not frame.extended:
            return
        id = Identifier.of(frame.can_id)
        self._seen[id.source] = sender
        if id.pgn == ADDRESS_CLAIMED and len(frame.data) == 8:
            self._claimed_by(id.source, Name.of(frame.data), sender)
        elif self._is_mine(id):
            self._transport.frame(frame)

    # -- address ---------------------------------------------------------------------------------------

    def _claim(self, address: int) -> None:
        self.address, self.state = address, "claiming"
        id = Identifier(CLAIM_PRIORITY, ADDRESS_CLAIMED, address)
        claim = Frame(id.can_id, self.name.data, extended=True)
        self._host.world.network.send(self._channel, claim, lambda _: self._announced(address))

    def _announced(self, address: int) -> None:
        """The claim is through: an address that any may take is used after a while, any other at once."""
        if self.state != "claiming" or address != self.address:
            return
        if FIRST_FREE_ADDRESS <= address <= LAST_FREE_ADDRESS:
            self._timers.start("claim", CLAIM_WAIT_S, self._won)
        else:
            self._won()

    def _won(self) -> None:
        host = self._host
        self.state = "claimed"
        if self.address != host.world.car.messages.claims[host.name].address:
            words = f"{host.name} has address {self.address} on {self.bus}"
            self.event = host.record("address", words, (self._why(), host.state_event), str(self.address))
        self._talk()
        self._timers.start("DM1", FIRST_DM1_S + self.address * 0.001, self._tell)

    def _claimed_by(self, address: int, name: Name, sender: str) -> None:
        """Another controller has announced itself: if it wants this address, the lower NAME has it."""
        if address != self.address or self.state == "cannot claim":
            return
        if self.name.value < name.value:
            self._announce()
        elif self.name.moves:
            self._claim(next(one for one in range(FIRST_FREE_ADDRESS, 248) if one not in self._seen))
        else:
            self._lose(address, sender)

    def _lose(self, address: int, sender: str) -> None:
        host, other = self._host, part_of(sender)
        self.state, self.address = "cannot claim", NULL_ADDRESS
        why = host.world.edit_events.get(f"{other} address")
        words = f"{host.name} cannot claim address {address} on {self.bus}: {other} has it, with a lower NAME"
        self.event = host.record("address", words, (why, self._why(), host.state_event), str(address), "lost")
        self._timers.clear()
        self._transport.reset()
        self._announce()
        self._talk()
        host.invalidate()

    def _why(self) -> int | None:
        return self._host.world.edit_events.get(f"{self._host.name} address")

    def _announce(self) -> None:
        id = Identifier(CLAIM_PRIORITY, ADDRESS_CLAIMED, self.address)
        self._put(Frame(id.can_id, self.name.data, extended=True))

    # -- codes -----------------------------------------------------------------------------------------

    def _tell(self) -> None:
        """DM1 now, and again in a second."""
        self._told = self.active()
        self._transport.send(DM1, self._told.data)
        self._timers.start("DM1", DM1_PERIOD_S, self._tell)

    def active(self) -> DiagnosticMessage:
        """What DM1 says now."""
        if self._active_at != self._memory.changes:
            failed = [one for one in self._confirmed() if one.status & Status.TEST_FAILED]
            self._active, self._active_at = self._message_of(failed), self._memory.changes
        return self._active

    def _previously_active(self) -> DiagnosticMessage:
        """The lamps in it are those of now, as in DM1."""
        passed = [one for one in self._confirmed() if not one.status & Status.TEST_FAILED]
        return replace(self._message_of(passed), lamps=self.active().lamps)

    def _confirmed(self) -> tuple[Dtc, ...]:
        return self._memory.matching(Status.CONFIRMED)

    def _message_of(self, dtcs: list[Dtc]) -> DiagnosticMessage:
        told = [(self._codes.told_as(one.code), one.occurrences) for one in dtcs]
        lamps = frozenset(one.lamp for one, _ in told if one.lamp is not None)
        return DiagnosticMessage(lamps, tuple(ReportedFault.counted(one.fault, count) for one, count in told))

    # -- messages --------------------------------------------------------------------------------------

    def _message(self, pgn: int, source: int, destination: int, data: bytes) -> None:
        if pgn == REQUEST and len(data) == 3:
            wanted = int.from_bytes(data, "little")
            self._host.world.after(RESPONSE_S, lambda: self._respond(wanted, source, destination))
        elif pgn == DM1 and self._hear_dm1 is not None and source in self._seen:
            self._hear_dm1(self._seen[source], source, DiagnosticMessage.of(data))

    def _respond(self, pgn: int, source: int, destination: int) -> None:
        """Answer a request: with the group, or an acknowledgment; to all only with what it has."""
        if self.state == "offline":
            return
        if pgn == ADDRESS_CLAIMED:
            self._announce()
            return
        if not self.may_send:
            return
        to = GLOBAL_ADDRESS if destination == GLOBAL_ADDRESS else source
        found = self._group(pgn)
        if found is not None:
            self._transport.send(pgn, found, to)
        elif pgn in (DM3, DM11):
            self._clear(active=pgn == DM11)
            if to != GLOBAL_ADDRESS:
                self._acknowledge(POSITIVE, pgn, source)
        elif to != GLOBAL_ADDRESS:
            self._acknowledge(NEGATIVE, pgn, source)

    def _group(self, pgn: int) -> bytes | None:
        if pgn == DM1:
            return self.active().data
        if pgn == DM2:
            return self._previously_active().data
        return {
            COMPONENT_IDENTIFICATION: self._codes.component,
            SOFTWARE_IDENTIFICATION: self._codes.software,
        }.get(pgn)

    def _clear(self, active: bool) -> None:
        for one in self._confirmed():
            if bool(one.status & Status.TEST_FAILED) is active:
                self._memory.clear(one.code)

    def _acknowledge(self, control: int, pgn: int, source: int) -> None:
        data = bytes((control, 0xFF, 0xFF, 0xFF, source)) + pgn.to_bytes(3, "little")
        self._transport.send(ACKNOWLEDGMENT, data)

    def _put(self, frame: Frame) -> Callable[[], None]:
        self._host.world.send(self._channel, frame)
        return lambda: None
