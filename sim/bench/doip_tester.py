"""The tester's side of diagnostics over IP (ISO 13400-2), on the Ethernet link of the diagnostic connector.

It asks who is there, has routing activated, and sends diagnostic messages; of each it notes what the edge
node made of it: acknowledged, refused with a code, or nothing at all.

Not modeled: TCP, a second tester, testers that fall back to CAN where the connector has both.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from simpy.events import AnyOf

from sim.bench.live import LiveCar
from sim.network import doip
from sim.network.doip import DiagnosticNackCode, DoipMessage, Payload, Routing
from sim.network.frames import Frame
from sim.vehicle.elements import TESTER_LINK

SOURCE: Final = doip.TESTER_ADDRESSES[0]


class DoipTester:
    """One tester. announced: the car has said who it is. routing: how its request for routing was answered.

    outcome: by logical address, what became of the last message: True acknowledged, a code, None nothing.
    """

    def __init__(self, live: LiveCar) -> None:
        self._live = live
        self._heard = live.env.event()
        self.announced = False
        self.routing: Routing | None = None
        self.outcome: dict[int, DiagnosticNackCode | bool | None] = {}
        self._target = -1
        self._on_response: Callable[[bytes], None] | None = None
        self._on_refusal: Callable[[], None] | None = None
        live.network.listen(TESTER_LINK, self._frame)

    def connect(self) -> bool:
        """Find the car and have routing activated; False where no entity answers within A_DoIP_Ctrl."""
        self.announced, self.routing, self.outcome = False, None, {}
        self._live.network.drop(TESTER_LINK)
        activation = SOURCE.to_bytes(2, "big") + bytes(5)
        return (
            self._ask(doip.message(Payload.IDENTIFY, b"", doip.VERSION), lambda: self.announced)
            and self._ask(
                doip.message(Payload.ACTIVATE_ROUTING, activation), lambda: self.routing is not None
            )
            and self.routing == Routing.ACTIVATED
        )

    def ask(
        self,
        target: int,
        request: bytes,
        on_response: Callable[[bytes], None],
        on_refusal: Callable[[], None],
    ) -> None:
        """Send a diagnostic message; one call for each response, or one when the edge node refuses it."""
        self._target, self._on_response, self._on_refusal = target, on_response, on_refusal
        self.outcome[target] = None
        self._put(doip.diagnostic(SOURCE, target, request))

    def ask_all(self, request: bytes) -> None:
        """Send a functional request, of up to seven bytes, to every module."""
        self._put(doip.diagnostic(SOURCE, doip.EVERY_MODULE, request))

    def forget(self) -> None:
        """What comes later answers no request."""
        self._live.network.drop(TESTER_LINK)
        self._on_response = self._on_refusal = None

    def why_silent(self, target: int, edge: str) -> str:
        """What is known of a module that did not respond, in words. edge: the edge node's module."""
        if self.routing is None:
            return f"{edge} does not answer on Ethernet" if not self.announced else f"{edge} gives no routing"
        match self.outcome.get(target):
            case True:
                return f"{edge} acknowledges, the module does not answer"
            case DiagnosticNackCode() as code:
                return f"{edge}: {doip.NACK_WORDS[code]} (code {code:02X})"
        return f"{edge} does not acknowledge"

    def _ask(self, message: bytes, done: Callable[[], bool]) -> bool:
        env = self._live.env
        limit = env.timeout(doip.CONTROL_S)
        self._put(message)
        while not done() and not limit.processed:
            self._heard = env.event()
            env.run(until=AnyOf(env, [self._heard, limit]))
        return done()

    def _put(self, data: bytes) -> None:
        self._live.network.send(TESTER_LINK, Frame(doip.CONVERSATION, data, ip=True))

    def _frame(self, frame: Frame, sender: str, time_s: float) -> None:
        message = DoipMessage.read(frame.data) if frame.ip else None
        if message is None:
            return
        match message.header.payload:
            case Payload.ANNOUNCEMENT:
                self.announced = True
            case Payload.ROUTING_ANSWER:
                self.routing = Routing(message.user_data[0])
            case Payload.DIAGNOSTIC_ACK:
                self.outcome[message.source] = True
            case Payload.DIAGNOSTIC_NACK:
                self.outcome[message.source] = DiagnosticNackCode(message.user_data[0])
                if message.source == self._target and self._on_refusal:
                    self._on_refusal()
            case Payload.DIAGNOSTIC:
                if message.source == self._target and self._on_response:
                    self._on_response(message.user_data)
        if not self._heard.triggered:
            self._heard.succeed()
