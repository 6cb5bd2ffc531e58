"""What a tester makes a module do: outputs, self-test with responsePending, silence (ISO 14229-1)."""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.modules import uds_client as asks
from sim.modules.diagnostics import SECRET
from sim.modules.security_access import SharedSecret
from sim.modules.tester_control import FIRST_OUTPUT_DID, SELF_TEST_ROUTINE
from sim.modules.uds_protocol import S3_S
from sim.modules.uds_responses import PositiveResponse
from sim.network.frames import Frame
from sim.network.isotp import IsoTpLink
from sim.vehicle.elements import TESTER
from sim.vehicle.reading import read_car


class Conversation:
    """A tester's talk with one module of a car, with the time of every response."""

    def __init__(self, bench: Bench, module: str) -> None:
        self.bench = bench
        self.responses: list[tuple[float, str]] = []
        live = bench.live
        address = bench.car.addresses[module]
        self.link = IsoTpLink(
            live.env,
            lambda frame, on_sent: live.network.send(TESTER, frame, on_sent),
            address,
            address + 8,
            lambda data: self.responses.append((bench.now_s, data.hex(" ").upper())),
        )
        live.tester(True, "talks")
        live.network.listen(TESTER, self._frame)
        live.run(0.01)

    def _frame(self, frame: Frame, sender: str, time_s: float) -> None:
        self.link.frame(frame)

    def ask(self, request: str, for_s: float = 0.05) -> list[str]:
        self.responses = []
        self.link.send(bytes.fromhex(request))
        self.bench.live.run(for_s)
        return [text for _, text in self.responses]

    def unlock(self) -> None:
        self.ask("10 03")
        seed = bytes.fromhex(self.ask("27 01")[0])[2:]
        assert ["67 02"] == self.ask("27 02 " + SharedSecret(SECRET).key(seed).hex())


def bench_of(car: str, *actions: str) -> Bench:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))
    bench.do_all(actions)
    return bench


@pytest.fixture
def bench() -> Bench:
    """Six modules with the ignition on."""
    return bench_of("six-modules", "press start", "wait 3 s")


RELAY = f"{FIRST_OUTPUT_DID:04X}"
SELF_TEST = f"{SELF_TEST_ROUTINE:04X}"


def test_an_output_needs_session_and_key(bench: Bench) -> None:
    """An output is controlled only in the extended session and after security access."""
    bcm = Conversation(bench, "BCM")
    assert ["7F 2F 7F"] == bcm.ask(f"2F {RELAY} 03 00")
    bcm.ask("10 03")
    assert ["7F 2F 33"] == bcm.ask(f"2F {RELAY} 03 00")
    bcm.unlock()
    assert [f"6F {RELAY[:2]} {RELAY[2:]} 03 00"] == bcm.ask(f"2F {RELAY} 03 00")


@pytest.mark.parametrize(
    ("request_", "response"),
    [
        (f"2F {RELAY} 03", "7F 2F 13"),
        (f"2F {RELAY} 03 00 00", "7F 2F 13"),
        (f"2F {RELAY} 00 00", "7F 2F 13"),
        (f"2F {RELAY} 03 02", "7F 2F 22"),
        (f"2F {RELAY} 04", "7F 2F 31"),
        ("2F 02 01 00", "7F 2F 31"),
    ],
)
def test_refused_adjustments(bench: Bench, request_: str, response: str) -> None:
    """A request with a wrong identifier, parameter or length is refused, and nothing switches."""
    bcm = Conversation(bench, "BCM")
    bcm.unlock()
    assert [response] == bcm.ask(request_)
    assert "K1" in bench.live.relays.pulled_in


def test_a_held_output_switches_its_relay_until_given_back(bench: Bench) -> None:
    """A held output switches its relay and what it feeds, until control is returned."""
    bcm = Conversation(bench, "BCM")
    bcm.unlock()
    assert "K1" in bench.live.relays.pulled_in
    bcm.ask(f"2F {RELAY} 03 00")
    assert "K1" not in bench.live.relays.pulled_in
    assert bench.live.reading.pin_v("ECM", "IGN") < 1
    bcm.ask(f"2F {RELAY} 00")
    assert "K1" in bench.live.relays.pulled_in


def test_what_a_tester_holds_is_switched_because_of_it(bench: Bench) -> None:
    """The event of a switched output names the tester's request as its cause."""
    bcm = Conversation(bench, "BCM")
    bcm.unlock()
    bcm.ask(f"2F {RELAY} 03 00")
    switched = next(event for event in reversed(bench.trace.events) if event.kind == "output")
    assert switched.text.endswith(" off")
    (cause,) = (bench.trace[one] for one in switched.causes)
    assert ("control", True) == (cause.kind, cause.text.endswith("as a tester commands"))


def test_freeze_and_default(bench: Bench) -> None:
    """Freezing keeps the present state; reset to default switches off."""
    bcm = Conversation(bench, "BCM")
    bcm.unlock()
    assert [f"6F {RELAY[:2]} {RELAY[2:]} 02 01"] == bcm.ask(f"2F {RELAY} 02")
    assert [f"6F {RELAY[:2]} {RELAY[2:]} 01 00"] == bcm.ask(f"2F {RELAY} 01")
    assert "K1" not in bench.live.relays.pulled_in


def test_the_end_of_the_session_gives_everything_back(bench: Bench) -> None:
    """S3 runs out without any request: the module must notice by itself."""
    bcm = Conversation(bench, "BCM")
    bcm.unlock()
    bcm.ask(f"2F {RELAY} 03 00")
    bench.live.run(S3_S - 0.2)
    assert "K1" not in bench.live.relays.pulled_in
    bench.live.run(0.3)
    assert "K1" in bench.live.relays.pulled_in


