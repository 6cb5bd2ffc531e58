"""A tester that is more than codes: live data, records of a code, monitors, actuator tests, self-tests.

Bytes against the independent packages `udsoncan` (ISO 14229-1) and `obd` (SAE J1979).
"""

from __future__ import annotations

import pytest
from obd import commands
from udsoncan import DidCodec, Request, Response
from udsoncan.services import InputOutputControlByIdentifier, ReadDataByIdentifier, RoutineControl

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.bench.reading_out import LiveReading
from sim.bench.snapshot import BenchSnapshot
from sim.instruments.read import read
from sim.instruments.seat import seat_of
from sim.modules import uds_client as asks
from sim.modules.obd_services import Monitors, monitors_in
from sim.modules.signals import Codec
from sim.modules.tester_control import LAMPS_DID, SELF_TEST_ROUTINE, outputs_of
from sim.modules.world import AMBIENT_C, WARM_C, WARM_UP_S
from sim.vehicle.live_data import live_data_of
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from tests.modules.test_obd_services import read_by_obd

TEACHING = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
MINIBUS = read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml")


def bench_with(*given: str, fidelity: str = "stream") -> Bench:
    bench = Bench(TEACHING, given, fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["key run", "wait 5 s"])
    return bench


def rows(bench: Bench, module: str) -> dict[str, float | str]:
    return {row.title: row.value for row in bench.live_readings[module][-1].rows}


# -- live data -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_live_data_is_what_the_meter_reads_and_the_seat_shows(fidelity: str) -> None:
    """Voltages as at the pins, flags of pins, signals as received: the same car by another window."""
    bench = bench_with(fidelity=fidelity)
    bench.do("read ECM")
    told = rows(bench, "ECM")
    for pin in ("pedal", "pedal2", "ref1", "coil1"):
        ground = "pedal_ground" if pin == "pedal" else "pedal2_ground" if pin == "pedal2" else "GND"
        meter = read(bench, f"measure volts ECM.{pin} to ECM.{ground}")
        assert meter.value == pytest.approx(told[f"voltage at pin {pin}"], abs=0.02)  # type: ignore[attr-defined]
    assert bench.live.reading.supply_v("ECM") == pytest.approx(told["supply voltage"], abs=0.01)
    assert (0, "stopped", "on", "no") == (
        told["engine speed"], told["engine state"], told["line IGN"], told["charging"],
    )  # fmt: skip
    bench.do_all(["key crank", "wait 3 s", "read ECM"])
    told = rows(bench, "ECM")
    assert ("running", 800, "on") == (told["engine state"], told["engine speed"], told["output pump relay"])


def test_coolant_warms_up_by_its_time_constant() -> None:
    """From 20 °C toward 90 °C with the engine running: 63 % of the way after one time constant."""
    bench = bench_with()
    bench.do_all(["key crank", "wait 300 s", "read ECM"])
    wanted_c = AMBIENT_C + (WARM_C - AMBIENT_C) * 0.632
    assert WARM_UP_S == 300
    assert wanted_c == pytest.approx(rows(bench, "ECM")["coolant temperature"], abs=1.0)


def test_live_data_over_a_time_are_many_readings_and_the_time_passes() -> None:
    """Every half second a reading, as many seconds as were asked for."""
    bench = bench_with()
    before_s = bench.now_s
    outcome = bench.do("read ECM for 5 s")
    readings = bench.live_readings["ECM"]
    assert 9 <= len(readings) <= 11
    assert 5.6 <= bench.now_s - before_s <= 6.1  # with what it takes to connect, and the last round
    assert outcome.words.startswith("ECM: supply voltage 12.")
    assert sorted(one.time_s for one in readings) == [one.time_s for one in readings]


def test_a_signal_that_does_not_come_is_not_available_and_an_invalid_one_is_told() -> None:
    """FF and FE of a signal are words for a technician (marks as in SAE J1939-71, from memory)."""
    bench = bench_with("unplug ABS")
    bench.do("read CLUSTER")
    assert "not available" == rows(bench, "CLUSTER")["vehicle speed"]
    blank = bench_with("uncode ECM")
    blank.do("read CLUSTER")
    assert "invalid" == rows(blank, "CLUSTER")["engine lamp"]


