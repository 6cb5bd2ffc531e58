"""Actions on a bench of the free bay: what may take long is done in a process of its own.

A class works in this process, and Python lets one thread of it compute at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial

import streamlit as st

from sim.bench.actions import parse_action
from sim.bench.bench import Bench, Outcome
from sim.bench.snapshot import NotNow
from sim.lab.bay_work import BayWork
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem
from ui.state.turns import shared

MOST_CPU_S = 30.0  # of one processor for one click; no step of a shipped solution takes a second
# what is shorter is done before another process has the bench; our own choice
LONG_WAIT_S, MANY_ACTIONS = 60.0, 40

Report = Callable[[float], None]


@st.cache_resource(show_spinner=False)
def bay_work() -> BayWork:
    """The processes of this server for long work in the free bay."""
    return BayWork()


def carried_out(
    bench: Bench, actions: Sequence[str], report: Report, most_cpu_s: float = MOST_CPU_S
) -> tuple[Bench, Outcome | None]:
    """A bench after these actions, which may be another one than was given, and what came of the last."""
    if may_take_long(bench.car, actions):
        with suppress(NotNow), shared.away():
            return bay_work().done(bench, actions, report, most_cpu_s)
    outcome = None
    for place, text in enumerate(actions):
        outcome = bench.do(text, partial(_told, report, place, len(actions)))
    return bench, outcome


def _told(report: Report, place: int, of: int, share: float) -> None:
    report((place + share) / of)


def may_take_long(car: Car, actions: Sequence[str]) -> bool:
    """Whether so much time passes at the car, or so much is done, that others would feel it."""
    return len(actions) > MANY_ACTIONS or sum(_waits_s(car, text) for text in actions) >= LONG_WAIT_S


def _waits_s(car: Car, text: str) -> float:
    if text.split(maxsplit=1)[:1] != ["wait"]:
        return 0.0
    try:
        return parse_action(text, car).number
    except Problem:  # it is told when it is done
        return 0.0
