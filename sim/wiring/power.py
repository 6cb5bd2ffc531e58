"""The whole car as one circuit: every element as a resistance or a source, switched by a `SwitchState`.

The reference is the battery's negative post, `BAT-`. A connector off, a fuse out or a wire cut opens its
element; added resistance is in series with it.

A module's electronics are a resistance that takes `run_a` (or `sleep_a`) at 12.6 V for each battery: at a
lower voltage it takes less. Lamps, coils and motors are fixed resistances. A running module holds its
sensors' supply at 5 V up to a limit of current; a turning generator holds its set point in the same way. A
powered transceiver holds each of its lines at half of 5 V through its input resistance; any other lets them
sink to its own ground. An Ethernet PHY shows its common-mode termination alone.

Not modeled: what a module's sensors take from its own supply, temperature, filaments warming up, motor
speed, constant-power loads, battery recovery.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator

from sim.vehicle.car import Car
from sim.vehicle.elements import (
    Coil,
    Contact,
    CurrentSink,
    Draw,
    Element,
    GeneratorOutput,
    LiftedJoint,
    PilotDiode,
    PilotSource,
    PullUp,
    ReferenceSupply,
    RelayContact,
    ShortingBar,
    Source,
    Transceiver,
    UnitMotor,
)
from sim.vehicle.ethernet import COMMON_MODE_OHM, LEAK_OHM
from sim.vehicle.harness_state import BATTERY, alterations
from sim.wiring.battery import charging_ohm, rest_v
from sim.wiring.conduction import SwitchState, draw_v, is_closed, is_switched, ohm_of
from sim.wiring.layout import CACHE_LAYOUTS, CircuitElement
from sim.wiring.oneway import Leg, OneWay, Regulator
from sim.wiring.recent import Recent
from sim.wiring.solution import Solution
from sim.wiring.solver import MIN_OHM, Circuit

REFERENCE = "BAT-"

# Recessive level of a powered transceiver, half of its 5 V supply (transceiver data sheets, VO(REC)), in
# series with its input resistance of 15..40 kohm per line (ISO 11898-2, from memory).
BIAS_V = 2.5
BIAS_OHM = 30_000.0
# A pull-up is a resistor in series with a diode; no car's battery drives it to this limit.
PULL_UP_LIMIT_A = 10.0
# How fast a two-wire sensor comes to its current above its least voltage: within 0.1 V; from memory.
SINK_OHM = 10.0
# Bias inactive in standby: lines at -0.1..0.1 V (transceiver data sheets); the leakage is from memory.
IDLE_BIAS_OHM = 1_000_000.0

# The plates that still give current shrink with the charge, so the internal resistance is taken as inverse
# to it: a choice of this model that agrees with how starters slow down (common practice).
LEAST_CHARGE_SHARE = 0.02


class CircuitTemplate:
    """A car's circuit before anything is switched, and what is made of it by edits that move and add nothing.

    switched: the elements that follow the `SwitchState`. biases: names of bias sources, with their modules.
    """

    def __init__(self, car: Car) -> None:
        self.car = car
        self.switched = [one for one in car.all_elements.values() if is_switched(one)]
        self._circuit = Circuit(reference=REFERENCE)
        self._by_part: dict[str, list[Element]] = {}
        for element in car.all_elements.values():
            self._circuit.put(element.id, circuit_element(element, car))
            for part in parts_of(element):
                self._by_part.setdefault(part, []).append(element)
        self.biases = list(self._bias_sources())
        self._circuit.layout()

    def circuit_of(self, car: Car) -> Circuit:
        """The circuit of this car after edits: other values at the parts that its harness's state names."""
        circuit = self._circuit.copy()
        for part in {one.part for one in alterations(self.car.harness, car.harness)}:
            for element in self._by_part.get(part, ()):
                circuit.put(element.id, circuit_element(element, car))
        return circuit

    def _bias_sources(self) -> Iterator[tuple[str, str]]:
        for transceiver in self.car.transceivers.values():
            if transceiver.phy:
                self._add_phy(transceiver)
                continue
            for leg, node in (("H", transceiver.h), ("L", transceiver.l)):
                id = f"{transceiver.id}.{leg} bias"
                self._circuit.source(id, node, transceiver.gnd, 0.0, IDLE_BIAS_OHM)
                yield id, transceiver.module

    def _add_phy(self, phy: Transceiver) -> None:
        """What a meter sees of an Ethernet PHY, fed or not: capacitors keep its chip away."""
        middle = f"{phy.id}.middle"
        for leg, node in (("P", phy.h), ("N", phy.l)):
            self._circuit.resistor(f"{phy.id}.{leg} common mode", node, middle, COMMON_MODE_OHM)
        self._circuit.resistor(f"{phy.id} leak", middle, phy.gnd, LEAK_OHM)


_TEMPLATES: Recent[CircuitTemplate] = Recent(CACHE_LAYOUTS)


def template_of(car: Car) -> CircuitTemplate:
    """That of the car as built, kept; a car whose elements edits have moved or joined has its own."""
    built = car.as_built
    if car is not built and not car.is_unmoved:
        return CircuitTemplate(car)
    return _TEMPLATES.get(id(built), lambda: CircuitTemplate(built))  # which keeps `built`, and so its id


