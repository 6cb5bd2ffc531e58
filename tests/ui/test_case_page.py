"""A case told by hand, handed over to What if and to the bay; a pool that began in the middle of a change."""

import time
from base64 import b64encode

from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_cases
from sim.lab.case import Photo
from sim.lab.case_file import read_case
from sim.lab.workshop import OtherVersion, Progress, Stop, Workshop
from ui.state import lab_work
from ui.state.held import Held

from .test_pages import held_of, opened, press

DOT = b64encode(b"\x89PNG\r\n\x1a\n").decode()


def on_case_page(name: str) -> AppTest:
    app = AppTest.from_function(_page, default_timeout=60)
    app.session_state["held"], app.session_state["jobs"] = held_of("six-modules.yaml"), []
    app.session_state["case"] = read_case(shipped_cases()[name])
    app.run()
    return app


def _page() -> None:
    from ui.views import case

    case.show()


def test_a_case_begun_by_hand_has_no_step_until_the_first_is_told() -> None:
    """The same action twice in one step, and no step that nobody told."""
    app = opened("case")
    app.text_input(key="case_title").input("Mine").run()
    press(app, "case_begin")
    assert app.button(key="case_run").disabled
    app.text_area(key="step_do").set_value("scan\nwait 2 s\nscan").run()
    app.multiselect(key="step_seen").set_value(["engine stopped"]).run()
    press(app, "step_add")
    assert [("scan", "wait 2 s", "scan")] == [step.do for step in app.session_state["case"].steps]
    assert not app.button(key="case_run").disabled
    assert "" == app.text_area(key="step_do").value
    press(app, "case_drop")
    assert app.button(key="case_run").disabled


def test_a_case_without_a_name_is_not_begun() -> None:
    """Begin asks for a name first and leaves the page as it was."""
    app = press(opened("case"), "case_begin")
    assert ["give the case a name"] == [one.value for one in app.error]
    assert None is app.session_state["case"]


def test_a_step_that_was_taken_away_comes_back_and_a_refresh_loses_nothing() -> None:
    """Undo restores the step that was dropped, and a new session under the same key has it, too."""
    app = opened("case")
    app.selectbox(key="case_shipped").select("beehive-ground").run()
    press(app, "case_open")
    steps = app.session_state["case"].steps
    press(app, "case_drop")
    assert steps[:-1] == app.session_state["case"].steps
    assert steps[:-1] == opened("case", app.session_state["held"]).session_state["case"].steps
    press(app, "case_work_undo")
    assert steps == app.session_state["case"].steps
    press(app, "case_work_undo")
    assert steps[:-1] == app.session_state["case"].steps


def test_a_wrong_action_is_told_and_what_was_typed_stays() -> None:
    """A step with an unknown action is refused in one sentence; the fields keep their text."""
    app = on_case_page("beehive-ground")
    before = app.session_state["case"].steps
    app.text_area(key="step_do").set_value("unplug BCMM").run()
    press(app, "step_add")
    assert before == app.session_state["case"].steps
    assert "unplug BCMM" == app.text_area(key="step_do").value
    assert ["did you mean 'BCM'?"] == [one.value.rpartition("; ")[2] for one in app.error]


def test_every_edit_of_a_case_goes_to_what_if_and_a_repair_is_told_as_leaving_out() -> None:
    """Faults become suppositions; a repair of one of them is named as its absence."""
    app = on_case_page("ferry-night")
    app.button(key="case_what_if").click().run()  # and What if would open, of which this test has none
    _, suppositions = app.session_state["suppositions"]
    assert {"unplug GATEWAY.C1; bypass GATEWAY diag to powertrain", "pull F3", "unplug TCM.C1"} <= set(
        suppositions
    )
    assert ["plug TCM.C1", "fit F3"] == app.session_state["suppose_repairs"][1]


def test_a_story_stands_in_the_bay_with_its_repairs() -> None:
    """The car of a story comes into the bay with the edits of that story."""
    app = on_case_page("ferry-night")
    app.button(key="story_bay gearbox fuse, not its plug").click().run()  # and the bay would open
    held: Held = app.session_state["held"]
    assert "" == held.problem
    assert ("plug TCM", "pull F2") == held.bench.given[-2:]
    assert "TCM.C1" not in held.bench.car.harness.unplugged
    assert {"F2", "F3"} <= held.bench.car.harness.pulled


