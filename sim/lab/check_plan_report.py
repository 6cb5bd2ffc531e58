"""A check plan on paper: its tree as a picture, its steps as a table, in a page or on a terminal.

    Path("plan.html").write_text(plan_page(plan))
    print(as_text(plan_sections(plan)))

Not modeled: trees deeper than `MOST_COLUMNS` in the picture.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import shorten, wrap

from sim.lab.check_plan import CheckPlan, PlanBranch, PlanEnd, PlanStep
from sim.lab.report import Rows, Section, as_html, as_text
from sim.svg import Node, node, text_of

SVG = "http://www.w3.org/2000/svg"
BOX_PX, GAP_PX, LINE_PX, PAD_PX = 250.0, 46.0, 15.0, 8.0
LETTERS = 35  # that go into a line of a box
MOST_LINES = 4
CUT = LETTERS * MOST_LINES
MOST_COLUMNS = 4  # what a page is wide enough for
UNLIKELY = 0.02  # rarer outcomes share one box


def plan_page(plan: CheckPlan) -> str:
    """One HTML page to take to the car: the tree, the steps, the cautions."""
    picture = Section("At a glance", (text_of(plan_drawing(plan)),))
    return as_html(f"Check plan: {plan.car}", [picture, *plan_sections(plan)])


def plan_picture(plan: CheckPlan) -> str:
    """The tree as an SVG file, black on white whatever it is opened with."""
    return str(text_of(plan_drawing(plan, paper="white")))


def plan_text(plan: CheckPlan) -> str:
    """The plan as lines of text, for a message or a note."""
    return f"Check plan: {plan.car}\n\n{as_text(plan_sections(plan))}\n"


def plan_sections(plan: CheckPlan) -> list[Section]:
    """The plan in words: its steps, what to prove before a part is replaced, and the cautions."""
    sections = [Section("Step by step", (plan_words(plan), *([plan_steps(plan)] if plan.steps else [])))]
    if plan.prove_first:
        sections.append(Section("Stop before a part is replaced", plan.prove_first))
    if plan.cautions:
        sections.append(Section("Cautions", plan.cautions))
    return sections


def plan_words(plan: CheckPlan) -> str:
    """What to expect of the plan, and how many causes it tells apart."""
    few = "" if plan.compared == plan.of else f" The {plan.compared} likeliest of {plan.of} were compared."
    return f"{plan.words}{few}"


def plan_steps(plan: CheckPlan) -> Rows:
    """A row for each outcome of each step."""
    head = ("step", "check", "min", "if it shows", "likely", "then")
    return Rows(head, tuple(_row(step, branch) for step in plan.steps for branch in step.branches))


def _row(step: PlanStep, branch: PlanBranch) -> tuple[str, ...]:
    then = branch.then
    first = branch is step.branches[0]
    return (
        str(step.number) if first else "",
        step.words if first else "",
        f"{step.check.minutes:g}" if first else "",
        branch.shows,
        f"{then.share:.0%}",
        f"step {then.number}" if isinstance(then, PlanStep) else then.words,
    )


# -- the picture -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Box:
    """A box of the tree: its column, its middle in y, its lines, and the boxes that it leads to."""

    column: int
    y_px: float
    told: tuple[str, ...]  # what the check before it has shown
    lines: tuple[str, ...]
    is_end: bool
    after: tuple[_Box, ...]


def plan_drawing(plan: CheckPlan, paper: str = "") -> Node:
    """The tree from left to right: a box for each check, with what leads to it, and one for each end.

    What is deeper than the page is wide, or unlikely, is left to the table. `paper`: the color below it, for
    a picture that is looked at alone.
    """
    root, height_px = _laid_out(plan.start, "", 0, PAD_PX)
    boxes = list(_all(root))
    width_px = (1 + max(one.column for one in boxes)) * (BOX_PX + GAP_PX) - GAP_PX + 2 * PAD_PX
    lines = [line for one in boxes for line in _lines_from(one)]
    look = "color:black;font-family:sans-serif" if paper else f"max-width:{width_px:g}px"
    below = [node("rect", width="100%", height="100%", fill=paper)] if paper else []
    return node(
        "svg", [node("title", f"Check plan: {plan.words}"), *below, *lines, *map(_drawn, boxes)],
        viewBox=f"0 0 {width_px:g} {height_px + PAD_PX:g}", role="img", class_="plan", style=look,
        xmlns=SVG if paper else None, font_family="inherit", font_size="12", fill="currentColor",
    )  # fmt: skip


def _laid_out(at: PlanStep | PlanEnd | str, told: str, column: int, top_px: float) -> tuple[_Box, float]:
    """The box of a step with all that follows, and where the next one may begin."""
    lines, seen = _wrapped(_words(at)), _wrapped(f"If: {told}") if told else ()
    end_px = top_px + LINE_PX * (len(lines) + len(seen)) + 3 * PAD_PX
    middle_px = (top_px + end_px - PAD_PX) / 2
    after, next_px = [], top_px
    for words, then in _shown_after(at, column):
        box, next_px = _laid_out(then, words, column + 1, next_px)
        after.append(box)
    if after:
        middle_px = max(middle_px, (after[0].y_px + after[-1].y_px) / 2)
    box = _Box(column, middle_px, seen, lines, not isinstance(at, PlanStep), tuple(after))
    return box, max(next_px, end_px)


def _shown_after(at: PlanStep | PlanEnd | str, column: int) -> list[tuple[str, PlanStep | PlanEnd | str]]:
    """The outcomes that the picture has room for, with what comes next; the others are in the table."""
    if not isinstance(at, PlanStep):
        return []
    rest = [one for one in at.branches[1:] if one.then.share < UNLIKELY]
    likely = [one for one in at.branches if one not in rest] if len(rest) > 1 else list(at.branches)
    is_last = column + 2 == MOST_COLUMNS
    shown = [(one.shows, _cut_short(one.then) if is_last else one.then) for one in likely]
    if len(rest) > 1:
        share = sum(one.then.share for one in rest)
        more = f"{len(rest)} less likely outcomes, {share:.0%} in all: step {at.number} of the table"
        shown.append(("anything else", more))
    return shown


def _cut_short(then: PlanStep | PlanEnd) -> PlanEnd | str:
    return (
        f"{then.number}. {then.words}: go on in the table · {then.share:.0%}"
        if isinstance(then, PlanStep)
        else then
    )


def _words(at: PlanStep | PlanEnd | str) -> str:
    if isinstance(at, str):
        return at
    if isinstance(at, PlanEnd):
        return f"{at.words} · {at.share:.0%}"
    return f"{at.number}. {at.words} · {at.check.minutes:g} min"


def _wrapped(words: str) -> tuple[str, ...]:
    return tuple(wrap(shorten(words, CUT, placeholder=" …"), LETTERS))


def _all(box: _Box) -> Iterator[_Box]:
    yield box
    for one in box.after:
        yield from _all(one)


def _left_px(box: _Box) -> float:
    return PAD_PX + box.column * (BOX_PX + GAP_PX)


def _height_px(box: _Box) -> float:
    return LINE_PX * (len(box.lines) + len(box.told)) + 2 * PAD_PX


def _drawn(box: _Box) -> Node:
    left_px, height_px = _left_px(box), _height_px(box)
    top_px = box.y_px - height_px / 2
    frame = node(
        "rect", x=left_px, y=top_px, width=BOX_PX, height=height_px, rx=3, fill="none", stroke="currentColor",
        stroke_width=1.0 if box.is_end else 1.6, stroke_dasharray="5 3" if box.is_end else None,
    )  # fmt: skip
    texts = [
        node(
            "text", line, x=left_px + PAD_PX, y=top_px + PAD_PX + LINE_PX * (k + 0.75),
            font_style="italic" if k < len(box.told) else None,
            font_weight=None if k < len(box.told) or box.is_end else "bold",
        )
        for k, line in enumerate((*box.told, *box.lines))
    ]  # fmt: skip
    return node("g", [frame, *texts])


def _lines_from(box: _Box) -> Iterator[Node]:
    from_px = _left_px(box) + BOX_PX
    for one in box.after:
        middle_px = from_px + GAP_PX / 2
        path = f"M{from_px:g} {box.y_px:g} H{middle_px:g} V{one.y_px:g} H{_left_px(one):g}"
        yield node("path", d=path, fill="none", stroke="currentColor")
