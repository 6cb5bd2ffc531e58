"""Edits of what is inside a module, a sensor, the generator or the battery."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import get_args

from sim.vehicle.answer_parts import can_channels_of, fd_channels_of, other_straps_of, signal_sensors
from sim.vehicle.car import Car
from sim.vehicle.description_base import Bitrate
from sim.vehicle.edit import (
    Answer,
    Change,
    Edit,
    EditKind,
    EditSort,
    Offer,
    fields_repaired_by,
    noted,
    without,
)
from sim.vehicle.edit_words import (
    UNKNOWN,
    Limits,
    can_channel_named,
    can_channels_of_modules,
    channel_named,
    channels_of_modules,
    figure,
    generator_of,
    one_name,
)
from sim.vehicle.edits_set_up import SET_UP_FIELDS, as_new
from sim.vehicle.elements import Transceiver
from sim.vehicle.ethernet import PhyRole
from sim.vehicle.problems import EditProblem, unknown

PHY_ROLES: tuple[str, ...] = get_args(PhyRole)
BITRATES_BPS: tuple[int, ...] = get_args(Bitrate)
CHARGED_PCT = 60.0  # from here on `charge` is a repair; our own choice
FLAT_PCT = 5.0
# a regulator with a shorted output stage drives the field fully, one with a worn brush hardly;
# the voltages are common practice
OVERCHARGE_V, UNDERCHARGE_V = 17.0, 12.2
OTHER_BPS = {250_000: 500_000}  # what a module of another car would be set to; all other buses: 250 kbit/s


def _charge(words: list[str], car: Car) -> Edit:
    charge, usual_pct = figure(words, "%", "charge", FLAT_PCT), car.built.battery.charge_pct
    pct = charge.value

    def change(car: Car) -> Car:
        return car.with_harness(battery_pct=None if pct == car.built.battery.charge_pct else pct)

    sort: EditSort = "fault" if pct < CHARGED_PCT else "repair"
    return Edit(f"charge {charge} %", "charge", sort, change, f"charge {usual_pct:g} %", (), charge.said)


def _flat_battery(car: Car) -> Iterator[str]:
    yield f"charge {FLAT_PCT:g} %"


# -- faults of modules ---------------------------------------------------------------------------------


def _stick(words: list[str], car: Car) -> Edit:
    one = can_channel_named(words, car, "stick")
    return _fault_inside("stick", one.id, one.module, noted("stuck", one.id))


def _babble(words: list[str], car: Car) -> Edit:
    one = can_channel_named(words, car, "babble")
    return _fault_inside("babble", one.id, one.module, noted("babbling", one.id))


def _set(words: list[str], car: Car) -> Edit:
    classical = words[1:] == ["to", "classical", "CAN"]
    return _set_classical(words[:1], car) if classical else _set_rate(words, car)


def _set_classical(words: list[str], car: Car) -> Edit:
    one = can_channel_named(words, car, "set")
    if car.built.buses[one.bus].fd is None:
        raise EditProblem(f"{one.bus} is classical CAN as it is")
    return _fault_inside("set", one.id, one.module, noted("classical", one.id), " to classical CAN")


def _set_rate(words: list[str], car: Car) -> Edit:
    match = re.fullmatch(r"to([0-9.]+|\?)kbit/s", "".join(words[1:]))
    rates = {f"{rate_bps / 1000:g}": rate_bps for rate_bps in BITRATES_BPS}
    if not words or not match or match[1] not in (*rates, UNKNOWN):
        raise EditProblem(
            f"write 'set CHANNEL to {' or '.join(rates)} kbit/s', such as 'set TCM.powertrain to 250 kbit/s'"
        )
    one = can_channel_named(words[:1], car, "set")
    rate_bps = rates.get(match[1], _other_rate_bps(one, car))
    if rate_bps == car.built.buses[one.bus].bitrate_bps:
        raise EditProblem(f"{match[1]} kbit/s is the rate that the bus of {one.id} has")
    noting = noted("bitrates_bps", one.id, rate_bps)
    said_kbps = None if match[1] == UNKNOWN else float(match[1])
    return _fault_inside("set", one.id, one.module, noting, f" to {match[1]} kbit/s", said_kbps)


def _other_rate_bps(one: Transceiver, car: Car) -> int:
    return OTHER_BPS.get(car.built.buses[one.bus].bitrate_bps, 250_000)


def _keep(words: list[str], car: Car) -> Edit:
    if len(words) != 2 or words[1] != "awake":
        raise EditProblem("write 'keep MODULE awake'")
    name = words[0]
    if name not in car.built.modules:
        raise EditProblem(unknown("module", name, car.built.modules))
    return _fault_inside("keep", name, name, noted("kept_awake", name), " awake")


def _strap(words: list[str], car: Car) -> Edit:
    if len(words) != 3 or words[1] != "as" or words[2] not in PHY_ROLES:
        raise EditProblem("write 'strap CHANNEL as master' or 'as slave', such as 'strap HUB.spine as slave'")
    one = channel_named(words[:1], car, "strap")
    if one.phy is None:
        raise EditProblem(f"{one.id} is on CAN: only the PHY of a 100BASE-T1 link is master or slave")
    spec = car.built.buses[one.bus]
    role = words[2]
    if (role == "master") == (spec.phy_master == one.module):
        raise EditProblem(f"{one.id} is the {role} of its link as it is built")
    return _fault_inside("strap", one.id, one.module, noted("phy_roles", one.id, role), f" as {role}")


def _every_strap(car: Car) -> Iterator[str]:
    for one in channels_of_modules(car):
        if one.phy:
            other = "slave" if car.built.buses[one.bus].phy_master == one.module else "master"
            yield f"strap {one.id} as {other}"


def _fault_inside(
    verb: str,
    name: str,
    module: str,
    noting: Change,
    rest: str = "",
    figure: float | None = None,
) -> Edit:
    text = f"{verb} {name}{rest}"

    def change(car: Car) -> Car:
        after = noting(car)
        if after.harness == car.harness:
            raise EditProblem(f"'{text}' has been done already")
        return after

    return Edit(text, verb, "fault", change, f"replace {module}", (name,), figure)


def _every_fault_inside(car: Car) -> Iterator[str]:
    for one in can_channels_of_modules(car):
        rate_bps = _other_rate_bps(one, car)
        yield from (f"stick {one.id}", f"babble {one.id}", f"set {one.id} to {rate_bps // 1000} kbit/s")


# -- the generator's regulator ---------------------------------------------------------------------------


def _regulating(verb: str, usual_v: float, limits_v: Limits) -> Callable[[list[str], Car], Edit]:
    """How a regulator that holds another voltage than it should is read from its sentence."""

    def parse(words: list[str], car: Car) -> Edit:
        name = words[0] if words else ""
        if name not in generator_of(car):
            raise EditProblem(unknown("generator", name, generator_of(car)))
        n = car.built.battery.in_series
        limits = (limits_v[0] * n, limits_v[1] * n)
        volt = figure(words[1:], "V", f"{verb} {name}", usual_v * n, limits)
        change = noted("regulated_v", name, volt.value)
        return Edit(f"{verb} {name} {volt} V", verb, "fault", change, f"repair {name}", (name,), volt.said)

    return parse


def _every_regulator(car: Car) -> Iterator[str]:
    n = car.built.battery.in_series
    for name in generator_of(car):
        yield f"overcharge {name} {OVERCHARGE_V * n:g} V"
        yield f"undercharge {name} {UNDERCHARGE_V * n:g} V"


# -- a battery with a shorted cell -----------------------------------------------------------------------


def _weaken(words: list[str], car: Car) -> Edit:
    name = one_name(words, "weaken")
    if name not in car.built.battery.names:
        raise EditProblem(unknown("battery", name, car.built.battery.names))
    return _fault_inside("weaken", name, name, noted("weak", name))


def _every_battery(car: Car) -> Iterator[str]:
    yield from (f"weaken {name}" for name in car.built.battery.names)


# -- a right one in its place --------------------------------------------------------------------------


def _replace(words: list[str], car: Car) -> Edit:
    name = one_name(words, "replace")
    if name in car.built.sensors or name in signal_sensors(car):
        return _replace_sensor(name)
    if name in car.built.battery.names:
        return _replace_battery(name)
    if name not in car.built.modules:
        raise EditProblem(unknown("module", name, [*car.built.modules, *car.built.sensors]))

    def change(car: Car) -> Car:
        own = {name, *(f"{name}.{bus}" for bus in car.messages.buses_of[name])}
        fields = (*fields_repaired_by("replace"), *SET_UP_FIELDS, "addresses")
        return as_new(name, car.with_harness(**without(car.harness, fields, own)))

    return Edit(f"replace {name}", "replace", "repair", change, None, (name,))


def _replace_battery(name: str) -> Edit:
    def change(car: Car) -> Car:
        return car.with_harness(**without(car.harness, ("weak",), {name}))

    return Edit(f"replace {name}", "replace", "repair", change, None, (name,))


def _replace_sensor(name: str) -> Edit:
    """What is joined inside a sensor goes with it."""
    inside = f"{name}:"

    def change(car: Car) -> Car:
        gone = {
            key
            for key, lead in car.harness.leads.items()
            if all(one.a.startswith(inside) and one.b.startswith(inside) for one in lead.parts)
        }
        return car.with_harness(**without(car.harness, ("leads", "mute"), {*gone, name}))

    return Edit(f"replace {name}", "replace", "repair", change, None, (name,))


KINDS = (
    EditKind(
        "stick",
        "fault",
        _stick,
        {"stuck": "the transmit input of {part} is stuck at dominant"},
        "replace",
        "replace {module}",
        answers=(
            Answer(
                "module",
                "holds its bus dominant",
                "stick {other}",
                "which bus",
                can_channels_of,
                "holds {other} dominant",
            ),
        ),
        candidates={"inside modules": _every_fault_inside},
        offers=(Offer("channel", "Stick its transmit input", "stick {part}"),),
    ),
    EditKind(
        "babble",
        "fault",
        _babble,
        {"babbling": "{part} sends nonstop"},
        "replace",
        "replace {module}",
        answers=(
            Answer(
                "module",
                "sends nonstop, blocks its bus",
                "babble {other}",
                "which bus",
                can_channels_of,
                "sends nonstop on {other}",
            ),
        ),
        offers=(Offer("channel", "Make it babble", "babble {part}"),),
    ),
    EditKind(
        "set",
        "fault",
        _set,
        {"bitrates_bps": "{part} at {thousands:g} kbit/s", "classical": "{part} supports classical CAN only"},
        "replace",
        "replace {module}",
        answers=(
            Answer(
                "module",
                "wrong bit rate",
                "set {other} to ? kbit/s",
                "which bus",
                can_channels_of,
                "wrong bit rate on {other}",
            ),
            Answer(
                "module",
                "too old for CAN FD",
                "set {other} to classical CAN",
                "which bus",
                fd_channels_of,
                "too old for CAN FD on {other}",
            ),
        ),
        offers=(Offer("channel", "Set it to this bit rate", "set {part} to {kbps} kbit/s"),),
    ),
    EditKind(
        "strap",
        "fault",
        _strap,
        {"phy_roles": "the PHY of {part} is strapped as {now}"},
        "replace",
        "replace {module}",
        answers=(
            Answer(
                "module",
                "wrong end of its Ethernet link (master or slave)",
                "strap {other}",
                "which link",
                other_straps_of,
                "wrong end of its link: {other}",
            ),
        ),
        candidates={"PHY roles": _every_strap},
        offers=(Offer("link", "Strap its PHY as the other end", "strap {part}"),),
    ),
    EditKind(
        "keep",
        "fault",
        _keep,
        {"kept_awake": "{part} keeps the network awake"},
        "replace",
        answers=(Answer("module", "never lets the network sleep", "keep {part} awake"),),
        offers=(Offer("module", "Keep it awake", "keep {part} awake"),),
    ),
    EditKind(
        "charge",
        "repair",
        _charge,
        {"battery_pct": "battery at {now:g} % charge"},
        "charge",
        "charge {usual_pct:g} %",
        tool="battery",
        answers=(Answer("battery", "discharged", "charge ? %"),),
        candidates={"flat battery": _flat_battery},
    ),
    EditKind(
        "overcharge",
        "fault",
        _regulating("overcharge", OVERCHARGE_V, (15.0, 20.0)),
        {"regulated_v": "the regulator of {part} holds {now:g} V"},
        "repair",
        targets=generator_of,
        answers=(Answer("generator", "regulates too high", "overcharge {part} ? V"),),
        candidates={"regulator": _every_regulator},
    ),
    EditKind(
        "undercharge",
        "fault",
        _regulating("undercharge", UNDERCHARGE_V, (10.0, 13.0)),
        {"regulated_v": "the regulator of {part} holds {now:g} V"},
        "repair",
        targets=generator_of,
        answers=(Answer("generator", "regulates too low", "undercharge {part} ? V"),),
    ),
    EditKind(
        "weaken",
        "fault",
        _weaken,
        {"weak": "{part} has a shorted cell"},
        "replace",
        answers=(Answer("battery", "one cell is shorted", "weaken {part}"),),
        candidates={"shorted cell": _every_battery},
    ),
    EditKind("replace", "repair", _replace),
)
