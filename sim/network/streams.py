"""Messages that their senders repeat, and receivers that wait for them. Channels: `sim.wiring.segments`."""

from __future__ import annotations

from collections.abc import Callable, Set
from dataclasses import dataclass
from functools import partial

from sim.network.clock import to_ns
from sim.network.frames import NS_PER_S, Frame

NEVER = -1  # a time before all others: no frame heard yet, no check planned

UNKNOWN = -1  # a version that no data has: the receiver does not know the stream's data


def no_causes(_signal: str) -> tuple[int | None, ...]:
    """What explains a value whose sender gives no reasons."""
    return ()


class Stream:
    """A message that its sender repeats.

    period_s: seconds between releases, or None for one that only a gateway releases (`Network.forward`).
    offset_s: from `Network.start` to the first release. Both may be changed while it is not live.
    data: 0 to 8 bytes.
    Raises ValueError for an impossible identifier, length, period or offset.

    Kept by the network, for reading only: `frame`, what is sent next; `live`, between start and stop;
    `overruns`, releases that overwrote a frame still waiting; `delivered`, data of the last frame that
    caused a call, where an `on_change` handler finds what the frame carried.
    causes_of(signal), set by the sender: the events that explain the value it sends for a signal now.
    """

    __slots__ = (
        "causes_of", "channel", "delivered", "frame", "live", "name", "offset_s", "overruns", "period_s",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        channel: str,
        can_id: int,
        period_s: float | None,
        offset_s: float = 0.0,
        data: bytes = b"",
        extended: bool = False,
        fd: bool = False,
        data_bitrate_bps: int | None = None,
    ) -> None:
        if period_s is not None and not period_s >= 1 / NS_PER_S:
            raise ValueError(f"stream {name}: period {period_s} s must be above 0")
        if not offset_s >= 0:
            raise ValueError(f"stream {name}: offset {offset_s} s must not be below 0")
        self.name = name
        self.channel = channel
        self.period_s = period_s
        self.offset_s = offset_s
        self.frame = Frame(can_id, data, extended, fd, data_bitrate_bps)
        self.live = False
        self.overruns = 0
        self.delivered = data
        self.causes_of: Callable[[str], tuple[int | None, ...]] = no_causes

    def __repr__(self) -> str:
        return f"<Stream {self.name} {self.frame} from {self.channel}>"

    def begin(self) -> None:
        """Mark it as live. Raises ValueError if it is already."""
        if self.live:
            raise ValueError(f"stream {self.name} is started already")
        self.live = True

    @property
    def can_id(self) -> int:
        return self.frame.can_id

    def rename(self, can_id: int) -> None:
        """Send it under another identifier of the same length, such as from another source address.

        Its place in an arbitration stays that of its first one: only the last eight bits may differ.
        """
        old = self.frame
        self.frame = Frame(can_id, old.data, old.extended, old.fd, old.data_bitrate_bps)

    @property
    def data(self) -> bytes:
        """What the next frame will carry."""
        return self.frame.data


Call = Callable[[float], None]  # is given the time in s
ChangeHandler = Callable[[Stream, float], None]


@dataclass(slots=True, eq=False)
class Reader:
    """A handler to be called when the stream carries data that the channel does not know yet."""

    channel: str
    handler: ChangeHandler
    version: int = UNKNOWN


