"""The immobilizer: challenge, response and release as frames between the fobs' module and the engine's.

Both ends share a secret; the numbers follow from the run's seed so that a replay repeats them.

A module that was exchanged and not matched to the other end does not know the secret: its proof is wrong, and
it is denied.

Not modeled: rolling codes of the fob itself, secured storage, a limited number of fobs.
"""

from __future__ import annotations

import hmac

from sim.modules.fault_recorder import FaultRecorder, Maturing
from sim.modules.knowledge import Knowledge
from sim.modules.set_up import SetUp
from sim.modules.world import Host, Timer
from sim.network.frames import Frame
from sim.vehicle.codes import with_failure_type
from sim.vehicle.description_software import Immobilizer

PATIENCE = 3  # challenges without a right response before it is told: the engine module may still be booting
SECRET = b"invented secret of an invented car"
OTHER_SECRET = b"that of a module which was never matched"
DENIED = bytes(4)


def response_to(challenge: bytes, secret: bytes = SECRET) -> bytes:
    """The four bytes that prove the secret."""
    return hmac.digest(secret, challenge, "sha256")[:4]


class Denial:
    """The test that fails when the other end denies a start, and passes with the next release."""

    def __init__(self, host: Host, faults: FaultRecorder, code: str | None) -> None:
        words = "the immobilizer does not recognize it"
        coded = None if code is None else with_failure_type(code)
        self._test = None if coded is None else Maturing(faults, coded, 0.0, 0.0, lambda: words)
        self.tests = [] if self._test is None else [self._test]
        self.failing = False

    def failed(self, *causes: int | None) -> None:
        """Denied."""
        self.failing = True
        if self._test:
            known = tuple(event for event in causes if event is not None)
            self._test.judge(True, lambda: known)

    def passed(self) -> None:
        """Released."""
        self.failing = False
        if self._test:
            self._test.judge(False, tuple)

    def update(self) -> None:
        """Nothing changes by itself."""

    def rest(self) -> None:
        """Supply lost, reset or asleep: what is stored stays."""
        self.failing = False
        if self._test:
            self._test.rest()


class _Side:
    """One of the two modules. event: the last time it locked, asked or was released."""

    def __init__(
        self, host: Host, knowledge: Knowledge, spec: Immobilizer, set_up: SetUp, faults: FaultRecorder
    ) -> None:
        self._set_up = set_up
        self.denial = Denial(host, faults, self._code(spec))
        self._host = host
        self._knowledge = knowledge
        self._spec = spec
        self.released = False
        self.event: int | None = None

    def _code(self, spec: Immobilizer) -> str | None:
        raise NotImplementedError

    def _note(self, words: str, *causes: int | None) -> None:
        self.event = self._host.record("immobilizer", words, causes)


