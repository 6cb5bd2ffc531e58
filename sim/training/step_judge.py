"""What each step of a log was worth, by what could be known before it, not by how it happened to come out:

    informative            the possible causes left would have shown different things: so many bits expected
    weak                   it could tell something, but another check gave four times as much per minute
    redundant              every possible cause left would have shown the same: nothing could be learned
    verification           a check after a repair; it is never redundant
    premature replacement  a part was repaired or replaced while a possible cause left it healthy, and a
                           shorter check would have told them apart
    good method            it told nothing new, and a careful technician does it in any case
                           (`sim.training.good_method`)
    unsafe                 on a real car a person, or the car, could have been hurt

The numbers come from a `SuspectModel`. Without one, checks are listed and only safety is judged.

Not modeled: what a person had in mind; checks that err.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Literal

from sim.bench.action_words import sentence_of
from sim.bench.observations import OBSERVATION_VERBS
from sim.training.jobs import REPAIRS, WorkStep
from sim.training.suspects import SuspectModel, best_check, bits_per_minute, entropy_bits, grouped

StepVerdict = Literal[
    "informative",
    "weak",
    "redundant",
    "verification",
    "premature replacement",
    "unsafe",
    "repair",
    "good method",
    "",
]
Unit = Literal[
    "", "bits", "of the best per minute", "dangers", "possible causes left", "chance that it was this"
]
CHECKS = ("scan", *OBSERVATION_VERBS)
UNDONE_BY = {"plug": "unplug", "fit": "pull", "unbypass": "bypass"}
# At least so many times as much per minute must another check have offered; a threshold of our own.
WEAK_FACTOR = 4.0

Groups = Mapping[Hashable, Sequence[int]]


@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict with its reason and the figure that it rests on."""

    verdict: StepVerdict = ""
    reason: str = ""
    number: float | None = None
    unit: Unit = ""


@dataclass(frozen=True, slots=True)
class Judged:
    """A step, its ruling, how many suspects it left, and how many bits it could have told."""

    step: WorkStep
    ruling: Ruling
    left: int
    bits: float = field(default=0.0, compare=False)


