"""Network management: the state machine by its table, and whole sequences on a bus with their times.

The table and the timers' names follow AUTOSAR's Specification of CAN Network Management, read second-hand
from an open implementation that tags its transitions with the requirements' numbers.
"""

from collections.abc import Callable

import pytest

from sim.bench.bench import Bench
from sim.modules.network_management import NmNode, NmState
from sim.network.frames import Frame, frame_bits
from sim.vehicle.description_wiring import NetworkManagement
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text
from tests.modules.conftest import TINY
from tests.modules.test_tester_control import Conversation

MANAGED = TINY.replace("main: {line:", "main: {network_management: {}, line:")
FIDELITIES = ("frame", "stream")
# the default times: frames each second, the first ten of a node that wakes the bus each 20 ms
CYCLE_S, BURST_S, REPEAT_S, TIMEOUT_S, WAIT_S = 1.0, 0.18, 3.0, 3.0, 1.5


# -- the machine -------------------------------------------------------------------------------------


class Told:
    """A node with a clock at hand and a diary of its states."""

    def __init__(self) -> None:
        self.diary: list[tuple[str, str, str]] = []
        self.node = NmNode(NetworkManagement(), self._noted)

    def _noted(self, old: NmState, why: str) -> None:
        self.diary.append((old, self.node.state, why))

    def brought_to(self, state: NmState) -> "Told":
        """By the shortest way, at second 100."""
        node = self.node
        if state != "bus sleep":
            node.request(97.0)
        if state in ("normal operation", "ready sleep", "prepare bus sleep"):
            node.update(100.0, 100.0)
        if state in ("ready sleep", "prepare bus sleep"):
            node.release(100.0)
        if state == "prepare bus sleep":
            node.update(103.0, 100.0)
        assert state == node.state
        self.diary.clear()
        return self


Event = Callable[[NmNode], None]
REQUEST: Event = lambda node: node.request(104.0)  # noqa: E731
RELEASE: Event = lambda node: node.release(104.0)  # noqa: E731
PASSIVE: Event = lambda node: node.start_passively(104.0)  # noqa: E731
FRAME: Event = lambda node: node.received(0x10, 104.0)  # noqa: E731
REPEAT_BIT: Event = lambda node: node.received(0x01, 104.0)  # noqa: E731
ASK: Event = lambda node: node.ask_for_repeat(104.0)  # noqa: E731
SILENCE: Event = lambda node: node.update(104.0, 100.0)  # noqa: E731  (4 s: NM-Timeout, no WaitBusSleepTime)
LONG_SILENCE: Event = lambda node: node.update(104.5, 100.0)  # noqa: E731
TALK: Event = lambda node: node.update(104.5, 104.2)  # noqa: E731


@pytest.mark.parametrize(
    ("state", "event", "then"),
    [
        ("bus sleep", REQUEST, "repeat message"),
        ("bus sleep", PASSIVE, "repeat message"),
        ("bus sleep", FRAME, "bus sleep"),  # only the layers above are told
        ("bus sleep", RELEASE, "bus sleep"),
        ("bus sleep", LONG_SILENCE, "bus sleep"),
        ("repeat message", FRAME, "repeat message"),
        ("repeat message", REPEAT_BIT, "repeat message"),
        ("repeat message", RELEASE, "repeat message"),
        ("repeat message", TALK, "normal operation"),  # RepeatMessageTime, and requested
        ("normal operation", RELEASE, "ready sleep"),
        ("normal operation", FRAME, "normal operation"),
        ("normal operation", REPEAT_BIT, "repeat message"),
        ("normal operation", ASK, "repeat message"),
        ("normal operation", SILENCE, "normal operation"),  # an error, and the timer starts anew
        ("ready sleep", REQUEST, "normal operation"),
        ("ready sleep", FRAME, "ready sleep"),
        ("ready sleep", REPEAT_BIT, "repeat message"),
        ("ready sleep", ASK, "repeat message"),
        ("ready sleep", TALK, "ready sleep"),
        ("ready sleep", SILENCE, "prepare bus sleep"),
        ("prepare bus sleep", FRAME, "repeat message"),
        ("prepare bus sleep", REQUEST, "repeat message"),
        ("prepare bus sleep", PASSIVE, "repeat message"),
        ("prepare bus sleep", SILENCE, "prepare bus sleep"),
        ("prepare bus sleep", LONG_SILENCE, "bus sleep"),
    ],
)
def test_the_table_of_transitions(state: NmState, event: Event, then: NmState) -> None:
    """Every event in every state leads to the state that the specification names."""
    told = Told().brought_to(state)
    event(told.node)
    assert then == told.node.state
    assert len(told.diary) <= 1


