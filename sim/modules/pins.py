"""The pins that a module's software reads as on or off: wired inputs and sense lines.

Not modelled: debouncing, inputs that are read as a voltage (`CircuitMonitor` judges those).
"""

from __future__ import annotations

from collections.abc import Callable

from sim.modules.facts import OFF, Fact
from sim.modules.host import Causes, Host
from sim.modules.knowledge import Knowledge

LINE_ON_V = 6.0  # a sense line counts as on above this; common practice
INPUT_SHARE = 0.5  # a wired input is active above half of the module's supply; common practice


class Pins:
    """Fills `Knowledge.inputs` and `Knowledge.lines`; `on_change(function, on, event)` hears each change."""

    def __init__(self, host: Host, knowledge: Knowledge, on_change: Callable[[str, bool, int], None]) -> None:
        self._host = host
        self._knowledge = knowledge
        self._on_change = on_change

    def sense(self, function: str, pin_v: float, causes: Causes) -> None:
        """The voltage at an input or sense line; `causes` is asked only when it changes."""
        host = self._host
        if host.state == "unpowered":
            return
        if function in host.spec.inputs:
            kind, known, on = "input", self._knowledge.inputs, pin_v > INPUT_SHARE * host.supply_v
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
        found = self._sense_lines()
        fed = [pin.function for pin in self._host.world.car.pins_of(self._host.name)]
        return [*self._host.spec.inputs, *(function for function in fed if function in found)]

    def _sense_lines(self) -> set[str]:
        car, name = self._host.world.car, self._host.name
        ends = {f"{name}:{pin.function}.sense": pin.function for pin in car.pins_of(name)}
        checked = {check.pin for check in self._host.spec.checks}
        ended = [load.end for load in car.built.loads.values()]
        loads = {end.pin for end in ended if end.part == name and end.pin}
        found = {function for element, function in ends.items() if element in car.elements}
        return found - checked - loads