def test_a_module_that_does_not_answer_or_a_tester_without_power_says_so() -> None:
    """No rows, and the reason in words."""
    assert "TCM: no answer" == bench_with("fail TCM").do("read TCM").words
    assert "TCM: the tester has no power" == bench_with("pull F9").do("read TCM").words


@pytest.mark.parametrize(
    "name",
    ["six-modules", "teaching-car", "small-estate", "shuttle-minibus", "regional-truck", "city-hatchback"],
)
def test_every_module_tells_its_live_data_and_no_number_is_given_twice(name: str) -> None:
    """Each identifier answers with as many bytes as a tester expects; none is left over."""
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    bench = Bench(car, fidelity="stream")
    for module in car.addresses:
        listed = live_data_of(car, module)
        assert len(listed) == len({one.number for one in listed}) == len({one.title for one in listed})
        found: LiveReading = bench.do(f"read {module}").told  # type: ignore[assignment]
        assert (2 + len(listed), "") == (len(found.rows), found.refusal)
        assert all(row.value != "an invalid response" for row in found.rows)


class Raw(DidCodec):
    """udsoncan's hook for the bytes of one data identifier."""

    def __init__(self, size: int) -> None:
        super().__init__()
        self.size = size

    def decode(self, string_bin: bytes) -> bytes:
        return string_bin

    def __len__(self) -> int:
        return self.size


def test_udsoncan_reads_our_live_data() -> None:
    """The response to an identifier of ours is well formed to an independent client."""
    bench = bench_with()
    server = bench.live.modules["ECM"].diagnostics.server
    (pedal,) = (one for one in live_data_of(TEACHING, "ECM") if one.name == "pedal")
    request = ReadDataByIdentifier.make_request([pedal.number], {pedal.number: Raw(2)})
    assert asks.read_data_by_identifier(pedal.number) == request.get_payload()
    response = Response.from_payload(server.handle(request.get_payload()))
    told = ReadDataByIdentifier.interpret_response(response, [pedal.number], {pedal.number: Raw(2)})
    assert 1100 == pytest.approx(int.from_bytes(told.service_data.values[pedal.number], "big"), abs=5)


# -- records of a code -----------------------------------------------------------------------------------


def test_details_of_a_code_are_its_freeze_frames_and_counters() -> None:
    """The first failure stays, the latest and the occurrences move on; status bits in words and hex."""
    bench = bench_with("open pedal_sensor.2")
    bench.do_all(["repair pedal_sensor.2", "wait 3 s", "open pedal_sensor.2", "wait 3 s"])
    outcome = bench.do("details ECM p2122-16")
    found = bench.details
    assert found is not None
    assert found.first is not None
    assert found.last is not None
    assert (2, 0, 127) == (found.occurrences, found.aging_count, found.fault_detection_counter)
    failures_s = [one.time_s for one in bench.trace if one.kind == "code" and "P2122" in one.text]
    assert failures_s == [pytest.approx(one.time_s, abs=0.001) for one in (found.first, found.last)]
    assert "confirmed" in outcome.words
    assert "(2F)" in outcome.words


def test_a_refusal_is_read_in_words_and_then_in_hex() -> None:
    """A code that the module does not have: requestOutOfRange, ISO 14229-1 negative response code 31."""
    assert "ECM P0100-00: request out of range (7F 19 31)" == bench_with().do("details ECM P0100").words
    with pytest.raises(EditProblem, match="is not a trouble code"):
        bench_with().do("details ECM pedal")


# -- monitors --------------------------------------------------------------------------------------------


