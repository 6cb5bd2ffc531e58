"""What a module tells a tester of itself besides its identity: the live data that its description declares.

Every pin that it watches, every wired input, sense line, output, and every signal that it sends or works with
has a data identifier. The numbers lie in the range that ISO 14229-1 leaves to the vehicle's maker and are our
own: 0400 + n in this order. A technician has the list from the service information.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from sim.vehicle.car import Car
from sim.vehicle.description import Engine
from sim.vehicle.description_high_voltage import LOOP_OUT
from sim.vehicle.ethernet import BEST_QUALITY
from sim.vehicle.high_voltage_parts import inlet_of
from sim.vehicle.messages import conditions_of

FIRST_LIVE_DID: Final = 0x0400
LiveKind = Literal[
    "pin",
    "input",
    "line",
    "output",
    "signal",
    "coolant",
    "high voltage",
    "charging",
    "link",
    "role",
    "quality",
    "wheel",
    "frames",
    "duty",
    "start-stop",
    "allowed",
]
# what a battery module measures: title and unit
HIGH_VOLTAGE_DATA: Final = {
    "pack_v": ("pack voltage", "V"),
    "bus_v": ("bus voltage", "V"),
    "positive_v": ("HV+ against the body", "V"),
    "negative_v": ("HV- against the body", "V"),
    "insulation_kohm": ("insulation", "kohm"),
}
# what a charging module sees of a cable (IEC 61851-1)
CHARGING_DATA: Final = {"pilot_state": ("control pilot", ""), "cable_a": ("rating of the cable", "A")}
LINK_DATA: Final[tuple[LiveKind, ...]] = ("link", "role", "quality")  # what a PHY tells
# what start-stop does or waits for, before the conditions that can keep the engine running
START_STOP_WORDS: Final = (
    "nothing", "engine off", "engine stopped", "restarts the engine", "waits for a standstill",
    "has not driven since the last stop",
)  # fmt: skip
WARM: Final = "engine_warm"  # the condition of start-stop that every such engine has
_UNITS: Final = {"_kph": "km/h", "_rpm": "rpm", "_pct": "%"}


@dataclass(frozen=True, slots=True)
class LiveDatum:
    """One of a module's live data: its identifier, what it is, and how it is told.

    name: the pin's function, the input, output or signal. unit: of a number, empty for words. words: what the
    bytes of start-stop mean.
    """

    number: int
    kind: LiveKind
    name: str
    title: str
    unit: str = ""
    words: tuple[str, ...] = ()


def live_data_of(car: Car, module: str) -> tuple[LiveDatum, ...]:
    """All live data of one module, in the order of their identifiers."""
    found = enumerate(dict.fromkeys(_named(car, module)), start=FIRST_LIVE_DID)
    told = start_stop_words(car) if car.built.engine else ()
    return tuple(
        LiveDatum(number, kind, name, *_words(kind, name), told if kind == "start-stop" else ())
        for number, (kind, name) in found
    )


def allowed_words(name: str) -> str:
    """How a condition that start-stop misses is told."""
    return f"not met: {name.replace('_', ' ')}"


def start_stop_words(car: Car) -> tuple[str, ...]:
    """What the engine's module can tell of start-stop, by number; empty without one."""
    spec = car.built.engine and car.built.engine.start_stop
    return (*START_STOP_WORDS, *map(allowed_words, (WARM, *spec.allowed))) if spec else ()


def sense_lines(car: Car, module: str) -> frozenset[str]:
    """Pins that sense whether a supply is on: neither watched as a voltage nor the end of a load."""
    ends = {f"{module}:{pin.function}.sense": pin.function for pin in car.pins_of(module)}
    watched = {check.pin for check in car.built.modules[module].checks}
    loads = {load.end.pin for load in car.built.loads.values() if load.end.part == module and load.end.pin}
    return (
        frozenset(function for element, function in ends.items() if element in car.elements) - watched - loads
    )


def _named(car: Car, module: str) -> Iterator[tuple[LiveKind, str]]:
    spec, engine = car.built.modules[module], car.built.engine
    watched = [check.pin for check in spec.checks if not check.pin.startswith("B+")]
    watched += [check.agrees_with for check in spec.checks if check.agrees_with]
    watched += [pin for pin, one in spec.references.items() if one.code]
    yield from (("pin", pin) for pin in watched)
    if engine and engine.controller == module:
        yield "coolant", "coolant_temperature"
        yield from _start_stop_data(engine)
    if car.built.high_voltage and car.built.high_voltage.controller == module:
        yield from (("high voltage", name) for name in HIGH_VOLTAGE_DATA)
        yield "pin", LOOP_OUT
    if inlet_of(car.built, module):
        yield from (("charging", name) for name in CHARGING_DATA)
    own = (one for one in car.built.watched.values() if one.module == module and one.is_wheel_speed)
    yield from (("wheel", one.part) for one in own)
    sensors = car.built.sensors.items()
    yield from (("frames", name) for name, one in sensors if one.sent_code and one.ends[1].part == module)
    yield from (("duty", pin) for pin in spec.pulsed)
    yield from (("input", name) for name in spec.inputs)
    lines = sense_lines(car, module)
    yield from (("line", pin.function) for pin in car.pins_of(module) if pin.function in lines)
    yield from (("output", name) for name in spec.outputs)
    links = [bus for bus in car.messages.buses_of[module] if car.built.buses[bus].is_ethernet]
    yield from ((kind, bus) for bus in links for kind in LINK_DATA)
    yield from (("signal", name) for name in spec.signals)
    used = [name for signal in spec.signals.values() for name in signal.uses]
    asked = [name for _, condition in conditions_of(car.built, module) for name in condition.signals()]
    yield from (("signal", name) for name in (*used, *asked))


def _start_stop_data(engine: Engine) -> Iterator[tuple[LiveKind, str]]:
    if engine.start_stop:
        yield from (("start-stop", name) for name in ("start-stop", "last kept running by"))
        yield from (("allowed", name) for name in (WARM, *engine.start_stop.allowed))


def _words(kind: LiveKind, name: str) -> tuple[str, str]:
    """Title and unit."""
    if kind == "pin":
        return f"voltage at pin {name}", "V"
    if kind == "frames":
        return name.replace("_", " "), "kg/h"
    if kind == "duty":
        return f"duty cycle {name.replace('_', ' ')}", "%"
    if kind == "wheel":
        return name.replace("_", " "), "km/h"
    if kind == "start-stop":
        return name, ""
    if kind == "allowed":
        return f"start-stop needs: {name.replace('_', ' ')}", ""
    if kind == "coolant":
        return "coolant temperature", "°C"
    if kind == "link":
        return f"link {name}", ""
    if kind == "role":
        return f"own PHY on {name}", ""
    if kind == "quality":
        return f"signal quality of {name} (0 to {BEST_QUALITY})", ""
    if kind in ("high voltage", "charging"):
        return (HIGH_VOLTAGE_DATA | CHARGING_DATA)[name]
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    plain = name
    for end in _UNITS:
        plain = plain.removesuffix(end)
    title = plain.replace("_", " ")
    return (title if kind == "signal" else f"{kind} {title}"), unit
