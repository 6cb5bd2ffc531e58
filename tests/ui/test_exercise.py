"""A student's pages without a browser: joining, the desk, the exercise, what stays hidden, what is kept."""

from dataclasses import replace
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_exercises
from sim.paths import data_path
from sim.training.answers import wrongs_at
from sim.training.attempt import HINT_MINUTES, Attempt
from sim.training.exercise import find_exercise
from sim.training.jobs import HANDS_ON, REPAIRS
from sim.training.records import Records
from sim.training.rows import AssignmentRow, StudentRow
from sim.training.schema import attempts
from sim.training.store import writing
from tests.ui.drawn import has_drawn, sent
from ui.drawing.class_sheets import step_cards
from ui.panels.work import KINDS
from ui.state import at_work, classroom
from ui.state.visible import visible_to_student

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
PANELS = ("Order", "Seat", "Part", "Work", "Tester", "Measure", "Log", "Hand in")


def _app() -> None:
    import streamlit as st

    from ui.registry import pages_of
    from ui.state import at_work
    from ui.state.classroom import role
    from ui.state.session import open_session

    at_work.take_up()
    pages = {page.path: page for page in pages_of(role())}
    st.session_state.registry = list(pages)
    open_session()
    pages[st.session_state.get("path") if st.session_state.get("path") in pages else next(iter(pages))].show()


@pytest.fixture
def records(records_url: str) -> Records:
    return classroom.records()


@pytest.fixture
def given(records: Records) -> tuple[StudentRow, str, AssignmentRow]:
    """A student of a class, the key, and an exercise on the desk."""
    group = records.classes.open("Tuesday")
    student, key = records.students.join(group.join_code, "Amara")
    return student, key, records.assignments.give(group.id, STORED, practice=True)


def opened(key: str = "", exercise: int | None = None, path: str = "") -> AppTest:
    app = AppTest.from_function(_app, default_timeout=60)
    if key:
        app.query_params["student"] = key
    if exercise is not None:
        app.query_params["exercise"] = str(exercise)
    if path:
        app.session_state["path"] = path
    return drawn(app.run())


def drawn(app: AppTest) -> AppTest:
    assert [] == [error.message for error in app.exception]
    return app


def press(app: AppTest, key: str) -> AppTest:
    return drawn(app.button(key=key).click().run())


def in_panel(app: AppTest, panel: str) -> AppTest:
    app.session_state["panel"] = panel
    return drawn(app.run())


def say(app: AppTest, *sentences: str) -> AppTest:
    in_panel(app, "Work")
    for sentence in sentences:
        app.text_input(key="sentence").input(sentence)
        drawn(app.button[[one.label for one in app.button].index("Do it")].click().run())
    return app


def chosen(app: AppTest, part: str = "", wrong: str = "") -> AppTest:
    """Choose a part, and what is wrong with it: one of the common answers, or of those behind "more"."""
    if part:
        app = drawn(app.selectbox(key="answer_part").select(part).run())
    if wrong and wrong not in app.button_group(key="answer_wrong").options:
        app = press(app, "answer_more_of")
    return drawn(app.button_group(key="answer_wrong").set_value(wrong).run()) if wrong else app


def named(app: AppTest, part: str, wrong: str, other: str | None = None) -> AppTest:
    """Build a cause with the lists of the panel, and add it."""
    app = chosen(app, part, wrong)
    if other:
        app = drawn(app.selectbox(key="answer_other").select(other).run())
    return press(app, "add_cause")


def evidence(app: AppTest) -> Any:
    """The field in which a student says how he knows."""
    return next(one for one in app.text_area if one.label == "How do you know?")


def log(app: AppTest) -> list[str]:
    return list(app.session_state["work"].work.attempt.log)


# -- joining and the desk ------------------------------------------------------------------------------------


def test_a_student_joins_by_code_and_name_and_finds_an_empty_desk(records: Records) -> None:
    """The class code and a name open a desk without exercises."""
    group = records.classes.open("Tuesday")
    app = opened(path="join")
    app.text_input(key="join_code").input(group.join_code.lower())
    app.text_input(key="join_name").input("Bo")
    drawn(app.button[[one.label for one in app.button].index("Join")].click().run())
    assert ["Bo"] == [one.name for one in records.students.of_class(group.id)]
    assert "Bo's jobs" == app.title[0].value.replace("\\", "")
    assert any("You have no jobs yet" in one.value for one in app.info)
    key = app.query_params["student"]
    assert records.students.with_key(key[0] if isinstance(key, list) else key).name == "Bo"


