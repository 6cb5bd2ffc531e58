"""Experiments after the last step of a case: which of them would tell its tied stories apart."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sim.lab.case import Case, Story, trial_of
from sim.lab.compare import DOUBTFUL, fired_words, look_alike, readings_alike, reliable, turned_words
from sim.lab.report import Rows
from sim.lab.sight import Account, Sight, Thing, ThingKind, value_words
from sim.lab.workshop import Stop, Workshop, never
from sim.vehicle.problems import EditProblem

# The order in which a table shows things: who answers, the driver's seat, other findings, codes.
RANKS: dict[ThingKind, int] = {
    ThingKind.TESTER: 0,
    ThingKind.MODULE: 0,
    ThingKind.SEAT: 1,
    ThingKind.LAMP: 1,
    ThingKind.OTHER: 2,
    ThingKind.CODE: 3,
}


class ShownLater(NamedTuple):
    """What an action of an experiment shows. `module`: that of a code; `after`: which action, in words."""

    kind: ThingKind
    what: str
    module: str
    after: str

    def __str__(self) -> str:
        return f"{self.what} {self.after}"

    @property
    def rank(self) -> int:
        """Where it belongs in the table."""
        return RANKS[self.kind]

    @property
    def holder(self) -> str:
        """The module that answers or holds the code."""
        return self.module or ("" if self.rank else self.what)

    @property
    def name(self) -> str:
        """What it is besides its holder; nothing of an answer."""
        return self.what.removeprefix(f"{self.module} ") if self.rank else ""


@dataclass(frozen=True, slots=True)
class Separation:
    """An experiment after the last step: stories that would then look alike are one group.

    `shows`: what differs, with the value in each group.
    """

    experiment: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    shows: tuple[tuple[ShownLater, tuple[str, ...]], ...]

    @property
    def separates(self) -> bool:
        """Does it tell any two stories apart?"""
        return len(self.groups) > 1


def separations(
    case: Case,
    stories: dict[str, Story],
    experiments: Iterable[Sequence[str]],
    *,
    workshop: Workshop,
    stop: Stop = never,
) -> tuple[Separation, ...]:
    """What each experiment after the last step would show under each story; those that separate come first.

    An experiment is a list of actions, edits among them. Raises `EditProblem` where one cannot be done under
    any of the stories.
    """
    plans = [tuple(one) for one in experiments]
    trials = [trial_of(case, story, plan) for plan in plans for story in stories.values()]
    accounts = workshop.run(trials, stop=stop)
    found = []
    for place, plan in enumerate(plans):
        told = accounts[place * len(stories) : (place + 1) * len(stories)]
        _refuse_what_never_works(told, len(case.actions))
        after = [_seen_after(account, len(case.actions)) for account in told]
        found.append(_separation(plan, tuple(stories), reliable(after)))
    return tuple(sorted(found, key=lambda one: -len(one.groups)))


def _seen_after(account: Account, done: int) -> dict[ShownLater, str | float]:
    parts: dict[ShownLater, str | float] = {}
    for place, sight in enumerate(account.sights[done:], start=1):
        after = f"(after '{sight.action}', action {place} of the experiment)"
        for kind, what, value, module in _things(sight):
            doubtful = sight.doubtful and what == sight.action
            parts[ShownLater(kind, what, module, after)] = DOUBTFUL if doubtful else value
    return parts


def _things(sight: Sight) -> Iterator[Thing]:
    yield from sight.seat_things()
    yield Thing(ThingKind.SEAT, "starter", turned_words(sight.cranked))
    yield Thing(ThingKind.SEAT, "fired", fired_words(sight.started))
    yield from sight.found_things()
    if sight.notes and sight.reading is None:  # a meter's notes are about its reading
        yield Thing(ThingKind.OTHER, f"{sight.action}, in words", " ".join(sight.notes))


def _refuse_what_never_works(accounts: Sequence[Account], done: int) -> None:
    for sights in zip(*(account.sights[done:] for account in accounts), strict=True):
        if all(sight.refused for sight in sights):
            raise EditProblem(f"the experiment cannot be done: {sights[0].refused}")


def _separation(
    plan: tuple[str, ...], names: tuple[str, ...], after: Sequence[dict[ShownLater, str | float]]
) -> Separation:
    groups: list[list[int]] = []
    for k, seen in enumerate(after):
        for group in groups:
            if look_alike(after[group[0]], seen):
                group.append(k)
                break
        else:
            groups.append([k])
    firsts = [after[group[0]] for group in groups]
    things = dict.fromkeys(thing for seen in firsts for thing in seen)
    shows = tuple(
        (thing, tuple(value_words(seen.get(thing)) for seen in firsts))
        for thing in sorted(things, key=lambda one: one.rank)
        if any(not readings_alike(firsts[0].get(thing), seen.get(thing)) for seen in firsts)
    )
    return Separation(plan, tuple(tuple(names[k] for k in group) for group in groups), shows)


def table_rows(shows: Iterable[tuple[ShownLater, tuple[str, ...]]]) -> tuple[tuple[str, ...], ...]:
    """Rows of a table; modules that fare alike are one row, and so are those that hold one code alike."""
    rows: dict[tuple[int, str, str, tuple[str, ...]], list[str]] = {}
    for thing, values in shows:
        rows.setdefault((thing.rank, thing.name, thing.after, values), []).append(thing.holder)
    return tuple(
        (f"{_row_name(name, holders)} {after}", *values) for (_, name, after, values), holders in rows.items()
    )


def _row_name(name: str, holders: Sequence[str]) -> str:
    listed = ", ".join(holders)
    return f"{name} in {listed}" if name and listed else name or listed


def separation_lines(separations: Sequence[Separation]) -> Iterator[str | Rows]:
    """The experiments in a report: those that separate with their tables, then the others."""
    useful = [one for one in separations if one.separates]
    yield f"{len(useful)} of {len(separations)} experiments would tell the tied stories apart."
    for one in useful:
        yield f"{'; '.join(one.experiment)}:"
        yield Rows(("", *(", ".join(group) for group in one.groups)), table_rows(one.shows))
    for one in separations:
        if not one.separates:
            yield f"{'; '.join(one.experiment)}: looks the same under all of them."
