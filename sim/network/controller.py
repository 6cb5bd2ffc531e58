"""One CAN controller, bit by bit: what it sends, what it reads, what it counts.

Source of every rule: Bosch, "CAN with Flexible Data-Rate", specification 1.0 (April 2012), whose classical
rules are those of CAN 2.0 and ISO 11898-1; fault confinement is its section 7, rules 1 to 12, frames are its
section 3. `sim.network.bit_line` joins controllers by wires.

A controller is handed each bit that it reads and answers with the next bit that it drives. Between frames it
is *parked*: it needs no bits until its line turns dominant, or until it is told to send (`START`).

Not modeled: remote frames, CAN FD frames, restricted operation, a controller that asks for time by an
overload frame of its own.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Literal, Protocol

from sim.network.error_counters import RECEIVE_MOST, ErrorCounters
from sim.network.frame_reading import DetectedError, FrameReading
from sim.network.frames import DOMINANT, END_OF_FRAME_BITS, INTERMISSION_BITS, RECESSIVE, Frame, wire_bits

START = 2  # instead of a bit: send now, or recover from bus-off

# Bosch CAN FD 1.0, section 7, rule 12.
RECOVERY_SEQUENCES = 128
IDLE_BITS = 11  # recessive in a row: bus idle (section 3.2.5 and rule 12)

# Bosch CAN FD 1.0, sections 3.2.3 and 3.2.5.
FLAG_BITS = 6
DELIMITER_BITS = 8
SUSPEND_BITS = 8

Life = Generator[int, int, None]


Failure = Literal["arbitration lost", "not acknowledged", "error"]


class ControllerHost(Protocol):
    """What a controller works for. `Controller.time_ns` is the time of the call: the end of the bit."""

    def take(self) -> Frame | None:
        """The frame to send now, None if there is none any more; it is the controller's until one of
        `sent` and `failed` is called."""

    def sent(self) -> None:
        """The frame has got through."""

    def failed(self, why: Failure) -> None:
        """It has not. To be offered again."""

    def received(self, frame: Frame) -> None:
        """A frame of another has arrived."""

    def counted(self) -> None:
        """The error counters have changed."""


class _ArbitrationStuffing(DetectedError):
    """A recessive stuff bit in the arbitration field was overwritten (rule 3, exception 2)."""


class _NoAcknowledgement(DetectedError):
    """No acknowledgement (rule 3, exception 1)."""


class _FlagOverwritten(DetectedError):
    """A bit of the controller's own active flag was read recessive (rules 4 and 5)."""


class _Overload(DetectedError):
    """Not an error: another controller asks for time by a dominant bit at the end of a delimiter."""


class _Off(Exception):
    """The transmit error counter has reached 256."""


