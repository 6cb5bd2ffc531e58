"""Edits: faults, repairs and theories, all of one kind.

An edit is one sentence about one car, and `edit.apply(car)` is the car after it. Sentences::

    unplug ECM.C1                 plug ECM.C1             any connector, also X10, DLC, BAT.NEG
    pull F12                      fit F12                 a fuse or relay out, a right one in
    fit F12 20 A                  blow F12                a wrong rating; a fuse blown
    open ECM.C1.3                 mend ECM.C1.3           a pin, wire, ground point or splice leg interrupted
    corrode ECM.C1.3 0.5 ohm                              added resistance
    short ECM.C1.3 to BODY 0.1 ohm                        any two terminals; `unshort ECM.C1.3 to BODY`
    swap ECM.C1.4 with ECM.C1.5                           wires in each other's cavity; `unswap ... with ...`
    loosen X10                                            half seated: some pins do not meet; `plug X10` mends
    interrupt ECM.C1.3 every 20 s for 300 ms              open now and then, by chance; `mend ECM.C1.3`
    offset G2 1.5 V                                       a ground point above the body; `mend G2`
    terminate DLC.6 to DLC.14 120 ohm                     one terminator more; `unterminate DLC.6 to DLC.14`
    open GW:diag.terminator                               one less, also `open R1`; `mend` puts it back
    bypass GW diag to powertrain  unbypass GW             a lead in place of an unplugged gateway
    charge 30 %                                           the battery's state of charge
    stick TCM.powertrain                                  a transceiver's transmit input held dominant
    babble TCM.powertrain                                 a module that sends the highest priority without end
    set TCM.powertrain to 250 kbit/s                      a wrong bit rate, as after wrong software
    set TCM.backbone to classical CAN                     a part too old for CAN FD
    keep DDM awake                                        software that, once awake, never lets go again
    replace TCM                                           a right module in its place: ends these five
    replace map_sensor                                    the same with a sensor: ends a short inside it
    theory ECM waits for TRM                              start-up
    theory body runs through DDM                          the line goes through a module's connector
    theory F7 feeds TRM.B+                                the diagram is wrong about this fuse

`undo` of an edit is the edit that takes it back, or None where nothing can.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TypeVar, get_args

from sim.vehicle.car import Car
from sim.vehicle.description import Bitrate, Vehicle
from sim.vehicle.elements import Contact, Element, FuseLink, GeneratorOutput, RelayContact, Resistor, Wire
from sim.vehicle.harness import TERMINATOR_OHM, build
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.messages import line_items
from sim.vehicle.problems import EditProblem, Problem, did_you_mean, unknown

Value = TypeVar("Value")

BITRATES_BPS: tuple[int, ...] = get_args(Bitrate)
TIMES_S = {"ms": 0.001, "s": 1.0, "min": 60.0}
INTERRUPTION_S = (0.01, 3600.0)
LOOSE_SHARE = 0.4  # of the pins of a half seated connector; common practice
SHORT_OHM = 0.05  # a hard short: two strands touching; common practice
LEAD_M, LEAD_MM2 = 0.3, 0.75
# a network solved by numbers has no room for resistances far outside what a meter can tell apart
_LIMITS = {"ohm": (0.001, 10_000_000.0), "A": (0.5, 500.0), "%": (0.0, 100.0), "V": (-15.0, 15.0)}


@dataclass(frozen=True, slots=True)
class Edit:
    """One edit: its sentence in normal form, and whether it is about the design (a theory)."""

    text: str
    kind: str  # fault | repair | theory
    _change: Callable[[Car], Car]
    undo: str | None = None

    def apply(self, car: Car) -> Car:
        """The car after this edit; raises `EditProblem` where it cannot be done now."""
        return self._change(car)

    def __str__(self) -> str:
        return self.text


def parse_edit(text: str, car: Car) -> Edit:
    """The edit that a sentence means for this car; raises `EditProblem` with the nearest right name."""
    words = text.split()
    if not words:
        raise EditProblem("an empty edit")
    verb = words[0].lower()
    if verb not in _VERBS:
        raise EditProblem(f"no edit begins with '{words[0]}'{did_you_mean(verb, _VERBS)}")
    return _VERBS[verb](words[1:], car)


def apply_all(car: Car, edits: list[str] | tuple[str, ...]) -> Car:
    """The car after edit sentences in order, theories first: they change how the car is built."""
    for text in sorted(edits, key=lambda one: not one.lstrip().lower().startswith("theory")):
        car = parse_edit(text, car).apply(car)  # a fault may be at a pin that is there by a theory only
    return car


# -- connectors, fuses, relays -------------------------------------------------------------------------


def _unplug(words: list[str], car: Car) -> Edit:
    name = _connector(words, car, "unplug")

    def change(car: Car) -> Car:
        if name in car.harness.unplugged:
            raise EditProblem(f"{name} is unplugged already")
        return car.with_harness(
            unplugged=car.harness.unplugged | {name}, loosened=_less(car.harness.loosened, name)
        )

    return Edit(f"unplug {name}", "fault", change, f"plug {name}")


def _plug(words: list[str], car: Car) -> Edit:
    name = _connector(words, car, "plug")

    def change(car: Car) -> Car:
        if name in car.harness.loosened:
            return car.with_harness(loosened=_less(car.harness.loosened, name))
        if name not in car.harness.unplugged:
            raise EditProblem(f"{name} is plugged in already")
        owner = car.connectors[name].owner
        if any(lead.startswith(f"bypass {owner} ") for lead in car.harness.leads):
            raise EditProblem(f"a bypass lead sits in {name}; take it off first ('unbypass {owner}')")
        return car.with_harness(unplugged=car.harness.unplugged - {name})

    return Edit(f"plug {name}", "repair", change, f"unplug {name}")


def _loosen(words: list[str], car: Car) -> Edit:
    name = _connector(words, car, "loosen")
    pins = [pin.id for pin in car.connectors[name].pins]

    def change(car: Car) -> Car:
        if name in car.harness.unplugged or name in car.harness.loosened:
            raise EditProblem(f"{name} is not fully plugged in already")
        # which terminals do not reach is chance on a real connector; here always the same ones
        loose = random.Random(name).sample(pins, max(1, round(len(pins) * LOOSE_SHARE)))
        return car.with_harness(loosened={**car.harness.loosened, name: tuple(sorted(loose))})

    return Edit(f"loosen {name}", "fault", change, f"plug {name}")


def _less(known: Mapping[str, Value], name: str) -> dict[str, Value]:
    return {key: value for key, value in known.items() if key != name}


def _connector(words: list[str], car: Car, verb: str) -> str:
    name = _one(words, verb)
    if name in car.connectors:
        return name
    own = [plug.id for plug in car.connectors.values() if plug.owner == name]
    if len(own) == 1:
        return own[0]
    if own:
        raise EditProblem(f"{name} has more than one connector; say which: {', '.join(own)}")
    raise EditProblem(unknown("connector", name, [*car.connectors, *car.built.modules]))


def _pull(words: list[str], car: Car) -> Edit:
    name = _holder(words, car, "pull")

    def change(car: Car) -> Car:
        if name in car.harness.pulled:
            raise EditProblem(f"{name} is out already")
        return car.with_harness(pulled=car.harness.pulled | {name})

    return Edit(f"pull {name}", "fault", change, f"fit {name}")


def _fit(words: list[str], car: Car) -> Edit:
    name = _holder(words[:1], car, "fit")
    rating_a = _number(words[1:], "A", f"fit {name}") if words[1:] else None
    if rating_a is not None and name not in car.built.fuses:
        raise EditProblem(f"{name} is no fuse: it has no rating")

    def change(car: Car) -> Car:
        state = car.harness
        if rating_a is None and name not in state.pulled | state.blown and name not in state.fitted_a:
            raise EditProblem(f"{name} is in and whole already")
        fitted = {key: value for key, value in state.fitted_a.items() if key != name}
        if rating_a is not None:
            fitted[name] = rating_a
        return car.with_harness(pulled=state.pulled - {name}, blown=state.blown - {name}, fitted_a=fitted)

    if rating_a is None:
        return Edit(f"fit {name}", "repair", change, f"pull {name}")
    return Edit(f"fit {name} {rating_a:g} A", "fault", change, f"fit {name}")


def _blow(words: list[str], car: Car) -> Edit:
    name = _one(words, "blow")
    if name not in car.built.fuses:
        raise EditProblem(unknown("fuse", name, car.built.fuses))

    def change(car: Car) -> Car:
        if name in car.harness.blown:
            raise EditProblem(f"{name} is blown already")
        return car.with_harness(blown=car.harness.blown | {name})

    return Edit(f"blow {name}", "fault", change, f"fit {name}")


def _holder(words: list[str], car: Car, verb: str) -> str:
    name = _one(words, verb)
    known = [*car.built.fuses, *car.built.relays]
    if name not in known:
        raise EditProblem(unknown("fuse or relay", name, known))
    return name


# -- terminals and wires -------------------------------------------------------------------------------


def _open(words: list[str], car: Car) -> Edit:
    name = _conductor(words, car, "open")

    def change(car: Car) -> Car:
        if name in car.harness.opened:
            raise EditProblem(f"{name} is open already")
        return car.with_harness(opened=car.harness.opened | {name})

    return Edit(f"open {name}", "fault", change, f"mend {name}")


def _mend(words: list[str], car: Car) -> Edit:
    name = _conductor(words, car, "mend")

    def change(car: Car) -> Car:
        state = car.harness
        spoilt = (state.opened, state.added_ohm, state.offset_v, state.intermittent)
        if not any(name in known for known in spoilt):
            raise EditProblem(f"{name} is whole already")
        return car.with_harness(
            opened=state.opened - {name},
            added_ohm=_less(state.added_ohm, name),
            offset_v=_less(state.offset_v, name),
            intermittent=_less(state.intermittent, name),
            away=state.away - {name},
        )

    return Edit(f"mend {name}", "repair", change, None)


def _corrode(words: list[str], car: Car) -> Edit:
    name = _conductor(words[:1], car, "corrode")
    ohm = _number(words[1:], "ohm", f"corrode {name}")

    def change(car: Car) -> Car:
        return car.with_harness(added_ohm={**car.harness.added_ohm, name: ohm})

    return Edit(f"corrode {name} {ohm:g} ohm", "fault", change, f"mend {name}")


def _conductor(words: list[str], car: Car, verb: str) -> str:
    """A pin, wire or ground joint, by its id or a pin by its function (`ECM.GND`)."""
    name = _one(words, verb)
    element = car.elements.get(name)
    if isinstance(element, Contact | Wire | Resistor):
        return name
    if isinstance(element, GeneratorOutput) and verb in ("open", "mend"):
        return name  # a generator that gives nothing, and its repair
    module, _, function = name.partition(".")
    pin = car.pin_of(module, function)
    if pin:
        return pin.id
    known = [
        element.id
        for element in car.elements.values()
        if isinstance(element, Contact | Wire)
        or (isinstance(element, Resistor) and element.kind in ("joint", "terminator"))
    ]
    raise EditProblem(unknown("pin, wire or ground point", name, known))


def terminal_of(name: str, car: Car) -> str:
    """The terminal that a name means, also a pin by its function; raises `EditProblem`."""
    nodes = car.terminals
    if name in nodes:
        return name
    module, _, function = name.partition(".")
    pin = car.pin_of(module, function)
    if pin:
        return pin.id
    raise EditProblem(unknown("terminal", name, nodes))


def _join(verb: str, kind: str, usual_ohm: float, words: list[str], car: Car) -> Edit:
    """A resistance between two terminals."""
    a, b, rest = _two(words, verb, car)
    ohm = _number(rest, "ohm", verb) if rest else usual_ohm
    name = f"{verb} {a} to {b}"

    def change(car: Car) -> Car:
        part = Resistor(name, a, b, ohm, kind)
        return car.with_harness(leads={**car.harness.leads, name: (part,)})

    return Edit(f"{name} {ohm:g} ohm", "fault", change, f"un{name}")


def _part(verb: str, words: list[str], car: Car) -> Edit:
    """It is taken off again."""
    a, b, rest = _two(words, f"un{verb}", car)
    name = f"{verb} {a} to {b}"
    if rest:
        raise EditProblem(f"'{' '.join(rest)}' too many behind 'un{name}'")

    def change(car: Car) -> Car:
        if name not in car.harness.leads:
            raise EditProblem(f"there is no '{name}' to take off")
        return car.with_harness(leads=_less(car.harness.leads, name))

    return Edit(f"un{name}", "repair", change, None)


def _two(words: list[str], verb: str, car: Car) -> tuple[str, str, list[str]]:
    if len(words) < 3 or words[1] != "to":
        raise EditProblem(f"write '{verb} TERMINAL to TERMINAL'")
    a, b = terminal_of(words[0], car), terminal_of(words[2], car)
    if a == b:
        raise EditProblem(f"{a} cannot be joined to itself")
    return a, b, words[3:]


def _interrupt(words: list[str], car: Car) -> Edit:
    name = _conductor(words[:1], car, "interrupt")
    match = re.fullmatch(r"every([0-9.]+)(ms|s|min)for([0-9.]+)(ms|s|min)", "".join(words[1:]))
    try:
        between_s, open_s = (float(match[k]) * TIMES_S[match[k + 1]] for k in (1, 3)) if match else (0.0, 0.0)
    except ValueError:
        between_s = open_s = 0.0
    low_s, high_s = INTERRUPTION_S
    if not (low_s <= between_s <= high_s and low_s <= open_s <= high_s):
        raise EditProblem(
            f"write 'interrupt {name} every 20 s for 300 ms', each time {low_s * 1000:g} ms to 60 min"
        )

    def change(car: Car) -> Car:
        spoilt = {**car.harness.intermittent, name: (between_s, open_s)}
        return car.with_harness(intermittent=spoilt)

    text = f"interrupt {name} every {between_s:g} s for {open_s * 1000:g} ms"
    return Edit(text, "fault", change, f"mend {name}")


def _offset(words: list[str], car: Car) -> Edit:
    name = words[0] if words else ""
    if name not in car.built.grounds:
        raise EditProblem(unknown("ground point", name, car.built.grounds))
    volt = _number(words[1:], "V", f"offset {name}")

    def change(car: Car) -> Car:
        return car.with_harness(offset_v={**car.harness.offset_v, name: volt})

    return Edit(f"offset {name} {volt:g} V", "fault", change, f"mend {name}")


def _swap(words: list[str], car: Car) -> Edit:
    one, other = _two_pins(words, "swap", car)

    def change(car: Car) -> Car:
        moved = sorted({one, other} & car.harness.swapped.keys())
        if moved:
            raise EditProblem(f"another wire sits in {moved[0]} already")
        return car.with_harness(swapped={**car.harness.swapped, one: other, other: one})

    return Edit(f"swap {one} with {other}", "fault", change, f"unswap {one} with {other}")


def _unswap(words: list[str], car: Car) -> Edit:
    one, other = _two_pins(words, "unswap", car)

    def change(car: Car) -> Car:
        if car.harness.swapped.get(one) != other:
            raise EditProblem(f"{one} and {other} are not swapped")
        return car.with_harness(swapped=_less(_less(car.harness.swapped, one), other))

    return Edit(f"unswap {one} with {other}", "repair", change, f"swap {one} with {other}")


def _two_pins(words: list[str], verb: str, car: Car) -> tuple[str, str]:
    if len(words) != 3 or words[1] != "with":
        raise EditProblem(f"write '{verb} PIN with PIN'")
    one, other = (_pin(word, car) for word in (words[0], words[2]))
    if one == other or car.pins[one].connector != car.pins[other].connector:
        raise EditProblem(f"'{verb}' takes two pins of one connector (here: {one} and {other})")
    return one, other


def _pin(name: str, car: Car) -> str:
    module, _, function = name.partition(".")
    pin = car.pins.get(name) or car.pin_of(module, function)
    if pin is None:
        raise EditProblem(unknown("pin", name, car.pins))
    return pin.id


# -- bypass lead and battery ---------------------------------------------------------------------------


def _bypass(words: list[str], car: Car) -> Edit:
    if len(words) < 4 or words[2] != "to":
        raise EditProblem("write 'bypass GATEWAY BUS to BUS', for example 'bypass GW diag to powertrain'")
    module = words[0]
    buses = [bus for bus in [words[1], *words[3:]] if bus not in ("to", "and")]
    gateways = [name for name, spec in car.built.modules.items() if spec.gateway]
    if module not in gateways:
        raise EditProblem(unknown("gateway", module, gateways))
    own = car.messages.buses_of[module]
    for bus in buses:
        if bus not in own:
            raise EditProblem(f"{module} is not on a bus '{bus}'{did_you_mean(bus, own)}")
    if len(buses) < 2 or len(set(buses)) != len(buses):
        raise EditProblem("a bypass lead joins different buses")
    name = f"bypass {module} {buses[0]} to {' and '.join(buses[1:])}"

    def change(car: Car) -> Car:
        lead: list[Element] = []
        for leg in ("H", "L"):
            ends = [car.pin_of(module, f"{bus}.{leg}") for bus in buses]
            first = ends[0]
            for other in ends:
                if first is None or other is None or other.connector not in car.harness.unplugged:
                    raise EditProblem(f"unplug {module} first: the lead goes into its connector")
                if other is not first:
                    lead.append(Wire(f"{first.id}=={other.id}", first.id, other.id, LEAD_M, LEAD_MM2))
        return car.with_harness(leads={**car.harness.leads, name: tuple(lead)})

    return Edit(name, "fault", change, f"unbypass {module}")


def _unbypass(words: list[str], car: Car) -> Edit:
    module = _one(words, "unbypass")

    def change(car: Car) -> Car:
        fitted = [lead for lead in car.harness.leads if lead.startswith(f"bypass {module} ")]
        if not fitted:
            raise EditProblem(f"no bypass lead sits at {module}")
        kept = {key: value for key, value in car.harness.leads.items() if key not in fitted}
        return car.with_harness(leads=kept)

    return Edit(f"unbypass {module}", "repair", change, None)


def _charge(words: list[str], car: Car) -> Edit:
    pct = _number(words, "%", "charge")

    def change(car: Car) -> Car:
        usual = pct == car.built.battery.charge_pct
        return car.with_harness(battery_pct=None if usual else pct)

    kind = "fault" if pct < 60 else "repair"
    return Edit(f"charge {pct:g} %", kind, change, f"charge {car.built.battery.charge_pct:g} %")


# -- inside modules ------------------------------------------------------------------------------------


def _stick(words: list[str], car: Car) -> Edit:
    name = _channel(words, car, "stick")
    return _spoilt_inside("stick", name, lambda state: {"stuck": state.stuck | {name}})


def _babble(words: list[str], car: Car) -> Edit:
    name = _channel(words, car, "babble")
    return _spoilt_inside("babble", name, lambda state: {"babbling": state.babbling | {name}})


def _set(words: list[str], car: Car) -> Edit:
    classical = words[1:] == ["to", "classical", "CAN"]
    return _set_classical(words[:1], car) if classical else _set_rate(words, car)


def _set_classical(words: list[str], car: Car) -> Edit:
    name = _channel(words, car, "set")
    bus = car.transceivers[name].bus
    if car.built.buses[bus].fd is None:
        raise EditProblem(f"{bus} is classical CAN as it is")
    return _spoilt_inside(
        "set", name, lambda state: {"classical": state.classical | {name}}, " to classical CAN"
    )


def _set_rate(words: list[str], car: Car) -> Edit:
    match = re.fullmatch(r"to([0-9.]+)kbit/s", "".join(words[1:]))
    rates = {f"{rate_bps / 1000:g}": rate_bps for rate_bps in BITRATES_BPS}
    if not words or not match or match[1] not in rates:
        raise EditProblem(
            f"write 'set CHANNEL to {' or '.join(rates)} kbit/s', such as 'set TCM.powertrain to 250 kbit/s'"
        )
    name, rate_bps = _channel(words[:1], car, "set"), rates[match[1]]
    if rate_bps == car.built.buses[car.transceivers[name].bus].bitrate_bps:
        raise EditProblem(f"{match[1]} kbit/s is the rate that the bus of {name} has")
    rest = f" to {match[1]} kbit/s"
    return _spoilt_inside(
        "set", name, lambda state: {"bitrates_bps": {**state.bitrates_bps, name: rate_bps}}, rest
    )


def _spoilt_inside(
    verb: str, name: str, changes: Callable[[HarnessState], dict[str, object]], rest: str = ""
) -> Edit:
    text = f"{verb} {name}{rest}"

    def change(car: Car) -> Car:
        after = car.with_harness(**changes(car.harness))
        if after.harness == car.harness:
            raise EditProblem(f"'{text}' has been done already")
        return after

    return Edit(text, "fault", change, f"replace {name.partition('.')[0]}")


def _keep(words: list[str], car: Car) -> Edit:
    if len(words) != 2 or words[1] != "awake":
        raise EditProblem("write 'keep MODULE awake'")
    name = words[0]
    if name not in car.built.modules:
        raise EditProblem(unknown("module", name, car.built.modules))
    return _spoilt_inside("keep", name, lambda state: {"kept_awake": state.kept_awake | {name}}, " awake")


def _replace(words: list[str], car: Car) -> Edit:
    module = _one(words, "replace")
    if module in car.built.sensors:
        return _replace_sensor(module)
    if module not in car.built.modules:
        raise EditProblem(unknown("module", module, [*car.built.modules, *car.built.sensors]))

    def change(car: Car) -> Car:
        state, own = car.harness, {f"{module}.{bus}" for bus in car.messages.buses_of[module]}
        return car.with_harness(
            stuck=state.stuck - own,
            babbling=state.babbling - own,
            classical=state.classical - own,
            kept_awake=state.kept_awake - {module},
            bitrates_bps={name: rate for name, rate in state.bitrates_bps.items() if name not in own},
        )

    return Edit(f"replace {module}", "repair", change, None)


def _replace_sensor(name: str) -> Edit:
    """What is joined inside a sensor goes with it."""
    inside = f"{name}:"

    def change(car: Car) -> Car:
        leads = car.harness.leads.items()
        kept = {
            key: parts
            for key, parts in leads
            if not all(one.a.startswith(inside) and one.b.startswith(inside) for one in parts)
        }
        return car.with_harness(leads=kept)

    return Edit(f"replace {name}", "repair", change, None)


def _channel(words: list[str], car: Car, verb: str) -> str:
    """A module's connection to a bus, `TCM.powertrain`, or the module where it has only one."""
    name = _one(words, verb)
    own = [f"{name}.{bus}" for bus in car.messages.buses_of.get(name, ())]
    known = [id for id, one in car.transceivers.items() if one.module in car.built.modules]
    if name in known:
        return name
    if len(own) == 1:
        return own[0]
    if own:
        raise EditProblem(f"{name} is on more than one bus; say which: {', '.join(own)}")
    raise EditProblem(unknown("bus connection of a module", name, [*known, *car.built.modules]))


