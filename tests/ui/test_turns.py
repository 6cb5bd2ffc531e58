"""Visitors give way to a class at work: one page of theirs at a time, and a rest after it."""

import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import ui
from ui.state import turns
from ui.state.turns import AT_WORK_S, LOOK_EVERY_S, MOST_PAUSE_S, MOST_REST_S, SHARE, TELL_AFTER_S, Turns

PATIENCE_S = 60.0  # not a limit


class Clock:
    """A clock that goes on by computing and by sleeping."""

    def __init__(self) -> None:
        self.now_s = self.computed_s = 0.0
        self.turns = Turns(lambda: self.now_s, lambda: self.computed_s, self.sleep)

    def sleep(self, for_s: float) -> None:
        self.now_s += for_s

    def compute(self, for_s: float) -> None:
        self.now_s += for_s
        self.computed_s += for_s

    def page(self, computes_s: float) -> float:
        """When a page began that computes for so long."""
        with self.turns.taken():
            begun_s = self.now_s
            self.compute(computes_s)
        return begun_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def beside(work: Callable[[], Any]) -> threading.Thread:
    """A thread that does this."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread


def test_without_a_class_nothing_waits(clock: Clock) -> None:
    """Pages follow each other at once, and one begins while another is drawn."""
    assert [0.0, 1.0, 2.0] == [clock.page(1.0) for _ in range(3)]
    with clock.turns.taken():
        other = beside(lambda: clock.page(0.0))
        other.join(PATIENCE_S)
        assert not other.is_alive()


def test_all_who_give_way_have_a_share_of_the_time(clock: Clock) -> None:
    """Beside a class at work they compute a fifth of the time, however many pages they ask for."""
    until_s = 30.0
    while clock.now_s < until_s:
        clock.turns.class_is_here()
        clock.page(0.1)
    assert SHARE == pytest.approx(clock.computed_s / clock.now_s, rel=0.05)


def test_long_work_rests_on_its_way(clock: Clock) -> None:
    """Work that pays as it goes has no more of the time than short pages."""
    clock.turns.class_is_here()
    with clock.turns.taken():
        for _ in range(20):
            clock.compute(0.1)
            clock.turns.pay()
    assert SHARE == pytest.approx(clock.computed_s / clock.now_s, rel=0.05)


def test_a_search_beside_the_pages_counts_with_them(clock: Clock) -> None:
    """What the thread of a search has computed is what the next page waits for."""
    clock.turns.class_is_here()
    with clock.turns.counted():
        clock.compute(0.5)
    assert 0.5 / SHARE == pytest.approx(clock.page(0.0))


def test_who_does_not_give_way_pays_nothing(clock: Clock) -> None:
    """A student's own work never rests."""
    clock.turns.class_is_here()
    clock.compute(1.0)
    clock.turns.pay()
    assert 1.0 == clock.now_s


def test_no_rest_is_endless(clock: Clock) -> None:
    """After a long computation the next page waits for so long at most."""
    clock.turns.class_is_here()
    clock.page(4.0)
    assert 4.0 + MOST_REST_S == pytest.approx(clock.page(0.0))


def test_a_rest_ends_with_the_class(clock: Clock) -> None:
    """When the last click of a student is long ago, a page waits no more."""
    clock.turns.class_is_here()
    clock.page(AT_WORK_S - 1)
    assert AT_WORK_S == pytest.approx(clock.page(0.0), abs=LOOK_EVERY_S)


def test_one_page_at_a_time_beside_a_class() -> None:
    """A second page begins when the first is drawn."""
    shared, order = Turns(), []
    shared.class_is_here()
    with shared.taken():

        def draw() -> None:
            with shared.taken():
                order.append("second")

        other = beside(draw)
        other.join(0.3)
        order.append("first")
    other.join(PATIENCE_S)
    assert ["first", "second"] == order


def test_a_turn_is_free_while_another_process_works() -> None:
    """A page that waits for the pool holds up no other page, and goes on in a turn of its own."""
    shared = Turns()
    shared.class_is_here()

    def draw() -> None:
        with shared.taken():
            pass

    with shared.taken():
        with shared.away():
            other = beside(draw)
            other.join(PATIENCE_S)
            assert not other.is_alive()
        late = beside(draw)
        late.join(0.3)
        assert late.is_alive()
    late.join(PATIENCE_S)


def test_a_part_of_a_page_is_in_the_page_s_turn(clock: Clock) -> None:
    """A fragment that is drawn with its page does not wait for the page."""
    clock.turns.class_is_here()
    with clock.turns.taken(), clock.turns.taken():
        clock.compute(0.1)
    assert 0.5 == pytest.approx(clock.page(0.0))


def test_others_pause_while_a_student_s_page_is_drawn(clock: Clock) -> None:
    """In the middle of a page, for so long as students' pages are drawn, but not forever."""
    with clock.turns.first(), clock.turns.taken():
        clock.turns.pay()
    paused_s = clock.now_s
    assert 2 * MOST_PAUSE_S == pytest.approx(paused_s)  # before the page, and in it
    with clock.turns.taken():
        clock.turns.pay()
    assert paused_s == clock.now_s


def test_a_turn_that_is_long_in_coming_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who waits reads why, and only one time."""
    assert TELL_AFTER_S > 0
    monkeypatch.setattr(turns, "TELL_AFTER_S", 0.0)
    shared, told, drawn = Turns(), threading.Semaphore(0), threading.Event()

    def draw() -> None:
        with shared.taken(told.release):
            drawn.set()

    shared.class_is_here()
    with shared.taken():
        other = beside(draw)
        assert told.acquire(timeout=PATIENCE_S)
        assert not told.acquire(timeout=1.0)
        assert not drawn.is_set()
    other.join(PATIENCE_S)
    assert drawn.is_set()


def test_a_closed_page_waits_for_nothing() -> None:
    """A run whose browser is gone comes to its end though the turn is another's."""
    shared = Turns()
    shared.class_is_here()

    def draw() -> None:
        with shared.taken(is_there=lambda: False):
            pass

    with shared.taken():
        other = beside(draw)
        other.join(PATIENCE_S)
        assert not other.is_alive()


@pytest.mark.parametrize(
    ("session", "waits", "at_work"),
    [("class", False, True), ("comes first", False, False), ("gives way", True, False)],
)
def test_whose_session_it_is_decides(
    monkeypatch: pytest.MonkeyPatch, session: turns.Session, waits: bool, at_work: bool
) -> None:
    """A student at an exercise makes others wait, an instructor does not, and neither waits."""
    shared = Turns()
    monkeypatch.setattr(turns, "shared", shared)
    monkeypatch.setattr("streamlit.session_state", {})
    turns.mark(session)
    with turns.of_this_session():
        pass
    assert at_work == shared.class_at_work
    shared.class_is_here()

    def draw() -> None:
        with turns.of_this_session():
            pass

    with shared.taken():
        other = beside(draw)
        other.join(0.5 if waits else PATIENCE_S)
        assert waits == other.is_alive()
    other.join(PATIENCE_S)


def test_every_part_of_a_visitor_s_page_takes_turns() -> None:
    """Only what a class or an instructor has to itself is a fragment of the framework without a turn."""
    folder = Path(ui.__file__).parent
    plain = {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*.py")
        if re.search(r"st\.fragment\(|@st\.fragment", path.read_text(encoding="utf-8"))
    }
    assert {"errors.py", "state/turns.py", "views/board.py", "views/desk.py", "views/exercise.py"} == plain
