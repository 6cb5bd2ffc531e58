"""Why one transceiver does not hear another, or error counters rise: the faults in the path now.

A cause without which the others would not matter comes first: no supply; then modules that block the line and
faults of the wires; then bit rates; then lost terminators; then shifted grounds.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.vehicle.elements import TESTER, LinPort, Resistor, Transceiver
from sim.vehicle.problems import unknown
from sim.vehicle.terminal_graph import conductor
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.errors import CircuitError
from sim.wiring.paths import HarnessGraphs, Paths
from sim.wiring.reading import ElectricalReading
from sim.wiring.tracing import Culprit, SupplyTracer, culprit, once, open_culprit


class BusTracer:
    """Finds what keeps signals away in one state of the switches."""

    def __init__(
        self, graphs: HarnessGraphs, clusters: tuple[BusCluster, ...], reading: ElectricalReading
    ) -> None:
        self._graphs, self._car, self._clusters = graphs, graphs.car, clusters
        self._supply, self._paths = SupplyTracer(graphs, reading), Paths(graphs, reading)

    def why_unheard(self, sender: str, receiver: str) -> tuple[Culprit, ...]:
        """What keeps one channel's levels from another's; nothing where they are not meant to meet."""
        if sender in self._car.lin and receiver in self._car.lin:
            return self._why_unheard_on_wire(self._car.lin[sender], self._car.lin[receiver])
        for name in (sender, receiver):
            if name not in self._car.transceivers:
                raise CircuitError(unknown("transceiver", name, self._car.transceivers))
        a, b = self._car.transceivers[sender], self._car.transceivers[receiver]
        return (
            once(self._unfed(a, b))
            or once((*self._blockers(a, b), *self._line_faults(a, b)))
            or once(self._bad_roles(a, b))
            or once(self._bad_rates(a, b))
            or once(self._lost_terminators(a))
            or once(self._bad_grounds(a, b))
        )

    def why_errors(self, channel: str) -> tuple[Culprit, ...]:
        """What makes a channel's error counters rise: all that is wrong with its line and who is on it."""
        one = self._car.transceivers[channel]
        near = [other for cluster in self._clusters_of(one) for other in cluster.channels]
        others = [other for other in near if other != one]
        faults = (found for other in others for found in self._line_faults(one, other))
        rates = (found for other in others for found in self._bad_rates(one, other))
        return once((*self._blockers(one), *rates, *faults)) or once(self._bad_grounds(one, *others))

    def _why_unheard_on_wire(self, a: LinPort, b: LinPort) -> tuple[Culprit, ...]:
        return (
            once(self._unfed(a, b))
            or once(self._supply.on_paths([(a.node, b.node)]))
            or once(short for port in (a, b) for short in self._supply.shorts_at(port.node))
            or once(self._bad_grounds(a, b))
        )

    def _unfed(self, *channels: Transceiver | LinPort) -> Iterator[Culprit]:
        for one in channels:
            yield from self._supply.why_unsupplied(one.module)

    def _bad_grounds(self, *channels: Transceiver | LinPort) -> list[Culprit]:
        return self._supply.bad_joints(self._graphs.feeds, [("BAT-", one.gnd) for one in channels])

    def _blockers(self, *channels: Transceiver) -> Iterator[Culprit]:
        """Modules on the same line that hold it dominant or never stop sending."""
        state = self._car.harness
        for cluster in self._clusters_of(*channels):
            for one in cluster.channels:
                if one.id in state.stuck:
                    yield Culprit(one.id, "stuck dominant", one.module)
                if one.id in state.babbling:
                    yield Culprit(one.id, "babbling", one.module)

    def _line_faults(self, a: Transceiver, b: Transceiver) -> Iterator[Culprit]:
        """Opens, swapped pins, shorts and added resistance of the lines between two transceivers."""
        pairs, lines = [(a.h, b.h), (a.l, b.l)], self._graphs.lines
        for ends in pairs:
            yield from (open_culprit(self._graphs, element) for element in self._paths.opens(lines, ends))
        yield from self._supply.swaps(lines, pairs)
        for cluster in self._clusters_of(a, b):
            for part in cluster.parts:
                element = self._car.all_elements[part.id]
                if isinstance(element, Resistor) and element.kind == "short":
                    yield culprit(self._graphs, element, "short")
        for ends in pairs:
            for element in self._paths.path(lines, ends):
                if element.id in self._car.harness.added_ohm:
                    yield culprit(self._graphs, element, "resistance")

    def _bad_roles(self, *ends: Transceiver) -> Iterator[Culprit]:
        """PHYs of an Ethernet link that are strapped otherwise than the car needs."""
        for one in ends:
            if one.id in self._car.harness.phy_roles:
                yield Culprit(one.id, "same role", one.module)

    def _bad_rates(self, sender: Transceiver, receiver: Transceiver) -> Iterator[Culprit]:
        """Leads that join lines of different bit rates or formats, or the sender that differs on its line."""
        old, state = self._car.classical_channels, self._car.harness
        for cluster in self._clusters:
            modules = [one for one in cluster.channels if one.module != TESTER]
            kinds = {(one.bitrate_bps, one.id in old) for one in modules}
            if not {sender, receiver} <= set(cluster.channels) or len(kinds) < 2:
                continue
            changed = state.bitrates_bps.keys() | state.classical
            wrong = [one for one in modules if one.id in changed]
            leads = [] if wrong else [part.id for part in cluster.parts if part.id in self._graphs.lead_of]
            yield from (Culprit(id, "wrong bit rate", self._graphs.lead_of[id]) for id in leads)
            for one in wrong or ([] if leads else [sender]):
                yield Culprit(one.id, "wrong bit rate", one.module)

    def _lost_terminators(self, sender: Transceiver) -> Iterator[Culprit]:
        lines = self._graphs.lines
        for terminator in self._terminators_of(sender):
            pairs = ((terminator.a, sender.h), (terminator.b, sender.l))
            opens = [element for ends in pairs for element in self._paths.opens(lines, ends)]
            if opens or not self._car.is_whole(terminator):
                yield culprit(self._graphs, terminator, "no terminator")
                yield from (open_culprit(self._graphs, element) for element in opens)

    def _terminators_of(self, channel: Transceiver) -> list[Resistor]:
        """The terminators built into the lines that a channel is on."""
        near = conductor(self._graphs.lines, channel.h)
        resistors = (one for one in self._car.elements.values() if isinstance(one, Resistor))
        return [one for one in resistors if one.kind == "terminator" and one.a in near]

    def _clusters_of(self, *channels: Transceiver) -> list[BusCluster]:
        return [cluster for cluster in self._clusters if not set(channels).isdisjoint(cluster.channels)]
