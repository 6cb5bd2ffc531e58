"""What students do beside the exercise, and what desk and instructor are told of an exam elsewhere."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from tests.ui.classroom_page import PATIENCE_S, as_instructor, records_of_pages

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with pytest.MonkeyPatch.context() as patch, records_of_pages(tmp_path, patch) as one:
        yield one


def desk_page() -> None:
    from ui.views import desk

    desk.show()


def join_page() -> None:
    from ui.views import join

    join.show()


def exercise_page() -> None:
    from ui.state.at_work import take_up
    from ui.views import exercise

    take_up()
    exercise.show()


def board_page() -> None:
    from ui.views import board

    board.show()


def classes_page() -> None:
    from ui.views import classes

    classes.show()


def results_page() -> None:
    from ui.views import results

    results.show()


def press(app: AppTest, label: str) -> None:
    next(one for one in app.button if one.label == label).click()
    app.run()
    assert not app.exception


def test_a_pin_chosen_at_the_desk_leads_back_to_it(records: Records) -> None:
    """With class code, name and PIN the jobs are there again, and a wrong PIN opens nothing."""
    group = records.classes.open("Tuesday")
    amara, key = records.students.join(group.join_code, "Amara")
    desk = AppTest.from_function(desk_page, default_timeout=PATIENCE_S)
    desk.session_state["student_key"] = key
    desk.run().text_input(key="new_pin").set_value("4711")
    press(desk, "Choose it")
    shared = AppTest.from_function(join_page, default_timeout=PATIENCE_S).run()
    for pin in ("4712", "4711"):
        for field, value in (("code", group.join_code), ("name", "amara"), ("pin", pin)):
            shared.text_input(key=f"pin_{field}").set_value(value)
        press(shared, "Back to my jobs")
        if pin == "4712":
            assert 1 == len(shared.error)
            assert "student_key" not in shared.session_state
    assert amara.id == records.students.with_key(shared.session_state["student_key"]).id
    assert key != shared.session_state["student_key"]


def test_two_at_one_desk_and_a_raised_hand_reach_the_board(records: Records) -> None:
    """The second is named at the desk; who has the tools did the step; the instructor lowers the hand."""
    group = records.classes.open("Tuesday")
    _, key = records.students.join(group.join_code, "Amara")
    task = records.assignments.give(group.id, STORED, practice=True)
    desk = AppTest.from_function(desk_page, default_timeout=PATIENCE_S)
    desk.session_state["student_key"] = key
    desk.run().text_input(key="partner_name").set_value("Pat")
    press(desk, "Keep it")
    work = AppTest.from_function(exercise_page, default_timeout=PATIENCE_S)
    work.session_state["student_key"] = key
    work.query_params["exercise"] = str(task.id)
    work.run()
    press(work, "Raise a hand")
    work.segmented_control(key="tools_of").set_value("Pat").run()
    work.button(key="wait 1").click().run()
    (row,) = records.board(group.id)
    assert ("Amara and Pat", ("hand up",)) == (row.student, row.signs)
    assert {"Pat": 1} == records.attempts.who_did(row.attempt_id or 0)
    board = as_instructor(records, board_page).run()
    press(board, "The hand is answered")
    assert None is records.students.with_key(key).hand_up_s
    assert None is records.board(group.id)[0].hand_up_s


def test_an_exam_elsewhere_is_told_at_the_desk_and_to_the_instructor(records: Records) -> None:
    """Shut at the desk before a click, explained on the page Classes; the board tells where it was opened."""
    evening, group = (records.classes.open(name) for name in ("Evening", "Tuesday"))
    zoe, key = records.students.join(evening.join_code, "Zoe")
    task = records.assignments.give(evening.id, STORED, practice=True)
    records.classes.admit_by_list(group.id, by_approval=True, names=["Amara", "Wei"])
    records.students.join(group.join_code, "Amara")
    records.assignments.give(group.id, STORED)
    desk = AppTest.from_function(desk_page, default_timeout=PATIENCE_S)
    desk.session_state["student_key"] = key
    desk.run()
    assert desk.button(f"open {task.id}").disabled
    assert any("is an exam now" in one.value for one in desk.caption)
    classes = as_instructor(records, classes_page)
    classes.session_state["class_id"] = evening.id
    assert any("Left in storage is an open exam of Tuesday" in one.value for one in classes.run().caption)
    records.classes.admit_by_list(evening.id, by_approval=False, names=["Zoe"])
    assert not desk.run().button(f"open {task.id}").disabled
    records.attempts.begin(task, zoe.id)
    board = as_instructor(records, board_page)
    board.session_state["class_id"] = group.id
    (warned,) = board.run().warning
    assert "Evening, 1 student." in warned.value
    results = as_instructor(records, results_page)
    results.session_state["class_id"] = group.id
    results.session_state["results_part"] = "Not begun"
    assert any("not joined yet: Wei" in one.value for one in results.run().caption)
    assert not any(page.exception for page in (desk, classes, board, results))
