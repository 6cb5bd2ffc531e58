"""What outside programs plug into the car's diagnostic connector; runs in the car's thread.

Everything goes over the car's own wires: requests as ISO 15765-2 frames that the connector sends, answers as
frames that it hears. So what keeps a tester from a module keeps an outside program from it too.

Requests to one module are sent one after the other, each when the one before is answered or has been waited
for; several modules are asked at the same time.

Not modeled: a serial line or a second CAN pair at the connector; other bit rates than the line's.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from sim.bench.live import LiveCar
from sim.bench.tester import WAIT_S, WAKE_S, functional_frame
from sim.link.tap import add_tap
from sim.modules.uds_client import send_tester_present
from sim.modules.uds_protocol import P2_STAR_MS, response_pending
from sim.modules.world import Timer
from sim.network.doip import DiagnosticNackCode
from sim.network.frames import MAX_DATA_BYTES, Frame
from sim.network.isotp import TIME_LIMIT_S, IsoTpLink, TransportError
from sim.vehicle.addresses import RESPONSE_OFFSET
from sim.vehicle.elements import TESTER

MAX_WAITING: Final = 1024  # requests
MAX_AT_ONCE: Final = 4  # modules asked at the same time: gateways hold few frames, slow buses are soon full
SENT_WITHIN_S: Final = 2.0  # a request is acknowledged or refused by then (ISO 13400-2, diagnostic message)
MAX_FUNCTIONAL_BYTES: Final = MAX_DATA_BYTES - 1  # a request to every module is a single frame
MAX_RAW_WAITING: Final = 256  # frames from outside that the bus has not taken yet
RAW_HOLD_S: Final = 5.0  # a program that sends frames keeps the car awake as long as S3 (ISO 14229-2)
LATE_S: Final = 2.0  # an answer that crowded buses hold up is passed on until then, unless a request follows
SILENT_WHILE_PENDING_S: Final = P2_STAR_MS / 1000 + WAIT_S
# First half bytes of ISO 15765-2 frames
_LONGER: Final = (1, 2)  # first and consecutive
_FLOW_CONTROL: Final = 3

OnSent = Callable[[DiagnosticNackCode | None], None]
OnAnswer = Callable[[bytes], None]
OnFrame = Callable[[float, Frame], None]


@dataclass(slots=True, eq=False)
class _Request:
    """A request under way. on_sent is called once: None when all of it is on the bus, or why it is not."""

    data: bytes
    on_sent: OnSent
    on_answer: OnAnswer
    sent: bool = False

    def settle(self, refusal: DiagnosticNackCode | None) -> None:
        """Tell the outcome of sending, unless told before."""
        if not self.sent:
            self.sent = True
            self.on_sent(refusal)


class _Conversation:
    """The talk with one module, one request at a time. on_free: it can take the next."""

    def __init__(self, live: LiveCar, address: int, on_free: Callable[[], None]) -> None:
        self._live = live
        self._on_free = on_free
        self._current: _Request | None = None
        self._frames_left = 0
        self._overdue = False  # the answer should have come by now
        self._patience: Timer | None = None
        self._link = IsoTpLink(
            live.env, self._transmit, address, address + RESPONSE_OFFSET, self._answered, self._failed
        )

    @property
    def busy(self) -> bool:
        """Is there a request under way that an answer may still come to?"""
        return self._current is not None and not self._overdue

    def ask(self, request: _Request) -> None:
        """Send a request; only while not busy."""
        self._forget()
        self._current = request
        size = len(request.data)
        # ISO 15765-2: a single frame holds 7 bytes, a first frame 6, each further frame 7
        self._frames_left = 1 if size < MAX_DATA_BYTES else 1 + -(-(size - 6) // 7)
        self._link.send(request.data)

    def expect(self, on_answer: OnAnswer) -> None:
        """A functional request was sent: pass on what this module answers, unless it is busy."""
        if not self.busy:
            self._forget()
            self._current = _Request(b"", lambda refusal: None, on_answer, sent=True)
            self._wait(WAIT_S, self._no_answer_yet)

    def frame(self, frame: Frame) -> None:
        """A frame that this module has sent."""
        if self._current is None:
            return
        if self._current.sent and frame.data[:1] and frame.data[0] >> 4 in _LONGER:
            self._wait(TIME_LIMIT_S + WAIT_S)  # an answer in several frames has begun; N_Cr ends it
        self._link.frame(frame)

    def give_up(self, request: _Request) -> None:
        """Two seconds are over and not all of it is on the bus."""
        if request is self._current and not request.sent:
            self._end(DiagnosticNackCode.TRANSPORT)

    def _transmit(self, frame: Frame, on_sent: Callable[[float], None]) -> Callable[[], None]:
        is_request = frame.data[0] >> 4 != _FLOW_CONTROL
        return self._live.network.send(TESTER, frame, partial(self._through, on_sent, is_request))

    def _through(self, on_sent: Callable[[float], None], is_request: bool, time_s: float) -> None:
        request = self._current
        on_sent(time_s)
        if not is_request or request is None or request is not self._current or request.sent:
            return
        self._frames_left -= 1
        if self._frames_left == 0:
            request.settle(None)
            self._wait(WAIT_S, self._no_answer_yet)

    def _answered(self, data: bytes) -> None:
        request = self._current
        if request is None or not request.sent:
            return
        request.on_answer(data)
        if len(data) > 1 and data == response_pending(data[1]):
            self._wait(SILENT_WHILE_PENDING_S)
        else:
            self._end()

    def _failed(self, result: TransportError) -> None:
        if result is not TransportError.UNEXP_PDU:
            self._end(
                DiagnosticNackCode.UNREACHABLE
                if result is TransportError.TIMEOUT_A
                else DiagnosticNackCode.TRANSPORT
            )

    def _wait(self, for_s: float, then: Callable[[], None] | None = None) -> None:
        if self._patience:
            self._patience.cancel()
        self._overdue = False
        self._patience = self._live.world.after(for_s, then or self._end)

    def _no_answer_yet(self) -> None:
        """The next request may come; while there is none, a slow answer is still passed on."""
        self._wait(LATE_S - WAIT_S)
        self._overdue = True
        self._on_free()

    def _end(self, refusal: DiagnosticNackCode = DiagnosticNackCode.TRANSPORT) -> None:
        """Nothing more comes. `refusal`: why, if the request is not even sent."""
        request = self._current
        self._forget()
        if request is not None:
            request.settle(refusal)
            self._on_free()

    def _forget(self) -> None:
        if self._patience:
            self._patience.cancel()
            self._patience = None
        self._overdue = False
        self._current = None
        self._link.reset()


class Adapter:
    """One adapter at the diagnostic connector, shared by all outside programs.

    addresses: modules by logical address, which is their CAN request identifier.
    """

    def __init__(self, live: LiveCar) -> None:
        self.addresses = {address: name for name, address in live.car.addresses.items()}
        self.raw_dropped = 0
        self._live = live
        self._holders: set[object] = set()
        self._awake_from_s = 0.0
        self._conversations = {
            address: _Conversation(live, address, self._next) for address in self.addresses
        }
        self._waiting: deque[tuple[_Conversation, _Request]] = deque()
        self._raw_waiting = 0
        self._raw_hold: Timer | None = None
        self._ears: list[OnFrame] = []
        self._end_tap: Callable[[], None] = _nothing
        live.network.listen(TESTER, self._heard)

    def hold(self, holder: object, on_awake: Callable[[], None]) -> None:
        """Keep the car awake for a program until `release`. on_awake: called when it has had time to wake."""
        if not self._holders:
            self._live.tester(True, "talks through the live link")
            self._awake_from_s = self._live.now_s + WAKE_S
            self._wake_up()
        self._holders.add(holder)
        self._live.world.after(max(0.0, self._awake_from_s - self._live.now_s), on_awake)

    def release(self, holder: object) -> None:
        """This holder talks no more; releasing twice does no harm."""
        if holder in self._holders:
            self._holders.remove(holder)
            if not self._holders:
                self._live.tester(False)

    def ask(self, address: int, data: bytes, on_sent: OnSent, on_answer: OnAnswer) -> None:
        """A request to one module, at least one byte. on_sent: all of it was sent (None), or why not; then
        on_answer for each answer, also those that ask for patience."""
        conversation, request = self._conversations[address], _Request(data, on_sent, on_answer)
        if len(self._waiting) >= MAX_WAITING:
            request.settle(DiagnosticNackCode.OUT_OF_MEMORY)
            return
        self._waiting.append((conversation, request))
        self._live.world.after(SENT_WITHIN_S, partial(self._too_late, conversation, request))
        self._next()

    def _next(self) -> None:
        """Send what waits and can be sent now, in the order in which it came."""
        busy = sum(conversation.busy for conversation in self._conversations.values())
        for entry in list(self._waiting):
            conversation, request = entry
            if busy >= MAX_AT_ONCE:
                return
            if request.sent:
                self._waiting.remove(entry)  # given up while it waited
            elif not conversation.busy:
                self._waiting.remove(entry)
                conversation.ask(request)
                busy += 1

    def _too_late(self, conversation: _Conversation, request: _Request) -> None:
        conversation.give_up(request)
        request.settle(DiagnosticNackCode.OUT_OF_MEMORY)

    def ask_all(self, data: bytes, on_sent: OnSent, on_answer: Callable[[int, bytes], None]) -> None:
        """A request of 1 to 7 bytes to every module; on_answer gets the address of who answers."""

        def through() -> None:
            on_sent(None)
            for address, conversation in self._conversations.items():
                conversation.expect(partial(on_answer, address))

        self._send(functional_frame(data), through, lambda: on_sent(DiagnosticNackCode.UNREACHABLE))

    def send_raw(self, frame: Frame) -> None:
        """Send a frame from outside as soon as the bus takes it; too many at once are dropped."""
        if self._raw_waiting >= MAX_RAW_WAITING:
            self.raw_dropped += 1
            return
        if self._raw_hold is None:
            self.hold(self, _nothing)
        else:
            self._raw_hold.cancel()
        self._raw_hold = self._live.world.after(RAW_HOLD_S, self._raw_silence)
        self._raw_waiting += 1
        self._send(frame, self._raw_done, self._raw_done)

    def hear_raw(self, ear: OnFrame) -> None:
        """Plug in for good, and call ear(time_s, frame) for every frame that the connector hears.

        It acknowledges what it hears; it keeps no module awake.
        """
        if not self._ears:
            self._live.plug_in()
            self._end_tap = add_tap(self._live, self._tapped)
        self._ears.append(ear)

    def unplug(self) -> None:
        """Take the adapter out of the connector: nothing holds the car awake any more."""
        self._holders.clear()
        self._live.tester(False)
        self._live.plug_in(False)
        self._end_tap()
        self._ears.clear()
        self._end_tap = _nothing

    def _wake_up(self) -> None:
        """Frames that only wake modules up, as `sim.bench.tester` sends them."""
        frame = functional_frame(send_tester_present())
        for part in range(3):
            self._live.world.after(0.001 + part * WAKE_S / 3, partial(self._send, frame, _nothing, _nothing))

    def _send(self, frame: Frame, through: Callable[[], None], late: Callable[[], None]) -> None:
        """Send one frame; exactly one of the two is called, the latter after N_As (ISO 15765-2)."""
        limit = self._live.world.after(TIME_LIMIT_S, lambda: expire())

        def sent(time_s: float) -> None:
            if limit.waiting:
                limit.cancel()
                through()

        take_back = self._live.network.send(TESTER, frame, sent)

        def expire() -> None:
            take_back()
            late()

    def _raw_done(self) -> None:
        self._raw_waiting -= 1

    def _raw_silence(self) -> None:
        self._raw_hold = None
        self.release(self)

    def _heard(self, frame: Frame, sender: str, time_s: float) -> None:
        conversation = self._conversations.get(frame.can_id - RESPONSE_OFFSET)
        if conversation and not frame.extended:
            conversation.frame(frame)

    def _tapped(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        segment = self._live.network.segment_of(TESTER)
        if sender != TESTER and sender in segment.members:
            for ear in self._ears:
                ear(end_s, frame)


def _nothing() -> None:
    return
