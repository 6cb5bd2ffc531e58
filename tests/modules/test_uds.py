"""Diagnostic server and tester against ISO 14229-1 as given by PyPI udsoncan."""

import random
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from udsoncan import (
    AsciiCodec,
    DataIdentifier,
    DidCodec,
    Dtc,
    Request,
    Response,
    services,
)

from sim.modules import uds_client, uds_responses
from sim.modules.fault_memory import DtcRule, FaultMemory, SnapshotRecord
from sim.modules.security_access import SharedSecret
from sim.modules.uds_data import (
    MODULE_STATE,
    POWER_MODE,
    SERIAL_NUMBER,
    SESSION,
    SOFTWARE_VERSION,
    SUPPLY_VOLTAGE,
    TIME,
    VIN,
    Identity,
    LiveValues,
)
from sim.modules.uds_protocol import NegativeResponseCode
from sim.modules.uds_responses import (
    CountersRead,
    DataRead,
    DtcsRead,
    Malformed,
    NegativeResponse,
    NoResponse,
    PositiveResponse,
    ReportedDtc,
    SnapshotsRead,
    decode,
)
from sim.modules.uds_server import DiagnosticAction, DiagnosticServer

IDENTITY = Identity("BUSBAY00000000017", "SN-0017", "1.4.2")  # invented
SECRET = b"a training key 1"
LAMP, LOCKED_LAMP = 0x4001, 0x4002  # outputs of the module under test, our own numbers
SELF_TEST, STUCK = 0x0201, 0x0202  # its routines


