"""The supply side of a harness: battery, generator, fuses, relays, loads, switches, sensors and grounds."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from sim.vehicle.circuits import LOW_A, PART_OHM, SENSOR_LEAST_V
from sim.vehicle.description_wiring import Charging, Relay, Track, Unit
from sim.vehicle.elements import (
    RELAY_OHM,
    Coil,
    Connector,
    Contact,
    CurrentSink,
    FuseLink,
    GeneratorOutput,
    GeneratorSignal,
    HandSwitch,
    LoadPart,
    Pin,
    RelayContact,
    Resistor,
    ShortingBar,
    Source,
    UnitMotor,
)
from sim.vehicle.loom import Loom
from sim.vehicle.problems import Path, Problem, did_you_mean, unknown
from sim.vehicle.wire_ends import WireEnd, wire_end_at

SENSOR_TRACK_OHM = 2000.0  # a sensor's output as the tap of a divider, below 500 ohm; common practice
SENSOR_ENDS = ("supply", "signal", "ground")
BAR_OHM = 0.0005
WATCHED_MM2 = 0.5  # wires of small loads and sensors; common practice
# A starter's circuit may lose about 0.5 V on the positive and 0.2 to 0.3 V on the ground side (common
# practice), at some 200 A: that is what clean clamps, bolted studs and a solenoid's main contact leave
# (from memory).
CLAMP_OHM, STUD_OHM, SOLENOID_OHM = 0.0002, 0.0001, 0.0004
JOINT_OHM = 0.001  # a ground terminal under its bolt; common practice
LAMP_TERMINAL_OHM = 10.0  # of a generator's lamp terminal while it charges; our choice, small beside an input
GENERATOR_GROUND_M = 0.3  # case, bracket and strap to the engine; common practice
LINK_M = 0.3  # the cable between two batteries; common practice
UNIT_MM2 = 4.0  # ground wire of a commanded motor of some 30 A; common practice
STARTER_MM2 = 50.0  # starter cable and engine ground strap; common practice for some 200 A
# usual conductor size by fuse rating; common practice
AREA_BY_RATING = ((5, 0.5), (7.5, 0.75), (10, 0.75), (15, 1.5), (20, 2.5), (30, 4.0), (60, 10.0), (500, 25.0))


def usual_area_mm2(rating_a: float) -> float:
    """The usual conductor size after a fuse of this rating, in mm2."""
    return next(area for limit, area in AREA_BY_RATING if rating_a <= limit)


def collect_fed_pins(loom: Loom) -> None:
    """Note which pins of modules are fed or end a load; refuse what is fed twice or not at all."""
    fed: dict[str, str] = {}
    for feeder, item, path in _all_feeds(loom):
        end = wire_end_at(item, path)
        _check_consumer(loom, end, path)
        is_module = end.part in loom.vehicle.modules
        wanted = f"{end.part}.B+" if is_module and not end.pin else end.target
        if wanted in fed:
            raise Problem(f"{wanted} is fed twice, by {fed[wanted]} and {feeder}", path)
        fed[wanted] = feeder
        if is_module:
            loom.feeds[end.part].append(end.pin or "B+")
    loom.fed_parts = frozenset(fed)
    for functions in loom.feeds.values():
        functions.sort(key=lambda function: (not function.startswith("B+"), function))
    for kind, names in (("loads", loom.vehicle.loads), ("switches", loom.vehicle.switches)):
        for name in names:
            if name not in fed:
                raise Problem(f"no fuse or relay feeds '{name}'", (kind, name))
    for name, load in loom.vehicle.loads.items():
        path = ("loads", name, "to")
        end = wire_end_at(load.to, path)
        if end.part in loom.vehicle.modules:
            if not end.pin:
                raise Problem(f"load '{name}' ends on module {end.part}: name its pin", path)
            loom.driven[end.part].append(end.pin)


def collect_sensor_pins(loom: Loom) -> None:
    """Which pins of modules a sensor's three wires end on."""
    for end, item, path in _sensor_wires(loom):
        at = wire_end_at(item, path)
        module, function = at.part, at.pin
        if module not in loom.vehicle.modules or not function:
            near = did_you_mean(module, loom.vehicle.modules)
            raise Problem(f"'{item}' is no module's pin{near}", path)
        references = loom.vehicle.modules[module].references
        if end == "supply" and function not in references:
            near = did_you_mean(function, references)
            raise Problem(f"module '{module}' has no reference '{function}'{near}", path)
        if loom.sensed[module].setdefault(function, end) != end:
            raise Problem(f"pin {at.target} is another end of a sensor already", path)


