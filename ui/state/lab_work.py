"""Long work of the lab, beside the page: in a thread that hands runs to a pool of processes, or to a cluster.

A page starts it from a button's callback, shows how far it is, can call it off, and takes up what it found.
Finished runs are kept on disk, so what was called off goes on where it stopped.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import streamlit as st

from sim.lab.run_cache import Cache
from sim.lab.workshop import (
    CLUSTER_VARIABLE,
    OtherVersion,
    Progress,
    Stop,
    Stopped,
    Workshop,
    on_cluster,
)
from sim.paths import cache_path
from sim.vehicle.problems import Problem
from ui.state import turns
from ui.state.streamlit_adapter import browser_is_there
from ui.state.turns import shared

LOOK_EVERY_S = 0.7
GONE_AFTER_S = 5.0  # so long may a browser be away and come back
MOST_SEARCHES = 2  # at once on this server; our own choice

_places = threading.BoundedSemaphore(MOST_SEARCHES)

Task = Callable[[Workshop, Progress, Stop], Any]


@st.cache_resource(show_spinner=False)
def workshop() -> Workshop:
    """The workshop of this server: one pool of processes for all sessions."""
    return Workshop(cache=_cache(), few=0)


@contextmanager
def _where_runs_are_made() -> Iterator[Workshop]:
    """The workshop of this server, or one on its cluster, which may have been started anew since."""
    address = os.environ.get(CLUSTER_VARIABLE, "")
    if not address:
        yield workshop()
        return
    with on_cluster(address, cache=_cache()) as on_others:
        yield on_others


def _cache() -> Cache | None:
    """Finished runs on disk; a home that cannot be written to costs time, nothing else."""
    try:
        return Cache(cache_path())
    except OSError:
        return None


class LabWork:
    """One piece of work: how far it is, and in the end what it found or why not."""

    def __init__(self, task: Task) -> None:
        self.done, self.of, self.round = 0, 0, 0
        self.found: Any = None
        self.answers = 0  # so far; a task may give a first answer and better ones after it
        self.problem = ""
        self.called_off = False
        self.waits = False
        self._task = task
        self._is_there = browser_is_there()
        self._seen_s = time.monotonic()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    @property
    def going_on(self) -> bool:
        """Whether it is still at work."""
        return self._thread.is_alive()

    def call_off(self) -> None:
        """Stop after the runs that are under way."""
        self.called_off = True

    def _ends(self) -> bool:
        """Whether it was called off, or its browser has been gone for a while."""
        shared.pay()
        now_s = time.monotonic()
        if self._is_there():
            self._seen_s = now_s
        return self.called_off or now_s - self._seen_s > GONE_AFTER_S

    def _work(self) -> None:
        try:
            with self._a_place(), shared.counted(), _where_runs_are_made() as shop:
                self._done_by(shop)
        except Stopped:
            self.problem = "canceled; the runs that were finished are kept"
        except Problem as problem:
            self.problem = str(problem)
        except Exception as error:
            logging.getLogger("busbay").exception("work of the lab failed")
            why = error.strerror if isinstance(error, OSError) and error.strerror else error
            self.problem = f"the lab cannot carry this out ({why})"

    @contextmanager
    def _a_place(self) -> Iterator[None]:
        """One of the few places there are for searches, waited for."""
        self.waits = True
        while not _places.acquire(timeout=LOOK_EVERY_S):
            if self._ends():
                raise Stopped
        self.waits = False
        try:
            yield
        finally:
            _places.release()

    def _done_by(self, shop: Workshop) -> None:
        try:
            self._take(self._task(shop, self._tell, self._ends))
        except OtherVersion:
            if CLUSTER_VARIABLE in os.environ:
                raise Problem("the cluster's workers have another version of busbay: update them") from None
            shop.close()  # processes that began in the middle of a change make room for new ones
            self._take(self._task(shop, self._tell, self._ends))

    def _take(self, answer: Any) -> None:
        """Take what a task found, or from one that gives several answers each as it comes."""
        for self.found in answer if isinstance(answer, Iterator) else (answer,):
            self.answers += 1

    def _tell(self, done: int, of: int) -> None:
        shared.pay()
        if done < self.done or of != self.of:
            self.round += 1
        self.done, self.of = done, of

    @property
    def words(self) -> str:
        """How far it is; of work in several rounds also which round, as each begins at 0."""
        in_round = f"round {self.round}: " if self.round > 1 else ""
        return f"{in_round}{self.done} of {self.of}"


def start(name: str, task: Task) -> None:
    """Begin a piece of work under a name; a session has one at a time, and the older ones are called off."""
    for old in list(st.session_state.values()):
        if isinstance(old, LabWork):
            old.call_off()
    st.session_state[name] = LabWork(task)


def forget(name: str) -> None:
    """Forget what was found: it no longer belongs to what is on the page."""
    old = st.session_state.pop(name, None)
    if old is not None:
        old.call_off()


def is_going_on(name: str) -> bool:
    """Whether work of that name is not at its end yet."""
    work: LabWork | None = st.session_state.get(name)
    return work is not None and work.going_on


def found(name: str, pieces: str = "runs", told: str = "") -> Any:
    """What the work of that name found; None, with its progress or its problem on the page, until then.

    Of a task that gives several answers it is the latest, with the progress until the last is there.
    told: what it does, for work that tells its progress as a share of the whole.
    """
    work: LabWork | None = st.session_state.get(name)
    if work is None:
        return None
    if work.going_on:
        turns.fragment(_progress, run_every=LOOK_EVERY_S)(name, work, pieces, told, work.answers)
        return work.found
    if work.problem:
        st.warning(work.problem, icon=":material/block:")
    return work.found


def _progress(name: str, work: LabWork, pieces: str, told: str, answers: int) -> None:
    """How far it is; the page is drawn again when it ends, and when there is another answer than those."""
    if not work.going_on or work.answers > answers:
        st.rerun()
    with st.container(horizontal=True, vertical_alignment="center", key=f"{name}_progress"):
        words = f"{work.words} {pieces}" if work.of else "getting ready ..."
        if told:
            words = f"{told}: {work.done / work.of if work.of else 0.0:.0%}"
        if work.waits:
            words = "waiting until another search on this server ends ..."
        st.progress(work.done / work.of if work.of else 0.0, words)
        st.button("Cancel", key=f"{name}_call_off", on_click=work.call_off)