class Module:
    """A module with everything that a tester can ask for, and a record of what it was told to do."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.told: list[tuple[object, ...]] = []
        self.memory = FaultMemory(
            [DtcRule("U0100-87"), DtcRule("U0121-87", confirmation_cycles=2), DtcRule("U0073-88")]
        )
        self.server = DiagnosticServer(
            lambda: IDENTITY,
            self.memory,
            lambda: self.now_s,
            live=lambda: LiveValues(12.34, "run", "running"),
            reset=self.note("reset", None),
            secret=SharedSecret(SECRET),
            communication=self.note("communication", None),
            outputs={
                LAMP: DiagnosticAction(self.note("lamp", b"\x01")),
                LOCKED_LAMP: DiagnosticAction(self.note("locked lamp", b""), locked=True),
            },
            routines={
                SELF_TEST: DiagnosticAction(self.note("self test", b"\x00")),
                STUCK: DiagnosticAction(lambda *_: None),
            },
            later=self.note("later", None),
        )

    def note(self, what: str, result: Any) -> Callable[..., Any]:
        def noted(*values: object) -> Any:
            self.told.append((what, *values))
            return result

        return noted

    def ask(self, request: str, functional: bool = False) -> str | None:
        response = self.server.handle(bytes.fromhex(request), functional)
        return None if response is None else response.hex(" ").upper()

    def fail(self, code: str, time_s: float = 1.0) -> None:
        self.memory.test_failed(code, SnapshotRecord(time_s, 11.9, "crank"))


@pytest.fixture
def module() -> Module:
    return Module()


# Layouts: ISO 14229-1 as given by the open package `uds`; request bytes as built by udsoncan.
# In order: each line is asked of the same module, which has U0100-87 confirmed and U0121-87 pending.
EXCHANGES = [
    ("10 03", "50 03 00 32 01 F4"),  # P2 50 ms, P2* 5000 ms
    ("10 02", "7F 10 12"),
    ("10", "7F 10 13"),
    ("10 03 00", "7F 10 13"),
    ("10 83", None),
    ("3E 00", "7E 00"),
    ("3E 80", None),
    ("3E 01", "7F 3E 12"),
    ("3E 00 00", "7F 3E 13"),
    ("19 01 08", "59 01 7F 00 00 01"),
    ("19 01 00", "59 01 7F 00 00 00"),
    ("19 02 08", "59 02 7F C1 00 87 2F"),
    ("19 02 04", "59 02 7F C1 00 87 2F C1 21 87 27"),
    ("19 02 80", "59 02 7F"),
    ("19 0A", "59 0A 7F C0 73 88 50 C1 00 87 2F C1 21 87 27"),
    ("19 02", "7F 19 13"),
    ("19 03", "7F 19 12"),
    ("19 04 C1 00 87 01", "59 04 C1 00 87 2F 01 03 01 00 04 A6 01 01 03 01 03 00 00 03 E8"),
    ("19 04 C0 73 88 FF", "59 04 C0 73 88 50"),
    ("19 04 C1 00 87 03", "7F 19 31"),
    ("19 04 C1 00 88 FF", "7F 19 31"),
    ("19 06 C1 00 87 FF", "59 06 C1 00 87 2F 01 01 02 00 03 7F"),
    ("19 06 C1 00 87 03", "59 06 C1 00 87 2F 03 7F"),
    ("19 06 C1 00 87 90", "7F 19 31"),
    ("22 F1 90", "62 F1 90 " + IDENTITY.vin.encode().hex(" ").upper()),
    ("22 01 00 F1 86", "62 01 00 04 D2 F1 86 03"),
    ("22 F1 86 12 34", "62 F1 86 03"),
    ("22 12 34", "7F 22 31"),
    ("22 F1", "7F 22 13"),
    ("22 F1 86 01", "7F 22 13"),
    ("14 FF FF FF 00", "7F 14 13"),
    ("14 FF FF 33", "7F 14 31"),
    ("14 C1 00 87", "54"),
    ("19 02 0F", "59 02 7F C1 21 87 27"),
    ("14 FF FF FF", "54"),
    ("19 02 0F", "59 02 7F"),
    ("28 01 01", "68 01"),
    ("28 01 00", "7F 28 31"),
    ("28 04 01", "7F 28 12"),
    ("2F 40 01 03 FF", "6F 40 01 03 01"),
    ("2F 40 01 04", "7F 2F 31"),
    ("2F 40 02 03 FF", "7F 2F 33"),
    ("2F 40 09 03 FF", "7F 2F 31"),
    ("2F 40 01", "7F 2F 13"),
    ("31 01 02 01", "71 01 02 01 00"),
    ("31 01 02 02", "7F 31 22"),
    ("31 01 02 09", "7F 31 31"),
    ("31 04 02 01", "7F 31 12"),
    ("31 81 02 01", None),
    ("85 02", "C5 02"),
    ("85 01", "C5 01"),
    ("85 03", "7F 85 12"),
    ("27 02 00 00 00 00", "7F 27 24"),
    ("27 03", "7F 27 12"),
    ("11 02", "7F 11 12"),
    ("11 01", "51 01"),
    ("34 00", "7F 34 11"),
    ("22 F1 86", "62 F1 86 01"),
]


def test_a_whole_conversation(module: Module) -> None:
    """Responses, refusals and silences, byte for byte."""
    module.fail("U0100-87")
    module.fail("U0121-87")
    assert EXCHANGES == [(request, module.ask(request)) for request, _ in EXCHANGES]


@pytest.mark.parametrize("request_", ["27 01", "28 01 01", "2F 40 01 03 FF", "31 01 02 01", "85 02"])
def test_the_default_session_refuses_what_changes_the_module(module: Module, request_: str) -> None:
    """serviceNotSupportedInActiveSession in the default session, another response in the extended one."""
    assert f"7F {request_[:2]} 7F" == module.ask(request_)
    module.ask("10 03")
    response = module.ask(request_)
    assert response is not None
    assert not response.startswith("7F")


# No response to functional requests for 11, 12, 31, 7E, 7F: from memory.
@pytest.mark.parametrize(
    ("request_", "functional"),
    [
        ("34 00", None),
        ("10 02", None),
        ("22 12 34", None),
        ("28 01 01", None),
        ("10 03 00", "7F 10 13"),
        ("3E 00", "7E 00"),
        ("3E 80", None),
        ("", None),
    ],
)
def test_silence_on_functional_requests(module: Module, request_: str, functional: str | None) -> None:
    """A module that cannot help is silent when the request is functional."""
    assert functional == module.ask(request_, functional=True)


def test_a_session_ends_five_seconds_after_the_last_request(module: Module) -> None:
    """S3Server 5000 ms (ISO 14229-2 as given by the open package `uds`); silence ends what was changed."""
    module.ask("10 03")
    module.ask("28 03 01")
    module.ask("2F 40 01 03 FF")
    module.ask("85 02")
    module.told.clear()
    module.now_s = 4.0
    module.ask("3E 80")
    assert 9.0 == module.server.lapses_at_s
    module.now_s = 8.999
    module.server.lapse()
    assert (3, False, []) == (module.server.session, module.memory.recording, module.told)
    module.now_s = 9.0
    module.server.lapse()
    assert (1, True, None) == (module.server.session, module.memory.recording, module.server.lapses_at_s)
    assert [("communication", 0, 3), ("lamp", 0, b"")] == module.told


def test_a_late_request_finds_the_default_session(module: Module) -> None:
    """Even if the clock is not read in between."""
    module.ask("10 03")
    module.now_s = 5.0
    assert "7F 85 7F" == module.ask("85 02")


WRONG_KEY = 16 * " 01"


def key_for(response: str | None) -> str:
    assert response is not None
    return SharedSecret(SECRET).key(bytes.fromhex(response)[2:]).hex()


def test_the_right_key_unlocks_until_the_session_changes(module: Module) -> None:
    """Seed and key, zero seed when unlocked (from memory), locked again by any change of session."""
    module.ask("10 03")
    assert "67 02" == module.ask("27 02" + key_for(module.ask("27 01")))
    assert "67 01" + 16 * " 00" == module.ask("27 01")
    assert "6F 40 02 03" == module.ask("2F 40 02 03 FF")
    module.ask("10 03")
    assert "7F 2F 33" == module.ask("2F 40 02 03 FF")


def test_a_key_is_good_for_one_seed(module: Module) -> None:
    """Yesterday's key does not open today's seed, and a seed is used up by one try."""
    module.ask("10 03")
    first = module.ask("27 01")
    second = module.ask("27 01")
    assert first != second
    assert "7F 27 35" == module.ask("27 02" + key_for(first))
    assert "7F 27 24" == module.ask("27 02" + key_for(second))


def test_three_wrong_keys_start_a_delay(module: Module) -> None:
    """invalidKey twice, exceedNumberOfAttempts, then ten seconds of requiredTimeDelayNotExpired."""
    module.ask("10 03")
    responses = []
    for _ in range(3):
        module.ask("27 01")
        responses.append(module.ask("27 02" + WRONG_KEY))
    assert ["7F 27 35", "7F 27 35", "7F 27 36"] == responses
    for module.now_s in (4.0, 8.0, 9.999):
        assert "7F 27 37" == module.ask("27 01")
    module.now_s = 10.0
    assert "67 02" == module.ask("27 02" + key_for(module.ask("27 01")))


def test_a_right_key_forgives_the_wrong_ones_before_it(module: Module) -> None:
    """Only wrong keys in a row count."""
    module.ask("10 03")
    for _ in range(2):
        for _ in range(2):
            module.ask("27 01")
            assert "7F 27 35" == module.ask("27 02" + WRONG_KEY)
        assert "67 02" == module.ask("27 02" + key_for(module.ask("27 01")))
        module.ask("10 03")


def test_what_the_module_is_told(module: Module) -> None:
    """Callbacks get the bytes of the request."""
    for request in (
        "10 03",
        "11 03",
        "10 03",
        "28 01 02",
        "2F 40 01 03 12 34",
        "31 02 02 01 56",
        "2F 40 01 00",
    ):
        module.ask(request)
    assert [
        ("reset", 3),
        ("communication", 1, 2),
        ("lamp", 3, b"\x12\x34"),
        ("self test", 2, b"\x56"),
        ("lamp", 0, b""),
    ] == module.told
    module.told.clear()
    module.server.restart()
    assert [("communication", 0, 3)] == module.told  # the lamp was given back before


def test_a_module_without_outputs_and_routines_has_no_such_service(module: Module) -> None:
    """serviceNotSupported to whatever the module has nothing for."""
    bare = DiagnosticServer(
        lambda: IDENTITY,
        FaultMemory(),
        lambda: 0.0,
        live=lambda: LiveValues(12.0, None, "running"),
        reset=module.note("reset", None),
        secret=SharedSecret(SECRET),
        communication=module.note("communication", None),
        outputs={},
        routines={},
        later=module.note("later", None),
    )
    bare.handle(b"\x10\x03")
    for service in ("2F 40 01 03", "31 01 02 01"):
        assert bytes.fromhex(f"7F {service[:2]} 11") == bare.handle(bytes.fromhex(service))


def test_a_response_too_long_for_the_transport(module: Module) -> None:
    """4095 bytes is the limit of a 12-bit length (ISO 15765-2)."""
    assert "7F 22 14" == module.ask("22" + "F190" * 300)
    response = module.ask("22" + "F190" * 215)
    assert response is not None
    assert 1 + 215 * 19 == len(bytes.fromhex(response))
    longest = "22" + "F190" * 215 + "F186" * 3
    assert 4095 == len(bytes.fromhex(module.ask(longest) or ""))


# --- against udsoncan -------------------------------------------------------------------------------

RDTC = services.ReadDTCInformation
THEIRS: list[tuple[bytes, Request]] = [
    (uds_client.diagnostic_session_control(3), services.DiagnosticSessionControl.make_request(3)),
    (uds_client.ecu_reset(1), services.ECUReset.make_request(1)),
    (uds_client.send_tester_present(response_wanted=True), services.TesterPresent.make_request()),
    (uds_client.clear_diagnostic_information(), services.ClearDiagnosticInformation.make_request()),
    (
        uds_client.clear_diagnostic_information("U0100-87"),
        services.ClearDiagnosticInformation.make_request(0xC10087),
    ),
    (uds_client.report_dtc_by_status_mask(0x2F), RDTC.make_request(2, status_mask=0x2F)),
    (
        uds_client.report_dtc_snapshot_record("U0100-87"),
        RDTC.make_request(4, dtc=0xC10087, snapshot_record_number=0xFF),
    ),
    (
        uds_client.report_dtc_ext_data_record("U0100"),
        RDTC.make_request(6, dtc=0xC10000, extended_data_record_number=0xFF),
    ),
    (
        uds_client.read_data_by_identifier(VIN.number),
        services.ReadDataByIdentifier.make_request(VIN.number, {VIN.number: AsciiCodec(17)}),
    ),
    (
        uds_client.request_seed(),
        services.SecurityAccess.make_request(1, services.SecurityAccess.Mode.RequestSeed),
    ),
    (
        uds_client.send_key(b"abcd"),
        services.SecurityAccess.make_request(1, services.SecurityAccess.Mode.SendKey, b"abcd"),
    ),
    (
        uds_client.routine_control(1, SELF_TEST, b"\x05"),
        services.RoutineControl.make_request(SELF_TEST, 1, b"\x05"),
    ),
    (uds_client.control_dtc_setting(False), services.ControlDTCSetting.make_request(2)),
    (
        uds_client.input_output_control(LAMP, 0),
        services.InputOutputControlByIdentifier.make_request(LAMP, 0, ioconfig={LAMP: "B"}),
    ),
]


@pytest.mark.parametrize(("ours", "theirs"), THEIRS)
def test_requests_are_those_of_udsoncan(ours: bytes, theirs: Request) -> None:
    """PyPI udsoncan builds the same bytes."""
    assert theirs.get_payload() == ours


def test_suppressing_the_response_is_that_of_udsoncan() -> None:
    """Bit 7 of the sub-function."""
    theirs = services.TesterPresent.make_request().get_payload(suppress_positive_response=True)
    assert theirs == uds_client.send_tester_present()


@pytest.mark.parametrize(("ours", "theirs"), THEIRS)
def test_responses_are_well_formed_to_udsoncan(module: Module, ours: bytes, theirs: Request) -> None:
    """Every response of the server parses there as one of the same service."""
    module.fail("U0100-87")
    module.server.handle(b"\x10\x03")
    payload = module.server.handle(ours)
    assert payload is not None
    response = Response.from_payload(payload)
    assert response.valid
    assert theirs.service is response.service


def interpret(module: Module, request: bytes) -> Response:
    payload = module.server.handle(request)
    assert payload is not None
    return Response.from_payload(payload)


def test_udsoncan_reads_our_codes(module: Module) -> None:
    """Codes, statuses, availability and number come out the same there."""
    module.fail("U0100-87")
    module.fail("U0121-87")
    for request, expected in (
        (uds_client.report_dtc_by_status_mask(0x08), {0xC10087: 0x2F}),
        (RDTC.make_request(0x0A).get_payload(), {0xC07388: 0x50, 0xC10087: 0x2F, 0xC12187: 0x27}),
    ):
        data = RDTC.interpret_response(interpret(module, request), request[1]).service_data
        assert expected == {dtc.id: dtc.status.get_byte_as_int() for dtc in data.dtcs}
        assert 0x7F == data.status_availability.get_byte_as_int()
    counted = RDTC.interpret_response(
        interpret(module, RDTC.make_request(1, status_mask=0x04).get_payload()), 1
    ).service_data
    assert (2, Dtc.Format.SAE_J2012_DA_DTCFormat_00) == (counted.dtc_count, counted.dtc_format)


class RawCodec(DidCodec):
    """udsoncan's hook for the bytes of one data identifier."""

    def __init__(self, size: int) -> None:
        self.size = size

    def decode(self, data: bytes) -> bytes:
        return data

    def encode(self, value: bytes) -> bytes:
        return value

    def __len__(self) -> int:
        return self.size


