"""The what-if grid: some edits, one list of actions, every combination run, one table of what could be seen.

    with Workshop() as workshop:
        grid = run_grid(
            vehicle_text("shuttle-minibus"),
            ["pull F50", Choice("bypass", ("unplug GATEWAY", "bypass GATEWAY diag to chassis"))],
            ["wait 1 s", "press start with brake", "wait 5 s", "scan"],
            workshop=workshop,
        )
    for symptom in grid.symptoms:
        print(symptom.title, "<-", symptom.causes)
    Path("grid.html").write_text(grid_html(grid))

An edit may be a fault, a repair of a fault that is given to all, or a theory about how the car was built.
All 2^n combinations are run, so nothing is assumed about how edits work together; those that leave the same
car (`sim.lab.equal_cars`) are run once.

Not modeled: edits in several degrees (make one choice of each degree); more than 10 edits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import filterfalse

from sim.lab.equal_cars import CarContent, EqualCars
from sim.lab.factorial import Effect, effects
from sim.lab.implicants import SymptomCauses, causes
from sim.lab.run import Trial, sentences
from sim.lab.sight import Account
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import is_theory
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text

WHOLE_RUN = -1
Value = str | float | None  # None: there is no such combination


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that is or is not so: a name and its sentences.

    They are given before time begins, or, with `before`, done before that action of the list (0: the first).
    """

    name: str
    sentences: tuple[str, ...]
    before: int | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """One observable: its title, what it is, and after which action of the list (-1: over the whole run)."""

    title: str
    what: str
    after: int


@dataclass(frozen=True, slots=True)
class Symptom:
    """A value that the car without any of the edits does not show, and what brings it about."""

    column: Column
    value: str
    causes: SymptomCauses

    @property
    def title(self) -> str:
        """The symptom in words."""
        return f"{self.column.title}: {self.value}"


@dataclass(frozen=True, slots=True)
class Hiding:
    """With `hider` there, `hidden` does not change a column that it changes otherwise: `times` of `of`."""

    hider: str
    hidden: str
    column: Column
    times: int
    of: int


