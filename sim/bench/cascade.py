"""What happened in a stretch of time, from the trace alone: lanes of stretches (what something was, from when
to when) and marks (what happened at one moment).

Marks are events: which module stops, whose time limit for a message runs out, which code matures, which lamp
lights, which mode hangs, and what was done to the car before. Everything else in the trace (values that are
received, states of network management) is in its answers to why.

Not modeled: modules that run without contact to their bus; that is no event.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from sim.modules.trace import Event

# kinds of events that are marks, by the lane that they are on; all others are on their subject's lane
LANE_OF_KIND: Final = {
    "action": "person",
    "fault": "person",
    "repair": "person",
    "mode": "mode",
    "held": "mode",
    "engine": "engine",
    "telltale": "lamp",
    "relay": "supply",
    "fuse": "supply",
    "contact": "supply",
    "battery": "supply",
    "state": "module",
    "waits": "module",
    "lost": "module",
    "heard": "module",
    "code": "module",
    "code heals": "module",
    "code cleared": "module",
    "bus": "module",
    "link": "module",
    "refused": "module",
    "immobilizer": "module",
    "start-stop": "module",
}
CHANGES: Final = ("state", "waits", "mode", "engine", "telltale")  # they begin a new stretch
AT_FIRST: Final = {"module": "unpowered", "mode": "off", "engine": "stopped", "lamp": "dark"}
SHUT: Final = ("unpowered", "asleep", "starting", "shut down")  # states in which a module drives no lamp
ORDINARY: Final = ("starting", "running", "going to sleep", "asleep")


@dataclass(frozen=True, slots=True, order=True)
class Lane:
    """What a row of the picture is about. kind: person, mode, engine, lamp, supply or module."""

    kind: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Something was `value` from one time to another; `item` adds to it (what a module waits for).

    `event` made it so; None: it was so from the beginning.
    """

    start_s: float
    end_s: float
    value: str
    item: str = ""
    event: int | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """One event on its lane."""

    lane: Lane
    event: Event

    @property
    def is_ordinary(self) -> bool:
        """Whether it tells of a module that merely wakes, runs or goes to sleep."""
        return self.event.kind == "state" and self.event.value in ORDINARY


@dataclass(frozen=True, slots=True)
class Cascade:
    """All of it. codes: for each module how many codes it holds, from when on."""

    start_s: float
    end_s: float
    stretches: dict[Lane, tuple[Stretch, ...]]
    marks: tuple[Mark, ...]
    codes: dict[str, tuple[tuple[float, int], ...]]


def cascade_of(events: Iterable[Event], start_s: float, end_s: float) -> Cascade:
    """What happened from `start_s` to `end_s`, both included; `events`: all since the car got its battery."""
    following = _Following(start_s, end_s)
    for event in events:
        if event.time_s > end_s:
            break
        following.take(event)
    return following.cascade()


def lane_of(event: Event) -> Lane | None:
    """The lane that an event is a mark on; None: it is no mark."""
    kind = LANE_OF_KIND.get(event.kind)
    if kind is None or (event.kind == "heard" and event.value != "again"):
        return None
    return Lane(kind, {"module": event.subject, "lamp": event.item}.get(kind, ""))


class _Following:
    """Follows the trace from its beginning."""

    def __init__(self, start_s: float, end_s: float) -> None:
        self._start_s, self._end_s = start_s, end_s
        self._now: dict[Lane, Stretch] = {}
        self._done: dict[Lane, list[Stretch]] = defaultdict(list)
        self._marks: list[Mark] = []
        self._owners: dict[Lane, str] = {}  # of lamps and of the power mode: the module that decides
        self._held: dict[str, set[str]] = defaultdict(set)
        self._counts: dict[str, list[tuple[float, int]]] = defaultdict(list)

    def take(self, event: Event) -> None:
        """Note one event."""
        lane = lane_of(event)
        if lane is None:
            return
        if event.time_s >= self._start_s:
            self._marks.append(Mark(lane, event))
        if lane.kind in ("mode", "lamp"):
            self._owners[lane] = event.subject
        if event.kind in CHANGES:
            self._change(lane, event)
        if event.kind == "state":
            self._shut_what_it_owns(event)
        if event.kind in ("code", "code cleared"):
            self._count(event)

    def _change(self, lane: Lane, event: Event, value: str = "") -> None:
        before = self._now.get(lane) or Stretch(0.0, 0.0, AT_FIRST[lane.kind])
        now_s = max(event.time_s, self._start_s)
        if now_s > self._start_s:
            ended = Stretch(
                max(before.start_s, self._start_s), now_s, before.value, before.item, before.event
            )
            self._done[lane].append(ended)
        item = event.item if event.kind == "waits" else ""
        self._now[lane] = Stretch(now_s, now_s, value or event.value, item, event.id)

    def _shut_what_it_owns(self, event: Event) -> None:
        """A module without supply, asleep or in reset lights no lamp; without supply it holds no mode."""
        for lane, owner in self._owners.items():
            off = AT_FIRST[lane.kind]
            shut = event.value in (SHUT if lane.kind == "lamp" else SHUT[:1])
            if owner == event.subject and shut and self._now[lane].value != off:
                self._change(lane, event, off)

    def _count(self, event: Event) -> None:
        held, counts = self._held[event.subject], self._counts[event.subject]
        before = len(held)
        if event.kind == "code":
            held.add(event.item)
        else:
            held.discard(event.item)
        if len(held) != before:
            if event.time_s <= self._start_s:
                counts.clear()
            counts.append((max(event.time_s, self._start_s), len(held)))

    def cascade(self) -> Cascade:
        """All that was noted."""
        stretches = {lane: tuple(self._stretches(lane)) for lane in self._now}
        counts = {module: tuple(changes) for module, changes in self._counts.items()}
        return Cascade(self._start_s, self._end_s, stretches, tuple(self._marks), counts)

    def _stretches(self, lane: Lane) -> Iterator[Stretch]:
        yield from (one for one in self._done[lane] if one.end_s > one.start_s)
        now = self._now[lane]
        yield Stretch(now.start_s, self._end_s, now.value, now.item, now.event)
