"""A check plan to take to the car: from what is known, which check first, and what to do after each outcome.

    plan = check_plan(find_causes(...), workshop=workshop)
    print(plan.words, [step.words for step in plan.steps])

The tree is that of least expected labor time which a bounded AND/OR search finds (`sim.lab.bounded_search`).
Beside it: the expected minutes of the same checks in the fixed order of the list (fuses and relays, plugs,
grounds, readings, then what takes the car apart), leaving out what can tell nothing.

Where a part would be condemned the plan stops: supplies and grounds are tested under load first (common
practice), because a dead module and a module without supply look alike from the tester.

Not modeled: what of `sim.lab.next_check` is not; more than `MOST_CAUSES` causes; several faults at once
unless the search looked for them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.bench.action_words import sentence_of
from sim.lab.bounded_search import BoundedSearch
from sim.lab.checks import Check
from sim.lab.next_check import CauseComparison, compared, thing_words
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.sequential import DiagnosticTest, Sequencing, expected_cost
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edit_words import supply_pins
from sim.vehicle.edits import parse_edit
from sim.vehicle.fault_words import fault_set_words

BUILT_OTHERWISE = "Not a fault: note it in the car's description"
ALSO_OTHERWISE = "how it is built, note in the car's description"
FIXED_ORDER = ("look", "measure", "load", "scan")  # inspections first, then readings, then what takes a run


@dataclass(frozen=True, slots=True)
class PlanEnd:
    """Where no check tells more: the causes left in plain words, and what to prove before a part is replaced.

    `share`: how likely it is to end here. `repairs`: by cause, in words.
    """

    causes: tuple[str, ...]
    share: float
    repairs: tuple[str, ...]
    prove_first: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The causes, the likeliest first, each with its repair."""
        both = zip(self.causes, self.repairs, strict=True)
        return "; or ".join(f"{cause} ({repair[0].lower()}{repair[1:]})" for cause, repair in both)


@dataclass(frozen=True, slots=True)
class PlanStep:
    """A check and where each of its outcomes leads. `share`: how likely it is to get here."""

    number: int
    check: Check
    share: float
    branches: tuple[PlanBranch, ...]

    @property
    def words(self) -> str:
        """What to do."""
        return sentence_of(self.check.actions)


@dataclass(frozen=True, slots=True)
class PlanBranch:
    """One outcome of a check, in words, and what comes next."""

    shows: str
    then: PlanStep | PlanEnd


