"""The signals that a module computes and sends.

Not modelled: filtering and rate limits of values.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from sim.modules.facts import ENGINE_RPM, INVALID, Known
from sim.modules.host import Host
from sim.modules.knowledge import Knowledge
from sim.vehicle.description_software import Signal


class OwnSignals:
    """Keeps `Knowledge.values` up to date."""

    def __init__(self, host: Host, knowledge: Knowledge) -> None:
        self._host = host
        self._knowledge = knowledge
        self._rules = [(name, self._rule(name, spec)) for name, spec in host.spec.signals.items()]

    def update(self) -> bool:
        """Compute all values anew; returns whether any has changed."""
        new = {name: compute() for name, compute in self._rules}
        changed = new != self._knowledge.values
        if changed:
            self._knowledge.values = new
        return changed

    def causes(self, name: str) -> tuple[int | None, ...]:
        """The events that explain the value of a signal now; empty for a signal that is not its own."""
        knowledge, world = self._knowledge, self._host.world
        spec = self._host.spec.signals.get(name)
        if spec is None:
            return ()
        if spec.when is not None:
            return knowledge.judge(spec.when).events
        known = {
            "power_mode": knowledge.mode_event(),
            "engine_state": world.engine.event,
            "engine_speed_rpm": world.engine.event,
            "vehicle_speed_kph": world.speed_kph.event,
            "immobilizer": knowledge.release.event if knowledge.release else None,
        }
        own = (known[spec.fact],) if spec.fact else ()
        return (*(knowledge.signal(used).event for used in spec.uses), *own)

    def _rule(self, name: str, spec: Signal) -> Callable[[], Known]:
        if spec.when is not None:
            return self._knowledge.asks(spec.when)
        if spec.fact is not None:
            return partial(self._own_fact, spec.fact)
        return partial(self.passed_on, name, spec)

    def passed_on(self, name: str, spec: Signal) -> Known:
        """The file's value while all signals that it uses are valid, else what the file says of `missing`."""
        received = [self._knowledge.value(used) for used in spec.uses]
        if all(value is not None and value is not INVALID for value in received):
            return spec.value
        if spec.missing == "hold":
            return self._knowledge.values.get(name)
        return INVALID if spec.missing == "invalid" else spec.substitute

    def _own_fact(self, fact: str) -> Known:
        world = self._host.world
        match fact:
            case "power_mode":
                return self._knowledge.known_mode()
            case "engine_state":
                return world.engine.value
            case "engine_speed_rpm":
                return ENGINE_RPM[str(world.engine.value)]
            case "vehicle_speed_kph":
                return world.speed_kph.value
            case "immobilizer":
                return "released" if self._knowledge.released() else "locked"
        raise AssertionError(fact)