def test_udsoncan_reads_our_snapshots_and_counters(module: Module) -> None:
    """Record numbers, data identifiers and values come out the same there."""
    module.fail("U0100-87", 1.0)
    module.memory.test_passed("U0100-87")
    module.fail("U0100-87", 2.5)
    sizes = {SUPPLY_VOLTAGE.number: RawCodec(2), POWER_MODE.number: RawCodec(1), TIME.number: RawCodec(4)}
    response = interpret(module, uds_client.report_dtc_snapshot_record("U0100-87"))
    (dtc,) = RDTC.interpret_response(response, 4, didconfig=sizes).service_data.dtcs
    supply_v, crank = (1190).to_bytes(2, "big"), b"\x03"
    assert [
        (1, SUPPLY_VOLTAGE.number, supply_v),
        (1, POWER_MODE.number, crank),
        (1, TIME.number, (1000).to_bytes(4, "big")),
        (2, SUPPLY_VOLTAGE.number, supply_v),
        (2, POWER_MODE.number, crank),
        (2, TIME.number, (2500).to_bytes(4, "big")),
    ] == [(snap.record_number, snap.did, snap.data) for snap in dtc.snapshots]
    response = interpret(module, uds_client.report_dtc_ext_data_record("U0100-87"))
    (dtc,) = RDTC.interpret_response(response, 6, extended_data_size=1).service_data.dtcs
    assert [(1, b"\x02"), (2, b"\x00"), (3, b"\x7f")] == [
        (x.record_number, x.raw_data) for x in dtc.extended_data
    ]


