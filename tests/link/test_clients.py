"""Whole diagnostic sessions with clients written by others: udsoncan, over doipclient and over can-isotp.

udsoncan holds every answer against ISO 14229-1: it must fit its request.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import can
import pytest
from doipclient.constants import TCP_DATA_UNSECURED
from doipclient.messages import DiagnosticMessage
from udsoncan import CommunicationType, services
from udsoncan.client import Client
from udsoncan.exceptions import NegativeResponseException, TimeoutException

from sim.link.live_link import LiveLink
from sim.modules.diagnostics import SECRET
from sim.modules.security_access import KEY_DELAY_S, SharedSecret
from sim.modules.tester_control import FIRST_OUTPUT_DID, SELF_TEST_ROUTINE
from sim.network.doip import PORT
from tests.link.conftest import TRANSPORTS, bench_of, doip, uds_over_ip

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")
Connect = Callable[[LiveLink, str], AbstractContextManager[Client]]
VIN = "BUSBAYTRAYNER0001"
DEFAULT, EXTENDED = 1, 3
TCM_LOST = 0xC10187  # U0101-87
NORMAL = CommunicationType(CommunicationType.Subnet.node, normal_msg=True)


PATIENCE_S = 60  # not a limit: a busy machine is slow, not wrong


def passes(link: LiveLink, time_s: float) -> None:
    """Let so much time pass for the car, whose clock may be behind that of a busy machine."""
    end_s, last_s = link.car.bench.now_s + time_s, time.monotonic() + PATIENCE_S
    while link.car.bench.now_s < end_s:
        assert time.monotonic() < last_s
        time.sleep(0.01)


def vin_of(client: Client) -> str:
    return str(client.read_data_by_identifier(0xF190).service_data.values[0xF190])


def session_of(client: Client) -> int:
    return int(client.read_data_by_identifier(0xF186).service_data.values[0xF186][0])


def unlock(client: Client) -> None:
    client.change_session(EXTENDED)
    seed = client.request_seed(1).service_data.seed
    client.send_key(2, SharedSecret(SECRET).key(seed))


def refusal(ask: Callable[[], object]) -> str:
    """The name that udsoncan has for the negative answer."""
    with pytest.raises(NegativeResponseException) as refused:
        ask()
    return str(refused.value.response.code_name)


def test_standard_port() -> None:
    """The standard port is that of doipclient."""
    assert TCP_DATA_UNSECURED == PORT


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_every_module_identifies_itself(minibus: LiveLink, connect: Connect) -> None:
    """All 41 modules answer a client of udsoncan with the same identification number."""
    modules = minibus.car.bench.car.addresses
    assert len(modules) == 41
    found = {}
    with doip(minibus):  # keeps the car awake, so that nobody has to wake it again
        for name in modules:
            with connect(minibus, name) as client:
                found[name] = vin_of(client)
    assert dict.fromkeys(modules, VIN) == found


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_a_session_from_reading_to_clearing(minibus: LiveLink, connect: Connect) -> None:
    """Read, see a module go, read what others say of it, repair, find clearing locked, unlock, clear."""
    with connect(minibus, "ECM") as ecm, connect(minibus, "GATEWAY") as gateway:
        assert [] == ecm.get_dtc_by_status_mask(0x0F).service_data.dtcs
        minibus.car.do("unplug TCM.C1")
        passes(minibus, 2)
        found = ecm.get_dtc_by_status_mask(0x08).service_data.dtcs
        snapshot = ecm.get_dtc_snapshot_by_dtc_number(TCM_LOST, 0xFF)
        minibus.car.do("plug TCM.C1")
        assert [TCM_LOST] == [dtc.id for dtc in found]
        assert found[0].status.test_failed
        assert found[0].status.confirmed
        assert TCM_LOST == snapshot.service_data.dtcs[0].id
        assert 1 == ecm.get_number_of_dtc_by_status_mask(0x08).service_data.dtc_count
        passes(minibus, 3)
        assert "SecurityAccessDenied" == refusal(lambda: ecm.clear_dtc(0xFFFFFF))
        unlock(gateway)
        ecm.clear_dtc(0xFFFFFF)
        assert [] == ecm.get_dtc_by_status_mask(0x0F).service_data.dtcs
        assert TCM_LOST in [dtc.id for dtc in ecm.get_supported_dtc().service_data.dtcs]
        gateway.change_session(DEFAULT)


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_security(minibus: LiveLink, connect: Connect) -> None:
    """A guarded module is unlocked by seed and key, in an extended session only."""
    with connect(minibus, "BCM") as bcm:
        assert "ServiceNotSupportedInActiveSession" == refusal(lambda: bcm.request_seed(1))
        bcm.change_session(EXTENDED)
        assert "RequestSequenceError" == refusal(lambda: bcm.send_key(2, bytes(16)))
        bcm.request_seed(1)
        assert "InvalidKey" == refusal(lambda: bcm.send_key(2, bytes(16)))
        unlock(bcm)
        assert bytes(16) == bcm.request_seed(1).service_data.seed, "zero: it is open already"
        bcm.change_session(DEFAULT)


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_negative_answers(minibus: LiveLink, connect: Connect) -> None:
    """What a module cannot do is answered with the negative response code of the standard."""
    with connect(minibus, "GATEWAY") as client:
        asked: list[Callable[[], object]] = [
            lambda: client.access_timing_parameter(1),
            lambda: client.change_session(4),
            lambda: client.change_session(2),
            lambda: client.read_data_by_identifier(0x1234),
            lambda: client.get_dtc_snapshot_by_dtc_number(0x123456, 0xFF),
            lambda: client.communication_control(0, NORMAL),
        ]
        found = [refusal(ask) for ask in asked]
    expected = [
        "ServiceNotSupported", "SubFunctionNotSupported", "SubFunctionNotSupportedInActiveSession",
        "RequestOutOfRange", "RequestOutOfRange", "ServiceNotSupportedInActiveSession",
    ]  # fmt: skip
    assert expected == found


def test_a_session_ends_by_itself_unless_kept(minibus: LiveLink) -> None:
    """S3 of 5 s (ISO 14229-2)."""
    with uds_over_ip(minibus, "SEAT") as client:
        client.change_session(EXTENDED)
        for _ in range(3):
            passes(minibus, 2)
            with client.suppress_positive_response:
                client.tester_present()
        assert session_of(client) == EXTENDED
        passes(minibus, 5.2)
        assert session_of(client) == DEFAULT


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_a_module_unplugged_in_the_middle(minibus: LiveLink, connect: Connect) -> None:
    """An unplugged module falls silent, its neighbors do not, and it answers again when plugged in."""
    with connect(minibus, "RADIO") as radio, connect(minibus, "CLIMATE") as climate:
        assert vin_of(radio) == VIN
        minibus.car.do("unplug RADIO.C1")
        with pytest.raises(TimeoutException):
            vin_of(radio)
        assert vin_of(climate) == VIN
        minibus.car.do("plug RADIO.C1")
        passes(minibus, 1)
        assert vin_of(radio) == VIN


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_a_reset_loses_the_session(minibus: LiveLink, connect: Connect) -> None:
    """After a hard reset a module is in the default session."""
    with connect(minibus, "PARK-AID") as client:
        client.change_session(EXTENDED)
        client.ecu_reset(services.ECUReset.ResetType.hardReset)
        passes(minibus, 1)
        assert session_of(client) == DEFAULT


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_response_pending(minibus: LiveLink, connect: Connect) -> None:
    """udsoncan waits P2* after the module has asked for patience, and gives the result of the self-test."""
    with connect(minibus, "PARK-BRAKE") as client, connect(minibus, "GATEWAY") as gateway:
        unlock(gateway)
        client.change_session(EXTENDED)
        client.set_configs({"p2_timeout": 0.5, "request_timeout": 5})
        began_s = time.monotonic()
        result = client.start_routine(SELF_TEST_ROUTINE).service_data
        assert time.monotonic() - began_s > 0.9, "the test takes a second"
        assert SELF_TEST_ROUTINE == result.routine_id_echo
        tests = {test.code for test in minibus.car.bench.live.modules["PARK-BRAKE"].faults.tests}
        assert bytes([len(tests), 0]) == result.routine_status_record
        client.change_session(DEFAULT)
        gateway.change_session(DEFAULT)


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_an_output_is_switched_behind_two_locks(minibus: LiveLink, connect: Connect) -> None:
    """The gateway refuses actuation until it is unlocked, the module until it is unlocked itself."""
    live = minibus.car.bench.live
    name = next(iter(live.modules["UPFIT"].outputs.on))
    with connect(minibus, "UPFIT") as upfit, connect(minibus, "GATEWAY") as gateway:
        adjust = lambda on: upfit.io_control(FIRST_OUTPUT_DID, control_param=3, values=[on])  # noqa: E731
        unlock(upfit)
        assert "SecurityAccessDenied" == refusal(lambda: adjust(0))
        unlock(gateway)
        assert live.modules["UPFIT"].outputs.on[name]
        assert 0 == adjust(0).service_data.decoded_data[0]
        assert not live.modules["UPFIT"].outputs.on[name]
        upfit.change_session(DEFAULT)
        passes(minibus, 0.1)
        assert live.modules["UPFIT"].outputs.on[name]
        gateway.change_session(DEFAULT)


@pytest.mark.parametrize("connect", TRANSPORTS)
def test_a_module_is_silenced(minibus: LiveLink, connect: Connect) -> None:
    """CommunicationControl stops a module's messages, and the default session starts them again."""
    with connect(minibus, "YAW-RATE") as client:
        client.change_session(EXTENDED)
        client.control_dtc_setting(services.ControlDTCSetting.SettingType.off)
        client.communication_control(services.CommunicationControl.ControlType.disableRxAndTx, NORMAL)
        passes(minibus, 0.3)
        streams = minibus.car.bench.live.world.streams
        own = [stream for stream in streams.values() if stream.channel.startswith("YAW-RATE.")]
        assert [False] * len(own) == [stream.live for stream in own]
        client.change_session(DEFAULT)
        passes(minibus, 0.1)
        assert [True] * len(own) == [stream.live for stream in own]


