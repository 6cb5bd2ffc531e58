"""The battery module's software: when the contactors close, in which order, and when they open.

Steps::

    open -> checking -> joining -> precharging -> taking over -> closed
                 \\________\\___________\\_____________\\___________\\-> failed, until no longer wanted

Checking closes the precharge contactor alone: if the bus rises, the negative contactor is stuck closed.
Joining closes the negative one alone: if the bus rises, the positive one is. Precharging closes both until
the bus has most of the pack's voltage. Taking over energizes the positive contactor beside them, for longer
than it takes to pull in; only then does the precharge one open, and the others are told that the contactors
are closed. Later the bus must stay up. An open interlock opens everything at once; insulation below the fault
limit only keeps the contactors from closing. All of it is common practice.

Not modeled: an interlock that is only reported while the car moves, contactors that stick together, feedback
contacts, limits of power by an insulation warning, a negative contactor that is stuck open, told apart.
"""

from __future__ import annotations

from functools import partial
from typing import Final, Literal

from sim.modules.fault_recorder import FaultRecorder, Maturing
from sim.modules.high_voltage_bus import HighVoltageBus
from sim.modules.knowledge import Knowledge
from sim.modules.monitors import CircuitMonitor
from sim.modules.pins import Outputs
from sim.modules.world import Host, NamedTimers
from sim.vehicle.description_high_voltage import CONTACTORS, NEGATIVE, POSITIVE, PRECHARGE, HighVoltage

Step = Literal["open", "checking", "joining", "precharging", "taking over", "closed", "failed"]
CLOSED_IN: Final[dict[Step, frozenset[str]]] = {
    "open": frozenset(),
    "checking": frozenset({PRECHARGE}),
    "joining": frozenset({NEGATIVE}),
    "precharging": frozenset({NEGATIVE, PRECHARGE}),
    "taking over": frozenset({NEGATIVE, PRECHARGE, POSITIVE}),
    "closed": frozenset({NEGATIVE, POSITIVE}),
    "failed": frozenset(),
}
# what other modules are told of the steps
TOLD: Final[dict[Step, str]] = {
    "checking": "precharging",
    "joining": "precharging",
    "taking over": "precharging",
}
CHECK_S = 0.1  # how long one contactor alone is closed; common practice
TAKE_OVER_S = 0.05  # data sheets give 20 to 30 ms for a contactor to pull in; common practice
RISE_SHARE = 0.1  # of the pack's voltage: more than this is no noise; our own choice
HOLDS_SHARE = 0.9  # below it the bus is no longer joined to the pack; common practice
FULL_PCT, AGAIN_PCT = 100.0, 95.0  # a full pack is charged again from here; common practice


