"""What the words of an edit's sentence name, and the places of a harness at which faults are listed."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from sim.vehicle.car import Car
from sim.vehicle.elements import Contact, Draw, Element, GeneratorOutput, Pin, Resistor, Transceiver, Wire
from sim.vehicle.problems import EditProblem, unknown

UNKNOWN = "?"  # in the place of a figure that was not measured
PartKind = Literal["fuse", "relay", "connector", "ground", "pin"]

# a network solved by numbers has no room for resistances far outside what a meter can tell apart
LIMITS = {"ohm": (0.001, 10_000_000.0), "A": (0.5, 500.0), "%": (0.0, 100.0), "V": (-15.0, 15.0)}


# -- words of a sentence ------------------------------------------------------------------------------


def one_name(words: list[str], verb: str) -> str:
    """The only word after a verb; raises `EditProblem`."""
    if len(words) != 1:
        raise EditProblem(f"'{verb}' takes one name (here: '{' '.join(words)}')")
    return words[0]


Limits = tuple[float, float]


def number(words: list[str], unit: str, what: str, limits: Limits | None = None) -> float:
    """A number with its unit, joined or not, within these limits or `LIMITS`; raises `EditProblem`."""
    lowest, highest = limits or LIMITS[unit]
    text = "".join(words).removesuffix(unit)
    try:
        value = float(text)
    except ValueError:
        raise EditProblem(f"'{what}' needs a number in {unit} (here: '{' '.join(words)}')") from None
    if not lowest <= value <= highest:
        raise EditProblem(f"'{what}' takes {lowest:g} to {highest:g} {unit} (here: {text})")
    return value


@dataclass(frozen=True, slots=True)
class Figure:
    """The figure of a sentence: its value, and what was said, None for `?`."""

    value: float
    said: float | None

    def __str__(self) -> str:
        return UNKNOWN if self.said is None else f"{self.said:g}"


def figure(words: list[str], unit: str, what: str, usual: float, limits: Limits | None = None) -> Figure:
    """A number like `number`; `?` is one that was not measured, and has its usual value."""
    if "".join(words).removesuffix(unit) == UNKNOWN:
        return Figure(usual, None)
    value = number(words, unit, what, limits)
    return Figure(value, value)


def connector_named(words: list[str], car: Car, verb: str) -> str:
    """A connector by its id, or by its owner where that has only one."""
    name = one_name(words, verb)
    if name in car.connectors:
        return name
    own = [plug.id for plug in car.connectors.values() if plug.owner == name]
    if len(own) == 1:
        return own[0]
    if own:
        raise EditProblem(f"{name} has more than one connector; say which: {', '.join(own)}")
    raise EditProblem(unknown("connector", name, [*car.connectors, *car.built.modules]))


def conductor_named(words: list[str], car: Car, verb: str, also: Iterable[str] = ()) -> str:
    """A pin, wire or ground joint, by its id or a pin by its function (`ECM.GND`), or one of `also`."""
    name = one_name(words, verb)
    if isinstance(car.elements.get(name), Contact | Wire | Resistor) or name in also:
        return name
    pin = pin_by_function(name, car)
    if pin:
        return pin
    known = [element.id for element in car.elements.values() if _is_conductor(element)]
    raise EditProblem(unknown("pin, wire or ground point", name, known))


def _is_conductor(element: Element) -> bool:
    if isinstance(element, Resistor):
        return element.kind in ("joint", "terminator")
    return isinstance(element, Contact | Wire)


def generator_of(car: Car) -> Iterable[str]:
    """The generator, by its id, of a car that has one."""
    return (element.id for element in car.elements.values() if isinstance(element, GeneratorOutput))


def pin_named(name: str, car: Car) -> str:
    """A pin by its id or its function; raises `EditProblem`."""
    found = name if name in car.pins else pin_by_function(name, car)
    if found is None:
        raise EditProblem(unknown("pin", name, car.pins))
    return found


def pin_by_function(name: str, car: Car) -> str | None:
    """The id of the pin that `ECM.GND` means; None where there is no such pin."""
    pin = car.pins_by_function.get(name)
    return pin.id if pin else None


def terminal_of(name: str, car: Car) -> str:
    """The terminal that a name means, also a pin by its function; raises `EditProblem`."""
    nodes = car.terminals
    if name in nodes:
        return name
    pin = pin_by_function(name, car)
    if pin:
        return pin
    raise EditProblem(unknown("terminal", name, nodes))


def two_terminals(words: list[str], verb: str, car: Car) -> tuple[str, str, list[str]]:
    """Both terminals of `VERB TERMINAL to TERMINAL`, and the words after them."""
    if len(words) < 3 or words[1] != "to":
        raise EditProblem(f"write '{verb} TERMINAL to TERMINAL'")
    a, b = terminal_of(words[0], car), terminal_of(words[2], car)
    if a == b:
        raise EditProblem(f"{a} cannot be joined to itself")
    return a, b, words[3:]


def channel_named(words: list[str], car: Car, verb: str) -> Transceiver:
    """A module's connection to a bus, `TCM.powertrain`, or the module where it has only one."""
    name = one_name(words, verb)
    known = {id: one for id, one in car.transceivers.items() if one.module in car.built.modules}
    if name in known:
        return known[name]
    own = [one for one in known.values() if one.module == name]
    if len(own) == 1:
        return own[0]
    if own:
        raise EditProblem(f"{name} is on more than one bus; say which: {', '.join(one.id for one in own)}")
    raise EditProblem(unknown("bus connection of a module", name, [*known, *car.built.modules]))


def can_channel_named(words: list[str], car: Car, verb: str) -> Transceiver:
    """The same on a CAN bus only."""
    one = channel_named(words, car, verb)
    if one.phy:
        raise EditProblem(f"'{verb}' is for a CAN bus: {one.bus} is a 100BASE-T1 link")
    return one


def part_kind(name: str, car: Car) -> PartKind:
    """What kind of part a name means; everything of a wire counts as a pin."""
    named: dict[PartKind, Container[str]] = {
        "fuse": car.built.fuses,
        "relay": car.built.relays,
        "connector": car.connectors,
        "ground": car.built.grounds,
    }
    return next((kind for kind, names in named.items() if name in names), "pin")


# -- places of a harness -------------------------------------------------------------------------------


def supply_pins(car: Car) -> Iterator[Pin]:
    """Pins through which modules draw their current."""
    draws = [one for one in car.elements.values() if isinstance(one, Draw)]
    yield from (pin_at(one.a, car) for one in draws if one.module in car.built.modules)


def channels_of_modules(car: Car) -> list[Transceiver]:
    """The connections of modules to CAN buses and Ethernet links, without the tester's."""
    return [one for one in car.transceivers.values() if one.module in car.built.modules]


def can_channels_of_modules(car: Car) -> list[Transceiver]:
    """Those of them that are no PHYs of Ethernet links."""
    return [one for one in channels_of_modules(car) if one.phy is None]


def one_pair_of_each_bus(car: Car) -> Iterator[tuple[Pin, Pin]]:
    """The pins of both wires of the first module on each bus."""
    for bus in car.built.buses:
        yield legs_of(next(one for one in channels_of_modules(car) if one.bus == bus), car)


def legs_of(one: Transceiver, car: Car) -> tuple[Pin, Pin]:
    """The pins of CAN high and CAN low, or plus and minus of an Ethernet pair, of a channel."""
    return pin_at(one.h, car), pin_at(one.l, car)


def pin_at(inner: str, car: Car) -> Pin:
    """The pin with this node inside its module."""
    return next(pin for pin in car.pins.values() if pin.inner == inner)
