"""A tester at the diagnostic connector: it asks modules over the bus, as the wiring and gateways let it.

The tester takes its power from pin 16 and its ground from pins 4 and 5; it knows the modules from the car's
description, as a technician has them from the service information.

Where the connector has an Ethernet link it asks by diagnostics over IP, through the gateway at its other end.

Not modeled: bit rates other than the diagnostic line's, several testers at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from simpy.events import AnyOf

from sim.bench.doip_tester import DoipTester
from sim.bench.live import LiveCar
from sim.modules import uds_client as asks
from sim.modules.diagnostics import SECRET
from sim.modules.security_access import SharedSecret
from sim.modules.signals import Codec
from sim.modules.uds_protocol import P2_STAR_MS, SUPPRESS, Session, response_pending
from sim.modules.uds_responses import (
    DtcsRead,
    NegativeResponse,
    NoResponse,
    PositiveResponse,
    ReportedDtc,
    Response,
    decode,
    worded,
)
from sim.modules.world import Timer
from sim.network.clock import CLOCK_S
from sim.network.doip import NACK_WORDS, DiagnosticNackCode
from sim.network.frames import Frame
from sim.network.isotp import IsoTpLink, single_frame
from sim.vehicle.addresses import FUNCTIONAL_ID, RESPONSE_OFFSET
from sim.vehicle.elements import TESTER, TESTER_LINK

WAIT_S = 0.15  # for a response through a gateway: P2 of 50 ms (ISO 14229-2) and a margin; common practice
TRIES = 2
WAKE_S = 0.6  # the tester's first frames may only wake modules up; common practice
PRESENT_S = 2.0  # TesterPresent repeated, S3Client of ISO 14229-2 (from memory)
PAUSE_S = 0.05


@dataclass(frozen=True, slots=True)
class ModuleReport:
    """One module in a report: does it answer, and which codes does it hold."""

    module: str
    answers: bool
    codes: tuple[ReportedDtc, ...] = ()
    note: str = ""

    def rows(self) -> list[dict[str, str]]:
        """One row per code, or the one of a module without any."""
        head = {"module": self.module, "answer": "answers" if self.answers else "no answer"}
        if not self.codes:
            text = self.note or ("no codes" if self.answers else "")
            return [{**head, "code": "", "text": text, "status": ""}]
        states = ["present" if one.failing_now else "stored" for one in self.codes]
        return [
            {**head, "code": one.code, "text": one.description, "status": f"{state} ({one.status:02X})"}
            for one, state in zip(self.codes, states, strict=True)
        ]


@dataclass(frozen=True, slots=True)
class Report:
    """What a scan found, module by module in the car's order. `power`: the tester had supply from pin 16."""

    time_s: float
    power: bool
    modules: tuple[ModuleReport, ...]

    @property
    def codes(self) -> frozenset[tuple[str, str]]:
        """(module, code) of everything that is stored."""
        return frozenset((entry.module, code.code) for entry in self.modules for code in entry.codes)

    @property
    def silent(self) -> tuple[str, ...]:
        """Modules that did not answer."""
        return tuple(entry.module for entry in self.modules if not entry.answers)

    def of(self, module: str) -> ModuleReport:
        """One module's part of the report."""
        return next(entry for entry in self.modules if entry.module == module)

    def rows(self) -> list[dict[str, str]]:
        """One row per code, and one per module without any: what a printed report shows."""
        return [row for entry in self.modules for row in entry.rows()]


@dataclass(frozen=True, slots=True)
class Difference:
    """What changed between two reports: (module, code) that came and went, modules silent or back."""

    new_codes: tuple[tuple[str, str], ...]
    gone_codes: tuple[tuple[str, str], ...]
    now_silent: tuple[str, ...]
    now_answering: tuple[str, ...]


def difference(before: Report, after: Report) -> Difference:
    """Compare two saved reports."""
    return Difference(
        tuple(sorted(after.codes - before.codes)),
        tuple(sorted(before.codes - after.codes)),
        tuple(sorted(set(after.silent) - set(before.silent))),
        tuple(sorted(set(before.silent) - set(after.silent))),
    )


def functional_frame(request: bytes) -> Frame:
    """A request to every module, in a single frame."""
    return single_frame(FUNCTIONAL_ID, request)


