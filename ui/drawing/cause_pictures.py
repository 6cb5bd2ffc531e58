"""Two pictures of a what-if grid: which combination shows what, and what brings what about; as SVG text.

Both put symptoms with the same causes together. A mark's meaning never hangs on its colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from sim.lab.grid import Grid
from sim.lab.implicants import Causes, CauseSet

MOST_COMBINATIONS = 64  # more columns than this are no picture any more
LONGEST_WORDS = 46
CELL, NAMES, TOP = 20, 330, 16  # px
GATE, PITCH, BOX = 26, 44, 34  # px
STYLE = """<style>
.causes { display: block; font-family: var(--st-font); }
.causes text { fill: var(--st-text-color); font-size: 12.5px; }
.causes .rule { stroke: var(--st-border-color); }
.causes .in { fill: var(--st-text-color); }
.causes .out { fill: none; stroke: var(--st-gray-color); }
.causes .shows { fill: var(--st-red-color); }
.causes .cannot { stroke: var(--st-gray-color); stroke-width: 1.5; }
.causes .box { fill: var(--st-background-color); stroke: var(--st-gray-color); stroke-width: 1.5; }
.causes .box.edit { stroke: var(--st-primary-color); stroke-width: 2; }
.causes .gate { fill: var(--st-background-color); stroke: var(--st-text-color); stroke-width: 1.5; }
.causes .gate-word { font-size: 11px; text-anchor: middle; font-weight: 700; }
.causes .wire { fill: none; stroke: var(--st-text-color); stroke-width: 1.5; opacity: .8; }
.causes .wire.not { stroke-dasharray: 5 4; stroke: var(--st-orange-color); opacity: 1; }
.causes .bubble { fill: var(--st-background-color); stroke: var(--st-orange-color); stroke-width: 2; }
</style>"""


@dataclass(frozen=True, slots=True)
class Together:
    """Symptoms with the same causes. `cells`: for each combination whether they show; None, no such car."""

    titles: tuple[str, ...]
    causes: Causes
    cells: tuple[bool | None, ...]

    @property
    def words(self) -> str:
        """The first title, and how many more."""
        more = len(self.titles) - 1
        return _short(self.titles[0], LONGEST_WORDS - 10) + (f" and {more} more" if more else "")


def together(grid: Grid) -> tuple[Together, ...]:
    """The grid's symptoms, those with the same causes in one."""
    groups: dict[Causes, list[str]] = {}
    cells: dict[Causes, tuple[bool | None, ...]] = {}
    for one in grid.symptoms:
        groups.setdefault(one.causes, []).append(one.title)
        values = grid.values(one.column)
        cells[one.causes] = tuple(None if value is None else value == one.value for value in values)
    return tuple(Together(tuple(titles), key, cells[key]) for key, titles in groups.items())


def matrix(grid: Grid) -> str:
    """Every combination as a column: above, which edits are in it; below, which symptoms it shows."""
    groups = together(grid)
    order = sorted(range(len(grid.accounts)), key=lambda number: (number.bit_count(), number))
    if not groups or len(order) > MOST_COMBINATIONS:
        return ""
    split = TOP + CELL * len(grid.names) + CELL / 2
    width, height = NAMES + CELL * len(order) + 4, split + CELL * (len(groups) + 0.5)
    parts = [_line(0, split, width)]
    for row, name in enumerate(grid.names):
        y = TOP + CELL * row
        parts.append(_words(0, y + 4, name))
        parts += [_dot(_x(column), y, bool(number >> row & 1)) for column, number in enumerate(order)]
    for row, group in enumerate(groups):
        middle_y = split + CELL * (row + 0.9)
        parts.append(_words(0, middle_y + 4, group.words, "\n".join(group.titles)))
        parts += [_cell(_x(column), middle_y, group.cells[number]) for column, number in enumerate(order)]
    title = "Every combination in a column: edits above, symptoms below"
    return _svg(width, height, title, parts) + (
        '<p class="dim small">● the edit is in · ■ the symptom shows · – there is no such car</p>'
    )


