"""What a module switches: its output drivers and its telltales, by the rules of the vehicle file.

Not modelled: pulse width modulation, current limits of a driver.
"""

from __future__ import annotations

from sim.modules.host import Host
from sim.modules.knowledge import Knowledge


class Outputs:
    """Drivers and telltales of one module, each with the event of its last change.

    held: outputs that a tester switches instead of the module's own rules, with the event of its request.
    """

    def __init__(self, host: Host, knowledge: Knowledge) -> None:
        self.on: dict[str, bool] = dict.fromkeys(host.spec.outputs, False)
        self.events: dict[str, int] = {}
        self.telltales: dict[str, bool] = dict.fromkeys(host.spec.telltales, False)
        self.held: dict[str, tuple[bool, int]] = {}
        self._host = host
        self._knowledge = knowledge
        self._driver_rules = [(name, knowledge.asks(one.when)) for name, one in host.spec.outputs.items()]
        self._lamp_rules = [(name, knowledge.asks(one.when)) for name, one in host.spec.telltales.items()]

    def update(self) -> bool:
        """Switch by the rules; returns whether a driver has changed."""
        changed = self._switch_drivers()
        self._switch_telltales()
        return changed

    def shut(self) -> None:
        """Supply lost, reset or asleep: everything is off."""
        for name in self.on:
            if self.on[name]:
                self.on[name] = False
                self.events[name] = self._host.state_event or 0
        for name in self.telltales:
            self.telltales[name] = False

    def _switch_drivers(self) -> bool:
        host, changed = self._host, False
        for name, asks in self._driver_rules:
            held = self.held.get(name)
            wanted = asks() is True if held is None else held[0]
            if wanted == self.on[name]:
                continue
            rule = host.spec.outputs[name].when
            causes = self._knowledge.judge(rule).events if held is None else (held[1],)
            self.on[name] = wanted
            words = f"{host.name} switches {name} {'on' if wanted else 'off'}"
            self.events[name] = host.record("output", words, causes)
            changed = True
        return changed

    def _switch_telltales(self) -> None:
        for name, asks in self._lamp_rules:
            lit = asks() is True
            if lit != self.telltales[name]:
                causes = self._knowledge.judge(self._host.spec.telltales[name].when).events
                self.telltales[name] = lit
                self._host.record("telltale", f"telltale {name} {'lights' if lit else 'goes out'}", causes)
