"""What surrounds a module: clock, network, trace, and the physical facts that it can sense."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import simpy

from sim.modules.facts import Fact
from sim.modules.signals import Codec
from sim.modules.trace import Trace
from sim.network.can import CanNetwork, Stream
from sim.vehicle.car import Car

if TYPE_CHECKING:
    from sim.modules.module import ControlModule


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

    `streams[message, bus]` is a message as it runs on one bus. `touch` asks for a new look at wiring and
    rules at this instant. `silence_causes(receiver, message)` are the events because of which a receiver does
    not get a message, `design_causes(name)` the theories that are about a part. `bus_is_quiet(module)`:
    nobody that the module could hear is sending.
    """

    env: simpy.Environment
    car: Car
    network: CanNetwork
    trace: Trace
    codec: Codec
    touch: Callable[[], None]
    silence_causes: Callable[[str, str], tuple[int, ...]]
    bus_is_quiet: Callable[[str], bool]
    design_causes: Callable[[str], tuple[int, ...]]
    seed: int = 0
    streams: dict[tuple[str, str], Stream] = field(default_factory=dict)
    modules: dict[str, ControlModule] = field(default_factory=dict)
    fob: Fact = field(default_factory=lambda: Fact("in_range"))
    engine: Fact = field(default_factory=lambda: Fact("stopped"))
    speed_kph: Fact = field(default_factory=lambda: Fact(0))

    @property
    def now_s(self) -> float:
        """Simulated time in seconds."""
        return float(self.env.now)

    def record(self, kind: str, subject: str, text: str, causes: tuple[int | None, ...] = ()) -> int:
        """Add an event to the trace at this instant."""
        return self.trace.record(self.now_s, kind, subject, text, causes)

    def after(self, delay_s: float, action: Callable[[], None]) -> Timer:
        """Call `action` after a delay."""
        return Timer(self.env, delay_s, action)
