"""Which elements of a car conduct, by the state of its switches, and with what resistance."""

from __future__ import annotations

from dataclasses import dataclass

from sim.vehicle.car import Car
from sim.vehicle.elements import (
    TESTER,
    Coil,
    Contact,
    Draw,
    Driver,
    Element,
    FuseLink,
    GeneratorOutput,
    GeneratorSignal,
    HandSwitch,
    LoadPart,
    ReferenceSupply,
    RelayContact,
    Resistor,
    Wire,
)
from sim.wiring.fuse import fuse_cold_ohm
from sim.wiring.solver import MIN_OHM
from sim.wiring.wire import wire_ohm

DRAW_V = 12.6  # the voltage at which a module's stated current is meant: six full cells; common practice


@dataclass(frozen=True)
class SwitchState:
    """Everything that switches.

    running: modules that draw run current and hold their bus lines (the others: sleep current), with
        "TESTER" while a tester is connected to the DLC.
    driven: (module, output) of the high-side drivers that are on.
    operated: hand switches that are closed, by `operated_by`.
    pulled_in: relays whose contact is closed.
    generator: does it turn, and charge?
    dominant: transceivers that hold their lines dominant without end, stuck.
    charge_pct: the battery's charge where it is no longer what the car's condition says, else None.
    """

    running: frozenset[str] = frozenset()
    driven: frozenset[tuple[str, str]] = frozenset()
    operated: frozenset[str] = frozenset()
    pulled_in: frozenset[str] = frozenset()
    generator: bool = False
    dominant: frozenset[str] = frozenset()
    charge_pct: float | None = None


def is_switched(element: Element) -> bool:
    """Does the element's conduction follow the `SwitchState`?"""
    if isinstance(element, Contact):
        return element.connector == "DLC"
    switching = HandSwitch | Driver | RelayContact | Draw | ReferenceSupply
    return isinstance(element, switching | GeneratorOutput | GeneratorSignal)


def is_closed(element: Element, car: Car, state: SwitchState) -> bool:
    """Does the element conduct now: whole, and switched on where it is switched?"""
    if not car.is_whole(element):
        return False
    match element:
        case HandSwitch():
            return element.operated_by in state.operated
        case Driver():
            return (element.module, element.output) in state.driven
        case RelayContact():
            return element.relay in state.pulled_in
        case Contact():
            return element.connector != "DLC" or TESTER in state.running
        case GeneratorOutput():
            return state.generator
        case GeneratorSignal():
            return state.generator and car.is_whole(car.elements["GEN"])
        case ReferenceSupply():
            return element.module in state.running
        case Draw():
            return (element.run_a if element.module in state.running else element.sleep_a) > 0
    return True


def ohm_of(element: Element, car: Car) -> float:
    """Resistance in ohm of a whole element, with what corrosion has added."""
    added_ohm = car.harness.added_ohm.get(element.id, 0.0)
    return max(MIN_OHM, _built_ohm(element, car) + added_ohm)


def _built_ohm(element: Element, car: Car) -> float:
    match element:
        case Wire():
            return wire_ohm(element.length_m, element.area_mm2)
        case FuseLink():
            return fuse_cold_ohm(car.harness.fitted_a.get(element.id, element.rating_a))
        case Draw():
            return DRAW_V / element.run_a
        case Contact() | Coil() | RelayContact() | HandSwitch() | Driver() | Resistor() | LoadPart():
            return element.ohm
        case GeneratorSignal():
            return element.ohm
    raise TypeError(f"{element.id}: a {type(element).__name__} has no resistance in this model")
