"""Theories: edits of the design. The car is built anew, with what edits have done to its harness."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import lru_cache

from sim.vehicle.answer_parts import (
    PartSort,
    buses_past,
    other_consumers_for,
    other_fuses_for,
    other_modules,
)
from sim.vehicle.car import Car
from sim.vehicle.description import Vehicle
from sim.vehicle.edit import Answer, Edit, EditKind, Sightings, Theory
from sim.vehicle.edits_shut_down import conditions_for, phrase_of, possible_shut_downs, shutting_down
from sim.vehicle.harness import build
from sim.vehicle.harness_state import FIELDS
from sim.vehicle.problems import EditProblem, Problem, did_you_mean, unknown
from sim.vehicle.wire_ends import WireEnd, wire_end

KEPT_DESIGNS = 8  # some megabytes each; a grid has fewer theories


def _theory(words: list[str], car: Car) -> Edit:
    text = " ".join(words)
    for pattern, make in _THEORIES:
        match = re.fullmatch(pattern, text)
        if match:
            return make(match[1], match[2], car)
    raise EditProblem(
        f"'theory {text}' is none of: 'theory ECM waits for TRAILER', 'theory body runs through DOOR-LEFT', "
        "'theory F7 feeds TRAILER.B+', 'theory TCM shuts down when code P0562 in ECM'"
    )


class _Design:
    """A car as a theory has it, to be built: equal for one description and one sentence."""

    def __init__(self, car: Car, text: str, redesign: Callable[[Vehicle], Vehicle]) -> None:
        self.car, self.redesign = car, redesign
        self._key = id(car.built), id(car.claimed), text

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Design) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)


@lru_cache(maxsize=KEPT_DESIGNS)
def _built(design: _Design) -> Car:
    """The car, built once for all runs of a grid or a search that suppose the same."""
    return build(design.redesign(design.car.built), design.car.claimed)


def _design_edit(theory: Theory, redesign: Callable[[Vehicle], Vehicle]) -> Edit:
    text = f"theory {theory}"

    def change(car: Car) -> Car:
        try:
            rebuilt = _built(_Design(car, text, redesign))
        except Problem as problem:
            raise EditProblem(f"'{text}' contradicts the car: {problem.what}") from None
        return rebuilt.with_harness(**{name: getattr(car.harness, name) for name in FIELDS})

    return Edit(
        text,
        "theory",
        "theory",
        change,
        None,
        (theory.subject, theory.end.consumer, *theory.about[1:]),
        theory=theory,
    )


def _waits(waiter: str, other: str, car: Car) -> Edit:
    for name in (waiter, other):
        if name not in car.built.modules:
            raise EditProblem(unknown("module", name, car.built.modules))
    if waiter == other:
        raise EditProblem(f"{waiter} cannot wait for itself")

    def redesign(vehicle: Vehicle) -> Vehicle:
        module = vehicle.modules[waiter]
        waits = tuple(dict.fromkeys((*module.waits_for, other)))
        return _with(vehicle, "modules", waiter, module.model_copy(update={"waits_for": waits}))

    return _design_edit(Theory(waiter, "waits for", WireEnd(other)), redesign)


def _runs_through(bus: str, name: str, car: Car) -> Edit:
    if bus not in car.built.buses:
        raise EditProblem(unknown("bus", bus, car.built.buses))
    on_line = [stop.name for stop in car.built.buses[bus].stops if stop.name in car.built.modules]
    if name not in on_line:
        raise EditProblem(f"no module '{name}' on the line of {bus}{did_you_mean(name, on_line)}")

    def redesign(vehicle: Vehicle) -> Vehicle:
        spec = vehicle.buses[bus]
        line = (
            f"{name} through{' terminated' if stop.is_terminated else ''}" if stop.name == name else item
            for item, stop in zip(spec.line, spec.stops, strict=True)
        )
        return _with(vehicle, "buses", bus, spec.model_copy(update={"line": tuple(line)}))

    return _design_edit(Theory(bus, "runs through", WireEnd(name)), redesign)


def _feeds(fuse: str, consumer: str, car: Car) -> Edit:
    if fuse not in car.built.fuses:
        raise EditProblem(unknown("fuse", fuse, car.built.fuses))
    fed = [end.consumer for spec in car.built.fuses.values() for end in spec.ends]
    wanted = consumer.removesuffix(".B+")
    if wanted not in fed:
        raise EditProblem(f"no fuse feeds '{consumer}'{did_you_mean(wanted, fed)}")

    def redesign(vehicle: Vehicle) -> Vehicle:
        items = (item for spec in vehicle.fuses.values() for item in spec.feeds)
        moved = next(item for item in items if wire_end(item).consumer == wanted)
        for name, spec in vehicle.fuses.items():
            kept = tuple(item for item in spec.feeds if item != moved)
            feeds = (*kept, moved) if name == fuse else kept
            vehicle = _with(vehicle, "fuses", name, spec.model_copy(update={"feeds": feeds}))
        return vehicle

    return _design_edit(Theory(fuse, "feeds", wire_end(consumer)), redesign)


def _shuts_down(name: str, condition: str, car: Car) -> Edit:
    if name not in car.built.modules:
        raise EditProblem(unknown("module", name, car.built.modules))
    phrase = phrase_of(condition, name, car)
    theory = Theory(name, "shuts down when", WireEnd((*phrase.about, name)[0]), phrase.words, phrase.about)
    return _design_edit(theory, lambda vehicle: shutting_down(vehicle, name, phrase))


def _with(vehicle: Vehicle, kind: str, name: str, part: object) -> Vehicle:
    return vehicle.model_copy(update={kind: {**getattr(vehicle, kind), name: part}})


_THEORIES = (
    (r"(\S+) shuts down when (.+)", _shuts_down),
    (r"(\S+) waits for (\S+)", _waits),
    (r"(\S+) runs through (\S+)", _runs_through),
    (r"(\S+) feeds (\S+)", _feeds),
)

FED: tuple[PartSort, ...] = ("module", "load", "switch", "generator")

# -- theories that could have to do with what was seen -----------------------------------------------------


def _possible_waits(car: Car, seen: Sightings) -> Iterator[str]:
    """A module that may have been silent waits for another such; those that it listens to come first."""
    doubted = [name for name in car.built.modules if seen.may_be_silent(name)]
    sent = car.messages.sent
    for waiter in doubted:
        heard = {sent[message].sender for message in car.messages.needs[waiter]}
        known = {waiter, *car.built.modules[waiter].waits_for}
        others = [name for name in doubted if name not in known and car.messages.of(name)]
        for other in sorted(others, key=lambda name: name not in heard):
            yield f"theory {waiter} waits for {other}"


def _possible_ways_through(car: Car, seen: Sightings) -> Iterator[str]:
    """A bus runs through the connector of a module that may have been silent, and others on it were."""
    for bus, spec in car.built.buses.items():
        on_line = [stop for stop in spec.stops if stop.name in car.built.modules]
        doubted = [stop for stop in on_line if seen.may_be_silent(stop.name)]
        for stop in doubted if len(doubted) > 1 else ():
            if "through" not in stop.words:
                yield f"theory {bus} runs through {stop.name}"


def _possible_feeds(car: Car, seen: Sightings) -> Iterator[str]:
    """Another fuse of the same rail feeds a module that may have been silent; fuses that were named first."""
    fuses = car.built.fuses
    for own, spec in fuses.items():
        on_rail = [name for name, other in fuses.items() if name != own and other.from_ == spec.from_]
        for end in spec.ends:
            if end.part in car.built.modules and seen.may_be_silent(end.part):
                for fuse in sorted(on_rail, key=lambda name: name not in seen.named):
                    yield f"theory {fuse} feeds {end.consumer}"


KINDS = (
    EditKind(
        "theory",
        "theory",
        _theory,
        answers=(
            Answer(
                "module",
                "waits for another module at start-up",
                "theory {part} waits for {other}",
                "which module does it wait for",
                other_modules,
                "waits for {other} at start-up",
            ),
            Answer(
                "module",
                "shuts down while a condition holds",
                "theory {part} shuts down when {other}",
                "when",
                conditions_for,
                "shuts down when {other}",
            ),
            Answer(
                "module",
                "a bus runs through its connector",
                "theory {other} runs through {part}",
                "which bus",
                buses_past,
                "bus {other} runs through its connector",
            ),
            Answer(
                "fuse",
                "feeds something other than drawn",
                "theory {part} feeds {other}",
                "what does it feed",
                other_consumers_for,
                "feeds {other}, unlike the diagram",
            ),
            *(
                Answer(
                    sort,
                    "fed by another fuse than drawn",
                    "theory {other}",
                    "which fuse",
                    other_fuses_for,
                    "{other}, unlike the diagram",
                )
                for sort in FED
            ),
        ),
        theories={
            "waits for": _possible_waits,
            "shuts down when": possible_shut_downs,
            "runs through": _possible_ways_through,
            "feeds": _possible_feeds,
        },
    ),
)