# -- theories: edits of the design ---------------------------------------------------------------------


def _theory(words: list[str], car: Car) -> Edit:
    text = " ".join(words)
    for pattern, make in _THEORIES:
        match = re.fullmatch(pattern, text)
        if match:
            return make(match[1], match[2], car)
    raise EditProblem(
        f"'theory {text}' is none of: 'theory ECM waits for TRM', 'theory body runs through DDM', "
        "'theory F7 feeds TRM.B+'"
    )


def _design_edit(text: str, redesign: Callable[[Vehicle], Vehicle]) -> Edit:
    def change(car: Car) -> Car:
        try:
            rebuilt = _rebuilt(redesign, text, car)
        except Problem as problem:
            raise EditProblem(f"'{text}' contradicts the car: {problem.what}") from None
        return rebuilt.with_harness(**_condition_fields(car))

    return Edit(text, "theory", change, None)


def _rebuilt(redesign: Callable[[Vehicle], Vehicle], text: str, car: Car) -> Car:
    return build(redesign(car.built), car.claimed)


def _condition_fields(car: Car) -> dict[str, object]:
    state = car.harness
    return {name: getattr(state, name) for name in state.__dataclass_fields__}


def _waits(waiter: str, other: str, car: Car) -> Edit:
    for name in (waiter, other):
        if name not in car.built.modules:
            raise EditProblem(unknown("module", name, car.built.modules))
    if waiter == other:
        raise EditProblem(f"{waiter} cannot wait for itself")

    def redesign(vehicle: Vehicle) -> Vehicle:
        module = vehicle.modules[waiter]
        waits = tuple(dict.fromkeys((*module.waits_for, other)))
        return _with(vehicle, "modules", waiter, module.model_copy(update={"waits_for": waits}))

    return _design_edit(f"theory {waiter} waits for {other}", redesign)