def test_a_wrong_code_is_told_in_one_sentence(records: Records) -> None:
    """A code of no class is refused, and the page stays."""
    app = opened(path="join")
    app.text_input(key="join_code").input("NOSUCH")
    app.text_input(key="join_name").input("Bo")
    drawn(app.button[[one.label for one in app.button].index("Join")].click().run())
    assert ["no open class has this code; ask the instructor for it"] == [one.value for one in app.error]


def test_somebody_alone_gets_a_desk_and_begins_an_exercise_in_practice(records: Records) -> None:
    """Without a class one gets a desk of one's own, and exercises in practice."""
    app = press(opened(path="join"), "alone")
    assert "My jobs" == app.title[0].value
    offered = [str(one.key).removeprefix("take ") for one in app.button if str(one.key).startswith("take ")]
    first, later = (next(one for one in offered if one.startswith(number)) for number in ("63", "05"))
    assert offered.index(first) < offered.index(later), "level I comes before level II, whatever its number"
    app = press(app, "take 02-left-in-storage")
    held = app.session_state["work"]
    assert held.work.attempt.practice
    assert "Left in storage" == held.assignment.exercise
    assert [held.assignment.id] == [task.assignment.id for task in records.assignments.desk(held.student.id)]


def test_a_key_that_nobody_has_is_a_visitor() -> None:
    """An invented key in the address opens nothing."""
    app = opened("no-such-key")
    assert "welcome" == app.session_state["registry"][0]


