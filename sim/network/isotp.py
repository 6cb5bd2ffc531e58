"""ISO 15765-2 transport: diagnostic messages longer than a frame, over single CAN frames.

Frames by the first half byte: single (0), first (1), consecutive (2), flow control (3). The receiver of a
first frame answers with flow control: how many consecutive frames it takes before it wants to be asked again
(block size, 0 for all) and the shortest gap between them (STmin).

Source: paraphrase of ISO 15765-2 in the documentation of the open Python package `uds` (frame formats, time
limits); that package's first frame handler also refuses a 32-bit length that 12 bits hold, which is ignored
here without flow control, as a length below 8 is (`can-isotp` takes it). Results by name and the treatment of
unexpected frames are from memory. The standard itself was not read.

Not modeled: 29-bit identifiers, extended, mixed and normal fixed addressing, CAN FD frames, flow control
that asks to wait, for blocks or for gaps (it is obeyed, never sent), full-duplex limits of real controllers.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from enum import Enum
from functools import partial
from typing import Protocol

from simpy import Event

from sim.network.clock import NanosecondEnvironment
from sim.network.frames import MAX_DATA_BYTES, Frame

# Time limits N_As, N_Bs, N_Cr of ISO 15765-2: second-hand, `uds` documentation and Zephyr's configuration.
TIME_LIMIT_S = 1.0
# ISO 15765-2 recommends this filling of unused bytes: second-hand, `uds` documentation.
PADDING = 0xCC
# Flow controls that ask to wait, in a row, before the sender gives up: own choice, the standard leaves it.
MAX_WAITS = 10
MAX_SHORT_LENGTH = 4095  # the 12 bits of a first frame; longer ones carry a 32-bit length
MAX_LENGTH = (1 << 32) - 1

_SINGLE, _FIRST, _CONSECUTIVE, _FLOW_CONTROL = range(4)
_GO_ON, _WAIT, _OVERFLOW = range(3)
_LONG_HEAD = bytes((_FIRST << 4, 0))
# flow control of this end: all at once and without a gap, or no room
_GRANT = bytes((_FLOW_CONTROL << 4 | _GO_ON, 0, 0))
_TOO_LONG = bytes((_FLOW_CONTROL << 4 | _OVERFLOW, 0, 0))


def single_frame(can_id: int, message: bytes) -> Frame:
    """A message of up to 7 bytes as one padded frame."""
    return Frame(can_id, _padded(bytes([len(message), *message])))


def _padded(data: bytes) -> bytes:
    return data.ljust(MAX_DATA_BYTES, bytes([PADDING]))


class TransportError(Enum):
    """What went wrong with a message; the names of ISO 15765-2, from memory."""

    TIMEOUT_A = "a frame could not be sent within N_As or N_Ar"
    TIMEOUT_BS = "no flow control within N_Bs"
    TIMEOUT_CR = "no consecutive frame within N_Cr"
    WRONG_SN = "a consecutive frame with the wrong number"
    INVALID_FS = "a flow control of unknown kind"
    UNEXP_PDU = "a new message began before the last was complete"
    WFT_OVRN = "too many requests to wait"
    BUFFER_OVFLW = "the receiver has no room for a message of this length"


class Transmit(Protocol):
    """Sends one frame, later calls on_sent with the time when it is through, returns how to take it back.

    `functools.partial(network.send, channel)` of a `CanNetwork` is one.
    """

    def __call__(self, frame: Frame, on_sent: Callable[[float], None]) -> Callable[[], None]: ...


class IsoTpLink:
    """One end of a diagnostic conversation: messages out on tx_id, messages in on rx_id.

    on_message is called with each complete message, on_error with what broke one, sent or received.
    Frames from the bus must be given to `frame`. It takes messages of up to MAX_SHORT_LENGTH bytes.
    """

    def __init__(
        self,
        env: NanosecondEnvironment,
        send: Transmit,
        tx_id: int,
        rx_id: int,
        on_message: Callable[[bytes], None],
        on_error: Callable[[TransportError], None] | None = None,
    ) -> None:
        fail = on_error or (lambda result: None)
        self._rx_id = rx_id
        self._sender = _Segmenter(env, _Outlet(env, send, tx_id), fail)
        self._receiver = _Receiver(env, _Outlet(env, send, tx_id), on_message, fail)

    def send(self, data: bytes) -> None:
        """Send a message when those before it are through.

        Raises ValueError for an empty message or one beyond 32-bit length.
        """
        if not 1 <= len(data) <= MAX_LENGTH:
            raise ValueError(f"a message of {len(data)} bytes cannot be sent (1 to {MAX_LENGTH})")
        self._sender.add(data)

    def frame(self, frame: Frame) -> None:
        """A frame from the bus. Those with other identifiers or unknown contents are ignored."""
        if frame.extended or frame.can_id != self._rx_id or not frame.data:
            return
        kind = frame.data[0] >> 4
        if kind == _SINGLE:
            self._receiver.single(frame.data)
        elif kind == _FIRST:
            self._receiver.first(frame.data)
        elif kind == _CONSECUTIVE:
            self._receiver.consecutive(frame.data)
        elif kind == _FLOW_CONTROL:
            self._sender.flow_control(frame.data)

    def reset(self) -> None:
        """Forget everything under way, as a module that restarts, without a call."""
        self._sender.reset()
        self._receiver.reset()


def gap_of(st_min: int) -> float:
    """Seconds that a received STmin byte asks for; reserved values mean the longest, 127 ms (from memory)."""
    if 0xF1 <= st_min <= 0xF9:
        return (st_min - 0xF0) / 10_000
    return min(st_min, 0x7F) / 1000


class _Timer:
    """Calls `expired` at the end of its time unless stopped or started again before."""

    def __init__(self, env: NanosecondEnvironment, expired: Callable[[], None]) -> None:
        self._env = env
        self._expired = expired
        self._timeout: Event | None = None

    @property
    def running(self) -> bool:
        return self._timeout is not None

    def start(self, delay_s: float) -> None:
        self._timeout = self._env.timeout(delay_s)
        self._timeout.callbacks.append(self._fire)

    def stop(self) -> None:
        self._timeout = None

    def _fire(self, timeout: Event) -> None:
        if timeout is self._timeout:
            self._timeout = None
            self._expired()


class _Outlet:
    """Sends padded frames, one at a time, within the limit N_As (N_Ar)."""

    def __init__(self, env: NanosecondEnvironment, transmit: Transmit, tx_id: int) -> None:
        self._transmit = transmit
        self._tx_id = tx_id
        self._limit = _Timer(env, self._late)
        self._count = 0
        self._take_back: Callable[[], None] = lambda: None
        self._on_sent: Callable[[], None] = lambda: None
        self._on_late: Callable[[], None] = lambda: None

    def put(self, data: bytes, on_sent: Callable[[], None], on_late: Callable[[], None]) -> None:
        """Send one frame; one of the two is called: it is through, or the limit has passed."""
        frame = Frame(self._tx_id, _padded(data))
        self._on_sent, self._on_late = on_sent, on_late
        self._limit.start(TIME_LIMIT_S)
        self._count += 1
        self._take_back = self._transmit(frame, partial(self._sent, self._count))

    def cancel(self) -> None:
        """Forget the frame under way, without a call."""
        if self._limit.running:
            self._limit.stop()
            self._take_back()

    def _sent(self, count: int, time_s: float) -> None:
        if self._limit.running and count == self._count:  # not one that was canceled on the wire
            self._limit.stop()
            self._on_sent()

    def _late(self) -> None:
        self._take_back()
        self._on_late()


class _Segmenter:
    """Cuts messages into frames, as fast as the other end's flow control allows."""

    def __init__(
        self, env: NanosecondEnvironment, outlet: _Outlet, fail: Callable[[TransportError], None]
    ) -> None:
        self._outlet = outlet
        self._fail = fail
        self._queue: deque[bytes] = deque()
        self._busy = False
        self._rest = memoryview(b"")
        self._number = 0
        self._block_left = 0  # consecutive frames until the next flow control, below 0: none
        self._waits = 0
        self._gap_s = 0.0
        self._gap = _Timer(env, self._consecutive)
        self._flow_control_limit = _Timer(env, lambda: self._abort(TransportError.TIMEOUT_BS))

    def add(self, data: bytes) -> None:
        self._queue.append(bytes(data))
        if not self._busy:
            self._begin()

    def reset(self) -> None:
        self._queue.clear()
        self._busy = False
        self._gap.stop()
        self._flow_control_limit.stop()
        self._outlet.cancel()

    def _begin(self) -> None:
        """Send the next message's single or first frame."""
        self._busy = bool(self._queue)
        if not self._busy:
            return
        message = memoryview(self._queue.popleft())
        size = len(message)
        if size < MAX_DATA_BYTES:
            self._put(bytes((_SINGLE << 4 | size, *message)), self._begin)
            return
        head = (
            (_FIRST << 12 | size).to_bytes(2) if size <= MAX_SHORT_LENGTH else _LONG_HEAD + size.to_bytes(4)
        )
        room = MAX_DATA_BYTES - len(head)
        self._rest = message[room:]
        self._number = 0
        self._waits = 0
        self._put(head + message[:room], self._await_flow_control)

    def _put(self, data: bytes, on_sent: Callable[[], None]) -> None:
        self._outlet.put(data, on_sent, lambda: self._abort(TransportError.TIMEOUT_A))

    def _await_flow_control(self) -> None:
        self._flow_control_limit.start(TIME_LIMIT_S)

    def flow_control(self, data: bytes) -> None:
        """The other end says how to go on; ignored when nothing waits for it."""
        if not self._flow_control_limit.running or len(data) < 3:
            return
        status, block_size, st_min = data[0] & 0xF, data[1], data[2]
        if status == _GO_ON:
            self._flow_control_limit.stop()
            self._waits = 0
            self._block_left = block_size or -1
            self._gap_s = gap_of(st_min)
            self._consecutive()
        elif status == _WAIT and self._waits < MAX_WAITS:
            self._waits += 1
            self._await_flow_control()
        elif status == _WAIT:
            self._abort(TransportError.WFT_OVRN)
        elif status == _OVERFLOW:
            self._abort(TransportError.BUFFER_OVFLW)
        else:
            self._abort(TransportError.INVALID_FS)

    def _consecutive(self) -> None:
        self._number = (self._number + 1) % 16
        chunk, self._rest = self._rest[: MAX_DATA_BYTES - 1], self._rest[MAX_DATA_BYTES - 1 :]
        self._block_left -= 1
        self._put(bytes((_CONSECUTIVE << 4 | self._number, *chunk)), self._go_on)

    def _go_on(self) -> None:
        if not self._rest:
            self._begin()
        elif self._block_left == 0:
            self._await_flow_control()
        else:
            self._gap.start(self._gap_s)

    def _abort(self, result: TransportError) -> None:
        """Give the message up and go on with the next."""
        self._flow_control_limit.stop()
        self._fail(result)
        self._begin()


