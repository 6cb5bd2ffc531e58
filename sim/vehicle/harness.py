"""From a description to the car as built: terminals, wires, splices, grounds, buses.

`build` lays the harness the way a loom maker would: from the battery to the bar, through fuse and in-line
connector to a splice or pin, back through a ground point; every bus as a pair along its line.

Not modelled: shields, twisted-pair geometry, connector sealing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import pairwise

from sim.vehicle.car import Car
from sim.vehicle.conditions import Condition
from sim.vehicle.description import NAME, Fuse, Module, Relay, Sensor, Vehicle
from sim.vehicle.elements import (
    RELAY_OHM,
    Coil,
    Connector,
    Contact,
    Draw,
    Driver,
    Element,
    FuseLink,
    GeneratorOutput,
    GeneratorSignal,
    HandSwitch,
    LinPort,
    LoadPart,
    Pin,
    PullUp,
    ReferenceSupply,
    RelayContact,
    Resistor,
    Source,
    Transceiver,
    Wire,
)
from sim.vehicle.messages import Messages, conditions_of, diagnostic_addresses, line_items
from sim.vehicle.problems import Problem, did_you_mean, unknown

TRACE_OHM = 0.001  # a few centimetres of circuit board; the model needs it above zero
TERMINATOR_OHM = 120.0  # ISO 11898-2, nominal
# ISO 17987-4 / LIN 2.x physical layer, R_master and R_slave (from memory; every transceiver's data sheet)
LIN_MASTER_OHM, LIN_SLAVE_OHM = 1000.0, 30_000.0
LIN_RECEIVER_OHM = 1_000_000.0  # 12 uA; at most 20 uA may flow into a port at rest (LIN 2.x, from memory)
SENSE_OHM = 10_000.0  # pull-down of an ignition sense input; common practice
SIGNAL_OHM = 220_000.0  # pull-down of a sensor input; common practice
SENSOR_TRACK_OHM = 2000.0  # a sensor's output as the tap of a divider, below 500 ohm; common practice
SENSOR_ENDS = ("supply", "signal", "ground")
BAR_OHM = 0.0005
# A starter's circuit may lose about 0.5 V on the positive and 0.2 to 0.3 V on the ground side (common
# practice), at some 200 A: so much for
# clean clamps, bolted studs and a solenoid's main contact (from memory).
CLAMP_OHM, STUD_OHM, SOLENOID_OHM = 0.0002, 0.0001, 0.0004
JOINT_OHM = 0.001  # a ground terminal under its bolt; common practice
LAMP_TERMINAL_OHM = 10.0  # of a generator's lamp terminal while it charges; our choice, small beside an input
GENERATOR_GROUND_M = 0.3  # case, bracket and strap to the engine; common practice
STARTER_MM2 = 50.0  # starter cable and engine ground strap; common practice for some 200 A
TESTER_A = 0.2  # what a tester draws from pin 16; common practice
TESTER = "TESTER"  # the node name of a tester at the diagnostic connector
TESTER_MIN_V = 8.0  # at pin 16, which feeds it; common practice
RESERVED = {
    "DLC": "the diagnostic connector",
    "BAT": "the battery",
    "GEN": "the generator",
    "BAR": "the feed bar of the fuse boxes",
    "BODY": "the body",
    "SP": "the splices",
    TESTER: "the tester",
}
DLC_PINS = {"4": "GND", "5": "GND2", "6": "H", "14": "L", "16": "B+"}  # SAE J1962
# usual conductor size by fuse rating; common practice
AREA_BY_RATING = ((5, 0.5), (7.5, 0.75), (10, 0.75), (15, 1.5), (20, 2.5), (30, 4.0), (60, 10.0), (500, 25.0))

Path = tuple[str | int, ...]


def build(vehicle: Vehicle, claimed: Vehicle | None = None) -> Car:
    """The car that a description describes; raises `Problem` where the description contradicts itself."""
    return _Loom(vehicle).car(claimed or vehicle)


def usual_area_mm2(rating_a: float) -> float:
    """The usual conductor behind a fuse."""
    return next(area for limit, area in AREA_BY_RATING if rating_a <= limit)


class _Loom:
    """Collects elements and connectors while walking through a description once."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        check_lines(vehicle)
        self.messages = Messages(vehicle)
        self.elements: dict[str, Element] = {}
        self.connectors: dict[str, Connector] = {}
        self.transceivers: dict[str, Transceiver] = {}
        self.ports: dict[str, LinPort] = {}
        self.feeds: dict[str, list[str]] = {name: [] for name in vehicle.modules}  # fed functions by module
        self.driven: dict[str, list[str]] = {name: [] for name in vehicle.modules}  # pins that loads end on
        self.sensed: dict[str, dict[str, str]] = {name: {} for name in vehicle.modules}  # pin -> which end
        self.fed_parts: frozenset[str] = frozenset()
        self.pins: dict[tuple[str, str], str] = {}
        self.fused: list[tuple[str, Callable[[], None]]] = []  # the last wires behind fuses, by consumer
        self.cavities = dict.fromkeys(vehicle.inline, 0)
        self.inline_pins: dict[str, list[Pin]] = {name: [] for name in vehicle.inline}

    def car(self, claimed: Vehicle) -> Car:
        self._check_names()
        self._check_sources()
        self._collect_fed_pins()
        self._collect_sensor_pins()
        self._battery()
        self._grounds()
        for name, module in self.vehicle.modules.items():
            self._module(name, module)
        self._dlc()
        for name in self.vehicle.relays:
            self._relay(name)
        for name in self.vehicle.loads:
            self._load(name)
        for name in self.vehicle.switches:
            self._switch(name)
        for name in self.vehicle.fuses:
            self._fuse(name)
        # by consumer, so that no cavity gets another number when a theory moves one to another fuse
        for _, run in sorted(self.fused, key=lambda one: one[0]):
            run()
        for name in self.vehicle.buses:
            self._bus(name)
        for name in self.vehicle.lin:
            self._cluster(name)
        self._sensors()
        self._generator()
        for name in self.vehicle.inline:
            self.connectors[name] = Connector(
                name, "", "inline", tuple(self.inline_pins[name]), self.vehicle.inline[name].location
            )
        self._check_people()
        return Car(
            self.vehicle,
            claimed,
            self.elements,
            self.connectors,
            self.transceivers,
            self.messages,
            diagnostic_addresses(self.vehicle),
            lin=self.ports,
        )

    # -- names -----------------------------------------------------------------------------------------

    def _check_names(self) -> None:
        seen = dict(RESERVED)
        kinds = ("modules", "fuses", "relays", "grounds", "inline", "switches", "loads", "sensors")
        for kind in kinds:
            for name in getattr(self.vehicle, kind):
                if name in seen:
                    raise Problem(f"the name '{name}' is taken by {seen[name]}", (kind, name))
                seen[name] = f"one of the {kind}"

    def _check_sources(self) -> None:
        """Every fuse and relay leads back to the battery."""
        holders: dict[str, Fuse | Relay] = {**self.vehicle.fuses, **self.vehicle.relays}
        for name in holders:
            kind = "fuses" if name in self.vehicle.fuses else "relays"
            way = [name]
            while (source := holders[way[-1]].from_) != "battery":
                if source not in holders:
                    wrong = "fuses" if way[-1] in self.vehicle.fuses else "relays"
                    raise Problem(
                        f"no source '{source}' in this car{did_you_mean(source, ['battery', *holders])}",
                        (wrong, way[-1], "from"),
                    )
                if source in way:
                    raise Problem(f"is fed in a ring: {' from '.join([*way, source])}", (kind, name, "from"))
                way.append(source)

    def _collect_fed_pins(self) -> None:
        fed: dict[str, str] = {}
        for feeder, item, path in self._all_feeds():
            target, _ = _end_and_way(item, path)
            self._check_consumer(target, path)
            module, _, function = target.partition(".")
            wanted = f"{target}.B+" if module in self.vehicle.modules and not function else target
            if wanted in fed:
                raise Problem(f"{wanted} is fed twice, by {fed[wanted]} and {feeder}", path)
            fed[wanted] = feeder
            if module in self.vehicle.modules:
                self.feeds[module].append(function or "B+")
        self.fed_parts = frozenset(fed)
        for functions in self.feeds.values():
            functions.sort(key=lambda function: (not function.startswith("B+"), function))
        for kind, names in (("loads", self.vehicle.loads), ("switches", self.vehicle.switches)):
            for name in names:
                if name not in fed:
                    raise Problem(f"no fuse or relay feeds '{name}'", (kind, name))
        for name, load in self.vehicle.loads.items():
            module, _, function = load.to.partition(" ")[0].partition(".")
            if module in self.vehicle.modules:
                if not function:
                    raise Problem(
                        f"load '{name}' ends on module {module}: name its pin", ("loads", name, "to")
                    )
                self.driven[module].append(function)

    def _collect_sensor_pins(self) -> None:
        """Which pins of modules a sensor's three wires end on."""
        for name, sensor in self.vehicle.sensors.items():
            ends = zip(SENSOR_ENDS, ("from", "signal", "ground"), _ends_of(sensor), strict=True)
            for end, key, item in ends:
                path: Path = ("sensors", name, key)
                target, _ = _end_and_way(item, path)
                module, _, function = target.partition(".")
                if module not in self.vehicle.modules or not function:
                    raise Problem(
                        f"'{item}' is no module's pin{did_you_mean(module, self.vehicle.modules)}", path
                    )
                references = self.vehicle.modules[module].references
                if end == "supply" and function not in references:
                    near = did_you_mean(function, references)
                    raise Problem(f"module '{module}' has no reference '{function}'{near}", path)
                if self.sensed[module].setdefault(function, end) != end:
                    raise Problem(f"pin {target} is another end of a sensor already", path)

    def _all_feeds(self) -> Iterator[tuple[str, str, Path]]:
        for name, fuse in self.vehicle.fuses.items():
            for index, item in enumerate(fuse.feeds):
                yield name, item, ("fuses", name, "feeds", index)
        for name, relay in self.vehicle.relays.items():
            for index, item in enumerate(relay.feeds):
                yield name, item, ("relays", name, "feeds", index)

    # -- power -----------------------------------------------------------------------------------------

    def _battery(self) -> None:
        battery = self.vehicle.battery
        self._add(Source("BAT", "BAT+", "BAT-", battery.internal_ohm))
        for post, far in (("POS", "BAT+"), ("NEG", "BAT-")):
            pin = Pin(f"BAT.{post}", f"BAT.{post}", "1", "B+" if post == "POS" else "GND", far)
            self._add(Contact(pin.id, f"BAT.{post}", far, f"BAT.{post}", CLAMP_OHM))
            self.connectors[f"BAT.{post}"] = Connector(f"BAT.{post}", "", "battery", (pin,), "battery")
        self._wire("BAT.POS", "BAR", battery.cable_m, battery.cable_mm2)
        self._wire("BAT.NEG", "BODY", battery.ground_cable_m, battery.cable_mm2)

    def _generator(self) -> None:
        """The generator, its cable, its ground and its lamp wire."""
        if self.vehicle.engine is None:
            return
        spec, path = self.vehicle.engine.generator, ("engine", "generator")
        starter = self.vehicle.loads.get(self.vehicle.engine.starter)
        usual = starter.to.partition(" ")[0] if starter else None
        ground = self._ground_node(spec.ground or usual, (*path, "ground"))
        self._add(GeneratorOutput("GEN", "GEN.1", "GEN.2", spec.regulated_v, spec.ohm, spec.limit_a))
        self._wire("GEN.2", ground, GENERATOR_GROUND_M, spec.cable_mm2)
        if "GEN" not in self.fed_parts:
            self._wire("BAR", "GEN.1", spec.cable_m, spec.cable_mm2)
        if spec.lamp is None:
            return
        end, via = _end_and_way(spec.lamp, (*path, "lamp"))
        module, _, function = end.partition(".")
        if module not in self.vehicle.modules or function not in self.vehicle.modules[module].inputs:
            inputs = [f"{m}.{i}" for m, one in self.vehicle.modules.items() for i in one.inputs]
            raise Problem(f"no input '{end}' in this car{did_you_mean(end, inputs)}", (*path, "lamp"))
        self._add(GeneratorSignal("GEN:lamp", "GEN.1", "GEN.L", LAMP_TERMINAL_OHM))
        self._run("GEN.L", self.pins[module, function], via, 2.0, 0.5, "GEN.L", (*path, "lamp"))

    def _grounds(self) -> None:
        for name, ground in self.vehicle.grounds.items():
            usual_ohm = STUD_OHM if name in self._starter_grounds() else JOINT_OHM
            self._add(Resistor(name, name, "BODY", ground.joint_ohm or usual_ohm, "joint"))

    def _starter_grounds(self) -> set[str]:
        starters = (load for load in self.vehicle.loads.values() if load.kind == "starter")
        return {load.to.partition(" ")[0] for load in starters}

    def _starts(self, relay: Relay) -> bool:
        """Is it the starter's own contact?"""
        loads = (self.vehicle.loads.get(item.partition(" ")[0]) for item in relay.feeds)
        return any(load is not None and load.kind == "starter" for load in loads)

    def _ground_node(self, name: str | None, path: Path) -> str:
        known = list(self.vehicle.grounds)
        if name is None:
            return known[0]
        if name not in known:
            raise Problem(f"no ground point '{name}' in this car{did_you_mean(name, known)}", path)
        return name

    def _source(self, name: str) -> str:
        if name == "battery":
            return "BAR"
        return f"{name}.87" if name in self.vehicle.relays else f"{name}.2"

    def _fuse(self, name: str) -> None:
        fuse = self.vehicle.fuses[name]
        area_mm2 = fuse.area_mm2 or usual_area_mm2(fuse.rating_a)
        source = self._source(fuse.from_)
        self._add(Resistor(f"{name}.bar", source, f"{name}.1", BAR_OHM, "joint"))
        self._add(FuseLink(name, f"{name}.1", f"{name}.2", fuse.rating_a))
        self._feed(name, f"{name}.2", fuse.feeds, fuse.length_m, area_mm2, ("fuses", name, "feeds"))

    def _feed(
        self, name: str, node: str, items: tuple[str, ...], length_m: float, area_mm2: float, path: Path
    ) -> None:
        if len(items) > 1:
            splice = f"SP.{name}"
            self._wire(node, splice, length_m / 2, area_mm2)
            node, length_m = splice, length_m / 2
        for index, item in enumerate(items):
            target, via = self._target(item, (*path, index))
            run = partial(self._run, node, target, via, length_m, area_mm2, name, (*path, index))
            self.fused.append((target, run))

    def _target(self, item: str, path: Path) -> tuple[str, list[str]]:
        name, via = _end_and_way(item, path)
        owner, _, function = name.partition(".")
        if owner in self.vehicle.modules:
            return self.pins[owner, function or "B+"], via
        return "DLC.16" if name == "DLC" else f"{name}.1", via

    def _check_consumer(self, name: str, path: Path) -> None:
        owner = name.partition(".")[0]
        known = [*self.vehicle.modules, *self.vehicle.loads, *self.vehicle.switches, "DLC"]
        known += ["GEN"] if self.vehicle.engine else []
        if owner not in self.vehicle.modules and name not in known:
            raise Problem(f"nothing called '{name}' to feed in this car{did_you_mean(owner, known)}", path)

    def _relay(self, name: str) -> None:
        relay = self.vehicle.relays[name]
        path = ("relays", name)
        source = self._source(relay.from_)
        starts = self._starts(relay)
        contact_ohm = SOLENOID_OHM if starts else RELAY_OHM
        self._add(Resistor(f"{name}.bar", source, f"{name}.30", STUD_OHM if starts else BAR_OHM, "joint"))
        self._add(RelayContact(name, f"{name}.30", f"{name}.87", name, contact_ohm))
        self._add(
            Coil(
                f"{name}.coil",
                f"{name}.86",
                f"{name}.85",
                name,
                relay.coil_ohm,
                relay.pull_in_v,
                relay.drop_out_v,
            )
        )
        self._wire(self._coil_driver(relay.coil, (*path, "coil")), f"{name}.86", 1.0, 0.5)
        self._wire(f"{name}.85", self._ground_node(relay.ground, (*path, "ground")), 0.5, 0.5)
        self._feed(name, f"{name}.87", relay.feeds, 1.0, STARTER_MM2 if starts else 10.0, (*path, "feeds"))

    def _coil_driver(self, coil: str, path: Path) -> str:
        """The terminal that drives a relay's coil: a module's output, or a hand switch."""
        if coil in self.vehicle.switches:
            return f"{coil}.2"
        module, _, output = coil.partition(".")
        if (module, output) in self.pins and output in self.vehicle.modules[module].outputs:
            return self.pins[module, output]
        known = [f"{m}.{o}" for m, spec in self.vehicle.modules.items() for o in spec.outputs]
        known += self.vehicle.switches
        raise Problem(f"no output '{coil}' in this car{did_you_mean(coil, known)}", path)

    def _load(self, name: str) -> None:
        load = self.vehicle.loads[name]
        path = ("loads", name, "to")
        self._add(LoadPart(name, f"{name}.1", f"{name}.2", load.ohm, load.kind))
        end, via = _end_and_way(load.to, path)
        owner, _, function = end.partition(".")
        if owner in self.vehicle.modules:
            target = self.pins[owner, function]
        elif end in self.vehicle.grounds:
            target = end
        else:
            known = [*self.vehicle.grounds, *self.vehicle.modules]
            raise Problem(f"no ground or module pin '{end}'{did_you_mean(end, known)}", path)
        area_mm2 = STARTER_MM2 if load.kind == "starter" else 1.5
        self._run(f"{name}.2", target, via, 1.0, area_mm2, name, path)

    def _switch(self, name: str) -> None:
        switch = self.vehicle.switches[name]
        self._add(HandSwitch(name, f"{name}.1", f"{name}.2", switch.operated_by))
        for index, item in enumerate(switch.to):
            path = ("switches", name, "to", index)
            end, via = _end_and_way(item, path)
            owner, _, function = end.partition(".")
            if owner not in self.vehicle.modules or function not in self.vehicle.modules[owner].inputs:
                inputs = [f"{m}.{i}" for m, spec in self.vehicle.modules.items() for i in spec.inputs]
                raise Problem(f"no input '{end}' in this car{did_you_mean(end, inputs)}", path)
            self._run(f"{name}.2", self.pins[owner, function], via, 1.5, 0.5, name, path)

    def _sensors(self) -> None:
        """Sensors with their connectors; wires that end on one pin meet in a splice."""
        wires: dict[str, list[tuple[str, list[str], Path]]] = {}
        for name, sensor in self.vehicle.sensors.items():
            pins = []
            for number, (end, item) in enumerate(zip(SENSOR_ENDS, _ends_of(sensor), strict=True), start=1):
                pin = Pin(f"{name}.{number}", name, str(number), end, f"{name}:{number}")
                self._add(Contact(pin.id, pin.id, pin.inner, name))
                pins.append(pin)
                path: Path = ("sensors", name, "from" if end == "supply" else end)
                target, via = _end_and_way(item, path)
                wires.setdefault(target, []).append((pin.id, via, path))
            self.connectors[name] = Connector(name, "", "sensor", tuple(pins), sensor.location)
            self._add(Resistor(f"{name}:draw", f"{name}:1", f"{name}:3", sensor.ohm, "sensor"))
            above_ohm = (1 - sensor.share) * SENSOR_TRACK_OHM
            self._add(Resistor(f"{name}:above", f"{name}:1", f"{name}:2", above_ohm, "sensor"))
            below_ohm = sensor.share * SENSOR_TRACK_OHM
            self._add(Resistor(f"{name}:below", f"{name}:2", f"{name}:3", below_ohm, "sensor"))
        for target, runs in wires.items():
            module, _, function = target.partition(".")
            node, length_m = self.pins[module, function], 1.5
            if len(runs) > 1:
                self._wire(node, f"SP.{target}", length_m / 2, 0.5)
                node, length_m = f"SP.{target}", length_m / 2
            for pin_id, via, path in runs:
                self._run(node, pin_id, via, length_m, 0.5, target, path)

    # -- modules ---------------------------------------------------------------------------------------

    def _functions(self, name: str, module: Module) -> list[str]:
        grounds = ["GND" if i == 0 else f"GND{i + 1}" for i in range(max(1, len(module.ground)))]
        legs = [f"{bus}.{leg}" for bus, _ in self._places(name) for leg in "HL"]
        _check_pin_roles(name, module, self.feeds[name], grounds, self.sensed[name])
        pins = [*self.feeds[name], *grounds, *legs, *module.inputs, *module.outputs, *self.driven[name]]
        pins += [check.pin for check in module.checks]
        # last, so that a car with sensors has its other cavities where it had them
        pins += [*module.references, *self.sensed[name]]
        pins += [f"{cluster}.LIN" for cluster in self.messages.clusters_of[name]]
        return list(dict.fromkeys(pins))

    def _places(self, name: str) -> list[tuple[str, str]]:
        return [
            (bus, word)
            for bus, spec in self.vehicle.buses.items()
            for item, word in line_items(spec.line)
            if item == name
        ]

    def _module(self, name: str, module: Module) -> None:
        functions = self._functions(name, module)
        if not self.feeds[name]:
            raise Problem(f"module '{name}' has no supply: no fuse or relay feeds it", ("modules", name))
        self._connectors(name, module, functions)
        for index, item in enumerate(module.ground or (None,)):
            path = ("modules", name, "ground", index)
            end, via = _end_and_way(item, path) if item is not None else (None, [])
            node = self._ground_node(end, path)
            pin = self.pins[name, "GND" if index == 0 else f"GND{index + 1}"]
            self._run(pin, node, via, 0.8, 1.5, name, path)
            inner = "GND" if index == 0 else f"GND{index + 1}"
            self._add(Resistor(f"{name}:{inner}.trace", f"{name}:{inner}", f"{name}:0", TRACE_OHM))
        self._inside(name, module)
        for bus, word in self._places(name):
            self._transceiver(name, bus, word)
        for cluster in self.messages.clusters_of[name]:
            self._lin_port(name, cluster)

    def _inside(self, name: str, module: Module) -> None:
        supplies = supply_functions(self.feeds[name])
        for function in self.feeds[name]:
            if function in supplies:
                share = 1 / len(supplies)
                draw = (module.run_a * share, module.sleep_a * share)
                self._add(Draw(f"{name}:{function}.draw", f"{name}:{function}", f"{name}:0", name, *draw))
            else:
                self._add(
                    Resistor(
                        f"{name}:{function}.sense", f"{name}:{function}", f"{name}:0", SENSE_OHM, "input"
                    )
                )
        for function, wired in module.inputs.items():
            if function not in self.feeds[name]:
                self._add(
                    Resistor(
                        f"{name}:{function}.pull", f"{name}:{function}", f"{name}:0", wired.pull_ohm, "input"
                    )
                )
        for function in module.outputs:
            self._add(
                Driver(
                    f"{name}:{function}.driver", f"{name}:{supplies[0]}", f"{name}:{function}", name, function
                )
            )
        for function, reference in module.references.items():
            self._add(
                ReferenceSupply(
                    f"{name}:{function}.reference", f"{name}:{function}", f"{name}:0", name,
                    reference.volt, reference.limit_a,
                )
            )  # fmt: skip
            inner = f"{name}:{function}"  # the module measures its own reference
            self._add(Resistor(f"{inner}.pull", inner, f"{name}:0", SIGNAL_OHM, "input"))
        for function, end in self.sensed[name].items():
            inner = f"{name}:{function}"
            if end == "ground":
                self._add(Resistor(f"{inner}.trace", inner, f"{name}:0", TRACE_OHM))
            elif end == "signal":
                self._add(Resistor(f"{inner}.pull", inner, f"{name}:0", SIGNAL_OHM, "input"))
        # pins that only measure (or sink a load): a high-ohm divider to the module's own ground
        measured = [*self.driven[name], *(check.pin for check in module.checks)]
        other = (*self.feeds[name], *module.inputs, *module.outputs, *module.references, *self.sensed[name])
        for function in dict.fromkeys(measured):
            if function not in other:
                self._add(
                    Resistor(
                        f"{name}:{function}.sense", f"{name}:{function}", f"{name}:0", SENSE_OHM, "input"
                    )
                )

    def _connectors(self, name: str, module: Module, functions: list[str]) -> None:
        layout = self._layout(name, module, functions)
        for bus, word in self._places(name):
            if "through" in word:
                # last in the plug, so that no cavity gets another number by a theory about the line
                plug = next(plug for plug, listed in layout.items() if f"{bus}.H" in listed)
                layout[plug] += [f"{bus}.H2", f"{bus}.L2"]
        for plug, listed in layout.items():
            pins = []
            for number, function in enumerate(listed, start=1):
                pin = Pin(
                    f"{name}.{plug}.{number}", f"{name}.{plug}", str(number), function, f"{name}:{function}"
                )
                self._add(Contact(pin.id, pin.id, pin.inner, pin.connector))
                self.pins[name, function] = pin.id
                pins.append(pin)
            connector = f"{name}.{plug}"
            self.connectors[connector] = Connector(connector, name, "module", tuple(pins), module.location)

    def _layout(self, name: str, module: Module, functions: list[str]) -> dict[str, list[str]]:
        if not module.connectors:
            return {"C1": functions}
        left = list(functions)
        layout: dict[str, list[str]] = {}
        for plug, listed in module.connectors.items():
            layout[plug] = []
            for index, word in enumerate(listed):
                chosen = [f for f in left if f == word or f.startswith(f"{word}.")]
                if not chosen:
                    raise Problem(
                        f"module '{name}' has no pin '{word}'{did_you_mean(word, functions)}",
                        ("modules", name, "connectors", plug, index),
                    )
                layout[plug] += chosen
                left = [f for f in left if f not in chosen]
        layout[next(iter(layout))] += left
        return layout

    def _transceiver(self, name: str, bus: str, word: str) -> None:
        high, low = f"{name}:{bus}.H", f"{name}:{bus}.L"
        if "through" in word:
            for leg in (high, low):
                self._add(Resistor(f"{leg}.through", leg, f"{leg}2", TRACE_OHM))
        if "terminated" in word:
            self._add(Resistor(f"{name}:{bus}.terminator", high, low, TERMINATOR_OHM, "terminator"))
        channel = f"{name}.{bus}"
        self.transceivers[channel] = Transceiver(
            channel, name, bus, high, low, f"{name}:0", self.vehicle.buses[bus].bitrate_bps
        )

    def _lin_port(self, name: str, cluster: str) -> None:
        node, is_master = f"{name}:{cluster}.LIN", self.vehicle.lin[cluster].master == name
        supply = f"{name}:{supply_functions(self.feeds[name])[0]}"
        ohm = LIN_MASTER_OHM if is_master else LIN_SLAVE_OHM
        self._add(PullUp(f"{node}.pull-up", supply, node, name, ohm))
        self._add(Resistor(f"{node}.receiver", node, f"{name}:0", LIN_RECEIVER_OHM, "input"))
        channel = f"{name}.{cluster}"
        self.ports[channel] = LinPort(channel, name, cluster, node, f"{name}:0", is_master)

    def _dlc(self) -> None:
        bus = next(
            (
                bus
                for bus, spec in self.vehicle.buses.items()
                for item, _ in line_items(spec.line)
                if item == "DLC"
            ),
            None,
        )
        pins = tuple(Pin(f"DLC.{n}", "DLC", n, function, f"{TESTER}:{n}") for n, function in DLC_PINS.items())
        for pin in pins:
            self._add(Contact(pin.id, pin.id, pin.inner, "DLC", 0.02))
        self.connectors["DLC"] = Connector("DLC", "", "dlc", pins, self.vehicle.dlc.location)
        ground = self._ground_node(self.vehicle.dlc.ground, ("dlc", "ground"))
        for cavity in ("4", "5"):
            self._wire(f"DLC.{cavity}", ground, 0.8, 0.5)
            self._add(Resistor(f"{TESTER}:{cavity}.trace", f"{TESTER}:{cavity}", f"{TESTER}:0", TRACE_OHM))
        self._add(Draw(f"{TESTER}:16.draw", f"{TESTER}:16", f"{TESTER}:0", TESTER, TESTER_A, TESTER_A))
        if bus:
            rate = self.vehicle.buses[bus].bitrate_bps
            self.transceivers[TESTER] = Transceiver(
                TESTER, TESTER, bus, f"{TESTER}:6", f"{TESTER}:14", f"{TESTER}:0", rate
            )

    # -- buses -----------------------------------------------------------------------------------------

    def _bus(self, bus: str) -> None:
        spec = self.vehicle.buses[bus]
        items = line_items(spec.line)
        for leg in ("H", "L"):
            ends = []
            for index, (name, word) in enumerate(items):
                at_end = index in (0, len(items) - 1)
                ends.append(self._stop(bus, leg, name, word, at_end))
            for (_, leaving), (entering, _) in pairwise(ends):
                self._wire(leaving, entering, spec.span_m, spec.area_mm2)

    def _stop(self, bus: str, leg: str, name: str, word: str, at_end: bool) -> tuple[str, str]:
        """Where the line's wire arrives and where the next one leaves, at one stop of the line."""
        if name in self.vehicle.modules:
            pin = self.pins[name, f"{bus}.{leg}"]
            if "through" in word:
                return pin, self.pins[name, f"{bus}.{leg}2"]
            return self._joint(bus, leg, name, pin, at_end)
        if name == "DLC":
            return self._joint(bus, leg, name, f"DLC.{'6' if leg == 'H' else '14'}", at_end)
        if name in self.vehicle.inline:
            return self._cavity(name, f"{bus}.{leg}")
        if leg == "H":
            self._add(Resistor(name, f"{name}.H", f"{name}.L", TERMINATOR_OHM, "terminator"))
        return f"{name}.{leg}", f"{name}.{leg}"

    def _joint(self, bus: str, leg: str, name: str, pin: str, at_end: bool) -> tuple[str, str]:
        if at_end:
            return pin, pin
        splice = f"SP.{bus}.{name}.{leg}"
        self._wire(splice, pin, self.vehicle.buses[bus].stub_m, self.vehicle.buses[bus].area_mm2)
        return splice, splice

    def _cluster(self, cluster: str) -> None:
        """The one wire of a LIN cluster, from stop to stop."""
        spec = self.vehicle.lin[cluster]
        ends = []
        for index, name in enumerate(spec.line):
            if name in self.vehicle.inline:
                ends.append(self._cavity(name, f"{cluster}.LIN"))
                continue
            pin = self.pins[name, f"{cluster}.LIN"]
            if index in (0, len(spec.line) - 1):
                ends.append((pin, pin))
                continue
            splice = f"SP.{cluster}.{name}"
            self._wire(splice, pin, spec.stub_m, spec.area_mm2)
            ends.append((splice, splice))
        for (_, leaving), (entering, _) in pairwise(ends):
            self._wire(leaving, entering, spec.span_m, spec.area_mm2)

    # -- small parts -----------------------------------------------------------------------------------

    def _add(self, element: Element) -> None:
        if element.id in self.elements:
            raise Problem(f"'{element.id}' is described twice")
        self.elements[element.id] = element

    def _wire(self, a: str, b: str, length_m: float, area_mm2: float) -> None:
        self._add(Wire(f"{a}--{b}", a, b, length_m, area_mm2))

    def _run(
        self, a: str, b: str, via: list[str], length_m: float, area_mm2: float, label: str, path: Path
    ) -> None:
        """A wire from a to b, through in-line connectors."""
        for name in via:
            if name not in self.vehicle.inline:
                raise Problem(
                    f"no in-line connector '{name}' in this car{did_you_mean(name, self.vehicle.inline)}",
                    path,
                )
            near, far = self._cavity(name, label)
            self._wire(a, near, length_m / (len(via) + 1), area_mm2)
            a = far
        self._wire(a, b, length_m / (len(via) + 1), area_mm2)

    def _cavity(self, name: str, label: str) -> tuple[str, str]:
        self.cavities[name] += 1
        number = self.cavities[name]
        pin = Pin(f"{name}.{number}", name, str(number), label, f"{name}.{number}b")
        self._add(Contact(pin.id, f"{name}.{number}a", pin.inner, name))
        self.inline_pins[name].append(pin)
        return f"{name}.{number}a", f"{name}.{number}b"

    def _check_people(self) -> None:
        vehicle = self.vehicle
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
            for key, parts in (("coils", vehicle.engine.coils), ("injectors", vehicle.engine.injectors)):
                loads += [(("engine", key, index), part) for index, part in enumerate(parts)]
        for path, name in modules:
            if name not in vehicle.modules:
                raise Problem(unknown("module", name, vehicle.modules), path)
        for path, name in loads:
            if name not in vehicle.loads:
                raise Problem(unknown("load", name, vehicle.loads), path)
        _check_facts(vehicle, self.feeds)


