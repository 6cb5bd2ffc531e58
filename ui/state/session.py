"""What a browser session works on: one bench, and the logs it has left behind.

A page asks for work with `ask`; the work is done at the start of the next run by `work_off`, which shows
progress and cannot be torn in the middle by the next click. After each piece of work the bench's log is put
on a shelf under the opaque key that stands in the address, so that a refresh of the browser loses nothing.
"""

from __future__ import annotations

import json
import logging
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial, wraps
from typing import ParamSpec

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit.runtime.scriptrunner import get_script_run_ctx

from sim import catalogue
from sim.bench.actions import parse_action
from sim.bench.bench import Bench, parts_of
from sim.bench.observations import OBSERVATION_VERBS
from sim.modules.trace import Event
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text
from ui.drawing.layout import Layout, layout_of
from ui.state import kept, kept_fields
from ui.state.classroom import plain
from ui.state.readings import Notebook
from ui.state.seen import Seen, what_may_be_seen

FIRST_CAR = "teaching-car.yaml"
PARKED_S = 20
MOST_ON_SHELF = 300
MOST_LEFT_BEHIND = 20
SHOW_PROGRESS_AFTER_S = 0.4
CALL_OFF = "call_off_the_work"
NO_PAUSE_AFTER = ("wait", "scan", "save", "clear", "unlock", "observe")

Report = Callable[[float], None]
Job = Callable[["Held", Report], None]
P = ParamSpec("P")


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """A log that was left by a rewind, a fresh start or another car, and can be taken up again."""

    words: str
    car_name: str
    car_text: str
    saved: str
    job: str = ""


@dataclass
class Held:
    """The bench of one session. `said` and `problem` are the last words about the last work."""

    key: str
    car_name: str
    car_text: str
    bench: Bench
    left_behind: list[LeftBehind] = field(default_factory=list)
    job: str = ""  # the complaint, where the car came with one
    said: str = ""
    problem: str = ""
    events: list[Event] = field(default_factory=list)
    notebook: Notebook = field(default_factory=Notebook)
    _layouts: dict[float, Layout] = field(default_factory=dict)

    @property
    def car(self) -> Car:
        """The car as its file describes it, before any edit."""
        return self.bench.base

    def begin_work(self) -> None:
        """What the last work has brought makes room for what comes now."""
        self.said = self.problem = ""
        self.events = []

    def seen(self) -> Seen:
        """What may be seen of it now."""
        return what_may_be_seen(self.bench)

    def do(self, text: str, report: Report) -> str:
        """Do one action; what came of it in a few words."""
        outcome = self.bench.do(text, report)
        self.events += outcome.events
        is_observation = outcome.action.split()[0] in OBSERVATION_VERBS
        shown = self.notebook.note(self.bench).result.display if is_observation else outcome.words
        return f"{outcome.action}{f': {shown}' if shown else ''}"

    def pauses_after(self, verb: str) -> bool:
        """Does time pass after an action of this kind?"""
        return verb not in NO_PAUSE_AFTER

    def stand_as_before(self, report: Report) -> None:
        """After work that could not be carried out."""
        self.bench = _replayed(_anew(self.bench), self.bench.log, report)

    def put_away(self) -> None:
        """Keep it where a refresh of the browser finds it."""
        shelf().put(self)

    def layout(self, width: float) -> Layout:
        """The car's map, laid out once."""
        if width not in self._layouts:
            self._layouts[width] = layout_of(self.car, width)
        return self._layouts[width]


