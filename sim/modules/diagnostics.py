"""A module's diagnostic side on its buses: ISO-TP links into its ISO 14229-1 server.

The engine module also has the services of SAE J1979.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

from sim.modules.facts import ENGINE_RPM
from sim.modules.fault_memory import FaultMemory
from sim.modules.knowledge import Knowledge
from sim.modules.live_data import LiveData
from sim.modules.obd_services import SERVICES, EngineValues, ObdServices
from sim.modules.programming import Programming
from sim.modules.security_access import SharedSecret
from sim.modules.set_up import SetUp
from sim.modules.tester_control import TesterControl
from sim.modules.uds_data import LiveValues
from sim.modules.uds_protocol import S3_S, NegativeResponseCode, negative_response
from sim.modules.uds_server import DiagnosticServer
from sim.modules.world import Host, Timer
from sim.network import doip
from sim.network.clock import CLOCK_S
from sim.network.frames import Frame
from sim.network.isotp import IsoTpLink
from sim.vehicle.addresses import FUNCTIONAL_ID, RESPONSE_OFFSET
from sim.vehicle.description import Vehicle

SECRET: Final = b"invented secret!"  # 16 bytes; shared by every module and workshop of the bench
HOLD_S: Final = S3_S  # how long a diagnostic request keeps a module awake; our own choice
RESPONSE_S: Final = 0.003  # a module's own time to respond; common practice, well inside P2 of 50 ms


class Diagnostics:
    """Links of one module to testers; it responds while the module's software runs.

    guard(service): does the module, as a gateway, refuse a service until it is unlocked? restart(why): reset.
    """

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        memory: FaultMemory,
        control: TesterControl,
        restart: Callable[[str], None],
        set_up: SetUp,
        live_data: LiveData,
    ) -> None:
        self.guard: Callable[[int], bool] = lambda service: False
        self._host = host
        self._knowledge = knowledge
        self._restart = restart
        world = host.world
        self._programming = Programming(host, set_up, knowledge.value)
        self.server = DiagnosticServer(
            set_up.identity,
            memory,
            lambda: world.now_s,
            live=self._live,
            more_data=live_data.values,
            reset=self._reset,
            secret=SharedSecret(SECRET),
            communication=control.communication,
            outputs=control.outputs(),
            routines=control.routines() | self._programming.routines(),
            later=world.after,
            writing=self._programming.handlers(),
            boot_mode=lambda: host.state == "boot mode",
        )
        self._programming.session = lambda: self.server.session
        legislated = host.name == engine_module(world.car.built)
        self.obd = ObdServices(memory, self._engine_values) if legislated else None
        self._awake_until_s = 0.0
        self._lapse: Timer | None = None
        self._address = world.car.addresses.get(host.name, 0)  # a module on LIN only has none, nor links
        self._links = {channel: self._link(channel) for channel in host.channels.values()}

    def heeds(self, frame: Frame) -> bool:
        """Could it do anything with a single frame of this identifier?"""
        return frame.ip or frame.can_id in (self._address, FUNCTIONAL_ID)

    def frame(self, channel: str, frame: Frame) -> None:
        """A single frame has arrived on one of the module's channels."""
        if not self._host.answers:
            return
        if frame.ip:
            self._over_ip(channel, frame)
        elif frame.can_id == self._address:
            self._links[channel].frame(frame)
        elif frame.can_id == FUNCTIONAL_ID and frame.data and 1 <= frame.data[0] < len(frame.data):
            request = frame.data[1 : 1 + frame.data[0]]
            self.request(partial(self._response, channel), request, functional=True)

    @property
    def awake_for_s(self) -> float:
        """How long from now the last request keeps the module awake."""
        left_s = self._awake_until_s - self._host.world.now_s
        return left_s if left_s > CLOCK_S else 0.0

    def stay_awake(self) -> None:
        """A tester has spoken to the module, or through it."""
        self._awake_until_s = self._host.world.now_s + HOLD_S
        self._host.invalidate()

    def restart(self) -> None:
        """The module has lost its supply or was reset."""
        self.server.restart()
        self._programming.reset()
        if self._lapse:
            self._lapse.cancel()
        for link in self._links.values():
            link.reset()

    def _link(self, channel: str) -> IsoTpLink:
        return IsoTpLink(
            self._host.world.env,
            partial(self._host.world.network.send, channel),
            self._address + RESPONSE_OFFSET,
            self._address,
            lambda request: self.request(partial(self._response, channel), request),
        )

    def _over_ip(self, channel: str, frame: Frame) -> None:
        """A message of diagnostics over IP on an Ethernet link: acknowledge it, then respond."""
        message = doip.DoipMessage.read(frame.data)
        if message and message.header.payload == doip.Payload.DIAGNOSTIC and message.target == self._address:
            tester = message.source
            self._put(channel, doip.acknowledge(self._address, tester, None))
            self.request(partial(self._respond_over_ip, channel, tester), message.user_data)

    def _respond_over_ip(self, channel: str, tester: int, response: bytes) -> None:
        if self._host.answers:
            self._put(channel, doip.diagnostic(self._address, tester, response))

    def _put(self, channel: str, message: bytes) -> None:
        self._host.world.send(channel, Frame(self._address + RESPONSE_OFFSET, message, ip=True))

    def request(self, respond: Callable[[bytes], None], request: bytes, functional: bool = False) -> None:
        """A tester asks; `respond` is called with the response, or with several where it takes longer."""
        self.stay_awake()
        if self.guard(request[0]):
            denied = negative_response(request[0], NegativeResponseCode.SECURITY_ACCESS_DENIED)
            response = None if functional else denied
        elif self.obd and self._host.state != "boot mode" and request[0] in SERVICES:
            response = self.obd.handle(request, functional)
        else:
            response = self.server.handle(request, functional, respond)
        if response is not None:
            self._host.world.after(RESPONSE_S, partial(respond, response))
        self._watch_session()

    def _watch_session(self) -> None:
        """A session that is not kept alive ends by itself, not only when the next request comes."""
        if self._lapse:
            self._lapse.cancel()
        if self.server.lapses_at_s is not None:
            self._lapse = self._host.world.after(S3_S, self._session_ends)

    def _session_ends(self) -> None:
        self.server.lapse()
        self._watch_session()

    def _response(self, channel: str, response: bytes) -> None:
        if self._host.answers:
            self._links[channel].send(response)

    def _live(self) -> LiveValues:
        return LiveValues(self._host.supply_v, self._knowledge.known_mode(), self._host.state)

    def _engine_values(self) -> EngineValues:
        world = self._host.world
        running_since = world.engine.event if world.engine.value == "running" else None
        return EngineValues(
            float(ENGINE_RPM[str(world.engine.value)]),
            float(str(world.speed_kph.value)),
            0.0 if running_since is None else world.since_s(world.trace[running_since].time_s),
            self._host.supply_v,
            world.engine.value == "stopped",
            world.coolant_c(),
        )

    def _reset(self, kind: int) -> None:
        self._host.world.after(0.05, lambda: self._restart("a tester asked for a reset"))


def engine_module(vehicle: Vehicle) -> str | None:
    """The module with the legislated services: the engine controller, or the one in the role of ECM."""
    if vehicle.engine:
        return vehicle.engine.controller
    return next((name for name, spec in vehicle.modules.items() if (spec.role or name) == "ECM"), None)
