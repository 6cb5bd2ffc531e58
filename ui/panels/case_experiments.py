"""What would tell the stories of a case apart, now or before an earlier step; and what goes on paper."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import streamlit as st

from sim.bench.action_words import sentence_of
from sim.lab.case import Case
from sim.lab.check_plan import CheckPlan, check_plan, without_the_check
from sim.lab.next_check import Advice, Ranked, next_check
from sim.lab.search_result import title_of
from sim.lab.shop_report import shop_report
from sim.lab.stories import CaseTable
from sim.lab.story_checks import minutes_before, rivals
from sim.lab.workshop import Progress, Stop, Workshop
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels import check_plan as check_plan_panel
from ui.panels.controls import button, download
from ui.state import lab_work
from ui.state.case_now import EXPERIMENTS, case_now

NOW = 0  # no step to be before
MOST_LISTED = 8


@dataclass(frozen=True)
class Proposed:
    """Experiments as they were before a step (`NOW`: after all), the best first, and the plan of them."""

    before: int
    minute: float
    advice: Advice
    plan: CheckPlan


def show(table: CaseTable) -> None:
    """Propose experiments, show them, and offer the papers."""
    case = table.case
    st.markdown("**What would tell them apart?**")
    starts = minutes_before(case)
    choices = [NOW, *range(2, len(case.steps) + 1)]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "as it was known", choices, key="case_before", width=300, format_func=partial(_when, starts)
        )
        button("Propose experiments", "case_propose", _start, icon="troubleshoot")
    found: Proposed | None = lab_work.found(EXPERIMENTS)
    if found is not None:
        with st.container(key="case_proposed"):
            _proposed(case, found)
            if found.plan.steps:
                st.markdown("**The plan to take to the car**")
                check_plan_panel.shown(found.plan, "case_plan")
    advice = found.advice if found is not None and found.before == NOW else None
    st.markdown("**For the shop**")
    st.caption(
        "What was done and found, proved and open, on a page or two; with the experiments, if proposed."
    )
    download("Shop report to print", partial(shop_report, table, advice), "shop-report.html", "case_shop")


def _when(starts: tuple[float, ...], before: int) -> str:
    return (
        "now, after the last step"
        if before == NOW
        else f"before step {before}, at {starts[before - 1]:g} min"
    )


def _start() -> None:
    case, before = case_now(), int(st.session_state.case_before)

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Proposed:
        found = rivals(case, before=before or None, workshop=workshop, progress=progress, stop=stop)
        advice = next_check(found, every_kind=True, workshop=workshop, progress=progress, stop=stop)
        plan = check_plan(found, workshop=workshop, progress=progress, stop=stop)
        return Proposed(before, minutes_before(case)[before - 1] if before else 0.0, advice, plan)

    lab_work.start(EXPERIMENTS, task)


def _proposed(case: Case, found: Proposed) -> None:
    when = "" if found.before == NOW else f"Before step {found.before}, at minute {found.minute:g}: "
    st.markdown(f"**{when}{found.advice.words}**")
    if found.advice.best is None:
        return
    names = {story.edits: name for name, story in case.stories.items()}
    titles = {title_of(edits): name for edits, name in names.items()}
    rows = [_row(one, titles) for one in found.advice.ranked[:MOST_LISTED]]
    sheet.show(plain_table(("check", "min", "bits", "if it shows → this is left"), rows), "case_checks")
    for words in dict.fromkeys(
        one for each in found.advice.ranked[:MOST_LISTED] for one in each.check.cautions
    ):
        st.warning(words, icon=":material/warning:")


def _row(one: Ranked, titles: dict[str, str]) -> tuple[str, ...]:
    shown = without_the_check(one.check, [each.shows for each in one.outcomes])
    outcomes = (
        f"{words} → {', '.join(titles.get(title, title) for title in each.leaves)}"
        for words, each in zip(shown, one.outcomes, strict=True)
    )
    return sentence_of(one.check.actions), f"{one.check.minutes:g}", f"{one.bits:.2f}", " | ".join(outcomes)
