"""Suspects by hand: what each would have shown is written down, step by step."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from sim.lab.checks import Check
from sim.lab.search_result import PossibleCause
from sim.lab.sight import Sight
from sim.training.jobs import WorkStep


@dataclass(frozen=True)
class HandMade:
    """`shows[place]` and `checks_show[check]`: one letter per suspect; the first suspect is true.

    `at_fault[place]`: the suspects in which the repair at this place would put something right.
    """

    weights: tuple[float, ...]
    shows: tuple[str, ...]
    checks: tuple[Check, ...] = ()
    checks_show: tuple[str, ...] = ()
    at_fault: dict[int, tuple[int, ...]] | None = None
    truth: int = 0
    edits: tuple[str, ...] = ()  # of each suspect, where its words matter

    @property
    def suspects(self) -> Sequence[PossibleCause]:
        edits = self.edits or [f"fault {k}" for k in range(len(self.weights))]
        return [PossibleCause((edit,), (), weight) for edit, weight in zip(edits, self.weights, strict=True)]

    @property
    def compared(self) -> frozenset[int]:
        return frozenset(range(len(self.weights)))

    def seen(self, place: int) -> Hashable:
        return self.told(place, self.truth)

    def told(self, place: int, suspect: int) -> Hashable:
        return self.shows[place][suspect]

    def mended(self, place: int, suspect: int) -> bool:
        return suspect in (self.at_fault or {}).get(place, ())

    def shown(self, check: int, suspect: int) -> Hashable:
        return self.checks_show[check][suspect]


def step(action: str, minutes: float = 2.0, vain: str = "", dangers: tuple[str, ...] = ()) -> WorkStep:
    """A step of a log that no car has shown."""
    sight = Sight(action=action, time_s=0.0, engine="stopped", ignition="run", cluster="awake")
    verb, _, part = action.partition(" ")
    return WorkStep(action, verb, part, sight, minutes, 0.0, 0.0, vain, dangers=dangers)


def check(action: str, minutes: float) -> Check:
    """A check that could have been made."""
    return Check((action,), minutes, (), passive=True)