def test_two_clients_ask_the_same_module(minibus: LiveLink) -> None:
    """Two clients of one module each get their own answers."""
    with uds_over_ip(minibus, "STEERING") as one, uds_over_ip(minibus, "STEERING") as other:
        for _ in range(5):
            assert (VIN, VIN) == (vin_of(one), vin_of(other))


def test_one_client_asks_many_modules_at_once(minibus: LiveLink) -> None:
    """All of one bus; everybody at once would be more than the gateways hold."""
    car = minibus.car.bench.car
    modules = [address for name, address in car.addresses.items() if "comfort" in car.messages.buses_of[name]]
    source = 0x0EE0
    with doip(minibus, client_logical_address=source) as connection:
        for address in modules:
            connection.send_doip_message(DiagnosticMessage(source, address, bytearray(b"\x22\xf1\x90")))
        heard = []
        while len(heard) < len(modules) and (message := connection.read_doip(timeout=2)):
            if isinstance(message, DiagnosticMessage):
                assert VIN.encode() == bytes(message.user_data[3:])
                heard.append(message.source_address)
    assert sorted(modules) == sorted(heard)


# -- raw frames ---------------------------------------------------------------------------------------------


def send(bus: can.BusABC, can_id: int, text: str) -> None:
    bus.send(can.Message(arbitration_id=can_id, data=bytes.fromhex(text), is_extended_id=False))


