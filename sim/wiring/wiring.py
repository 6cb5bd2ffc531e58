"""One car's electrical network: from the state of its switches to voltages, currents and who hears whom.

wiring = Wiring(car)
reading = wiring.solve(SwitchState(running=frozenset({"ECM", "TCM"})))
reading.supply_v("ECM")
reading.hears(frozenset({"ECM.main", "TCM.main"})).segments()
reading.why_unsupplied("ABS")
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from functools import cached_property

from sim.vehicle.car import Car
from sim.vehicle.elements import Coil, Draw, FuseLink, LoadPart
from sim.vehicle.problems import unknown
from sim.wiring.connectivity import (
    HIGH_LEG,
    LOW_LEG,
    BusCluster,
    Connectivity,
    bus_clusters,
    heard_in,
    together,
)
from sim.wiring.errors import CircuitError
from sim.wiring.lin_connectivity import DRIVER, Levels, Links, levels_at_rest, links_on_wires
from sim.wiring.power import PowerCircuit, SwitchState, is_closed
from sim.wiring.recent import Recent
from sim.wiring.solver import CACHE_STATES, Ports, Solution, drive
from sim.wiring.tracing import Culprit, Tracer

__all__ = ["Connectivity", "Culprit", "Reading", "SwitchState", "Wiring"]

KEPT_READINGS = CACHE_STATES  # one for each solution that the circuit keeps


class Wiring:
    """The network of one car; an edit of the car needs a new one. For one thread at a time."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.circuit = PowerCircuit(car)
        self._readings: Recent[Reading] = Recent(KEPT_READINGS)
        self._links: dict[Levels, Links] = {}
        elements = car.all_elements.values()
        self.draws: dict[str, list[Draw]] = {}
        for element in elements:
            if isinstance(element, Draw):
                self.draws.setdefault(element.module, []).append(element)
        self.coils = [element for element in elements if isinstance(element, Coil)]
        self.fuses = [element.id for element in elements if isinstance(element, FuseLink)]
        self.shorts = [element for element in elements if getattr(element, "kind", "") == "short"]
        self.consumers = {  # the module of a draw, or the load or coil itself, by the element
            one.id: one.module if isinstance(one, Draw) else one.id
            for one in elements
            if isinstance(one, Draw | LoadPart | Coil)
        }

    def solve(self, state: SwitchState) -> Reading:
        """The network in one state of the switches."""
        return self._readings.get(state, lambda: Reading(self, state, self.solution(state)))

    def solution(self, state: SwitchState, without: frozenset[str] = frozenset()) -> Solution:
        """The circuit in a state, with the elements `without` taken off; stuck transceivers drive."""
        return self.dominant(self.circuit.solve(state, without), sorted(state.dominant))

    def dominant(self, solution: Solution, channels: Sequence[str]) -> Solution:
        """The circuit with these transceivers, on CAN and LIN, dominant besides."""
        if not channels:
            return solution
        can = [self.car.transceivers[name] for name in channels if name in self.car.transceivers]
        lin = [self.car.lin[name] for name in channels if name in self.car.lin]
        pairs = [(node, one.gnd) for one in can for node in (one.h, one.l)]
        legs = [HIGH_LEG if port % 2 == 0 else LOW_LEG for port in range(len(pairs))]
        pairs += [(port.node, port.gnd) for port in lin]
        legs += [DRIVER] * len(lin)
        return drive(solution.ports(pairs), list(enumerate(legs)))

    def links_on_wires(self, reading: Reading, levels: Levels) -> Links:
        """Who hears whom on the LIN wires; the same levels at rest have the same answer."""
        if levels not in self._links:
            self._links[levels] = links_on_wires(reading, levels)
        return self._links[levels]

    @cached_property
    def pins(self) -> dict[tuple[str, str], tuple[str, str]]:
        """By module and function: the inner end of a module's pin, and the module's own ground."""
        nodes = {node for element in self.car.all_elements.values() for node in (element.a, element.b)}
        return {
            (plug.owner, pin.function): (pin.inner, f"{plug.owner}:0")
            for plug in self.car.connectors.values()
            for pin in plug.pins
            if {pin.inner, f"{plug.owner}:0"} <= nodes
        }

    @cached_property
    def clusters(self) -> tuple[BusCluster, ...]:
        """The bus lines that are joined, cluster by cluster."""
        return bus_clusters(self.car)

    @cached_property
    def tracer(self) -> Tracer:
        """Finds what stands in the way."""
        return Tracer(self.car, self.clusters)


