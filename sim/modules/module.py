"""One control module: its supply, its states, what it knows, what it sends and decides.

States::

    unpowered --supply--> starting --boot, waits--> running <--> going to sleep --> asleep --wake--> starting
        ^                                                                                  |
        +---------------------------- supply below its minimum, from any state ------------+

A module on buses with network management (`managed_bus.py`) requests them while it has a reason to be awake,
runs as long as one of them is in network mode, goes to sleep in prepare bus sleep and sleeps in bus sleep. On
other buses it stops sending a while after its last reason, and sleeps when they have been quiet for a while.

`starting` also holds a module that has booted but waits for a message before it comes online: its transceiver
works, it hears and acknowledges, but it sends nothing and answers no tester.

Not modelled: partial networking, reprogramming, several processors in one module.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from sim.modules.bus_off import BusOffMonitor
from sim.modules.diagnostics import Diagnostics
from sim.modules.facts import ENGINE_RPM, INVALID, OFF, UNKNOWN, Ask, Fact, Known, Verdict, asked, judge
from sim.modules.fault_memory import DtcRule, FaultMemory, SnapshotRecord, Status
from sim.modules.gateway import FrameRoutes, Gateway
from sim.modules.immobilizer import Authority, Starter
from sim.modules.managed_bus import ManagedBus
from sim.modules.monitors import TESTS_ABOVE_V, CircuitMonitor, Enabling, Maturing, MessageMonitor
from sim.modules.power_mode import PowerModeMaster
from sim.modules.world import Timer, World
from sim.network.frames import Frame
from sim.network.streams import Stream, Watch
from sim.vehicle.conditions import Condition, PowerMode
from sim.vehicle.description import Signal

RESET_S = 0.01  # a processor in reset has its transceiver off the bus; common practice
LINE_ON_V = 6.0  # a sense line counts as on above this; common practice
INPUT_SHARE = 0.5  # a wired input is active above half of the module's supply; common practice

Causes = Callable[[], tuple[int, ...]]


class ControlModule:
    """The software of one module. `electrics` gives it its voltages, `think` lets it decide."""

    def __init__(self, name: str, world: World, routes: FrameRoutes) -> None:
        self.name = name
        self.world = world
        self.spec = world.car.built.modules[name]
        self.channels = {bus: f"{name}.{bus}" for bus in world.car.messages.buses_of[name]}
        self.wires = {cluster: f"{name}.{cluster}" for cluster in world.car.messages.clusters_of[name]}
        self.ways = {**self.channels, **self.wires}  # CAN and LIN
        self.state = "unpowered"
        self.state_event: int | None = None
        self.supply_v = 0.0
        self.inputs: dict[str, Fact] = {}  # by the pin's function
        self.lines: dict[str, Fact] = {}  # the same of sense lines
        self.heard: dict[str, Fact] = {}  # by message
        self.signals: dict[str, Fact] = {}  # as last received, by name
        self.outputs: dict[str, bool] = dict.fromkeys(self.spec.outputs, False)
        self.output_events: dict[str, int] = {}
        self.telltales: dict[str, bool] = dict.fromkeys(self.spec.telltales, False)
        self.telltale_events: dict[str, int] = {}
        self.waiting_for: tuple[str, ...] = ()
        self.invalidate = partial(world.surroundings.invalidate, name)
        self.memory = FaultMemory(on_change=self._status_changed)
        self.code_events: dict[str, int] = {}
        self._booted = False
        self._values: dict[str, Known] = {}  # of its own signals
        self._stale: dict[str, Watch] = {}
        self._timers: dict[str, Timer] = {}
        self._own_streams: list[Stream] = []
        vehicle = world.car.built
        modes, immobilizer = vehicle.power_modes, vehicle.immobilizer
        self.master = PowerModeMaster(self, modes) if modes and modes.master == name else None
        self.authority = (
            Authority(self, immobilizer) if immobilizer and immobilizer.authority == name else None
        )
        self.starter = Starter(self, immobilizer) if immobilizer and immobilizer.engine == name else None
        self.runs_engine = bool(vehicle.engine and vehicle.engine.controller == name)
        self.managed: dict[str, ManagedBus] = {
            bus: ManagedBus(self, bus, times)
            for bus in self.channels
            if (times := vehicle.buses[bus].network_management) is not None
        }
        self.diagnostics = Diagnostics(self)
        self.control = self.diagnostics.control
        self.gateway = Gateway(self, routes) if self.spec.gateway else None
        self._has_rested = False  # its reasons have been gone for as long as it goes on without one
        self._woken_over: str | None = None  # the bus, if by one
        self._enablings: dict[tuple[Condition | None, float], Enabling] = {}
        watched = [one.check(pin) for pin, one in self.spec.references.items()]
        checks = [*self.spec.checks, *(check for check in watched if check is not None)]
        self.circuits: list[CircuitMonitor] = [CircuitMonitor(self, check) for check in checks]
        self.monitors: list[MessageMonitor] = []
        self.controllers = {bus: BusOffMonitor(self, bus) for bus in self.channels}
        self._watching: list[MessageMonitor | CircuitMonitor | BusOffMonitor] = []
        self._drives = [(name, self.asks(output.when)) for name, output in self.spec.outputs.items()]
        self._lights = [(name, self.asks(lamp.when)) for name, lamp in self.spec.telltales.items()]
        self._says = [(name, self._saying(name, spec)) for name, spec in self.spec.signals.items()]

    def connect(self) -> None:
        """Find the streams of this module's messages once all of them are known, and declare its codes."""
        world = self.world
        self._own_streams = [
            world.streams[message.name, bus]
            for message in world.car.messages.of(self.name)
            for bus in self.ways
            if (message.name, bus) in world.streams
        ]
        for message in world.car.messages.of(self.name):
            for stream in world.streams_of.get(message.name, ()):
                stream.causes_of = self.value_causes
        for expected in world.car.messages.expected[self.name]:
            self.monitors.append(MessageMonitor(self, expected))
        self._watching = [*self.monitors, *self.circuits, *self.controllers.values()]
        for needed in world.car.messages.needs[self.name]:
            channel = self.receiving_channel(needed)
            for stream in world.streams_of[needed]:
                if stream.channel not in self.ways.values():
                    world.network.on_change(stream, channel, self._received)
        for channel in self.channels.values():
            world.network.listen(channel, self._frame_on(channel))
        for managed in self.managed.values():
            managed.connect()
        rules = [
            DtcRule(test.code, self.spec.confirm_cycles, self.spec.aging_cycles) for test in self.all_tests()
        ]
        for rule in dict.fromkeys(rules):  # two tests may share a code
            self.memory.declare(rule)

    def receiving_channel(self, message: str) -> str:
        """Its channel on the bus where a message is meant to reach it, from the sender or a gateway."""
        streams = self.world.streams
        return next(
            channel
            for bus, channel in self.ways.items()
            if (message, bus) in streams and streams[message, bus].channel != channel
        )

    def source(self, message: str) -> Stream:
        """The stream that brings it a message now."""
        return self.world.surroundings.source(message, self.receiving_channel(message))

    def retune(self) -> None:
        """Buses were joined or parted: a message may now come straight from another bus."""
        for monitor in self.monitors:
            monitor.retune()
        for message, watch in list(self._stale.items()):
            if watch.stream is not self.source(message):
                watch.cancel()
                self._watch_needed(message)

    # -- what others ask -------------------------------------------------------------------------------

    @property
    def hears(self) -> bool:
        """Is its transceiver awake, so that it hears and acknowledges?"""
        return self.state in ("starting", "running", "going to sleep") and not self._waits("reset")

    @property
    def sends(self) -> bool:
        """Does it put its messages on the bus?"""
        return self.state == "running"

    def sends_on(self, bus: str) -> bool:
        """Does it put its messages on this bus? Where there is network management, in network mode only."""
        return self.sends and self.is_open(self.ways[bus])

    def is_open(self, channel: str) -> bool:
        """Is its bus awake for it, as far as network management goes?"""
        managed = self.managed and self.managed.get(channel.partition(".")[2])
        return not managed or managed.node.in_network_mode

    @property
    def silent_on(self) -> tuple[str, ...]:
        """The buses on which its controller is in bus-off."""
        return tuple(bus for bus, controller in self.controllers.items() if controller.off)

    def judges_nothing_on(self, channel: str) -> bool:
        """Do the monitors of a channel's messages rest because its own controller is in bus-off?"""
        controller = self.controllers.get(channel.partition(".")[2])
        return controller is not None and controller.off and controller.rests

    def sending_since(self, channel: str) -> int | None:
        """The event since which it sends, or does not, on one of its channels."""
        managed = self.managed.get(channel.partition(".")[2])
        events = (self.state_event, managed.event if managed else None)
        return max((event for event in events if event is not None), default=None)

    @property
    def answers(self) -> bool:
        """Does its diagnostic server answer?"""
        return self.state in ("running", "going to sleep")

    @property
    def wakes_by_bus(self) -> bool:
        """Is it asleep, and does a frame wake it?"""
        return self.state == "asleep" and self._minds_the_bus()

    @property
    def tests_run(self) -> bool:
        """May its monitors run at all?"""
        return self.state == "running" and not self.control.deaf

    def known_mode(self) -> PowerMode | None:
        """The power mode as this module knows it: its own, or the last it heard."""
        if self.master:
            return self.master.mode
        value = self.value("power_mode")
        return value if value in ("off", "accessory", "run", "crank") else None  # type: ignore[return-value]

    def mode_event(self) -> int | None:
        """The event since which `known_mode` holds."""
        return self.master.event if self.master else self.signal("power_mode").event

    def signal(self, name: str) -> Fact:
        """A signal as last received, or as this module itself works it out."""
        if name in self.spec.signals:
            return Fact(self._values.get(name), self.state_event)
        return self.signals.get(name, UNKNOWN)

    def value(self, name: str) -> Known:
        """The value of a signal, as `signal` has it."""
        if name in self.spec.signals:
            return self._values.get(name)
        return self.signals.get(name, UNKNOWN).value

    def judge(self, condition: Condition) -> Verdict:
        """A condition as far as this module can know it."""
        return judge(condition, self._read)

    def asks(self, condition: Condition) -> Ask:
        """The value of the same, to be asked for at any time."""
        return asked(condition, self._asks_leaf)

    def enabling(self, when: Condition | None, after_s: float) -> Enabling:
        """What lets the tests of one condition and settling time run."""
        return self._enablings.setdefault((when, after_s), Enabling(self, when, after_s))

    def judge_monitoring(self, when: Condition | None) -> Verdict:
        """May a monitor run? Supply in range, and the file's condition, or by default ignition sense on."""
        if self.supply_v < TESTS_ABOVE_V:
            return Verdict(False, self._as_events(self.state_event))
        if when is not None:
            return self.judge(when)
        events = (fact.event for fact in self.lines.values())
        return Verdict(self._senses_ignition(), self._as_events(next(events, None)))

    def asks_monitoring(self, when: Condition | None) -> Ask:
        """The value of the same, to be asked for at any time."""
        rule = self._senses_ignition if when is None else self.asks(when)
        return lambda: self.supply_v >= TESTS_ABOVE_V and rule()

    def _senses_ignition(self) -> bool:
        return not self.lines or any(fact.value is True for fact in self.lines.values())

    # -- supply and wires ------------------------------------------------------------------------------

    def power(self, supply_v: float, causes: Causes) -> None:
        """The supply as the wiring has it now; `causes` is asked only when the module's state changes."""
        self.supply_v = supply_v
        if self.state == "unpowered":
            if supply_v >= self.spec.restart_supply_v:
                self._enter("starting", f"{self.name} has its supply ({supply_v:.1f} V) and starts", causes())
                self._begin_start()
        elif supply_v < self.spec.min_supply_v:
            self._enter("unpowered", f"{self.name} loses its supply ({supply_v:.1f} V)", causes())
            self._shut()
            self._forget_all()

    def sense(self, function: str, pin_v: float, causes: Causes) -> None:
        """The voltage at an input or sense line."""
        if self.state == "unpowered":
            return
        if function in self.spec.inputs:
            active = pin_v > INPUT_SHARE * self.supply_v
            changed = self._sees(self.inputs, function, active, f"{self.name} sees input {function}", causes)
            if changed and self.master and function == self.master.rules.button and self.answers:
                self.master.button(active, self.inputs[function].event or 0)
        else:
            words = f"{self.name} sees line {function}"
            if self._sees(self.lines, function, pin_v > LINE_ON_V, words, causes) and pin_v > LINE_ON_V:
                self._ignition_on(by_line=True)

    def sense_pins(self) -> list[str]:
        """Inputs and sense lines: every pin whose voltage this module's software reads as on or off."""
        fed = [pin.function for pin in self.world.car.pins_of(self.name)]
        lines = [f for f in fed if f in self._sense_lines()]
        return [*self.spec.inputs, *lines]

    def _sense_lines(self) -> set[str]:
        ends = {
            f"{self.name}:{pin.function}.sense": pin.function for pin in self.world.car.pins_of(self.name)
        }
        checked = {check.pin for check in self.spec.checks}
        loads = {
            load.to.split()[0].partition(".")[2]
            for load in self.world.car.built.loads.values()
            if load.to.split()[0].startswith(f"{self.name}.")
        }
        found = {function for element, function in ends.items() if element in self.world.car.elements}
        return found - checked - loads

    # -- deciding --------------------------------------------------------------------------------------

    def think(self) -> bool:
        """Let rules and monitors act on what is known now; returns whether anything electrical changed."""
        if self.state == "unpowered":
            return False
        if self.state == "asleep":
            self._look_for_wake()
            return False
        if self.state == "starting":
            self._look_for_waits()
            return False
        if self.master:
            self.master.look()
        for part in (self.authority, self.starter):
            if part:
                part.look()
        changed = self._drive_outputs()
        self._light_telltales()
        self._work_out_signals()
        for enabling in self._enablings.values():
            enabling.look()
        for monitor in self._watching:
            monitor.look()
        self._look_for_sleep()
        return changed

    def mode_changed(self, before: PowerMode) -> None:
        """The master has changed the mode: a new operation cycle begins with run."""
        if before in ("off", "accessory") and self.master and self.master.mode in ("run", "crank"):
            self._ignition_on()
        self.invalidate()

    def send(self, frame: Frame) -> None:
        """Send a single frame on every bus of this module."""
        for channel in self.channels.values():
            self.world.send(channel, frame)

    def restart(self, why: str) -> None:
        """A reset by software: everything volatile is lost."""
        if self.hears:
            self._enter("starting", f"{self.name} resets: {why}", (self.world.tester_event,))
            self._shut()
            self._timer("reset", RESET_S, self._out_of_reset)

    def _out_of_reset(self) -> None:
        self.world.surroundings.invalidate()
        self._begin_start()

    def _drive_outputs(self) -> bool:
        changed = False
        for name, asks in self._drives:
            held = self.control.held.get(name)
            wanted = asks() is True if held is None else held
            if wanted != self.outputs[name]:
                rule = self.spec.outputs[name].when
                causes = self.judge(rule).events if held is None else self._as_events(self.control.event)
                self.outputs[name] = wanted
                words = f"{self.name} switches {name} {'on' if wanted else 'off'}"
                self.output_events[name] = self.world.record("output", self.name, words, causes)
                changed = True
        return changed

    def _light_telltales(self) -> None:
        for name, asks in self._lights:
            lit = asks() is True
            if lit != self.telltales[name]:
                causes = self.judge(self.spec.telltales[name].when).events
                self.telltales[name] = lit
                words = f"telltale {name} {'lights' if lit else 'goes out'}"
                self.telltale_events[name] = self.world.record("telltale", self.name, words, causes)

    def _work_out_signals(self) -> None:
        new = {name: says() for name, says in self._says}
        if new == self._values:
            return
        self._values = new
        for stream in self._own_streams:
            message = self.world.car.messages.sent[stream.name.partition("@")[0]]
            self.world.network.set_data(stream, self.world.codec.encode(message, self._values))

    def value_causes(self, name: str) -> tuple[int | None, ...]:
        """The events behind the value that this module sends for a signal."""
        spec = self.spec.signals.get(name)
        if spec is None:
            return ()
        if spec.when is not None:
            return self.judge(spec.when).events
        part = self.authority or self.starter
        known = {
            "power_mode": self.mode_event(),
            "engine_state": self.world.engine.event,
            "engine_speed_rpm": self.world.engine.event,
            "vehicle_speed_kph": self.world.speed_kph.event,
            "immobilizer": part.event if part else None,
        }
        return tuple(self.signal(used).event for used in spec.uses) + (
            (known[spec.fact],) if spec.fact else ()
        )

    def _saying(self, name: str, spec: Signal) -> Callable[[], Known]:
        if spec.when is not None:
            return self.asks(spec.when)
        if spec.fact is not None:
            return partial(self._own_fact, spec.fact)
        return partial(self._passed_on, name, spec)

    def _passed_on(self, name: str, spec: Signal) -> Known:
        heard = [self.value(used) for used in spec.uses]
        if all(value is not None and value is not INVALID for value in heard):
            return spec.value
        if spec.missing == "hold":
            return self._values.get(name)
        return INVALID if spec.missing == "invalid" else spec.substitute

    def _own_fact(self, fact: str) -> Known:
        match fact:
            case "power_mode":
                return self.known_mode()
            case "engine_state":
                return self.world.engine.value
            case "engine_speed_rpm":
                return ENGINE_RPM[str(self.world.engine.value)]
            case "vehicle_speed_kph":
                return self.world.speed_kph.value
            case "immobilizer":
                return "released" if self._released() else "locked"
        raise AssertionError(fact)

    def _released(self) -> bool:
        part = self.authority or self.starter
        return part.released if part else True

    def _read(self, leaf: Condition) -> Fact:
        """The fact behind one leaf of a condition, as true, false or unknown."""
        return Fact(self._asks_leaf(leaf)(), self._leaf_event(leaf))

    def _asks_leaf(self, leaf: Condition) -> Ask:
        if leaf.input is not None:
            return partial(_known, self.inputs, leaf.input, UNKNOWN)
        if leaf.line is not None:
            return partial(_known, self.lines, leaf.line, OFF)
        if leaf.signal is not None:
            return partial(self._signal_is, leaf.signal, leaf.is_)
        if leaf.missing is not None:
            missing = leaf.missing
            return lambda: self.value(missing) is None
        if leaf.mode is not None:
            modes = leaf.mode
            return lambda: None if (mode := self.known_mode()) is None else mode in modes
        if leaf.fob is not None:
            places, seen = leaf.fob, self.spec.fob_receiver
            return lambda: self.world.fob.value in places if seen else None
        if leaf.engine is not None:
            states, known = leaf.engine, self.runs_engine
            return lambda: self.world.engine.value in states if known else None
        if leaf.immobilizer is not None:
            return self._released
        above_v = leaf.supply_above_v or 0.0
        return lambda: self.supply_v > above_v

    def _leaf_event(self, leaf: Condition) -> int | None:
        """Since when what `_asks_leaf` says is so."""
        if leaf.input is not None:
            return self.inputs.get(leaf.input, UNKNOWN).event
        if leaf.line is not None:
            return self.lines.get(leaf.line, OFF).event
        if leaf.signal is not None or leaf.missing is not None:
            return self.signal(leaf.signal or leaf.missing or "").event
        if leaf.mode is not None:
            return self.mode_event()
        if leaf.fob is not None:
            return self.world.fob.event
        if leaf.engine is not None:
            return self.world.engine.event
        if leaf.immobilizer is not None:
            part = self.authority or self.starter
            return part.event if part else None
        return self.state_event

    def _signal_is(self, name: str, wanted: tuple[object, ...]) -> bool | None:
        value = self.value(name)
        return None if value is None or value is INVALID else _same(value, wanted)

    # -- hearing ---------------------------------------------------------------------------------------

    def _received(self, stream: Stream, time_s: float) -> None:
        if self.control.deaf:
            return
        message = self.world.car.messages.sent[stream.name.partition("@")[0]]
        if self.heard.get(message.name, UNKNOWN).value is not True:
            arrival = self.world.explainer.arrival(self.name, message.name)
            event = self.world.record("heard", self.name, f"{self.name} hears {message.name}", arrival)
            self.heard[message.name] = Fact(True, event)
        for monitor in self.monitors:
            if monitor.expected.message == message.name:
                monitor.arrived()
        for name, value in self.world.codec.decode(message, stream.delivered).items():
            before = self.signals.get(name, UNKNOWN).value
            if before is value or before == value:
                continue
            words = f"{self.name} receives {name} = {value}"
            if value is None:
                words = f"{self.name} receives {name} marked as not available"
            causes = stream.causes_of(name)
            event = self.world.record("signal", self.name, words, (*causes, self.heard[message.name].event))
            self.signals[name] = Fact(value, event)
            if name == "power_mode" and value in ("run", "crank") and before not in ("run", "crank"):
                self._ignition_on()
        self.invalidate()

    def _went_missing(self, message: str, _time_s: float) -> None:
        causes = self.world.explainer.silence(self.name, message) or self.world.explainer.arrival(
            self.name, message
        )
        event = self.world.record("missing", self.name, f"{self.name} does not get {message}", causes)
        self._mark_missing(message, event)
        self.invalidate()

    def _mark_missing(self, message: str, event: int | None) -> None:
        self.heard[message] = Fact(False, event)
        for name in self.world.car.messages.sent[message].signals:
            self.signals[name] = Fact(None, event)

    def _came_back(self, message: str, _time_s: float) -> None:
        self._received(self.source(message), self.world.now_s)

    def _count_silence_anew(self) -> None:
        """What was missing while the bus slept may be missing for another reason now."""
        for message, watch in self._stale.items():
            if watch.lost:
                again = partial(self._still_missing, message)
                self._timer(f"silence of {message}", self._patience_s(message), again)

    def _still_missing(self, message: str) -> None:
        if self._stale[message].lost:
            self._went_missing(message, self.world.now_s)

    def _patience_s(self, message: str) -> float:
        return max(0.1, 10 * self.world.car.messages.sent[message].period_s)

    def _watch_needed(self, message: str) -> None:
        self._stale[message] = self.world.network.watch(
            self.source(message),
            self.receiving_channel(message),
            self._patience_s(message),
            partial(self._went_missing, message),
            partial(self._came_back, message),
        )

    def _frame_on(self, channel: str) -> Callable[[Frame, str, float], None]:
        bus = channel.partition(".")[2]

        def arrived(frame: Frame, sender: str, time_s: float) -> None:
            if self.gateway:
                self.gateway.frame(bus, frame)
            if self.state == "running":
                for part in (self.authority, self.starter):
                    if part:
                        part.frame(frame)
            self.diagnostics.frame(channel, frame)

        return arrived

    # -- states ----------------------------------------------------------------------------------------

    def _enter(self, state: str, words: str, causes: tuple[int | None, ...]) -> None:
        self.state = state
        self.state_event = self.world.record("state", self.name, words, causes)
        self.world.surroundings.invalidate()

    def _begin_start(self) -> None:
        self._booted = False
        for message in self.world.car.messages.needs[self.name]:
            self._watch_needed(message)
        self._timer("boot", self.spec.boot_ms / 1000, self._boot_done)

    def _boot_done(self) -> None:
        self._booted = True
        self._look_for_waits()

    def _look_for_waits(self) -> None:
        if not self._booted or self.state != "starting":
            return
        unheard = tuple(other for other in self.spec.waits_for if not self._has_heard(other))
        if not unheard:
            self._come_online()
        elif unheard != self.waiting_for:
            self.waiting_for = unheard
            message = self._message_of(unheard[0])
            causes = (
                *self.world.explainer.silence(self.name, message),
                *self.world.explainer.wait(self.name),
                self.state_event,
            )  # fmt: skip
            self.state_event = self.world.record(
                "waits",
                self.name,
                f"{self.name} waits for {' and '.join(unheard)} before it comes online",
                causes,
            )

    def _has_heard(self, other: str) -> bool:
        return self.heard.get(self._message_of(other), UNKNOWN).value is True

    def _message_of(self, other: str) -> str:
        return self.world.car.messages.message_from(other, None, ()).name

    def _come_online(self) -> None:
        heard = tuple(self.heard[self._message_of(other)].event for other in self.spec.waits_for)
        self.waiting_for = ()
        self._enter("running", f"{self.name} is online", (self.state_event, *heard))
        self.memory.new_operation_cycle()
        self._begin_management()
        self._start_sending()
        self._press_that_woke()

    def _press_that_woke(self) -> None:
        """The press of the button that woke the master counts as soon as the master can act on it."""
        if self.master:
            pressed = self.inputs.get(self.master.rules.button, UNKNOWN)
            if pressed.value is True and pressed.event is not None:
                self.master.button(True, pressed.event)

    def _start_sending(self) -> None:
        self._values = {}
        self._work_out_signals()
        self.talk()

    def talk(self) -> None:
        """Put its messages on the buses that are open, or none while a tester keeps it silent."""
        for stream in self._own_streams:
            if self.control.muted or not self.sends_on(stream.channel.partition(".")[2]):
                self.world.network.stop(stream)
            elif not stream.live:
                self.world.network.start(stream)
        if self.gateway:
            self.gateway.talk()

    def _stop_sending(self) -> None:
        self.talk()
        for enabling in self._enablings.values():
            enabling.stop()
        for monitor in self._watching:
            monitor.rest()

    def _shut(self) -> None:
        """Everything that stops with the supply, a reset or sleep."""
        for managed in self.managed.values():
            managed.shut()
        self._woken_over = None
        self._has_rested = False
        self._stop_sending()
        for channel in self.channels.values():
            self.world.network.drop(channel)
        for controller in self.controllers.values():
            controller.shut()
        for watch in self._stale.values():
            watch.cancel()
        self._stale = {}
        for timer in self._timers.values():
            timer.cancel()
        self._timers = {}
        self._booted = False
        self.waiting_for = ()
        self.diagnostics.restart()
        for message in self.world.car.messages.needs[self.name]:
            self._mark_missing(message, self.state_event)
        for name in self.outputs:
            if self.outputs[name]:
                self.outputs[name] = False
                self.output_events[name] = self.state_event or 0
        for name in self.telltales:
            if self.telltales[name]:
                self.telltales[name] = False
                self.telltale_events[name] = self.state_event or 0
        for part in (self.authority, self.starter):
            if part:
                part.reset()

    def _forget_all(self) -> None:
        """What only a lost supply erases."""
        self.inputs.clear()
        self.lines.clear()
        if self.master:
            self.master.reset()
            self.master.event = self.state_event

    # -- sleep and wake --------------------------------------------------------------------------------

    def wake_reasons(self) -> Iterator[tuple[str, int | None]]:
        """Why the module stays awake, each reason with the event behind it."""
        for kind, known in (("input", self.inputs), ("line", self.lines)):
            for name, fact in known.items():
                if fact.value is True:
                    yield f"{kind} {name} is on", fact.event
        mode = self.known_mode()
        if mode not in (None, "off"):
            yield f"power mode is {mode}", self.mode_event()
        if self.runs_engine and self.world.engine.value != "stopped":
            yield f"the engine is {self.world.engine.value}", self.world.engine.event
        if self.diagnostics.awake_for_s > 0:
            yield "a tester is talking to it", self.world.tester_event
        if self.world.car.harness.babbling:
            for channel in sorted(self.world.car.harness.babbling.intersection(self.channels.values())):
                yield "it sends without end", self.world.edit_events.get(channel)
        if self.name in self.world.car.harness.kept_awake:
            yield "its network request is never released", self.world.edit_events.get(f"{self.name} awake")
        for wire in self.wires.values():
            master = self.world.surroundings.sender_heard_on(wire)
            if master is not None:
                yield "the master of its LIN cluster calls it", self.world.surroundings.sending_since(master)
        if not self._can_sleep():
            yield "it has nothing to wake it", None

    def reasons_now(self) -> list[tuple[str, int | None]]:
        """What keeps it awake now, with the events behind it; nothing where it sleeps or has no supply."""
        if self.state == "starting" and self.waiting_for:
            return [(f"it waits for {' and '.join(self.waiting_for)}", self.state_event)]
        return list(self.wake_reasons()) if self.state in ("running", "going to sleep") else []

    def _can_sleep(self) -> bool:
        """A car without power modes and sense lines has modules that never sleep."""
        return self.world.car.built.power_modes is not None

    def _look_for_sleep(self) -> None:
        reason = next(self.wake_reasons(), None)
        if reason:
            self._drop_timer("tired")
            self._has_rested = False
            for managed in self.managed.values():
                managed.request(reason[1])
        if self.state == "running":
            if not reason and not self._has_rested:
                self._timer_once("tired", self.spec.stay_awake_ms / 1000, self._get_tired)
            elif not reason and not self._in_network_mode():
                self._go_to_sleep()
        elif reason:
            self._come_back(*reason)
        elif self._buses_sleep():
            # network management has waited already; without it the bus must have been quiet for a while
            quiet_s = 0.0 if self.managed else self.spec.sleep_after_ms / 1000
            self._timer_once("quiet", quiet_s, self._fall_asleep)
        else:
            self._drop_timer("quiet")
        if self.diagnostics.awake_for_s > 0:
            self._timer_once("tester gone", self.diagnostics.awake_for_s, self.invalidate)

    def _in_network_mode(self) -> bool:
        return any(managed.node.in_network_mode for managed in self.managed.values())

    def _buses_sleep(self) -> bool:
        """Are its managed buses in bus sleep, and does it hear nobody on the others?"""
        return all(
            self.managed[bus].node.state == "bus sleep"
            if bus in self.managed
            else self.world.surroundings.sender_heard_on(channel) is None
            for bus, channel in self.ways.items()
        )

    def _begin_management(self) -> None:
        """Join the buses that woke the module, or request all of them where it woke by itself."""
        reason = next(self.wake_reasons(), None)
        woke_itself = self._woken_over is None
        for bus, managed in self.managed.items():
            if reason or woke_itself:
                managed.request(reason[1] if reason else None, self.state_event)
            elif bus == self._woken_over or managed.noticed is not None:
                managed.join()
        self._has_rested = not woke_itself and self._in_network_mode()

    def bus_wakes(self, managed: ManagedBus) -> None:
        """A management frame has come over a bus that was in bus sleep for this module."""
        if self.state in ("running", "going to sleep") and self._minds_the_bus():
            managed.join()

    def bus_changed(self, managed: ManagedBus) -> None:
        """One of its managed buses has fallen asleep or woken up."""
        if self.state == "going to sleep" and managed.node.in_network_mode:
            self._come_back(f"{managed.bus} is awake", managed.event)
        self.talk()
        self.world.surroundings.invalidate()

    def _come_back(self, why: str, event: int | None) -> None:
        self._drop_timer("quiet")
        self._enter("running", f"{self.name} is online again: {why}", (event,))
        self._count_silence_anew()
        self._start_sending()

    def _get_tired(self) -> None:
        if any(self.wake_reasons()):
            return
        self._has_rested = True
        for managed in self.managed.values():
            managed.release(*self._last_reasons())
        self._look_for_sleep()

    def _last_reasons(self) -> tuple[int | None, ...]:
        """The events that took away its last reason to be awake."""
        known = [fact.event for fact in (*self.inputs.values(), *self.lines.values())]
        newest = max(event for event in (*known, self.mode_event(), self.state_event) if event is not None)
        return (newest, *self.world.explainer.dead_line(self.name))

    def _go_to_sleep(self) -> None:
        causes = tuple(managed.event for managed in self.managed.values()) or self._last_reasons()
        self._enter("going to sleep", f"{self.name} has no reason to stay awake and stops sending", causes)
        self._stop_sending()

    def _fall_asleep(self) -> None:
        self._enter("asleep", f"{self.name} falls asleep", (self.state_event,))
        self._shut()

    def _minds_the_bus(self) -> bool:
        return self.spec.wake is None or "bus" in self.spec.wake

    def _look_for_wake(self) -> None:
        sources = self.spec.wake
        for kind, known in (("input", self.inputs), ("line", self.lines)):
            for name, fact in known.items():
                if fact.value is True and (sources is None or name in sources):
                    self._wake(f"{kind} {name}", (fact.event,))
                    return
        fob = self.world.fob
        if "fob" in (sources or ()) and fob.value != "away" and (fob.event or -1) > (self.state_event or -1):
            self._wake("the fob", (fob.event,))
            return
        for bus, channel in self.ways.items() if self._minds_the_bus() else ():
            sender = self.world.surroundings.sender_heard_on(channel)
            if sender is not None:
                self._wake("the bus", (self.world.surroundings.sending_since(sender),))
                self._woken_over = bus
                return

    def _wake(self, source: str, causes: tuple[int | None, ...]) -> None:
        self._enter("starting", f"{self.name} wakes by {source}", causes)
        self._begin_start()

    # -- codes -----------------------------------------------------------------------------------------

    def set_code(self, code: str, words: str, causes: Causes) -> None:
        """A test has failed for as long as it takes."""
        entry = self.memory.get(code)
        failed_before = bool(entry.status & Status.TEST_FAILED)
        snapshot = SnapshotRecord(self.world.now_s, round(self.supply_v, 2), self.known_mode())
        if not failed_before and self.memory.recording:
            self.code_events[entry.code] = self.world.record(
                "code", self.name, f"{self.name} sets {entry.code}: {words}", causes()
            )
        self.memory.test_failed(code, snapshot)

    def heal_code(self, code: str, causes: Causes) -> None:
        """A test has passed."""
        if self.memory.get(code).status & Status.TEST_FAILED and self.memory.recording:
            self.world.record("code heals", self.name, f"{self.name}: {code} no longer fails", causes())
        self.memory.test_passed(code)

    def clear_codes(self) -> None:
        """Forget all codes, as a tester's clear request does."""
        self.memory.clear()

    def all_tests(self) -> list[Maturing]:
        """Every test that can set a code."""
        messages = [test for monitor in self.monitors for test in monitor.tests]
        circuits = [circuit.test for circuit in self.circuits]
        return [*messages, *circuits, *(one.test for one in self.controllers.values() if one.test)]

    def _status_changed(self, code: str, old: int, new: int) -> None:
        cleared = Status.TEST_NOT_COMPLETED_SINCE_CLEAR | Status.TEST_NOT_COMPLETED_THIS_CYCLE
        if new == cleared:
            self.code_events.pop(code, None)
            if old & (Status.PENDING | Status.CONFIRMED):
                self.world.record(
                    "code cleared",
                    self.name,
                    f"{self.name}: {code} is cleared",
                    (self.world.tester_event,),
                )
            for test in self.all_tests():
                if self.memory.get(test.code).code == code:
                    test.again()

    # -- small tools -----------------------------------------------------------------------------------

    def _sees(self, known: dict[str, Fact], name: str, value: bool, words: str, causes: Causes) -> bool:
        """Note what a pin says; returns whether it has changed."""
        before = known.get(name)
        if before is not None and before.value is value:
            return False
        if before is None and not value:
            known[name] = OFF
            return False
        event = self.world.record("input", self.name, f"{words} go {'on' if value else 'off'}", causes())
        known[name] = Fact(value, event)
        self.invalidate()
        return True

    def _ignition_on(self, by_line: bool = False) -> None:
        """An operation cycle begins with the ignition: by the module's sense line, or by what it hears."""
        if self.state == "running" and by_line == bool(self.lines):
            self.memory.new_operation_cycle()

    def _timer(self, name: str, delay_s: float, action: Callable[[], None]) -> None:
        self._drop_timer(name)
        self._timers[name] = self.world.after(delay_s, action)

    def _timer_once(self, name: str, delay_s: float, action: Callable[[], None]) -> None:
        if not self._waits(name):
            self._timer(name, delay_s, action)

    def _waits(self, name: str) -> bool:
        return name in self._timers and self._timers[name].waiting

    def _drop_timer(self, name: str) -> None:
        if name in self._timers:
            self._timers.pop(name).cancel()

    def _as_events(self, event: int | None) -> tuple[int, ...]:
        return () if event is None else (event,)


def _known(facts: dict[str, Fact], name: str, otherwise: Fact) -> bool | None:
    value = facts.get(name, otherwise).value
    return value if isinstance(value, bool) else None


def _same(value: Known, wanted: tuple[object, ...]) -> bool:
    # True == 1 in Python; a flag that is true is not the number one
    return any(value == one and isinstance(value, bool) == isinstance(one, bool) for one in wanted)
