"""How late a periodic CAN message can be, and how full a bus is: arithmetic, no simulation.

Source: Davis, Burns, Bril and Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted,
revisited and revised", Real-Time Systems 35 (2007): every instance in the busy period of a message's level is
examined, because the first need not be the worst.

Convention: a response time runs from the release to the end of the end-of-frame field, when receivers have
the message. Davis 2007 adds the 3-bit intermission to it; Broster, Burns and Rodriguez-Navas, "Probabilistic
Analysis of CAN with Faults" (2002), do not.

Not modeled: release jitter, error frames and retransmission, messages without a period, controllers that
offer their own frames in another order than by identifier.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from sim.network.frames import (
    INTERMISSION_BITS,
    NS_PER_S,
    Frame,
    arbitration_key,
    duration_ns,
    longest_fd_ns,
    worst_case_bits,
)
from sim.vehicle import ethernet


@dataclass(frozen=True, slots=True)
class PeriodicFrame:
    """A message for the analysis.

    bits: length on the wire with stuff bits, without the intermission, in bits of the nominal rate; of an FD
    frame not always a whole number. Raises ValueError for a period that is not above 0.
    """

    name: str
    can_id: int
    bits: float
    period_s: float
    extended: bool = False

    def __post_init__(self) -> None:
        if not self.period_s > 0:
            raise ValueError(f"message {self.name}: period {self.period_s} s must be above 0")

    @classmethod
    def longest_of(cls, name: str, frame: Frame, period_s: float, bitrate_bps: int) -> PeriodicFrame:
        """The message as this frame, whatever its data; one of FD with the time of its fast part included."""
        if bitrate_bps == ethernet.BITRATE_BPS:
            on_link = 8 * ethernet.wire_bytes(len(frame.data)) - INTERMISSION_BITS
            return cls(name, frame.can_id, on_link, period_s, frame.extended)
        if not frame.fd:
            return cls.longest(name, frame.can_id, len(frame.data), period_s, frame.extended)
        longest_ns = longest_fd_ns(len(frame.data), bitrate_bps, frame.extended, frame.data_bitrate_bps)
        bits = longest_ns * bitrate_bps / NS_PER_S
        return cls(name, frame.can_id, bits, period_s, frame.extended)

    @classmethod
    def longest(
        cls, name: str, can_id: int, data_bytes: int, period_s: float, extended: bool = False
    ) -> PeriodicFrame:
        """The message when its data may be anything: as many stuff bits as there can be."""
        return cls(name, can_id, worst_case_bits(data_bytes, extended), period_s, extended)


def bus_load(messages: Iterable[PeriodicFrame], bitrate_bps: int) -> float:
    """Share of time that the messages and their intermissions fill; above 1 the bus cannot carry them all."""
    return sum((message.bits + INTERMISSION_BITS) / message.period_s for message in messages) / bitrate_bps


def worst_response_s(messages: Sequence[PeriodicFrame], bitrate_bps: int) -> dict[str, float]:
    """Upper bound of the response time of each message, by name; infinite where there is none."""
    return {name: max(responses) for name, responses in responses_s(messages, bitrate_bps).items()}


def responses_s(messages: Sequence[PeriodicFrame], bitrate_bps: int) -> dict[str, list[float]]:
    """Upper bounds for the successive instances in each message's longest busy period, by name.

    [inf] for a message whose level fills the bus. Raises ValueError when two messages share an identifier.
    """
    ordered = sorted(messages, key=_key)
    for first, second in pairwise(ordered):
        if _key(first) == _key(second):
            raise ValueError(
                f"messages {first.name} and {second.name} share the identifier {first.can_id:#x}"
            )
    return {
        message.name: _responses_of(message, ordered[:place], ordered[place + 1 :], bitrate_bps)
        for place, message in enumerate(ordered)
    }


def _responses_of(
    message: PeriodicFrame, higher: Sequence[PeriodicFrame], lower: Sequence[PeriodicFrame], bitrate_bps: int
) -> list[float]:
    if bus_load([*higher, message], bitrate_bps) >= 1:
        return [math.inf]
    bit_ns = duration_ns(1, bitrate_bps)
    intermission_ns = duration_ns(INTERMISSION_BITS, bitrate_bps)
    occupies_ns = {m: duration_ns(m.bits, bitrate_bps) + intermission_ns for m in (*higher, message, *lower)}
    period_ns = {m: round(m.period_s * NS_PER_S) for m in (*higher, message)}
    blocking_ns = max((occupies_ns[m] for m in lower), default=0)

    def settle(start_ns: int, own_ns: int, rivals: Sequence[PeriodicFrame], margin_ns: int) -> int:
        """Smallest time that holds the own demand and that of all rivals released up to then."""
        time_ns = start_ns
        while True:
            rivals_ns = sum(-(-(time_ns + margin_ns) // period_ns[m]) * occupies_ns[m] for m in rivals)
            if own_ns + rivals_ns == time_ns:
                return time_ns
            time_ns = own_ns + rivals_ns

    busy_ns = settle(occupies_ns[message], blocking_ns, [*higher, message], 0)
    instances = -(-busy_ns // period_ns[message])
    responses: list[float] = []
    wait_ns = blocking_ns
    for instance in range(instances):
        own_ns = blocking_ns + instance * occupies_ns[message]
        # one bit more: a frame released as the bus becomes idle still takes part in the arbitration
        wait_ns = settle(max(wait_ns, own_ns), own_ns, higher, bit_ns)
        end_ns = wait_ns + occupies_ns[message] - intermission_ns
        responses.append((end_ns - instance * period_ns[message]) / NS_PER_S)
    return responses


def _key(message: PeriodicFrame) -> int:
    return arbitration_key(message.can_id, message.extended)
