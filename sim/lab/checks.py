"""Checks: what a technician could do next to tell possible causes apart, its minutes and its cautions.

A check that does damage, or that touches an airbag circuit, is never offered. Cautions go with the
others.

Not modeled: trim to be taken off, the walk around the car.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from sim.bench.actions import Action, parse_action
from sim.bench.observations import ObservationKind, parse_observation
from sim.instruments import cautions
from sim.lab.drive import start_of, stop_of
from sim.lab.labor import minutes_of
from sim.lab.repertoire import DISTURBING, is_airbag_module, loads, on_airbag, repertoire
from sim.lab.search_result import PossibleCause
from sim.vehicle.car import Car
from sim.vehicle.edit import Edit
from sim.vehicle.edits import NEGATIVE_CLAMP, parse_edit
from sim.vehicle.high_voltage_parts import is_orange
from sim.vehicle.problems import EditProblem

WHY_LOOK = "Looking is quick: a missing fuse, a loose connector, a corroded terminal."
WHY_VOLTS = "Supply or ground at this place, or not: the fault is before it or after it."
WHY_LOAD = "A load shows what a meter does not: a feed or ground that collapses when current flows."
WHY_SCAN = "Who answers, and which codes came back, says where to look next."
WHY_PAIR = "About 60 ohm at the connector: pair and terminators are whole; 120 ohm: one is cut off."
WHY_APART = "Half-split: what answers with this plug off is on this side of it."
WHY_OPEN = "With the plug off its terminals can be seen."
WHY_DESIGN = "The car shows how it is built, whatever its diagram says."
WHYS = {ObservationKind.LOOK: WHY_LOOK, ObservationKind.LOAD: WHY_LOAD}


@dataclass(frozen=True, slots=True)
class Check:
    """Something to do and read. `passive`: it changes nothing about the car.

    `minutes`: labor time, to the hundredth (`sim.lab.labor`). `why`: the reason for which the trade makes it.
    """

    actions: tuple[str, ...]
    minutes: float
    cautions: tuple[str, ...] = ()
    passive: bool = False
    why: str = ""

    @property
    def title(self) -> str:
        """The check in words."""
        return ", ".join(self.actions)


def possible_checks(car: Car, causes: Sequence[PossibleCause]) -> tuple[Check, ...]:
    """What a technician could do next to tell these causes apart; nothing damaging or dangerous."""
    texts = dict.fromkeys(text for one in causes for text in one.edits)
    edits = [parse_edit(text, car) for text in texts]
    sentences = dict.fromkeys(text for edit in edits for text in (*_looks(edit, car), *loads(edit, car)))
    passive = [check for text in sentences if (check := _passive(text, car)) is not None]
    active = list(_active(car, _plugs_to_open(car, edits), _plugs_to_take_off(car, edits)))
    active += [_planned(plan, WHY_DESIGN, car) for edit in edits for plan in _design_plans(edit, car)]
    active += [_planned(plan.actions, plan.why, car) for plan in repertoire(car, edits)]
    return (*passive, *{check.actions: check for check in active}.values())


def _looks(edit: Edit, car: Car) -> Iterator[str]:
    """Looks and measurements that would show this fault."""
    verb, name = edit.verb, next(iter(edit.targets), "")
    if verb in ("pull", "blow", "fit"):
        yield f"look {name}"
        if name in car.built.fuses:
            yield f"measure volts {name}.2 to BAT-"
    elif verb in ("unplug", "loosen"):
        yield f"look {name}"
    elif name in car.built.grounds:
        yield f"look {name}"
        yield f"measure volts {name} to BAT-"
    elif name in car.pins:
        if verb in ("short", "swap"):
            yield f"look {name}"
        if car.pins[name].inner not in car.bus_nodes:
            yield f"measure volts {name} to BAT-"


def _passive(text: str, car: Car) -> Check | None:
    try:
        what = parse_observation(text, car)
    except EditProblem:
        return None
    minded = cautions.of(what, car)
    if what.kind is not ObservationKind.LOOK and any(is_orange(one, car) for one in what.points):
        return None
    if cautions.harm(what, car) or cautions.AIRBAG in minded:
        return None
    return Check((what.text,), round(what.labor_s / 60, 2), minded, True, WHYS.get(what.kind, WHY_VOLTS))


def _plugs_to_open(car: Car, edits: Sequence[Edit]) -> list[str]:
    """Connectors with a pin among the candidates, to unplug and inspect; never the airbag module's."""
    names = dict.fromkeys(
        car.pins[edit.targets[0]].connector
        for edit in edits
        if edit.verb in ("open", "corrode") and edit.targets[0] in car.pins
    )
    never = ("dlc", "orange")
    return [name for name in names if car.connectors[name].kind not in never and not on_airbag(name, car)]


