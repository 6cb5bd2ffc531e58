"""What a module receives: periodic messages and their signals, and how long they have been missing.

Not modeled: receive buffers that overflow; a module reads every message that reaches it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from sim.modules.bus_off import BusOffMonitor
from sim.modules.facts import UNKNOWN, Fact, Known
from sim.modules.fault_recorder import FaultRecorder
from sim.modules.knowledge import Knowledge
from sim.modules.link_monitor import LinkMonitor
from sim.modules.managed_bus import ManagedBus, is_open
from sim.modules.tester_control import TesterControl
from sim.modules.world import Host, NamedTimers
from sim.network.streams import Stream, Watch
from sim.vehicle.messages import Sent

PERIODS_UNTIL_MISSING = 10  # of a message that software needs; common practice
LEAST_PATIENCE_S = 0.1  # but not earlier; common practice


class Reception:
    """Fills `Knowledge.heard` and `Knowledge.signals` of one module. channels: CAN and LIN, by bus."""

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        faults: FaultRecorder,
        control: TesterControl,
        channels: Mapping[str, str],
        managed: Mapping[str, ManagedBus],
        controllers: Mapping[str, BusOffMonitor | LinkMonitor],
    ) -> None:
        self.host = host
        self.knowledge = knowledge
        self._faults = faults
        self._control = control
        self._channels = channels
        self._managed = managed
        self._controllers = controllers
        self._timers = NamedTimers(host.world)
        messages = host.world.car.messages
        self._needed = [messages.sent[name] for name in messages.needs[host.name]]
        self._watches: dict[str, Watch] = {}
        self._on_arrival: dict[str, list[Callable[[], None]]] = {}

    def connect(self) -> None:
        """Find the streams of the messages that the module needs, once all of them are known."""
        world = self.host.world
        own = self._channels.values()
        for message in self._needed:
            channel = self.channel_of(message.name)
            for stream in world.streams_of[message.name]:
                if stream.channel not in own:
                    world.network.on_change(stream, channel, partial(self._received, message))

    def on_arrival(self, message: str, call: Callable[[], None]) -> None:
        """Call this whenever a message tells the module something new."""
        self._on_arrival.setdefault(message, []).append(call)

    def bus_of(self, message: str) -> str:
        """The bus on which a message is meant to reach the module, from the sender or a gateway."""
        streams = self.host.world.streams
        return next(
            bus
            for bus, channel in self._channels.items()
            if (message, bus) in streams and streams[message, bus].channel != channel
        )

    def channel_of(self, message: str) -> str:
        """Its channel on that bus."""
        return self._channels[self.bus_of(message)]

    def source(self, message: str) -> Stream:
        """The stream that brings the module a message now."""
        return self.host.world.surroundings.source(message, self.channel_of(message))

    def may_judge(self, bus: str) -> bool:
        """May the messages of a bus be missed: is it awake, and is the module's own controller on it?"""
        controller = self._controllers.get(bus)
        resting = controller is not None and controller.off and controller.rests
        return is_open(self._managed, bus) and not resting

    def retune(self) -> None:
        """Buses were joined or parted: a message may now come straight from another bus."""
        for message in self._needed:
            watch = self._watches.get(message.name)
            if watch and watch.stream is not self.source(message.name):
                watch.cancel()
                self._watch(message)

    def start(self) -> None:
        """The module starts: notice from now on which of its messages are missing."""
        for message in self._needed:
            self._watch(message)

    def restart_silences(self) -> None:
        """What was missing while the bus slept may be missing for another reason now."""
        for message in self._needed:
            watch = self._watches.get(message.name)
            if watch and watch.lost:
                again = partial(self._still_missing, message)
                self._timers.start(message.name, _patience_s(message), again)

    def stop(self) -> None:
        """Supply lost, reset or asleep: nothing is received any more."""
        self._timers.clear()
        self.knowledge.met.clear()
        for watch in self._watches.values():
            watch.cancel()
        self._watches = {}
        for message in self._needed:
            self.knowledge.missing(message.name, message.signals, self.host.state_event)

    def _watch(self, message: Sent) -> None:
        self._watches[message.name] = self.host.world.network.watch(
            self.source(message.name),
            self.channel_of(message.name),
            _patience_s(message),
            partial(self._went_missing, message),
            partial(self._came_back, message),
        )

    def _received(self, message: Sent, stream: Stream, time_s: float) -> None:
        if self._control.deaf:
            return
        if not self.knowledge.hears(message.name):
            arrival = self.host.world.explainer.arrival(self.host.name, message.name)
            event = self.host.record(
                "heard", f"{self.host.name} receives {message.name}", arrival, message.name
            )
            self.knowledge.heard[message.name] = Fact(True, event)
            self.knowledge.met.setdefault(message.name, Fact(True, event))
        for call in self._on_arrival.get(message.name, ()):
            call()
        for name, value in self.host.world.codec.decode(message, stream.delivered).items():
            self._note(message, stream, name, value)
        self.host.invalidate()

    def _note(self, message: Sent, stream: Stream, name: str, value: Known) -> None:
        before = self.knowledge.signals.get(name, UNKNOWN).value
        if before is value or before == value:
            return
        words = f"{self.host.name} receives {name} = {value}"
        if value is None:
            words = f"{self.host.name} receives {name} marked as not available"
        causes = (*stream.causes_of(name), self.knowledge.heard[message.name].event)
        self.knowledge.signals[name] = Fact(value, self.host.record("signal", words, causes))
        if name == "power_mode" and value in ("run", "crank") and before not in ("run", "crank"):
            self._faults.ignition_on()

    def _went_missing(self, message: Sent, _time_s: float) -> None:
        explainer, name = self.host.world.explainer, self.host.name
        causes = explainer.silence(name, message.name) or explainer.arrival(name, message.name)
        event = self.host.record("missing", f"{name} does not receive {message.name}", causes, message.name)
        self.knowledge.missing(message.name, message.signals, event)
        self.host.invalidate()

    def _came_back(self, message: Sent, _time_s: float) -> None:
        self._received(message, self.source(message.name), self.host.world.now_s)

    def _still_missing(self, message: Sent) -> None:
        if self._watches[message.name].lost:
            self._went_missing(message, self.host.world.now_s)


def _patience_s(message: Sent) -> float:
    return max(LEAST_PATIENCE_S, PERIODS_UNTIL_MISSING * message.period_s)
