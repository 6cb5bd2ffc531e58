"""Visual inspection: what can be seen on a part or a place of the harness, and nothing else.

    read(bench, "look ECM.C1").finds        # ("unplugged",)
    read(bench, "look F12").display         # "in; 15 A printed on it, the list says 10 A; its wire is whole"

A connector shows its terminals only while it is off; a wire shows its break only where it is looked at, and
it lies under trim and tape, which take minutes to come off (`sim.bench.probing.access_s`); a
resistance below 0.05 ohm leaves nothing to see.

Not modeled: damp, broken strands inside an insulation, how clearly a thing is to be seen, smell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from sim.bench.fuses import fitted_a
from sim.bench.observations import Observation
from sim.bench.observing import Observed
from sim.bench.probing import TRIM_S
from sim.instruments.probed import Probed
from sim.instruments.result import Result, common
from sim.vehicle.car import Car
from sim.vehicle.elements import Connector, Element, Resistor, Wire

VISIBLE_OHM = 0.05  # deposits that one sees; common practice
CHAFED_OHM = 1000.0  # below this a short has left bare copper; common practice


class Sighting(NamedTuple):
    """One thing that is seen: is it a finding, its sentence, and the repair of it, as an action.

    Not modeled: the repair of what shows only one of its two ends.
    """

    found: bool
    words: str
    repair: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection(Result):
    """What was seen on one thing. finds: what is not as it should be; sees: everything.

    repairs: actions that put right what was found; what has to be off for others to be seen comes last.
    """

    part: str
    sees: tuple[str, ...]
    finds: tuple[str, ...]
    repairs: tuple[str, ...] = ()


def inspected(bench: Probed, observed: Observed) -> Inspection:
    """Return what the bench's last observation, an inspection, shows."""
    return inspection_of(observed.what, bench.car)


def inspection_of(what: Observation, car: Car) -> Inspection:
    """What can be seen of a car as its harness is now."""
    part = what.points[0]
    sights = list(_sights(part, car))
    repairs = [sight.repair for sight in sights if sight.repair]
    return Inspection(
        **common(what, car),
        notes=tuple(_access(what)),
        display="; ".join(sight.words for sight in sights),
        part=part,
        sees=tuple(sight.words for sight in sights),
        finds=tuple(sight.words for sight in sights if sight.found),
        repairs=tuple(sorted(dict.fromkeys(repairs), key=lambda text: text.startswith("plug "))),
    )


def _access(what: Observation) -> Iterator[str]:
    if what.access_s:
        off = "Trim and tape" if what.access_s == TRIM_S else "The tape"
        yield f"{off} had to come off for this: {what.access_s / 60:.0f} min."


def _sights(part: str, car: Car) -> Iterator[Sighting]:
    if part in car.connectors:
        yield from _connector(car.connectors[part], car)
    elif part in car.built.fuses:
        yield from _fuse(part, car)
    elif part in car.built.relays:
        yield _either(
            part in car.harness.pulled, "the holder is empty", "the relay is in its holder", f"fit {part}"
        )
    elif part in car.built.grounds:
        yield from _ground(part, car)
    elif part in car.built.modules:
        yield from _module(part, car)
    elif part in car.pins:
        yield from _pin_from_behind(part, car)
    elif isinstance(car.elements.get(part), Wire):
        yield from _wire(car.elements[part], car)
    else:
        yield from _place([part, f"{part}.1", f"{part}.2"], car)


def _either(bad: bool, bad_words: str, good_words: str, repair: str) -> Sighting:
    return Sighting(bad, bad_words if bad else good_words, repair if bad else "")


# -- connectors ----------------------------------------------------------------------------------------------


def _connector(plug: Connector, car: Car) -> Iterator[Sighting]:
    state = car.harness
    if plug.id in state.unplugged:
        yield Sighting(True, "unplugged", f"plug {plug.id}")
        yield from _open_face(plug, car)
        for lead in sorted(state.bypasses(plug.owner)):
            yield Sighting(True, f"a lead sits in it: {lead.removeprefix('bypass ')}")
    elif plug.kind == "battery":
        yield from _clamp(plug, car)
    elif plug.id in state.loosened:
        yield Sighting(True, "half seated: the lock has not closed", f"plug {plug.id}")
    elif plug.kind == "dlc":
        yield Sighting(False, f"an open socket with {len(plug.pins)} terminals")
        yield from _open_face(plug, car)
    else:
        yield Sighting(False, "plugged in, lock closed; its terminals cannot be seen")


def _clamp(plug: Connector, car: Car) -> Iterator[Sighting]:
    """A battery clamp that is on."""
    state = car.harness
    if plug.id in state.loosened:
        yield Sighting(True, "the clamp turns by hand", f"plug {plug.id}")
    bad = [pin.id for pin in plug.pins if state.added_ohm.get(pin.id, 0.0) >= VISIBLE_OHM]
    yield from (Sighting(True, "the clamp and its post are corroded", f"repair {pin}") for pin in bad)
    if not bad and plug.id not in state.loosened:
        yield Sighting(False, "the clamp is clean, on and tight")