def _plugs_to_take_off(car: Car, edits: Sequence[Edit]) -> list[str]:
    """In-line connectors on a bus, and those of modules that may disturb one; not the airbag module's."""
    channels = [car.transceivers[edit.targets[0]] for edit in edits if edit.verb in DISTURBING]
    inside = {channel.module for channel in channels}
    names = [name for name in car.connectors if _carries_bus(name, car) and not on_airbag(name, car)]
    return [
        name
        for name in names
        if car.connectors[name].kind == "inline" or car.connectors[name].owner in inside
    ]


def _design_plans(edit: Edit, car: Car) -> Iterator[list[str]]:
    """What would show a theory about the design: the other module's plug on or off, a fuse out, and a
    scan; or a scan right after codes were cleared.

    Nothing that takes supply from the airbag module, or a plug off it.
    """
    if edit.theory is None:
        return
    if edit.theory.relation == "feeds":
        fuse = edit.theory.subject
        fed = (end.part for end in car.built.fuses[fuse].ends)
        if not any(is_airbag_module(name, car) for name in fed):
            yield [f"pull {fuse}", "wait 5 s", "scan", f"fit {fuse}"]
        return
    shuts_down = edit.theory.relation == "shuts down when"
    by_code = shuts_down and "code" in edit.theory.condition.split()
    if by_code:
        yield ["clear", "scan"]
    about = {edit.theory.end.part} - ({edit.theory.subject} if shuts_down else set())
    for name, plug in car.connectors.items():
        if plug.owner in about and not on_airbag(name, car):
            looked = [*start_of(car), "wait 5 s", "scan"]
            yield [f"plug {name}", *looked]
            if by_code:  # as long as it is not told otherwise, a module stays as it is: it has to start anew
                off, on = "disconnect battery", "reconnect battery"
                yield [off, f"unplug {name}", on, *looked, off, f"plug {name}", on]
            yield [f"unplug {name}", *looked, f"plug {name}"]


def _active(car: Car, opened: Sequence[str], taken_off: Sequence[str]) -> Iterator[Check]:
    plans = [(["scan"], WHY_SCAN), ([*start_of(car), "wait 5 s", "scan"], WHY_SCAN)]
    if {"DLC.6", "DLC.14"} <= set(car.pins):
        off, pair = [*stop_of(car), "disconnect battery", "wait 60 s"], "measure ohms DLC.6 to DLC.14"
        plans.append(([*off, pair, "reconnect battery"], WHY_PAIR))
    plans += [([f"unplug {name}", "wait 5 s", "scan", f"plug {name}"], WHY_APART) for name in taken_off]
    plans += [([f"unplug {name}", f"look {name}", f"plug {name}"], WHY_OPEN) for name in opened]
    yield from (_planned(plan, why, car) for plan, why in plans)


def _planned(plan: Sequence[str], why: str, car: Car) -> Check:
    actions = [parse_action(text, car) for text in plan]
    minutes = sum(minutes_of(action, car, action.number) for action in actions)
    minded = chain.from_iterable(_cautions(action, car) for action in actions)
    return Check(tuple(plan), round(minutes, 2), tuple(dict.fromkeys(minded)), why=why)


def _carries_bus(name: str, car: Car) -> bool:
    data = car.bus_nodes
    return any(pin.inner in data for pin in car.connectors[name].pins)


def _cautions(action: Action, car: Car) -> tuple[str, ...]:
    if action.observation is not None:
        return cautions.of(action.observation, car)
    if action.edit is None or action.edit.verb != "unplug":
        return ()
    return (cautions.BATTERY_CLAMP if action.edit.part == NEGATIVE_CLAMP else cautions.BREAKOUT,)
