"""A class over weeks: its matrix, the rubric, topics and trend, and the tables that are taken away."""

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from sim.catalogue import shipped_exercises
from sim.training.attempt import HINT_MINUTES, Attempt
from sim.training.board import needs_first
from sim.training.exercise import find_exercise, read_exercise
from sim.training.hand_in import NO_FAULT
from sim.training.kept_attempts import Elsewhere, KeptAttempt
from sim.training.records import Records
from sim.training.results_csv import BYTE_ORDER_MARK, column_name
from sim.training.rows import ClassRow, StudentRow
from sim.training.rubric import NAMES, needless_replacements, rubric, total
from sim.training.term import Term, TermCell
from sim.vehicle.edits import EDIT_KINDS, verb_of
from sim.vehicle.problems import Problem

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
FIRST = shipped_exercises()["01-first-scan"].read_text(encoding="utf-8")
GOOD = [
    "press start", "wait 5 s", "scan", "save before", "look F2", "press start", "fit F2", "press start",
    "wait 5 s", "clear", "wait 10 s", "scan", "save after",
]  # fmt: skip


class Clock:
    """Time that passes by a minute each time it is asked for."""

    now_s = 1_000_000.0

    def __call__(self) -> float:
        self.now_s += 60
        return self.now_s


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Records]:
    """Records in a file of SQLite: what is tested here is no question of the database."""
    records = Records(f"sqlite:///{tmp_path}/class.sqlite", clock=Clock())
    yield records
    records.close()


@pytest.fixture
def group(kept: Records) -> ClassRow:
    return kept.classes.open("Tuesday")


def joined(kept: Records, group: ClassRow, *names: str) -> list[StudentRow]:
    return [kept.students.join(group.join_code, name)[0] for name in names]


def worked(kept: Records, assignment_id: int, student: StudentRow, actions: list[str]) -> KeptAttempt:
    (task,) = [one for one in kept.assignments.of_class(student.class_id) if one.id == assignment_id]
    work = kept.attempts.begin(task, student.id)
    for action in actions:
        work.do(action)
    return work


def rows_of(text: str) -> list[dict[str, str]]:
    assert text.startswith(BYTE_ORDER_MARK)
    return list(csv.DictReader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK))))


# -- the rubric ----------------------------------------------------------------------------------------------


def played(actions: list[str], named: str, evidence: str = "") -> Attempt:
    attempt = Attempt.begin(read_exercise(shipped_exercises()["02-left-in-storage"]))
    for action in actions:
        attempt.do(action)
    attempt.hand_in([named], evidence)
    return attempt


def test_good_work_has_full_marks_and_guesses_have_none() -> None:
    """Work by the rules is worth 1 in every criterion; a guess without a check is worth little."""
    marks = rubric(played(GOOD, "pull F2", "the holder was empty"))
    assert dict.fromkeys(NAMES, 1.0) == {name: mark.score for name, mark in marks.items()}
    guessed = rubric(played(["fit F2"], "pull F5"))
    assert (0.0, 0.0, 0.0, 1.0, 0.0, 0.0) == tuple(
        guessed[name].score for name in ("plan", "measurement", "evidence", "repair", "proof", "report")
    )
    assert all(mark.why for mark in (*marks.values(), *guessed.values()))


def test_a_scan_alone_is_no_measurement_where_the_job_takes_one() -> None:
    """A scan and a guess are worth nothing in measurement, a look at the fuse all of it."""
    scanned, looked = (rubric(played(actions, "pull F5")) for actions in (["scan"], ["scan", "look F2"]))
    assert [0.0, 1.0] == [marks["measurement"].score for marks in (scanned, looked)]


def test_a_danger_a_repair_in_vain_and_mere_notes_cost_marks() -> None:
    """A step at risk costs half of a mark, a repair of what is whole a quarter, notes for evidence half."""
    risky = Attempt.begin(find_exercise("38"))
    for action in ("key run", "plug AIRBAG.C1"):
        risky.do(action)
    risky.hand_in([NO_FAULT], "")
    assert 0.5 == rubric(risky)["safety"].score
    brief = Attempt.begin(find_exercise("02"))
    brief.note("F2 looked at")
    brief.hand_in([NO_FAULT], " ")
    assert 0.5 == rubric(brief)["evidence"].score
    vain = rubric(played(["repair ECM.C1.1", "fit F2"], "pull F2"))["repair"]
    assert (0.75, "the car is whole, after 1 repair in vain") == (vain.score, vain.why)


