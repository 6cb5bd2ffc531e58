"""Pieces of work that put another bench into the bay: back, anew, another car, another log.

Each is to be asked for with `ui.state.work.ask`; the log worked on until then is left behind.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import streamlit as st

from sim.bench.bench import Bench, parts_of
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from ui.state.held import Held, Report, anew, parked, replayed
from ui.state.left_behind import LeftBehind


def rewind(held: Held, report: Report, keep: int) -> None:
    """Go back to after the first `keep` actions; the longer log is left behind."""
    if not 0 <= keep <= len(held.bench.log):
        raise EditProblem(f"the log has {len(held.bench.log)} actions; it cannot be rewound to {keep}")
    words = held.title
    shorter = replayed(anew(held.bench), held.bench.log[:keep], report)
    held.leave(words)
    held.bench = shorter
    held.said = f"rewound to {f'after: {shorter.log[-1]}' if keep else 'the start'}"


def take_up(held: Held, report: Report, chosen: LeftBehind) -> None:
    """Take up a log that was left behind; the one worked on now takes its place."""
    if chosen not in held.left_behind:
        raise EditProblem(f"no longer set aside: {chosen.words}")
    bench = chosen.bench(report)
    words = held.title
    held.left_behind.remove(chosen)
    held.leave(words)
    _set_car(held, chosen.car_name, chosen.car_text, bench, chosen.job)
    held.said = f"resumed: {chosen.words}"


def start_again(held: Held, report: Report, given: tuple[str, ...] = ()) -> None:
    """A fresh bench of the same car with given edits; the old log is left behind."""
    bench = parked(held.car, given)
    held.leave(held.title)
    held.bench = bench
    held.said = f"a fresh {held.car.title}{', given: ' + '; '.join(given) if given else ''}"


def take_car(
    held: Held, report: Report, name: str, text: str, given: tuple[str, ...] = (), complaint: str = ""
) -> None:
    """Put another car into the bay, with a customer's complaint if it came with one."""
    bench = parked(car_from_text(text, name), given)
    held.leave(held.title)
    _set_car(held, name, text, bench, complaint)
    held.said = f"In the bay: {bench.base.title}"


def play_example(
    held: Held, report: Report, name: str, text: str, before: Sequence[str], watched: Sequence[str]
) -> None:
    """Put another car into the bay, do what comes before, then what is to be watched."""
    take_car(held, report, name, text)
    for place, action in enumerate((*before, *watched)):
        if place == len(before):
            held.events = []
        held.do(action, report)
    held.said = ""  # the strip tells the last action, not the wait after it


def restore(held: Held, report: Report, text: str) -> None:
    """The bench that a downloaded log describes, with its car."""
    name, car_text, saved = opened_log(text)
    given, seed, log = parts_of(saved)
    bench = replayed(Bench(car_from_text(car_text, name), given, seed), log, report)
    held.leave(held.title)
    _set_car(held, name, car_text, bench, "")
    held.said = f"restored: {held.title}"


def take_log(
    held: Held, report: Report, name: str, text: str, given: tuple[str, ...], seed: int, log: list[str]
) -> None:
    """The bench after these actions; the one worked on now is left behind."""
    bench = replayed(Bench(car_from_text(text, name), given, seed), log, report)
    held.leave(held.title)
    complaint = held.job if text == held.car_text else ""
    _set_car(held, name, text, bench, complaint)
    held.said = f"In the bay, with another future: {held.title}"


def _set_car(held: Held, name: str, text: str, bench: Bench, job: str) -> None:
    st.session_state.asked_why = False
    held.put_in(name, text, bench, job)


# -- the file of a bench, as it is downloaded and restored --------------------------------------------------


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
        raise EditProblem("this file is not a busbay log") from None
    if not isinstance(name, str) or not isinstance(car_text, str):
        raise EditProblem("this file is not a busbay log")
    return name, car_text, json.dumps(bench)
