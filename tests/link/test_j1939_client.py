"""A client written by others, `can-j1939`, on the truck over the bridge to python-can."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import j1939
import pytest

from sim.link.live_link import LiveLink
from sim.vehicle.j1939 import ADDRESS_CLAIMED, COMPONENT_IDENTIFICATION, DM1, DM2, REQUEST, Name
from tests.link.conftest import bench_of

TOOL, BRAKES, TRANSMISSION = 249, 11, 3
PATIENCE_S = 15.0
LATER_NAME = {"industry_group": 7, "function": 129, "identity_number": 4711}  # higher than all on the truck


class Client:
    """The independent stack on a virtual bus: what it has heard, as group, source and data."""

    def __init__(self, channel: str) -> None:
        self.heard: list[tuple[int, int, bytes]] = []
        self.faults: dict[int, list[tuple[int, int]]] = {}
        self.lamps: dict[int, dict[str, int]] = {}
        self.ecu = j1939.ElectronicControlUnit()
        self.ecu.connect(interface="virtual", channel=channel)
        self.tool = self.claim(TOOL)
        self.ecu.subscribe(self._message)
        self.dm1 = j1939.Dm1(self.tool)
        self.dm1.subscribe(self._dm1)

    def claim(self, address: int) -> j1939.ControllerApplication:
        one = j1939.ControllerApplication(j1939.Name(**LATER_NAME), address)
        self.ecu.add_ca(controller_application=one)
        one.start()
        return one

    def _message(self, priority: int, pgn: int, source: int, timestamp: float, data: bytes) -> None:
        self.heard.append((pgn, source, bytes(data)))

    def _dm1(
        self, source: int, lamps: dict[str, int], faults: list[dict[str, int]], timestamp: float
    ) -> None:
        self.faults[source] = [(one["spn"], one["fmi"]) for one in faults if one["spn"]]
        self.lamps[source] = dict(lamps)

    def until(self, holds: Callable[[], bool]) -> bool:
        end_s = time.monotonic() + PATIENCE_S
        while not holds() and time.monotonic() < end_s:
            time.sleep(0.02)
        return holds()

    def answer(self, pgn: int, address: int) -> bytes:
        """Request a group from one address; the whole answer, however many packets it took."""
        before = len(self.heard)
        self.tool.send_request(0, pgn, address)
        assert self.until(lambda: any(one[:2] == (pgn, address) for one in self.heard[before:]))
        return next(one[2] for one in self.heard[before:] if one[:2] == (pgn, address))

    def stop(self) -> None:
        self.ecu.disconnect()
        self.ecu.stop()


@pytest.fixture(scope="module")
def live() -> Iterator[LiveLink]:
    """The truck, its engine running, with the retarder missing, and the suspension for a while before."""
    bench = bench_of(
        "regional-truck", "wait 12 s", "key run", "wait 8 s", "key crank", "wait 5 s",
        "unplug RETARDER.C1", "unplug SUSPENSION.C1", "wait 15 s", "plug SUSPENSION.C1", "wait 3 s",
    )  # fmt: skip
    with LiveLink(bench, doip_port=None, can_buses=("virtual:truck",)) as link:
        yield link
    assert "" == link.car.failure


@pytest.fixture(scope="module")
def client(live: LiveLink) -> Iterator[Client]:
    one = Client("truck")
    assert one.until(lambda: one.tool.state == j1939.ControllerApplication.State.NORMAL)
    yield one
    one.stop()


def test_it_claims_an_address_beside_the_trucks_own(client: Client) -> None:
    """The tool has address 249, and a DM1 comes from every controller on the bus."""
    assert TOOL == client.tool.device_address
    assert client.until(lambda: {0, 3, 11, 23, 33, 47, 200} <= set(client.faults))


def test_it_reads_what_dm1_says(client: Client) -> None:
    """SPN 2016 FMI 9 and the protect lamp from brakes and transmission, by the independent parser."""
    assert client.until(lambda: client.faults.get(BRAKES) == client.faults.get(TRANSMISSION) == [(2016, 9)])
    assert {"pl": j1939.DtcLamp.ON, "awl": 0, "rsl": 0, "mil": 0} == client.lamps[BRAKES]


def test_a_requested_dm2_says_what_is_over(client: Client) -> None:
    """The cluster lost the suspension (address 47) for a while: SPN 2047 FMI 9, once, no lamp any more."""
    assert "00ffff070901ffff" == client.answer(DM2, 23).hex()


def test_a_long_answer_comes_in_packets(client: Client) -> None:
    """Component identification of the engine: more than eight bytes, by RTS and CTS to the tool."""
    text = client.answer(COMPONENT_IDENTIFICATION, 0).decode()
    assert "busbay*ECM*ECM-0001**" == text


def test_a_higher_name_does_not_get_the_brakes_address(client: Client) -> None:
    """The independent stack gives way by its own comparison: cannot claim."""
    late = client.claim(BRAKES)
    lost = j1939.ControllerApplication.State.CANNOT_CLAIM
    assert client.until(lambda: late.state == lost)
    assert 0x10_00_09_00_00_00_00_04 == Name(4, function=9).value < j1939.Name(**LATER_NAME).value
    assert {DM1, REQUEST, ADDRESS_CLAIMED} == {65226, 59904, 60928}