def test_a_healthy_module_that_is_replaced_is_a_repair_in_vain() -> None:
    """It costs marks as a repair that is refused does; no solution pays it."""
    vain = rubric(played(["replace ECM", "fit F2"], "pull F2"))["repair"]
    assert (0.75, "the car is whole, after 1 repair in vain") == (vain.score, vain.why)
    replacing = 0
    for path in shipped_exercises().values():
        exercise = read_exercise(path)
        edits = [text for text in exercise.solution if verb_of(text) in EDIT_KINDS]
        replacing += any(verb_of(text) == "replace" for text in edits)
        done = [SimpleNamespace(action=text, verb=verb_of(text), vain="") for text in edits]
        assert 0 == needless_replacements(SimpleNamespace(exercise=exercise, steps=done)), path.name
    assert replacing > 1


def test_a_fuse_that_blew_in_the_bay_does_not_hinder_the_hand_in(kept: Records, group: ClassRow) -> None:
    """Where a short has blown a fuse, a student who fits it can hand in, with all marks for the repair."""
    exercise = find_exercise("07")
    (amara,) = joined(kept, group, "Amara")
    task = kept.assignments.give(group.id, shipped_exercises()["07-winter-outdoors"].read_text("utf-8"))
    work = kept.attempts.begin(task, amara.id)
    for action in exercise.solution:
        work.do(action)
    assert work.hand_in(exercise.arrives, "0 ohms to the body").complete
    assert {"repair": 1.0} == {"repair": kept.terms.of_attempt(work.id)[0].marks["repair"]}


def test_the_total_is_the_weighted_mean_of_what_was_called_for() -> None:
    """Weights count by their share; what a job did not call for does not count at all."""
    assert 0.75 == total({"safety": 1.0, "report": 0.0, "plan": None}, {"safety": 3, "report": 1, "plan": 9})
    assert total({"plan": None}, {}) is None
    assert total({"plan": 1.0}, {"plan": 0.0}) is None


def test_the_instructor_weighs_marks_otherwise_and_comments(kept: Records, group: ClassRow) -> None:
    """Weights and marks of the instructor change the total, the reasons of the rules stay."""
    (amara,) = joined(kept, group, "Amara")
    task = kept.assignments.give(group.id, STORED, practice=True)
    work = worked(kept, task.id, amara, GOOD)
    with pytest.raises(Problem, match="marked when it is handed in"):
        kept.terms.review(work.id, {}, "well")
    work.hand_in(["pull F2"])
    cell = kept.terms.of_class(group.id).cells[amara.id, task.id]
    assert (0.0, pytest.approx(6 / 7)) == (cell.marks["evidence"], cell.rubric)
    kept.terms.set_weights(group.id, dict.fromkeys(NAMES, 0.0) | {"evidence": 1, "plan": 3})
    assert 0.75 == kept.terms.of_class(group.id).cells[amara.id, task.id].rubric
    kept.terms.review(work.id, {"evidence": 0.5}, "told me at the car", "Ines")
    cell = kept.terms.of_class(group.id).cells[amara.id, task.id]
    assert (0.875, "told me at the car", "Ines") == (cell.rubric, cell.comment, cell.marked_by)
    assert "marked by" == kept.export_csv(group.id).splitlines()[0].split(",")[-1]
    assert "Ines" == kept.export_csv(group.id).splitlines()[1].split(",")[-1]
    assert "no words" in cell.reasons["evidence"].why


def test_what_is_decided_about_a_student_goes_with_the_student(records: Records) -> None:
    """On both databases: who, what, exercise and student, the latest first; erasing a student erases it."""
    group = records.classes.open("Tuesday")
    (amara,) = joined(records, group, "Amara")
    task = records.assignments.give(group.id, STORED)
    records.journal.note(group.id, "Ines", "the exam is released", assignment_id=task.id)
    records.journal.note(group.id, "Wei", "let in", amara.id)
    told = [(one.who, one.words, one.exercise, one.student) for one in records.journal.of_class(group.id)]
    of_all = ("Ines", "the exam is released", "Left in storage", None)
    assert [("Wei", "let in", "", "Amara"), of_all] == told
    records.students.delete(amara.id)
    assert ["Ines"] == [one.who for one in records.journal.of_class(group.id)]


