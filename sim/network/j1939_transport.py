"""SAE J1939-21 transport: messages of 9 to 1785 bytes, to all (BAM) or to one controller (RTS/CTS).

A broadcast is announced, then its packets of seven bytes follow with a gap; one lost packet loses it all. To
one address the sender asks (RTS), the receiver says how many packets it takes and from which on (CTS), and
acknowledges the whole (end of message). Either side may abort.

Numbers, byte layout and time limits: as given by the open package `can-j1939` 2.0.12. Not read: the standard.

Not modeled: holding a connection open (CTS for no packets is obeyed, never sent), asking for lost packets
again (a wrong number aborts), more than one message at once between the same two addresses.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final, Protocol

from sim.network.frames import Frame
from sim.network.isotp import Transmit
from sim.vehicle.j1939 import (
    GLOBAL_ADDRESS,
    TRANSPORT_DATA,
    TRANSPORT_MANAGEMENT,
    Identifier,
    is_addressed,
)

RTS, CTS, END_OF_MESSAGE, BAM, ABORT = 16, 17, 19, 32, 255
TIMEOUT_REASON, SEQUENCE_REASON = 3, 7  # of an abort; 7, a bad sequence number, from memory
PACKET_BYTES: Final = 7
MOST_BYTES: Final = 1785  # 255 packets
BROADCAST_GAP_S: Final = 0.05  # 50 to 200 ms are allowed
T1_S, T2_S, T3_S, T4_S = 0.75, 1.25, 1.25, 1.05  # next packet, first packet, CTS or end, after a hold
PRIORITY, TRANSPORT_PRIORITY = 6, 7  # usual for information, and of transport frames


class Alarm(Protocol):
    """A running time limit."""

    def cancel(self) -> None:
        """Let it not expire."""


After = Callable[[float, Callable[[], None]], Alarm]
OnMessage = Callable[[int, int, int, bytes], None]  # group, source, destination, data


@dataclass(eq=False)
class _Outgoing:
    pgn: int
    destination: int
    packets: list[bytes]
    head: bytes  # what both announcements begin with after the control byte: length, number of packets
    next: int = 1
    alarm: Alarm | None = None


@dataclass(eq=False)
class _Incoming:
    pgn: int
    length: int
    packets: int
    data: bytearray = field(default_factory=bytearray)
    next: int = 1
    alarm: Alarm | None = None


class J1939Transport:
    """One controller's end. Frames from the bus go to `frame`; whole messages come back by `on_message`.

    address: its own now, 254 for none. Single frames of any group are messages, too.
    """

    def __init__(
        self, after: After, send: Transmit, address: Callable[[], int], on_message: OnMessage
    ) -> None:
        self._after = after
        self._transmit = send
        self._address = address
        self._on_message = on_message
        self._waiting: dict[int, deque[_Outgoing]] = {}  # by destination; the first is under way
        self._incoming: dict[tuple[int, int], _Incoming] = {}

    def send(
        self, pgn: int, data: bytes, destination: int = GLOBAL_ADDRESS, priority: int = PRIORITY
    ) -> None:
        """Send a message when those before it to the same destination are through.

        A group that is not addressed (PDU2) may still be sent to one address when it is long: a response to a
        request. Raises ValueError above 1785 bytes.
        """
        if len(data) > MOST_BYTES:
            raise ValueError(f"a message of {len(data)} bytes cannot be sent (at most {MOST_BYTES})")
        if len(data) <= 8:
            to = destination if is_addressed(pgn) else GLOBAL_ADDRESS
            self._put(_frame(priority, pgn, self._address(), to, data))
            return
        packets = [data[place : place + PACKET_BYTES] for place in range(0, len(data), PACKET_BYTES)]
        head = len(data).to_bytes(2, "little") + bytes((len(packets),))
        one = _Outgoing(pgn, destination, packets, head)
        line = self._waiting.setdefault(destination, deque())
        line.append(one)
        if len(line) == 1:
            self._announce(one)

    def frame(self, frame: Frame) -> None:
        """A frame from the bus; those for other addresses are ignored."""
        if not frame.extended:
            return
        id = Identifier.of(frame.can_id)
        if id.destination not in (GLOBAL_ADDRESS, self._address()):
            return
        if id.pgn == TRANSPORT_MANAGEMENT and len(frame.data) == 8:
            self._manage(id, frame.data)
        elif id.pgn == TRANSPORT_DATA and len(frame.data) > 1:
            self._packet(id, frame.data)
        elif id.pgn not in (TRANSPORT_MANAGEMENT, TRANSPORT_DATA):
            self._on_message(id.pgn, id.source, id.destination, frame.data)

    def reset(self) -> None:
        """Forget everything under way."""
        for line in self._waiting.values():
            for waiting in line:
                _stop(waiting)
        for one in self._incoming.values():
            _stop(one)
        self._waiting.clear()
        self._incoming.clear()

    # -- sending ---------------------------------------------------------------------------------------

    def _announce(self, one: _Outgoing) -> None:
        if one.destination == GLOBAL_ADDRESS:
            self._control(one, BAM, one.head + b"\xff")
            one.alarm = self._after(BROADCAST_GAP_S, lambda: self._broadcast(one))
        else:
            self._control(one, RTS, one.head + b"\xff")
            self._await(one, T3_S)

    def _broadcast(self, one: _Outgoing) -> None:
        self._data(one)
        if one.next > len(one.packets):
            self._done(one)
        else:
            one.alarm = self._after(BROADCAST_GAP_S, lambda: self._broadcast(one))

    def _data(self, one: _Outgoing) -> None:
        packet = bytes((one.next,)) + one.packets[one.next - 1]
        one.next += 1
        self._transport_frame(TRANSPORT_DATA, one.destination, packet.ljust(8, b"\xff"))

    def _granted(self, one: _Outgoing, count: int, first: int) -> None:
        """A clear to send: so many packets, from this one on; none means wait."""
        if count == 0 or not 1 <= first <= len(one.packets):
            self._await(one, T4_S)
            return
        one.next = first
        for _ in range(min(count, len(one.packets) + 1 - first)):
            self._data(one)
        self._await(one, T3_S)

    def _await(self, one: _Outgoing, limit_s: float) -> None:
        _stop(one)
        one.alarm = self._after(limit_s, lambda: self._give_up(one))

    def _give_up(self, one: _Outgoing) -> None:
        self._control(one, ABORT, bytes((TIMEOUT_REASON, 0xFF, 0xFF, 0xFF)))
        self._done(one)

    def _done(self, one: _Outgoing) -> None:
        _stop(one)
        line = self._waiting.get(one.destination)
        if line and line[0] is one:
            line.popleft()
            if line:
                self._announce(line[0])

    # -- receiving -------------------------------------------------------------------------------------

    def _manage(self, id: Identifier, data: bytes) -> None:
        pgn = int.from_bytes(data[5:8], "little")
        control, length, packets = data[0], int.from_bytes(data[1:3], "little"), data[3]
        line = self._waiting.get(id.source)
        mine = line[0] if line and line[0].pgn == pgn else None
        if control in (RTS, BAM) and 8 < length <= MOST_BYTES and packets == -(-length // PACKET_BYTES):
            self._open(id, _Incoming(pgn, length, packets))
        elif control == CTS and mine:
            self._granted(mine, data[1], data[2])
        elif control in (END_OF_MESSAGE, ABORT) and mine:
            self._done(mine)
        elif control == ABORT and (other := self._incoming.pop((id.source, id.destination), None)):
            _stop(other)

    def _open(self, id: Identifier, one: _Incoming) -> None:
        key = (id.source, id.destination)
        if key in self._incoming:
            _stop(self._incoming[key])
        self._incoming[key] = one
        if id.destination != GLOBAL_ADDRESS:
            self._answer(id, one, CTS, bytes((one.packets, 1, 0xFF, 0xFF)))
        one.alarm = self._after(T2_S, lambda: self._missed(id, one))

    def _packet(self, id: Identifier, data: bytes) -> None:
        key = (id.source, id.destination)
        one = self._incoming.get(key)
        if one is None:
            return
        _stop(one)
        if data[0] != one.next:
            self._drop(id, one, SEQUENCE_REASON)
            return
        one.next += 1
        one.data += data[1:]
        if one.next <= one.packets:
            one.alarm = self._after(T1_S, lambda: self._missed(id, one))
            return
        del self._incoming[key]
        if id.destination != GLOBAL_ADDRESS:
            head = one.length.to_bytes(2, "little") + bytes((one.packets, 0xFF))
            self._answer(id, one, END_OF_MESSAGE, head)
        self._on_message(one.pgn, id.source, id.destination, bytes(one.data[: one.length]))

    def _missed(self, id: Identifier, one: _Incoming) -> None:
        self._drop(id, one, TIMEOUT_REASON)

    def _drop(self, id: Identifier, one: _Incoming, reason: int) -> None:
        self._incoming.pop((id.source, id.destination), None)
        if id.destination != GLOBAL_ADDRESS:
            self._answer(id, one, ABORT, bytes((reason, 0xFF, 0xFF, 0xFF)))

    # -- frames ----------------------------------------------------------------------------------------

    def _control(self, one: _Outgoing, control: int, more: bytes) -> None:
        data = bytes((control,)) + more + one.pgn.to_bytes(3, "little")
        self._transport_frame(TRANSPORT_MANAGEMENT, one.destination, data)

    def _answer(self, id: Identifier, one: _Incoming, control: int, more: bytes) -> None:
        data = bytes((control,)) + more + one.pgn.to_bytes(3, "little")
        self._transport_frame(TRANSPORT_MANAGEMENT, id.source, data)

    def _transport_frame(self, pgn: int, destination: int, data: bytes) -> None:
        self._put(_frame(TRANSPORT_PRIORITY, pgn, self._address(), destination, data))

    def _put(self, frame: Frame) -> None:
        self._transmit(frame, _nothing)


@lru_cache(maxsize=1024)
def _frame(priority: int, pgn: int, source: int, destination: int, data: bytes) -> Frame:
    """A frame of a group; most are sent again and again."""
    return Frame(Identifier(priority, pgn, source, destination).can_id, data, extended=True)


def _stop(one: _Outgoing | _Incoming) -> None:
    if one.alarm:
        one.alarm.cancel()
        one.alarm = None


def _nothing(_time_s: float) -> None:
    """Nothing waits for this frame to be through."""
