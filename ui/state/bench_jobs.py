"""Pieces of work that put another bench into the bay: back, anew, another car, another log.

Each is a `Job` to be asked for with `ui.state.work.ask`; the log worked on until then is left behind.
"""

from __future__ import annotations

import streamlit as st

from sim.bench.bench import Bench, parts_of
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from ui.state.held import Held, Job, Report, anew, parked, replayed
from ui.state.log_file import opened_log
from ui.state.shelf import LeftBehind


def rewind(keep: int) -> Job:
    """Back to after the first `keep` actions; the longer log is left behind."""

    def job(held: Held, report: Report) -> None:
        if not 0 <= keep <= len(held.bench.log):
            raise EditProblem(f"the log has {len(held.bench.log)} actions; it cannot be rewound to {keep}")
        words = held.title
        shorter = replayed(anew(held.bench), held.bench.log[:keep], report)
        held.leave(words)
        held.bench = shorter
        held.said = f"rewound to {f'after: {shorter.log[-1]}' if keep else 'the start'}"

    return job


def take_up(chosen: LeftBehind) -> Job:
    """Take up a log that was left behind; the one worked on now takes its place."""

    def job(held: Held, report: Report) -> None:
        if chosen not in held.left_behind:
            raise EditProblem(f"no longer left behind: {chosen.words}")
        bench = chosen.bench()
        words = held.title
        held.left_behind.remove(chosen)
        held.leave(words)
        _set_car(held, chosen.car_name, chosen.car_text, bench, chosen.job)
        held.said = f"taken up again: {chosen.words}"

    return job


def start_again(given: tuple[str, ...] = ()) -> Job:
    """A fresh bench of the same car with given edits; the old log is left behind."""

    def job(held: Held, report: Report) -> None:
        bench = parked(held.car, given)
        held.leave(held.title)
        held.bench = bench
        held.said = f"a fresh {held.car.title}{', given: ' + '; '.join(given) if given else ''}"

    return job


def take_car(name: str, text: str, given: tuple[str, ...] = (), complaint: str = "") -> Job:
    """Another car into the bay, perhaps with a customer's complaint."""

    def job(held: Held, report: Report) -> None:
        bench = parked(car_from_text(text, name), given)
        held.leave(held.title)
        _set_car(held, name, text, bench, complaint)
        held.said = f"{bench.base.title} stands in the bay"

    return job


def restore(text: str) -> Job:
    """The bench that a downloaded log describes, with its car."""

    def job(held: Held, report: Report) -> None:
        name, car_text, saved = opened_log(text)
        given, seed, log = parts_of(saved)
        bench = replayed(Bench(car_from_text(car_text, name), given, seed), log, report)
        held.leave(held.title)
        _set_car(held, name, car_text, bench, "")
        held.said = f"restored: {held.title}"

    return job


def take_log(name: str, text: str, given: tuple[str, ...], seed: int, log: list[str]) -> Job:
    """The bench after these actions; the one worked on now is left behind."""

    def job(held: Held, report: Report) -> None:
        bench = replayed(Bench(car_from_text(text, name), given, seed), log, report)
        held.leave(held.title)
        complaint = held.job if text == held.car_text else ""
        _set_car(held, name, text, bench, complaint)
        held.said = f"another future stands in the bay: {held.title}"

    return job


def _set_car(held: Held, name: str, text: str, bench: Bench, job: str) -> None:
    st.session_state.asked_why = False
    held.put_in(name, text, bench, job)
