"""Work is bounded: by processor time for a click, by searches at once, by the browser that asked for it."""

import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import streamlit
from streamlit.delta_generator import DeltaGenerator

from sim.lab.workshop import Progress, Stop, Stopped, Workshop
from tests.ui.test_pages import held_of
from ui.state import lab_work, work
from ui.state.held import Held, Shelf
from ui.state.streamlit_adapter import StopException
from ui.state.work import BrowserGone, TooLong, WorkProgress


class Place:
    """Where progress is drawn, in a browser that may be gone."""

    def __init__(self, gone: bool = False) -> None:
        self.gone = gone

    def container(self, **_: Any) -> "Place":
        if self.gone:
            raise StopException
        return self

    def empty(self) -> "Place":
        return self

    def button(self, *_: Any, **__: Any) -> None:
        pass

    def progress(self, *_: Any) -> None:
        pass


def drawn_in(place: Place) -> WorkProgress:
    made: DeltaGenerator = place  # type: ignore[assignment]
    return WorkProgress(made)


def burn(cpu_s: float) -> None:
    until_s = time.thread_time() + cpu_s
    while time.thread_time() < until_s:
        pass


def test_a_click_has_so_much_processor_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work ends once when its processor time is used up; putting the car back is not cut short."""
    monkeypatch.setattr(work, "MOST_CPU_S", 0.05)
    progress = drawn_in(Place())
    progress.report(0.1)
    time.sleep(0.1)
    progress.report(0.2)
    burn(0.06)
    with pytest.raises(TooLong):
        progress.report(0.3)
    progress.report(0.4)


def test_work_ends_when_its_browser_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A closed tab ends the work in the middle."""
    monkeypatch.setattr(work, "SHOW_PROGRESS_AFTER_S", 0.0)
    with pytest.raises(BrowserGone):
        drawn_in(Place(gone=True)).report(0.5)


def after_work(held: Held, place: Place, job: Any, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The session after a piece of work."""
    state = type("State", (dict,), {"__getattr__": dict.__getitem__})(jobs=[job], held=held)
    monkeypatch.setattr("streamlit.session_state", state)
    monkeypatch.setattr("ui.state.held.shelf", Shelf)
    made: DeltaGenerator = place  # type: ignore[assignment]
    work.work_off(held, made)
    return dict(state)


def test_what_takes_too_long_is_told_and_undone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A click that takes too much processor time says how to wait in steps; the car is as before."""
    monkeypatch.setattr(work, "MOST_CPU_S", 0.0)
    held = held_of("six-modules.yaml")
    held.bench.do("wait 1 s")

    def job(held: Held, report: Any) -> None:
        held.bench.do("wait 24 h", report)

    after_work(held, Place(), job, monkeypatch)
    assert work.TOO_LONG == held.problem
    assert ["wait 1 s"] == held.bench.log


@pytest.mark.parametrize(("stays", "kept"), [(True, True), (False, False)])
def test_a_closed_browser_leaves_no_car_in_the_middle_of_work(
    monkeypatch: pytest.MonkeyPatch, stays: bool, kept: bool
) -> None:
    """A run that was stopped puts the car back; a browser that is gone costs no time for that."""
    monkeypatch.setattr(work, "SHOW_PROGRESS_AFTER_S", 0.0)
    monkeypatch.setattr(work, "browser_is_there", lambda: lambda: stays)
    held = held_of("six-modules.yaml")
    state: dict[str, Any] = {}
    with pytest.raises(StopException):
        state = after_work(held, Place(gone=True), lambda held, report: held.bench.do("wait 60 s", report),
                           monkeypatch)  # fmt: skip
    assert {} == state
    assert kept is ("held" in streamlit.session_state)
    assert [] == held.bench.log or not kept


@pytest.fixture
def is_there(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """A browser that is there while this is set."""
    there = threading.Event()
    there.set()
    monkeypatch.setattr(lab_work, "browser_is_there", lambda: there.is_set)
    monkeypatch.setattr(lab_work, "GONE_AFTER_S", 0.1)
    monkeypatch.setattr(lab_work, "LOOK_EVERY_S", 0.02)
    return there


def until_it_stops(shop: Workshop, tell: Progress, stop: Stop) -> None:
    tell(1, 2)
    while not stop():
        time.sleep(0.01)
    raise Stopped


def ended(one: lab_work.LabWork) -> bool:
    """Whether a search comes to its end, waited for at most a while."""
    last_s = time.monotonic() + 120  # patience, not a limit
    while one.going_on and time.monotonic() < last_s:
        time.sleep(0.02)
    return not one.going_on


def test_a_search_ends_when_its_browser_is_gone(is_there: threading.Event) -> None:
    """A search goes on while its browser is there, and ends soon after."""
    search = lab_work.LabWork(until_it_stops)
    time.sleep(0.3)
    assert search.going_on
    is_there.clear()
    assert ended(search)


def test_so_many_searches_run_at_once(is_there: threading.Event) -> None:
    """One search more than there are places waits, and begins when another ends."""
    searches = [lab_work.LabWork(until_it_stops) for _ in range(lab_work.MOST_SEARCHES)]
    while not all(one.of for one in searches):
        time.sleep(0.01)
    late = lab_work.LabWork(until_it_stops)
    time.sleep(0.2)
    assert (True, 0) == (late.waits, late.of)
    searches[0].call_off()
    while not late.of:
        time.sleep(0.01)
    assert not late.waits
    for one in (*searches, late):
        one.call_off()
        assert ended(one)


def test_a_session_has_one_search_at_a_time(
    is_there: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who asks for another search, on whatever page, ends the one before."""
    state: dict[str, lab_work.LabWork] = {}
    monkeypatch.setattr("streamlit.session_state", state)
    lab_work.start("causes", until_it_stops)
    while not state["causes"].of:
        time.sleep(0.01)
    lab_work.start("grid", until_it_stops)
    assert ended(state["causes"])
    assert state["grid"].going_on
    state["grid"].call_off()
    assert ended(state["grid"])


def test_a_first_answer_is_there_while_better_ones_are_worked_out(is_there: threading.Event) -> None:
    """Work that gives several answers shows each as it comes; called off, it keeps the last one."""
    seen = threading.Event()

    def in_stages(shop: Workshop, progress: Progress, stop: Stop) -> Iterator[str]:
        yield "rough"
        assert seen.wait(120)
        yield "good"
        raise Stopped

    one = lab_work.LabWork(in_stages)
    while not one.answers:
        time.sleep(0.01)
    assert (True, "rough") == (one.going_on, one.found)
    seen.set()
    assert ended(one)
    assert ("good", 2) == (one.found, one.answers)
    assert "canceled" in one.problem
