"""One CAN controller, bit by bit: what it sends, what it reads, what it counts.

Source of every rule: Bosch, "CAN with Flexible Data-Rate", specification 1.0 (April 2012), whose classical
rules are those of CAN 2.0 and ISO 11898-1; fault confinement is its section 7, rules 1 to 12, frames are its
section 3. `sim.network.line` joins controllers by wires.

A controller is handed each bit that it reads and answers with the next bit that it drives. Between frames it
is *parked*: it needs no bits until its line turns dominant, or until it is told to send (`START`).

Not modelled: remote frames, CAN FD frames, restricted operation, a controller that asks for time by an
overload frame of its own.
"""

from __future__ import annotations

from collections.abc import Generator
from functools import lru_cache
from typing import Literal, Protocol

from sim.network.frames import CRC15_BITS, END_OF_FRAME_BITS, INTERMISSION_BITS, Frame, crc15, wire_bits
from sim.network.streams import ErrorState

DOMINANT, RECESSIVE = 0, 1
START = 2  # instead of a bit: send now, or recover from bus-off

# Bosch CAN FD 1.0, section 7, rules 9, 10 and 12.
PASSIVE_FROM = 128
OFF_FROM = 256
RECOVERY_SEQUENCES = 128
IDLE_BITS = 11  # recessive in a row: bus idle (section 3.2.5 and rule 12)
# Rule 8 allows 119 to 127; several controllers take 120 (common practice).
RECEIVE_AFTER_PASSIVE = 120
RECEIVE_MOST = 255  # the counter is a byte (common practice); above 127 the value does not matter

# Bosch CAN FD 1.0, sections 3.2.3 and 3.2.5.
FLAG_BITS = 6
DELIMITER_BITS = 8
SUSPEND_BITS = 8

Life = Generator[int, int, None]


class ErrorCounters:
    """The two error counters of one controller. transmit: TEC; receive: REC; off: bus-off."""

    __slots__ = ("off", "receive", "transmit")

    def __init__(self) -> None:
        self.clear()

    def __repr__(self) -> str:
        return f"<TEC {self.transmit} REC {self.receive} {self.state}>"

    def clear(self) -> None:
        """As after a reset, and rule 12: error active with both counters at 0."""
        self.transmit = self.receive = 0
        self.off = False

    @property
    def passive(self) -> bool:
        """Rules 9 and 11."""
        return self.transmit >= PASSIVE_FROM or self.receive >= PASSIVE_FROM

    @property
    def state(self) -> ErrorState:
        """The state in the words of ISO 11898-1."""
        return "bus-off" if self.off else "error passive" if self.passive else "error active"

    @property
    def clean(self) -> bool:
        """Has nothing gone wrong that still counts?"""
        return not (self.transmit or self.receive or self.off)

    def sent(self) -> None:
        """Rule 7: a frame has got through."""
        self.transmit = max(0, self.transmit - 1)

    def received(self) -> None:
        """Rule 8: a frame has been received and acknowledged."""
        if self.receive > PASSIVE_FROM - 1:
            self.receive = RECEIVE_AFTER_PASSIVE
        else:
            self.receive = max(0, self.receive - 1)

    def transmit_error(self) -> None:
        """8 more for a transmitter (rules 3, 4 and 6); rule 10: bus-off from 256."""
        self.transmit += 8
        self.off = self.transmit >= OFF_FROM

    def receive_error(self, step: int) -> None:
        """1 more for a receiver (rule 1), or 8 (rules 2, 5 and 6)."""
        self.receive = min(RECEIVE_MOST, self.receive + step)


Failure = Literal["arbitration lost", "not acknowledged", "error"]


class Host(Protocol):
    """What a controller works for. `Controller.time_ns` is the time of the call: the end of the bit."""

    def take(self) -> Frame | None:
        """The frame to send now, None if there is none any more; it is the controller's until one of
        `sent` and `failed` is called."""

    def sent(self) -> None:
        """The frame has got through."""

    def failed(self, why: Failure) -> None:
        """It has not. To be offered again."""

    def received(self, frame: Frame) -> None:
        """Somebody's frame has arrived."""

    def counted(self) -> None:
        """The error counters have changed."""