def test_udsoncan_reads_our_session_timing_and_identity(module: Module) -> None:
    """P2, P2* and the ASCII identifiers come out the same there."""
    data = services.DiagnosticSessionControl.interpret_response(interpret(module, b"\x10\x03")).service_data
    assert (3, 0.05, 5.0) == (data.session_echo, data.p2_server_max, data.p2_star_server_max)
    config = {
        VIN.number: AsciiCodec(17),
        SERIAL_NUMBER.number: AsciiCodec(7),
        SOFTWARE_VERSION.number: AsciiCodec(5),
    }
    request = services.ReadDataByIdentifier.make_request(list(config), config).get_payload()
    response = interpret(module, request)
    values = services.ReadDataByIdentifier.interpret_response(
        response, list(config), config
    ).service_data.values
    assert [IDENTITY.vin, IDENTITY.serial_number, IDENTITY.software_version] == list(values.values())
    assert (VIN.number, SERIAL_NUMBER.number, SOFTWARE_VERSION.number, SESSION.number) == (
        DataIdentifier.VIN,
        DataIdentifier.ECUSerialNumber,
        DataIdentifier.SystemSupplierECUSoftwareVersionNumber,
        DataIdentifier.ActiveDiagnosticSession,
    )


def test_names_of_negative_responses_are_those_of_udsoncan() -> None:
    """The same numbers carry the same names, apart from punctuation."""
    for code in NegativeResponseCode:
        theirs = Response.Code.get_name(code)
        letters = "".join(ch for ch in code.text if ch.isalpha())
        assert letters.lower() == theirs.lower().replace("_rcrrp", "").replace("_", "")


