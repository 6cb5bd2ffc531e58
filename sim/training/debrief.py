"""The debrief: what was wrong and why it showed what it showed, and what each check was worth.

`sim.training.step_judge` says how a step is judged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from sim.bench.bench import Bench
from sim.training.aftermath import Aftermath, Chain, aftermath, chains, shown_by
from sim.training.attempt import Attempt
from sim.training.good_method import Method
from sim.training.hand_in import HandIn
from sim.training.step_judge import Judged, Ruling, StepJudge, StepVerdict
from sim.training.suspects import RouteStop, SuspectModel, best_route
from sim.vehicle.problems import EditProblem


@dataclass(frozen=True, slots=True)
class Debrief:
    """All that is told after hand-in. `chains`: what the car showed, each chain of causes once.

    `aftermath`: what followed from each hidden edit. `method`: how the log follows the rules of the trade.
    `omitted`: the edits of causes that were possible, too, at the first repair.
    `lost`: codes that clearing erased. `after_showing`: the solution had been shown before.
    """

    attempt: Attempt
    result: HandIn
    aftermath: tuple[Aftermath, ...]
    chains: tuple[Chain, ...]
    method: tuple[Method, ...]
    judged: tuple[Judged, ...]
    suspects: int | None
    omitted: tuple[tuple[str, ...], ...]
    route: tuple[RouteStop, ...]
    lost: tuple[str, ...]
    after_showing: bool = False

    def count(self, verdict: StepVerdict) -> int:
        """How many steps got a verdict."""
        return sum(one.ruling.verdict == verdict for one in self.judged)


def debrief(attempt: Attempt, model: SuspectModel | None = None, *, after_showing: bool = False) -> Debrief:
    """The debrief of an attempt that has been handed in; raises `EditProblem` before that."""
    if attempt.result is None:
        raise EditProblem("the debrief comes after handing in: it tells what was wrong")
    judge, method = StepJudge(attempt.steps, model), attempt.method
    judged = tuple(_with_method(judge.judged(), method))
    shown = tuple(shown_by(_as_first_read(attempt)))
    return Debrief(
        attempt=attempt,
        result=attempt.result,
        aftermath=aftermath(shown, attempt.exercise.arrives, attempt.exercise.real_car),
        chains=chains(shown, attempt.exercise.real_car),
        method=method,
        judged=judged,
        suspects=None if model is None else len(model.suspects),
        omitted=tuple(judge.omitted(attempt.result.named)),
        route=tuple(best_route(model, judge.after_scan)) if model else (),
        lost=tuple(_lost_codes(attempt)),
        after_showing=after_showing,
    )


NOTHING_NEW: tuple[StepVerdict, ...] = ("redundant", "weak", "")


def _with_method(judged: Iterable[Judged], method: Iterable[Method]) -> Iterator[Judged]:
    """A step that follows a rule of the trade is good method, even where it could tell nothing new."""
    words = {place: one.rule.step for one in method for place in one.places}
    for place, one in enumerate(judged):
        if place in words and one.ruling.verdict in NOTHING_NEW and not one.step.vain:
            one = replace(one, ruling=Ruling("good method", words[place]))
        yield one


# -- the car as it was first read --------------------------------------------------------------------------


def first_read(attempt: Attempt) -> tuple[str, ...]:
    """The actions up to the first scan before any repair; where there is none, up to the first change."""
    steps = attempt.steps
    repaired = next((k for k, step in enumerate(steps) if step.repairs), len(steps))
    keep = next((k + 1 for k, step in enumerate(steps[:repaired]) if step.verb == "scan"), None)
    if keep is None:
        keep = next((k for k, step in enumerate(steps) if step.changes), len(steps))
    actions = tuple(step.sight.action for step in steps[:keep] if not step.vain)
    return actions if "scan" in actions else (*actions, "scan")


def _as_first_read(attempt: Attempt) -> Bench:
    bench = attempt.exercise.bench()
    bench.do_all(first_read(attempt))
    return bench


# -- what clearing has erased ------------------------------------------------------------------------------


def _lost_codes(attempt: Attempt) -> Iterator[str]:
    """Codes that the modules held just before the first clearing and that no saved report shows."""
    steps = attempt.steps
    cleared = next((k for k, step in enumerate(steps) if step.verb == "clear" and not step.vain), None)
    if cleared is None or any(step.verb == "save" for step in steps[:cleared]):
        return
    bench = attempt.exercise.bench()
    bench.do_all(step.sight.action for step in steps[:cleared] if not step.vain)
    report = bench.do("scan").report
    assert report is not None
    for entry in report.modules:
        for code in entry.codes:
            state = "present" if code.failing_now else "stored"
            yield f"{entry.module} {code.code} {code.description} ({state})"
