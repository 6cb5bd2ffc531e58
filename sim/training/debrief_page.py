"""The debrief in print: one HTML page that loads nothing from elsewhere, or Markdown.

Whatever a person has written is escaped. The tone is kind: a check that told little is a chance to learn.

Not modelled: other languages than English.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from pathlib import Path

from markupsafe import Markup

from sim.bench.explain import Because
from sim.lab.report import DISCLAIMER
from sim.markup import macros, page
from sim.svg import node, text_of
from sim.training.answers import cause_words
from sim.training.attempt import HINT_MINUTES
from sim.training.chain_picture import chain_picture
from sim.training.debrief import Debrief

MARKS = {
    "informative": "told something",
    "weak": "told little for its time",
    "redundant": "could tell nothing new",
    "verification": "checked the repair",
    "premature replacement": "repaired before it was known",
    "unsafe": "mind your safety",
    "repair": "repair",
    "": "",
}
COUNTED = {
    "dangers": "danger",
    "possible causes left": "possible cause left",
}  # and what one of them is called
PICTURE_W, PICTURE_H, MARGIN = 640, 180, 34
PAGE = Path(__file__).with_name("debrief.html")
HEAD = ("", "What you did", "min", "This check", "Why", "Figure", "Possible causes left")


_html = macros(Path(__file__).with_name("checks.html"))


def as_html(told: Debrief) -> str:
    """The debrief as one page to be printed."""
    return page(
        PAGE,
        title=f"Debrief: {told.attempt.exercise.exercise}",
        disclaimer=DISCLAIMER,
        sections=sections(told),
        causes=[(name, chain_picture(tree), _tree(tree)) for name, tree in told.causes],
        checks=checks_table(told),
        suspects=None if told.suspects is None else suspects_picture(told),
    )


def as_markdown(told: Debrief) -> str:
    """The debrief as Markdown; signs that Markdown or HTML would take for their own are written out."""
    lines = [f"# Debrief: {_plain(told.attempt.exercise.exercise)}", "", f"> {DISCLAIMER}", ""]
    for heading, sentences in sections(told):
        lines += [f"## {_plain(heading)}", "", *(f"- {_plain(line)}" for line in sentences), ""]
    lines += ["## Why it showed what it showed", ""]
    for name, tree in told.causes:
        lines += [f"### {_plain(name)}", "", *(f"    {line}" for line in _tree(tree).splitlines()), ""]
    lines += ["## Your checks, one by one", "", f"| {' | '.join(HEAD)} |", f"|{' --- |' * len(HEAD)}"]
    lines += [f"| {' | '.join(map(_plain, row))} |" for row in _rows(told)]
    return "\n".join(lines) + "\n"


# -- what is said ------------------------------------------------------------------------------------------


def sections(told: Debrief) -> Iterator[tuple[str, list[str]]]:
    """What is said in sentences: heading and lines, in order."""
    yield "What was wrong", [_wrong(told), told.attempt.exercise.guide.why]
    yield "What you handed in", list(_handed_in(told))
    yield "Your way there", list(_way(told))
    if told.lost:
        first = "Codes were cleared before a report was saved. It would have told:"
        yield "What a saved report would have told", [first, *told.lost]
    elif told.result.saved_before:
        yield "Your saved report", ["You saved a report before you changed anything. That is good work."]
    if told.route:
        stops = [f"{one.check} ({one.minutes:g} min): {_suspects(one.left)} left" for one in told.route]
        total = sum(one.minutes for one in told.route)
        yield (
            "A short way for this car",
            [*stops, f"Together {total:.1f} minutes of checks, before any repair."],
        )
    if told.omitted:
        yield "What else it could have been when you repaired", list(told.omitted[:12])
    if told.attempt.notes:
        yield "Your notes", list(told.attempt.notes)


def _wrong(told: Debrief) -> str:
    hidden = _words(told, told.attempt.exercise.arrives)
    return f"Hidden in this car: {hidden}." if hidden else "Nothing was wrong with this car."


def _words(told: Debrief, causes: Iterable[str]) -> str:
    """Causes in plain words, in quotation marks."""
    car = told.attempt.exercise.real_car
    return ", ".join(f"“{cause_words(text, car)}”" for text in causes)


def _handed_in(told: Debrief) -> Iterator[str]:
    result, verdict = told.result, told.result.verdict
    if verdict.right:
        yield f"Right: {_words(told, verdict.right)}."
    for named, hidden in verdict.near:
        yield f"Near: {_words(told, [named])} is in the right circuit; it was {_words(told, [hidden])}."
    if verdict.also:
        yield f"True as well, and a consequence: {_words(told, verdict.also)}."
    if verdict.wrong:
        yield f"Not at fault: {_words(told, verdict.wrong)}."
    if verdict.missed:
        yield f"Still to be found: {_words(told, verdict.missed)}."
    yield "The car is whole again." if result.repaired else "The car is not yet as it was built."
    if result.unproven:
        yield f"Still to be shown after the repair: {'; '.join(result.unproven)}."
    else:
        yield "You have proved it."
    if result.evidence:
        yield f"Your evidence: {result.evidence}"


def _way(told: Debrief) -> Iterator[str]:
    aim = f"the aim was {told.attempt.exercise.minutes:g}"
    yield f"{told.attempt.minutes:.0f} minutes of labor; {aim}."
    if told.after_showing:
        yield "The solution was shown before you handed in. Repair and proof are your own work all the same."
    if told.attempt.hints_taken:
        hints = "1 hint" if told.attempt.hints_taken == 1 else f"{told.attempt.hints_taken} hints"
        yield f"{hints}, {HINT_MINUTES * told.attempt.hints_taken:g} minutes of these."
    counts = [
        (told.count("informative"), "told something"),
        (told.count("weak"), "told little for their time"),
        (told.count("redundant"), "could tell nothing new"),
        (told.count("verification"), "checked a repair"),
    ]
    said = [f"{number} {words}" for number, words in counts if number]
    if said:
        yield f"Of your checks {', '.join(said)}."
    if told.count("unsafe"):
        steps = "1 step" if told.count("unsafe") == 1 else f"{told.count('unsafe')} steps"
        yield f"{steps} would have been unsafe on a real car. Please read the reasons."
    if told.count("premature replacement"):
        early = told.count("premature replacement")
        yield f"{early} {'repair' if early == 1 else 'repairs'} came before it was known what to repair."


# -- the table ---------------------------------------------------------------------------------------------


def _rows(told: Debrief) -> Iterator[tuple[str, ...]]:
    """A row of cells for each step."""
    for place, one in enumerate(told.judged, start=1):
        ruling, number = one.ruling, one.ruling.number
        digits = 0 if ruling.unit in COUNTED else 2
        unit = COUNTED.get(ruling.unit, ruling.unit) if number == 1 else ruling.unit
        figure = "" if number is None else f"{number:.{digits}f} {unit}"
        left = "" if told.suspects is None else str(one.left)
        minutes = f"{one.step.minutes:.1f}"
        yield f"{place}", one.step.action, minutes, MARKS[ruling.verdict], ruling.reason, figure, left


def checks_table(told: Debrief) -> Markup:
    """Every step with its verdict, its figure and the suspects that it left, as an HTML table."""
    return _html("table", HEAD, list(_rows(told)))


def suspects_picture(told: Debrief) -> Markup:
    """How many suspects were left after each step, as an SVG drawing of steps going down."""
    start = told.suspects or 1
    counts = [start, *(one.left for one in told.judged)]
    wide = (PICTURE_W - 2 * MARGIN) / max(len(counts) - 1, 1)
    tall = (PICTURE_H - 2 * MARGIN) / max(start, 1)
    spots = [(MARGIN + k * wide, PICTURE_H - MARGIN - count * tall) for k, count in enumerate(counts)]
    path = f"M {spots[0][0]:.1f} {spots[0][1]:.1f} " + " ".join(f"H {x:.1f} V {y:.1f}" for x, y in spots[1:])
    words = f"{_suspects(start)} at first, {counts[-1]} at the end"
    base, foot, end = PICTURE_H - MARGIN, PICTURE_H - 10, PICTURE_W - MARGIN
    shapes = [
        node("line", x1=MARGIN, y1=base, x2=end, y2=base, stroke="currentColor"),
        node("path", d=path, fill="none", stroke="currentColor", stroke_width=2),
        node("text", words, x=MARGIN, y=MARGIN - 8),
        node("text", "step 1", x=MARGIN, y=foot),
        node("text", f"step {len(told.judged)}", x=end, y=foot, text_anchor="end"),
    ]
    view = f"0 0 {PICTURE_W} {PICTURE_H}"
    return text_of(node("svg", shapes, class_="left", viewBox=view, role="img", aria_label=words))


def _suspects(number: int) -> str:
    return f"{number} suspect{'' if number == 1 else 's'}"


def _tree(tree: Because) -> str:
    return "\n".join(tree.lines())


def _plain(text: str) -> str:
    text = " ".join(escape(text, quote=False).split())
    for sign in "\\`*_[]|#":
        text = text.replace(sign, f"\\{sign}")
    return text
