"""What holds whatever is done to a car, found out by doing everything that comes to mind."""

from bisect import bisect_right
from collections import defaultdict

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.modules.bus_off import BusOffMonitor
from sim.modules.link_monitor import LinkMonitor
from sim.modules.module import ControlModule
from sim.modules.monitors import CircuitMonitor, MessageMonitor
from sim.network.frames import Frame
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from sim.wiring.conduction import DRAW_V

PEOPLE = {"action", "fault", "repair", "theory"}
QUIET_EVENTS = 25  # in ten seconds without an action: far below one for every cycle of anything that chatters
CARS: dict[str, Car] = {
    name: read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    for name in ("teaching-car", "shuttle-minibus")
}


class Watched:
    """A bench with a diary: every state of every module, every frame, every code at the moment it sets."""

    def __init__(self, car: Car) -> None:
        self.bench = Bench(car)
        self.states: dict[str, list[tuple[float, str]]] = defaultdict(list)
        self.frames: list[tuple[float, float, str]] = []
        self.wrong_codes: list[str] = []
        self.seen = 0
        world = self.bench.live.world
        record = world.record
        modules = self.bench.live.modules
        for name, module in modules.items():
            self.states[name].append((0.0, module.state))

        def noted(
            kind: str, subject: str, text: str, causes: tuple[int | None, ...] = (), *item: str, **value: str
        ) -> int:
            event = record(kind, subject, text, causes, *item, **value)
            if kind in ("state", "waits"):
                self.states[subject].append((world.now_s, modules[subject].state))
            if kind == "code" and not may_test(modules[subject], text.split()[2].rstrip(":")):
                self.wrong_codes.append(f"at {world.now_s} s: {text}")
            return event

        world.record = noted  # type: ignore[method-assign]
        self.bench.live.network.tap = self.tap

    def tap(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        self.frames.append((start_s, end_s, sender))

    def state_between(self, module: str, start_s: float, end_s: float) -> set[str]:
        """The states of a module in a span of time, its ends not counted."""
        times = [time_s for time_s, _ in self.states[module]]
        first = bisect_right(times, start_s + 1e-9) - 1
        return {state for time_s, state in self.states[module][max(first, 0) :] if time_s < end_s - 1e-9}


def may_test(module: ControlModule, code: str) -> bool:
    """Is one of the monitors that set this code enabled, judged here and now?"""
    owners: list[MessageMonitor | CircuitMonitor | BusOffMonitor | LinkMonitor] = [
        *(
            monitor
            for monitor in module.monitors
            if code in {module.memory.get(t.code).code for t in monitor.tests}
        ),
        *(circuit for circuit in module.circuits if code == module.memory.get(circuit.test.code).code),
        *(own for own in module.controllers.values() if code in [test.code for test in own.tests]),
    ]
    return module.state == "running" and any(one.enable_condition.judge().value is True for one in owners)


class DaysOfACar(RuleBasedStateMachine):
    """Somebody works on a car, not always sensibly."""

    car_name = "teaching-car"

    @initialize()
    def arrive(self) -> None:
        self.car = CARS[self.car_name]
        self.watched = Watched(self.car)
        self.bench = self.watched.bench
        self.faults: list[str] = []

    def do(self, action: str) -> None:
        try:
            self.bench.do(action)
        except EditProblem:
            return
        if action in catalogue(self.car):
            self.faults.append(action)

    @rule(action=st.sampled_from(["key off", "key accessory", "key run", "key run", "key crank"]))
    def turn_the_key(self, action: str) -> None:
        self.do(action)

    @rule(action=st.sampled_from(["press start", "press start with brake", "brake on", "brake off"]))
    def press(self, action: str) -> None:
        self.do(action)

    @rule(action=st.sampled_from(["fob away", "fob in range", "fob at button"]))
    def carry_the_fob(self, action: str) -> None:
        self.do(action)

    @rule(data=st.data())
    def break_something(self, data: st.DataObject) -> None:
        self.do(data.draw(st.sampled_from(catalogue(self.car))))

    @precondition(lambda self: self.faults)
    @rule(data=st.data())
    def mend_something(self, data: st.DataObject) -> None:
        fault = data.draw(st.sampled_from(self.faults))
        undo = parse_edit(fault, self.car).undo
        assert undo is not None
        self.do(undo)

    @rule(data=st.data())
    def bypass(self, data: st.DataObject) -> None:
        buses = data.draw(st.permutations(self.car.messages.buses_of["GATEWAY"]))
        self.do("unplug GATEWAY")
        self.do(f"bypass GATEWAY {buses[0]} to {buses[1]}")

    @rule(pct=st.sampled_from([0, 3, 10, 30, 95]))
    def change_the_battery(self, pct: int) -> None:
        self.do(f"charge {pct} %")

    @rule(action=st.sampled_from(["disconnect battery", "reconnect battery"]))
    def handle_the_clamp(self, action: str) -> None:
        self.do(action)

    @rule(action=st.sampled_from(["scan", "clear", "clear ECM", "unlock GATEWAY"]))
    def connect_a_tester(self, action: str) -> None:
        self.do(action)

    @rule(length_s=st.sampled_from([0.003, 0.02, 0.3, 2.5, 8.0]))
    def wait(self, length_s: float) -> None:
        self.do(f"wait {length_s} s")

    @rule()
    def leave_it_alone(self) -> None:
        """Nothing chatters without end: a car that is left alone comes to rest.

        A bus whose modules disturb each other does not: they go bus-off and come back for ever.
        """
        if not all(segment.understands for segment in self.bench.live.buses.segments):
            return
        self.do("wait 40 s")
        before = len(self.bench.trace)
        self.do("wait 10 s")
        assert len(self.bench.trace) - before <= QUIET_EVENTS

    @invariant()
    def every_event_follows_from_what_people_did(self) -> None:
        events = self.bench.trace.events
        for event in events[self.watched.seen :]:
            assert all(cause < event.id for cause in event.causes), event
            assert event.kind in PEOPLE or event.causes, event
            assert event.time_s >= events[max(event.id - 1, 0)].time_s, event
        self.watched.seen = len(events)

    @invariant()
    def nobody_sends_without_being_on(self) -> None:
        """A frame's sender ran, or was still answering a tester, from its first bit to its last."""
        now_s = self.bench.now_s
        done = [frame for frame in self.watched.frames if frame[1] <= now_s]
        self.watched.frames = [frame for frame in self.watched.frames if frame[1] > now_s]
        assert sorted(end_s for _, end_s, _ in done) == [end_s for _, end_s, _ in done]
        for start_s, end_s, sender in done:
            module = sender.partition(".")[0]
            if module != "TESTER":
                states = self.watched.state_between(module, start_s, end_s)
                assert states <= {"running", "going to sleep"}, (module, start_s, end_s, states)

    @invariant()
    def no_code_sets_while_its_test_may_not_run(self) -> None:
        assert [] == self.watched.wrong_codes

    @invariant()
    def a_master_without_supply_is_off(self) -> None:
        for module in self.bench.live.modules.values():
            if module.state == "unpowered":
                assert not any(module.outputs.on.values())
                assert not any(module.outputs.telltales.values())
                assert module.master is None or module.master.mode == "off"
                assert module.starter is None or not module.starter.released

    @invariant()
    def what_is_heard_is_known(self) -> None:
        """A running module that has received a message not long ago knows what it said."""
        live = self.bench.live
        for name, module in live.modules.items():
            if not module.sends or module.control.deaf:
                continue
            received = module.reception
            since_s = self.watched.states[name][-1][0]
            for message in live.car.messages.needs[name]:
                heard_s = live.network.heard_at(received.source(message), received.channel_of(message))
                if heard_s is not None and heard_s > max(since_s, self.bench.now_s - 0.09):
                    assert module.knowledge.heard[message].value is True, (name, message)

    @invariant()
    def modules_draw_what_their_state_takes(self) -> None:
        """Run current while the transceiver is awake, sleep current asleep or without supply."""
        live = self.bench.live
        for name, module in live.modules.items():
            for draw in live.wiring.inventory.draws[name]:
                amp = draw.run_a if module.hears else draw.sleep_a
                volt = live.reading.between(draw.a, draw.b)
                if volt is not None:
                    expected_a = amp * volt / DRAW_V
                    assert live.reading.current(draw.id) == pytest.approx(expected_a, rel=1e-6, abs=1e-9)


class DaysOfTheMinibus(DaysOfACar):
    car_name = "shuttle-minibus"


TestTeachingCar = DaysOfACar.TestCase
TestTeachingCar.settings = settings(max_examples=80, stateful_step_count=15, derandomize=True)
TestMinibus = DaysOfTheMinibus.TestCase
TestMinibus.settings = settings(max_examples=6, stateful_step_count=10, derandomize=True)
