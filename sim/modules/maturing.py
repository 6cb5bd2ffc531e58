"""A fault matures before its code sets, and heals before its test passes again.

Not modelled: fault detection counters that move in steps; a fault matures by time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from sim.modules.host import Causes
from sim.modules.world import Timer, World


class Recorder(Protocol):
    """Who is told the results of a test (`FaultRecorder`)."""

    world: World

    def set_dtc(self, code: str, words: str, causes: Causes) -> None:
        """The test has failed."""

    def heal_dtc(self, code: str, causes: Causes) -> None:
        """The test has passed."""


class Maturing:
    """One test with its code: `judge(failing, causes)` starts maturing or healing.

    `proved` is asked before the test passes: was the good seen, or only nothing bad?
    """

    def __init__(
        self,
        recorder: Recorder,
        code: str,
        mature_s: float,
        heal_s: float,
        words: Callable[[], str],
        proved: Callable[[], bool] = lambda: True,
    ) -> None:
        self.code = code
        self.failing: bool | None = None
        self._recorder = recorder
        self._world = recorder.world
        self._mature_s = mature_s
        self._heal_s = heal_s
        self._words = words
        self._proved = proved
        self._causes: Causes = tuple
        self._least_s = 0.0
        self._timer: Timer | None = None
        self._decided_s = -math.inf

    def judge(self, failing: bool, causes: Causes, least_s: float = 0.0) -> None:
        """The monitored thing is bad (or good) from now on; nothing is decided before `least_s` from now.

        `causes` is asked when it is decided.
        """
        if failing is self.failing:
            return
        self._leave()
        self.failing = failing
        self._causes = causes
        self._least_s = least_s
        self._restart()

    def rest(self) -> None:
        """Nothing is tested any more; what is stored stays."""
        self._leave()
        self.failing = None

    def again(self) -> None:
        """The code was cleared: the test runs anew from here."""
        if self.failing is not None:
            self._restart()

    def _leave(self) -> None:
        """End what was maturing or healing; just before or just after its due time, the order matters."""
        if self._timer is None:
            return
        now_s = self._world.now_s
        if self._timer.waiting and (self.failing or self._proved()):
            self._world.network.tell_apart(self._timer.left_s)
        self._world.network.tell_apart(now_s - self._decided_s)
        self._timer.cancel()

    def _restart(self) -> None:
        if self._timer:
            self._timer.cancel()
        action, delay_s = (self._fail, self._mature_s) if self.failing else (self._pass, self._heal_s)
        self._timer = self._world.after(max(delay_s, self._least_s), action)

    def _fail(self) -> None:
        self._decided_s = self._world.now_s
        self._recorder.set_dtc(self.code, self._words(), self._causes)

    def _pass(self) -> None:
        if self._proved():
            self._decided_s = self._world.now_s
            self._recorder.heal_dtc(self.code, self._causes)


def with_test_failure_type(code: str, failure_type: str) -> str:
    """A code with the failure type that fits its test, unless the vehicle file gives one."""
    return code if "-" in code else f"{code}-{failure_type}"
