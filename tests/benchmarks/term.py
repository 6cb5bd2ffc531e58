"""A term of twelve weeks made by a script: 30 students, 40 exercises, their attempts line by line.

    python -m tests.benchmarks.term sqlite:////tmp/term.sqlite

Each exercise is worked through three times; the class's logs and results are those, so each of them can be
replayed: the pages of a class have real work to read.
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from sim.catalogue import shipped_exercises
from sim.training.attempt import Attempt
from sim.training.exercise import Exercise, exercise_from_text
from sim.training.hand_in import NO_FAULT
from sim.training.records import Records
from sim.training.rows import AssignmentRow, ClassRow, StudentRow
from sim.training.rubric import as_json, rubric
from sim.training.schema import actions, attempts, hints, results
from sim.training.store import writing
from sim.vehicle.problems import EditProblem

STUDENTS, EXERCISES, WEEKS = 30, 40, 12
WEEK_S = 7 * 24 * 3600.0
EVIDENCE = "the holder was empty"
BEGUN, HANDED_IN, COMPLETE, HINTED, REWOUND = 0.92, 0.9, 0.7, 0.2, 0.3  # shares of attempts
SEED = 14


@dataclass(frozen=True)
class Work:
    """What a student may have done: lines of a log with their minutes, and what came of handing it in."""

    lines: tuple[tuple[str, float], ...]
    result: dict[str, Any]

    @classmethod
    def played(cls, exercise: Exercise, sentences: Sequence[str], named: Sequence[str]) -> Work:
        """Do it; what this car or these tools do not let happen is left out."""
        attempt = Attempt.begin(exercise)
        for sentence in sentences:
            with suppress(EditProblem):
                attempt.do(sentence)
        lines = tuple((step.action, step.minutes) for step in attempt.steps)
        done = attempt.hand_in(named, EVIDENCE)
        told = {
            "named": json.dumps(list(done.named)), "evidence": EVIDENCE, "complete": done.complete,
            "credit": done.credit, "minutes": attempt.minutes, "cost": attempt.cost,
            "rubric": as_json(rubric(attempt)),
        }  # fmt: skip
        return cls(lines, told)


def works(exercise: Exercise) -> tuple[Work, Work, Work]:
    """The solution; the same by a student who looks twice; one who gives up half way."""
    whole = exercise.solution
    twice = [again for line in whole for again in ([line, line] if line == "scan" else [line])]
    named = exercise.arrives or [NO_FAULT]
    return (
        Work.played(exercise, whole, named),
        Work.played(exercise, ["wait 5 s", *twice], named),
        Work.played(exercise, whole[: len(whole) // 2], [NO_FAULT]),
    )


class Weeks:
    """The clock of the term."""

    now_s = 1_790_000_000.0

    def __call__(self) -> float:
        return self.now_s


def make_term(url: str) -> ClassRow:
    """Fill the records at a URL with a term; returns the class."""
    clock, chance = Weeks(), random.Random(SEED)
    records = Records(url, clock)
    group = records.classes.open("Twelve weeks")
    people = [records.students.join(group.join_code, f"Student {k:02}")[0] for k in range(1, STUDENTS + 1)]
    shipped = list(shipped_exercises().items())[:EXERCISES]
    given = []
    for name, path in shipped:
        clock.now_s += WEEKS * WEEK_S / EXERCISES
        text = path.read_text(encoding="utf-8")
        practice = len(given) % 5 != 4
        given.append(
            (records.assignments.give(group.id, text, practice=practice, entry=name), text, clock.now_s)
        )
    for task, text, given_s in given:
        done = works(exercise_from_text(text, task.exercise))
        with writing(records.engine) as connection:
            for table, rows in _rows(task, text, given_s, people, done, chance).items():
                if rows:
                    connection.execute(table.insert(), rows)
        if not task.practice and task is not given[-1][0]:
            records.exams.release(task.id)
    records.close()
    return group


def _rows(
    task: AssignmentRow,
    text: str,
    given_s: float,
    people: list[StudentRow],
    done: tuple[Work, Work, Work],
    chance: random.Random,
) -> dict[Any, list[dict[str, Any]]]:
    """What a class does with an exercise, as rows by table."""
    rows: dict[Any, list[dict[str, Any]]] = {attempts: [], actions: [], hints: [], results: []}
    for student in people:
        if chance.random() > BEGUN:
            continue
        number = task.id * 1000 + student.id
        rows[attempts].append(
            {"id": number, "student_id": student.id, "assignment_id": task.id, "file": text, "variant": 0,
             "practice": task.practice, "begun_s": given_s + 60}
        )  # fmt: skip
        work = chance.choice(done[:2]) if chance.random() < COMPLETE else done[2]
        rewound = task.practice and chance.random() < REWOUND
        rows[actions] += _lines(number, given_s, work, rewound)
        if chance.random() < HINTED:
            rows[hints].append({"attempt_id": number, "number": 1, "taken_s": given_s + 90})
        if chance.random() < HANDED_IN:
            handed_in_s = given_s + 3600 + number % 100
            rows[results].append({"attempt_id": number, "handed_in_s": handed_in_s, **work.result})
    return rows


def _lines(number: int, given_s: float, work: Work, rewound: bool) -> Iterator[dict[str, Any]]:
    """The lines of a log; who has rewound has done the second half before, and taken it back."""
    half = len(work.lines) // 2 if rewound else len(work.lines)
    taken_back = [(line, True) for line in work.lines[half:]]
    again = [(line, False) for line in work.lines[half:]]
    kept = [(line, False) for line in work.lines[:half]]
    for place, ((action, minutes), is_back) in enumerate((*kept, *taken_back, *again), 1):
        yield {
            "attempt_id": number, "number": place, "action": action, "minutes": minutes,
            "done_s": given_s + 60 + 20 * place, "taken_back": is_back, "by_whom": "",
        }  # fmt: skip


if __name__ == "__main__":
    print(make_term(sys.argv[1]))