# --- the tester's reading of responses --------------------------------------------------------------


def test_the_tester_reads_what_the_module_says(module: Module) -> None:
    """Bytes there and back again, for everything a scan asks."""
    module.fail("U0121-87", 3.25)

    def ask(request: bytes) -> uds_responses.Response:
        return decode("BCM", request, module.server.handle(request))

    abs_lost = ReportedDtc(
        "BCM",
        "U0121-87",
        "Lost Communication With Anti-Lock Brake System Control Module - Missing Message",
        0x27,
    )
    assert DtcsRead("BCM", 0x7F, (abs_lost,)) == ask(uds_client.report_dtc_by_status_mask())
    assert abs_lost.failing_now
    snapshot = SnapshotRecord(3.25, 11.9, "crank")
    assert SnapshotsRead(abs_lost, ((1, snapshot), (2, snapshot))) == ask(
        uds_client.report_dtc_snapshot_record("U0121-87")
    )
    assert CountersRead(abs_lost, 1, 0, 127) == ask(uds_client.report_dtc_ext_data_record("U0121-87"))
    assert DataRead("BCM", SUPPLY_VOLTAGE.number, "supply voltage", 12.34, "V") == ask(
        uds_client.read_data_by_identifier(SUPPLY_VOLTAGE.number)
    )
    assert DataRead("BCM", POWER_MODE.number, "power mode", "run", "") == ask(
        uds_client.read_data_by_identifier(POWER_MODE.number)
    )
    assert DataRead("BCM", MODULE_STATE.number, "module state", "running", "") == ask(
        uds_client.read_data_by_identifier(MODULE_STATE.number)
    )
    vin = ask(uds_client.read_data_by_identifier(VIN.number))
    assert isinstance(vin, DataRead)
    assert IDENTITY.vin == vin.value
    assert NegativeResponse("BCM", 0x22, 0x31) == ask(uds_client.read_data_by_identifier(0x1234))
    assert PositiveResponse("BCM", 0x14, b"") == ask(uds_client.clear_diagnostic_information())
    assert DtcsRead("BCM", 0x7F, ()) == ask(uds_client.report_dtc_by_status_mask())
    assert NoResponse("BCM") == ask(uds_client.send_tester_present())


