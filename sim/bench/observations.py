"""Observations: what a person measures or inspects, one sentence each, logged like any action.

    measure volts ECM.C1.1 to G2              red lead on the first terminal, black on the second
    measure minimum volts BAT+ to BAT-        the lowest since the last action began, such as cranking
    measure maximum volts ABS.C1.4 to BAT-    the highest, as of a wire that is wiggled
    measure frequency ABS.C1.4 to G2          pulses in a second
    measure duty ABS.C1.4 to G2               the share of time at the higher level, in %
    measure ohms DLC.6 to DLC.14              resistance, with the battery disconnected
    measure continuity F12.2 to ECM.C1.1      whether milliamps pass; no proof that it carries a load
    measure amps F12                          in place of a fuse, at a battery clamp, in series with a pin
    measure clamp amps BAT.NEG                a clamp meter around the wire there; nothing is opened
    load F12.2 to G1 with 21 W lamp           a lamp between two terminals, and what it does to the voltage
    measure volts F12.2 to SP.F12 while 21 W lamp at SP.F12 to G1   the same while a lamp loads it
    scope DLC.6 to DLC.4 and DLC.14 to DLC.4 for 2 ms     one or two channels over time
    look ECM.C1                               a connector, fuse, relay, ground, lead or place of the harness

A sentence that probes may end in `by back-probing`, `by front-probing`, `by piercing` or `by breakout lead`;
without it, by the way that does least harm. A terminal may also be named by its function: `ECM.GND`.

The bench only lets the time of the measurement pass and keeps what ran over the buses meanwhile; what the
display shows is worked out in `sim.instruments`. Nothing about the car changes, except that a meter in series
interrupts its circuit for a moment when it goes in (`sim.bench.observing`).

Not modeled: the labor time of a person (`Observation.labor_s`) does not pass on the car's clock.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from itertools import chain
from textwrap import dedent

from sim.bench.probing import PROBING, PROBING_S, Probing, access_s, is_place, loop_at, places, reach
from sim.vehicle.car import Car
from sim.vehicle.edit_words import terminal_of
from sim.vehicle.elements import Contact
from sim.vehicle.problems import EditProblem, did_you_mean, unknown
from sim.vehicle.words import UNITS_S

FORMS = dedent(__doc__.split("\n\n")[1])  # of every observation, for who asks which there are
LONGEST_SWEEP_S = 1.0
LAMP_LIMITS_W = (1.0, 100.0)


class ObservationKind(StrEnum):
    """What is measured, or that something is inspected."""

    VOLTS = "volts"
    MINIMUM = "minimum"
    MAXIMUM = "maximum"
    FREQUENCY = "frequency"
    DUTY = "duty"
    OHMS = "ohms"
    CONTINUITY = "continuity"
    AMPS = "amps"
    CLAMP = "clamp"
    LOAD = "load"
    SCOPE = "scope"
    LOOK = "look"


Kind = ObservationKind
METER_FUNCTIONS = (
    Kind.VOLTS, Kind.MINIMUM, Kind.MAXIMUM, Kind.FREQUENCY, Kind.DUTY, Kind.OHMS, Kind.CONTINUITY, Kind.AMPS,
    Kind.CLAMP,
)  # fmt: skip
HELD = (Kind.MINIMUM, Kind.MAXIMUM)  # of what was recorded since the last action began
SHOWN_AS = {Kind.MINIMUM: "minimum volts", Kind.MAXIMUM: "maximum volts", Kind.CLAMP: "clamp amps"}

# Labor for a check: common practice, to be changed by a class.
LABOR_S = {
    Kind.VOLTS: 30.0,
    Kind.MINIMUM: 45.0,
    Kind.MAXIMUM: 45.0,
    Kind.FREQUENCY: 30.0,
    Kind.DUTY: 30.0,
    Kind.OHMS: 30.0,
    Kind.CONTINUITY: 20.0,
    Kind.AMPS: 90.0,
    Kind.CLAMP: 30.0,
    Kind.LOAD: 60.0,
    Kind.SCOPE: 120.0,
    Kind.LOOK: 60.0,
}
LEAD: Probing = "breakout lead"  # fitted once, it gives access to all pins of a connector


@dataclass(frozen=True, slots=True)
class Observation:
    """One measurement or inspection, read from its sentence.

    points: the terminals, pairwise, or the one thing that is inspected or measured at. by: per point, how it
    is reached (see `PROBING`), empty for an inspection. lamp_w, lamp_at: the lamp of a loaded test and its
    two terminals. access_s: what it takes until a place can be looked at.
    """

    text: str
    kind: Kind
    points: tuple[str, ...]
    by: tuple[Probing, ...] = ()
    lamp_w: float = 0.0
    lamp_at: tuple[str, str] | tuple[()] = ()
    sweep_s: float = 0.0
    access_s: float = 0.0

    @property
    def labor_s(self) -> float:
        """Labor time in seconds."""
        once = [one for place, one in enumerate(self.by) if one != LEAD or one not in self.by[:place]]
        return LABOR_S[self.kind] + self.access_s + sum(PROBING_S[one] for one in once)

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """The points two by two."""
        return tuple(zip(self.points[0::2], self.points[1::2], strict=True))


# -- sentences -----------------------------------------------------------------------------------------------


def is_observation(text: str) -> bool:
    """Does an action sentence measure or inspect something?"""
    return text.split()[:1] in [[verb] for verb in OBSERVATION_VERBS]


def parse_observation(text: str, car: Car) -> Observation:
    """The observation that a sentence means; raises `EditProblem` with the nearest right word or way."""
    verb, _, rest = text.strip().partition(" ")
    return _PARSERS[verb.lower()](rest.split(), car)


def _measure(words: list[str], car: Car) -> Observation:
    function = _meter_function(words)
    if function is Kind.AMPS:
        return _amps(words[1:], car)
    if function is Kind.CLAMP:
        if words[1:2] != ["amps"]:
            raise EditProblem("write 'measure clamp amps BAT.NEG', or another clamp, fuse or pin")
        place = _amps(words[2:], car).points
        return Observation(f"measure clamp amps {place[0]}", Kind.CLAMP, place, ("touching",))
    if function in HELD:
        if words[1:2] != ["volts"]:
            raise EditProblem(f"write 'measure {function} volts TERMINAL to TERMINAL'")
        words = words[1:]
    words, by = _tail_by(words[1:])
    words, lamp_w, lamp_at = _tail_lamp(words, car)
    if lamp_at and function is not Kind.VOLTS:
        raise EditProblem("with a test lamp on, only volts can be measured")
    shown = SHOWN_AS.get(function, str(function))
    points = _pair(words, car, f"measure {shown}")
    lamp = f" while {lamp_w:g} W lamp at {lamp_at[0]} to {lamp_at[1]}" if lamp_at else ""
    head = f"measure {shown} {points[0]} to {points[1]}{lamp}"
    return _probed(head, function, points, by, car, lamp_w, lamp_at)


def _meter_function(words: list[str]) -> Kind:
    name = words[0].lower() if words else ""
    if name not in METER_FUNCTIONS:
        raise EditProblem(f"a meter does not measure '{name}'{did_you_mean(name, METER_FUNCTIONS)}")
    return Kind(name)


def _load(words: list[str], car: Car) -> Observation:
    words, by = _tail_by(words)
    words, lamp = _cut(words, "with")
    if lamp is None:
        raise EditProblem("write 'load TERMINAL to TERMINAL with 21 W lamp'")
    lamp_w = _lamp(lamp)
    points = _pair(words, car, "load")
    head = f"load {points[0]} to {points[1]} with {lamp_w:g} W lamp"
    return _probed(head, Kind.LOAD, points, by, car, lamp_w, points)


def _scope(words: list[str], car: Car) -> Observation:
    words, by = _tail_by(words)
    words, sweep = _cut(words, "for")
    if sweep is None:
        raise EditProblem("write 'scope TERMINAL to TERMINAL for 2 ms', a second pair after 'and'")
    sweep_s = _sweep(sweep)
    pairs = [_pair(one, car, "scope") for one in _cut(words, "and") if one is not None]
    head = f"scope {' and '.join(f'{a} to {b}' for a, b in pairs)} for {sweep_s * 1000:g} ms"
    return _probed(head, Kind.SCOPE, tuple(chain(*pairs)), by, car, sweep_s=sweep_s)


def _look(words: list[str], car: Car) -> Observation:
    name = " ".join(words)
    if not is_place(name, car):
        raise EditProblem(unknown("part to look at", name, places(car)))
    return Observation(f"look {name}", Kind.LOOK, (name,), access_s=access_s(name, car))


def _amps(words: list[str], car: Car) -> Observation:
    name = words[0] if len(words) == 1 else ""
    element = loop_at(name, car)
    in_series = isinstance(element, Contact) and car.connectors[element.connector].kind != "battery"
    by = LEAD if in_series else "touching"
    return Observation(f"measure amps {element.id}", Kind.AMPS, (element.id,), (by,))


def _cut(words: list[str], at: str) -> tuple[list[str], list[str] | None]:
    """The words before and after the first `at`; None for the latter if it is not among them."""
    if at not in words:
        return words, None
    place = words.index(at)
    return words[:place], words[place + 1 :]


def _tail_by(words: list[str]) -> tuple[list[str], Probing | None]:
    words, tail = _cut(words, "by")
    if tail is None:
        return words, None
    name = " ".join(tail)
    by = next((one for one in PROBING if one == name), None)
    if by is None:
        raise EditProblem(f"'{name}' is not a way of probing{did_you_mean(name, PROBING)}")
    return words, by


def _tail_lamp(words: list[str], car: Car) -> tuple[list[str], float, tuple[str, str] | tuple[()]]:
    words, tail = _cut(words, "while")
    if tail is None:
        return words, 0.0, ()
    lamp, points = _cut(tail, "at")
    if points is None:
        raise EditProblem("write 'while 21 W lamp at TERMINAL to TERMINAL'")
    return words, _lamp(lamp), _pair(points, car, "lamp at")


def _lamp(words: list[str]) -> float:
    lamp_w = _amount(words, {"Wlamp": 1.0})
    low_w, high_w = LAMP_LIMITS_W
    if not low_w <= lamp_w <= high_w:
        raise EditProblem(f"a lamp is '21 W lamp', {low_w:g} to {high_w:g} W (here: '{' '.join(words)}')")
    return lamp_w


def _sweep(words: list[str]) -> float:
    sweep_s = _amount(words, {unit: UNITS_S[unit] for unit in ("us", "ms", "s")})
    if not 1e-5 <= sweep_s <= LONGEST_SWEEP_S:
        raise EditProblem(f"a sweep takes 10 us to {LONGEST_SWEEP_S:g} s (here: '{' '.join(words)}')")
    return sweep_s


def _amount(words: list[str], units: dict[str, float]) -> float:
    """A number with one of these units, as `2 ms`, times the unit's value; 0 for any other words."""
    match = re.fullmatch(r"([0-9]+\.?[0-9]*|\.[0-9]+)([a-zA-Z]+)", "".join(words))
    return float(match[1]) * units.get(match[2], 0.0) if match else 0.0


