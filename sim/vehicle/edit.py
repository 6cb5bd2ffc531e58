"""What an edit is, what a kind of edit is, and how the words of a sentence are read.

Every kind of edit is one row (`EditKind`), written beside its function in `edits_connectors`,
`edits_conductors`, `edits_modules` or `edits_theories` and collected in `sim.vehicle.edits`.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Mapping, Set
from dataclasses import dataclass, field
from typing import Literal, TypeVar

from sim.vehicle.car import Car
from sim.vehicle.elements import Contact, Element, GeneratorOutput, Resistor, Transceiver, Wire
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import EditProblem, unknown
from sim.vehicle.wire_ends import WireEnd

Value = TypeVar("Value")

EditSort = Literal["fault", "repair", "theory"]
Relation = Literal["waits for", "runs through", "feeds"]
EditTool = Literal[
    "unplug", "fuses", "battery", "bypass", "repair"
]  # with which of a shop's tools it is done
PartKind = Literal["fuse", "relay", "connector", "ground", "pin"]
Change = Callable[[Car], Car]
Lister = Callable[[Car], Iterable[str]]

# a network solved by numbers has no room for resistances far outside what a meter can tell apart
SHORT_OHM = 0.05  # a hard short: two strands touching; common practice
LIMITS = {"ohm": (0.001, 10_000_000.0), "A": (0.5, 500.0), "%": (0.0, 100.0), "V": (-15.0, 15.0)}


@dataclass(frozen=True, slots=True)
class Theory:
    """What is supposed about the design, such as that `F7` `feeds` `TRM.B+`.

    subject: the module that waits, the bus or the fuse. end: the other module, or what is fed, as written.
    """

    subject: str
    relation: Relation
    end: WireEnd

    def leads(self, one: str, other: str) -> bool:
        """Whether it supposes that a bus or fuse leads to a module or load: these two, in any order."""
        return self.relation != "waits for" and {self.subject, self.end.part} == {one, other}

    def __str__(self) -> str:
        return f"{self.subject} {self.relation} {self.end.target}"


@dataclass(frozen=True, slots=True)
class Edit:
    """One edit: its sentence in normal form and what it says.

    kind: whether it is a fault, a repair or about the design (a theory). targets: what it names, by id and in
    the order of the sentence: parts, terminals, channels, modules, buses. figure: the number that it gives,
    in the unit of its sentence (kbit/s for a bit rate); None where it gives none.
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


def none_of(car: Car) -> Iterable[str]:
    """An empty list."""
    return ()


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
    targets: what it can be done to besides pins, wires and ground points, so that `mend` knows it, too.
    catalogue: single faults that are always searched; suspects: further ones, by the name of a choice;
    answers: those beyond the catalogue that are offered as answers. offers: how work at a part offers it.
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
    suspects: Mapping[str, Lister] = field(default_factory=dict)
    answers: Lister = none_of
    offers: tuple[Offer, ...] = ()


# Every kind by its verb, in the order of `sim.vehicle.edits`, which fills it.
EDIT_KINDS: dict[str, EditKind] = {}


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


def part_kind(name: str, car: Car) -> PartKind:
    """What kind of part a name means; everything of a wire counts as a pin."""
    named: dict[PartKind, Container[str]] = {
        "fuse": car.built.fuses,
        "relay": car.built.relays,
        "connector": car.connectors,
        "ground": car.built.grounds,
    }
    return next((kind for kind, names in named.items() if name in names), "pin")


# -- reading words -------------------------------------------------------------------------------------


def one_name(words: list[str], verb: str) -> str:
    """The only word after a verb; raises `EditProblem`."""
    if len(words) != 1:
        raise EditProblem(f"'{verb}' takes one name (here: '{' '.join(words)}')")
    return words[0]


