"""What the page Possible causes is to explain, and among which faults it looks, as it is chosen now."""

from __future__ import annotations

import streamlit as st

from sim.lab.case import Case
from sim.lab.search_plan import Question, changes_at_first
from sim.lab.three_faults import THREE
from sim.vehicle.edits import catalogue, further_faults, is_theory
from sim.vehicle.reading import car_from_text
from ui.state.held import Held

WORK, NEXT, PLAN = "suspects_work", "next_check_work", "check_plan_work"
IN_THE_BAY = "what was done and seen in the bay"
SINGLE, DOUBLE, TRIPLE = "one fault", "one or two faults", "up to three faults"
MOST = {SINGLE: 1, DOUBLE: 2, TRIPLE: THREE}


def question_now(held: Held) -> Question:
    """What is to be explained, as it is chosen now."""
    case: Case | None = st.session_state.get("case")
    if case and st.session_state.suspects_of != IN_THE_BAY:
        return Question(case.vehicle, case.given, case.seed, case.steps)
    bench = held.bench
    theories = tuple(text for text in bench.given if is_theory(text))
    hidden = tuple(text for text in bench.given if text not in theories)
    own = changes_at_first(bench.log) if st.session_state.get("suspects_hide") else []
    log = tuple(text for text in bench.log if text not in own)
    return Question(held.car_text, theories, bench.seed, (), log, (*hidden, *own))


def edits_of(question: Question) -> tuple[str, ...]:
    """The faults that the search considers."""
    car = car_from_text(question.vehicle)
    return (*catalogue(car), *further_faults(car, st.session_state.suspects_kinds))


def most_at_once() -> int:
    """How many faults there may be at once."""
    return MOST.get(st.session_state.suspects_most, MOST[SINGLE])  # none is chosen after a spoiled file
