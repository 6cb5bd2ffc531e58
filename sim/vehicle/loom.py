"""The parts of a harness while it is laid: elements, connectors and pins, and how a wire is run."""

from __future__ import annotations

from collections.abc import Callable

from sim.vehicle.checks import check_lines
from sim.vehicle.description import Vehicle
from sim.vehicle.elements import Connector, Contact, Element, LinPort, Pin, Transceiver, Wire
from sim.vehicle.messages import Messages
from sim.vehicle.problems import Path, Problem, did_you_mean


class Loom:
    """Collects elements and connectors while a description is walked through once."""

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
        self.fused: list[tuple[str, Callable[[], None]]] = []  # the last wires of fuses, by consumer
        self.cavities = dict.fromkeys(vehicle.inline, 0)
        self.inline_pins: dict[str, list[Pin]] = {name: [] for name in vehicle.inline}

    def add(self, element: Element) -> None:
        """Take in an element; raises `Problem` where its id is taken."""
        if element.id in self.elements:
            raise Problem(f"'{element.id}' is described twice")
        self.elements[element.id] = element

    def wire(self, a: str, b: str, length_m: float, area_mm2: float) -> None:
        """Lay a wire between two nodes."""
        self.add(Wire(f"{a}--{b}", a, b, length_m, area_mm2))

    def run(
        self, a: str, b: str, via: tuple[str, ...], length_m: float, area_mm2: float, label: str, path: Path
    ) -> None:
        """A wire from a to b, through in-line connectors."""
        for name in via:
            if name not in self.vehicle.inline:
                raise Problem(
                    f"no in-line connector '{name}' in this car{did_you_mean(name, self.vehicle.inline)}",
                    path,
                )
            near, far = self.cavity(name, label)
            self.wire(a, near, length_m / (len(via) + 1), area_mm2)
            a = far
        self.wire(a, b, length_m / (len(via) + 1), area_mm2)

    def cavity(self, name: str, label: str) -> tuple[str, str]:
        """Pass the next cavity of an in-line connector; both of its nodes."""
        self.cavities[name] += 1
        number = self.cavities[name]
        pin = Pin(f"{name}.{number}", name, str(number), label, f"{name}.{number}b")
        self.add(Contact(pin.id, f"{name}.{number}a", pin.inner, name))
        self.inline_pins[name].append(pin)
        return f"{name}.{number}a", f"{name}.{number}b"

    def ground_node(self, name: str | None, path: Path) -> str:
        """The ground point of this name, or the first one."""
        known = list(self.vehicle.grounds)
        if name is None:
            return known[0]
        if name not in known:
            raise Problem(f"no ground point '{name}' in this car{did_you_mean(name, known)}", path)
        return name
