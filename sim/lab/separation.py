"""Experiments after the last step of a case: which of them would tell its tied stories apart."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum

from sim.lab.case import Case, Story, trial_of
from sim.lab.compare import fired_words, look_alike, readings_alike, turned_words
from sim.lab.report import Rows
from sim.lab.run import Account
from sim.lab.workshop import Stop, Workshop, never
from sim.vehicle.problems import EditProblem


@dataclass(frozen=True, slots=True)
class Separation:
    """An experiment after the last step: stories that would then look alike are one group.

    `shows`: what differs, with the value in each group.
    """

    experiment: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    shows: tuple[tuple[str, tuple[str, ...]], ...]

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
        found.append(_separation(plan, tuple(stories), after))
    return tuple(sorted(found, key=lambda one: -len(one.groups)))


def _seen_after(account: Account, done: int) -> dict[str, str | float]:
    parts: dict[str, str | float] = {}
    for place, sight in enumerate(account.sights[done:], start=1):
        turned: dict[str, str | float] = {
            "starter": turned_words(sight.cranked),
            "fired": fired_words(sight.started),
        }
        told = {f"{sight.action}, in words": " ".join(sight.notes)} if sight.notes else {}
        in_words = told if sight.reading is None else {}  # a meter's notes are about its reading
        for what, value in {**sight.seat(), **turned, **sight.found(), **in_words}.items():
            parts[f"{what} (after '{sight.action}', action {place} of the experiment)"] = value
    return parts


def _refuse_what_never_works(accounts: Sequence[Account], done: int) -> None:
    for sights in zip(*(account.sights[done:] for account in accounts), strict=True):
        if all(sight.refused for sight in sights):
            raise EditProblem(f"the experiment cannot be done: {sights[0].refused}")


def _separation(
    plan: tuple[str, ...], names: tuple[str, ...], after: Sequence[dict[str, str | float]]
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
        (thing, tuple(_shown(seen.get(thing)) for seen in firsts))
        for thing in sorted(things, key=rank_of)
        if any(not readings_alike(firsts[0].get(thing), seen.get(thing)) for seen in firsts)
    )
    return Separation(plan, tuple(tuple(names[k] for k in group) for group in groups), shows)


class Rank(IntEnum):
    """The order in which a table shows things: who answers, the driver's seat, other findings, codes."""

    ANSWERS = 0
    SEAT = 1
    FOUND = 2
    CODES = 3


SEAT_SHOWS = ("engine", "ignition", "cluster", "starter", "fired", "lamp")


def rank_of(thing: str) -> Rank:
    """Where something that was seen belongs in the table."""
    words = thing.partition(" (after ")[0].split()
    if len(words) == 2 and re.fullmatch(r"[PCBU][0-9A-F]{4}(-[0-9A-F]{2})?", words[1]):
        return Rank.CODES
    if words[0] in SEAT_SHOWS:
        return Rank.SEAT
    return Rank.ANSWERS if len(words) == 1 else Rank.FOUND


def table_rows(shows: Sequence[tuple[str, tuple[str, ...]]]) -> tuple[tuple[str, ...], ...]:
    """Rows of a table; modules that fare alike are one row, and so are those that hold one code alike."""
    rows: dict[tuple[Rank, str, str, tuple[str, ...]], list[str]] = {}
    for thing, values in shows:
        what, after, when = thing.partition(" (after ")
        rank = rank_of(thing)
        module, _, code = what.partition(" ")
        name, holder = (
            ("", what) if rank == Rank.ANSWERS else (code, module) if rank == Rank.CODES else (what, "")
        )
        rows.setdefault((rank, name, after + when, values), []).append(holder)
    return tuple(
        (_row_name(name, holders) + when, *values) for (_, name, when, values), holders in rows.items()
    )


def _row_name(name: str, holders: Sequence[str]) -> str:
    listed = ", ".join(holders)
    return f"{name} in {listed}" if name and listed else name or listed


def _shown(value: str | float | None) -> str:
    return "nothing" if value is None else f"{value:.4g}" if isinstance(value, float) else value


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