class Tester:
    """Asks one module at a time; simulated time passes while it waits."""

    def __init__(self, live: LiveCar) -> None:
        self._live = live
        self._inbox: list[bytes] = []
        self._arrived = live.env.event()
        self._link: IsoTpLink | None = None
        self._expected_id = -1
        self._present_s = 0.0
        self._held: set[str] = set()  # modules whose session stays open: a tester holds outputs of theirs
        self._present: Timer | None = None
        self._at_work = False
        self.on_frame: Callable[[Frame], None] | None = None  # who else hears what comes over the bus
        self.keys = SharedSecret(SECRET)
        live.network.listen(TESTER, self._frame)
        link = live.car.transceivers.get(TESTER_LINK)
        self.doip = DoipTester(live) if link else None
        ends = [stop.name for stop in live.car.built.buses[link.bus].stops] if link else []
        self.edge = next((name for name in ends if name in live.modules), "")  # its edge node

    def scan(self, progress: Callable[[int, int], None] | None = None) -> Report:
        """Read the codes of every module that has an address."""
        live = self._live
        names = list(live.car.addresses)
        if not self.begin("reads the codes of all modules"):
            return Report(live.now_s, False, tuple(ModuleReport(name, False) for name in names))
        found = []
        for place, name in enumerate(names):
            found.append(self._report_of(name))
            if progress:
                progress(place + 1, len(names))
        self.end()
        return Report(live.now_s, True, tuple(found))

    def clear(self, names: list[str]) -> dict[str, Response]:
        """Clear the codes of modules; each one's response (`NegativeResponse` where a gateway is locked)."""
        words = f"clears the codes of {names[0] if len(names) == 1 else 'all modules'}"
        return self._with_power(
            words, names, lambda name: self.ask(name, asks.clear_diagnostic_information())
        )

    def unlock(self, name: str) -> Response:
        """Security access to one module: extended session, seed, key."""
        return self._with_power(f"unlocks {name}", [name], self._unlock)[name]

    def ask(self, name: str, request: bytes) -> Response:
        """One request to one module, repeated once when nothing comes."""
        if self._live.now_s >= self._present_s + PRESENT_S - CLOCK_S:
            self._keep_awake()
        for _ in range(TRIES):
            response = decode(name, request, self._exchange(name, request))
            if not isinstance(response, NoResponse):
                return worded(response, self._live.car.built.code_texts)
        return NoResponse(name)

    @property
    def codec(self) -> Codec:
        """How the car's signals are written: a tester has it from the service information."""
        return self._live.world.codec

    @property
    def now_s(self) -> float:
        """Simulated time, in s."""
        return self._live.now_s

    def wait(self, for_s: float) -> None:
        """Let time pass while the tester stays connected."""
        self._live.run(for_s)

    def after(self, delay_s: float, action: Callable[[], None]) -> Timer:
        """Call `action` after a delay."""
        return self._live.world.after(delay_s, action)

    def transmit(self, frame: Frame, on_sent: Callable[[float], None]) -> Callable[[], None]:
        """Send one frame from the diagnostic connector; returns how to take it back."""
        return self._live.network.send(TESTER, frame, on_sent)

    def hold_codes(self, held: bool) -> None:
        """Let no module set codes meanwhile, or let them again; sent to all modules at once."""
        session = Session.EXTENDED if held else Session.DEFAULT
        requests = [asks.diagnostic_session_control(session), asks.control_dtc_setting(not held)]
        for request in requests if held else reversed(requests):
            silent = request[:1] + bytes([request[1] | SUPPRESS])
            self._to_all(silent)
            self._live.run(PAUSE_S)

    def _with_power(
        self, words: str, names: list[str], ask: Callable[[str], Response]
    ) -> dict[str, Response]:
        if not self.begin(words):
            return {name: NoResponse(name) for name in names}
        answers = {name: ask(name) for name in names}
        self.end()
        return answers

    def _report_of(self, name: str) -> ModuleReport:
        response = self.ask(name, asks.report_dtc_by_status_mask())
        match response:
            case DtcsRead():
                return ModuleReport(name, True, response.codes)
            case NoResponse():
                return ModuleReport(name, False, (), self._why_silent(name))
            case NegativeResponse():
                return ModuleReport(name, True, (), f"{response.text} ({response.bytes_text})")
        return ModuleReport(name, True, (), "an invalid response")

    def _why_silent(self, name: str) -> str:
        """What diagnostics over IP tell of a module that does not respond; nothing on CAN."""
        return self.doip.why_silent(self._live.car.addresses[name], self.edge) if self.doip else ""

    def told_of(self, name: str) -> str:
        """What the edge node made of the last diagnostic message to a module; empty if not known."""
        outcome = self.doip.outcome.get(self._live.car.addresses[name]) if self.doip else None
        if outcome is None:
            return ""
        if outcome is True:
            return f"{self.edge} acknowledges the diagnostic message: it is on its way, and no response comes"
        words = NACK_WORDS[DiagnosticNackCode(outcome)]
        return f"{self.edge} refuses the diagnostic message: {words} (code {outcome:02X})"

    def _unlock(self, name: str) -> Response:
        return self.unlock_in(name, Session.EXTENDED)

    def unlock_in(self, name: str, session: Session) -> Response:
        """Security access in a session; the programming session is reached through the extended one."""
        response = self.ask(name, asks.diagnostic_session_control(Session.EXTENDED))
        if session != Session.EXTENDED and isinstance(response, PositiveResponse):
            response = self.ask(name, asks.diagnostic_session_control(session))
        if not isinstance(response, PositiveResponse):
            return response
        seed = self.ask(name, asks.request_seed())
        if not isinstance(seed, PositiveResponse):
            return seed
        return self.ask(name, asks.send_key(self.keys.key(seed.data[1:])))

    def begin(self, words: str) -> bool:
        """Connect and wake all modules; False without power from the diagnostic connector."""
        live = self._live
        self._at_work = True
        live.tester(True, words)
        live.run(0.001)
        if not live.tester_has_power:
            self._held.clear()
            self._at_work = False
            live.tester(False)
            return False
        if self.doip and self.doip.routing is None:
            self.doip.connect()
        for _ in range(3):
            self._keep_awake()
            live.run(WAKE_S / 3)
        return True

    def _keep_awake(self) -> None:
        """TesterPresent to all modules: those asleep wake up, and open sessions stay open."""
        self._to_all(asks.send_tester_present())
        self._present_s = self._live.now_s

    def _to_all(self, request: bytes) -> None:
        if self.doip:
            self.doip.ask_all(request)
        else:
            self._live.network.send(TESTER, functional_frame(request))

    def end(self) -> None:
        """Disconnect, unless a session is held."""
        self._at_work = False
        if not self._held:
            self._disconnect()
        self._live.run(PAUSE_S)

    def _disconnect(self) -> None:
        self._live.tester(False)
        if self.doip:
            self.doip.routing = None

    def hold(self, name: str) -> None:
        """Stay connected when this job ends, so that the module's session does not."""
        self._held.add(name)
        if self._present is None:
            self._present = self._live.world.after(PRESENT_S, self._go_on)

    def let_go(self, name: str) -> None:
        """Hold a module's session no longer."""
        self._held.discard(name)

    @property
    def held(self) -> frozenset[str]:
        """Modules whose sessions are held."""
        return frozenset(self._held)

    def _go_on(self) -> None:
        """TesterPresent every so often while a session is held and the tester has power."""
        self._present = None
        if not self._live.tester_has_power:
            self._held.clear()
        if self._held:
            self._keep_awake()
            self._present = self._live.world.after(PRESENT_S, self._go_on)
        elif not self._at_work:
            self._disconnect()

    def _exchange(self, name: str, request: bytes) -> bytes | None:
        live = self._live
        address = live.car.addresses[name]
        self._expected_id = address + RESPONSE_OFFSET
        self._inbox = []
        self._arrived = live.env.event()
        if self.doip:
            self.doip.ask(address, request, self._message, self._refused)
        else:
            send = partial(live.network.send, TESTER)
            self._link = IsoTpLink(live.env, send, address, self._expected_id, self._message)
            self._link.send(request)
        live.env.run(until=AnyOf(live.env, [self._arrived, live.env.timeout(WAIT_S)]))
        while self._inbox == [response_pending(request[0])]:
            self._inbox = []
            self._arrived = live.env.event()
            live.env.run(until=AnyOf(live.env, [self._arrived, live.env.timeout(P2_STAR_MS / 1000)]))
        live.network.drop(TESTER)
        if self.doip:
            self.doip.forget()
        self._link = None  # what comes later answers no request
        return self._inbox[0] if self._inbox else None

    def _frame(self, frame: Frame, sender: str, time_s: float) -> None:
        if self.on_frame is not None:
            self.on_frame(frame)
        if self._link is not None and frame.can_id == self._expected_id:
            self._link.frame(frame)

    def _refused(self) -> None:
        """The edge node says that the request does not get through."""
        if not self._arrived.triggered:
            self._arrived.succeed()

    def _message(self, data: bytes) -> None:
        self._inbox.append(data)
        if not self._arrived.triggered:
            self._arrived.succeed()
