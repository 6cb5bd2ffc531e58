"""The voltages that modules get from the wiring: supply, sensed pins, watched circuits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import partial

from sim.bench.causes import Causes
from sim.bench.pulses import command_trains, step_v
from sim.bench.running_car import RunningCar
from sim.modules.pulsed_outputs import PulsedMonitor


class Supplies:
    """Passes on to the modules of one car what the electrical network gives them."""

    def __init__(self, live: RunningCar, causes: Causes) -> None:
        self._live = live
        self._causes = causes
        self._sensed = {name: module.pins.functions() for name, module in live.modules.items()}

    def update(self) -> None:
        """Tell every module its voltages after the network has been solved again."""
        reading, causes = self._live.reading, self._causes
        startable = self._startable()
        for name, module in self._live.modules.items():
            supply_v = reading.supply_v(name)
            if module.state != "unpowered" or name in startable:
                module.power(supply_v, partial(causes.supply, name))
            for function in self._sensed[name]:
                pin_v = reading.pin_v(name, function)
                module.pins.sense(function, pin_v, partial(causes.sense, name, function))
            for function in module.pins.measured:
                module.pins.volt[function] = reading.pin_v(name, function)
            self._switched_pins(name)
            for circuit in module.circuits:
                pin, other = circuit.check.pin, circuit.check.agrees_with
                other_v = reading.pin_v(name, other) if other else 0.0
                circuit.measure(reading.pin_v(name, pin), other_v, partial(causes.circuit, name, pin, other))

    def _switched_pins(self, name: str) -> None:
        """The voltages to which a module pulls the pins that it switches by pulse width."""
        module = self._live.modules[name]
        for train in command_trains(self._live.car, self._live.world) if module.spec.pulsed else ():
            owner, pin = train.part.split()
            monitor = module.signals[pin] if owner == name else None
            if isinstance(monitor, PulsedMonitor):
                switched_v = self._live.reading.pin_v(name, pin)
                switched_v += step_v(self._live.reading, train, *train.ends)
                monitor.measure(switched_v, partial(self._causes.circuit, name, pin))

    def _startable(self) -> set[str]:
        """Modules without supply that have enough now, also once they and all others draw what they run with.

        One whose supply breaks down under its own current (it comes through a bad joint, or through other
        modules from a lost ground) never gets going.
        """
        live = self._live
        running = live.switch_state().running
        waiting = {
            name
            for name, module in live.modules.items()
            if module.state == "unpowered" and live.reading.supply_v(name) >= module.spec.restart_supply_v
        }
        if not waiting or self._all_hold(running | waiting):
            return waiting
        started: set[str] = set()
        for name in sorted(waiting):
            if self._all_hold(running | started | {name}):
                started.add(name)
        return started

    def _all_hold(self, running: Iterable[str]) -> bool:
        live = self._live
        reading = live.wiring.solve(replace(live.switch_state(), running=frozenset(running)))
        return all(
            reading.supply_v(name) >= live.modules[name].spec.min_supply_v
            for name in running
            if name in live.modules
        )