def _runs_through(bus: str, name: str, car: Car) -> Edit:
    if bus not in car.built.buses:
        raise EditProblem(unknown("bus", bus, car.built.buses))
    on_line = [item for item, _ in line_items(car.built.buses[bus].line) if item in car.built.modules]
    if name not in on_line:
        raise EditProblem(f"no module '{name}' on the line of {bus}{did_you_mean(name, on_line)}")

    def redesign(vehicle: Vehicle) -> Vehicle:
        spec = vehicle.buses[bus]
        line = tuple(
            f"{item} through{' terminated' if 'terminated' in word else ''}"
            if item == name
            else f"{item} {word}".strip()
            for item, word in line_items(spec.line)
        )
        return _with(vehicle, "buses", bus, spec.model_copy(update={"line": line}))

    return _design_edit(f"theory {bus} runs through {name}", redesign)


def _feeds(fuse: str, consumer: str, car: Car) -> Edit:
    if fuse not in car.built.fuses:
        raise EditProblem(unknown("fuse", fuse, car.built.fuses))
    wanted = _consumer_name(consumer)
    fed = [_consumer_name(item.split()[0]) for spec in car.built.fuses.values() for item in spec.feeds]
    if wanted not in fed:
        raise EditProblem(f"no fuse feeds '{consumer}'{did_you_mean(wanted, fed)}")

    def redesign(vehicle: Vehicle) -> Vehicle:
        moved = next(
            item
            for spec in vehicle.fuses.values()
            for item in spec.feeds
            if _consumer_name(item.split()[0]) == wanted
        )
        for name, spec in vehicle.fuses.items():
            kept = tuple(item for item in spec.feeds if item != moved)
            feeds = (*kept, moved) if name == fuse else kept
            vehicle = _with(vehicle, "fuses", name, spec.model_copy(update={"feeds": feeds}))
        return vehicle

    return _design_edit(f"theory {fuse} feeds {consumer}", redesign)


