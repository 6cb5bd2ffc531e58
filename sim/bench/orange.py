"""What is refused at orange parts: everything but an inspection, and handing them to a licensed technician.

Faults that someone else puts into the car are no work at it.
"""

from __future__ import annotations

from sim.bench.observations import Observation, ObservationKind
from sim.vehicle.car import Car
from sim.vehicle.edit import EDIT_KINDS, Edit
from sim.vehicle.high_voltage_parts import is_orange, orange_refusal
from sim.vehicle.problems import EditProblem


def refuse_orange_work(edit: Edit, car: Car) -> None:
    """Raises `EditProblem` for work with hands on an orange part."""
    kind = EDIT_KINDS[edit.verb]
    if edit.verb == "refer" or (kind.sort == "fault" and not kind.hands_on):
        return
    for name in edit.targets:
        if is_orange(name, car):
            raise EditProblem(orange_refusal(name))


def refuse_orange_probing(what: Observation, car: Car) -> None:
    """Raises `EditProblem` for a probe at an orange part."""
    if what.kind is ObservationKind.LOOK:
        return
    for name in (*what.points, *what.lamp_at):
        if is_orange(name, car):
            raise EditProblem(orange_refusal(name))


def refuse_orange_touch(name: str, car: Car) -> None:
    """Raises `EditProblem` for a hand at an orange part."""
    if is_orange(name, car):
        raise EditProblem(orange_refusal(name))