def test_a_kept_session_goes_on(bench: Bench) -> None:
    """TesterPresent keeps the session, and with it the held output."""
    bcm = Conversation(bench, "BCM")
    bcm.unlock()
    bcm.ask(f"2F {RELAY} 03 00")
    for _ in range(4):
        assert [] == bcm.ask("3E 80", for_s=2.0)
    assert "K1" not in bench.live.relays.pulled_in


def test_a_silenced_module_is_missed_and_the_reason_is_known(bench: Bench) -> None:
    """A silenced module is missed by others, and the code is explained by the tester."""
    tcm = Conversation(bench, "TCM")
    tcm.ask("10 03")
    assert ["68 01"] == tcm.ask("28 01 01", for_s=2.0)
    ecm = bench.live.modules["ECM"].memory
    assert ecm.get("U0101-87").status & 0x01
    because = why_code(bench, "ECM", "U0101-87")
    assert any("TCM sends no messages, as a tester commands" in line for line in because.lines())
    tcm.ask("28 00 01", for_s=2.0)
    assert not ecm.get("U0101-87").status & 0x01


def test_a_deaf_module_sets_no_codes(bench: Bench) -> None:
    """A module that receives nothing tests nothing until it receives again."""
    ecm = Conversation(bench, "ECM")
    ecm.ask("10 03")
    assert ["68 02"] == ecm.ask("28 02 01")
    bench.do("unplug TCM.C1")
    assert ["7E 00"] == ecm.ask("3E 00", for_s=3.0)
    assert not bench.live.modules["ECM"].memory.get("U0101-87").status & 0x01
    assert ["68 00"] == ecm.ask("28 00 01", for_s=4.0)
    assert bench.live.modules["ECM"].memory.get("U0101-87").status & 0x01


def test_network_management_alone_changes_no_messages(bench: Bench) -> None:
    """Communication control of network management leaves the messages alone."""
    tcm = Conversation(bench, "TCM")
    tcm.ask("10 03")
    assert ["68 03"] == tcm.ask("28 03 02", for_s=2.0)
    assert not bench.live.modules["ECM"].memory.get("U0101-87").status & 0x01


def test_silence_ends_with_the_supply(bench: Bench) -> None:
    """A module that was silenced sends again after its supply was interrupted."""
    tcm = Conversation(bench, "TCM")
    tcm.ask("10 03")
    tcm.ask("28 03 01")
    bench.do_all(["pull F2", "wait 1 s", "fit F2", "wait 3 s"])
    assert not bench.live.modules["ECM"].memory.get("U0101-87").status & 0x01


def test_the_self_test_asks_for_patience(bench: Bench) -> None:
    """responsePending within P2 of 50 ms, the result after the second that the test takes."""
    bench.do_all(["unplug TCM.C1", "wait 3 s"])
    ecm = Conversation(bench, "ECM")
    ecm.ask("10 03")
    asked_s = bench.now_s
    ecm.ask(f"31 01 {SELF_TEST}", for_s=2.0)
    (pending_s, pending), (done_s, done) = ecm.responses
    tests = {test.code for test in bench.live.modules["ECM"].faults.tests}
    assert ("7F 31 78", f"71 01 02 01 {len(tests):02X} 01") == (pending, done)
    assert pending_s - asked_s < 0.05
    assert 1.0 < done_s - asked_s < 1.05
    assert [f"71 03 02 01 {len(tests):02X} 01"] == ecm.ask(f"31 03 {SELF_TEST}")
    assert "ECM runs a self-test, as a tester commands" in [event.text for event in bench.trace.events]


def test_who_asks_meanwhile_is_told_to_repeat(bench: Bench) -> None:
    """While a routine runs, other requests get busy-repeat-request, TesterPresent does not."""
    ecm = Conversation(bench, "ECM")
    ecm.ask("10 03")
    assert ["7F 31 78"] == ecm.ask(f"31 01 {SELF_TEST}")
    assert ["7F 22 21"] == ecm.ask("22 F1 90")
    assert ["7E 00"] == ecm.ask("3E 00")
    assert 1 == len(ecm.ask("3E 80", for_s=2.0)), "only the result"


def test_a_module_that_loses_its_supply_owes_nothing(bench: Bench) -> None:
    """A module that loses its supply during a routine sends no result, and is in the default session."""
    ecm = Conversation(bench, "ECM")
    ecm.ask("10 03")
    ecm.ask(f"31 01 {SELF_TEST}")
    bench.do_all(["pull F1", "wait 0.2 s", "fit F1", "wait 3 s"])
    assert ["7F 31 78"] == [text for _, text in ecm.responses]
    assert ["62 F1 86 01"] == ecm.ask("22 F1 86")


def test_other_routines(bench: Bench) -> None:
    """Stop, results before a start, unknown routines and unknown control types are refused."""
    ecm = Conversation(bench, "ECM")
    ecm.ask("10 03")
    asked = ["31 03 02 01", "31 02 02 01", "31 01 02 01 00", "31 01 02 02", "31 04 02 01"]
    refused = ["7F 31 22", "7F 31 22", "7F 31 22", "7F 31 31", "7F 31 12"]
    assert refused == [ecm.ask(request)[0] for request in asked]


def test_the_bench_s_tester_waits_too(bench: Bench) -> None:
    """The bench's tester waits out responsePending and gets the result."""
    bench.live.tester(True, "talks")
    bench.live.run(0.01)
    assert isinstance(bench.tester.ask("ECM", asks.diagnostic_session_control(3)), PositiveResponse)
    response = bench.tester.ask("ECM", asks.routine_control(1, SELF_TEST_ROUTINE))
    assert isinstance(response, PositiveResponse)
    assert bytes.fromhex("01 02 01") == response.data[:3]
