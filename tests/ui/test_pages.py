"""Pages without a browser: each draws itself; what a button asks for is done, told, kept and taken back."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from sim.bench.bench import Bench
from sim.bench.explain import Because
from sim.lab.run import Trial, run_trial
from sim.lab.suppositions import combinations, rows
from sim.vehicle.harness_state import HarnessState, Intermittent
from sim.vehicle.problems import EditProblem, Unsettled
from sim.vehicle.reading import car_from_text
from tests.ui.drawn import has_drawn, keys
from ui.drawing.tables import because_tree
from ui.panels.work import HIGH_VOLTAGE, KINDS
from ui.registry import pages_of
from ui.state import bench_jobs, work
from ui.state.first_visit import FIRST_JOBS, steps
from ui.state.held import Held, Shelf
from ui.state.session import shipped_cars
from ui.state.work import WorkProgress


def page_alone(path: str) -> None:
    from ui.registry import PAGES
    from ui.state.session import open_session

    open_session()
    next(page for page in PAGES if page.path == path).show()


def opened(path: str, held: Held | None = None, panel: str | None = None, **state: Any) -> AppTest:
    """A page, drawn once, on a bench of its own; `state`: what is chosen on it, by key."""
    app = AppTest.from_function(page_alone, args=(path,), default_timeout=60)
    if held is not None:
        app.session_state["held"] = held
        app.session_state["jobs"] = []
    for key, value in (state if panel is None else {**state, "panel": panel}).items():
        app.session_state[key] = value
    app.run()
    assert [] == [error.message for error in app.exception]
    return app


def held_of(car_name: str, given: tuple[str, ...] = ()) -> Held:
    text = shipped_cars()[car_name]
    return Held("key", car_name, text, Bench(car_from_text(text, car_name), given))


def press(app: AppTest, key: str) -> AppTest:
    """Press the button of this key; of those that are for one press only the key goes on with a number."""
    one = re.compile(rf"{re.escape(key)}( \d+)?")
    next(found for found in app.button if one.fullmatch(found.key or "")).click().run()
    assert [] == [error.message for error in app.exception]
    return app


def log(app: AppTest) -> list[str]:
    return list(app.session_state["held"].bench.log)


@pytest.mark.parametrize("car_name", shipped_cars())
@pytest.mark.parametrize("path", [page.path for page in pages_of("visitor")])
def test_every_page_draws_itself_for_every_shipped_car(path: str, car_name: str) -> None:
    """Each page has one title, or the drawing of the car; a page about the car in the bay names it."""
    held = held_of(car_name)
    app = opened(path, held)
    assert has_drawn(app, "<svg") if path in ("bay", "diagrams") else 1 == len(app.title)
    if path in ("bay", "diagrams", "what-if", "pairs", "car"):
        assert any(held.car.title in one.value for one in (*app.title, *app.markdown))


CONTROLS = {
    "Seat": "fob away",
    "Part": "part",
    "Work": "work_kind",
    "Tester": "scan",
    "Why": "why_kind",
    "Log": "rewind",
}


@pytest.mark.parametrize("panel", CONTROLS)
@pytest.mark.parametrize("car_name", shipped_cars())
def test_every_panel_of_the_bay_draws_itself(panel: str, car_name: str) -> None:
    """Each panel shows its own controls on a car to which something was done."""
    held = held_of(car_name)
    held.bench.do("wait 1 s")
    assert CONTROLS[panel] in keys(opened("bay", held, panel))


@pytest.mark.parametrize(
    "view", ["fuses", "grounds", "connectors", "buses", "messages", "routes", "monitors", "file"]
)
def test_every_view_of_the_car_page_draws_itself(view: str) -> None:
    """Each view of the page Car shows a table of the car, or its file."""
    app = AppTest.from_function(page_alone, args=("car",), default_timeout=60)
    app.session_state["car_view"] = view
    app.run()
    assert [] == [error.message for error in app.exception]
    assert app.code if view == "file" else has_drawn(app, "<table")


@pytest.mark.parametrize("kind", ["code", "silent", "mode", "lamp", "engine"])
def test_every_question_has_an_answer_on_a_broken_car(kind: str) -> None:
    """Each kind of question under Why gets a tree of reasons that can be opened."""
    held = held_of("shuttle-minibus.yaml", ("unplug TRAILER.C1", "pull F11"))
    held.bench.do_all(["press start with brake", "wait 8 s"])
    app = AppTest.from_function(page_alone, args=("bay",), default_timeout=60)
    app.session_state["held"] = held
    app.session_state["jobs"] = []
    app.session_state["panel"] = "Why"
    app.session_state["why_kind"] = kind
    app.session_state["why_silent"] = "TRAILER"
    app.run()
    assert [] == [error.message for error in app.exception]
    assert has_drawn(app, "<details")


def test_a_button_of_the_seat_does_its_action_and_lets_the_chosen_time_pass() -> None:
    """A control does its action, and the pause that was chosen follows it in the log."""
    app = press(opened("bay", held_of("six-modules.yaml"), "Seat"), "press")
    assert ["press start", "wait 10 s"] == log(app)


def test_a_typed_sentence_is_done_and_a_wrong_one_is_told_in_one_sentence_with_nothing_changed() -> None:
    """The line for free text does what it says, or refuses and changes nothing."""
    app = opened("bay", held_of("six-modules.yaml"), "Work")
    app.text_input(key="sentence").input("unplug ECN")
    app.button[[one.label for one in app.button].index("Do it")].click().run()
    assert ["no connector 'ECN' in this car; did you mean 'ECM'?"] == [error.value for error in app.error]
    assert [] == log(app)
    app.text_input(key="sentence").input("unplug ECM")
    app.button[[one.label for one in app.button].index("Do it")].click().run()
    assert [] == [error.value for error in app.error]
    assert "unplug ECM.C1" == log(app)[0]


@pytest.mark.parametrize("car_name", shipped_cars())
def test_every_kind_of_work_can_be_chosen(car_name: str) -> None:
    """Each kind of work offers at least one button that does it; high voltage where the car has it."""
    held = held_of(car_name)
    app = opened("bay", held, "Work")
    offered_kinds = app.selectbox(key="work_kind").options
    assert [one for one in KINDS if one != HIGH_VOLTAGE or held.car.claimed.high_voltage] == offered_kinds
    for kind in offered_kinds:
        app.selectbox(key="work_kind").select(kind).run()
        assert [] == [error.message for error in app.exception], kind
        offered = [one for one in keys(app) if one.startswith("work ")]
        assert offered or any("This car has no" in one.value for one in app.caption), kind


def test_a_module_is_spoiled_inside_and_a_right_one_fitted() -> None:
    """A stuck transmit input is set by its button and gone with a new module."""
    app = opened("bay", held_of("teaching-car.yaml"), "Work")
    app.selectbox(key="work_kind").select("module itself").run()
    app.selectbox(key="work_module").select("TCM").run()
    press(app, "work stick {work_module}.{work_channel}")
    assert frozenset({"TCM.powertrain"}) == app.session_state["held"].bench.car.harness.stuck
    press(app, "work replace {work_module}")
    assert frozenset() == app.session_state["held"].bench.car.harness.stuck


def test_a_resistor_goes_in_and_out_and_a_pin_opens_now_and_then_until_it_is_mended() -> None:
    """Each button has its repair, which leaves the harness whole."""
    app = opened("bay", held_of("teaching-car.yaml"), "Work")
    app.selectbox(key="work_kind").select("resistor across a pair").run()
    app.selectbox(key="work_resistor").select("DLC.6 to DLC.14").run()
    press(app, "work terminate {work_resistor} {work_pair_ohm:g} ohm")
    assert ["terminate DLC.6 to DLC.14"] == list(app.session_state["held"].bench.car.harness.leads)
    press(app, "work unterminate {work_resistor}")
    app.selectbox(key="work_kind").select("pin, wire or terminator").run()
    app.selectbox(key="work_joint").select("TCM.C1.1").run()
    press(app, "work interrupt {work_joint} every {work_between:g} s for {work_open:g} s")
    assert {"TCM.C1.1": Intermittent(20.0, 0.3)} == app.session_state["held"].bench.car.harness.intermittent
    press(app, "work repair {work_joint}")
    assert HarnessState() == app.session_state["held"].bench.car.harness


def test_an_undo_puts_the_car_right() -> None:
    """The button beside a change does the sentence that takes it back."""
    held = held_of("six-modules.yaml", ("pull F5",))
    app = press(opened("bay", held, "Work"), "undo F5 is missing")
    assert "fit F5" == log(app)[0]
    assert frozenset() == app.session_state["held"].bench.car.harness.pulled


def test_a_rewind_keeps_the_longer_log_and_it_can_be_taken_up_again() -> None:
    """The log that was cut is offered, and taking it up swaps the two."""
    held = held_of("six-modules.yaml")
    held.bench.do_all(["press start", "wait 2 s", "unplug ECM"])
    longer = list(held.bench.log)
    app = press(opened("bay", held, "Log"), "rewind")
    assert longer[:2] == log(app)
    app = press(app, "take up 0")
    assert longer == log(app)
    assert 1 == len(app.session_state["held"].left_behind)


def test_a_downloaded_log_brings_back_car_and_bench_with_the_same_trace() -> None:
    """The file of a bench restores it line by line."""
    held = held_of("six-modules.yaml", ("pull F5",))
    held.bench.do_all(["press start", "wait 3 s", "scan"])
    name, car_text, saved = bench_jobs.opened_log(bench_jobs.log_to_download(held))
    again = Bench.restored(car_from_text(car_text, name), saved)
    assert list(held.bench.trace.lines()) == list(again.trace.lines())


@pytest.mark.parametrize("text", ["", "{}", "[]", "not json", '{"car_name": 1, "car": 2, "bench": 3}'])
def test_a_file_that_is_no_log_is_refused_in_one_sentence(text: str) -> None:
    """Whatever the file holds, the refusal is the same sentence."""
    with pytest.raises(EditProblem, match=r"^this file is not a busbay log$"):
        bench_jobs.opened_log(text)


def test_two_reports_are_kept_and_compared() -> None:
    """A saved report is offered for comparison with the last scan."""
    app = opened("bay", held_of("six-modules.yaml"), "Tester")
    app = press(app, "scan")
    app.text_input(key="report_name").input("whole")
    app.button[[one.label for one in app.button].index("Save")].click().run()
    assert [] == [error.message for error in app.exception]
    assert ["scan", "save whole"] == log(app)
    assert "whole" in app.selectbox(key="compare_from").options


# -- work and its keeping ----------------------------------------------------------------------------------


class ClickedAway(BaseException):
    """What Streamlit raises when the next click wants its turn."""


class Place:
    """Stands for the place of a progress bar, where the next click shows itself."""

    def container(self, **options: object) -> None:
        raise ClickedAway

    def empty(self) -> None:
        raise AssertionError("nothing was shown")


def test_the_next_click_waits_until_the_work_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """A click during the work is raised only after all actions are in the log."""
    monkeypatch.setattr("ui.state.work.SHOW_PROGRESS_AFTER_S", 0.0)
    progress = WorkProgress(Place())  # type: ignore[arg-type]
    held = held_of("six-modules.yaml")
    work.do_all(held, progress.report, ("wait 20 s", "unplug ECM"), 0)
    assert ["wait 20 s", "unplug ECM.C1"] == held.bench.log
    with pytest.raises(ClickedAway):
        progress.end()


def _working(held: Held, job: Callable[[Held, Any], None], monkeypatch: pytest.MonkeyPatch) -> None:
    state = type("State", (dict,), {"__getattr__": dict.__getitem__})(jobs=[job])
    monkeypatch.setattr("streamlit.session_state", state)
    monkeypatch.setattr("ui.state.held.shelf", Shelf)
    work.work_off(held, Place())  # type: ignore[arg-type]


def test_where_the_model_gives_up_the_car_stands_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the model is told, and the trace is that from before the work."""
    held = held_of("six-modules.yaml")
    held.bench.do_all(["press start", "wait 1 s"])
    before = list(held.bench.trace.lines())

    def job(held: Held, report: Any) -> None:
        held.bench.live.run(1.0)
        raise Unsettled("the car chatters")

    _working(held, job, monkeypatch)
    assert "the model cannot carry this out (the car chatters); the car is as before" == held.problem
    assert before == list(held.bench.trace.lines())