class Controller:
    """One controller. idle: parked between frames; dormant: parked in bus-off; time_ns: set by its line.

    loose: the next edge to dominant restarts its bit (hard synchronization).
    stalled: further dominant bits change nothing. transmitting: it was the transmitter of the frame on the
    line, or of the last. holding: it has a frame that its host has not heard of again. classical: it does not
    know CAN FD, and answers such a frame with an error.
    """

    __slots__ = (
        "classical", "counters", "dormant", "holding", "host", "idle", "life", "loose", "output", "stalled",
        "time_ns", "transmitting",
    )  # fmt: skip

    def __init__(self, host: ControllerHost, counters: ErrorCounters, *, classical: bool = False) -> None:
        self.host = host
        self.classical = classical
        self.counters = counters
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
        begun = may_send = False  # begun: another's start of frame has been read
        while True:
            try:
                if self.counters.off:
                    yield from self._recover()
                if not begun:
                    begun = yield from self._wait()
                    may_send = not begun
                frame = self.host.take() if may_send else None
                self.transmitting = self.holding = frame is not None
                if not (frame or begun):
                    continue
                try:
                    yield from self._exchange(frame, begun)
                except DetectedError as fault:
                    yield from self._answer(fault)
                begun = may_send = yield from self._intermission()
                if self.transmitting and self.counters.passive and not begun:
                    begun = yield from self._suspend()
            except _Off:
                begun = self.transmitting = False

    # Between frames

    def _integrate(self) -> Life:
        """Wait for 11 recessive bits in a row."""
        self.loose = True
        run = 0
        while run < IDLE_BITS:
            run = run + 1 if (yield RECESSIVE) == RECESSIVE else 0
            self.stalled = run == 0
        self.loose = False

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
        """Parked until START (False) or until another starts a frame (True)."""
        while True:
            self.idle = self.loose = True
            bit = yield RECESSIVE
            self.idle = self.loose = False
            if bit != RECESSIVE:
                return bit == DOMINANT

    def _intermission(self) -> Generator[int, int, bool]:
        """Three bits; a dominant first or second is an overload condition, a dominant third a new frame."""
        position = 0
        while position < INTERMISSION_BITS:
            bit = yield RECESSIVE
            position += 1
            self.loose = position < INTERMISSION_BITS and bit == RECESSIVE
            if bit == DOMINANT:
                if position == INTERMISSION_BITS:
                    return True
                yield from self._overload()
                position = 0
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
        """From start of frame to end of frame: send, or read another's.

        begun: the start of frame has been read already.
        """
        own = wire_bits(frame) if frame else None
        reading = FrameReading()
        position = 0
        if begun:
            reading.take(DOMINANT)
            position = 1
        while not reading.complete:
            driven = own[position] if own else RECESSIVE
            bit = yield driven
            position += 1
            if own and bit != driven:
                if bit == RECESSIVE or not reading.in_arbitration:
                    raise DetectedError
                if reading.stuffing:
                    raise _ArbitrationStuffing
                own = None
                self.transmitting = False
                self._hand_back("arbitration lost")
            reading.take(bit)
            if self.classical and own is None and reading.is_fd:
                raise DetectedError  # a reserved bit that is not as it knows it
        yield from self._tail(reading)

    def _tail(self, reading: FrameReading) -> Life:
        """From the delimiter of the check sequence to the end of frame."""
        received = None if self.transmitting else reading.frame()
        if (yield RECESSIVE) == DOMINANT:
            raise DetectedError
        driven = DOMINANT if received else RECESSIVE
        bit = yield driven
        if self.transmitting and bit == RECESSIVE:
            raise _NoAcknowledgement
        if received:
            if bit == RECESSIVE:
                raise DetectedError
            self.counters.received()
            self.host.counted()
        # section 6.2: the flag for a wrong check sequence begins after the acknowledge delimiter
        if (yield RECESSIVE) == DOMINANT or not (self.transmitting or received):
            raise DetectedError
        for left in range(END_OF_FRAME_BITS - 1, -1, -1):
            if (yield RECESSIVE) == DOMINANT:
                if self.transmitting or left:
                    raise DetectedError
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

    def _answer(self, fault: DetectedError) -> Life:
        """Error flag and error delimiter, and what follows if these are disturbed."""
        self._hand_back("not acknowledged" if isinstance(fault, _NoAcknowledgement) else "error")
        yield from self._flags(fault)

    def _overload(self) -> Life:
        """Overload flag and delimiter (section 3.2.4): in form an error frame that is not counted."""
        yield from self._flags(_Overload())

    def _flags(self, cause: DetectedError) -> Life:
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
            except DetectedError as next_cause:
                cause = next_cause

    def _count(self, fault: DetectedError) -> None:
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

    def _passive_flag(self, fault: DetectedError) -> Life:
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
        """Wait for the first recessive bit after a flag."""
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
        """The seven recessive bits after the first; a dominant last one asks for time (overload)."""
        for left in range(DELIMITER_BITS - 2, -1, -1):
            if (yield RECESSIVE) == DOMINANT:
                raise DetectedError if left else _Overload
