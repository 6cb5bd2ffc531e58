"""The gateway as edge node of diagnostics over IP (ISO 13400-2): a tester at the connector asks through it.

It tells who it is, activates routing for one tester, and passes diagnostic messages on: over Ethernet links
as they are, to a module beyond a CAN bus by ISO 15765-2. It acknowledges a message as soon as it has put it
on the way; what becomes of it then, it does not tell. Without a link to the next module on the way it answers
"target unreachable". A service that it guards it refuses itself.

Tables and timers are in `sim/network/doip.py`. The order of checks is from memory.

Not modeled: TCP (a connection lasts as long as the link to the tester), several testers and the alive check
between them, TLS.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

from sim.modules.diagnostics import Diagnostics
from sim.modules.gateway import FrameRoutes, Gateway
from sim.modules.uds_protocol import NegativeResponseCode, negative_response
from sim.modules.world import Host, NamedTimers
from sim.network import doip
from sim.network.doip import DiagnosticNackCode, DoipMessage, Payload, Routing
from sim.network.frames import MAX_DATA_BYTES, Frame
from sim.network.isotp import IsoTpLink, single_frame
from sim.vehicle.addresses import FUNCTIONAL_ID, RESPONSE_OFFSET
from sim.vehicle.edits_set_up import CAR_VIN

WAIT_S: Final = 0.05  # before an announcement: own choice, within A_DoIP_Announce_Wait


class DoipEdge:
    """The edge node in one gateway. bus: the link to the connector. active: the tester that has routing."""

    def __init__(self, host: Host, gateway: Gateway, diagnostics: Diagnostics, bus: str) -> None:
        self.bus = bus
        self.active: int | None = None
        self._host = host
        self._gateway = gateway
        self._diagnostics = diagnostics
        self._channel = host.channels[bus]
        self._timers = NamedTimers(host.world)
        self._entity = doip.Entity(CAR_VIN, doip.EID, doip.EID)
        self._targets = {address: name for name, address in host.world.car.addresses.items()}
        self._talks: dict[int, IsoTpLink | None] = {}  # by target; None: as messages over Ethernet
        self._linked = False

    def update(self) -> None:
        """Look at the link: announce the car when it comes up, forget the tester when it goes."""
        up = self._host.world.surroundings.link(self._channel).value == "up"
        if up and not self._linked:
            for number in range(doip.ANNOUNCEMENTS):
                delay_s = WAIT_S + number * doip.ANNOUNCE_INTERVAL_S
                self._timers.start(f"announce {number}", delay_s, self._announce)
        if not up:
            self.reset()
        self._linked = up

    def reset(self) -> None:
        """The module has lost its supply, sleeps, or the tester is gone."""
        self._linked = False
        self._timers.clear()
        self._close()

    def _close(self) -> None:
        """The tester has no routing any more."""
        self.active = None
        for link in self._talks.values():
            if link:
                link.reset()
        self._talks = {}

    def takes(self, bus: str, frame: Frame) -> bool:
        """A frame has come over a bus: is it for this node, and handled?"""
        if bus == self.bus:
            if frame.ip and self._host.answers:
                self._message(frame.data)
            return True
        target = frame.can_id - RESPONSE_OFFSET
        if target not in self._talks:
            return False
        link = self._talks[target]
        if link and not frame.ip:
            link.frame(frame)
        elif frame.ip:
            self._relay(frame.data)
        return True

    def _message(self, data: bytes) -> None:
        """A message from the tester."""
        message = DoipMessage.read(data)
        if message is None:
            self._send(doip.header_nack(doip.HeaderFault.PATTERN))
            return
        lengths = doip.TCP_LENGTHS | doip.UDP_LENGTHS
        fault = message.header.fault(lengths)
        if fault is not None:
            self._send(doip.header_nack(fault))
            return
        self._diagnostics.stay_awake()
        match message.header.payload:
            case Payload.IDENTIFY | Payload.IDENTIFY_BY_EID | Payload.IDENTIFY_BY_VIN:
                if self._entity.is_meant(message.header.payload, message.data):
                    self._host.world.after(WAIT_S, self._announce)
            case Payload.ACTIVATE_ROUTING:
                self._activate(message.source, message.data[2])
            case Payload.ALIVE_CHECK:
                self._send(doip.message(Payload.ALIVE_ANSWER, doip.ENTITY_ADDRESS.to_bytes(2, "big")))
            case Payload.ENTITY_STATUS:
                self._send(doip.entity_status(1, int(self.active is not None)))
            case Payload.DIAGNOSTIC:
                self._diagnose(message)

    def _activate(self, source: int, kind: int) -> None:
        code = doip.routing_code(source, kind, self.active)
        if code == Routing.ACTIVATED:
            self.active = source
            self._timers.start("inactivity", doip.GENERAL_INACTIVITY_S, self._close)
        self._send(doip.routing_answer(source, code))

    def _diagnose(self, message: DoipMessage) -> None:
        source, target, data = message.source, message.target, message.user_data
        refusal = self._refusal(source, target, len(data))
        self._send(doip.acknowledge(target, source, refusal))
        if refusal is not None:
            return
        self._timers.start("inactivity", doip.GENERAL_INACTIVITY_S, self._close)
        name = self._targets.get(target)
        if name != self._host.name and self._gateway.refuses(data[0]):
            if name:
                self._gateway.note_refusal(data[0])
                self._answer(target, negative_response(data[0], NegativeResponseCode.SECURITY_ACCESS_DENIED))
        elif name is None:
            self._to_all(data)
        elif name == self._host.name:
            self._diagnostics.request(partial(self._answer, target), data)
        else:
            self._host.world.after(self._gateway.delay_s, partial(self._pass_on, target, data))

    def _refusal(self, source: int, target: int, size: int) -> DiagnosticNackCode | None:
        """Why a diagnostic message goes no further, in the standard's order; None where it does."""
        if source != self.active:
            return DiagnosticNackCode.SOURCE
        if target == doip.EVERY_MODULE:
            return DiagnosticNackCode.TOO_LARGE if size >= MAX_DATA_BYTES else None
        if target not in self._targets:
            return DiagnosticNackCode.UNKNOWN_TARGET
        name = self._targets[target]
        if name == self._host.name:
            return None
        bus = self._next(target)
        if bus is None or self._loads_only or self._blocked(bus, name):
            return DiagnosticNackCode.UNREACHABLE
        return None

    @property
    def _loads_only(self) -> bool:
        """Is there a boot loader only? It answers for itself, and passes nothing on."""
        return self._host.state == "boot mode"

    def _next(self, target: int) -> str | None:
        """The bus on which a message for a target goes on."""
        return next(iter(self._gateway.ways_of(self.bus, target)), None)

    def _blocked(self, bus: str, name: str) -> bool:
        """Can nothing be sent on this bus now? If it is a link, that is told in the trace."""
        world, channel = self._host.world, self._host.channels[bus]
        if not world.car.built.buses[bus].is_ethernet:
            return world.network.state_of(channel) == "bus-off"
        link = world.surroundings.link(channel)
        if link.value != "up":
            words = f"{self._host.name} cannot pass a diagnostic message on to {name}: the link {bus} is down"
            self._host.record("refused", words, (link.event, world.tester_event), name)
        return link.value != "up"

    def _pass_on(self, target: int, data: bytes) -> None:
        bus = self._next(target)
        if bus is None or self.active is None:
            return
        if self._all_ethernet(target):
            self._talks[target] = None
            frame = Frame(target, doip.diagnostic(self.active, target, data), ip=True)
            self._host.world.send(self._host.channels[bus], frame)
            return
        link = self._talks.get(target)
        if link is None:
            link = self._talks[target] = self._link(bus, target)
        link.send(data)

    def _all_ethernet(self, target: int) -> bool:
        """Is the module on an Ethernet link of the gateway, or on one beyond another switch?"""
        car = self._host.world.car
        name = self._targets[target]
        return all(car.built.buses[bus].is_ethernet for bus in car.messages.buses_of[name][:1])

    def _link(self, bus: str, target: int) -> IsoTpLink:
        world = self._host.world
        send = partial(world.network.send, self._host.channels[bus])
        answered: Callable[[bytes], None] = partial(self._answer, target)
        return IsoTpLink(world.env, send, target, target + RESPONSE_OFFSET, answered)

    def _to_all(self, data: bytes) -> None:
        """A functional request: to itself, and as a single frame on every bus that leads to a module."""
        self._diagnostics.request(lambda response: None, data, functional=True)
        for bus in () if self._loads_only else self._gateway.ways_of(self.bus, FUNCTIONAL_ID):
            self._host.world.send(self._host.channels[bus], single_frame(FUNCTIONAL_ID, data))

    def _relay(self, data: bytes) -> None:
        """What a module on Ethernet says: its response goes on, its acknowledge ends here."""
        message = DoipMessage.read(data)
        if message and message.header.payload == Payload.DIAGNOSTIC:
            self._answer(message.source, message.user_data)

    def _answer(self, target: int, response: bytes) -> None:
        if self.active is not None and self._host.answers:
            self._send(doip.diagnostic(target, self.active, response))

    def _announce(self) -> None:
        self._send(self._entity.announcement())

    def _send(self, data: bytes) -> None:
        self._host.world.send(self._channel, Frame(doip.CONVERSATION, data, ip=True))


def edge_of(
    host: Host, gateway: Gateway | None, diagnostics: Diagnostics, routes: FrameRoutes
) -> DoipEdge | None:
    """The edge node in a module, if it is the gateway at the other end of the connector's Ethernet link."""
    bus = routes.tester_link
    return DoipEdge(host, gateway, diagnostics, bus) if gateway and bus in host.channels else None
