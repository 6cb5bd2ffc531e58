"""What a browser session works on: one bench, what was said about it last, the logs it left behind,
and the shelf where a refresh of the browser finds all of it again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import streamlit as st

from sim.bench.actions import BY_HAND
from sim.bench.bench import Bench, Outcome
from sim.bench.observations import is_observation
from sim.handbook.links import Paragraph
from sim.instruments.follow_up import FollowUp, follow_ups
from sim.instruments.inspection import Inspection
from sim.instruments.read import Notebook
from sim.instruments.service import ServiceInformation
from sim.modules.trace import Event
from sim.vehicle.car import Car
from sim.vehicle.words import counted
from ui.drawing.layout import Layout, layout_of
from ui.state import left_behind
from ui.state.left_behind import LeftBehind
from ui.state.long_work import carried_out
from ui.state.next_step import SEAT, Done, last_change
from ui.state.visible import Visible, all_visible, before_a_scan

PARKED_S = 20
MOST_LEFT_BEHIND = 20
MOST_ON_SHELF = 300
NO_PAUSE_AFTER = (
    "wait",
    "ask",
    "scan",
    "save",
    "clear",
    "unlock",
    "identify",
    "read",
    "details",
    "observe",
    *BY_HAND,
)

Report = Callable[[float], None]
Job = Callable[["Held", Report], None]


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
    told: tuple[str, str] = ("", "")  # the last action that is no wait, and what it has shown
    problem: str = ""
    paragraph: Paragraph | None = None  # of the handbook, about the problem
    events: list[Event] = field(default_factory=list)
    notebook: Notebook = field(default_factory=Notebook)
    layouts: dict[float, Layout] = field(default_factory=dict)
    known_papers: tuple[Car, ServiceInformation] | None = None  # with the car that they are of

    @property
    def car(self) -> Car:
        """The car as its file describes it, before any edit."""
        return self.bench.base

    def begin_work(self) -> None:
        """Forget what the last work said and showed."""
        self.said = self.problem = ""
        self.paragraph = None
        self.events = []

    def visible(self) -> Visible:
        """What may be seen of it now."""
        if self.job and self.bench.last_report is None:
            return before_a_scan(self.bench)
        return all_visible(self.bench)

    def do(self, text: str, report: Report) -> str:
        """Do one action; its outcome in a few words."""
        self.bench, outcome = carried_out(self.bench, [text], report)
        assert outcome is not None
        self.events += outcome.events
        observes = is_observation(outcome.action)
        shown = self.notebook.note(self.bench).result.display if observes else outcome.words
        if not outcome.action.startswith("wait "):
            self.told = outcome.action, shown
        return f"{outcome.action}{f': {shown}' if shown else ''}"

    def last_done(self, visible: Visible) -> Done | None:
        """The last thing done, without the wait that may have followed it; None if nothing was done yet."""
        log = self.bench.log
        place = len(log)
        if place > 1 and log[-1].startswith("wait ") and not log[-2].startswith("wait "):
            place -= 1
        if place < 2:  # a parked car has waited
            return None
        text = log[place - 1]
        verb, _, part = text.partition(" ")
        if is_observation(text):
            shown = next(one.result for one in self.notebook.of(self.bench) if one.place == place)
            repairs = shown.repairs if isinstance(shown, Inspection) else ()
            return Done(text, verb, part, shown.display, repairs=repairs, follow_ups=self.follow_ups())
        return Done(text, verb, part, self._answer(text, verb, visible))

    def follow_ups(self) -> tuple[FollowUp, ...]:
        """The checks that the readings since the last change suggest; those of the last one first."""
        changed = last_change(self.bench.log)
        readings = [one for one in self.notebook.of(self.bench) if one.place > changed]
        return tuple(step for one in reversed(readings) for step in follow_ups(self.papers(), one.result))

    def papers(self) -> ServiceInformation:
        """The service information of the car, made once."""
        if self.known_papers is None or self.known_papers[0] is not self.car:
            self.known_papers = (self.car, ServiceInformation(self.car))
        return self.known_papers[1]

    def _answer(self, text: str, verb: str, visible: Visible) -> str:
        report = self.bench.last_report
        if verb == "scan" and report is not None:
            return Outcome(text, (), report).words
        if verb in SEAT:
            return f"{visible.seat.told} · ignition {visible.seat.ignition}"
        shown = self.told[1] if self.told[0] == text else ""
        return shown or ("" if visible.only_found or visible.unasked else self._brought())

    def _brought(self) -> str:
        """What everyone in the bay sees come of what was just done: codes, lamps."""
        codes = sum(event.kind == "code" and event.value == "present" for event in self.events)
        lamps = sum(event.kind == "telltale" and event.value == "lit" for event in self.events)
        light = "lights" if lamps == 1 else "light"
        told = (codes and f"{counted(codes, 'code')} set", lamps and f"{counted(lamps, 'lamp')} {light}")
        return ", ".join(words for words in told if words)

    def pauses_after(self, verb: str) -> bool:
        """Whether time passes after an action of this kind."""
        return verb not in NO_PAUSE_AFTER

    def stand_as_before(self, report: Report) -> None:
        """Replay the log after work that was cut off in the middle."""
        if self.bench.cut_off:
            self.bench = replayed(anew(self.bench), self.bench.log, report)

    def put_away(self) -> None:
        """Put it on the shelf, where a refresh of the browser finds it."""
        now = self.as_left_behind("")
        shelf().put(self.key, now, self.left_behind)
        left_behind.keep(self.key, now, self.left_behind)

    @property
    def may_act(self) -> bool:
        """Whether anything may be done to the car now."""
        return True

    def as_left_behind(self, words: str) -> LeftBehind:
        """Its log as text, named by `words`."""
        return LeftBehind(words, self.car_name, self.car_text, self.bench.saved(), self.job)

    def leave(self, words: str) -> None:
        """Keep the log as it is now among those left behind, unless nothing was done yet."""
        if len(self.bench.log) > 1 or self.bench.given:
            self.left_behind.insert(0, self.as_left_behind(words))
            del self.left_behind[MOST_LEFT_BEHIND:]

    def put_in(self, car_name: str, car_text: str, bench: Bench, job: str) -> None:
        """Put another bench, of this or another car, into the bay."""
        if car_text != self.car_text:
            self.layouts = {}
        self.car_name, self.car_text, self.bench, self.job = car_name, car_text, bench, job

    @property
    def is_begun(self) -> bool:
        """Whether there is work in the free bay to come back to."""
        return bool(self.key) and (len(self.bench.log) > 1 or bool(self.bench.given))

    @property
    def title(self) -> str:
        """Car, number of actions and time in a few words."""
        return f"{self.car.title}, {counted(len(self.bench.log), 'action')}, {self.bench.now_s:.0f} s"

    def layout(self, width: float) -> Layout:
        """The car's map, laid out once."""
        if width not in self.layouts:
            self.layouts[width] = layout_of(self.car, width)
        return self.layouts[width]


