"""The lab from the command line: what if, cases, possible causes, the next check, pairs of faults."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from pathlib import Path

import click

from sim.catalogue import shipped_cars, vehicle_text
from sim.command_line import (
    FILE,
    CarWork,
    car_argument,
    command,
    print_json,
    print_table,
    progress,
    seed_option,
    sentences,
    work_options,
    write_new,
    write_told,
)
from sim.lab.case_file import find_case
from sim.lab.check_plan import CheckPlan, PlanBranch, PlanStep, check_plan
from sim.lab.check_plan_report import plan_page, plan_sections
from sim.lab.command_options import (
    Runs,
    Search,
    case_argument,
    faults_to_try,
    html_option,
    runs_options,
    search_options,
)
from sim.lab.compounds import Compound, exercise_draft, find_compounds
from sim.lab.drive import first_look
from sim.lab.grid import run_grid
from sim.lab.grid_report import GridTold, grid_csv, grid_html, grid_sections, grid_told
from sim.lab.next_check import next_check
from sim.lab.report import DISCLAIMER, as_text
from sim.lab.search_plan import Question, SearchAnswer, search_on
from sim.lab.search_report import found_words, no_cause_words
from sim.lab.search_result import SearchResult
from sim.lab.story_checks import minutes_before, rivals
from sim.lab.three_faults import THREE
from sim.lab.workshop import Workshop
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

SOON_S = 20.0  # after so long the next check is told from what was judged so far

stories_option = click.option(
    "--stories", is_flag=True, help="Tell the case's own stories apart, as far as they give what was seen."
)


@command(
    "what-if",
    examples=[
        'what-if teaching-car --edit "pull F3" --edit "unplug ABS" --do "key run" --do "wait 5 s" --do scan',
        'what-if my-van.yaml --edit "unplug GATEWAY; bypass GATEWAY diag to body" --do scan --html grid.html',
    ],
    result=GridTold,
)
@click.option(
    "--edit",
    "edits",
    metavar="EDIT",
    multiple=True,
    required=True,
    shell_complete=sentences("fault", "repair", "theory"),
    help="An edit that is or is not there, several sentences divided by ';'; again for more, up to 10.",
)
@work_options
@html_option
@click.option("--csv", type=FILE, help="Write the table, a row for each combination.")
@runs_options
def what_if(
    work: CarWork,
    edits: tuple[str, ...],
    html: Path | None,
    csv: Path | None,
    runs: Runs,
    as_json: bool,
) -> None:
    """Run every combination of some edits and compare.

    The same actions are done in all of them; the table says what could be seen, which sets of edits bring it
    about, and which edit hides another.
    """
    with runs.workshop() as workshop, progress("runs") as tell:
        grid = run_grid(
            vehicle_text(work.car), edits, work.actions, given=work.given, seed=work.seed,
            workshop=workshop, progress=tell,
        )  # fmt: skip
    for path, written in ((html, grid_html), (csv, grid_csv)):
        if path:
            write_told(path, written(grid))
    if as_json:
        print_json(grid_told(grid))
    elif not (html or csv):
        print(as_text(grid_sections(grid)))


@dataclass(frozen=True, slots=True)
class CauseRow:
    """A possible cause: its edits, its share of the odds, and sets that are alike by the wiring."""

    edits: tuple[str, ...]
    share: float
    alike: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class CausesTold:
    """What a search has found, and for how many sets of edits there was no time."""

    disclaimer: str
    outcome: str
    causes: tuple[CauseRow, ...]
    judged: int
    left: int


@command(
    "causes",
    examples=["causes radio-taxi --within 2", "causes my-case.yaml --most 2 --theories --within 5"],
    result=CausesTold,
)
@case_argument
@search_options
@click.option("--listed", type=click.IntRange(1), default=20, show_default=True, help="How many are printed.")
@runs_options
def causes(
    case: str,
    search: Search,
    listed: int,
    runs: Runs,
    as_json: bool,
) -> int:
    """Find every fault that shows all that was seen in a case.

    Exit code 1 where there is none.
    """
    with runs.workshop() as workshop:
        answer = _searched(case, search, workshop)
    found = answer.result
    outcome = found_words(found, answer.share_left)
    if as_json:
        rows = tuple(CauseRow(one.edits, one.share, one.alike) for one in found.causes)
        left = len(found.waiting)
        print_json(CausesTold(DISCLAIMER, outcome, rows, found.candidates - left, left))
        return 0 if rows else 1
    print(outcome)
    alike = [f"alike by the wiring: {len(one.alike)} more" if one.alike else "" for one in found.causes]
    told = [(f"{one.share:6.1%}", one.title, more) for one, more in zip(found.causes, alike, strict=True)]
    print_table((), told[:listed])
    if len(told) > listed:
        print(f"and {len(told) - listed} more, each less likely")
    if not told:
        print(no_cause_words(found, _how_three(search)))
    print(f"\n{DISCLAIMER}")
    return 0 if told else 1


def _how_three(search: Search) -> str:
    return "" if search.most == THREE else "Look for three faults at once with --most 3."


def _searched(
    case: str,
    search: Search,
    workshop: Workshop,
    before: SearchAnswer | None = None,
    within_s: float | None = None,
) -> SearchAnswer:
    told = find_case(case)
    question = Question(told.vehicle, told.given, told.seed, told.steps)
    with progress("runs") as tell:
        return search_on(
            question, faults_to_try(told.vehicle, search.kinds), search.most, before,
            theories=search.theories, limit_s=60 * search.within if within_s is None else within_s,
            workshop=workshop, progress=tell,
        )  # fmt: skip


def _searched_and_told(case: str, search: Search, workshop: Workshop) -> SearchResult:
    """The causes that a search finds; what to check meanwhile is told after `SOON_S`, from single faults."""
    limit_s = 60 * search.within
    soon = _searched(case, replace(search, most=1), workshop, within_s=min(SOON_S, limit_s))
    if search.most == 1 and (limit_s <= SOON_S or not soon.result.waiting):
        return soon.result
    judged = f"So far, with {1 - soon.share_left:.0%} of the odds of single faults judged"
    told = next_check(soon.result, workshop=workshop).words if soon.result.causes else "no cause agrees."
    print(f"{judged}: {told} The search goes on.\n", flush=True)
    before = soon if search.most == 1 else None
    return _searched(case, search, workshop, before, max(0.0, limit_s - SOON_S)).result


def _causes_of(
    case: str, search: Search, stories: bool, before: int | None, workshop: Workshop, quietly: bool
) -> SearchResult:
    """What is to be told apart: the case's own stories, or what a search finds.

    `quietly`: nothing is printed before the end.
    """
    if not stories:
        return (
            _searched(case, search, workshop).result
            if quietly
            else _searched_and_told(case, search, workshop)
        )
    with progress("runs") as tell:
        return rivals(find_case(case), before=before, workshop=workshop, progress=tell)


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """What a check may show, its share of the odds, and the causes that it would leave."""

    shows: str
    share: float
    leaves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A check: what to do, its labor minutes, its information, its cautions and outcomes.

    `minutes_to_end`: expected labor until the cause is known, this check first; null: not thought through.
    `why`: what the trade makes it for.
    """

    actions: tuple[str, ...]
    why: str
    minutes: float
    bits: float
    minutes_to_end: float | None
    cautions: tuple[str, ...]
    outcomes: tuple[OutcomeRow, ...]