class Authority(_Side):
    """Asks the engine module for proof while the car is in run or crank, and releases it."""

    def __init__(
        self, host: Host, knowledge: Knowledge, spec: Immobilizer, set_up: SetUp, faults: FaultRecorder
    ) -> None:
        super().__init__(host, knowledge, spec, set_up, faults)
        self._tries = 0
        self._asked: bytes | None = None
        self._unproved = 0
        self._fob_missed = False
        self._timer: Timer | None = None

    def _code(self, spec: Immobilizer) -> str | None:
        return spec.authority_code

    def reset(self) -> None:
        """Locked again, nothing asked."""
        self.released = self._fob_missed = False
        self._asked = None
        self._unproved = 0
        self._stop_asking()

    def update(self) -> None:
        """Ask when there is reason to; lock when the car is switched off."""
        mode = self._knowledge.known_mode()
        if mode in ("off", "accessory"):
            if self.released:
                self._note("immobilizer locks", self._knowledge.mode_event())
            self.reset()
        elif mode in ("run", "crank") and not self.released and self._timer is None:
            if self._host.world.fob.value != "away":
                self._ask()
            elif not self._fob_missed:
                self._fob_missed = True
                fob, mode_event = self._host.world.fob, self._knowledge.mode_event()
                self._note(f"{self._host.name} finds no fob", mode_event, fob.event)

    def _stop_asking(self) -> None:
        if self._timer:
            self._timer.cancel()
        self._timer = None

    def _ask(self) -> None:
        world = self._host.world
        self._tries += 1
        number = f"{world.seed}:{self._tries}".encode()
        if self._asked is None:
            words = f"{self._host.name} sends {self._spec.engine} a challenge"
            self._note(words, self._knowledge.mode_event(), world.fob.event)
        self._asked = hmac.digest(b"challenge", number, "sha256")[:4]
        self._host.send(Frame(self._spec.challenge_id, self._asked))
        self._timer = world.after(self._spec.retry_ms / 1000, self._again)

    def _again(self) -> None:
        self._timer = None
        self._unproved += 1
        if self._unproved == PATIENCE:
            words = f"{self._host.name} gets no valid response from {self._spec.engine}"
            path = self._host.world.explainer.broken_path(self._host.name, self._spec.engine)
            self._note(words, self.event, *path)
        if self._host.state == "running":
            self.update()

    def frame(self, frame: Frame) -> None:
        """A single frame has arrived."""
        if frame.can_id != self._spec.answer_id or self._asked is None or self.released:
            return
        if not hmac.compare_digest(frame.data, response_to(self._asked)):
            self._deny()
        else:
            self.released = True
            self.denial.passed()
            self._stop_asking()
            self._note(f"{self._spec.engine} is authenticated; start is released", self.event)
            self._host.send(Frame(self._spec.release_id, response_to(frame.data)))
            self._host.invalidate()

    def _deny(self) -> None:
        if not self.denial.failing:
            ends = (f"{name} keys" for name in (self._spec.authority, self._spec.engine))
            edits = [self._host.world.edit_events.get(end) for end in ends]
            self._note(f"{self._spec.engine} gives a wrong response and is rejected", self.event, *edits)
            self.denial.failed(self.event)
        self._host.send(Frame(self._spec.release_id, DENIED))


class Starter(_Side):
    """The engine module's side: responds to challenges, and runs the engine only when released."""

    def __init__(
        self, host: Host, knowledge: Knowledge, spec: Immobilizer, set_up: SetUp, faults: FaultRecorder
    ) -> None:
        super().__init__(host, knowledge, spec, set_up, faults)
        self._response: bytes | None = None

    def _code(self, spec: Immobilizer) -> str | None:
        return spec.code

    def reset(self) -> None:
        """Locked again."""
        self.released = False
        self._response = None

    def update(self) -> None:
        """Lock when the car is switched off after the release (the mode heard before it may still be off)."""
        mode_event = self._knowledge.mode_event() or 0
        off = self._knowledge.known_mode() in ("off", "accessory")
        if self.released and off and mode_event > (self.event or 0):
            self.reset()
            self.event = mode_event
            self._host.world.surroundings.invalidate()

    def frame(self, frame: Frame) -> None:
        """A single frame has arrived."""
        if frame.can_id == self._spec.challenge_id:
            secret = SECRET if self._set_up.is_matched else OTHER_SECRET
            self._response = response_to(frame.data, secret)
            self._host.send(Frame(self._spec.answer_id, self._response))
        elif frame.can_id == self._spec.release_id and self._is_proof(frame.data):
            self.released = True
            self.denial.passed()
            self._note(f"{self._host.name} is released for start", *self._host.world.explainer.release())
            self._host.world.surroundings.invalidate()

        elif frame.can_id == self._spec.release_id and frame.data == DENIED:
            self.denial.failed(*self._host.world.explainer.release())

    def _is_proof(self, data: bytes) -> bool:
        return self._response is not None and hmac.compare_digest(data, response_to(self._response))
