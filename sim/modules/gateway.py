"""A gateway: passes messages, diagnostic frames and immobilizer frames from one bus to another.

Reads pass; what the file says it guards (clearing, actuation, programming) is refused until a tester has
unlocked the gateway by security access (ISO 14229-1 service 27): a challenge and its response by AES-CMAC.
The right ends with the session, or by the file's `right_lasts_s` after a time.

Not modeled: rate limiting, signal gateways that rebuild messages, firewalls by content.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import Final, Protocol

from sim.modules.diagnostics import Diagnostics
from sim.modules.obd_services import CLEAR_CODES
from sim.modules.uds_protocol import NegativeResponseCode, Service, negative_response
from sim.modules.world import Host
from sim.network.clock import CLOCK_S
from sim.network.frames import Frame
from sim.network.isotp import single_frame
from sim.vehicle.addresses import FIRST_DIAGNOSTIC_ID, FUNCTIONAL_ID, RESPONSE_OFFSET
from sim.vehicle.bus_paths import bus_graph, shortest_bus_path
from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER, TESTER_LINK

# ISO 14229-1 and SAE J1979 services of each word of a guard
GUARDED: Final = {
    "clear": (Service.CLEAR_DIAGNOSTIC_INFORMATION, CLEAR_CODES),
    "actuate": (Service.INPUT_OUTPUT_CONTROL_BY_IDENTIFIER, Service.ROUTINE_CONTROL),
    "program": (0x2E, 0x34, 0x35, 0x36, 0x37),
}


class FrameRoutes:
    """Which single frames every gateway passes: `table[gateway][bus, can_id]` are the buses it leaves on."""

    def __init__(self, car: Car) -> None:
        self.table: dict[str, dict[tuple[str, int], list[str]]] = defaultdict(lambda: defaultdict(list))
        buses = car.messages.buses_of
        self._graph = bus_graph(car.built, buses)
        testers = {one.id: one.bus for one in car.transceivers.values() if one.module == TESTER}
        self.tester_bus, self.tester_link = testers.get(TESTER), testers.get(TESTER_LINK)
        for bus in testers.values():
            for name, address in car.addresses.items():
                out, back = [address, FUNCTIONAL_ID], [address + RESPONSE_OFFSET]
                self._route_both((bus,), buses[name], out, back)
        immobilizer = car.built.immobilizer
        if immobilizer:
            out, back = [immobilizer.challenge_id, immobilizer.release_id], [immobilizer.answer_id]
            self._route_both(buses[immobilizer.authority], buses[immobilizer.engine], out, back)

    def _route_both(
        self, here: tuple[str, ...], there: tuple[str, ...], out: list[int], back: list[int]
    ) -> None:
        for can_id in out:
            self._route(here, there, can_id)
        for can_id in back:
            self._route(there, here, can_id)

    def _route(self, here: tuple[str, ...], there: tuple[str, ...], can_id: int) -> None:
        if set(here) & set(there):
            return
        path = shortest_bus_path(self._graph, here, there) or []
        for a, b in pairwise(path):
            targets = self.table[self._graph.edges[a, b, 0]["gateway"]][a, can_id]
            if b not in targets:
                targets.append(b)


class EdgeNode(Protocol):
    """What a gateway knows of the edge node of diagnostics over IP in it."""

    def takes(self, bus: str, frame: Frame) -> bool:
        """A frame has come over a bus: is it for this node, and handled?"""

    def update(self) -> None:
        """Look at the link to the tester."""

    def reset(self) -> None:
        """Forget the tester."""


class Gateway:
    """The routing of one gateway module. sends_on(bus): does the module put its messages on this bus?"""

    def __init__(
        self, host: Host, diagnostics: Diagnostics, sends_on: Callable[[str], bool], routes: FrameRoutes
    ) -> None:
        self._host = host
        self._diagnostics = diagnostics
        self._sends_on = sends_on
        self._frames = routes.table[host.name]
        self._tester_bus, self._tester_link = routes.tester_bus, routes.tester_link
        guard = host.spec.gateway
        assert guard is not None
        self.delay_s = guard.delay_ms / 1000
        self._right_lasts_s = guard.right_lasts_s
        self._guarded = {service for word in guard.refuses_until_unlocked for service in GUARDED[word]}
        self._routes = [route for route in host.world.car.messages.routes if route.gateway == host.name]
        self.edge: EdgeNode | None = None
        self.on = False

    def talk(self) -> None:
        """Pass messages on to the buses that it sends on, and to no others."""
        self.on = self._host.sends
        world = self._host.world
        for route in self._routes:
            source = world.streams[route.message, route.from_bus]
            target = world.streams[route.message, route.to_bus]
            wanted = self.on and self._sends_on(route.to_bus)
            receiver = f"{self._host.name}.{route.from_bus}"
            if wanted and not target.live:
                world.network.start(target)
                world.network.forward(source, receiver, target, self.delay_s)
            elif target.live and not wanted:
                world.network.unforward(source, receiver, target)
                world.network.stop(target)

    def heeds(self, bus: str, frame: Frame) -> bool:
        """Could it do anything with a single frame of this identifier?"""
        return self.edge is not None or bool(self.ways_of(bus, frame.can_id))

    def frame(self, bus: str, frame: Frame) -> bool:
        """A single frame has arrived on one of the gateway's buses; is it handled with this?"""
        if self.edge and self.edge.takes(bus, frame):
            return True
        self._route(bus, frame)
        return False

    def _route(self, bus: str, frame: Frame) -> None:
        targets = [one for one in self.ways_of(bus, frame.can_id) if one != self._tester_link]
        if not targets or not self.on:
            return
        if frame.can_id >= FIRST_DIAGNOSTIC_ID:
            self._diagnostics.stay_awake()
        if bus == self._tester_bus and self.refuses(service_of(frame)):
            self._refuse(bus, frame)
            return
        for target in targets:
            self._host.world.after(self.delay_s, partial(self._pass, target, frame))

    def ways_of(self, bus: str, can_id: int) -> list[str]:
        """The buses on which it passes frames with this identifier that come from a bus."""
        return self._frames.get((bus, can_id), [])

    def refuses(self, service: int | None) -> bool:
        """Is this service guarded, and the gateway locked?"""
        return service in self._guarded and not self._granted

    @property
    def _granted(self) -> bool:
        """Has the tester the right to the guarded services now?"""
        server = self._diagnostics.server
        if self._right_lasts_s is None:
            return server.unlocked
        return server.unlocked_at_s is not None and not self._has_expired

    @property
    def _has_expired(self) -> bool:
        """Was a right granted that has run out since?"""
        since_s, lasts_s = self._diagnostics.server.unlocked_at_s, self._right_lasts_s
        if since_s is None or lasts_s is None:
            return False
        return self._host.world.now_s >= since_s + lasts_s - CLOCK_S

    def _pass(self, bus: str, frame: Frame) -> None:
        if self.on:
            self._host.world.send(f"{self._host.name}.{bus}", frame)

    def _refuse(self, bus: str, frame: Frame) -> None:
        service = service_of(frame)
        if frame.can_id == FUNCTIONAL_ID or service is None:
            return
        self.note_refusal(service)
        denied = denial(frame.can_id + RESPONSE_OFFSET, service)
        self._host.world.send(f"{self._host.name}.{bus}", denied)

    def note_refusal(self, service: int) -> None:
        """Record that it refuses a service that it guards."""
        why = "the right that it granted has expired" if self._has_expired else "it is locked"
        words = f"{self._host.name} refuses service {service:02X}: {why}"
        self._host.record("refused", words, (self._host.world.tester_event,))


def denial(can_id: int, service: int) -> Frame:
    """A negative response in a single frame."""
    response = negative_response(service, NegativeResponseCode.SECURITY_ACCESS_DENIED)
    return single_frame(can_id, response)


def service_of(frame: Frame) -> int | None:
    """The service that a request frame begins, or None for frames that continue one (ISO 15765-2)."""
    if len(frame.data) < 3:
        return None
    kind = frame.data[0] >> 4
    return frame.data[1] if kind == 0 else frame.data[2] if kind == 1 else None
