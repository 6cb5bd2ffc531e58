"""Exams: what stays shut until the release, times, who may join, who has which fault."""

import csv
import io
import json
import threading
from collections import Counter
from itertools import pairwise
from random import Random

import pytest
from sqlalchemy import create_engine, text

from sim.catalogue import shipped_exercises
from sim.training.class_list import Listed
from sim.training.exams import HELD_BACK
from sim.training.exercise import exercise_from_text
from sim.training.records import Records
from sim.training.rows import ClassRow
from sim.vehicle.problems import Problem
from tests.training.test_versions import make_version_1
from ui.drawing.class_sheets import board

FILES = {name: path.read_text(encoding="utf-8") for name, path in shipped_exercises().items()}
STORED, FIRST = FILES["02-left-in-storage"], FILES["01-first-scan"]


class Clock:
    """Time that passes when told to."""

    now_s = 1_000_000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def group(records: Records) -> ClassRow:
    return records.classes.open("Tuesday")


def test_an_exam_is_handed_in_and_no_more_until_it_is_released(records: Records, group: ClassRow) -> None:
    """The desk tells of an exam that it is handed in; credit and verdict come with the release to all."""
    student, _ = records.students.join(group.join_code, "Amara")
    exam = records.assignments.give(group.id, STORED)
    work = records.attempts.begin(exam, student.id)
    work.hand_in(["pull F2"])
    (task,) = records.assignments.desk(student.id)
    assert (True, None, None) == (task.handed_in, task.complete, task.credit)
    assert not records.exams.is_released(work.id)
    records.exams.release(exam.id)
    (task,) = records.assignments.desk(student.id)
    assert (False, work.attempt.result.credit if work.attempt.result else 0) == (task.complete, task.credit)
    assert records.exams.is_released(work.id)


def test_an_exam_is_released_to_one_student(records: Records, group: ClassRow) -> None:
    """A release to one shows nothing to the other."""
    exam = records.assignments.give(group.id, STORED)
    works = []
    for name in ("Amara", "Wei"):
        works.append(records.attempts.begin(exam, records.students.join(group.join_code, name)[0].id))
        works[-1].hand_in(["pull F2"])
    records.exams.release_one(works[0].id)
    assert [True, False] == [records.exams.is_released(one.id) for one in works]
    assert [True, False] == [row.released for row in records.board(group.id)]


def test_the_board_keeps_the_result_of_an_exam_to_itself(records: Records, group: ClassRow) -> None:
    """The board hangs on the projector: until the release it says no more than handed in."""
    exam = records.assignments.give(group.id, STORED)
    work = records.attempts.begin(exam, records.students.join(group.join_code, "Amara")[0].id)
    work.hand_in(["pull F2"])
    shown = board(records.board(group.id), {})
    assert "handed in" in shown
    assert "%" not in shown
    records.exams.release(exam.id)
    assert "%" in board(records.board(group.id), {})


def test_showing_the_solution_releases_an_exam(records: Records, group: ClassRow) -> None:
    """When the class has seen the solution, the debrief hides nothing any more."""
    exam = records.assignments.give(group.id, STORED)
    work = records.attempts.begin(exam, records.students.join(group.join_code, "Amara")[0].id)
    records.assignments.reveal(exam.id)
    assert records.exams.is_released(work.id)
    work.hand_in(["pull F2"])
    assert work.after_showing


def test_the_same_exercise_is_shut_elsewhere_while_it_is_an_exam(records: Records, group: ClassRow) -> None:
    """At home, as practice and under another title: shut until the release, then open."""
    member, _ = records.students.join(group.join_code, "Amara")
    exam = records.assignments.give(group.id, STORED)
    practice = records.assignments.give(group.id, STORED, practice=True)
    home, _ = records.practice_alone()
    disguised = STORED.replace("exercise: Left in storage", "exercise: Left in the shed")
    assert disguised != STORED
    at_home = [records.assignments.give(home.class_id, file, practice=True) for file in (STORED, disguised)]
    shut = [(practice, member), *((one, home) for one in at_home)]
    for task, student in shut:
        with pytest.raises(Problem, match=HELD_BACK):
            records.attempts.begin(task, student.id)
    other = records.assignments.give(home.class_id, FIRST, practice=True)
    records.attempts.begin(other, home.id)
    records.attempts.begin(exam, member.id)
    records.exams.release(exam.id)
    for task, student in shut:
        records.attempts.begin(task, student.id)


