"""Diagnostics over IP (ISO 13400-2) as doipclient and plain sockets find it. Order of checks: from memory."""

import socket
import struct
import time
from collections.abc import Callable

import pytest
from doipclient import DoIPClient
from doipclient.messages import (
    DiagnosticPowerModeResponse,
    EntityStatusResponse,
    RoutingActivationRequest,
    RoutingActivationResponse,
)

from sim.link.doip_server import is_loopback
from sim.link.live_link import LiveLink
from sim.network import doip as doip_bytes
from sim.network.doip import ENTITY_ADDRESS, EVERY_MODULE, DiagnosticNackCode, Payload, Routing
from sim.vehicle.problems import Problem
from tests.link.conftest import HOST, SOURCES, address_of, bench_of, doip, plain_socket, port_of

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")
Success = RoutingActivationResponse.ResponseCode.Success


def read(connection: socket.socket, number: int) -> bytes:
    """So many bytes, fewer where the connection is closed."""
    data = b""
    while len(data) < number and (more := connection.recv(number - len(data))):
        data += more
    return data


def next_message(connection: socket.socket) -> tuple[int, bytes] | None:
    """Payload type and payload of the next message, None where the connection is closed."""
    header = read(connection, 8)
    if len(header) < 8:
        return None
    kind, length = struct.unpack("!HI", header[2:])
    return kind, read(connection, length)


def activation(source: int, kind: int = 0) -> bytes:
    return doip_bytes.message(Payload.ACTIVATE_ROUTING, struct.pack("!HBI", source, kind, 0))


def routing_code(connection: socket.socket) -> int | None:
    answer = next_message(connection)
    return answer[1][4] if answer and answer[0] == Payload.ROUTING_ANSWER else None


def wait_until(true: Callable[[], bool], limit_s: float = 5.0) -> bool:
    last_s = time.monotonic() + limit_s
    while not true() and time.monotonic() < last_s:
        time.sleep(0.01)
    return true()


# -- routing activation -------------------------------------------------------------------------------------


def test_activation_names_the_gateway(small: LiveLink) -> None:
    """Routing activation succeeds, also again, and names the gateway's address."""
    with doip(small, activation_type=None) as client:
        kind = RoutingActivationRequest.ActivationType.Default
        answer = client.request_activation(kind, disable_retry=True)
        assert (Success, ENTITY_ADDRESS) == (answer.response_code, answer.logical_address)
        assert Success == client.request_activation(kind, disable_retry=True).response_code


@pytest.mark.parametrize(
    ("source", "kind", "code"),
    [
        (0x0D00, 0x00, Routing.UNKNOWN_SOURCE),
        (0x1000, 0x00, Routing.UNKNOWN_SOURCE),
        (0x0E00, 0xE1, Routing.UNKNOWN_TYPE),
        (0x0E00, 0x02, Routing.UNKNOWN_TYPE),
        (0x0FFE, 0x01, Routing.ACTIVATED),
    ],
)
def test_refused_activation_closes_the_connection(
    small: LiveLink, source: int, kind: int, code: Routing
) -> None:
    """A refused activation has its code, and the connection ends."""
    with plain_socket(small) as connection:
        connection.sendall(activation(source, kind))
        assert code == routing_code(connection)
        if code != Routing.ACTIVATED:
            assert next_message(connection) is None


def test_a_connection_keeps_its_source_address(small: LiveLink) -> None:
    """A second source address on one connection is refused and ends it."""
    with plain_socket(small) as connection:
        connection.sendall(activation(0x0FF0))
        assert Routing.ACTIVATED == routing_code(connection)
        connection.sendall(activation(0x0FF1))
        assert Routing.OTHER_SOURCE_ON_SOCKET == routing_code(connection)
        assert next_message(connection) is None


def test_an_address_in_use_is_refused_while_its_client_is_alive(small: LiveLink) -> None:
    """An address whose client answers the alive check is not given away."""
    with plain_socket(small) as first, plain_socket(small) as second:
        first.sendall(activation(0x0FF2))
        assert Routing.ACTIVATED == routing_code(first)
        second.sendall(activation(0x0FF2))
        assert (Payload.ALIVE_CHECK, b"") == next_message(first)
        first.sendall(doip_bytes.message(Payload.ALIVE_ANSWER, b"\x0f\xf2"))
        assert Routing.SOURCE_IN_USE == routing_code(second)
        assert next_message(second) is None


