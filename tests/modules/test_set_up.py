"""What is written into a module, what it lacks without, and what a tester can write over the wires.

Services, sub-functions and negative response codes against the independent package `udsoncan`; the rest is
common practice of the trade, as the program's own files say.
"""

from __future__ import annotations

import pytest
from udsoncan import AsciiCodec, DataFormatIdentifier, MemoryLocation, Request, Response
from udsoncan.services import (
    ReadDataByIdentifier,
    RequestDownload,
    RequestTransferExit,
    RoutineControl,
    TransferData,
    WriteDataByIdentifier,
)

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_engine, why_silent
from sim.catalogue import find_car
from sim.modules import uds_client as asks
from sim.modules.programming import ERASE_ROUTINE, image_of, version_of
from sim.modules.uds_data import VIN
from sim.vehicle.edits import further_faults, parse_edit
from sim.vehicle.edits_set_up import CAR_VIN
from sim.vehicle.problems import EditProblem, FileProblem
from sim.vehicle.reading import car_from_text, read_car

TEACHING = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
MINIBUS = read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml")
BOTH = pytest.mark.parametrize("fidelity", ["frame", "stream"])


def bench_with(*given: str, fidelity: str = "stream") -> Bench:
    bench = Bench(TEACHING, given, fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["key run", "wait 5 s"])
    return bench


def codes(bench: Bench) -> set[str]:
    report = bench.do("scan").report
    assert report is not None
    return {f"{module} {code}" for module, code in report.codes}


@BOTH
def test_a_dead_module_has_its_supply_draws_next_to_nothing_and_does_not_answer(fidelity: str) -> None:
    """12 V at its pins, its sleep current in its fuse, 60 ohm at its plug, no answer; the others miss it."""
    bench = bench_with("fail ECM", fidelity=fidelity)
    assert 11.5 < bench.live.reading.supply_v("ECM")
    assert 0.001 > abs(bench.live.reading.current("F1"))
    assert {"GATEWAY U0100-87", "TCM U0100-87", "ABS U0100-87", "BCM U0100-87"} < codes(bench)
    assert ("ECM",) == bench.last_report.silent  # type: ignore[union-attr]
    bench.do_all(["key off", "wait 15 s", "disconnect battery", "wait 60 s"])
    bench.do("measure ohms ECM.powertrain.H to ECM.powertrain.L")
    pair = bench.live.car
    assert "ECM:powertrain.terminator" in pair.elements
    assert pair.is_whole(pair.elements["ECM:powertrain.terminator"])


def test_a_dead_module_is_explained_by_its_edit() -> None:
    """Why a module's message is missing leads back to what was done to it."""
    bench = Bench(TEACHING, ["fail TCM"])
    bench.do_all(["key run", "wait 5 s"])
    lost = next(event for event in bench.trace.events if event.kind == "code" and "U0101" in event.text)
    reasons, seen = [bench.trace.events.index(lost)], set()
    while reasons:
        seen.add(number := reasons.pop())
        reasons += [cause for cause in bench.trace.events[number].causes if cause not in seen]
    assert "given: fail TCM" in {bench.trace.events[number].text for number in seen}


def test_an_engine_that_does_not_start_is_explained_by_its_module_s_set_up() -> None:
    """Why engine not running: not coded, or a wrong proof to the immobilizer; both end at the edit."""
    for fault, said in (("uncode ECM", "is not coded"), ("unmatch ECM", "no valid response")):
        bench = Bench(TEACHING, [fault], fidelity="stream")
        bench.do_all(["key run", "wait 3 s", "key crank", "wait 1 s"])
        lines = "\n".join(why_engine(bench).lines())
        assert said in lines
        assert f"given: {fault}" in lines


def test_a_gateway_with_a_boot_loader_only_is_the_reason_why_others_do_not_answer() -> None:
    """Why silent: the gateway's software, back to the edit."""
    bench = bench_with("halfflash GATEWAY")
    assert {"GATEWAY"} == set(bench.car.addresses) - set(bench.do("scan").report.silent)  # type: ignore[union-attr]
    assert "given: halfflash GATEWAY" in "\n".join(why_silent(bench, "ECM").lines())


def test_a_module_that_is_not_coded_sets_no_code_but_that() -> None:
    """It does not know its car: the master switches no ignition, and misses no module that sleeps."""
    bench = Bench(find_car("city-hatchback"), ["uncode BODY-HUB"], fidelity="stream")
    bench.do_all(["press start", "press start", "wait 10 s"])
    assert {"BODY-HUB U3000-55"} == codes(bench)


