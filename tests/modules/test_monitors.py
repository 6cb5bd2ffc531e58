"""Monitors: limit, maturation, healing and enabling, to the microsecond on tiny cars.

Defaults of a vehicle file: a message every 100 ms is lost after ten periods, its code matures over another
500 ms, heals over 500 ms, and nothing is tested in the first 2 s after the enabling condition came true.
"""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from sim.bench.bench import Bench
from sim.modules.enable_condition import EnableCondition
from sim.modules.fault_memory import Status
from sim.modules.fault_recorder import Maturing
from sim.modules.world import Timer
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import Frame, frame_bits

Make = Callable[..., Bench]
Tell = Callable[..., list[tuple[float, str]]]

ON = ["switch key on", "press start"]  # ignition sense on at 0.06 s; mode run as soon as BCM is online, 0.2 s
FIRST_S = 0.2037  # the body module's first message: the second of the file, 3.7 ms after it came online
MONITORED = ("lost", "heard", "code", "code heals", "code cleared")


def length_s(bench: Bench, mode: int) -> float:
    """Of the body module's message with the number of a mode (`off` 0, `run` 2) in its first byte."""
    can_id = bench.car.messages.sent["BCM.status"].can_id
    return frame_bits(Frame(can_id, bytes([mode, *bytes(7)]))) / 500_000


def status(bench: Bench, module: str, code: str) -> int:
    return int(bench.live.modules[module].memory.get(code).status)


def test_lost_and_found(tiny: Make, told: Tell) -> None:
    """Limit from the end of the last frame; maturation from the limit; healing from the first frame again."""
    bench = tiny()
    bench.do_all([*ON, "wait 4 s"])
    assert 4.8 == pytest.approx(bench.now_s)
    bench.do("unplug BCM")
    last_s = FIRST_S + 45 * 0.1 + length_s(bench, 2)
    bench.do("wait 3.15 s")
    assert 8.0 == pytest.approx(bench.now_s)
    bench.do_all(["plug BCM", "wait 2 s"])
    back_s = 8.0 + 0.2 + 0.0037 + length_s(bench, 0)
    of_ecm = [(t, text) for t, text in told(bench, *MONITORED, since_s=4.7) if text.startswith("ECM")]
    assert [
        (round(last_s + 1.0, 6), "ECM has not received BCM.status for 1000 ms"),
        (round(last_s + 1.5, 6), "ECM sets U0140-87: BCM.status not received"),
        (round(back_s, 6), "ECM receives BCM.status"),
        (round(back_s, 6), "ECM receives BCM.status again"),
        (round(back_s + 0.5, 6), "ECM: U0140-87 no longer fails"),
    ] == of_ecm
    assert 0x2E == status(bench, "ECM", "U0140-87")  # as it failed, without the failing now


def test_a_sender_heard_before_the_ignition_came_on_proves_nothing(tiny: Make, told: Tell) -> None:
    """Its plug is off before the next switching on: the code that is stored must not pass in between."""
    bench = tiny()
    bench.do_all([*ON, "wait 4 s", "unplug BCM", "wait 3 s"])
    assert 0x2F == status(bench, "ECM", "U0140-87")
    begun_s = bench.now_s
    bench.do_all(["switch key off", "wait 1 s", "switch key on", "wait 5 s"])
    assert [] == [text for _, text in told(bench, "code heals", since_s=begun_s) if text.startswith("ECM")]
    assert 0x2F == status(bench, "ECM", "U0140-87")


@pytest.mark.parametrize(
    ("gap", "events"),
    [
        ("wait 0.5 s", []),
        # over the limit of 1 s, under the maturation: noticed, no code
        ("wait 1.2 s", ["ECM has not received BCM.status for 1000 ms", "ECM receives BCM.status again"]),
    ],
)
def test_a_gap_that_is_too_short_for_a_code(gap: str, events: list[str], tiny: Make, told: Tell) -> None:
    """A gap is noted only if it is longer than the limit, and sets no code before it has matured."""
    bench = tiny()
    bench.do_all([*ON, "wait 4 s", "open BCM.main.H", gap, "repair BCM.main.H", "wait 3 s"])
    found = [text for _, text in told(bench, "lost", "heard", "code", since_s=4.7) if text.startswith("ECM")]
    assert events == [text for text in found if not text.endswith("receives BCM.status")]
    assert 0 == status(bench, "ECM", "U0140-87")


