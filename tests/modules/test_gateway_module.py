"""A gateway: what it passes on, and what it refuses until it is unlocked."""

from collections.abc import Callable

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.tester import Report
from sim.modules.gateway import service_of
from sim.modules.uds_responses import NegativeResponse, PositiveResponse
from sim.network.frames import Frame
from sim.vehicle.reading import read_car

Make = Callable[..., Bench]
Tell = Callable[..., list[tuple[float, str]]]

GUARDED = """
car: Guarded
buses:
  drive: {line: [ECM terminated, TCM, GATEWAY terminated]}
  body: {bitrate_bps: 125000, line: [GATEWAY terminated, CLUSTER terminated]}
  diag: {line: [GATEWAY terminated, DLC, R1 terminator]}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: TCM}
  F3: {rating_a: 10, feeds: GATEWAY}
  F4: {rating_a: 10, feeds: CLUSTER}
  F5: {rating_a: 5, feeds: DLC}
modules:
  GATEWAY: {gateway: {refuses_until_unlocked: [clear], delay_ms: 5}}
  ECM: {sends: {engine: {id: 0x0C0, period_ms: 50, signals: [load]}}, signals: {load: {value: 4}}}
  TCM: {hears: [ECM]}
  CLUSTER: {hears: [ECM, TCM]}
"""


@pytest.fixture
def guarded(tiny: Make) -> Bench:
    bench = tiny(text=GUARDED)
    bench.do("wait 1 s")
    return bench


def scanned(bench: Bench) -> Report:
    report = bench.do("scan").report
    assert report is not None
    return report


def test_messages_that_a_module_needs_pass_after_the_delay(guarded: Bench) -> None:
    """The engine message is wanted on the body bus and sent on there; nothing comes back the other way."""
    frames: list[tuple[float, float, int, str]] = []
    guarded.live.network.tap = lambda start_s, end_s, frame, sender: frames.append(
        (start_s, end_s, frame.can_id, sender)
    )
    guarded.do("wait 0.5 s")
    sent = [end_s for _, end_s, can_id, sender in frames if (can_id, sender) == (0x0C0, "ECM.drive")]
    passed = [start_s for start_s, _, can_id, sender in frames if (can_id, sender) == (0x0C0, "GATEWAY.body")]
    assert len(sent) == len(passed) == 10
    assert [0.005] * 10 == [pytest.approx(b - a, abs=2e-3) for a, b in zip(sent, passed, strict=True)]
    ipc_id = guarded.car.messages.sent["CLUSTER.status"].can_id
    assert {"CLUSTER.body"} == {sender for _, _, can_id, sender in frames if can_id == ipc_id}


def test_reading_passes_and_clearing_is_refused(guarded: Bench, told: Tell) -> None:
    """Negative response 33, security access denied (ISO 14229-1), also for one that is not there."""
    guarded.do_all(["unplug TCM", "wait 5 s"])
    codes = {("CLUSTER", "U0101-87")}
    assert (codes, ("TCM",)) == (scanned(guarded).codes, scanned(guarded).silent)
    answers = guarded.do("clear").responses
    assert {
        name: NegativeResponse(name, 0x14, 0x33) for name in ("GATEWAY", "ECM", "TCM", "CLUSTER")
    } == answers
    assert codes == scanned(guarded).codes
    refusals = {text for _, text in told(guarded, "refused")}
    assert {"GATEWAY refuses service 14: it is locked"} == refusals


def test_unlocked_it_lets_clearing_pass(guarded: Bench) -> None:
    """Seed and key open it until the session ends: 5 s after the tester's last word (S3, ISO 14229-2)."""
    guarded.do_all(["unplug TCM", "wait 5 s", "plug TCM", "wait 3 s"])
    assert {"GATEWAY": True} == {
        name: isinstance(a, PositiveResponse) for name, a in guarded.do("unlock GATEWAY").responses.items()
    }
    assert {"GATEWAY", "ECM", "TCM", "CLUSTER"} == {
        name
        for name, response in guarded.do("clear").responses.items()
        if isinstance(response, PositiveResponse)
    }
    assert frozenset() == scanned(guarded).codes
    guarded.do("wait 6 s")
    assert isinstance(guarded.do("clear CLUSTER").responses["CLUSTER"], NegativeResponse)


def test_a_right_with_a_term_outlives_the_session_and_expires(tiny: Make, told: Tell) -> None:
    """Granted for 20 s: it holds 15 s later without a session, at 25 s it is refused, with the reason."""
    bench = tiny(text=GUARDED.replace("delay_ms: 5", "delay_ms: 5, right_lasts_s: 20"))
    bench.do_all(["wait 1 s", "unlock GATEWAY", "wait 15 s"])
    assert isinstance(bench.do("clear CLUSTER").responses["CLUSTER"], PositiveResponse)
    bench.do("wait 5 s")
    assert NegativeResponse("CLUSTER", 0x14, 0x33) == bench.do("clear CLUSTER").responses["CLUSTER"]
    assert ["GATEWAY refuses service 14: the right that it granted has expired"] == [
        text for _, text in told(bench, "refused")
    ]
    bench.do("unlock GATEWAY")
    assert isinstance(bench.do("clear CLUSTER").responses["CLUSTER"], PositiveResponse)


def test_a_right_with_a_term_is_gone_after_a_restart(tiny: Make) -> None:
    """A gateway that lost its supply knows of no right."""
    bench = tiny(text=GUARDED.replace("delay_ms: 5", "delay_ms: 5, right_lasts_s: 600"))
    bench.do_all(["wait 1 s", "unlock GATEWAY", "pull F3", "wait 1 s", "fit F3", "wait 1 s"])
    assert isinstance(bench.do("clear CLUSTER").responses["CLUSTER"], NegativeResponse)


