"""The parts of a car that a person can name as the place of a fault, by sort, and what goes with each.

All of it follows from the wiring diagram: every part of a sort is offered alike, whatever is wrong with it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import combinations
from typing import Literal

from sim.vehicle.car import Car
from sim.vehicle.description_high_voltage import CONTACTORS
from sim.vehicle.description_high_voltage import RAILS as RAILS_OF_PACK
from sim.vehicle.elements import OTHER_LEGS, Contact, GeneratorOutput, Pin, Resistor, Wire
from sim.vehicle.high_voltage_parts import PRECHARGE_RESISTOR
from sim.vehicle.high_voltage_parts import TITLES as HIGH_VOLTAGE_TITLES
from sim.vehicle.wire_names import splice_words, wire_words

PartSort = Literal[
    "module", "fuse", "relay", "connector", "pin", "terminal", "wire", "ground", "terminator", "sensor",
    "switch", "load", "bus", "battery", "clamp", "generator", "contactor", "precharge", "rail",
    "signal sensor",
]  # fmt: skip
Named = dict[str, str]  # names as sentences write them, each with its words
BATTERY = "BAT"
RAILS = frozenset({"BODY", "BAT+", "BAT-", "BAR"})
FUNCTIONS = {
    "B+": "supply", "GND": "ground", "IGN": "ignition supply", "H": "CAN high", "L": "CAN low",
    "P": "Ethernet plus", "N": "Ethernet minus",
}  # fmt: skip


def parts_of(car: Car) -> Named:
    """Every part that can be named, once, with what it is: modules first, wires last."""
    found: Named = {}
    for sort in PARTS:
        for name, words in PARTS[sort](car).items():
            found.setdefault(name, words)
    return found


def sorts_of(name: str, car: Car) -> tuple[PartSort, ...]:
    """What a name is: a sensor is a connector as well; empty for what is no part of the car."""
    return tuple(sort for sort, listed in PARTS.items() if name in listed(car))


def function_words(function: str) -> str:
    """What a pin carries: `CAN high of powertrain` for `powertrain.H`."""
    owner, _, end = function.rpartition(".")
    words = FUNCTIONS.get(end, end.replace("_", " "))
    return f"{words} of {owner}" if owner else words


# -- by sort ---------------------------------------------------------------------------------------------


def _modules(car: Car) -> Named:
    return {name: one.title or "module" for name, one in car.claimed.modules.items()}


def _fuses(car: Car) -> Named:
    fuses = car.claimed.fuses.items()
    return {name: f"fuse {one.rating_a:g} A, {one.title or one.location}" for name, one in fuses}


def _relays(car: Car) -> Named:
    return {name: f"relay, {one.title or one.location}" for name, one in car.claimed.relays.items()}


def _connectors(car: Car) -> Named:
    words = {
        "module": "connector of {owner}",
        "sensor": "sensor connector",
        "part": "connector of a load or sensor",
        "dlc": "diagnostic connector",
        "orange": "orange connector",
    }
    return {
        plug.id: words.get(plug.kind, "in-line connector").format(owner=plug.owner)
        for plug in car.connectors.values()
        if plug.kind != "battery" and plug.pins
    }


def _pins(car: Car) -> Named:
    clamps = _clamps(car)
    return {name: function_words(pin.function) for name, pin in car.pins.items() if name not in clamps}


def _terminals(car: Car) -> Named:
    """Every end of a wire in the harness; those inside modules and sensors are not within reach."""
    wires = [one for one in car.elements.values() if isinstance(one, Wire | Contact)]
    ends = sorted({end for one in wires for end in (one.a, one.b) if ":" not in end} - RAILS)
    clamps, grounds = _clamps(car), car.claimed.grounds
    return {end: _end_words(end, car) for end in ends if end not in clamps and end not in grounds}


def _end_words(end: str, car: Car) -> str:
    if end in car.pins:
        return function_words(car.pins[end].function)
    if end[:-1] in car.pins:
        side = "first" if end.endswith("a") else "second"
        return f"{function_words(car.pins[end[:-1]].function)}, {side} side of the in-line connector"
    return splice_words(end, car) if end.startswith("SP.") else "wire end"


def _wires(car: Car) -> Named:
    wires = [one for one in car.elements.values() if isinstance(one, Wire)]
    return {one.id: wire_words(one, car) for one in wires}


def _grounds(car: Car) -> Named:
    grounds = car.claimed.grounds.items()
    return {name: f"ground point, {one.location or one.title}".rstrip(", ") for name, one in grounds}


def _terminators(car: Car) -> Named:
    parts = [one for one in car.elements.values() if isinstance(one, Resistor) and one.kind == "terminator"]
    return {one.id: _terminator_words(one.id) for one in parts}


def _terminator_words(name: str) -> str:
    module, _, rest = name.partition(":")
    return f"terminator of {rest.partition('.')[0]} inside {module}" if rest else "terminator in the harness"


def _sensors(car: Car) -> Named:
    return {name: one.title or "sensor" for name, one in car.claimed.sensors.items()}


def signal_sensors(car: Car) -> Named:
    """Sensors that give a signal besides their level."""
    wheels = {name: one.title for name, one in car.claimed.watched.items() if one.is_wheel_speed}
    return wheels | {name: one.title for name, one in car.claimed.sensors.items() if one.sent_code}


def _switches(car: Car) -> Named:
    return {name: one.title or "switch" for name, one in car.claimed.switches.items()}


def _loads(car: Car) -> Named:
    return {name: one.title or one.kind for name, one in car.claimed.loads.items()}


def _buses(car: Car) -> Named:
    kinds = {False: "CAN bus", True: "Ethernet link"}
    return {name: one.title or kinds[one.is_ethernet] for name, one in car.claimed.buses.items()}


def _battery(car: Car) -> Named:
    if car.built.battery.in_series == 1:
        return {BATTERY: "battery"}
    places = ("at the ground cable", "at the positive cable")
    return {name: f"battery {place}" for name, place in zip(car.built.battery.names, places, strict=True)}


def _clamps(car: Car) -> Named:
    clamps = (plug.id for plug in car.connectors.values() if plug.kind == "battery")
    return {name: f"battery clamp, {'negative' if 'NEG' in name else 'positive'}" for name in clamps}


def _generator(car: Car) -> Named:
    words = "DC/DC converter" if car.claimed.high_voltage else "generator"
    return {one.id: words for one in car.elements.values() if isinstance(one, GeneratorOutput)}


def _in_pack(*names: str) -> Callable[[Car], Named]:
    """Parts of the high-voltage system inside the pack."""
    return lambda car: {name: HIGH_VOLTAGE_TITLES[name] for name in names if car.claimed.high_voltage}


PARTS: Mapping[PartSort, Callable[[Car], Named]] = {
    "module": _modules, "fuse": _fuses, "relay": _relays, "connector": _connectors, "sensor": _sensors,
    "signal sensor": signal_sensors,
    "switch": _switches, "load": _loads, "bus": _buses, "ground": _grounds, "battery": _battery,
    "clamp": _clamps, "generator": _generator, "contactor": _in_pack(*CONTACTORS),
    "precharge": _in_pack(PRECHARGE_RESISTOR), "rail": _in_pack(*RAILS_OF_PACK),
    "terminator": _terminators, "pin": _pins,
    "terminal": _terminals, "wire": _wires,
}  # fmt: skip


# -- what else is named with a part ----------------------------------------------------------------------


def connectors_of(car: Car, module: str) -> Named:
    """A module's own connectors."""
    return {plug.id: "" for plug in car.connectors.values() if plug.owner == module and plug.pins}


