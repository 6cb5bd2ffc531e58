"""What hand and eye have found out about a car: the state of what was touched or looked at, as it was then.

A fuse that blows after it was looked at is still taken for whole, as it would be in a workshop.

Not modelled: what somebody sees in passing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sim.bench.observations import OBSERVATION_VERBS
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_KINDS
from sim.vehicle.elements import Contact
from sim.vehicle.harness_state import Lead

HANDLED_WITH = ("unplug", "fuses", "bypass")  # whoever does this sees the part


@dataclass
class Found:
    """Connectors, fuses, relays that were handled or looked at, and which of them are not in their place.

    `off`: connectors and battery clamps known to be off. `out`: fuses and relays known to be out of their
    holders, or blown. `leads`: bypass leads known to be fitted. `checked`: all that was handled or looked at.
    """

    off: set[str] = field(default_factory=set)
    out: set[str] = field(default_factory=set)
    leads: dict[str, Lead] = field(default_factory=dict)
    checked: set[str] = field(default_factory=set)

    def note(self, action: str, car: Car) -> None:
        """Take in what an action in normal form has shown, from the car as it stands after it."""
        verb, *words = action.split()
        if (verb == "look" or (verb in EDIT_KINDS and EDIT_KINDS[verb].tool in HANDLED_WITH)) and words:
            self._look_at(words[0], car)
        elif verb in OBSERVATION_VERBS:  # whoever puts a probe to a pin has its connector before his eyes
            for contact in car.elements.values():
                if isinstance(contact, Contact) and {contact.a, contact.b}.intersection(words):
                    self._look_at(contact.connector, car)

    def _look_at(self, name: str, car: Car) -> None:
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
