"""Three faults at once, for a car that no single fault and no pair explains.

    found = find_three(vehicle_text("six-modules"), case.steps, workshop=workshop)

All triples of a car are far too many to run. So each fault is run alone, and sets are made of faults each of
which shows a part of what is wrong, so that together they show all of it and none could be spared. Each such
set is run through all steps, the likeliest first. Where none agrees, two or one that show all get a third
fault that shows nothing alone: it may hide something, or show it only beside them.

Not modeled: three faults of which two show what is wrong only together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice

from sim.lab.case import CaseStep, actions_of
from sim.lab.compare import Compared, compared
from sim.lab.judge import Deadline, Judge
from sim.lab.run import sentences
from sim.lab.search import judge_sets
from sim.lab.search_result import SearchResult
from sim.lab.sight import Account, ThingKind
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.edits import catalogue
from sim.vehicle.reading import car_from_text

THREE = 3
MOST_SETS = 100_000  # so many are listed in a second or two
ALONE_SHARE = 0.5  # of the time, for the runs of each fault alone

Oddity = tuple[int, str, str]  # the step, what was looked at, what was seen


def find_three(
    vehicle: str,
    steps: Sequence[CaseStep],
    *,
    given: Sequence[str] = (),
    edits: Sequence[str] | None = None,
    seed: int = 0,
    workshop: Workshop,
    within_s: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> SearchResult:
    """The sets of up to three edits, each of which shows a part, that agree with what was seen in every step.

    Parameters as those of `find_causes`. `candidates`: how many such sets there are.
    """
    car = car_from_text(vehicle)
    chosen = sentences(catalogue(car) if edits is None else edits, car)
    search = SearchResult(vehicle, tuple(given), seed, tuple(steps))
    time_alone = None if within_s is None else ALONE_SHARE * within_s
    structure = Structure(car, [*actions_of(search.steps), *search.given])
    work = Judge(search, structure, workshop, Deadline(time_alone), progress, stop)
    shown = work.shown_alone(chosen)
    usual = _oddities(search.steps, shown.pop("", None))
    parts = {edit: part for edit, one in shown.items() if (part := _part(search.steps, usual, one))}
    sets = list(_covers(frozenset(usual), parts))
    clock = Deadline(None if within_s is None else within_s - (time_alone or 0.0))
    found = replace(search, candidates=len(sets), runs=work.runs)
    found = judge_sets(found, sets, workshop, clock.left_s, progress, stop)
    if found.causes or clock.over:
        return found
    quiet_ones = [edit for edit in chosen if edit not in parts]
    more = [(*some, third) for some in sets if len(some) < THREE for third in quiet_ones][:MOST_SETS]
    again = judge_sets(replace(found, causes=(), remaining=()), more, workshop, clock.left_s, progress, stop)
    return replace(again, candidates=len(sets) + len(more), waiting=(*found.waiting, *again.waiting))


def _part(steps: Sequence[CaseStep], usual: Mapping[Oddity, Compared], account: Account) -> frozenset[Oddity]:
    """What is wrong of which a fault alone shows this; nothing where it silences what was seen to answer."""
    missed = _oddities(steps, account)
    if not account.sights or any(
        one.kind is ThingKind.MODULE for key, one in missed.items() if key not in usual
    ):
        return frozenset()
    return frozenset(usual) - missed.keys()


def _oddities(steps: Sequence[CaseStep], account: Account | None) -> dict[Oddity, Compared]:
    """Everything in which an account differs from what was seen."""
    sights = list(account.sights) if account else []
    found: dict[Oddity, Compared] = {}
    for number, step in enumerate(steps if sights else (), start=1):
        of_step, sights = sights[: len(step.do)], sights[len(step.do) :]
        told = (one for one in compared(step.seen, of_step) if one.contradicts)
        found |= {(number, one.what, one.seen): one for one in told}
    return found


def _covers(
    wrong: frozenset[Oddity], parts: Mapping[str, frozenset[Oddity]], most: int = THREE
) -> Iterator[tuple[str, ...]]:
    """The sets of up to `most` faults that together show all that is wrong, and of which none is spared."""
    shown_by = {one: [edit for edit, part in parts.items() if one in part] for one in sorted(wrong)}
    seen: set[frozenset[str]] = set()

    def grown(chosen: tuple[str, ...], left: frozenset[Oddity]) -> Iterator[tuple[str, ...]]:
        if not left:
            yield chosen
        elif len(chosen) < most:
            rarest = min(sorted(left), key=lambda one: len(shown_by[one]))
            for edit in shown_by[rarest]:
                yield from grown((*chosen, edit), left - parts[edit])

    for some in islice(grown((), wrong), MOST_SETS):
        if frozenset(some) not in seen and _needs_each(some, wrong, parts):
            seen.add(frozenset(some))
            yield tuple(sorted(some, key=list(parts).index))


def _needs_each(
    some: tuple[str, ...], wrong: frozenset[Oddity], parts: Mapping[str, frozenset[Oddity]]
) -> bool:
    """Is something no longer shown, whichever of them is spared?"""
    others = (frozenset().union(*(parts[one] for one in some if one != spared)) for spared in some)
    return not any(wrong <= rest for rest in others)
