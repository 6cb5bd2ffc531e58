"""Live cars, and clients written by others that talk to them."""

import itertools
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import can
import isotp
import pytest
from doipclient import DoIPClient
from doipclient.connectors import DoIPClientUDSConnector
from udsoncan import AsciiCodec, DidCodec
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.live_link import LiveLink
from sim.vehicle.reading import read_car

HOST = "127.0.0.1"
# One source address for each client, so that no test takes over another's connection.
SOURCES = itertools.cycle(range(0x0E00, 0x1000))
UDS_CONFIG = {
    "data_identifiers": {
        0xF190: AsciiCodec(17),
        0xF186: DidCodec(">B"),
        0x0100: DidCodec(">H"),  # those of a snapshot, as `sim.modules.uds_data` lays it out
        0x0101: DidCodec(">B"),
        0x0103: DidCodec(">I"),
        0xF405: DidCodec(">B"),
        0xF40C: DidCodec(">H"),
        0xF40D: DidCodec(">B"),
        "default": ">B",
    },
    "input_output": {"default": ">B"},
    "exception_on_negative_response": True,
    "request_timeout": 2,
    "p2_timeout": 1,
    "use_server_timing": False,  # P2 of 50 ms is the module's; gateways and the link come on top
}


def bench_of(car: str, *actions: str) -> Bench:
    """A bench of a shipped car with some actions done."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))
    bench.do_all(actions)
    return bench


@pytest.fixture(scope="module")
def minibus() -> Iterator[LiveLink]:
    """The minibus with its ignition on, served on a free port and on a virtual bus of its own."""
    channel = f"minibus {next(SOURCES)}"
    bench = bench_of("shuttle-minibus", "press start", "press start", "wait 5 s")
    with LiveLink(bench, doip_port=0, can_buses=(f"virtual:{channel}",)) as link:
        yield link
    assert ("", "") == (link.car.failure, link.doip.failure if link.doip else "")


@pytest.fixture(scope="module")
def small() -> Iterator[LiveLink]:
    """Six modules with the ignition on, served on a free port."""
    with LiveLink(bench_of("six-modules", "press start", "wait 2 s"), doip_port=0) as link:
        yield link
    assert ("", "") == (link.car.failure, link.doip.failure if link.doip else "")


def port_of(link: LiveLink) -> int:
    """The port of diagnostics over IP."""
    assert link.doip is not None
    return link.doip.port


def address_of(link: LiveLink, module: str) -> int:
    """The logical address of a module, which is its request identifier."""
    return link.car.bench.car.addresses[module]


@contextmanager
def doip(link: LiveLink, module: str = "ECM", **options: object) -> Iterator[DoIPClient]:
    """doipclient, connected, with routing active."""
    settings: dict[str, object] = {"client_logical_address": next(SOURCES), **options}
    client = DoIPClient(HOST, address_of(link, module), tcp_port=port_of(link), **settings)
    try:
        yield client
    finally:
        client.close()


@contextmanager
def uds_over_ip(link: LiveLink, module: str) -> Iterator[Client]:
    """udsoncan over doipclient."""
    with doip(link, module) as connection:
        connector = DoIPClientUDSConnector(connection)
        with Client(connector, config=UDS_CONFIG) as client:
            yield client


@contextmanager
def uds_over_can(link: LiveLink, module: str) -> Iterator[Client]:
    """udsoncan over can-isotp on the virtual bus that the link bridges."""
    address = address_of(link, module)
    interface, _, channel = link.bridges[0].where.partition(":")
    with can.Bus(interface=interface, channel=channel) as bus:
        addressing = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=address, rxid=address + 8)
        stack = isotp.CanStack(bus, address=addressing, params={"tx_padding": 0xCC})
        with Client(PythonIsoTpConnection(stack), config=UDS_CONFIG) as client:
            yield client


TRANSPORTS = [pytest.param(uds_over_ip, id="over IP"), pytest.param(uds_over_can, id="over CAN")]


@contextmanager
def plain_socket(link: LiveLink) -> Iterator[socket.socket]:
    """A TCP connection without any client's manners."""
    with socket.create_connection((HOST, port_of(link)), timeout=5) as connection:
        yield connection