def cause_diagram(grid: Grid) -> str:
    """Edits on the left, symptoms on the right, one gate between them for each minimal cause set."""
    groups = [group for group in together(grid) if not group.causes.always]
    if not groups:
        return ""
    rows = [(group, one) for group in groups for one in group.causes.sets]
    height = max(GATE * len(rows) + 16 * len(groups), PITCH * len(grid.names)) + 24
    gate_x, symptom_x, width = 430, 520, 860
    pitch = height / (len(grid.names) or 1)
    edit_y = {name: pitch * (place + 0.5) for place, name in enumerate(grid.names)}
    wires, nodes = [], []
    for name, y in edit_y.items():
        nodes.append(_box(0, y, 250, name, "edit"))
    top = 12.0
    for group in groups:
        share = GATE * len(group.causes.sets) + 16
        middle = top + share / 2
        for place, one in enumerate(group.causes.sets):
            y = top + 8 + GATE * (place + 0.5)
            wires += _wires(one, edit_y, gate_x, y)
            wires.append(f'<path class="wire" d="M{gate_x + 17},{y:g} L{symptom_x},{middle:g}"/>')
            nodes.append(_gate(gate_x, y, one))
        nodes.append(_box(symptom_x, middle, width - symptom_x - 2, group.words, "", "\n".join(group.titles)))
        top += share
    title = "Which edits bring which symptoms about"
    return _svg(width, max(height, top), title, [*wires, *nodes]) + (
        '<p class="dim small">full line: must be there · dashed line with a ring: must not be there · '
        "&amp;: all of them together · several lines into one symptom: any of them is enough</p>"
    )


def _wires(one: CauseSet, edit_y: dict[str, float], x: float, y: float) -> list[str]:
    found = []
    literals = [(name, "") for name in one.present] + [(name, " not") for name in one.absent]
    for place, (name, absent) in enumerate(literals):
        end = y + 5 * (place - (len(literals) - 1) / 2)
        start = edit_y[name]
        bend = f"M250,{start:g} C330,{start:g} 350,{end:g} {x - 17},{end:g}"
        found.append(f'<path class="wire{absent}" d="{bend}"/>')
        if absent:
            found.append(f'<circle class="bubble" cx="{x - 20}" cy="{end:g}" r="3.5"/>')
    return found


def _gate(x: float, y: float, one: CauseSet) -> str:
    word = "&amp;" if len(one.present) + len(one.absent) > 1 else "1"
    title = f"<title>{escape(str(one))}</title>"
    if word == "1":
        return f'<path class="wire" d="M{x - 17},{y:g} H{x + 17}">{title}</path>'
    return (
        f'<g>{title}<rect class="gate" x="{x - 17}" y="{y - 11:g}" width="34" height="22" rx="4"/>'
        f'<text class="gate-word" x="{x}" y="{y + 4:g}">{word}</text></g>'
    )


def _box(x: float, y: float, width: float, words: str, kind: str, title: str = "") -> str:
    return (
        f'<g><title>{escape(title or words)}</title><rect class="box {kind}" x="{x + 1:g}" '
        f'y="{y - BOX / 2 + 4:g}" width="{width - 2:g}" height="{BOX - 8}" rx="5"/>'
        f'<text x="{x + 9:g}" y="{y + 4:g}">{escape(_short(words, int(width / 7.2)))}</text></g>'
    )


def _x(column: int) -> float:
    return NAMES + CELL * (column + 0.5)


def _dot(x: float, y: float, there: bool) -> str:
    return f'<circle class="{"in" if there else "out"}" cx="{x:g}" cy="{y:g}" r="{5 if there else 2.5}"/>'


def _cell(x: float, y: float, shows: bool | None) -> str:
    if shows is None:
        return f'<path class="cannot" d="M{x - 4:g},{y:g} h8"/>'
    if shows:
        return f'<rect class="shows" x="{x - 6:g}" y="{y - 6:g}" width="12" height="12" rx="2"/>'
    return f'<rect class="out" x="{x - 2.5:g}" y="{y - 2.5:g}" width="5" height="5"/>'


def _words(x: float, y: float, words: str, title: str = "") -> str:
    shown = f"<title>{escape(title or words)}</title>{escape(_short(words, LONGEST_WORDS))}"
    return f'<text x="{x:g}" y="{y:g}">{shown}</text>'


def _line(x: float, y: float, width: float) -> str:
    return f'<path class="rule" d="M{x:g},{y:g} H{width:g}"/>'


def _svg(width: float, height: float, title: str, parts: list[str]) -> str:
    return (
        f'{STYLE}<div class="wide"><svg class="causes" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(title)}">'
        f"{''.join(parts)}</svg></div>"
    )


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"
