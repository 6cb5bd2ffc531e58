"""Faults that come in twos: pairs of edits that a class will find hard, looked for among a car's edits.

    found = find_compounds(vehicle_text("shuttle-minibus"), edits, workshop=workshop)
    Path("draft.yaml").write_text(exercise_draft(found[0], "shuttle-minibus", actions))

Every edit alone and every pair is run through the same actions, and compared:

    masks       what one of them shows alone is not seen any more with the other there
    new         a symptom that neither has alone
    look alike  the scan shows the same as for a single fault, and a meter or a look tells them apart

The difficulty is the share of what could be seen that misleads: things hidden, new or shared with a single
fault, from 0 to 1. A choice of this program for putting exercises in order, not a measure of people.

Not modeled: how well known a symptom is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from itertools import combinations

from ruamel.yaml import YAML

from sim.lab.compare import turned_words
from sim.lab.drive import first_look
from sim.lab.run import Trial, sentences
from sim.lab.sight import Account
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.reading import car_from_text

_Shown = dict[str, str | float]


@dataclass(frozen=True, slots=True)
class Compound:
    """Two edits and what is special about both; `alike`: single edits that look the same to the scan."""

    edits: tuple[str, str]
    masked: tuple[str, ...]
    new: tuple[str, ...]
    alike: tuple[str, ...]
    difficulty: float

    @property
    def kinds(self) -> tuple[str, ...]:
        """What it is an example of."""
        told = (("masks", self.masked), ("new", self.new), ("look alike", self.alike))
        return tuple(word for word, found in told if found)


def find_compounds(
    vehicle: str,
    edits: Sequence[str],
    *,
    actions: Sequence[str] | None = None,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> tuple[Compound, ...]:
    """The pairs of these edits in which something is masked, new or looks alike; the hardest first.

    `actions`: what is done, by default the first look of a technician. Raises `Stopped` when stopped; runs
    that were finished are kept by the workshop.
    """
    car = car_from_text(vehicle)
    chosen = sentences(edits, car)
    plan = tuple(first_look(car) if actions is None else actions)
    sets = [(), *((edit,) for edit in chosen), *combinations(chosen, 2)]
    trials = [Trial(vehicle, sentences(one, car), (*plan, *_looks(chosen, car))) for one in sets]
    accounts = dict(zip(sets, workshop.run(trials, progress=progress, stop=stop), strict=True))
    seen = {one: _seen(account, len(plan)) for one, account in accounts.items() if account.sights}
    checked = {one: _seen(account, 0, len(plan)) for one, account in accounts.items() if account.sights}
    pairs = [one for one in combinations(chosen, 2) if one in seen and all((e,) in seen for e in one)]
    found = [_compound(one, seen, checked) for one in pairs]
    return tuple(sorted((one for one in found if one.kinds), key=lambda one: (-one.difficulty, one.edits)))


def _compound(
    pair: tuple[str, str], seen: dict[tuple[str, ...], _Shown], checked: dict[tuple[str, ...], _Shown]
) -> Compound:
    usual, a, b, both = seen[()], seen[(pair[0],)], seen[(pair[1],)], seen[pair]
    signs = {what for one in (a, b) for what in _different(usual, one)}
    there = _different(usual, both)
    masked = tuple(sorted(signs - there))
    new = tuple(sorted(there - signs))
    alike = tuple(
        one[0]
        for one in sorted(seen)
        if len(one) == 1 and seen[one] == both and checked[one] != checked[pair] and there
    )
    shared = len(there) if alike else 0
    weight = len(signs | there) or 1
    return Compound(pair, masked, new, alike, min(1.0, (len(masked) + len(new) + shared) / weight))


def _different(usual: _Shown, one: _Shown) -> set[str]:
    return {what for what in usual.keys() | one.keys() if usual.get(what) != one.get(what)}


def _seen(account: Account, end: int, start: int = 0) -> _Shown:
    """What the seat and the scan showed in some of the actions, or what looks and measurements did."""
    shown: _Shown = {}
    for place, sight in enumerate(account.sights[start : end or None]):
        parts = sight.found() if start else {**sight.seat(), **sight.found()}
        cranked = {} if start else {"starter": turned_words(sight.cranked)}
        shown.update({f"{what} ({place + 1})": value for what, value in {**cranked, **parts}.items()})
    return shown


def _looks(edits: Sequence[str], car: Car) -> list[str]:
    """Where one would look for each of the edits, and what tells them apart at the end."""
    names = dict.fromkeys(name for edit in edits for name in parse_edit(edit, car).targets[:1])
    fuses = [f"measure volts {name}.2 to BAT-" for name in names if name in car.built.fuses]
    return [*fuses, *(f"look {name}" for name in names if name in car.connectors or name in car.built.fuses)]


def exercise_draft(compound: Compound, car: str, actions: Sequence[str]) -> str:
    """An exercise file with this pair hidden, for an instructor to finish; it loads as it is.

    `car`: the name of a shipped car. `actions`: what was done before the student gets it. The words of the
    work order are a beginning only.
    """
    listed = (("Hidden by the other", compound.masked), ("Shown by neither alone", compound.new))
    details = [f"{word}: {', '.join(found)}." for word, found in listed if found]
    alike = [f"To the scan it looks like {', '.join(compound.alike)}."] if compound.alike else []
    draft = {
        "exercise": f"Two faults: {' and '.join(compound.kinds)}"[:120],
        "topic": "two faults",
        "level": min(5, 3 + round(2 * compound.difficulty)),
        "car": car,
        "work_order": {
            "customer": "invented by the instructor",
            "words": f"A draft: write here what the customer says (difficulty {compound.difficulty:.2f}).",
        },
        "arrives": list(compound.edits),
        "before": list(actions),
        "goal": "To find both faults, although one of them changes what the other shows.",
        "guide": {"why": " ".join([f"{' and '.join(compound.edits)}.", *details, *alike])[:1900]},
    }
    text = StringIO()
    YAML().dump(draft, text)
    return text.getvalue()
