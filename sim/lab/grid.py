"""The what-if grid: some edits, one list of actions, every combination run, one table of what could be seen.

    with Workshop() as workshop:
        grid = run_grid(
            vehicle_text("shuttle-minibus"),
            ["unplug EPB", "pull F50", Choice("bypass", ("unplug GW", "bypass GW diag to chassis"))],
            ["wait 1 s", "press start with brake", "wait 5 s", "scan"],
            workshop=workshop,
        )
    for symptom in grid.symptoms:
        print(symptom.title, "<-", symptom.causes)
    Path("grid.html").write_text(grid_html(grid))

An edit may be a fault, a repair of a fault that is given to all, or a theory about how the car was built.
All 2^n combinations are run, so nothing is assumed about how edits work together.

Not modelled: edits in several degrees (make one choice of each degree); more than 10 edits.
"""

from __future__ import annotations

from collections.abc import Sequence

from sim.lab.grid_table import Choice, Grid, chosen, planned
from sim.lab.run import Trial, sentences
from sim.lab.sight import Account
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text

MOST_CHOICES = 10  # 1,024 runs


def run_grid(
    vehicle: str,
    choices: Sequence[str | Choice],
    actions: Sequence[str],
    *,
    given: Sequence[str] = (),
    seed: int = 0,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Grid:
    """Run all combinations of the choices.

    `vehicle` is the text of a vehicle file. A choice written as text has its own words as its name, several
    sentences divided by ';'. Raises `EditProblem` for a sentence that is none of this car or an action that
    can be done in no combination, `Stopped` when stopped.
    """
    car = car_from_text(vehicle)
    named = tuple(_named(one) for one in choices)
    _check(named, actions)
    trials = []
    for number in range(2 ** len(named)):
        there = chosen(named, number)
        at_once = [text for one in there if one.before is None for text in one.sentences]
        plan = tuple(action for _, action in planned(actions, there))
        trials.append(Trial(vehicle, sentences([*given, *at_once], car), plan, seed))
    _refuse_what_never_works(workshop.run([trials[0], trials[-1]], stop=stop))
    accounts = workshop.run(trials, progress=progress, stop=stop)
    return Grid(named, tuple(actions), tuple(given), tuple(accounts))


def _named(choice: str | Choice) -> Choice:
    if isinstance(choice, Choice):
        return choice
    return Choice(choice, tuple(part.strip() for part in choice.split(";")))


def _check(named: Sequence[Choice], actions: Sequence[str]) -> None:
    if not 1 <= len(named) <= MOST_CHOICES:
        raise Problem(f"a grid takes 1 to {MOST_CHOICES} edits (here: {len(named)})")
    if len({one.name for one in named}) != len(named):
        raise Problem("two edits of the grid have the same name")
    if not actions:
        raise Problem("a grid needs at least one action")
    for one in named:
        if one.before is not None and not 0 <= one.before < len(actions):
            raise Problem(f"'{one.name}' stands before action {one.before + 1} of {len(actions)}")


def _refuse_what_never_works(accounts: Sequence[Account]) -> None:
    """Refuse a typing error before a thousand runs are made with it."""
    if all(account.impossible for account in accounts):
        raise EditProblem(accounts[0].impossible)
    sights = [sight for account in accounts for sight in account.sights]
    for action in dict.fromkeys(sight.action for sight in sights if sight.refused):
        same = [sight for sight in sights if sight.action == action]
        if all(sight.refused for sight in same):
            raise EditProblem(same[0].refused)
