"""Start-stop: the engine's module stops the engine at a standstill, and starts it again by itself.

It judges the conditions of the vehicle file (`StartStop`) with what it knows, so a sensor, wire or message
that fails anywhere in the car keeps the engine running, and a tester reads which condition is missing.

Not modeled: statistics of stops, several restarts in a row that are refused to protect the starter.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, Literal

from sim.modules.facts import Evaluation
from sim.modules.knowledge import Knowledge
from sim.modules.world import Host, NamedTimers
from sim.vehicle.conditions import Condition
from sim.vehicle.description_software import StartStop
from sim.vehicle.live_data import START_STOP_WORDS, WARM, allowed_words

IN_RUN: Final = Condition.model_validate({"mode": "run"})


def start_stop_of(host: Host, knowledge: Knowledge) -> AutomaticStop | None:
    """The start-stop of the module that controls an engine that has one."""
    engine = host.world.car.built.engine
    if engine is None or engine.start_stop is None or engine.controller != host.name:
        return None
    knowledge.start_stop = part = AutomaticStop(host, knowledge, engine.start_stop)
    return part


class AutomaticStop:
    """state: `stopped` from the stop on, `restarting` until the engine runs. event: since when.

    kept_by: the condition that kept the engine running at the last standstill, None if it was stopped.
    """

    def __init__(self, host: Host, knowledge: Knowledge, spec: StartStop) -> None:
        self.spec = spec
        self.state: Literal["idle", "stopped", "restarting"] = "idle"
        self.event: int | None = None
        self.kept_by: str | None = None
        self._host = host
        self._knowledge = knowledge
        self._timers = NamedTimers(host.world)
        self._has_driven = False
        self._asks_stop = knowledge.asks(spec.stop_when)
        self._asks_drives = knowledge.asks(spec.drives_when)

    @property
    def cuts(self) -> bool:
        """Does it keep fuel and ignition from the engine?"""
        return self.state == "stopped"

    @property
    def told(self) -> str:
        """What a tester reads: what it does or waits for, or which condition is missing."""
        if self.state != "idle":
            return {"stopped": "engine stopped", "restarting": "restarts the engine"}[self.state]
        if self._host.world.engine.value != "running":
            return "engine off"
        unmet = next((name for name, met in self.met.items() if not met), None)
        if unmet is not None:
            return allowed_words(unmet)
        return "waits for a standstill" if self._has_driven else "has not driven since the last stop"

    @property
    def kept_told(self) -> str:
        """What a tester reads of the last standstill."""
        return START_STOP_WORDS[0] if self.kept_by is None else allowed_words(self.kept_by)

    @property
    def met(self) -> dict[str, bool]:
        """Each condition by name: is it known to be true?"""
        return {name: judged.value is True for name, judged in self._judged()}

    def why_not(self) -> Iterator[tuple[str, Evaluation]]:
        """The conditions that keep the engine running now."""
        return ((name, judged) for name, judged in self._judged() if judged.value is not True)

    def asks_driver(self) -> Evaluation:
        """Standstill, brake and selector, as the module knows them."""
        return self._knowledge.judge(self.spec.stop_when)

    @property
    def has_driven(self) -> bool:
        """Has the car been driven since the last stop?"""
        return self._has_driven

    def update(self) -> None:
        """Stop, restart or give up by what is known now."""
        engine = self._host.world.engine.value
        if engine == "running" and self.state == "restarting":
            self._enter("idle", "", (self._host.world.engine.event,))
        elif self.state != "idle" and self._knowledge.judge(IN_RUN).value is not True:
            self._enter("idle", "start-stop ends: the ignition is off", (self._knowledge.mode_event(),))
        elif self.state == "stopped":
            self._restart_if_needed()
        elif self.state == "idle" and engine == "running":
            self._watch_standstill()
        elif engine == "stopped" and self.state == "idle":
            self._has_driven = False
            self._timers.clear()

    def reset(self) -> None:
        """The module has no supply, resets or sleeps."""
        self._timers.clear()
        self.state, self.event, self._has_driven = "idle", self._host.state_event, False

    def _judged(self) -> Iterator[tuple[str, Evaluation]]:
        warm = self._host.world.coolant_c() >= self.spec.warm_above_c
        yield WARM, Evaluation(warm, (self._host.world.engine.event or 0,))
        for name, condition in self.spec.allowed.items():
            yield name, self._knowledge.judge(condition)

    def _watch_standstill(self) -> None:
        if self._asks_drives() is True:
            self._has_driven = True
        if not self._has_driven or self._asks_stop() is not True:
            self._timers.drop("stop")
            return
        kept_by = next((name for name, _ in self.why_not()), None)
        if kept_by is not None:
            self._timers.drop("stop")
            self._note_kept(kept_by)
        elif not self._timers.runs("stop"):
            self._timers.start("stop", self.spec.after_s, self._stop)

    def _note_kept(self, name: str) -> None:
        if name == WARM:
            self._timers.start_once(
                "warm", self._host.world.warm_in_s(self.spec.warm_above_c), self._host.invalidate
            )
        if name != self.kept_by:
            self.kept_by = name
            judged = dict(self._judged())[name]
            words = f"{self._host.name} does not stop the engine: {allowed_words(name)}"
            self._host.record("start-stop", words, judged.events, name, "kept")

    def _stop(self) -> None:
        self.kept_by, self._has_driven = None, False
        causes = [event for _, judged in self._judged() for event in judged.events]
        causes += self.asks_driver().events
        self._enter("stopped", "stops the engine at the standstill", tuple(dict.fromkeys(causes)))

    def _restart_if_needed(self) -> None:
        lost = next(self.why_not(), None)
        asked = self.asks_driver()
        if asked.value is True and lost is None:
            return
        because = (
            "the driver moves off" if asked.value is not True else allowed_words(lost[0] if lost else "")
        )
        causes = asked.events if asked.value is not True or lost is None else lost[1].events
        may = self._knowledge.judge(self.spec.restarts_when)
        if may.value is True:
            self._enter("restarting", f"starts the engine again: {because}", causes)
            self._timers.start("give up", self.spec.gives_up_s, self._give_up)
        else:
            self._enter("idle", "leaves the engine off: the driver has to start it", (*causes, *may.events))

    def _give_up(self) -> None:
        self._enter("idle", "gives up: the engine has not started", (self.event,))

    def _enter(
        self, state: Literal["idle", "stopped", "restarting"], words: str, causes: tuple[int | None, ...]
    ) -> None:
        self._timers.clear()
        self.state = state
        self.event = (
            self._host.record("start-stop", f"{self._host.name} {words}", causes, value=state)
            if words
            else causes[0]
        )
        self._host.world.surroundings.invalidate()