@dataclass(frozen=True, slots=True)
class AdviceTold:
    """Checks that tell the possible causes apart, the best first."""

    disclaimer: str
    advice: str
    causes: int
    checks: tuple[CheckRow, ...]


@command(
    "next-check",
    examples=["next-check radio-taxi --within 2", "next-check my-case.yaml --most 2 --theories"],
    result=AdviceTold,
)
@case_argument
@search_options
@stories_option
@click.option("--before", type=int, help="As it was before this step of the case; with --stories.")
@click.option("--every-kind", is_flag=True, help="Checks that change the car, too.")
@click.option("--listed", type=click.IntRange(1), default=10, show_default=True, help="How many are printed.")
@runs_options
def best_check(
    case: str,
    search: Search,
    stories: bool,
    before: int | None,
    every_kind: bool,
    listed: int,
    runs: Runs,
    as_json: bool,
) -> int:
    """Find the check that tells the possible causes apart.

    The causes of a case are searched first, or are its own stories; then each is run through each check.
    Exit code 1 where no cause is found.
    """
    if before is not None and not stories:
        raise click.UsageError("--before goes with --stories")
    with runs.workshop() as workshop:
        found = _causes_of(case, search, stories, before, workshop, as_json)
        every_kind = every_kind or stories
        with progress("checks") as tell:
            advice = next_check(found, every_kind=every_kind, workshop=workshop, progress=tell)
    rows = [
        CheckRow(
            one.check.actions, one.check.why, one.check.minutes, one.bits, one.minutes_to_end,
            one.check.cautions,
            tuple(OutcomeRow(each.shows, each.share, each.leaves) for each in one.outcomes),
        )
        for one in advice.ranked
    ]  # fmt: skip
    if as_json:
        print_json(AdviceTold(DISCLAIMER, advice.words, advice.of, tuple(rows)))
        return 0 if found.causes else 1
    if before is not None:
        print(f"Before step {before}, at minute {minutes_before(find_case(case))[before - 1]:g}:")
    print(advice.words if found.causes else no_cause_words(found, _how_three(search)))
    print(advice.reason, end="\n\n" if advice.reason else "\n")
    cells = [
        (
            ", ".join(one.actions), f"{one.minutes:g}", f"{one.bits:.2f}",
            "; ".join(f"{each.shows} ({each.share:.0%})" for each in one.outcomes), " ".join(one.cautions),
        )
        for one in rows[:listed]
    ]  # fmt: skip
    if cells:
        print_table(("check", "min", "bits", "may show", "cautions"), cells)
        print()
    print(DISCLAIMER)
    return 0 if found.causes else 1


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """What a step may show, and how likely; then either the step to go on with, or the causes it ends at."""

    shows: str
    share: float
    next_step: int | None
    causes: tuple[str, ...]
    repairs: tuple[str, ...]
    prove_first: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlanRow:
    """A step of a check plan. `minutes`: its labor time."""

    step: int
    actions: tuple[str, ...]
    minutes: float
    cautions: tuple[str, ...]
    outcomes: tuple[PlanOutcome, ...]