def test_nothing_is_tested_before_the_settling_time(tiny: Make, told: Tell) -> None:
    """Ignition on and the module online: 2 s, then the limit, then the maturation."""
    bench = tiny(given=["unplug BCM"])
    bench.do_all(["switch key on", "wait 5 s"])
    assert [(0.2 + 2.0 + 1.0, "ECM has not received BCM.status for 1000 ms")] == [
        event for event in told(bench, "lost") if event[1].startswith("ECM")
    ]
    assert [
        (3.7, "ECM sets U0140-87: BCM.status not received"),
        (3.7, "CLUSTER sets U0140-87: BCM.status not received"),
    ] == (told(bench, "code"))


def test_a_restart_settles_again(tiny: Make, told: Tell) -> None:
    """A module that comes back with the ignition on does not test at once."""
    bench = tiny()
    bench.do_all([*ON, "wait 5 s", "unplug ECM.C1", "wait 0.15 s", "unplug BCM"])
    bench.do_all(["plug ECM.C1", "wait 6 s"])
    plugged_s = next(event.time_s for event in bench.trace.events if event.text == "plug ECM.C1")
    assert [(round(plugged_s + 0.2 + 2.0 + 1.0 + 0.5, 6), "ECM sets U0140-87: BCM.status not received")] == [
        event for event in told(bench, "code") if event[1].startswith("ECM")
    ]


def test_ignition_off_before_it_matures(tiny: Make, told: Tell) -> None:
    """The test rests while its condition is false; a fault that is there then leaves no code."""
    bench = tiny()
    bench.do_all([*ON, "wait 4 s", "unplug BCM", "wait 1.2 s", "switch key off", "wait 5 s"])
    assert [] == told(bench, "code")
    assert Status.TEST_FAILED not in Status(status(bench, "ECM", "U0140-87"))


def test_a_condition_of_its_own(tiny: Make, told: Tell) -> None:
    """`when` of one monitor wins over `hears_when`; `after_ms`, `limit_ms`, `mature_ms` as written."""
    own = "{from: BCM, when: {mode: run}, after_ms: 0, limit_ms: 150, mature_ms: 30, code: U1500-31}"
    bench = tiny(("ECM: {hears: [BCM]", f"ECM: {{hears: [{own}]"))
    bench.do_all(["switch key on", "wait 4 s"])
    assert [] == [text for _, text in told(bench, "lost", "code") if text.startswith("ECM")]
    bench.do_all(["press start", "wait 1 s", "unplug BCM", "wait 3 s"])
    last_s = max(e.time_s for e in bench.trace.events if e.text == "unplug BCM.C1")
    lost, code = [e for e in told(bench, "lost", "code") if e[1].startswith("ECM")]
    assert last_s + 0.05 < lost[0] <= last_s + 0.15
    assert (round(lost[0] + 0.03, 6), "ECM sets U1500-31: BCM.status not received") == code


def test_a_slow_message_is_not_taken_as_heard(tiny: Make, told: Tell) -> None:
    """A limit longer than the healing time: the test does not pass before the limit, nor at it."""
    bench = tiny(
        ("CLUSTER: {hears: [ECM, BCM]", "CLUSTER: {hears: [ECM, {from: BCM, limit_ms: 4000}]"),
        given=["unplug BCM"],
    )
    bench.do_all(["switch key on", "wait 6 s"])  # tested from 2.2 s on
    assert 0x50 == status(
        bench, "CLUSTER", "U0140-87"
    )  # not completed, in this cycle and since it was cleared
    bench.do("wait 1 s")
    assert [(6.7, "CLUSTER sets U0140-87: BCM.status not received")] == [
        event for event in told(bench, "code") if event[1].startswith("CLUSTER")
    ]
    bench.do_all(["switch key off", "wait 8 s", "switch key on", "wait 8 s"])
    assert [] == [text for _, text in told(bench, "code heals") if text.startswith("CLUSTER")]


