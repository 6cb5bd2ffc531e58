"""What a description must not say: a name taken twice, an unknown part, a fact that a module cannot know.

Every check raises `Problem` with the path to what is wrong.
"""

from __future__ import annotations

from collections.abc import Collection

from sim.vehicle.bus_paths import find_buses_of
from sim.vehicle.conditions import Condition
from sim.vehicle.description import Vehicle
from sim.vehicle.description_software import Module
from sim.vehicle.description_wiring import Fuse, Relay
from sim.vehicle.elements import TESTER
from sim.vehicle.j1939_addresses import j1939_buses
from sim.vehicle.messages import conditions_of
from sim.vehicle.own_codes import base_code, own_codes
from sim.vehicle.problems import Path, Problem, did_you_mean, unknown

RESERVED = {
    "DLC": "the diagnostic connector",
    "BAT": "the battery",
    "GEN": "the generator",
    "CONVERTER": "the output of the DC/DC converter",
    "BAR": "the distribution rail of the fuse boxes",
    "BODY": "the body",
    "SP": "the splices",
    TESTER: "the tester",
}

KINDS = ("modules", "fuses", "relays", "grounds", "inline", "switches", "loads", "sensors")


def check_names(vehicle: Vehicle) -> None:
    """Every name is used once."""
    seen = dict(RESERVED)
    for kind in KINDS:
        for name in getattr(vehicle, kind):
            if name in seen:
                raise Problem(f"the name '{name}' is taken by {seen[name]}", (kind, name))
            seen[name] = f"one of the {kind}"
    for part, one in vehicle.watched.items():
        if part in seen:
            raise Problem(f"the name '{part}' is taken by {seen[part]}", ("circuits", one.module))
        seen[part] = "one of the circuits"


def check_sources(vehicle: Vehicle) -> None:
    """Every fuse and relay leads back to the battery."""
    holders: dict[str, Fuse | Relay] = {**vehicle.fuses, **vehicle.relays}
    for name in holders:
        kind = "fuses" if name in vehicle.fuses else "relays"
        chain = [name]
        while (source := holders[chain[-1]].from_) != "battery":
            if source not in holders:
                wrong = "fuses" if chain[-1] in vehicle.fuses else "relays"
                raise Problem(
                    f"no source '{source}' in this car{did_you_mean(source, ['battery', *holders])}",
                    (wrong, chain[-1], "from"),
                )
            if source in chain:
                raise Problem(f"is fed in a ring: {' from '.join([*chain, source])}", (kind, name, "from"))
            chain.append(source)


def check_boxes(vehicle: Vehicle) -> None:
    """A box whose place is told holds a fuse or relay."""
    holders: tuple[Fuse | Relay, ...] = (*vehicle.fuses.values(), *vehicle.relays.values())
    known = list(dict.fromkeys(one.location for one in holders))
    for box in vehicle.boxes:
        if box not in known:
            raise Problem(unknown("fuse box", box, known), ("boxes", box))


def check_references(vehicle: Vehicle, feeds: dict[str, list[str]]) -> None:
    """Modules and loads that power modes, immobilizer and engine name exist; so does what software reads."""
    modules: list[tuple[Path, str]] = []
    if vehicle.power_modes:
        modules.append((("power_modes", "master"), vehicle.power_modes.master))
    if vehicle.immobilizer:
        modules.append((("immobilizer", "authority"), vehicle.immobilizer.authority))
        modules.append((("immobilizer", "engine"), vehicle.immobilizer.engine))
    loads: list[tuple[Path, str]] = []
    if vehicle.engine:
        modules.append((("engine", "controller"), vehicle.engine.controller))
        loads.append((("engine", "starter"), vehicle.engine.starter))
        if vehicle.engine.fuel_pump is not None:
            loads.append((("engine", "fuel_pump"), vehicle.engine.fuel_pump))
        for key, parts in (("coils", vehicle.engine.coils), ("injectors", vehicle.engine.injectors)):
            loads += [(("engine", key, index), part) for index, part in enumerate(parts)]
    for path, name in modules:
        if name not in vehicle.modules:
            raise Problem(unknown("module", name, vehicle.modules), path)
    for path, name in loads:
        if name not in vehicle.loads:
            raise Problem(unknown("load", name, vehicle.loads), path)
    check_facts(vehicle, feeds)
    check_set_up(vehicle)


