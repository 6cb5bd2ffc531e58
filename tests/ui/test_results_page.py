"""The page of results: the matrix, marks and weights of the instructor, and what changes an exercise."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from sim.training.rubric import NAMES, Score, as_json
from sim.training.schema import results
from tests.training.lrs import SECRET, USERNAME, learning_record_store
from tests.ui.classroom_page import as_instructor, records_of_pages
from ui.drawing.term_sheets import matrix, topics
from ui.state import classroom

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
NASTY = "<img src=x onerror=alert(1)>"


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Records]:
    with records_of_pages(tmp_path, monkeypatch) as known:
        yield known


def _results() -> None:
    from ui.views import results

    results.show()


def _change() -> None:
    from ui.panels import exercise_control
    from ui.state import classroom
    from ui.views.classes import choose_class

    classroom.show_outcome()
    group = choose_class(classroom.records().classes.listed())
    exercise_control.show(group, classroom.records().assignments.of_class(group.id))


def test_the_instructor_marks_and_weighs_on_the_page(records: Records) -> None:
    """A mark by hand, a comment and weights reach the records; a stranger's click reaches nothing."""
    group = records.classes.open("Tuesday")
    amara, _ = records.students.join(group.join_code, "Amara")
    task = records.assignments.give(group.id, STORED, practice=True)
    work = records.attempts.begin(task, amara.id)
    work.hand_in(["pull F2"])
    app = as_instructor(records, _results).run()
    app.number_input(f"mark_plan_{work.id}").set_value(70)
    app.text_area(f"comment_{work.id}").set_value("talked it over")
    app.button(f"FormSubmitter:review_{work.id}-Keep the marks").click().run()
    cell = records.terms.of_class(group.id).cells[amara.id, task.id]
    assert ({"plan": 0.7}, "talked it over") == (dict(cell.reviewed), cell.comment)
    app.segmented_control("results_part").set_value("Weights").run()
    app.slider(f"weight_safety_{group.id}").set_value(5)
    app.button(f"FormSubmitter:weights_{group.id}-Keep the weights").click().run()
    assert {**dict.fromkeys(NAMES, 1.0), "safety": 5.0} == records.terms.of_class(group.id).weights
    app.session_state["token"] = ""
    app.slider(f"weight_safety_{group.id}").set_value(1)
    app.button(f"FormSubmitter:weights_{group.id}-Keep the weights").click().run()
    assert 5.0 == records.terms.of_class(group.id).weights["safety"]
    assert not app.exception


def test_rules_that_have_changed_since_the_hand_in_are_applied_on_request(records: Records) -> None:
    """A mark by an older rule becomes that of today's, and the journal tells what changed; then nothing."""
    group = records.classes.open("Tuesday")
    mia, _ = records.students.join(group.join_code, "Mia")
    task = records.assignments.give(group.id, STORED, practice=True)
    work = records.attempts.begin(task, mia.id)
    work.hand_in(["pull F2"])
    today = records.terms.of_class(group.id).cells[mia.id, task.id].reasons
    older = as_json(today | {"evidence": Score(1.0, "an older rule")})
    with records.engine.begin() as connection:
        connection.execute(results.update().values(rubric=older))
    app = as_instructor(records, _results).run()
    for _ in range(2):
        app.button("work_out").click().run()
        assert not app.exception
    assert today == records.terms.of_class(group.id).cells[mia.id, task.id].reasons
    (deed,) = records.journal.of_class(group.id)
    assert ("the rules were applied again: evidence 100 % to 0 %", "Mia") == (deed.words, deed.student)


def test_the_instructor_changes_what_was_given(records: Records) -> None:
    """Later, an exam instead of practice, points, and taken back with the box checked."""
    group = records.classes.open("Tuesday")
    first, second = (records.assignments.give(group.id, STORED, practice=True).id for _ in range(2))
    app = as_instructor(records, _change).run()
    app.button("move_down").click().run()
    app.button("change_kind").click().run()
    app.number_input(f"points_{first}").set_value(12.0)
    app.button(f"FormSubmitter:deadline_{first}-Keep deadline and points").click().run()
    known = records.assignments.of_class(group.id)
    assert [(second, True, 100.0), (first, False, 12.0)] == [
        (one.id, one.practice, one.points) for one in known
    ]
    app.checkbox(f"withdraw_sure_{first}").check().run()
    app.button("withdraw").click().run()
    assert [second] == [one.id for one in records.assignments.of_class(group.id)]
    assert not app.exception


def test_the_matrix_escapes_names_and_keeps_an_exam_to_itself(records: Records) -> None:
    """The page may be on the projector: no markup from a name, no figure of an exam before its release."""
    group = records.classes.open("Tuesday")
    student, _ = records.students.join(group.join_code, NASTY)
    exam = records.assignments.give(group.id, STORED)
    records.attempts.begin(exam, student.id).hand_in(["pull F5"])
    shut = matrix(records.terms.of_class(group.id))
    assert "not released" in shut
    assert NASTY not in shut
    assert ">17<" not in shut
    records.exams.release(exam.id)
    term = records.terms.of_class(group.id)
    (cell,) = term.cells.values()
    assert f">{100 * cell.worth:.0f}<" in matrix(term)
    assert "0 of 1" in topics(term)


def test_a_store_is_connected_on_the_page_and_its_secret_shown_nowhere(records: Records) -> None:
    """Address, name and secret connect a store; the page tells how far the sending is, never the secret."""
    records.classes.open("Tuesday")
    with learning_record_store() as lrs:
        app = as_instructor(records, _results).run()
        app.segmented_control("results_part").set_value("Platform").run()
        for key, text in (
            ("store_endpoint", lrs.address), ("store_home", "https://school.example"),
            ("store_name", USERNAME), ("store_secret", SECRET),
        ):  # fmt: skip
            app.text_input(key).set_value(text)
        app.button("FormSubmitter:store-Connect").click().run()
        classroom.courier().stop()
    assert not app.exception
    assert records.outbox.state() is not None
    assert "0 waiting" in app.markdown[1].value.replace("*", "").replace("\\", "")
    assert "" == app.text_input("store_secret").value
    assert SECRET not in str(app.main)
