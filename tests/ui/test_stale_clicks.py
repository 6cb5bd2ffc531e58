"""Somebody chooses and presses before the page is drawn again: what is done is what the screen shows.

`AppTest` sends a changed list and a click in one run, which is what a quick hand does to a slow server.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_cases, shipped_exercises
from sim.lab.case_file import read_case
from sim.lab.grid import Choice
from sim.training.passphrase import INSTRUCTOR, Instructor
from sim.training.records import Records
from sim.training.rows import AssignmentRow, ClassRow, StudentRow
from sim.vehicle.problems import EditProblem
from sim.vehicle.quick_car import TableRow
from ui.state import bench_jobs, classroom
from ui.state.car_table import CarTable

from .test_pages import held_of, log, opened, press

WIDGETS = (
    "selectbox", "multiselect", "number_input", "slider", "text_input", "text_area", "toggle", "checkbox",
    "radio", "button_group", "select_slider",
)  # fmt: skip


def choose(app: AppTest, key: str, value: Any) -> None:
    """Choose something without waiting for an answer."""
    for kind in WIDGETS:
        for one in app.get(kind):
            if one.key == key:
                one.set_value(value)
                return
    raise LookupError(f"no list or field '{key}'")


def at_once(app: AppTest, key: str, **choices: Any) -> AppTest:
    """Choose and press in one go."""
    for name, value in choices.items():
        choose(app, name, value)
    return press(app, key)


class InThisProcess:
    """A workshop of no other process."""

    def spread(
        self, work: Callable[[Any], Any], items: dict[Any, Any], stop: object
    ) -> list[tuple[Any, Any]]:
        """Do the work on each item."""
        return [(key, work(one)) for key, one in items.items()]


@dataclass(frozen=True)
class Race:
    """What stands on the page, what is chosen, what is pressed at once, and what then stands in the log."""

    panel: str
    choices: dict[str, Any]
    button: str
    does: tuple[str, ...]
    before: dict[str, Any] = field(default_factory=dict)
    car: str = "teaching-car.yaml"


def work(kind: str, button: str, does: str, **choices: Any) -> Race:
    return Race("Work", choices, f"work {button}", (does,), {"work_kind": kind})


VOLTS = {"probe_red": "ECM.C1.1", "probe_black": "G2"}
BAY = [
    work("connector", "unplug {work_connector}", "unplug TCM.C1", work_connector="TCM.C1"),
    work("fuse", "fit {work_fuse} {work_rating:g} A", "fit F3 25 A", work_fuse="F3", work_rating=25.0),
    work("relay", "pull {work_relay}", "pull K2", work_relay="K2"),
    work(
        "pin, wire or terminator", "corrode {work_joint} {work_ohm:g} ohm", "corrode TCM.C1.1 2 ohm",
        work_joint="TCM.C1.1", work_ohm=2.0,
    ),
    Race(
        "Work", {"work_joint": "TCM.C1.1", "work_open": 0.5},
        "work interrupt {work_joint} every {work_between:g} s for {work_open:g} s",
        ("interrupt TCM.C1.1 every 20 s for 500 ms",),
        {"work_kind": "pin, wire or terminator", "work_joint": "ECM.C1.1"},
    ),
    work(
        "swapped wires", "swap {work_swap_a} with {work_swap_b}", "swap GATEWAY.C1.1 with GATEWAY.C1.4",
        work_swap_b="GATEWAY.C1.4",
    ),
    work(
        "ground point", "offset {work_ground} {work_offset:g} V", "offset G2 2 V",
        work_ground="G2", work_offset=2.0,
    ),
    work(
        "short", "short {work_short_a} to {work_short_b}", "short ECM.C1.4 to BAT+ 0.05 ohm",
        work_short_a="ECM.C1.4", work_short_b="BAT+",
    ),
    work(
        "resistor across a pair", "terminate {work_resistor} {work_pair_ohm:g} ohm",
        "terminate DLC.6 to DLC.14 60 ohm", work_resistor="DLC.6 to DLC.14", work_pair_ohm=60.0,
    ),
    work("sensor itself", "replace {work_sensor}", "replace map_sensor", work_sensor="map_sensor"),
    work(
        "module itself", "set {work_module}.{work_channel} to {work_rate} kbit/s",
        "set TCM.powertrain to 250 kbit/s", work_module="TCM", work_rate=250,
    ),
    work("connector", "charge {work_charge} %", "charge 30 %", work_charge=30),
    Race("Part", {"part": "module TCM"}, "clear_part", ("clear TCM",), {"part": "module ECM"}),
    Race(
        "Part", {"buses GATEWAY": ["body", "diag"]}, "bypass",
        ("unplug GATEWAY.C1", "bypass GATEWAY body to diag"),
        {"part": "module GATEWAY", "buses GATEWAY": ["diag", "powertrain"]},
    ),
    Race("Measure", {"probe_red": "TCM.C1.1"}, "measure", ("measure volts TCM.C1.1 to G2",), VOLTS),
    Race("Measure", {"measure_kind": "ohms"}, "measure", ("measure ohms ECM.C1.1 to G2",), VOLTS),
    Race("Measure", {"lamp_w": 5.0}, "measure", ("load ECM.C1.1 to G2 with 5 W lamp",),
         {**VOLTS, "measure_kind": "load"}),
    Race("Measure", {"look_at": "F3"}, "measure", ("look F3",), {"measure_kind": "look", "look_at": "F1"}),
    Race("Measure", {"loop_at": "F3"}, "measure", ("measure amps F3",),
         {"measure_kind": "amps", "loop_at": "F1"}),
    Race("Measure", {"keep_leads": True}, "wait 1", ("wait 1 s", "measure volts ECM.C1.1 to G2"), VOLTS),
    Race("Scope", {"scope_1a": "ECM.C1.4", "sweep_time": "1 ms"}, "sweep",
         ("scope ECM.C1.4 to DLC.4 and DLC.14 to DLC.4 for 1 ms",)),
]  # fmt: skip


@pytest.mark.parametrize("race", BAY, ids=lambda race: f"{race.button} -> {race.does[0]}")
def test_what_is_chosen_and_pressed_at_once_is_done_at_the_car(race: Race) -> None:
    """A button acts on what its lists show when it is pressed, on every panel."""
    app = opened("bay", held_of(race.car), race.panel, pause_s=0, **race.before)
    app = at_once(app, race.button, **race.choices)
    assert [] == [error.value for error in app.error]
    assert list(race.does) == log(app)


@pytest.mark.parametrize(
    ("panel", "choices", "button", "words", "before"),
    [
        ("Part", {"buses GATEWAY": ["diag"]}, "bypass", "choose two buses or more for the bypass lead",
         {"part": "module GATEWAY", "buses GATEWAY": ["diag", "powertrain"]}),
        ("Part", {"part": "connector X1"}, "clear_part", "pick a module first", {"part": "module ECM"}),
        ("Part", {"part": None}, "why_part", "pick a module first", {"part": "module ECM"}),
        ("Measure", {"probe_black": None}, "measure", "choose where to measure first", VOLTS),
        ("Scope", {"scope_1a": None, "scope_2b": None}, "sweep", "choose two points for a channel first", {}),
        ("Work", {"work_swap_a": "ECM.C1.1"}, "work swap {work_swap_a} with {work_swap_b}",
         "takes two pins of one connector (here: ECM.C1.1 and GATEWAY.C1.2)", {"work_kind": "swapped wires"}),
    ],
)  # fmt: skip
def test_what_cannot_be_done_with_what_is_chosen_now_is_told_in_one_sentence(
    panel: str, choices: dict[str, Any], button: str, words: str, before: dict[str, Any]
) -> None:
    """A button whose choice has become impossible is refused and changes nothing."""
    app = at_once(opened("bay", held_of("teaching-car.yaml"), panel, **before), button, **choices)
    (error,) = app.error
    assert words in error.value
    assert [] == log(app)


def test_a_log_that_was_taken_up_is_not_taken_up_by_a_second_click() -> None:
    """The second click on the same log is refused in one sentence."""
    held = held_of("six-modules.yaml")
    held.bench.do_all(["pull F1", "scan"])
    bench_jobs.start_again(held, lambda share: None)
    (old,) = held.left_behind
    bench_jobs.take_up(held, lambda share: None, old)
    with pytest.raises(EditProblem, match="no longer set aside"):
        bench_jobs.take_up(held, lambda share: None, old)
    assert ["pull F1", "scan"] == held.bench.log


# -- pages of the lab ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LabRace:
    """What is chosen and pressed at once, and what of it the lab's work named `asks` is asked."""

    page: str
    choices: dict[str, Any]
    button: str
    asks: str
    told: dict[str, Any]
    before: dict[str, Any] = field(default_factory=dict)


