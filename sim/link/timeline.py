"""What happened over time, as a picture: load of each bus, state of each module, codes that set and heal.

Not modeled: which code a lamp shines for; frames one by one (see `sim.link.recording`).
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from matplotlib.figure import Figure

from sim.bench.live import LiveCar
from sim.link.tap import add_tap
from sim.modules.trace import Event
from sim.network.frames import Frame
from sim.vehicle.problems import Problem

BIN_S: Final = 0.1  # the load is the share of each tenth of a second that frames fill
CODE: Final = re.compile(r"[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?")
CODE_KINDS: Final = {"code": "sets", "code heals": "heals", "code cleared": "is cleared"}
MARKERS: Final = {"sets": "v", "heals": "^", "is cleared": "x"}
# Each state by color and pattern, so that it can be told without color. Colors: Okabe and Ito's palette.
LOOKS: Final = {
    "unpowered": ("#FFFFFF", "xx"),
    "dead": ("#FFFFFF", "++"),
    "boot mode": ("#CC79A7", "--"),
    "asleep": ("#DDDDDD", ""),
    "starting": ("#F0E442", "//"),
    "running": ("#009E73", ""),
    "shut down": ("#D55E00", "oo"),
    "going to sleep": ("#56B4E9", "\\\\"),
}
LINES: Final = ("-", "--", "-.", ":")
PICTURES: Final = (".svg", ".png", ".pdf")
OTHER_STATE: Final = ("#E69F00", "..")


@dataclass(frozen=True, slots=True)
class Span:
    """A module was in a state from one time to another, seconds."""

    start_s: float
    end_s: float
    state: str


@dataclass(frozen=True, slots=True)
class CodeMark:
    """A code set, healed or was cleared."""

    time_s: float
    module: str
    code: str
    what: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """From start_s to end_s: by bus the load (0 to 1) of each bin, by module its states, and the codes."""

    start_s: float
    end_s: float
    loads: dict[str, list[float]]
    states: dict[str, list[Span]]
    codes: list[CodeMark]


class TimelineRecorder:
    """Notes a timeline from now until `stop`. A context manager; `timeline` is the result."""

    def __init__(self, live: LiveCar) -> None:
        self.timeline: Timeline | None = None
        self._live = live
        self._start_s = live.now_s
        self._busy_s: dict[str, dict[int, float]] = {bus: defaultdict(float) for bus in live.car.built.buses}
        self._since: dict[str, tuple[float, str]] = {
            name: (live.now_s, module.state) for name, module in live.modules.items()
        }
        self._states: dict[str, list[Span]] = {name: [] for name in live.modules}
        self._codes: list[CodeMark] = []
        self._bus_of = {channel: part.bus for channel, part in live.car.transceivers.items()}
        self._end = add_tap(live, self._frame)
        live.trace.on_event = self._event

    def __enter__(self) -> TimelineRecorder:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> Timeline:
        """Note no more; the timeline so far."""
        if self.timeline is None:
            self._end()
            self._live.trace.on_event = None
            for name in self._since:
                self._change(name, "")
            end_s = self._live.now_s
            bins = max(1, round((end_s - self._start_s) / BIN_S))
            loads = {
                bus: [min(1.0, busy_s.get(place, 0.0) / BIN_S) for place in range(bins)]
                for bus, busy_s in self._busy_s.items()
            }
            self.timeline = Timeline(self._start_s, end_s, loads, self._states, self._codes)
        return self.timeline

    def _frame(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        self._busy_s[self._bus_of[sender]][int((end_s - self._start_s) / BIN_S)] += end_s - start_s

    def _event(self, event: Event) -> None:
        if event.subject in self._since:
            self._change(event.subject, self._live.modules[event.subject].state)
        if event.kind in CODE_KINDS and (found := CODE.search(event.text)):
            self._codes.append(CodeMark(event.time_s, event.subject, found[0], CODE_KINDS[event.kind]))

    def _change(self, name: str, state: str) -> None:
        since_s, before = self._since[name]
        if state != before:
            if self._live.now_s > since_s:
                self._states[name].append(Span(since_s, self._live.now_s, before))
            self._since[name] = (self._live.now_s, state)


def picture(timeline: Timeline) -> Figure:
    """The timeline as three panels over one time axis."""
    modules, marked = list(timeline.states), sorted({mark.module for mark in timeline.codes})
    heights = (3.0, 0.25 * len(modules) + 0.5, max(1.0, 0.3 * len(marked) + 0.5))
    figure = Figure(figsize=(11, sum(heights) + 1.5), layout="constrained")
    load, states, codes = figure.subplots(3, 1, sharex=True, height_ratios=heights)

    for number, (bus, shares) in enumerate(timeline.loads.items()):
        edges_s = [timeline.start_s + place * BIN_S for place in range(len(shares) + 1)]
        style = LINES[number % len(LINES)]
        load.stairs([100 * share for share in shares], edges_s, label=bus, baseline=None, linestyle=style)
    load.set_ylabel("bus load in %")
    load.set_ylim(0, 100)
    load.legend(loc="upper right", ncols=3, fontsize="small")

    used = {span.state for spans in timeline.states.values() for span in spans}
    for place, name in enumerate(modules):
        for state in sorted(used):
            color, hatch = LOOKS.get(state, OTHER_STATE)
            bars = [(s.start_s, s.end_s - s.start_s) for s in timeline.states[name] if s.state == state]
            label = state if place == 0 else None
            states.broken_barh(bars, (place - 0.4, 0.8), facecolor=color, hatch=hatch, edgecolor="#555555",
                               linewidth=0.3, label=label)  # fmt: skip
    states.set_yticks(range(len(modules)), modules, fontsize="small")
    states.set_ylim(len(modules) - 0.5, -0.5)
    states.set_ylabel("modules")
    if used:
        states.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=6, fontsize="small", frameon=False)

    for mark in timeline.codes:
        row = marked.index(mark.module)
        codes.plot(mark.time_s, row, MARKERS[mark.what], color="#000000", markersize=5)
        codes.annotate(f" {mark.code}", (mark.time_s, row), fontsize="x-small", verticalalignment="center")
    codes.set_yticks(range(len(marked)), marked, fontsize="small")
    codes.set_ylim(max(1, len(marked)) - 0.5, -0.5)
    codes.set_ylabel("codes")
    codes.set_title("▼ sets   ▲ heals   × is cleared", fontsize="small", loc="left")
    codes.set_xlabel("simulated time in s")
    codes.set_xlim(timeline.start_s, max(timeline.end_s, timeline.start_s + BIN_S))
    return figure


def save_picture(timeline: Timeline, path: Path) -> None:
    """The picture as a file; the ending of its name chooses the format. Raises `Problem`."""
    if path.suffix.lower() not in PICTURES:
        raise Problem(f"no pictures in '{path.suffix}'; formats: {' '.join(PICTURES)}")
    try:
        picture(timeline).savefig(path)
    except OSError as error:
        raise Problem(f"{path} cannot be written: {error.strerror}") from None
