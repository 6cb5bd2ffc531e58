"""What comes of a list of actions on a car with given edits, as plain data to lay side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import product

from sim.bench.bench import Bench
from sim.bench.tester import Report
from sim.instruments.seat import look
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem

MORNING = ("fob in range", "press start with brake", "wait 8 s", "press start", "wait 5 s", "scan")


@dataclass(frozen=True, slots=True)
class StepSeen:
    """One action and what the driver's seat told after it; `refused` where it could not be done."""

    action: str
    ignition: str
    engine: str
    lit: tuple[str, ...]
    heard: tuple[str, ...]  # what the engine did meanwhile
    refused: str = ""

    @property
    def words(self) -> str:
        """The step in one line."""
        if self.refused:
            return f"cannot be done: {self.refused}"
        return "; ".join([*self.heard, f"ignition {self.ignition}, engine {self.engine}"])


@dataclass(frozen=True, slots=True)
class Case:
    """One car with given edits after a list of actions."""

    given: tuple[str, ...]
    steps: tuple[StepSeen, ...]
    report: Report

    @property
    def rows(self) -> tuple[tuple[str, str], ...]:
        """(what, value) for a comparison."""
        last = self.steps[-1] if self.steps else None
        codes = Counter(code for _, code in sorted(self.report.codes))
        answering = len(self.report.modules) - len(self.report.silent)
        engine = tuple(dict.fromkeys(words for step in self.steps for words in step.heard))
        return (
            ("modules that answer", f"{answering} of {len(self.report.modules)}"),
            ("no answer from", ", ".join(self.report.silent) or "none"),
            ("engine", "; ".join(engine) or "the starter never turned it"),
            ("engine in the end", last.engine if last else ""),
            ("ignition in the end", last.ignition if last else ""),
            ("lamps lit in the end", ", ".join(last.lit) if last and last.lit else "none"),
            ("codes", str(len(self.report.codes))),
            (
                "which",
                ", ".join(f"{code} ×{count}" if count > 1 else code for code, count in sorted(codes.items()))
                or "none",
            ),
        )


def play(car: Car, given: Iterable[str], actions: Iterable[str]) -> Case:
    """Do the actions on a fresh bench; one that makes no sense there is noted and left out. Ends with a scan."""
    bench = Bench(car, given)
    steps = tuple(_step(bench, text) for text in actions)
    if not steps or steps[-1].action != "scan" or bench.last_report is None:
        bench.do("scan")
    assert bench.last_report is not None
    return Case(bench.given, steps, bench.last_report)


def _step(bench: Bench, text: str) -> StepSeen:
    heard: tuple[str, ...] = ()
    refused = ""
    try:
        events = bench.do(text).events
        heard = tuple(event.text for event in events if event.kind == "engine")
    except EditProblem as problem:
        refused = str(problem)
    seat = look(bench)
    return StepSeen(text, seat.ignition, seat.engine, seat.lit, heard, refused)


def combinations(always: Iterable[str], varied: Iterable[str]) -> list[tuple[str, ...]]:
    """Given edits of every case: `always` with each choice out of `varied`, everything in first."""
    fixed, open_ = tuple(always), tuple(varied)
    return [
        (*fixed, *(text for text, is_in in zip(open_, choice, strict=True) if is_in))
        for choice in product((True, False), repeat=len(open_))
    ]


def play_all(
    car: Car, cases: list[tuple[str, ...]], actions: list[str], report: Callable[[float], None]
) -> list[Case]:
    """One `Case` for each tuple of given edits."""
    played = []
    for place, given in enumerate(cases, start=1):
        played.append(play(car, given, actions))
        report(place / len(cases))
    return played