def test_a_member_is_known_in_another_class_by_the_browser(records: Records, group: ClassRow) -> None:
    """Another class may practice an exam's exercise, but not who writes it: by browser, or by name."""
    records.students.join(group.join_code, "Amara", browser="hers")
    records.classes.take_list(group.id, [Listed("Kim", "K-1")])
    records.students.join(group.join_code, "Kim", browser="Kim's")
    records.assignments.give(group.id, STORED)
    evening = records.classes.open("Evening")
    task = records.assignments.give(evening.id, STORED, practice=True)
    fresh_browser, _ = records.students.join(evening.join_code, "AMARA", browser="a private window")
    second_name, _ = records.students.join(evening.join_code, "Zoe", browser="hers")
    stranger, _ = records.students.join(evening.join_code, "Wei", browser="his")
    records.classes.take_list(evening.id, [Listed("Kim", "K-2"), Listed("Wei", "W-1")])
    another_kim, _ = records.students.join(evening.join_code, "kim", browser="his, too")
    for student in (second_name, fresh_browser):
        with pytest.raises(Problem, match=HELD_BACK):
            records.attempts.begin(task, student.id)
    for student in (stranger, another_kim):
        records.attempts.begin(task, student.id)


def test_a_stranger_who_joins_during_an_exam_waits_for_its_release(url: str) -> None:
    """Another name in another browser is let in by a list, by an instructor, or when the exam is released.

    Who was in a class of another instructor before the exam was given is no stranger there.
    """
    clock = Clock()
    records = Records(url, clock)
    group, strict = (records.classes.open(name) for name in ("Tuesday", "Strict"))
    evening = records.classes.open("Evening", opened_by=2)
    records.classes.admit_by_list(strict.id, by_approval=True)
    before, _ = records.students.join(evening.join_code, "Wei", browser="his")
    clock.now_s += 60
    exam = records.assignments.give(group.id, STORED)
    clock.now_s += 60
    task = records.assignments.give(evening.id, STORED, practice=True)
    there = records.assignments.give(strict.id, STORED, practice=True)
    stranger, _ = records.students.join(evening.join_code, "Zoe", browser="a private window")
    let_in, _ = records.students.join(strict.join_code, "Zoe", browser="another")
    records.students.admit(let_in.id)
    with pytest.raises(Problem, match=HELD_BACK):
        records.attempts.begin(task, stranger.id)
    for one, student in ((task, before), (there, let_in)):
        records.attempts.begin(one, student.id)
    assert {"Evening": 1, "Strict": 1} == records.exams.opened_elsewhere(exam.id), "who gave it is told"
    assert {} == records.exams.shut_in(evening.id)
    records.exams.release(exam.id)
    records.attempts.begin(task, stranger.id)
    records.close()


@pytest.mark.parametrize("shared", ["opened by one", "taught by both", "exam of both"])
def test_who_joined_before_under_another_name_waits_in_classes_of_one_instructor(
    records: Records, group: ClassRow, shared: str
) -> None:
    """A second name of before the exam opens nothing in a class of its instructor; the class's list does."""
    opened_by = 1 if shared == "opened by one" else 2
    evening = records.classes.open("Evening", opened_by=opened_by)
    records.classes.teach_together(evening.id, [1] if shared == "taught by both" else [])
    records.classes.teach_together(group.id, [2] if shared == "exam of both" else [])
    second_name, _ = records.students.join(evening.join_code, "Zoe", browser="a phone")
    task = records.assignments.give(evening.id, STORED, practice=True)
    exam = records.assignments.give(group.id, STORED)
    with pytest.raises(Problem, match=HELD_BACK):
        records.attempts.begin(task, second_name.id)
    assert {"Left in storage": "Tuesday"} == records.exams.shut_in(evening.id)
    assert {task.id} == records.exams.shut_for(second_name.id), "the desk says so before a click"
    assert {} == records.exams.shut_in(group.id) == records.exams.opened_elsewhere(exam.id)
    records.classes.admit_by_list(evening.id, by_approval=False, names=["Zoe"])
    records.attempts.begin(task, second_name.id)
    assert {"Evening": 1} == records.exams.opened_elsewhere(exam.id)
    assert frozenset() == records.exams.shut_for(second_name.id)
    records.exams.release(exam.id)
    assert {} == records.exams.shut_in(evening.id)


