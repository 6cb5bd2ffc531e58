"""Which sets of edits leave the same car, so that one run is the run of all of them.

    equal = EqualCars(car, ["key run", "wait 5 s", "scan"])
    equal.content(["unplug X2", "open DOOR-LEFT.C1.1"]) == equal.content(["unplug X2"])    # True

A car is known by its content after the edits, not by their words: its theories, the elements that are open
(in whichever way: a terminal of a connector that is off may be cut as well), and the rest of the state of its
harness. A run is a function of that, the actions and the seed, so equal content is an equal run.

What is open in a piece of the car that no source can reach is left out of the content. Count every switch,
relay and driver as closed: such a piece has no voltage and no current whatever happens, and no module in it
runs. An element with both its ends in such pieces may be open or closed: closed it joins two of them, and no
source reaches what comes of it; the rest of the car is the same. So voltages are the same wherever there are
any, and the run is. This holds while nothing closes that was counted as open and the pieces are not looked
at: with an edit or an observation among the actions, only equal states of the harness are equal content.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from sim.bench.observations import is_observation
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_VERBS, apply_all, is_theory, verb_of
from sim.vehicle.elements import (
    GeneratorOutput,
    LiftedJoint,
    PilotDiode,
    PilotSource,
    ShortingBar,
    Source,
)
from sim.vehicle.harness_state import Alteration, HarnessState, alterations
from sim.vehicle.problems import Problem

SOURCES = (Source, GeneratorOutput, LiftedJoint, PilotSource, PilotDiode)


class CarContent(NamedTuple):
    """What tells an edited car from the car as built.

    turned: elements that are open where a source can reach, and shorting bars that are closed. harness: what
    differs in the state of the harness beside parts that are off, pulled, blown or cut.
    """

    turned: frozenset[str]
    harness: tuple[Alteration, ...]
    theories: tuple[str, ...]


class EqualCars:
    """One car, and the actions that are done to each of the cars which edits make of it."""

    def __init__(self, car: Car, actions: Iterable[str]) -> None:
        self._car = car
        self._left_alone = not any(is_observation(one) or verb_of(one) in EDIT_VERBS for one in actions)

    def content(self, edits: Sequence[str]) -> CarContent | None:
        """The content of the car after edits in normal form; None where there is no such car."""
        try:
            car = apply_all(self._car, edits)
        except Problem:
            return None
        theories = tuple(edit for edit in edits if is_theory(edit))
        if not self._left_alone:
            return CarContent(frozenset(), tuple(alterations(HarnessState(), car.harness)), theories)
        none: frozenset[str] = frozenset()  # these do no more than open, or close a shorting bar
        others = replace(car.harness, unplugged=none, pulled=none, blown=none, opened=none)
        return CarContent(frozenset(_turned(car)), tuple(alterations(HarnessState(), others)), theories)


def _turned(car: Car) -> Iterator[str]:
    """Elements that are open and have an end that a source can reach, and shorting bars that are closed."""
    fed = _fed(car)
    for element in car.all_elements.values():
        if isinstance(element, ShortingBar):
            if car.is_whole(element):
                yield element.id
        elif not car.is_whole(element) and (element.a in fed or element.b in fed):
            yield element.id


def _fed(car: Car) -> set[str]:
    """The terminals that a source can reach, whatever is switched."""
    joined: dict[str, list[str]] = defaultdict(list)
    for a, b in _joints(car):
        joined[a].append(b)
        joined[b].append(a)
    todo = [node for one in car.all_elements.values() if isinstance(one, SOURCES) for node in (one.a, one.b)]
    fed = set(todo)
    while todo:
        new = [node for node in joined[todo.pop()] if node not in fed]
        fed.update(new)
        todo += new
    return fed


def _joints(car: Car) -> Iterator[tuple[str, str]]:
    """The ends of all whole elements, and what the inside of a module joins: its bus lines to its ground."""
    for element in car.all_elements.values():
        if car.is_whole(element):
            yield element.a, element.b
    for channel in car.transceivers.values():
        yield from ((channel.h, channel.gnd), (channel.l, channel.gnd))
    for port in car.lin.values():
        yield port.node, port.gnd
