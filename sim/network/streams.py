"""What a car's modules put on their buses, in the words that every simulation of the buses shares.

A *stream* is a message that its sender repeats. A *watch* is a receiver's time limit for a stream. For
*channel* and *segment* see `sim.wiring.segments`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

from sim.network.frames import NS_PER_S, Frame
from sim.wiring.segments import Segment

# In the words of ISO 11898-1.
ErrorState = Literal["error active", "error passive", "bus-off"]


@dataclass(frozen=True, slots=True)
class Recovery:
    """When software lets a channel leave bus-off: after first_s, from the (count + 1)th time on after
    later_s.

    A frame that gets through sets the count back. The 128 times 11 recessive bits of ISO 11898-1 come on top.
    Names and meaning: CanSMBorTimeL1, CanSMBorTimeL2 and CanSMBorCounterL1ToL2 of AUTOSAR's CAN state
    manager, which gives no defaults; these values stand in one published configuration.
    """

    first_s: float = 0.1
    later_s: float = 1.0
    count: int = 10


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
    somebody was called for, where an `on_change` handler finds what the frame carried.
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


class Watch(Protocol):
    """A receiver's time limit for a stream. lost: the limit has passed and nothing has arrived since."""

    stream: Stream
    channel: str
    lost: bool

    def cancel(self) -> None:
        """Call nobody any more. Cancelling twice does no harm."""


class LimitWatch(Watch):
    """A watch at work; it stands among the others of its stream until it is cancelled.

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
        """Tell that the limit has run out, unless nobody wants to know any more."""
        if not self.cancelled:
            self._on_lost(time_s)

    def found(self, time_s: float) -> None:
        """Tell that the stream is heard again."""
        if not self.cancelled:
            self._on_back(time_s)


Listener = Callable[[Frame, str, float], None]
StateHandler = Callable[[ErrorState, float], None]


class Network(Protocol):
    """All buses of one car, as its modules and its wiring see them.

    Times that handlers are given are seconds of the SimPy clock, which stands there when they are called.
    """

    # What modules do

    def start(self, stream: Stream) -> None:
        """Send the stream from now on, first after its offset; its first frame counts as new data everywhere.

        Raises ValueError when it is live already, or another stream has its channel, identifier and name.
        """

    def stop(self, stream: Stream) -> None:
        """Send it no more. A frame on the wire is completed, one that waits is dropped."""

    def set_data(self, stream: Stream, data: bytes) -> None:
        """What frames carry from now on, also one that waits already. Receivers are told by `on_change`.

        Raises ValueError for more bytes than its frame can carry.
        """

    def send(
        self, channel: str, frame: Frame, on_sent: Callable[[float], None] | None = None
    ) -> Callable[[], None]:
        """Send one frame as soon as the bus lets it; frames of one channel and identifier keep their order.

        on_sent is called with the time when it has arrived somewhere. It waits as long as that takes; the
        function returned takes it back unless it is on the wire by then.
        """

    def drop(self, channel: str) -> None:
        """Forget the single frames that the channel has not sent yet, as a module does that loses power.

        Its controller starts anew: error counters at 0, and out of bus-off.
        """

    def listen(self, channel: str, handler: Listener) -> None:
        """Call handler(frame, sender channel, time_s) for each single frame that the channel receives."""

    def on_change(self, stream: Stream, channel: str, handler: Callable[[Stream, float], None]) -> None:
        """Call handler(stream, time_s) at the end of each frame that tells the channel something new.

        That is the first frame after the stream's start, after new data, and after the channel joined the
        sender's segment. `stream.delivered` is what the frame carried.
        """

    def watch(
        self,
        stream: Stream,
        channel: str,
        limit_s: float,
        on_lost: Callable[[float], None],
        on_back: Callable[[float], None],
    ) -> Watch:
        """Call on_lost(time_s) when the channel has not received the stream for limit_s.

        Counted from now or from the last complete frame it received, whichever is later. The next frame that
        it receives calls on_back(time_s) and arms the watch again.
        Raises ValueError for a limit that is not above 0.
        """

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        """Let a gateway pass on a stream.

        Each frame of source that the gateway's channel `receiver` hears is released as target, with the same
        data, delay_s later, if target is live then. Raises ValueError for a negative delay.
        """

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        """Undo `forward`; frames already on their way through the gateway still go out."""

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        """When the last frame of the stream that the channel received ended; None if there was none.

        A frame on the wire is not heard yet. For the sender's own channel: when its last frame had arrived
        somewhere, which is its transmit confirmation.
        """

    def tell_apart(self, gap_s: float) -> None:
        """Somebody's verdict hangs on which of two things came first; they came gap_s apart.

        Raises `NotAtThisFidelity` where the times of this network are not as exact as that.
        """

    # Error confinement

    def on_state(self, channel: str, handler: StateHandler) -> None:
        """Call handler(state, time_s) whenever the channel's controller changes its error state."""

    def set_recovery(self, channel: str, recovery: Recovery | None) -> None:
        """How the channel leaves bus-off; None: by `drop` only. Without a call it is `Recovery()`."""

    def state_of(self, channel: str) -> ErrorState:
        """The error state of the channel's controller."""

    # What the wiring does

    def set_segments(self, segments: Iterable[Segment]) -> None:
        """Who hears whom from now on. Segments that stay as they are run on undisturbed.

        Raises ValueError when a channel stands in two places, or a fault names no member of its segment.
        """
