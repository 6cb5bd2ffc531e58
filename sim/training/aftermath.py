"""What followed from each hidden fault: silent modules, lamps, codes, an engine that does not run.

The trace of the car as it was first read says what follows from what; nothing is looked up.

Not modeled: what a driver hears and feels; what shows later than the first scan.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from sim.bench.bench import Bench
from sim.bench.explain import Because, why_code, why_engine, why_silent, why_telltale
from sim.instruments.seat import seat_of
from sim.modules.facts import MOVES, engine_told
from sim.modules.module import ControlModule
from sim.training.answers import cause_words
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.words import counted

MOST_CHAINS = 12
MOST_REASONS = 14  # in a drawing that is still read in one look; our own choice
GIVEN = "given: "  # how the trace names an edit that the car came with,
SUPPOSED = "suppose that "  # and a difference of its design
LABELS = {"silent": "no answer", "held up": "held up", "lamp": "lamp", "code": "codes", "engine": "engine"}

NOTHING_SHOWN = "nothing that the first scan shows"

Kind = Literal["silent", "held up", "lamp", "code", "engine"]


@dataclass(frozen=True, slots=True)
class SeenEffect:
    """One thing that the car showed, and why. `part`: its module or lamp, in words."""

    kind: Kind
    title: str
    part: str
    why: Because

    @property
    def roots(self) -> tuple[str, ...]:
        """The edits that it follows from."""
        return tuple(text.removeprefix(GIVEN) for text in self.why.roots())


@dataclass(frozen=True, slots=True)
class Chain:
    """A chain of causes that is told once. `also`: titles of all else that follows from the same edits."""

    title: str
    tree: Because
    also: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Aftermath:
    """Hidden edits, and what followed from all of them together: labels with words."""

    edits: tuple[str, ...]
    effects: tuple[tuple[str, str], ...]


def shown_by(bench: Bench) -> Iterator[SeenEffect]:
    """Everything that the last scan and the driver's seat show and that follows from an edit."""
    for one in _shown(bench):
        why = one.why.to_edits()
        if why.reaches_edit:
            yield SeenEffect(one.kind, one.title, one.part, why)


def _shown(bench: Bench) -> Iterator[SeenEffect]:
    report = bench.last_report
    assert report is not None
    for name in report.silent:
        words, kind = _held_up(bench.live.modules[name])
        yield SeenEffect(kind, f"{name}: no answer", words, why_silent(bench, name))
    seat = seat_of(bench)
    titles = {lamp.name: lamp.title or lamp.name for lamp in seat.lamps}
    for lamp in seat.lit:
        yield SeenEffect("lamp", f"lamp: {titles[lamp]}", titles[lamp], why_telltale(bench, lamp))
    for entry in report.modules:
        for code in entry.codes:
            title = f"code {code.code} in {entry.module}"
            yield SeenEffect("code", title, entry.module, why_code(bench, entry.module, code.code))
    built, told = bench.car.built, engine_told(seat.engine)
    if (built.engine or built.high_voltage) and seat.engine not in MOVES:
        yield SeenEffect("engine", told, told, why_engine(bench))


def _held_up(module: ControlModule) -> tuple[str, Kind]:
    """Whether a module that does not answer is kept from it by its own software, and by what."""
    if module.waiting_for:
        return f"{module.name} waits for {', '.join(module.waiting_for)}", "held up"
    if module.state == "shut down":
        return f"{module.name} is shut down", "held up"
    return module.name, "silent"


def chains(shown: Sequence[SeenEffect], car: Car) -> tuple[Chain, ...]:
    """For each set of edits one chain of causes, the one that tells most, with all else that follows."""
    return tuple(_chain(group, car) for group in list(_by_roots(shown).values())[:MOST_CHAINS])


def _by_roots(shown: Iterable[SeenEffect]) -> dict[frozenset[str], list[SeenEffect]]:
    groups: dict[frozenset[str], list[SeenEffect]] = {}
    for one in shown:
        groups.setdefault(frozenset(one.roots), []).append(one)
    return groups


def _chain(group: list[SeenEffect], car: Car) -> Chain:
    told = max(group, key=lambda one: _worth(one.why))
    return Chain(told.title, in_words(told.why, car), tuple(one.title for one in group if one is not told))


def in_words(tree: Because, car: Car) -> Because:
    """A chain with its edits in plain words."""
    text = tree.text.removeprefix(GIVEN)
    if tree.edited:
        text = cause_words(text.replace(SUPPOSED, "theory ", 1) if text.startswith(SUPPOSED) else text, car)
    return replace(tree, text=text, causes=tuple(in_words(cause, car) for cause in tree.causes))


def _worth(tree: Because) -> int:
    """How many reasons a drawing of it tells; none if they are too many for one look."""
    count = len(set(_reasons(tree)))
    return count if count <= MOST_REASONS else 0


def _reasons(tree: Because) -> Iterator[str]:
    yield tree.text
    for cause in tree.causes:
        yield from _reasons(cause)


def aftermath(shown: Sequence[SeenEffect], hidden: Sequence[str], car: Car) -> tuple[Aftermath, ...]:
    """What followed from the hidden edits, each of which is there at least once; shared effects once."""
    groups: dict[tuple[str, ...], list[SeenEffect]] = {}
    root_of = {edit: _as_root(edit, car) for edit in hidden}
    for one in shown:
        edits = tuple(edit for edit in hidden if root_of[edit] in one.roots)
        if edits:
            groups.setdefault(edits, []).append(one)
    told = {edit for edits in groups for edit in edits}
    found = [Aftermath(edits, tuple(_effects(group))) for edits, group in groups.items()]
    return (*found, *(Aftermath((edit,), ()) for edit in hidden if edit not in told))


def _as_root(text: str, car: Car) -> str:
    """An edit as the trace writes it."""
    edit = parse_edit(text, car)
    return f"{SUPPOSED}{edit.theory}" if edit.theory else edit.text


def _effects(group: list[SeenEffect]) -> Iterator[tuple[str, str]]:
    for kind, label in LABELS.items():
        parts = [one.part for one in group if one.kind == kind]
        if not parts:
            continue
        names = list(dict.fromkeys(parts))
        if kind == "code":
            words = f"{counted(len(parts), 'code')} in {', '.join(names)}"
        else:
            words = ", ".join(names)
        yield label if kind != "lamp" or len(names) == 1 else "lamps", words