class Shelf:
    """Saved benches of all sessions by key; the one that was not touched for longest goes first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._saved: OrderedDict[str, tuple[LeftBehind, list[LeftBehind]]] = OrderedDict()

    def put(self, held: Held) -> None:
        """Keep a bench as text."""
        with self._lock:
            self._saved[held.key] = (_as_left("", held), list(held.left_behind))
            self._saved.move_to_end(held.key)
            while len(self._saved) > MOST_ON_SHELF:
                self._saved.popitem(last=False)

    def take(self, key: str) -> Held | None:
        """The bench under a key, replayed; None where there is none."""
        with self._lock:
            saved = self._saved.get(key)
        if saved is None:
            return None
        left, left_behind = saved
        return Held(key, left.car_name, left.car_text, _bench_of(left), list(left_behind), left.job)


def _as_left(words: str, held: Held) -> LeftBehind:
    return LeftBehind(words, held.car_name, held.car_text, held.bench.saved(), held.job)


def _bench_of(kept: LeftBehind) -> Bench:
    return Bench.restored(car_from_text(kept.car_text, kept.car_name), kept.saved)


@st.cache_resource
def shelf() -> Shelf:
    """The shelf of this server."""
    return Shelf()


def shipped_cars() -> dict[str, str]:
    """File name and text of each car that comes with busbay."""
    files = sorted(catalogue.shipped_cars().values(), key=lambda file: (file.name != FIRST_CAR, file.name))
    return {file.name: file.read_text(encoding="utf-8") for file in files}


def open_session() -> Held:
    """This session's bench: an exercise, the one it has, the one its address names, or a fresh one."""
    work: Held | None = st.session_state.get("work")
    if work is not None:
        st.session_state.held = work
        return work
    held = st.session_state.get("held")
    if held is None:
        key = st.query_params.get("bench", "") or st.session_state.get("bench_key", "")
        with st.spinner("The car rolls into the bay ..."):
            held = (shelf().take(key) if key else None) or fresh_session(key)
        st.session_state.held = held
        kept_fields.take_up(held.key)
        st.session_state.jobs = []
    if st.query_params.get("bench") != held.key:
        st.query_params["bench"] = st.session_state.bench_key = held.key
    return held


def fresh_session(key: str = "") -> Held:
    """A bench with the first car and nothing done to it.

    A key that this server no longer knows stays: what is kept on disk under it is found again.
    """
    text = shipped_cars()[FIRST_CAR]
    own = key if kept.KEY.fullmatch(key) else secrets.token_urlsafe(9)
    return Held(own, FIRST_CAR, text, _parked(car_from_text(text, FIRST_CAR)))


def _parked(car: Car, given: tuple[str, ...] = ()) -> Bench:
    """A car as it stands in the bay: its battery was connected long enough ago for it to sleep."""
    bench = Bench(car, given)
    bench.do(f"wait {PARKED_S} s")
    return bench


# -- work ------------------------------------------------------------------------------------------


def ask(job: Job) -> None:
    """Have something done before the page is drawn next; meant for callbacks of buttons."""
    st.session_state.jobs.append(job)


def ask_to_do(*texts: str, pause_s: float | None = None) -> None:
    """Have actions done in order; `pause_s` passes behind each, by default what the session has chosen."""
    ask_to_do_as_shown(lambda: texts, pause_s)


def ask_to_do_as_shown(actions: Callable[[], Sequence[str]], pause_s: float | None = None) -> None:
    """Have actions done that follow from what the page's lists and fields show.

    Somebody may choose and press before the server has drawn the page again: what a button does is therefore
    read off `st.session_state` when it is pressed, never when the button is drawn. `actions` may raise
    `Problem` where nothing can be done with what is chosen.
    """
    ask(partial(_do_as_shown, actions=actions, pause_s=pause_s))


def as_shown(sentence: str) -> Callable[[], tuple[str]]:
    """An action for `ask_to_do_as_shown`; `{key}` in it is what the widget with that key shows."""
    return lambda: (sentence.format_map(st.session_state),)


