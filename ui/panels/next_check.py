"""The check that tells most about what is left, and all others that tell anything."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import streamlit as st

from sim.bench.action_words import sentence_of
from sim.lab.check_plan import without_the_check
from sim.lab.next_check import Advice, Ranked, next_check
from sim.lab.search_plan import SearchAnswer
from sim.lab.search_result import SearchResult
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.car import Car
from sim.vehicle.fault_words import fault_set_words
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.state import lab_work, work
from ui.state.search_question import NEXT

MOST_LEFT = 5


def show(found: SearchAnswer) -> None:
    """The button that looks for the next check, and what it found."""
    st.header("What to check next", anchor=False)
    st.button(
        "Find the next best check", key="next_find", icon=":material/troubleshoot:",
        disabled=len(found.result.causes) < 2 and not found.result.causes[0].alike,
        on_click=partial(_start_next, found, False),
    )  # fmt: skip
    advice: Advice | None = lab_work.found(NEXT, "suspects")
    if advice is None:
        return
    with st.container(key="next_found"):
        st.markdown(f"**{advice.words}** The {advice.compared} likeliest of {advice.of} were compared.")
        if all(one.check.passive for one in advice.ranked):
            st.button(
                "Include unplugging and scans", key="next_every_kind",
                help="a check that changes the car needs a run of every possible cause",
                on_click=partial(_start_next, found, True),
            )  # fmt: skip
        if advice.best is None:
            return
        place = st.selectbox(
            "check", list(range(len(advice.ranked))), key="next_which",
            format_func=lambda one: f"{one + 1}. {sentence_of(advice.ranked[one].check.actions)}",
        )  # fmt: skip
        _check(advice.ranked[place], found.result)
        with st.expander("All checks that tell any of them apart"):
            head = ("check", "min", "bits", "bits per min", "min to the end", "outcomes")
            sheet.show(plain_table(head, [_ranked_row(one) for one in advice.ranked]), "next_table")
    if not found.question.steps:
        st.button(
            "Do it in the bay", key="next_do", icon=":material/car_repair:", on_click=partial(_do, advice)
        )


def _start_next(found: SearchAnswer, every_kind: bool) -> None:
    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Advice:
        return next_check(
            found.result, every_kind=every_kind, workshop=workshop, progress=progress, stop=stop
        )

    lab_work.start(NEXT, task)


def _check(one: Ranked, found: SearchResult) -> None:
    end = (
        "" if one.minutes_to_end is None else f", about {one.minutes_to_end:.1f} min until one cause is left"
    )
    st.markdown(f"{one.check.minutes:g} min of labor{end}. {one.check.why}")
    named, car = found.named(), found.car
    shown = [outcome.shows for outcome in one.outcomes]
    rows = [
        (shows, f"{outcome.share:.0%}", _leaves([named[title] for title in outcome.leaves], car))
        for shows, outcome in zip(without_the_check(one.check, shown), one.outcomes, strict=True)
    ]
    sheet.show(plain_table(("if it shows", "likely", "this is left"), rows), "next_outcomes")
    for words in dict.fromkeys(one.check.cautions):
        st.warning(words, icon=":material/warning:")


def _leaves(sets: Sequence[tuple[str, ...]], car: Car) -> str:
    more = f" and {len(sets) - MOST_LEFT} more" if len(sets) > MOST_LEFT else ""
    return "; ".join(fault_set_words(edits, car) for edits in sets[:MOST_LEFT]) + more


def _ranked_row(one: Ranked) -> tuple[str, ...]:
    end = "" if one.minutes_to_end is None else f"{one.minutes_to_end:.1f}"
    return (
        sentence_of(one.check.actions),
        f"{one.check.minutes:g}",
        f"{one.bits:.2f}",
        f"{one.bits_per_minute:.2f}",
        end,
        str(len(one.outcomes)),
    )


def _do(advice: Advice) -> None:
    work.ask_to_do(*advice.ranked[st.session_state.next_which].check.actions, pause_s=0)
    st.session_state.to_the_bay = True
