"""The debrief: what was wrong and why it showed what it showed, and what each check was worth.

`sim.training.step_judge` says how a step is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sim.bench.bench import Bench
from sim.bench.explain import Because, why_code, why_engine, why_silent, why_telltale
from sim.instruments.seat import seat_of
from sim.training.attempt import Attempt
from sim.training.hand_in import HandIn
from sim.training.step_judge import Judged, StepJudge, StepVerdict
from sim.training.suspects import RouteStop, SuspectModel, best_route
from sim.vehicle.problems import EditProblem

MOST_TREES = 12


@dataclass(frozen=True, slots=True)
class Debrief:
    """All that is told after hand-in. `causes`: what the car showed, with its chain of causes.

    `lost`: codes that clearing erased. `after_showing`: the solution had been shown before.
    """

    attempt: Attempt
    result: HandIn
    causes: tuple[tuple[str, Because], ...]
    judged: tuple[Judged, ...]
    suspects: int | None
    omitted: tuple[str, ...]
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
    judge = StepJudge(attempt.steps, model)
    judged = tuple(judge.judged())
    return Debrief(
        attempt=attempt,
        result=attempt.result,
        causes=tuple(_causes(attempt)),
        judged=judged,
        suspects=None if model is None else len(model.suspects),
        omitted=tuple(judge.omitted(attempt.result.named)),
        route=tuple(best_route(model, judge.after_scan)) if model else (),
        lost=tuple(_lost_codes(attempt)),
        after_showing=after_showing,
    )


# -- why it showed what it showed --------------------------------------------------------------------------


def _causes(attempt: Attempt) -> Iterator[tuple[str, Because]]:
    """The chains of causes of what the first scan showed, each set of roots once."""
    bench = _as_first_read(attempt)
    shown: set[tuple[str, ...]] = set()
    for kind, title, tree in _trees(bench):
        kept = tree.to_edits()
        if not kept.reaches_edit:
            continue
        roots = (kind, *kept.roots())
        if roots not in shown and len(shown) < MOST_TREES:
            shown.add(roots)
            yield title, kept


def _as_first_read(attempt: Attempt) -> Bench:
    """The bench right after the first scan, or before the first change where there is no scan."""
    steps = attempt.steps
    keep = next((k + 1 for k, step in enumerate(steps) if step.verb == "scan"), None)
    if keep is None:
        keep = next((k for k, step in enumerate(steps) if step.changes), len(steps))
    bench = attempt.exercise.bench()
    bench.do_all(step.sight.action for step in steps[:keep] if not step.vain)
    if bench.last_report is None:
        bench.do("scan")
    return bench


def _trees(bench: Bench) -> Iterator[tuple[str, str, Because]]:
    """Kind, title and chain of everything that the last scan and the driver's seat show."""
    report = bench.last_report
    assert report is not None
    for name in report.silent:
        yield "silent", f"silent {name}", why_silent(bench, name)
    for lamp in seat_of(bench).lit:
        yield "lamp", f"lamp {lamp}", why_telltale(bench, lamp)
    for entry in report.modules:
        for code in entry.codes:
            yield "code", f"code {code.code} in {entry.module}", why_code(bench, entry.module, code.code)
    if bench.car.built.engine and seat_of(bench).engine != "running":
        yield "engine", "engine", why_engine(bench)


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