def test_a_frame_received_restarts_nm_timeout() -> None:
    """NM-Timeout counts from the last frame received."""
    told = Told().brought_to("ready sleep")
    told.node.received(0x10, 102.0)
    assert 105.0 == told.node.due_s
    told.node.update(104.0, 100.0)
    assert "ready sleep" == told.node.state


def test_who_has_slept_and_is_woken_by_another_did_not_wake_the_bus() -> None:
    """A node that another one wakes does not show the active wake-up bit."""
    told = Told().brought_to("prepare bus sleep")
    assert 0x10 == told.node.control_bits
    LONG_SILENCE(told.node)
    told.node.start_passively(110.0)
    assert ("repeat message", 0) == (told.node.state, told.node.control_bits)


def test_after_repeat_message_an_unrequested_node_is_ready_to_sleep() -> None:
    """Without a request, repeat message ends in ready sleep after RepeatMessageTime."""
    told = Told()
    told.node.start_passively(0.0)
    told.node.update(2.9, 2.5)
    told.node.update(3.0, 2.5)
    assert [
        ("bus sleep", "repeat message", "passive start-up"),
        ("repeat message", "ready sleep", "RepeatMessageTime"),
    ] == told.diary


def test_a_node_whose_frames_are_not_confirmed_counts_timeouts_and_stays() -> None:
    """Repeat message and normal operation: NM-Timeout runs out each 3 s and starts again."""
    told = Told()
    told.node.request(0.0)
    for second in range(1, 14):
        told.node.update(float(second), 0.0)
    assert ("normal operation", 4) == (told.node.state, told.node.timeouts)


def test_frames_in_their_states_only() -> None:
    """None in ready sleep, prepare bus sleep and bus sleep."""
    sending = {
        state: Told().brought_to(state).node.sends
        for state in ("bus sleep", "repeat message", "normal operation", "ready sleep", "prepare bus sleep")
    }
    assert {
        "bus sleep": False,
        "repeat message": True,
        "normal operation": True,
        "ready sleep": False,
        "prepare bus sleep": False,
    } == sending


def test_control_bits() -> None:
    """Bit 0 while the node itself asks for repeat message, bit 4 where it woke the bus itself."""
    node = Told().brought_to("normal operation").node
    assert 0x10 == node.control_bits
    node.ask_for_repeat(100.0)
    assert 0x11 == node.control_bits
    node.update(103.0, 102.0)
    assert ("normal operation", 0x10) == (node.state, node.control_bits)
    passive = Told().node
    passive.start_passively(0.0)
    assert 0x00 == passive.control_bits


def test_without_its_own_frames_no_timeout_runs() -> None:
    """Service 28 stops frames and NM-Timeout; with them back it counts from then."""
    told = Told().brought_to("ready sleep")
    told.node.allow_sending(False, 101.0)
    assert told.node.due_s is None
    told.node.update(200.0, 100.0)
    told.node.allow_sending(True, 200.0)
    assert 203.0 == told.node.due_s
    told.node.update(203.0, 100.0)
    assert [("ready sleep", "prepare bus sleep", "NM-Timeout")] == told.diary


@pytest.mark.parametrize(
    ("times", "complaint"),
    [
        ("{timeout_ms: 1000}", "timeout_ms must be above msg_cycle_ms, 1000"),
        ("{repeat_message_ms: 200}", "repeat_message_ms must be 0 or above the immediate frames' 200 ms"),
        ("{first_id: 0x6C0}", "1702"),
    ],
)
def test_times_out_of_proportion_are_refused(times: str, complaint: str) -> None:
    """Times that cannot work together are refused with the reason."""
    with pytest.raises(FileProblem, match=complaint):
        car_from_text(MANAGED.replace("network_management: {}", f"network_management: {times}"))


def test_the_frames_identifiers_are_taken() -> None:
    """A message cannot have the identifier of a network management frame."""
    text = MANAGED.replace("ECM: {hears", "ECM: {sends: {a: {id: 0x501}}, hears")
    with pytest.raises(FileProblem, match="identifier 0x501 is already sent by network management of BCM"):
        car_from_text(text)


# -- on a bus ----------------------------------------------------------------------------------------


def managed(fidelity: str, *actions: str) -> Bench:
    bench = Bench(car_from_text(MANAGED), fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["wait 19.95 s", *actions])
    return bench


def states(bench: Bench, since_s: float = 20.0) -> list[tuple[float, str]]:
    """Time, node and state; times to the millisecond, which the depths have in common."""
    return [
        (round(event.time_s, 3), f"{event.subject} {event.text.partition(' to ')[2]}")
        for event in bench.trace.events
        if event.kind == "network management" and event.time_s >= since_s
    ]


