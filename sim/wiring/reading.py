"""The electrical half of a reading: voltages and currents of a whole car in one state of its switches."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cached_property

from sim.vehicle.car import Car
from sim.vehicle.elements import Coil, Draw, FuseLink, LoadPart, Resistor, UnitMotor
from sim.vehicle.problems import unknown
from sim.wiring.conduction import SwitchState
from sim.wiring.errors import CircuitError
from sim.wiring.power import PowerCircuit
from sim.wiring.solution import Ports, Solution


def _name_of(consumer: Draw | UnitMotor | LoadPart | Coil) -> str:
    """Who draws its current."""
    if isinstance(consumer, Draw):
        return consumer.module
    return consumer.unit if isinstance(consumer, UnitMotor) else consumer.id


class CircuitInventory:
    """The elements of a car that are asked about in every state of its switches.

    draws: by module. coils, shorts: the elements. fuses: their names.
    consumers: by element, the module of a draw, or the load or coil itself.
    """

    def __init__(self, car: Car) -> None:
        self.car = car
        elements = car.all_elements.values()
        self.draws: dict[str, list[Draw]] = {}
        for element in elements:
            if isinstance(element, Draw):
                self.draws.setdefault(element.module, []).append(element)
        self.coils = [element for element in elements if isinstance(element, Coil)]
        self.fuses = [element.id for element in elements if isinstance(element, FuseLink)]
        self.shorts = [one for one in elements if isinstance(one, Resistor) and one.kind == "short"]
        self.consumers = {
            one.id: _name_of(one) for one in elements if isinstance(one, Draw | UnitMotor | LoadPart | Coil)
        }

    @cached_property
    def pins(self) -> dict[tuple[str, str], tuple[str, str]]:
        """By module and function: the inner end of a module's pin, and the module's own ground."""
        nodes = {node for element in self.car.all_elements.values() for node in (element.a, element.b)}
        return {
            (plug.owner, pin.function): (pin.inner, f"{plug.owner}:0")
            for plug in self.car.connectors.values()
            for pin in plug.pins
            if {pin.inner, f"{plug.owner}:0"} <= nodes
        }


class ElectricalReading:
    """Voltages in V and currents in A in one state of the switches."""

    def __init__(
        self, inventory: CircuitInventory, circuit: PowerCircuit, state: SwitchState, solution: Solution
    ) -> None:
        self.inventory, self.car, self.state = inventory, inventory.car, state
        self._circuit, self._solution = circuit, solution

    def voltage(self, node: str) -> float | None:
        """Voltage against the battery's negative post; None where the node floats."""
        return self._solution.voltage(node)

    def between(self, a: str, b: str) -> float | None:
        """Voltage of node a against node b; None where nothing joins the two."""
        return self._solution.voltage_between(a, b)

    def all_between(self, pairs: Iterable[tuple[str, str]]) -> list[float]:
        """`between` for many pairs at once, 0 where nothing joins the two."""
        return [volt or 0.0 for volt in self._solution.voltages_between(tuple(pairs))]

    def current(self, element_id: str) -> float:
        """Current from the element's a to its b; of battery and generator, out of the plus terminal."""
        return self._solution.current(element_id)

    def currents(self, element_ids: Sequence[str]) -> list[float]:
        """`current` of several elements, in their order."""
        return self._solution.currents(element_ids)

    def fuse_currents(self) -> dict[str, float]:
        """Amount of current through each fuse, in the car's order."""
        fuses = self.inventory.fuses
        return dict(zip(fuses, map(abs, self.currents(fuses)), strict=True))

    def supply_v(self, module: str) -> float:
        """The lowest of the module's supplies, each against its own ground; 0 where one floats."""
        if module not in self._supplies_v:
            raise CircuitError(unknown("module", module, self.inventory.draws))
        return self._supplies_v[module]

    @cached_property
    def _supplies_v(self) -> dict[str, float]:
        draws = [draw for several in self.inventory.draws.values() for draw in several]
        found: dict[str, float] = {}
        for draw, volt in zip(draws, self.all_between((one.a, one.b) for one in draws), strict=True):
            found[draw.module] = min(volt, found.get(draw.module, math.inf))
        return found

    def pin_v(self, module: str, function: str) -> float:
        """Voltage at the inner end of a module's pin against the module's own ground; 0 where it floats."""
        volt = self._pins_v.get((module, function))
        return volt if volt is not None else self.between(f"{module}:{function}", f"{module}:0") or 0.0

    @cached_property
    def _pins_v(self) -> dict[tuple[str, str], float]:
        pins = self.inventory.pins
        return dict(zip(pins, self.all_between(pins.values()), strict=True))

    def relays_wanted(self) -> frozenset[str]:
        """Relays whose coil voltage pulls them in, or holds them if they are pulled in already."""
        held = self.state.pulled_in
        return frozenset(one.relay for one in self.inventory.coils if self._pulls(one, one.relay in held))

    def _pulls(self, coil: Coil, held: bool) -> bool:
        if not self.car.is_whole(coil):
            return False
        coil_v = abs(self.between(coil.a, coil.b) or 0.0)
        return coil_v >= (coil.drop_out_v if held else coil.pull_in_v)

    def ports(self, pairs: Iterable[tuple[str, str]]) -> Ports:
        """The network seen from pairs of nodes, where instruments and test loads can be put."""
        return self._solution.ports(pairs)

    def contact_points(
        self, nodes: tuple[str, ...], leads: frozenset[str]
    ) -> tuple[tuple[float, float] | None, ...]:
        """Open voltage against the body and inner resistance of nodes, with the shorts to them taken off."""
        apart = self._circuit.solve(self.state, without=leads)
        ports = apart.ports([(node, "BODY") for node in nodes])
        return tuple(
            None if volt is None else (volt, float(ports.impedance_ohm[k, k]))
            for k, volt in enumerate(ports.voltage_v)
        )
