"""Two pictures of a what-if grid: which combination shows what, and what brings what about; as SVG text.

Both put symptoms with the same causes together. A mark's meaning never depends on its color alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from markupsafe import Markup

from sim.lab.grid import Grid
from sim.lab.implicants import CauseSet, SymptomCauses
from sim.svg import Node, node, text_of

MOST_COMBINATIONS = 64  # more columns than this are no picture any more
LONGEST_WORDS = 46
CELL, NAMES, NARROW_NAMES, TOP = 20, 330, 206, 16  # px
LETTER_PX = 7  # about, of a usual sans-serif face at the size of the words
GATE, PITCH, BOX = 26, 44, 34  # px
MATRIX_KEY = Markup(
    '<p class="dim small">● the fault is in · ■ the symptom shows · – there is no such car</p>'
)
DIAGRAM_KEY = Markup(
    '<p class="dim small">full line: must be there · dashed line with a ring: must not be there · '
    "&amp;: all of them together · several lines into one symptom: any of them is enough</p>"
)


@dataclass(frozen=True, slots=True)
class Together:
    """Symptoms with the same causes. `cells`: for each combination whether they show; None, no such car."""

    titles: tuple[str, ...]
    causes: SymptomCauses
    cells: tuple[bool | None, ...]

    @property
    def words(self) -> str:
        """The first title, and how many more."""
        more = len(self.titles) - 1
        return _short(self.titles[0], LONGEST_WORDS - 10) + (f" and {more} more" if more else "")


def together(grid: Grid) -> tuple[Together, ...]:
    """The grid's symptoms, those with the same causes in one."""
    groups: dict[SymptomCauses, list[str]] = {}
    cells: dict[SymptomCauses, tuple[bool | None, ...]] = {}
    for one in grid.symptoms:
        groups.setdefault(one.causes, []).append(one.title)
        values = grid.values(one.column)
        cells[one.causes] = tuple(None if value is None else value == one.value for value in values)
    return tuple(Together(tuple(titles), key, cells[key]) for key, titles in groups.items())


