"""Partial networking on CAN: who is woken by which frame, and who sleeps while the bus is busy."""

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.modules.partial_network import PartialNetworks
from sim.vehicle.description_wiring import NetworkManagement
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text
from tests.modules.conftest import TINY

TIMES = NetworkManagement.model_validate({"partial": {"entry": ["A", "B"], "climate": ["C"]}})


def _states(bench: Bench, *names: str) -> list[str]:
    return [bench.live.modules[name].state for name in names]


def test_a_frame_says_in_bits_what_its_sender_needs() -> None:
    """Bit 6 of the control bits: partial network information; then one bit for each, low bit first."""
    a, b, c, d = (PartialNetworks(TIMES, name) for name in "ABCD")
    own = a.frame_data(7, 0x10, a.requested(everything=False))
    assert bytes([7, 0x50, 0b01, 0, 0, 0, 0, 0]) == own
    assert bytes([7, 0x50, 0b11, 0, 0, 0, 0, 0]) == a.frame_data(7, 0x10, a.requested(everything=True))
    assert [True, False, True] == [one.concerns(own) for one in (b, c, d)]


def test_a_frame_without_information_concerns_everyone() -> None:
    """An older node's frame, without bit 6, wakes and holds all."""
    assert PartialNetworks(TIMES, "C").concerns(bytes([1, 0x10, 0, 0, 0, 0, 0, 0]))


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_door_wakes_its_own_partial_network_alone(fidelity: str) -> None:
    """The hatchback asleep: a door contact wakes the body hub and the doors; climate and airbag sleep on."""
    bench = Bench(find_car("city-hatchback"), fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["wait 60 s", "switch door_switch on", "wait 20 s"])
    assert ["running"] * 3 == _states(bench, "BODY-HUB", "DOOR-LEFT", "DOOR-RIGHT")
    assert ["asleep"] * 5 == _states(bench, "CLIMATE", "AIRBAG", "PARK-AID", "GATEWAY", "ECM")


def test_a_tester_wakes_every_partial_network() -> None:
    """Through the gateway and the link: all modules of the body bus answer, and sleep again after it."""
    bench = Bench(find_car("city-hatchback"))
    bench.do("wait 60 s")
    assert {"asleep"} == set(_states(bench, *bench.car.built.modules))
    report = bench.do("scan").report
    assert report is not None
    assert () == report.silent
    bench.do("wait 60 s")
    assert {"asleep"} == set(_states(bench, *bench.car.built.modules))


def test_a_member_that_is_not_on_the_bus_is_refused() -> None:
    """The nearest right name is told."""
    partial = "main: {network_management: {partial: {one: [TCN]}}, line:"
    with pytest.raises(Problem, match="'TCN' is not on the line of main"):
        car_from_text(TINY.replace("main: {line:", partial), "tiny")
