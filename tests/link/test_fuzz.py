"""A hundred thousand random and mutated messages: answered or ignored as the standards say, nothing breaks.

70,000 straight to the diagnostic servers, 20,000 CAN frames at the connector, 8,000 packets by TCP and 2,000
datagrams, all drawn from fixed seeds.
"""

import gc
import random
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress

import pytest
from udsoncan import Request
from udsoncan.ResponseCode import ResponseCode

from sim.bench.bench import Bench
from sim.link.live_link import LiveLink
from sim.modules.obd_services import SERVICES as LEGISLATED
from sim.modules.uds_responses import decode
from sim.modules.uds_server import DiagnosticServer
from sim.network import doip as doip_bytes
from sim.network.doip import ENTITY_ADDRESS, EVERY_MODULE, Header, HeaderFault, Payload
from sim.network.frames import Frame
from sim.vehicle.elements import TESTER
from tests.link.conftest import HOST, bench_of, doip, plain_socket, port_of
from tests.link.test_doip_server import activation

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")

TO_SERVERS, FRAMES, PACKETS, DATAGRAMS = 70_000, 20_000, 8_000, 2_000
PATIENCE_S = 20.0  # a busy machine is no fault of the link; how fast it answers is a benchmark
ATTACKERS = 8
GROWTH_OBJECTS = 60_000  # a fresh car of six modules has some 40,000
# ISO 14229-1: negative responses that never answer a request to everybody (from memory)
NEVER_TO_EVERYBODY = {0x11, 0x12, 0x31, 0x7E, 0x7F}
VALID = [
    bytes.fromhex(text)
    for text in (
        "10 01", "10 03", "11 01", "14 FF FF FF", "19 01 FF", "19 02 FF", "19 04 C1 01 87 FF",
        "19 06 C1 01 87 FF", "19 0A", "22 F1 90", "22 F1 86 F1 8C", "22 01 00", "27 01", "27 02 00 00 00 00",
        "28 00 01", "28 03 01", "2F 02 00 03 01", "31 01 02 01", "31 03 02 01", "3E 00", "3E 80", "85 01",
        "85 02", "01 00", "01 01 0C 0D", "03", "04", "07", "0A", "09 02",
    )
]  # fmt: skip


def mutated(rng: random.Random, data: bytes) -> bytes:
    """The same with a byte changed, cut off, added or doubled."""
    changed = bytearray(data)
    for _ in range(rng.randint(1, 3)):
        what = rng.randrange(4)
        if what == 0 and changed:
            changed[rng.randrange(len(changed))] = rng.randrange(256)
        elif what == 1:
            del changed[rng.randint(0, len(changed)) :]
        elif what == 2:
            changed.insert(rng.randint(0, len(changed)), rng.randrange(256))
        else:
            changed += changed[: rng.randint(0, 40)]
    return bytes(changed)


def request(rng: random.Random) -> bytes:
    """A diagnostic request: valid, mutated or random."""
    kind = rng.randrange(4)
    if kind == 0:
        return rng.choice(VALID)
    return rng.randbytes(rng.randint(0, 20)) if kind == 1 else mutated(rng, rng.choice(VALID))


def fault_of(asked: bytes, answer: bytes | None, functional: bool) -> str:
    """What is wrong with an answer by ISO 14229-1, or nothing."""
    if answer is None:
        suppressed = len(asked) > 1 and bool(asked[1] & 0x80)
        may = functional or not asked or asked[0] in LEGISLATED or suppressed
        return "" if may else "silence to a request that wants an answer"
    if answer[0] != 0x7F:
        return "" if answer[0] == asked[0] + 0x40 else "a positive answer to another service"
    if len(answer) != 3 or answer[1] != asked[0]:
        return "a negative answer to another request"
    if not ResponseCode.get_name(answer[2]):
        return f"a negative response code that udsoncan does not know: {answer[2]:02X}"
    if functional and answer[2] in NEVER_TO_EVERYBODY:
        return "a negative answer to everybody's request"
    return ""


@pytest.fixture
def no_growth() -> Iterator[None]:
    """What Python holds may not grow with the number of messages."""
    gc.collect()
    before = len(gc.get_objects())
    yield
    gc.collect()
    assert len(gc.get_objects()) - before < GROWTH_OBJECTS