def _open_face(plug: Connector, car: Car) -> Iterator[Sighting]:
    """Terminals of a connector that is off."""
    state = car.harness
    bad: list[Sighting] = []
    for pin in plug.pins:
        if pin.id in state.opened:
            bad.append(Sighting(True, f"terminal {pin.cavity} is pushed back", f"repair {pin.id}"))
        elif state.added_ohm.get(pin.id, 0.0) >= VISIBLE_OHM:
            bad.append(Sighting(True, f"terminal {pin.cavity} is corroded", f"repair {pin.id}"))
        elif pin.id in state.intermittent:
            bad.append(Sighting(True, f"terminal {pin.cavity} has poor terminal tension", f"repair {pin.id}"))
        if pin.id in state.swapped:
            bad.append(
                Sighting(True, f"the wire in cavity {pin.cavity} is not the color the pin table gives")
            )
    # an in-line connector's terminals have a wire on either side
    near = {node: pin.cavity for pin in plug.pins for node in (pin.id, pin.inner, f"{pin.id}a")}
    for element in _added(car, "short"):
        if element.a in near and element.b in near:
            words = f"terminals {near[element.a]} and {near[element.b]} are bridged"
            bad.append(Sighting(True, words, f"remove short {element.a} to {element.b}"))
    yield from bad
    if not bad:
        yield Sighting(False, "terminals clean and in place")


def _pin_from_behind(id: str, car: Car) -> Iterator[Sighting]:
    """The wire of one cavity where it enters the connector, with the tape off."""
    pin = car.pins[id]
    plug = car.connectors[pin.connector]
    if id in car.harness.swapped:
        yield Sighting(True, f"the wire in cavity {pin.cavity} is not the color the pin table gives")
    yield from _place([car.elements[id].a, *([car.elements[id].b] if plug.kind == "inline" else [])], car)


# -- fuses, grounds, modules ---------------------------------------------------------------------------------


def _fuse(name: str, car: Car) -> Iterator[Sighting]:
    state = car.harness
    if name in state.pulled:
        yield Sighting(True, "the holder is empty", f"fit {name}")
        return
    printed_a = fitted_a(name, car)
    listed_a = (car.claimed.fuses.get(name) or car.built.fuses[name]).rating_a
    yield _either(
        printed_a != listed_a,
        f"in; {printed_a:g} A printed on it, the list says {listed_a:g} A",
        f"in; {printed_a:g} A printed on it, as the list says",
        f"fit {name}",
    )
    yield _either(name in state.blown, "its wire is melted through", "its wire is whole", f"fit {name}")


def _ground(name: str, car: Car) -> Iterator[Sighting]:
    state = car.harness
    if name in state.opened:
        yield Sighting(True, "the ring terminal is off its stud", f"repair {name}")
    elif state.added_ohm.get(name, 0.0) >= VISIBLE_OHM or name in state.offset_v:
        yield Sighting(True, "the joint is corroded", f"repair {name}")
    else:
        yield Sighting(False, "tight and bright")
    yield from (sight for sight in _place([name], car) if sight.found)


def _module(name: str, car: Car) -> Iterator[Sighting]:
    plugs = [plug for plug in car.connectors.values() if plug.owner == name]
    for plug in plugs:
        off, loose = plug.id in car.harness.unplugged, plug.id in car.harness.loosened
        words = "unplugged" if off else "half seated" if loose else "plugged in"
        yield Sighting(off or loose, f"{plug.id} {words}", f"plug {plug.id}" if off or loose else "")


# -- places of the harness -----------------------------------------------------------------------------------


def _wire(wire: Element, car: Car) -> Iterator[Sighting]:
    state = car.harness
    if wire.id in state.opened:
        yield Sighting(True, "the wire is broken", f"repair {wire.id}")
    elif state.added_ohm.get(wire.id, 0.0) >= VISIBLE_OHM:
        yield Sighting(True, "the wire is corroded under its insulation", f"repair {wire.id}")
    else:
        yield Sighting(False, "the wire is whole along its length")


def _place(nodes: list[str], car: Car) -> Iterator[Sighting]:
    """What lies bare at a place, with the tape off: shorts, parts put in, and broken ends of its wires."""
    state = car.harness
    found: list[Sighting] = []
    for short in _added(car, "short"):
        if (short.a in nodes or short.b in nodes) and short.ohm < CHAFED_OHM:
            other = short.b if short.a in nodes else short.a
            words = f"bare copper touches {_spoken(other, car)}"
            found.append(Sighting(True, words, f"remove short {short.a} to {short.b}"))
    for resistor in _added(car, "terminator"):
        if resistor.a in nodes or resistor.b in nodes:
            found.append(Sighting(True, "a resistor has been added here"))
    for element in car.elements.values():
        touches = element.a in nodes or element.b in nodes
        if touches and isinstance(element, Wire) and element.id in state.opened:
            found.append(Sighting(True, f"the wire {element.id} is broken", f"repair {element.id}"))
    yield from found
    if not found:
        yield Sighting(False, "nothing found")


def _added(car: Car, kind: str) -> Iterable[Resistor]:
    resistors = (part for part in car.harness.joined_parts() if isinstance(part, Resistor))
    return (part for part in resistors if part.kind == kind)


def _spoken(node: str, car: Car) -> str:
    return {"BODY": "the body", "BAR": "the distribution rail"}.get(node, node)