def _pair(words: list[str], car: Car, verb: str) -> tuple[str, str]:
    if len(words) != 3 or words[1] != "to":
        raise EditProblem(f"write '{verb} TERMINAL to TERMINAL'")
    a, b = terminal_of(words[0], car), terminal_of(words[2], car)
    if a == b:
        raise EditProblem(f"both leads are on {a}: put one on another terminal")
    return a, b


def _probed(
    head: str,
    kind: Kind,
    points: tuple[str, ...],
    by: Probing | None,
    car: Car,
    lamp_w: float = 0.0,
    lamp_at: tuple[str, str] | tuple[()] = (),
    sweep_s: float = 0.0,
) -> Observation:
    possible = [reach(point, car) for point in points]
    if by and not any(by in one for one in possible):
        raise EditProblem(f"{points[0]} cannot be reached by {by}; possible: {', '.join(possible[0])}")
    chosen = tuple(by if by and by in one else one[0] for one in possible)
    for point in lamp_at if lamp_at != points else ():
        reach(point, car)
    text = f"{head} by {by}" if by else head
    return Observation(text, kind, points, chosen, lamp_w, lamp_at, sweep_s)


_PARSERS: dict[str, Callable[[list[str], Car], Observation]] = {
    "measure": _measure,
    "load": _load,
    "scope": _scope,
    "look": _look,
}
OBSERVATION_VERBS = tuple(_PARSERS)