def supply_functions(fed: list[str]) -> list[str]:
    """Which fed pins carry the module's own current: the `B+` ones, or all where there is no `B+`."""
    return [function for function in fed if function.startswith("B+")] or list(fed)


def check_lines(vehicle: Vehicle) -> None:
    """Every stop of every bus line is known, and nobody stands on one line twice."""
    seen = set(RESERVED) - {"DLC"}
    for kind in ("modules", "fuses", "relays", "grounds", "inline", "switches", "loads", "sensors"):
        seen |= set(getattr(vehicle, kind))
    seen_on_lines: set[str] = set()
    for bus, spec in vehicle.buses.items():
        if len(spec.line) < 2:
            raise Problem("a bus line has at least two members", ("buses", bus, "line"))
        on_line: set[str] = set()
        for index, (name, word) in enumerate(line_items(spec.line)):
            path = ("buses", bus, "line", index)
            if name in vehicle.inline and not word:
                continue
            if name in on_line:
                raise Problem(f"{name} stands on the line of {bus} twice", path)
            on_line.add(name)
            seen_on_lines.add(name)
            if name in vehicle.modules:
                if set(word.split()) - {"terminated", "through"}:
                    raise Problem(f"'{word}' is no way to join a line; known: terminated, through", path)
            elif word == "terminator" or (name == "DLC" and not word):
                if name in seen:
                    raise Problem(f"the name '{name}' is taken", path)
                seen.add(name)
            else:
                known = [*vehicle.modules, *vehicle.inline, "DLC"]
                item = f"{name} {word}".strip()
                raise Problem(
                    f"nothing called '{item}' for the line of {bus}{did_you_mean(name, known)}", path
                )

    seen_on_lines |= _check_clusters(vehicle)
    for name in vehicle.modules:
        if name not in seen_on_lines:
            raise Problem(f"module '{name}' stands on no bus line", ("modules", name))


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
                known = [*vehicle.modules, *vehicle.inline]
                near = did_you_mean(name, known)
                raise Problem(f"nothing called '{name}' for the line of {cluster}{near}", path)
            if modules.count(name) > 1:
                raise Problem(f"{name} stands on the line of {cluster} twice", path)
        if len(modules) < 2:
            raise Problem("a LIN line has a master and at least one slave", ("lin", cluster, "line"))
        if spec.master not in modules:
            raise Problem(
                f"the master '{spec.master}' does not stand on the line{did_you_mean(spec.master, modules)}",
                ("lin", cluster, "master"),
            )
        on_buses = {name for bus in vehicle.buses.values() for name, _ in line_items(bus.line)}
        if spec.master not in on_buses:
            raise Problem(
                f"the master {spec.master} stands on no CAN bus: nobody could learn of its slaves",
                ("lin", cluster, "master"),
            )
        found.update(modules)
    return found


