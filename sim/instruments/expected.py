"""What a meter should show at a place of the car, with the state it must be in and the source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sim.instruments.claim import Claim
from sim.instruments.paths import sensor_ends
from sim.vehicle.checks import supply_functions
from sim.vehicle.description_software import Reference
from sim.vehicle.elements import OTHER_LEGS, TESTER, Draw, Pin
from sim.vehicle.ethernet import COMMON_MODE_OHM
from sim.vehicle.problems import EditProblem, unknown

LIN_REST = "recessive: the pull-ups hold the wire at the supply (LIN 2.x, from memory)"
AWAKE, ASLEEP, OFF = "ignition on, bus awake", "asleep", "battery disconnected, everything plugged in"
CRANKING = "just after cranking"
RUNNING = "engine running"
READY = "vehicle ready"
UNPLUGGED = "battery disconnected, part alone"

TRADE = "general guides of the trade: 0.1 V per ground, 0.2 V per wire, 0.3 V per switch"
SHEETS = "transceiver data sheets (recessive 2..3 V, dominant 2.75..4.5 and 0.5..2.25 V)"
IDLE = "transceiver data sheets (bias inactive -0.1..0.1 V)"
TERMINATED = "ISO 11898-2: 120 Ω nominal each; 100..130 Ω from memory"
COUPLED = "capacitors keep direct voltage from the pair of 100BASE-T1 (from memory)"
BOTH_PHYS = "1 kΩ from each wire to the middle in each PHY; one PHY alone shows 2 kΩ (from memory)"
CRANK = "9.6 V for each 12 V battery at least at about room temperature; common practice"
CHARGING = "13.5 to 14.7 V at each 12 V battery, little lost in its cables; common practice"
COIL = "relay data sheets, ±10 %"
STATED = "stated for this car, ±10 %"
SOCKET = "SAE J1962: pin 16 battery, pins 4 and 5 ground; limits are common practice"
FUSE = "makers' fuse data, from memory: 85..130 mV at rated current"
BATTERY = "shop table: rested, 50 to 100 % charged"
REFERENCE = "trade articles: 4.75 to 5.25 V"
SENSOR = "usual signals are 0.5 to 4.5 V (from memory)"
DRAW = "trade article: below 50 mA asleep"


@dataclass(frozen=True, slots=True)
class ExpectedReading:
    """What a meter should show. action: the sentence that measures it; when: the state the car must be in.

    low, high: in unit (V, Ω, A). source: where the figure comes from, and its provenance.
    """

    action: str
    low: float
    high: float
    unit: str
    when: str
    source: str


def expected_readings(claim: Claim, at: str) -> tuple[ExpectedReading, ...]:
    """What a meter should show at a pin, fuse, relay, load or at the battery (`BAT`)."""
    if at == "BAT":
        n = claim.batteries
        return (
            ExpectedReading("measure volts BAT+ to BAT-", 12.2 * n, 12.8 * n, "V", ASLEEP, BATTERY),
            ExpectedReading("measure clamp amps BAT.NEG", 0.0, 0.05, "A", ASLEEP, DRAW),
            *_expected_of_each(claim),
            *_expected_charging(claim),
        )
    if at in claim.vehicle.fuses:
        return (ExpectedReading(f"measure volts {at}.1 to {at}.2", -0.15, 0.15, "V", AWAKE, FUSE),)
    if at in claim.vehicle.relays:
        return (_resistance(f"{at}.86 to {at}.85", claim.vehicle.relays[at].coil_ohm, COIL),)
    if at in claim.vehicle.loads:
        return (_resistance(f"{at}.1 to {at}.2", claim.vehicle.loads[at].ohm, STATED),)
    if at in claim.car.pins:
        return tuple(_expected_at(claim, claim.car.pins[at]))
    raise EditProblem(unknown("place with an expected value", at, [*claim.car.pins, *claim.vehicle.fuses]))


def _resistance(points: str, ohm: float, source: str) -> ExpectedReading:
    return ExpectedReading(f"measure ohms {points}", 0.9 * ohm, 1.1 * ohm, "Ω", UNPLUGGED, source)


def _expected_at(claim: Claim, pin: Pin) -> Iterator[ExpectedReading]:
    plug = claim.car.connectors[pin.connector]
    leg, n = pin.function.rpartition(".")[2].rstrip("2"), claim.batteries
    if leg in ("H", "L") and plug.kind in ("module", "dlc"):
        yield from _expected_on_bus(claim, pin, leg)
    elif leg in ("P", "N") and plug.kind == "module":
        yield from _expected_on_link(claim, pin, leg)
    elif leg == "LIN" and plug.kind == "module":
        yield ExpectedReading(f"measure volts {pin.id} to BODY", 11.5, 13.0, "V", ASLEEP, LIN_REST)
    elif plug.kind == "dlc" and pin.function == "B+":
        yield ExpectedReading(f"measure volts {pin.id} to DLC.4", 11.5 * n, 15.0 * n, "V", ASLEEP, SOCKET)
    elif plug.kind == "dlc":
        yield ExpectedReading(f"measure volts {pin.id} to BAT-", -0.1, 0.3, "V", AWAKE, SOCKET)
    elif (reference := _reference_at(claim, pin)) is not None:
        action = f"measure volts {pin.id} to {_sensor_ground(claim, pin)}"
        yield ExpectedReading(action, reference.low_v, reference.high_v, "V", AWAKE, REFERENCE)
    elif _is_signal(claim, pin):
        action = f"measure volts {pin.id} to {_sensor_ground(claim, pin)}"
        yield ExpectedReading(action, 0.5, 4.5, "V", AWAKE, SENSOR)
    elif plug.kind == "module" and pin.function.startswith("GND"):
        yield ExpectedReading(f"measure volts {pin.id} to BAT-", -0.1, 0.3, "V", AWAKE, TRADE)
    elif plug.kind == "module" and _is_supply(claim, plug.owner, pin.function):
        yield ExpectedReading(f"measure volts {pin.id} to BODY", 11.5 * n, 15.0 * n, "V", AWAKE, TRADE)
        yield ExpectedReading(f"measure volts BAT+ to {pin.id}", -0.1, 0.6, "V", AWAKE, TRADE)


def _reference_at(claim: Claim, pin: Pin) -> Reference | None:
    """The reference that a module's or sensor's pin carries."""
    plug = claim.car.connectors[pin.connector]
    here = (plug.owner, pin.function)
    if plug.kind == "sensor":
        ends = dict(zip((one.id for one in plug.pins), sensor_ends(claim, plug.id), strict=True))
        supply = claim.car.pins[ends[pin.id]]
        here = (claim.car.connectors[supply.connector].owner, supply.function)
    module, function = here
    return claim.vehicle.modules[module].references.get(function) if module else None


def _is_signal(claim: Claim, pin: Pin) -> bool:
    plug = claim.car.connectors[pin.connector]
    if plug.kind == "sensor":
        return pin.function.startswith("signal")
    ends = [track.ends[1].target for sensor in claim.vehicle.sensors.values() for track in sensor.tracks]
    return plug.kind == "module" and f"{plug.owner}.{pin.function}" in ends


def _sensor_ground(claim: Claim, pin: Pin) -> str:
    """The ground pin that belongs to a reference or signal, at the same connector."""
    plug = claim.car.connectors[pin.connector]
    if plug.kind == "sensor":
        return f"{plug.id}.{3 if int(pin.cavity) <= 3 else 6}"
    here = f"{plug.owner}.{pin.function}"
    for track in (one for sensor in claim.vehicle.sensors.values() for one in sensor.tracks):
        supply, signal, ground = track.ends
        if here in (supply.target, signal.target):
            found = claim.car.pin_of(ground.part, ground.pin)
            return found.id if found else "BODY"
    return "BODY"


def _is_supply(claim: Claim, module: str, function: str) -> bool:
    fed = [e.id for e in claim.car.elements.values() if isinstance(e, Draw) and e.module == module]
    return f"{module}:{function}.draw" in fed and function in supply_functions([function])


def _expected_on_bus(claim: Claim, pin: Pin, leg: str) -> Iterator[ExpectedReading]:
    low_v, high_v = (2.4, 3.1) if leg == "H" else (1.9, 2.6)
    ground = "DLC.4" if pin.connector == "DLC" else "BODY"
    measure = f"measure volts {pin.id} to {ground}"
    yield ExpectedReading(measure, low_v, high_v, "V", AWAKE, SHEETS)
    yield ExpectedReading(measure, -0.1, 0.1, "V", ASLEEP, IDLE)
    bus = pin.function.rpartition(".")[0] or claim.car.transceivers[TESTER].bus
    ends = sum(stop.is_terminated or stop.is_resistor for stop in claim.vehicle.buses[bus].stops)
    other = _other_leg(claim, pin)
    if leg == "H" and other and ends:
        low_ohm, high_ohm = 100 / ends, 130 / ends
        action = f"measure ohms {pin.id} to {other}"
        yield ExpectedReading(action, low_ohm, high_ohm, "Ω", OFF, f"{TERMINATED}, {ends} in parallel")


def _expected_on_link(claim: Claim, pin: Pin, leg: str) -> Iterator[ExpectedReading]:
    """At an Ethernet pair: no direct voltage, and the common-mode terminations of both PHYs in parallel."""
    yield ExpectedReading(f"measure volts {pin.id} to BODY", -0.1, 0.1, "V", AWAKE, COUPLED)
    other = _other_leg(claim, pin)
    if leg == "P" and other:
        action = f"measure ohms {pin.id} to {other}"
        yield ExpectedReading(action, 0.9 * COMMON_MODE_OHM, 1.1 * COMMON_MODE_OHM, "Ω", OFF, BOTH_PHYS)


def _other_leg(claim: Claim, pin: Pin) -> str:
    """The pin of the second wire of a pair beside that of the first; nothing where there is none."""
    prefix, dot, leg = pin.function.rpartition(".")
    function = f"{prefix}{dot}{OTHER_LEGS.get(leg, leg)}"
    pins = claim.car.connectors[pin.connector].pins
    return next((other.id for other in pins if other.function == function), "")


def _expected_of_each(claim: Claim) -> Iterator[ExpectedReading]:
    """Each of two batteries in series, at rest and while both are charged."""
    for a, b in (("BAT.LINK", "BAT-"), ("BAT+", "BAT2.LINK")) if claim.batteries > 1 else ():
        yield ExpectedReading(f"measure volts {a} to {b}", 12.2, 12.8, "V", ASLEEP, BATTERY)
        yield ExpectedReading(f"measure volts {a} to {b}", 13.5, 14.7, "V", RUNNING, CHARGING)


def _expected_charging(claim: Claim) -> Iterator[ExpectedReading]:
    if claim.vehicle.high_voltage:
        yield ExpectedReading("measure volts BAT+ to BAT-", 13.5, 14.7, "V", READY, CHARGING)
        yield ExpectedReading("measure volts CONVERTER.1 to BAT+", -0.1, 0.3, "V", READY, CHARGING)
    n = claim.batteries
    if claim.vehicle.engine:
        yield ExpectedReading("measure volts BAT+ to BAT-", 13.5 * n, 14.7 * n, "V", RUNNING, CHARGING)
        yield ExpectedReading("measure minimum volts BAT+ to BAT-", 9.6 * n, 12.0 * n, "V", CRANKING, CRANK)
        yield ExpectedReading("measure volts GEN.1 to BAT+", -0.1, 0.3, "V", RUNNING, CHARGING)
        yield ExpectedReading("measure volts BAT- to GEN.2", -0.1, 0.2, "V", RUNNING, CHARGING)