def _sensor_wires(loom: Loom) -> Iterator[tuple[str, str, Path]]:
    """Every wire of every sensor: which end of the sensor, where it leads, and its place in the file."""
    for name, sensor in loom.vehicle.sensors.items():
        for number, track in enumerate(sensor.tracks):
            inside: Path = ("sensors", name, *(("second",) if number else ()))
            written = (("from", track.from_), ("signal", track.signal), ("ground", track.ground))
            for end, (key, item) in zip(SENSOR_ENDS, written, strict=True):
                yield end, item, (*inside, key)


def _all_feeds(loom: Loom) -> Iterator[tuple[str, str, Path]]:
    for name, fuse in loom.vehicle.fuses.items():
        for index, item in enumerate(fuse.feeds):
            yield name, item, ("fuses", name, "feeds", index)
    for name, relay in loom.vehicle.relays.items():
        for index, item in enumerate(relay.feeds):
            yield name, item, ("relays", name, "feeds", index)


def lay_battery(loom: Loom) -> None:
    """Lay the battery, its clamps and both of its cables."""
    battery = loom.vehicle.battery
    if battery.in_series == 1:
        loom.add(Source("BAT", "BAT+", "BAT-", battery.internal_ohm))
    else:
        loom.add(Source("BAT", "BAT.LINK", "BAT-", battery.internal_ohm))
        loom.add(Source("BAT2", "BAT+", "BAT2.LINK", battery.internal_ohm))
        loom.wire("BAT.LINK", "BAT2.LINK", LINK_M, battery.cable_mm2)
    for post, far in (("POS", "BAT+"), ("NEG", "BAT-")):
        pin = Pin(f"BAT.{post}", f"BAT.{post}", "1", "B+" if post == "POS" else "GND", far)
        loom.add(Contact(pin.id, f"BAT.{post}", far, f"BAT.{post}", CLAMP_OHM))
        loom.connectors[f"BAT.{post}"] = Connector(f"BAT.{post}", "", "battery", (pin,), "battery")
    loom.wire("BAT.POS", "BAR", battery.cable_m, battery.cable_mm2)
    loom.wire("BAT.NEG", "BODY", battery.ground_cable_m, battery.cable_mm2)


def lay_generator(loom: Loom) -> None:
    """The generator, its cable, its ground and its lamp wire."""
    if loom.vehicle.engine is None:
        return
    spec, path = loom.vehicle.engine.generator, ("engine", "generator")
    starter = loom.vehicle.loads.get(loom.vehicle.engine.starter)
    usual = starter.end.target if starter else None
    lay_charging(loom, "GEN", spec, loom.ground_node(spec.ground or usual, (*path, "ground")))
    if spec.lamp is None:
        return
    end = input_at(loom, spec.lamp, (*path, "lamp"))
    loom.add(GeneratorSignal("GEN:lamp", "GEN.1", "GEN.L", LAMP_TERMINAL_OHM))
    loom.run("GEN.L", loom.pins[end.part, end.pin], end.via, 2.0, 0.5, "GEN.L", (*path, "lamp"))


def lay_charging(loom: Loom, name: str, spec: Charging, ground: str) -> None:
    """What charges the battery: its output, its ground, and its cable, unless a fuse feeds it."""
    loom.add(GeneratorOutput(name, f"{name}.1", f"{name}.2", spec.regulated_v, spec.ohm, spec.limit_a))
    loom.wire(f"{name}.2", ground, GENERATOR_GROUND_M, spec.cable_mm2)
    if name not in loom.fed_parts:
        loom.wire("BAR", f"{name}.1", spec.cable_m, spec.cable_mm2)


def input_at(loom: Loom, item: str, path: Path) -> WireEnd:
    """The end of a wire at a module's input."""
    end, modules = wire_end_at(item, path), loom.vehicle.modules
    if end.part not in modules or end.pin not in modules[end.part].inputs:
        inputs = [f"{name}.{wired}" for name, spec in modules.items() for wired in spec.inputs]
        raise Problem(f"no input '{end.target}' in this car{did_you_mean(end.target, inputs)}", path)
    return end


def lay_grounds(loom: Loom) -> None:
    """Lay every ground point's joint to the body."""
    for name, ground in loom.vehicle.grounds.items():
        usual_ohm = STUD_OHM if name in _starter_grounds(loom) else JOINT_OHM
        loom.add(Resistor(name, name, "BODY", ground.joint_ohm or usual_ohm, "joint"))


def _starter_grounds(loom: Loom) -> set[str]:
    starters = (load for load in loom.vehicle.loads.values() if load.kind == "starter")
    return {load.end.target for load in starters}


def _starts(loom: Loom, relay: Relay) -> bool:
    """Is it the starter's own contact?"""
    loads = (loom.vehicle.loads.get(end.target) for end in relay.ends)
    return any(load is not None and load.kind == "starter" for load in loads)