def test_a_client_that_is_gone_loses_its_address(small: LiveLink) -> None:
    """An address whose client does not answer the alive check goes to the next one."""
    with plain_socket(small) as first, plain_socket(small) as second:
        first.sendall(activation(0x0FF3))
        assert Routing.ACTIVATED == routing_code(first)
        began_s = time.monotonic()
        second.sendall(activation(0x0FF3))
        assert Routing.ACTIVATED == routing_code(second)
        assert doip_bytes.ALIVE_CHECK_S <= time.monotonic() - began_s
        assert (Payload.ALIVE_CHECK, b"") == next_message(first)
        assert next_message(first) is None


def test_without_activation_the_connection_ends_after_two_seconds(small: LiveLink) -> None:
    """A connection that asks for nothing is closed after two seconds."""
    with plain_socket(small) as connection:
        began_s = time.monotonic()
        assert next_message(connection) is None
        assert 1.9 <= time.monotonic() - began_s


def test_a_header_that_dribbles_in_does_not_hold_the_connection(small: LiveLink) -> None:
    """Single bytes do not extend the time for activation."""
    with plain_socket(small) as connection:
        began_s = time.monotonic()
        for byte in activation(0x0FF4)[:7]:
            connection.sendall(bytes([byte]))
            time.sleep(0.2)
        assert b"" == connection.recv(1)
        assert 1.9 <= time.monotonic() - began_s


# -- malformed packets --------------------------------------------------------------------------------------

ALIVE = doip_bytes.message(Payload.ALIVE_CHECK, b"")


@pytest.mark.parametrize(
    ("packet", "code", "closes"),
    [
        ("02 02 00 05 00 00 00 07 0E 00 00 00 00 00 00", 0x00, True),
        ("47 45 54 20 2F 20 48 54", 0x00, True),  # "GET / HT"
        ("02 FD 12 34 00 00 00 03 01 02 03", 0x01, False),
        ("02 FD 00 04 00 00 00 00", 0x01, False),
        ("02 FD 80 01 00 00 10 04 " + "00 " * 0x1004, 0x02, False),
        ("02 FD 00 05 00 00 00 03 0E 00 00", 0x04, True),
        ("02 FD 80 01 00 00 00 04 0E 00 07 E0", 0x04, True),
    ],
)
def test_malformed_headers(small: LiveLink, packet: str, code: int, closes: bool) -> None:
    """A malformed header gets its code, and ends the connection where the standard says so."""
    with plain_socket(small) as connection:
        connection.sendall(bytes.fromhex(packet))
        assert (Payload.HEADER_NACK, bytes([code])) == next_message(connection)
        if closes:
            assert next_message(connection) is None
        else:
            connection.sendall(ALIVE)
            assert (Payload.ALIVE_ANSWER, b"\x00\x10") == next_message(connection)


def test_nobody_answers_a_header_nack(small: LiveLink) -> None:
    """A header refusal from a client is not answered."""
    with plain_socket(small) as connection:
        connection.sendall(doip_bytes.header_nack(doip_bytes.HeaderFault.PATTERN) + ALIVE)
        assert (Payload.ALIVE_ANSWER, b"\x00\x10") == next_message(connection)


# -- diagnostic messages ------------------------------------------------------------------------------------


def test_diagnosis_needs_routing(small: LiveLink) -> None:
    """A request before routing activation is refused and ends the connection."""
    with plain_socket(small) as connection:
        connection.sendall(doip_bytes.diagnostic(0x0E00, 0x07E0, b"\x3e\x00"))
        answer = next_message(connection)
        assert (Payload.DIAGNOSTIC_NACK, bytes.fromhex("07 E0 0E 00 02")) == answer
        assert next_message(connection) is None


