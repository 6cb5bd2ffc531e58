"""Which elements of a car conduct, by the state of its switches, and with what resistance; copper wires."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from sim.vehicle.car import Car
from sim.vehicle.elements import (
    CHARGE_CABLE,
    TESTER,
    Bias,
    CableCode,
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
    PilotDiode,
    PilotSource,
    ReferenceSupply,
    RelayContact,
    Resistor,
    ShortingBar,
    UnitMotor,
    Wire,
)
from sim.wiring.errors import CircuitError, require_positive
from sim.wiring.fuse import fuse_cold_ohm
from sim.wiring.solver import MIN_OHM

# Largest resistance at 20 degC, mohm/m, of bare-copper road-vehicle cable by cross-section in mm2:
# ISO 6722-1 / ISO 19642, from memory; each is 0.95..0.96 of what two published tables give for IEC 60228
# class 5.
CABLE_MOHM_PER_M = {
    0.13: 136.0,
    0.22: 84.8,
    0.35: 54.4,
    0.5: 37.1,
    0.75: 24.7,
    1.0: 18.5,
    1.5: 12.7,
    2.5: 7.60,
    4.0: 4.71,
    6.0: 3.14,
    10.0: 1.82,
    16.0: 1.16,
    25.0: 0.743,
    35.0: 0.527,
    50.0: 0.368,
}

# Annealed copper at 20 degC (the international standard, IEC 60028), from memory; it reproduces a published
# 10.15 ohm per 1000 ft for AWG 20.
COPPER_OHM_MM2_PER_M = 0.017241

DRAW_V = 12.6  # the voltage at which a module's stated current is meant: six full cells; common practice


def draw_v(car: Car) -> float:
    """That voltage with all batteries in series."""
    return DRAW_V * car.built.battery.in_series


@lru_cache(maxsize=4096)
def wire_ohm(length_m: float, area_mm2: float) -> float:
    """Resistance in ohm of a copper conductor at 20 degC.

    A cross-section of CABLE_MOHM_PER_M has its table value, any other that of solid annealed copper.
    Raises CircuitError for a length below 0 or an area not above 0.

    Not modeled: temperature, tinned or aluminium conductors, broken strands (give those a resistance of
    their own).
    """
    if not (math.isfinite(length_m) and length_m >= 0):
        raise CircuitError(f"wire: length_m is {length_m!r}; it must be a finite number from 0")
    require_positive("wire", area_mm2=area_mm2)
    return length_m * (CABLE_MOHM_PER_M.get(area_mm2, COPPER_OHM_MM2_PER_M * 1000 / area_mm2) / 1000)


@dataclass(frozen=True)
class SwitchState:
    """Everything that switches.

    running: modules that draw run current and hold their bus lines (the others: sleep current), with
        "TESTER" while a tester is connected to the DLC.
    driven: (module, output) of the high-side drivers that are on.
    operated: hand switches that are moved, by `operated_by`.
    pulled_in: relays whose contact is closed.
    generator: does it turn, or the DC/DC converter work, and charge?
    dominant: transceivers that hold their lines dominant without end, stuck.
    speeds_pct: the motors of commanded units that turn, each with its share of full speed in %.
    charge_pct: the battery's charge where it is no longer what the car's condition says, else None.
    """

    running: frozenset[str] = frozenset()
    driven: frozenset[tuple[str, str]] = frozenset()
    operated: frozenset[str] = frozenset()
    pulled_in: frozenset[str] = frozenset()
    generator: bool = False
    dominant: frozenset[str] = frozenset()
    charge_pct: float | None = None
    speeds_pct: frozenset[tuple[str, int]] = frozenset()


def is_switched(element: Element) -> bool:
    """Does the element's conduction follow the `SwitchState`?"""
    if isinstance(element, Contact):
        return element.connector == "DLC"
    switching = HandSwitch | Driver | RelayContact | Draw | UnitMotor | ReferenceSupply | Bias
    charging = GeneratorOutput | GeneratorSignal | PilotSource | PilotDiode | CableCode
    return isinstance(element, switching | charging)


def is_closed(element: Element, car: Car, state: SwitchState) -> bool:
    """Does the element conduct now: whole, and switched on where it is switched?"""
    if not car.is_whole(element):
        return False
    match element:
        case HandSwitch():
            return (element.operated_by in state.operated) != element.rests_closed
        case Driver():
            return (element.module, element.output) in state.driven
        case RelayContact():
            return element.relay in state.pulled_in
        case Contact():
            return element.connector != "DLC" or TESTER in state.running
        case GeneratorOutput():
            return state.generator
        case PilotSource() | PilotDiode() | CableCode():
            return CHARGE_CABLE in state.operated
        case GeneratorSignal():
            return state.generator and car.is_whole(car.elements["GEN"])
        case ReferenceSupply() | Bias():
            return element.module in state.running
        case UnitMotor():
            return any(unit == element.unit for unit, _ in state.speeds_pct)
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
            return draw_v(car) / element.run_a
        case UnitMotor():
            return draw_v(car) / element.full_a
        case Contact() | Coil() | RelayContact() | HandSwitch() | Driver() | Resistor() | LoadPart():
            return element.ohm
        case GeneratorSignal() | Bias() | ShortingBar() | CableCode():
            return element.ohm
    raise TypeError(f"{element.id}: a {type(element).__name__} has no resistance in this model")