def _source(loom: Loom, name: str) -> str:
    if name == "battery":
        return "BAR"
    return f"{name}.87" if name in loom.vehicle.relays else f"{name}.2"


def lay_fuse(loom: Loom, name: str) -> None:
    """Lay a fuse, and what it feeds."""
    fuse = loom.vehicle.fuses[name]
    area_mm2 = fuse.area_mm2 or usual_area_mm2(fuse.rating_a)
    source = _source(loom, fuse.from_)
    loom.add(Resistor(f"{name}.bar", source, f"{name}.1", BAR_OHM, "joint"))
    loom.add(FuseLink(name, f"{name}.1", f"{name}.2", fuse.rating_a))
    _feed(loom, name, f"{name}.2", fuse.feeds, fuse.length_m, area_mm2, ("fuses", name, "feeds"))


def _feed(
    loom: Loom, name: str, node: str, items: tuple[str, ...], length_m: float, area_mm2: float, path: Path
) -> None:
    if len(items) > 1:
        splice = f"SP.{name}"
        loom.wire(node, splice, length_m / 2, area_mm2)
        node, length_m = splice, length_m / 2
    for index, item in enumerate(items):
        end = wire_end_at(item, (*path, index))
        target = _terminal_at(loom, end)
        run = partial(loom.run, node, target, end.via, length_m, area_mm2, name, (*path, index))
        loom.fused.append((target, run))


def _terminal_at(loom: Loom, end: WireEnd) -> str:
    """The terminal of a consumer at which its feed ends."""
    if end.part in loom.vehicle.modules:
        return loom.pins[end.part, end.pin or "B+"]
    return "DLC.16" if end.target == "DLC" else f"{end.target}.1"


def _check_consumer(loom: Loom, end: WireEnd, path: Path) -> None:
    known = [*loom.vehicle.modules, *loom.vehicle.loads, *loom.vehicle.switches, "DLC"]
    known += ["GEN"] if loom.vehicle.engine else []
    known += ["CONVERTER"] if loom.vehicle.high_voltage else []
    if end.part not in loom.vehicle.modules and end.target not in known:
        near = did_you_mean(end.part, known)
        raise Problem(f"nothing called '{end.target}' to feed in this car{near}", path)


def lay_relay(loom: Loom, name: str) -> None:
    """Lay a relay's contact and coil, and what it feeds."""
    relay = loom.vehicle.relays[name]
    path = ("relays", name)
    source = _source(loom, relay.from_)
    starts = _starts(loom, relay)
    contact_ohm = SOLENOID_OHM if starts else RELAY_OHM
    loom.add(Resistor(f"{name}.bar", source, f"{name}.30", STUD_OHM if starts else BAR_OHM, "joint"))
    loom.add(RelayContact(name, f"{name}.30", f"{name}.87", name, contact_ohm))
    coil = (relay.coil_ohm, relay.pull_in_v, relay.drop_out_v)
    loom.add(Coil(f"{name}.coil", f"{name}.86", f"{name}.85", name, *coil))
    loom.wire(_coil_driver(loom, relay.coil, (*path, "coil")), f"{name}.86", 1.0, 0.5)
    loom.wire(f"{name}.85", loom.ground_node(relay.ground, (*path, "ground")), 0.5, 0.5)
    _feed(loom, name, f"{name}.87", relay.feeds, 1.0, STARTER_MM2 if starts else 10.0, (*path, "feeds"))


def _coil_driver(loom: Loom, coil: str, path: Path) -> str:
    """The terminal that drives a relay's coil: a module's output, or a hand switch."""
    drivers = {f"{m}.{o}": loom.pins[m, o] for m, spec in loom.vehicle.modules.items() for o in spec.outputs}
    drivers |= {name: f"{name}.2" for name in loom.vehicle.switches}
    if coil not in drivers:
        raise Problem(unknown("output", coil, drivers), path)
    return drivers[coil]


def lay_load(loom: Loom, name: str) -> None:
    """Lay a load, from its feed to a ground or a module's pin."""
    load = loom.vehicle.loads[name]
    path = ("loads", name, "to")
    loom.add(LoadPart(name, f"{name}.1", f"{name}.2", load.ohm, load.kind))
    end = load.end
    if end.part in loom.vehicle.modules:
        target = loom.pins[end.part, end.pin]
    elif end.target in loom.vehicle.grounds:
        target = end.target
    else:
        known = [*loom.vehicle.grounds, *loom.vehicle.modules]
        raise Problem(f"no ground or module pin '{end.target}'{did_you_mean(end.target, known)}", path)
    area_mm2 = STARTER_MM2 if load.kind == "starter" else 1.5
    loom.run(f"{name}.2", target, end.via, 1.0, area_mm2, name, path)
    if load.unit:
        _lay_unit(loom, name, load.unit)