def channels_of(car: Car, module: str) -> Named:
    """A module's connections to CAN buses and Ethernet links, by the name of the channel."""
    return {name: one.bus for name, one in car.transceivers.items() if one.module == module}


def can_channels_of(car: Car, module: str) -> Named:
    """Those to CAN buses."""
    found = channels_of(car, module).items()
    return {name: bus for name, bus in found if not car.claimed.buses[bus].is_ethernet}


def other_straps_of(car: Car, module: str) -> Named:
    """`HUB.spine as slave` for each Ethernet link of a module, with the role that it should not have."""
    found = channels_of(car, module).items()
    links = {name: car.claimed.buses[bus] for name, bus in found if car.claimed.buses[bus].is_ethernet}
    return {
        f"{name} as {'slave' if link.phy_master == module else 'master'}": "" for name, link in links.items()
    }


def bus_pairs_of(car: Car, module: str) -> Named:
    """`A to B` for every two buses that a gateway joins; none for other modules."""
    buses = car.messages.buses_of[module] if car.claimed.modules[module].gateway else ()
    buses = tuple(bus for bus in buses if not car.claimed.buses[bus].is_ethernet)
    return {f"{one} to {other}": "" for one, other in combinations(buses, 2)}


def fd_channels_of(car: Car, module: str) -> Named:
    """A module's connections to buses with CAN FD."""
    return {name: bus for name, bus in channels_of(car, module).items() if car.claimed.buses[bus].fd}


