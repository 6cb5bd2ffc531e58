"""The sentences that a car understands: actions, observations, faults, repairs and theories.

    for one in sentences_of(car):
        print(one.sort, one.text)

Faults and theories follow from the registry of edits, with `?` for a figure; repairs take them back.

Not listed: lengths of time, figures and codes other than one of each; of what takes two terminals, all pairs
but the nearest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import chain, islice
from typing import Literal

from sim.bench.actions import FOB_PLACES, KEY_POSITIONS, TO_THE_LIGHTS, Action, parse_action
from sim.bench.asking import CustomerQuestion
from sim.bench.observations import METER_FUNCTIONS, SHOWN_AS, Kind
from sim.bench.probing import places
from sim.bench.traffic import is_on_j1939
from sim.modules.tester_control import outputs_of
from sim.vehicle.answer_parts import PARTS
from sim.vehicle.car import Car
from sim.vehicle.edit import EDIT_KINDS, EditKind
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem

NEAREST = 4  # so many second terminals are listed for each first one
Sort = Literal["action", "observation", "fault", "repair", "theory"]


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence in normal form, and what it is."""

    sort: Sort
    text: str

    @property
    def verb(self) -> str:
        """Its first word."""
        return self.text.partition(" ")[0]


@dataclass(frozen=True, slots=True)
class Verb:
    """How many sentences begin with a word, and one of them."""

    sort: Sort
    verb: str
    count: int
    example: str


def verbs_of(sentences: Iterable[Sentence]) -> dict[str, Verb]:
    """The words that sentences begin with, in the same order."""
    found: dict[str, Verb] = {}
    for one in sentences:
        known = found.setdefault(one.verb, Verb(one.sort, one.verb, 0, one.text))
        found[one.verb] = replace(known, count=known.count + 1)
    return found


def sentences_of(car: Car) -> tuple[Sentence, ...]:
    """Every sentence once: what is done at the car, what is measured, what may be wrong, and repairs."""
    actions = (_action(text, car) for every in ACTIONS.values() for text in every(car))
    edits = [*_edits(car)]
    undone = [text for text in dict.fromkeys(one[1] for one in edits) if text]
    repairs = [Sentence("repair", parse_edit(text, car).text) for text in undone]
    texts = dict.fromkeys([*filter(None, actions), *(one for one, _ in edits), *repairs])
    order = ("action", "observation", "fault", "repair", "theory")
    return tuple(sorted(texts, key=lambda one: order.index(one.sort)))


def _action(text: str, car: Car) -> Sentence | None:
    try:
        found: Action = parse_action(text, car)
    except EditProblem:  # this car has no key, say, or the place cannot be reached
        return None
    return Sentence("observation" if found.observation else "action", found.text if not found.edit else text)


def _edits(car: Car) -> Iterator[tuple[Sentence, str | None]]:
    """Each fault and theory, and the sentence that takes it back."""
    for kind in EDIT_KINDS.values():
        for text in dict.fromkeys(_texts_of(kind, car)):
            with suppress(EditProblem):
                edit = parse_edit(text, car)
                yield Sentence(edit.kind, edit.text), edit.undo


def _texts_of(kind: EditKind, car: Car) -> Iterator[str]:
    yield from chain(kind.catalogue(car), *(faults(car) for faults in kind.candidates.values()))
    for answer in kind.answers:
        for part in PARTS[answer.part](car):
            for other in islice(answer.others(car, part), NEAREST) if answer.asks else ("",):
                yield answer.sentence.format(part=part, other=other)


# -- actions and observations ------------------------------------------------------------------------------


def _of_modules(verb: str) -> Callable[[Car], Iterator[str]]:
    return lambda car: (f"{verb} {name}" for name in car.addresses)


def _switches(car: Car) -> Iterator[str]:
    return (f"switch {name} {state}" for name in car.built.switches for state in ("on", "off"))


def _outputs(car: Car) -> Iterator[str]:
    outputs = ((name, output) for name in car.addresses for output in outputs_of(car, name))
    return (f"actuate {name} {output} {state}" for name, output in outputs for state in ("on", "off"))


def _measure(car: Car) -> Iterator[str]:
    """Each function of the meter at every place; against the battery where it takes two terminals."""
    looped = [*car.built.fuses, *car.pins, *PARTS["clamp"](car)]
    for function in METER_FUNCTIONS:
        name = SHOWN_AS.get(function, str(function))
        in_series = function in (Kind.AMPS, Kind.CLAMP)
        ends = looped if in_series else (f"{end} to BAT-" for end in PARTS["terminal"](car))
        yield from (f"measure {name} {end}" for end in ends)


def _at_pins(sentence: str) -> Callable[[Car], Iterator[str]]:
    return lambda car: (sentence.format(pin) for pin in car.pins)


ACTIONS: Mapping[str, Callable[[Car], Iterator[str]]] = {
    "press": lambda car: iter(("press start", "press start with brake")),
    "brake": lambda car: iter(("brake on", "brake off")),
    "key": lambda car: (f"key {position}" for position in KEY_POSITIONS),
    "fob": lambda car: (f"fob {place}" for place in FOB_PLACES),
    "switch": _switches,
    "cable": lambda car: iter(("cable in", "cable out")),
    "drive": lambda car: iter(("drive at 30 km/h", f"drive {TO_THE_LIGHTS}", "drive at 0 km/h")),
    "wiggle": lambda car: (f"wiggle {place}" for place in places(car)),
    "heat": lambda car: (f"heat {place}" for place in places(car)),
    "freeze": lambda car: (f"freeze {place}" for place in places(car)),
    "wait": lambda car: iter(("wait 10 s",)),
    "ask": lambda car: (f"ask {question}" for question in CustomerQuestion),
    "scan": lambda car: iter(("scan",)),
    "save": lambda car: iter(("save before",)),
    "clear": lambda car: chain(("clear",), _of_modules("clear")(car)),
    "unlock": _of_modules("unlock"),
    "identify": _of_modules("identify"),
    "read": _of_modules("read"),
    "details": lambda car: (f"details {name} P0562-00" for name in car.addresses),
    "readiness": lambda car: iter(("readiness",)),
    "faults": lambda car: iter(("faults",) if is_on_j1939(car) else ()),
    "actuate": _outputs,
    "release": _of_modules("release"),
    "selftest": _of_modules("selftest"),
    "disconnect": lambda car: iter(("disconnect battery",)),
    "reconnect": lambda car: iter(("reconnect battery",)),
    "measure": _measure,
    "load": _at_pins("load {} to BAT- with 21 W lamp"),
    "scope": _at_pins("scope {} to BAT- for 2 ms"),
    "look": lambda car: (f"look {place}" for place in places(car)),
}
