"""What a student knows of the car, and what may be done to it as it is known.

Known is the state of what was handled or inspected, as it was then: a fuse that blows after it was inspected
is still taken for good, as it would be in a workshop. A refusal costs nothing, so it tells nothing: it
follows from the wiring diagram and what was found.

Not modeled: what is seen in passing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sim.bench.actions import Action, parse_action
from sim.bench.observations import Kind
from sim.training.exercise import Exercise, Tool
from sim.training.jobs import HANDS_ON, tool_for
from sim.vehicle.car import Car
from sim.vehicle.edit import Edit
from sim.vehicle.edits import EDIT_KINDS
from sim.vehicle.elements import Contact
from sim.vehicle.harness_state import Lead
from sim.vehicle.problems import EditProblem

FITTED_WRONG = "fit"  # a fuse of another rating is a fault that a student may well make
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


def car_as_known(car: Car, findings: Findings, fitted: Mapping[str, Lead]) -> Car:
    """A car with nothing off and none of the fitted leads but what was found so."""
    leads = {name: lead for name, lead in fitted.items() if name in findings.leads}
    return car.with_harness(unplugged=frozenset(findings.off), leads=leads)


def understood(
    text: str, exercise: Exercise, findings: Findings, fitted: Mapping[str, Lead]
) -> tuple[Action, Car]:
    """The action that a sentence means, and the car on which it makes sense.

    Raises `EditProblem` in the words of the car that its diagram shows: were a part that only the real car
    has taken for one, some tries at no cost would find a hidden difference of the design.

    Not modeled: work on a part that the diagram lacks.
    """
    known = car_as_known(exercise.whole_car, findings, fitted)
    return parse_action(text, known), known


def check_allowed(action: Action, tools: tuple[Tool, ...]) -> None:
    """Raise `EditProblem` where an action would damage the car or takes a tool that is not there."""
    if action.edit is not None:
        _check_edit(action.edit)
    tool = tool_for(action)
    if tool not in tools:
        raise EditProblem(f"this exercise is to be solved without the tool '{tool}'")


def _check_edit(edit: Edit) -> None:
    if edit.kind == "theory":
        raise EditProblem("a design difference cannot be repaired: hand it in as a cause")
    if edit.kind == "fault" and edit.verb not in (*HANDS_ON, FITTED_WRONG):
        raise EditProblem(f"'{edit.verb}' would damage the customer's car")
