"""What modules and the wiring know of the buses, whatever the fidelity at which these are simulated."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

from sim.network.frames import Frame
from sim.network.streams import Call, ChangeHandler, Stream, Watch
from sim.wiring.segments import Segment

# In the words of ISO 11898-1.
ErrorState = Literal["error active", "error passive", "bus-off"]
Listener = Callable[[Frame, str, float], None]
Heeds = Callable[[Frame], bool]
StateHandler = Callable[[ErrorState, float], None]


@dataclass(frozen=True, slots=True)
class Recovery:
    """When software lets a channel leave bus-off: after first_s, from the (count + 1)th time on after
    later_s.

    A frame that gets through sets the count back. The 128 times 11 recessive bits of ISO 11898-1 come on top.
    Names and meaning: CanSMBorTimeL1, CanSMBorTimeL2 and CanSMBorCounterL1ToL2 of AUTOSAR's CAN state
    manager, which gives no defaults; these values are those of one published configuration.
    """

    first_s: float = 0.1
    later_s: float = 1.0
    count: int = 10


class Listeners:
    """Who listens to single frames: most of a bus has no use for most of them."""

    def __init__(self) -> None:
        self._all: list[tuple[str, Listener, Heeds | None]] = []
        self._found: dict[tuple[int, bool, bool], list[tuple[str, Listener]]] = {}

    def add(self, channel: str, handler: Listener, heeds: Heeds | None) -> None:
        """One more."""
        self._all.append((channel, handler, heeds))
        self._found.clear()

    def to(self, frame: Frame) -> list[tuple[str, Listener]]:
        """Channels and handlers for frames with this one's identifier."""
        key = (frame.can_id, frame.extended, frame.ip)
        if (known := self._found.get(key)) is None:
            known = [(channel, handler) for channel, handler, heeds in self._all if not heeds or heeds(frame)]
            self._found[key] = known
        return known


class Network(Protocol):
    """All buses of one car, as its modules and its wiring see them.

    Times that handlers are given are seconds of the SimPy clock at the moment of the call.
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
        self, channel: str, frame: Frame, on_sent: Call | None = None, limit_s: float | None = None
    ) -> Callable[[], None]:
        """Send one frame as soon as the bus lets it; frames of one channel and identifier keep their order.

        on_sent is called with the time when it has arrived somewhere. It waits as long as that takes; the
        function returned takes it back unless it is on the wire by then, as the network does after limit_s.
        """

    def drop(self, channel: str) -> None:
        """Forget the single frames that the channel has not sent yet, as a module does that loses power.

        Its controller restarts: error counters at 0, and out of bus-off.
        """

    def listen(self, channel: str, handler: Listener, heeds: Heeds | None = None) -> None:
        """Call handler(frame, sender channel, time_s) for each single frame that the channel receives.

        heeds(frame): could it ever do anything with a frame of this identifier? Asked once for each.
        """

    def on_change(self, stream: Stream, channel: str, handler: ChangeHandler) -> None:
        """Call handler(stream, time_s) at the end of each frame that tells the channel something new.

        That is the first frame after the stream's start, after new data, and after the channel joined the
        sender's segment. `stream.delivered` is what the frame carried.
        """

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
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

    def last_heard_at(self, streams: Iterable[Stream], channel: str) -> float | None:
        """The latest `heard_at` of several streams."""

    def tell_apart(self, gap_s: float) -> None:
        """A result depends on which of two things came first; they came gap_s apart.

        Raises `NotAtThisFidelity` if the times of this network are not as exact as that.
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
        """Set which channels share a bus from now on. Segments that stay as they are run on undisturbed.

        Raises ValueError when a channel is in two segments, or a fault names no member of its segment.
        """
