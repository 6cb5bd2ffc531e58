"""What a module senses and switches: wired inputs, sense lines, output drivers and telltales.

Not modeled: debouncing, inputs that are read as a voltage (`CircuitMonitor` judges those), current
limits of a driver.
"""

from __future__ import annotations

from collections.abc import Callable

from sim.modules.facts import OFF, Fact
from sim.modules.knowledge import Knowledge
from sim.modules.pulsed_outputs import PulsedOutputs
from sim.modules.set_up import SetUp
from sim.modules.world import LIFELESS, Causes, Host, Timer
from sim.vehicle.high_voltage_parts import high_voltage_switches, inlet_of
from sim.vehicle.live_data import sense_lines

LINE_ON_V = 6.0  # a sense line counts as on above this; common practice
INPUT_SHARE = 0.5  # a wired input is active above half of the module's supply; common practice


class Pins:
    """Fills `Knowledge.inputs` and `Knowledge.lines`; `on_change(function, on, event)` hears each change.

    measured: pins that it reads as a voltage besides; volt: what it reads there.
    """

    def __init__(self, host: Host, knowledge: Knowledge, on_change: Callable[[str, bool, int], None]) -> None:
        self._host = host
        self._knowledge = knowledge
        self._on_change = on_change
        inlet = inlet_of(host.world.car.built, host.name)
        self.measured = (inlet.pilot, inlet.proximity) if inlet else ()
        self.volt: dict[str, float] = {}

    def sense(self, function: str, pin_v: float, causes: Causes) -> None:
        """The voltage at an input or sense line; `causes` is asked only when it changes."""
        host = self._host
        if host.state in LIFELESS:
            return
        if function in host.spec.inputs:
            above_v = host.spec.inputs[function].above_v
            on = pin_v > (INPUT_SHARE * host.supply_v if above_v is None else above_v)
            kind, known = "input", self._knowledge.inputs
        else:
            kind, known, on = "line", self._knowledge.lines, pin_v > LINE_ON_V
        before = known.get(function)
        if before is not None and before.value is on:
            return
        if before is None and not on:
            known[function] = OFF
            return
        words = f"{host.name} sees {kind} {function} go {'on' if on else 'off'}"
        event = host.record("input", words, causes())
        known[function] = Fact(on, event)
        host.invalidate()
        self._on_change(function, on, event)

    def functions(self) -> list[str]:
        """Inputs and sense lines, by the pin's function."""
        car, name = self._host.world.car, self._host.name
        found = sense_lines(car, name)
        fed = [pin.function for pin in car.pins_of(name)]
        return [*self._host.spec.inputs, *(function for function in fed if function in found)]


class Outputs:
    """Drivers and telltales of one module, each with the event of its last change.

    held: outputs that a tester switches instead of the module's own rules, with the event of its request.
    lamps_held: the same for all telltales together.
    For some seconds from ignition on all warning lamps light, so that the driver sees that they work.
    """

    def __init__(self, host: Host, knowledge: Knowledge, set_up: SetUp) -> None:
        self.on: dict[str, bool] = dict.fromkeys(host.spec.outputs, False)
        self.events: dict[str, int] = {}
        self.telltales: dict[str, bool] = dict.fromkeys(host.spec.telltales, False)
        self.held: dict[str, tuple[bool, int]] = {}
        self.lamps_held: tuple[bool, int] | None = None
        self._set_up = set_up
        self._host = host
        self._knowledge = knowledge
        self._lamp_check: Timer | None = None
        self._check_event: int | None = None
        self._rules = {name: one.when for name, one in host.spec.outputs.items()}
        self._rules |= dict(high_voltage_switches(host.world.car.built, host.name))
        self.on |= dict.fromkeys(self._rules, False)
        self._pulsed = PulsedOutputs(host, knowledge, set_up, self.events)
        self._driver_rules = [(name, knowledge.asks(when)) for name, when in self._rules.items()]
        self._lamp_rules = [(name, knowledge.asks(one.when)) for name, one in host.spec.telltales.items()]

    def update(self) -> bool:
        """Switch by the rules; returns whether a driver has changed."""
        changed = self._switch_drivers() | self._pulsed.update()
        self._switch_telltales()
        return changed

    def begin_lamp_check(self, event: int) -> None:
        """The ignition has come on at one of the module's sense lines."""
        if self.telltales:
            self._end_lamp_check()
            self._check_event = event
            self._lamp_check = self._host.world.after(self._host.spec.bulb_check_s, self._end_lamp_check)

    def lamp_check(self, telltale: str) -> int | None:
        """The event by which a telltale is lit for the lamp check, None if it is not."""
        checked = self._lamp_check is not None and self._host.spec.telltales[telltale].is_checked
        return self._check_event if checked else None

    def _end_lamp_check(self) -> None:
        if self._lamp_check:
            self._lamp_check.cancel()
            self._lamp_check = None
            self._host.invalidate()

    def shut(self) -> None:
        """Supply lost, reset or asleep: everything is off."""
        if self._lamp_check:
            self._lamp_check.cancel()
            self._lamp_check = None
        for name in self.on:
            if self.on[name]:
                self.on[name] = False
                self.events[name] = self._host.state_event or 0
        self._pulsed.shut()
        for name in self.telltales:
            self.telltales[name] = False

    def _switch_drivers(self) -> bool:
        host, changed, blank = self._host, False, self._set_up.is_blank
        for name, asks in self._driver_rules:
            held = self.held.get(name)
            wanted = (asks() is True and not blank) if held is None else held[0]
            if wanted == self.on[name]:
                continue
            rule = self._rules[name]
            causes = self._knowledge.judge(rule).events if held is None else (held[1],)
            self.on[name] = wanted
            words = f"{host.name} switches {name} {'on' if wanted else 'off'}"
            self.events[name] = host.record("output", words, causes)
            changed = True
        return changed

    def _switch_telltales(self) -> None:
        for name, asks in self._lamp_rules:
            spec = self._host.spec.telltales[name]
            check, held = self.lamp_check(name), self.lamps_held
            lit = held[0] if held is not None else check is not None or asks() is True
            if lit != self.telltales[name]:
                forced = held[1] if held is not None else check
                causes = (forced,) if forced is not None else self._knowledge.judge(spec.when).events
                self.telltales[name] = lit
                words = f"telltale {name} {'lights' if lit else 'goes out'}"
                self._host.record("telltale", words, causes, name, "lit" if lit else "dark")