def test_monitors_say_what_obd_reads_in_the_same_bytes() -> None:
    """Lamp, number of codes, and each monitor as PyPI obd decodes the published example 83 07 65 04."""
    theirs = read_by_obd(commands.STATUS, ["7E8 06 41 01 83 07 65 04"])
    ours = monitors_in(bytes.fromhex("01 83 07 65 04"))
    assert ours is not None
    assert (theirs.MIL, theirs.DTC_count) == (ours.lamp, ours.codes)
    names = {
        "misfire": "MISFIRE_MONITORING", "fuel system": "FUEL_SYSTEM_MONITORING",
        "components": "COMPONENT_MONITORING", "catalyst": "CATALYST_MONITORING",
        "evaporative system": "EVAPORATIVE_SYSTEM_MONITORING", "oxygen sensor": "OXYGEN_SENSOR_MONITORING",
        "oxygen sensor heater": "OXYGEN_SENSOR_HEATER_MONITORING",
    }  # fmt: skip
    wanted = [
        (name, getattr(theirs, said).complete)
        for name, said in names.items()
        if getattr(theirs, said).available
    ]
    assert wanted == list(ours.monitors)
    assert monitors_in(b"\x01\x83") is None


def test_readiness_is_lost_by_clearing_and_comes_back() -> None:
    """Complete once every test has run, not complete right after codes are cleared; lamp with a code."""
    bench = bench_with()
    bench.do_all(["key crank", "wait 30 s"])
    assert Monitors(False, 0, (("misfire", True), ("components", True))) == bench.do("readiness").told.found  # type: ignore[union-attr]
    bench.do_all(["key off", "wait 2 s", "clear ECM", "open pedal_sensor.2", "key run", "wait 2 s"])
    found = bench.do("readiness").told.found  # type: ignore[union-attr]
    assert (True, 1, (("misfire", False), ("components", False))) == (found.lamp, found.codes, found.monitors)
    six = read_car(scenarios_folder() / "vehicles" / "six-modules.yaml")
    assert "does not ask for the engine lamp" in Bench(six).do("readiness").words


# -- actuator tests --------------------------------------------------------------------------------------


def pump_v(bench: Bench) -> float:
    return read(bench, "measure volts fuel_pump.1 to fuel_pump.2").value  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_an_output_is_held_so_that_a_meter_sees_its_load(fidelity: str) -> None:
    """The fuel pump has the battery's voltage for as long as it is held, and none after it is released."""
    bench = bench_with(fidelity=fidelity)
    assert pump_v(bench) == pytest.approx(0, abs=0.01)
    assert "done: ECM" == bench.do("actuate ECM pump_relay on").words
    bench.do("wait 20 s")  # four times as long as a session lasts without TesterPresent
    assert 11.5 < pump_v(bench)
    bench.do("actuate ECM pump_relay off")
    assert pump_v(bench) == pytest.approx(0, abs=0.01)
    bench.do_all(["actuate ECM pump_relay on", "release ECM"])
    assert pump_v(bench) == pytest.approx(0, abs=0.01)
    assert frozenset() == bench.tester.held


def test_an_actuator_test_finds_a_broken_circuit() -> None:
    """Its relay clicks and the pump gets nothing: what the test is made for."""
    bench = bench_with("pull F17")
    bench.do("actuate ECM pump_relay on")
    assert bench.live.modules["ECM"].outputs.on["pump_relay"]
    assert pump_v(bench) == pytest.approx(0, abs=0.01)


def test_all_lamps_light_for_a_lamp_test_and_go_back() -> None:
    """The cluster's telltales are one output; released, only those that have a reason are lit."""
    bench = bench_with()
    before = seat_of(bench).lit
    bench.do_all(["actuate CLUSTER lamps on", "wait 8 s"])
    assert set(TEACHING.built.modules["CLUSTER"].telltales) == set(seat_of(bench).lit)
    bench.do("actuate CLUSTER lamps off")
    assert () == seat_of(bench).lit
    bench.do("release CLUSTER")
    assert before == seat_of(bench).lit


def test_what_a_tester_holds_ends_with_its_power_and_with_the_module_s_supply() -> None:
    """Without pin 16 the session lapses after five seconds; a module that starts anew holds nothing."""
    bench = bench_with()
    bench.do_all(["actuate ECM pump_relay on", "pull F9", "wait 10 s"])
    assert not bench.live.modules["ECM"].outputs.on["pump_relay"]
    bench.do_all(["fit F9", "actuate ECM pump_relay on", "pull F1", "wait 1 s", "fit F1", "wait 3 s"])
    assert not bench.live.modules["ECM"].outputs.on["pump_relay"]


