"""The search put to the test: what it says of sets of edits against a run of each.

    result = self_check(vehicle_text("shuttle-minibus"), seed=1, workshop=workshop)
    print(result.words)

A fault is hidden, the car gets a technician's first look, and its possible causes are searched among some
edits, one of each verb before the second of any, the hidden ones among them. Then pairs are drawn at random,
half of them from those that the search has kept, and each is run by itself.

Not modeled: more than two faults at once.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from sim.lab.drive import first_look
from sim.lab.observed import observed
from sim.lab.search import find_causes, wrongly_judged
from sim.lab.search_result import SearchResult
from sim.lab.theories import plausible_theories
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.edits import catalogue, verb_of
from sim.vehicle.reading import car_from_text


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """One comparison: what was hidden, how the search went, how many sets were run, which differ.

    `among`: the edits that were searched.
    """

    hidden: tuple[str, ...]
    among: tuple[str, ...]
    found: SearchResult
    compared: int
    wrong: tuple[tuple[str, ...], ...]

    @property
    def words(self) -> str:
        """The result in a sentence."""
        kept = "the hidden set is kept" if self.found.holds(self.hidden) else "THE HIDDEN SET IS LOST"
        search = f"{self.found.runs} runs for {self.found.candidates} sets"
        listed = "; ".join(" + ".join(one) for one in self.wrong)
        differ = f"these differ: {listed}" if self.wrong else "no difference"
        return f"{' + '.join(self.hidden)}: {search}, {kept}; {self.compared} pairs run: {differ}"


def self_check(
    vehicle: str,
    *,
    edits: int = 60,
    listed: Sequence[str] | None = None,
    pairs: int = 60,
    theories: int = 0,
    seed: int = 0,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> SelfCheck:
    """Hide a fault or two by chance, search among `edits` edits, and run `pairs` pairs by themselves.

    `listed`: the edits to draw from; by default the car's catalogue. `theories`: so many about the car's
    design are added, of those that could have to do with what was seen.
    """
    dice = random.Random(seed)
    car = car_from_text(vehicle)
    known = list(catalogue(car) if listed is None else listed)
    some = sorted(_of_every_verb(dice, known)[:edits], key=known.index)
    hidden = tuple(dice.sample(some, dice.randint(1, 2)))
    steps = observed(vehicle, first_look(car), given=hidden)
    some += plausible_theories(car, steps, theories)
    found = find_causes(vehicle, steps, edits=some, workshop=workshop, progress=progress, stop=stop)
    kept = [sets for one in found.causes for sets in (one.edits, *one.alike) if len(sets) == 2]
    sample = [*_drawn(dice, list(combinations(some, 2)), pairs - pairs // 2), *_drawn(dice, kept, pairs // 2)]
    sample = list(dict.fromkeys(sample))
    wrong = wrongly_judged(found, sample, workshop=workshop)
    return SelfCheck(hidden, tuple(some), found, len(sample), wrong)


def _of_every_verb(dice: random.Random, known: Sequence[str]) -> list[str]:
    """All edits in an order by chance, one of each verb before the second of any."""
    shuffled = dice.sample(known, len(known))
    turn = {text: k for some in _by_verb(shuffled).values() for k, text in enumerate(some)}
    return sorted(shuffled, key=lambda text: turn[text] > 0)


def _by_verb(texts: Sequence[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for text in texts:
        found.setdefault(verb_of(text), []).append(text)
    return found


def _drawn(dice: random.Random, sets: Sequence[tuple[str, ...]], count: int) -> list[tuple[str, ...]]:
    return dice.sample(sets, min(count, len(sets)))
