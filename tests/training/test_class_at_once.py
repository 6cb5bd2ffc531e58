"""A whole class that begins at the same moment gets the same car, and it is made ready once."""

import threading
from pathlib import Path

import pytest

from sim.bench.bench import Bench
from sim.catalogue import shipped_exercises
from sim.training.exercise import Exercise
from sim.training.kept_attempts import KeptAttempt
from sim.training.records import Records

STUDENTS = 12


def test_the_car_of_a_class_is_driven_in_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve students who begin at once get twelve cars, made ready once per fault."""
    driven_in: list[str] = []
    make_ready = Exercise.driven_in

    def counted(exercise: Exercise, make: type[Bench]) -> Bench:
        driven_in.append(exercise.exercise)
        return make_ready(exercise, make)

    monkeypatch.setattr(Exercise, "driven_in", counted)
    records = Records(f"sqlite:///{tmp_path}/classes.sqlite")
    group = records.classes.open("Tuesday")
    file = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8") + "# of this test\n"
    task = records.assignments.give(group.id, file, varied=True)
    numbers = [
        records.students.join(group.join_code, f"student {number}")[0].id for number in range(STUDENTS)
    ]
    together = threading.Barrier(STUDENTS)
    begun: list[KeptAttempt] = []

    def begin(number: int) -> None:
        together.wait()
        begun.append(records.attempts.begin(task, number))

    threads = [threading.Thread(target=begin, args=(number,)) for number in numbers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    records.close()
    assert STUDENTS == len({id(work.attempt.bench.live) for work in begun})
    assert len(driven_in) == 1 + len(begun[0].attempt.exercise.others)
    begun[0].do("press start")
    assert [1] + (STUDENTS - 1) * [0] == [len(work.attempt.log) for work in begun]
