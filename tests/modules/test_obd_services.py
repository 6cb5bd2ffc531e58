"""Services of SAE J1979 on the engine module, read by the decoders of PyPI `obd`."""

from typing import Any

import pytest
from obd import commands
from obd.OBDCommand import OBDCommand
from obd.protocols import ECU
from obd.protocols.protocol_can import ISO_15765_4_11bit_500k

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.modules.dtc_reading import read_dtc_information, read_snapshot_records
from sim.modules.fault_memory import DtcRule, FaultMemory, SnapshotRecord
from sim.modules.obd_services import EngineValues, ObdServices
from sim.network.frames import Frame
from sim.vehicle.elements import TESTER
from sim.vehicle.reading import read_car

# Its own table of modules: 7E8 is the engine's (ISO 15765-4).
ADAPTER = ISO_15765_4_11bit_500k(["7E8 06 41 00 18 18 00 11 CC"])
SNAPSHOT = SnapshotRecord(1.0, 12.0, "run")
CODES = ["P0351-13", "P0351-1A", "P0562-00", "U0101-87"]


class Engine:
    """An engine module's code memory and services, without a car around it."""

    def __init__(self, codes: list[str] | None = None) -> None:
        self.memory = FaultMemory([DtcRule(code) for code in codes or CODES])
        self.values = EngineValues(812.25, 31, 77, 13.802, engine_stopped=True, coolant_c=84.6)
        self.services = ObdServices(self.memory, lambda: self.values)

    def ask(self, request: str, functional: bool = False) -> str | None:
        response = self.services.handle(bytes.fromhex(request), functional)
        return None if response is None else response.hex(" ").upper()

    def fail(self, *codes: str) -> None:
        for code in codes:
            self.memory.test_failed(code, SNAPSHOT)

    def good_cycle(self) -> None:
        self.memory.new_operation_cycle()
        for entry in self.memory.dtcs:
            self.memory.test_passed(entry.code)
        self.memory.new_operation_cycle()


def read_by_obd(command: OBDCommand, frames: list[str]) -> Any:
    """The value that the decoder of `obd` finds in frames such as "7E8 04 41 0D 1F"."""
    return command(ADAPTER(frames)).value


def as_frames(response: str) -> list[str]:
    """A short response as the single frame that carries it."""
    return [f"7E8 {len(bytes.fromhex(response)):02X} {response}"]


def test_a_freeze_frame_holds_parameters_in_the_encoding_of_the_standard() -> None:
    """ISO 14229-1: data identifiers F400 and on are the parameters, and `obd` decodes them."""
    memory = FaultMemory([DtcRule("P0351-13")])
    noted = SnapshotRecord(3.25, 11.9, "crank", 84.0, 812.25, 31.0)
    memory.test_failed("P0351-13", noted)
    report = read_dtc_information(memory, bytes.fromhex("04 03 51 13 01"))
    assert ((1, noted),) == read_snapshot_records(report[5:])
    found = report[-11:].hex(" ").upper()
    parts = ("F4 05 7C", "F4 0C 0C B1", "F4 0D 1F")
    assert " ".join(parts) in found
    asked = (commands.COOLANT_TEMP, commands.RPM, commands.SPEED)
    answers = (f"41 {part[3:]}" for part in parts)
    read = [read_by_obd(one, as_frames(part)).magnitude for one, part in zip(asked, answers, strict=True)]
    assert [84, 812.25, 31] == read


def test_codes_are_given_without_failure_type_and_each_once() -> None:
    """Two failure types of one code are reported as one code of two bytes."""
    engine = Engine()
    engine.fail("P0351-13", "P0351-1A", "U0101-87")
    assert "43 02 03 51 C1 01" == engine.ask("03")
    # the decoder gives letter-bearing codes in lower case; these have none
    found = read_by_obd(commands.GET_DTC, as_frames("43 02 03 51 C1 01"))
    assert ["P0351", "U0101"] == [code for code, _ in found]


def test_published_example_of_six_codes() -> None:
    """ISO 15031-5's example (second-hand): 43 06 01 43 01 96 02 34 02 CD 03 57 0A 24."""
    texts = ["P0143", "P0196", "P0234", "P02CD", "P0357", "P0A24"]
    engine = Engine(texts)
    engine.fail(*texts)
    assert "43 06 01 43 01 96 02 34 02 CD 03 57 0A 24" == engine.ask("03")


def test_no_codes_is_an_answer_too() -> None:
    """Without codes each service responds with a count of zero."""
    engine = Engine()
    assert ["43 00", "47 00", "4A 00"] == [engine.ask(service) for service in ("03", "07", "0A")]


