"""Edits of what is taken off or out by hand: connectors, fuses, relays; and a bypass lead at a connector."""

from __future__ import annotations

import random
from collections.abc import Iterator

from sim.vehicle.answer_parts import bus_pairs_of, connectors_of
from sim.vehicle.car import Car
from sim.vehicle.edit import Answer, Edit, EditKind, Offer, fields_repaired_by, noted, without
from sim.vehicle.edit_words import connector_named, figure, one_name
from sim.vehicle.elements import Element, FuseLink, RelayContact, Wire
from sim.vehicle.harness_state import Lead
from sim.vehicle.problems import EditProblem, did_you_mean, unknown

LOOSE_SHARE = 0.4  # of the pins of a half seated connector; common practice
LEAD_M, LEAD_MM2 = 0.3, 0.75


# -- connectors ----------------------------------------------------------------------------------------


def _unplug(words: list[str], car: Car) -> Edit:
    name = connector_named(words, car, "unplug")

    def change(car: Car) -> Car:
        if name in car.harness.unplugged:
            raise EditProblem(f"{name} is unplugged already")
        seated = car.with_harness(**without(car.harness, ("loosened",), {name}))
        return seated.with_harness(unplugged=car.harness.unplugged | {name})

    return Edit(f"unplug {name}", "unplug", "fault", change, f"plug {name}", (name,))


def _plug(words: list[str], car: Car) -> Edit:
    name = connector_named(words, car, "plug")

    def change(car: Car) -> Car:
        if name in car.harness.loosened:
            return car.with_harness(**without(car.harness, ("loosened",), {name}))
        if name not in car.harness.unplugged:
            raise EditProblem(f"{name} is plugged in already")
        owner = car.connectors[name].owner
        if car.harness.is_bypassed(owner):
            raise EditProblem(f"a bypass lead sits in {name}; take it off first ('unbypass {owner}')")
        return car.with_harness(unplugged=car.harness.unplugged - {name})

    return Edit(f"plug {name}", "plug", "repair", change, f"unplug {name}", (name,))


def _loosen(words: list[str], car: Car) -> Edit:
    name = connector_named(words, car, "loosen")
    pins = [pin.id for pin in car.connectors[name].pins]

    def change(car: Car) -> Car:
        if name in car.harness.unplugged or name in car.harness.loosened:
            raise EditProblem(f"{name} is not fully plugged in already")
        # which terminals do not reach is chance on a real connector; here always the same ones
        loose = random.Random(name).sample(pins, max(1, round(len(pins) * LOOSE_SHARE)))
        return car.with_harness(loosened={**car.harness.loosened, name: tuple(sorted(loose))})

    return Edit(f"loosen {name}", "loosen", "fault", change, f"plug {name}", (name,))


def _every_connector(car: Car) -> Iterator[str]:
    yield from (f"unplug {name}" for name, plug in car.connectors.items() if plug.kind != "dlc" and plug.pins)


def _every_half_seated_connector(car: Car) -> Iterator[str]:
    plugs = (plug for plug in car.connectors.values() if plug.kind not in ("dlc", "battery"))
    yield from (f"loosen {plug.id}" for plug in plugs if len(plug.pins) > 1)


# -- fuses and relays ----------------------------------------------------------------------------------


def _pull(words: list[str], car: Car) -> Edit:
    name = _holder(words, car, "pull")
    change = noted("pulled", name, refused=f"{name} is out already")
    return Edit(f"pull {name}", "pull", "fault", change, f"fit {name}", (name,))


def _fit(words: list[str], car: Car) -> Edit:
    name = _holder(words[:1], car, "fit")
    if words[1:] and name not in car.built.fuses:
        raise EditProblem(f"{name} is no fuse: it has no rating")
    rating = figure(words[1:], "A", f"fit {name}", 2 * car.built.fuses[name].rating_a) if words[1:] else None

    def change(car: Car) -> Car:
        state, fields = car.harness, fields_repaired_by("fit")
        if rating is None and not any(name in getattr(state, field) for field in fields):
            raise EditProblem(f"{name} is in and whole already")
        right = car.with_harness(**without(state, fields, {name}))
        return right if rating is None else noted("fitted_a", name, rating.value)(right)

    if rating is None:
        return Edit(f"fit {name}", "fit", "repair", change, f"pull {name}", (name,))
    return Edit(f"fit {name} {rating} A", "fit", "fault", change, f"fit {name}", (name,), rating.said)


def _blow(words: list[str], car: Car) -> Edit:
    name = one_name(words, "blow")
    if name not in car.built.fuses:
        raise EditProblem(unknown("fuse", name, car.built.fuses))
    change = noted("blown", name, refused=f"{name} is blown already")
    return Edit(f"blow {name}", "blow", "fault", change, f"fit {name}", (name,))


def _holder(words: list[str], car: Car, verb: str) -> str:
    name = one_name(words, verb)
    known = [*car.built.fuses, *car.built.relays]
    if name not in known:
        raise EditProblem(unknown("fuse or relay", name, known))
    return name


def _every_fuse_and_relay(car: Car) -> Iterator[str]:
    for part in (FuseLink, RelayContact):
        yield from (f"pull {element.id}" for element in car.elements.values() if isinstance(element, part))


def _every_blown_fuse(car: Car) -> Iterator[str]:
    yield from (f"blow {fuse}" for fuse in car.built.fuses)