def matrix(grid: Grid, narrow: bool = False) -> Markup:
    """Every combination as a column: above, which edits are in it; below, which symptoms it shows."""
    names_w = NARROW_NAMES if narrow else NAMES
    longest = names_w // LETTER_PX
    groups = together(grid)
    order = sorted(range(len(grid.accounts)), key=lambda number: (number.bit_count(), number))
    if not groups or len(order) > MOST_COMBINATIONS:
        return Markup()
    split = TOP + CELL * len(grid.names) + CELL / 2
    width, height = names_w + CELL * len(order) + 4, split + CELL * (len(groups) + 0.5)
    parts = [node("path", class_="rule", d=f"M0,{split:g} H{width:g}")]
    for row, name in enumerate(grid.names):
        edit_y = float(TOP + CELL * row)
        parts.append(_words(0, edit_y + 4, _short(name, longest), name))
        parts += [
            _dot(_x(names_w, column), edit_y, bool(number >> row & 1)) for column, number in enumerate(order)
        ]
    for row, group in enumerate(groups):
        symptom_y = split + CELL * (row + 0.9)
        parts.append(_words(0, symptom_y + 4, _short(group.words, longest), "\n".join(group.titles)))
        parts += [
            _cell(_x(names_w, column), symptom_y, group.cells[number]) for column, number in enumerate(order)
        ]
    title = "Every combination in a column: faults above, symptoms below"
    return _picture(width, height, title, parts) + MATRIX_KEY


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the diagram has what, in px: how wide edits are, where gates and symptoms are, how wide it is."""

    edit_w: float
    gate_x: float
    symptom_x: float
    width: float


WIDE, NARROW = Columns(250, 430, 520, 860), Columns(112, 168, 196, 352)


def cause_diagram(grid: Grid, narrow: bool = False) -> Markup:
    """Edits on the left, symptoms on the right, one gate between them for each minimal cause set."""
    at = NARROW if narrow else WIDE
    groups = [group for group in together(grid) if not group.causes.always]
    if not groups:
        return Markup()
    gates = sum(len(group.causes.sets) for group in groups)
    height = max(GATE * gates + 16 * len(groups), PITCH * len(grid.names)) + 24
    pitch = height / (len(grid.names) or 1)
    edit_y = {name: pitch * (place + 0.5) for place, name in enumerate(grid.names)}
    wires: list[Node] = []
    nodes = [_box(0, y, at.edit_w, name, "edit") for name, y in edit_y.items()]
    top = 12.0
    for group in groups:
        share = GATE * len(group.causes.sets) + 16
        middle = top + share / 2
        for place, one in enumerate(group.causes.sets):
            y = top + 8 + GATE * (place + 0.5)
            wires += _wires(one, edit_y, y, at)
            wires.append(
                node("path", class_="wire", d=f"M{at.gate_x + 17:g},{y:g} L{at.symptom_x:g},{middle:g}")
            )
            nodes.append(_gate(y, one, at.gate_x))
        words = "\n".join(group.titles)
        nodes.append(_box(at.symptom_x, middle, at.width - at.symptom_x - 2, group.words, "", words))
        top += share
    title = "Which faults cause which symptoms"
    return _picture(at.width, max(height, top), title, [*wires, *nodes]) + DIAGRAM_KEY


def _wires(one: CauseSet, edit_y: dict[str, float], y: float, at: Columns) -> Iterator[Node]:
    literals = [(name, "") for name in one.present] + [(name, " not") for name in one.absent]
    for place, (name, absent) in enumerate(literals):
        end = y + 5 * (place - (len(literals) - 1) / 2)
        start = edit_y[name]
        to_x = at.gate_x - 17
        near, far = at.edit_w + 0.49 * (to_x - at.edit_w), at.edit_w + 0.61 * (to_x - at.edit_w)
        bend = f"M{at.edit_w:g},{start:g} C{near:g},{start:g} {far:g},{end:g} {to_x:g},{end:g}"
        yield node("path", class_=f"wire{absent}", d=bend)
        if absent:
            yield node("circle", class_="bubble", cx=to_x - 3, cy=end, r=3.5)


def _gate(y: float, one: CauseSet, x: float) -> Node:
    title = node("title", str(one))
    if len(one.present) + len(one.absent) <= 1:
        return node("path", [title], class_="wire", d=f"M{x - 17:g},{y:g} H{x + 17:g}")
    rect = node("rect", class_="gate", x=x - 17, y=y - 11, width=34, height=22, rx=4)
    return node("g", [title, rect, node("text", "&", class_="gate-word", x=x, y=y + 4)])


def _box(x: float, y: float, width: float, words: str, kind: str, title: str = "") -> Node:
    rect = node(
        "rect", class_=f"box {kind}", x=x + 1, y=y - BOX / 2 + 4, width=width - 2, height=BOX - 8, rx=5
    )
    text = node("text", _short(words, int(width / 7.2)), x=x + 9, y=y + 4)
    return node("g", [node("title", title or words), rect, text])


def _x(names_w: float, column: int) -> float:
    return names_w + CELL * (column + 0.5)


def _dot(x: float, y: float, there: bool) -> Node:
    return node("circle", class_="in" if there else "out", cx=x, cy=y, r=5 if there else 2.5)


def _cell(x: float, y: float, shows: bool | None) -> Node:
    if shows is None:
        return node("path", class_="cannot", d=f"M{x - 4:g},{y:g} h8")
    if shows:
        return node("rect", class_="shows", x=x - 6, y=y - 6, width=12, height=12, rx=2)
    return node("rect", class_="out", x=x - 2.5, y=y - 2.5, width=5, height=5)


def _words(x: float, y: float, words: str, title: str = "") -> Node:
    told = node("title", title or words)
    told.tail = _short(words, LONGEST_WORDS)
    return node("text", [told], x=x, y=y)


def _picture(width: float, height: float, title: str, parts: Iterable[Node]) -> Markup:
    drawn = node(
        "svg", parts, class_="causes", width=width, height=height, viewBox=f"0 0 {width:g} {height:g}",
        role="img", aria_label=title,
    )  # fmt: skip
    return text_of(node("div", [drawn], class_="wide"))


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"
