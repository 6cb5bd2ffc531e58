"""The live car: wiring, network, modules, relays and engine coupled on one clock.

Whenever something switches, the electrical network is solved again and every part updates, until nothing
changes any more at that instant (`_settle`).

Not modeled: generator field and load response, engine speed and torque, gears, hills, how long a way is.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import Literal

from sim.bench.battery import StateOfCharge
from sim.bench.bus_faults import BusFaults
from sim.bench.buses import Buses
from sim.bench.causes import Causes, NoCauses
from sim.bench.contacts import Intermittents, Relays
from sim.bench.engine import LiveEngine
from sim.bench.fuses import Fuses, shorts_behind
from sim.bench.high_voltage import LiveHighVoltage
from sim.bench.pulses import PulseTrain, pulse_trains
from sim.bench.running_car import LatestEvents
from sim.bench.supplies import Supplies
from sim.bench.traffic import car_streams, lin_clusters
from sim.bench.units import CommandedUnits
from sim.modules.facts import MOVES, Fact
from sim.modules.gateway import FrameRoutes
from sim.modules.managed_bus import management_streams
from sim.modules.module import ControlModule
from sim.modules.signals import Codec
from sim.modules.trace import Trace
from sim.modules.world import World
from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.lin import CarNetwork, LinNetwork
from sim.network.stream_fidelity import StreamNetwork
from sim.network.streams import Stream
from sim.vehicle.car import Car
from sim.vehicle.edit import Edit, Theory, noted, without
from sim.vehicle.elements import TESTER, TESTER_MIN_V
from sim.vehicle.problems import Unsettled
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Reading, Wiring

MAX_ROUNDS = 200
MOST_HELD = 1000  # states that a minimum hold looks back on

Fidelity = Literal["frame", "stream"]


class LiveCar:
    """One car on its clock. `edit` changes it, `operate` moves a hand switch, `run` lets time pass.

    reading: the solution of the electrical network, once the battery is connected. operated: the hand
    switches that are on. hold: electrical states since the last action that was no wait, for a meter's holds.
    meter_at: where an ammeter is in series.
    """

    explainer: type[Causes] = Causes

    def __init__(self, car: Car, seed: int = 0, fidelity: Fidelity = "frame", start_ns: int = 0) -> None:
        self.car = car
        self.env = NanosecondEnvironment(start_ns)
        self.trace = Trace()
        # a disturbed bus is nothing for streams, so only frames know chance
        self.network: CanNetwork | StreamNetwork = (
            CanNetwork(self.env, seed=seed) if fidelity == "frame" else StreamNetwork(self.env)
        )
        self.lin = LinNetwork(self.env, lin_clusters(car))
        self.latest = LatestEvents()
        self.reading: Reading
        self.hold: deque[tuple[float, Wiring, SwitchState]] = deque(maxlen=MOST_HELD)
        self.operated: frozenset[str] = frozenset()
        self.meter_at: str | None = None
        self.tester_active = False
        self.adapter_plugged = False
        self._wiring: Wiring | None = None
        self._wirings: dict[frozenset[str], Wiring] = {}  # by what has lost contact, until an edit
        self._settling = self._pending = False
        self._all_due = True
        self._due: set[str] = set()
        self._last_reading: Reading | None = None
        self.buses = Buses(self)
        self.causes = self.explainer(self, self.buses)
        self.world = self._make_world(seed)
        self.modules = self._make_modules()
        self._add_parts()

    def _make_world(self, seed: int) -> World:
        network = CarNetwork(self.network, self.lin) if self.car.lin else self.network
        world = World(
            self.env, self.car, network, self.trace, Codec(self.car), self.buses, self.causes,
            self.latest.edits, seed, car_streams(self.car),
        )  # fmt: skip
        for (name, _), stream in world.streams.items():
            world.streams_of.setdefault(name, []).append(stream)
        world.management = management_streams(world)
        return world

    def _make_modules(self) -> dict[str, ControlModule]:
        routes = FrameRoutes(self.car)
        modules = {name: ControlModule(name, self.world, routes) for name in self.car.built.modules}
        for module in modules.values():
            module.connect()
        return modules

    def _add_parts(self) -> None:
        self.engine = LiveEngine(self, self.causes)
        self.relays = Relays(self, self.causes)
        self.high_voltage = LiveHighVoltage(self, self.causes)
        self.battery = StateOfCharge(self.world, self.invalidate, self._battery_falls)
        self.units = CommandedUnits(self, self.causes)
        self._supplies = Supplies(self, self.causes)
        self._fuses = Fuses(self.world, self._blow)
        self._intermittents = Intermittents(self.world, self._turn_contact)
        self._bus_faults = BusFaults(self.world, self.latest.edits, self.buses.is_awake)

    @property
    def wiring(self) -> Wiring:
        """The electrical network of the car as its harness is now."""
        if self._wiring is None:
            self._wiring = Wiring(self.car)
        return self._wiring

    @property
    def now_s(self) -> float:
        """Simulated time in seconds."""
        return float(self.env.now)

    def run(self, for_s: float) -> None:
        """Let time pass."""
        self.run_until(self.env.now + for_s)

    def run_until(self, until_s: float) -> None:
        """Let time pass up to an instant, which must lie ahead."""
        self.env.run(until=until_s)

    # -- what people do --------------------------------------------------------------------------------

    def connect_battery(self) -> None:
        """Time begins: the car, as it is given, gets its battery."""
        self.electrical(self.world.record("action", "person", "the battery is connected"))

    def edit(self, edit: Edit, words: str = "") -> None:
        """Change the car. Raises `EditProblem`, with nothing changed, where impossible."""
        before, after = self.car, edit.apply(self.car)
        event = self.world.record(edit.kind, "car", words or edit.text)
        self.latest.note_edit(before.harness, after.harness, event)
        self.car = self.world.car = after
        self._wiring = None
        self._wirings.clear()
        self.meter_at = None
        self._intermittents.update(after)
        if edit.verb == "charge":
            self.battery.given()
        self.electrical(event)

    def write(self, field: str, module: str, value: object, words: str) -> None:
        """A tester has written into a module, as `HarnessState` has it; None: as this car needs it."""
        event = self.world.record("set up", module, words, (self.world.tester_event,))
        harness = self.car.harness
        kept = without(harness, (field,), {module})
        after = self.car.with_harness(**kept)
        if value is not None:
            after = noted(field, module, value)(after)
        self.latest.note_edit(harness, after.harness, event)
        self.car = self.world.car = after
        self._wiring = None
        self._wirings.clear()
        self.electrical(event)

    def suppose(self, theory: Theory) -> None:
        """Note a theory about how the car was built, which the car already has."""
        self.latest.theories[theory] = self.world.record("theory", "car", f"suppose that {theory}")

    def begin_hold(self) -> None:
        """A new action begins: a meter's holds start from here, and last over the waits after it."""
        self.hold = deque([(self.now_s, self.wiring, self.reading.state)], MOST_HELD)

    def operate(self, what: str, on: bool, words: str) -> None:
        """A person moves a switch."""
        event = self.world.record("action", "person", words)
        self.operated = self.operated | {what} if on else self.operated - {what}
        self.latest.switches[what] = event
        self.electrical(event)

    def drive(self, speed_kph: int, words: str = "") -> None:
        """The car goes at a speed; without words it is on its way to what was said last."""
        event = self.world.record("action", "person", words) if words else self.world.speed_kph.event
        self.world.speed_kph = Fact(speed_kph, event)
        self.shake()
        self.invalidate()

    def shake(self, ids: frozenset[str] = frozenset(), words: str = "") -> None:
        """A hand shakes these elements of the harness from now on."""
        if words:
            self.world.record("action", "person", words)
        self._intermittents.shake(ids)

    def treat(self, ids: frozenset[str], temperature_c: float, words: str) -> None:
        """A heat gun or freeze spray brings these elements to a temperature."""
        self.world.record("action", "person", words)
        self._intermittents.treat(ids, temperature_c)

    def put_fob(self, place: str) -> None:
        """A person takes the key fob somewhere."""
        event = self.world.record("action", "person", f"the fob is {place.replace('_', ' ')}")
        self.world.fob = Fact(place, event)
        self.invalidate()

    def tester(self, active: bool, words: str = "") -> None:
        """A tester at the diagnostic connector begins (to do what `words` say) or ends to talk."""
        self.tester_active = active
        if active:
            self.world.tester_event = self.world.record("action", "person", f"the tester {words}")
        self.invalidate()

    def plug_in(self, plugged: bool = True) -> None:
        """An adapter stays at the diagnostic connector: it hears and acknowledges, but wakes no module."""
        self.adapter_plugged = plugged
        self.invalidate()

    @property
    def pulled_in(self) -> frozenset[str]:
        """The relays and contactors whose coils have pulled in."""
        return self.relays.pulled_in

    @property
    def tester_plugged(self) -> bool:
        """Does a tester talk, or is an adapter plugged in?"""
        return self.tester_active or self.adapter_plugged

    @property
    def reading_with_tester(self) -> Reading:
        """The electrical network with a tester at the diagnostic connector."""
        state = self.switch_state()
        return self.wiring.solve(replace(state, running=state.running | {TESTER}))

    @property
    def tester_has_power(self) -> bool:
        """Does pin 16 of the diagnostic connector feed a tester?"""
        return self.reading_with_tester.supply_v(TESTER) >= TESTER_MIN_V

    # -- electrical state ------------------------------------------------------------------------------

    def switch_state(self) -> SwitchState:
        """Return everything that is switched, as it is now."""
        running = frozenset(name for name, module in self.modules.items() if module.hears)
        if self.tester_plugged:
            running |= {TESTER}
        driven = frozenset(
            (name, output)
            for name, module in self.modules.items()
            for output, on in module.outputs.on.items()
            if on
        )
        generator = self.world.engine.value == "running" or self.high_voltage.converts
        return SwitchState(
            running, driven, self.operated, self.relays.pulled_in, generator, self._bus_faults.dominant,
            self.battery.override_pct, self.units.turning,
        )  # fmt: skip

    def invalidate(self, module: str | None = None) -> None:
        """Ask for an update at this instant: of one module, or of all of them and the wiring."""
        if module is None:
            self._all_due = True
        else:
            self._due.add(module)
        if not self._settling and not self._pending:
            self._pending = True
            soon = self.env.timeout(0)
            assert soon.callbacks is not None
            soon.callbacks.append(lambda _: self._settle())

    def electrical(self, event: int) -> None:
        """Note that something has switched, and that this event is why."""
        self.latest.trigger = event
        self.invalidate()

    def _settle(self) -> None:
        self._pending = False
        self._settling = True
        try:
            for _ in range(MAX_ROUNDS):
                all_due, due = self._all_due, self._due
                self._all_due, self._due = False, set()
                if all_due:
                    self.update()
                due = set(self.modules) if all_due else due
                switched = [module.update() for name, module in self.modules.items() if name in due]
                if any(switched):
                    self._note_outputs()
                elif not self._all_due and not self._due:
                    return
            raise Unsettled("the car does not settle: something keeps switching itself on and off")
        finally:
            self._settling = False

    def update(self) -> None:
        """Solve the wiring again and pass on what it gives to modules, relays, engine and buses."""
        self._bus_faults.update()
        self.reading = self.wiring.solve(self.switch_state())
        if self.reading is not self._last_reading:
            self._last_reading = self.reading
            self.hold.append((self.now_s, self.wiring, self.reading.state))
            self._supplies.update()
            self._fuses.update(self.reading, self.car)
            self.battery.update(self.reading)
        self.relays.update()
        self.engine.update()
        self.units.update()
        self.high_voltage.update()
        if self.world.speed_kph.value and self.world.engine.value not in MOVES:
            self.world.speed_kph = Fact(0, self.world.engine.event)  # it rolls to a stop
            self.shake()
        self.buses.update()

    def _note_outputs(self) -> None:
        newest = [event for module in self.modules.values() for event in module.outputs.events.values()]
        self.latest.trigger = max(newest, default=self.latest.trigger)
        self._all_due = True

    # -- what instruments ask for ----------------------------------------------------------------------------

    def pulse_trains(self) -> tuple[PulseTrain, ...]:
        """Return the signals that sensors give on their wires now."""
        return pulse_trains(self.car, self.world, self.reading)

    def streams_running(self) -> list[Stream]:
        """Return the messages that are being sent."""
        return [stream for stream in self.world.streams.values() if stream.live]

    def lone_senders(self) -> list[str]:
        """Return the channels that work and share their bus with no other."""
        return self.buses.lone_senders()

    # -- what happens by itself ------------------------------------------------------------------------------

    def _turn_contact(self, id: str, opens: bool) -> None:
        """An intermittent contact opens or closes."""
        self.turn_contact(id, opens, f"{id} {'loses' if opens else 'makes'} contact")

    def turn_contact(self, id: str, opens: bool, words: str) -> None:
        """Open a contact for a moment, or close it again."""
        event = self.world.record("contact", id, words, (self.latest.edits.get(id),))
        self.latest.edits[id] = event
        away = self.car.harness.away
        self._wirings[away] = self.wiring
        away = away | {id} if opens else away - {id}
        self.car = self.world.car = self.car.with_harness(away=away)
        self._wiring = self._wirings.get(away)
        self.electrical(event)

    def _blow(self, name: str, words: str) -> None:
        edits = self.latest.edits
        shorts = [edits[id] for id in shorts_behind(name, self.reading) if id in edits]
        wrong = edits.get(name) if name in self.car.harness.fitted_a else None
        event = self.world.record("fuse", name, words, (*(shorts or self.causes.trigger()), wrong))
        edits[name] = event
        self.car = self.world.car = self.car.with_harness(blown=self.car.harness.blown | {name})
        self._wiring = None
        self._wirings.clear()
        self.electrical(event)

    def _battery_falls(self, pct: float) -> None:
        """Note that the charge has fallen by another tenth, because of what takes it."""
        edits = self.latest.edits
        causes = (*(self.causes.drain() or self.causes.trigger()), edits.get("BAT"))
        text = f"the battery is down to {pct:.0f} % of its charge"
        edits["BAT"] = self.world.record("battery", "battery", text, causes)


class LiveCarWithoutReasons(LiveCar):
    """The same car, whose events do not name what caused them."""

    explainer = NoCauses