def _consumer_name(item: str) -> str:
    return item.removesuffix(".B+")


def _with(vehicle: Vehicle, kind: str, name: str, part: object) -> Vehicle:
    return vehicle.model_copy(update={kind: {**getattr(vehicle, kind), name: part}})


_THEORIES = (
    (r"(\S+) waits for (\S+)", _waits),
    (r"(\S+) runs through (\S+)", _runs_through),
    (r"(\S+) feeds (\S+)", _feeds),
)

_VERBS: dict[str, Callable[[list[str], Car], Edit]] = {
    "unplug": _unplug,
    "plug": _plug,
    "pull": _pull,
    "fit": _fit,
    "blow": _blow,
    "open": _open,
    "mend": _mend,
    "corrode": _corrode,
    "short": partial(_join, "short", "short", SHORT_OHM),
    "unshort": partial(_part, "short"),
    "loosen": _loosen,
    "swap": _swap,
    "unswap": _unswap,
    "interrupt": _interrupt,
    "offset": _offset,
    "terminate": partial(_join, "terminate", "terminator", TERMINATOR_OHM),
    "unterminate": partial(_part, "terminate"),
    "bypass": _bypass,
    "unbypass": _unbypass,
    "charge": _charge,
    "stick": _stick,
    "babble": _babble,
    "set": _set,
    "keep": _keep,
    "replace": _replace,
    "theory": _theory,
}

