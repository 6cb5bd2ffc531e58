"""The stories of a case put to the test: each goes through the same steps, and one table compares them.

with Workshop() as workshop:
    table = try_stories(case, workshop=workshop)
print(table.words)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import fill

from sim.lab.case import Case, Story, trial_of
from sim.lab.compare import Miss, compared, misses
from sim.lab.report import DISCLAIMER, Rows, Section, as_html
from sim.lab.separation import Separation, separation_lines, separations
from sim.lab.sight import Account
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.fault_words import story_words


@dataclass(frozen=True, slots=True)
class StoryVerdict:
    """One story put to the test. `looked_at`: how many things were compared."""

    story: str
    edits: tuple[str, ...]
    misses: tuple[Miss, ...]
    looked_at: int

    @property
    def reproduces_all(self) -> bool:
        """Does the story give everything that was seen?"""
        return not self.misses

    @property
    def gives(self) -> str:
        """How much of what was seen the story gives, in words."""
        good = max(self.looked_at - len(self.misses), 0)
        return "everything" if self.reproduces_all else f"{good} of {self.looked_at}"

    @property
    def first_miss(self) -> Miss | None:
        """Where the story first goes wrong."""
        return self.misses[0] if self.misses else None


@dataclass(frozen=True)
class CaseTable:
    """All stories of a case: those that give everything first, then by how late they first go wrong."""

    case: Case
    verdicts: tuple[StoryVerdict, ...]
    separations: tuple[Separation, ...] = ()

    @property
    def tied(self) -> tuple[str, ...]:
        """The stories that give everything that was seen; more than one is a tie."""
        return tuple(one.story for one in self.verdicts if one.reproduces_all)

    @property
    def words(self) -> str:
        """The outcome in a sentence."""
        if not self.tied:
            return "No story explains everything that was seen."
        if len(self.tied) == 1:
            return f"Only '{self.tied[0]}' explains everything that was seen."
        names = ", ".join(f"'{name}'" for name in self.tied)
        return (
            f"A tie: {names} all explain everything that was seen; nothing checked so far tells them apart."
        )

    def as_html(self) -> str:
        """A report to print, as one HTML page."""
        return as_html(self.case.case, list(self.sections()))

    def sections(self) -> Iterator[Section]:
        """The report, section by section."""
        yield Section("Case", (self.case.about.strip(), *_step_lines(self.case)))
        rows = tuple(
            (one.story, story_words(one.edits, self.case.whole_car), one.gives, str(one.first_miss or ""))
            for one in self.verdicts
        )
        yield Section(
            "Stories", (Rows(("story", "what is wrong", "explains", "first goes wrong"), rows), self.words)
        )
        if self.separations:
            yield Section("One more experiment", tuple(separation_lines(self.separations)))


def try_stories(
    case: Case,
    *,
    workshop: Workshop,
    stories: dict[str, Story] | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> CaseTable:
    """Run every story through the steps, and the tied ones through each of the case's experiments."""
    told = case.stories if stories is None else stories
    accounts = workshop.run([trial_of(case, story) for story in told.values()], progress=progress, stop=stop)
    found = [_verdict(case, name, told[name], one) for name, one in zip(told, accounts, strict=True)]
    found.sort(key=lambda one: (-(one.first_miss.step if one.first_miss else 10**6), len(one.misses)))
    table = CaseTable(case, tuple(found))
    if len(table.tied) < 2:
        return table
    tied = {name: told[name] for name in table.tied}
    return CaseTable(
        case, table.verdicts, separations(case, tied, case.experiments, workshop=workshop, stop=stop)
    )


def _verdict(case: Case, name: str, story: Story, account: Account) -> StoryVerdict:
    if account.impossible:
        return StoryVerdict(name, story.edits, (Miss(0, "the car", "can be built", account.impossible),), 0)
    found: list[Miss] = []
    looked_at = at = 0
    for number, step in enumerate(case.steps, start=1):
        sights = account.sights[at : at + len(step.do)]
        at += len(step.do)
        looked_at += sum(1 for _ in compared(step.seen, sights))
        found += misses(step, sights, number)
    return StoryVerdict(name, story.edits, tuple(found), looked_at)


def _step_lines(case: Case) -> Iterator[str]:
    for number, step in enumerate(case.steps, start=1):
        seen = step.seen.model_dump(exclude_defaults=True)
        words = "; ".join(f"{what}: {_listed_words(value)}" for what, value in seen.items())
        yield f"{number}. {', '.join(step.do)}" + (f" → {words}" if words else "")


def _listed_words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(value) if isinstance(value, tuple) else str(value)


WIDTH = 100  # characters


def table_text(table: CaseTable) -> str:
    """Each story with what it gives and where it first goes wrong, then the outcome and the experiments."""
    return "\n".join(
        [table.case.case, "", *_stories(table), "", *_outcome(table), "", fill(DISCLAIMER, WIDTH)]
    )


@dataclass(frozen=True, slots=True)
class StoryTold:
    """A story put to the test: what it says, its edits, and in how many things looked at it goes wrong."""

    story: str
    says: str
    edits: tuple[str, ...]
    reproduces_all: bool
    looked_at: int
    misses: tuple[Miss, ...]


@dataclass(frozen=True, slots=True)
class ExperimentTold:
    """One more experiment: the groups into which it divides the tied stories, and what differs.

    `shows`: what is looked at, and what each group shows there.
    """

    experiment: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    shows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class CaseTold:
    """The stories of a case for other programs, best first."""

    disclaimer: str
    case: str
    outcome: str
    tied: tuple[str, ...]
    stories: tuple[StoryTold, ...]
    experiments: tuple[ExperimentTold, ...]


def case_told(table: CaseTable) -> CaseTold:
    """Everything that the stories were compared by."""
    says = {name: one.says for name, one in table.case.stories.items()}
    stories = tuple(
        StoryTold(one.story, says[one.story], one.edits, one.reproduces_all, one.looked_at, one.misses)
        for one in table.verdicts
    )
    experiments = tuple(
        ExperimentTold(
            one.experiment, one.groups, tuple((str(what), *map(str, values)) for what, values in one.shows)
        )
        for one in table.separations
    )
    return CaseTold(DISCLAIMER, table.case.case, table.words, table.tied, stories, experiments)


def _stories(table: CaseTable) -> Iterator[str]:
    width = max(len(one.story) for one in table.verdicts)
    for one in table.verdicts:
        yield f"{one.story:{width}}  {one.gives:12}  {'; '.join(one.edits) or 'as described'}"
        yield from _first_miss(one, width)


def _first_miss(one: StoryVerdict, width: int) -> Iterator[str]:
    if one.first_miss:
        indent = " " * (width + 2)
        yield fill(str(one.first_miss), WIDTH, initial_indent=indent, subsequent_indent=indent)


def _outcome(table: CaseTable) -> Iterator[str]:
    yield fill(table.words, WIDTH)
    for one in table.separations:
        if one.separates:
            groups = " | ".join(", ".join(group) for group in one.groups)
            yield f"Would tell them apart: {'; '.join(one.experiment)}: {groups}"
