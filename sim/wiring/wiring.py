"""One car's electrical network: from the state of its switches to voltages, currents and who hears whom.

wiring = Wiring(car)
reading = wiring.solve(SwitchState(running=frozenset({"ECM", "TCM"})))
reading.supply_v("ECM")
reading.connectivity(frozenset({"ECM.main", "TCM.main"})).segments
reading.why_unsupplied("ABS")
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from functools import cached_property

from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER
from sim.vehicle.problems import unknown
from sim.wiring.bus_clusters import BusCluster, bus_clusters
from sim.wiring.bus_levels import HIGH_LEG, LOW_LEG
from sim.wiring.bus_tracing import BusTracer
from sim.wiring.conduction import SwitchState, is_closed
from sim.wiring.connectivity import Connectivity, cluster_connectivity, together
from sim.wiring.errors import CircuitError
from sim.wiring.ethernet_connectivity import is_link, link_connectivity, loss_db_of
from sim.wiring.lin_connectivity import DRIVER, Levels, Links, levels_at_rest, lin_links
from sim.wiring.paths import Ends, HarnessGraphs
from sim.wiring.power import PowerCircuit
from sim.wiring.reading import CircuitInventory, ElectricalReading
from sim.wiring.recent import Recent
from sim.wiring.segments import ClusterConnectivity
from sim.wiring.solution import Driven, Solution
from sim.wiring.solver import CACHE_STATES
from sim.wiring.tracing import Culprit, SupplyTracer

KEPT_READINGS = CACHE_STATES  # one for each solution that the circuit keeps; and as many answers on LIN


class Wiring:
    """The electrical network of one car; an edited car needs a new one. For one thread at a time."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.circuit = PowerCircuit(car)
        self._readings: Recent[Reading] = Recent(KEPT_READINGS)
        self._links: Recent[Links] = Recent(KEPT_READINGS)
        self._losses_db: dict[tuple[BusCluster, bool], float] = {}
        self.inventory = CircuitInventory(car)

    def solve(self, state: SwitchState) -> Reading:
        """The network in one state of the switches."""
        return self._readings.get(state, lambda: Reading(self, state, self.solution(state)))

    def solution(self, state: SwitchState, without: frozenset[str] = frozenset()) -> Solution:
        """The circuit in a state, with the elements `without` taken off; stuck transceivers drive."""
        return self.dominant(self.circuit.solve(state, without), sorted(state.dominant))

    def dominant(self, solution: Solution, channels: Sequence[str]) -> Solution:
        """The circuit with these transceivers, on CAN and LIN, dominant as well."""
        if not channels:
            return solution
        can = [self.car.transceivers[name] for name in channels if name in self.car.transceivers]
        lin = [self.car.lin[name] for name in channels if name in self.car.lin]
        pairs = [(node, one.gnd) for one in can for node in (one.h, one.l)]
        legs = [HIGH_LEG if port % 2 == 0 else LOW_LEG for port in range(len(pairs))]
        pairs += [(port.node, port.gnd) for port in lin]
        legs += [DRIVER] * len(lin)
        return Driven(solution.ports(pairs), list(enumerate(legs)))

    def lin_links(self, reading: Reading, levels: Levels) -> Links:
        """Who hears whom on the LIN wires; the same levels at rest have the same answer."""
        return self._links.get(levels, lambda: lin_links(reading, levels))

    def link_loss_db(self, cluster: BusCluster, reading: Reading) -> float:
        """The loss of an Ethernet pair: of the harness alone, unless a short ties it to what is switched."""
        if cluster.contacts:
            return loss_db_of(cluster, reading)
        key = cluster, TESTER in reading.state.running  # a tester's pins are joined while it is plugged in
        if key not in self._losses_db:
            self._losses_db[key] = loss_db_of(cluster, reading)
        return self._losses_db[key]

    @cached_property
    def clusters(self) -> tuple[BusCluster, ...]:
        """The bus lines that are joined, cluster by cluster."""
        return bus_clusters(self.car)

    @cached_property
    def graphs(self) -> HarnessGraphs:
        """What paths through the harness are searched in."""
        return HarnessGraphs(self.car)


