"""Modules and the diagnostic connector in a harness: their pins, their connectors, and what is inside."""

from __future__ import annotations

from sim.vehicle.checks import check_pin_roles, supply_functions
from sim.vehicle.circuits import BIAS_OHM, FEED_OHM, PULL_OHM, RETURN_OHM, WHEEL_SHUNT_OHM
from sim.vehicle.description_software import Module
from sim.vehicle.description_wiring import Bus
from sim.vehicle.elements import (
    TERMINATOR_OHM,
    TESTER,
    TESTER_LINK,
    Bias,
    Connector,
    Contact,
    Draw,
    Driver,
    LinPort,
    Pin,
    PullUp,
    ReferenceSupply,
    Resistor,
    ResistorKind,
    Transceiver,
)
from sim.vehicle.ethernet import PhyRole
from sim.vehicle.harness_high_voltage import own_pins
from sim.vehicle.loom import Loom
from sim.vehicle.problems import Problem, did_you_mean
from sim.vehicle.wire_ends import LineStop, wire_end_at

TRACE_OHM = 0.001  # a few centimeters of circuit board; the model needs it above zero
# ISO 17987-4 / LIN 2.x physical layer, R_master and R_slave (from memory; every transceiver's data sheet)
LIN_MASTER_OHM, LIN_SLAVE_OHM = 1000.0, 30_000.0
LIN_RECEIVER_OHM = 1_000_000.0  # 12 uA; at most 20 uA may flow into a port at rest (LIN 2.x, from memory)
SENSE_OHM = 10_000.0  # pull-down of an ignition sense input; common practice
SIGNAL_OHM = 220_000.0  # pull-down of a sensor input; common practice
TESTER_A = 0.2  # what a tester draws from pin 16; common practice
DLC_PINS = {"4": "GND", "5": "GND2", "6": "H", "14": "L", "16": "B+"}  # SAE J1962
# ISO 13400-4, from memory. Not modeled: the second pair (12 and 13) and the activation line (8) of
# 100BASE-TX; the link is laid as one pair of 100BASE-T1.
DLC_LINK_PINS = {"3": "P", "11": "N"}
DLC_CAVITIES = {function: cavity for cavity, function in (DLC_PINS | DLC_LINK_PINS).items()}


def _functions(loom: Loom, name: str, module: Module) -> list[str]:
    grounds = [ground for ground, _ in _grounds(module)]
    legs = [f"{bus}.{leg}" for bus, _ in _stops(loom, name) for leg in loom.vehicle.buses[bus].legs]
    check_pin_roles(name, module, loom.feeds[name], grounds, loom.sensed[name])
    pins = [*loom.feeds[name], *grounds, *legs, *module.inputs, *module.outputs, *loom.driven[name]]
    pins += [check.pin for check in module.checks]
    # last, so that a car with sensors has its other cavities where it had them
    pins += [*module.references, *loom.sensed[name]]
    pins += [f"{cluster}.LIN" for cluster in loom.messages.clusters_of[name]]
    pins += [pin for one in loom.vehicle.watched.values() if one.module == name for pin in one.pins]
    pins += own_pins(loom.vehicle, name)
    return list(dict.fromkeys(pins))


def _grounds(module: Module) -> list[tuple[str, str | None]]:
    """The ground pins of a module, each with what the description says of its wire."""
    items = enumerate(module.ground or (None,), start=1)
    return [("GND" if number == 1 else f"GND{number}", item) for number, item in items]


def _stops(loom: Loom, name: str) -> list[tuple[str, LineStop]]:
    """The buses on whose lines a module or the DLC is, each with its stop there."""
    buses = loom.vehicle.buses.items()
    return [(bus, stop) for bus, spec in buses for stop in spec.stops if stop.name == name]