@dataclass(frozen=True, slots=True)
class PlanTold:
    """A check plan. Expected minutes of labor: of the plan, and of the same checks down the list."""

    disclaimer: str
    minutes: float
    fixed_minutes: float
    is_best: bool
    causes: int
    steps: tuple[PlanRow, ...]


@command(
    "plan",
    examples=["plan beehive-ground", "plan my-case.yaml --most 2 --html plan.html"],
    result=PlanTold,
)
@case_argument
@search_options
@stories_option
@html_option
@runs_options
def plan(
    case: str,
    search: Search,
    stories: bool,
    html: Path | None,
    runs: Runs,
    as_json: bool,
) -> None:
    """Plan the checks to take to the car: which first, and what next.

    The causes of a case are searched first, or are its own stories; then each is run through each check.
    """
    with runs.workshop() as workshop:
        found = _causes_of(case, search, stories, None, workshop, True)
        with progress("checks") as tell:
            made = check_plan(found, workshop=workshop, progress=tell)
    if html:
        write_told(html, plan_page(made))
    elif as_json:
        print_json(_plan_told(made))
    else:
        print(as_text(plan_sections(made)))


def _plan_told(made: CheckPlan) -> PlanTold:
    steps = tuple(
        PlanRow(
            one.number, one.check.actions, one.check.minutes, one.check.cautions,
            tuple(_plan_outcome(branch) for branch in one.branches),
        )
        for one in made.steps
    )  # fmt: skip
    return PlanTold(DISCLAIMER, made.minutes, made.fixed_minutes, made.is_best, made.of, steps)


def _plan_outcome(branch: PlanBranch) -> PlanOutcome:
    then = branch.then
    if isinstance(then, PlanStep):
        return PlanOutcome(branch.shows, then.share, then.number, (), (), ())
    return PlanOutcome(branch.shows, then.share, None, then.causes, then.repairs, then.prove_first)


@dataclass(frozen=True, slots=True)
class PairsTold:
    """The special pairs of some edits, the hardest to find first."""

    pairs_run: int
    pairs: tuple[Compound, ...]


@command(
    "pairs",
    examples=[
        "pairs shuttle-minibus --drafts drafts",
        'pairs my-van.yaml --edit "pull F3" --edit "unplug ABS"',
    ],
    result=PairsTold,
)
@car_argument
@click.option("--edit", "edits", multiple=True, help="An edit to look among; again for more.")
@click.option(
    "--edits", "count", type=click.IntRange(2), default=12, show_default=True, help="Else so many by chance."
)
@click.option("--most", type=click.IntRange(1), default=10, show_default=True, help="How many are printed.")
@click.option("--drafts", type=FILE, help="A folder for an exercise file of each that is printed.")
@seed_option
@runs_options
def pairs(
    car: str,
    edits: tuple[str, ...],
    count: int,
    most: int,
    drafts: Path | None,
    seed: int,
    runs: Runs,
    as_json: bool,
) -> None:
    """Find pairs of faults that hide each other.

    Also those that show something new together, or look like another fault to the scan.
    """
    if drafts and car not in shipped_cars():
        raise Problem("--drafts needs a shipped car: an exercise names its car, and a class has that one")
    vehicle = vehicle_text(car)
    built = car_from_text(vehicle)
    listed = catalogue(built)
    some = edits or tuple(random.Random(seed).sample(listed, min(count, len(listed))))
    with runs.workshop() as workshop, progress("runs") as tell:
        found = find_compounds(vehicle, some, workshop=workshop, progress=tell)
    drafted = [
        _drafted(one, place, car, drafts, first_look(built)) for place, one in enumerate(found[:most], 1)
    ]
    told = PairsTold(len(some) * (len(some) - 1) // 2, found)
    if as_json:
        print_json(told)
        return
    print(f"{len(found)} of {told.pairs_run} pairs are special")
    for one, path in zip(found, drafted, strict=False):
        print(f"{one.difficulty:.2f}  {' + '.join(one.edits)}: {', '.join(one.kinds)}")
        rows = [(word, _some(things)) for word, things in _told(one) if things]
        print_table((), [*rows, *([("draft", str(path))] if path else [])], inset=8)


def _told(one: Compound) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return ("hidden", one.masked), ("new", one.new), ("looks like", one.alike)


def _some(things: tuple[str, ...]) -> str:
    return f"{', '.join(things[:6])}{' ...' if len(things) > 6 else ''}"


def _drafted(one: Compound, place: int, car: str, drafts: Path | None, look: tuple[str, ...]) -> Path | None:
    """Write the exercise of a pair; None where none is asked for."""
    if drafts is None:
        return None
    drafts.mkdir(parents=True, exist_ok=True)
    path = drafts / f"{car}-two-{place:02d}.yaml"
    write_new(path, exercise_draft(one, car, look))
    return path
