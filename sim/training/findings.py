"""What hand and eye have found out about a car: the state of what was handled or inspected, as it was then.

A fuse that blows after it was inspected is still taken for good, as it would be in a workshop.

Not modelled: what is seen in passing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sim.bench.actions import Action
from sim.bench.observations import Kind
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_KINDS
from sim.vehicle.elements import Contact
from sim.vehicle.harness_state import Lead

HANDLED_WITH = ("unplug", "fuses", "bypass")  # jobs with these tools show the part


@dataclass
class Findings:
    """Connectors, fuses, relays that were handled or inspected, and which of them are not in their place.

    `off`: connectors and battery clamps known to be off. `out`: fuses and relays known to be out of their
    holders, or blown. `leads`: bypass leads known to be fitted. `checked`: all that was handled or inspected.
    """

    off: set[str] = field(default_factory=set)
    out: set[str] = field(default_factory=set)
    leads: dict[str, Lead] = field(default_factory=dict)
    checked: set[str] = field(default_factory=set)

    def note(self, action: Action, car: Car) -> None:
        """Take in what an action has shown, from the car as it is after it."""
        if action.edit is not None:
            if EDIT_KINDS[action.edit.verb].tool in HANDLED_WITH:
                self._inspect(action.edit.part, car)
        elif action.observation is not None:
            what = action.observation
            if what.kind is Kind.LOOK:
                self._inspect(what.points[0], car)
                return
            probed = {*what.points, *what.lamp_at}
            for contact in car.elements.values():  # to probe a pin is to have its connector before one's eyes
                if isinstance(contact, Contact) and {contact.a, contact.b} & probed:
                    self._inspect(contact.connector, car)

    def _inspect(self, name: str, car: Car) -> None:
        state = car.harness
        plugs = [plug for plug in car.connectors.values() if name in (plug.id, plug.owner)]
        for plug in plugs:
            self._set(self.off, plug.id, plug.id in state.unplugged)
        if name in car.built.fuses or name in car.built.relays:
            self._set(self.out, name, name in state.pulled or name in state.blown)
        if plugs:
            modules = {plug.owner for plug in plugs}
            kept = {name: lead for name, lead in self.leads.items() if lead.targets[0] not in modules}
            fitted = {name: state.leads[name] for module in modules for name in state.bypasses(module)}
            self.leads = kept | fitted

    def _set(self, known: set[str], name: str, is_so: bool) -> None:
        self.checked.add(name)
        known.discard(name)
        if is_so:
            known.add(name)
