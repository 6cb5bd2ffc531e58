"""Messages that their senders repeat, and receivers that wait for them. Channels: `sim.wiring.segments`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from sim.network.frames import NS_PER_S, Frame

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
        "causes_of",
        "channel",
        "delivered",
        "frame",
        "live",
        "name",
        "offset_s",
        "overruns",
        "period_s",
    )

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

    @property
    def can_id(self) -> int:
        return self.frame.can_id

    @property
    def data(self) -> bytes:
        """What the next frame will carry."""
        return self.frame.data


ChangeHandler = Callable[[Stream, float], None]


@dataclass(slots=True, eq=False)
class Reader:
    """A handler to be called when the stream carries data that the channel does not know yet."""

    channel: str
    handler: ChangeHandler
    version: int = UNKNOWN


class Watch(Protocol):
    """A receiver's time limit for a stream. lost: the limit has passed and nothing has arrived since."""

    stream: Stream
    channel: str
    lost: bool

    def cancel(self) -> None:
        """Make no more calls. Cancelling twice does no harm."""


class LimitWatch(Watch):
    """A watch at work, among the others of its stream until it is cancelled.

    heard_by: when a channel has received the last frame of the stream, up to a time, both in ns.
    """

    __slots__ = (
        "_among", "_heard_by", "_on_back", "_on_lost", "cancelled", "channel", "limit_ns", "lost", "since_ns",
        "stream",
    )  # fmt: skip

    def __init__(
        self,
        stream: Stream,
        channel: str,
        limit_ns: int,
        since_ns: int,
        on_lost: Callable[[float], None],
        on_back: Callable[[float], None],
        heard_by: Callable[[str, int], int],
        among: list[LimitWatch],
    ) -> None:
        self.stream = stream
        self.channel = channel
        self.limit_ns = limit_ns
        self.since_ns = since_ns
        self.lost = self.cancelled = False
        self._on_lost, self._on_back = on_lost, on_back
        self._heard_by = heard_by
        self._among = among
        among.append(self)

    def cancel(self) -> None:
        if not self.cancelled:
            self.cancelled = True
            self._among.remove(self)

    def deadline_ns(self, now_ns: int) -> int:
        """When the limit runs out if nothing more is heard."""
        return max(self.since_ns, self._heard_by(self.channel, now_ns)) + self.limit_ns

    def missed(self, time_s: float) -> None:
        """Tell that the limit has run out, unless it is cancelled."""
        if not self.cancelled:
            self._on_lost(time_s)

    def found(self, time_s: float) -> None:
        """Tell that the stream is heard again, unless it is cancelled."""
        if not self.cancelled:
            self._on_back(time_s)
