"""Possible causes: every single and double fault that agrees with what was seen, and the check to do next."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.lab.case import Case
from sim.lab.explained import explained
from sim.lab.next_check import Advice, Ranked, next_check
from sim.lab.report import DISCLAIMER
from sim.lab.search_plan import Question, SearchAnswer, changes_at_first, search_on
from sim.lab.search_report import found_words, no_cause_words, odds_words, search_page
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.edits import catalogue, further_faults, further_kinds
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from ui.drawing import sheet
from ui.drawing.tables import because_tree, numbered, plain_table
from ui.state import lab_work, work
from ui.state.held import Held
from ui.state.work import tells_problems, worked_off
from ui.views import case

WORK, NEXT = "suspects_work", "next_check_work"
IN_THE_BAY = "what was done and seen in the bay"
SINGLE, DOUBLE = "one fault", "one or two faults"
LIMITS_MIN = (1, 5, 15, 60)
MOST_LISTED = 30


def show() -> None:
    """The page; a fragment of its own."""
    _page()


@st.fragment
def _page() -> None:
    held = worked_off(st.empty())
    st.title("Suspects")
    st.markdown(
        "Every fault of the car's list, and every two of them, goes through what was done so far. "
        "Those that show everything that was seen are the suspects."
    )
    left, right = st.columns(2, gap="large")
    with left:
        question = _choose_question(held)
    with right:
        _search(held, question)
    found: SearchAnswer | None = lab_work.found(WORK, "cars")
    if found is not None:
        _shown(found, question)


# -- the question --------------------------------------------------------------------------------------------


def _choose_question(held: Held) -> Question:
    taken = case.taken_up(held)
    options = [IN_THE_BAY, *([f"the case: {taken.case}"] if taken else [])]
    if st.session_state.get("suspects_of") not in options:
        st.session_state.suspects_of = IN_THE_BAY
    chosen = st.radio("to be explained", options, key="suspects_of", persist_state="session")
    own = changes_at_first(held.bench.log)
    if own and chosen == IN_THE_BAY:
        st.toggle(
            f"not known: {', '.join(own)}",
            key="suspects_hide",
            help="what was changed before anything was looked at counts as the fault to be found",
            persist_state="session",
        )
    question = _question(held)
    with st.container(key="suspects_steps"):
        actions = [action for step in question.steps for action in step.do]
        sheet.show(numbered(actions or question.log), "suspects_step_list")
    if question.known and chosen == IN_THE_BAY:
        theories = "; ".join(one.removeprefix("theory ") for one in question.known)
        st.caption(f"Supposed about the car: {theories}")
    return question


def _question(held: Held) -> Question:
    """What is to be explained, as it is chosen now."""
    case: Case | None = st.session_state.get("case")
    if case and st.session_state.suspects_of != IN_THE_BAY:
        return Question(case.vehicle, case.given, case.seed, case.steps)
    bench = held.bench
    theories = tuple(text for text in bench.given if text.startswith("theory "))
    hidden = tuple(text for text in bench.given if text not in theories)
    own = changes_at_first(bench.log) if st.session_state.get("suspects_hide") else []
    log = tuple(text for text in bench.log if text not in own)
    return Question(held.car_text, theories, bench.seed, (), log, (*hidden, *own))


def _search(held: Held, question: Question) -> None:
    st.segmented_control(
        "at once",
        (SINGLE, DOUBLE),
        default=SINGLE,
        key="suspects_most",
        required=True,
        persist_state="session",
    )
    st.select_slider(
        "at most",
        LIMITS_MIN,
        value=5,
        key="suspects_limit",
        format_func="{} min".format,
        persist_state="session",
    )
    st.multiselect(
        "besides what can be off, out or open",
        list(further_kinds()),
        key="suspects_kinds",
        placeholder="other kinds of faults",
        help="a bus that is shorted, swapped or disturbed from inside a module runs bit by bit: "
        "each such fault takes seconds",
        persist_state="session",
        select_all=False,
    )
    count = len(_edits(question))
    sets = 1 + count + (count * (count - 1) // 2 if _most() == 2 else 0)
    st.caption(f"{sets} sets of edits, the likeliest first. {odds_words()}")
    st.button(
        "Find the suspects",
        key="suspects_find",
        type="primary",
        icon=":material/person_search:",
        disabled=not (question.steps or question.log),
        on_click=partial(_start, held),
    )


def _edits(question: Question) -> tuple[str, ...]:
    car = car_from_text(question.vehicle)
    return (*catalogue(car), *further_faults(car, st.session_state.suspects_kinds))


def _most() -> int:
    """How many faults there may be at once."""
    return 2 if st.session_state.suspects_most == DOUBLE else 1


@tells_problems
def _start(held: Held) -> None:
    question, most = _question(held), _most()
    if not (question.steps or question.log):
        raise EditProblem("nothing was done or seen yet that could be explained")
    edits, limit_s = _edits(question), 60.0 * st.session_state.suspects_limit
    last = st.session_state.get(WORK)
    before = None if last is None else last.found

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> SearchAnswer:
        return search_on(
            question, edits, most, before, limit_s=limit_s, workshop=workshop, progress=progress, stop=stop
        )

    lab_work.forget(NEXT)
    lab_work.start(WORK, task)


# -- what was found ------------------------------------------------------------------------------------------


def _shown(found: SearchAnswer, question: Question) -> None:
    suspects = found.result
    if found.question != question:
        st.info(
            "More was done since, or something else is asked: find them again, and only those that are left "
            "are run.",
            icon=":material/update:",
        )
    with st.container(key="suspects_found"):
        st.markdown(f"**{found_words(suspects, found.share_left)}**")
        rows = [
            (
                one.title,
                f"{one.share:.1%}",
                "; ".join(" + ".join(edits) for edits in one.alike[:4]) + _more(one),
            )
            for one in suspects.causes[:MOST_LISTED]
        ]
        if rows:
            sheet.show(
                plain_table(("suspect", "share of the odds", "alike by the wiring"), rows), "suspects_table"
            )
        if len(suspects.causes) > MOST_LISTED:
            st.caption(f"and {len(suspects.causes) - MOST_LISTED} more, each less likely")
        st.caption(DISCLAIMER)
    if suspects.causes:
        _why(suspects)
        _next(found)
    elif not suspects.waiting:
        st.info(no_cause_words(suspects), icon=":material/person_off:")
    work = st.session_state.get(NEXT)
    advice: Advice | None = None if work is None else work.found
    st.download_button(
        "Report to print",
        partial(search_page, suspects, advice, found.share_left),
        "suspects.html",
        "text/html",
        key="suspects_report",
        on_click="ignore",
    )


def _more(one: PossibleCause) -> str:
    return f" and {len(one.alike) - 4} more" if len(one.alike) > 4 else ""


def _why(suspects: SearchResult) -> None:
    with st.expander("Why would a suspect show what was seen?", key="suspects_why"):
        place = st.selectbox(
            "which",
            list(range(min(len(suspects.causes), MOST_LISTED))),
            key="suspects_which",
            format_func=lambda one: suspects.causes[one].title,
        )
        st.button("Follow it", key="suspects_follow", on_click=partial(_follow, suspects))
        followed, reasons = st.session_state.get("suspects_because", (None, ()))
        if followed != (suspects.causes[place], suspects.steps):
            return
        for number, because in enumerate(reasons):
            sheet.show(because_tree(because), f"suspects_because_{number}")
        if not reasons:
            st.caption("Nothing silent and no code was seen that would need a reason.")


def _follow(suspects: SearchResult) -> None:
    one = suspects.causes[st.session_state.suspects_which]
    st.session_state.suspects_because = (one, suspects.steps), explained(suspects, one)


# -- the next check ------------------------------------------------------------------------------------------


def _next(found: SearchAnswer) -> None:
    st.subheader("What to look at next", anchor=False)
    st.button(
        "Find the next best check",
        key="next_find",
        icon=":material/troubleshoot:",
        disabled=len(found.result.causes) < 2 and not found.result.causes[0].alike,
        on_click=partial(_start_next, found, False),
    )
    advice: Advice | None = lab_work.found(NEXT, "suspects")
    if advice is None:
        return
    with st.container(key="next_found"):
        st.markdown(f"**{advice.words}** The {advice.compared} likeliest of {advice.of} were compared.")
        if all(one.check.passive for one in advice.ranked):
            st.button(
                "Think of plugs off and scans, too",
                key="next_every_kind",
                help="what changes something about the car takes a run of every suspect for each check",
                on_click=partial(_start_next, found, True),
            )
        if advice.best is None:
            return
        place = st.selectbox(
            "check",
            list(range(len(advice.ranked))),
            key="next_which",
            format_func=lambda one: f"{one + 1}. {advice.ranked[one].check.title}",
        )
        _check(advice.ranked[place])
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


def _check(one: Ranked) -> None:
    end = "" if one.minutes_to_end is None else f", {one.minutes_to_end:.1f} min to the end as expected"
    st.markdown(f"{one.check.minutes:g} shop minutes, {one.bits:.2f} bits{end}.")
    rows = [(outcome.shows, f"{outcome.share:.0%}", _leaves(outcome.leaves)) for outcome in one.outcomes]
    sheet.show(plain_table(("if it shows", "likely", "this is left"), rows), "next_outcomes")
    for words in dict.fromkeys(one.check.cautions):
        st.warning(words, icon=":material/warning:")


def _leaves(titles: tuple[str, ...]) -> str:
    return ", ".join(titles[:5]) + (f" and {len(titles) - 5} more" if len(titles) > 5 else "")


def _ranked_row(one: Ranked) -> tuple[str, ...]:
    end = "" if one.minutes_to_end is None else f"{one.minutes_to_end:.1f}"
    return (
        one.check.title,
        f"{one.check.minutes:g}",
        f"{one.bits:.2f}",
        f"{one.bits_per_minute:.2f}",
        end,
        str(len(one.outcomes)),
    )


def _do(advice: Advice) -> None:
    work.ask_to_do(*advice.ranked[st.session_state.next_which].check.actions, pause_s=0)
    st.session_state.to_the_bay = True
