"""Cars for the instruments: three nodes on one bus, a lamp behind a fuse, and the shipped ones."""

from collections.abc import Callable

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.reading import car_from_text, read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Reading, Wiring

# Terminators inside the first and third node, the diagnostic connector beside node 2's splice, 12.6 V.
THREE_NODES = """
car: Three nodes
battery: {charge_pct: 94}
buses: {main: {line: LINE, span_m: SPAN}}
grounds: {G1: {}, G2: {title: of node 2 alone}, G5: {title: free}}
fuses:
  F1: {rating_a: 5, feeds: N1}
  F2: {rating_a: 5, feeds: N2}
  F3: {rating_a: 5, feeds: [N3, DLC]}
  F4: {rating_a: 10, feeds: headlamp, length_m: 0.05, area_mm2: 6}
loads: {headlamp: {ohm: 2.887, kind: lamp, to: G1}}
modules: {N1: {}, N2: {ground: G2}, N3: {}}
"""
LINE = "[N1 terminated, N2, DLC, N3 terminated]"


@pytest.fixture
def three() -> Callable[..., Car]:
    """three(*edits, line=..., span_m=...): the car of three nodes after edits."""

    def make(*edits: str, line: str = LINE, span_m: float = 1.0) -> Car:
        text = THREE_NODES.replace("LINE", line).replace("SPAN", str(span_m))
        return apply_all(car_from_text(text, "three.yaml"), edits)

    return make


@pytest.fixture
def solved() -> Callable[..., Reading]:
    """solved(car, asleep=False): the network with all modules running, or all asleep."""

    def solve(car: Car, asleep: bool = False) -> Reading:
        return Wiring(car).solve(SwitchState(running=frozenset() if asleep else frozenset(car.built.modules)))

    return solve


@pytest.fixture
def teaching() -> Callable[..., Bench]:
    """teaching(*given edits): a bench with the teaching car."""
    car = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
    return lambda *given: Bench(car, given)