@pytest.mark.parametrize(
    ("weights", "sentence"),
    [
        ({"plan": 11.0}, "a weight is 0 to 10"),
        ({"luck": 1.0}, "luck"),
        (dict.fromkeys(NAMES, 0.0), "at least"),
    ],
)
def test_weights_that_are_none(
    kept: Records, group: ClassRow, weights: dict[str, float], sentence: str
) -> None:
    """A weight out of its range, of no criterion, or nothing but zeros is refused."""
    with pytest.raises(Problem, match=sentence):
        kept.terms.set_weights(group.id, weights)


def test_a_hand_in_of_an_older_version_gets_its_rubric_by_replay(kept: Records, group: ClassRow) -> None:
    """What has no rubric in the records is worked out from the log and kept."""
    (amara,) = joined(kept, group, "Amara")
    task = kept.assignments.give(group.id, STORED, practice=True)
    work = worked(kept, task.id, amara, GOOD)
    work.hand_in(["pull F2"], "empty")
    known = kept.terms.of_class(group.id).cells[amara.id, task.id].reasons
    with kept.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE results SET rubric = NULL")
    assert kept.terms.of_class(group.id).cells[amara.id, task.id].rubric is None
    assert known == kept.terms.work_out(work.id)
    assert 1.0 == kept.terms.of_class(group.id).cells[amara.id, task.id].rubric


# -- the matrix ----------------------------------------------------------------------------------------------


def test_minutes_are_the_same_number_everywhere(kept: Records, group: ClassRow) -> None:
    """Bench, desk, board, matrix and table tell the same minutes, hints included, before and after."""
    (amara,) = joined(kept, group, "Amara")
    task = kept.assignments.give(group.id, STORED, practice=True)
    work = worked(kept, task.id, amara, GOOD[:4])
    work.hint()
    work.rewind(2)
    for _ in range(2):
        told = (
            kept.assignments.desk(amara.id)[0].minutes,
            kept.board(group.id)[0].minutes,
            kept.terms.of_class(group.id).cells[amara.id, task.id].minutes,
        )
        assert [pytest.approx(work.attempt.minutes)] * 3 == list(told)
        assert work.attempt.minutes > HINT_MINUTES
        assert f"{round(work.attempt.minutes, 1)}" == rows_of(kept.export_csv(group.id))[0]["minutes"]
        if work.attempt.result is None:
            work.hand_in(["pull F2"])


def test_the_matrix_has_everybody_by_every_exercise(records: Records) -> None:
    """On both databases: cells where work was begun, the names of those who did not begin, rewound lines."""
    group = records.classes.open("Tuesday")
    amara, bo = joined(records, group, "Amara", "Bo")
    one, two = (records.assignments.give(group.id, text, practice=True) for text in (STORED, FIRST))
    work = worked(records, one.id, amara, GOOD[:4])
    work.rewind(1)
    work.hand_in(["pull F2"])
    term = records.terms.of_class(group.id)
    assert [(amara.id, one.id)] == list(term.cells)
    assert (1, 3) == (term.cells[amara.id, one.id].steps, term.cells[amara.id, one.id].taken_back)
    assert [[bo], [amara, bo]] == [term.not_begun(task.id) for task in (one, two)]
    assert ["transmission", "first scan"] == [topic.topic for topic in term.topics(amara.id)]
    straight, rewound = term.compared()
    assert (0, 1) == (straight.count, rewound.count)


def made(term: Term, student_id: int, credits: list[float], topic: str = "starting") -> Term:
    """A term in which a student handed in exercises of one topic with these credits, one a day."""
    given = [replace(term.assignments[0], id=100 + k, topic=topic) for k in range(len(credits))]
    known = next(iter(term.cells.values()))
    cells: dict[tuple[int, int], TermCell] = {
        (student_id, 100 + k): replace(known, credit=worth, complete=worth == 1.0, handed_in_s=86400.0 * k)
        for k, worth in enumerate(credits, start=0)
    }
    return replace(term, assignments=tuple(given), cells=cells)


