"""SAE J1939 beside its published rules and the open package `can-j1939`, written by others."""

from __future__ import annotations

import random
from collections.abc import Callable

import j1939
import pytest
from j1939.diagnostic_messages import DTC, DtcLamp
from j1939.j1939_21 import J1939_21

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import Frame
from sim.network.j1939_transport import T1_S, T2_S, T3_S, T4_S, J1939Transport
from sim.vehicle.j1939 import (
    ADDRESS_CLAIMED,
    DM1,
    DM2,
    DM11,
    LAMPS,
    REQUEST,
    TRANSPORT_DATA,
    TRANSPORT_MANAGEMENT,
    DiagnosticMessage,
    Identifier,
    Name,
    ReportedFault,
    SpnFmi,
    fmi_of_failure_type,
)
from sim.wiring.segments import Segment

GROUPS = j1939.ParameterGroupNumber.PGN


@pytest.mark.parametrize(
    ("can_id", "parts"),
    [
        # DM1 of the engine (address 0) at priority 6: the commonest example in print
        (0x18FECA00, Identifier(6, 65226, 0)),
        (0x18EA00F9, Identifier(6, 59904, 249, 0)),  # diagnostic tool 1 asks the engine
        (0x1CECFF0B, Identifier(7, 60416, 11)),  # TP.CM to all from the brakes
        (0x0CF00400, Identifier(3, 61444, 0)),  # engine speed, priority 3
    ],
)
def test_an_identifier_falls_into_priority_group_addresses(can_id: int, parts: Identifier) -> None:
    """Parts of an identifier, and back."""
    assert parts == Identifier.of(can_id)
    assert can_id == parts.can_id


def test_numbers_of_groups_are_those_of_the_independent_package() -> None:
    """The groups of transport, claim, request and diagnosis."""
    theirs = (GROUPS.ADDRESSCLAIM, GROUPS.REQUEST, GROUPS.TP_CM, GROUPS.DATATRANSFER)
    assert theirs == (ADDRESS_CLAIMED, REQUEST, TRANSPORT_MANAGEMENT, TRANSPORT_DATA)
    assert (GROUPS.DM01, GROUPS.DM02, GROUPS.DM11) == (DM1, DM2, DM11)


def test_time_limits_are_those_of_the_independent_package() -> None:
    """T1 to T4 of SAE J1939-21."""
    limits = J1939_21.Timeout
    assert (limits.T1, limits.T2, limits.T3, limits.T4) == (T1_S, T2_S, T3_S, T4_S)


def test_a_name_is_packed_as_the_independent_package_packs_it() -> None:
    """Every field at random: the same 64 bits, the same order of two NAMEs, the same bytes."""
    rng = random.Random(1)
    for _ in range(200):
        one = Name(
            rng.randrange(1 << 21), rng.randrange(1 << 11), rng.randrange(8), rng.randrange(32),
            rng.randrange(256), rng.randrange(128), rng.randrange(16), rng.randrange(8), rng.random() < 0.5,
        )  # fmt: skip
        theirs = j1939.Name(
            identity_number=one.identity, manufacturer_code=one.manufacturer, ecu_instance=one.ecu_instance,
            function_instance=one.function_instance, function=one.function,
            vehicle_system=one.vehicle_system, vehicle_system_instance=one.vehicle_system_instance,
            industry_group=one.industry_group, arbitrary_address_capable=int(one.moves),
        )  # fmt: skip
        assert (theirs.value, bytes(theirs.bytes)) == (one.value, one.data)
        assert one == Name.of(one.data)


def test_a_code_has_19_bits_of_parameter_5_of_failure_7_of_count() -> None:
    """Four bytes by conversion method 4, as the independent package packs them."""
    rng = random.Random(2)
    for _ in range(200):
        spn, fmi, count = rng.randrange(1 << 19), rng.randrange(32), rng.randrange(127)
        one = ReportedFault(SpnFmi(spn, fmi), count)
        assert DTC(spn=spn, fmi=fmi, oc=count).dtc.to_bytes(4, "little") == one.data
        assert one == ReportedFault.of(one.data)


