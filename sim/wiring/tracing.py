"""Why a module has no supply, or one transceiver does not hear another: what stands in the way now.

The way is looked for in the harness as built: from the battery's posts to the module's supply and ground,
or from one transceiver's lines to the other's. What is open on it is named; where nothing is, joints with
added resistance are by their voltage drop, then shorts that carry the current away, then the battery.

Not modelled: which of several culprits is to be mended first; on parallel ways each is named.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.elements import (
    TESTER,
    TESTER_MIN_V,
    Coil,
    Contact,
    Driver,
    Element,
    FuseLink,
    HandSwitch,
    LinPort,
    LoadPart,
    RelayContact,
    Resistor,
    Transceiver,
    Wire,
)
from sim.vehicle.problems import unknown
from sim.wiring.connectivity import BusCluster
from sim.wiring.errors import CircuitError
from sim.wiring.power import REFERENCE, is_closed, ohm_of

if TYPE_CHECKING:
    from sim.wiring.wiring import Reading

# Any one switch or connection that drops more is bad (general guides of the trade: switch 0.3 V).
DROP_V = 0.3
# A short that takes more than this from a supply is worth naming; common practice.
SHORT_A = 1.0
FED_V = 6.0  # a coil or injector works above this; common practice
OPEN_WEIGHT = 1e9


@dataclass(frozen=True)
class Culprit:
    """One thing that stops current or a signal.

    what: open, unplugged, half seated, pulled, blown, switch open, driver off, swapped, resistance, short,
        no terminator, wrong bit rate, stuck dominant, babbling, battery.
    owner: the connector, fuse, relay, module or lead that the element belongs to.
    """

    element_id: str
    what: str
    owner: str


class Tracer:
    """The ways through one car's harness."""

    def __init__(self, car: Car, clusters: tuple[BusCluster, ...]) -> None:
        self.car, self._clusters = car, clusters
        self._lead_of = {part.id: name for name, lead in car.harness.leads.items() for part in lead.parts}

    @cached_property
    def _feeds(self) -> nx.Graph[str]:
        """Everything built that is meant to bring current to a place."""
        return _graph(element for element in self.car.elements.values() if _conducts_by_design(element))

    @cached_property
    def _fed(self) -> set[str]:
        return set(nx.node_connected_component(self._feeds, "BAT+"))

    @cached_property
    def _feeds_and_loads(self) -> nx.Graph[str]:
        loads = [element for element in self.car.elements.values() if isinstance(element, LoadPart)]
        return nx.compose(self._feeds, _graph(loads))

    @cached_property
    def _lines(self) -> nx.Graph[str]:
        """The bus lines as built, with bypass leads."""
        nodes = self.car.bus_nodes
        return _graph(
            element
            for element in (*self.car.elements.values(), *self._leads())
            if element.a in nodes and element.b in nodes and _conducts_by_design(element)
        )

    # -- supply --------------------------------------------------------------------------------------------

    def why_unsupplied(self, module: str, reading: Reading) -> tuple[Culprit, ...]:
        """What keeps a module's supply or ground away, nearest to the battery first; nothing if it is fed."""
        supplies = [draw.a for draw in reading.wiring.draws.get(module, ())]
        if not supplies:
            raise CircuitError(unknown("module", module, reading.wiring.draws))
        if reading.supply_v(module) >= self._least_v(module):
            return ()
        ways = [("BAT+", supply) for supply in supplies] + [("BAT-", f"{module}:0")]
        return _once(self._on_ways(ways, reading)) or _once(self._weak_supply(reading))

    def why_dead(self, node: str, reading: Reading) -> tuple[Culprit, ...]:
        """What keeps the battery's voltage from a terminal, or from the far side of a load.

        Opens on the way, else bad joints, else shorts of its own conductor, else (with no voltage there)
        shorts that carry current anywhere and a weak battery.
        """
        graph = self._feeds if node in self._fed else self._feeds_and_loads
        found = _once(self._on_ways([("BAT+", node)], reading, graph)) or _once(self._shorts_at(node))
        fed = (reading.between(node, REFERENCE) or 0.0) >= FED_V
        return found or (() if fed else _once(self._weak_supply(reading)))

    def why_sensed_wrong(self, ways: list[tuple[str, str]], reading: Reading) -> tuple[Culprit, ...]:
        """What disturbs a sensor circuit, given as the ways of its wires: opens, bad joints, else shorts."""
        found = _once(self._on_ways(ways, reading))
        return found or _once(culprit for start, _ in ways for culprit in self._shorts_at(start))

    def _shorts_at(self, node: str) -> Iterator[Culprit]:
        """Shorts that end on the same conductor: what wires, contacts and circuit board join to a place."""
        conductor = _graph(
            element
            for element in self.car.elements.values()
            if isinstance(element, Wire | Contact) or getattr(element, "kind", "") == "trace"
        )
        near = nx.node_connected_component(conductor, node) if node in conductor else {node}
        for lead in self._leads():
            if lead.a in near or lead.b in near:
                yield self._culprit(lead, "short")

    def _leads(self) -> list[Element]:
        return list(self.car.harness.joined_parts())

    def _least_v(self, module: str) -> float:
        return TESTER_MIN_V if module == TESTER else self.car.built.modules[module].min_supply_v

    def _on_ways(
        self, ways: list[tuple[str, str]], reading: Reading, graph: nx.Graph[str] | None = None
    ) -> list[Culprit]:
        graph = self._feeds if graph is None else graph
        opens = [culprit for start, goal in ways for culprit in self._opens_fed(graph, start, goal, reading)]
        return opens or self._swaps(graph, ways, reading) or self._bad_joints(graph, ways, reading)

    def _opens_fed(self, graph: nx.Graph[str], start: str, goal: str, reading: Reading) -> Iterator[Culprit]:
        for element in self._opens(graph, start, goal, reading):
            yield self._culprit(element, self._fault(element))
            if isinstance(element, RelayContact) and self.car.is_whole(element):
                yield from self._why_not_pulled_in(element.relay, reading)

    def _swaps(self, graph: nx.Graph[str], ways: list[tuple[str, str]], reading: Reading) -> list[Culprit]:
        """Pins on these ways whose cavity holds another wire."""
        return [
            self._culprit(element, "swapped")
            for start, goal in ways
            for element in self._way(graph, start, goal, reading)
            if element.id in self.car.harness.swapped
        ]

    def _why_not_pulled_in(self, relay: str, reading: Reading) -> list[Culprit]:
        coil = next(one for one in reading.wiring.coils if one.relay == relay)
        if not self.car.is_whole(coil):
            return [self._culprit(coil, self._fault(coil))]
        return self._on_ways([("BAT+", coil.a), ("BAT-", coil.b)], reading)

    def _weak_supply(self, reading: Reading) -> list[Culprit]:
        shorts = [part for part in self._leads() if abs(reading.current(part.id)) > SHORT_A]
        shorts.sort(key=lambda part: -abs(reading.current(part.id)))
        return [self._culprit(part, "short") for part in shorts] or [Culprit("BAT", "battery", "BAT")]

    # -- buses ---------------------------------------------------------------------------------------------

    def why_unheard(self, sender: str, receiver: str, reading: Reading) -> tuple[Culprit, ...]:
        """What keeps one transceiver's levels from another's; nothing where they are not meant to meet."""
        if sender in self.car.lin and receiver in self.car.lin:
            return self._why_unheard_on_wire(self.car.lin[sender], self.car.lin[receiver], reading)
        for name in (sender, receiver):
            if name not in self.car.transceivers:
                raise CircuitError(unknown("transceiver", name, self.car.transceivers))
        a, b = self.car.transceivers[sender], self.car.transceivers[receiver]
        return (
            _once(self._unfed((a, b), reading))
            or _once((*self._spoilt_inside((a, b)), *self._line_faults((a, b), reading)))
            or _once(self._bad_rates((a, b)))
            or _once(self._lost_terminators(a, reading))
            or _once(self._bad_joints(self._feeds, [("BAT-", a.gnd), ("BAT-", b.gnd)], reading))
        )

    def why_disturbed(self, channel: str, reading: Reading) -> tuple[Culprit, ...]:
        """What makes a channel's error counters rise: all that is wrong with its line and who is on it."""
        one = self.car.transceivers[channel]
        near = [other for cluster in self._clusters_of((one,)) for other in cluster.channels]
        others = [other for other in near if other != one]
        faults = (culprit for other in others for culprit in self._line_faults((one, other), reading))
        rates = (culprit for other in others for culprit in self._bad_rates((one, other)))
        grounds = self._bad_joints(self._feeds, [("BAT-", other.gnd) for other in (one, *others)], reading)
        return _once((*self._spoilt_inside((one,)), *rates, *faults)) or _once(grounds)

    def _spoilt_inside(self, pair: tuple[Transceiver, ...]) -> Iterator[Culprit]:
        """Modules on the same line that hold it dominant or never stop sending."""
        state = self.car.harness
        for cluster in self._clusters_of(pair):
            for one in cluster.channels:
                if one.id in state.stuck:
                    yield Culprit(one.id, "stuck dominant", one.module)
                if one.id in state.babbling:
                    yield Culprit(one.id, "babbling", one.module)

    def _why_unheard_on_wire(self, a: LinPort, b: LinPort, reading: Reading) -> tuple[Culprit, ...]:
        return (
            _once(self._unfed((a, b), reading))
            or _once(self._on_ways([(a.node, b.node)], reading))
            or _once(culprit for port in (a, b) for culprit in self._shorts_at(port.node))
            or _once(self._bad_joints(self._feeds, [("BAT-", a.gnd), ("BAT-", b.gnd)], reading))
        )

    def _unfed(self, pair: tuple[Transceiver | LinPort, ...], reading: Reading) -> Iterator[Culprit]:
        for one in pair:
            yield from self.why_unsupplied(one.module, reading)

    def _line_faults(self, pair: tuple[Transceiver, Transceiver], reading: Reading) -> Iterator[Culprit]:
        a, b = pair
        for start, goal in ((a.h, b.h), (a.l, b.l)):
            for element in self._opens(self._lines, start, goal, reading):
                yield self._culprit(element, self._fault(element))
        yield from self._swaps(self._lines, [(a.h, b.h), (a.l, b.l)], reading)
        for cluster in self._clusters_of(pair):
            for part in cluster.parts:
                element = self.car.all_elements[part.id]
                if isinstance(element, Resistor) and element.kind == "short":
                    yield self._culprit(element, "short")
        for start, goal in ((a.h, b.h), (a.l, b.l)):
            for element in self._way(self._lines, start, goal, reading):
                if element.id in self.car.harness.added_ohm:
                    yield self._culprit(element, "resistance")

    def _bad_rates(self, pair: tuple[Transceiver, Transceiver]) -> Iterator[Culprit]:
        """Leads that join lines of different bit rates or formats, or the sender that differs on its line."""
        old = self.car.classical_channels
        for cluster in self._clusters:
            modules = [one for one in cluster.channels if one.module != TESTER]
            kinds = {(one.bitrate_bps, one.id in old) for one in modules}
            if any(one not in cluster.channels for one in pair) or len(kinds) < 2:
                continue
            odd = self.car.harness.bitrates_bps.keys() | self.car.harness.classical
            wrong = [one for one in modules if one.id in odd]
            for one in wrong:
                yield Culprit(one.id, "wrong bit rate", one.module)
            leads = [part.id for part in cluster.parts if part.id in self._lead_of and not wrong]
            for id in leads:
                yield Culprit(id, "wrong bit rate", self._lead_of[id])
            if not (leads or wrong):
                yield Culprit(pair[0].id, "wrong bit rate", pair[0].module)

    def _lost_terminators(self, sender: Transceiver, reading: Reading) -> Iterator[Culprit]:
        meant = [
            element
            for element in self.car.elements.values()
            if isinstance(element, Resistor)
            and element.kind == "terminator"
            and element.a in self._lines
            and nx.has_path(self._lines, element.a, sender.h)
        ]
        for terminator in meant:
            opens = [
                element
                for start, goal in ((terminator.a, sender.h), (terminator.b, sender.l))
                for element in self._opens(self._lines, start, goal, reading)
            ]
            if opens or not self.car.is_whole(terminator):
                yield self._culprit(terminator, "no terminator")
                for element in opens:
                    yield self._culprit(element, self._fault(element))

    def _clusters_of(self, pair: tuple[Transceiver, ...]) -> list[BusCluster]:
        return [cluster for cluster in self._clusters if any(one in cluster.channels for one in pair)]

    # -- ways ----------------------------------------------------------------------------------------------

    def _opens(self, graph: nx.Graph[str], start: str, goal: str, reading: Reading) -> list[Element]:
        """What is open on every way from start to goal, way by way; nothing if one of them conducts."""
        found: dict[str, Element] = {}
        while way := self._way(graph, start, goal, reading, found):
            opens = [element for element in way if not is_closed(element, self.car, reading.state)]
            if not opens:
                return []
            found.update((element.id, element) for element in opens)
        return list(found.values())

    def _way(
        self, graph: nx.Graph[str], start: str, goal: str, reading: Reading, without: Container[str] = ()
    ) -> list[Element]:
        """The elements of the way with the fewest opens and the least resistance; empty if there is none."""

        def weight(_a: str, _b: str, edge: dict[str, Element]) -> float | None:
            element = edge["element"]
            if element.id in without:
                return None  # networkx leaves such an edge out
            return ohm_of(element, self.car) + OPEN_WEIGHT * (not is_closed(element, self.car, reading.state))

        if start not in graph or goal not in graph:
            return []
        try:
            path = nx.dijkstra_path(graph, start, goal, weight)
        except nx.NetworkXNoPath:
            return []
        return [graph.edges[a, b]["element"] for a, b in pairwise(path)]

    def _bad_joints(
        self, graph: nx.Graph[str], ways: list[tuple[str, str]], reading: Reading
    ) -> list[Culprit]:
        """What has added resistance and drops voltage on these ways, the largest drop first."""
        drops = {
            element.id: (abs(reading.between(element.a, element.b) or 0.0), element)
            for start, goal in ways
            for element in self._way(graph, start, goal, reading)
            if element.id in self.car.harness.added_ohm or element.id in self.car.harness.offset_v
        }
        worst = sorted(drops.values(), key=lambda drop: -drop[0])
        return [self._culprit(element, "resistance") for drop_v, element in worst if drop_v > DROP_V]

    # -- words ---------------------------------------------------------------------------------------------

    def _culprit(self, element: Element, what: str) -> Culprit:
        return Culprit(element.id, what, self._owner(element))

    def _owner(self, element: Element) -> str:
        match element:
            case Contact():
                return element.connector
            case RelayContact() | Coil():
                return element.relay
            case Driver():
                return element.module
            case Resistor(kind="terminator"):
                return element.id.partition(":")[0]
        return self._lead_of.get(element.id, element.id)

    def _fault(self, element: Element) -> str:
        """Why an element that is open now is open."""
        state = self.car.harness
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


def _conducts_by_design(element: Element) -> bool:
    if isinstance(element, Resistor):
        return element.kind in ("trace", "joint")
    return isinstance(element, Wire | Contact | FuseLink | RelayContact | HandSwitch | Driver)


def _graph(elements: Iterable[Element]) -> nx.Graph[str]:
    graph: nx.Graph[str] = nx.Graph()
    graph.add_edges_from((element.a, element.b, {"element": element}) for element in elements)
    return graph


def _once(culprits: Iterable[Culprit]) -> tuple[Culprit, ...]:
    return tuple(dict.fromkeys(culprits))