@dataclass(frozen=True, slots=True)
class CheckPlan:
    """A whole plan. `minutes`: expected labor time to the end; `fixed_minutes`: in the fixed order.

    `is_best`: no order of these checks needs less. `compared`: how many causes of `of` it tells apart.
    """

    car: str
    start: PlanStep | PlanEnd
    minutes: float
    fixed_minutes: float
    is_best: bool
    compared: int
    of: int

    @property
    def steps(self) -> tuple[PlanStep, ...]:
        """All checks by their numbers."""
        return tuple(_steps(self.start))

    @property
    def ends(self) -> tuple[PlanEnd, ...]:
        """Where the checks can end, in the order of the steps."""
        thens = (branch.then for step in self.steps for branch in step.branches)
        return tuple(one for one in (self.start, *thens) if isinstance(one, PlanEnd))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind, each once."""
        return tuple(dict.fromkeys(words for step in self.steps for words in step.check.cautions))

    @property
    def prove_first(self) -> tuple[str, ...]:
        """What to prove before parts are replaced, each once."""
        return tuple(dict.fromkeys(words for end in self.ends for words in end.prove_first))

    @property
    def words(self) -> str:
        """The plan in two sentences."""
        if isinstance(self.start, PlanEnd):
            return "No check known here tells these possible causes apart."
        sure = " No order of these checks takes less." if self.is_best else ""
        return (
            f"{self.minutes:.1f} min expected until the cause is known; {self.fixed_minutes:.1f} min if the "
            f"same checks are made down the list.{sure}"
        )


def check_plan(
    found: SearchResult, *, workshop: Workshop, progress: Progress = quiet, stop: Stop = never
) -> CheckPlan:
    """Plan the checks that tell the causes of a search apart.

    Where looks and measurements leave causes together, checks that change the car (a plug off, a scan) come
    in, which takes a run of each cause.
    """
    known = compared(found, workshop=workshop, progress=progress, stop=stop)
    plan = planned(known)
    if len(known.states) < 2 or all(len(end.causes) == 1 for end in plan.ends):
        return plan
    return planned(compared(found, every_kind=True, workshop=workshop, progress=progress, stop=stop))


def planned(known: CauseComparison) -> CheckPlan:
    """The plan for causes whose outcomes are known."""
    problem = known.problem
    search = BoundedSearch(problem)
    minutes = search.run()
    start = _Planner(known, search).grown() if known.states else PlanEnd((), 1.0, ())
    fixed = expected_cost(problem, lambda some, states: _next_in_order(known, some, states))
    title = known.car.title
    return CheckPlan(title, start, minutes, fixed, search.is_optimum, len(known.states), known.of)


def _next_in_order(
    known: CauseComparison, problem: Sequencing, states: frozenset[int]
) -> DiagnosticTest | None:
    def place(test: DiagnosticTest) -> tuple[int, int]:
        check = known.checks[int(test.name)]
        verb = check.actions[0].partition(" ")[0] if check.passive else "scan"
        return FIXED_ORDER.index(verb), int(test.name)

    return min(problem.useful(states), key=place, default=None)


class _Planner:
    """Grows the tree of a search into steps, numbered as they are read."""

    def __init__(self, known: CauseComparison, search: BoundedSearch) -> None:
        self.known = known
        self.search = search
        self.number = 0

    def grown(self) -> PlanStep | PlanEnd:
        return self._from(self.known.problem.all_states)

    def _from(self, states: frozenset[int]) -> PlanStep | PlanEnd:
        problem = self.known.problem
        share = problem.weight(states) / problem.weight(problem.all_states)
        test = self.search.choose(problem, states)
        if test is None:
            return _end(self.known.car, [self.known.states[k] for k in sorted(states)], share)
        self.number += 1
        number, check = self.number, self.known.checks[int(test.name)]
        outcomes = sorted(self.known.outcomes(test, states), key=lambda one: -problem.weight(one[1]))
        shown = without_the_check(check, [words for words, _ in outcomes])
        thens = [self._from(group) for _, group in outcomes]
        branches = tuple(PlanBranch(*one) for one in zip(shown, thens, strict=True))
        return PlanStep(number, check, share, branches)


def without_the_check(check: Check, shown: Sequence[str]) -> list[str]:
    """Outcomes in words that do not repeat which action of the check shows them, where it is but one."""
    named = [f"{thing_words(action)}: " for action in check.actions]
    only = next((name for name in named if all(one.startswith(name) for one in shown)), "")
    return [one.removeprefix(only) for one in shown]


def _end(car: Car, causes: Sequence[PossibleCause], share: float) -> PlanEnd:
    condemned = dict.fromkeys(name for one in causes for name in _condemned(one, car))
    return PlanEnd(
        tuple(fault_set_words(one.edits, car) for one in causes),
        share,
        tuple(_repair(one, car) for one in causes),
        tuple(_proof(name, car) for name in condemned),
    )


def _repair(cause: PossibleCause, car: Car) -> str:
    edits = [parse_edit(text, car) for text in cause.edits]
    undone = [edit.undo for edit in edits if edit.undo and not edit.theory]
    if any(edit.theory for edit in edits):
        return f"{sentence_of(undone)}; {ALSO_OTHERWISE}" if undone else BUILT_OTHERWISE
    return sentence_of(undone) if undone else "No repair known here"


def _condemned(cause: PossibleCause, car: Car) -> Iterator[str]:
    """The modules that the repair would replace."""
    for text in cause.edits:
        verb, _, part = (parse_edit(text, car).undo or "").partition(" ")
        if verb == "replace" and part in car.built.modules:
            yield part


def _proof(module: str, car: Car) -> str:
    own = {pin.id for pin in car.pins_of(module)}
    fed = ", ".join(pin.id for pin in supply_pins(car) if pin.id in own)
    grounds = ", ".join(pin.id for pin in car.pins_of(module) if pin.function.startswith("GND"))
    return (
        f"Before {module} is replaced: load-test its supplies ({fed}) and its grounds ({grounds}) at the "
        "connector, and check its bus lines. After it: coding and set-up by the maker's service information."
    )


def _steps(at: PlanStep | PlanEnd) -> Iterator[PlanStep]:
    if isinstance(at, PlanStep):
        yield at
        for branch in at.branches:
            yield from _steps(branch.then)