STRAY_FRAMES = [
    "30 00 00", "21 01 02", "10 FF 01 02 03 04 05 06", "", "00", "0F", "10 00 FF FF FF FF 01 02", "FF" * 8,
]  # fmt: skip


def test_frames_that_nobody_asked_for_do_no_harm(minibus: LiveLink) -> None:
    """Flow control and consecutive frames out of the blue, a message without end, an empty frame."""
    _, _, channel = minibus.bridges[0].where.partition(":")
    before = minibus.bridges[0].dropped
    with can.Bus(interface="virtual", channel=channel) as bus:
        for can_id in (0x7E0, 0x7DF, 0x7E8):
            for text in STRAY_FRAMES:
                send(bus, can_id, text)
        bus.send(can.Message(arbitration_id=0x7E0, is_remote_frame=True, dlc=8, is_extended_id=False))
        bus.send(can.Message(arbitration_id=0x7E0, data=bytes(12), is_fd=True, is_extended_id=False))
        passes(minibus, 0.3)
    with uds_over_ip(minibus, "ECM") as client:
        assert vin_of(client) == VIN
    assert before + 2 == minibus.bridges[0].dropped


def test_raw_frames_go_out_and_come_in() -> None:
    """The world outside sees what the car sends at its connector, with the periods that the car has."""
    bench = bench_of("six-modules", "press start", "wait 1 s")
    with can.Bus(interface="virtual", channel="raw frames") as outside:
        with LiveLink(bench, doip_port=None, can_buses=("virtual:raw frames",)) as link:
            before_s = bench.now_s
            send(outside, 0x7DF, "02 3E 00 CC CC CC CC CC")
            heard = list(_heard(outside, 1.5))
        passed_s = bench.now_s - before_s
        heard += list(_heard(outside, 0.2))  # what had not been fetched when the link ended
        assert ("", "") == (link.car.failure, link.bridges[0].failure)
    answers = {m.arbitration_id for m in heard if bytes(m.data[:3]) == bytes.fromhex("02 7E 00")}
    assert {address + 8 for address in bench.car.addresses.values()} == answers
    assert 0x7DF not in {m.arbitration_id for m in heard}, "nobody hears himself"
    for message in bench.car.messages.sent.values():
        count = sum(m.arbitration_id == message.can_id for m in heard)
        assert passed_s / message.period_s == pytest.approx(count, abs=2)