@dataclass(frozen=True)
class Grid:
    """The table: `accounts[number]` is the run with the edits whose bits are set in `number`."""

    choices: tuple[Choice, ...]
    actions: tuple[str, ...]
    given: tuple[str, ...]
    accounts: tuple[Account, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The edits' names; bit k of a row's number stands for the k-th."""
        return tuple(one.name for one in self.choices)

    def there(self, number: int) -> tuple[str, ...]:
        """The names of the edits of one row."""
        return tuple(one.name for one in chosen(self.choices, number))

    # -- the table -------------------------------------------------------------------------------------------

    @cached_property
    def columns(self) -> tuple[Column, ...]:
        """Everything that could be seen in any row, in the order in which it was seen."""
        found = dict.fromkeys(key for row in self._rows for key in row)
        moments = {what: sorted({after for after, one in found if one == what}) for _, what in found}
        ordered = sorted(found, key=lambda key: key[0])
        return tuple(
            Column(what if len(moments[what]) == 1 else f"{what} (action {after + 1})", what, after)
            for after, what in ordered
        )

    def value(self, column: Column, number: int) -> Value:
        """What one row shows; '' where there was nothing of the kind, None where there is no such car."""
        if self.accounts[number].impossible:
            return None
        return self._rows[number].get((column.after, column.what), "")

    def values(self, column: Column) -> list[Value]:
        """A column from row 0 on."""
        return [self.value(column, number) for number in range(len(self.accounts))]

    @cached_property
    def varying(self) -> tuple[Column, ...]:
        """The columns in which not all rows are equal."""
        return tuple(one for one in self.columns if len(set(self.values(one)) - {None}) > 1)

    @cached_property
    def _rows(self) -> tuple[dict[tuple[int, str], str | float], ...]:
        return tuple(self._row(number) for number in range(len(self.accounts)))

    def _row(self, number: int) -> dict[tuple[int, str], str | float]:
        sights = self.accounts[number].sights
        if not sights:
            return {}
        row: dict[tuple[int, str], str | float] = {
            (WHOLE_RUN, "engine cranks"): _yes(any(sight.cranked for sight in sights)),
            (WHOLE_RUN, "engine starts"): _yes(any(sight.started for sight in sights)),
        }
        places = [place for place, _ in planned(self.actions, chosen(self.choices, number))]
        for place, sight in zip(places, sights, strict=True):
            if place is not None:
                with_seat = sight.power is not None or place == len(self.actions) - 1
                parts = {**(sight.seat() if with_seat else {}), **sight.found()}
                row.update({(place, what): value for what, value in parts.items()})
        return row

    # -- what follows from it --------------------------------------------------------------------------------

    @cached_property
    def symptoms(self) -> tuple[Symptom, ...]:
        """Every word in a column that row 0 does not have there, with its causes."""
        return tuple(
            Symptom(column, word, self.causes(column, word))
            for column in self.varying
            for word in dict.fromkeys(self.values(column))
            if isinstance(word, str) and word != self.value(column, 0)
        )

    def causes(self, column: Column, value: str | float) -> SymptomCauses:
        """What brings a value of a column about."""
        shows = [None if one is None else one == value for one in self.values(column)]
        return causes(self.names, shows)

    @cached_property
    def effects(self) -> dict[Column, tuple[Effect, ...]]:
        """Main effects and interactions for every column that has a number in all rows."""
        numbers = {
            column: [v for v in self.values(column) if isinstance(v, float)] for column in self.varying
        }
        complete = {column: row for column, row in numbers.items() if len(row) == len(self.accounts)}
        return {column: effects(self.names, row) for column, row in complete.items()}

    @cached_property
    def hidings(self) -> tuple[Hiding, ...]:
        """Which edit hides what another one does, column by column."""
        pairs = [(a, b) for a in range(len(self.names)) for b in range(len(self.names)) if a != b]
        found = [self._hiding(column, *pair) for column in self.varying for pair in pairs]
        return tuple(one for one in found if one.times)

    def _hiding(self, column: Column, hider: int, hidden: int) -> Hiding:
        values, times, of = self.values(column), 0, 0
        for number in range(len(values)):
            if not number >> hider & 1 and not number >> hidden & 1:
                plain, changed = values[number], values[number | 1 << hidden]
                covered, both = values[number | 1 << hider], values[number | 1 << hider | 1 << hidden]
                if plain != changed and None not in (plain, changed, covered, both):
                    of += 1
                    times += covered == both
        return Hiding(self.names[hider], self.names[hidden], column, times, of)

    @cached_property
    def alike(self) -> tuple[tuple[int, ...], ...]:
        """Groups of rows that are equal in every column: these actions cannot tell them apart."""
        groups: dict[tuple[Value, ...], list[int]] = {}
        for number, account in enumerate(self.accounts):
            if not account.impossible:
                key = tuple(self.value(column, number) for column in self.varying)
                groups.setdefault(key, []).append(number)
        return tuple(tuple(group) for group in groups.values() if len(group) > 1)


def chosen(choices: Sequence[Choice], number: int) -> list[Choice]:
    return [one for k, one in enumerate(choices) if number >> k & 1]


def planned(actions: Sequence[str], there: Sequence[Choice]) -> list[tuple[int | None, str]]:
    """The actions of one row, each with its place in the list, or None for one that belongs to an edit."""
    plan: list[tuple[int | None, str]] = []
    for place, action in enumerate(actions):
        plan += [(None, text) for one in there if one.before == place for text in one.sentences]
        plan.append((place, action))
    return plan


def _yes(so: bool) -> str:
    return "yes" if so else "no"


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
    first_of = _equal_trials(car, trials)
    _refuse_what_never_works(workshop.run([trials[0], trials[first_of[-1]]], stop=stop))
    # cars that differ by theories only come one after another: what is solved of one is there for the next
    to_run = sorted(set(first_of), key=lambda number: [*filterfalse(is_theory, trials[number].given)])
    made = workshop.run([trials[number] for number in to_run], progress=progress, stop=stop)
    accounts = dict(zip(to_run, made, strict=True))
    return Grid(named, tuple(actions), tuple(given), tuple(accounts[number] for number in first_of))


def _equal_trials(car: Car, trials: Sequence[Trial]) -> list[int]:
    """For each row the first row whose run is the same, because the car and the actions are."""
    equal = EqualCars(car, {action for trial in trials for action in trial.actions})
    firsts: dict[tuple[CarContent, tuple[str, ...]], int] = {}
    found = []
    for number, trial in enumerate(trials):
        content = equal.content(trial.given)
        found.append(number if content is None else firsts.setdefault((content, trial.actions), number))
    return found


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
            raise Problem(f"'{one.name}' comes before action {one.before + 1} of {len(actions)}")


def _refuse_what_never_works(accounts: Sequence[Account]) -> None:
    """Refuse a typing error before a thousand runs are made with it."""
    if all(account.impossible for account in accounts):
        raise EditProblem(accounts[0].impossible)
    sights = [sight for account in accounts for sight in account.sights]
    for action in dict.fromkeys(sight.action for sight in sights if sight.refused):
        same = [sight for sight in sights if sight.action == action]
        if all(sight.refused for sight in same):
            raise EditProblem(same[0].refused)
