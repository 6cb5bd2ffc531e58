"""Work on the bench of a session: asked for by buttons, done at the start of the next run.

A page asks with `ask`; `work_off` does the work, shows progress, and cannot be torn in the middle by the next
click. After each piece of work the bench's log is put on the shelf, so that a refresh loses nothing.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from functools import wraps
from typing import Concatenate, ParamSpec

import streamlit as st
from sqlalchemy.exc import DBAPIError
from streamlit.delta_generator import DeltaGenerator

from sim.bench.actions import parse_action
from sim.bench.observations import is_observation
from sim.handbook.links import SENTENCES, paragraph_for
from sim.lab.bay_work import TooMuchWork
from sim.vehicle.problems import Problem
from ui.panels.help import tell
from ui.state import kept
from ui.state.classroom import plain
from ui.state.held import Held, Job, Report
from ui.state.long_work import MOST_CPU_S
from ui.state.streamlit_adapter import StopException, browser_is_there, pressed_meanwhile
from ui.state.turns import shared

SHOW_PROGRESS_AFTER_S = 0.4
TOO_LONG = (
    f"this takes more than {MOST_CPU_S:.0f} s of the server's time; wait in steps, such as 1 h at a time. "
    "The car is as before"
)
GONE_WITHIN_S = 0.2  # the server tells a run to stop just before it forgets the browser
CALL_OFF = "call_off_the_work"

P = ParamSpec("P")


def ask(job: Callable[Concatenate[Held, Report, P], None], *args: P.args, **kwargs: P.kwargs) -> None:
    """Have something done before the page is drawn next; meant for callbacks of buttons."""
    st.session_state.jobs.append(lambda held, report: job(held, report, *args, **kwargs))


def ask_to_do(*texts: str, pause_s: float | None = None) -> None:
    """Have actions done in order; `pause_s` passes after each, by default what the session has chosen."""
    ask_to_do_as_shown(lambda: texts, pause_s)


def ask_to_do_as_shown(actions: Callable[[], Sequence[str]], pause_s: float | None = None) -> None:
    """Have actions done that follow from what the page's lists and fields show.

    A person may choose and press before the server has drawn the page again: what a button does is therefore
    read from `st.session_state` when it is pressed, never when the button is drawn. `actions` may raise
    `Problem` if nothing can be done with what is chosen.
    """
    ask(_do_as_shown, actions, pause_s)


def as_shown(sentence: str) -> Callable[[], tuple[str]]:
    """An action for `ask_to_do_as_shown`; `{key}` in it is what the widget with that key shows."""
    return lambda: (sentence.format_map(st.session_state),)


def tells_problems(callback: Callable[P, None]) -> Callable[P, None]:
    """A button's callback that may raise `Problem`: the page shows it instead of a traceback."""

    @wraps(callback)
    def careful(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            callback(*args, **kwargs)
        except Problem as problem:
            ask(_refuse, problem)

    return careful


def _refuse(held: Held, report: Report, problem: Problem) -> None:
    raise problem


def after_work(place: DeltaGenerator) -> Held:
    """Do all that was asked for; the bench after it. Switches to the bay if a click asked for that.

    What could not be done is told in `place`, once: on another page it would be about nothing that is there.
    """
    held: Held = st.session_state.held
    anything = bool(st.session_state.jobs)
    work_off(held, place)
    if st.session_state.pop("to_the_bay", False) and not held.problem:
        st.switch_page(st.session_state.entries["bay"])
    if anything and held.problem:
        with place.container():
            tell(plain(held.problem), held.paragraph)
    kept.keep_fields(held.key)
    return held


def work_off(held: Held, place: DeltaGenerator) -> None:
    """Do what was asked for, in order, with progress in `place` if it takes long."""
    jobs: list[Job] = st.session_state.jobs
    if not jobs:
        return
    held.begin_work()
    progress = WorkProgress(place)
    while jobs:
        job = jobs.pop(0)
        try:
            job(held, progress.report)
        except Problem as problem:
            held.problem, held.paragraph = str(problem), paragraph_for(problem, SENTENCES)
        except Canceled:
            jobs.clear()
            held.stand_as_before(progress.report)
            held.problem = "canceled; the car is as before"
        except (TooLong, TooMuchWork):
            jobs.clear()
            held.stand_as_before(progress.report)
            held.problem = TOO_LONG
        except BrowserGone:
            jobs.clear()
            _given_up(held, progress)
        except DBAPIError:  # the page tells of the records, and the work is taken up again from them
            jobs.clear()
            progress.end()
            raise
        except Exception as error:
            logging.getLogger("busbay").exception("work on the bench failed")
            held.stand_as_before(progress.report)
            held.problem = f"the model cannot carry this out ({error}); the car is as before"
    held.put_away()
    progress.end()


def _given_up(held: Held, progress: WorkProgress) -> None:
    """Leave work in the middle; a browser that is gone gets the kept log back when it returns."""
    time.sleep(GONE_WITHIN_S)
    if browser_is_there()():  # the run was stopped, not the browser closed
        held.stand_as_before(progress.report)
    else:
        for name in ("held", "work"):
            st.session_state.pop(name, None)
    progress.end()


def _do_as_shown(
    held: Held, report: Report, actions: Callable[[], Sequence[str]], pause_s: float | None
) -> None:
    texts, watched = [*actions()], st.session_state.get("watched")  # by a meter whose leads stay on
    if watched is not None and not is_observation(texts[-1]):
        texts += watched()
    if pause_s is None:
        pause_s = float(st.session_state.get("pause_s", 10) or 0)
    do_all(held, report, texts, pause_s)


def do_all(held: Held, report: Report, texts: Sequence[str], pause_s: float) -> None:
    """Do actions in order; `pause_s` passes after each that does not pass time itself."""
    for text in texts:
        verb = parse_action(text, held.bench.car).verb
        held.said = held.do(text, report)
        if pause_s and held.pauses_after(verb):
            held.do(f"wait {pause_s:g} s", report)
            held.said += f", then {pause_s:g} s pass"


# -- progress ------------------------------------------------------------------------------------------------


class Canceled(Exception):
    """The button that calls the work off was pressed."""


class TooLong(Exception):
    """The work has used up the processor time of one click."""


class BrowserGone(Exception):
    """The browser was closed: whatever it had asked for ends."""


class WorkProgress:
    """A bar that appears when work takes long, and a button that calls it off.

    The next click may make every call of Streamlit raise: that must not stop the work half-way, so it is kept
    and raised again when the work is done. A browser that is closed, or too much processor time, ends it.
    """

    def __init__(self, place: DeltaGenerator) -> None:
        self._place, self._start_s = place, time.monotonic()
        self._bar: DeltaGenerator | None = None
        self._stopped: BaseException | None = None
        self._called_off = self._is_over = False
        self._begun_cpu_s = time.thread_time()

    def report(self, share: float) -> None:
        """Tell how far the work is, 0 to 1; raises where it is to end."""
        shared.pay()
        if not self._is_over and time.thread_time() - self._begun_cpu_s > MOST_CPU_S:
            self._is_over = True
            raise TooLong
        if self._stopped is not None or time.monotonic() - self._start_s < SHOW_PROGRESS_AFTER_S:
            return
        try:
            if self._bar is None:
                row = self._place.container(horizontal=True, vertical_alignment="center")
                self._bar = row.empty()
                row.button("Cancel", key=CALL_OFF)
            self._bar.progress(min(max(share, 0.0), 1.0), "The car is working ...")
        except BaseException as stop:
            self._stopped = stop
            if isinstance(stop, StopException):
                self._is_over = True
                raise BrowserGone from None
        if not self._called_off and pressed_meanwhile(CALL_OFF):
            self._called_off = True
            raise Canceled

    def end(self) -> None:
        """Remove the bar, and raise what was held back."""
        if self._stopped is not None:
            raise self._stopped
        if self._bar is not None:
            self._place.empty()
