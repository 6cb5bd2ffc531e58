"""Why a module or a load has no supply, or a sensor circuit reads wrong: the faults in the path now.

Paths are searched in the harness as built, from the battery's posts to the module's supply and ground. What
is open on them is named first; if nothing is, joints with added resistance by their voltage drop; then shorts
that carry the current away; then the battery.

Not modeled: which of several culprits to repair first; on parallel paths each is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import networkx as nx

from sim.vehicle.elements import (
    TESTER,
    TESTER_MIN_V,
    Coil,
    Contact,
    Driver,
    Element,
    FuseLink,
    HandSwitch,
    RelayContact,
    Resistor,
)
from sim.vehicle.problems import unknown
from sim.vehicle.terminal_graph import conductor
from sim.wiring.errors import CircuitError
from sim.wiring.paths import Ends, HarnessGraphs, Paths
from sim.wiring.power import REFERENCE
from sim.wiring.reading import ElectricalReading

CulpritKind = Literal[
    "open", "unplugged", "half seated", "pulled", "blown", "switch open", "driver off", "swapped",
    "resistance", "short", "no terminator", "wrong bit rate", "same role", "stuck dominant", "babbling",
    "battery",
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
            for channel in graphs.car.transceivers.values():
                if channel.h == element.a:
                    return channel.module
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


# Any one switch or connection that drops more is bad (general guides of the trade: switch 0.3 V).
DROP_V = 0.3
# A short that takes more than this from a supply is worth naming; common practice.
SHORT_A = 1.0
FED_V = 6.0  # a coil or injector works above this; common practice


class SupplyTracer:
    """Finds what keeps supply away in one state of the switches."""

    def __init__(self, graphs: HarnessGraphs, reading: ElectricalReading) -> None:
        self._graphs, self._reading, self._paths = graphs, reading, Paths(graphs, reading)
        self._harness = graphs.car.harness

    def why_unsupplied(self, module: str) -> tuple[Culprit, ...]:
        """What keeps a module's supply or ground away, nearest to the battery first; nothing if it is fed."""
        draws = self._reading.inventory.draws
        supplies = [draw.a for draw in draws.get(module, ())]
        if not supplies:
            raise CircuitError(unknown("module", module, draws))
        if self._reading.supply_v(module) >= self._least_v(module):
            return ()
        paths = [("BAT+", supply) for supply in supplies] + [("BAT-", f"{module}:0")]
        return once(self.on_paths(paths)) or once(self._weak_supply())

    def why_dead(self, node: str) -> tuple[Culprit, ...]:
        """What keeps the battery's voltage from a terminal, or from the far side of a load.

        Opens on the path, else bad joints, else shorts of its own conductor, else (with no voltage there)
        shorts that carry current anywhere and a weak battery.
        """
        graph = self._graphs.feeds if node in self._graphs.fed else self._graphs.feeds_and_loads
        found = once(self.on_paths([("BAT+", node)], graph)) or once(self.shorts_at(node))
        fed = (self._reading.between(node, REFERENCE) or 0.0) >= FED_V
        return found or (() if fed else once(self._weak_supply()))

    def why_sensed_wrong(self, paths: Sequence[Ends]) -> tuple[Culprit, ...]:
        """What is wrong with a sensor circuit, given as its wires' ends: opens, bad joints, else shorts."""
        found = once(self.on_paths(paths))
        return found or once(short for start, _ in paths for short in self.shorts_at(start))

    def on_paths(self, paths: Sequence[Ends], graph: nx.Graph[str] | None = None) -> list[Culprit]:
        """What is open on these paths, else pins that are swapped, else joints that drop voltage."""
        graph = self._graphs.feeds if graph is None else graph
        opens = [found for ends in paths for found in self._opens(graph, ends)]
        return opens or self.swaps(graph, paths) or self.bad_joints(graph, paths)

    def swaps(self, graph: nx.Graph[str], paths: Sequence[Ends]) -> list[Culprit]:
        """Pins on these paths whose cavity holds another wire."""
        elements = (element for ends in paths for element in self._paths.path(graph, ends))
        swapped = self._harness.swapped
        return [culprit(self._graphs, element, "swapped") for element in elements if element.id in swapped]

    def bad_joints(self, graph: nx.Graph[str], paths: Sequence[Ends]) -> list[Culprit]:
        """What has added resistance and drops voltage on these paths, the largest drop first."""
        changed = self._harness.added_ohm.keys() | self._harness.offset_v.keys()
        drops = {
            element.id: (abs(self._reading.between(element.a, element.b) or 0.0), element)
            for ends in paths
            for element in self._paths.path(graph, ends)
            if element.id in changed
        }
        worst = sorted(drops.values(), key=lambda drop: -drop[0])
        return [culprit(self._graphs, element, "resistance") for drop_v, element in worst if drop_v > DROP_V]

    def shorts_at(self, node: str) -> Iterator[Culprit]:
        """Shorts that end on the same conductor: what wires, contacts and circuit board join to a place."""
        near = conductor(self._graphs.conductors, node)
        for lead in self._graphs.leads:
            if lead.a in near or lead.b in near:
                yield culprit(self._graphs, lead, "short")

    def _opens(self, graph: nx.Graph[str], ends: Ends) -> Iterator[Culprit]:
        for element in self._paths.opens(graph, ends):
            yield open_culprit(self._graphs, element)
            if isinstance(element, RelayContact) and self._graphs.car.is_whole(element):
                yield from self._why_not_pulled_in(element.relay)

    def _why_not_pulled_in(self, relay: str) -> list[Culprit]:
        coil = next(one for one in self._reading.inventory.coils if one.relay == relay)
        if not self._graphs.car.is_whole(coil):
            return [open_culprit(self._graphs, coil)]
        return self.on_paths([("BAT+", coil.a), ("BAT-", coil.b)])

    def _weak_supply(self) -> list[Culprit]:
        amp = {lead.id: abs(self._reading.current(lead.id)) for lead in self._graphs.leads}
        shorts = [lead for lead in self._graphs.leads if amp[lead.id] > SHORT_A]
        shorts.sort(key=lambda lead: -amp[lead.id])
        return [culprit(self._graphs, lead, "short") for lead in shorts] or [Culprit("BAT", "battery", "BAT")]

    def _least_v(self, module: str) -> float:
        return TESTER_MIN_V if module == TESTER else self._graphs.car.built.modules[module].min_supply_v
