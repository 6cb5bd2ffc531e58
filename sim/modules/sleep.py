"""When a module goes to sleep, why it stays awake, and what wakes it.

On buses with network management (`managed_bus.py`) a module requests them while it has a reason to be awake,
runs as long as one of them is in network mode, goes to sleep in prepare bus sleep and sleeps in bus sleep. On
other buses it stops sending a while after its last reason, and sleeps when they have been quiet for a while.

A module in a partial network is woken over its bus by a frame of that network alone (`partial_network.py`).

Not modeled: a wake-up that is found invalid and ends at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from sim.modules.diagnostics import Diagnostics
from sim.modules.knowledge import Knowledge
from sim.modules.managed_bus import ManagedBus
from sim.modules.world import Host, NamedTimers
from sim.vehicle.elements import TESTER, part_of


class Sleeper(Host, Protocol):
    """A module as its sleep rules see it. all_channels, lin_channels: by bus or cluster."""

    all_channels: dict[str, str]
    lin_channels: dict[str, str]
    managed: dict[str, ManagedBus]
    diagnostics: Diagnostics
    waiting_for: tuple[str, ...]

    def wake(self, source: str, causes: tuple[int | None, ...]) -> None:
        """Start from sleep."""

    def come_back(self, why: str, event: int | None) -> None:
        """Run again before it slept."""

    def stop_to_sleep(self, causes: tuple[int | None, ...]) -> None:
        """Stop sending, with no reason to stay awake."""

    def fall_asleep(self) -> None:
        """Sleep now."""

    def talk(self) -> None:
        """Put its messages on the buses that are open."""


class Sleep:
    """The rules of one module. Timers: `tired` after its last reason, `quiet` while its buses are silent."""

    def __init__(self, module: Sleeper, knowledge: Knowledge) -> None:
        self._module = module
        self._knowledge = knowledge
        self._timers = NamedTimers(module.world)
        self._has_rested = False  # its reasons have been gone for as long as it goes on without one
        self._woken_over: str | None = None  # the bus, if by one

    # -- reasons ---------------------------------------------------------------------------------------

    def reasons_now(self) -> list[tuple[str, int | None]]:
        """What keeps it awake now, with the event of each; nothing if it sleeps or has no supply."""
        module = self._module
        if module.state == "starting" and module.waiting_for:
            return [(f"it waits for {' and '.join(module.waiting_for)}", module.state_event)]
        return list(self._reasons()) if module.state in ("running", "going to sleep") else []

    def _reasons(self) -> Iterator[tuple[str, int | None]]:
        knowledge, world = self._knowledge, self._module.world
        for kind, name, event in knowledge.pins_on():
            yield f"{kind} {name} is on", event
        mode = knowledge.known_mode()
        if mode not in (None, "off"):
            yield f"power mode is {mode}", knowledge.mode_event()
        if knowledge.runs_engine and world.engine.value != "stopped":
            yield f"the engine is {world.engine.value}", world.engine.event
        if knowledge.contactors and knowledge.contactors.told in ("precharging", "closed"):
            yield "the contactors are closed", knowledge.contactors.event
        if self._module.diagnostics.awake_for_s > 0:
            yield "a tester is talking to it", world.tester_event
        yield from self._faulty_reasons()
        for channel in self._module.lin_channels.values():
            master = world.surroundings.sender_heard_on(channel)
            if master is not None:
                yield "the master of its LIN cluster calls it", world.surroundings.sending_since(master)
        if world.car.built.power_modes is None:  # without power modes and sense lines, modules never sleep
            yield "it has nothing to wake it", None

    def _faulty_reasons(self) -> Iterator[tuple[str, int | None]]:
        module, world = self._module, self._module.world
        harness = world.car.harness
        for channel in sorted(harness.babbling.intersection(module.channels.values())):
            yield "it sends nonstop", world.edit_events.get(channel)
        if module.name in harness.kept_awake:
            yield "its network request is never released", world.edit_events.get(f"{module.name} awake")

    def _last_reasons(self) -> tuple[int | None, ...]:
        """The events that took away its last reason to be awake."""
        module = self._module
        known = (*self._knowledge.pin_events(), self._knowledge.mode_event(), module.state_event)
        newest = max(event for event in known if event is not None)
        return (newest, *module.world.explainer.dead_line(module.name))

    # -- going to sleep --------------------------------------------------------------------------------

    def update(self) -> None:
        """Go to sleep if there is no reason to be awake, or come back if there is one again."""
        module, timers = self._module, self._timers
        reason = next(self._reasons(), None)
        if reason:
            timers.drop("tired")
            self._has_rested = False
            for managed in module.managed.values():
                managed.request(reason[1])
        if module.state == "running":
            if not reason and not self._has_rested:
                timers.start_once("tired", module.spec.stay_awake_ms / 1000, self._get_tired)
            elif not reason and not self._in_network_mode():
                managed_events = tuple(managed.event for managed in module.managed.values())
                module.stop_to_sleep(managed_events or self._last_reasons())
        elif reason:
            self._come_back(*reason)
        elif self._buses_sleep():
            # network management has waited already; without it the bus must have been quiet for a while
            quiet_s = 0.0 if module.managed else module.spec.sleep_after_ms / 1000
            timers.start_once("quiet", quiet_s, module.fall_asleep)
        else:
            timers.drop("quiet")
        if module.diagnostics.awake_for_s > 0:
            timers.start_once("tester gone", module.diagnostics.awake_for_s, module.invalidate)

    def update_shut_down(self) -> None:
        """Shut down by itself, it sleeps once it has no reason to be awake and its buses are quiet."""
        if next(self._reasons(), None) or not self._buses_sleep():
            self._timers.drop("quiet")
        else:
            self._timers.start_once(
                "quiet", self._module.spec.sleep_after_ms / 1000, self._module.fall_asleep
            )

    def stop(self) -> None:
        """Supply lost, reset or asleep."""
        self._timers.clear()
        self._woken_over = None
        self._has_rested = False

    def _get_tired(self) -> None:
        if any(self._reasons()):
            return
        self._has_rested = True
        for managed in self._module.managed.values():
            managed.release(*self._last_reasons())
        self.update()

    def _come_back(self, why: str, event: int | None) -> None:
        self._timers.drop("quiet")
        self._module.come_back(why, event)

    def _in_network_mode(self) -> bool:
        return any(managed.node.in_network_mode for managed in self._module.managed.values())

    def _buses_sleep(self) -> bool:
        """Are its managed buses in bus sleep, and are the others silent?"""
        managed, surroundings = self._module.managed, self._module.world.surroundings
        return all(
            managed[bus].node.state == "bus sleep"
            if bus in managed
            else surroundings.sender_heard_on(channel) is None
            for bus, channel in self._module.all_channels.items()
        )

    # -- network management ----------------------------------------------------------------------------

    def join_buses(self) -> None:
        """Join the buses that woke the module, or request all of them if it woke by itself."""
        reason = next(self._reasons(), None)
        woke_itself = self._woken_over is None
        for bus, managed in self._module.managed.items():
            if reason or woke_itself:
                managed.request(reason[1] if reason else None, self._module.state_event)
            elif bus == self._woken_over or managed.noticed is not None:
                managed.join()
        self._has_rested = not woke_itself and self._in_network_mode()

    def bus_wakes(self, managed: ManagedBus) -> None:
        """A management frame has come over a bus that was in bus sleep for this module."""
        if self._module.state in ("running", "going to sleep") and self._wakes_over(managed.bus):
            managed.join()

    @property
    def needs_everything(self) -> bool:
        """Does it ask for all partial networks: power mode not off, or a tester at work?"""
        return self._knowledge.known_mode() not in (None, "off") or self._module.diagnostics.awake_for_s > 0

    def bus_changed(self, managed: ManagedBus) -> None:
        """One of its managed buses has fallen asleep or woken up."""
        if self._module.state == "going to sleep" and managed.node.in_network_mode:
            self._come_back(f"{managed.bus} is awake", managed.event)
        self._module.talk()
        self._module.world.surroundings.invalidate()

    # -- waking ----------------------------------------------------------------------------------------

    @property
    def wakes_by_bus(self) -> bool:
        """Is it asleep, and does a frame wake it?"""
        return self._module.state == "asleep" and self._wakes_by_bus()

    def update_asleep(self) -> None:
        """Wake if something that wakes the module is there."""
        module, world = self._module, self._module.world
        sources = module.spec.wake
        for kind, name, event in self._knowledge.pins_on():
            if sources is None or name in sources:
                module.wake(f"{kind} {name}", (event,))
                return
        fob = world.fob
        moved = (fob.event or -1) > (module.state_event or -1)
        if "fob" in (sources or ()) and fob.value != "away" and moved:
            module.wake("the fob", (fob.event,))
        elif self._wakes_by_bus():
            self._look_for_senders()

    def _look_for_senders(self) -> None:
        surroundings = self._module.world.surroundings
        for bus, channel in self._module.all_channels.items():
            if not self._wakes_over(bus):
                continue
            managed = self._module.managed.get(bus)
            for sender in surroundings.senders_heard_on(channel):
                if managed is None or sender == TESTER or managed.wakes(part_of(sender)):
                    self._module.wake("the bus", (surroundings.sending_since(sender),))
                    self._woken_over = bus
                    return

    def _wakes_by_bus(self) -> bool:
        return any(self._wakes_over(bus) for bus in self._module.all_channels)

    def _wakes_over(self, bus: str) -> bool:
        sources = self._module.spec.wake
        return sources is None or "bus" in sources or bus in sources
