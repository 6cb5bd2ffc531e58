"""Good method: what a careful technician does in any case, rewarded also where it could tell nothing new.

Each rule says which steps of a log follow it, and whether this job called for it. What the steps could tell
is another question (`sim.training.step_judge`). All rules are common practice.

Not modeled: the order of tests within a circuit; what a person saw without writing a step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from sim.bench.asking import CustomerQuestion
from sim.bench.observations import Observation, ObservationKind, parse_observation
from sim.instruments.service import ServiceInformation
from sim.training.exercise import Exercise
from sim.training.hand_in import NO_FAULT, HandIn
from sim.training.jobs import WorkStep
from sim.training.safety import is_airbag
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem

SOURCE = "common practice"
VERDICT_ON_MODULE = "fail"  # the edit that says a module is dead inside
BLAMES = "replace"  # the repair that says so
INTERMITTENT = ("interrupt",)  # edits whose fault comes and goes
PROOF = "repair proved"  # the credit has a share of its own for it


@dataclass(frozen=True, slots=True)
class MethodRule:
    """A rule. `done`, `missed`: what the debrief says, in plain words; `step`: what it says of one step.

    `steps`: the places in the log that follow it; `called_for`: does this job ask for it?
    """

    name: str
    done: str
    missed: str
    step: str
    steps: Callable[[LoggedWork], Iterable[int]]
    called_for: Callable[[LoggedWork], bool]


@dataclass(frozen=True, slots=True)
class Method:
    """How a log follows one rule: the places of its steps (0 is the first), and whether it was called for."""

    rule: MethodRule
    places: tuple[int, ...]
    called_for: bool

    @property
    def done(self) -> bool:
        """Whether the rule was followed."""
        return bool(self.places)

    @property
    def words(self) -> str:
        """What the debrief says of it."""
        return self.rule.done if self.done else self.rule.missed


def good_method(exercise: Exercise, steps: Sequence[WorkStep], result: HandIn | None) -> tuple[Method, ...]:
    """The rules that a log follows, and those that its job called for and it does not follow."""
    work = LoggedWork(exercise, steps, result)
    found = (Method(rule, tuple(rule.steps(work)), rule.called_for(work)) for rule in RULES)
    return tuple(one for one in found if one.done or one.called_for)


def method_share(method: Iterable[Method]) -> float | None:
    """The share of these rules that was followed, 0 to 1, without the proof; None if none was called for."""
    rules = [one for one in method if one.rule.name != PROOF]
    if not any(one.called_for for one in rules):
        return None
    return sum(one.done for one in rules) / len(rules)


class LoggedWork:
    """A log as the rules see it: its steps, what was probed, and which modules were found dead."""

    def __init__(self, exercise: Exercise, steps: Sequence[WorkStep], result: HandIn | None) -> None:
        self.exercise, self.steps, self.result = exercise, steps, result
        self.papers = ServiceInformation(exercise.whole_car)

    @cached_property
    def blamed(self) -> tuple[str, ...]:
        """Modules that gave no answer and were replaced or named as dead.

        The airbag module is none of them: its circuits are never loaded.
        """
        named = self.result.named if self.result else ()
        car = self.papers.car
        found = [step.part for step in self.steps if step.verb == BLAMES and step.part in car.built.modules]
        for text in named:
            if text != NO_FAULT and text.startswith(f"{VERDICT_ON_MODULE} "):
                found.append(parse_edit(text, self.exercise.whole_car).part)
        silent = {name for step in self.steps if step.report for name in step.report.silent}
        return tuple(name for name in dict.fromkeys(found) if name in silent and not is_airbag(name, car))

    @cached_property
    def verdict_place(self) -> int:
        """The place of the first repair, before which a module must have been tested."""
        return next((place for place, step in enumerate(self.steps) if step.repairs), len(self.steps))

    def loaded(self) -> Iterator[tuple[int, Observation]]:
        """The tests before the verdict in which a lamp drew current."""
        for place, step in enumerate(self.steps[: self.verdict_place]):
            if step.vain or step.verb not in ("load", "measure"):
                continue
            try:
                what = parse_observation(step.action, self.papers.car)
            except EditProblem:  # at a part that only the real car has
                continue
            if what.kind is ObservationKind.LOAD or what.lamp_at:
                yield place, what

    def supplies(self) -> frozenset[str]:
        """Where the supply of a blamed module can be tested (of any, if none was blamed)."""
        pins = list(self._pins())
        fuses = {one.name for pin in pins for one in self.papers.supply_path(pin) if one.kind == "fuse"}
        return frozenset(pin for pin in pins if self.papers.supply_path(pin)) | {f"{one}.2" for one in fuses}

    def grounds(self) -> frozenset[str]:
        """Where its ground can be tested."""
        paths = {pin: self.papers.return_path(pin) for pin in self._pins()}
        points = {one.name for path in paths.values() for one in path if one.kind == "ground"}
        return frozenset(pin for pin, path in paths.items() if path) | points

    def _pins(self) -> Iterator[str]:
        for plug in self.papers.car.connectors.values():
            if plug.kind == "module" and (not self.blamed or plug.owner in self.blamed):
                yield from (pin.id for pin in plug.pins)


# -- the rules ---------------------------------------------------------------------------------------------


def _asked_customer(work: LoggedWork) -> Iterator[int]:
    """Questions that the customer can answer, before anything is changed."""
    changed = next((place for place, step in enumerate(work.steps) if step.changes), len(work.steps))
    for place, step in enumerate(work.steps[:changed]):
        if step.verb == "ask" and step.action.removeprefix("ask ") in work.exercise.answers:
            yield place


def _comes_and_goes(work: LoggedWork) -> bool:
    """The fault is not always there, and the customer knows when it is."""
    arrives = work.exercise.arrives
    return CustomerQuestion.WHEN in work.exercise.answers and any(
        text.split()[0] in INTERMITTENT for text in arrives
    )


def _first(steps: Sequence[WorkStep], verb: str) -> int | None:
    return next((place for place, step in enumerate(steps) if step.verb == verb and not step.vain), None)


def _saved(work: LoggedWork) -> Iterator[int]:
    saved, cleared = _first(work.steps, "save"), _first(work.steps, "clear")
    if saved is not None and (cleared is None or saved < cleared):
        yield saved


def _asked_all(work: LoggedWork) -> Iterator[int]:
    """A scan before anything is changed."""
    scanned = _first(work.steps, "scan")
    if scanned is not None and not any(step.changes for step in work.steps[:scanned]):
        yield scanned


def _supply_under_load(work: LoggedWork) -> Iterator[int]:
    at = work.supplies()
    yield from (place for place, what in work.loaded() if at & set(what.points))


def _ground_under_load(work: LoggedWork) -> Iterator[int]:
    at = work.grounds()
    yield from (place for place, what in work.loaded() if at & set(what.points))


def _proof(work: LoggedWork) -> Iterator[int]:
    """Every check after the last repair, if the repair held and everything was shown."""
    result = work.result
    last = max((place for place, step in enumerate(work.steps) if step.repairs), default=None)
    if result is None or last is None or not (result.repaired and result.proven):
        return
    checks = ("scan", "clear", "press", "key", "measure")
    yield from (place for place in range(last + 1, len(work.steps)) if work.steps[place].verb in checks)


def _was_cleared(work: LoggedWork) -> bool:
    return _first(work.steps, "clear") is not None


def _was_blamed(work: LoggedWork) -> bool:
    """A silent module was condemned, and there was a lamp to load its circuits with."""
    return bool(work.blamed) and "lamp" in work.exercise.tools


RULES = (
    MethodRule(
        "customer asked",
        "You asked the customer before you took anything apart.",
        "Ask the customer when it happens: a fault that comes and goes is found where and when it shows.",
        "a question to the customer before anything is changed",
        _asked_customer,
        _comes_and_goes,
    ),
    MethodRule(
        "all modules asked",
        "You scanned all modules before you took anything apart.",
        "Scan all modules before you take anything apart: the report is the car as it came in.",
        "a scan before anything is changed",
        _asked_all,
        lambda work: any(step.changes for step in work.steps),
    ),
    MethodRule(
        "report saved",
        "You saved a report before you cleared the codes.",
        "Save a report before you clear codes: what is cleared is gone.",
        "a report saved before codes are cleared",
        _saved,
        _was_cleared,
    ),
    MethodRule(
        "supply under load",
        "You tested a supply under load before any repair.",
        "Test a module's supply under load before you condemn it: voltage without load proves little.",
        "a supply tested under load before a verdict on a module",
        _supply_under_load,
        _was_blamed,
    ),
    MethodRule(
        "ground under load",
        "You tested a ground under load before any repair.",
        "Test a module's ground under load before you condemn it: a corroded one carries a meter's current.",
        "a ground tested under load before a verdict on a module",
        _ground_under_load,
        _was_blamed,
    ),
    MethodRule(
        PROOF,
        "You proved the repair.",
        "Prove the repair: show that the complaint is gone and that no code comes back.",
        "proof after the repair",
        _proof,
        lambda work: any(step.repairs for step in work.steps),
    ),
)  # fmt: skip