def test_diagnosis_under_another_s_name_ends_the_connection(small: LiveLink) -> None:
    """A request from another source address is refused and ends the connection."""
    with plain_socket(small) as connection:
        connection.sendall(activation(0x0FF5))
        assert Routing.ACTIVATED == routing_code(connection)
        connection.sendall(doip_bytes.diagnostic(0x0FF6, 0x07E0, b"\x3e\x00"))
        answer = next_message(connection)
        assert answer is not None
        assert (Payload.DIAGNOSTIC_NACK, DiagnosticNackCode.SOURCE) == (answer[0], answer[1][4])
        assert next_message(connection) is None


@pytest.mark.parametrize(
    ("target", "data", "refusal"),
    [
        (0x0123, b"\x3e\x00", DiagnosticNackCode.UNKNOWN_TARGET),
        (ENTITY_ADDRESS, b"\x3e\x00", DiagnosticNackCode.UNKNOWN_TARGET),
        (0xE401, b"\x3e\x00", DiagnosticNackCode.UNKNOWN_TARGET),
        (EVERY_MODULE, b"\x22" + bytes(7), DiagnosticNackCode.TOO_LARGE),
    ],
)
def test_refused_targets_leave_the_connection_open(
    small: LiveLink, target: int, data: bytes, refusal: DiagnosticNackCode
) -> None:
    """A refused target has its code, and the next request is served."""
    source = next(SOURCES)
    with plain_socket(small) as connection:
        connection.sendall(activation(source))
        assert Routing.ACTIVATED == routing_code(connection)
        connection.sendall(doip_bytes.diagnostic(source, target, data))
        answer = next_message(connection)
        assert (Payload.DIAGNOSTIC_NACK, struct.pack("!HHB", target, source, refusal)) == answer
        connection.sendall(doip_bytes.diagnostic(source, 0x07E0, b"\x3e\x00"))
        assert (Payload.DIAGNOSTIC_ACK, struct.pack("!HHB", 0x07E0, source, 0)) == next_message(connection)
        answer = (Payload.DIAGNOSTIC, struct.pack("!HH", 0x07E0, source) + b"\x7e\x00")
        assert answer == next_message(connection)


def test_the_longest_message_goes_through(small: LiveLink) -> None:
    """4095 bytes in 585 frames; the answer says that no module has so many identifiers."""
    with doip(small, "BCM") as client:
        client.send_diagnostic(bytearray(b"\x22" + b"\x12\x34" * 2047))
        assert bytes.fromhex("7F 22 31") == bytes(client.receive_diagnostic(5))


def test_a_request_to_everybody(small: LiveLink) -> None:
    """A functional request is acknowledged once and answered by every module."""
    source = next(SOURCES)
    with plain_socket(small) as connection:
        connection.sendall(activation(source))
        assert Routing.ACTIVATED == routing_code(connection)
        connection.sendall(doip_bytes.diagnostic(source, EVERY_MODULE, bytes.fromhex("22 F1 90")))
        acknowledged = struct.pack("!HHB", EVERY_MODULE, source, 0)
        assert (Payload.DIAGNOSTIC_ACK, acknowledged) == next_message(connection)
        answered = set()
        for _ in small.car.bench.car.addresses:
            answer = next_message(connection)
            assert answer is not None
            assert bytes.fromhex("62 F1 90") == answer[1][4:7]
            answered.add(int.from_bytes(answer[1][:2], "big"))
        assert set(small.car.bench.car.addresses.values()) == answered


def test_more_requests_than_one_client_may_have_waiting(small: LiveLink) -> None:
    """Requests beyond the limit are refused as out of memory, not lost."""
    source = next(SOURCES)
    with plain_socket(small) as connection:
        connection.sendall(activation(source))
        assert Routing.ACTIVATED == routing_code(connection)
        connection.sendall(doip_bytes.diagnostic(source, 0x07E0, b"\x22" + b"\x12\x34" * 2000) * 100)
        codes = set()
        for _ in range(100):
            answer = next_message(connection)
            assert answer is not None
            if answer[0] == Payload.DIAGNOSTIC_NACK:
                codes.add(answer[1][4])
        # the one under way when two seconds are over ends as a transport error
        assert DiagnosticNackCode.OUT_OF_MEMORY in codes
        assert codes <= {DiagnosticNackCode.OUT_OF_MEMORY, DiagnosticNackCode.TRANSPORT}


