"""The car alive: wiring, network, modules, relays and engine coupled on one clock.

Whenever something switches, the electrical network is solved again and everyone looks at what it means for
them, until nothing changes any more at that instant (`_settle`).

Not modelled: generator field and load response, engine speed and torque, movement of the car.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from functools import partial
from itertools import pairwise
from typing import Literal, TypedDict

import simpy

from sim.bench.battery import StateOfCharge
from sim.bench.bus_faults import BusFaults, network_segments
from sim.bench.causes import Causes, NoCauses
from sim.bench.engine import Engine
from sim.bench.fuses import Fuses, shorts_behind
from sim.bench.intermittent import Intermittents
from sim.modules.facts import Fact
from sim.modules.gateway import FrameRoutes
from sim.modules.managed_bus import management_streams
from sim.modules.module import ControlModule
from sim.modules.signals import Codec
from sim.modules.trace import Trace
from sim.modules.world import Timer, World
from sim.network.can import CanNetwork, Stream
from sim.network.lin import BusesAndClusters, Cluster, FrameSlot, LinNetwork
from sim.network.stream_fidelity import StreamNetwork
from sim.vehicle.car import Car
from sim.vehicle.edits import Edit
from sim.vehicle.harness import TESTER, TESTER_MIN_V
from sim.vehicle.messages import bus_graph, shortest_bus_path
from sim.vehicle.problems import Unsettled
from sim.wiring.segments import Segment
from sim.wiring.wiring import Connectivity, Reading, SwitchState, Wiring

PULL_IN_S, DROP_OUT_S = 0.010, 0.005  # relay data sheets give some milliseconds; common practice
MAX_ROUNDS = 200
MOST_HELD = 1000  # states that a minimum hold looks back on


Fidelity = Literal["frame", "stream"]
_NETWORKS: dict[Fidelity, type[CanNetwork] | type[StreamNetwork]] = {
    "frame": CanNetwork,
    "stream": StreamNetwork,
}


class _Format(TypedDict, total=False):
    """Of the frames of a bus, for `Stream`."""

    fd: bool
    data_bitrate_bps: int


class LiveCar:
    """One car on its clock. `edit` changes it, `operate` moves a hand switch, `run` lets time pass."""

    why: type[Causes] = Causes

    def __init__(self, car: Car, seed: int = 0, fidelity: Fidelity = "frame") -> None:
        self.car = car
        self.env = simpy.Environment()
        self.trace = Trace()
        self.network: CanNetwork | StreamNetwork = _NETWORKS[fidelity](self.env)
        self.lin = LinNetwork(self.env, lin_clusters(car))
        self._wiring: Wiring | None = None
        self.reading: Reading  # once the car has been looked at for the first time
        # electrical states since the last action began, for a meter's minimum hold
        self.hold: deque[tuple[float, Wiring, SwitchState]] = deque(maxlen=MOST_HELD)
        self.operated: frozenset[str] = frozenset()
        self.pulled_in: frozenset[str] = frozenset()
        self.tester_active = False
        self.adapter_plugged = False
        self.joined_events: dict[str, int] = {}  # since when a channel stands where it does
        self.edit_events: dict[str, int] = {}
        self.theory_events: dict[str, int] = {}
        self.switch_events: dict[str, int] = {}
        self.trigger: int | None = None
        self.connectivity: Connectivity | None = None
        self.segments: tuple[Segment, ...] = ()  # who shares a bus now
        self._company: dict[str, frozenset[str]] = {}  # who is together, where buses are joined
        self._settling = self._pending = False
        self._all_look = True
        self._who_look: set[str] = set()
        self._fed: Reading | None = None
        self._senders: dict[str, list[str]] = {}  # who could be heard, by receiving channel
        self.wire_links: frozenset[tuple[str, str]] = frozenset()  # on LIN, of those awake
        self._callers: dict[str, tuple[str]] = {}  # the master that a slave could hear, awake or not
        self._relay_timers: dict[str, Timer] = {}
        self.causes = self.why(self)
        self.engine = Engine(self)
        self.world = World(
            self.env, car, BusesAndClusters(self.network, self.lin) if car.lin else self.network, self.trace,
            Codec(car), self, self.causes, self.edit_events, seed,
        )  # fmt: skip
        self.battery = StateOfCharge(self.world, self.invalidate, self._battery_falls)
        self._fuses = Fuses(self.world, self._blow)
        self._intermittents = Intermittents(self.world, self._interrupt)
        self._spoilers = BusFaults(self.world, self.edit_events, self._hears)
        self._wirings: dict[frozenset[str], Wiring] = {}  # by what has lost contact, until an edit
        self._lay_streams()
        self.world.management = management_streams(self.world)
        routes = FrameRoutes(car)
        self.modules = {name: ControlModule(name, self.world, routes) for name in car.built.modules}
        for module in self.modules.values():
            module.connect()
        self._sensed = {name: module.sense_pins() for name, module in self.modules.items()}

    @property
    def wiring(self) -> Wiring:
        """The electrical network of the car in its present condition."""
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

    def edit(self, edit: Edit, words: str = "") -> int:
        """Change the car; returns the event. Raises `EditProblem`, with nothing changed, where impossible."""
        before, after = self.car, edit.apply(self.car)
        event = self.world.record(edit.kind, "car", words or edit.text)
        self._note_edit(before, after, event, edit.text)
        self.car = self.world.car = after
        self._wiring = None
        self._wirings.clear()
        self._intermittents.look(after)
        if edit.text.startswith("charge "):
            self.battery.given()
        self.electrical(event)
        return event

    def begin_hold(self) -> None:
        """A new action begins: a meter's minimum hold starts from here."""
        self.hold = deque([(self.now_s, self.wiring, self.reading.state)], MOST_HELD)

    def operate(self, what: str, on: bool, words: str) -> int:
        """A person moves a switch."""
        event = self.world.record("action", "person", words)
        self.operated = self.operated | {what} if on else self.operated - {what}
        self.switch_events[what] = event
        self.electrical(event)
        return event

    def put_fob(self, place: str) -> int:
        """A person takes the key fob somewhere."""
        event = self.world.record("action", "person", f"the fob is {place.replace('_', ' ')}")
        self.world.fob = Fact(place, event)
        self.invalidate()
        return event

    def tester(self, active: bool, words: str = "") -> None:
        """A tester at the diagnostic connector begins (to do what `words` say) or ends to talk."""
        self.tester_active = active
        if active:
            self.world.tester_event = self.world.record("action", "person", f"the tester {words}")
        self.invalidate()

    def plug_in(self, plugged: bool = True) -> None:
        """An adapter stays at the diagnostic connector: it hears and acknowledges, and keeps nobody awake."""
        self.adapter_plugged = plugged
        self.invalidate()

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
        """Everything that is switched, as it is now."""
        running = frozenset(name for name, module in self.modules.items() if module.hears)
        if self.tester_active or self.adapter_plugged:
            running |= {TESTER}
        driven = frozenset(
            (name, output)
            for name, module in self.modules.items()
            for output, on in module.outputs.on.items()
            if on
        )
        generator = self.world.engine.value == "running"
        return SwitchState(
            running, driven, self.operated, self.pulled_in, generator, self._spoilers.dominant,
            self.battery.override_pct,
        )  # fmt: skip

    def invalidate(self, module: str | None = None) -> None:
        """Ask for a new look at this instant: of one module at what it knows, or of everybody."""
        if module is None:
            self._all_look = True
        else:
            self._who_look.add(module)
        if not self._settling and not self._pending:
            self._pending = True
            soon = self.env.timeout(0)
            assert soon.callbacks is not None
            soon.callbacks.append(lambda _: self._settle())

    def electrical(self, event: int) -> None:
        """Something has switched: everybody looks anew, and this event is why."""
        self.trigger = event
        self.invalidate()

    def _settle(self) -> None:
        self._pending = False
        self._settling = True
        try:
            for _ in range(MAX_ROUNDS):
                all_look, who_look = self._all_look, self._who_look
                self._all_look, self._who_look = False, set()
                if all_look:
                    self._look_at_wiring()
                who = self.modules if all_look else who_look
                switched = [module.update() for name, module in self.modules.items() if name in who]
                if any(switched):
                    self._note_outputs()
                elif not self._all_look and not self._who_look:
                    return
            raise Unsettled(
                "the car does not come to rest at one instant: something switches itself on and off"
            )
        finally:
            self._settling = False

    def _look_at_wiring(self) -> None:
        self._spoilers.look()
        self.reading = self.wiring.solve(self.switch_state())
        if self.reading is not self._fed:
            self._fed = self.reading
            self.hold.append((self.now_s, self.wiring, self.reading.state))
            self._feed_modules()
            self._fuses.look(self.reading, self.car)
            self.battery.look(self.reading)
        self._look_at_relays()
        self.engine.look()
        self._look_at_buses()
        if self.car.lin:
            self._look_at_wires()

    def _feed_modules(self) -> None:
        reading = self.reading
        startable = self._startable()
        for name, module in self.modules.items():
            supply_v = reading.supply_v(name)
            if module.state != "unpowered" or name in startable:
                module.power(supply_v, partial(self.causes.supply, name))
            for function in self._sensed[name]:
                pin_v = reading.pin_v(name, function)
                module.sense(function, pin_v, partial(self.causes.sense, name, function))
            for circuit in module.circuits:
                pin = circuit.check.pin
                circuit.measure(reading.pin_v(name, pin), partial(self.causes.circuit, name, pin))

    def _startable(self) -> set[str]:
        """Modules without supply that have enough now, also once they and all others draw what they run with.

        One whose supply breaks down under its own current (it comes through a bad joint, or through other
        modules from a lost ground) never gets going.
        """
        state = self.switch_state()
        waiting = {
            name
            for name, module in self.modules.items()
            if module.state == "unpowered" and self.reading.supply_v(name) >= module.spec.restart_supply_v
        }
        if not waiting or self._all_hold(state.running | waiting):
            return waiting
        started: set[str] = set()
        for name in sorted(waiting):
            if self._all_hold(state.running | started | {name}):
                started.add(name)
        return started

    def _all_hold(self, running: frozenset[str] | set[str]) -> bool:
        reading = self.wiring.solve(replace(self.switch_state(), running=frozenset(running)))
        return all(
            reading.supply_v(name) >= self.modules[name].spec.min_supply_v
            for name in running
            if name in self.modules
        )

    def _note_outputs(self) -> None:
        newest = [event for module in self.modules.values() for event in module.outputs.events.values()]
        self.trigger = max(newest, default=self.trigger)
        self._all_look = True

    def _look_at_relays(self) -> None:
        wanted = self.reading.relays_wanted()
        for name in sorted(self.car.built.relays):
            due = (name in wanted) != (name in self.pulled_in)
            timer = self._relay_timers.get(name)
            if due and timer is None:
                delay_s = PULL_IN_S if name in wanted else DROP_OUT_S
                self._relay_timers[name] = self.world.after(delay_s, partial(self._flip, name))
            elif not due and timer is not None:
                timer.cancel()
                del self._relay_timers[name]

    def _interrupt(self, id: str, opens: bool) -> None:
        words = f"{id} {'loses' if opens else 'makes'} contact"
        self.edit_events[id] = self.world.record("contact", id, words, (self.edit_events.get(id),))
        away = self.car.harness.away
        self._wirings[away] = self.wiring
        away = away | {id} if opens else away - {id}
        self.car = self.world.car = self.car.with_harness(away=away)
        self._wiring = self._wirings.get(away)
        self.electrical(self.edit_events[id])

    def _blow(self, name: str, words: str) -> None:
        shorts = [self.edit_events[id] for id in shorts_behind(name, self.reading) if id in self.edit_events]
        wrong = self.edit_events.get(name) if name in self.car.harness.fitted_a else None
        causes = (*(shorts or self.causes.trigger()), wrong)
        self.edit_events[name] = self.world.record("fuse", name, words, causes)
        self.car = self.world.car = self.car.with_harness(blown=self.car.harness.blown | {name})
        self._wiring = None
        self._wirings.clear()
        self.electrical(self.edit_events[name])

    def _battery_falls(self, pct: float) -> None:
        """The charge has fallen by another tenth: whoever takes it is why the battery is what it is now."""
        causes = (*(self.causes.drain() or self.causes.trigger()), self.edit_events.get("BAT"))
        text = f"the battery is down to {pct:.0f} % of its charge"
        self.edit_events["BAT"] = self.world.record("battery", "battery", text, causes)

    def _flip(self, name: str) -> None:
        del self._relay_timers[name]
        pulled_in = name not in self.pulled_in
        self.pulled_in = self.pulled_in | {name} if pulled_in else self.pulled_in - {name}
        causes = (self.causes.coil(self.car.built.relays[name].coil), None if pulled_in else self.trigger)
        title = self.car.built.relays[name].title
        words = f"relay {name}{f' ({title})' if title else ''} {'pulls in' if pulled_in else 'drops out'}"
        self.switch_events[name] = self.world.record("relay", name, words, causes)
        self.electrical(self.switch_events[name])

    # -- buses -----------------------------------------------------------------------------------------

    def _look_at_buses(self) -> None:
        transceivers = self.car.transceivers
        powered = {
            c for c, part in transceivers.items() if part.module != TESTER and self._is_powered(part.module)
        }
        plugged = self.tester_active or self.adapter_plugged
        if plugged and self.tester_has_power and TESTER in transceivers:
            powered.add(TESTER)
        connectivity = self.reading.hears(frozenset(powered))
        if connectivity is not self.connectivity:
            self.connectivity = connectivity
            self._senders = {}
            for sender, receiver in sorted(connectivity.links):
                self._senders.setdefault(receiver, []).append(sender)
        awake = frozenset(c for c in powered if c == TESTER or self._hears(c))
        segments = network_segments(connectivity, awake, transceivers, self.car.classical_channels)
        if segments != self.segments:
            self._note_joined(segments)
            self.segments = segments
            self.network.set_segments(segments)
            self._follow_joined_buses()

    def _hears(self, channel: str) -> bool:
        """Is a module's transceiver awake?"""
        return self.modules[self.car.transceivers[channel].module].hears

    def _look_at_wires(self) -> None:
        """Who hears whom on the LIN wires, and which masters are at work."""
        ports = self.car.lin
        powered = frozenset(channel for channel, port in ports.items() if self._is_powered(port.module))
        links = self.reading.hears_on_wires(powered)
        self._callers = {receiver: (sender,) for sender, receiver in sorted(links) if ports[sender].is_master}
        awake = {channel for channel in powered if self.modules[ports[channel].module].hears}
        links = frozenset(pair for pair in links if awake.issuperset(pair))
        for channel in sorted({channel for pair in links - self.wire_links for channel in pair}):
            events = (self.trigger, self.sending_since(channel))
            self.joined_events[channel] = max(event for event in events if event is not None)
        self.wire_links = links
        masters = (port for port in ports.values() if port.is_master)
        self.lin.set_links(links, frozenset(port.bus for port in masters if self.modules[port.module].sends))

    def _follow_joined_buses(self) -> None:
        """Where a lead joins two buses, their modules hear each other's messages without a gateway."""
        company: dict[str, frozenset[str]] = {}
        for segment in self.segments:
            present = frozenset((*segment.members, *segment.listeners))
            if len({self.car.transceivers[channel].bus for channel in segment.members}) > 1:
                company.update(dict.fromkeys(present, present))
        if company != self._company:
            self._company = company
            for module in self.modules.values():
                module.retune()
                for managed in module.managed.values():
                    managed.follow(self._management_of(company.get(managed.channel, frozenset())))

    def _management_of(self, channels: frozenset[str]) -> list[Stream]:
        """The network management frames of these channels."""
        nodes = [node for on_bus in self.world.management.values() for node in on_bus.values()]
        return [stream for stream in nodes if stream.channel in channels]

    def source(self, message: str, channel: str) -> Stream:
        """The stream that brings a message to a channel: its own bus's, or that of a bus joined to it."""
        own = self.world.streams[message, self.car.channels[channel].bus]
        company = self._company.get(channel, frozenset())
        if not company or own.channel in company:
            return own
        return next((one for one in self.world.streams_of[message] if one.channel in company), own)

    def _note_joined(self, segments: tuple[Segment, ...]) -> None:
        """Remember because of what channels came together: those that joined a larger company."""
        before = {c: n for n, old in enumerate(self.segments) for c in (*old.members, *old.listeners)}
        for segment in segments:
            present = (*segment.members, *segment.listeners)
            origins = [before.get(channel) for channel in present]
            known = sorted({origin for origin in origins if origin is not None})
            largest = max(known, key=origins.count, default=None)
            for channel, origin in zip(present, origins, strict=True):
                if origin is None or origin != largest:
                    events = (self.trigger, self.sending_since(channel))
                    self.joined_events[channel] = max(event for event in events if event is not None)

    def _is_powered(self, module: str) -> bool:
        return self.modules[module].state != "unpowered"

    def sender_heard_on(self, channel: str) -> str | None:
        """The first channel that sends and that this one could hear."""
        could = (*self._senders.get(channel, ()), *self._callers.get(channel, ()))
        return next((sender for sender in could if self._sends_on(sender)), None)

    def sending_since(self, channel: str) -> int | None:
        """The event since which the owner of a channel is in its state."""
        if channel == TESTER:
            return self.world.tester_event
        place = self.car.channels[channel]
        return self.modules[place.module].sending_since(place.bus)

    def _sends_on(self, channel: str) -> bool:
        if channel == TESTER:
            return self.tester_active
        place = self.car.channels[channel]
        return self.modules[place.module].sends_on(place.bus)

    def _lay_streams(self) -> None:
        """One stream for every message on every bus that it runs on: its own and the routed ones."""
        messages = self.car.messages
        for message in messages.sent.values():
            for bus in messages.home_buses(message):
                self.world.streams[message.name, bus] = Stream(
                    f"{message.name}@{bus}", f"{message.sender}.{bus}", message.can_id, message.period_s,
                    message.offset_s, bytes(message.length), **self._format_on(bus),
                )  # fmt: skip
        for route in messages.routes:
            message = messages.sent[route.message]
            self.world.streams[message.name, route.to_bus] = Stream(
                f"{message.name}@{route.to_bus}",
                f"{route.gateway}.{route.to_bus}",
                message.can_id,
                None,
                0.0,
                bytes(message.length),
                **self._format_on(route.to_bus),
            )  # fmt: skip
        for (name, _), stream in self.world.streams.items():
            self.world.streams_of.setdefault(name, []).append(stream)

    def _format_on(self, bus: str) -> _Format:
        spec = self.car.built.buses.get(bus)
        if spec is None or spec.fd is None:
            return {}
        return {"fd": True, "data_bitrate_bps": spec.fd.data_bitrate_bps}

    def way(self, start: str, end: str) -> list[tuple[str, str]]:
        """The way of single frames from a module or the tester to a module, as pairs of channels."""
        buses_of = self.car.messages.buses_of
        tester = self.car.transceivers.get(TESTER)
        here = (tester.bus,) if start == TESTER and tester else buses_of.get(start, ())
        graph = bus_graph(self.car.built, buses_of)
        path = shortest_bus_path(graph, here, buses_of[end])
        if not path:
            return []
        way, sending = [], TESTER if start == TESTER else f"{start}.{path[0]}"
        for a, b in pairwise(path):
            gateway = graph.edges[a, b, 0]["gateway"]
            way.append((sending, f"{gateway}.{a}"))
            sending = f"{gateway}.{b}"
        return [*way, (sending, f"{end}.{path[-1]}")]

    def hops(self, receiver: str, message: str) -> list[tuple[str, str]]:
        """The way of a message as pairs of channels: who sends, who must hear."""
        routes = {route.to_bus: route for route in self.car.messages.routes if route.message == message}
        channel = self.modules[receiver].reception.channel_of(message)
        source = self.source(message, channel)
        if source.channel in self.car.lin:
            return self._calls(source.channel, channel)
        bus = self.car.transceivers[source.channel].bus
        way = [(source.channel, channel)]
        while bus in routes and len(way) < 10:
            route = routes[bus]
            bus = route.from_bus
            way.insert(0, (self.world.streams[message, bus].channel, f"{route.gateway}.{bus}"))
        return way

    def _calls(self, sender: str, receiver: str) -> list[tuple[str, str]]:
        """A LIN frame's way: the header to its sender, unless that is the master, and the response."""
        bus = self.car.lin[sender].bus
        master = next(name for name, port in self.car.lin.items() if port.bus == bus and port.is_master)
        return [(a, b) for a, b in ((master, sender), (sender, receiver)) if a != b]

    def linked(self, sending: str, connectivity: str) -> bool:
        """Does one channel hear another now?"""
        if sending in self.car.lin:
            return (sending, connectivity) in self.wire_links
        return any(
            sending in segment.members and connectivity in (*segment.members, *segment.listeners)
            for segment in self.segments
            if segment.understands
        )

    # -- what is remembered for the causes --------------------------------------------------------------

    def _note_edit(self, before: Car, after: Car, event: int, text: str) -> None:
        if text.startswith("theory "):
            self.theory_events[text.removeprefix("theory ")] = event
            return
        old, new = before.harness, after.harness
        for name in sorted(old.kept_awake ^ new.kept_awake):
            self.edit_events[f"{name} awake"] = event
        for field in ("unplugged", "pulled", "blown", "opened", "stuck", "babbling", "classical"):
            for name in sorted(getattr(old, field) ^ getattr(new, field)):
                self.edit_events[name] = event
        for field in (
            "added_ohm", "fitted_a", "leads", "loosened", "swapped", "offset_v", "intermittent",
            "bitrates_bps",
        ):  # fmt: skip
            was, now = getattr(old, field), getattr(new, field)
            for name in sorted(set(was) | set(now)):
                if was.get(name) != now.get(name):
                    self.edit_events[name] = event
                    for part in (*was.get(name, ()), *now.get(name, ())) if field == "leads" else ():
                        self.edit_events[part.id] = event
        if old.battery_pct != new.battery_pct:
            self.edit_events["BAT"] = event


class LiveCarWithoutReasons(LiveCar):
    """The same car, whose events do not name what caused them."""

    why = NoCauses


def lin_clusters(car: Car) -> dict[str, Cluster]:
    """The LIN clusters of a car as the network runs them."""
    slots = car.messages.slots.values()
    return {
        name: Cluster(
            f"{spec.master}.{name}",
            spec.bitrate_bps,
            tuple(
                FrameSlot(f"{slot.message}@{name}", slot.frame_id, slot.length_s)
                for slot in slots
                if slot.cluster == name
            ),
        )
        for name, spec in car.built.lin.items()
    }
