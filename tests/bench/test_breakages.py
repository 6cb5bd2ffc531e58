"""The checks can fail: each deliberate breakage of the simulator turns the check that watches for it red."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from sim import scenarios_folder
from sim.bench import tester
from sim.bench.battery import StateOfCharge
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.bench.tester import Report
from sim.modules.enable_condition import EnableCondition
from sim.modules.facts import INVALID, Evaluation, judge
from sim.modules.fault_memory import FaultMemory, Status
from sim.modules.fault_recorder import Maturing
from sim.modules.gateway import Gateway
from sim.modules.knowledge import Knowledge
from sim.modules.module import ControlModule
from sim.modules.network_management import NmNode
from sim.modules.power_mode import PowerModeMaster
from sim.modules.sending import OwnSignals
from sim.modules.trace import Trace
from sim.modules.uds_responses import NegativeResponse
from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import arbitration_key
from sim.network.streams import Stream
from sim.vehicle.car import Car
from sim.vehicle.elements import Contact, Element, FuseLink
from sim.vehicle.harness import build
from sim.vehicle.reading import read_car
from sim.wiring import power
from sim.wiring.segments import Segment


def teaching(*actions: str, given: tuple[str, ...] = ()) -> Bench:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml"), given)
    bench.do_all(actions)
    return bench


def minibus(*actions: str, given: tuple[str, ...] = ()) -> Bench:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"), given)
    bench.do_all(actions)
    return bench


def stored(bench: Bench) -> list[str]:
    return [
        f"{name} {entry.code}"
        for name, module in bench.live.modules.items()
        for entry in module.memory.dtcs
        if entry.stored
    ]


def scanned(bench: Bench) -> Report:
    report = bench.do("scan").report
    assert report is not None
    return report


# -- checks -------------------------------------------------------------------------------------------------


def a_whole_car_sets_no_code() -> None:
    assert [] == stored(teaching("wait 1 s", "key run", "wait 8 s"))


def the_lower_identifier_goes_first() -> None:
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    network.set_segments([Segment(("a", "b", "c"))])
    order: list[int] = []
    network.tap = lambda start_s, end_s, frame, sender: order.append(frame.can_id)
    for can_id, channel in ((0x300, "a"), (0x100, "b"), (0x200, "c")):
        network.start(Stream(channel, channel, can_id, 1.0))
    env.run(until=0.5)
    assert [0x100, 0x200, 0x300] == order


def a_lost_message_is_told_on_time() -> None:
    """Ten periods of 20 ms after the last wheel speed, and its code 500 ms later."""
    bench = teaching("key run", "wait 5 s")
    ends_s: list[float] = []
    bench.live.network.tap = lambda start_s, end_s, frame, sender: (
        ends_s.append(end_s) if sender == "ABS.powertrain" else None
    )
    bench.do_all(["wait 0.1 s", "unplug ABS", "wait 2 s"])
    told = [
        event.time_s
        for event in bench.trace.events
        if event.subject == "ECM" and event.kind in ("lost", "code")
    ]
    assert [ends_s[-1] + 0.2, ends_s[-1] + 0.7] == pytest.approx(told, abs=1e-6)


def a_pulled_fuse_cuts_its_module_off() -> None:
    assert ("TCM",) == scanned(teaching("key run", "wait 3 s", "pull F2", "wait 1 s")).silent


def an_unplugged_connector_cuts_its_module_off() -> None:
    assert ("TCM",) == scanned(teaching("key run", "wait 3 s", "unplug TCM", "wait 1 s")).silent


def no_fob_no_start() -> None:
    bench = teaching("wait 12 s", "fob away", "key run", "wait 1 s", "key crank", "wait 1 s")
    assert [] == [event.text for event in bench.trace.events if event.kind == "engine"]


def an_unknown_engine_holds_the_mode() -> None:
    bench = minibus("press start", "press start", "wait 3 s", "unplug ECM.C1", "wait 3 s", "press start")
    assert "run" == bench.live.modules["BCM"].knowledge.known_mode()


def nothing_is_tested_with_the_ignition_off() -> None:
    assert [] == stored(teaching("unplug ABS", "wait 10 s"))


def a_locked_gateway_refuses_to_clear() -> None:
    answers = minibus("press start", "wait 1 s").do("clear ECM").responses
    assert isinstance(answers["ECM"], NegativeResponse)


def a_parked_minibus_sleeps() -> None:
    assert {"asleep"} == {module.state for module in minibus("wait 15 s").live.modules.values()}


def a_module_kept_awake_empties_the_battery() -> None:
    """Twelve modules at 4.0 A for half an hour: 2.1 % of 95 Ah, and the voltage at the posts follows."""
    bench = minibus("wait 1 min", given=("keep DOOR-LEFT awake",))
    before_v = bench.live.reading.between("BAT+", "BAT-")
    bench.do("wait 30 min")
    after_v = bench.live.reading.between("BAT+", "BAT-")
    assert before_v is not None
    assert after_v is not None
    assert 0.008 * 2 == pytest.approx(before_v - after_v, abs=0.004)


def a_door_wakes_its_bus() -> None:
    """The door module and who shares its bus; nobody else has a reason."""
    modules = minibus("wait 15 s", "switch door_switch on", "wait 2 s").live.modules.values()
    awake = {module.name for module in modules if module.state == "running"}
    on_body = {module.name for module in modules if "body" in module.channels}
    assert on_body == awake
    assert {"repeat message"} == {
        module.managed["body"].node.state for module in modules if module.name in on_body
    }


def clearing_clears() -> None:
    bench = teaching("key run", "wait 3 s", "unplug ABS", "wait 3 s", "plug ABS", "wait 2 s", "clear")
    assert frozenset() == scanned(bench).codes


def a_repaired_fault_stops_being_pending() -> None:
    bench = teaching("key run", "wait 3 s", "unplug ABS", "wait 3 s", "plug ABS", "wait 2 s")
    for _ in range(2):
        bench.do_all(["key off", "wait 1 s", "key run", "wait 5 s"])
    assert Status.PENDING not in Status(bench.live.modules["ECM"].memory.get("U0121-87").status)


def a_short_gap_leaves_no_code() -> None:
    assert [] == stored(teaching("key run", "wait 4 s", "unplug ABS", "wait 0.1 s", "plug ABS", "wait 3 s"))


def the_car_sleeps() -> None:
    assert {"asleep"} == {module.state for module in teaching("wait 30 s").live.modules.values()}


def a_supply_lost_resets_the_mode() -> None:
    bench = minibus("press start", "press start", "wait 1 s", "disconnect battery", "wait 1 s")
    bench.do_all(["reconnect battery", "wait 2 s"])
    assert "off" == bench.live.modules["BCM"].knowledge.known_mode()


def a_code_leads_back_to_its_edit() -> None:
    bench = teaching("key run", "wait 3 s", "unplug ABS", "wait 3 s")
    assert ["unplug ABS.C1"] == why_code(bench, "ECM", "U0121").to_edits().roots()


def the_tester_gets_no_further_than_the_wiring() -> None:
    silent = scanned(teaching("key run", "wait 3 s", "unplug GATEWAY", "wait 1 s")).silent
    assert 8 == len(silent)


def a_module_waits_as_the_theory_says() -> None:
    bench = teaching("key run", "wait 3 s", given=("theory ECM waits for TCM", "unplug TCM"))
    assert ("ECM", "TCM") == scanned(bench).silent


def an_invalid_value_is_told_as_such() -> None:
    assert "CLUSTER U0402-81" in stored(teaching("wait 12 s", "unplug ECM", "key run", "wait 5 s"))


def a_flat_battery_does_not_start_the_engine() -> None:
    bench = teaching("charge 5 %", "key run", "wait 2 s", "key crank", "wait 1 s")
    assert "stopped" == bench.live.world.engine.value


CHECKS: list[Callable[[], None]] = [
    a_whole_car_sets_no_code, the_lower_identifier_goes_first, a_lost_message_is_told_on_time,
    a_pulled_fuse_cuts_its_module_off, an_unplugged_connector_cuts_its_module_off, no_fob_no_start,
    an_unknown_engine_holds_the_mode, nothing_is_tested_with_the_ignition_off,
    a_locked_gateway_refuses_to_clear, clearing_clears, a_repaired_fault_stops_being_pending,
    a_short_gap_leaves_no_code, the_car_sleeps, a_supply_lost_resets_the_mode, a_code_leads_back_to_its_edit,
    the_tester_gets_no_further_than_the_wiring, a_module_waits_as_the_theory_says,
    an_invalid_value_is_told_as_such, a_flat_battery_does_not_start_the_engine, a_parked_minibus_sleeps,
    a_door_wakes_its_bus, a_module_kept_awake_empties_the_battery,
]  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_unbroken_it_is_green(check: Callable[[], None]) -> None:
    """Every check that a breakage must turn red passes on the intact program."""
    check()


# -- breakages ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Breakage:
    """Something done to the simulator, and the check that must notice."""

    name: str
    owner: Any
    attribute: str
    instead: Callable[[Any], Any]  # from what stands there to what shall
    noticed_by: Callable[[], None]


def always(value: Any) -> Callable[[Any], Any]:
    return lambda original: lambda *args, **kwargs: value


def whole_if(kind: type[Element]) -> Callable[[Any], Any]:
    def broken(original: Any) -> Any:
        return lambda car, element: isinstance(element, kind) or original(car, element)

    return broken


def late_watch(original: Any) -> Any:
    """The time limit of a message runs out one period too late."""

    def watch(self: Any, stream: Any, channel: str, limit_s: float, *calls: Any) -> Any:
        return original(self, stream, channel, limit_s + 0.1, *calls)

    return watch


def switched_on(original: Any) -> Any:
    """Tests run whatever their enabling condition says, and without settling."""
    return lambda self: setattr(self, "on", True)


def short_cut(original: Any) -> Any:
    """The tester reads the module's server as if there were no bus."""
    return lambda self, name, request: self._live.modules[name].diagnostics.server.handle(request)


