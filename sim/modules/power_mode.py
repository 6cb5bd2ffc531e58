"""The power-mode master: off, accessory, run, crank, by the rules of the vehicle file.

Not modeled: key-in reminders, transport mode, remote start.
"""

from __future__ import annotations

from collections.abc import Callable

from sim.modules.facts import Evaluation, in_words
from sim.modules.knowledge import Knowledge
from sim.modules.world import Host
from sim.vehicle.conditions import PowerMode
from sim.vehicle.description_software import ModeRule, PowerModes


class PowerModeMaster:
    """Holds the power mode of the car and changes it by the first rule whose condition is true.

    `on_change(before)` is called after each change by a rule.
    """

    def __init__(
        self, host: Host, knowledge: Knowledge, rules: PowerModes, on_change: Callable[[PowerMode], None]
    ) -> None:
        self.rules = rules
        self._host = host
        self._knowledge = knowledge
        self._on_change = on_change
        self.event: int | None = None
        self._enter("off")

    def reset(self) -> None:
        """The master lost its supply: it comes up in off."""
        self._enter("off")

    def button(self, pressed: bool, event: int) -> None:
        """The start button went down or up."""
        acted = self._act("press" if pressed else "release", (event,))
        if pressed and not acted:
            self._say_refused(event)

    def update(self) -> None:
        """Try the rules that need no button."""
        self._act("change", ())

    def why_not(self) -> list[tuple[ModeRule, Evaluation]]:
        """For every rule out of the present mode: its condition evaluated now."""
        return [
            (rule, self._knowledge.judge(rule.if_)) for rule in self.rules.rules if self.mode in rule.from_
        ]

    def _act(self, on: str, causes: tuple[int, ...]) -> bool:
        for rule in self.rules.rules:
            if rule.on != on or self.mode not in rule.from_ or rule.to == self.mode:
                continue
            if rule.after_s and self._host.world.now_s < self._entered_s + rule.after_s - 1e-9:
                continue
            evaluation = self._knowledge.judge(rule.if_)
            if evaluation.value is True:
                self._go(rule.to, (*causes, *evaluation.events, self.event))
                return True
        return False

    def _go(self, to: PowerMode, causes: tuple[int | None, ...]) -> None:
        before = self.mode
        self._enter(to)
        self.event = self._host.record("mode", f"power mode goes from {before} to {to}", causes, value=to)
        self._on_change(before)

    def _enter(self, mode: PowerMode) -> None:
        self.mode = mode
        self._entered_s = self._host.world.now_s
        # an update that comes when the mode has long changed finds nothing to do
        for after_s in sorted({rule.after_s for rule in self.rules.rules if mode in rule.from_} - {0.0}):
            self._host.world.after(after_s, self._host.invalidate)

    def _say_refused(self, event: int) -> None:
        tried = [(rule, evaluation) for rule, evaluation in self.why_not() if rule.on == "press"]
        unmet = [leaf for _, evaluation in tried[-1:] for leaf in evaluation.unmet]
        causes = tuple(cause for _, evaluation in tried for cause in evaluation.events)
        why = f": needs {', '.join(dict.fromkeys(in_words(leaf) for leaf in unmet))}" if unmet else ""
        words = f"the button changes nothing, power mode stays {self.mode}{why}"
        self._host.record("held", words, (event, *causes), value=self.mode)