def test_the_shelf_gives_back_what_was_put_and_forgets_the_oldest(monkeypatch: pytest.MonkeyPatch) -> None:
    """A log comes back with the same trace; beyond the limit the oldest is gone."""
    monkeypatch.setattr("ui.state.held.MOST_ON_SHELF", 2)
    shelf = Shelf()
    held = held_of("six-modules.yaml")
    held.bench.do_all(["press start", "wait 1 s"])
    for key in ("one", "two", "three"):
        shelf.put(key, held.as_left_behind(key), [])
    assert None is shelf.take("one")
    again = shelf.take("three")
    assert again is not None
    assert list(held.bench.trace.lines()) == list(again[0].bench(print).trace.lines())


# -- first visit and comparison ----------------------------------------------------------------------------


def test_the_first_jobs_belong_to_shipped_cars_and_can_be_given() -> None:
    """The edits of each first job are valid on its car."""
    for job in FIRST_JOBS:
        assert job.given == held_of(job.car_name, job.given).bench.given


def test_the_steps_of_a_first_visit_are_ticked_by_what_was_done() -> None:
    """Each step is ticked once the log and the reports show it."""
    assert [False] * 5 == [step.done for step in steps([], False, 1, None)]
    bench = held_of("six-modules.yaml").bench
    bench.do_all(["press start", "wait 3 s", "scan"])
    done = [step.done for step in steps([*bench.log], True, 0, bench.last_report)]
    assert [True, True, True, True, False] == done
    bench.do_all(["clear", "scan"])
    assert all(step.done for step in steps([*bench.log], True, 0, bench.last_report))


