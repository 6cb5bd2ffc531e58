"""A chain of reasons as a drawing: what was wrong above, what it brought about below, an arrow for each step.

The drawing is SVG in the color of the text around it.

Not modeled: chains wider than the page; of many reasons side by side the first are drawn, and counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap

from markupsafe import Markup

from sim.bench.explain import Because
from sim.svg import Node, node, text_of

GAP, PAD = 14.0, 8.0
WIDTHS = {1: 340.0, 2: 460.0}  # of the drawing, by how many reasons are side by side; a phone has 340
WIDEST = 680.0
LETTER_PX, LETTER, LINE = 12.5, 6.9, 16.5  # a sans-serif letter is about so wide; by eye
MOST_BESIDE, MOST_LINES = 4, 5
MOST_BESIDE_NARROW = 2
ARROW = 26.0
PEN = {"fill": "none", "stroke": "currentColor", "stroke_width": "1.4"}


@dataclass
class _Reason:
    """One reason: its text, whether it is an edit, and where it is drawn."""

    text: str
    is_edit: bool
    row: int
    causes: list[str]
    x: float = 0.0
    y: float = 0.0
    w: float = 0.0
    h: float = 0.0
    lines: tuple[str, ...] = ()


def chain_picture(tree: Because, narrow: bool = False) -> Markup:
    """The chain as SVG, as wide as it needs; a reason that recurs is drawn once. narrow: for a phone."""
    boxes: dict[str, _Reason] = {}
    _collect(tree, 0, boxes)
    rows = _rows(boxes, MOST_BESIDE_NARROW if narrow else MOST_BESIDE)
    width = WIDTHS[1] if narrow else WIDTHS.get(max(map(len, rows)), WIDEST)
    height = _place(rows, width)
    shown = {box.text for row in rows for box in row}
    parts = [part for row in rows for box in row for part in _arrows(box, boxes, shown)]
    parts += [_drawn(box) for row in rows for box in row]
    left_out = len(boxes) - len(shown)
    if left_out:
        parts.append(node("text", f"and {left_out} more reasons", x="0", y=f"{height + 12:.0f}"))
        height += 18
    root = node(
        "svg", parts, class_="chain", viewBox=f"-2 -2 {width + 4:g} {height + 4:.0f}", role="img",
        style=f"max-width: {1.1 * width:.0f}px; font-size: {LETTER_PX}px",
        aria_label=f"From cause to effect: {tree.text}",
    )  # fmt: skip
    return text_of(root)


def _collect(tree: Because, row: int, boxes: dict[str, _Reason]) -> None:
    """Every reason once, as far from the effect as its longest path."""
    box = boxes.get(tree.text)
    if box is None:
        box = boxes[tree.text] = _Reason(tree.text, tree.edited, row, [])
    elif row > box.row:
        box.row = row
    for cause in tree.causes:
        if cause.text == tree.text:
            continue
        if cause.text not in box.causes:
            box.causes.append(cause.text)
        _collect(cause, row + 1, boxes)


def _rows(boxes: dict[str, _Reason], most_beside: int) -> list[list[_Reason]]:
    """Rows from above: the causes first, the effect last; edits before other reasons.

    A reason that recurs farther up the chain is drawn there only, which can leave its first row empty.
    """
    deepest = max(box.row for box in boxes.values())
    rows: list[list[_Reason]] = [[] for _ in range(deepest + 1)]
    for box in boxes.values():
        rows[deepest - box.row].append(box)
    return [sorted(row, key=lambda box: not box.is_edit)[:most_beside] for row in rows if row]


def _place(rows: list[list[_Reason]], width: float) -> float:
    y = 0.0
    for row in rows:
        w = (width - GAP * (len(row) - 1)) / len(row)
        for place, box in enumerate(row):
            box.x, box.y, box.w = place * (w + GAP), y, w
            box.lines = tuple(wrap(box.text, max(8, int((w - 2 * PAD) / LETTER)), max_lines=MOST_LINES))
            box.h = LINE * (len(box.lines) + box.is_edit) + 2 * PAD
        y += max(box.h for box in row) + ARROW
    return y - ARROW


def _arrows(box: _Reason, boxes: dict[str, _Reason], shown: set[str]) -> Iterator[Node]:
    for text in box.causes:
        cause = boxes[text]
        if text not in shown or cause.y >= box.y:
            continue
        x1, y1 = cause.x + cause.w / 2, cause.y + cause.h
        x2, y2 = box.x + box.w / 2, box.y
        bend = f"M{x1:.1f},{y1:.1f} C{x1:.1f},{y1 + 12:.1f} {x2:.1f},{y2 - 14:.1f} {x2:.1f},{y2:.1f}"
        head = f"M{x2 - 4:.1f},{y2 - 7:.1f} L{x2:.1f},{y2:.1f} L{x2 + 4:.1f},{y2 - 7:.1f}"
        yield node("path", d=bend, opacity=0.7, **PEN)
        yield node("path", d=head, **PEN)


def _drawn(box: _Reason) -> Node:
    left, y = f"{box.x + PAD:.1f}", box.y + PAD + 12
    rect = node(
        "rect", x=f"{box.x:.1f}", y=f"{box.y:.1f}", width=f"{box.w:.1f}", height=f"{box.h:.1f}", rx=6,
        fill="none", stroke="currentColor", stroke_width=2.6 if box.is_edit else 1.1,
    )  # fmt: skip
    parts = [node("title", box.text), rect]
    if box.is_edit:
        parts.append(node("text", "what was wrong", x=left, y=f"{y:.1f}", font_style="italic", opacity=0.85))
        y += LINE
    for line in box.lines:
        parts.append(node("text", line, x=left, y=f"{y:.1f}", font_weight="700" if box.is_edit else None))
        y += LINE
    return node("g", parts)
