"""What each suspect would have shown: the measure against which the checks of a log are judged.

A suspect is a set of edits that may be what is wrong. A `SuspectModel` knows, for one log, what every step
would have shown if a suspect were true, and the same for other checks that could have been made on the car
as it came in.

    with Workshop(cache=Cache(folder)) as workshop:
        model = RunSuspects(attempt, workshop)
    model.suspects[3].edits, model.told(place=2, suspect=3) == model.seen(2)

A doubtful reading tells no suspects apart, as in the lab.

Not modeled: in `RunSuspects`, two faults at once other than those that are really there.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import replace
from itertools import accumulate, pairwise

from sim.bench.live import Fidelity
from sim.catalogue import vehicle_text
from sim.lab.check_outcomes import found_in, outcomes_alike, parts_of
from sim.lab.checks import Check, possible_checks
from sim.lab.compare import reliable
from sim.lab.odds import odds
from sim.lab.run import Trial
from sim.lab.search_result import PossibleCause
from sim.lab.sight import Account
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.training.attempt import Attempt
from sim.training.effects import same_effect
from sim.training.jobs import REPAIRS
from sim.vehicle.edits import catalogue, further_faults, verb_of

# A car that comes with a complaint has nothing wrong once in a while: about as often as one of ten
# connectors is off (`sim.lab.odds.ODDS`); a choice of ours.
NOTHING_ODDS = 0.02
EVERYDAY = (
    "blown fuses",
    "corroded grounds and supplies",
    "shorted supplies",
    "shorted bus lines",
    "flat battery",
)
MOST_COMPARED = 40  # suspects that are run through other checks; the others weigh next to nothing
ROUNDS_BEGIN = (50, 80)  # the second and the third, in hundredths of the whole; by eye
MEASURING = ("measure", "load", "scope")


class RunSuspects:
    """The suspects of an attempt, each by running its car through the same log.

    Single faults of the car's catalogue, blown fuses, shorts, bad grounds and a flat battery, nothing wrong,
    and the hidden edits. Two faults that cannot be told apart stay two suspects.

    All are run up to the first scan, those that it leaves through the whole log, and the likeliest of these
    through other checks. Students who begin alike share these runs through the workshop's cache.
    `progress` is told of all three rounds together, in hundredths of the whole. `most`: run no more than so
    many, the likeliest, so that a first answer is there soon; `of` is how many there are.
    """

    def __init__(
        self,
        attempt: Attempt,
        workshop: Workshop,
        progress: Progress = quiet,
        stop: Stop = never,
        most: int | None = None,
    ) -> None:
        self._progress, self._stop = progress, stop
        self._rounds = pairwise((0, *ROUNDS_BEGIN, 100))
        self._exercise = attempt.exercise
        self._verbs = [step.verb for step in attempt.steps]
        self._workshop = workshop
        self._accounts: dict[int, Account] = {}
        self._told: list[
            dict[int, int]
        ] = []  # step by step: what each possible cause left by then would have shown
        found, truth = _suspects(attempt)
        self.of = len(found)
        self.suspects, self.truth = _likeliest(found, truth, most or self.of)
        actions = tuple(step.sight.action for step in attempt.steps)
        scan = self._verbs.index("scan") + 1 if "scan" in self._verbs else 0
        left = self._left_after(actions[:scan], range(len(self.suspects)))
        left = self._left_after(actions, left)
        likeliest = sorted(left, key=lambda k: (k != self.truth, -self.suspects[k].odds, k))
        self.compared = frozenset(likeliest[:MOST_COMPARED])
        self.checks = self._possible_checks()
        self._shown = self._run_checks()

    def seen(self, place: int) -> Hashable:
        """What the step at this place of the log has shown."""
        return self.told(place, self.truth)

    def told(self, place: int, suspect: int) -> Hashable:
        """What it would have shown if the suspect were true; None where such a car cannot be."""
        return self._told[place].get(suspect)

    def mended(self, place: int, suspect: int) -> bool:
        """Whether the repair at this place would put something right if the suspect were true."""
        sights = self._accounts[suspect].sights
        return bool(sights) and not sights[place].refused and self._verbs[place] in REPAIRS

    def shown(self, check: int, suspect: int) -> Hashable:
        """What a check would show if the suspect were true."""
        return self._shown[check][suspect]

    def _left_after(self, actions: tuple[str, ...], suspects: Iterable[int]) -> list[int]:
        """The suspects that agree with all these steps; those that follow the ones told so far are told."""
        self._accounts |= self._run(suspects, actions)
        left = [k for k in suspects if self._accounts[k].sights]
        for place in range(len(self._told), len(actions)):
            # the truth first: who is alike to it has shown what was seen
            asked = sorted(left, key=lambda k: k != self.truth)
            parts = [parts_of(self._accounts[k].sights[place]) for k in asked]
            told = dict(zip(asked, outcomes_alike(reliable(parts)), strict=True))
            self._told.append(told)
            left = [k for k in left if told[k] == told[self.truth]]
        return left

    def _run(self, suspects: Iterable[int], actions: tuple[str, ...]) -> dict[int, Account]:
        """What can be seen after each of these actions, suspect by suspect."""
        exercise, wanted = self._exercise, list(suspects)
        vehicle = vehicle_text(exercise.car)
        # a meter reads the frames of a data line, and they are there at frame fidelity only
        fidelity: Fidelity = "frame" if any(verb_of(text) in MEASURING for text in actions) else "stream"
        # suspects that make the same car, as far as these actions can tell, are run once
        structure = Structure(exercise.whole_car, actions)
        same: dict[Hashable, int] = {}
        run_for = {k: same.setdefault(structure.key(self.suspects[k].edits) or k, k) for k in wanted}
        run = list(same.values())
        trials = [
            Trial(vehicle, self.suspects[k].edits, (*exercise.before, *actions), exercise.seed, fidelity)
            for k in run
        ]
        accounts = self._workshop.run(
            trials, progress=self._of_the_whole(*next(self._rounds)), stop=self._stop
        )
        skip = len(exercise.before)
        found = {k: Account(one.sights[skip:], one.impossible) for k, one in zip(run, accounts, strict=True)}
        return {k: found[run_for[k]] for k in wanted}

    def _of_the_whole(self, begins: int, ends: int) -> Progress:
        """What a round has done as a part of all rounds: the whole never goes back."""

        def tell(done: int, of: int) -> None:
            share = done / of if of else 1.0
            self._progress(begins + int(share * (ends - begins)), 100)

        return tell

    def _possible_checks(self) -> tuple[Check, ...]:
        """A scan with the ignition on, and the looks and measurements that the suspects call for."""
        named = [self.suspects[k] for k in sorted(self.compared) if self.suspects[k].edits]
        listed = possible_checks(self._exercise.whole_car, named)
        scan = next(one for one in listed if one.actions[-1] == "scan" and len(one.actions) > 1)
        return (scan, *(one for one in listed if one.passive))

    def _run_checks(self) -> list[dict[int, int]]:
        """One after the other on one car: what only looks leaves it as it was."""
        actions = [action for check in self.checks for action in check.actions]
        accounts = self._run(sorted(self.compared), tuple(actions))
        ends = accumulate(len(check.actions) for check in self.checks)
        shown: list[dict[int, int]] = []
        for number, end in enumerate(ends):
            parts = parts_of if number == 0 else found_in
            found = reliable([parts(account.sights[end - 1]) for account in accounts.values()])
            shown.append(dict(zip(accounts, outcomes_alike(found), strict=True)))
        return shown


def _likeliest(
    found: tuple[PossibleCause, ...], truth: int, most: int
) -> tuple[tuple[PossibleCause, ...], int]:
    """The likeliest of these, in their order, with the one that is true; its place among them."""
    by_odds = sorted(range(len(found)), key=lambda k: (k != truth, -found[k].odds, k))
    kept = sorted(by_odds[:most])
    return tuple(found[k] for k in kept), kept.index(truth)


def _suspects(attempt: Attempt) -> tuple[tuple[PossibleCause, ...], int]:
    exercise = attempt.exercise
    car, hidden = exercise.whole_car, exercise.arrives
    found = [PossibleCause((), (), NOTHING_ODDS)]
    texts = (*catalogue(car), *further_faults(car, EVERYDAY))
    found += [PossibleCause((text,), (), odds([text], car)) for text in texts]
    for place, one in enumerate(found):
        if same_effect(one.edits, hidden, exercise.real_car):
            found[place] = replace(one, edits=hidden)
            return tuple(found), place
    return (*found, PossibleCause(hidden, (), odds(hidden, exercise.real_car))), len(found)