def test_a_code_without_snapshot_and_a_passed_counter(module: Module) -> None:
    """No records where nothing was stored; the counter is signed; an unknown power mode stays unknown."""
    module.memory.test_passed("U0100-87")
    request = uds_client.report_dtc_snapshot_record("U0100-87")
    response = decode("BCM", request, module.server.handle(request))
    assert isinstance(response, SnapshotsRead)
    assert () == response.snapshots
    request = uds_client.report_dtc_ext_data_record("U0100-87")
    counters = decode("BCM", request, module.server.handle(request))
    assert isinstance(counters, CountersRead)
    assert -128 == counters.fault_detection_counter
    module.memory.test_failed("U0100-87", SnapshotRecord(0.0, 9.0, None))
    request = uds_client.report_dtc_snapshot_record("U0100-87")
    response = decode("BCM", request, module.server.handle(request))
    assert isinstance(response, SnapshotsRead)
    assert SnapshotRecord(0.0, 9.0, None) == response.snapshots[0][1]


@pytest.mark.parametrize(
    ("request_", "response", "reason"),
    [
        ("19 02 0F", "", "an empty message"),
        ("19 02 0F", "7F 22 31", "a negative response to another request"),
        ("19 02 0F", "62 F1 90", "a response to another service than 19"),
        ("19 02 0F", "59 0A 7F", "not a list of codes"),
        ("19 02 0F", "59 02 7F C1 00 87", "a list of codes that is cut off"),
        ("19 04 C1 00 87 FF", "59 04 C1 00 88 2F", "records of another code than asked for"),
        ("19 04 C1 00 87 FF", "59 04 C1 00 87 2F 01", "a snapshot that is cut off"),
        ("19 04 C1 00 87 FF", "59 04 C1 00 87 2F 01 01 12 34 00", "data identifier 1234 in a snapshot"),
        ("19 04 C1 00 87 FF", "59 04 C1 00 87 2F 01 01 01 00 04", "a snapshot that is cut off"),
        ("19 04 C1 00 87 FF", "59 04 C1 00 87 2F 01 01 01 00 04 D2", "a snapshot without all its values"),
        ("19 06 C1 00 87 FF", "59 06 C1 00 87 2F 01 01", "other records than asked for"),
        ("22 F1 90", "62 F1 86 01", "another data identifier than asked for"),
        ("22 F1 90", "62 F1 90 41", "vehicle identification number with 1 bytes instead of 17"),
    ],
)
def test_malformed_responses_say_what_is_wrong(request_: str, response: str, reason: str) -> None:
    """A clear value, never an exception."""
    data = bytes.fromhex(response)
    assert Malformed("BCM", data, reason) == decode("BCM", bytes.fromhex(request_), data)


# --- anything at all --------------------------------------------------------------------------------