def test_an_exercise_of_another_class_is_not_on_the_desk(
    records: Records, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """An address with another class's exercise leads back to the desk with one sentence."""
    _, stranger = records.practice_alone()
    app = opened(stranger, given[2].id)
    assert ["this exercise is not among your jobs"] == [one.value for one in app.error]
    assert "work" not in app.session_state


def test_a_desk_tells_how_far_each_exercise_is(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """The desk says of each exercise whether it is begun, handed in or untouched."""
    _, key, task = given
    app = opened(key)
    assert any("not begun" in one.value for one in app.caption)
    app = press(app, f"open {task.id}")
    app = say(app, "press start")
    app = opened(key)
    assert any("begun · 2 steps" in one.value for one in app.caption)


# -- the exercise --------------------------------------------------------------------------------------------


def test_the_strip_tells_cost_and_next_step_and_the_panel_outlives_a_reload(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """What was done is told with its minutes, the next step with its price, also after a reload."""
    _, key, task = given
    app = press(opened(key, task.id), "next_step")
    app = press(app, "next_step")
    assert "Open TCM" == app.button(key="next_step").label
    app = press(app, "next_step")
    assert "next_step" not in {one.key for one in app.button}, "it is open already"
    app = opened(key, task.id)
    assert "Part" == app.session_state["panel"]
    assert any("Scan all modules · 3.0 min" in one.value.replace("\\", "") for one in app.caption)
    app = press(say(app, "look F2"), "next_step")
    assert any("Fit F2 · 1.0 min, parts 1" in one.value.replace("\\", "") for one in app.caption)


def test_at_work_there_is_no_page_that_would_tell(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """During an exercise only pages without the hidden faults are in the registry."""
    _, key, task = given
    assert ["exercise", "desk", "diagrams", "handbook"] == opened(key, task.id).session_state["registry"]
    assert not {"exercise", "classes", "board"} & set(opened(key).session_state["registry"])


def test_before_anything_is_found_all_cars_behind_a_work_order_look_the_same(records: Records) -> None:
    """Neighbors have different faults: whatever differs on their pages would tell."""
    group = records.classes.open("Thursday")
    task = records.assignments.give(group.id, STORED, varied=True, practice=True)
    visible = []
    for fault, name in enumerate(("Ida", "Jon", "Kit")):
        student, key = records.students.join(group.join_code, name)
        begun = records.attempts.begin(task, student.id).id
        with writing(records.engine) as connection:
            connection.execute(attempts.update().where(attempts.c.id == begun).values(variant=fault))
        app = opened(key, task.id)
        pages = {panel: sorted(sent(in_panel(app, panel))) for panel in PANELS}
        app.session_state["path"] = "diagrams"
        pages["diagrams"] = sorted(sent(drawn(app.run())))
        visible.append((app.session_state["work"].work.attempt.exercise.arrives, pages))
    assert 3 == len({arrives for arrives, _ in visible})
    assert visible[0][1] == visible[1][1] == visible[2][1]


def test_every_kind_of_repair_is_offered_alike_and_nothing_that_breaks(records: Records) -> None:
    """The pair is swapped in one car and half open in the other; both owners may repair what they like."""
    group = records.classes.open("Wednesday")
    file = shipped_exercises()["46-after-the-mice"].read_text(encoding="utf-8")
    task = records.assignments.give(group.id, file, varied=True)
    kinds = [name for name in KINDS if name != "high voltage"]  # a tool that this job has not
    offered = []
    for name in ("Bo", "Cy"):
        app = in_panel(opened(records.students.join(group.join_code, name)[1], task.id), "Work")
        assert kinds == app.selectbox(key="work_kind").options
        pages = {}
        for kind in kinds:
            drawn(app.selectbox(key="work_kind").select(kind).run())
            pages[kind] = sorted(sent(app))
            jobs = {one.key.split()[1] for one in app.button if str(one.key).startswith("work ")}
            assert jobs <= {*REPAIRS, *HANDS_ON, "disconnect"}
        offered.append(pages)
    assert offered[0] == offered[1]


@pytest.mark.parametrize("name", ["10", "22", "24"])
def test_what_is_seen_of_a_broken_car_is_what_is_seen_of_a_whole_one_but_for_its_seat(name: str) -> None:
    """A short, another design, a connector that is off."""
    broken, whole = (
        visible_to_student(Attempt.begin(exercise))
        for exercise in (find_exercise(name), find_exercise(name).broken_by([]))
    )
    assert replace(whole, seat=broken.seat) == broken


def test_what_was_looked_at_is_seen_and_the_rest_is_not(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """A part shows its state only after it was inspected or handled."""
    _, key, task = given
    app = say(opened(key, task.id), "press start", "wait 5 s", "scan")
    visible = app.session_state["work"].visible()
    assert ("unanswered", "no answer", None) == (
        visible.modules["TCM"].shape, visible.modules["TCM"].word, visible.modules["TCM"].supply_v
    )  # fmt: skip
    assert ((), frozenset(), ()) == (visible.changes, visible.out, visible.codes)
    app = say(app, "look F2")
    assert frozenset({"F2"}) == app.session_state["work"].visible().out


def test_every_action_is_kept_and_a_refresh_brings_it_back(
    records: Records, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """A new session under the same address has every step that was done."""
    _, key, task = given
    app = say(opened(key, task.id), "press start", "look F2")
    before = app.session_state["work"].work
    again = opened(key, task.id)
    assert log(app) == log(again) == records.attempts.resume(before.id).attempt.log
    assert before.attempt.minutes == again.session_state["work"].work.attempt.minutes


def test_an_action_in_two_windows_is_told_and_taken_in(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """A step done in another window is refused here once, then taken in."""
    _, key, task = given
    one, other = opened(key, task.id), opened(key, task.id)
    say(one, "press start")
    say(other, "scan")
    assert ["this exercise was continued in another window; here is how it is now"] == [
        error.value for error in other.error
    ]
    assert ["press start", "wait 10 s"] == log(other)
    assert ["press start", "wait 10 s", "scan"] == log(say(other, "scan"))


def test_damage_is_refused_and_a_vain_repair_is_told(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """An edit that would do harm is refused; a repair of a sound part says it was in vain."""
    _, key, task = given
    app = say(opened(key, task.id), "blow F1")
    assert ["'blow' would damage the customer's car"] == [one.value for one in app.error]
    app = say(app, "repair TCM.C1.1")
    assert "in vain, TCM.C1.1 has nothing to repair" in app.session_state["work"].said


def test_practice_can_be_rewound_and_hints_and_notes_stay(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """A rewind takes steps back, never the hints taken or the notes written."""
    _, key, task = given
    app = say(opened(key, task.id), "press start", "scan")
    app = press(in_panel(app, "Order"), "take_hint")
    at_work.hint(app.session_state["work"], lambda share: None, 1)  # the second of two quick clicks
    app.text_area(key="note_text").input("TCM is silent")
    drawn(app.button[[one.label for one in app.button].index("Save note")].click().run())
    app = in_panel(app, "Log")
    app.selectbox(key="rewind_to").select(1)
    app = press(drawn(app.run()), "rewind")
    attempt = app.session_state["work"].work.attempt
    assert (["press start"], 1, ["TCM is silent"]) == (attempt.log, attempt.hints_taken, attempt.notes)
    app = press(app, "do_again")
    assert ["press start", "wait 10 s", "scan"] == app.session_state["work"].work.attempt.log
    assert "do_again" not in [one.key for one in app.button]


def test_a_paused_class_keeps_its_hands_off_and_a_message_is_shown(
    records: Records, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """While the class is paused no action is done, and the instructor's message is on the page."""
    student, key, task = given
    app = opened(key, task.id)
    records.notices.tell(student.class_id, "Everybody: *look* at the fuses.", student.id)
    records.notices.pause(student.class_id, True)
    classroom.signal_of.clear()
    held = app.session_state["work"]
    assert held.has_news()
    app = press(app, "wait 1")
    assert any("the class is paused" in one.value for one in app.error)
    assert [] == log(app)
    assert any("class is paused" in one.value for one in app.warning)
    assert any("look" in one.value and "\\*" in one.value for one in app.info)
    assert not [one for one in app.button if one.key == "wait 1"]
    records.notices.pause(student.class_id, False)
    classroom.signal_of.clear()
    assert ["scan"] == log(say(drawn(app.run()), "scan"))


def test_a_student_who_was_erased_is_a_visitor_again(
    records: Records, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """Once the records are erased the key opens nothing."""
    student, key, task = given
    app = opened(key, task.id)
    records.classes.delete(student.class_id)
    classroom.signal_of.clear()
    app = drawn(app.run())
    assert "welcome" == app.session_state["registry"][0]
    assert "work" not in app.session_state


def test_what_the_instructor_reveals_is_shown(
    records: Records, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """After a reveal the student's page names the hidden faults."""
    _, key, task = given
    app = opened(key, task.id)
    records.assignments.reveal(task.id)
    classroom.signal_of.clear()
    app = drawn(app.run())
    assert any("F2: missing" in one.value.replace("\\", "") for one in app.info)
    assert "no supply" == app.session_state["work"].visible().modules["TCM"].word


# -- handing in and the debrief ------------------------------------------------------------------------------


def test_handing_in_ends_in_the_debrief_and_stays_there(
    records: Records, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """The debrief follows the hand-in, and a refresh shows it again."""
    student, key, task = given
    work = records.attempts.begin(task, student.id)
    for action in work.attempt.exercise.solution:
        work.do(action)
    app = in_panel(opened(key, task.id), "Hand in")
    app = named(app, "F2", "missing")
    evidence(app).input("the holder was <b>empty</b>")
    app = press(drawn(app.run()), "hand_in")
    assert None is app.session_state["work"].work.attempt.result
    app = press(app, "hand_in_now")
    result = app.session_state["work"].work.attempt.result
    assert result.complete
    assert "Debrief: Left in storage" == app.title[0].value
    for words in ("cause named", "repaired", "proved"):
        assert has_drawn(app, f'<span class=\\"yes\\">{words}</span>')
    told = "\n".join(one.value for one in app.markdown)
    assert "Right: “F2: missing”." in told.replace("\\", "")
    assert "<b>" not in told
    assert "Debrief: Left in storage" == opened(key, task.id).title[0].value
    assert (True, 1.0) == (
        records.assignments.desk(student.id)[0].complete,
        records.assignments.desk(student.id)[0].credit,
    )


def test_one_hint_and_then_handed_in_the_whole_debrief_is_shown(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """The debrief page tells what a hint has cost, and has no error on it."""
    _, key, task = given
    app = press(in_panel(opened(key, task.id), "Order"), "take_hint")
    app = in_panel(app, "Hand in")
    app = named(app, "F2", "missing")
    app = press(drawn(app.run()), "hand_in")
    app = press(app, "hand_in_now")
    assert "Debrief: Left in storage" == app.title[0].value
    told = "\n".join(one.value for one in app.markdown).replace("\\", "")
    assert f"1 hint, {HINT_MINUTES:g} minutes of these." in told


def causes(app: AppTest) -> tuple[str, ...]:
    return tuple(app.session_state["work"].causes)


def test_what_is_no_cause_is_told_as_it_is_added_and_the_exercise_stays_open(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """Nothing chosen, half chosen, twice the same, and "no fault" beside a fault: a sentence, no grammar."""
    _, key, task = given
    app = in_panel(opened(key, task.id), "Hand in")
    assert app.button(key="hand_in").disabled
    for steps, told in (
        ((), "Choose a part first."),
        (("F2",), "Choose what is wrong with F2."),
        (
            ("ECM", "waits for another module at start-up"),
            "One thing is missing: which module does it wait for?",
        ),
    ):
        app = chosen(app, *steps)
        app = press(app, "add_cause")
        assert [told] == [one.value.replace("\\", "") for one in app.warning]
        assert () == causes(app)
    app = named(app, "F2", "missing")
    assert ("pull F2",) == causes(app)
    app = named(app, "F2", "blown")
    same = [one.value.replace("\\", "") for one in app.warning]
    assert ["This says the same as “F2: missing” on your list."] == same
    assert ("pull F2",) == causes(app)
    assert None is app.session_state["work"].work.attempt.result


def test_a_cause_is_taken_off_the_list_and_no_fault_takes_its_place(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """Each cause is a button that removes it; "no fault" is offered while there is none."""
    _, key, task = given
    app = in_panel(opened(key, task.id), "Hand in")
    app = named(app, "TCM", "waits for another module at start-up", "ECM")
    assert ("theory TCM waits for ECM",) == causes(app)
    assert "TCM: waits for ECM at start-up" in [one.label.replace("\\", "") for one in app.button]
    app = press(app, "remove theory TCM waits for ECM")
    assert () == causes(app)
    app = press(app, "no_fault")
    assert ("no fault found",) == causes(app)
    assert not app.button(key="hand_in").disabled


def test_parts_of_the_work_so_far_are_taken_along(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """The part picked on the map and those measured or handled last are one click away."""
    _, key, task = given
    app = say(opened(key, task.id), "measure volts F2.2 to G1", "unplug TCM.C1")
    app.session_state["part"] = "module ECM"
    app = in_panel(app, "Hand in")
    taken = [one.label for one in app.button if str(one.key).startswith("take ")]
    assert ["ECM", "TCM.C1", "F2.2", "G1"] == taken
    app = press(app, "take F2.2")
    assert "F2.2" == app.selectbox(key="answer_part").value


def test_what_is_chosen_and_pressed_at_once_is_what_is_named(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """A part that was changed in the moment of the press is the one on the list."""
    _, key, task = given
    app = in_panel(opened(key, task.id), "Hand in")
    app = drawn(app.selectbox(key="answer_part").select("F3").run())
    app = drawn(app.button_group(key="answer_wrong").set_value("missing").run())
    app.selectbox(key="answer_part").select("F2")
    app = press(app, "add_cause")
    assert ("pull F2",) == causes(app)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("F5", "Say what to do with F5, for example “inspect F5”."),
        ("tcm is broken", "Say what to do with TCM, for example “inspect TCM”."),
        ("hedgehog", "“hedgehog” is no work on a car. Begin with what you do"),
    ],
)
def test_typed_words_that_are_no_work_are_told_in_plain_words(
    typed: str, told: str, given: tuple[StudentRow, str, AssignmentRow]
) -> None:
    """A part's name, or any other word, in the line of the work panel: a sentence, no grammar, no step."""
    _, key, task = given
    app = say(opened(key, task.id), typed)
    assert [told in one.value.replace("\\", "") for one in app.error] == [True]
    assert [] == log(app)


def test_a_refresh_gives_the_list_of_causes_back(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """The same student and exercise in another session have the same list; a spoiled file gives none."""
    _, key, task = given
    app = in_panel(opened(key, task.id), "Hand in")
    app = named(app, "F3", "missing")
    app = named(app, "TCM", "waits for another module at start-up", "ECM")
    app = press(app, "remove pull F3")
    assert ("theory TCM waits for ECM",) == causes(opened(key, task.id))
    file = max((data_path() / "causes").glob("*.json"), key=lambda one: one.stat().st_mtime_ns)
    for spoiled in ("[1, 2]", "{", '["fit F2"]', '{"a": 1}', '["theory x waits for y"]'):
        file.write_text(spoiled, encoding="utf-8")
        assert () == causes(opened(key, task.id))


def test_how_the_student_knows_outlives_a_refresh(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """What was typed as evidence is there in another session, and once handed in no file has it any more."""
    _, key, task = given
    app = in_panel(opened(key, task.id), "Hand in")
    evidence(app).input("0 V at F2.2").run()
    app = in_panel(opened(key, task.id), "Hand in")
    assert "0 V at F2.2" == evidence(app).value
    app = press(press(named(app, "F2", "missing"), "hand_in"), "hand_in_now")
    assert "0 V at F2.2" == app.session_state["work"].work.attempt.result.evidence
    assert {""} == {file.read_text(encoding="utf-8") for file in (data_path() / "evidence").glob("*.json")}


def test_a_student_who_is_erased_leaves_no_draft(given: tuple[StudentRow, str, AssignmentRow]) -> None:
    """Causes and evidence that were not handed in go with the student, and another's stay."""
    student, key, task = given
    _, other = classroom.records().students.join(_code_of(student), "Bo")
    for one in (key, other):
        app = named(in_panel(opened(one, task.id), "Hand in"), "F3", "missing")
        evidence(app).input("F3 is out").run()
    at_work.forget_drafts([student])
    assert ("", ()) == (
        evidence(in_panel(opened(key, task.id), "Hand in")).value,
        causes(opened(key, task.id)),
    )
    assert "F3 is out" == evidence(in_panel(opened(other, task.id), "Hand in")).value


def _code_of(student: StudentRow) -> str:
    return classroom.records().classes.get(student.class_id).join_code


def test_what_is_often_wrong_with_a_module_reads_in_one_look(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """At most seven answers are offered at first for any part, and all of them after one click."""
    _, key, task = given
    app = chosen(in_panel(opened(key, task.id), "Hand in"), "ECM")
    few = list(app.button_group(key="answer_wrong").options)
    assert 7 >= len(few)
    assert "connector unplugged" == few[0]
    app = press(app, "answer_more_of")
    every = list(app.button_group(key="answer_wrong").options)
    assert few == every[: len(few)]
    assert {one.words for one in wrongs_at("ECM", app.session_state["work"].car)} == set(every)
    assert "missing" in chosen(app, "F2").button_group(key="answer_wrong").options


def test_every_button_of_work_tells_its_price_before_it_is_pressed(
    given: tuple[StudentRow, str, AssignmentRow],
) -> None:
    """Labor and parts of an inspection, a fuse and a scan are on their buttons (common practice)."""
    _, key, task = given
    app = opened(key, task.id)
    app.session_state["part"] = "module TCM"
    app = in_panel(app, "Part")
    assert "Unplug TCM.C1 · 4 min" == app.button(key="unplug TCM.C1").label
    assert "Inspect F2 · 1 min" == app.button(key="look F2").label
    app = in_panel(app, "Tester")
    assert "Scan all modules · 3 min" == app.button(key="scan").label
    app = in_panel(app, "Measure")
    app.session_state["probe_red"], app.session_state["probe_black"] = "BAT+", "BAT-"
    assert "Measure · 1 min" == app.run().button(key="measure").label
    app = in_panel(app, "Work")
    assert "TCM.C1" == app.selectbox(key="work_connector").value, "the part that is chosen comes along"
    app.selectbox(key="work_kind").select("fuse").run()
    assert "Fit a good one · 1 min, parts 1" == app.button(key="work fit {work_fuse}").label
    app.number_input(key="work_rating").set_value(20.0).run()
    assert "Fit this rating · 1 min" in app.button(key="work fit {work_fuse} {work_rating:g} A").label


def test_a_step_is_told_once() -> None:
    """What the strip tells of the last step is not told again below the map; what it does not tell is."""
    attempt = Attempt.begin(find_exercise("02-left-in-storage"))
    scanned = attempt.do("scan")
    assert "" == step_cards([scanned], attempt.bench.base).strip()
    looked, waited = attempt.do("look F2"), attempt.do("wait 1 s")
    assert "the holder is empty" in step_cards([looked, waited], attempt.bench.base)
    started = replace(waited, sight=replace(waited.sight, cranked=True))
    assert "the starter turned it" in step_cards([started], attempt.bench.base)
