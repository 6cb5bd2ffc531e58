"""The power-mode master: off, accessory, run, crank, by the rules of the vehicle file.

Not modelled: key-in reminders, transport mode, remote start.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim.modules.facts import Verdict, in_words
from sim.vehicle.conditions import PowerMode
from sim.vehicle.description import ModeRule, PowerModes

if TYPE_CHECKING:
    from sim.modules.module import ControlModule


class PowerModeMaster:
    """Holds the power mode of the car and changes it by the first rule whose condition is true."""

    def __init__(self, module: ControlModule, rules: PowerModes) -> None:
        self.module = module
        self.rules = rules
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

    def look(self) -> None:
        """Try the rules that need no button."""
        self._act("change", ())

    def why_not(self) -> list[tuple[ModeRule, Verdict]]:
        """For every rule out of the present mode: its verdict now."""
        return [(rule, self.module.judge(rule.if_)) for rule in self.rules.rules if self.mode in rule.from_]

    def _act(self, on: str, causes: tuple[int, ...]) -> bool:
        for rule in self.rules.rules:
            if rule.on != on or self.mode not in rule.from_ or rule.to == self.mode:
                continue
            if rule.after_s and self.module.world.now_s < self._entered_s + rule.after_s - 1e-9:
                continue
            verdict = self.module.judge(rule.if_)
            if verdict.value is True:
                self._go(
                    rule.to, (*causes, *verdict.events, *((self.event,) if self.event is not None else ()))
                )
                return True
        return False

    def _go(self, to: PowerMode, causes: tuple[int, ...]) -> None:
        world = self.module.world
        before = self.mode
        self._enter(to)
        self.event = world.record("mode", self.module.name, f"power mode goes from {before} to {to}", causes)
        self.module.mode_changed(before)

    def _enter(self, mode: PowerMode) -> None:
        self.mode = mode
        self._entered_s = self.module.world.now_s
        # a look that comes when the mode has long changed finds nothing to do
        for after_s in sorted({rule.after_s for rule in self.rules.rules if mode in rule.from_} - {0.0}):
            self.module.world.after(after_s, self.module.invalidate)

    def _say_refused(self, event: int) -> None:
        tried = [
            (rule, self.module.judge(rule.if_))
            for rule in self.rules.rules
            if rule.on == "press" and self.mode in rule.from_
        ]
        unmet = [leaf for _, verdict in tried[-1:] for leaf in verdict.unmet]
        causes = tuple(cause for _, verdict in tried for cause in verdict.events)
        why = f": needs {', '.join(dict.fromkeys(in_words(leaf) for leaf in unmet))}" if unmet else ""
        self.module.world.record(
            "held",
            self.module.name,
            f"the button changes nothing, power mode stays {self.mode}{why}",
            (event, *causes),
        )