def test_no_frames_from_a_connector_that_is_cut_off() -> None:
    """With the connector unplugged no frame reaches an outside program."""
    bench = bench_of("six-modules", "press start", "wait 1 s")
    with (
        can.Bus(interface="virtual", channel="cut off") as outside,
        LiveLink(bench, doip_port=None, can_buses=("virtual:cut off",)) as link,
    ):
        assert list(_heard(outside, 0.3))
        link.car.do("unplug DLC")
        list(_heard(outside, 0.2))
        assert [] == list(_heard(outside, 0.5))


def test_listening_lets_the_car_sleep_and_talking_wakes_it() -> None:
    """A program that only listens wakes nothing; its first frame wakes the car."""
    bench = bench_of("six-modules", "wait 20 s")
    states = lambda: {module.state for module in bench.live.modules.values()}  # noqa: E731
    assert {"asleep"} == states()
    with (
        can.Bus(interface="virtual", channel="asleep") as outside,
        LiveLink(bench, doip_port=None, can_buses=("virtual:asleep",)),
    ):
        assert [] == list(_heard(outside, 0.5))
        assert {"asleep"} == states()
        send(outside, 0x7DF, "02 3E 80 CC CC CC CC CC")
        assert list(_heard(outside, 1.0))
        assert "asleep" not in states()


def _heard(bus: can.BusABC, for_s: float) -> Iterator[can.Message]:
    last_s = time.monotonic() + for_s
    while (left_s := last_s - time.monotonic()) > 0:
        message = bus.recv(left_s)
        if message is not None:
            yield message


def test_the_guarded_gateway_against_wrong_keys(minibus: LiveLink) -> None:
    """Reading passes all the while; three wrong keys, then a delay in which it gives no challenge."""
    with uds_over_ip(minibus, "GATEWAY") as gateway, uds_over_ip(minibus, "ECM") as ecm:
        gateway.change_session(EXTENDED)
        answers = []
        for _ in range(3):
            gateway.request_seed(1)
            answers.append(refusal(lambda: gateway.send_key(2, bytes(16))))
        assert ["InvalidKey", "InvalidKey", "ExceedNumberOfAttempts"] == answers
        assert "RequiredTimeDelayNotExpired" == refusal(lambda: gateway.request_seed(1))
        assert VIN == vin_of(ecm)
        assert "SecurityAccessDenied" == refusal(lambda: ecm.clear_dtc(0xFFFFFF))
        passes(minibus, KEY_DELAY_S)
        unlock(gateway)
        ecm.clear_dtc(0xFFFFFF)
        gateway.change_session(DEFAULT)