def test_a_locked_gateway_refuses_an_actuator_test() -> None:
    """The minibus's gateway lets service 2F through only after security access."""
    bench = Bench(MINIBUS, fidelity="stream")
    bench.do_all(["press start", "press start", "wait 3 s"])
    assert "the gateway is locked: unlock it first" == bench.do("actuate FUEL-PUMP pump on").words
    assert "done: FUEL-PUMP" == bench.do_all(["unlock GATEWAY", "actuate FUEL-PUMP pump on"])[-1].words
    assert 11.0 < pump_v(bench)


def test_other_jobs_leave_what_is_held() -> None:
    """Scan, live data and self-test of another module do not end an actuator test; a copy holds it, too."""
    bench = bench_with()
    bench.do_all(["actuate ECM pump_relay on", "scan", "read ABS", "selftest ABS", "wait 7 s"])
    assert 11.5 < pump_v(bench)
    clone = BenchSnapshot(bench).clone()
    clone.do("wait 12 s")
    assert 11.5 < pump_v(clone)
    assert Bench.restored(TEACHING, bench.saved()).do("wait 1 s") is not None


@pytest.mark.parametrize(
    ("action", "said"),
    [
        ("actuate ECM pump_rely on", "did you mean 'pump_relay'"),
        ("actuate ECM pump_relay maybe", "write 'actuate MODULE OUTPUT on'"),
        ("actuate AIRBAG lamps on", "AIRBAG has no outputs"),
        ("read ECMM", "did you mean 'ECM'"),
        ("read ECM for 5 min", "at most 60 s"),
        ("read ECM till tomorrow", "write 'read MODULE'"),
        ("readiness ECM", "takes nothing more"),
    ],
)
def test_a_sentence_that_makes_no_sense_is_refused_with_what_is_right(action: str, said: str) -> None:
    """One clear error with the nearest right name, and nothing done."""
    bench = bench_with()
    with pytest.raises(EditProblem, match=said):
        bench.do(action)
    assert ["key run", "wait 5 s"] == bench.log


def test_requests_of_actuator_and_self_tests_are_those_of_udsoncan() -> None:
    """InputOutputControlByIdentifier and RoutineControl, byte for byte."""
    did = outputs_of(TEACHING, "ECM")["pump_relay"]
    config = {did: Raw(1), LAMPS_DID: Raw(1)}
    theirs = InputOutputControlByIdentifier.make_request(did, control_param=3, values=None, ioconfig=config)
    assert asks.input_output_control(did, 3) == theirs.get_payload()
    routine = RoutineControl.make_request(SELF_TEST_ROUTINE, RoutineControl.ControlType.startRoutine)
    assert asks.routine_control(1, SELF_TEST_ROUTINE) == routine.get_payload()
    assert isinstance(routine, Request)


# -- self-test -------------------------------------------------------------------------------------------


def test_a_self_test_runs_all_tests_of_a_module_and_counts_those_that_fail() -> None:
    """As many as the module has codes; a broken wire is one that fails."""
    assert "ECM: 39 tests run, none fails" == bench_with().do("selftest ECM").words
    bench = bench_with("open pedal_sensor.2")
    assert "ECM: 39 tests run, 1 failing" == bench.do("selftest ECM").words
    assert ("given: open pedal_sensor.2",) == tuple(why_code(bench, "ECM", "P2122-16").roots())
    assert isinstance(bench.tester.codec, Codec)


def test_many_modules_that_did_it_are_counted_and_others_named() -> None:
    """Where all 41 modules clear their codes they are counted; one that does not answer is named."""
    bench = Bench(MINIBUS)
    bench.do_all(["press start", "wait 3 s", "unlock GATEWAY"])
    assert "done: 41 modules" == bench.do("clear").words
    bench.do_all(["unplug ABS", "unlock GATEWAY"])
    assert "done: 40 modules; no answer: ABS" == bench.do("clear").words
