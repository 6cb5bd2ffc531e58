"""What a module sends: its periodic messages, with the signals that it computes.

Not modeled: messages that are sent on change only, filtering and rate limits of values.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from sim.modules.facts import ENGINE_RPM, INVALID, Fact, Known
from sim.modules.gateway import Gateway
from sim.modules.j1939 import J1939
from sim.modules.knowledge import Knowledge
from sim.modules.managed_bus import ManagedBus, is_open
from sim.modules.set_up import SetUp
from sim.modules.tester_control import TesterControl
from sim.modules.world import Host
from sim.network.streams import Stream
from sim.vehicle.description_software import Signal
from sim.vehicle.messages import Sent


class OwnSignals:
    """Keeps `Knowledge.values` up to date."""

    def __init__(self, host: Host, knowledge: Knowledge, set_up: SetUp) -> None:
        self._host = host
        self._set_up = set_up
        self._knowledge = knowledge
        self._rules = [(name, self._rule(name, spec)) for name, spec in host.spec.signals.items()]

    def update(self) -> bool:
        """Compute all values anew; returns whether any has changed."""
        new = {name: compute() for name, compute in self._rules} | self._set_up.spoiled()
        changed = new != self._knowledge.values
        if changed:
            self._knowledge.values = new
        return changed

    def causes(self, name: str) -> tuple[int | None, ...]:
        """The events that explain the value of a signal now; empty for a signal that is not its own."""
        knowledge = self._knowledge
        spec = self._host.spec.signals.get(name)
        if spec is None:
            return ()
        if why := self._set_up.why_spoiled(name):
            return why
        if spec.when is not None:
            return knowledge.judge(spec.when).events
        own = (self._own_fact(spec.fact).event,) if spec.fact else ()
        failing = (knowledge.failing[code] for code in self._failing(spec))
        return (*(knowledge.signal(used).event for used in spec.uses), *failing, *own)

    def _failing(self, spec: Signal) -> list[str]:
        """Codes about the circuits of a signal that fail now."""
        if not spec.circuits or not self._knowledge.failing:
            return []
        watched = self._host.world.car.built.watched
        codes = (code for part in spec.circuits for code in watched[part].codes)
        return [code for code in codes if code in self._knowledge.failing]

    def _rule(self, name: str, spec: Signal) -> Callable[[], Known]:
        if spec.when is not None:
            return self._knowledge.asks(spec.when)
        if spec.fact is not None:
            fact = spec.fact
            return lambda: self._own_fact(fact).value
        return partial(self.passed_on, name, spec)

    def passed_on(self, name: str, spec: Signal) -> Known:
        """The file's value while all signals that it uses are valid, else what the file says of `missing`."""
        received = [self._knowledge.value(used) for used in spec.uses]
        heard = all(value is not None and value is not INVALID for value in received)
        if heard and not self._failing(spec):
            return spec.value
        if spec.missing == "hold":
            return self._knowledge.values.get(name)
        return INVALID if spec.missing == "invalid" else spec.substitute

    def _own_fact(self, fact: str) -> Fact:
        knowledge, world = self._knowledge, self._host.world
        match fact:
            case "power_mode":
                return Fact(knowledge.known_mode(), knowledge.mode_event())
            case "engine_state":
                return world.engine
            case "engine_speed_rpm":
                return Fact(ENGINE_RPM[str(world.engine.value)], world.engine.event)
            case "vehicle_speed_kph":
                return world.speed_kph
            case "immobilizer":
                event = knowledge.release.event if knowledge.release else None
                return Fact("released" if knowledge.released() else "locked", event)
            case "battery_charge_pct":
                return world.battery_pct
            case "engine_lamp":
                return knowledge.engine_lamp
        return self._high_voltage_fact(fact)

    def _high_voltage_fact(self, fact: str) -> Fact:
        control = self._knowledge.contactors
        assert control is not None  # checked when the file was read
        values: dict[str, Known] = {
            "high_voltage": control.told,
            "insulation": control.insulation,
            "pack_charge_pct": round(control.bus.charge_pct(self._host.world.now_s)),
            "pack_full": control.full,
        }
        return Fact(values[fact], control.event)


class Sending:
    """The messages of one module on its buses. gateway: set if the module is one."""

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        control: TesterControl,
        managed: Mapping[str, ManagedBus],
        set_up: SetUp,
        j1939: J1939,
    ) -> None:
        self.gateway: Gateway | None = None
        self.signals = OwnSignals(host, knowledge, set_up)
        self._host = host
        self._knowledge = knowledge
        self._control = control
        self._managed = managed
        self._j1939 = j1939
        self._streams: list[tuple[str, Sent, Stream]] = []  # with the bus

    def connect(self, buses: list[str]) -> None:
        """Find the streams of the module's own messages, once all of them are known."""
        world = self._host.world
        own = world.car.messages.of(self._host.name)
        self._streams = [
            (bus, message, world.streams[message.name, bus])
            for message in own
            for bus in buses
            if (message.name, bus) in world.streams
        ]
        for message in own:
            for stream in world.streams_of.get(message.name, ()):
                stream.causes_of = self.signals.causes

    def sends_on(self, bus: str) -> bool:
        """Does it put its messages on this bus? With network management, in network mode only; on SAE
        J1939, not without an address.
        """
        return self._host.sends and is_open(self._managed, bus) and not self._j1939.is_silent(bus)

    def start(self) -> None:
        """The module comes online: it has no values from before."""
        self._knowledge.values = {}
        self.update()
        self.talk()

    def update(self) -> None:
        """Put new values of its signals into its messages."""
        if not self.signals.update():
            return
        world = self._host.world
        for _, message, stream in self._streams:
            world.network.set_data(stream, world.codec.encode(message, self._knowledge.values))

    def talk(self) -> None:
        """Put its messages on the buses that are open, or none while a tester keeps it silent."""
        network = self._host.world.network
        for bus, _, stream in self._streams:
            if self._control.muted or not (self.sends_on(bus) and self._j1939.is_open(bus)):
                network.stop(stream)
            elif not stream.live:
                self._j1939.readdress(bus, stream)
                network.start(stream)
        if self.gateway:
            self.gateway.talk()
