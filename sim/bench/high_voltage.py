"""The high-voltage system of a live car: which contactors are really closed, the bus, the converter, ready.

The coils are in the electrical network of 12 V and pull in like any relay (`sim.bench.contacts`). What is
here follows from them, from what edits have done to the contacts, and from what modules have switched.

Not modeled: current through the motor, driving.
"""

from __future__ import annotations

from sim.bench.causes import Causes
from sim.bench.running_car import RunningCar
from sim.modules.facts import Fact
from sim.modules.high_voltage_bus import Feed, HighVoltageBus
from sim.modules.world import Timer
from sim.vehicle.description_high_voltage import CONTACTORS, HighVoltage
from sim.vehicle.elements import CHARGE_CABLE
from sim.vehicle.high_voltage_parts import CHARGE, CONVERT, READY

LEAST_WAIT_S = 1e-6  # what is due by rounding is taken a moment later
WORTH_W = 5.0  # the converter's power is taken anew where it differs by more; our own choice
STEP_PCT = 1.0


class LiveHighVoltage:
    """The system of one car; `world.high_voltage` is its bus, `world.engine` whether the car is ready.

    converts: does the converter feed the 12 V side?
    """

    def __init__(self, live: RunningCar, causes: Causes) -> None:
        self._live = live
        self._causes = causes
        self.converts = False
        self._drawn_w = 0.0
        self._timer: Timer | None = None
        spec = live.car.built.high_voltage
        if spec is not None:
            live.world.high_voltage = HighVoltageBus(spec)
            live.world.engine = Fact("not ready")

    def update(self) -> None:
        """Follow contactors, converter and charger, and plan when the bus reaches a voltage waited for."""
        bus = self._live.world.high_voltage
        if bus is None:
            return
        leaking = self._live.car.harness.leaking
        if bus.leaking != leaking:
            bus.leaking = leaking
            self._live.invalidate()
        self._convert(bus)
        if bus.switch(self._feed(bus.spec), self._live.env.now):
            self._live.invalidate()
        self._plan(bus)
        self._judge_ready(bus.spec)

    def _closed(self) -> frozenset[str]:
        """The contactors whose contacts are closed, whatever their coils say."""
        harness = self._live.car.harness
        held = self._live.pulled_in.intersection(CONTACTORS) | harness.welded
        return held - harness.jammed

    def _feed(self, spec: HighVoltage) -> Feed:
        plugged = CHARGE_CABLE in self._live.switch_state().operated
        charges = spec.inlet is not None and plugged and self._is_on(spec.inlet.module, CHARGE)
        charged_w = spec.inlet.power_kw * 1000 if spec.inlet and charges else 0.0
        whole = not self._live.car.harness.burned
        return Feed(self._closed(), whole, self._drawn_w if self.converts else 0.0, charged_w)

    def _convert(self, bus: HighVoltageBus) -> None:
        """It works while its module wants it and the bus has enough; what it draws follows its output."""
        spec, live = bus.spec.converter, self._live
        whole = live.car.is_whole(live.car.elements["CONVERTER"])
        wanted = self._is_on(spec.module, CONVERT) and bus.bus_v(live.env.now) >= spec.least_v
        if self.converts != (wanted and whole):
            self.converts = wanted and whole
            live.invalidate()
        given_v = live.reading.between("CONVERTER.1", "CONVERTER.2") or 0.0
        given_w = given_v * live.reading.current("CONVERTER")
        drawn_w = max(0.0, given_w) / (spec.efficiency_pct / 100)
        if abs(drawn_w - self._drawn_w) > WORTH_W:
            self._drawn_w = drawn_w

    def _is_on(self, module: str, what: str) -> bool:
        return self._live.modules[module].outputs.on.get(what, False)

    def _plan(self, bus: HighVoltageBus) -> None:
        """Look again when the bus reaches a level, or the pack another per cent."""
        live = self._live
        control = live.modules[bus.spec.controller].contactors
        assert control is not None
        now_s = live.env.now
        levels = (*control.levels_v, bus.spec.converter.least_v)
        waits = [bus.reaches_in_s(level, now_s) for level in levels]
        shown = round(bus.charge_pct(now_s))
        waits += [bus.reaches_charge_in_s(pct, now_s) for pct in (shown - STEP_PCT, shown + STEP_PCT)]
        due = [wait for wait in waits if wait is not None]
        due_s = now_s + min(due) if due else None
        if self._timer and (due_s is None or abs(self._timer.due_s - due_s) > LEAST_WAIT_S):
            self._timer.cancel()
            self._timer = None
        if due and self._timer is None:
            self._timer = live.world.after(max(LEAST_WAIT_S, min(due)), self._look_again)

    def _look_again(self) -> None:
        self._timer = None
        self._live.invalidate()

    def _judge_ready(self, spec: HighVoltage) -> None:
        live, drive = self._live, self._live.modules[spec.drive]
        state = "ready" if drive.sends and self._is_on(spec.drive, READY) else "not ready"
        if state != live.world.engine.value:
            causes = (drive.outputs.events.get(READY), drive.state_event)
            words = f"the car is {'ready' if state == 'ready' else 'no longer ready'} to drive"
            event = live.world.record("engine", "engine", words, causes, value=state)
            live.world.engine = Fact(state, event)
            live.invalidate()
