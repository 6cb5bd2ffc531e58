"""The 12 V and logic side of a high-voltage system in a harness: interlock, coils, converter, charge inlet.

Not modeled: the orange cables themselves, which no instrument of this bay may touch.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.vehicle.checks import supply_functions
from sim.vehicle.description import Vehicle
from sim.vehicle.description_high_voltage import (
    CONTACTORS,
    LOOP_IN,
    LOOP_OHM,
    LOOP_OUT,
    LOOP_V,
    HighVoltage,
    Inlet,
)
from sim.vehicle.elements import (
    CableCode,
    Coil,
    Connector,
    Contact,
    Driver,
    PilotDiode,
    PilotSource,
    Pin,
    ReferenceSupply,
    Resistor,
)
from sim.vehicle.harness_power import input_at, lay_charging
from sim.vehicle.high_voltage_parts import CHARGE
from sim.vehicle.loom import Loom
from sim.vehicle.pilot import (
    CABLE_A,
    CABLE_OHM,
    CHARGE_OHM,
    DIODE_V,
    PRESENT_OHM,
    PROXIMITY_OHM,
    PROXIMITY_V,
    STATION_OHM,
    STATION_V,
)
from sim.vehicle.problems import Path, Problem, unknown

LOOP_MM2, BRIDGE_OHM = 0.35, 0.01
SENSE_OHM = 220_000.0  # of what measures the loop and the proximity contact; common practice
LOOP_LIMIT_A, REFERENCE_LIMIT_A = 0.02, 0.05
CONTACT_PINS = ("interlock in", "interlock out")
INLET_PINS = ("pilot", "proximity", "protective earth")
AT: Path = ("high_voltage",)


def own_pins(vehicle: Vehicle, module: str) -> Iterator[str]:
    """The pins that a module has for the high-voltage system, besides its inputs."""
    spec = vehicle.high_voltage
    if spec and spec.controller == module:
        yield from (LOOP_OUT, LOOP_IN)
    if spec and spec.inlet and spec.inlet.module == module:
        yield spec.inlet.proximity


def lay_high_voltage(loom: Loom) -> None:
    """Lay all of it; raises `Problem` for an in-line connector or a ground that the car does not have."""
    spec = loom.vehicle.high_voltage
    if spec is None:
        return
    for name, orange in spec.orange.items():
        at_inlet = spec.inlet is not None and spec.inlet.part == name
        functions = (*CONTACT_PINS, *(INLET_PINS if at_inlet else ()))
        named = enumerate(functions, start=1)
        pins = tuple(Pin(f"{name}.{n}", name, str(n), what, f"{name}:{n}") for n, what in named)
        loom.connectors[name] = Connector(name, "", "orange", pins, orange.location)
        for pin in pins:
            loom.add(Contact(pin.id, pin.id, pin.inner, name))
        loom.add(Resistor(f"{name}:bridge", pins[0].inner, pins[1].inner, BRIDGE_OHM))
    _lay_loop(loom, spec)
    _lay_coils(loom, spec)
    lay_charging(
        loom, "CONVERTER", spec.converter, loom.ground_node(spec.converter.ground, (*AT, "converter"))
    )
    if spec.inlet:
        _lay_inlet(loom, spec.inlet)


def check_high_voltage(vehicle: Vehicle) -> None:
    """What the section names exists; raises `Problem`."""
    spec = vehicle.high_voltage
    if spec is None:
        return
    if vehicle.engine:
        raise Problem("a car has an engine or a high-voltage system: hybrids are not modeled", AT)
    modules = {"controller": spec.controller, "drive": spec.drive}
    paths: dict[Path, str] = {(*AT, key): name for key, name in modules.items()}
    paths[*AT, "converter", "module"] = spec.converter.module
    oranges: dict[Path, str] = {(*AT, "service_disconnect"): spec.service_disconnect}
    if spec.inlet:
        paths[*AT, "inlet", "module"] = spec.inlet.module
        oranges[*AT, "inlet", "part"] = spec.inlet.part
    for path, name in paths.items():
        if name not in vehicle.modules:
            raise Problem(unknown("module", name, vehicle.modules), path)
    for path, name in oranges.items():
        if name not in spec.orange:
            raise Problem(unknown("orange connector", name, spec.orange), path)


def _lay_loop(loom: Loom, spec: HighVoltage) -> None:
    """Out of the battery module, through every orange connector in turn, and back into it."""
    module = spec.controller
    source, out, back, ground = (f"{module}:{end}" for end in ("loop", LOOP_OUT, LOOP_IN, "0"))
    loom.add(ReferenceSupply(f"{source}.reference", source, ground, module, LOOP_V, LOOP_LIMIT_A))
    loom.add(Resistor(f"{out}.pull", source, out, LOOP_OHM, "input"))
    loom.add(Resistor(f"{back}.return", back, ground, LOOP_OHM, "input"))
    loom.add(Resistor(f"{out}.divider", out, ground, SENSE_OHM, "input"))
    node = loom.pins[module, LOOP_OUT]
    for name, orange in spec.orange.items():
        loom.run(node, f"{name}.1", orange.via, 1.5, LOOP_MM2, "interlock", (*AT, "orange", name))
        node = f"{name}.2"
    end, via = loom.pins[module, LOOP_IN], spec.interlock.return_via
    loom.run(node, end, via, 1.5, LOOP_MM2, "interlock", (*AT, "interlock", "return_via"))


def _lay_coils(loom: Loom, spec: HighVoltage) -> None:
    """The contactors' coils, inside the pack: driven from the battery module's own supply."""
    module = spec.controller
    supply = f"{module}:{supply_functions(loom.feeds[module])[0]}"
    for name in CONTACTORS:
        node = f"{module}:{name}"
        loom.add(Driver(f"{node}.driver", supply, node, module, name))
        limits = (spec.coil_ohm, spec.pull_in_v, spec.drop_out_v)
        loom.add(Coil(f"{name}.coil", node, f"{module}:0", name, *limits))


def _lay_inlet(loom: Loom, inlet: Inlet) -> None:
    module, path = inlet.module, (*AT, "inlet")
    end = input_at(loom, f"{module}.{inlet.pilot}", (*path, "pilot"))
    pilot, proximity, earth = (f"{inlet.part}:{n}" for n in (3, 4, 5))
    ground = f"{module}:0"
    loom.add(PilotSource("STATION", pilot, earth, STATION_V, STATION_OHM))
    loom.add(CableCode("STATION:cable", proximity, earth, CABLE_OHM[CABLE_A]))
    for cavity, pin in ((3, end.pin), (4, inlet.proximity)):
        loom.run(f"{inlet.part}.{cavity}", loom.pins[module, pin], inlet.via, 2.0, LOOP_MM2, pin, path)
    loom.wire(f"{inlet.part}.5", loom.ground_node(inlet.ground, (*path, "ground")), 0.8, 2.5)
    # inside the module: diode, the resistor that tells of the car, the one that asks for current
    at, behind = f"{module}:{end.pin}", f"{module}:{end.pin}.behind"
    loom.add(PilotDiode(f"{at}.diode", at, behind, DIODE_V, BRIDGE_OHM))
    loom.add(Resistor(f"{at}.present", behind, ground, PRESENT_OHM, "input"))
    loom.add(Driver(f"{at}.charge", behind, ground, module, CHARGE, CHARGE_OHM))
    source = f"{module}:proximity supply"
    loom.add(ReferenceSupply(f"{source}.reference", source, ground, module, PROXIMITY_V, REFERENCE_LIMIT_A))
    pin = f"{module}:{inlet.proximity}"
    loom.add(Resistor(f"{pin}.pull", source, pin, PROXIMITY_OHM, "input"))
    loom.add(Resistor(f"{pin}.divider", pin, ground, SENSE_OHM, "input"))