# -- bypass lead ---------------------------------------------------------------------------------------


def _bypass(words: list[str], car: Car) -> Edit:
    if len(words) < 4 or words[2] != "to":
        raise EditProblem(
            "write 'bypass GATEWAY BUS to BUS', for example 'bypass GATEWAY diag to powertrain'"
        )
    module = words[0]
    buses = [bus for bus in [words[1], *words[3:]] if bus not in ("to", "and")]
    gateways = [name for name, spec in car.built.modules.items() if spec.gateway]
    if module not in gateways:
        raise EditProblem(unknown("gateway", module, gateways))
    own = car.messages.buses_of[module]
    for bus in buses:
        if bus not in own:
            raise EditProblem(f"{module} is not on a bus '{bus}'{did_you_mean(bus, own)}")
        if car.built.buses[bus].is_ethernet:
            raise EditProblem(f"a bypass lead joins CAN buses: {bus} is a 100BASE-T1 link")
    if len(buses) < 2 or len(set(buses)) != len(buses):
        raise EditProblem("a bypass lead joins different buses")
    name = f"bypass {module} {buses[0]} to {' and '.join(buses[1:])}"

    def change(car: Car) -> Car:
        lead = Lead("bypass", (module, *buses), _wires_between(module, buses, car))
        return car.with_harness(leads={**car.harness.leads, name: lead})

    return Edit(name, "bypass", "fault", change, f"unbypass {module}", (module, *buses))


def _wires_between(module: str, buses: list[str], car: Car) -> tuple[Element, ...]:
    lead: list[Element] = []
    for leg in ("H", "L"):
        ends = [car.pin_of(module, f"{bus}.{leg}") for bus in buses]
        first = ends[0]
        for other in ends:
            if first is None or other is None or other.connector not in car.harness.unplugged:
                raise EditProblem(f"unplug {module} first: the lead goes into its connector")
            if other is not first:
                lead.append(Wire(f"{first.id}=={other.id}", first.id, other.id, LEAD_M, LEAD_MM2))
    return tuple(lead)


def _unbypass(words: list[str], car: Car) -> Edit:
    module = one_name(words, "unbypass")

    def change(car: Car) -> Car:
        if not car.harness.is_bypassed(module):
            raise EditProblem(f"no bypass lead sits at {module}")
        return car.with_harness(**without(car.harness, ("leads",), car.harness.bypasses(module)))

    return Edit(f"unbypass {module}", "unbypass", "repair", change, None, (module,))


KINDS = (
    EditKind(
        "unplug",
        "fault",
        _unplug,
        {"unplugged": "{part} unplugged"},
        "plug",
        tool="unplug",
        hands_on=True,
        takes_part_away=True,
        catalogue=_every_connector,
        answers=(
            Answer("connector", "unplugged", "unplug {part}"),
            Answer(
                "module",
                "connector unplugged",
                "unplug {other}",
                "which connector",
                connectors_of,
                "connector {other} unplugged",
            ),
            Answer("clamp", "off", "unplug {part}"),
        ),
        offers=(Offer("connector", "Unplug", "unplug {part}"),),
    ),
    EditKind("plug", "repair", _plug, tool="unplug"),
    EditKind(
        "pull",
        "fault",
        _pull,
        {"pulled": "{part} is missing"},
        "fit",
        tool="fuses",
        hands_on=True,
        takes_part_away=True,
        catalogue=_every_fuse_and_relay,
        answers=(Answer("fuse", "missing", "pull {part}"), Answer("relay", "missing", "pull {part}")),
        offers=(Offer("fuse", "Pull", "pull {part}"), Offer("relay", "Pull", "pull {part}")),
    ),
    EditKind(
        "fit",
        "repair",
        _fit,
        {"fitted_a": "{part} with a {now:g} A fuse"},
        "fit",
        tool="fuses",
        answers=(Answer("fuse", "wrong rating", "fit {part} ? A"),),
    ),
    EditKind(
        "blow",
        "fault",
        _blow,
        {"blown": "{part} blown"},
        "fit",
        takes_part_away=True,
        answers=(Answer("fuse", "blown", "blow {part}"),),
        candidates={"blown fuses": _every_blown_fuse},
        offers=(Offer("fuse", "Blow", "blow {part}"),),
    ),
    EditKind(
        "loosen",
        "fault",
        _loosen,
        {"loosened": "{part} half seated"},
        "plug",
        answers=(
            Answer("connector", "not fully seated", "loosen {part}"),
            Answer(
                "module",
                "connector not fully seated",
                "loosen {other}",
                "which connector",
                connectors_of,
                "connector {other} not fully seated",
            ),
        ),
        candidates={"half seated connectors": _every_half_seated_connector},
        offers=(Offer("connector", "Half seat it", "loosen {part}"),),
    ),
)

BYPASSES = (
    EditKind(
        "bypass",
        "fault",
        _bypass,
        {"leads": "{part}"},
        "unbypass",
        "unbypass {module}",
        tool="bypass",
        hands_on=True,
        answers=(
            Answer(
                "module",
                "a bypass lead is left in its connector",
                "bypass {part} {other}",
                "which buses",
                bus_pairs_of,
                "a bypass lead is left between {other}",
            ),
        ),
    ),
    EditKind("unbypass", "repair", _unbypass, tool="bypass"),
)