def test_messages_straight_to_the_servers(no_growth: None) -> None:
    """Random requests never raise, and every answer is one of the standard's."""
    rng = random.Random(14229)
    bench = bench_of("six-modules", "press start", "unplug TCM.C1", "wait 3 s")
    asked = Counter[str]()
    faults = Counter[str]()
    for number in range(TO_SERVERS):
        module = bench.live.modules[rng.choice(list(bench.live.modules))]
        data, functional = request(rng), rng.random() < 0.3
        legislated = module.diagnostics.obd if data and data[0] in LEGISLATED else None
        server: object = legislated or module.diagnostics.server
        answer = server.handle(data, functional)  # type: ignore[attr-defined]
        faults[fault_of(data, answer, functional)] += 1
        asked["positive" if answer and answer[0] != 0x7F else "negative" if answer else "silent"] += 1
        decode(module.name, data, answer)
        decode(module.name, request(rng), answer)
        if number % 2000 == 0:
            bench.live.run(1.0)
        elif number % 100 == 0:
            bench.live.run(0.01)
    assert {"": TO_SERVERS} == dict(faults)
    assert all(asked[kind] > TO_SERVERS // 20 for kind in ("positive", "negative", "silent")), asked
    bench.live.run(10.0)
    assert {"running", "unpowered"} >= {module.state for module in bench.live.modules.values()}


def test_udsoncan_reads_what_the_server_gets() -> None:
    """The same bytes taken apart by udsoncan: whatever it calls a known service is not refused as unknown."""
    bench = bench_of("six-modules", "press start")
    server: DiagnosticServer = bench.live.modules["BCM"].diagnostics.server
    for data in VALID:
        service = Request.from_payload(data).service
        answer = server.handle(data)
        if service is not None and data[0] >= 0x10:
            assert answer is None or answer[0] != 0x7F or answer[2] != 0x11


def frame_data(rng: random.Random) -> bytes:
    """Data of a CAN frame: a valid single frame, any transport frame, or anything."""
    kind = rng.randrange(3)
    if kind == 0:
        data = rng.choice([one for one in VALID if len(one) < 8])
        return bytes([len(data), *data]).ljust(8, b"\xcc")
    if kind == 1:
        return bytes([rng.randrange(4) << 4 | rng.randrange(16), *rng.randbytes(rng.randint(0, 7))])
    return rng.randbytes(rng.randint(0, 8))


def test_frames_at_the_connector(no_growth: None) -> None:
    """Random frames at the connector never raise, and every module still answers."""
    rng = random.Random(15765)
    bench = bench_of("teaching-car", "key run", "wait 1 s")
    live = bench.live
    live.tester(True, "sends what it likes")
    live.run(0.1)
    addresses = [0x7DF, *bench.car.addresses.values(), *(one + 8 for one in bench.car.addresses.values())]
    for number in range(FRAMES):
        can_id = rng.choice(addresses) if rng.random() < 0.9 else rng.randrange(0x700, 0x800)
        live.network.send(TESTER, Frame(can_id, frame_data(rng)))
        if number % 50 == 0:
            live.run(0.02)
    live.run(20.0)
    assert [] == live.network.waiting(TESTER)
    report = bench.do("scan").report
    assert report is not None
    assert () == report.silent


def packet(rng: random.Random, source: int, targets: list[int]) -> bytes:
    """A packet of ISO 13400-2: valid, mutated, of unknown kind, or random bytes."""
    kind = rng.randrange(10)
    whole = doip_bytes.diagnostic(source, rng.choice(targets), request(rng) or b"\x3e")
    if kind < 4:
        return whole
    if kind < 6:
        body = rng.randbytes(rng.randint(0, 60))
        return struct.pack("!BBHI", 2, 0xFD, rng.choice((0x8001, rng.randrange(0x10000))), len(body)) + body
    if kind < 8:
        return mutated(rng, whole)
    if kind == 8:
        kinds = (Payload.ALIVE_CHECK, Payload.ALIVE_ANSWER, Payload.HEADER_NACK, Payload.ROUTING_ANSWER)
        return doip_bytes.message(rng.choice(kinds), rng.randbytes(rng.choice((0, 1, 2, 9))))
    return rng.randbytes(rng.randint(1, 60))


class Attacker:
    """Sends packets without manners, connects again when thrown out, and checks what comes back."""

    def __init__(self, link: LiveLink, number: int) -> None:
        self.sent = self.connections = 0
        self.answers = Counter[str]()
        self._link = link
        self._rng = random.Random(number)
        self._source = 0x0F00 + number
        self._targets = [*link.car.bench.car.addresses.values(), EVERY_MODULE, 0x1234, ENTITY_ADDRESS]

    def run(self) -> None:
        while self.sent < PACKETS // ATTACKERS:
            with plain_socket(self._link) as connection:
                self.connections += 1
                connection.sendall(activation(self._source))
                connection.settimeout(1)
                self._count(connection.recv(65536))
                connection.settimeout(0.01)
                with suppress(OSError):  # thrown out
                    self._attack(connection)

    def _attack(self, connection: socket.socket) -> None:
        """Packet by packet, each with a moment for the answer, until thrown out.

        Also until a packet says that it is longer than it is: all behind it would be taken for its rest.
        """
        unread = b""
        while self.sent < PACKETS // ATTACKERS:
            self.sent += 1
            data = packet(self._rng, self._source, self._targets)
            connection.sendall(data)
            try:
                more = connection.recv(65536)
            except TimeoutError:
                if len(data) < 8 or len(data) != 8 + Header.read(data).length:
                    return
                continue
            unread = self._count(unread + more)
            if not more:
                assert unread == b"", "the last answer is cut off"
                return

    def _count(self, data: bytes) -> bytes:
        """Count whole answers; returns the rest."""
        while len(data) >= 8 and len(data) >= 8 + (header := Header.read(data)).length:
            fine = header.fault({int(one): range(0x10000) for one in Payload}) is None
            self.answers[Payload(header.payload).name if fine else "malformed"] += 1
            data = data[8 + header.length :]
        return data


def test_packets_by_tcp_and_udp(no_growth: None) -> None:
    """Random packets do not keep an honest client from its answers."""
    bench: Bench = bench_of("six-modules", "press start", "wait 2 s")
    with LiveLink(bench, doip_port=0) as link, doip(link, client_logical_address=0x0EEE) as witness:
        attackers = [Attacker(link, number) for number in range(ATTACKERS)]
        threads = [threading.Thread(target=attacker.run) for attacker in attackers]
        threads.append(threading.Thread(target=datagrams, args=(link,)))
        for thread in threads:
            thread.start()
        asked = 0
        while any(thread.is_alive() for thread in threads):
            try:
                witness.send_diagnostic(bytearray(b"\x3e\x00"), timeout=PATIENCE_S)
                asked += 1
            except OSError as refused:
                # code 5, no memory left: the attackers have filled the queue for a moment
                if "negative acknowledge code: 5" not in str(refused):
                    raise
            time.sleep(0.1)
        assert asked > 5
        assert PACKETS == sum(attacker.sent for attacker in attackers)
        answers = sum((attacker.answers for attacker in attackers), Counter[str]())
        assert 0 == answers["malformed"]
        for kind in ("HEADER_NACK", "DIAGNOSTIC", "DIAGNOSTIC_ACK", "DIAGNOSTIC_NACK", "ROUTING_ANSWER"):
            # every kind comes; how many of them in time depends on how busy the machine is
            assert answers[kind] > PACKETS // 400, answers
        assert ("", "") == (link.car.failure, link.doip.failure if link.doip else "")
        assert 0 == link.car.lost_s


def datagrams(link: LiveLink) -> None:
    """Random datagrams: every answer is a whole message."""
    rng = random.Random(13400)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as connection:
        connection.settimeout(1)
        for number in range(DATAGRAMS):
            kind = rng.choice((1, 2, 3, 0x4001, 0x4003, rng.randrange(0x10000)))
            body = rng.randbytes(rng.choice((0, 0, 6, 17, 30)))
            whole = struct.pack("!BBHI", 2, 0xFD, kind, len(body)) + body
            connection.sendto(whole if rng.random() < 0.5 else mutated(rng, whole), (HOST, port_of(link)))
            if number % 50 == 0:
                time.sleep(0.002)
        try:
            while True:
                answer = connection.recv(2000)
                header = Header.read(answer)
                assert header.length == len(answer) - 8
                assert header.fault({int(one): range(100) for one in Payload}) is None
        except TimeoutError:
            pass


def test_the_header_checks_never_fail(no_growth: None) -> None:
    """Random headers are all judged."""
    rng = random.Random(1)
    found = Counter[HeaderFault | None]()
    for _ in range(50_000):
        data = mutated(rng, doip_bytes.diagnostic(0x0E00, 0x07E0, b"\x3e\x00")).ljust(8, b"\0")[:8]
        found[Header.read(data).fault(doip_bytes.TCP_LENGTHS)] += 1
    assert found[None] > 0
    assert found[HeaderFault.PATTERN] > 0
