"""What the parts of a module's software see: the module they run in (`Host`), and its surroundings (`World`).

Not modeled: several processors in one module.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal, Protocol

import simpy

from sim.modules.facts import Fact
from sim.modules.high_voltage_bus import HighVoltageBus
from sim.modules.signals import Codec
from sim.modules.trace import Trace
from sim.network.clock import NanosecondEnvironment, to_ns
from sim.network.frames import NS_PER_S, Frame
from sim.network.interface import Network
from sim.network.streams import Stream
from sim.vehicle.car import Car
from sim.vehicle.description_software import Module
from sim.vehicle.edit import Relation

ModuleState = Literal[
    "unpowered", "dead", "boot mode", "starting", "running", "shut down", "going to sleep", "asleep"
]  # fmt: skip
LIFELESS: tuple[ModuleState, ...] = ("unpowered", "dead")
Causes = Callable[[], tuple[int, ...]]

# An engine's coolant: the air around it, the thermostat's temperature, and the time constants of warming up
# at idle and of cooling down; common practice, round figures.
AMBIENT_C, WARM_C = 20.0, 90.0
WARM_UP_S, COOL_DOWN_S = 300.0, 5400.0
SEND_LIMIT_S = 0.1  # a single frame that is not acknowledged by then is given up; common practice


class Timer:
    """Calls `action` once after `delay_s` unless canceled."""

    __slots__ = ("_action", "_due_ns", "_env")

    def __init__(self, env: NanosecondEnvironment, delay_s: float, action: Callable[[], None]) -> None:
        self._action: Callable[[], None] | None = action
        self._env, self._due_ns = env, env.now_ns + to_ns(delay_s)
        timeout = env.timeout(delay_s)
        assert timeout.callbacks is not None
        timeout.callbacks.append(self._fire)

    def _fire(self, _: simpy.Event) -> None:
        action, self._action = self._action, None
        if action is not None:
            action()

    def cancel(self) -> None:
        """Forget it."""
        self._action = None

    @property
    def due_s(self) -> float:
        """When it calls, in seconds."""
        return self._due_ns / NS_PER_S

    @property
    def left_s(self) -> float:
        """How long it still waits."""
        return (self._due_ns - self._env.now_ns) / NS_PER_S

    @property
    def waiting(self) -> bool:
        """Neither fired nor canceled."""
        return self._action is not None


class NamedTimers:
    """Timers of one part of a module, at most one of each name."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._timers: dict[str, Timer] = {}

    def start(self, name: str, delay_s: float, action: Callable[[], None]) -> None:
        """Call `action` after a delay; a timer of this name that runs is canceled."""
        self.drop(name)
        self._timers[name] = self._world.after(delay_s, action)

    def start_once(self, name: str, delay_s: float, action: Callable[[], None]) -> None:
        """The same, unless a timer of this name runs."""
        if not self.runs(name):
            self.start(name, delay_s, action)

    def runs(self, name: str) -> bool:
        """Is it started, and has it neither fired nor been canceled?"""
        return name in self._timers and self._timers[name].waiting

    def drop(self, name: str) -> None:
        """Cancel a timer, if there is one."""
        if name in self._timers:
            self._timers.pop(name).cancel()

    def clear(self) -> None:
        """Cancel all."""
        for timer in self._timers.values():
            timer.cancel()
        self._timers = {}


class Explainer(Protocol):
    """Finds the trace events that explain what a module experiences, by their numbers."""

    def silence(self, receiver: str, message: str) -> tuple[int, ...]:
        """The events because of which a receiver does not get a message; empty if it should get it."""

    def arrival(self, receiver: str, message: str) -> tuple[int, ...]:
        """The event because of which a receiver gets a message."""

    def broken_path(self, start: str, end: str) -> tuple[int, ...]:
        """What keeps frames from passing between two modules; empty if nothing does."""

    def supposed(self, module: str, relation: Relation) -> tuple[int, ...]:
        """The theories by which a module waits at its start, or shuts down."""

    def dead_line(self, module: str) -> tuple[int, ...]:
        """What keeps the ignition from a module's sense lines, while another module has its own."""

    def bus_faults(self, channel: str) -> tuple[int, ...]:
        """What makes a channel's error counters rise."""

    def release(self) -> tuple[int | None, ...]:
        """The event with which the immobilizer's authority last locked, asked or released."""


class Surroundings(Protocol):
    """What a module's channels reach now, and who is told that something has changed."""

    def invalidate(self, module: str | None = None) -> None:
        """Let one module update at this instant; or, without a name, all of them and the wiring."""

    def sender_heard_on(self, channel: str) -> str | None:
        """A channel that sends and that this one hears, or would hear if it were awake."""

    def senders_heard_on(self, channel: str) -> Iterable[str]:
        """All channels that send and that this one hears, or would hear if it were awake."""

    def sending_since(self, channel: str) -> int | None:
        """The event since which the owner of a channel sends, or does not."""

    def link(self, channel: str) -> Fact:
        """The state of the Ethernet link at a channel, and since which event."""

    def link_quality(self, channel: str) -> int:
        """The signal quality index that the PHY of a channel reports, 0 without a link."""

    def source(self, message: str, channel: str) -> Stream:
        """The stream that brings a message to a channel now."""

    def write(self, field: str, module: str, value: object, words: str) -> None:
        """A tester has written into a module, as `HarnessState` has it; None: as this car needs it."""