def test_neighbors_are_those_of_the_class_list(records: Records, group: ClassRow) -> None:
    """Those beside each other on the list never share a fault, in whatever order they join and begin."""
    names = [f"student {k}" for k in range(12)]
    records.classes.take_list(group.id, [Listed(name, "") for name in names])
    task = records.assignments.give(group.id, with_faults(2), varied=True)
    drawn = {}
    for name in (*names[1::3], *names[::3], *names[2::3][::-1]):
        student, _ = records.students.join(group.join_code, name)
        drawn[name] = variant_of(records, task, student.id)
    assert all(drawn[one] != drawn[other] for one, other in pairwise(names)), drawn


def test_an_exam_begins_and_ends_by_the_clock(url: str) -> None:
    """It opens at its time; what is handed in after its end is marked late everywhere."""
    clock = Clock()
    records = Records(url, clock)
    group = records.classes.open("Tuesday")
    exam = records.assignments.give(group.id, STORED, begins_in_min=10, lasts_min=30)
    assert (clock.now_s + 600, clock.now_s + 2400) == (exam.begins_s, exam.due_s)
    students = [records.students.join(group.join_code, name)[0] for name in ("Amara", "Wei")]
    with pytest.raises(Problem, match="this exam begins in 10 min"):
        records.attempts.begin(exam, students[0].id)
    clock.now_s += 600
    works = [records.attempts.begin(exam, one.id) for one in students]
    clock.now_s += 1800
    works[0].hand_in(["pull F2"])
    clock.now_s += 1
    works[1].hand_in(["pull F2"])
    assert [False, True] == [records.assignments.desk(one.id)[0].late for one in students]
    assert [False, True] == [row.late for row in records.board(group.id)]
    rows = list(csv.DictReader(io.StringIO(records.export_csv(group.id)[1:])))
    assert [("exam", "no"), ("exam", "yes")] == [(row["mode"], row["late"]) for row in rows]
    records.exams.end_at(exam.id, clock.now_s + 600)
    assert [False, False] == [row.late for row in records.board(group.id)]
    records.close()


def test_who_is_not_on_the_list_waits_for_the_instructor(records: Records, group: ClassRow) -> None:
    """A listed name comes in at once, in any letter case; another one has no car until it is let in."""
    records.classes.admit_by_list(group.id, True, ["Amara  Okafor", "Wei"])
    assert ["Amara Okafor", "Wei"] == records.classes.names_on_list(group.id)
    assert ["Amara Okafor", "Wei"] == records.classes.not_joined(group.id)
    exam = records.assignments.give(group.id, STORED)
    listed, _ = records.students.join(group.join_code, "amara okafor")
    other, key = records.students.join(group.join_code, "Zoe")
    assert (True, False) == (listed.admitted, records.students.with_key(key).admitted)
    assert ["Wei"] == records.classes.not_joined(group.id), "in any letter case"
    records.attempts.begin(exam, listed.id)
    with pytest.raises(Problem, match="the instructor has not let you in yet"):
        records.attempts.begin(exam, other.id)
    assert ["amara okafor"] == [row.student for row in records.board(group.id)]
    records.students.admit(other.id)
    records.attempts.begin(exam, other.id)


def test_who_waits_comes_in_with_the_new_list(records: Records, group: ClassRow) -> None:
    """A name that is written on the list later waits no more; without approval no one waits."""
    records.classes.admit_by_list(group.id, True, ["Wei"])
    for name in ("Zoe", "Yan", "Xia"):
        records.students.join(group.join_code, name)

    def waiting() -> list[str]:
        return [one.name for one in records.students.of_class(group.id) if not one.admitted]

    records.classes.admit_by_list(group.id, True, ["Wei", "ZOE"])
    assert ["Yan", "Xia"] == waiting()
    records.classes.admit_by_list(group.id, False, ["Wei", "ZOE"])
    assert [] == waiting()


def test_a_second_name_of_one_browser_is_shown_to_the_instructor(records: Records, group: ClassRow) -> None:
    """The board names who joined with one browser, and a browser that is not known is nobody's."""
    for name, browser in (("Amara", "one"), ("Zoe", "one"), ("Wei", "two"), ("Ben", ""), ("Ada", "")):
        records.students.join(group.join_code, name, browser)
    signs = {row.student: row.signs for row in records.board(group.id)}
    assert {"Amara": ("same browser as Zoe",), "Zoe": ("same browser as Amara",)} == {
        name: told for name, told in signs.items() if told
    }