def _ends_of(sensor: Sensor) -> tuple[str, str, str]:
    """Where a sensor's supply, signal and ground wires end."""
    return sensor.from_, sensor.signal, sensor.ground


def _end_and_way(item: str, path: Path) -> tuple[str, list[str]]:
    """`DDM via X2 X3` -> DDM and the in-line connectors on the way."""
    words = item.split()
    shaped = words and (len(words) == 1 or (len(words) > 2 and words[1] == "via"))
    if not shaped or not re.fullmatch(rf"{NAME}(\.{NAME})?", words[0]):
        raise Problem(f"'{item}' is no end of a wire: write 'NAME', 'NAME.PIN' or 'NAME via X1'", path)
    return words[0], words[2:]


def _check_pin_roles(
    name: str, module: Module, fed: list[str], grounds: list[str], sensed: Iterable[str]
) -> None:
    for pin in (*module.references, *sensed):
        if pin in (*fed, *grounds, *module.inputs, *module.outputs):
            raise Problem(f"pin '{pin}' cannot be for sensors and something else", ("modules", name))
    for output in module.outputs:
        if output in (*fed, *grounds, *module.inputs):
            raise Problem(
                f"pin '{output}' cannot be an output and something else", ("modules", name, "outputs", output)
            )
    for wired in module.inputs:
        if wired in grounds or wired in supply_functions(fed):
            raise Problem(
                f"pin '{wired}' cannot be an input and a supply", ("modules", name, "inputs", wired)
            )