def test_status_counts_codes_and_asks_for_the_lamp() -> None:
    """Parameter 01 gives the number of confirmed codes, the lamp, and which monitors have run."""
    engine = Engine()
    before = read_by_obd(commands.STATUS, as_frames(engine.ask("01 01") or ""))
    assert (False, 0, "spark") == (before.MIL, before.DTC_count, before.ignition_type)
    assert not before.COMPONENT_MONITORING.complete
    engine.fail("P0351-13", "P0562-00")
    assert "41 01 82 44 00 00" == engine.ask("01 01")
    for entry in engine.memory.dtcs:
        engine.memory.test_passed(entry.code)
    after = read_by_obd(commands.STATUS, as_frames(engine.ask("01 01") or ""))
    assert (True, 2) == (after.MIL, after.DTC_count)
    assert after.COMPONENT_MONITORING.available
    assert after.COMPONENT_MONITORING.complete


@pytest.mark.parametrize(
    ("command", "request_", "expected"),
    [
        (commands.RPM, "01 0C", "812.25 revolutions_per_minute"),
        (commands.COOLANT_TEMP, "01 05", "85 degree_Celsius"),
        (commands.SPEED, "01 0D", "31.0 kilometer_per_hour"),
        (commands.RUN_TIME, "01 1F", "77.0 second"),
        (commands.CONTROL_MODULE_VOLTAGE, "01 42", "13.802 volt"),
        (commands.OBD_COMPLIANCE, "01 1C", "EOBD (Europe)"),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_values_of_now(command: OBDCommand, request_: str, expected: str) -> None:
    """Each parameter decodes to the present value with its unit."""
    value = read_by_obd(command, as_frames(Engine().ask(request_) or ""))
    assert expected == (f"{value.magnitude} {value.units}" if hasattr(value, "magnitude") else value)


def test_supported_parameters_are_exactly_those_that_answer() -> None:
    """The masks of supported parameters name exactly those that give a value."""
    engine = Engine()
    said = set()
    for start, command in ((0x00, commands.PIDS_A), (0x20, commands.PIDS_B), (0x40, commands.PIDS_C)):
        bits = read_by_obd(command, as_frames(engine.ask(f"01 {start:02X}") or ""))
        said |= {start + 1 + place for place in range(32) if bits[place]}
    answering = {one for one in range(1, 256) if engine.ask(f"01 {one:02X}") is not None}
    assert answering == said
    assert {0x01, 0x05, 0x0C, 0x0D, 0x1C, 0x1F, 0x20, 0x40, 0x42} == said


def test_up_to_six_parameters_in_one_request() -> None:
    """One request holds one to six parameters; unknown ones are left out."""
    engine = Engine()
    assert "41 0C 0C B1 0D 1F" == engine.ask("01 0C 0D")
    assert "41 0D 1F" == engine.ask("01 06 0D"), "parameters it does not have are left out"
    assert engine.ask("01 06") is None
    assert "7F 01 12" == engine.ask("01 0C 0D 0C 0D 0C 0D 0C")
    assert engine.ask("01 0C 0D 0C 0D 0C 0D 0C", functional=True) is None
    assert ["7F 01 12", "7F 03 12", "7F 04 12"] == [engine.ask(r) for r in ("01", "03 00", "04 00")]


def test_values_beyond_their_bytes_stop_at_the_end_of_the_scale() -> None:
    """Values that do not fit are sent as the highest value."""
    engine = Engine()
    engine.values = EngineValues(99_999, 300, 1e9, 70, engine_stopped=False, coolant_c=999)
    assert "41 0C FF FF 0D FF 1F FF FF 42 FF FF" == engine.ask("01 0C 0D 1F 42")


def test_pending_is_told_apart_from_confirmed() -> None:
    """A code of two cycles is pending in the first, confirmed in the second, and then no longer pending."""
    engine = Engine()
    engine.memory.declare(DtcRule("P0600", confirmation_cycles=2))
    engine.fail("P0600")
    assert ("43 00", "47 01 06 00") == (engine.ask("03"), engine.ask("07"))
    engine.memory.new_operation_cycle()
    engine.fail("P0600")
    assert ("43 01 06 00", "47 01 06 00") == (engine.ask("03"), engine.ask("07"))
    engine.good_cycle()
    assert ("43 01 06 00", "47 00") == (engine.ask("03"), engine.ask("07"))


def test_clearing_needs_a_standing_engine() -> None:
    """Codes are cleared only while the engine does not run."""
    engine = Engine()
    engine.fail("P0351-13")
    engine.values = EngineValues(800, 0, 5, 14, engine_stopped=False, coolant_c=20)
    assert "7F 04 22" == engine.ask("04")
    assert "43 01 03 51" == engine.ask("03")
    engine.values = EngineValues(0, 0, 0, 12, engine_stopped=True, coolant_c=20)
    assert ("44", "43 00") == (engine.ask("04"), engine.ask("03"))


def test_a_permanent_code_outlives_clearing_until_its_test_has_passed() -> None:
    """Clearing leaves a permanent code, which a good cycle of its test removes."""
    engine = Engine()
    engine.fail("P0351-13")
    engine.ask("04")
    assert ("43 00", "4A 01 03 51") == (engine.ask("03"), engine.ask("0A"))
    engine.memory.new_operation_cycle()
    assert "4A 01 03 51" == engine.ask("0A"), "a cycle without the test proves nothing"
    engine.good_cycle()
    assert "4A 00" == engine.ask("0A")


def test_without_clearing_lamp_and_permanent_code_go_after_three_good_cycles() -> None:
    """The lamp and the permanent code go after three good cycles; the confirmed code stays."""
    engine = Engine()
    engine.fail("P0351-13")
    engine.memory.new_operation_cycle()
    seen = []
    for _ in range(4):
        seen.append((engine.services.lamp_commanded, engine.ask("0A")))
        engine.good_cycle()
    lit = (True, "4A 01 03 51")
    assert [lit, lit, lit, (False, "4A 00")] == seen
    assert "43 01 03 51" == engine.ask("03"), "the code itself is kept until it has aged"


# -- in a car, by frames at the diagnostic connector --------------------------------------------------------


class AtConnector:
    """A car with the ignition on, and frames sent and heard at its diagnostic connector."""

    def __init__(self, car: str, *actions: str) -> None:
        self.bench = Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))
        self.bench.do_all(actions)
        self.heard: list[str] = []
        self.bench.live.tester(True)
        self.bench.live.run(0.5)
        self.bench.live.network.listen(TESTER, self._frame)

    def _frame(self, frame: Frame, sender: str, time_s: float) -> None:
        self.heard.append(str(frame))
        if frame.data[0] >> 4 == 1:
            go_on = Frame(frame.can_id - 8, bytes([0x30, 0, 0]).ljust(8, b"\xcc"))
            self.bench.live.network.send(TESTER, go_on)

    def ask(self, can_id: int, request: str) -> list[str]:
        self.heard = []
        data = bytes.fromhex(request)
        self.bench.live.network.send(TESTER, Frame(can_id, bytes([len(data), *data]).ljust(8, b"\xcc")))
        self.bench.live.run(0.1)
        return self.heard


