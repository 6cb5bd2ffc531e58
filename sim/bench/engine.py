"""The engine of a live car: the starter turns it, and it fires and runs while its cylinders are fed.

Not modeled: speed and torque, air and mixture, fuel pressure, mechanical trouble.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from sim.bench.causes import Causes
from sim.bench.running_car import RunningCar
from sim.modules.facts import Fact
from sim.modules.world import Causes as ModuleCauses
from sim.modules.world import Timer
from sim.vehicle.description import Engine
from sim.wiring.tracing import FED_V


@dataclass(frozen=True, slots=True)
class Hindrance:
    """What keeps an engine from firing while it is cranked, in words, and the events behind it."""

    text: str
    causes: tuple[int, ...] = ()


class LiveEngine:
    """The engine of one car; `world.engine` says what it does. last_cranked: why it then did not start."""

    def __init__(self, live: RunningCar, causes: Causes) -> None:
        self._live = live
        self._causes = causes
        self._fire_timer: Timer | None = None
        self.last_cranked: tuple[Hindrance, ...] = ()
        self._dry_timer: Timer | None = None  # runs while the engine lives on what is left in the rail

    def update(self) -> None:
        """Follow the starter and the cylinders: does it crank, and may it go on?"""
        spec = self._live.car.built.engine
        if spec is None:
            return
        turning = (
            self._live.reading.between(f"{spec.starter}.1", f"{spec.starter}.2") or 0.0
        ) >= spec.cranks_above_v
        state = self._live.world.engine.value
        if state == "stopped" and turning:
            self._note("cranking", "the starter cranks the engine", self._causes.trigger())
            self._fire_timer = self._live.world.after(spec.fires_after_s, self._try_to_fire)
        elif state == "cranking" and not turning:
            found = {event for one in self.last_cranked for event in one.causes}
            causes = tuple(sorted(found)) or self._causes.engine()
            self._note("stopped", "the starter stops; the engine has not started", causes)
        elif state == "running" and (part := self._live.modules[spec.controller].start_stop) and part.cuts:
            self._note("stopped", "start-stop stops the engine", (part.event,))
        elif state == "running" and not self.can_fire():
            self._note("stopped", "the engine stops", self._causes.engine())
        if spec.fuel_pump is not None:
            self._watch_fuel(spec.fuel_pump, spec.fuel_lasts_s)
        self._live.world.misfires = self._misfires(spec) if self._live.world.engine.value == "running" else {}

    def _misfires(self, spec: Engine) -> dict[int, ModuleCauses]:
        """Cylinders that do not fire, and what keeps coil or injector from its supply."""
        found: dict[int, ModuleCauses] = {}
        for number, pair in enumerate(spec.cylinders, start=1):
            unfed = [load for load in pair if not self.is_fed(load)]
            if unfed:
                found[number] = partial(self._causes.unfed, unfed[0], self.watched_side(unfed[0]))
        return found

    def _watch_fuel(self, pump: str, lasts_s: float) -> None:
        if self.is_fed(pump) or self._live.world.engine.value != "running":
            if self._dry_timer:
                self._dry_timer.cancel()
                self._dry_timer = None
        elif self._dry_timer is None:
            causes = self._causes.unfed(pump, self.watched_side(pump))
            self._dry_timer = self._live.world.after(lasts_s, partial(self._run_dry, causes))

    def _run_dry(self, causes: tuple[int, ...]) -> None:
        self._dry_timer = None
        self._note("stopped", "the engine stops: out of fuel", causes)

    def _try_to_fire(self) -> None:
        self.last_cranked = ()
        if self._live.world.engine.value == "cranking" and self.can_fire() and self.has_fuel():
            self._note("running", "the engine starts", (self._live.world.engine.event,))
            self._live.invalidate()
        elif self._live.world.engine.value == "cranking":
            self.last_cranked = self.hindrances()
            self._fire_timer = self._live.world.after(0.2, self._try_to_fire)

    def _note(self, state: str, words: str, causes: tuple[int | None, ...]) -> None:
        if self._fire_timer:
            self._fire_timer.cancel()
        event = self._live.world.record("engine", "engine", words, causes, value=state)
        self._live.world.note_coolant()
        self._live.world.engine = Fact(state, event)
        self._live.electrical(event)

    def can_fire(self) -> bool:
        """Controller running and released, and enough cylinders with coil and injector fed."""
        spec = self._live.car.built.engine
        assert spec is not None
        controller = self._live.modules[spec.controller]
        released = controller.starter.released if controller.starter else True
        return controller.sends and released and len(self.fed_cylinders()) >= spec.cylinders_needed

    def hindrances(self) -> tuple[Hindrance, ...]:
        """What keeps it from firing now, if it is cranked: controller, release, sparks, fuel."""
        spec = self._live.car.built.engine
        assert spec is not None
        controller = self._live.modules[spec.controller]
        found = [] if controller.sends else [self._unpowered(spec.controller)]
        if controller.starter and not controller.starter.released:
            events = tuple(event for event in self._causes.release() if event is not None)
            found.append(Hindrance(f"{controller.name} is not released by the immobilizer", events))
        found += self.starved_cylinders()
        if spec.fuel_pump and not self.has_fuel():
            causes = self._causes.unfed(spec.fuel_pump, self.watched_side(spec.fuel_pump))
            found.append(Hindrance(f"{spec.fuel_pump.replace('_', ' ')} has no supply", causes))
        return tuple(found)

    def _unpowered(self, module: str) -> Hindrance:
        return Hindrance(f"{module} is {self._live.modules[module].state}", self._causes.state(module))

    def starved_cylinders(self) -> Iterator[Hindrance]:
        """What keeps the voltage from coils and injectors, if too few cylinders are fed."""
        spec = self._live.car.built.engine
        assert spec is not None
        fed = self.fed_cylinders()
        if len(fed) >= spec.cylinders_needed:
            return
        starved = [load for load in (*spec.coils, *spec.injectors) if not self.is_fed(load)]
        culprits = {one for load in starved for one in self._causes.starved(load, self.watched_side(load))}
        have, of = "has" if len(starved) == 1 else "have", len(spec.cylinders)
        text = f"{' and '.join(starved)} {have} no supply: {len(fed)} of {of} cylinders can fire"
        yield Hindrance(text, tuple(sorted(culprits)))

    def has_fuel(self) -> bool:
        """Is the fuel pump fed, if the engine has one?"""
        spec = self._live.car.built.engine
        assert spec is not None
        return spec.fuel_pump is None or self.is_fed(spec.fuel_pump)

    def fed_cylinders(self) -> list[int]:
        """Cylinders (from 1) whose coil and injector both have voltage through to the controller's pin."""
        spec = self._live.car.built.engine
        assert spec is not None
        pairs = enumerate(spec.cylinders, start=1)
        return [number for number, pair in pairs if all(self.is_fed(load) for load in pair)]

    def watched_side(self, load: str) -> str:
        """Return where a load's voltage shows: the module's pin that it ends on, or its own feed."""
        end = self._live.car.built.loads[load].end
        return f"{end.part}:{end.pin}" if end.part in self._live.modules else f"{load}.1"

    def is_fed(self, load: str) -> bool:
        """Has the load voltage, measured at its far side if a module watches or switches it?"""
        end = self._live.car.built.loads[load].end
        if end.part in self._live.modules:
            return self._live.reading.pin_v(end.part, end.pin) >= FED_V
        return (self._live.reading.between(f"{load}.1", f"{load}.2") or 0.0) >= FED_V
