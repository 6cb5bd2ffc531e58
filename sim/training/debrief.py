"""The debrief: what was wrong and why it showed what it showed, and what each check was worth.

Every check is judged by what could be known before it was made, not by how it happened to come out:

    informative            the suspects left would have shown different things: so many bits expected
    weak                   it could tell something, but another check gave four times as much per minute
    redundant              every suspect left would have shown the same: nothing could be learned
    verification           a check after a repair; it is never redundant
    premature replacement  a part was mended or fitted while a suspect left it healthy, and a shorter check
                           would have told them apart
    unsafe                 on a real car somebody, or the car, could have been hurt

The numbers come from a `SuspectModel`. Without one, checks are listed and only safety is judged.

Not modelled: what a person had in mind; checks that err.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from math import log2
from typing import Literal

from sim.bench.bench import Bench
from sim.bench.explain import Because, why_code, why_engine, why_silent, why_telltale
from sim.instruments.seat import look
from sim.training.attempt import REPAIRS, Attempt, HandIn, Step
from sim.training.exercise import Exercise
from sim.training.forecast import SuspectModel
from sim.training.labor import HINT_MINUTES
from sim.vehicle.problems import EditProblem

Verdict = Literal[
    "informative", "weak", "redundant", "verification", "premature replacement", "unsafe", "repair", ""
]
CHECKS = ("scan", "look", "measure", "load", "scope")
# At least so many times as much per minute must another check have offered; a threshold of our own.
WEAK_FACTOR = 4.0
LEAST_MINUTES = 0.1
MOST_TREES = 12
MOST_ROUTE = 12


@dataclass(frozen=True, slots=True)
class Judged:
    """One step with its verdict. Bits are expected information; weights of suspects add up to 1.

    number, unit: the figure behind the verdict. left, left_bits: suspects after the step, and how uncertain
    they are. best, best_rate: the check that offered most bits per minute, where one was looked for.
    """

    number_in_log: int
    step: Step
    verdict: Verdict
    reason: str
    number: float | None
    unit: str
    gain_bits: float
    rate: float
    left: int
    left_bits: float
    best: str = ""
    best_rate: float = 0.0


@dataclass(frozen=True, slots=True)
class RouteStop:
    """One check of the shortest way that the model knows: what it costs, and how many suspects it leaves."""

    check: str
    minutes: float
    left: int


@dataclass(frozen=True, slots=True)
class Debrief:
    """All that is told after hand-in. `causes`: why trees by title. `lost`: codes that clearing erased.

    `after_showing`: the solution had been shown before.
    """

    exercise: Exercise
    result: HandIn
    causes: tuple[tuple[str, Because], ...]
    judged: tuple[Judged, ...]
    suspects: int | None
    omitted: tuple[str, ...]
    route: tuple[RouteStop, ...]
    lost: tuple[str, ...]
    saved: tuple[str, ...]
    minutes: float
    hints_taken: int
    notes: tuple[str, ...]
    after_showing: bool = False

    def count(self, verdict: Verdict) -> int:
        """How many steps got a verdict."""
        return sum(one.verdict == verdict for one in self.judged)

    @property
    def hint_minutes(self) -> float:
        """Shop minutes that hints cost."""
        return HINT_MINUTES * self.hints_taken


def debrief(attempt: Attempt, model: SuspectModel | None = None, *, after_showing: bool = False) -> Debrief:
    """The debrief of an attempt that has been handed in; raises `EditProblem` before that."""
    if attempt.result is None:
        raise EditProblem("the debrief comes after handing in: it tells what was wrong")
    judge = _Judge(attempt.steps, model)
    judged = tuple(judge.all())
    return Debrief(
        exercise=attempt.exercise,
        result=attempt.result,
        causes=tuple(_causes(attempt)),
        judged=judged,
        suspects=None if model is None else len(model.suspects),
        omitted=tuple(judge.omitted(attempt.result.named)),
        route=tuple(best_route(model, judge.after_scan)) if model else (),
        lost=tuple(_lost_codes(attempt)),
        saved=tuple(attempt.bench.reports),
        minutes=attempt.minutes,
        hints_taken=attempt.hints_taken,
        notes=tuple(attempt.notes),
        after_showing=after_showing,
    )


# -- what a check was worth --------------------------------------------------------------------------------


def judged_steps(steps: Sequence[Step], model: SuspectModel | None) -> Iterator[Judged]:
    """Every step of a log with its verdict."""
    yield from _Judge(steps, model).all()


class _Judge:
    """Goes through the log once and keeps the suspects that agree with everything seen so far."""

    def __init__(self, steps: Sequence[Step], model: SuspectModel | None) -> None:
        self.steps, self.model = steps, model
        self.left: list[int] = [] if model is None else list(range(len(model.suspects)))
        self.repaired = False
        self.left_at_repair: list[int] | None = None
        self.after_scan: list[int] | None = None
        self.weights = [] if model is None else [one.weight for one in model.suspects]
        self.best_of: dict[tuple[int, ...], tuple[str, float]] = {}

    def all(self) -> Iterator[Judged]:
        for place, step in enumerate(self.steps):
            groups = self._groups(place)
            gain = entropy_bits([self._weight(group) for group in groups.values()])
            verdict, reason, number, unit, best = self._verdict(place, step, gain)
            if step.repairs and not self.repaired:
                self.repaired, self.left_at_repair = True, list(self.left)
            if self.model is not None:
                self.left = groups.get(self.model.seen(place), [])
                if step.verb == "scan" and self.after_scan is None and not self.repaired:
                    self.after_scan = list(self.left)
            yield Judged(
                place + 1,
                step,
                verdict,
                reason,
                number,
                unit,
                gain,
                gain / max(step.minutes, LEAST_MINUTES),
                len(self.left),
                self._uncertainty(),
                *best,
            )

    def omitted(self, named: Sequence[str]) -> list[str]:
        """Suspects that were still possible when the first repair was made, other than those named."""
        if self.model is None:
            return []
        left = self.left if self.left_at_repair is None else self.left_at_repair
        others = [self.model.suspects[k] for k in left if k != self.model.truth]
        return [one.text for one in others if not set(one.edits) & set(named)]

    def _weight(self, suspects: Sequence[int]) -> float:
        return sum(self.weights[k] for k in suspects)

    def _groups(self, place: int) -> dict[Hashable, list[int]]:
        groups: dict[Hashable, list[int]] = {}
        for k in self.left if self.model else ():
            assert self.model is not None
            groups.setdefault(self.model.told(place, k), []).append(k)
        return groups

    def _uncertainty(self) -> float:
        return entropy_bits([self._weight([k]) for k in self.left])

    def _verdict(
        self, place: int, step: Step, gain: float
    ) -> tuple[Verdict, str, float | None, str, tuple[str, float]]:
        nothing = ("", 0.0)
        if step.dangers:
            return "unsafe", "; ".join(step.dangers), float(len(step.dangers)), "dangers", nothing
        if step.verb in REPAIRS and not _is_clamp(step):
            if self._puts_back(place, step):
                return "", "", None, "", nothing
            return (*self._repair(place, step), nothing)
        is_check = step.verb in CHECKS
        if self.repaired and (is_check or gain > 0) and (gain == 0 or self._is_recheck(place, step)):
            reason = "a check after a repair shows whether it held"
            return "verification", reason, float(len(self.left)), "suspects left", nothing
        if self.model is None or not self.left:
            return "", _unjudged(step, is_check, self.model is not None), None, "", nothing
        if gain == 0:
            if not is_check:
                return "", "", None, "", nothing
            count = len(self.left)
            reason = (
                f"all {count} suspects left would have shown the same"
                if count > 1
                else "only one suspect was left, and it would have shown just this"
            )
            return "redundant", reason, 0.0, "bits", nothing
        best = self._best() if is_check and not self.repaired else nothing
        rate = gain / max(step.minutes, LEAST_MINUTES)
        if best[1] > WEAK_FACTOR * rate:
            reason = (
                f"{gain:.2f} bits in {step.minutes:.1f} min; '{best[0]}' offered {best[1] / rate:.0f} times "
                "as much per minute"
            )
            return "weak", reason, rate / best[1], "of the best per minute", best
        groups = len(self._groups(place))
        reason = f"{len(self.left)} suspects would have shown {groups} different things"
        return "informative", reason, gain, "bits", best

    def _repair(self, place: int, step: Step) -> tuple[Verdict, str, float | None, str]:
        if self.model is None or not self.left:
            return "repair", step.vain, None, ""
        bad = [k for k in self.left if self.model.mended(place, k)]
        healthy = [k for k in self.left if k not in bad]
        chance = self._weight(bad) / self._weight(self.left)
        check = self._telling(bad, healthy, step.minutes) if healthy and not self.repaired else ""
        vain = f"{step.vain}; " if step.vain else ""
        if check:
            reason = (
                f"{vain}{len(healthy)} of {len(self.left)} suspects leave this part healthy, and '{check}' "
                "would have told in less time"
            )
            return "premature replacement", reason, chance, "chance that it was this"
        if step.vain and healthy:
            reason = f"{vain}{len(healthy)} of {len(self.left)} suspects leave this part healthy"
            return "premature replacement", reason, chance, "chance that it was this"
        reason = f"{len(bad)} of {len(self.left)} suspects say that this part is at fault"
        return "repair", reason, chance, "chance that it was this"

    def _telling(self, bad: Sequence[int], healthy: Sequence[int], minutes: float) -> str:
        """The quickest check below these minutes that tells all of the ones from all of the others."""
        model = self.model
        if model is None or not {*bad, *healthy} <= model.compared:
            return ""
        for number in sorted(range(len(model.checks)), key=lambda k: (model.checks[k].minutes, k)):
            if model.checks[number].minutes >= minutes:
                return ""
            if bad:
                one = {model.shown(number, k) for k in bad}
                other = {model.shown(number, k) for k in healthy}
                if not one & other:
                    return model.checks[number].title
        return ""

    def _best(self) -> tuple[str, float]:
        """The check with the most bits per minute on the suspects left."""
        if self.model is None or not set(self.left) <= self.model.compared:
            return "", 0.0
        key = tuple(self.left)
        if key not in self.best_of:
            number, rate = best_check(self.model, self.left)
            self.best_of[key] = (self.model.checks[number].title, rate) if rate > 0 else ("", 0.0)
        return self.best_of[key]

    def _puts_back(self, place: int, step: Step) -> bool:
        """Does it only undo what this person took apart?"""
        undone = {"plug": "unplug", "fit": "pull", "unbypass": "bypass"}.get(step.verb)
        thing = step.action.split()[1]
        own = [one.verb for one in self.steps[:place] if one.action.split()[1:2] == [thing] and one.changes]
        return undone is not None and own[-1:] == [undone] and not step.vain

    def _is_recheck(self, place: int, step: Step) -> bool:
        return step.verb == "scan" or step.action in {one.action for one in self.steps[:place]}


def _is_clamp(step: Step) -> bool:
    return "BAT." in step.action and step.verb in ("plug", "unplug")


def _unjudged(step: Step, is_check: bool, has_model: bool) -> str:
    if not is_check:
        return ""
    return "no suspect left would have shown this" if has_model else "not measured: no suspects to hand"


def entropy_bits(weights: Sequence[float]) -> float:
    """Entropy in bits of weights that need not add up to 1; 0.0 for one or none."""
    total = sum(weights)
    return sum((weight / total * log2(total / weight) for weight in weights if weight > 0), 0.0)


def best_check(model: SuspectModel, suspects: Sequence[int]) -> tuple[int, float]:
    """The check with the most expected bits per minute, and that figure; of equals the first."""
    found, best_rate = 0, 0.0
    weight = {k: one.weight for k, one in enumerate(model.suspects)}
    for number, check in enumerate(model.checks):
        groups = _split(model, number, suspects)
        weights = [sum(weight[k] for k in group) for group in groups.values()]
        rate = entropy_bits(weights) / max(check.minutes, LEAST_MINUTES)
        if rate > best_rate + 1e-12:
            found, best_rate = number, rate
    return found, best_rate


def best_route(model: SuspectModel, after_scan: Sequence[int] | None) -> Iterator[RouteStop]:
    """The checks that next-best-check would have made on this car, until none can tell any more.

    All modules are read first; `after_scan` are the suspects that this leaves, None where the log has none.
    """
    if after_scan is None or model.truth not in after_scan:
        return
    left = list(after_scan)
    yield RouteStop(model.checks[0].title, model.checks[0].minutes, len(left))
    for _ in range(MOST_ROUTE):
        left = [k for k in left if k in model.compared]
        number, rate = best_check(model, left)
        if rate <= 0:
            return
        left = _split(model, number, left)[model.shown(number, model.truth)]
        yield RouteStop(model.checks[number].title, model.checks[number].minutes, len(left))


def _split(model: SuspectModel, check: int, suspects: Sequence[int]) -> dict[Hashable, list[int]]:
    groups: dict[Hashable, list[int]] = {}
    for k in suspects:
        groups.setdefault(model.shown(check, k), []).append(k)
    return groups


# -- why it showed what it showed --------------------------------------------------------------------------


def _causes(attempt: Attempt) -> Iterator[tuple[str, Because]]:
    """The chains behind what the first scan showed, each set of roots once."""
    bench = _as_first_read(attempt)
    shown: set[tuple[str, ...]] = set()
    for title, tree in _trees(bench):
        kept = tree.to_edits()
        if not kept.reaches_edit:
            continue
        roots = (title.split()[0], *kept.roots())
        if roots not in shown and len(shown) < MOST_TREES:
            shown.add(roots)
            yield title, kept


def _as_first_read(attempt: Attempt) -> Bench:
    """The bench as it stood after the first scan, or before the first change without one."""
    steps = attempt.steps
    keep = next((k + 1 for k, step in enumerate(steps) if step.verb == "scan"), None)
    if keep is None:
        keep = next((k for k, step in enumerate(steps) if step.changes), len(steps))
    bench = attempt.exercise.bench()
    bench.do_all(step.sight.action for step in steps[:keep] if not step.vain)
    if bench.last_report is None:
        bench.do("scan")
    return bench


def _trees(bench: Bench) -> Iterator[tuple[str, Because]]:
    report = bench.last_report
    assert report is not None
    for name in report.silent:
        yield f"silent {name}", why_silent(bench, name)
    for lamp in look(bench).lit:
        yield f"lamp {lamp}", why_telltale(bench, lamp)
    for entry in report.modules:
        for code in entry.codes:
            yield f"code {code.code} in {entry.module}", why_code(bench, entry.module, code.code)
    if bench.car.built.engine and look(bench).engine != "running":
        yield "engine", why_engine(bench)


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
