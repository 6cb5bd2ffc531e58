"""What was begun is found again: after a reload, a restart of the server, in another visit of the browser."""

import secrets
import threading
import time
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from sim.catalogue import shipped_exercises
from sim.lab.workshop import Progress, Stop, Workshop
from sim.training.attempt import Attempt
from sim.training.exercise import read_exercise
from tests.ui.browser import WATCH_RUNS, button, free_port, go, panel, server, turn_to
from tests.ui.test_pages import held_of
from tests.ui.test_pages import opened as page_opened
from tests.ui.test_refresh import visit
from ui.drawing.tables import report_table
from ui.state import left_behind
from ui.state.held import Held, Shelf
from ui.state.lab_work import LabWork
from ui.state.visible import visible_to_student


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))


def worked_on() -> Held:
    held = held_of("six-modules.yaml", ("pull F5",))
    held.key = secrets.token_urlsafe(9)
    for text in ("wait 20 s", "press start", "wait 10 s", "scan"):
        held.bench.do(text)
    return held


def test_the_log_in_the_bay_outlives_the_server() -> None:
    """A shelf that knows nothing finds on disk what was put away, and what was left behind."""
    held = worked_on()
    held.leave("the first try")
    held.put_away()
    found = Shelf().take(held.key)
    assert found is not None
    now, left = found
    assert (held.bench.log, ("pull F5",)) == (now.bench(print).log, now.bench(print).given)
    assert ["the first try"] == [one.words for one in left]


def test_a_spoiled_file_of_a_bay_is_as_none(tmp_path: Path) -> None:
    """What is no log of ours opens nothing and breaks nothing."""
    held = worked_on()
    held.put_away()
    next(tmp_path.rglob(f"{held.key}.json")).write_text('{"cars": [], "logs": [{}]}', encoding="utf-8")
    assert left_behind.kept_under(held.key) is None


def test_a_visit_after_a_restart_finds_the_car_as_it_was() -> None:
    """The address of the visit leads to the same log, and the strip tells the last thing done."""
    held = worked_on()
    held.put_away()
    app = visit("bay", held.key)
    assert held.bench.log == app.session_state["held"].bench.log
    assert any("5 of 6 modules answer" in one.value for one in app.markdown)
    assert "next_step" in {one.key for one in app.button}


def test_an_unknown_key_in_the_address_is_noticed() -> None:
    """A key under which nothing is kept gives a fresh car, and the page is told so."""
    app = visit("bay", "AbCdEfGhIjKl")
    assert app.session_state["bench_unknown"] is True
    again = visit("bay", app.session_state["held"].key)
    assert "AbCdEfGhIjKl" == again.session_state["held"].key
    assert again.session_state["bench_unknown"] is False, "nothing was done: a refresh has lost nothing"


def test_the_panel_is_kept_for_a_reload() -> None:
    """The tab and the part that were open in the bay are open after a reload."""
    held = worked_on()
    held.put_away()
    app = page_opened("bay", held, "Tester")
    app.run()
    assert "Tester" == visit("bay", held.key).session_state["panel"]


# -- after clearing ------------------------------------------------------------------------------------------


def test_a_report_from_before_clearing_shows_nothing_as_present() -> None:
    """Each row says that it is from before clearing; no code is marked as failing now."""
    report = worked_on().bench.last_report
    assert report is not None
    before, after = report_table(report), report_table(report, cleared=True)
    assert ("present" in before, "present" in after) == (True, False)
    assert after.count("before clearing") == len(report.codes) + len(report.silent)


def test_the_map_of_an_exercise_forgets_the_scan_when_codes_are_cleared() -> None:
    """After clearing no module is marked by what it said before; a new scan marks it again."""
    attempt = Attempt.begin(read_exercise(shipped_exercises()["02-left-in-storage"]))
    for text in ("press start", "wait 10 s", "scan"):
        attempt.do(text)
    modules = visible_to_student(attempt).modules.values()
    assert {"answered", "unanswered"} == {one.shape for one in modules}
    attempt.do("clear")
    modules = visible_to_student(attempt).modules.values()
    assert {("unasked", "scan again", 0)} == {(one.shape, one.word, one.code_count) for one in modules}


# -- the key -------------------------------------------------------------------------------------------------


def test_the_key_looks_chosen_where_it_is() -> None:
    """The position of the key is told in words; crank, where it springs back from, never looks chosen."""
    held = held_of("teaching-car.yaml")
    for action, position in (
        ("wait 20 s", "off"),
        ("key run", "run"),
        ("key crank", "run"),
        ("key off", "off"),
    ):
        held.bench.do(action)
        app = page_opened("bay", held, "Seat")
        assert any(f"now at: {position}" in one.value for one in app.caption)
        assert [f"key {position}"] == [
            one.key for one in app.button if str(one.key).startswith("key ") and one.proto.type == "primary"
        ]


# -- work beside the page ------------------------------------------------------------------------------------


def test_work_in_several_rounds_says_in_which_it_is() -> None:
    """A bar that begins anew says that another round has begun."""
    told: list[str] = []

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> None:
        for done, of in ((0, 3), (3, 3), (0, 5), (4, 5)):
            progress(done, of)
            told.append(work.words)

    begin = threading.Event()

    def when_begun(workshop: Workshop, progress: Progress, stop: Stop) -> None:
        begin.wait()
        task(workshop, progress, stop)

    work = LabWork(when_begun)
    begin.set()
    while work.going_on:
        time.sleep(0.01)
    assert ["0 of 3", "3 of 3", "round 2: 0 of 5", "round 2: 4 of 5"] == told


# -- in a browser --------------------------------------------------------------------------------------------


def test_a_restart_of_the_server_and_another_visit_lead_back_to_the_car(
    started: Browser, tmp_path: Path
) -> None:
    """The work survives a new server, the tab is kept, and the first page offers the way back by cookie."""
    port, context = free_port(), started.new_context(viewport={"width": 1366, "height": 900})
    with server(port, XDG_DATA_HOME=str(tmp_path)):
        page = context.new_page()
        page.add_init_script(WATCH_RUNS)
        go(page, f"http://127.0.0.1:{port}")
        button(page, "Find the fault")
        page.locator(".st-key-next_step button").click()
        expect(page.locator(".st-key-answer")).to_contain_text("engine")
        panel(page, "Log")
    with server(port, XDG_DATA_HOME=str(tmp_path)):
        go(page, page.url)
        expect(page.locator(".st-key-strip")).to_contain_text("Press start")
        expect(page.locator(".st-key-log")).to_contain_text("Press start")
        go(page, f"http://127.0.0.1:{port}/")
        button(page, "Back to your car in the bay")
        turn_to(page, "Bay")
        expect(page.locator(".st-key-strip")).to_contain_text("Press start")
        go(page, f"http://127.0.0.1:{port}/bay?bench=AbCdEfGhIjKl&student=nobody")
        expect(page.get_by_text("Nothing is saved under this address.")).to_be_visible()
        expect(page.get_by_text("The student's key in this address is not known here")).to_be_visible()
    context.close()
