"""What stops current or a signal, and how it is named."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from sim.vehicle.elements import Coil, Contact, Driver, Element, FuseLink, HandSwitch, RelayContact, Resistor
from sim.wiring.paths import HarnessGraphs

CulpritKind = Literal[
    "open", "unplugged", "half seated", "pulled", "blown", "switch open", "driver off", "swapped",
    "resistance", "short", "no terminator", "wrong bit rate", "stuck dominant", "babbling", "battery",
]  # fmt: skip


@dataclass(frozen=True)
class Culprit:
    """One thing that stops current or a signal.

    owner: the connector, fuse, relay, module or lead that the element belongs to.
    """

    element_id: str
    what: CulpritKind
    owner: str


def once(culprits: Iterable[Culprit]) -> tuple[Culprit, ...]:
    """The culprits in their order, each once."""
    return tuple(dict.fromkeys(culprits))


def culprit(graphs: HarnessGraphs, element: Element, what: CulpritKind) -> Culprit:
    """An element as a culprit of this kind."""
    return Culprit(element.id, what, _owner(graphs, element))


def open_culprit(graphs: HarnessGraphs, element: Element) -> Culprit:
    """An element that is open now as a culprit, with the reason."""
    return culprit(graphs, element, _why_open(graphs, element))


def _owner(graphs: HarnessGraphs, element: Element) -> str:
    match element:
        case Contact():
            return element.connector
        case RelayContact() | Coil():
            return element.relay
        case Driver():
            return element.module
        case Resistor(kind="terminator"):
            return element.id.partition(":")[0]
    return graphs.lead_of.get(element.id, element.id)


def _why_open(graphs: HarnessGraphs, element: Element) -> CulpritKind:
    state = graphs.car.harness
    match element:
        case Contact() if element.connector in state.unplugged:
            return "unplugged"
        case Contact() if element.id in state.loosened.get(element.connector, ()):
            return "half seated"
        case FuseLink() if element.id in state.pulled:
            return "pulled"
        case FuseLink() if element.id in state.blown:
            return "blown"
        case RelayContact() | Coil() if element.relay in state.pulled:
            return "pulled"
    if element.id in state.opened or element.id in state.away:
        return "open"
    match element:
        case HandSwitch() | RelayContact():
            return "switch open"
        case Driver():
            return "driver off"
    return "unplugged"  # the DLC without a tester