def parked(car: Car, given: tuple[str, ...] = ()) -> Bench:
    """The car in the bay: its battery was connected long enough ago for it to sleep."""
    bench = Bench(car, given)
    bench.do(f"wait {PARKED_S} s")
    return bench


def anew(bench: Bench) -> Bench:
    """The same car as it came, with nothing done to it."""
    return Bench(bench.base, bench.given, bench.seed)


def replayed(bench: Bench, log: Sequence[str], report: Report) -> Bench:
    """A bench after the actions of a log."""
    return carried_out(bench, log, report)[0]


# -- the shelf -----------------------------------------------------------------------------------------------


class Shelf:
    """Saved benches of all sessions by key; the least recently saved one is dropped first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._saved: OrderedDict[str, tuple[LeftBehind, tuple[LeftBehind, ...]]] = OrderedDict()

    def put(self, key: str, now: LeftBehind, left_behind: Sequence[LeftBehind]) -> None:
        """Keep the log of a session, and those that it left behind."""
        with self._lock:
            self._saved[key] = now, tuple(left_behind)
            self._saved.move_to_end(key)
            while len(self._saved) > MOST_ON_SHELF:
                self._saved.popitem(last=False)

    def take(self, key: str) -> tuple[LeftBehind, tuple[LeftBehind, ...]] | None:
        """The log under a key, with those left behind; None if neither memory nor disk knows the key."""
        with self._lock:
            saved = self._saved.get(key)
        return saved or left_behind.kept_under(key)


@st.cache_resource
def shelf() -> Shelf:
    """The shelf of this server."""
    return Shelf()