def test_processes_of_another_version_are_replaced_once() -> None:
    """Workers that run older code are closed, and the work is done again by new ones."""
    tries: list[int] = []

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> str:
        tries.append(1)
        if len(tries) == 1:
            raise OtherVersion
        return "done"

    work = lab_work.LabWork(task)
    while work.going_on:
        time.sleep(0.01)
    assert ("done", "") == (work.found, work.problem)


def test_a_program_that_was_changed_on_disk_is_told_in_one_sentence() -> None:
    """When new workers differ as well, the page says to start the program again."""

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> str:
        raise OtherVersion

    work = lab_work.LabWork(task)
    while work.going_on:
        time.sleep(0.01)
    assert "the program was changed while it ran: start it again to run what it is now" == work.problem


def test_a_step_in_the_middle_is_inserted_changed_moved_and_removed() -> None:
    """What is picked is what the buttons are about; what no sentence tells is kept; undo brings it back."""
    app = on_case_page("ferry-night")
    steps = app.session_state["case"].steps
    app.selectbox(key="case_step").select(2).run()
    press(app, "case_insert")
    app.text_area(key="step_do").set_value("wait 5 s").run()
    app.text_input(key="step_note").set_value("smells of <b>heater</b>").run()
    press(app, "step_add")
    told = app.session_state["case"].steps
    assert (steps[0], *steps[1:]) == (told[0], *told[2:])
    assert (("wait 5 s",), "smells of <b>heater</b>") == (told[1].do, told[1].note)
    app.selectbox(key="case_step").select(3).run()
    press(app, "case_edit")
    assert "\n".join(steps[1].do) == app.text_area(key="step_do").value
    press(app, "step_add")
    assert told == app.session_state["case"].steps
    app.selectbox(key="case_step").select(2).run()
    press(app, "case_up")
    assert told[1] == app.session_state["case"].steps[0]
    press(app, "case_drop")
    assert steps == app.session_state["case"].steps
    press(app, "case_work_undo")
    assert told[1] == app.session_state["case"].steps[0]


def test_a_step_is_gone_with_the_button_that_took_it_out() -> None:
    """The second press of a double click meets no button, and takes, adds or complains about nothing."""
    app = on_case_page("ferry-night")
    before = {one.key for one in app.button}
    press(app, "case_drop")
    assert set() == {one.key for one in app.button if (one.key or "").startswith("case_drop")} & before
    app.text_area(key="step_do").set_value("wait 5 s").run()
    before = {one.key for one in app.button}
    press(app, "step_add")
    assert set() == {one.key for one in app.button if (one.key or "").startswith("step_add")} & before


def test_the_same_case_opened_twice_leaves_the_way_back_to_the_one_before() -> None:
    """A double click on Open it can still be undone."""
    app = on_case_page("ferry-night")
    app.selectbox(key="case_shipped").select("beehive-ground").run()
    press(press(app, "case_open"), "case_open")
    press(app, "case_work_undo")
    assert read_case(shipped_cases()["ferry-night"]) == app.session_state["case"]


def test_what_is_wrong_is_told_where_the_button_is() -> None:
    """A story without a name is told beside the story's fields, and no longer after another try elsewhere."""
    app = press(on_case_page("ferry-night"), "story_add")
    assert ("story", ["a story needs a name"]) == (
        app.session_state["case_problem_at"],
        [one.value for one in app.error],
    )
    app.text_area(key="step_do").set_value("wait 5 s").run()
    assert not press(app, "step_add").error


def test_a_photo_is_taken_out_of_its_step() -> None:
    """Of two photos the one that is taken away goes, and the step keeps all else."""
    app = on_case_page("ferry-night")
    case = app.session_state["case"]
    photos = tuple(Photo(name=f"{color}.png", data=DOT) for color in ("red", "green"))
    step = case.steps[0].model_copy(update={"photos": photos})
    app.session_state["case"] = case.model_copy(update={"steps": (step, *case.steps[1:])})
    app.selectbox(key="case_step").select(1).run()
    press(app, "case_edit")
    left = next(one for one in app.multiselect if (one.key or "").startswith("step_photos_left"))
    left.unselect(left.value[0]).run()
    press(app, "step_add")
    assert step.model_copy(update={"photos": photos[1:]}) == app.session_state["case"].steps[0]


def test_date_and_odometer_are_kept_with_the_case() -> None:
    """They go into the case file, and so onto the shop report."""
    app = on_case_page("beehive-ground")
    app.text_input(key="case_odometer").set_value("148,300 km").run()
    assert "148,300 km" == app.session_state["case"].odometer
