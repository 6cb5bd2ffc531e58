"""What modules put on a line where no other acknowledges: repeated attempts and error flags, bit by bit.

Such a module repeats its frame for ever, and the network counts its attempts by arithmetic. An instrument
wants to see them: a CAN controller (`sim.network.controller`) is run for the stretch that it looks at. By
then it has long turned error passive.

Not modeled: what else is on the same wires meanwhile; what a line without terminators makes of the attempts;
CAN FD frames, which are shown in the shape of classical ones with the first 8 bytes.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import chain

from sim.instruments.probed import ProbedCar
from sim.network.bit_line import BitLine, BitSources, BusNode
from sim.network.controller import Controller, Failure
from sim.network.error_counters import ErrorCounters
from sim.network.frames import DOMINANT, NS_PER_S, Frame, arbitration_key
from sim.network.streams import Stream
from sim.vehicle.elements import TESTER
from sim.wiring.bus_clusters import BusCluster

# A transmitter is error passive after 16 failures and bus-off after 32 (8 each, ISO 11898-1); a frame with
# its error flag has at most some 160 bits.
SETTLE_BITS = 6000

NEVER = 1 << 62
NONE: tuple[str, ...] = ()

# An attempt that fails is followed by the same one, so a stretch of some hundred of them has the mean of all.
STRETCH_S = 0.05

Change = tuple[float, tuple[str, ...]]  # from this time in s on, who holds the line dominant


def attempts(live: ProbedCar, cluster: BusCluster, from_s: float) -> Iterator[Change]:
    """Yield who holds the line dominant from `from_s` on, without end; nothing if modules hear each other."""
    here = {one.id for one in cluster.channels} - {TESTER}
    senders = {name: _AttemptSender(_streams(live, name)) for name in live.lone_senders() if name in here}
    if not any(sender.periods_ns for sender in senders.values()):
        return
    rates_bps = {one.id: one.bitrate_bps for one in cluster.channels}
    settle_s = SETTLE_BITS / min(rates_bps[name] for name in senders)
    start_ns = round((from_s - settle_s) * NS_PER_S)
    line = BitLine()
    for name, sender in senders.items():
        sender.controller = Controller(sender, ErrorCounters())
        line.add(BusNode(name, sender.controller, NS_PER_S // rates_bps[name], sender.waits), start_ns)
    line.set_sources({name: BitSources(frozenset((name,))) for name in senders}, start_ns)
    line.start(start_ns)
    yield from _changes(line, list(senders.values()), round(from_s * NS_PER_S))


def tried_shares(live: ProbedCar, cluster: BusCluster, from_s: float) -> dict[tuple[str, ...], float]:
    """Return who is dominant together in these attempts, for which share of time, 0 to 1."""
    shares: dict[tuple[str, ...], float] = defaultdict(float)
    since_s, held = from_s, NONE
    for time_s, who in chain(attempts(live, cluster, from_s), [(math.inf, NONE)]):
        until_s = min(time_s, from_s + STRETCH_S)
        shares[held] += (until_s - since_s) / STRETCH_S
        if until_s < time_s:
            break
        since_s, held = time_s, who
    return {who: share for who, share in sorted(shares.items()) if who}


def _changes(line: BitLine, senders: list[_AttemptSender], from_ns: int) -> Iterator[Change]:
    held: tuple[str, ...] = ()
    while (now_ns := min(line.due_ns, *(sender.next_ns for sender in senders))) < NEVER:
        for sender in senders:
            sender.release(now_ns)
        line.run(now_ns, now_ns)
        if line.resting:
            line.start(max(now_ns, line.time_ns))
        holds = tuple(node.name for node in line.nodes if node.level == DOMINANT)
        if holds != held and now_ns >= from_ns:
            yield now_ns / NS_PER_S, holds
        held = holds


def _streams(live: ProbedCar, channel: str) -> list[Stream]:
    return [one for one in live.streams_running() if one.channel == channel]


def _rank(frame: Frame) -> int:
    return arbitration_key(frame.can_id, frame.extended)


class _AttemptSender:
    """What one module has to send: its periodic messages, the lowest identifier first. All wait by now."""

    def __init__(self, streams: Iterable[Stream]) -> None:
        known = [one for one in streams if one.period_s is not None]
        self.periods_ns = {one.frame: round((one.period_s or 0) * NS_PER_S) for one in known}
        self._waiting = sorted(self.periods_ns, key=_rank)
        self._due_ns: dict[Frame, int] = {}
        self._sending: Frame | None = None
        self.controller: Controller | None = None

    @property
    def next_ns(self) -> int:
        """When the next message is released."""
        return min(self._due_ns.values(), default=NEVER)

    def waits(self) -> bool:
        """Is there something to send?"""
        return bool(self._waiting)

    def release(self, now_ns: int) -> None:
        """Messages whose time has come wait from now on."""
        for frame in [frame for frame, due_ns in self._due_ns.items() if due_ns <= now_ns]:
            del self._due_ns[frame]
            self._waiting = sorted([*self._waiting, frame], key=_rank)

    # what a controller asks and tells

    def take(self) -> Frame | None:
        """Return the frame to send next, in the shape of a classical one."""
        self._sending = self._waiting[0] if self._waiting else None
        return self._sending and self._sending.in_classical_shape

    def sent(self) -> None:
        """Note that the frame got through: it is released again one period later."""
        frame = self._sending
        if frame is not None and self.controller is not None:
            self._waiting.remove(frame)
            self._due_ns[frame] = self.controller.time_ns + self.periods_ns[frame]

    def failed(self, why: Failure) -> None:
        """Note that the attempt failed: the frame stays first."""
        self._sending = None

    def received(self, frame: Frame) -> None:
        """Ignored: only what is sent is drawn."""

    def counted(self) -> None:
        """Ignored: an error counter changes nothing here."""
