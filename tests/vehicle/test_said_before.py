"""Words of earlier versions: saved logs have them, and mean by them what today's words say."""

import json

import pytest

from sim.bench.actions import begins_an_action, parse_action
from sim.bench.bench import Bench
from sim.catalogue import shipped_cars
from sim.training.attempt import Attempt
from sim.training.exercise import find_exercise
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

CAR = read_car(shipped_cars()["six-modules"])
PAIRS = [
    ("mend ECM.C1.3", "repair ECM.C1.3"),
    ("Mend  G1", "repair G1"),
    ("unshort ECM.C1.4 to BODY", "remove short ECM.C1.4 to BODY"),
]


@pytest.mark.parametrize(("before", "now"), PAIRS)
def test_a_sentence_of_an_earlier_version_is_read_as_todays(before: str, now: str) -> None:
    """Both make the same edit, whose sentence is today's."""
    assert now == parse_edit(before, CAR).text
    assert parse_edit(now, CAR).verb == parse_edit(before, CAR).verb
    assert now == parse_action(before, CAR).text
    assert begins_an_action(before.split()[0])


def test_a_bench_saved_by_an_earlier_version_is_restored() -> None:
    """Its log is replayed, the repair is made, and the log that is saved again has today's words."""
    text = json.dumps(
        {"given": ["open TCM.C1.1", "short ECM.C1.4 to BODY"], "seed": 0,
         "log": ["wait 3 s", "mend TCM.C1.1", "unshort ECM.C1.4 to BODY"]}
    )  # fmt: skip
    bench = Bench.restored(CAR, text)
    assert CAR.harness == bench.car.harness
    assert ["repair TCM.C1.1", "remove short ECM.C1.4 to BODY"] == bench.log[1:]


def test_an_attempt_of_an_earlier_version_is_taken_up() -> None:
    """A student's log in the words of then replays to the same steps, minutes and parts."""
    exercise = find_exercise("05")
    before = [text.replace("repair ", "mend ") for text in exercise.solution]
    assert before != list(exercise.solution)
    then, now = Attempt.replay(exercise, before), Attempt.replay(exercise, exercise.solution)
    assert (now.log, now.minutes, now.cost) == (then.log, then.minutes, then.cost)


def test_remove_says_what_it_removes() -> None:
    """A word that is left out is asked for."""
    with pytest.raises(EditProblem, match="write 'remove short TERMINAL to TERMINAL'"):
        parse_edit("remove ECM.C1.4 to BODY", CAR)