def check_lines(vehicle: Vehicle) -> None:
    """Every stop of every bus line is known, and no module is on one line twice."""
    seen = (set(RESERVED) - {"DLC"}).union(*(getattr(vehicle, kind) for kind in KINDS))
    seen_on_lines: set[str] = set()
    for bus, spec in vehicle.buses.items():
        if len(spec.line) < 2:
            raise Problem("a bus line has at least two members", ("buses", bus, "line"))
        if spec.is_ethernet:
            _check_link(vehicle, bus)
        _check_partial(vehicle, bus)
        on_line: set[str] = set()
        for index, stop in enumerate(spec.stops):
            name, word = stop.name, stop.words
            path = ("buses", bus, "line", index)
            if name in vehicle.inline and not word:
                continue
            if name in on_line:
                raise Problem(f"{name} is on the line of {bus} twice", path)
            on_line.add(name)
            seen_on_lines.add(name)
            if name in vehicle.modules:
                if set(word.split()) - {"terminated", "through"}:
                    raise Problem(f"'{word}' does not join a line; known: terminated, through", path)
            elif word == "terminator" or (name == "DLC" and not word):
                taken = f"{name} {spec.legs}" if name == "DLC" else name  # it has CAN and Ethernet pins
                if taken in seen:
                    raise Problem(f"the name '{name}' is taken", path)
                seen.add(taken)
            else:
                near = did_you_mean(name, [*vehicle.modules, *vehicle.inline, "DLC"])
                item = f"{name} {word}".strip()
                raise Problem(f"nothing called '{item}' for the line of {bus}{near}", path)
    seen_on_lines |= _check_clusters(vehicle)
    for name in vehicle.modules:
        if name not in seen_on_lines:
            raise Problem(f"module '{name}' is on no bus line", ("modules", name))


def _check_partial(vehicle: Vehicle, bus: str) -> None:
    """The members of a partial network are on its bus."""
    spec = vehicle.buses[bus]
    on_line = [stop.name for stop in spec.stops]
    partial = spec.network_management.partial if spec.network_management else {}
    for network, members in partial.items():
        for index, name in enumerate(members):
            if name not in on_line:
                path = ("buses", bus, "network_management", "partial", network, index)
                raise Problem(f"'{name}' is not on the line of {bus}{did_you_mean(name, on_line)}", path)


def _check_link(vehicle: Vehicle, bus: str) -> None:
    """An Ethernet link has a module (or the DLC) at each end, one its master, and only connectors between."""
    spec = vehicle.buses[bus]
    ends = [spec.stops[0].name, spec.stops[-1].name]
    for index, stop in enumerate(spec.stops):
        known = {*vehicle.modules, "DLC"} if index in (0, len(spec.stops) - 1) else vehicle.inline
        if stop.words or stop.name not in known:
            what = "has a module at each end and only in-line connectors between them"
            path = ("buses", bus, "line", index)
            raise Problem(f"a 100base-t1 link {what}, not '{spec.line[index]}'", path)
    if spec.phy_master not in ends:
        near = did_you_mean(spec.phy_master, ends)
        raise Problem(
            f"the master '{spec.phy_master}' is at no end of the link{near}", ("buses", bus, "master")
        )


def _check_clusters(vehicle: Vehicle) -> set[str]:
    """Every stop of every LIN line is known and the master among them; returns the modules on them."""
    found: set[str] = set()
    for cluster, spec in vehicle.lin.items():
        if cluster in vehicle.buses:
            raise Problem(f"the name '{cluster}' is taken by one of the buses", ("lin", cluster))
        modules = [name for name in spec.line if name in vehicle.modules]
        for index, name in enumerate(spec.line):
            path = ("lin", cluster, "line", index)
            if name not in vehicle.modules and name not in vehicle.inline:
                near = did_you_mean(name, [*vehicle.modules, *vehicle.inline])
                raise Problem(f"nothing called '{name}' for the line of {cluster}{near}", path)
            if modules.count(name) > 1:
                raise Problem(f"{name} is on the line of {cluster} twice", path)
        if len(modules) < 2:
            raise Problem("a LIN line has a master and at least one slave", ("lin", cluster, "line"))
        at_master = ("lin", cluster, "master")
        if spec.master not in modules:
            near = did_you_mean(spec.master, modules)
            raise Problem(f"the master '{spec.master}' is not on the line{near}", at_master)
        if not any(stop.name == spec.master for bus in vehicle.buses.values() for stop in bus.stops):
            what = f"the master {spec.master} is on no CAN bus: no module could learn of its slaves"
            raise Problem(what, at_master)
        found.update(modules)
    return found


def check_pin_roles(
    name: str, module: Module, fed: list[str], grounds: list[str], sensed: Collection[str]
) -> None:
    """No pin is two things at once."""
    for pin in (*module.references, *sensed):
        if pin in (*fed, *grounds, *module.inputs, *module.outputs):
            raise Problem(f"pin '{pin}' cannot be for sensors and something else", ("modules", name))
    for index, check in enumerate(module.checks):
        if check.agrees_with is not None and check.agrees_with not in sensed:
            path: Path = ("modules", name, "checks", index, "agrees_with")
            raise Problem(unknown("sensor pin", check.agrees_with, sensed), path)
    for output in module.outputs:
        if output in (*fed, *grounds, *module.inputs):
            path = ("modules", name, "outputs", output)
            raise Problem(f"pin '{output}' cannot be an output and something else", path)
    for wired in module.inputs:
        if wired in grounds or wired in supply_functions(fed):
            path = ("modules", name, "inputs", wired)
            raise Problem(f"pin '{wired}' cannot be an input and a supply", path)


