"""A bus whose only member has no other to acknowledge its frames: its attempts are arithmetic."""

from __future__ import annotations

from sim.network.controller import DELIMITER_BITS as ERROR_DELIMITER_BITS
from sim.network.controller import FLAG_BITS, SUSPEND_BITS
from sim.network.delivery import Kernel
from sim.network.error_counters import PASSIVE_FROM
from sim.network.frames import (
    ACK_BITS,
    CRC_DELIMITER_BITS,
    INTERMISSION_BITS,
    UNSTUFFED_TAIL_BITS,
    Frame,
    duration_ns,
    frame_ns,
)
from sim.network.messages import STATES, BusMessage, BusMode, LiveBus, LoneAttempt
from sim.network.station import Station
from sim.network.streams import NEVER


class AttemptTimes:
    """Times of the attempts of a lone transmitter, from the start of its first, in ns.

    The frame up to its acknowledge slot, error flag, error delimiter, intermission; each counts 8 (rule 3 of
    fault confinement) up to error passive. From then on the counter stays as it is (its exception 1) and
    suspend transmission comes on top. passive: is it error passive before, for whatever reason?
    """

    __slots__ = ("_active", "_active_ns", "_noticed_ns", "_passive_ns")

    def __init__(self, frame: Frame, bitrate_bps: int, transmit: int, passive: bool) -> None:
        after_slot = UNSTUFFED_TAIL_BITS - CRC_DELIMITER_BITS - ACK_BITS + 1
        pause = FLAG_BITS + ERROR_DELIMITER_BITS + INTERMISSION_BITS
        self._noticed_ns = frame_ns(frame, bitrate_bps) - duration_ns(after_slot, bitrate_bps)
        self._active_ns = self._noticed_ns + duration_ns(pause, bitrate_bps)
        self._passive_ns = self._noticed_ns + duration_ns(pause + SUSPEND_BITS, bitrate_bps)
        self._active = 0 if passive else -(-(PASSIVE_FROM - transmit) // 8)  # that it begins error active

    def start_of(self, number: int) -> int:
        """When an attempt begins, counted from 0."""
        short = min(number, max(0, self._active - 1))
        return short * self._active_ns + (number - short) * self._passive_ns

    def noticed_at(self, number: int) -> int:
        """When an attempt has failed for lack of acknowledgement."""
        return self.start_of(number) + self._noticed_ns

    def begun_before(self, after_ns: int) -> int:
        """How many have begun before this time."""
        short_ns = max(0, self._active - 1) * self._active_ns
        if after_ns <= short_ns:
            return max(0, -(-after_ns // self._active_ns))
        return max(0, self._active - 1) + -(-(after_ns - short_ns) // self._passive_ns)

    def counted(self, number: int) -> int:
        """What so many attempts add to the transmit error counter."""
        return 8 * min(number, self._active)

    @property
    def passive_at(self) -> int | None:
        """When the transmitter becomes error passive; None if it is."""
        return self.noticed_at(self._active - 1) if self._active else None


class LoneTransmitter(BusMode):
    """A bus with one member: it offers its best message at the time, again and again."""

    def __init__(self, kernel: Kernel, bus: LiveBus, station: Station, rank: str, now_ns: int) -> None:
        self._kernel = kernel
        self._bus = bus
        self._station = station
        self._rank = f"{STATES} {rank}"
        self._last: LoneAttempt | None = None  # from an earlier series, on the wire until `_from_ns`
        self._from_ns = now_ns
        self._transmit = station.counters.transmit
        self._offer: LoneAttempt | None = None  # first of the present series
        self._attempts: AttemptTimes | None = None
        self._due_ns = NEVER
        self._update(now_ns)

    @classmethod
    def after(
        cls, kernel: Kernel, bus: LiveBus, station: Station, rank: str, attempt: LoneAttempt, now_ns: int
    ) -> LoneTransmitter:
        """Its receivers have gone while it was sending; it goes on to the acknowledge slot."""
        transmitter = cls(kernel, bus, station, rank, now_ns)
        transmitter._from_ns = attempt.start_ns
        transmitter._series(attempt)
        transmitter._update(now_ns)
        return transmitter

    def queued(self, message: BusMessage, now_ns: int) -> None:
        """It may be better than what is being offered."""
        self._update(now_ns)

    def changed(self, message: BusMessage, now_ns: int) -> None:
        """It may be what is being offered."""
        self._update(now_ns)

    def due(self, now_ns: int, before_ns: int) -> None:
        """The counter may have reached the limit of error passive."""
        if now_ns == self._due_ns:
            self.count(now_ns)
            self._kernel.tell(self._station.channel, now_ns)

    def count(self, now_ns: int) -> None:
        """Bring the transmit error counter up to date."""
        if self._last and now_ns < self._from_ns:
            self._station.counters.transmit = self._last.transmit
            attempts = self._of(self._last)
            noticed_ns = self._last.start_ns + attempts.noticed_at(0)
            self._station.counters.transmit += attempts.counted(1) if noticed_ns <= now_ns else 0
            return
        self._station.counters.transmit = self._transmit
        if self._attempts and self._from_ns < now_ns:
            begun = self._attempts.begun_before(now_ns - self._from_ns)
            failed = begun if self._from_ns + self._attempts.noticed_at(begun - 1) <= now_ns else begun - 1
            self._station.counters.transmit += self._attempts.counted(failed)

    def on_the_wire(self, now_ns: int) -> LoneAttempt | None:
        """The attempt in progress; its error frame and the pause after it belong to it."""
        if self._last and now_ns < self._from_ns:
            return self._last
        if self._offer is None or self._attempts is None or self._from_ns >= now_ns:
            return None
        number = self._attempts.begun_before(now_ns - self._from_ns) - 1
        return LoneAttempt(
            self._offer.message,
            self._offer.frame,
            self._offer.version,
            self._from_ns + self._attempts.start_of(number),
            self._transmit + self._attempts.counted(number),
        )

    def restart(self, channel: str, now_ns: int) -> None:
        """Its controller has been reset."""
        self._last = self._offer = self._attempts = None
        self._transmit, self._from_ns = 0, now_ns
        self._update(now_ns)

    def _update(self, now_ns: int) -> None:
        """What is offered from the next attempt on."""
        best = self._bus.waiting[0][1] if self._bus.waiting else None
        offer, attempts = self._offer, self._attempts
        if offer and attempts and self._from_ns < now_ns:
            if best is offer.message and best.version == offer.version:
                return
            self._last = self.on_the_wire(now_ns)
            begun = attempts.begun_before(now_ns - self._from_ns)
            self._transmit += attempts.counted(begun)
            self._from_ns += attempts.start_of(begun)
        self._from_ns = max(self._from_ns, now_ns)
        if best is not None:
            self._series(LoneAttempt(best, best.frame, best.version, self._from_ns, self._transmit))
        else:
            self._series(None)

    def _series(self, first: LoneAttempt | None) -> None:
        self._offer = first
        self._attempts = self._of(first) if first else None
        due_ns = NEVER
        if self._last:
            last_ns = self._of(self._last).passive_at
            if last_ns is not None and self._last.start_ns + last_ns < self._from_ns:
                due_ns = self._last.start_ns + last_ns
        if due_ns == NEVER and self._attempts and self._attempts.passive_at is not None:
            due_ns = self._from_ns + self._attempts.passive_at
        if due_ns not in (NEVER, self._due_ns):
            self._kernel.calendar.plan(due_ns, self._rank, self)
        self._due_ns = due_ns

    def _of(self, first: LoneAttempt) -> AttemptTimes:
        passive = first.transmit >= PASSIVE_FROM or self._station.counters.receive >= PASSIVE_FROM
        return AttemptTimes(first.frame, self._bus.bitrate_bps, first.transmit, passive)