def tells_problems(callback: Callable[P, None]) -> Callable[P, None]:
    """A button's callback that may raise `Problem` where nothing can be done with what is chosen now."""

    @wraps(callback)
    def careful(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            callback(*args, **kwargs)
        except Problem as problem:
            ask(partial(_refuse, problem))

    return careful


def _refuse(problem: Problem, held: Held, report: Report) -> None:
    raise problem


def worked_off(place: DeltaGenerator) -> Held:
    """The bench with all done that was asked for; then to the bay, where a click wants that.

    What could not be done is told in `place`, once: on another page it would be about nothing that is there.
    """
    held: Held = st.session_state.held
    anything = bool(st.session_state.jobs)
    work_off(held, place)
    if st.session_state.pop("to_the_bay", False) and not held.problem:
        st.switch_page(st.session_state.entries["bay"])
    if anything and held.problem:
        place.error(plain(held.problem), icon=":material/block:")
    kept_fields.keep(held.key)
    return held


def work_off(held: Held, place: DeltaGenerator) -> None:
    """Do what has been asked for, in order, with progress in `place` where it takes long."""
    jobs: list[Job] = st.session_state.jobs
    if not jobs:
        return
    held.begin_work()
    progress = _Progress(place)
    while jobs:
        job = jobs.pop(0)
        try:
            job(held, progress.report)
        except Problem as problem:
            held.problem = str(problem)
        except CalledOff:
            jobs.clear()
            held.stand_as_before(progress.report)
            held.problem = "called off; the car stands as before"
        except Exception as error:
            logging.getLogger("busbay").exception("work on the bench failed")
            held.stand_as_before(progress.report)
            held.problem = f"the model cannot carry this out ({error}); the car stands as before"
    held.put_away()
    progress.end()


class CalledOff(Exception):
    """Somebody no longer wants to wait for this work."""


class _Progress:
    """A bar that appears when work takes long, and a button that calls it off.

    The next click may make every call of Streamlit raise: that must not stop the work half-way, so it is kept
    and raised again when the work is done.
    """

    def __init__(self, place: DeltaGenerator) -> None:
        self._place, self._start_s = place, time.monotonic()
        self._bar: DeltaGenerator | None = None
        self._stopped: BaseException | None = None
        self._called_off = False

    def report(self, share: float) -> None:
        """Tell how far the work is, 0 to 1."""
        if self._stopped is not None or time.monotonic() - self._start_s < SHOW_PROGRESS_AFTER_S:
            return
        try:
            if self._bar is None:
                row = self._place.container(horizontal=True, vertical_alignment="center")
                self._bar = row.empty()
                row.button("Call it off", key=CALL_OFF)
            self._bar.progress(min(max(share, 0.0), 1.0), "The car is working ...")
        except BaseException as stop:
            self._stopped = stop
        if not self._called_off and _waits_for_its_turn(CALL_OFF):
            self._called_off = True
            raise CalledOff

    def end(self) -> None:
        """Take the bar away, and let the next click have its turn."""
        if self._stopped is not None:
            raise self._stopped
        if self._bar is not None:
            self._place.empty()


def _waits_for_its_turn(key: str) -> bool:
    """Was the button with this key pressed since this run began?

    Streamlit lets a run inside a fragment come to its end before it tells of a click, so its queue is asked.
    """
    context = get_script_run_ctx(suppress_warning=True)
    queue = getattr(context, "script_requests", None)
    if getattr(getattr(queue, "_state", None), "name", "") != "RERUN":
        return False
    widgets = getattr(getattr(queue, "_rerun_data", None), "widget_states", None)
    return any(one.trigger_value and one.id.endswith(f"-{key}") for one in getattr(widgets, "widgets", ()))


def _do_as_shown(
    held: Held, report: Report, actions: Callable[[], Sequence[str]], pause_s: float | None
) -> None:
    texts, watched = [*actions()], st.session_state.get("watched")  # by a meter whose leads stay on
    if watched is not None and texts[-1].split()[:1] not in [[verb] for verb in OBSERVATION_VERBS]:
        texts += watched()
    if pause_s is None:
        pause_s = float(st.session_state.get("pause_s", 10) or 0)
    _do_all(held, report, texts, pause_s)


def _do_all(held: Held, report: Report, texts: Sequence[str], pause_s: float) -> None:
    for text in texts:
        verb = parse_action(text, held.bench.car).verb
        held.said = held.do(text, report)
        if pause_s and held.pauses_after(verb):
            held.do(f"wait {pause_s:g} s", report)
            held.said += f", then {pause_s:g} s pass"


def _anew(bench: Bench) -> Bench:
    return Bench(bench.base, bench.given, bench.seed)


def _replayed(bench: Bench, log: Sequence[str], report: Report) -> Bench:
    for place, text in enumerate(log, start=1):
        bench.do(text)
        report(place / len(log))
    return bench


def _leave(held: Held, words: str) -> None:
    """Keep the log as it is now, unless nothing was done yet."""
    if len(held.bench.log) > 1 or held.bench.given:
        held.left_behind.insert(0, _as_left(words, held))
        del held.left_behind[MOST_LEFT_BEHIND:]


def _title(held: Held) -> str:
    steps = len(held.bench.log)
    return f"{held.car.title}, {steps} action{'s' if steps != 1 else ''}, {held.bench.now_s:.0f} s"


def rewind(keep: int) -> Job:
    """Back to after the first `keep` actions; the longer log is left behind."""

    def job(held: Held, report: Report) -> None:
        if not 0 <= keep <= len(held.bench.log):
            raise EditProblem(f"the log has {len(held.bench.log)} actions; it cannot be rewound to {keep}")
        words = _title(held)
        shorter = _replayed(_anew(held.bench), held.bench.log[:keep], report)
        _leave(held, words)
        held.bench = shorter
        held.said = f"rewound to {f'after: {shorter.log[-1]}' if keep else 'the start'}"

    return job


def take_up(chosen: LeftBehind) -> Job:
    """Take up a log that was left behind; the one worked on now takes its place."""

    def job(held: Held, report: Report) -> None:
        if chosen not in held.left_behind:
            raise EditProblem(f"no longer left behind: {chosen.words}")
        bench = _bench_of(chosen)
        words = _title(held)
        held.left_behind.remove(chosen)
        _leave(held, words)
        _set_car(held, chosen.car_name, chosen.car_text, bench, chosen.job)
        held.said = f"taken up again: {chosen.words}"

    return job


def start_again(given: tuple[str, ...] = ()) -> Job:
    """A fresh bench of the same car with given edits; the old log is left behind."""

    def job(held: Held, report: Report) -> None:
        bench = _parked(held.car, given)
        _leave(held, _title(held))
        held.bench = bench
        held.said = f"a fresh {held.car.title}{', given: ' + '; '.join(given) if given else ''}"

    return job


def take_car(name: str, text: str, given: tuple[str, ...] = (), complaint: str = "") -> Job:
    """Another car into the bay, perhaps with a customer's complaint."""

    def job(held: Held, report: Report) -> None:
        bench = _parked(car_from_text(text, name), given)
        _leave(held, _title(held))
        _set_car(held, name, text, bench, complaint)
        held.said = f"{bench.base.title} stands in the bay"

    return job


def restore(text: str) -> Job:
    """The bench that a downloaded log describes, with its car."""

    def job(held: Held, report: Report) -> None:
        name, car_text, saved = opened_log(text)
        given, seed, log = parts_of(saved)
        bench = _replayed(Bench(car_from_text(car_text, name), given, seed), log, report)
        _leave(held, _title(held))
        _set_car(held, name, car_text, bench, "")
        held.said = f"restored: {_title(held)}"

    return job


def take_log(name: str, text: str, given: tuple[str, ...], seed: int, log: list[str]) -> Job:
    """The bench after these actions; the one worked on now is left behind."""

    def job(held: Held, report: Report) -> None:
        bench = _replayed(Bench(car_from_text(text, name), given, seed), log, report)
        _leave(held, _title(held))
        complaint = held.job if text == held.car_text else ""
        _set_car(held, name, text, bench, complaint)
        held.said = f"another future stands in the bay: {_title(held)}"

    return job


def _set_car(held: Held, name: str, text: str, bench: Bench, job: str) -> None:
    st.session_state.asked_why = False
    held.job = job
    if text != held.car_text:
        held._layouts = {}
    held.car_name, held.car_text, held.bench = name, text, bench


def log_to_download(held: Held) -> str:
    """The whole bench as one file: car and log."""
    bench = json.loads(held.bench.saved())
    return json.dumps(
        {"busbay": 1, "car_name": held.car_name, "car": held.car_text, "bench": bench},
        ensure_ascii=False,
        indent=1,
    )


def opened_log(text: str) -> tuple[str, str, str]:
    """Name and text of the car, and the saved bench, of a downloaded log."""
    try:
        saved = json.loads(text)
        name, car_text, bench = saved["car_name"], saved["car"], saved["bench"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise EditProblem("this file is no log of busbay") from None
    if not isinstance(name, str) or not isinstance(car_text, str):
        raise EditProblem("this file is no log of busbay")
    return name, car_text, json.dumps(bench)