def _lay_unit(loom: Loom, name: str, unit: Unit) -> None:
    """The motor of a commanded load, and its ground."""
    path = ("loads", name, "unit", "ground")
    loom.add(UnitMotor(f"{name}:motor", f"{name}.1", f"{name}.3", name, unit.full_a))
    end = None if unit.ground is None else wire_end_at(unit.ground, path)
    ground = loom.ground_node(end.target if end else None, path)
    loom.run(f"{name}.3", ground, end.via if end else (), 1.0, UNIT_MM2, name, path)


def lay_switch(loom: Loom, name: str) -> None:
    """Lay a hand switch, and its wires to inputs of modules."""
    switch = loom.vehicle.switches[name]
    loom.add(HandSwitch(name, f"{name}.1", f"{name}.2", switch.operated_by, rests_closed=switch.rests_closed))
    for index, item in enumerate(switch.to):
        path = ("switches", name, "to", index)
        end = input_at(loom, item, path)
        loom.run(f"{name}.2", loom.pins[end.part, end.pin], end.via, 1.5, 0.5, name, path)


def lay_sensors(loom: Loom) -> None:
    """Sensors with their connectors; wires that end on one pin meet in a splice."""
    wires: dict[tuple[str, str], list[tuple[str, tuple[str, ...], Path]]] = {}
    for name, sensor in loom.vehicle.sensors.items():
        pins = []
        for number, track in enumerate(sensor.tracks):
            pins += _lay_track(loom, name, number, track, sensor.ohm)
        loom.connectors[name] = Connector(name, "", "sensor", tuple(pins), sensor.location)
        ends = [end for track in sensor.tracks for end in track.ends]
        for at, pin in zip(ends, pins, strict=True):
            wires.setdefault((at.part, at.pin), []).append((pin.id, at.via, ("sensors", name)))
    for (module, function), runs in wires.items():
        target, node, length_m = f"{module}.{function}", loom.pins[module, function], 1.5
        if len(runs) > 1:
            loom.wire(node, f"SP.{target}", length_m / 2, 0.5)
            node, length_m = f"SP.{target}", length_m / 2
        for pin_id, via, path in runs:
            loom.run(node, pin_id, via, length_m, 0.5, target, path)


def _lay_track(loom: Loom, name: str, number: int, track: Track, ohm: float) -> list[Pin]:
    """One track of a sensor, number 0 or 1, as a divider; its three pins."""
    suffix, pins = "" if number == 0 else str(number + 1), []
    for cavity, end in enumerate(SENSOR_ENDS, start=1 + 3 * number):
        pin = Pin(f"{name}.{cavity}", name, str(cavity), f"{end}{suffix}", f"{name}:{cavity}")
        loom.add(Contact(pin.id, pin.id, pin.inner, name))
        pins.append(pin)
    supply, signal, ground = (pin.inner for pin in pins)
    above_ohm, below_ohm = (1 - track.share) * SENSOR_TRACK_OHM, track.share * SENSOR_TRACK_OHM
    loom.add(Resistor(f"{name}:draw{suffix}", supply, ground, ohm, "sensor"))
    loom.add(Resistor(f"{name}:above{suffix}", supply, signal, above_ohm, "sensor"))
    loom.add(Resistor(f"{name}:below{suffix}", signal, ground, below_ohm, "sensor"))
    return pins


def lay_circuits(loom: Loom) -> None:
    """Small loads and sensors with their connectors, each by two wires from the module that watches it."""
    for one in loom.vehicle.watched.values():
        path: Path = ("circuits", one.module)
        if one.module not in loom.vehicle.modules:
            raise Problem(unknown("module", one.module, loom.vehicle.modules), path)
        named = enumerate(one.pins, start=1)
        pins = [Pin(f"{one.part}.{n}", one.part, str(n), pin, f"{one.part}:{n}") for n, pin in named]
        loom.connectors[one.part] = Connector(one.part, "", "part", tuple(pins), one.group.location)
        for pin, function in zip(pins, one.pins, strict=True):
            loom.add(Contact(pin.id, pin.id, pin.inner, one.part))
            near, via, length_m = loom.pins[one.module, function], one.group.via, one.group.length_m
            loom.run(near, pin.id, via, length_m, WATCHED_MM2, one.part, path)
        ends = (pins[0].inner, pins[1].inner)
        if one.is_wheel_speed:
            loom.add(CurrentSink(f"{one.part}:sink", *ends, SENSOR_LEAST_V, LOW_A))
            continue
        loom.add(Resistor(f"{one.part}:load", *ends, PART_OHM[one.group.kind], "sensor"))
        if one.group.kind == "squib":
            loom.add(ShortingBar(f"{one.part}:bar", *ends, one.part))
