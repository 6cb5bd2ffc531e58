"""The shop report of a case: what was found, what was proved, what is open; a page or two on paper.

    Path("report.html").write_text(shop_report(table, advice))

What a story proves or loses by is what this model says; only what was done and seen is from the car.

Not modeled: prices, signatures, the customer's data.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from sim.bench.action_words import sentence_of
from sim.bench.actions import parse_action
from sim.instruments import cautions
from sim.lab.case import Case, CaseStep, CodeSeen
from sim.lab.check_plan import without_the_check
from sim.lab.next_check import Advice, Ranked
from sim.lab.report import DISCLAIMER, Rows, Section
from sim.lab.stories import CaseTable, StoryVerdict
from sim.lab.story_checks import minutes_before
from sim.lab.telling import seen_in_short
from sim.markup import page
from sim.vehicle.fault_words import fault_words, story_words

PAGE = Path(__file__).with_name("shop_report.html")
MOST_CHECKS = 3


def shop_report(table: CaseTable, advice: Advice | None = None) -> str:
    """The report as one HTML page that loads nothing from elsewhere; `advice`: what could be done next."""
    case = table.case
    photos = [(k, photo) for k, step in enumerate(case.steps, start=1) for photo in step.photos]
    return page(
        PAGE,
        title=f"Shop report: {case.case}",
        disclaimer=DISCLAIMER,
        head=list(_head(case)),
        sections=[one for one in report_sections(table, advice) if one.parts],
        photos=photos,
    )


def report_sections(table: CaseTable, advice: Advice | None = None) -> list[Section]:
    """The report's sections, some of them empty: found, before and after, proved, open, cautions."""
    change = before_and_after(table.case.steps)
    checks = tuple(_checks(advice))
    return [
        Section("What was done and found", tuple(_found(table.case))),
        Section("Before and after", (change,) if change else ()),
        Section("What this proves", tuple(_proved(table))),
        Section("What is open", (*_open(table), *checks)),
        Section("Cautions", tuple(_cautions(table.case, advice))),
    ]


def _head(case: Case) -> Iterator[tuple[str, str]]:
    for word, said in (
        ("date", case.date),
        ("car", case.whole_car.title),
        ("odometer", case.odometer),
        ("complaint", case.complaint or case.about),
        ("found on the car", "; ".join(fault_words(text, case.whole_car) for text in case.given)),
    ):
        if said.strip():
            yield word, said.strip()


def _found(case: Case) -> Iterator[Rows | str]:
    starts = minutes_before(case)
    rows = tuple(
        (
            str(number),
            f"{minute:g}",
            sentence_of(step.do),
            seen_in_short(step.seen) or "nothing noted",
            step.note,
        )
        for number, (minute, step) in enumerate(zip(starts, case.steps, strict=True), start=1)
    )
    yield Rows(("step", "at min", "done", "found", "note"), rows)


def before_and_after(steps: Sequence[CaseStep]) -> Rows | None:
    """The first scan against the last: gone, still there, new; None with fewer than two scans."""
    scans = [step.seen for step in steps if step.seen.codes or step.seen.silent or step.seen.answers]
    if len(scans) < 2:
        return None
    first, last = scans[0], scans[-1]
    rows = []
    for what, was, is_now in (
        ("silent modules", set(first.silent), set(last.silent)),
        ("codes", _codes(first.codes), _codes(last.codes)),
    ):
        rows.append(
            (what, *(", ".join(sorted(one)) or "none" for one in (was - is_now, was & is_now, is_now - was)))
        )
    return Rows(("first scan against last", "gone", "still there", "new"), tuple(rows))


def _codes(codes: Sequence[CodeSeen]) -> set[str]:
    return {f"{one.module} {one.code}" for one in codes}


def _proved(table: CaseTable) -> Iterator[str]:
    for one in table.verdicts:
        if one.first_miss:
            yield f"Not '{one.story}' ({_edits(table, one)}): {one.first_miss}."
    if len(table.tied) == 1:
        yield table.words


def _open(table: CaseTable) -> Iterator[str]:
    if len(table.tied) != 1:
        yield table.words
    for one in table.verdicts:
        if one.reproduces_all and len(table.tied) > 1:
            yield f"'{one.story}': {_edits(table, one)}."


def _edits(table: CaseTable, one: StoryVerdict) -> str:
    return story_words(one.edits, table.case.whole_car)


def _checks(advice: Advice | None) -> Iterator[Rows]:
    if advice and advice.ranked:
        rows = tuple(
            (sentence_of(one.check.actions), f"{one.check.minutes:g}", _may_show(one))
            for one in advice.ranked[:MOST_CHECKS]
        )  # fmt: skip
        yield Rows(("next check", "min", "may show"), rows)


def _may_show(one: Ranked) -> str:
    return "; or ".join(without_the_check(one.check, [each.shows for each in one.outcomes]))


def _cautions(case: Case, advice: Advice | None) -> Iterator[str]:
    """What to mind in what was done and in what is proposed, each once."""
    car = case.whole_car
    observed = [parse_action(text, car).observation for text in case.actions]
    told = [words for one in observed if one is not None for words in cautions.of(one, car)]
    if advice:
        told += [words for one in advice.ranked[:MOST_CHECKS] for words in one.check.cautions]
    yield from dict.fromkeys(told)
