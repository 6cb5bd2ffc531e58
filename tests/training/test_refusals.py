"""A refusal costs nothing, so it tells nothing: what is refused on a broken car is refused on a whole one, in
the same words.

Some dozens of sentences on some exercises by default; `BUSBAY_LEAKS=all` takes every variant of every one.
"""

import os
import random
from collections.abc import Iterator

import pytest

from sim.bench.probing import PROBING, places
from sim.catalogue import shipped_exercises
from sim.training.attempt import Attempt
from sim.training.exercise import Exercise, find_exercise, read_exercise
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem

ALL = os.environ.get("BUSBAY_LEAKS") == "all"
SOME = ("01-first-scan", "22-tire-light-and-wipers")  # a connector that is off, another design
SENTENCES = 500 if ALL else 100


def variants() -> Iterator[tuple[str, int]]:
    for name in shipped_exercises() if ALL else SOME:
        for number in range(1 + len(find_exercise(name).others)):
            yield name, number


def telling(whole: Car, broken: Car) -> tuple[list[str], list[str]]:
    """Parts and terminals in which a broken car is another one."""
    off = [pin for plug in broken.harness.unplugged for pin in broken.connectors[plug].pins]
    moved = whole.elements.keys() ^ broken.elements.keys()
    elements = [car.elements[id] for car in (whole, broken) for id in moved if id in car.elements]
    ends = {end for one in elements for end in (one.a, one.b)}
    ends |= {end for pin in off for end in (pin.id, pin.inner)}
    return sorted({*moved, *(pin.id for pin in off)}), sorted(ends)


def sentences(whole: Car, broken: Car, dice: random.Random) -> Iterator[str]:
    """Everything that can be said about this car, some of it misspelt, half of it where the two differ."""
    differ, ends = telling(whole, broken)
    named, nodes = places(whole), sorted(whole.terminals)
    while True:
        thing = dice.choice(differ if differ and dice.random() < 0.5 else named)
        node, other = (dice.choice(ends if ends and dice.random() < 0.5 else nodes) for _ in range(2))
        way = dice.choice(("", *(f" by {one}" for one in PROBING)))
        yield dice.choice(
            (
                f"look {thing}", f"look {thing}x", f"repair {thing}", f"repair {thing[:-1]}", f"plug {thing}",
                f"fit {thing}", f"remove short {node} to {other}", f"remove short {node[:-1]} to BODY",
                f"measure volts {node} to {other}{way}", f"measure ohms {node}{way}",
                f"measure continuity {node} to BAT-{way}", f"measure amps {thing}", f"measure amps {node}",
                f"load {node} to BAT- with 21 W lamp{way}", f"scope {node} to BODY for 2 ms{way}",
                f"unswap {node} with {other}", f"unterminate {node} to {other}", f"replace {thing}",
                f"unplug {thing[:-1]}", f"unbypass {thing}", f"open {thing}", f"blow {thing}",
            )
        )  # fmt: skip


def as_drawn(exercise: Exercise) -> Exercise:
    """The same exercise on a car that is what its diagram shows, with nothing wrong."""
    return Exercise.model_validate(exercise.model_dump() | {"arrives": (), "others": ()})


def test_a_wire_that_only_the_diagram_has_is_looked_for_in_vain() -> None:
    """Work on a wire that the real car lacks is done in vain, at the price of one that is there."""
    exercise, look = find_exercise("22"), "look F74.2--TACHO.C1.1"
    there, step = (Attempt.begin(one).do(look) for one in (as_drawn(exercise), exercise))
    assert ("", 16.0) == (there.vain, there.minutes)  # 1 min to look, 15 min for trim and tape
    assert ("this cannot be found on the car", there.minutes) == (step.vain, step.minutes)