class Reading:
    """What the network does in one state of the switches. Voltages in V, currents in A."""

    def __init__(self, wiring: Wiring, state: SwitchState, solution: Solution) -> None:
        self.wiring, self.state, self._solution = wiring, state, solution
        self._heard: dict[frozenset[str], Connectivity] = {}
        self._reasons: dict[tuple[str, str], tuple[Culprit, ...]] = {}

    def voltage(self, node: str) -> float | None:
        """Voltage against the battery's negative post; None where the node floats."""
        return self._solution.voltage(node)

    def between(self, a: str, b: str) -> float | None:
        """Voltage of node a against node b; None where nothing joins the two."""
        return self._solution.voltage_between(a, b)

    def current(self, element_id: str) -> float:
        """Current from the element's a to its b; of battery and generator, out of the plus terminal."""
        return self._solution.current(element_id)

    def currents(self, element_ids: Sequence[str]) -> list[float]:
        """The same of several elements, in their order."""
        return self._solution.currents(element_ids)

    def supply_v(self, module: str) -> float:
        """The lowest of the module's supplies, each against its own ground; 0 where one floats."""
        if module not in self._supplies_v:
            raise CircuitError(unknown("module", module, self.wiring.draws))
        return self._supplies_v[module]

    @cached_property
    def _supplies_v(self) -> dict[str, float]:
        draws = [draw for several in self.wiring.draws.values() for draw in several]
        found: dict[str, float] = {}
        for draw, volt in zip(draws, self.all_between((one.a, one.b) for one in draws), strict=True):
            found[draw.module] = min(volt, found.get(draw.module, math.inf))
        return found

    def pin_v(self, module: str, function: str) -> float:
        """Voltage at the inner end of a module's pin against the module's own ground; 0 where it floats."""
        volt = self._pins_v.get((module, function))
        return volt if volt is not None else self.between(f"{module}:{function}", f"{module}:0") or 0.0

    @cached_property
    def _pins_v(self) -> dict[tuple[str, str], float]:
        pins = self.wiring.pins
        return dict(zip(pins, self.all_between(pins.values()), strict=True))

    def all_between(self, pairs: Iterable[tuple[str, str]]) -> list[float]:
        """`between` for many pairs at once, 0 where nothing joins the two."""
        return [volt or 0.0 for volt in self._solution.voltages_between(tuple(pairs))]

    def relays_wanted(self, state: SwitchState | None = None) -> frozenset[str]:
        """Relays whose coil voltage pulls them in, or holds them where they are in already."""
        held = (state or self.state).pulled_in
        return frozenset(coil.relay for coil in self.wiring.coils if self._pulls(coil, coil.relay in held))

    def _pulls(self, coil: Coil, held: bool) -> bool:
        if not self.wiring.car.is_whole(coil):
            return False
        coil_v = abs(self.between(coil.a, coil.b) or 0.0)
        return coil_v >= (coil.drop_out_v if held else coil.pull_in_v)

    def fuse_currents(self) -> dict[str, float]:
        """Amount of current through each fuse, in the car's order."""
        return dict(zip(self.wiring.fuses, map(abs, self.currents(self.wiring.fuses)), strict=True))

    def resistance_ohm(self, a: str, b: str) -> float:
        """Small-signal resistance between two nodes, the sources taken as their internal resistance."""
        return float(self._solution.ports([(a, b)]).impedance_ohm[0, 0])

    def ports(self, pairs: Iterable[tuple[str, str]]) -> Ports:
        """The network seen from pairs of nodes, where instruments and test loads can be put."""
        return self._solution.ports(pairs)

    def without(self, element_id: str) -> Reading:
        """The same state with one element taken out."""
        car = self.wiring.car
        closed = is_closed(car.all_elements[element_id], car, self.state)
        taken = frozenset({element_id}) if closed else frozenset()
        return Reading(self.wiring, self.state, self.wiring.solution(self.state, taken))

    def while_dominant(self, *channels: str) -> Reading:
        """The same state while these transceivers hold their lines dominant."""
        self._check_channels(channels)
        # one with a stuck transmit input drives without end, or nothing any more
        stuck = self.state.dominant | self.wiring.car.harness.stuck
        more = [name for name in channels if name not in stuck]
        return Reading(self.wiring, self.state, self.wiring.dominant(self._solution, more))

    def hears(self, powered: frozenset[str]) -> Connectivity:
        """Who hears whom while these channels are powered and awake."""
        if powered not in self._heard:
            self._check_channels(powered)
            self._heard[powered] = together(
                tuple(heard_in(cluster, powered, self) for cluster in self.wiring.clusters)
            )
        return self._heard[powered]

    def hears_on_wires(self, powered: frozenset[str]) -> Links:
        """Pairs (sender, receiver) on the LIN wires, of these ports powered and awake."""
        return self.wiring.links_on_wires(self, levels_at_rest(self, powered)) if powered else frozenset()

    def _check_channels(self, names: Iterable[str]) -> None:
        known = self.wiring.car.channels
        for name in sorted(names):
            if name not in known:
                raise CircuitError(unknown("transceiver", name, known))

    def contact_points(
        self, nodes: tuple[str, ...], leads: frozenset[str]
    ) -> tuple[tuple[float, float] | None, ...]:
        """Open voltage against the body and inner resistance of nodes, with the shorts to them taken off."""
        apart = self.wiring.circuit.solve(self.state, without=leads)
        ports = apart.ports([(node, "BODY") for node in nodes])
        return tuple(
            None if volt is None else (volt, float(ports.impedance_ohm[k, k]))
            for k, volt in enumerate(ports.voltage_v)
        )

    def why_unsupplied(self, module: str) -> tuple[Culprit, ...]:
        """What keeps a module's supply or ground away now, nearest to the battery first."""
        return self._reason("unsupplied", module, lambda: self.wiring.tracer.why_unsupplied(module, self))

    def why_dead(self, node: str) -> tuple[Culprit, ...]:
        """What keeps the battery's voltage away from a terminal."""
        return self._reason("dead", node, lambda: self.wiring.tracer.why_dead(node, self))

    def why_sensed_wrong(self, pin: str, ways: list[tuple[str, str]]) -> tuple[Culprit, ...]:
        """What disturbs the sensor circuit behind a module's pin, given as the ways of its wires."""
        return self._reason("sensed", pin, lambda: self.wiring.tracer.why_sensed_wrong(ways, self))

    def why_unheard(self, sender: str, receiver: str) -> tuple[Culprit, ...]:
        """What keeps one transceiver's levels from another's."""
        pair = f"{sender} {receiver}"
        return self._reason("unheard", pair, lambda: self.wiring.tracer.why_unheard(sender, receiver, self))

    def why_disturbed(self, channel: str) -> tuple[Culprit, ...]:
        """What disturbs one transceiver's line."""
        return self._reason("disturbed", channel, lambda: self.wiring.tracer.why_disturbed(channel, self))

    def _reason(
        self, what: str, where: str, search: Callable[[], tuple[Culprit, ...]]
    ) -> tuple[Culprit, ...]:
        # twenty receivers that miss one module ask for the same way
        if (what, where) not in self._reasons:
            self._reasons[what, where] = search()
        return self._reasons[what, where]
