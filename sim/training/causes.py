"""Is what a person named what was wrong? Named causes against hidden edits, by what they do to the car.

An edit is compared by its effect on the harness, part by part: `unplug ABS` and `unplug ABS.C1` are one
thing, a fuse that is out and a fuse that is blown both leave the same gap. A fuse out and its only wire open
are not the same, though both leave the module dark: such a cause is *near*.

Not modelled: causes in free words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sim.vehicle.car import Car
from sim.vehicle.edit import Edit
from sim.vehicle.edits import parse_edit
from sim.vehicle.elements import Element, Resistor, Wire
from sim.vehicle.harness_state import OPENINGS, Lead, alterations
from sim.vehicle.problems import EditProblem
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring

NO_FAULT = "no fault found"
# how far a named figure may be off: a meter on a live joint gives no more; our own choice
OHM_FACTOR = 3.0
CHARGE_POINTS = 20.0
OFFSET_V = 1.0
NEAR_CREDIT = 0.5  # the right circuit is half of the way; our own choice

Atom = tuple[str, ...]  # what an edit does to one part: ("open", "F3"), ("added_ohm", "G2"), ("short", ...)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Named causes sorted: `right`, `near` as (named, hidden), `wrong`; `missed` are hidden edits.

    `also`: true, but a consequence of what was wrong, such as the fuse that a short has blown.
    """

    right: tuple[str, ...]
    near: tuple[tuple[str, str], ...]
    wrong: tuple[str, ...]
    missed: tuple[str, ...]
    also: tuple[str, ...] = ()

    @property
    def exact(self) -> bool:
        """Everything named, and nothing but what was wrong."""
        return not (self.near or self.wrong or self.missed)

    @property
    def credit(self) -> float:
        """0 to 1: right causes count whole, near ones half, wrong and missed ones nothing."""
        named = len(self.right) + len(self.near) + len(self.wrong)
        hidden = len(self.right) + len(self.near) + len(self.missed)
        return (len(self.right) + NEAR_CREDIT * len(self.near)) / max(named, hidden) if named else 0.0


def normal_causes(named: Iterable[str], car: Car) -> tuple[str, ...]:
    """Causes in normal form, each once; raises `EditProblem` for none, and for repairs."""
    texts = [" ".join(text.split()) for text in named if text.strip()]
    if not texts:
        raise EditProblem(f"name at least one cause, or '{NO_FAULT}'")
    if any(text.lower() == NO_FAULT for text in texts):
        if len(texts) > 1:
            raise EditProblem(f"'{NO_FAULT}' stands alone: take it away, or the other causes")
        return (NO_FAULT,)
    edits = [parse_edit(text, car) for text in texts]
    for edit in edits:
        if edit.kind == "repair":
            raise EditProblem(f"'{edit.text}' is a repair; name what was wrong, such as 'unplug ABS'")
    return tuple(dict.fromkeys(edit.text for edit in edits))


def judge(named: Sequence[str], hidden: Sequence[str], car: Car, blown: Iterable[str] = ()) -> Verdict:
    """Sort named causes (in normal form) against hidden edits of a car that is as built and whole.

    `blown`: fuses that the hidden edits had blown when the car came in.
    """
    consequences = [_effect(f"blow {fuse}", car) for fuse in sorted(blown) if f"blow {fuse}" not in hidden]
    also = [text for text in named if text != NO_FAULT and _effect(text, car) in consequences]
    verdict = _judge([text for text in named if text not in also], hidden, car)
    return replace(verdict, also=tuple(also))


def same_effect(one: Sequence[str], other: Sequence[str], car: Car) -> bool:
    """Do two sets of edits do the same to a car that is as built and whole?"""
    return _same(*(_joined(_effect(text, car) for text in texts) for texts in (one, other)))


def same_place(one: str, other: str, car: Car) -> bool:
    """Do two edits join the same two stretches of wire, whatever their resistance?"""
    return _effect(one, car).keys() == _effect(other, car).keys()


def _judge(named: Sequence[str], hidden: Sequence[str], car: Car) -> Verdict:
    if NO_FAULT in named:
        if not hidden:
            return Verdict(tuple(named), (), (), ())
        return Verdict((), (), tuple(named), tuple(hidden))
    said = {text: _effect(text, car) for text in named}
    true = {text: _effect(text, car) for text in hidden}
    if _same(_joined(said.values()), _joined(true.values())):
        return Verdict(tuple(named), (), (), ())
    right: list[str] = []
    left = dict(true)
    for text, effect in said.items():
        match = next((one for one, other in left.items() if _same(effect, other)), None)
        if match is not None:
            right.append(text)
            del left[match]
    near: list[tuple[str, str]] = []
    for text in (one for one in said if one not in right):
        match = next((one for one in left if _is_near(text, one, car)), None)
        if match is not None:
            near.append((text, match))
            del left[match]
    taken = {*right, *(text for text, _ in near)}
    return Verdict(tuple(right), tuple(near), tuple(text for text in said if text not in taken), tuple(left))