def frame_s(node: int, control_bits: int) -> float:
    """How long a management frame takes at 500 kbit/s."""
    return frame_bits(Frame(0x500 + node, bytes([node, control_bits]).ljust(8, b"\0"))) / 500_000


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_wake_by_local_request_wake_by_frame_release_and_sleep(fidelity: str) -> None:
    """The key wakes ECM and CLUSTER by their sense lines after the 10 ms of K1 and 200 ms of booting.

    Their first frames wake BCM, which boots and joins passively. With the key off for 2 s ECM and CLUSTER let
    go, 5 ms after K1 has dropped out; their last frames came 1 s apart after the quick series of ten, and
    NM-Timeout counts from the last.
    """
    bench = managed(fidelity, "switch key on", "wait 9.95 s", "switch key off", "wait 20 s")
    last_s = 20.21 + BURST_S + 11 * CYCLE_S  # CLUSTER's after ECM's, each at once again after the other
    end_s = last_s + frame_s(0, 0x10) + 3 / 500_000 + frame_s(2, 0x10)
    assert 31.3905 == round(end_s, 4)
    assert [
        (20.21, "ECM repeat message (network request)"),
        (20.21, "CLUSTER repeat message (network request)"),
        (20.41, "BCM repeat message (passive start-up)"),
        (23.21, "ECM normal operation (RepeatMessageTime)"),
        (23.21, "CLUSTER normal operation (RepeatMessageTime)"),
        (23.41, "BCM ready sleep (RepeatMessageTime)"),
        (32.005, "ECM ready sleep (network release)"),
        (32.005, "CLUSTER ready sleep (network release)"),
        (34.39, "ECM prepare bus sleep (NM-Timeout)"),
        (34.39, "CLUSTER prepare bus sleep (NM-Timeout)"),
        (34.39, "BCM prepare bus sleep (NM-Timeout)"),
        (35.89, "ECM bus sleep (WaitBusSleepTime)"),
        (35.89, "CLUSTER bus sleep (WaitBusSleepTime)"),
        (35.89, "BCM bus sleep (WaitBusSleepTime)"),
    ] == states(bench)
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}
    assert end_s + TIMEOUT_S == pytest.approx(34.39, abs=0.001)


def test_the_module_states_follow(told: Callable[..., list[tuple[float, str]]]) -> None:
    """Running through all of the network mode, going to sleep in prepare bus sleep, asleep in bus sleep."""
    bench = managed("frame", "switch key on", "wait 9.95 s", "switch key off", "wait 20 s")
    assert [
        (20.21, "BCM is woken by the bus"),
        (20.41, "BCM is online"),
        (34.39, "BCM has no reason to stay awake and stops sending"),
        (35.89, "BCM falls asleep"),
    ] == [
        (round(time_s, 3), text)
        for time_s, text in told(bench, "state", since_s=20)
        if text.startswith("BCM")
    ]


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_a_frame_in_prepare_bus_sleep(fidelity: str) -> None:
    """The button wakes the master while the others wait for bus sleep: they repeat, and sleep later."""
    bench = managed(fidelity, "switch key on", "wait 9.95 s", "switch key off", "wait 4.95 s", "press start")
    bench.do_all(["wait 2 s", "press start", "wait 20 s"])
    pressed = [
        (35.0, "BCM repeat message (network request)"),
        (35.0, "ECM repeat message (frame received)"),
        (35.0, "CLUSTER repeat message (frame received)"),
    ]
    assert (34.39, "BCM prepare bus sleep (NM-Timeout)") in states(bench)
    assert pressed == states(bench, 34.5)[:3]
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_the_repeat_message_bit(fidelity: str) -> None:
    """One node asks who is there: its frame with bit 0 takes all to repeat message for 3 s, and back."""
    bench = managed(fidelity, "switch key on", "wait 9.95 s")
    bench.live.modules["BCM"].managed["main"].ask_for_repeat()
    bench.do("wait 5 s")
    assert [
        (30.0, "BCM repeat message (repeat message request)"),
        (30.0, "ECM repeat message (repeat message bit received)"),
        (30.0, "CLUSTER repeat message (repeat message bit received)"),
        (33.0, "BCM ready sleep (RepeatMessageTime)"),
        (33.0, "ECM normal operation (RepeatMessageTime)"),
        (33.0, "CLUSTER normal operation (RepeatMessageTime)"),
    ] == states(bench, 24.0)