class PowerCircuit:
    """A car's circuit, and its solution in any state of the switches. For any number of threads."""

    def __init__(self, car: Car) -> None:
        self._car = car
        self._lock = threading.Lock()
        template = template_of(car)
        self._circuit = template.circuit_of(car)
        self._switched = [element for element in template.switched if car.is_whole(element)]
        self._biases = template.biases
        self._charge_pct = charge_pct(car)
        self._closed: dict[str, bool] = {}
        self._ohm: dict[str, float] = {}

    def solve(self, state: SwitchState, without: frozenset[str] = frozenset()) -> Solution:
        """The circuit in a state, with the elements `without` taken off."""
        with self._lock:
            return self._solved(state, without)

    def _solved(self, state: SwitchState, without: frozenset[str]) -> Solution:
        for element in self._switched:
            self._set_closed(element.id, is_closed(element, self._car, state))
            if isinstance(element, Draw):
                self._set_draw(element, state)
            elif isinstance(element, UnitMotor):
                self._set_motor(element, dict(state.speeds_pct).get(element.unit, 0))
        for id, module in self._biases:
            self._set_bias(id, module in state.running)
        self._set_charge(charge_pct(self._car) if state.charge_pct is None else state.charge_pct)
        for id in sorted(without):
            self._set_closed(id, False)
        solution = self._circuit.solve()
        if state.generator and solution.current("BAT") < 0:
            solution = self._charging()
        for id in sorted(without):
            self._set_closed(id, True)
        return solution

    def _set_closed(self, id: str, closed: bool) -> None:
        if self._closed.get(id, True) != closed:
            (self._circuit.close if closed else self._circuit.open)(id)
        self._closed[id] = closed

    def _charging(self) -> Solution:
        """The circuit with the battery's resistance to charging in place of its internal one.

        The open-circuit voltage is the same, so the current keeps its sign and one more solution is enough.
        """
        battery, pct = self._car.built.battery, self._charge_pct
        for name in battery.names:
            self._circuit.set_ohm(name, charging_ohm(pct, battery.capacity_ah, battery.internal_ohm))
        solution = self._circuit.solve()
        for name in battery.names:
            self._circuit.set_ohm(name, battery_values(pct, battery.internal_ohm)[1])
        return solution

    def _set_charge(self, pct: float) -> None:
        if pct != self._charge_pct:
            for name in self._car.built.battery.names:
                volt, ohm = battery_values(pct, self._car.built.battery.internal_ohm)
                self._circuit.set_volt(name, volt * good_cells(name, self._car))
                self._circuit.set_ohm(name, ohm)
            self._charge_pct = pct

    def _set_draw(self, draw: Draw, state: SwitchState) -> None:
        amp = draw.run_a if draw.module in state.running else draw.sleep_a
        if amp > 0 and self._ohm.get(draw.id) != amp:
            self._circuit.set_ohm(draw.id, draw_v(self._car) / amp)
            self._ohm[draw.id] = amp

    def _set_motor(self, motor: UnitMotor, pct: int) -> None:
        if pct and self._ohm.get(motor.id) != pct:
            self._circuit.set_ohm(motor.id, draw_v(self._car) / (motor.full_a * pct / 100))
            self._ohm[motor.id] = pct

    def _set_bias(self, id: str, running: bool) -> None:
        ohm = BIAS_OHM if running else IDLE_BIAS_OHM
        if self._ohm.get(id, IDLE_BIAS_OHM) != ohm:
            self._circuit.set_ohm(id, ohm)
            self._circuit.set_volt(id, BIAS_V if running else 0.0)
            self._ohm[id] = ohm


def parts_of(element: Element) -> tuple[str, ...]:
    """The names under which the state of a harness says what is wrong with an element."""
    if isinstance(element, Source):
        return element.id, BATTERY
    if isinstance(element, Contact | ShortingBar):
        return element.id, element.connector
    if isinstance(element, RelayContact | Coil):
        return element.id, element.relay
    return (element.id,)


def circuit_element(element: Element, car: Car) -> CircuitElement:
    """An element of a car as one of its circuit, switched on if it is whole."""
    a, b, closed = element.a, element.b, car.is_whole(element)
    match element:
        case Source():
            volt, ohm = source_values(element, car)
            return CircuitElement("source", a, b, ohm, volt, closed=closed)
        case PilotSource() | PilotDiode():
            return CircuitElement("source", a, b, element.ohm, element.volt, closed=closed)
        case LiftedJoint():
            return CircuitElement("source", a, b, ohm_of(element, car), element.volt, closed=closed)
        case CurrentSink():
            # a regulator the other way round: it gives way where its ends are closer than this
            a, b = b, a
    oneway = _oneway(element)
    if oneway:
        return CircuitElement("one-way", a, b, oneway=oneway, closed=closed)
    return CircuitElement("resistor", a, b, ohm_of(element, car), closed=closed)


def _oneway(element: Element) -> OneWay | None:
    match element:
        case PullUp():
            return Leg(ohm=element.ohm, limit_a=PULL_UP_LIMIT_A)
        case GeneratorOutput():
            return Regulator(element.volt, element.ohm, element.limit_a)
        case CurrentSink():
            return Regulator(-element.least_v, SINK_OHM, element.limit_a)
        case ReferenceSupply():
            return Regulator(element.volt, limit_a=element.limit_a)
    return None


def charge_pct(car: Car) -> float:
    """State of charge of the battery in %."""
    changed = car.harness.battery_pct
    return car.built.battery.charge_pct if changed is None else changed


def source_values(source: Source, car: Car) -> tuple[float, float]:
    """Open-circuit voltage and internal resistance."""
    volt, ohm = battery_values(charge_pct(car), source.ohm)
    return volt * good_cells(source.id, car), ohm


def good_cells(battery: str, car: Car) -> float:
    """Share of a battery's six cells that still have a voltage: one of a weak battery is shorted inside."""
    return 5 / 6 if battery in car.harness.weak else 1.0


def battery_values(pct: float, internal_ohm: float) -> tuple[float, float]:
    """Open-circuit voltage in V and internal resistance in ohm by state of charge in %."""
    return rest_v(pct), max(MIN_OHM, internal_ohm / max(LEAST_CHARGE_SHARE, pct / 100))