def other_modules(car: Car, module: str) -> Named:
    """All modules but this one."""
    return {name: words for name, words in _modules(car).items() if name != module}


def buses_past(car: Car, module: str) -> Named:
    """The buses whose line goes to a module."""
    lines = {name: [stop.name for stop in bus.stops] for name, bus in car.claimed.buses.items()}
    return {name: "" for name, line in lines.items() if module in line}


def other_terminals(car: Car, terminal: str) -> Named:
    """All other terminals of the harness, those of the same connector first."""
    plug = terminal.rpartition(".")[0]
    near_first = sorted(_terminals(car).items(), key=lambda item: item[0].rpartition(".")[0] != plug)
    return {name: words for name, words in near_first if name != terminal}


def other_pins(car: Car, pin: str) -> Named:
    """The other pins of the same connector."""
    pins = car.connectors[car.pins[pin].connector].pins
    return {one.id: function_words(one.function) for one in pins if one.id != pin}


def _pairs(car: Car) -> Iterator[tuple[Pin, Pin, str]]:
    """The two pins of every bus pair in one connector, and its bus."""
    at = {(pin.connector, pin.function): pin for pin in car.pins.values()}
    for (plug, function), high in at.items():
        low = at.get((plug, f"{function[:-1]}{OTHER_LEGS.get(function[-1:], '')}"))
        if low and function.rpartition(".")[2] in OTHER_LEGS and high.id in car.terminals:
            yield high, low, function.rpartition(".")[0]


def pairs_of(car: Car, connector: str) -> Named:
    """The bus pairs in a connector, `A to B` as sentences write them."""
    pairs = [one for one in _pairs(car) if one[0].connector == connector]
    return {f"{high.id} to {low.id}": bus for high, low, bus in pairs}


def places_on(car: Car, bus: str) -> Named:
    """Where the pair of a bus can be named: at each connector of a module and at the diagnostic one."""
    return {f"{high.id} to {low.id}": f"at {high.connector}" for high, low, of in _pairs(car) if of == bus}


def other_fuses_for(car: Car, consumer: str) -> Named:
    """`F7 feeds TRAILER` for every fuse that does not feed a part by the diagram."""
    fed = [end.consumer for fuse in car.claimed.fuses.values() for end in fuse.ends]
    own = [name for name in dict.fromkeys(fed) if consumer in (name, name.partition(".")[0])]
    return {
        f"{fuse} feeds {name}": f"{fuse} instead" if len(own) == 1 else f"{fuse} instead, to {name}"
        for name in own
        for fuse, spec in car.claimed.fuses.items()
        if name not in {end.consumer for end in spec.ends}
    }


def other_consumers_for(car: Car, fuse: str) -> Named:
    """Everything that other fuses feed by the diagram."""
    own = {end.consumer for end in car.claimed.fuses[fuse].ends}
    fed = [end.consumer for spec in car.claimed.fuses.values() for end in spec.ends]
    return {name: "" for name in dict.fromkeys(fed) if name not in own}