def test_a_tester_asks_who_is_there() -> None:
    """Routine 0202 does it from outside; every node's frame then runs on the bus."""
    bench = managed("frame", "switch key on", "wait 9.95 s")
    seen: list[tuple[int, int]] = []
    bench.live.network.tap = lambda start_s, end_s, frame, sender: (  # type: ignore[assignment]
        seen.append((frame.can_id, frame.data[1])) if 0x500 <= frame.can_id < 0x503 else None
    )
    bcm = Conversation(bench, "BCM")
    bcm.ask("10 03")
    seen.clear()
    assert ["71 01 02 02"] == bcm.ask("31 01 02 02", 0.5)
    assert [(0x501, 0x01), (0x500, 0x10), (0x502, 0x10)] == seen[:3]
    quick = {can_id: sum(one == can_id for one, _ in seen) for can_id in (0x500, 0x501, 0x502)}
    assert {0x500: 10, 0x501: 1, 0x502: 10} == quick, "the quick series is for those who woke the bus"


def test_the_repeat_message_bit_is_on_the_bus_only_in_repeat_message() -> None:
    """The frames carry the repeat message bit in repeat message, and not after it."""
    bench = managed("frame", "switch key on", "wait 9.95 s")
    bits: list[int] = []
    bench.live.network.tap = lambda start_s, end_s, frame, sender: (
        bits.append(frame.data[1]) if frame.can_id == 0x500 else None
    )
    bench.live.modules["ECM"].managed["main"].ask_for_repeat()
    bench.do("wait 2.95 s")
    assert {0x11} == set(bits)
    bits.clear()
    bench.do("wait 5 s")
    assert {0x10} == set(bits)


def test_every_management_frame_names_its_node() -> None:
    """The source node identifier is in the first byte, whatever the control bits do."""
    bench = managed("frame")
    seen: set[tuple[int, int]] = set()
    bench.live.network.tap = lambda start_s, end_s, frame, sender: (
        seen.add((frame.can_id, frame.data[0])) if 0x500 <= frame.can_id < 0x503 else None
    )
    bench.do_all(["switch key on", "wait 10 s"])
    bench.live.modules["ECM"].managed["main"].ask_for_repeat()
    bench.do("wait 5 s")
    assert {(0x500, 0), (0x501, 1), (0x502, 2)} == seen


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_service_28_keeps_the_bus_from_sleeping(fidelity: str) -> None:
    """With ECM's frames stopped its NM-Timeout does not run, and its messages keep the others up.

    TesterPresent keeps its session open. Once that has ended it counts 3 s of silence and sleeps.
    """
    bench = managed(fidelity, "switch key on", "wait 9.95 s")
    ecm = Conversation(bench, "ECM")
    assert ["50 03 00 32 01 F4"] == ecm.ask("10 03")
    assert ["68 01"] == ecm.ask("28 01 02")
    bench.do("switch key off")
    for _ in range(10):
        ecm.ask("3E 80", 2.0)
    node = bench.live.modules["ECM"].managed["main"].node
    assert ("normal operation", False, 0) == (node.state, node.may_send, node.timeouts)
    bench.live.tester(False)
    bench.do("wait 30 s")
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}


def test_sleep_costs_no_events() -> None:
    """An hour asleep: nothing is recorded, no frame runs, no timer is left."""
    bench = managed("frame", "switch key on", "wait 9.95 s", "switch key off", "wait 20 s")
    before, frames = len(bench.trace), bench.live.network.frames_total  # type: ignore[union-attr]
    bench.do("wait 8 h")
    assert (before, frames) == (len(bench.trace), bench.live.network.frames_total)  # type: ignore[union-attr]


def test_both_depths_hear_the_same_confirmations() -> None:
    """The sender's own channel: the end of its last frame that was acknowledged."""
    found = [
        bench.live.network.heard_at(bench.live.world.management["main"]["BCM"], "BCM.main")
        for bench in (managed(fidelity, "press start", "wait 3 s") for fidelity in FIDELITIES)
    ]
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    assert found[0] == pytest.approx(20.2 + BURST_S + 3 * CYCLE_S + frame_s(1, 0x10), abs=1e-9)


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_a_node_cut_off_sleeps_alone(fidelity: str) -> None:
    """Its frames are not confirmed: NM-Timeout runs from where it last started anew, an error each time.

    Started at 30.21 s, it runs out at 33.21, 36.21, 39.21 and 42.21 s; the release is at 42.005 s.
    """
    bench = managed(fidelity, "open ECM.main.H", "wait 9.95 s")
    bench.do_all(["switch key on", "wait 9.95 s", "switch key off", "wait 20 s"])
    node = bench.live.modules["ECM"].managed["main"].node
    assert [
        (30.21, "ECM repeat message (network request)"),
        (33.21, "ECM normal operation (RepeatMessageTime)"),
        (42.005, "ECM ready sleep (network release)"),
        (42.21, "ECM prepare bus sleep (NM-Timeout)"),
        (43.71, "ECM bus sleep (WaitBusSleepTime)"),
    ] == [(time_s, text) for time_s, text in states(bench, 25.0) if text.startswith("ECM")]
    assert ("asleep", 3) == (bench.live.modules["ECM"].state, node.timeouts)