def number(words: list[str], unit: str, what: str) -> float:
    """A number with its unit, joined or not, within `LIMITS`; raises `EditProblem`."""
    lowest, highest = LIMITS[unit]
    text = "".join(words).removesuffix(unit)
    try:
        value = float(text)
    except ValueError:
        raise EditProblem(f"'{what}' needs a number in {unit} (here: '{' '.join(words)}')") from None
    if not lowest <= value <= highest:
        raise EditProblem(f"'{what}' takes {lowest:g} to {highest:g} {unit} (here: {text})")
    return value


def less(known: Mapping[str, Value], name: str) -> dict[str, Value]:
    """A mapping without one key."""
    return {key: value for key, value in known.items() if key != name}


def connector_named(words: list[str], car: Car, verb: str) -> str:
    """A connector by its id, or by its owner where that has only one."""
    name = one_name(words, verb)
    if name in car.connectors:
        return name
    own = [plug.id for plug in car.connectors.values() if plug.owner == name]
    if len(own) == 1:
        return own[0]
    if own:
        raise EditProblem(f"{name} has more than one connector; say which: {', '.join(own)}")
    raise EditProblem(unknown("connector", name, [*car.connectors, *car.built.modules]))


def conductor_named(words: list[str], car: Car, verb: str, also: Iterable[str] = ()) -> str:
    """A pin, wire or ground joint, by its id or a pin by its function (`ECM.GND`), or one of `also`."""
    name = one_name(words, verb)
    if isinstance(car.elements.get(name), Contact | Wire | Resistor) or name in also:
        return name
    pin = pin_by_function(name, car)
    if pin:
        return pin
    known = [element.id for element in car.elements.values() if _is_conductor(element)]
    raise EditProblem(unknown("pin, wire or ground point", name, known))


def _is_conductor(element: Element) -> bool:
    if isinstance(element, Resistor):
        return element.kind in ("joint", "terminator")
    return isinstance(element, Contact | Wire)


def generator_of(car: Car) -> Iterable[str]:
    """The generator, by its id, of a car that has one."""
    return (element.id for element in car.elements.values() if isinstance(element, GeneratorOutput))


def pin_named(name: str, car: Car) -> str:
    """A pin by its id or its function; raises `EditProblem`."""
    found = name if name in car.pins else pin_by_function(name, car)
    if found is None:
        raise EditProblem(unknown("pin", name, car.pins))
    return found


def pin_by_function(name: str, car: Car) -> str | None:
    """The id of the pin that `ECM.GND` means; None where there is no such pin."""
    pin = car.pins_by_function.get(name)
    return pin.id if pin else None


def terminal_of(name: str, car: Car) -> str:
    """The terminal that a name means, also a pin by its function; raises `EditProblem`."""
    nodes = car.terminals
    if name in nodes:
        return name
    pin = pin_by_function(name, car)
    if pin:
        return pin
    raise EditProblem(unknown("terminal", name, nodes))


def two_terminals(words: list[str], verb: str, car: Car) -> tuple[str, str, list[str]]:
    """Both terminals of `VERB TERMINAL to TERMINAL`, and the words after them."""
    if len(words) < 3 or words[1] != "to":
        raise EditProblem(f"write '{verb} TERMINAL to TERMINAL'")
    a, b = terminal_of(words[0], car), terminal_of(words[2], car)
    if a == b:
        raise EditProblem(f"{a} cannot be joined to itself")
    return a, b, words[3:]


def channel_named(words: list[str], car: Car, verb: str) -> Transceiver:
    """A module's connection to a bus, `TCM.powertrain`, or the module where it has only one."""
    name = one_name(words, verb)
    known = {id: one for id, one in car.transceivers.items() if one.module in car.built.modules}
    if name in known:
        return known[name]
    own = [one for one in known.values() if one.module == name]
    if len(own) == 1:
        return own[0]
    if own:
        raise EditProblem(f"{name} is on more than one bus; say which: {', '.join(one.id for one in own)}")
    raise EditProblem(unknown("bus connection of a module", name, [*known, *car.built.modules]))
