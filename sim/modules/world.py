"""What surrounds a module: clock, network, trace, and the physical facts that it can sense."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import simpy

from sim.modules.facts import Fact
from sim.modules.signals import Codec
from sim.modules.trace import Trace
from sim.network.frames import Frame
from sim.network.streams import Network, Stream
from sim.vehicle.car import Car

if TYPE_CHECKING:
    from sim.modules.module import ControlModule

SEND_LIMIT_S = 0.1  # a single frame that nobody has acknowledged by then is given up; common practice


class Timer:
    """Calls `action` once after `delay_s` unless cancelled."""

    __slots__ = ("_action", "due_s")

    def __init__(self, env: simpy.Environment, delay_s: float, action: Callable[[], None]) -> None:
        self._action: Callable[[], None] | None = action
        self.due_s = env.now + delay_s
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
    def waiting(self) -> bool:
        """Neither fired nor cancelled."""
        return self._action is not None


@dataclass
class World:
    """One car's surroundings, shared by its modules.

    `streams[message, bus]` is a message as it runs on one bus, `streams_of[message]` lists it on all of them.
    `touch(module)` lets one module look again at
    what it knows, at this instant; `touch()` lets everybody, and the wiring. `silence_causes(receiver,
    message)` are the events because of which a receiver does not get a message, `arrival_causes` those
    because of which it does, `way_causes(one, other)` what keeps frames from passing between two modules,
    `source(message, channel)` is the stream that brings a message to a channel now.
    `wait_causes(module)` the theories by which a module waits at its start.
    `sender_heard_on(channel)` is a channel that sends and that this one hears, awake or not;
    `sending_since(channel)` the event since which it does. `edit_events` are the edits behind parts.
    `disturbance_causes(channel)` are the events behind what makes its error counters rise.
    `management[bus][module]` is a node's network management frame.
    """

    env: simpy.Environment
    car: Car
    network: Network
    trace: Trace
    codec: Codec
    touch: Callable[..., None]
    silence_causes: Callable[[str, str], tuple[int, ...]]
    arrival_causes: Callable[[str, str], tuple[int, ...]]
    sender_heard_on: Callable[[str], str | None]
    sending_since: Callable[[str], int | None]
    way_causes: Callable[[str, str], tuple[int, ...]]
    wait_causes: Callable[[str], tuple[int, ...]]
    dead_line_causes: Callable[[str], tuple[int, ...]]
    source: Callable[[str, str], Stream]
    edit_events: dict[str, int]
    seed: int = 0
    disturbance_causes: Callable[[str], tuple[int, ...]] = lambda channel: ()
    streams: dict[tuple[str, str], Stream] = field(default_factory=dict)
    streams_of: dict[str, list[Stream]] = field(default_factory=dict)
    management: dict[str, dict[str, Stream]] = field(default_factory=dict)
    modules: dict[str, ControlModule] = field(default_factory=dict)
    fob: Fact = field(default_factory=lambda: Fact("in_range"))
    engine: Fact = field(default_factory=lambda: Fact("stopped"))
    speed_kph: Fact = field(default_factory=lambda: Fact(0))
    tester_event: int | None = None

    @property
    def now_s(self) -> float:
        """Simulated time in seconds."""
        return float(self.env.now)

    def record(self, kind: str, subject: str, text: str, causes: tuple[int | None, ...] = ()) -> int:
        """Add an event to the trace at this instant."""
        return self.trace.record(self.now_s, kind, subject, text, causes)

    def send(self, channel: str, frame: Frame) -> None:
        """Send a single frame, or give it up where nobody takes it in time."""
        self.after(SEND_LIMIT_S, self.network.send(channel, frame))

    def after(self, delay_s: float, action: Callable[[], None]) -> Timer:
        """Call `action` after a delay."""
        return Timer(self.env, delay_s, action)