class _Fault(Exception):
    """An error that the controller has found in what it reads."""


class _ArbitrationStuffing(_Fault):
    """A recessive stuff bit in the arbitration field was overwritten (rule 3, exception 2)."""


class _NoAcknowledgement(_Fault):
    """Nobody has acknowledged (rule 3, exception 1)."""


class _FlagOverwritten(_Fault):
    """A bit of the controller's own active flag was read recessive (rules 4 and 5)."""


class _Overload(_Fault):
    """Not an error: somebody asks for time by a dominant bit at the end of a delimiter."""


class _Off(Exception):
    """The transmit error counter has reached 256."""


class Controller:
    """One controller. idle: parked between frames; dormant: parked in bus-off; time_ns: set by its line.

    integrating: it waits for 11 recessive bits before it takes part, as after a reset.
    loose: the next edge to dominant starts its bit anew (hard synchronisation).
    stalled: further dominant bits change nothing. transmitting: it was the transmitter of the frame on the
    line, or of the last. holding: it has a frame that its host has not heard of again. classical: it does not
    know CAN FD, and answers such a frame with an error.
    """

    __slots__ = (
        "classical",
        "counters", "dormant", "holding", "host", "idle", "integrating", "life", "loose", "output",
        "stalled", "time_ns", "transmitting",
    )  # fmt: skip

    def __init__(
        self, host: Host, counters: ErrorCounters, *, integrating: bool = False, classical: bool = False
    ) -> None:
        self.host = host
        self.classical = classical
        self.counters = counters
        self.integrating = integrating
        self.idle = self.dormant = self.loose = self.stalled = False
        self.transmitting = self.holding = False
        self.time_ns = 0
        self.life = self._life()
        self.output = next(self.life)

    @property
    def parked(self) -> bool:
        """Does it need no bits for the moment?"""
        return self.idle or self.dormant

    def read(self, bit: int) -> int:
        """Hand over the bit that the line shows, or START; returns what is driven next."""
        self.output = self.life.send(bit)
        return self.output

    def _life(self) -> Life:
        begun = may_send = False  # begun: somebody's start of frame has been read
        while True:
            try:
                if self.counters.off:
                    yield from self._recover()
                elif self.integrating:
                    yield from self._integrate()
                if not begun:
                    begun = yield from self._wait()
                    may_send = not begun
                frame = self.host.take() if may_send else None
                self.transmitting = self.holding = frame is not None
                if not (frame or begun):
                    continue
                try:
                    yield from self._exchange(frame, begun)
                except _Fault as fault:
                    yield from self._answer(fault)
                begun = may_send = yield from self._intermission()
                if self.transmitting and self.counters.passive and not begun:
                    begun = yield from self._suspend()
            except _Off:
                begun = self.transmitting = False

    # Between frames

    def _integrate(self) -> Life:
        """Wait for 11 recessive bits in a row."""
        self.integrating = self.loose = True
        run = 0
        while run < IDLE_BITS:
            run = run + 1 if (yield RECESSIVE) == RECESSIVE else 0
            self.stalled = run == 0
        self.integrating = self.loose = False

    def _recover(self) -> Life:
        """Rule 12: told to recover, wait for 128 sequences of 11 recessive bits, then start from 0."""
        self.dormant = True
        yield RECESSIVE
        self.dormant = False
        for _ in range(RECOVERY_SEQUENCES):
            yield from self._integrate()
        self.counters.clear()
        self.host.counted()

    def _wait(self) -> Generator[int, int, bool]:
        """Parked until START (False) or until somebody starts a frame (True)."""
        while True:
            self.idle = self.loose = True
            bit = yield RECESSIVE
            self.idle = self.loose = False
            if bit != RECESSIVE:
                return bit == DOMINANT

    def _intermission(self) -> Generator[int, int, bool]:
        """Three bits; a dominant first or second is an overload condition, a dominant third a new frame."""
        place = 0
        while place < INTERMISSION_BITS:
            bit = yield RECESSIVE
            place += 1
            self.loose = place < INTERMISSION_BITS and bit == RECESSIVE
            if bit == DOMINANT:
                if place == INTERMISSION_BITS:
                    return True
                yield from self._overload()
                place = 0
        return False

    def _suspend(self) -> Generator[int, int, bool]:
        """Section 3.2.5: an error passive station that has transmitted waits 8 bits more."""
        self.loose = True
        begun = False
        for _ in range(SUSPEND_BITS):
            begun = (yield RECESSIVE) == DOMINANT
            if begun:
                break
        self.loose = False
        return begun

    # Within a frame

    def _exchange(self, frame: Frame | None, begun: bool) -> Life:
        """From start of frame to end of frame: send, or read somebody's.

        begun: the start of frame has been read already.
        """
        own = wire_bits(frame) if frame else None
        reading = _Reading()
        place = 0
        if begun:
            reading.take(DOMINANT)
            place = 1
        while not reading.complete:
            driven = own[place] if own else RECESSIVE
            bit = yield driven
            place += 1
            if own and bit != driven:
                if bit == RECESSIVE or not reading.in_arbitration:
                    raise _Fault
                if reading.stuffing:
                    raise _ArbitrationStuffing
                own = None
                self.transmitting = False
                self._hand_back("arbitration lost")
            reading.take(bit)
            if self.classical and own is None and reading.is_fd:
                raise _Fault  # a reserved bit that is not as it knows it
        yield from self._tail(reading)

    def _tail(self, reading: _Reading) -> Life:
        """From the delimiter of the check sequence to the end of frame."""
        received = None if self.transmitting else reading.frame()
        if (yield RECESSIVE) == DOMINANT:
            raise _Fault
        driven = DOMINANT if received else RECESSIVE
        bit = yield driven
        if self.transmitting and bit == RECESSIVE:
            raise _NoAcknowledgement
        if received:
            if bit == RECESSIVE:
                raise _Fault
            self.counters.received()
            self.host.counted()
        # section 6.2: the flag for a wrong check sequence begins behind the acknowledge delimiter
        if (yield RECESSIVE) == DOMINANT or not (self.transmitting or received):
            raise _Fault
        for left in range(END_OF_FRAME_BITS - 1, -1, -1):
            if (yield RECESSIVE) == DOMINANT:
                if self.transmitting or left:
                    raise _Fault
                yield from self._overload()
            if received and left == 1:
                self.host.received(received)
        if self.transmitting:
            self.counters.sent()
            self.holding = False
            self.host.sent()
            self.host.counted()

    def _hand_back(self, why: Failure) -> None:
        if self.holding:
            self.holding = False
            self.host.failed(why)

    # Errors

    def _answer(self, fault: _Fault) -> Life:
        """Error flag and error delimiter, and what follows if these are disturbed."""
        self._hand_back("not acknowledged" if isinstance(fault, _NoAcknowledgement) else "error")
        yield from self._flags(fault)

    def _overload(self) -> Life:
        """Overload flag and delimiter (section 3.2.4): in form an error frame that is not counted."""
        yield from self._flags(_Overload())

    def _flags(self, cause: _Fault) -> Life:
        """Flag and delimiter, again and again while a disturbed one is the cause of the next."""
        while True:
            overload = isinstance(cause, _Overload)
            try:
                # rule 9: the error that makes a station passive still lets it send an active flag
                if self.counters.passive and not overload:
                    yield from self._passive_flag(cause)
                else:
                    if not overload:
                        self._count(cause)
                    yield from self._flag()
                yield from self._first_recessive(after_error=not overload)
                yield from self._delimiter()
                return
            except _Fault as next_cause:
                cause = next_cause

    def _count(self, fault: _Fault) -> None:
        """Rules 1, 3, 4 and 5."""
        if self.transmitting:
            if not isinstance(fault, _ArbitrationStuffing):
                self._count_transmit()
        else:
            self._count_receive(8 if isinstance(fault, _FlagOverwritten) else 1)

    def _count_transmit(self) -> None:
        self.counters.transmit_error()
        self.host.counted()
        if self.counters.off:
            raise _Off

    def _count_receive(self, step: int) -> None:
        self.counters.receive_error(step)
        self.host.counted()

    def _flag(self) -> Life:
        """Six dominant bits."""
        for _ in range(FLAG_BITS):
            if (yield DOMINANT) == RECESSIVE:
                raise _FlagOverwritten

    def _passive_flag(self, fault: _Fault) -> Life:
        """Six recessive bits; it is complete when six equal bits in a row have been read."""
        unheard = self.transmitting and isinstance(fault, _NoAcknowledgement)
        if not unheard:
            self._count(fault)
        run, last, disturbed = 0, -1, False
        while run < FLAG_BITS:
            bit = yield RECESSIVE
            run = run + 1 if bit == last else 1
            last = bit
            disturbed = disturbed or bit == DOMINANT
        if unheard and disturbed:
            self._count(fault)  # else rule 3, exception 1: a lone station stays where it is

    def _first_recessive(self, *, after_error: bool) -> Life:
        """Wait for the first recessive bit behind a flag."""
        dominant = 0
        while (yield RECESSIVE) == DOMINANT:
            dominant += 1
            if dominant == 1 and after_error and not self.transmitting:
                self._count_receive(8)  # rule 2
            if dominant % 8 == 0:  # rule 6: the 14th with the flag's own six, and each 8 more
                if self.transmitting:
                    self._count_transmit()
                else:
                    self._count_receive(8)
                    self.stalled = self.counters.receive == RECEIVE_MOST
        self.stalled = False

    def _delimiter(self) -> Life:
        """The seven recessive bits behind the first; a dominant last one asks for time (overload)."""
        for left in range(DELIMITER_BITS - 2, -1, -1):
            if (yield RECESSIVE) == DOMINANT:
                raise _Fault if left else _Overload