EDIT_VERBS = frozenset(_VERBS)


def _one(words: list[str], verb: str) -> str:
    if len(words) != 1:
        raise EditProblem(f"'{verb}' takes one name (here: '{' '.join(words)}')")
    return words[0]


def _number(words: list[str], unit: str, what: str) -> float:
    lowest, highest = _LIMITS[unit]
    text = "".join(words).removesuffix(unit)
    try:
        value = float(text)
    except ValueError:
        raise EditProblem(f"'{what}' needs a number in {unit} (here: '{' '.join(words)}')") from None
    if not lowest <= value <= highest:
        raise EditProblem(f"'{what}' takes {lowest:g} to {highest:g} {unit} (here: {text})")
    return value


# -- the catalogue -------------------------------------------------------------------------------------


def catalogue(car: Car) -> tuple[str, ...]:
    """Every single hardware fault that can be offered for this car, as sentences, in a fixed order."""
    return tuple(_single_faults(car))


def _single_faults(car: Car) -> list[str]:
    faults = [f"unplug {name}" for name, plug in car.connectors.items() if plug.kind != "dlc" and plug.pins]
    faults += [f"pull {element.id}" for element in car.elements.values() if isinstance(element, FuseLink)]
    faults += [f"pull {element.id}" for element in car.elements.values() if isinstance(element, RelayContact)]
    faults += [
        f"open {pin.id}" for plug in car.connectors.values() for pin in plug.pins if plug.kind != "battery"
    ]
    faults += [f"open {name}" for name in car.built.grounds]
    return faults