class Reading(ElectricalReading):
    """What the network does in one state of the switches: voltages, currents, who hears whom, and why not."""

    def __init__(self, wiring: Wiring, state: SwitchState, solution: Solution) -> None:
        super().__init__(wiring.inventory, wiring.circuit, state, solution)
        self.wiring = wiring
        self._heard: dict[frozenset[str], Connectivity] = {}
        self._reasons: dict[tuple[str, tuple[Hashable, ...]], tuple[Culprit, ...]] = {}

    def without(self, element_id: str) -> Reading:
        """The same state with one element taken out."""
        closed = is_closed(self.car.all_elements[element_id], self.car, self.state)
        taken = frozenset({element_id}) if closed else frozenset()
        return Reading(self.wiring, self.state, self.wiring.solution(self.state, taken))

    def while_dominant(self, *channels: str) -> Reading:
        """The same state while these transceivers hold their lines dominant."""
        self._check_channels(channels)
        # one with a stuck transmit input drives without end, or nothing any more
        stuck = self.state.dominant | self.car.harness.stuck
        more = [name for name in channels if name not in stuck]
        return Reading(self.wiring, self.state, self.wiring.dominant(self._solution, more))

    def connectivity(self, powered: frozenset[str]) -> Connectivity:
        """Who hears whom while these channels are powered and awake."""
        if powered not in self._heard:
            self._check_channels(powered)
            answers = (self._answer(cluster, powered) for cluster in self.wiring.clusters)
            self._heard[powered] = together(tuple(answers))
        return self._heard[powered]

    def _answer(self, cluster: BusCluster, powered: frozenset[str]) -> ClusterConnectivity:
        if is_link(cluster.channels):
            return link_connectivity(cluster, powered, self.wiring.link_loss_db(cluster, self))
        return cluster_connectivity(cluster, powered, self)

    def lin_links(self, powered: frozenset[str]) -> Links:
        """Pairs (sender, receiver) on the LIN wires, of these ports powered and awake."""
        return self.wiring.lin_links(self, levels_at_rest(self, powered)) if powered else frozenset()

    def _check_channels(self, names: Iterable[str]) -> None:
        known = self.car.channels
        for name in sorted(names):
            if name not in known:
                raise CircuitError(unknown("transceiver", name, known))

    def why_unsupplied(self, module: str) -> tuple[Culprit, ...]:
        """What keeps a module's supply or ground away now, nearest to the battery first."""
        return self._reason(self._supply.why_unsupplied, module)

    def why_dead(self, node: str) -> tuple[Culprit, ...]:
        """What keeps the battery's voltage away from a terminal."""
        return self._reason(self._supply.why_dead, node)

    def why_sensed_wrong(self, paths: tuple[Ends, ...]) -> tuple[Culprit, ...]:
        """What is wrong with a sensor circuit, given as the ends of its wires."""
        return self._reason(self._supply.why_sensed_wrong, paths)

    def why_unheard(self, sender: str, receiver: str) -> tuple[Culprit, ...]:
        """What keeps one channel's levels from another's."""
        return self._reason(self._bus.why_unheard, sender, receiver)

    def why_errors(self, channel: str) -> tuple[Culprit, ...]:
        """What makes a channel's error counters rise."""
        return self._reason(self._bus.why_errors, channel)

    @property
    def _supply(self) -> SupplyTracer:
        return SupplyTracer(self.wiring.graphs, self)

    @property
    def _bus(self) -> BusTracer:
        return BusTracer(self.wiring.graphs, self.wiring.clusters, self)

    def _reason(self, search: Callable[..., tuple[Culprit, ...]], *about: Hashable) -> tuple[Culprit, ...]:
        # twenty receivers that miss one module ask the same question
        question = (search.__name__, about)
        if question not in self._reasons:
            self._reasons[question] = search(*about)
        return self._reasons[question]