def test_a_slow_message_passes_once_heard(tiny: Make) -> None:
    """From the start of the test it takes as long as the limit until a message counts as arriving."""
    bench = tiny(("CLUSTER: {hears: [ECM, BCM]", "CLUSTER: {hears: [ECM, {from: BCM, limit_ms: 4000}]"))
    bench.do_all([*ON, "wait 5.35 s"])
    assert (6.15, 0x50) == (pytest.approx(bench.now_s), status(bench, "CLUSTER", "U0140-87"))
    bench.do("wait 0.1 s")
    assert 0x00 == status(bench, "CLUSTER", "U0140-87")


def test_low_supply_rests_every_test(tiny: Make, told: Tell) -> None:
    """Under 9 V nothing is tested (common practice); 12 V through 12 ohm leave the cluster 8 V or so."""
    bench = tiny(given=["corrode CLUSTER.B+ 18 ohm"])
    bench.do_all([*ON, "wait 1 s", "unplug BCM", "wait 9 s"])
    assert 6.0 < bench.live.modules["CLUSTER"].supply_v < 9.0
    assert ["ECM sets U0140-87: BCM.status not received"] == [text for _, text in told(bench, "code")]
    bench.do_all(["repair CLUSTER.B+", "wait 5 s"])
    assert "CLUSTER sets U0140-87: BCM.status not received" == told(bench, "code")[-1][1]


CHAIN = """
car: Chain
buses: {main: {line: [ECM terminated, TCM, BCM, DLC, CLUSTER terminated]}}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: TCM}
  F3: {rating_a: 10, feeds: BCM}
  F4: {rating_a: 10, feeds: CLUSTER}
  F5: {rating_a: 5, feeds: DLC}
modules:
  ECM: {signals: {engine_load: {value: 7}}}
  TCM:
    sends: {shift: {signals: [ready, limited, kept]}}
    signals:
      ready: {uses: [engine_load], missing: invalid}
      limited: {uses: [engine_load], missing: substitute, substitute: 3, value: 9}
      kept: {uses: [engine_load], missing: hold, value: 5}
  BCM: {hears: [TCM]}
  CLUSTER: {hears: [ECM], telltales: {limp: {when: {not: {signal: limited, is: 9}}}}}
"""


def test_what_a_module_sends_for_what_it_does_not_get(tiny: Make, told: Tell) -> None:
    """Invalid, a substitute, or the last value; not available, where it has never had one."""
    bench = tiny(text=CHAIN, given=["unplug ECM"])
    bench.do("wait 0.5 s")
    assert ["BCM receives ready = invalid", "BCM receives limited = 3"] == [
        text for _, text in told(bench, "signal") if text.startswith("BCM")
    ]
    assert bench.live.modules["CLUSTER"].outputs.telltales == {"limp": True}
    bench.do_all(["plug ECM", "wait 1 s"])
    assert ["BCM receives ready = True", "BCM receives limited = 9", "BCM receives kept = 5"] == [
        text for _, text in told(bench, "signal", since_s=0.55) if text.startswith("BCM")
    ]
    assert bench.live.modules["CLUSTER"].outputs.telltales == {"limp": False}
    cut_s = bench.now_s
    bench.do_all(["unplug ECM", "wait 6 s"])
    assert ["BCM receives ready = invalid", "BCM receives limited = 3"] == [
        text for _, text in told(bench, "signal", since_s=cut_s) if text.startswith("BCM")
    ]
    assert bench.live.modules["BCM"].knowledge.signal("kept").value == 5


def test_an_invalid_value_sets_a_code_of_its_own(tiny: Make, told: Tell) -> None:
    """U0402 "invalid data received from TCM" (SAE J2012), failure type 86, beside the lost module."""
    bench = tiny(text=CHAIN)
    bench.do_all(["wait 3 s", "unplug ECM", "wait 5 s"])
    invalid_s = next(t for t, text in told(bench, "signal") if text == "BCM receives ready = invalid")
    lost_s = next(t for t, text in told(bench, "lost"))
    assert [
        (round(lost_s + 0.5, 6), "CLUSTER sets U0100-87: ECM.status not received"),
        (round(invalid_s + 0.5, 6), "BCM sets U0402-86: TCM.shift carries invalid values"),
    ] == sorted(told(bench, "code"))
    # what it works from is back: valid values heal the code, which stays confirmed
    bench.do_all(["plug ECM", "wait 2 s"])
    assert Status.CONFIRMED == status(bench, "BCM", "U0402-86") & (Status.CONFIRMED | Status.TEST_FAILED)
    bench.do_all(["unplug ECM", "wait 3 s"])
    # with the message itself gone, its values cannot be judged: what was cleared stays away
    bench.do_all(["unplug TCM", "wait 3 s", "clear BCM", "wait 3 s"])
    assert ["U0101-87"] == [
        e.code for e in bench.live.modules["BCM"].memory.dtcs if e.status & Status.TEST_FAILED
    ]