def test_names_that_differ_by_case_come_in_once(records: Records, group: ClassRow) -> None:
    """Forty at once under one name in many letter cases: one comes in."""
    names = ["".join(c.upper() if k >> n & 1 else c for n, c in enumerate("straße")) for k in range(20)]
    outcomes: Counter[str] = Counter()

    def join(name: str) -> None:
        try:
            records.students.join(group.join_code, name)
            outcomes["in"] += 1
        except Problem as problem:
            outcomes["taken" if "in this class already" in str(problem) else str(problem)] += 1

    together(join, names)
    assert {"in": 1, "taken": 19} == outcomes


def test_one_attempt_arises_for_one_student(records: Records, group: ClassRow) -> None:
    """A student who begins an exam twenty times at once has one attempt."""
    exam = records.assignments.give(group.id, STORED, varied=True)
    student, _ = records.students.join(group.join_code, "Amara")
    begun: list[int] = []
    together(lambda _: begun.append(records.attempts.begin(exam, student.id).id), ["x"] * 20)
    assert ([begun[0]] * 20, 1) == (begun, len(records.attempts.listed()))


def together(work, items: list[str]) -> None:  # type: ignore[no-untyped-def]
    """Do it for all at the same moment, each in a thread of its own."""
    barrier = threading.Barrier(len(items))

    def one(item: str) -> None:
        barrier.wait()
        work(item)

    threads = [threading.Thread(target=one, args=(item,)) for item in items]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


@pytest.mark.parametrize("faults", [2, 3, 4])
def test_neighbors_on_the_list_never_share_a_fault(
    records: Records, group: ClassRow, faults: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve students in any order of beginning: neighbors differ, and two classes are not dealt alike."""
    monkeypatch.setattr("sim.training.exams.secrets.choice", Random(faults).choice)
    file = with_faults(faults)
    dealt = []
    for _ in range(6):
        task = records.assignments.give(group.id, file, varied=True)
        if not dealt:
            students = [records.students.join(group.join_code, f"student {k}")[0] for k in range(12)]
        order = students[5:] + students[:5][::-1]
        drawn = {one.id: variant_of(records, task, one.id) for one in order}
        dealt.append(tuple(drawn[one.id] for one in students))
    for deal in dealt:
        assert all(one != other for one, other in pairwise(deal)), deal
    assert set(range(faults)) == {one for deal in dealt for one in deal}, "each fault in one deal or another"
    assert 1 < len(set(dealt)), "drawn, not counted off"


def with_faults(count: int) -> str:
    """An exercise with so many faults; what they are does not matter here."""
    file = next(file for file in FILES.values() if 2 == len(exercise_from_text(file, "x").others))
    head, _, rest = file.partition("\nothers:")
    one, other = rest.split("\n  - ")[1:]
    return head + "\nothers:" + "".join(f"\n  - {text}" for text in (one, other, one)[: count - 1]) + "\n"


def variant_of(records: Records, task, student_id: int) -> int:  # type: ignore[no-untyped-def]
    number = records.attempts.begin(task, student_id).id
    with records.engine.connect() as connection:
        found = connection.execute(text("SELECT variant FROM attempts WHERE id = :id"), {"id": number})
        return int(found.scalar_one())


def test_double_attempts_of_an_older_database_are_told_apart(url: str) -> None:
    """Records with two attempts of one student and names that differ by case are brought to this version."""
    make_version_1(url)
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO attempts (id, student_id, assignment_id, file, variant, practice, begun_s) "
                "SELECT 7, 1, 1, file, 0, false, 1010.0 FROM assignments"
            )
        )
        connection.execute(
            text(
                "INSERT INTO students (id, class_id, name, key_hash, joined_s) "
                "VALUES (9, 1, 'AMARA', 'another', 1001.5)"
            )
        )
        connection.execute(
            text(
                "INSERT INTO results "
                "(attempt_id, named, evidence, complete, credit, minutes, cost, handed_in_s) "
                "VALUES (7, :named, '', false, 0.0, 1.0, 0.0, 1011.0)"
            ),
            {"named": json.dumps(["pull F3"])},
        )
    engine.dispose()
    records = Records(url)
    (task,) = records.assignments.desk(1)
    assert (7, False) == (task.attempt_id, task.complete), "what was seen stays seen"
    assert ["Amara", "AMARA"] == [one.name for one in records.students.of_class(1)]
    assert 7 == records.attempts.begin(task.assignment, 1).id
    records.close()