def test_lamps_of_dm1_have_two_bits_each() -> None:
    """Malfunction lamp in the top bits, protect lamp in the lowest, none of them flashing."""
    keys = dict(zip(LAMPS, ("mil", "rsl", "awl", "pl"), strict=True))
    for lamp in LAMPS:
        theirs = DtcLamp().get_data({keys[lamp]: DtcLamp.ON})
        mine = DiagnosticMessage(frozenset({lamp})).data
        assert theirs[0] == mine[0]
        assert frozenset({lamp}) == DiagnosticMessage.of(mine).lamps
    # no code: four zeros (SAE J1939-73, as lecture notes quote it), the rest filled
    assert "00ff00000000ffff" == DiagnosticMessage().data.hex()
    assert DiagnosticMessage() == DiagnosticMessage.of(DiagnosticMessage().data)


@pytest.mark.parametrize(("failure_type", "fmi"), [(0x87, 9), (0x86, 19), (0x13, 5), (0x17, 3), (0x7B, 11)])
def test_a_failure_type_has_the_failure_mode_nearest_to_it(failure_type: int, fmi: int) -> None:
    """Missing: abnormal update rate. Invalid: network data in error. Unknown ones: not told more closely."""
    assert fmi == fmi_of_failure_type(failure_type)


def test_words_of_a_code() -> None:
    """SPN 639 FMI 9 is the network itself; SPN 2000 plus an address is the controller there."""
    assert "J1939 network 1, abnormal update rate" == SpnFmi(639, 9).words
    assert "controller at address 16, abnormal update rate" == SpnFmi(2016, 9).words


@pytest.mark.parametrize("values", [(8, 0, 0, 255), (6, 1 << 18, 0, 255), (6, 0xEA01, 0, 0), (6, DM1, 0, 3)])
def test_an_impossible_identifier_is_one_clear_error(values: tuple[int, int, int, int]) -> None:
    """Out of range, a PDU1 group with a low byte, a PDU2 group with a destination."""
    with pytest.raises(ValueError, match=r"priority|pgn|group"):
        Identifier(*values)


# -- transport ---------------------------------------------------------------------------------------------