class _Receiver:
    """Puts messages together and grants flow control."""

    def __init__(
        self,
        env: NanosecondEnvironment,
        outlet: _Outlet,
        on_message: Callable[[bytes], None],
        fail: Callable[[TransportError], None],
    ) -> None:
        self._outlet = outlet
        self._on_message = on_message
        self._fail = fail
        self._buffer = bytearray()
        self._size = 0  # of the message under way, 0 for none
        self._number = 0
        self._frame_limit = _Timer(env, lambda: self._abort(TransportError.TIMEOUT_CR))

    def reset(self) -> None:
        self._size = 0
        self._frame_limit.stop()
        self._outlet.cancel()

    def single(self, data: bytes) -> None:
        size = data[0] & 0xF
        if 1 <= size < len(data):
            self._give_up_unfinished()
            self._on_message(data[1 : 1 + size])

    def first(self, data: bytes) -> None:
        size, start = int.from_bytes(data[:2]) & 0xFFF, 2
        least = MAX_DATA_BYTES
        if size == 0:
            size, start, least = int.from_bytes(data[2:6]), 6, MAX_SHORT_LENGTH + 1
        if len(data) < MAX_DATA_BYTES or size < least:
            return
        self._give_up_unfinished()
        if size > MAX_SHORT_LENGTH:
            self._outlet.put(_TOO_LONG, lambda: None, lambda: self._fail(TransportError.TIMEOUT_A))
            return
        self._buffer = bytearray(data[start:])
        self._size = size
        self._number = 0
        self._grant()

    def consecutive(self, data: bytes) -> None:
        wanted = min(self._size - len(self._buffer), MAX_DATA_BYTES - 1)
        if self._size == 0 or len(data) <= wanted:
            return
        self._number += 1
        if data[0] & 0xF != self._number % 16:
            self._abort(TransportError.WRONG_SN)
            return
        self._buffer += data[1 : 1 + wanted]
        if len(self._buffer) == self._size:
            self.reset()
            self._on_message(bytes(self._buffer))
        else:
            self._await_frame()

    def _grant(self) -> None:
        self._frame_limit.stop()
        self._outlet.put(_GRANT, self._await_frame, lambda: self._abort(TransportError.TIMEOUT_A))

    def _await_frame(self) -> None:
        self._frame_limit.start(TIME_LIMIT_S)

    def _give_up_unfinished(self) -> None:
        if self._size:
            self._abort(TransportError.UNEXP_PDU)

    def _abort(self, result: TransportError) -> None:
        self.reset()
        self._fail(result)