# -- what blocks the tester blocks the client ---------------------------------------------------------------


def refusal_of(link: LiveLink, module: str, request: bytes) -> tuple[int | None, float]:
    """Code of the negative acknowledge (None: positive), and how long it took in s."""
    source = next(SOURCES)
    with plain_socket(link) as connection:
        connection.sendall(activation(source))
        assert Routing.ACTIVATED == routing_code(connection)
        began_s = time.monotonic()
        connection.sendall(doip_bytes.diagnostic(source, address_of(link, module), request))
        answer = next_message(connection)
        assert answer is not None
        return answer[1][4] if answer[0] == Payload.DIAGNOSTIC_NACK else None, time.monotonic() - began_s


@pytest.mark.parametrize("fault", ["pull F8", "unplug DLC"])
def test_a_dead_connector_makes_every_target_unreachable(fault: str) -> None:
    """With a dead connector a request is refused as unreachable within two seconds."""
    with LiveLink(bench_of("six-modules", "press start", fault), doip_port=0) as link:
        code, _ = refusal_of(link, "ECM", b"\x3e\x00")
        assert DiagnosticNackCode.UNREACHABLE == code


@pytest.mark.benchmark
def test_an_unreachable_target_is_told_within_two_seconds() -> None:
    """A client waits two seconds for an acknowledge (ISO 13400-2)."""
    with LiveLink(bench_of("six-modules", "press start", "unplug DLC"), doip_port=0) as link:
        assert refusal_of(link, "ECM", b"\x3e\x00")[1] < 2.0


def test_a_long_request_to_a_dead_module_is_a_transport_error() -> None:
    """A request of several frames to a dead module is a transport error; others are served."""
    with LiveLink(bench_of("six-modules", "press start", "pull F2"), doip_port=0) as link:
        code, _ = refusal_of(link, "TCM", b"\x22" + b"\xf1\x90" * 5)
        assert DiagnosticNackCode.TRANSPORT == code
        assert refusal_of(link, "TCM", b"\x3e\x00")[0] is None, "a single frame is acknowledged by others"
        assert refusal_of(link, "ECM", b"\x22" + b"\xf1\x90" * 5)[0] is None


def test_a_client_wakes_a_sleeping_car_and_lets_it_sleep_again() -> None:
    """The first request wakes the car, and after the client has gone the tester is silent."""
    bench = bench_of("six-modules", "wait 20 s")
    asleep = {module.state for module in bench.live.modules.values()}
    assert {"asleep"} == asleep
    with LiveLink(bench, doip_port=0) as link:
        with doip(link, "ECM") as client:
            client.send_diagnostic(bytearray(b"\x22\xf1\x86"))
            assert bytes.fromhex("62 F1 86 01") == bytes(client.receive_diagnostic(2))
        assert wait_until(lambda: not bench.live.tester_active)


# -- UDP ----------------------------------------------------------------------------------------------------


def test_who_is_there(small: LiveLink) -> None:
    """The entity identifies itself by name, to all and by each of its numbers."""
    with doip(small, udp_port=port_of(small)) as client:
        found = client.request_vehicle_identification()
        assert ("BUSBAYTRAYNER0001", ENTITY_ADDRESS) == (found.vin, found.logical_address)
        assert str(found) == str(client.request_vehicle_identification(vin="BUSBAYTRAYNER0001"))
        assert str(found) == str(client.request_vehicle_identification(eid=found.eid))


def test_somebody_else_s_name_is_not_answered(small: LiveLink) -> None:
    """A request for another vehicle is not answered."""
    with doip(small, udp_port=port_of(small)) as client, pytest.raises(TimeoutError):
        client.request_vehicle_identification(vin="ANOTHER0000000001")


def test_entity_status_and_power_mode(small: LiveLink) -> None:
    """Entity status and power mode have the values of the standard."""
    with doip(small, udp_port=port_of(small)) as client:
        status = client.request_entity_status()
        assert isinstance(status, EntityStatusResponse)
        assert (0, 64, 4095) == (status.node_type, status.max_concurrent_sockets, status.max_data_size)
        assert status.currently_open_sockets >= 1
        mode = client.request_diagnostic_power_mode()
        assert DiagnosticPowerModeResponse.DiagnosticPowerMode.Ready == mode.diagnostic_power_mode