class Pair:
    """Two ends on one bus of 250 kbit/s. `log`: frames as on the bus; `heard`: messages at either end."""

    def __init__(self) -> None:
        self.env = NanosecondEnvironment()
        self.network = CanNetwork(self.env)
        self.log: list[str] = []
        self.times_s: list[float] = []
        self.heard: list[tuple[str, int, int, int, bytes]] = []
        self.network.set_segments([Segment(("a", "b"), (), 250_000)])
        self.ends = {name: self._end(name, address) for name, address in (("a", 0), ("b", 249))}
        self.network.tap = self._tapped

    def _tapped(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        self.log.append(str(frame))
        self.times_s.append(end_s)

    def _end(self, name: str, address: int) -> J1939Transport:
        def send(frame: Frame, on_sent: Callable[[float], None]) -> Callable[[], None]:
            return self.network.send(name, frame, on_sent)

        def message(pgn: int, source: int, destination: int, data: bytes) -> None:
            self.heard.append((name, pgn, source, destination, data))

        end = J1939Transport(self.after, send, lambda: address, message)
        self.network.listen(name, lambda frame, sender, time_s: end.frame(frame))
        return end

    def after(self, delay_s: float, action: Callable[[], None]) -> Alarm:
        return Alarm(self.env, delay_s, action)


class Alarm:
    def __init__(self, env: NanosecondEnvironment, delay_s: float, action: Callable[[], None]) -> None:
        self.action: Callable[[], None] | None = action
        timeout = env.timeout(delay_s)
        assert timeout.callbacks is not None
        timeout.callbacks.append(lambda _: self.action and self.action())

    def cancel(self) -> None:
        self.action = None


TWO_CODES = bytes.fromhex("04ff7f020901a8000101")  # SPN 639 FMI 9 and SPN 168 FMI 1, once each; warning lamp


def test_a_broadcast_of_two_codes_is_announced_and_follows_in_packets() -> None:
    """BAM: control byte 32, ten bytes in two packets, group FECA; packets from 1 on, filled with FF."""
    pair = Pair()
    pair.ends["a"].send(DM1, TWO_CODES)
    pair.env.run(until=1)
    assert [
        "1CECFF00 20 0A 00 02 FF CA FE 00",
        "1CEBFF00 01 04 FF 7F 02 09 01 A8",
        "1CEBFF00 02 00 01 01 FF FF FF FF",
    ] == pair.log
    assert [("b", DM1, 0, 255, TWO_CODES)] == pair.heard
    # 50 to 200 ms between packets of a broadcast (SAE J1939-21, as `can-j1939` has it)
    assert all(0.0499 <= b - a <= 0.2 for a, b in zip(pair.times_s, pair.times_s[1:], strict=False))


def test_a_message_to_one_address_is_asked_for_granted_and_acknowledged() -> None:
    """RTS 16, CTS 17 for two packets from the first on, the packets, end of message 19."""
    pair = Pair()
    pair.ends["a"].send(DM2, TWO_CODES, destination=249)
    pair.env.run(until=1)
    assert [
        "1CECF900 10 0A 00 02 FF CB FE 00",
        "1CEC00F9 11 02 01 FF FF CB FE 00",
        "1CEBF900 01 04 FF 7F 02 09 01 A8",
        "1CEBF900 02 00 01 01 FF FF FF FF",
        "1CEC00F9 13 0A 00 02 FF CB FE 00",
    ] == pair.log
    assert [("b", DM2, 0, 249, TWO_CODES)] == pair.heard


@pytest.mark.parametrize("length", [9, 14, 15, 255 * 7])
def test_any_length_arrives_whole(length: int) -> None:
    """From nine bytes to 1785, the most that 255 packets hold; both ways at once."""
    pair, data = Pair(), bytes(n % 251 for n in range(length))
    pair.ends["a"].send(DM2, data, destination=249)
    pair.ends["b"].send(DM2, data, destination=0)
    pair.env.run(until=30)
    assert [("a", DM2, 249, 0, data), ("b", DM2, 0, 249, data)] == sorted(pair.heard)


def test_a_sender_without_an_answer_aborts_after_t3() -> None:
    """No controller at address 5: after 1.25 s an abort (255), timeout (3), and the next message goes out."""
    pair = Pair()
    pair.ends["a"].send(DM2, TWO_CODES, destination=5)
    pair.env.run(until=2)
    assert ["1CEC0500 10 0A 00 02 FF CB FE 00", "1CEC0500 FF 03 FF FF FF CB FE 00"] == pair.log
    assert pytest.approx(T3_S, abs=0.002) == pair.times_s[1] - pair.times_s[0]


def test_a_lost_packet_loses_a_broadcast_and_aborts_a_connection() -> None:
    """A wrong number: no message at all; to one address the receiver aborts (reason 7)."""
    pair = Pair()
    end = pair.ends["b"]
    for text in ("20 0A 00 02 FF CA FE 00", "02 00 01 01 FF FF FF FF"):
        kind = 0xECFF00 if text.startswith("20") else 0xEBFF00
        end.frame(Frame(0x1C000000 | kind, bytes.fromhex(text), extended=True))
    end.frame(Frame(0x1CECF900, bytes.fromhex("10 0A 00 02 FF CB FE 00"), extended=True))
    end.frame(Frame(0x1CEBF900, bytes.fromhex("02 00 01 01 FF FF FF FF"), extended=True))
    pair.env.run(until=1)
    assert [] == pair.heard
    assert "1CEC00F9 FF 07 FF FF FF CB FE 00" == pair.log[-1]


def test_too_long_a_message_is_refused() -> None:
    """1786 bytes do not fit 255 packets."""
    with pytest.raises(ValueError, match="at most 1785"):
        Pair().ends["a"].send(DM2, bytes(1786))
