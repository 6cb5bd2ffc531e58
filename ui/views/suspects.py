"""Possible causes: every single and double fault that agrees with what was seen, and the check to do next."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import streamlit as st

from sim.lab.case import Case, CaseStep
from sim.lab.explained import explained
from sim.lab.next_check import Advice, Ranked, next_check
from sim.lab.observed import observed
from sim.lab.odds import odds
from sim.lab.report import DISCLAIMER
from sim.lab.search import find_causes, narrow_down
from sim.lab.search_report import found_words, no_cause_words, odds_words, search_page
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.workshop import Progress, Stop, Stopped, Workshop
from sim.vehicle.edits import EDIT_VERBS, catalogue
from sim.vehicle.fault_kinds import FAULT_KINDS, further_faults
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
FIRST_SLICE_S = 20.0  # what is called off gives what was found until the last slice
MOST_LISTED = 30


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be explained: a car, what is known of it, and how its observations come about."""

    vehicle: str
    known: tuple[str, ...] = ()
    seed: int = 0
    steps: tuple[CaseStep, ...] = ()  # of a case; the bay's come from its log
    log: tuple[str, ...] = ()
    hidden: tuple[str, ...] = ()  # given to the car in the bay, and not told

    def observations(self, progress: Progress, stop: Stop) -> tuple[CaseStep, ...]:
        """The steps to be explained."""
        if self.steps:
            return self.steps
        given = (*self.known, *self.hidden)
        return observed(self.vehicle, self.log, given=given, seed=self.seed, progress=progress, stop=stop)


@dataclass(frozen=True, slots=True)
class Found:
    """What was found, for which question, among sets of how many of these edits."""

    question: Question
    edits: tuple[str, ...]
    most: int
    suspects: SearchResult


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
    found: Found | None = lab_work.found(WORK, "cars")
    if found is not None:
        _shown(found, question)


# -- the question --------------------------------------------------------------------------------------------


def _choose_question(held: Held) -> Question:
    taken = case.taken_up(held)
    options = [IN_THE_BAY, *([f"the case: {taken.case}"] if taken else [])]
    if st.session_state.get("suspects_of") not in options:
        st.session_state.suspects_of = IN_THE_BAY
    chosen = st.radio("to be explained", options, key="suspects_of", persist_state="session")
    own = _put_in_by_hand(held.bench.log)
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
    own = _put_in_by_hand(bench.log) if st.session_state.get("suspects_hide") else []
    log = tuple(text for text in bench.log if text not in own)
    return Question(held.car_text, theories, bench.seed, (), log, (*hidden, *own))


def _put_in_by_hand(log: list[str]) -> list[str]:
    """Changes of the car before anything but waiting was done."""
    own = []
    for text in log:
        verb = text.split()[0]
        if verb in EDIT_VERBS:
            own.append(text)
        elif verb != "wait":
            break
    return own


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
        list(FAULT_KINDS),
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


def _last() -> Found | None:
    work = st.session_state.get(WORK)
    return None if work is None else work.found


@tells_problems
def _start(held: Held) -> None:
    question, most, known = _question(held), _most(), _last()
    if not (question.steps or question.log):
        raise EditProblem("nothing was done or seen yet that could be explained")
    edits, limit_s = _edits(question), 60.0 * st.session_state.suspects_limit

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Found:
        end_s = time.monotonic() + limit_s
        steps = question.observations(progress, stop)
        found = _before(known, question, edits, most, steps)
        more: tuple[CaseStep, ...] = steps[len(found.suspects.steps) :] if found else ()
        if found is None:  # single faults first, so that there is something to show soon
            singles = _found_new(question, steps, edits, 1, limit_s, workshop, progress, stop)
            found = Found(question, edits, 1, singles)
        slice_s = FIRST_SLICE_S
        try:
            if found.most < most:
                pairs = _found_new(question, steps, edits, most, slice_s, workshop, progress, stop)
                found = Found(question, edits, most, pairs)
            while more or found.suspects.waiting:
                left_s = end_s - time.monotonic()
                if not more and left_s <= 0:
                    break
                narrowed = narrow_down(
                    found.suspects,
                    more,
                    workshop=workshop,
                    within_s=max(min(slice_s, left_s), 1.0),
                    progress=progress,
                    stop=stop,
                )
                found, more, slice_s = Found(question, edits, most, narrowed), (), 2 * slice_s
        except Stopped:  # what was found until the last slice
            if more:
                raise
        return found

    lab_work.forget(NEXT)
    lab_work.start(WORK, task)


def _before(
    known: Found | None, question: Question, edits: tuple[str, ...], most: int, steps: tuple[CaseStep, ...]
) -> Found | None:
    """What was found before, where the question only goes on from there."""
    if known is None or (known.most, known.edits) != (most, edits):
        return None
    old = known.suspects
    same = (old.vehicle, old.given, old.seed) == (question.vehicle, question.known, question.seed)
    return known if same and old.steps == steps[: len(old.steps)] else None


def _found_new(
    question: Question,
    steps: tuple[CaseStep, ...],
    edits: tuple[str, ...],
    most: int,
    within_s: float,
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> SearchResult:
    return find_causes(
        question.vehicle,
        steps,
        given=question.known,
        edits=edits,
        most=most,
        seed=question.seed,
        workshop=workshop,
        within_s=within_s,
        progress=progress,
        stop=stop,
    )


# -- what was found ------------------------------------------------------------------------------------------


def _shown(found: Found, question: Question) -> None:
    suspects = found.suspects
    if found.question != question:
        st.info(
            "More was done since, or something else is asked: find them again, and only those that are left "
            "are run.",
            icon=":material/update:",
        )
    with st.container(key="suspects_found"):
        st.markdown(f"**{found_words(suspects, left_share(found))}**")
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
        partial(search_page, suspects, advice, left_share(found)),
        "suspects.html",
        "text/html",
        key="suspects_report",
        on_click="ignore",
    )


def _more(one: PossibleCause) -> str:
    return f" and {len(one.alike) - 4} more" if len(one.alike) > 4 else ""


def left_share(found: Found) -> float:
    """The share of prior odds that the sets have for which there was no time."""
    car = car_from_text(found.suspects.vehicle)
    sets = (some for size in range(found.most + 1) for some in combinations(found.edits, size))
    return sum(odds(edits, car) for edits in found.suspects.waiting) / sum(odds(edits, car) for edits in sets)


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


def _next(found: Found) -> None:
    st.subheader("What to look at next", anchor=False)
    st.button(
        "Find the next best check",
        key="next_find",
        icon=":material/troubleshoot:",
        disabled=len(found.suspects.causes) < 2 and not found.suspects.causes[0].alike,
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


def _start_next(found: Found, every_kind: bool) -> None:
    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Advice:
        return next_check(
            found.suspects, every_kind=every_kind, workshop=workshop, progress=progress, stop=stop
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
