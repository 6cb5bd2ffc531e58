"""Why things happen in a live car: the events that explain silence, dead modules, codes and stops.

Every function answers with events of the trace, by their numbers; what the wiring names as a culprit is led
back to the edit or the switch that made it so.

Not modeled: causes that are no events, such as how the car was designed, unless a theory says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain

from sim.bench.buses import Buses
from sim.bench.running_car import RunningCar
from sim.bench.traffic import frame_path
from sim.modules.world import LIFELESS
from sim.vehicle.description_high_voltage import LOOP_IN, LOOP_OUT, HighVoltage
from sim.vehicle.edit import Relation
from sim.vehicle.elements import TESTER, part_of
from sim.vehicle.wire_ends import WireEnd
from sim.wiring.tracing import Culprit

FELT_V = 1.0  # a short that moves an input by less is not why it is on or off


class Causes:
    """Explains what happens in one car, by trace event ids."""

    def __init__(self, live: RunningCar, buses: Buses) -> None:
        self._live = live
        self._buses = buses

    def trigger(self) -> tuple[int, ...]:
        """What has been done or switched last."""
        return () if self._live.latest.trigger is None else (self._live.latest.trigger,)

    def supply(self, module: str) -> tuple[int, ...]:
        """What keeps a module's supply away, or gives it."""
        return self.edits(self._live.reading.why_unsupplied(module), module) or self.trigger()

    def sense(self, module: str, function: str) -> tuple[int, ...]:
        """Shorts without which the pin would have another voltage, or what has just been switched."""
        reading = self._live.reading
        now_v = reading.pin_v(module, function)
        events = {
            self._live.latest.edits[part.id]
            for part in self._live.car.harness.joined_parts()
            if part.id in self._live.latest.edits
            and abs(reading.without(part.id).pin_v(module, function) - now_v) > FELT_V
        }
        return tuple(sorted(events)) or self.trigger()

    def circuit(self, module: str, pin: str, other: str | None = None) -> tuple[int, ...]:
        """What disturbs the circuit of a pin that a module watches, or of two that it compares."""
        if pin in self._live.car.built.modules[module].references or self._sensor_ways(module, pin):
            ways = self._sensor_ways(module, pin) or [(f"{module}:{pin}", f"{module}:{pin}")]
            ways += self._sensor_ways(module, other) if other else []
            culprits = self._live.reading.why_sensed_wrong(tuple(ways))
            return self.edits(culprits, module) or self.trigger()
        if pin.startswith("B+") and (found := self._uncharged()):
            return found
        culprits = self._live.reading.why_dead(f"{module}:{pin}")
        loads = self._live.car.built.loads.items()
        about = next((name for name, load in loads if load.end.target == f"{module}.{pin}"), module)
        return self.edits(culprits, about) or self.trigger()

    def _uncharged(self) -> tuple[int, ...]:
        """What keeps generator or converter from charging: edits of it, of its cable or of its enable."""
        live, spec = self._live, self._live.car.built.high_voltage
        name = "CONVERTER" if spec else "GEN"
        if name not in live.car.elements:
            return ()
        culprits = [*live.reading.why_sensed_wrong((("BAT+", f"{name}.1"),))]
        if spec:
            lines = [leaf.line for leaf in spec.converter.when.leaves() if leaf.line]
            culprits += [
                one for line in lines for one in live.reading.why_dead(f"{spec.converter.module}:{line}")
            ]
        own = live.latest.edits.get(name)
        return (() if own is None else (own,)) or self.edits(tuple(culprits), name)

    def _interlock_ways(self, spec: HighVoltage) -> list[tuple[str, str]]:
        """The wires of the loop, from inside one part to inside the next."""
        ends = [(f"{name}:1", f"{name}:2") for name in spec.orange]
        leaving = [f"{spec.controller}:{LOOP_OUT}", *(out for _, out in ends)]
        return list(zip(leaving, [*(into for into, _ in ends), f"{spec.controller}:{LOOP_IN}"], strict=True))

    def _sensor_ways(self, module: str, pin: str) -> list[tuple[str, str]]:
        """The wires of the sensor whose signal ends on a pin: from inside the module to inside the sensor."""
        spec = self._live.car.built.high_voltage
        if spec and (module, pin) == (spec.controller, LOOP_OUT):
            return self._interlock_ways(spec)
        circuit = self._live.car.built.watched.get(pin.rstrip("+-"))
        if circuit is not None:
            ends = (f"{circuit.part}:1", f"{circuit.part}:2")
            return [(f"{module}:{near}", far) for near, far in zip(circuit.pins, ends, strict=True)]
        for name, sensor in self._live.car.built.sensors.items():
            for place, track in enumerate(sensor.tracks):
                if track.ends[1].target == f"{module}.{pin}":
                    inner = [f"{end.part}:{end.pin}" for end in track.ends]
                    return [(node, f"{name}:{n}") for n, node in enumerate(inner, start=1 + 3 * place)]
        return []

    def drain(self) -> tuple[int, ...]:
        """Why charge is being taken: what keeps modules awake, and what was last switched on or shorted."""
        events = [event for module in self._live.modules.values() for _, event in module.sleep.reasons_now()]
        shorts = [self._live.latest.edits.get(lead) for lead in self._live.car.harness.leads]
        return tuple(sorted({event for event in (*events, *shorts) if event is not None}))

    def coil(self, driver: WireEnd) -> int | None:
        """The last time a relay's driver, a module's output or a hand switch, changed."""
        switch = self._live.car.built.switches.get(driver.part)
        if switch:
            return self._live.latest.switches.get(switch.operated_by)
        return self._live.modules[driver.part].outputs.events.get(driver.pin)

    def engine(self) -> tuple[int, ...]:
        """Why the engine does not run: its controller, or what has just been switched."""
        spec = self._live.car.built.engine
        assert spec is not None
        controller = self._live.modules[spec.controller]
        if not controller.sends and controller.state_event is not None:
            return (controller.state_event,)
        if controller.starter and not controller.starter.released and controller.starter.event is not None:
            return (controller.starter.event,)
        return self.trigger()

    def unfed(self, load: str, node: str) -> tuple[int, ...]:
        """What keeps the voltage from a load, which shows at `node`; else what has just been switched."""
        return self.starved(load, node) or self.trigger()

    def starved(self, load: str, node: str) -> tuple[int, ...]:
        """What keeps the voltage from a load, which shows at `node`."""
        return self.edits(self._live.reading.why_dead(node), load)

    def silence(self, receiver: str, message: str) -> tuple[int, ...]:
        """The events because of which a receiver does not get a message; empty where it should get it."""
        sender = self._live.car.messages.sent[message].sender
        events: set[int] = set()
        control = self._live.modules[sender].control
        if control.muted and control.event is not None:
            events.add(control.event)
        for sent_on, heard_on in self._buses.hops(receiver, message):
            speaker, bus = self._live.car.channels[sent_on].module, self._live.car.channels[sent_on].bus
            if (lost := self._live.modules[speaker].j1939.lost_address(bus)) is not None:
                events.add(lost)
                continue
            if not self._live.modules[speaker].sends and self._live.modules[speaker].state != "asleep":
                events.update(self.state(speaker))
            elif not self._buses.linked(sent_on, heard_on) and not self._is_silent_gateway(heard_on):
                events.update(self.link(sent_on, heard_on))
            else:
                events.update(self.bus_off(sent_on, heard_on) or self.babble(sent_on))
        return tuple(sorted(events))

    def bus_faults(self, channel: str) -> tuple[int, ...]:
        """The events that make a channel's error counters rise."""
        culprits = self._live.reading.why_errors(channel)
        return self.edits(culprits, self._live.car.transceivers[channel].bus) or self.trigger()

    def bus_off(self, *channels: str) -> tuple[int, ...]:
        """Since when the controllers of some channels have been in and out of bus-off; empty if none has."""
        transceivers, modules = self._live.car.transceivers, self._live.modules
        ends = [transceivers[name] for name in channels if name in transceivers]
        known = [modules[end.module].controllers[end.bus] for end in ends if end.module in modules]
        return tuple(sorted(one.event for one in known if one.event is not None))

    def release(self) -> tuple[int | None, ...]:
        """The event with which the immobilizer's authority last locked, asked or released."""
        spec = self._live.car.built.immobilizer
        authority = self._live.modules[spec.authority].authority if spec else None
        return (authority.event,) if authority else ()

    def babble(self, channel: str) -> tuple[int, ...]:
        """Why a channel that is in order does not get its bus: others never let go of it."""
        edits = self._live.latest.edits
        return tuple(sorted(edits[name] for name in self._buses.babblers(channel) if name in edits))

    def _is_silent_gateway(self, channel: str) -> bool:
        module = self._live.modules[self._live.car.channels[channel].module]
        return module.gateway is not None and not module.sends

    def arrival(self, receiver: str, message: str) -> tuple[int, ...]:
        """The event because of which a receiver gets a message: the last that its way needed."""
        events: list[int | None] = [self._live.modules[receiver].state_event]
        for sent_on, heard_on in self._buses.hops(receiver, message):
            events += [
                self._buses.sending_since(sent_on),
                self._buses.joined_events.get(sent_on),
                self._buses.joined_events.get(heard_on),
            ]
        return tuple(sorted({event for event in events if event is not None})[-1:])

    def broken_path(self, start: str, end: str) -> tuple[int, ...]:
        """What keeps frames from passing between two modules; empty where nothing does."""
        for sender, receiver in frame_path(self._live.car, start, end):
            module = self._live.car.transceivers[receiver].module
            if not self._live.modules[module].sends:
                return self.state(module)
            if not (self._buses.linked(sender, receiver) and self._buses.linked(receiver, sender)):
                return self.link(sender, receiver)
        return ()

    def link(self, sender: str, receiver: str) -> tuple[int, ...]:
        """Why one channel does not hear another: an end without supply, the edits of the line, or sleep."""
        ends = [self._live.car.channels[channel].module for channel in (sender, receiver)]
        deaf = [name for name in ends if name in self._live.modules and not self._live.modules[name].hears]
        for name in deaf:
            if self._live.modules[name].state in LIFELESS:
                return self.state(name)
        if off := self.bus_off(sender, receiver):
            return off
        reading = self._live.reading_with_tester if TESTER in ends else self._live.reading
        # a module whose ground has gone lifts its lines out of the others' reach
        culprits = reading.why_unheard(sender, receiver) or tuple(
            culprit for name in ends if name in self._live.modules for culprit in reading.why_unsupplied(name)
        )
        bus = self._live.car.channels[sender].bus
        asleep = tuple(event for name in deaf for event in self.state(name))
        return self.edits(culprits, bus) or asleep or self.trigger()

    def state(self, module: str) -> tuple[int, ...]:
        """The event since which a module is in its state; or what keeps its supply away."""
        event = self._live.modules[module].state_event
        if event is not None:
            return (event,)
        return self.supply(module) if self._live.modules[module].state == "unpowered" else ()

    def edits(self, culprits: Iterable[Culprit], about: str) -> tuple[int, ...]:
        """Events of parts that the wiring names as the reason why `about`, a module, load or bus, lacks
        something.
        """
        events: set[int] = set()
        for culprit in culprits:
            if culprit.what == "driver off":
                events.update(self._driver_events(culprit))
                continue
            for name in (culprit.owner, culprit.element_id):
                event = self._live.latest.edits.get(name)
                if event is None:
                    switch = self._live.car.built.switches.get(name)
                    event = self._live.latest.switches.get(switch.operated_by if switch else name)
                if event is not None:
                    events.add(event)
                    theories = self._live.latest.theories.items()
                    events.update(event for theory, event in theories if theory.leads(about, part_of(name)))
                    break
        return tuple(sorted(events))

    def _driver_events(self, culprit: Culprit) -> tuple[int, ...]:
        """Why a module does not drive an output: its state, or what its rule lacks."""
        module = self._live.modules[culprit.owner]
        if not module.sends:
            return self.state(culprit.owner)
        output = culprit.element_id.removeprefix(f"{culprit.owner}:").removesuffix(".driver")
        event = module.outputs.events.get(output)
        lacking = module.knowledge.judge(module.spec.outputs[output].when).events
        return lacking if event is None else (event,)

    def dead_line(self, module: str) -> tuple[int, ...]:
        """What keeps the ignition from a module's sense lines, while another module has its own."""
        lines = {
            name: {function: fact.value for function, fact in one.knowledge.lines.items()}
            for name, one in self._live.modules.items()
        }
        if not any(True in found.values() for found in lines.values()):
            return ()
        dead = [function for function, on in lines[module].items() if not on]
        culprits = [self._live.reading.why_dead(f"{module}:{function}") for function in dead]
        return self.edits(chain.from_iterable(culprits), module)

    def supposed(self, module: str, relation: Relation) -> tuple[int, ...]:
        """Theories by which a module waits at its start, or shuts down."""
        theories = self._live.latest.theories.items()
        return tuple(event for one, event in theories if (one.relation, one.subject) == (relation, module))


class NoCauses(Causes):
    """An explainer that finds nothing: the same happens in half the time."""

    def _nothing(self, *_: object, **__: object) -> tuple[int, ...]:
        return ()

    edits = starved = silence = arrival = broken_path = link = dead_line = supply = sense = circuit = _nothing