def test_a_long_scan_keeps_it_open(guarded: Bench) -> None:
    """Silent modules make a scan long; the tester keeps the session alive all the while."""
    guarded.do_all(["unlock GATEWAY", "unplug CLUSTER", "unplug TCM", "wait 1 s"])
    for _ in range(8):
        guarded.do("scan")
    assert isinstance(guarded.do("clear ECM").responses["ECM"], PositiveResponse)


def test_a_wrong_key_does_not_open_it(guarded: Bench) -> None:
    """The tester's key for another seed: negative response 35, invalid key."""
    tester = guarded.tester
    tester.keys.key = lambda seed: bytes(len(seed))  # type: ignore[method-assign]
    response = guarded.do("unlock GATEWAY").responses["GATEWAY"]
    assert isinstance(response, NegativeResponse)
    assert (0x27, "invalid key") == (response.service, response.text)
    assert isinstance(guarded.do("clear ECM").responses["ECM"], NegativeResponse)


def test_a_request_to_all_that_is_guarded_is_dropped(guarded: Bench) -> None:
    """Clearing by the functional address: no module gets it, none responds (no negative response there)."""
    guarded.do_all(["unplug TCM", "wait 5 s"])
    live = guarded.live
    live.tester(True, "clears all at once")
    live.run(0.01)
    live.network.send("TESTER", Frame(0x7DF, bytes([4, 0x14, 0xFF, 0xFF, 0xFF, 0xCC, 0xCC, 0xCC])))
    guarded.do("wait 1 s")
    assert {("CLUSTER", "U0101-87")} == scanned(guarded).codes


def test_clearing_by_the_emissions_service_is_guarded_too(guarded: Bench) -> None:
    """SAE J1979 service 04 to one module's own address; with ignition on, engine off it would be done."""
    guarded.do_all(["unplug TCM", "wait 5 s", "plug TCM", "wait 3 s"])
    live = guarded.live
    live.tester(True, "clears the emissions way")
    live.run(0.01)
    answers: list[bytes] = []
    live.network.tap = lambda start_s, end_s, frame, sender: (
        answers.append(frame.data) if (sender, frame.can_id) == ("GATEWAY.diag", own + 8) else None
    )
    own = guarded.car.addresses["CLUSTER"]
    live.network.send("TESTER", Frame(own, bytes([1, 0x04, *[0xCC] * 6])))
    guarded.do("wait 1 s")
    assert [bytes([3, 0x7F, 0x04, 0x33])] == [data[:4] for data in answers]
    assert {("CLUSTER", "U0101-87")} == scanned(guarded).codes


@pytest.mark.parametrize("service", [0x14, 0x04, 0x2F, 0x31, 0x2E, 0x34, 0x35, 0x36, 0x37])
def test_each_service_behind_a_guard_is_refused(tiny: Make, service: int) -> None:
    """ISO 14229-1: clear; input/output and routine control; write, and the four of a transfer. J1979: 04."""
    bench = tiny(("[clear]", "[clear, actuate, program]"), text=GUARDED)
    bench.do("wait 1 s")
    own, answers = bench.car.addresses["CLUSTER"], list[bytes]()
    bench.live.tester(True, "asks")
    bench.live.run(0.01)
    bench.live.network.tap = lambda start_s, end_s, frame, sender: (
        answers.append(frame.data[:4]) if frame.can_id == own + 8 else None
    )
    bench.live.network.send("TESTER", Frame(own, bytes([1, service, *[0xCC] * 6])))
    bench.do("wait 0.2 s")
    assert [bytes([3, 0x7F, service, 0x33])] == answers


def test_a_request_is_known_by_its_first_frame_and_by_no_other() -> None:
    """ISO 15765-2: single, first, consecutive and flow control frame; the service is in the first two."""
    frames = ("02 14 FF", "10 14 2E F1", "21 14 14 14", "30 14 14")
    services = [service_of(Frame(0x700, bytes.fromhex(frame))) for frame in frames]
    assert [0x14, 0x2E, None, None] == services


def test_two_gateways_in_a_row() -> None:
    """The minibus: from the diagnostic line over gateway and upfit module to the wheelchair lift."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"))
    bench.do_all(["wait 12 s"])
    assert () == scanned(bench).silent
    bench.do_all(["unplug UPFIT.C1", "wait 1 s"])
    upfit = ("UPFIT", "SLIDE-DOOR", "STEP", "LIFT", "TACHO", "REAR-DOORS", "SIGN", "COUNTER", "TRAILER")
    assert set(upfit) == set(scanned(bench).silent)


def test_a_locked_gateway_is_told_in_one_sentence(guarded: Bench) -> None:
    """Clearing behind a locked gateway names no list of modules; unlocked, it is done."""
    assert "the gateway is locked: unlock it first" == guarded.do("clear").words
    guarded.do("unlock GATEWAY")
    assert "done: GATEWAY, ECM, TCM, CLUSTER" == guarded.do("clear").words


def test_a_report_from_before_clearing_says_so(guarded: Bench) -> None:
    """After clearing the last report is an old one, until the next scan; a refused one changes nothing."""
    told = []
    for action in ("scan", "clear", "unlock GATEWAY", "clear ECM", "scan"):
        guarded.do(action)
        told.append(guarded.cleared_since_scan)
    assert [False, False, False, True, False] == told