class ContactorControl:
    """Sequence, interlock and insulation of one battery module.

    step: where the sequence is; event: since when. bus: what it measures.
    """

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        spec: HighVoltage,
        faults: FaultRecorder,
        outputs: Outputs,
    ) -> None:
        self.spec = spec
        self.step: Step = "open"
        self.event: int | None = None
        self.full = False
        self._host = host
        self._outputs = outputs
        self._timers = NamedTimers(host.world)
        self._closes, self._holds = knowledge.asks(spec.close), knowledge.asks(spec.hold)
        self._why_close = partial(knowledge.judge, spec.close)
        self._why_hold = partial(knowledge.judge, spec.hold)
        self._step_v = 0.0  # the bus when the step began
        self.loop: tuple[CircuitMonitor, ...] = ()
        self._set_up_tests(faults)

    def _set_up_tests(self, faults: FaultRecorder) -> None:
        spec = self.spec
        own = {
            NEGATIVE: (spec.stuck_closed_codes[1], "the negative contactor is stuck closed"),
            POSITIVE: (spec.stuck_closed_codes[0], "the positive contactor is stuck closed"),
            PRECHARGE: (spec.precharge.code, "the bus does not charge in time"),
            "open": (spec.stuck_open_code, "the bus voltage falls with the positive contactor closed"),
        }
        self._tests = {
            name: Maturing(faults, code, 0.0, 0.0, partial(self._words, words))
            for name, (code, words) in own.items()
        }
        times = (spec.insulation.mature_ms / 1000,) * 2
        self._warning = Maturing(faults, spec.insulation.warning_code, *times, self._insulation_words)
        self._fault = Maturing(faults, spec.insulation.fault_code, *times, self._insulation_words)
        self.tests = [*self._tests.values(), self._warning, self._fault]

    # -- what it measures ------------------------------------------------------------------------------

    @property
    def bus(self) -> HighVoltageBus:
        """The high-voltage bus."""
        bus = self._host.world.high_voltage
        assert bus is not None  # this car has one
        return bus

    @property
    def bus_v(self) -> float:
        """The voltage of the bus now."""
        return self.bus.bus_v(self._host.world.now_s)

    @property
    def insulation(self) -> str:
        """`good`, `low` (below the warning) or `fault`."""
        limits, ratio = self.spec.insulation, self.bus.insulation_ohm / self.spec.pack_v
        if ratio < limits.fault_ohm_per_v:
            return "fault"
        return "low" if ratio < limits.warning_ohm_per_v else "good"

    @property
    def interlock_open(self) -> bool:
        """Is the loop not whole, as the module measures it?"""
        return any(one.fails for one in self.loop)

    @property
    def told(self) -> str:
        """The step as other modules are told."""
        return TOLD.get(self.step, self.step)

    def _words(self, what: str) -> str:
        return f"{what}: {self.bus_v:.0f} V on the bus, pack {self.spec.pack_v:g} V"

    def _insulation_words(self) -> str:
        ohm = self.bus.insulation_ohm
        return f"insulation {ohm / 1000:.0f} kohm, {ohm / self.spec.pack_v:.0f} ohm per volt"

    # -- deciding --------------------------------------------------------------------------------------

    def update(self) -> bool:
        """Go on in the sequence; returns whether a contactor's coil was switched."""
        self._judge_insulation()
        self._judge_charge()
        before = self.step
        if self.step in ("open", "failed"):
            self._update_open()
        else:
            self._update_closing()
        return self.step != before and self._switch()

    def _update_open(self) -> None:
        wanted = self._closes() is True
        if self.step == "failed" and not wanted and self._holds() is not True:
            self._go("open", "no longer requests high voltage", self._why_hold().events)
        elif self.step == "open" and wanted:
            self._begin()

    def _begin(self) -> None:
        wanted = self._why_close().events
        if self.interlock_open:
            words = "does not close the contactors: the interlock is open"
            self._go("failed", words, (*wanted, *self._loop_causes()))
        elif self.insulation == "fault":
            words = f"does not close the contactors: {self._insulation_words()}"
            self._go("failed", words, (*wanted, *self._insulation_causes()))
        else:
            self._go("checking", "begins to close the contactors", wanted)
            self._timers.start("step", CHECK_S, self._host.invalidate)

    def _loop_causes(self) -> tuple[int, ...]:
        return tuple(event for one in self.loop if one.fails for event in one.causes_now())

    def _update_closing(self) -> None:
        if self.interlock_open:
            self._go("failed", "opens the contactors: the interlock is open", self._loop_causes())
        elif self._holds() is not True and self._closes() is not True:
            self._go("open", "opens the contactors", self._why_hold().events)
        elif self.step == "closed":
            self._watch_closed()
        elif self.step == "precharging":
            self._watch_precharge()
        elif self.step == "taking over":
            self._end_take_over()
        elif not self._timers.runs("step"):
            self._end_check()

    def _end_check(self) -> None:
        checked, following = (NEGATIVE, "joining") if self.step == "checking" else (POSITIVE, "precharging")
        if self.bus_v > self._step_v + RISE_SHARE * self.spec.pack_v:
            self._fail(checked, checked)
            return
        self._pass(checked)
        if following == "joining":
            self._go("joining", "closes the negative contactor", (self.event,))
            self._timers.start("step", CHECK_S, self._host.invalidate)
        else:
            self._go("precharging", "precharges the bus", (self.event,))
            self._timers.start("step", self.spec.precharge.limit_s, self._host.invalidate)

    def _watch_precharge(self) -> None:
        if self.bus_v >= self.done_v * (1 - 1e-6):
            self._pass(PRECHARGE)
            self._go("taking over", "closes the positive contactor: the bus is charged", (self.event,))
            self._timers.start("step", TAKE_OVER_S, self._host.invalidate)
        elif not self._timers.runs("step"):
            self._fail(PRECHARGE, PRECHARGE, NEGATIVE)

    def _end_take_over(self) -> None:
        if not self._timers.runs("step"):
            self._go(
                "closed", "opens the precharge contactor: the positive one has taken over", (self.event,)
            )
            self._timers.start("step", CHECK_S, self._host.invalidate)

    def _watch_closed(self) -> None:
        if self.bus_v < HOLDS_SHARE * self.spec.pack_v:
            self._fail("open", POSITIVE, NEGATIVE)
        elif not self._timers.runs("step"):
            self._pass("open")

    @property
    def done_v(self) -> float:
        """The voltage at which precharge is complete."""
        return self.spec.pack_v * self.spec.precharge.done_pct / 100

    @property
    def levels_v(self) -> tuple[float, ...]:
        """Voltages of the bus at which it has something to decide."""
        return self.done_v, HOLDS_SHARE * self.spec.pack_v * (1 - 1e-6)

    # -- results ---------------------------------------------------------------------------------------

    def _pass(self, test: str) -> None:
        self._tests[test].judge(False, tuple)

    def _fail(self, test: str, *parts: str) -> None:
        edits = self._host.world.edit_events
        causes = tuple(edits[part] for part in parts if part in edits)
        self._go("failed", f"opens the contactors: {self._tests[test].words}", (self.event, *causes))
        event = self.event
        self._tests[test].judge(True, lambda: (*causes, *(() if event is None else (event,))))

    def _judge_insulation(self) -> None:
        found = self.insulation
        self._warning.judge(found != "good", self._insulation_causes)
        self._fault.judge(found == "fault", self._insulation_causes)

    def _insulation_causes(self) -> tuple[int, ...]:
        edits = self._host.world.edit_events
        return tuple(edits[rail] for rail in self.bus.leaking if rail in edits)

    def _judge_charge(self) -> None:
        pct = self.bus.charge_pct(self._host.world.now_s)
        if pct >= FULL_PCT - 1e-6:
            self.full = True
        elif pct < AGAIN_PCT:
            self.full = False

    def _go(self, step: Step, words: str, causes: tuple[int | None, ...]) -> None:
        self._timers.clear()
        self.step, self._step_v = step, self.bus_v
        self.event = self._host.record("contactors", f"{self._host.name} {words}", causes, value=step)

    def _switch(self) -> bool:
        wanted, changed = CLOSED_IN[self.step], False
        for name in CONTACTORS:
            if self._outputs.on.get(name, False) != (name in wanted):
                self._outputs.on[name] = name in wanted
                if self.event is not None:
                    self._outputs.events[name] = self.event
                changed = True
        return changed

    def rest(self) -> None:
        """Asleep or without supply: nothing is tested, and nothing is held."""
        self._timers.clear()
        if self.step not in ("open", "failed"):
            self._go("open", "releases the contactors", (self._host.state_event,))
        self.step = "open"
        self._switch()
        for test in self.tests:
            test.rest()