class Watch:
    """A channel's time limit for a stream, at work until it is canceled.

    lost: the limit has passed and nothing has arrived since.
    """

    __slots__ = (
        "_of", "_on_back", "_on_lost", "canceled", "channel", "limit_ns", "lost", "since_ns", "stream",
    )  # fmt: skip

    def __init__(
        self, of: Subscribers, channel: str, limit_s: float, now_ns: int, on_lost: Call, on_back: Call
    ) -> None:
        if not limit_s >= 1 / NS_PER_S:
            raise ValueError(
                f"watch of stream {of.stream.name} by {channel}: limit {limit_s} s must be above 0"
            )
        self.stream, self.channel = of.stream, channel
        self.limit_ns, self.since_ns = to_ns(limit_s), now_ns
        self.lost = self.canceled = False
        self._on_lost, self._on_back = on_lost, on_back
        self._of = of
        of.watches.append(self)

    def cancel(self) -> None:
        """Make no more calls. Canceling twice does no harm."""
        if not self.canceled:
            self.canceled = True
            self._of.watches.remove(self)

    def deadline_ns(self, now_ns: int) -> int:
        """When the limit runs out if nothing more is heard."""
        return max(self.since_ns, self._of.heard_by(self.channel, now_ns)) + self.limit_ns

    def missed(self, time_s: float) -> None:
        """Tell that the limit has run out, unless it is canceled."""
        if not self.canceled:
            self._on_lost(time_s)

    def found(self, time_s: float) -> None:
        """Tell that the stream is heard again, unless it is canceled."""
        if not self.canceled:
            self._on_back(time_s)


def seconds(time_ns: int) -> float | None:
    """A time in s, None for `NEVER`."""
    return None if time_ns == NEVER else time_ns / NS_PER_S


class Subscribers:
    """Who waits for a stream, readers of new data and watches, and when each channel heard it.

    audience: channels that hear every frame at the same time; none if that differs from frame to frame.
    heard_ns: by channel, up to the last change of the audience.
    """

    def __init__(self, stream: Stream) -> None:
        self.stream = stream
        self.readers: list[Reader] = []
        self.watches: list[Watch] = []
        self.heard_ns: dict[str, int] = {}
        self.audience: frozenset[str] = frozenset()

    def last_end_ns(self, now_ns: int) -> int:
        """End of the last complete frame to this audience."""
        return NEVER

    def heard_by(self, channel: str, now_ns: int) -> int:
        """When a channel received its last frame up to now; for the sender's own, its confirmation."""
        last_ns = self.last_end_ns(now_ns)
        if last_ns != NEVER and channel in self.audience:
            return last_ns
        return self.heard_ns.get(channel, NEVER)

    def note_heard(self, now_ns: int) -> None:
        """Write down what all have heard, before the audience or the frames change."""
        last_ns = self.last_end_ns(now_ns)
        if last_ns != NEVER:
            self.heard_ns.update(dict.fromkeys(self.audience, last_ns))

    def heard_at(self, channel: str, now_ns: int) -> float | None:
        """The same in s, None if there was none."""
        return seconds(self.heard_by(channel, now_ns))

    def new_to(self, version: int, audience: Set[str]) -> list[Reader]:
        """Readers in the audience that do not know this version of the data."""
        return [one for one in self.readers if one.version != version and one.channel in audience]

    def lost_in(self, audience: Set[str]) -> list[Watch]:
        """Watches in the audience that had given the stream up."""
        return [one for one in self.watches if one.lost and one.channel in audience]

    def awaits(self, version: int, audience: Set[str]) -> bool:
        """Does a frame of this version cause a call?"""
        return any(one.version != version and one.channel in audience for one in self.readers) or any(
            one.lost and one.channel in audience for one in self.watches
        )

    def arrived(self, version: int, audience: Set[str], fresh: bool = True) -> list[Call]:
        """Note a frame; the calls that it causes: readers if its data are fresh, then watches."""
        readers = self.new_to(version, audience) if fresh else []
        back = self.lost_in(audience)
        for reader in readers:
            reader.version = version
        for watch in back:
            watch.lost = False
        return [*(partial(one.handler, self.stream) for one in readers), *(one.found for one in back)]

    def forget_absent(self, audience: Set[str]) -> None:
        """A reader that does not hear the stream any more must be told again when it is back."""
        for reader in self.readers:
            if reader.channel not in audience:
                reader.version = UNKNOWN


def forward_delay_ns(source: Stream, delay_s: float) -> int:
    """A gateway's delay in ns. Raises ValueError for one below 0."""
    if not delay_s >= 0:
        raise ValueError(f"forwarding of stream {source.name}: delay {delay_s} s must not be below 0")
    return to_ns(delay_s)
