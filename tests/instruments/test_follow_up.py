"""What a reading suggests: toward the battery where a supply is dead, a load where it looks right."""

from collections.abc import Callable

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.instruments.follow_up import follow_ups
from sim.instruments.read import read
from sim.instruments.service import ServiceInformation
from sim.lab.drive import operated
from sim.vehicle.car import Car
from sim.vehicle.reading import read_car

# Voltage drop and load testing as general guides of the trade teach them; common practice.
STORIES = [
    ("blow F4", "measure volts F4.2 to G1", ["measure volts F4.1 to G1", "look F4"]),
    ("blow F4", "measure volts F4.1 to G1", ["measure volts F4.2 to G1"]),
    ("blow F4; unplug BAT.NEG", "measure ohms F4.1 to F4.2", ["look F4"]),
    ("blow F4; unplug BAT.NEG", "measure continuity F4.2 to F4.1", ["look F4"]),
    ("blow F4", "measure volts F4.1 to F4.2", ["look F4"]),
    ("blow F4", "load F4.2 to G1 with 21 W lamp", ["load F4.1 to G1 with 21 W lamp", "look F4"]),
    ("blow F1", "measure volts N1.C1.1 to G1", ["measure volts F1.2 to G1"]),
    ("blow F2", "measure volts N1.C1.1 to G1", ["load N1.C1.1 to G1 with 21 W lamp"]),
    ("corrode BAT.POS 2 ohm", "load N1.C1.1 to G1 with 21 W lamp", ["load F1.2 to G1 with 21 W lamp"]),
    ("corrode N1.C1.1 20 ohm", "load N1.C1.1 to G1 with 21 W lamp", []),  # the wire's side is right
    ("corrode G1 20 ohm", "load F4.2 to G1 with 21 W lamp", ["look G1"]),
    ("corrode G1 20 ohm", "measure volts N1.C1.2 to BAT-", ["look G1"]),
    ("unplug BAT.POS", "measure volts F4.1 to G1", ["measure volts BAT+ to BAT-"]),
    ("blow F4", "measure ohms F4.1 to F4.2", []),
    ("unplug BAT.NEG", "measure ohms F4.1 to F4.2", []),
    ("blow F2", "measure volts N1.C1.2 to BAT-", []),
    ("blow F2", "measure amps F4", []),
    ("blow F4", "look F4", []),
]


@pytest.mark.parametrize(("fault", "sentence", "expected"), STORIES)
def test_a_reading_suggests_the_next_check(
    fault: str, sentence: str, expected: list[str], three: Callable[..., Car]
) -> None:
    """The checks that follow are those of a voltage drop search, the nearest first."""
    car = three()
    bench = Bench(car, fault.split("; "))
    bench.do("wait 3 s")
    assert expected == [one.action for one in follow_ups(ServiceInformation(car), read(bench, sentence))]


def test_the_same_reading_suggests_the_same_whatever_is_wrong(three: Callable[..., Car]) -> None:
    """A fuse that is out and one that is blown read alike, and lead on alike: nothing is given away."""
    car = three()
    found = set()
    for fault in ("pull F4", "blow F4"):
        bench = Bench(car, (fault,))
        found.add(follow_ups(ServiceInformation(car), read(bench, "measure volts F4.2 to G1")))
    assert 1 == len(found)


def test_a_circuit_of_the_airbag_module_is_never_loaded() -> None:
    """A supply that looks right is load-tested, but not at the airbag module (common practice)."""
    car = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
    papers, bench = ServiceInformation(car), Bench(car)
    bench.do("press start with brake" if "button" in operated(car) else "key run")
    modules = [plug for plug in papers.car.connectors.values() if plug.kind == "module"]
    supplies = [pin.id for plug in modules for pin in plug.pins if papers.supply_path(pin.id)]
    readings = [read(bench, f"measure volts {pin} to BODY") for pin in supplies]
    loaded = {pin for pin, one in zip(supplies, readings, strict=True) if follow_ups(papers, one)}
    assert any(pin.startswith("AIRBAG") for pin in supplies)
    assert {"ECM.C1.1", "ABS.C1.1"} <= loaded
    assert not [pin for pin in loaded if pin.startswith("AIRBAG")]
