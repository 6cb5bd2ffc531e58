"""Messages on their way: they wait for their bus, go over the wire, and reach those whom they concern."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush, heapreplace
from typing import Protocol

from sim.network.calendar import Calendar
from sim.network.frame_log import FrameLog
from sim.network.frames import NS_PER_S, Frame
from sim.network.messages import NO_BUS, BusMessage, Flight, LiveBus, Repeated, WatchGroup
from sim.network.streams import NEVER
from sim.wiring.segments import Segment

Tap = Callable[[float, float, Frame, str], None]


class Delivery:
    """Queues messages for their buses, follows frames to their ends, and makes the calls that these cause.

    tap: called with (start_s, end_s, frame, sender channel) for every complete frame. log: notes them.
    """

    def __init__(self, calendar: Calendar) -> None:
        self._calendar = calendar
        self.tap: Tap | None = None
        self.log: FrameLog | None = None

    def queue(self, message: BusMessage, now_ns: int) -> None:
        """Let the message wait for its bus; the first that waits plans the arbitration."""
        bus = message.bus
        if message.waits:
            assert isinstance(message, Repeated)
            message.stream.overruns += 1
            return
        message.waits = True
        if message.limit_ns != NEVER:
            self._plan_give_up(message, now_ns)
        heappush(bus.waiting, (message.rank, message))
        if bus.mode:
            bus.mode.queued(message, now_ns)
        elif len(bus.waiting) == 1:
            self._calendar.plan(bus.free_ns, bus.rank, bus)

    def _plan_give_up(self, message: BusMessage, now_ns: int) -> None:
        """A single frame has to wait: only now does it need its time limit. Most go out at once."""
        self._calendar.plan_state(max(message.limit_ns, now_ns), message.channel, SendLimit(self, message))
        message.limit_ns = NEVER

    def begin(self, message: BusMessage, now_ns: int) -> None:
        """Put a message on the wire, alone, and follow it to its end."""
        bus = message.bus
        message.prev_end_ns = message.end_ns
        message.end_ns = now_ns + message.duration_ns
        bus.frames += 1
        bus.sending = message
        self.follow(message, now_ns)

    def withdraw(self, message: BusMessage, now_ns: int) -> None:
        """Send it no more, unless it is on the wire and gets through."""
        message.live = False
        if (
            isinstance(message, Repeated) or message.bus is NO_BUS
        ):  # a single one that is released has no entry
            self._calendar.cross_out(message)
        if message.waits:
            bus = message.bus
            bus.dequeue(message)
            if bus.mode:
                bus.mode.changed(message, now_ns)
            elif not bus.waiting:
                self._calendar.cross_out(bus)

    def renew(self, message: Repeated, data: bytes, now_ns: int) -> None:
        """New data; a frame already on the wire keeps what it carries."""
        frame = message.frame.carrying(data)
        self.follow_sent(message, now_ns)
        message.stream.frame = frame
        message.versions += 1
        message.measure()
        self.attend(message, now_ns)
        if message.waits and message.bus.mode:
            message.bus.mode.changed(message, now_ns)

    def attend(self, message: Repeated, now_ns: int) -> None:
        """Find out whether the next frame, or the one on the wire, causes a call."""
        message.update_awaited()
        if message.followed:
            self.follow_sent(message, now_ns)

    def follow_sent(self, message: BusMessage, now_ns: int) -> None:
        """Follow the message's frame from here on if it is on the wire."""
        if message.bus.sending is message and message.end_ns > now_ns and message.flight is None:
            if isinstance(message, Repeated) and message.forwards:
                self._calendar.take_back(message.forwards, message.end_ns)  # its end is what matters now
            if self.log:
                self.log.take_back(message)
            self.follow(message, message.end_ns - message.duration_ns)

    def follow(self, message: BusMessage, start_ns: int) -> None:
        """Have the end of the message's frame in the calendar."""
        end_ns = message.end_ns
        flight = Flight(message, message.frame, message.version, start_ns, end_ns, message.receivers)
        message.flight = flight
        self._calendar.plan(end_ns, message.end_rank, flight)

    def arrive(self, flight: Flight, now_ns: int, clock_ns: int) -> int | None:
        """End of a frame. Returns the number of calls made, None if they must wait for the clock."""
        message = flight.message
        calls = message.calls(flight) if message.awaited else ()
        if calls and now_ns > clock_ns:
            return None
        heappop(self._calendar.entries)
        message.flight = None
        end_s = now_ns / NS_PER_S
        if self.tap:
            self.tap(flight.start_ns / NS_PER_S, end_s, flight.frame, message.channel)
        if self.log:
            self.log.note(message, flight.frame, now_ns)
        if isinstance(message, Repeated):
            message.received(flight)
            if message.forwards:
                self._pass_on(message, flight)
            if message.awaited:
                self.plan_check(message.watch_group, now_ns)
                self.attend(message, now_ns)
        if message.bus.mode:
            message.bus.mode.arrived(flight, now_ns)
        for call in calls:
            call(end_s)
        return len(calls)

    def _pass_on(self, source: Repeated, flight: Flight) -> None:
        """Let gateways take the frame that has just ended."""
        data, end_ns, audience = flight.frame.data, flight.end_ns, flight.audience
        for forward in source.forwards:
            if forward.receiver in audience:
                at_ns = end_ns + forward.delay_ns
                heappush(self._calendar.entries, (at_ns, forward.rank, forward.carrying(data)))

    def plan_check(self, watch_group: WatchGroup, now_ns: int) -> None:
        """Plan a check of the watches for the earliest moment at which one can expire, if none is before."""
        due_ns = watch_group.next_due_ns(now_ns)
        if due_ns != NEVER and (watch_group.due_ns == NEVER or due_ns < watch_group.due_ns):
            watch_group.due_ns = due_ns
            self._calendar.plan_limit(due_ns, watch_group.rank, watch_group)

    def check(self, watch_group: WatchGroup, now_ns: int, clock_ns: int) -> int | None:
        """A limit may have passed. Returns the number of calls made, None if they must wait for the clock."""
        if now_ns != watch_group.due_ns:
            heappop(self._calendar.limits)  # planned for an earlier time since
            return 0
        if watch_group.calm:
            due_ns = watch_group.message.last_end_ns(now_ns) + watch_group.tightest_ns
            if due_ns > now_ns:
                watch_group.due_ns = due_ns
                heapreplace(self._calendar.limits, (due_ns, watch_group.rank, watch_group))
                return 0
        late = watch_group.late(now_ns)
        if late and now_ns > clock_ns:
            return None
        heappop(self._calendar.limits)
        watch_group.due_ns = NEVER
        for watch in late:
            watch.lost = True
        self.plan_check(watch_group, now_ns)
        self.attend(watch_group.message, now_ns)
        for watch in late:
            watch.missed(now_ns / NS_PER_S)
        return len(late)


@dataclass(slots=True, eq=False)
class SendLimit:
    """When a single frame that waits is given up."""

    delivery: Delivery
    message: BusMessage

    def due(self, now_ns: int, _before_ns: int) -> None:
        """It has waited long enough, if it waits at all."""
        self.delivery.withdraw(self.message, now_ns)


class Kernel(Protocol):
    """The network as its bus modes see it."""

    calendar: Calendar
    delivery: Delivery

    def level(self, segment: Segment, at_ns: int, names: tuple[str, ...]) -> None:
        """From now on these drive a bus dominant that is simulated bit by bit."""

    def settle(self, bus: LiveBus, now_ns: int) -> None:
        """Choose the mode in which an idle bus is simulated from now on."""

    def forget_ends(self, bus: LiveBus, now_ns: int) -> None:
        """From now on frames of the bus reach some members and not others."""

    def tell(self, channel: str, at_ns: int) -> bool:
        """Notify the channel's handlers if its counters have changed its error state. Have they?"""

    def destroyed(self, message: BusMessage, frame: Frame, at_ns: int) -> None:
        """A frame has been destroyed by an error."""