class StepJudge:
    """Goes through a log once and keeps the suspects that agree with everything seen so far.

    `after_scan`: those left after the first scan before any repair, None without one.
    """

    def __init__(self, steps: Sequence[WorkStep], model: SuspectModel | None) -> None:
        self.after_scan: list[int] | None = None
        self._steps, self._model = steps, model
        self._weights = [] if model is None else [one.odds for one in model.suspects]
        self._left = list(range(len(self._weights)))
        self._repaired = False
        self._left_at_repair: list[int] | None = None
        self._best_of: dict[tuple[int, ...], tuple[str, float]] = {}

    def judged(self) -> Iterator[Judged]:
        """Every step with its verdict, in order."""
        for place, step in enumerate(self._steps):
            groups = self._groups(place)
            gain_bits = entropy_bits([self._weight(group) for group in groups.values()])
            ruling = self._ruling(place, groups, gain_bits)
            self._take_in(place, groups)
            yield Judged(step, ruling, len(self._left), gain_bits)

    def omitted(self, named: Sequence[str]) -> list[tuple[str, ...]]:
        """The edits of suspects that were still possible at the first repair, other than those named."""
        if self._model is None:
            return []
        left = self._left if self._left_at_repair is None else self._left_at_repair
        others = [self._model.suspects[k] for k in left if k != self._model.truth]
        return [one.edits for one in others if not set(one.edits) & set(named)]

    def _groups(self, place: int) -> Groups:
        """The possible causes left, by what each of them would have shown at this step."""
        return {} if self._model is None else grouped(self._left, partial(self._model.told, place))

    def _weight(self, suspects: Sequence[int]) -> float:
        return sum(self._weights[k] for k in suspects)

    def _take_in(self, place: int, groups: Groups) -> None:
        """Keep the suspects that agree with what this step has shown."""
        step = self._steps[place]
        if step.repairs and not self._repaired:
            self._repaired, self._left_at_repair = True, list(self._left)
        if self._model is None:
            return
        self._left = list(groups.get(self._model.seen(place), []))
        if step.verb == "scan" and self.after_scan is None and not self._repaired:
            self.after_scan = list(self._left)

    # -- rulings ---------------------------------------------------------------------------------------

    def _ruling(self, place: int, groups: Groups, gain_bits: float) -> Ruling:
        step = self._steps[place]
        if step.dangers:
            return Ruling("unsafe", "; ".join(step.dangers), float(len(step.dangers)), "dangers")
        if step.verb in REPAIRS and not step.moves_clamp:
            return Ruling() if self._puts_back(place) else self._repair(place)
        is_check, tells = step.verb in CHECKS, gain_bits > 0
        if self._repaired and (is_check or tells) and (not tells or self._is_recheck(place)):
            reason = "a check after a repair shows whether it held"
            if self._model is None:
                return Ruling("verification", reason)
            return Ruling("verification", reason, float(len(self._left)), "possible causes left")
        if not self._left:
            return Ruling(reason=_why_unjudged(self._model is not None) if is_check else "")
        if not tells:
            return self._redundant() if is_check else Ruling()
        best, best_rate = self._best() if is_check and not self._repaired else ("", 0.0)
        rate = bits_per_minute(gain_bits, step.minutes)
        if best_rate > WEAK_FACTOR * rate:
            reason = (
                f"{gain_bits:.2f} bits in {step.minutes:.1f} min; “{best}” offered {best_rate / rate:.0f} "
                "times as much per minute"
            )
            return Ruling("weak", reason, rate / best_rate, "of the best per minute")
        reason = f"{len(self._left)} possible causes would have shown {len(groups)} different things"
        return Ruling("informative", reason, gain_bits, "bits")

    def _redundant(self) -> Ruling:
        count = len(self._left)
        reason = (
            f"all {count} possible causes left would have shown the same"
            if count > 1
            else "only one possible cause was left, and it would have shown just this"
        )
        return Ruling("redundant", reason, 0.0, "bits")

    def _repair(self, place: int) -> Ruling:
        step, left = self._steps[place], self._left
        if self._model is None or not left:
            return Ruling("repair", step.vain)
        bad = [k for k in left if self._model.mended(place, k)]
        healthy = [k for k in left if k not in bad]
        chance = self._weight(bad) / self._weight(left)
        check = self._telling(bad, healthy, step.minutes) if healthy and not self._repaired else ""
        if not check and not (step.vain and healthy):
            reason = f"{len(bad)} of {len(left)} possible causes say that this part is at fault"
            return Ruling("repair", reason, chance, "chance that it was this")
        vain = f"{step.vain}; " if step.vain else ""
        told = f", and “{check}” would have told in less time" if check else ""
        reason = f"{vain}{len(healthy)} of {len(left)} possible causes leave this part healthy{told}"
        return Ruling("premature replacement", reason, chance, "chance that it was this")

    def _telling(self, bad: Sequence[int], healthy: Sequence[int], minutes: float) -> str:
        """The quickest check in less than these minutes that tells all bad ones from all healthy ones."""
        model = self._model
        if model is None or not bad or not {*bad, *healthy} <= model.compared:
            return ""
        for number in sorted(range(len(model.checks)), key=lambda k: (model.checks[k].minutes, k)):
            if model.checks[number].minutes >= minutes:
                return ""
            one = {model.shown(number, k) for k in bad}
            other = {model.shown(number, k) for k in healthy}
            if not one & other:
                return sentence_of(model.checks[number].actions)
        return ""

    def _best(self) -> tuple[str, float]:
        """The check with the most bits per minute on the possible causes left."""
        if self._model is None or not set(self._left) <= self._model.compared:
            return "", 0.0
        key = tuple(self._left)
        if key not in self._best_of:
            number, rate = best_check(self._model, self._left)
            words = sentence_of(self._model.checks[number].actions) if rate > 0 else ""
            self._best_of[key] = words, max(rate, 0.0)
        return self._best_of[key]

    def _puts_back(self, place: int) -> bool:
        """Whether a repair only undoes what this person took apart."""
        step = self._steps[place]
        undone = UNDONE_BY.get(step.verb)
        own = [one.verb for one in self._steps[:place] if one.part == step.part and one.changes]
        return undone is not None and own[-1:] == [undone] and not step.vain

    def _is_recheck(self, place: int) -> bool:
        step = self._steps[place]
        return step.verb == "scan" or step.action in {one.action for one in self._steps[:place]}


def _why_unjudged(has_model: bool) -> str:
    return "no possible cause left would have shown this" if has_model else "not measured yet"