@pytest.mark.parametrize(
    ("credits", "trend", "mastered"),
    [
        ([0.5] * 5, "", False),
        ([0.2, 0.2, 0.2, 0.9, 1.0, 1.0], "rising", True),
        ([1.0, 1.0, 1.0, 0.5, 0.5, 0.5], "falling", False),
        ([0.5] * 6, "steady", False),
        ([0.0, 1.0], "", False),
        ([1.0], "", True),
    ],
)
def test_trend_and_mastery(
    kept: Records, group: ClassRow, credits: list[float], trend: str, mastered: bool
) -> None:
    """The latest three hand-ins against the three before; a topic is mastered by its latest two."""
    (amara,) = joined(kept, group, "Amara")
    task = kept.assignments.give(group.id, STORED, practice=True)
    worked(kept, task.id, amara, []).hand_in(["pull F2"])
    term = made(kept.terms.of_class(group.id), amara.id, credits)
    assert trend == term.trend(amara.id)
    assert [mastered] == [topic.mastered for topic in term.topics(amara.id)]


# -- what an instructor changes ------------------------------------------------------------------------------


def test_an_exercise_is_taken_back(kept: Records, group: ClassRow) -> None:
    """One that no student has begun is gone; one with work leaves the desks and stays in the results."""
    (amara,) = joined(kept, group, "Amara")
    one, two = (kept.assignments.give(group.id, text, practice=True) for text in (STORED, FIRST))
    worked(kept, one.id, amara, ["press start"])
    assert [False, True] == [kept.assignments.withdraw(task.id) for task in (one, two)]
    assert [] == kept.assignments.desk(amara.id)
    with pytest.raises(Problem, match="taken this exercise back"):
        kept.attempts.begin(one, amara.id)
    term = kept.terms.of_class(group.id)
    assert [one.id] == [given.id for given in term.assignments]
    assert ["at work"] == [row["state"] for row in rows_of(kept.export_csv(group.id))]


def test_exercises_are_put_into_another_order(kept: Records, group: ClassRow) -> None:
    """Moved up or down by one, at most to an end, on the desk and in the matrix."""
    (amara,) = joined(kept, group, "Amara")
    ids = [kept.assignments.give(group.id, STORED, practice=True).id for _ in range(3)]
    kept.assignments.move(ids[2], -1)
    kept.assignments.move(ids[0], -1)
    assert [ids[0], ids[2], ids[1]] == [task.assignment.id for task in kept.assignments.desk(amara.id)]
    kept.assignments.move(ids[0], 5)
    assert [ids[2], ids[1], ids[0]] == [one.id for one in kept.terms.of_class(group.id).assignments]


def test_practice_becomes_an_exam_and_an_exam_practice(kept: Records, group: ClassRow) -> None:
    """Open work follows the change at once; what was handed in of an exam is released by it."""
    amara, bo = joined(kept, group, "Amara", "Bo")
    task = kept.assignments.give(group.id, STORED, practice=True)
    work = worked(kept, task.id, amara, GOOD[:3])
    kept.assignments.change_to(task.id, practice=False)
    with pytest.raises(Elsewhere, match="every step stays"):
        work.rewind(1)
    assert 3 == kept.assignments.desk(amara.id)[0].steps
    worked(kept, task.id, bo, []).hand_in(["pull F2"])
    assert kept.assignments.desk(bo.id)[0].credit is None
    kept.assignments.change_to(task.id, practice=True)
    assert kept.assignments.desk(bo.id)[0].credit is not None
    assert not kept.attempts.after_showing(work.id)
    kept.attempts.resume(work.id).rewind(1)
    assert 1 == kept.assignments.desk(amara.id)[0].steps


def test_a_given_hint_is_free_and_not_sold_again(kept: Records, group: ClassRow) -> None:
    """It costs no minutes, the next one for sale is another, and it is about its exercise only."""
    amara, bo = joined(kept, group, "Amara", "Bo")
    task, other = (kept.assignments.give(group.id, text, practice=True) for text in (STORED, FIRST))
    work = worked(kept, task.id, amara, [])
    hints = work.attempt.exercise.hints
    kept.notices.tell(group.id, hints[0], amara.id, assignment_id=task.id, hint=1)
    work = kept.attempts.resume(work.id)
    assert (0.0, [1], 2) == (work.attempt.minutes, work.attempt.known_hints, work.attempt.next_hint)
    assert hints[1] == work.hint()
    again = kept.attempts.resume(work.id).attempt
    assert (HINT_MINUTES, [1, 2], [2]) == (again.minutes, again.known_hints, again.paid_hints)
    assert [task.id] == [one.assignment_id for one in kept.notices.messages(amara.id)]
    assert [] == worked(kept, other.id, amara, []).attempt.known_hints
    assert [] == worked(kept, task.id, bo, []).attempt.known_hints
    kept.notices.tell(group.id, hints[0], assignment_id=task.id, hint=1)
    assert [1] == worked(kept, task.id, bo, []).attempt.known_hints