@BOTH
def test_a_new_engine_module_needs_its_coding_and_its_keys(fidelity: str) -> None:
    """Replaced only, it answers and does nothing; coded and matched, the engine starts."""
    bench = bench_with("fail ECM", fidelity=fidelity)
    bench.do_all(["key off", "replace ECM", "key run", "wait 5 s"])
    assert {"ECM U3000-55", "ABS U0401-86"} < codes(bench)
    told = bench.do("identify ECM").told
    assert told is not None
    assert ["VIN", "coding"] == [row.what for row in told.rows if row.differs]
    bench.do_all(["key crank", "wait 2 s"])
    assert "stopped" == bench.live.world.engine.value
    assert "done: ECM" == bench.do("code ECM").words
    bench.do_all(["key off", "wait 1 s", "key run", "wait 2 s", "key crank", "wait 2 s"])
    assert "stopped" == bench.live.world.engine.value
    assert "done: BCM, ECM" == bench.do("match keys").words
    bench.do_all(["key off", "wait 1 s", "key run", "wait 2 s", "key crank", "wait 2 s"])
    assert "running" == bench.live.world.engine.value
    assert TEACHING.harness == bench.car.harness
    bench.do_all(["clear", "wait 5 s"])
    assert set() == codes(bench)


@BOTH
def test_an_engine_module_of_another_car_is_denied_and_says_so(fidelity: str) -> None:
    """P0513, incorrect immobilizer key (SAE J2012), and the authority's own code; no start until matched."""
    bench = bench_with("unmatch ECM", fidelity=fidelity)
    assert {"ECM P0513-00", "BCM B1201-00"} == codes(bench)
    bench.do("fob away")
    assert "refused: BCM: conditions not correct (7F 31 22)" == bench.do("match keys").words


@BOTH
def test_a_module_without_calibration_marks_its_values_invalid_and_the_mark_spreads(fidelity: str) -> None:
    """The camera needs the steering angle: both say so, by failure type 54 (missing calibration) and 86."""
    bench = Bench(MINIBUS, ["uncalibrate STEER-ANGLE"], fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["press start with brake", "wait 8 s"])
    found = codes(bench)
    assert {"STEER-ANGLE C0051-54", "ABS U0428-86"} < found
    assert "STEER-ANGLE" not in {entry.split()[0] for entry in found if "U0428" in entry}
    assert "the gateway is locked: unlock it first" == bench.do("calibrate STEER-ANGLE").words
    bench.do("unlock GATEWAY")
    assert "done: STEER-ANGLE" == bench.do("calibrate STEER-ANGLE").words
    bench.do_all(["unlock GATEWAY", "clear", "wait 5 s"])
    assert set() == codes(bench)
    assert MINIBUS.harness == bench.car.harness


@BOTH
def test_a_module_in_boot_mode_answers_and_does_nothing_else(fidelity: str) -> None:
    """It is missed by the others, refuses to read codes (no such service), and is whole after a flash."""
    bench = bench_with("halfflash TCM", fidelity=fidelity)
    found = codes(bench)
    assert "ECM U0101-87" in found
    assert () == bench.last_report.silent  # type: ignore[union-attr]
    assert bytes.fromhex("7F1911") == bench.live.modules["TCM"].diagnostics.server.handle(b"\x19\x02\x0f")
    assert "done: TCM" == bench.do("flash TCM").words
    assert "running" == bench.live.modules["TCM"].state
    assert TEACHING.harness == bench.car.harness


def test_a_flash_is_refused_on_a_low_battery_and_a_supply_lost_in_between_leaves_boot_mode() -> None:
    """Voltage too low is 93; a module that is erased and loses its supply has its boot loader only."""
    flat = bench_with("charge 5 %")
    assert "refused: TCM: voltage too low (7F 31 93)" == flat.do("flash TCM").words
    bench = bench_with()
    tester = bench.tester
    assert tester.begin("flashes TCM")
    tester.unlock_in("TCM", 2)  # type: ignore[arg-type]
    tester.ask("TCM", asks.routine_control(1, ERASE_ROUTINE))
    bench.do_all(["pull F2", "wait 1 s", "fit F2", "wait 2 s"])
    assert "boot mode" == bench.live.modules["TCM"].state


def test_wrong_software_shows_in_the_identification_and_in_a_missing_signal_only() -> None:
    """No code of its own: the version differs, and the signal that was added last is not available."""
    bench = bench_with("misflash ABS")
    assert set() == {one for one in codes(bench) if one.startswith("ABS")}
    told = bench.do("identify ABS").told
    assert told is not None
    assert [("software", "0.9", "1.0")] == [
        (row.what, row.says, row.needs) for row in told.rows if row.differs
    ]
    assert bench.live.modules["CLUSTER"].outputs.telltales["abs"]


def test_a_wrong_coding_expects_a_module_that_is_not_there() -> None:
    """The engine module misses a module that this car does not have; another VIN has its own code."""
    assert {"ECM U0102-87", "BCM U3002-4A"} == codes(bench_with("miscode ECM", "transplant BCM"))