def test_all_combinations_are_played_with_everything_first_and_nothing_last() -> None:
    """Combinations come in order from all varied edits to none."""
    cases = combinations(["a"], ["b", "c"])
    assert [("a", "b", "c"), ("a", "b"), ("a", "c"), ("a",)] == cases


def test_the_story_of_the_minibus_side_by_side() -> None:
    """Theory and trailer module off: silent engine module. Without the theory: only codes."""
    text = shipped_cars()["shuttle-minibus.yaml"]
    theory, trailer, coils = "theory ECM waits for TRAILER", "unplug TRAILER.C1", "pull F11"
    actions = ["press start with brake", "wait 8 s", "press start", "wait 5 s", "scan"]
    givens = [(theory, trailer, coils), (theory, coils), (theory,), (trailer,)]
    told = [dict(rows(run_trial(Trial(text, given, tuple(actions))))) for given in givens]
    expected = [
        ("ECM, TRAILER", "does not crank", "run"),
        ("none", "cranks, does not start", "off"),
        ("none", "cranks and starts", "off"),
        ("TRAILER", "cranks and starts", "off"),
    ]
    assert expected == [(one["no answer from"], one["engine"], one["ignition at the end"]) for one in told]
    assert "security" in told[0]["lamps lit at the end"]
    assert "P0351-13" in told[1]["which"]
    assert "none" == told[2]["which"]