def _check_facts(vehicle: Vehicle, fed: dict[str, list[str]]) -> None:
    """What a module's software reads must be something that this module can know."""
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
            known = ["bus", "fob", *fed[name], *module.inputs]
            if source not in known:
                raise Problem(
                    f"module '{name}' is not woken by '{source}'{did_you_mean(source, known)}",
                    ("modules", name, "wake", index),
                )
    modes = vehicle.power_modes
    pressed = modes is not None and any(rule.on in ("press", "release") for rule in modes.rules)
    if modes and pressed and modes.button not in vehicle.modules[modes.master].inputs:
        raise Problem(
            f"module '{modes.master}' has no input '{modes.button}'"
            f"{did_you_mean(modes.button, vehicle.modules[modes.master].inputs)}",
            ("power_modes", "button"),
        )


def _check_leaf(vehicle: Vehicle, name: str, leaf: Condition, fed: list[str], path: Path) -> None:
    module = vehicle.modules[name]
    if leaf.input is not None and leaf.input not in module.inputs:
        raise Problem(
            f"module '{name}' has no input '{leaf.input}'{did_you_mean(leaf.input, module.inputs)}", path
        )
    if leaf.line is not None and leaf.line not in fed:
        raise Problem(f"no fuse feeds a line '{leaf.line}' of {name}{did_you_mean(leaf.line, fed)}", path)
    if leaf.fob is not None and not module.fob_receiver:
        raise Problem(f"module '{name}' sees no fob: it needs 'fob_receiver: true'", path)
    for fact, value in (("engine_state", leaf.engine), ("immobilizer", leaf.immobilizer)):
        knower = _only_knower(vehicle, fact)
        if value is not None and knower and name not in knower:
            raise Problem(
                f"module '{name}' cannot know the fact '{fact}': {' and '.join(knower)} does; read a signal",
                path,
            )


def _only_knower(vehicle: Vehicle, fact: str | None) -> tuple[str, ...]:
    """The modules that know a fact by themselves; empty where anyone may."""
    if fact in ("engine_state", "engine_speed_rpm") and vehicle.engine:
        return (vehicle.engine.controller,)
    if fact == "power_mode" and vehicle.power_modes:
        return (vehicle.power_modes.master,)
    if fact == "immobilizer" and vehicle.immobilizer:
        return (vehicle.immobilizer.authority, vehicle.immobilizer.engine)
    return ()
