"""A term of twelve weeks made by a script: 30 students, 40 exercises, their attempts line by line.

    python -m tests.benchmarks.term sqlite:////tmp/term.sqlite

The lines are of no real work: what is measured is how the pages of a class read them.
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Iterator
from typing import Any

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from sim.training.rows import AssignmentRow, ClassRow, StudentRow
from sim.training.rubric import NAMES
from sim.training.schema import actions, attempts, hints, results
from sim.training.store import writing

STUDENTS, EXERCISES, WEEKS = 30, 40, 12
WEEK_S = 7 * 24 * 3600.0
LINES = (
    "press start",
    "wait 5 s",
    "scan",
    "save before",
    "measure volts BAT.POS to BAT.NEG",
    "clear",
    "scan",
)
BEGUN, HANDED_IN, COMPLETE, REWOUND = 0.92, 0.9, 0.7, 0.3  # shares of attempts
SEED = 14


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
        with writing(records.engine) as connection:
            for table, rows in _work(task, text, given_s, people, chance).items():
                if rows:
                    connection.execute(table.insert(), rows)
        if not task.practice and task is not given[-1][0]:
            records.exams.release(task.id)
    records.close()
    return group


def _work(
    task: AssignmentRow, text: str, given_s: float, people: list[StudentRow], chance: random.Random
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
        rewound = task.practice and chance.random() < REWOUND
        lines = list(_lines(number, given_s, rewound, chance))
        rows[actions] += lines
        if chance.random() < 0.2:
            rows[hints].append({"attempt_id": number, "number": 1, "taken_s": given_s + 90})
        if chance.random() < HANDED_IN:
            rows[results].append(_result(number, given_s, len(lines), chance))
    return rows


def _lines(number: int, given_s: float, rewound: bool, chance: random.Random) -> Iterator[dict[str, Any]]:
    for place in range(1, chance.randint(12, 30)):
        yield {
            "attempt_id": number, "number": place, "action": LINES[place % len(LINES)], "minutes": 1.5,
            "done_s": given_s + 60 + 20 * place, "taken_back": rewound and place % 6 == 0, "by_whom": "",
        }  # fmt: skip


def _result(number: int, given_s: float, lines: int, chance: random.Random) -> dict[str, Any]:
    complete = chance.random() < COMPLETE
    marks = {name: [1.0 if complete else chance.choice([0.0, 0.5, 1.0]), "by the rule"] for name in NAMES}
    return {
        "attempt_id": number, "named": json.dumps(["pull F2"]), "evidence": "the holder was empty",
        "complete": complete, "credit": 1.0 if complete else 0.5, "minutes": 1.5 * lines, "cost": 10.0,
        "handed_in_s": given_s + 3600 + number % 100, "rubric": json.dumps(marks),
    }  # fmt: skip


if __name__ == "__main__":
    print(make_term(sys.argv[1]))