def test_a_probe_that_does_not_fit_shows_that_the_connector_is_off() -> None:
    """Probing a pin whose connector is off finds the connector off."""
    attempt = Attempt.begin(find_exercise("24"))
    pin = attempt.bench.car.connectors["IMMOBILIZER.C1"].pins[0].id
    step = attempt.do(f"measure volts {pin} to BODY by breakout lead")
    assert f"{pin} cannot be reached by breakout lead" in step.vain
    assert step.minutes > 0
    assert {"IMMOBILIZER.C1"} == attempt.found.off
    assert "" == attempt.do(f"measure volts {pin} to BODY by front-probing").vain


def test_a_probe_at_either_half_of_an_inline_connector_shows_that_it_is_off() -> None:
    """Probing either half of an in-line connector finds it off."""
    attempt = Attempt.begin(find_exercise("15"))
    attempt.do("measure volts X1.1a to BODY")
    assert {"X1"} == attempt.found.off


def refusal(attempt: Attempt, sentence: str) -> str:
    try:
        attempt.understood(sentence)
    except EditProblem as problem:
        return str(problem)
    return ""


@pytest.mark.parametrize(("name", "number"), list(variants()))
def test_what_is_refused_tells_nothing(name: str, number: int) -> None:
    """Refusals are the same on a broken car as on a whole one."""
    exercise = read_exercise(shipped_exercises()[name]).variant(number)
    broken, usual = Attempt.begin(exercise), Attempt.begin(as_drawn(exercise))
    said = sentences(exercise.whole_car, broken.bench.car, random.Random(f"{name} {number}"))
    asked = [next(said) for _ in range(SENTENCES)]
    different = {text: (refusal(broken, text), refusal(usual, text)) for text in asked}
    assert {} == {text: two for text, two in different.items() if two[0] != two[1]}
    assert any(one for one, _ in different.values())
    assert not all(one for one, _ in different.values())


@pytest.mark.parametrize(("name", "number"), list(variants()))
def test_the_price_of_an_inspection_tells_nothing(name: str, number: int) -> None:
    """To inspect anything on the diagram takes as long on a broken car as on a whole one, found or not."""
    exercise = read_exercise(shipped_exercises()[name]).variant(number)
    broken, usual = (Attempt.begin(one) for one in (exercise, as_drawn(exercise)))
    looks = [f"look {place}" for place in places(exercise.whole_car)]
    prices = [(usual.do(look).minutes, broken.do(look).minutes) for look in looks]
    assert {} == {look: two for look, two in zip(looks, prices, strict=True) if two[0] != two[1]}
    assert {1.0, 6.0, 16.0} == {minutes for minutes, _ in prices}  # open, under tape, under trim and tape


HIDDEN_DESIGNS = ("22-tire-light-and-wipers", "23-blower-and-window")
VERBS = ("open", "look", "repair", "remove", "measure volts", "measure ohms", "measure amps", "scope", "fit")


@pytest.mark.parametrize("name", HIDDEN_DESIGNS)
def test_parts_of_a_hidden_design_are_unknown_by_name(name: str) -> None:
    """A wire that only the real car has is refused in the words of one that no car has."""
    exercise = find_exercise(name)
    whole, real = exercise.whole_car, exercise.real_car
    own = sorted((real.terminals | real.elements.keys()) - (whole.terminals | whole.elements.keys()))
    attempt = Attempt.begin(exercise)
    usual = Attempt.begin(as_drawn(exercise))
    said = [f"{verb} {part}" for part in own for verb in VERBS]
    assert [refusal(usual, text) for text in said] == [refusal(attempt, text) for text in said]
    assert all(refusal(attempt, text) for text in said)


def test_a_refused_clear_says_so() -> None:
    """The step tells why nothing was cleared."""
    attempt = Attempt.begin(read_exercise(shipped_exercises()["19-drivers-seat"]))
    attempt.do("press start with brake")
    attempt.do("wait 8 s")
    assert ("the gateway is locked: unlock it first",) == attempt.do("clear").notes
    attempt.do("unlock GATEWAY")
    assert () == attempt.do("clear ECM").notes
