"""A bus with both terminators gone: does communication survive, and which code follows?

The lines discharge only through the transceivers' inputs: R C ln(Vdom / 0.5 V), 29.5 us for 10 m (checked
against ngspice, see tests/wiring), 15 bits at 500 kbit/s. A sender's first recessive bit is therefore read
dominant. In the arbitration field that is no bit error: the sender takes it for lost arbitration and becomes
a receiver (Bosch, CAN with Flexible Data-Rate 1.0, section 3.2.1 and section 7, rule 3 with exception 2), so
that its transmit counter does not rise. A line that is shorted reads recessive where dominant was sent: a bit
error, eight more each time. Hence bus-off, and its code, for a short, and lost messages alone for this.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.network.controller import START, Controller, Failure
from sim.network.error_counters import OFF_FROM, PASSIVE_FROM, ErrorCounters
from sim.network.frames import DOMINANT, RECESSIVE, Frame
from sim.vehicle.reading import read_car

TIMES = 20_000  # bits: 40 ms at 500 kbit/s


class Host:
    """Something to send without end, and what became of it."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.failures: list[Failure] = []
        self.received_frames = self.sent_frames = 0

    def take(self) -> Frame | None:
        return self.frame

    def sent(self) -> None:
        self.sent_frames += 1

    def failed(self, why: Failure) -> None:
        self.failures.append(why)

    def received(self, frame: Frame) -> None:
        self.received_frames += 1

    def counted(self) -> None:
        pass


def line_bits(controllers: list[Controller], decay_bits: int | None, bits: int) -> Iterator[int]:
    """What all read, bit by bit: dominant `decay_bits` longer than driven; None: always recessive."""
    left = 0
    for _ in range(bits):
        driven = any(one.output == DOMINANT and not one.parked for one in controllers)
        left = (decay_bits or 0) + 1 if driven else max(0, left - 1)
        level = RECESSIVE if decay_bits is None or left == 0 else DOMINANT
        for one in controllers:
            one.read(START if one.parked and level == RECESSIVE else level)
        yield level


def run(
    decay_bits: int | None, idents: tuple[int, ...] = (0x0C0, 0x110, 0x7DF)
) -> list[tuple[Host, Controller]]:
    hosts = [Host(Frame(one, bytes(range(8)))) for one in idents]
    controllers = [Controller(host, ErrorCounters()) for host in hosts]
    for _ in line_bits(controllers, decay_bits, TIMES):
        pass
    return list(zip(hosts, controllers, strict=True))


def test_a_healthy_line_carries_frames() -> None:
    """The same three controllers on a line that discharges at once hear each other."""
    assert all(host.received_frames > 10 for host, _ in run(0)[1:])


@pytest.mark.parametrize("decay_bits", [2, 4, 6, 15, 43])
def test_without_terminators_no_frame_gets_through_and_no_controller_goes_bus_off(decay_bits: int) -> None:
    """3 bits at 125 kbit/s, 15 at 500 kbit/s, 43 on 40 m: error passive by receiving, never bus-off."""
    for host, controller in run(decay_bits):
        assert (0, 0) == (host.sent_frames, host.received_frames)
        assert OFF_FROM > controller.counters.transmit
        assert PASSIVE_FROM <= controller.counters.receive
        assert "error" not in host.failures[:1]


def test_a_short_between_the_lines_ends_in_bus_off() -> None:
    """Every dominant bit is read recessive: the transmit counter reaches 256 (the contrast)."""
    assert all(host.failures.count("error") >= 32 for host, _ in run(None))


@pytest.mark.parametrize(
    ("name", "bus", "start"),
    [("six-modules", "main", ("press start",)), ("teaching-car", "powertrain", ("key run",))],
)
def test_in_a_car_every_module_loses_the_others_and_none_stores_a_bus_code(
    name: str, bus: str, start: tuple[str, ...]
) -> None:
    """Lost messages only with both terminators gone; the bus-off code where the lines are shorted."""
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    ends = [one.id for one in car.elements.values() if one.id.endswith(f"{bus}.terminator")]
    assert 2 == len(ends)
    (high, low) = (f"ECM:{bus}.{leg}" for leg in "HL")
    stored = {}
    for fault in ("none", "short"):
        given = [f"open {one}" for one in ends] if fault == "none" else [f"short {high} to {low} 0.05 ohm"]
        bench = Bench(car, given)
        bench.do_all([*start, "wait 4 s"])
        memories = [module.memory for module in bench.live.modules.values()]
        stored[fault] = {one.code for memory in memories for one in memory.dtcs if one.stored}
    assert {"U0100-87", "U0101-87"} <= stored["none"]
    assert {"-88"} == {code[-3:] for code in stored["short"]} - {code[-3:] for code in stored["none"]}
