"""One run: a car, what is wrong with it, what is done, and what could be seen after each action.

A simulator cannot be sent from one process to another; a `Trial` and its `Account` can, and so can be kept.

    trial = Trial(vehicle_text("shuttle-minibus"), given=("pull F20",), actions=("press start", "scan"))
    account = run_trial(trial)
    account.sights[-1].silent
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import sim
from sim.bench.bench import Bench, BenchWithoutReasons, Outcome
from sim.bench.live import Fidelity
from sim.bench.observations import is_observation, parse_observation
from sim.instruments.meter import Measured
from sim.instruments.read import shown
from sim.instruments.result import Result
from sim.instruments.seat import seat_of
from sim.lab import wanted
from sim.lab.sight import Account, Sight
from sim.modules.facts import MOVES
from sim.modules.trace import Event
from sim.modules.uds_responses import NoResponse, PositiveResponse, Response
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem, Unsettled
from sim.vehicle.reading import car_from_text

FLOATING = "floating: the reading drifts"
MakeBench = Callable[[Car, tuple[str, ...], int, Fidelity], Bench]


@dataclass(frozen=True, slots=True)
class Trial:
    """One run to make: `vehicle` is the text of a vehicle file, `given` and `actions` are sentences.

    `fidelity` as of `Bench`; stream fidelity shows the same to all that do not watch single frames.
    """

    vehicle: str
    given: tuple[str, ...] = ()
    actions: tuple[str, ...] = ()
    seed: int = 0
    fidelity: Fidelity = "stream"


def run_trial(trial: Trial, make_bench: MakeBench = BenchWithoutReasons) -> Account:
    """Make a run from beginning to end."""
    try:
        return Account(tuple(follow(trial, make_bench)))
    except ImpossibleCar as problem:
        return Account((), str(problem))


def follow(trial: Trial, make_bench: MakeBench = BenchWithoutReasons) -> Iterator[Sight]:
    """The sights of a run one by one, so that nothing more is simulated once the reader stops.

    Raises `ImpossibleCar` where the given edits contradict each other.
    """
    bench = bench_of(trial, make_bench)
    for action in trial.actions:
        yield sight_of(bench, action)


def bench_of(trial: Trial, make_bench: MakeBench = BenchWithoutReasons) -> Bench:
    """The bench of a run before its first action, at the depth that its actions need.

    Raises `ImpossibleCar` where the given edits contradict each other.
    """
    car = car_from_text(trial.vehicle)
    try:
        return make_bench(car, trial.given, trial.seed, fidelity_for(trial, car))
    except (EditProblem, Unsettled) as problem:
        raise ImpossibleCar(str(problem)) from None


def fidelity_for(trial: Trial, car: Car) -> Fidelity:
    """A meter on a data line reads the mean of its frames, and they are there at frame fidelity only."""
    return "frame" if any(is_on_a_bus(text, car) for text in trial.actions) else trial.fidelity


def is_on_a_bus(text: str, car: Car) -> bool:
    """Does an action measure at a data line? One that makes sense only on the edited car is taken for one."""
    if not is_observation(text):
        return False
    try:
        what = parse_observation(text, car)
    except EditProblem:
        return True
    return not car.bus_nodes.isdisjoint((*what.points, *what.lamp_at))


class ImpossibleCar(Exception):
    """The given edits contradict each other: there is no such car."""


def sight_of(bench: Bench, action: str, progress: Callable[[float], None] | None = None) -> Sight:
    """Do an action and return what can be seen."""
    try:
        outcome = bench.do(action, progress or wanted.check)
    except (EditProblem, Unsettled) as problem:
        return _seat(bench, Outcome(action, ()), refused=str(problem))
    if is_observation(outcome.action):
        result = shown(bench)
        display, reading, doubtful = reading_of(result)
        return _seat(bench, outcome, display=display, reading=reading, notes=result.notes, doubtful=doubtful)
    if outcome.told is not None:
        return _seat(bench, outcome, display=outcome.told.words)
    report = outcome.report
    if report is None:
        asked = tuple(_words(name, one) for name, one in outcome.responses.items())
        not_done = any(word != "done" for _, word in asked)
        return _seat(bench, outcome, asked=asked, notes=(outcome.words,) if not_done else ())
    codes = tuple(
        (entry.module, code.code, "present" if code.failing_now else "stored")
        for entry in report.modules
        for code in entry.codes
    )
    answering = tuple(entry.module for entry in report.modules if entry.answers)
    return _seat(bench, outcome, power=report.power, answering=answering, silent=report.silent, codes=codes)


class Shown(NamedTuple):
    """What an instrument shows: words, a number if it is one, and whether the number is doubtful."""

    words: str
    value: float | None = None
    doubtful: bool = False


def reading_of(found: Result) -> Shown:
    """What an instrument shows; a number has as many digits as a meter has."""
    if isinstance(found, Measured) and found.floating:
        return Shown(FLOATING)
    value: float | None = getattr(found, "value", None)
    doubtful = isinstance(found, Measured) and found.doubtful
    return Shown(found.display, None if value is None else float(f"{value:.5g}"), doubtful)


def _seat(bench: Bench, outcome: Outcome, **more: Any) -> Sight:
    seat = seat_of(bench)
    return Sight(
        action=outcome.action,
        time_s=bench.now_s,
        engine=seat.engine,
        rough=seat.rough,
        ignition=seat.ignition,
        cluster=seat.cluster,
        lit=seat.lit,
        dark=tuple(lamp.name for lamp in seat.lamps if not lamp.lit),
        cranked=_happened(("cranking",), outcome.events),
        started=_happened(MOVES, outcome.events),
        **more,
    )


def _happened(states: tuple[str, ...], events: Iterable[Event]) -> bool:
    return any(event.kind == "engine" and event.value in states for event in events)


def _words(module: str, answer: Response) -> tuple[str, str]:
    match answer:
        case PositiveResponse():
            return module, "done"
        case NoResponse():
            return module, "no answer"
    return module, "refused"


# -- the car and the code ----------------------------------------------------------------------------------


def sentences(texts: Iterable[str], car: Car) -> tuple[str, ...]:
    """Edit sentences in normal form, each once; a bypass lead last, since it goes into plugs that are off."""
    normal = dict.fromkeys(parse_edit(text, car).text for text in texts)
    return tuple(sorted(normal, key=lambda text: text.startswith("bypass ")))


def content_key(*parts: Any) -> str:
    """A name for what follows from these parts, which are plain values, and from the program as it is."""
    return hashlib.sha256(json.dumps([*parts, code_version()]).encode()).hexdigest()


@lru_cache(maxsize=1)
def code_version() -> str:
    """A fingerprint of the program: a run of another version may not be taken for one of this."""
    digest = hashlib.sha256()
    folder = Path(sim.__file__).parent
    for path in sorted(folder.rglob("*.py")):
        if path.relative_to(folder).parts[0] != "training":
            digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