def check_facts(vehicle: Vehicle, fed: dict[str, list[str]]) -> None:
    """What a module's software reads must be something that this module can know."""
    on_lines = find_buses_of(vehicle)
    for name, module in vehicle.modules.items():
        for path, condition in conditions_of(vehicle, name):
            for leaf in condition.leaves():
                _check_leaf(vehicle, name, leaf, fed[name], path)
        for signal, spec in module.signals.items():
            knower = _only_knower(vehicle, spec.fact)
            if knower and name not in knower:
                raise Problem(
                    f"module '{name}' cannot know the fact '{spec.fact}': {' and '.join(knower)} does",
                    ("modules", name, "signals", signal, "fact"),
                )
        for index, source in enumerate(module.wake or ()):
            known = ["bus", "fob", *fed[name], *module.inputs, *on_lines[name]]
            if source not in known:
                raise Problem(
                    f"module '{name}' is not woken by '{source}'{did_you_mean(source, known)}",
                    ("modules", name, "wake", index),
                )
    modes = vehicle.power_modes
    if modes and any(rule.on in ("press", "release") for rule in modes.rules):
        inputs = vehicle.modules[modes.master].inputs
        if modes.button not in inputs:
            near = did_you_mean(modes.button, inputs)
            what = f"module '{modes.master}' has no input '{modes.button}'{near}"
            raise Problem(what, ("power_modes", "button"))


def check_set_up(vehicle: Vehicle) -> None:
    """Keys are matched between the two ends of the immobilizer and no others."""
    immobilizer = vehicle.immobilizer
    ends = (immobilizer.authority, immobilizer.engine) if immobilizer else ()
    for name, module in vehicle.modules.items():
        if "keys" in module.set_up and name not in ends:
            whose = f"only {' and '.join(ends)} have" if ends else "this car has no immobilizer"
            raise Problem(f"module '{name}' has no keys to match: {whose}", ("modules", name, "set_up"))


def _check_leaf(vehicle: Vehicle, name: str, leaf: Condition, fed: list[str], path: Path) -> None:
    module = vehicle.modules[name]
    if leaf.input is not None and leaf.input not in module.inputs:
        near = did_you_mean(leaf.input, module.inputs)
        raise Problem(f"module '{name}' has no input '{leaf.input}'{near}", path)
    if leaf.line is not None and leaf.line not in fed:
        raise Problem(f"no fuse feeds a line '{leaf.line}' of {name}{did_you_mean(leaf.line, fed)}", path)
    if leaf.lost == name:
        raise Problem(f"module '{name}' cannot miss its own messages", path)
    code = leaf.code or leaf.stored
    if code is not None and base_code(code) not in (known := own_codes(vehicle, name)):
        raise Problem(f"module '{name}' sets no code {code}{did_you_mean(code, known)}", path)
    if leaf.fob is not None and not module.fob_receiver:
        raise Problem(f"module '{name}' sees no fob: it needs 'fob_receiver: true'", path)
    on_j1939 = {stop.name for bus in j1939_buses(vehicle) for stop in vehicle.buses[bus].stops}
    if leaf.dm1_lamp is not None and name not in on_j1939:
        raise Problem(f"module '{name}' hears no DM1: it is on no bus of SAE J1939", path)
    if leaf.start_stop and not (vehicle.engine and vehicle.engine.start_stop):
        raise Problem("this car's engine has no start_stop", path)
    own = ("engine_state", leaf.engine or leaf.start_stop), ("immobilizer", leaf.immobilizer)
    for fact, value in own:
        knower = _only_knower(vehicle, fact)
        if value is not None and knower and name not in knower:
            raise Problem(
                f"module '{name}' cannot know the fact '{fact}': {' and '.join(knower)} does; read a signal",
                path,
            )


def _only_knower(vehicle: Vehicle, fact: str | None) -> tuple[str, ...]:
    """The modules that know a fact by themselves; empty if any module may."""
    if fact in ("engine_state", "engine_speed_rpm") and vehicle.engine:
        return (vehicle.engine.controller,)
    if fact in ("high_voltage", "insulation", "pack_charge_pct", "pack_full"):
        return (vehicle.high_voltage.controller,) if vehicle.high_voltage else ("a battery module",)
    if fact == "power_mode" and vehicle.power_modes:
        return (vehicle.power_modes.master,)
    if fact == "immobilizer" and vehicle.immobilizer:
        return (vehicle.immobilizer.authority, vehicle.immobilizer.engine)
    return ()


def supply_functions(fed: list[str]) -> list[str]:
    """Which fed pins carry the module's own current: the `B+` ones, or all where there is no `B+`."""
    return [function for function in fed if function.startswith("B+")] or list(fed)