MORNING = ["press start", "wait 5 s", "unplug ABS.C1", "scan"]
LAB = [
    LabRace("what-if", {"use pull F1": "always"}, "suppose_play", "views.what_if.run_grid",
            {1: [Choice("F2: missing", ("pull F2",))], "given": ["pull F1"]},
            {"suppose_log": "a plain morning", "suppositions": ["pull F1", "pull F2"]}),
    LabRace("what-if", {"what_if_own": "wait 1 s"}, "suppose_play", "views.what_if.run_grid",
            {2: ["wait 1 s", "scan"]}, {"suppose_log": "my own list", "suppositions": ["pull F1"]}),
    LabRace("instead", {"branch_keep": 1, "branch_instead": "wait 3 s", "branch_rest_follows": False},
            "branch_play", "views.branch.branch", {2: 1, 3: ["wait 3 s"], "then_the_rest": False},
            {"branch_keep": 0}),
    LabRace("pairs", {"pairs_edits": ["pull F1", "pull F2"]}, "pairs_run", "views.pairs.find_compounds",
            {1: ["pull F1", "pull F2"]}, {"pairs_edits": ["pull F1", "pull F3"]}),
]  # fmt: skip


@pytest.mark.parametrize("race", LAB, ids=lambda race: race.button)
def test_what_is_chosen_and_pressed_at_once_is_asked_of_the_lab(
    race: LabRace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lab gets what the fields show when the button is pressed."""
    asked: dict[Any, Any] = {}
    monkeypatch.setattr(f"ui.{race.asks}", lambda *told, **more: asked.update(enumerate(told), **more))
    monkeypatch.setattr("ui.state.lab_work.start", lambda name, task: task(None, None, None))
    held = held_of("six-modules.yaml")
    held.bench.do_all(MORNING)
    state = {"pairs_of": held.car_text, **race.before}
    if "suppositions" in state:
        state["suppositions"] = (held.car_text, state["suppositions"])
    at_once(opened(race.page, held, **state), race.button, **race.choices)
    assert race.told == {what: asked[what] for what in race.told}


def test_suspects_are_searched_for_what_is_chosen_now(monkeypatch: pytest.MonkeyPatch) -> None:
    """The search gets the number of faults, the time and the kinds chosen at the click."""
    asked: dict[str, Any] = {}

    class Asked(Exception):
        """Nothing more is needed."""

    def find(vehicle: str, steps: Any, **told: Any) -> None:
        asked.update(told, actions=[action for step in steps for action in step.do])
        raise Asked

    monkeypatch.setattr("sim.lab.search_plan.find_causes", find)

    def start(name: str, task: Any) -> None:
        with pytest.raises(Asked):
            task(InThisProcess(), lambda done, of: None, lambda: False)

    monkeypatch.setattr("ui.state.lab_work.start", start)
    held = held_of("six-modules.yaml")
    held.bench.do_all(["unplug ABS", "scan"])
    kinds = ["corroded grounds and supplies"]
    at_once(
        opened("suspects", held), "suspects_find",
        suspects_limit=1, suspects_kinds=kinds, suspects_hide=True,
    )  # fmt: skip
    assert (["scan"], 60.0) == (asked["actions"], asked["within_s"])
    assert "corrode G1 8 ohm" in asked["edits"]


def supposed(app: AppTest) -> Any:
    return app.session_state["suppositions"][1]


PAGES: list[tuple[str, dict[str, Any], str, Callable[[AppTest], Any], Any]] = [
    ("what-if", {"waits_who": "TCM", "waits_for": "ABS"}, "suppose_add", supposed,
     ["theory TCM waits for ABS"]),
    ("pairs", {"pairs_verb": "open"}, "pairs_add",
     lambda app: {text.split()[0] for text in app.session_state["pairs_edits"]}, {"open"}),
    ("instead", {"branch_instead_often": "clear"}, "branch_instead_add",
     lambda app: app.session_state["branch_instead"], "clear"),
    ("case", {"case_shipped": "ferry-night"}, "case_open",
     lambda app: app.session_state["case"], read_case(shipped_cases()["ferry-night"])),
]  # fmt: skip


@pytest.mark.parametrize(
    ("page", "choices", "button", "shows", "expected"), PAGES, ids=[f"{row[0]} {row[2]}" for row in PAGES]
)
def test_what_is_chosen_and_pressed_at_once_is_done_on_a_page(
    page: str, choices: dict[str, Any], button: str, shows: Callable[[AppTest], Any], expected: Any
) -> None:
    """Buttons of the other pages act on what their lists show at the click."""
    held = held_of("six-modules.yaml")
    held.bench.do_all(MORNING)
    assert expected == shows(at_once(opened(page, held), button, **choices))


def test_two_clicks_on_a_case_that_is_not_drawn_yet_are_two_changes() -> None:
    """The second button still stands on the page that the first was drawn with."""
    app = opened("case", held_of("six-modules.yaml"), case=read_case(shipped_cases()["ferry-night"]))
    names = list(app.session_state["case"].stories)
    for name in names[:2]:
        app.button(key=f"story {name}").click()
    app.run()
    assert names[2:] == list(app.session_state["case"].stories)


def test_the_car_that_goes_into_the_bay_is_the_one_just_chosen() -> None:
    """A car chosen just before the click is the one that is taken."""
    app = opened("welcome", held_of("teaching-car.yaml"))
    choose(app, "shipped", "six-modules.yaml")
    app.button(key="take_shipped").click().run()  # and the bay would open, of which this test has none
    assert "six-modules.yaml" == app.session_state["held"].car_name


def test_a_bit_rate_goes_into_the_bay_with_the_click() -> None:
    """A bit rate chosen just before the click is in the car that is taken."""
    table = CarTable("Van", [TableRow("ECM", "main"), TableRow("BCM", "main")])
    app = opened("describe", held_of("six-modules.yaml"), quick=table)
    choose(app, "quick_rate main", 250_000)
    app.button(key="quick_bay").click().run()  # and the bay would open, of which this test has none
    assert 250_000 == app.session_state["held"].car.claimed.buses["main"].bitrate_bps


# -- pages of the instructor ---------------------------------------------------------------------------------


@dataclass
class Room:
    """Two classes; in the first two students at work on the first of two exercises."""

    records: Records
    groups: list[ClassRow]
    students: list[StudentRow]
    given: list[AssignmentRow]
    attempts: list[int]


def _let_in_with_a_token() -> bool:
    """The door's answer to an instructor, whose token is in the session."""
    st.session_state.setdefault("token", "the token of this test")
    return True


@pytest.fixture
def room(monkeypatch: pytest.MonkeyPatch) -> Iterator[Room]:
    monkeypatch.setattr(classroom, "let_in", _let_in_with_a_token)
    monkeypatch.setattr(classroom, "instructor", lambda: Instructor(INSTRUCTOR, ""))
    records = classroom.records()
    second, first = records.classes.open("second"), records.classes.open("first")
    students = [records.students.join(first.join_code, name)[0] for name in ("Amara", "Ben")]
    files = [path.read_text("utf-8") for path in list(shipped_exercises().values())[:2]]
    given = [records.assignments.give(first.id, file, practice=True) for file in files]
    attempts = []
    for student, waits in zip(students, ("wait 1 s", "wait 2 s"), strict=True):
        work = records.attempts.begin(given[0], student.id)
        work.do(waits)
        attempts.append(work.id)
    yield Room(records, [first, second], students, given, attempts)
    for group in (first, second):
        records.classes.delete(group.id)


def test_the_log_of_whoever_is_chosen_is_replayed(room: Room) -> None:
    """The replay shows the student who is chosen at the click."""
    app = opened("replay", replay_attempt=room.attempts[0])
    app = at_once(app, "replay_next", replay_which=room.attempts[1])
    assert "## 1 of 1: Wait 2 s" in [one.value for one in app.markdown]


def test_the_board_acts_on_whoever_and_whatever_is_chosen(room: Room) -> None:
    """Each button of the board acts on the student and exercise chosen at the click."""
    ben, second = room.students[1], room.given[1]
    app = opened("board", class_id=room.groups[0].id, board_student=room.students[0].id)
    exercise = f"board_exercise_{room.groups[0].id}"
    choose(app, exercise, room.given[0].id)
    app.run()
    app = at_once(app, "hint_one", board_student=ben.id)
    assert [] == room.records.notices.messages(room.students[0].id)
    assert 1 == len(room.records.notices.messages(ben.id))
    choose(app, f"sure_{room.given[0].id}", True)
    app.run()
    app = at_once(app, "reveal", **{exercise: second.id})
    assert [False, False] == [one.revealed for one in room.records.assignments.of_class(room.groups[0].id)]
    assert ["check the box first: it shows the solution to everyone"] == told(app)
    app = at_once(app, "pause", class_id=room.groups[1].id)
    assert [False, True] == [room.records.classes.get(group.id).paused for group in room.groups]


def test_the_page_of_classes_acts_on_the_class_that_is_chosen(room: Room) -> None:
    """Each button acts on the class chosen at the click."""
    first, second = room.groups
    names = list(shipped_exercises())
    app = opened("classes", class_id=first.id, give_names=names[:1])
    app = at_once(app, "give", class_id=second.id, give_names=names[2:4], give_how="exam")
    assert [(False, False)] * 2 == [
        (one.practice, one.varied) for one in room.records.assignments.of_class(second.id)
    ]
    assert 2 == len(room.records.assignments.of_class(first.id))
    choose(app, f"erase_sure_{second.id}_None", True)
    app.run()
    app = at_once(app, "erase", class_id=first.id)
    assert ["check the box first: what is erased is gone"] == told(app)
    assert {first.id, second.id} <= {group.id for group in room.records.classes.listed()}


def test_an_author_gives_what_stands_in_the_fields(room: Room) -> None:
    """The exercise that is given is that of the fields at the click."""
    app = opened("author")
    names = list(shipped_exercises())
    app = at_once(app, "author_take", author_from=names[1])
    assert f"{names[1]}-mine" == app.text_input(key="draft_file").value
    app = at_once(app, "author_give", draft_exercise="Quite my own", author_class=room.groups[1].id)
    assert ["Quite my own"] == [one.exercise for one in room.records.assignments.of_class(room.groups[1].id)]


def told(app: AppTest) -> list[str]:
    return [error.value.replace("\\", "") for error in app.error]
