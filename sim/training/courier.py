"""A thread that takes statements to the learning record store outside, again and again."""

from __future__ import annotations

import threading
from contextlib import suppress

from sqlalchemy.exc import SQLAlchemyError

from sim.training.outbox import Outbox
from sim.vehicle.problems import Problem

EVERY_S = 15.0


class Courier:
    """Collects and sends; whatever cannot be sent or read now is tried at the next turn."""

    def __init__(self, outbox: Outbox, every_s: float = EVERY_S) -> None:
        self._outbox = outbox
        self._every_s = every_s
        self._wake, self._end = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, or take the next turn at once where it has begun."""
        self._wake.set()
        if self._thread is None or not self._thread.is_alive():
            self._end.clear()
            self._thread = threading.Thread(target=self._run, name="courier", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End after the turn that runs now."""
        self._end.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        while not self._end.is_set():
            self._wake.clear()
            with suppress(Problem, SQLAlchemyError):
                self._outbox.collect()
                self._outbox.send()
            self._wake.wait(self._every_s)