# -- what an edit does -------------------------------------------------------------------------------------


def _effect(text: str, car: Car) -> dict[Atom, float]:
    """What an edit does to the parts of a car, with the figure that goes with it (0 where there is none)."""
    edit = parse_edit(text, car)
    if edit.kind == "theory":
        return {("design", *_theory_words(edit)): 0.0}
    after = edit.apply(car)
    atoms: dict[Atom, float] = {
        ("open", name): 0.0
        for name, element in car.elements.items()
        if car.is_whole(element) and not after.is_whole(element)
    }
    for one in alterations(car.harness, after.harness):
        if isinstance(one.now, Lead):
            for part in one.now.parts:
                atoms.update(_joins(part, car))
        elif isinstance(one.now, str):
            atoms[(one.field, *sorted((one.part, one.now)))] = 0.0
        elif one.now is not None and one.field not in OPENINGS:
            atoms[(one.field, one.part)] = float(one.now) if isinstance(one.now, float | int) else 0.0
    return atoms


def _joins(part: Element, car: Car) -> dict[Atom, float]:
    """A part between two places of the harness: a terminator by its resistance, anything else a short."""
    ends = sorted((_stretch(part.a, car), _stretch(part.b, car)))
    if isinstance(part, Resistor) and part.kind == "terminator":
        return {("terminator", *ends): part.ohm}
    return {("short", *ends): 0.0}


def _theory_words(edit: Edit) -> tuple[str, ...]:
    # `TRM` and `TRM.B+` are one consumer
    return tuple(word.removesuffix(".B+") for word in edit.supposition.split())


def _stretch(node: str, car: Car) -> str:
    """The stretch of harness that a terminal belongs to, up to the next pair of contacts, by its first name.

    Where along a wire two strands touch makes no difference that anybody could measure.
    """
    found, todo = {node}, [node]
    joined = _joined_by_wire(car)
    while todo:
        for there in joined.get(todo.pop(), ()):
            if there not in found:
                found.add(there)
                todo.append(there)
    return min(found)


def _joined_by_wire(car: Car) -> dict[str, list[str]]:
    joined: dict[str, list[str]] = {}
    for element in car.elements.values():
        joint = isinstance(element, Resistor) and element.kind in ("joint", "trace")
        if isinstance(element, Wire) or joint:
            joined.setdefault(element.a, []).append(element.b)
            joined.setdefault(element.b, []).append(element.a)
    return joined


def _joined(effects: Iterable[dict[Atom, float]]) -> dict[Atom, float]:
    return {atom: value for effect in effects for atom, value in effect.items()}


def _same(one: dict[Atom, float], other: dict[Atom, float]) -> bool:
    return one.keys() == other.keys() and all(_alike(atom, one[atom], other[atom]) for atom in one)


def _alike(atom: Atom, one: float, other: float) -> bool:
    match atom[0]:
        case "added_ohm" | "terminator":
            return max(one, other) <= OHM_FACTOR * min(one, other)
        case "battery_pct":
            return abs(one - other) <= CHARGE_POINTS
        case "offset_v":
            return abs(one - other) <= OFFSET_V
    return one == other


# -- near --------------------------------------------------------------------------------------------------


def _is_near(named: str, hidden: str, car: Car) -> bool:
    """The same part, or the same modules dark and the same lines cut: the right circuit, another place."""
    one, other = _effect(named, car), _effect(hidden, car)
    if {name for atom in one for name in atom[1:]} & {name for atom in other for name in atom[1:]}:
        return True
    shown = _shows(hidden, car)
    return shown != _shows("", car) and shown == _shows(named, car)


def _shows(edit: str, car: Car) -> tuple[frozenset[str], ...]:
    """Who has no supply, and which lines carry nothing, with everything switched on."""
    after = parse_edit(edit, car).apply(car) if edit else car
    state = SwitchState(
        frozenset(car.built.modules), frozenset(), frozenset(), frozenset(car.built.relays), False
    )
    reading = Wiring(after).solve(state)
    dark = frozenset(
        name for name, spec in car.built.modules.items() if reading.supply_v(name) < spec.min_supply_v
    )
    lit = frozenset(
        channel
        for channel, part in car.transceivers.items()
        if part.module in car.built.modules and part.module not in dark
    )
    ports = frozenset(channel for channel, port in car.lin.items() if port.module not in dark)
    links = reading.connectivity(lit).links | reading.lin_links(ports)
    return dark, frozenset(f"{a} {b}" for a, b in links)
