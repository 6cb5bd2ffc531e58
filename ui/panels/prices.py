"""What an action costs before it is done: labor time and parts, as the diagram's car takes it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

import streamlit as st

from sim.bench.actions import parse_action
from sim.lab.labor import minutes_of
from sim.training.jobs import cost_of
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem
from ui.state.held import Held


def price(car: Car, actions: Sequence[str]) -> str:
    """`15 min, parts 4`; empty for what is no action on this car."""
    minutes = cost = 0.0
    if not actions:
        return ""
    with suppress(EditProblem):
        for text in actions:
            action = parse_action(text, car)
            minutes += minutes_of(action, car, action.number if action.verb == "wait" else 0.0)
            cost += cost_of(action, car)
        digits = 0 if minutes >= 1 else 1
        return f"{minutes:.{digits}f} min{f', parts {cost:g}' if cost else ''}"
    return ""


def price_as_shown(sentence: str) -> str:
    """The price of an action in which `{key}` is what the widget with that key shows now; empty for none."""
    with suppress(KeyError, TypeError, ValueError):  # nothing is chosen there yet
        return price_at_work(sentence.format_map(st.session_state)) or ""
    return ""


def with_price(words: str, cost: str | None) -> str:
    """The words of a button with what it costs, where that counts."""
    return f"{words} · {cost}" if cost else words


def price_at_work(*actions: str) -> str | None:
    """The price of actions on a customer's car, for the words of a button; none where work costs nothing."""
    held: Held | None = st.session_state.get("work")
    return None if held is None else price(held.car, actions) or None
