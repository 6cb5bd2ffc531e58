"""The immobilizer: challenge, answer and release as frames between the fobs' module and the engine's.

Both ends share a secret; the numbers follow from the run's seed so that a replay repeats them.

Not modelled: rolling codes of the fob itself, matching of exchanged modules, secured storage.
"""

from __future__ import annotations

import hmac
from typing import TYPE_CHECKING

from sim.modules.world import Timer
from sim.network.frames import Frame
from sim.vehicle.description import Immobilizer

if TYPE_CHECKING:
    from sim.modules.module import ControlModule

PATIENCE = 3  # questions without a right answer before it is told: the engine module may still be booting
SECRET = b"invented secret of an invented car"


def answer_to(challenge: bytes) -> bytes:
    """The four bytes that prove the secret."""
    return hmac.digest(SECRET, challenge, "sha256")[:4]


class Authority:
    """Asks the engine module for proof while the car is in run or crank, and releases it."""

    def __init__(self, module: ControlModule, spec: Immobilizer) -> None:
        self.module = module
        self.spec = spec
        self.released = False
        self.event: int | None = None
        self._tries = 0
        self._asked: bytes | None = None
        self._unanswered = 0
        self._fob_missed = False
        self._timer: Timer | None = None

    def reset(self) -> None:
        """Locked again, nothing asked."""
        self.released = self._fob_missed = False
        self._asked = None
        self._unanswered = 0
        if self._timer:
            self._timer.cancel()
        self._timer = None

    def look(self) -> None:
        """Ask when there is reason to; lock when the car is switched off."""
        mode = self.module.known_mode()
        if mode in ("off", "accessory"):
            if self.released:
                self._note("immobilizer locks", self.module.mode_event())
            self.reset()
        elif mode in ("run", "crank") and not self.released and self._timer is None:
            if self.module.world.fob.value != "away":
                self._ask()
            elif not self._fob_missed:
                self._fob_missed = True
                self._note(
                    f"{self.module.name} finds no fob", self.module.mode_event(), self.module.world.fob.event
                )

    def _note(self, words: str, *causes: int | None) -> None:
        self.event = self.module.world.record("immobilizer", self.module.name, words, causes)

    def _ask(self) -> None:
        world = self.module.world
        self._tries += 1
        number = f"{world.seed}:{self._tries}".encode()
        if self._asked is None:
            words = f"{self.module.name} asks {self.spec.engine} for proof"
            self._note(words, self.module.mode_event(), world.fob.event)
        self._asked = hmac.digest(b"challenge", number, "sha256")[:4]
        self.module.send(Frame(self.spec.challenge_id, self._asked))
        self._timer = world.after(self.spec.retry_ms / 1000, self._again)

    def _again(self) -> None:
        self._timer = None
        self._unanswered += 1
        if self._unanswered == PATIENCE:
            words = f"{self.module.name} gets no proof from {self.spec.engine}"
            self._note(
                words, self.event, *self.module.world.explainer.way(self.module.name, self.spec.engine)
            )
        if self.module.state == "running":
            self.look()

    def frame(self, frame: Frame) -> None:
        """A single frame has arrived."""
        if frame.can_id != self.spec.answer_id or self._asked is None or self.released:
            return
        if hmac.compare_digest(frame.data, answer_to(self._asked)):
            self.released = True
            if self._timer:
                self._timer.cancel()
                self._timer = None
            self._note(f"{self.spec.engine} has proved itself; start is released", self.event)
            self.module.send(Frame(self.spec.release_id, answer_to(frame.data)))
            self.module.invalidate()


class Starter:
    """The engine module's side: answers challenges, and runs the engine only when released."""

    def __init__(self, module: ControlModule, spec: Immobilizer) -> None:
        self.module = module
        self.spec = spec
        self.released = False
        self.event: int | None = None
        self._answer: bytes | None = None

    def reset(self) -> None:
        """Locked again."""
        self.released = False
        self._answer = None

    def look(self) -> None:
        """Lock when the car is switched off after the release (the mode heard before it may still be off)."""
        mode_event = self.module.mode_event() or 0
        if (
            self.released
            and self.module.known_mode() in ("off", "accessory")
            and mode_event > (self.event or 0)
        ):
            self.reset()
            self.event = mode_event
            self.module.world.surroundings.invalidate()

    def frame(self, frame: Frame) -> None:
        """A single frame has arrived."""
        if frame.can_id == self.spec.challenge_id:
            self._answer = answer_to(frame.data)
            self.module.send(Frame(self.spec.answer_id, self._answer))
        elif frame.can_id == self.spec.release_id and self._answer is not None:
            self._release(hmac.compare_digest(frame.data, answer_to(self._answer)))

    def _release(self, proved: bool) -> None:
        if proved:
            words = f"{self.module.name} is released for start"
            self.released = True
            causes = self.module.world.explainer.release()
            self.event = self.module.world.record("immobilizer", self.module.name, words, causes)
            self.module.world.surroundings.invalidate()