def test_only_modules_that_the_file_names_have_something_to_set_up() -> None:
    """The refusal names those that have; a car without an immobilizer has no keys to match."""
    with pytest.raises(EditProblem, match="TCM has no coding to be set up; those that have are ECM, BCM"):
        parse_edit("uncode TCM", TEACHING)
    six = read_car(scenarios_folder() / "vehicles" / "six-modules.yaml")
    with pytest.raises(EditProblem, match="this car has no immobilizer"):
        parse_edit("match keys", six)
    assert "uncode ECM" in further_faults(TEACHING, ["set-up of modules"])
    assert "fail ECM" in further_faults(TEACHING, ["dead modules"])


def test_the_requests_of_writing_are_those_of_udsoncan() -> None:
    """The same bytes as an independent client's."""
    codec = {VIN.number: AsciiCodec(17)}
    theirs = WriteDataByIdentifier.make_request(VIN.number, CAR_VIN, codec)
    assert theirs.get_payload() == asks.write_data_by_identifier(VIN.number, CAR_VIN.encode())
    place = MemoryLocation(0, 256, address_format=32, memorysize_format=32)
    assert RequestDownload.make_request(place, DataFormatIdentifier()).get_payload() == asks.request_download(
        0, 256
    )
    assert TransferData.make_request(1, b"abc").get_payload() == asks.transfer_data(1, b"abc")
    assert RequestTransferExit.make_request().get_payload() == asks.request_transfer_exit()
    erase = RoutineControl.make_request(ERASE_ROUTINE, RoutineControl.ControlType.startRoutine)
    assert erase.get_payload() == asks.routine_control(1, ERASE_ROUTINE)


def test_an_image_that_is_cut_changed_or_another_part_s_is_not_taken() -> None:
    """Only a whole image of the module's own part number has a version."""
    image = image_of("BB-000001", "1.0")
    assert "1.0" == version_of(image, "BB-000001")
    assert None is version_of(image[:-1], "BB-000001")
    assert None is version_of(image[:-1] + b"\x00", "BB-000001")
    assert None is version_of(image, "BB-000002")


@pytest.mark.parametrize(
    ("request_", "refusal"),
    [
        ("2E F1 90 00", "7F 2E 7F"),  # default session
        ("34 00 44 00 00 00 00 00 00 01 00", "7F 34 7F"),
        ("10 02", "7F 10 7E"),  # reached through the extended session only
        ("31 01 FF 00", "7F 31 7F"),
    ],
)
def test_nothing_is_written_in_the_default_session(request_: str, refusal: str) -> None:
    """Refused, and nothing has changed."""
    bench = bench_with()
    server = bench.live.modules["ECM"].diagnostics.server
    assert bytes.fromhex(refusal) == server.handle(bytes.fromhex(request_))
    assert TEACHING.harness == bench.car.harness


def test_nothing_is_written_without_security_access() -> None:
    """In the extended session the module still refuses: security access denied, 33."""
    server = bench_with().live.modules["ECM"].diagnostics.server
    server.handle(b"\x10\x03")
    theirs = Response.from_payload(server.handle(b"\x2e\xf1\x90" + CAR_VIN.encode()))
    assert (False, Response.Code.SecurityAccessDenied) == (theirs.positive, theirs.code)
    assert Request.from_payload(b"\x2e\xf1\x90").service is WriteDataByIdentifier


def test_keys_are_set_up_at_the_two_ends_of_the_immobilizer_only() -> None:
    """A file that says otherwise is refused with the line and the right names."""
    text = (scenarios_folder() / "vehicles" / "teaching-car.yaml").read_text(encoding="utf-8")
    wrong = text.replace("  TCM:\n", "  TCM:\n    set_up: keys\n", 1)
    with pytest.raises(FileProblem, match="'TCM' has no keys to match: only BCM and ECM have"):
        car_from_text(wrong)


def test_an_independent_client_writes_a_vin_and_reads_it_back() -> None:
    """Requests of udsoncan, answered by the module: security access first, then the VIN, then the reading."""
    bench = bench_with("transplant BCM")
    server = bench.live.modules["BCM"].diagnostics.server
    codec = {VIN.number: AsciiCodec(17)}
    server.handle(b"\x10\x03")
    seed = server.handle(b"\x27\x01")
    assert seed is not None
    assert bytes.fromhex("6702") == server.handle(b"\x27\x02" + bench.tester.keys.key(seed[2:]))
    write = WriteDataByIdentifier.make_request(VIN.number, CAR_VIN, codec).get_payload()
    theirs = WriteDataByIdentifier.interpret_response(Response.from_payload(server.handle(write)))
    assert VIN.number == theirs.service_data.did_echo
    read = server.handle(ReadDataByIdentifier.make_request([VIN.number], codec).get_payload())
    values = ReadDataByIdentifier.interpret_response(Response.from_payload(read), [VIN.number], codec)
    assert {VIN.number: CAR_VIN} == values.service_data.values
    assert TEACHING.harness == bench.car.harness