def unknown_is_true(original: Any) -> Any:
    def judged(condition: Any, read: Any) -> Evaluation:
        found = judge(condition, read)
        return Evaluation(True, found.events) if found.value is None else found

    return judged


def never_invalid(original: Any) -> Any:
    def passed_on(self: Any, name: str, spec: Any) -> Any:
        value = original(self, name, spec)
        return spec.value if value is INVALID else value

    return passed_on


def at_once(original: Any) -> Any:
    def init(self: Any, module: Any, code: str, mature_s: float, *rest: Any) -> None:
        original(self, module, code, 0.0, *rest)

    return init


def without_causes(original: Any) -> Any:
    return lambda self, time_s, kind, subject, text, causes=(), *rest: original(
        self, time_s, kind, subject, text, (), *rest
    )


BREAKAGES = [
    Breakage("bus never delivers", CanNetwork, "set_segments", always(None), a_whole_car_sets_no_code),
    Breakage(
        "arbitration reversed",
        "sim.network.messages",
        "arbitration_key",
        lambda original: lambda can_id, extended=False: (1 << 31) - arbitration_key(can_id, extended),
        the_lower_identifier_goes_first,
    ),
    Breakage("watches late", CanNetwork, "watch", late_watch, a_lost_message_is_told_on_time),
    Breakage("no maturation", Maturing, "__init__", at_once, a_short_gap_leaves_no_code),
    Breakage("fuse always good", Car, "is_whole", whole_if(FuseLink), a_pulled_fuse_cuts_its_module_off),
    Breakage(
        "connectors never part",
        Car,
        "is_whole",
        whole_if(Contact),
        an_unplugged_connector_cuts_its_module_off,
    ),
    Breakage("gateway forwards nothing", Gateway, "talk", always(None), a_whole_car_sets_no_code),
    Breakage(
        "the battery never loses charge",
        StateOfCharge,
        "_step",
        always(None),
        a_module_kept_awake_empties_the_battery,
    ),
    Breakage("a node never lets go", NmNode, "release", always(None), a_parked_minibus_sleeps),
    Breakage("frames do not wake", NmNode, "start_passively", always(None), a_door_wakes_its_bus),
    Breakage("gateway lets all pass", Gateway, "refuses", always(False), a_locked_gateway_refuses_to_clear),
    Breakage("immobilizer always releases", Knowledge, "released", always(True), no_fob_no_start),
    Breakage(
        "unknown counts as true",
        "sim.modules.knowledge",
        "judge",
        unknown_is_true,
        an_unknown_engine_holds_the_mode,
    ),
    Breakage(
        "tests always run", EnableCondition, "update", switched_on, nothing_is_tested_with_the_ignition_off
    ),
    Breakage("clearing does nothing", FaultMemory, "clear", always(None), clearing_clears),
    Breakage(
        "no operation cycles",
        FaultMemory,
        "new_operation_cycle",
        always(None),
        a_repaired_fault_stops_being_pending,
    ),
    Breakage("nobody falls asleep", ControlModule, "fall_asleep", always(None), the_car_sleeps),
    Breakage("the mode survives", PowerModeMaster, "reset", always(None), a_supply_lost_resets_the_mode),
    Breakage("causes forgotten", Trace, "record", without_causes, a_code_leads_back_to_its_edit),
    Breakage(
        "tester needs no bus",
        tester.Tester,
        "_exchange",
        short_cut,
        the_tester_gets_no_further_than_the_wiring,
    ),
    Breakage(
        "theories change nothing",
        "sim.vehicle.edits_theories",
        "_built",
        lambda original: lambda design: build(design.car.built, design.car.claimed),
        a_module_waits_as_the_theory_says,
    ),
    Breakage("never invalid", OwnSignals, "passed_on", never_invalid, an_invalid_value_is_told_as_such),
    Breakage(
        "battery always strong",
        power,
        "source_values",
        lambda original: lambda element, car: original(element, replace(car, harness=type(car.harness)())),
        a_flat_battery_does_not_start_the_engine,
    ),
]


@pytest.mark.parametrize("breakage", BREAKAGES, ids=lambda breakage: breakage.name)
def test_a_breakage_is_noticed(breakage: Breakage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A line broken on purpose makes its check fail."""
    owner = breakage.owner
    if isinstance(owner, str):
        owner = __import__(owner, fromlist=["_"])
    monkeypatch.setattr(owner, breakage.attribute, breakage.instead(getattr(owner, breakage.attribute)))
    with pytest.raises(AssertionError):
        breakage.noticed_by()


def test_every_check_is_there_for_a_breakage() -> None:
    """No check is kept that no breakage needs."""
    assert set(CHECKS) == {breakage.noticed_by for breakage in BREAKAGES}