@pytest.mark.parametrize(
    ("packet", "answer"),
    [
        ("02 FD 80 01 00 00 00 05 0E 00 07 E0 3E", "02 FD 00 00 00 00 00 01 01"),
        ("02 02 00 01 00 00 00 00", "02 FD 00 00 00 00 00 01 00"),
        ("03 FC 40 01 00 00 00 00 00", "03 FC 00 00 00 00 00 01 04"),
    ],
)
def test_malformed_datagrams(small: LiveLink, packet: str, answer: str) -> None:
    """A datagram without a header is ignored, a malformed one gets its code."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as connection:
        connection.settimeout(2)
        connection.sendto(bytes.fromhex("02 FD"), (HOST, port_of(small)))  # no header: ignored
        connection.sendto(bytes.fromhex(packet), (HOST, port_of(small)))
        assert bytes.fromhex(answer) == connection.recv(100)


def test_the_car_announces_itself_three_times() -> None:
    """Three announcements are sent after the start, and no fourth."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as connection:
        connection.bind((HOST, 0))
        port = connection.getsockname()[1]
        with LiveLink(bench_of("six-modules"), doip_port=0, announce_port=port):
            for _ in range(3):
                address, announced = DoIPClient.await_vehicle_announcement(timeout=3, sock=connection)
                assert (HOST, "BUSBAYTRAYNER0001") == (address[0], announced.vin)
            with pytest.raises(TimeoutError):
                DoIPClient.await_vehicle_announcement(timeout=1, sock=connection)


# -- bounds -------------------------------------------------------------------------------------------------


def test_all_connections_taken() -> None:
    """64 with routing, one more that is told so, none beyond; a dead one makes room."""
    with LiveLink(bench_of("six-modules", "press start", "wait 1 s"), doip_port=0) as link:
        taken = [socket.create_connection((HOST, port_of(link)), timeout=5) for _ in range(64)]
        for number, connection in enumerate(taken):
            connection.sendall(activation(0x0E00 + number))
        assert [Routing.ACTIVATED] * 64 == [routing_code(connection) for connection in taken]
        with plain_socket(link) as spare, plain_socket(link) as beyond:
            spare.sendall(activation(0x0F00))
            assert next_message(beyond) is None
            for number, connection in enumerate(taken):
                assert (Payload.ALIVE_CHECK, b"") == next_message(connection)
                connection.sendall(
                    doip_bytes.message(Payload.ALIVE_ANSWER, (0x0E00 + number).to_bytes(2, "big"))
                )
            assert Routing.NO_SOCKET_LEFT == routing_code(spare)
            assert next_message(spare) is None
        taken.pop().close()
        assert wait_until(lambda: link.doip is not None and link.doip.connections == 63)
        with plain_socket(link) as late:
            late.sendall(activation(0x0F01))
            assert Routing.ACTIVATED == routing_code(late)
        for connection in taken:
            connection.close()


def test_a_port_that_is_taken(small: LiveLink) -> None:
    """A port in use is one sentence."""
    sentence = f"cannot listen on {HOST} port {port_of(small)}: Address already in use"
    with pytest.raises(Problem, match=sentence):
        LiveLink(bench_of("six-modules"), doip_port=port_of(small)).start()


def test_an_address_that_is_not_ours() -> None:
    """An address of another machine is one sentence."""
    nobody = "192.0.2.1"  # an address for documentation, RFC 5737
    with pytest.raises(Problem, match=f"cannot listen on {nobody} port 13400: "):
        LiveLink(bench_of("six-modules"), host=nobody).start()


@pytest.mark.parametrize(
    ("host", "loopback"),
    [("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("0.0.0.0", False), ("192.0.2.1", False)],
)
def test_what_is_a_loopback_address(host: str, loopback: bool) -> None:
    """Loopback addresses are told from all others."""
    assert loopback == is_loopback(host)