def test_the_board_has_first_who_needs_help(kept: Records, group: ClassRow) -> None:
    """The longest hand first, then who has reasons to be asked; a hand that is answered is down."""
    amara, bo, cy, dee = joined(kept, group, "Amara", "Bo", "Cy", "Dee")
    task = kept.assignments.give(group.id, STORED, practice=True)
    for student in (amara, bo, cy):
        worked(kept, task.id, student, ["press start"])
    kept.attempts.begin(task, dee.id).hand_in(["pull F2"])
    work = worked(kept, task.id, cy, [])
    work.hint()
    work.hint()
    kept.students.raise_hand(bo.id)
    kept.students.raise_hand(amara.id)
    kept.students.raise_hand(bo.id)
    rows = needs_first(kept.board(group.id))
    assert ["Bo", "Amara", "Cy", "Dee"] == [row.student for row in rows]
    assert rows[0].signs[0].startswith("hand up")
    before = kept.notices.latest(group.id).news
    kept.students.answer_hand(bo.id)
    assert "Amara" == needs_first(kept.board(group.id))[0].student
    assert before < kept.notices.latest(group.id).news  # so Bo's open page hears of it


def test_two_at_one_desk_and_who_did_what(kept: Records, group: ClassRow) -> None:
    """Both names are on the board, and each step knows who had the tools."""
    (amara,) = joined(kept, group, "Amara")
    task = kept.assignments.give(group.id, STORED, practice=True)
    kept.students.sit_together(amara.id, "  Bo ")
    work = worked(kept, task.id, amara, ["press start"])
    work.by_whom = "Bo"
    work.do("wait 5 s")
    work.do("scan")
    assert {"": 1, "Bo": 2} == kept.attempts.who_did(work.id)
    assert "Amara and Bo" == kept.board(group.id)[0].student


# -- taken away ----------------------------------------------------------------------------------------------


def test_the_table_has_a_line_for_everybody_with_rounded_numbers(kept: Records, group: ClassRow) -> None:
    """Mode, car, variant, steps, hints, steps taken back, evidence and marks; who did not begin is there."""
    amara, _ = joined(kept, group, "Amara", "Žofie")
    task = kept.assignments.give(group.id, STORED, practice=True)
    work = worked(kept, task.id, amara, GOOD)
    work.hint()
    work.hand_in(["pull F2"], "=the holder was empty")
    done, none = rows_of(kept.export_csv(group.id))
    told = {name: done[name] for name in ("mode", "car", "variant", "steps", "hints", "steps taken back")}
    assert {
        "mode": "practice", "car": "six-modules", "variant": "1", "steps": "13", "hints": "1",
        "steps taken back": "0",
    } == told  # fmt: skip
    assert ("'=the holder was empty", "1.0") == (done["evidence"], done["rubric"])
    assert ("Žofie", "not begun", "") == (none["student"], none["state"], none["minutes"])
    numbers = (done[name] for name in ("credit", "minutes", "cost", "rubric", "mark: plan"))
    assert all(len(number.partition(".")[2]) <= 2 for number in numbers)


def test_the_gradebook_is_read_back(kept: Records, group: ClassRow) -> None:
    """Ids and points come back from the file; an exam gives none before it is released."""
    amara, bo = joined(kept, group, "Amara", "Bo")
    practice = kept.assignments.give(group.id, STORED, practice=True)
    exam = kept.assignments.give(group.id, FIRST)
    kept.assignments.set_points(practice.id, 20)
    worked(kept, practice.id, amara, GOOD).hand_in(["pull F2"], "empty")
    worked(kept, exam.id, bo, []).hand_in(["no fault found"])
    first, second = (replace(practice, points=20.0), exam)
    rows = {row["student number"]: row for row in rows_of(kept.gradebook_csv(group.id))}
    mine = rows[str(amara.id)]
    assert ("Amara", "20.0", "") == (mine["name"], mine[column_name(first)], mine[column_name(second)])
    assert "" == rows[str(bo.id)][column_name(second)]
    kept.exams.release(exam.id)
    again = {row["student number"]: row for row in rows_of(kept.gradebook_csv(group.id))}
    assert 0 < float(again[str(bo.id)][column_name(second)]) < 100
    with pytest.raises(Problem, match="0 to 1000 points"):
        kept.assignments.set_points(exam.id, 1001)
