"""What an edit is, what a kind of edit is, and how the words of a sentence are read.

Every kind of edit is one row (`EditKind`), written beside its function in `edits_connectors`,
`edits_conductors`, `edits_modules`, `edits_set_up` or `edits_theories` and collected in `sim.vehicle.edits`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Set
from dataclasses import dataclass, field
from typing import Literal

from sim.vehicle.answer_parts import PartSort
from sim.vehicle.car import Car
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import EditProblem
from sim.vehicle.wire_ends import WireEnd

EditSort = Literal["fault", "repair", "theory"]
Relation = Literal["waits for", "runs through", "feeds", "shuts down when"]
# with which of a shop's tools it is done
EditTool = Literal["unplug", "fuses", "battery", "bypass", "repair", "program"]
Change = Callable[[Car], Car]
Lister = Callable[[Car], Iterable[str]]

SHORT_OHM = 0.05  # a hard short: two strands touching; common practice


@dataclass(frozen=True, slots=True)
class Theory:
    """What is supposed about the design, such as that `F7` `feeds` `TRAILER.B+`.

    subject: the module that waits or shuts down, the bus or the fuse. end: the other module, or what is fed,
    as written. condition: when it shuts down, in normal form; about: the modules that the condition is over.
    """

    subject: str
    relation: Relation
    end: WireEnd
    condition: str = ""
    about: tuple[str, ...] = ()

    def leads(self, one: str, other: str) -> bool:
        """Whether it supposes that a bus or fuse leads to a module or load: these two, in any order."""
        return self.relation in ("runs through", "feeds") and {self.subject, self.end.part} == {one, other}

    def __str__(self) -> str:
        return f"{self.subject} {self.relation} {self.condition or self.end.target}"


@dataclass(frozen=True, slots=True)
class Edit:
    """One edit: its sentence in normal form and what it says.

    kind: whether it is a fault, a repair or about the design (a theory). targets: what it names, by id and in
    the order of the sentence: parts, terminals, channels, modules, buses. figure: the number that it gives,
    in the unit of its sentence (kbit/s for a bit rate); None where it gives none, or `?`.
    undo: the sentence that takes it back; None where nothing can. theory: what a theory supposes.
    """

    text: str
    verb: str
    kind: EditSort
    change: Change
    undo: str | None = None
    targets: tuple[str, ...] = ()
    figure: float | None = None
    theory: Theory | None = None

    def apply(self, car: Car) -> Car:
        """The car after this edit; raises `EditProblem` where it cannot be done now."""
        return self.change(car)

    @property
    def part(self) -> str:
        """What it is done to: the first that it names; empty for the battery's charge."""
        return self.targets[0] if self.targets else ""

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Offer:
    """How a fault is offered where work at a part is chosen.

    part: the kind of part that it is offered at. sentence: with `{part}` for the part that is chosen, and
    `{ohm}`, `{volt}`, `{between_s}`, `{open_s}` or `{kbps}` for a figure that is asked for there.
    """

    part: str  # connector, fuse, relay, joint, pins, ground, terminals, pair, sensor, module or channel
    button: str
    sentence: str

    def asked(self, part: str, keys: Mapping[str, str]) -> str:
        """The sentence for a part, with the keys of fields of a form in the place of its figures."""
        asked = self.sentence.replace("{part}", part)
        for figure, key in keys.items():
            asked = asked.replace(f"{{{figure}", f"{{{key}")
        return asked


def no_others(car: Car, part: str) -> Mapping[str, str]:
    """Nothing else to choose."""
    return {}


@dataclass(frozen=True, slots=True)
class Answer:
    """How a fault is told as what was wrong with a part: chosen, never typed, and with no figure.

    part: the sort of part. words: what is wrong with it. sentence: the edit, with `{part}`, and with
    `{other}` where something else has to be said: one of `others(car, part)`, asked for by `asks`; with
    none of them it is not offered. told: the words of an answer with `{other}` in it.
    """

    part: PartSort
    words: str
    sentence: str
    asks: str = ""
    others: Callable[[Car, str], Mapping[str, str]] = no_others
    told: str = ""

    def saying(self, other: str) -> str:
        """What is wrong, in words that name the other thing."""
        return (self.told or self.words).format(other=other)