def test_twenty_thousand_random_requests_get_well_formed_responses(module: Module) -> None:
    """None, a positive response of that service, or a negative one of three bytes; seeded."""
    draw = random.Random(14229)
    kinds = {"silent": 0, "positive": 0, "refused": 0}
    for _ in range(20_000):
        module.now_s += draw.random()
        request = bytearray(draw.randbytes(draw.randrange(0, 9)))
        if draw.random() < 0.5:
            request = bytearray.fromhex(draw.choice(EXCHANGES)[0])
        if request and draw.random() < 0.5:
            request[draw.randrange(len(request))] = draw.randrange(256)
        response = module.server.handle(bytes(request), functional=draw.random() < 0.3)
        if response is None:
            kinds["silent"] += 1
        elif response[0] == 0x7F:
            kinds["refused"] += 1
            assert (3, request[0]) == (len(response), response[1])
            assert response[2] in set(NegativeResponseCode)
        else:
            kinds["positive"] += 1
            assert request[0] + 0x40 == response[0]
            assert not isinstance(decode("BCM", bytes(request), response), Malformed)
    assert min(kinds.values()) > 500, kinds


@given(st.binary(max_size=12), st.none() | st.binary(max_size=24))
def test_the_tester_never_raises(request: bytes, response: bytes | None) -> None:
    """Whatever the bytes, `decode` returns a value."""
    assert isinstance(decode("BCM", request, response), uds_responses.Response)


@given(
    st.sampled_from(["1901FF", "1902FF", "190A", "1904C10087FF", "1906C10087FF", "22F190", "220103"]),
    st.data(),
)
def test_the_tester_never_raises_on_damaged_responses(request: str, data: st.DataObject) -> None:
    """Responses that are nearly right, with bytes cut off or changed."""
    module = Module()
    module.fail("U0100-87")
    question = bytes.fromhex(request)
    response = bytearray(module.server.handle(question) or b"")
    cut = data.draw(st.integers(2, len(response)))
    response = response[:cut]
    response[data.draw(st.integers(0, cut - 1))] = data.draw(st.integers(0, 255))
    assert isinstance(decode("BCM", question, bytes(response)), uds_responses.Response)


def test_two_servers_answer_alike() -> None:
    """The same requests give the same bytes, seeds included."""
    requests = ["10 03", "27 01", "27 01", "22 01 03", "19 0A"]
    assert [Module().ask(request) for request in requests[:1]] == ["50 03 00 32 01 F4"]
    first, second = Module(), Module()
    assert [first.ask(request) for request in requests] == [second.ask(request) for request in requests]


# RFC 4493, section 4, "Test Vectors", which are those of NIST SP 800-38B, appendix D.1
CMAC_KEY = "2b7e151628aed2a6abf7158809cf4f3c"
CMAC_MESSAGE = (
    "6bc1bee22e409f96e93d7e117393172aae2d8a571e03ac9c9eb76fac45af8e51"
    "30c81c46a35ce411e5fbc1191a0a52eff69f2445df4f9b17ad2b417be66c3710"
)


@pytest.mark.parametrize(
    ("length", "code"),
    [
        (0, "bb1d6929e95937287fa37d129b756746"),
        (16, "070a16b46b4d4144f79bdd9dd04a287c"),
        (40, "dfa66747de9ae63030ca32611497c827"),
        (64, "51f0bebf7e3b9d92fc49741779363cfe"),
    ],
)
def test_the_key_is_the_standard_code_of_the_seed(length: int, code: str) -> None:
    """AES-CMAC, nothing of our own."""
    secret = SharedSecret(bytes.fromhex(CMAC_KEY))
    assert code == secret.key(bytes.fromhex(CMAC_MESSAGE)[:length]).hex()


def test_seeds_are_sixteen_bytes_and_never_the_same() -> None:
    """Two servers with one secret give the same seeds, so that a run repeats."""
    one, other = SharedSecret(b"0123456789abcdef"), SharedSecret(b"0123456789abcdef")
    seeds = [one.seed() for _ in range(100)]
    assert seeds == [other.seed() for _ in range(100)]
    assert (100, {16}) == (len(set(seeds)), {len(seed) for seed in seeds})
    assert not set(seeds) & {one.key(seed) for seed in seeds}


def test_a_secret_of_another_length_is_refused() -> None:
    """AES-128 or nothing."""
    with pytest.raises(ValueError, match="a shared secret of 15 bytes: AES-128 needs 16"):
        SharedSecret(bytes(15))
