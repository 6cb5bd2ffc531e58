"""While a class is at work, all others take turns: Python lets one thread of this process compute at a time.

    turns.mark("gives way")                 # for this session, once it is known whose it is
    with turns.of_this_session(): ...       # a page, or a part of one: `@turns.fragment`
    with shared.away(): ...                 # another process works meanwhile
    shared.pay()                            # between two steps of long work

One page of theirs is drawn at a time, and after it comes a rest: together they have a fifth of the process's
time, however many there are and whatever they ask for. In the middle of it they pause while a student's page
is drawn. Without a class at work nothing waits.

Not modeled: what the server does to send a page that is drawn.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import wraps
from typing import Any, Literal, ParamSpec, TypeVar

import streamlit as st

from ui.state.streamlit_adapter import browser_is_there

# our own choices
SHARE = 0.2  # of the process's time for all who give way
AT_WORK_S = 15.0  # so long after the last click of a student a class is still at work
MOST_REST_S = 10.0
PAUSE_S, MOST_PAUSE_S = 0.01, 0.5  # while students' pages are drawn
LOOK_EVERY_S = 0.2
TELL_AFTER_S = 2.0
TOLD = "A class is at work on this server and comes first: your page takes a few seconds longer."

Session = Literal["gives way", "comes first", "class"]
SESSION = "turns"  # where a session's own is kept

P = ParamSpec("P")
Drawn = TypeVar("Drawn")


def _always() -> bool:
    return True


class _ThreadState(threading.local):
    """What a thread knows of itself; `paid_s`: its processor time that is paid for, None if it owes none."""

    paid_s: float | None = None
    has_turn = False


class Turns:
    """Whose turn it is among those who give way to a class."""

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        processor: Callable[[], float] = time.thread_time,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._clock, self._processor, self._sleep = clock, processor, sleep
        self._place, self._lock = threading.Lock(), threading.Lock()
        self._rest_until_s = self._class_until_s = float("-inf")
        self._own = _ThreadState()
        self._first = 0  # students' pages that are drawn now

    def class_is_here(self) -> None:
        """Note a student's click."""
        self._class_until_s = self._clock() + AT_WORK_S

    @contextmanager
    def first(self) -> Iterator[None]:
        """A student's page, while others pause."""
        self.class_is_here()
        with self._lock:
            self._first += 1
        try:
            yield
        finally:
            with self._lock:
                self._first -= 1

    @property
    def class_at_work(self) -> bool:
        """Whether a student has clicked a short while ago."""
        return self._clock() < self._class_until_s

    @contextmanager
    def taken(
        self, tell: Callable[[], object] = _always, is_there: Callable[[], bool] = _always
    ) -> Iterator[None]:
        """A page's turn; `tell` is called if it takes long to come; a closed page needs none."""
        if self._own.paid_s is not None:  # a part of a page that has its turn
            yield
            return
        self._wait(tell, is_there)
        with self.counted():
            try:
                yield
            finally:
                self._leave()

    @contextmanager
    def counted(self) -> Iterator[None]:
        """Count what this thread computes; it rests where it calls `pay`."""
        self._own.paid_s = self._processor()
        try:
            yield
        finally:
            self._count()
            self._own.paid_s = None

    @contextmanager
    def away(self) -> Iterator[None]:
        """Leave the turn to others while this thread waits for another process."""
        had_turn, paid_s = self._own.has_turn, self._own.paid_s
        self._leave()
        self._own.paid_s = None  # what it computes meanwhile counts when it is back
        try:
            yield
        finally:
            self._own.paid_s = paid_s
            if had_turn:
                self._wait()

    def pay(self) -> None:
        """Rest for what this thread has computed since, if it gives way to a class."""
        if self._own.paid_s is not None:
            self._count()
            self._rest()

    def _wait(self, tell: Callable[[], object] = _always, is_there: Callable[[], bool] = _always) -> None:
        begun_s = self._clock()
        while self.class_at_work and is_there():
            if self._place.acquire(timeout=LOOK_EVERY_S):
                self._own.has_turn = True
                self._rest()
                return
            if self._clock() - begun_s > TELL_AFTER_S:
                tell()
                begun_s = float("inf")

    def _leave(self) -> None:
        if self._own.has_turn:
            self._own.has_turn = False
            self._count()
            self._place.release()

    def _count(self) -> None:
        now_s, cpu_s = self._clock(), self._processor()
        computed_s = 0.0 if self._own.paid_s is None else cpu_s - self._own.paid_s
        self._own.paid_s = cpu_s
        with self._lock:
            due_s = max(self._rest_until_s, now_s) + computed_s * (1 / SHARE - 1)
            self._rest_until_s = min(due_s, now_s + MOST_REST_S)

    def _rest(self) -> None:
        while self.class_at_work and (left_s := self._rest_until_s - self._clock()) > 0:
            self._sleep(min(left_s, LOOK_EVERY_S))
        until_s = self._clock() + MOST_PAUSE_S
        while self._first and self._clock() < until_s:
            self._sleep(PAUSE_S)


shared = Turns()


# -- for the pages -------------------------------------------------------------------------------------------


def mark(session: Session) -> None:
    """Note what this session is: a class's at an exercise, one that comes first as well, or neither."""
    st.session_state[SESSION] = session


@contextmanager
def of_this_session() -> Iterator[None]:
    """A student's run goes ahead, and any other one waits for its turn."""
    session: Session = st.session_state.get(SESSION, "gives way")
    turn: AbstractContextManager[None] = nullcontext()
    if session == "class":
        turn = shared.first()
    elif session == "gives way":
        turn = shared.taken(_tell, browser_is_there())
    with turn:
        yield


def _tell() -> None:
    st.toast(TOLD, icon=":material/hourglass_top:")


def fragment(part: Callable[P, Drawn], run_every: float | None = None) -> Callable[P, Drawn]:
    """As `st.fragment` makes one; a visitor's waits for its turn."""

    @wraps(part)
    def in_turn(*args: P.args, **kwargs: P.kwargs) -> Any:
        with of_this_session():
            return part(*args, **kwargs)

    return st.fragment(in_turn, run_every=run_every)
