"""Errors of the electrical network.

ValueError
└── CircuitError          a value or a name that no circuit can have
    └── NotConverged      the one-way elements found no operating point
"""

import math
from collections.abc import Iterable

from sim.vehicle.problems import did_you_mean


class CircuitError(ValueError):
    """A circuit was given a value or a name that it cannot have; the sentence says which and why."""


class NotConverged(CircuitError):
    """No operating point was found.

    element: the one-way leg or regulator whose voltage was still moving most.
    step_v: how far it still moved in the last step.
    """

    def __init__(self, element: str, step_v: float, steps: int) -> None:
        super().__init__(
            f"no operating point for {element!r} after {steps} steps: "
            f"its voltage still moves by {step_v:.3g} V"
        )
        self.element = element
        self.step_v = step_v


def unknown_name(what: str, name: str, known: Iterable[str]) -> str:
    """Return the sentence that names what is missing, with the nearest known name."""
    return f"there is no {what} {name!r}{did_you_mean(name, known)}"


def require_positive(what: str, **values: float) -> None:
    """Raise CircuitError unless every value is a finite number above 0."""
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise CircuitError(f"{what}: {name} is {value!r}; it must be a finite number above 0")


def require_finite(what: str, **values: float) -> None:
    """Raise CircuitError unless every value is a finite number."""
    for name, value in values.items():
        if not math.isfinite(value):
            raise CircuitError(f"{what}: {name} is {value!r}; it must be a finite number")
