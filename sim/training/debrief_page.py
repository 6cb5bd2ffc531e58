"""The debrief in print: one HTML page that loads nothing from elsewhere, or Markdown.

Whatever a person has written is escaped. The tone is kind: a check that told little is a chance to learn.

Not modeled: other languages than English.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from pathlib import Path

from markupsafe import Markup

from sim.bench.action_words import sentence_of, words_of
from sim.bench.asking import SPOKEN
from sim.bench.explain import Because
from sim.lab.labor import MINUTES
from sim.lab.report import DISCLAIMER
from sim.markup import macros, page
from sim.training.aftermath import NOTHING_SHOWN, Chain
from sim.training.answers import cause_words
from sim.training.attempt import HINT_MINUTES
from sim.training.chain_picture import chain_picture
from sim.training.complaint import ERRS
from sim.training.debrief import Debrief
from sim.vehicle.wire_names import in_words
from sim.vehicle.words import counted

MARKS = {
    "informative": "told something",
    "weak": "told little for its time",
    "redundant": "could tell nothing new",
    "verification": "checked the repair",
    "premature replacement": "repaired before it was known",
    "unsafe": "mind your safety",
    "repair": "repair",
    "good method": "good method",
    "": "",
}
PAGE = Path(__file__).with_name("debrief.html")
HEAD = ("Step", "What you did", "min", "This check", "Why", "How much it told", "Possible causes left")
FOLLOWED = "What followed"  # a heading, which a page has as a picture
BAR = 10  # signs of a bar in text

_html = macros(Path(__file__).with_name("debrief_parts.html"))


def as_html(told: Debrief) -> str:
    """The debrief as one page to be printed."""
    return page(
        PAGE,
        title=f"Debrief: {told.attempt.exercise.exercise}",
        disclaimer=DISCLAIMER,
        sections=[(heading, lines) for heading, lines in sections(told) if heading != FOLLOWED],
        ticks=ticks(told),
        aftermath=aftermath_picture(told),
        chains=[(one.title, chain_picture(one.tree), _tree(one.tree), also(one)) for one in told.chains],
        checks=checks_table(told),
    )


def as_markdown(told: Debrief) -> str:
    """The debrief as Markdown; signs that Markdown or HTML would take for their own are written out."""
    lines = [f"# Debrief: {_plain(told.attempt.exercise.exercise)}", "", f"> {DISCLAIMER}", ""]
    for heading, sentences in sections(told):
        lines += [f"## {_plain(heading)}", "", *(f"- {_plain(line)}" for line in sentences), ""]
    lines += ["## Why it showed what it showed", ""]
    for one in told.chains:
        lines += [
            f"### {_plain(one.title)}",
            "",
            *(f"    {line}" for line in _tree(one.tree).splitlines()),
            "",
        ]
        lines += [_plain(also(one)), ""] if one.also else []
    lines += ["## Your checks, one by one", "", f"| {' | '.join(HEAD)} |", f"|{' --- |' * len(HEAD)}"]
    for place, action, minutes, mark, reason, share, left in _rows(told):
        bar = "" if share is None else "▮" * round(BAR * share) + "▯" * (BAR - round(BAR * share))
        cells = (place, action, minutes, mark, reason, bar, left)
        lines.append(f"| {' | '.join(map(_plain, cells))} |")
    return "\n".join(lines) + "\n"


# -- pictures ----------------------------------------------------------------------------------------------


def ticks(told: Debrief) -> Markup:
    """Cause named, repaired, proved: each with its tick or without."""
    result = (told.result.verdict.exact, told.result.repaired, told.result.proven)
    yes, no = ("cause named", "repaired", "proved"), ("cause not named", "not repaired", "not proved")
    marks = [(good if done else bad, done) for good, bad, done in zip(yes, no, result, strict=True)]
    return _html("ticks", marks)


def aftermath_picture(told: Debrief) -> Markup:
    """What was wrong, and what followed from it."""
    return _html("aftermath", list(_followed(told)), NOTHING_SHOWN)


def _followed(told: Debrief) -> Iterator[tuple[list[str], tuple[tuple[str, str], ...]]]:
    car = told.attempt.exercise.real_car
    for one in told.aftermath:
        yield [cause_words(edit, car) for edit in one.edits], one.effects


def method_list(told: Debrief) -> Markup:
    """How the log follows the rules of the trade."""
    return _html("method", [(one.words, one.done) for one in told.method])


def also(chain: Chain) -> str:
    """What else follows from the same edits as a chain."""
    return f"From the same cause: {', '.join(chain.also)}." if chain.also else ""


# -- what is said ------------------------------------------------------------------------------------------


def sections(told: Debrief) -> Iterator[tuple[str, list[str]]]:
    """What is said in sentences: heading and lines, in order."""
    yield "What was wrong", [_wrong(told), told.attempt.exercise.guide.why]
    yield (
        FOLLOWED,
        [
            f"{' and '.join(causes)}: {'; '.join(': '.join(one) for one in effects) or NOTHING_SHOWN}"
            for causes, effects in _followed(told)
        ],
    )
    yield "What you handed in", list(_handed_in(told))
    yield "Your way there", list(_way(told))
    if told.attempt.exercise.answers:
        yield "What the customer could tell", list(_customer(told))
    if told.lost:
        first = "Codes were cleared before a report was saved. It would have told:"
        yield "What a saved report would have told", [first, *told.lost]
    if told.method:
        yield (
            "Good method",
            [f"{'Done' if one.done else 'Next time'}: {one.words}" for one in told.method],
        )
    if told.route:
        car = told.attempt.exercise.real_car
        stops = [
            f"{sentence_of(one.actions, car)} ({one.minutes:g} min): {_suspects(one.left)} left"
            for one in told.route
        ]
        total = sum(one.minutes for one in told.route)
        yield (
            "A short way for this car",
            [*_questions(told), *stops, f"Together {total:.1f} minutes of checks, before any repair."],
        )
    if told.omitted:
        yield (
            "What else it could have been when you repaired",
            [_cause(told, edits) for edits in told.omitted[:12]],
        )
    if told.attempt.notes:
        yield "Your notes", list(told.attempt.notes)


def _customer(told: Debrief) -> Iterator[str]:
    """What the customer answers, with what was not asked and what the car contradicts."""
    asked = told.attempt.answers
    for question, answer in told.attempt.exercise.answers.items():
        marks = [words for words, so in (("not asked", question not in asked), (ERRS, answer.wrong)) if so]
        mark = f" ({'; '.join(marks)})" if marks else ""
        yield f"{SPOKEN[question]} “{answer.says}”{mark}"


def _questions(told: Debrief) -> Iterator[str]:
    """The first stop of a short way: the customer, who knows more than the work order says."""
    if answers := told.attempt.exercise.answers:
        yield f"Ask the customer ({len(answers) * MINUTES['ask']:g} min): {', '.join(answers)}"


def _wrong(told: Debrief) -> str:
    hidden = _words(told, told.attempt.exercise.arrives)
    return f"Hidden in this car: {hidden}." if hidden else "Nothing was wrong with this car."


def _words(told: Debrief, causes: Iterable[str]) -> str:
    """Causes in plain words, in quotation marks."""
    car = told.attempt.exercise.real_car
    return ", ".join(f"“{cause_words(text, car)}”" for text in causes)


def _cause(told: Debrief, edits: Iterable[str]) -> str:
    """What a possible cause says is wrong, in words."""
    car = told.attempt.exercise.real_car
    return " and ".join(cause_words(text, car) for text in edits) or "Nothing is wrong."


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


def _rows(told: Debrief) -> Iterator[tuple[str, str, str, str, str, float | None, str]]:
    """A row for each step: the last but one cell is how much it told, as a share of the most telling."""
    most_bits = max((one.bits for one in told.judged), default=0.0)
    before, car = told.suspects or 0, told.attempt.exercise.real_car
    for place, one in enumerate(told.judged, start=1):
        looked = one.ruling.verdict in ("redundant", "weak") or one.bits > 0
        share = one.bits / most_bits if most_bits and looked else None
        left = "" if told.suspects is None else f"{one.left}"
        if told.suspects is not None and one.left != before:
            left = f"{before} → {one.left}"
        before = one.left
        ruling, minutes = one.ruling, f"{one.step.minutes:.1f}"
        done = words_of(one.step.action, car)
        yield f"{place}", done, minutes, MARKS[ruling.verdict], in_words(ruling.reason, car), share, left


def checks_table(told: Debrief) -> Markup:
    """Every step with its verdict, a bar for what it told, and the possible causes that it left, as HTML."""
    return _html("checks", HEAD, list(_rows(told)))


def _suspects(number: int) -> str:
    return counted(number, "possible cause")


def _tree(tree: Because) -> str:
    return "\n".join(tree.lines())


def _plain(text: str) -> str:
    text = " ".join(escape(text, quote=False).split())
    for sign in "\\`*_[]|#":
        text = text.replace(sign, f"\\{sign}")
    return text