def none_of(car: Car) -> Iterable[str]:
    """An empty list."""
    return ()


@dataclass(frozen=True, slots=True)
class Sightings:
    """What was seen of a car's modules, and the parts that its actions named: what a theory is for.

    silent: modules that did not answer at least once; answering: those that did, each time they were asked.
    codes: modules with codes that they held, without failure type.
    """

    silent: frozenset[str] = frozenset()
    answering: frozenset[str] = frozenset()
    named: frozenset[str] = frozenset()
    codes: tuple[tuple[str, str], ...] = ()

    def may_be_silent(self, module: str) -> bool:
        """Was it silent, or never asked?"""
        return module in self.silent or module not in self.answering


@dataclass(frozen=True, slots=True)
class EditKind:
    """A kind of edit: all that the program knows about a verb.

    verb: the first word of its sentences. sort: what it mostly is.
    parse: its edit from the words after the verb; raises `EditProblem`.
    leaves: what it leaves in a `HarnessState`: the field, and how a change there reads.
    repair: the verb that takes it back; taken_back: the sentence that ends such a change. Both texts may hold
    `{part}`, `{now}`, `{thousands}`, `{module}`, `{usual_pct}` (see `sim.vehicle.edits.changes_of`).

    tool: with what it is done in the shop; hands_on: taken apart and put back in any search.
    takes_part_away: it is as likely as its part goes missing or breaks.
    targets: what it can be done to besides pins, wires and ground points, so that `repair` knows it, too.
    catalogue: single faults that are always searched; candidates: further ones, by the name of a choice;
    answers: how it is told as what was wrong, by sort of part. offers: how work at a part offers it.
    theories: plausible ones about the car's design that could have to do with what was seen, by their sort.
    """

    verb: str
    sort: EditSort
    parse: Callable[[list[str], Car], Edit]
    leaves: Mapping[str, str] = field(default_factory=dict)
    repair: str = ""
    taken_back: str = "{repair} {part}"
    tool: EditTool = "repair"
    hands_on: bool = False
    takes_part_away: bool = False
    targets: Lister = none_of
    catalogue: Lister = none_of
    candidates: Mapping[str, Lister] = field(default_factory=dict)
    answers: tuple[Answer, ...] = ()
    offers: tuple[Offer, ...] = ()
    theories: Mapping[str, Callable[[Car, Sightings], Iterable[str]]] = field(default_factory=dict)


# Every kind by its verb, in the order of `sim.vehicle.edits`, which fills it.
EDIT_KINDS: dict[str, EditKind] = {}


def noted(field: str, name: str, value: object = True, refused: str = "") -> Change:
    """Note a part in a field of the harness's state; its opposite is `without`.

    With a sentence `refused` the change raises `EditProblem` if the part is noted already.
    """

    def change(car: Car) -> Car:
        known = getattr(car.harness, field)
        if refused and name in known:
            raise EditProblem(refused)
        more = {**known, name: value} if isinstance(known, Mapping) else known | {name}
        return car.with_harness(**{field: more})

    return change


def without(state: HarnessState, fields: Iterable[str], names: Set[str]) -> dict[str, object]:
    """These fields of a state without these parts, for `Car.with_harness`."""
    changes: dict[str, object] = {}
    for name in fields:
        value = getattr(state, name)
        kept = (key for key in value if key not in names)
        changes[name] = {key: value[key] for key in kept} if isinstance(value, Mapping) else frozenset(kept)
    return changes


def fields_repaired_by(verb: str) -> tuple[str, ...]:
    """What of a `HarnessState` a repair takes back: the fields of all faults that name it."""
    return tuple(name for kind in EDIT_KINDS.values() if kind.repair == verb for name in kind.leaves)
