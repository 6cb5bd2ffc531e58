"""Whether another check is worth its minutes, or the repairs are tried at once, the likeliest a minute first.

A repair that is tried is followed by a scan, to see whether it helped. What would condemn a module, and what
is no repair (a theory about the design, or nothing wrong), is never tried: those are told apart first.

Not modeled: what parts cost, a repair that harms, a customer who comes back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sim.bench.action_words import sentence_of
from sim.bench.actions import parse_action
from sim.lab.labor import MINUTES, minutes_of
from sim.lab.search_result import PossibleCause
from sim.lab.sequential import DiagnosticTest, Sequencing, greedy
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit

PROVE_MINUTES = MINUTES["scan"]


@dataclass(frozen=True, slots=True)
class Repair:
    """What takes a cause back, and its labor minutes with the scan that shows whether it helped."""

    actions: tuple[str, ...]
    minutes: float


def repair_of(cause: PossibleCause, car: Car) -> Repair | None:
    """The repair of a cause; None where it is none to be tried."""
    edits = [parse_edit(text, car) for text in cause.edits]
    undone = tuple(edit.undo for edit in edits if edit.undo is not None)
    if (
        not edits
        or len(undone) < len(edits)
        or any(edit.theory or _condemns(edit.undo, car) for edit in edits)
    ):
        return None
    actions = [parse_action(text, car) for text in undone]
    return Repair(undone, sum(minutes_of(one, car) for one in actions) + PROVE_MINUTES)


def _condemns(undo: str | None, car: Car) -> bool:
    verb, _, part = (undo or "").partition(" ")
    return verb in ("replace", "refer") and part in car.built.modules


def repairs_first(
    causes: Sequence[PossibleCause], problem: Sequencing, test: DiagnosticTest, car: Car
) -> str:
    """A sentence where trying repairs takes no longer than this check and what follows it; else nothing."""
    repairs = [repair_of(one, car) for one in causes]
    known = [one for one in repairs if one is not None]
    if not known or len(known) < len(repairs):
        return ""
    tried = _Tried(problem, known)
    at_once, checked = tried.minutes(problem.all_states), tried.after(test, problem.all_states)
    if at_once > checked:
        return ""
    listed = [sentence_of(known[k].actions) for k in tried.in_order(problem.all_states)]
    words = ", then ".join(one[0].lower() + one[1:] for one in dict.fromkeys(listed))
    return (
        f"No check is worth its minutes: {words}, with a scan after each, takes {at_once:.1f} min on "
        f"average; with checks first {checked:.1f} min."
    )


class _Tried:
    """Expected minutes until the car is right, by trying repairs; causes with one repair share it."""

    def __init__(self, problem: Sequencing, repairs: Sequence[Repair]) -> None:
        self._problem, self._repairs = problem, repairs

    def in_order(self, states: frozenset[int]) -> list[int]:
        """One cause for each repair, the greatest weight per minute first."""
        weight: dict[tuple[str, ...], float] = {}
        firsts: dict[tuple[str, ...], int] = {}
        for k in sorted(states):
            actions = self._repairs[k].actions
            firsts.setdefault(actions, k)
            weight[actions] = weight.get(actions, 0.0) + self._problem.weights[k]
        return sorted(firsts.values(), key=lambda k: -self._rate(weight, k))

    def _rate(self, weight: dict[tuple[str, ...], float], k: int) -> float:
        return weight[self._repairs[k].actions] / self._repairs[k].minutes

    def minutes(self, states: frozenset[int]) -> float:
        """With no check at all."""
        total, spent, expected = self._problem.weight(states), 0.0, 0.0
        for first in self.in_order(states):
            repair = self._repairs[first]
            spent += repair.minutes
            share = sum(
                self._problem.weights[k] for k in states if self._repairs[k].actions == repair.actions
            )
            expected += share / total * spent
        return expected

    def after(self, test: DiagnosticTest, states: frozenset[int]) -> float:
        """With this check first, then those with the most information per minute, then repairs."""
        total = self._problem.weight(states)
        groups = self._problem.split(test, states)
        return test.cost + sum(self._problem.weight(one) / total * self._checked(one) for one in groups)

    def _checked(self, states: frozenset[int]) -> float:
        test, at_once = greedy(self._problem, states), self.minutes(states)
        return at_once if test is None else min(at_once, self.after(test, states))
