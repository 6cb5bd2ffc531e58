"""One control module: its supply, its states, and the parts of its software.

States::

    unpowered --supply--> starting --boot, waits--> running <--> going to sleep --> asleep --wake--> starting
        ^                                          ^  |                                    |
        |                              condition false| |condition true                     |
        |                                          |  v                                    |
        |                                        shut down ------------------------------> asleep
        +---------------------------- supply below its minimum, from any state ------------+

A module that is dead inside is in the state `dead` whatever its supply. One without whole software ends its
start in `boot mode`: its boot loader acknowledges and answers a tester, sends nothing and never sleeps.

`starting` also holds a module that has booted but waits for a message before it comes online: its transceiver
works, it receives and acknowledges, but it sends nothing and answers no tester. `shut down` is the same for
one that ran, or would, if the condition of its file that keeps it offline were false.
"""

from __future__ import annotations

from sim.modules.bus_off import BusOffMonitor
from sim.modules.contactors import ContactorControl
from sim.modules.diagnostics import Diagnostics
from sim.modules.doip_edge import edge_of
from sim.modules.enable_condition import EnableConditions
from sim.modules.facts import UNKNOWN
from sim.modules.fault_recorder import FaultRecorder
from sim.modules.gateway import FrameRoutes, Gateway
from sim.modules.immobilizer import Authority, Starter
from sim.modules.j1939 import J1939
from sim.modules.knowledge import Knowledge
from sim.modules.link_monitor import LinkMonitor
from sim.modules.live_data import LiveData
from sim.modules.managed_bus import ManagedBus
from sim.modules.misfire import MisfireMonitor
from sim.modules.monitors import CircuitMonitor, MessageMonitor, Watching
from sim.modules.pins import Outputs, Pins
from sim.modules.power_mode import PowerModeMaster
from sim.modules.reception import Reception
from sim.modules.sending import Sending
from sim.modules.set_up import SetUp
from sim.modules.set_up_monitor import SetUpMonitor
from sim.modules.shut_down import ShutDown
from sim.modules.signal_monitors import signal_monitors
from sim.modules.single_frames import SingleFrames
from sim.modules.sleep import Sleep
from sim.modules.start_stop import start_stop_of
from sim.modules.tester_control import TesterControl
from sim.modules.uds_protocol import Session
from sim.modules.world import Causes, ModuleState, NamedTimers, World
from sim.network.frames import Frame
from sim.vehicle.conditions import PowerMode

RESET_S = 0.01  # a processor in reset has its transceiver off the bus; common practice