def test_a_message_without_signals_has_no_code_for_invalid_ones(tiny: Make) -> None:
    """U0401 and U0422, invalid data received from ECM and BCM (SAE J2012): only BCM sends values."""
    codes = {test.code for test in tiny().live.modules["CLUSTER"].faults.tests}
    assert {"U0100-87", "U0140-87", "U0422-86"} == {code for code in codes if code[:3] in ("U01", "U04")}


CIRCUIT = """
car: Circuit
buses: {main: {line: [ECM terminated, DLC, BCM terminated]}}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: BCM}
  F3: {rating_a: 15, feeds: coil1}
  F5: {rating_a: 5, feeds: DLC}
loads: {coil1: {kind: coil, ohm: 0.6, to: ECM.coil1}}
modules:
  ECM: {checks: [{pin: coil1, below_v: 6, code: P0351-13, mature_ms: 300, heal_ms: 700, after_ms: 1000}]}
  BCM: {}
"""


def test_a_pin_without_its_voltage(tiny: Make, told: Tell) -> None:
    """The check settles, then the fault matures from the moment it is there, and heals the same way."""
    bench = tiny(text=CIRCUIT, given=["pull F3"])
    bench.do("wait 2.95 s")
    assert 3.0 == pytest.approx(bench.now_s)
    bench.do_all(["fit F3", "wait 0.95 s"])
    assert 4.0 == pytest.approx(bench.now_s)
    bench.do_all(["open ECM.coil1", "wait 0.2 s", "repair ECM.coil1", "wait 3 s"])
    assert [
        (0.2 + 1.0 + 0.3, "ECM sets P0351-13: 0.0 V at pin coil1"),
        (3.0 + 0.7, "ECM: P0351-13 no longer fails"),
    ] == told(bench, "code", "code heals")


def test_without_a_condition_of_its_own_a_monitor_waits_for_the_ignition(tiny: Make) -> None:
    """By default a test is enabled while the module senses the ignition."""
    bench = tiny()
    module = bench.live.modules["ECM"]
    condition = EnableCondition(module, module.knowledge, None, 0.0)
    for action, on in (("wait 1 s", False), ("switch key on", True), ("switch key off", False)):
        bench.do(action)
        assert on is condition.asks(), action
        assert on is condition.judge().value, action


class Clock:
    """A world that only has a clock, and notes which gaps a verdict hangs on."""

    def __init__(self) -> None:
        self.env = NanosecondEnvironment()
        self.gaps_s: list[float] = []
        self.network = SimpleNamespace(tell_apart=self.gaps_s.append)

    @property
    def now_s(self) -> float:
        return float(self.env.now)

    def after(self, delay_s: float, action: Callable[[], None]) -> Timer:
        return Timer(self.env, delay_s, action)


@pytest.mark.parametrize(
    ("failing", "proved", "left_at_s", "gaps_s"),
    [
        (True, True, 2.5, [0.5]),
        (True, True, 3.25, [0.25]),
        (False, True, 1.5, [0.5]),
        (False, False, 1.5, []),
    ],
)
def test_how_near_its_end_a_maturing_or_healing_was_left_is_told(
    failing: bool, proved: bool, left_at_s: float, gaps_s: list[float]
) -> None:
    """From 1 s on it matures for 2 s and heals for 1 s; a healing that proves nothing decides nothing."""
    world = Clock()
    recorder: Any = SimpleNamespace(world=world, set_dtc=lambda *_: None, heal_dtc=lambda *_: None)
    test = Maturing(recorder, "U0100-87", 2.0, 1.0, lambda: "not heard", lambda: proved)
    world.env.run(1.0)
    test.judge(failing, tuple)
    world.env.run(left_at_s)
    test.rest()
    assert gaps_s == [gap_s for gap_s in world.gaps_s if gap_s != float("inf")]