@dataclass
class World:
    """What the modules of one car share: clock, network, trace, and facts that they can sense.

    streams[message, bus] is a message as it runs on one bus, streams_of[message] lists it on all of them.
    management[bus][module] is a node's network management frame. edit_events: the edits, by the part edited.
    """

    env: NanosecondEnvironment
    car: Car
    network: Network
    trace: Trace
    codec: Codec
    surroundings: Surroundings
    explainer: Explainer
    edit_events: dict[str, int]
    seed: int = 0
    streams: dict[tuple[str, str], Stream] = field(default_factory=dict)
    streams_of: dict[str, list[Stream]] = field(default_factory=dict)
    management: dict[str, dict[str, Stream]] = field(default_factory=dict)
    fob: Fact = field(default_factory=lambda: Fact("in_range"))
    engine: Fact = field(default_factory=lambda: Fact("stopped"))
    coolant_was: tuple[float, float] = (AMBIENT_C, 0.0)  # temperature in °C, and since when, in s
    misfires: dict[int, Causes] = field(default_factory=dict)  # cylinders that do not fire, and why
    duty_pct: dict[tuple[str, str], int] = field(default_factory=dict)  # of outputs, by module and pin
    high_voltage: HighVoltageBus | None = None
    speed_kph: Fact = field(default_factory=lambda: Fact(0))
    battery_pct: Fact = field(default_factory=lambda: Fact(100))  # its charge, in whole per cent
    tester_event: int | None = None
    # by channel on SAE J1939: the events that explain its DM1
    dm1_causes: dict[str, Callable[[], tuple[int | None, ...]]] = field(default_factory=dict)

    @property
    def now_s(self) -> float:
        """Simulated time in seconds."""
        return self.env.now

    @property
    def now_ns(self) -> int:
        """Simulated time in whole nanoseconds."""
        return self.env.now_ns

    def since_s(self, time_s: float) -> float:
        """Return how long ago a time was, in whole nanoseconds as everything is."""
        return (self.now_ns - to_ns(time_s)) / NS_PER_S

    def coolant_c(self) -> float:
        """Temperature of the coolant: toward its target, fast with the engine running, slowly without."""
        was_c, since_s = self.coolant_was
        warming = self.engine.value == "running"
        target_c, time_s = (WARM_C, WARM_UP_S) if warming else (AMBIENT_C, COOL_DOWN_S)
        return target_c + (was_c - target_c) * math.exp(-self.since_s(since_s) / time_s)

    def warm_in_s(self, at_c: float) -> float:
        """How long a running engine's coolant takes to a temperature below `WARM_C`; 0 if it has it."""
        now_c = self.coolant_c()
        return max(0.0, WARM_UP_S * math.log((WARM_C - now_c) / (WARM_C - at_c))) + 0.001

    def note_coolant(self) -> None:
        """The engine is about to start or stop: the coolant goes another way from here."""
        self.coolant_was = (self.coolant_c(), self.now_s)

    def record(
        self,
        kind: str,
        subject: str,
        text: str,
        causes: tuple[int | None, ...] = (),
        item: str = "",
        value: str = "",
    ) -> int:
        """Add an event to the trace at this instant; `item` and `value` as of `Event`."""
        return self.trace.record(self.now_s, kind, subject, text, causes, item, value)

    def send(self, channel: str, frame: Frame) -> None:
        """Send a single frame, or give it up if no node acknowledges it in time."""
        self.network.send(channel, frame, limit_s=SEND_LIMIT_S)

    def after(self, delay_s: float, action: Callable[[], None]) -> Timer:
        """Call `action` after a delay."""
        return Timer(self.env, delay_s, action)


class Host(Protocol):
    """One module: who it is, its state and supply, and what it does for its parts.

    channels: its CAN channels, by bus. state_event: since when it is in its state.
    """

    name: str
    world: World
    spec: Module
    channels: dict[str, str]
    state: ModuleState
    state_event: int | None
    supply_v: float

    @property
    def sends(self) -> bool:
        """Does it put its messages on the bus?"""

    @property
    def answers(self) -> bool:
        """Does its diagnostic server respond?"""

    @property
    def tests_run(self) -> bool:
        """May its monitors run at all?"""

    def invalidate(self) -> None:
        """Let the module update at this instant."""

    def record(
        self, kind: str, words: str, causes: tuple[int | None, ...] = (), item: str = "", value: str = ""
    ) -> int:
        """Add an event about the module to the trace; `item` and `value` as of `Event`."""

    def send(self, frame: Frame) -> None:
        """Send a single frame on every CAN bus of the module."""