def lay_module(loom: Loom, name: str, module: Module) -> None:
    """Lay a module: its connectors, grounds and inside, and its connections to buses."""
    functions = _functions(loom, name, module)
    if not loom.feeds[name]:
        raise Problem(f"module '{name}' has no supply: no fuse or relay feeds it", ("modules", name))
    _connectors(loom, name, module, functions)
    for index, (function, item) in enumerate(_grounds(module)):
        path = ("modules", name, "ground", index)
        end = None if item is None else wire_end_at(item, path)
        node = loom.ground_node(end.target if end else None, path)
        loom.run(loom.pins[name, function], node, end.via if end else (), 0.8, 1.5, name, path)
        loom.add(Resistor(f"{name}:{function}.trace", f"{name}:{function}", f"{name}:0", TRACE_OHM))
    _inside(loom, name, module)
    for bus, stop in _stops(loom, name):
        _transceiver(loom, name, bus, stop)
    for cluster in loom.messages.clusters_of[name]:
        _lin_port(loom, name, cluster)


def _inside(loom: Loom, name: str, module: Module) -> None:
    fed, sensed, ground = loom.feeds[name], loom.sensed[name], f"{name}:0"

    def to_ground(function: str, what: str, ohm: float, kind: ResistorKind = "input") -> None:
        loom.add(Resistor(f"{name}:{function}.{what}", f"{name}:{function}", ground, ohm, kind))

    supplies = supply_functions(fed)
    share = 1 / len(supplies)
    for function in fed:
        if function in supplies:
            draw = (module.run_a * share, module.sleep_a * share)
            loom.add(Draw(f"{name}:{function}.draw", f"{name}:{function}", ground, name, *draw))
        else:
            to_ground(function, "sense", SENSE_OHM)
    for function, wired in module.inputs.items():
        if function not in fed:
            to_ground(function, "pull", wired.pull_ohm)
    for function in module.outputs:
        node = f"{name}:{function}"
        loom.add(Driver(f"{node}.driver", f"{name}:{supplies[0]}", node, name, function))
    for function, reference in module.references.items():
        node, limits = f"{name}:{function}", (reference.volt, reference.limit_a)
        loom.add(ReferenceSupply(f"{node}.reference", node, ground, name, *limits))
        to_ground(function, "pull", SIGNAL_OHM)  # the module measures its own reference
    for function, end in sensed.items():
        if end == "ground":
            to_ground(function, "trace", TRACE_OHM, "trace")
        elif end == "signal":
            to_ground(function, "pull", SIGNAL_OHM)
    _watched(loom, name, supplies[0])
    # pins that only measure (or sink a load): a high-ohm divider to the module's own ground
    other = (*fed, *module.inputs, *module.outputs, *module.references, *sensed)
    for function in dict.fromkeys((*loom.driven[name], *(check.pin for check in module.checks))):
        if function not in other:
            to_ground(function, "sense", SENSE_OHM)


def _watched(loom: Loom, name: str, supply: str) -> None:
    """What holds a small current through the circuits that a module watches."""
    watched = [one for one in loom.vehicle.watched.values() if one.module == name]
    for one in watched:
        if one.is_wheel_speed:
            out, back = one.pins
            loom.add(Bias(f"{name}:{out}.feed", f"{name}:{supply}", f"{name}:{out}", name, FEED_OHM))
            at, ground = f"{name}:{back}", f"{name}:0"
            loom.add(Resistor(f"{at}.shunt", at, ground, WHEEL_SHUNT_OHM, "input"))
    own = [one for one in watched if not one.is_wheel_speed]
    bias = f"{name}:bias"
    if own:
        loom.add(Bias(bias, f"{name}:{supply}", bias, name, BIAS_OHM))
    for one in own:
        out, back = one.pins
        loom.add(Resistor(f"{name}:{out}.pull", bias, f"{name}:{out}", PULL_OHM, "input"))
        loom.add(Resistor(f"{name}:{back}.return", f"{name}:{back}", f"{name}:0", RETURN_OHM, "input"))