def test_a_tree_of_reasons_ends_in_leaves() -> None:
    """Only a reason with causes can be opened, and an edit is marked."""
    text = because_tree(Because("a", 1.0, (Because("b", 0.5, (), True),)))
    assert 1 == text.count("<details")
    assert 'class="edit">b' in text


def test_what_is_supposed_is_not_done_on_the_way_as_well() -> None:
    """An edit that is supposed is left out of the actions taken from the bay."""
    held = held_of("six-modules.yaml")
    held.bench.do_all(["wait 20 s", "unplug ABS.C1", "scan"])
    app = opened("what-if", held)
    app.selectbox(key="suppose_kind").select("in words").run()
    app.text_input(key="suppose_words").input("unplug ABS.C1").run()
    app = press(app, "suppose_add")
    assert "Wait 20 s, then scan all modules." in [one.value for one in app.caption]
    assert "ABS.C1: unplugged" in [one.value for one in app.text]
    assert not app.button(key="suppose_play").disabled


def test_the_morning_in_the_bay_is_played_without_the_repairs_that_were_made() -> None:
    """What was wrong when the car came is supposed; its repair would make every combination end alike."""
    held = held_of("six-modules.yaml", ("unplug ABS.C1", "pull F2"))
    held.bench.do_all(["wait 20 s", "unplug ECM.C1", "plug ABS.C1", "fit F2", "plug ECM.C1", "scan"])
    app = opened("what-if", held)
    told = [one.value for one in app.caption]
    assert "Wait 20 s, then unplug ECM.C1, then plug ECM.C1, then scan all modules." in told
    assert any(one.endswith("are left out: Plug ABS.C1; Fit F2") for one in told)