class ControlModule:
    """The software of one module. `power` and `pins` give it its voltages, `update` lets it decide.

    channels, lin_channels, all_channels: its channels on CAN, on LIN and on both, by bus or cluster.
    """

    def __init__(self, name: str, world: World, routes: FrameRoutes) -> None:
        self.name = name
        self.world = world
        self.spec = world.car.built.modules[name]
        self.channels = {bus: f"{name}.{bus}" for bus in world.car.messages.buses_of[name]}
        self.lin_channels = {cluster: f"{name}.{cluster}" for cluster in world.car.messages.clusters_of[name]}
        self.all_channels = {**self.channels, **self.lin_channels}
        self.state: ModuleState = "unpowered"
        self.state_event: int | None = None
        self.supply_v = 0.0
        self.waiting_for: tuple[str, ...] = ()
        self._booted = False
        self._timers = NamedTimers(world)
        self.set_up = SetUp(self)
        self.knowledge = Knowledge(self)
        self.faults = FaultRecorder(self, self.knowledge)
        self.memory = self.faults.memory
        self.pins = Pins(self, self.knowledge, self._pin_changed)
        self.outputs = Outputs(self, self.knowledge, self.set_up)
        self.sleep = Sleep(self, self.knowledge)
        self.shut_down = ShutDown(self, self.knowledge)
        self._decide_for_car()
        self.managed = {
            bus: ManagedBus(self, self.sleep, bus, times)
            for bus in self.channels
            if (times := world.car.built.buses[bus].network_management) is not None
        }
        self.control = TesterControl(self, self.faults, self.outputs, self.managed, self.talk)
        self.j1939 = J1939(self, self.knowledge, self.faults, self.set_up.identity(), self.talk)
        self.sending = Sending(self, self.knowledge, self.control, self.managed, self.set_up, self.j1939)
        live_data = LiveData(self, self.knowledge, self.outputs, self._watched_v, self._told)
        self.diagnostics = Diagnostics(
            self, self.knowledge, self.memory, self.control, self.restart, self.set_up, live_data
        )
        self.gateway: Gateway | None = None
        if self.spec.gateway:
            self.gateway = Gateway(self, self.diagnostics, self.sends_on, routes)
            self.sending.gateway = self.gateway
            self.diagnostics.guard = self.gateway.refuses
            self.gateway.edge = edge_of(self, self.gateway, self.diagnostics, routes)
        self._parts = [
            *self._immobilizer,
            *([self.gateway.edge] if self.gateway and self.gateway.edge else []),
            *([self.start_stop] if self.start_stop else []),
        ]
        self._set_up_tests()

    def _decide_for_car(self) -> None:
        """What this module decides for the whole car: the power mode, the release of the engine."""
        modes, immobilizer = self.world.car.built.power_modes, self.world.car.built.immobilizer
        self.master: PowerModeMaster | None = None
        self.authority: Authority | None = None
        self.starter: Starter | None = None
        if modes and modes.master == self.name:
            self.master = PowerModeMaster(self, self.knowledge, modes, self._mode_changed)
        if immobilizer and immobilizer.authority == self.name:
            self.authority = Authority(self, self.knowledge, immobilizer, self.set_up, self.faults)
        if immobilizer and immobilizer.engine == self.name:
            self.starter = Starter(self, self.knowledge, immobilizer, self.set_up, self.faults)
        self.knowledge.master = self.master
        self.knowledge.release = self.authority or self.starter
        self._immobilizer = [part for part in (self.authority, self.starter) if part]
        spec = self.world.car.built.high_voltage
        self.contactors: ContactorControl | None = None
        if spec and spec.controller == self.name:
            self.contactors = ContactorControl(self, self.knowledge, spec, self.faults, self.outputs)
        self.knowledge.contactors = self.contactors
        self.start_stop = start_stop_of(self, self.knowledge)

    def _set_up_tests(self) -> None:
        self.conditions = EnableConditions(self, self.knowledge)
        watched = [one.check(pin) for pin, one in self.spec.references.items()]
        checks = [*self.spec.checks, *(check for check in watched if check is not None)]
        circuits = self.world.car.built.watched.values()
        checks += [check for one in circuits if one.module == self.name for check in one.checks()]
        loop = self.contactors.spec.interlock.checks() if self.contactors else ()
        checks = [*loop, *checks]
        self.circuits = [CircuitMonitor(self.faults, self.conditions, check) for check in checks]
        if self.contactors:
            self.contactors.loop = tuple(self.circuits[: len(loop)])
        for one in self.circuits:
            if one.check.agrees_with is not None:
                pins = (one.check.pin, one.check.agrees_with)
                ranges = (other for other in self.circuits if other.check.pin in pins and other is not one)
                one.judged_before = tuple(ranges)
        self.signals = signal_monitors(self, self.faults, self.conditions, self.circuits)
        buses = self.world.car.built.buses
        self.controllers: dict[str, BusOffMonitor | LinkMonitor] = {
            bus: (LinkMonitor if buses[bus].is_ethernet else BusOffMonitor)(
                self, self.faults, self.conditions, bus
            )
            for bus in self.channels
        }
        self.reception = Reception(
            self, self.knowledge, self.faults, self.control, self.all_channels, self.managed, self.controllers
        )
        self.monitors: list[MessageMonitor] = []
        self._watching: list[Watching] = []

    def _watched_v(self) -> dict[str, float]:
        """The voltages at the pins that it watches."""
        compared = {one.check.agrees_with: one.other_v for one in self.circuits if one.check.agrees_with}
        return compared | {one.check.pin: one.pin_v for one in self.circuits} | self.pins.volt

    def _told(self, part: str) -> float:
        """What a sensor tells by its signal."""
        return self.signals[part].told

    def connect(self) -> None:
        """Find the streams of this module's messages once all of them are known, and declare its codes."""
        self.sending.connect(list(self.all_channels))
        self.monitors = [
            MessageMonitor(self.reception, self.faults, self.conditions, expected)
            for expected in self.world.car.messages.expected[self.name]
        ]
        own = SetUpMonitor(self, self.set_up, self.faults, self.diagnostics.obd is not None)
        self._watching = [*self.monitors, *self.circuits, *self.controllers.values(), own]
        self._watching += self.signals.values()
        self._watching += [part.denial for part in self._immobilizer if part.denial.tests]
        engine = self.world.car.built.engine
        if engine and engine.controller == self.name:
            self._watching.append(MisfireMonitor(self, self.faults, self.conditions, engine))
        self.reception.connect()
        single = SingleFrames(self, self.gateway, self._immobilizer, self.diagnostics, self.j1939)
        single.listen()
        for managed in self.managed.values():
            managed.connect()
        tests = [test for one in self._watching for test in one.tests]
        self.faults.declare([*tests, *(self.contactors.tests if self.contactors else ())])
        self.j1939.name_codes(self.monitors, self.circuits, self.controllers)

    def retune(self) -> None:
        """Buses were joined or parted: a message may now come straight from another bus."""
        for monitor in self.monitors:
            monitor.retune()
        self.reception.retune()

    # -- what others ask -------------------------------------------------------------------------------

    @property
    def hears(self) -> bool:
        """Is its transceiver awake, so that it hears and acknowledges?"""
        awake = self.state in ("starting", "running", "shut down", "going to sleep", "boot mode")
        return awake and not self._timers.runs("reset")

    @property
    def sends(self) -> bool:
        """Does it put its messages on the bus?"""
        return self.state == "running"

    def sends_on(self, bus: str) -> bool:
        """Does it put its messages on this bus? With network management, in network mode only."""
        return self.sending.sends_on(bus)

    @property
    def answers(self) -> bool:
        """Does its diagnostic server respond?"""
        return self.state in ("running", "going to sleep", "boot mode")

    @property
    def tests_run(self) -> bool:
        """May its monitors run at all? Without a coding it does not know what its car has."""
        return self.state == "running" and not self.control.deaf and not self.set_up.is_blank

    def sending_since(self, bus: str) -> int | None:
        """The event since which it sends, or does not, on one of its buses."""
        managed = self.managed.get(bus)
        events = (self.state_event, managed.event if managed else None, self.j1939.lost_address(bus))
        return max((event for event in events if event is not None), default=None)

    # -- supply and pins -------------------------------------------------------------------------------

    def power(self, supply_v: float, causes: Causes) -> None:
        """The supply as the wiring has it now; `causes` is asked only when the module's state changes."""
        self.supply_v = supply_v
        if self.set_up.dead:
            self._die()
            return
        if self.state == "dead":
            self._enter("unpowered", f"{self.name} is replaced", (self._set_up_event(),))
        if self.state == "unpowered":
            if supply_v >= self.spec.restart_supply_v:
                self._enter("starting", f"{self.name} has its supply ({supply_v:.1f} V) and starts", causes())
                self._begin_start()
        elif supply_v < self.spec.min_supply_v:
            self._enter("unpowered", f"{self.name} loses its supply ({supply_v:.1f} V)", causes())
            self._shut()
            self._forget_all()
        elif self.set_up.half_flashed != (self.state == "boot mode"):
            self._change_software()

    def _die(self) -> None:
        """Nothing inside works any more: it draws next to nothing and does not answer."""
        if self.state != "dead":
            self._enter("dead", f"{self.name} has failed inside", (self._set_up_event("inside"),))
            self._shut()
            self._forget_all()

    def _change_software(self) -> None:
        """The boot loader takes over while the software is erased, and leaves when it is told to."""
        if self.state == "boot mode":
            if self.diagnostics.server.session == Session.DEFAULT:  # a tester's session ends with its reset
                self.restart("its software is complete again")
        elif self.state in ("running", "going to sleep"):
            self._enter_boot_mode()
            self._stop_sending()
            self.outputs.shut()

    def _enter_boot_mode(self) -> None:
        words = f"{self.name} has incomplete software and stays in its boot loader"
        self._enter("boot mode", words, (self._set_up_event("software"), self.state_event))

    def _set_up_event(self, what: str = "inside") -> int | None:
        return self.world.edit_events.get(f"{self.name} {what}")

    def _pin_changed(self, function: str, on: bool, event: int) -> None:
        """An input or sense line has gone on or off."""
        if function in self.spec.inputs:
            if self.master and function == self.master.rules.button and self.answers:
                self.master.button(on, event)
        elif on:
            self.faults.ignition_on(by_line=True)
            self.outputs.begin_lamp_check(event)

    # -- what its parts ask ----------------------------------------------------------------------------

    def invalidate(self) -> None:
        """Let the module update at this instant."""
        self.world.surroundings.invalidate(self.name)

    def record(
        self, kind: str, words: str, causes: tuple[int | None, ...] = (), item: str = "", value: str = ""
    ) -> int:
        """Add an event about the module to the trace."""
        return self.world.record(kind, self.name, words, causes, item, value)

    def send(self, frame: Frame) -> None:
        """Send a single frame on every CAN bus of the module."""
        for channel in self.channels.values():
            self.world.send(channel, frame)

    def talk(self) -> None:
        """Put its messages on the buses that are open."""
        self.sending.talk()

    def _mode_changed(self, before: PowerMode) -> None:
        """The master has changed the mode: a new operation cycle begins with run."""
        if before in ("off", "accessory") and self.knowledge.known_mode() in ("run", "crank"):
            self.faults.ignition_on()
        self.invalidate()

    # -- states ----------------------------------------------------------------------------------------

    def update(self) -> bool:
        """Let rules and monitors act on what is known now; returns whether anything electrical changed."""
        match self.state:
            case "unpowered" | "dead" | "boot mode":
                return False
            case "asleep":
                self.sleep.update_asleep()
                return False
            case "starting":
                self._come_online_if_ready()
                return False
            case "shut down":
                self._update_shut_down()
                return False
        if self.shut_down.holds:
            self._shut_down()
            return True
        if self.master:
            self.master.update()
        for part in self._parts:
            part.update()
        changed = self.outputs.update()
        if self.contactors:
            changed |= self.contactors.update()
        self.sending.update()
        self.conditions.update()
        for monitor in self._watching:
            monitor.update()
        self.j1939.update()
        self.sleep.update()
        return changed

    def _enter(self, state: ModuleState, words: str, causes: tuple[int | None, ...]) -> None:
        self.state = state
        self.state_event = self.record("state", words, causes, value=state)
        self.world.surroundings.invalidate()

    def _begin_start(self) -> None:
        self._booted = False
        self.reception.start()
        self._timers.start("boot", self.spec.boot_ms / 1000, self._boot_done)

    def _boot_done(self) -> None:
        self._booted = True
        self._come_online_if_ready()

    def _come_online_if_ready(self) -> None:
        if not self._booted or self.state != "starting":
            return
        if self.set_up.half_flashed:
            self._enter_boot_mode()
            return
        hears = self.knowledge.hears
        unheard = tuple(other for other in self.spec.waits_for if not hears(self._message_of(other)))
        if not unheard and self.shut_down.holds:
            self.waiting_for = ()
            self._shut_down()
        elif not unheard:
            self._come_online()
        elif unheard != self.waiting_for:
            self.waiting_for = unheard
            explainer = self.world.explainer
            silence = explainer.silence(self.name, self._message_of(unheard[0]))
            words = f"{self.name} waits for {' and '.join(unheard)} before it comes online"
            causes = (*silence, *explainer.supposed(self.name, "waits for"), self.state_event)
            self.state_event = self.record("waits", words, causes, ", ".join(unheard), "waiting")

    def _message_of(self, other: str) -> str:
        return self.world.car.messages.message_from(other, None, ()).name

    def _come_online(self) -> None:
        heard = tuple(self.knowledge.heard[self._message_of(other)].event for other in self.spec.waits_for)
        self.waiting_for = ()
        self._enter("running", f"{self.name} is online", (self.state_event, *heard))
        self.memory.new_operation_cycle()
        self.sleep.join_buses()
        self.j1939.start()
        self.sending.start()
        self._press_that_woke()

    def _shut_down(self) -> None:
        """Go or stay offline: it goes on receiving, and that is all."""
        self._enter("shut down", self.shut_down.words, (*self.shut_down.causes(), self.state_event))
        for managed in self.managed.values():
            managed.shut()
        self.sleep.stop()
        self._stop_sending()
        for channel in self.channels.values():
            self.world.network.drop(channel)
        self.diagnostics.restart()
        self.outputs.shut()
        for part in self._parts:
            part.reset()

    def _update_shut_down(self) -> None:
        if self.set_up.half_flashed:
            self._enter_boot_mode()
        elif self.shut_down.over:
            self._come_online()
        else:
            self.sleep.update_shut_down()

    def _press_that_woke(self) -> None:
        """The press of the button that woke the master counts as soon as the master can act on it."""
        if self.master:
            pressed = self.knowledge.inputs.get(self.master.rules.button, UNKNOWN)
            if pressed.value is True and pressed.event is not None:
                self.master.button(True, pressed.event)

    def wake(self, source: str, causes: tuple[int | None, ...]) -> None:
        """Start from sleep."""
        self._enter("starting", f"{self.name} is woken by {source}", causes)
        self._begin_start()

    def come_back(self, why: str, event: int | None) -> None:
        """Run again before it slept."""
        self._enter("running", f"{self.name} is online again: {why}", (event,))
        self.reception.restart_silences()
        self.j1939.start()
        self.sending.start()

    def stop_to_sleep(self, causes: tuple[int | None, ...]) -> None:
        """Stop sending, with no reason to stay awake."""
        self._enter("going to sleep", f"{self.name} has no reason to stay awake and stops sending", causes)
        self._stop_sending()

    def fall_asleep(self) -> None:
        """Sleep now."""
        self._enter("asleep", f"{self.name} falls asleep", (self.state_event,))
        self._shut()

    def restart(self, why: str) -> None:
        """A reset by software: everything volatile is lost."""
        if self.hears:
            self._enter("starting", f"{self.name} resets: {why}", (self.world.tester_event,))
            self._shut()
            self._timers.start("reset", RESET_S, self._out_of_reset)

    def _out_of_reset(self) -> None:
        self.world.surroundings.invalidate()
        self._begin_start()

    def _stop_sending(self) -> None:
        self.j1939.stop()
        self.talk()
        self.conditions.stop()
        for monitor in self._watching:
            monitor.rest()
        if self.contactors:
            self.contactors.rest()

    def _shut(self) -> None:
        """Everything that stops with the supply, a reset or sleep."""
        for managed in self.managed.values():
            managed.shut()
        self.sleep.stop()
        self._stop_sending()
        for channel in self.channels.values():
            self.world.network.drop(channel)
        for controller in self.controllers.values():
            controller.shut()
        self._timers.clear()
        self._booted = False
        self.waiting_for = ()
        self.knowledge.failed_since_start.clear()
        self.diagnostics.restart()
        self.reception.stop()
        self.outputs.shut()
        for part in self._parts:
            part.reset()

    def _forget_all(self) -> None:
        """What only a lost supply erases."""
        self.knowledge.inputs.clear()
        self.knowledge.lines.clear()
        if self.master:
            self.master.reset()
            self.master.event = self.state_event
