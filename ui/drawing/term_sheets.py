"""A class over weeks as HTML: everybody by every exercise, topics, the rubric of one attempt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from markupsafe import Markup

from sim.markup import macros
from sim.training.rows import AssignmentRow, StudentRow
from sim.training.rubric import CRITERIA
from sim.training.term import Term, TermCell, TopicResult

_html = macros(Path(__file__).with_name("term.html"))

SIGNS = {"works": "●", "shut": "■", "none": "–"}


def percent(share: float | None) -> str:
    """A share in whole percent; a dash where there is none."""
    return "–" if share is None else f"{100 * share:.0f} %"


def by_name(students: Iterable[StudentRow]) -> list[StudentRow]:
    """Students in the order of their names."""
    return sorted(students, key=lambda one: (one.name.casefold(), one.id))


def matrix(term: Term) -> Markup:
    """Everybody by every exercise; a cell with work is picked as the numbers of student and assignment."""
    head = [(number, given.exercise) for number, given in enumerate(term.assignments, start=1)]
    rows = [_row(term, student) for student in by_name(term.students)]
    foot = [len(term.not_begun(given.id)) for given in term.assignments]
    return _html("matrix", head, rows, foot)


def _row(term: Term, student: StudentRow) -> tuple[str, list[tuple[str, str, str, str]], str, str, str]:
    cells = [_cell(student, given, cell) for given, cell in term.of_student(student.id)]
    topics = term.topics(student.id)
    mastered = f"{sum(one.mastered for one in topics)} of {len(topics)}"
    return student.name, cells, percent(term.mean(student.id)), term.trend(student.id), mastered


def _cell(student: StudentRow, given: AssignmentRow, cell: TermCell | None) -> tuple[str, str, str, str]:
    """What a cell is picked as, its kind, its sign and its words."""
    whose = f"{student.name}, {given.exercise}"
    if cell is None:
        return "", "none", SIGNS["none"], f"{whose}: not begun"
    picked = f"{student.id} {given.id}"
    if cell.handed_in_s is None:
        return picked, "works", SIGNS["works"], f"{whose}: at work, {cell.minutes:.0f} min"
    if not cell.released:
        return picked, "shut", SIGNS["shut"], f"{whose}: handed in, not released"
    held = "*" if cell.late or cell.after_showing else ""
    kind = "done" if cell.complete else "part"
    words = f"{whose}: {'complete' if cell.complete else 'not complete'}, {percent(cell.worth)}"
    return (
        picked,
        kind,
        f"{100 * cell.worth:.0f}{held}",
        words + (", late or after it was shown" if held else ""),
    )


def topics(term: Term) -> Markup:
    """Everybody by every topic: how many exercises are complete, and which topics are mastered."""
    head = list(dict.fromkeys(given.topic for given in term.assignments))
    rows = [
        (
            student.name,
            [(_topic_kind(one), f"{one.complete} of {one.given}") for one in term.topics(student.id)],
        )
        for student in by_name(term.students)
    ]
    return _html("topics", head, rows)


def _topic_kind(one: TopicResult) -> str:
    return "done" if one.mastered else "works" if one.complete else "waits"


def rubric(cell: TermCell, weights: Mapping[str, float]) -> Markup:
    """What each criterion weighs and is worth, by the rule and as marked, with the reason."""
    rows: Sequence[tuple[str, ...]] = [
        (
            one.name,
            one.asks,
            f"{weights[one.name]:g}",
            percent(cell.reasons[one.name].score),
            percent(cell.marks[one.name]),
            cell.reasons[one.name].why,
        )
        for one in CRITERIA
        if one.name in cell.reasons
    ]
    return _html("rubric", rows, percent(cell.rubric))
