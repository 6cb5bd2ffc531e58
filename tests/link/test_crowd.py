"""Many clients, slow clients, clients that vanish: the car goes on by the clock, and others are served."""

import socket
import threading
from collections.abc import Iterator

import pytest
from doipclient.connectors import DoIPClientUDSConnector
from udsoncan.client import Client

from sim.link.live_link import LiveLink
from sim.network import doip as doip_bytes
from tests.link.conftest import HOST, UDS_CONFIG, bench_of, doip, plain_socket, port_of
from tests.link.test_doip_server import activation, routing_code, wait_until

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")
CLIENTS = 50


@pytest.fixture(scope="module")
def link() -> Iterator[LiveLink]:
    """The minibus with its ignition on and TCM gone, so that there are codes to read."""
    bench = bench_of("shuttle-minibus", "press start", "press start", "unplug TCM.C1", "wait 5 s")
    with LiveLink(bench, doip_port=0) as link:
        yield link
    assert ("", "", 0) == (link.car.failure, link.doip.failure if link.doip else "", link.car.lost_s)


def test_fifty_clients_at_once(link: LiveLink) -> None:
    """Each reads identity and codes of a module of its own, or one shared with nine others."""
    names = [name for name in link.car.bench.car.addresses if name != "TCM"]
    results: dict[int, tuple[str, int]] = {}

    def work(number: int) -> None:
        name = names[number % len(names)]
        with doip(link, name, client_logical_address=0x0F00 + number) as connection:
            config = {**UDS_CONFIG, "request_timeout": 10, "p2_timeout": 10}
            with Client(DoIPClientUDSConnector(connection), config=config) as client:
                vin = client.read_data_by_identifier(0xF190).service_data.values[0xF190]
                codes = client.get_dtc_by_status_mask(0x08).service_data.dtcs
                results[number] = (vin, len(codes))

    threads = [threading.Thread(target=work, args=(number,)) for number in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert CLIENTS == len(results)
    assert {"BUSBAYTRAYNER0001"} == {vin for vin, _ in results.values()}
    stored = [len(link.car.bench.live.modules[name].memory.matching(0x08)) for name in names]
    assert {number: stored[number % len(names)] for number in results} == {
        number: codes for number, (_, codes) in results.items()
    }
    assert sum(stored) > 0


def test_a_client_that_fetches_nothing_is_cut_off(link: LiveLink) -> None:
    """It asks and asks and reads no answer; what waits for it is bounded, and others are served meanwhile."""
    slow = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow.connect((HOST, port_of(link)))
    slow.settimeout(20)
    slow.sendall(activation(0x0EF0))
    assert routing_code(slow) == doip_bytes.Routing.ACTIVATED
    cut_off = threading.Event()

    def ask_on() -> None:
        nonsense = doip_bytes.diagnostic(0x0EF0, 0x1234, b"\x3e\x00") * 100
        try:
            for _ in range(20_000):
                slow.sendall(nonsense)
        except OSError:
            cut_off.set()

    thread = threading.Thread(target=ask_on)
    thread.start()
    served = 0
    with doip(link, "ABS") as connection:
        while thread.is_alive():
            connection.send_diagnostic(bytearray(b"\x3e\x00"))
            connection.receive_diagnostic(5)
            served += 1
    thread.join()
    slow.close()
    assert cut_off.is_set()
    assert served > 2


def test_clients_that_vanish_leave_nothing_behind(link: LiveLink) -> None:
    """Connections that are reset free their place and the car."""
    assert link.doip is not None
    for number in range(30):
        with plain_socket(link) as connection:
            connection.sendall(activation(0x0E00 + number))
            if number % 2:
                connection.sendall(doip_bytes.diagnostic(0x0E00 + number, 0x07E0, b"\x22\xf1\x90"))
            linger = b"\x01\x00\x00\x00\x00\x00\x00\x00"  # on, 0 s: the connection is reset, not closed
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
    doip_server = link.doip
    assert wait_until(lambda: doip_server.connections == 0)
    assert wait_until(lambda: not link.car.bench.live.tester_active)


def test_a_link_that_ends_leaves_the_connector_free() -> None:
    """With clients still connected: the car may sleep afterwards, and its own tester reads it as before."""
    bench = bench_of("six-modules")
    with LiveLink(bench, doip_port=0, can_buses=("virtual:left behind",)) as link:
        connection = socket.create_connection((HOST, port_of(link)), timeout=5)
        connection.sendall(activation(0x0E11))
        assert routing_code(connection) == doip_bytes.Routing.ACTIVATED
        assert bench.live.tester_active
    connection.close()
    bench.do("wait 30 s")
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}
    report = bench.do("scan").report
    assert report is not None
    assert () == report.silent
    assert bench.live.network.tap is None
