"""A chain of reasons as a drawing: what was wrong above, what it brought about below, an arrow for each step.

The drawing is SVG text in the colour of the text around it; every word in it is escaped.

Not modelled: chains wider than the page; of many reasons side by side the first are drawn, and counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from textwrap import wrap

from sim.bench.explain import Because

WIDTH, GAP, PAD = 680.0, 14.0, 8.0
LETTER, LINE = 6.1, 15.0  # of an 11 px sans-serif letter; by eye
MOST_BESIDE, MOST_LINES = 4, 4
ARROW = 26.0


@dataclass
class _Box:
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


def chain_picture(tree: Because) -> str:
    """The chain as SVG; reasons that stand in it more than once are drawn once."""
    boxes: dict[str, _Box] = {}
    _collect(tree, 0, boxes)
    rows = _rows(boxes)
    height = _place(rows)
    shown = {box.text for row in rows for box in row}
    parts = [part for row in rows for box in row for part in _arrows(box, boxes, shown)]
    parts += [part for row in rows for box in row for part in _drawn(box)]
    left_out = len(boxes) - len(shown)
    if left_out:
        parts.append(f'<text x="0" y="{height + 12:.0f}">and {left_out} more reasons</text>')
        height += 18
    label = f"From cause to effect: {tree.text}"
    return (
        f'<svg class="chain" viewBox="-2 -2 {WIDTH + 4:g} {height + 4:.0f}" role="img" '
        f'aria-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def _collect(tree: Because, row: int, boxes: dict[str, _Box]) -> None:
    """Every reason once, as far from the effect as its longest way."""
    box = boxes.get(tree.text)
    if box is None:
        box = boxes[tree.text] = _Box(tree.text, tree.edited, row, [])
    elif row > box.row:
        box.row = row
    for cause in tree.causes:
        if cause.text == tree.text:
            continue
        if cause.text not in box.causes:
            box.causes.append(cause.text)
        _collect(cause, row + 1, boxes)


def _rows(boxes: dict[str, _Box]) -> list[list[_Box]]:
    """Rows from above: the causes first, the effect last; edits before other reasons.

    A reason that recurs farther up the chain is drawn there only, which can leave its first row empty.
    """
    deepest = max(box.row for box in boxes.values())
    rows: list[list[_Box]] = [[] for _ in range(deepest + 1)]
    for box in boxes.values():
        rows[deepest - box.row].append(box)
    return [sorted(row, key=lambda box: not box.is_edit)[:MOST_BESIDE] for row in rows if row]


def _place(rows: list[list[_Box]]) -> float:
    y = 0.0
    for row in rows:
        w = (WIDTH - GAP * (len(row) - 1)) / len(row)
        for place, box in enumerate(row):
            box.x, box.y, box.w = place * (w + GAP), y, w
            box.lines = tuple(wrap(box.text, max(8, int((w - 2 * PAD) / LETTER)), max_lines=MOST_LINES))
            box.h = LINE * (len(box.lines) + box.is_edit) + 2 * PAD
        y += max(box.h for box in row) + ARROW
    return y - ARROW


def _arrows(box: _Box, boxes: dict[str, _Box], shown: set[str]) -> Iterator[str]:
    for text in box.causes:
        cause = boxes[text]
        if text not in shown or cause.y >= box.y:
            continue
        x1, y1 = cause.x + cause.w / 2, cause.y + cause.h
        x2, y2 = box.x + box.w / 2, box.y
        yield (
            f'<path d="M{x1:.1f},{y1:.1f} C{x1:.1f},{y1 + 12:.1f} {x2:.1f},{y2 - 14:.1f} {x2:.1f},{y2:.1f}" '
            'fill="none" stroke="currentColor" stroke-width="1.4" opacity="0.7"/>'
            f'<path d="M{x2 - 4:.1f},{y2 - 7:.1f} L{x2:.1f},{y2:.1f} L{x2 + 4:.1f},{y2 - 7:.1f}" '
            'fill="none" stroke="currentColor" stroke-width="1.4"/>'
        )


def _drawn(box: _Box) -> Iterator[str]:
    thick, head = (2.6, "what was wrong") if box.is_edit else (1.1, "")
    yield (
        f'<g><title>{escape(box.text)}</title><rect x="{box.x:.1f}" y="{box.y:.1f}" width="{box.w:.1f}" '
        f'height="{box.h:.1f}" rx="6" fill="none" stroke="currentColor" stroke-width="{thick:g}"/>'
    )
    y = box.y + PAD + 11
    if head:
        yield f'<text x="{box.x + PAD:.1f}" y="{y:.1f}" font-style="italic" opacity="0.8">{head}</text>'
        y += LINE
    weight = ' font-weight="700"' if box.is_edit else ""
    for line in box.lines:
        yield f'<text x="{box.x + PAD:.1f}" y="{y:.1f}"{weight}>{escape(line)}</text>'
        y += LINE
    yield "</g>"