class _Reading:
    """What has been read of a frame so far, stuff bits taken out."""

    __slots__ = ("bits", "complete", "header", "last", "length", "run")

    def __init__(self) -> None:
        self.bits: list[int] = []
        self.run = 0
        self.last = -1
        self.header = 14  # to the bit that tells how long the identifier is
        self.length = 0  # with the check sequence, once it is known
        self.complete = False

    @property
    def stuffing(self) -> bool:
        """Is the next bit a stuff bit?"""
        return self.run == 5

    @property
    def is_fd(self) -> bool:
        """Is the bit read last FDF, and recessive?"""
        place = 33 if len(self.bits) > 13 and self.bits[13] == RECESSIVE else 14
        return len(self.bits) == place + 1 and self.bits[place] == RECESSIVE and self.last == RECESSIVE

    @property
    def in_arbitration(self) -> bool:
        """Does the next bit belong to the arbitration field?"""
        read = len(self.bits)
        return read < 13 or (read < 33 and (read == 13 or self.bits[13] == RECESSIVE))

    def take(self, bit: int) -> None:
        """The next bit. Raises _Fault for a sixth equal one."""
        if self.run == 5:
            if bit == self.last:
                raise _Fault
            self.last, self.run = bit, 1
        else:
            self.run = self.run + 1 if bit == self.last else 1
            self.last = bit
            self.bits.append(bit)
            read = len(self.bits)
            if read == self.header:
                self._look_ahead(read)
        self.complete = self.run < 5 and len(self.bits) == self.length

    def _look_ahead(self, read: int) -> None:
        if read == 14:
            self.header = 39 if self.bits[13] == RECESSIVE else 19
        else:
            code = self.bits[-4] << 3 | self.bits[-3] << 2 | self.bits[-2] << 1 | self.bits[-1]
            self.length = read + 8 * min(code, 8) + CRC15_BITS

    def frame(self) -> Frame | None:
        """The frame, None if its check sequence is wrong."""
        return _decoded(tuple(self.bits), self.header)


@lru_cache(maxsize=1024)
def _decoded(bits: tuple[int, ...], header: int) -> Frame | None:
    covered, check = bits[:-CRC15_BITS], bits[-CRC15_BITS:]
    if crc15(covered) != _number(check):
        return None
    data = bytes(_number(covered[at : at + 8]) for at in range(header, len(covered), 8))
    if header == 39:
        can_id = _number(bits[1:12]) << 18 | _number(bits[14:32])
        return Frame(can_id, data, extended=True, for_fd=bits[33] == RECESSIVE)
    return Frame(_number(bits[1:12]), data, for_fd=bits[14] == RECESSIVE)


def _number(bits: tuple[int, ...]) -> int:
    number = 0
    for bit in bits:
        number = number << 1 | bit
    return number