def test_a_car_answers_functional_and_physical_requests() -> None:
    """At the connector the engine module responds to both addresses, as an independent decoder reads it."""
    car = AtConnector("six-modules", "unplug TCM.C1", "press start", "wait 6 s")
    frame = "7E8 04 43 01 C1 01 CC CC CC"
    assert ([frame], [frame]) == (car.ask(0x7DF, "03"), car.ask(0x7E0, "03"))
    assert [("U0101", "Lost Communication with TCM")] == read_by_obd(commands.GET_DTC, car.ask(0x7DF, "03"))
    assert ["U0101"] == [code for code, _ in read_by_obd(commands.GET_CURRENT_DTC, car.ask(0x7DF, "07"))]
    permanent = OBDCommand("PERMANENT", "Permanent codes", b"0A", 0, commands.GET_DTC.decode, ECU.ALL)
    assert ["U0101"] == [code for code, _ in read_by_obd(permanent, car.ask(0x7DF, "0A"))]
    status = read_by_obd(commands.STATUS, car.ask(0x7DF, "01 01"))
    assert (True, 1) == (status.MIL, status.DTC_count)
    assert ["7E8 01 44 CC CC CC CC CC CC"] == car.ask(0x7DF, "04")
    assert ["7E8 02 43 00 CC CC CC CC CC"] == car.ask(0x7DF, "03")


def test_only_the_engine_module_has_them() -> None:
    """Other modules do not support the services, and services not modeled are not supported."""
    car = AtConnector("six-modules", "press start", "wait 3 s")
    bcm = car.bench.car.addresses["BCM"]
    assert [f"{bcm + 8:03X} 03 7F 03 11 CC CC CC CC"] == car.ask(bcm, "03")
    assert ["7E8 03 7F 09 11 CC CC CC CC"] == car.ask(0x7E0, "09 02")
    assert [] == car.ask(0x7DF, "09 02")


def test_many_codes_come_in_several_frames() -> None:
    """A list of codes longer than one frame arrives whole."""
    car = AtConnector("teaching-car", "key run", "wait 1 s", "pull F14", "wait 4 s")
    frames = car.ask(0x7E0, "03")
    confirmed = [entry.code[:5] for entry in car.bench.live.modules["ECM"].memory.dtcs if entry.status & 0x08]
    assert len(frames) > 1
    assert confirmed == [code for code, _ in read_by_obd(commands.GET_DTC, frames)]


def test_values_come_from_the_running_car() -> None:
    """Engine speed, run time and voltage are those of the simulated car."""
    car = AtConnector("shuttle-minibus", "press start with brake", "wait 10 s")
    bench = car.bench
    started_s = next(event.time_s for event in bench.trace.events if event.text == "the engine starts")
    assert 800 == read_by_obd(commands.RPM, car.ask(0x7DF, "01 0C")).magnitude
    run_time = read_by_obd(commands.RUN_TIME, car.ask(0x7DF, "01 1F")).magnitude
    assert run_time == pytest.approx(bench.now_s - started_s, abs=0.7)
    voltage = read_by_obd(commands.CONTROL_MODULE_VOLTAGE, car.ask(0x7DF, "01 42")).magnitude
    assert voltage == pytest.approx(bench.live.modules["ECM"].supply_v, abs=0.001)