def _connectors(loom: Loom, name: str, module: Module, functions: list[str]) -> None:
    layout = _layout(loom, name, module, functions)
    for bus, stop in _stops(loom, name):
        if stop.is_through:
            # last in the plug, so that no cavity gets another number by a theory about the line
            plug = next(plug for plug, listed in layout.items() if f"{bus}.H" in listed)
            layout[plug] += [f"{bus}.H2", f"{bus}.L2"]
    for plug, listed in layout.items():
        connector, pins = f"{name}.{plug}", []
        for number, function in enumerate(listed, start=1):
            pin = Pin(f"{connector}.{number}", connector, str(number), function, f"{name}:{function}")
            loom.add(Contact(pin.id, pin.id, pin.inner, connector))
            loom.pins[name, function] = pin.id
            pins.append(pin)
        loom.connectors[connector] = Connector(connector, name, "module", tuple(pins), module.location)


def _layout(loom: Loom, name: str, module: Module, functions: list[str]) -> dict[str, list[str]]:
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


def _transceiver(loom: Loom, name: str, bus: str, stop: LineStop) -> None:
    spec = loom.vehicle.buses[bus]
    high, low = (f"{name}:{bus}.{leg}" for leg in spec.legs)
    if stop.is_through:
        for leg in (high, low):
            loom.add(Resistor(f"{leg}.through", leg, f"{leg}2", TRACE_OHM))
    if stop.is_terminated:
        loom.add(Resistor(f"{name}:{bus}.terminator", high, low, TERMINATOR_OHM, "terminator"))
    channel, role = f"{name}.{bus}", _phy_role(spec, name)
    loom.transceivers[channel] = Transceiver(
        channel, name, bus, high, low, f"{name}:0", spec.bitrate_bps, role
    )


def _phy_role(spec: Bus, name: str) -> PhyRole | None:
    """As what the module's PHY is strapped on an Ethernet link."""
    if not spec.is_ethernet:
        return None
    return "master" if spec.phy_master == name else "slave"


def _lin_port(loom: Loom, name: str, cluster: str) -> None:
    node, is_master = f"{name}:{cluster}.LIN", loom.vehicle.lin[cluster].master == name
    supply = f"{name}:{supply_functions(loom.feeds[name])[0]}"
    ohm = LIN_MASTER_OHM if is_master else LIN_SLAVE_OHM
    loom.add(PullUp(f"{node}.pull-up", supply, node, name, ohm))
    loom.add(Resistor(f"{node}.receiver", node, f"{name}:0", LIN_RECEIVER_OHM, "input"))
    channel = f"{name}.{cluster}"
    loom.ports[channel] = LinPort(channel, name, cluster, node, f"{name}:0", is_master)


def lay_dlc(loom: Loom) -> None:
    """Lay the diagnostic connector, with the load of a tester that is plugged in."""
    buses = [bus for bus, _ in _stops(loom, "DLC")]
    is_link = [loom.vehicle.buses[bus].is_ethernet for bus in buses]
    known = DLC_PINS | (DLC_LINK_PINS if any(is_link) else {})
    pins = tuple(Pin(f"DLC.{n}", "DLC", n, function, f"{TESTER}:{n}") for n, function in known.items())
    for pin in pins:
        loom.add(Contact(pin.id, pin.id, pin.inner, "DLC", 0.02))
    loom.connectors["DLC"] = Connector("DLC", "", "dlc", pins, loom.vehicle.dlc.location)
    ground = loom.ground_node(loom.vehicle.dlc.ground, ("dlc", "ground"))
    for cavity in ("4", "5"):
        loom.wire(f"DLC.{cavity}", ground, 0.8, 0.5)
        loom.add(Resistor(f"{TESTER}:{cavity}.trace", f"{TESTER}:{cavity}", f"{TESTER}:0", TRACE_OHM))
    loom.add(Draw(f"{TESTER}:16.draw", f"{TESTER}:16", f"{TESTER}:0", TESTER, TESTER_A, TESTER_A))
    for bus in buses:
        spec = loom.vehicle.buses[bus]
        channel = TESTER_LINK if spec.is_ethernet else TESTER
        high, low = (f"{TESTER}:{DLC_CAVITIES[leg]}" for leg in spec.legs)
        role = _phy_role(spec, "DLC")
        loom.transceivers[channel] = Transceiver(
            channel, TESTER, bus, high, low, f"{TESTER}:0", spec.bitrate_bps, role
        )
