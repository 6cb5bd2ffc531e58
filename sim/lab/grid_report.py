"""A what-if grid as CSV, as JSON, and as a report to print.

Path("grid.html").write_text(grid_html(grid))
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pydantic_core import to_json

from sim.lab.factorial import Effect
from sim.lab.grid import Choice, Grid, Value
from sim.lab.implicants import SymptomCauses
from sim.lab.report import DISCLAIMER, Rows, Section, as_html
from sim.lab.sight import value_words

NOTHING = 1e-9
MOST_ACROSS = 8  # combinations side by side on a printed page


def grid_csv(grid: Grid) -> str:
    """One row per combination: number, a 0 or 1 per edit, then every column."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["row", *grid.names, "impossible", *(column.title for column in grid.columns)])
    for number, account in enumerate(grid.accounts):
        bits = [number >> k & 1 for k in range(len(grid.names))]
        cells = ["" if v is None else v for v in (grid.value(column, number) for column in grid.columns)]
        writer.writerow([number, *bits, account.impossible, *cells])
    return text.getvalue()


@dataclass(frozen=True, slots=True)
class RowTold:
    """One combination: its edits by name, why there is no such car (else empty), a value for each column."""

    edits: tuple[str, ...]
    impossible: str
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class SymptomTold:
    """What the car without any of the edits does not show, and what brings it about."""

    column: str
    value: str
    causes: SymptomCauses


@dataclass(frozen=True, slots=True)
class HidingTold:
    """With `hider` there, `hidden` does not change a column that it changes otherwise: `times` of `of`."""

    hider: str
    hidden: str
    column: str
    times: int
    of: int


@dataclass(frozen=True, slots=True)
class GridTold:
    """A grid for other programs, with what follows. `effects`: by column with a number in all rows."""

    disclaimer: str
    edits: tuple[Choice, ...]
    given: tuple[str, ...]
    actions: tuple[str, ...]
    columns: tuple[str, ...]
    rows: tuple[RowTold, ...]
    symptoms: tuple[SymptomTold, ...]
    effects: dict[str, tuple[Effect, ...]]
    hidings: tuple[HidingTold, ...]
    alike: tuple[tuple[tuple[str, ...], ...], ...]


def grid_told(grid: Grid) -> GridTold:
    """Everything, with what follows from it."""
    rows = tuple(
        RowTold(grid.there(k), one.impossible, tuple(grid.value(column, k) for column in grid.columns))
        for k, one in enumerate(grid.accounts)
    )
    return GridTold(
        DISCLAIMER,
        grid.choices,
        grid.given,
        grid.actions,
        tuple(column.title for column in grid.columns),
        rows,
        tuple(SymptomTold(one.column.title, one.value, one.causes) for one in grid.symptoms),
        {column.title: found for column, found in grid.effects.items()},
        tuple(HidingTold(h.hider, h.hidden, h.column.title, h.times, h.of) for h in grid.hidings),
        tuple(tuple(grid.there(number) for number in group) for group in grid.alike),
    )


def grid_json(grid: Grid) -> str:
    """The same as JSON."""
    return to_json(grid_told(grid), indent=1).decode()


def grid_html(grid: Grid) -> str:
    """A report to print, as one HTML page."""
    return as_html("What if", grid_sections(grid))


def grid_sections(grid: Grid) -> list[Section]:
    """The report, section by section."""
    letters = [chr(ord("A") + k) for k in range(len(grid.names))]
    edits = Rows(
        ("edit", "name", "sentences"),
        tuple((a, one.name, _told(one)) for a, one in zip(letters, grid.choices, strict=True)),
    )
    steps = [f"{place + 1}. {action}" for place, action in enumerate(grid.actions)]
    given = [f"The car arrives with: {', '.join(grid.given)}."] if grid.given else []
    return [
        Section("Question", (edits, *given, "Then, in every combination: " + "; ".join(steps) + ".")),
        Section("What could be seen", (*_tables(grid, letters), *_unchanging(grid))),
        Section("What causes it", (_symptom_rows(grid),)),
        *([Section("Effects on readings", (_effect_rows(grid),))] if grid.effects else []),
        Section("What hides what", tuple(_hiding_lines(grid)) or ("Nothing hides anything here.",)),
        Section(
            "What cannot be told apart", tuple(_alike_lines(grid)) or ("All combinations look different.",)
        ),
    ]


def _tables(grid: Grid, letters: Sequence[str]) -> Iterable[Rows | str]:
    """The combinations side by side, so many as fit on a page; what fares alike in all of them is one row."""
    possible = [number for number, one in enumerate(grid.accounts) if not one.impossible]
    alike: dict[tuple[Value, ...], list[str]] = {}
    for column in grid.varying:
        alike.setdefault(tuple(grid.values(column)), []).append(column.title)
    for start in range(0, len(possible), MOST_ACROSS):
        across = possible[start : start + MOST_ACROSS]
        head = ("", *(_letters(number, letters) for number in across))
        rows = [
            (", ".join(titles), *(value_words(values[number], "") for number in across))
            for values, titles in alike.items()
        ]
        yield Rows(head, tuple(rows))
    for number, account in enumerate(grid.accounts):
        if account.impossible:
            yield f"{_letters(number, letters)}: cannot be built: {account.impossible}"


def _letters(number: int, letters: Sequence[str]) -> str:
    """The edits of one combination by their letters."""
    return " ".join(letter for k, letter in enumerate(letters) if number >> k & 1) or "none"


def _unchanging(grid: Grid) -> list[str]:
    same = [column for column in grid.columns if column not in grid.varying]
    listed = ", ".join(
        f"{column.title}: {value_words(grid.value(column, _first(grid)), '')}" for column in same
    )
    return [f"The same in every combination: {listed}."] if same else []


def _first(grid: Grid) -> int:
    return next((k for k, account in enumerate(grid.accounts) if not account.impossible), 0)


def _symptom_rows(grid: Grid) -> Rows:
    head = ("symptom", "minimal cause sets", "enough alone", "cannot be without", "removed by")
    together: dict[SymptomCauses, list[str]] = {}
    for one in grid.symptoms:
        together.setdefault(one.causes, []).append(one.title)
    rows = tuple(
        ("; ".join(titles), str(c), ", ".join(c.sufficient), ", ".join(c.necessary), ", ".join(c.hiders))
        for c, titles in together.items()
    )
    return Rows(head, rows)


def _effect_rows(grid: Grid) -> Rows:
    rows = tuple(
        (column.title, " × ".join(one.names), f"{one.size:+.4g}")
        for column, found in grid.effects.items()
        for one in sorted(found, key=lambda one: -abs(one.size))
        if abs(one.size) > NOTHING
    )
    return Rows(("reading", "edit or interaction", "effect"), rows)


def _hiding_lines(grid: Grid) -> Iterable[str]:
    for hider in grid.names:
        for hidden in grid.names:
            full = [h for h in grid.hidings if (h.hider, h.hidden) == (hider, hidden) and h.times == h.of]
            part = [h for h in grid.hidings if (h.hider, h.hidden) == (hider, hidden) and h.times < h.of]
            for words, some in (("hides", full), ("sometimes hides", part)):
                if some:
                    titles = ", ".join(h.column.title for h in some)
                    yield f"“{hider}” {words} the effect of “{hidden}” on: {titles}."


def _alike_lines(grid: Grid) -> Iterable[str]:
    for group in grid.alike:
        yield " = ".join(" + ".join(grid.there(number)) or "none of the edits" for number in group)


def _told(choice: Choice) -> str:
    text = "; ".join(choice.sentences)
    return text if choice.before is None else f"{text} (before action {choice.before + 1})"
