"""Who sends what, who needs what, and what gateways must pass on: worked out from a vehicle description."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import networkx as nx

from sim.vehicle.bus_paths import bus_graph, clusters_of, find_buses_of, shortest_bus_path
from sim.vehicle.codes import is_known_role
from sim.vehicle.conditions import Condition
from sim.vehicle.description import Vehicle
from sim.vehicle.description_high_voltage import HighVoltage
from sim.vehicle.description_software import J1939Code, Message, Module, Monitor, StartStop
from sim.vehicle.identifiers import HIGHEST_11_BIT
from sim.vehicle.j1939_addresses import MessageIdentifiers, claims_of
from sim.vehicle.lin import HIGHEST_ID, MOST_DATA_BYTES, longest_frame_s
from sim.vehicle.problems import Path, Problem, did_you_mean, unknown

FD_LENGTHS = (12, 16, 20, 24, 32, 48, 64)  # above 8 bytes (ISO 11898-1:2015)


@dataclass(frozen=True)
class Route:
    """A message that a gateway sends on from one bus to another."""

    gateway: str
    sender: str
    message: str
    from_bus: str
    to_bus: str


@dataclass(frozen=True, slots=True)
class Sent:
    """A periodic message with every default filled in."""

    name: str  # "ECM.status"
    sender: str
    can_id: int
    period_s: float
    offset_s: float
    length: int
    signals: tuple[str, ...]
    extended: bool = False  # 29 bits

    @property
    def shown_id(self) -> str:
        """Its identifier in hexadecimal digits, three or eight."""
        return f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"

    @property
    def short_name(self) -> str:
        """Its key in the sender's `sends`: `status` of `ECM.status`."""
        return self.name.removeprefix(f"{self.sender}.")


@dataclass(frozen=True, slots=True)
class Slot:
    """A message's place in a LIN schedule: from `offset_s` on in each cycle of `period_s`."""

    cluster: str
    message: str
    frame_id: int
    offset_s: float
    length_s: float
    period_s: float
    path: Path


@dataclass(frozen=True, slots=True)
class Expected:
    """A monitor with every default filled in. Times in seconds; codes may be None (the role's own)."""

    receiver: str
    message: str
    sender: str
    limit_s: float
    mature_s: float
    heal_s: float
    after_s: float
    when: Condition | None
    code: str | None
    invalid_code: str | None
    j1939: J1939Code


class Messages:
    """All messages of a vehicle: `sent` by name, `carrier` of each signal, `expected` by receiver.

    `needs[module]` are the names of messages that the module's software reads, sorted. `buses_of` and
    `clusters_of` are the CAN buses and the LIN clusters that a module is on; `slots` are the places of
    messages in LIN schedules, by name.
    `management_ids[module, bus]` is the identifier of the module's network management frame. `claims` are
    the addresses and NAMEs of modules on SAE J1939.
    """

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.buses_of = find_buses_of(vehicle)
        self.clusters_of = clusters_of(vehicle)
        self.claims = claims_of(vehicle, self.buses_of)
        self.slots = dict(_lin_slots(vehicle))
        self.management_ids = _management_ids(vehicle, self.buses_of)
        self.sent = {message.name: message for message in self._sent()}
        self._check_slots()
        self.carrier = self._carriers()
        self.expected = {
            name: tuple(self._expected(name, module)) for name, module in vehicle.modules.items()
        }
        self.needs = {name: self._needs(name, module) for name, module in vehicle.modules.items()}
        self.routes = tuple(sorted(self._routes(), key=lambda r: (r.message, r.from_bus, r.to_bus)))
        self._check_lengths()

    def of(self, module: str) -> list[Sent]:
        """The messages that a module sends, in file order."""
        return [message for message in self.sent.values() if message.sender == module]

    def _sent(self) -> Iterator[Sent]:
        listed = [
            (module, name, message)
            for module, spec in self.vehicle.modules.items()
            for name, message in (_default_sends(self.vehicle, module, spec)).items()
        ]
        taken = self._taken_ids(listed)
        free = [can_id for can_id in range(0x200, 0x700) if can_id not in taken][::-1]
        identifiers = MessageIdentifiers(self.claims, listed)
        for index, (module, name, message) in enumerate(listed):
            signals = message.signals
            if len(signals) > message.length:
                raise Problem(
                    f"{len(signals)} signals of one byte each do not fit in {message.length} bytes",
                    ("modules", module, "sends", name, "signals"),
                )
            slot = self.slots.get(f"{module}.{name}")
            if slot is not None:
                where = (slot.frame_id, slot.period_s, slot.offset_s, message.length, signals)
                yield Sent(f"{module}.{name}", module, *where)
                continue
            period_s = message.period_ms / 1000
            # spread over the period so that modules that start together do not all send at once
            offset_s = (index * 0.0037) % period_s if message.offset_ms is None else message.offset_ms / 1000
            long_id = identifiers.of(module, name, message)
            if long_id is not None:
                times = (long_id, period_s, offset_s, message.length, signals)
                yield Sent(f"{module}.{name}", module, *times, extended=True)
                continue
            if message.id is None and not free:
                raise Problem("no identifier from 200 to 6FF is left for this message", ("modules", module))
            can_id = free.pop() if message.id is None else message.id
            is_long = can_id > HIGHEST_11_BIT
            yield Sent(
                f"{module}.{name}", module, can_id, period_s, offset_s, message.length, signals, is_long
            )  # fmt: skip

    def _taken_ids(self, listed: list[tuple[str, str, Message]]) -> dict[int, str]:
        """The identifiers that the description gives, and what has each; what is sent is checked."""
        taken = {id: f"network management of {name}" for (name, _), id in self.management_ids.items()}
        spec = self.vehicle.immobilizer
        handshake = (spec.challenge_id, spec.answer_id, spec.release_id) if spec else ()
        for can_id in dict.fromkeys(handshake):
            if can_id in taken:
                raise Problem(f"identifier 0x{can_id:03X} is {taken[can_id]} already", ("immobilizer",))
            taken[can_id] = "the immobilizer"
        for module, name, message in listed:
            for index, signal in enumerate(message.signals):
                if signal not in self.vehicle.modules[module].signals:
                    raise Problem(
                        f"{module} sends a signal '{signal}' that its 'signals' do not work out"
                        f"{did_you_mean(signal, self.vehicle.modules[module].signals)}",
                        ("modules", module, "sends", name, "signals", index),
                    )
            if f"{module}.{name}" in self.slots:
                if message.id is not None or message.offset_ms is not None:
                    path = ("modules", module, "sends", name)
                    raise Problem("a LIN schedule gives this message its id and its times", path)
                continue
            if message.id is not None:
                if message.id in taken:
                    raise Problem(
                        f"identifier 0x{message.id:03X} is already sent by {taken[message.id]}",
                        ("modules", module, "sends", name, "id"),
                    )
                taken[message.id] = f"{module}.{name}"
        return taken

    def _carriers(self) -> dict[str, str]:
        carriers: dict[str, str] = {}
        for message in self.sent.values():
            for signal in message.signals:
                if signal in carriers:
                    raise Problem(
                        f"signal '{signal}' is already sent in {carriers[signal]}",
                        ("modules", message.sender, "sends", message.short_name, "signals"),
                    )
                carriers[signal] = message.name
        return carriers

    def _expected(self, receiver: str, module: Module) -> Iterator[Expected]:
        known: set[str] = set()
        for index, monitor in enumerate(module.hears):
            path = ("modules", receiver, "hears", index)
            message = self.message_from(monitor.from_, monitor.message, path)
            if message.sender == receiver:
                raise Problem("a module cannot monitor itself", path)
            if message.name in known:
                raise Problem(f"{message.name} is monitored twice", path)
            known.add(message.name)
            limit_s = max(0.1, 10 * message.period_s) if monitor.limit_ms is None else monitor.limit_ms / 1000
            if limit_s <= message.period_s:
                raise Problem(
                    f"limit {limit_s * 1000:g} ms is not longer than the period "
                    f"{message.period_s * 1000:g} ms of {message.name}",
                    (*path, "limit_ms"),
                )
            self._check_code(monitor, path)
            yield Expected(
                receiver,
                message.name,
                message.sender,
                limit_s,
                monitor.mature_ms / 1000,
                monitor.heal_ms / 1000,
                monitor.after_ms / 1000,
                monitor.when or module.hears_when,
                monitor.code,
                monitor.invalid_code,
                monitor,
            )

    def _check_code(self, monitor: Monitor, path: Path) -> None:
        role = self.vehicle.modules[monitor.from_].role or monitor.from_
        if monitor.code is None and not is_known_role(role):
            raise Problem(
                f"no generic lost-communication code is known for '{role}': give this monitor a 'code', "
                "or the module a 'role' that has one",
                path,
            )

    def message_from(self, sender: str, name: str | None, path: Path) -> Sent:
        """A sender's message by its short name, or its first one."""
        if sender not in self.vehicle.modules:
            raise Problem(unknown("module", sender, self.vehicle.modules), path)
        own = {message.short_name: message for message in self.of(sender)}
        if name is None and not own:
            raise Problem(f"module '{sender}' sends no message", path)
        if name is not None and name not in own:
            raise Problem(f"module '{sender}' sends no message '{name}'{did_you_mean(name, own)}", path)
        return next(iter(own.values())) if name is None else own[name]

    def _needs(self, name: str, module: Module) -> tuple[str, ...]:
        needed = {expected.message for expected in self.expected[name]}
        for index, other in enumerate(module.waits_for):
            if other == name:
                raise Problem("a module cannot wait for itself", ("modules", name, "waits_for", index))
            needed.add(self.message_from(other, None, ("modules", name, "waits_for", index)).name)
        for path, condition in conditions_of(self.vehicle, name):
            heard = [other for leaf in condition.leaves() for other in (leaf.lost, leaf.met) if other]
            needed.update(self.message_from(other, None, path).name for other in heard)
        for signal, path in self._signals_read(name, module):
            if signal not in self.carrier:
                raise Problem(
                    f"no message carries a signal '{signal}'{did_you_mean(signal, self.carrier)}", path
                )
            needed.add(self.carrier[signal])
        return tuple(sorted(message for message in needed if self.sent[message].sender != name))

    def _signals_read(self, name: str, module: Module) -> Iterator[tuple[str, Path]]:
        for path, condition in conditions_of(self.vehicle, name):
            for signal in condition.signals():
                yield signal, path
            is_master = self.vehicle.power_modes is not None and self.vehicle.power_modes.master == name
            if not is_master and any(leaf.mode is not None for leaf in condition.leaves()):
                yield "power_mode", path
        for signal, spec in module.signals.items():
            for used in spec.uses:
                yield used, ("modules", name, "signals", signal, "uses")

    def _routes(self) -> Iterator[Route]:
        graph = bus_graph(self.vehicle, self.buses_of)
        wanted: set[Route] = set()
        for receiver, names in self.needs.items():
            for name in names:
                sender = self.sent[name].sender
                if name in self.slots:
                    self._check_hears_cluster(receiver, name)
                else:
                    wanted.update(self._path(graph, sender, receiver, name))
        return iter(wanted)

    def home_buses(self, message: Sent) -> list[str]:
        """Where a message's sender puts it: in its slot, or on those of its buses where a module needs it."""
        if message.name in self.slots:
            return [self.slots[message.name].cluster]
        own = self.buses_of[message.sender]
        if len(own) <= 1:
            return list(own)
        readers = [name for name, needs in self.needs.items() if message.name in needs]
        wanted = [bus for bus in own if any(bus in self.buses_of[name] for name in readers)]
        routed = [route.from_bus for route in self.routes if route.message == message.name]
        return [bus for bus in own if bus in wanted or bus in routed] or [own[0]]

    def _check_hears_cluster(self, receiver: str, message: str) -> None:
        cluster = self.slots[message].cluster
        if cluster not in self.clusters_of[receiver]:
            master = self.vehicle.lin[cluster].master
            raise Problem(
                f"needs {message}, which runs on the LIN cluster '{cluster}' only: "
                f"let its master {master} send the signal on in a message of its own",
                ("modules", receiver),
            )

    def _check_slots(self) -> None:
        """Every slot has a message of a module on the line that fits it; no slave has one elsewhere."""
        for slot in self.slots.values():
            message = self.sent.get(slot.message)
            if message is None:
                near = did_you_mean(slot.message, self.sent)
                raise Problem(f"no module sends a message '{slot.message}'{near}", slot.path)
            spec = self.vehicle.lin[slot.cluster]
            if slot.cluster not in self.clusters_of[message.sender]:
                raise Problem(f"{message.sender} is not on the line of {slot.cluster}", slot.path)
            if not 1 <= message.length <= MOST_DATA_BYTES:
                raise Problem(
                    f"{slot.message} has {message.length} bytes: a LIN frame has 1 to {MOST_DATA_BYTES}",
                    slot.path,
                )
            needed_s = longest_frame_s(message.length, spec.bitrate_bps)
            if slot.length_s < needed_s:
                raise Problem(
                    f"a slot of {slot.length_s * 1000:g} ms is too short for the {message.length} bytes of "
                    f"{slot.message} at {spec.bitrate_bps} bit/s: they take up to {needed_s * 1000:.1f} ms",
                    slot.path,
                )
        for message in self.sent.values():
            if not self.buses_of[message.sender] and message.name not in self.slots:
                raise Problem(
                    f"{message.name} is in no LIN schedule, and {message.sender} is on no CAN bus",
                    ("modules", message.sender),
                )

    def _check_lengths(self) -> None:
        """More than 8 bytes need CAN FD on every bus that the message runs on, and one of its sizes."""
        for message in self.sent.values():
            path = ("modules", message.sender, "sends", message.short_name, "length")
            if message.length <= 8 or message.name in self.slots:
                continue
            if message.length not in FD_LENGTHS:
                sizes = ", ".join(map(str, FD_LENGTHS))
                raise Problem(f"a CAN FD frame has no {message.length} bytes: above 8 it has {sizes}", path)
            routed = [route.to_bus for route in self.routes if route.message == message.name]
            for bus in (*self.home_buses(message), *routed):
                if self.vehicle.buses[bus].fd is None:
                    raise Problem(
                        f"{message.name} has {message.length} bytes and runs on {bus}, a classical CAN bus "
                        "with at most 8: give that bus 'fd', or split the message",
                        path,
                    )

    def _path(self, graph: nx.MultiGraph[str], sender: str, receiver: str, message: str) -> list[Route]:
        source, target = self.buses_of[sender], self.buses_of[receiver]
        if set(source) & set(target):
            return []
        path = shortest_bus_path(graph, source, target)
        if path is None:
            raise Problem(
                f"needs {message}, which is sent on {' and '.join(source) or 'no bus'}, and no gateway "
                f"connects that to {' or '.join(target) or 'any bus of its own'}",
                ("modules", receiver),
            )
        return [Route(graph.edges[a, b, 0]["gateway"], sender, message, a, b) for a, b in pairwise(path)]


def conditions_of(vehicle: Vehicle, name: str) -> Iterator[tuple[Path, Condition]]:
    """Every condition that a module's software evaluates, with its place in the description."""
    module = vehicle.modules[name]
    here = ("modules", name)
    for output, driven in module.outputs.items():
        yield (*here, "outputs", output), driven.when
    for pin, pulsed in module.pulsed.items():
        yield from (((*here, "pulsed", pin, "steps", n), step.when) for n, step in enumerate(pulsed.steps))
    for signal, spec in module.signals.items():
        if spec.when:
            yield (*here, "signals", signal), spec.when
    for lamp, telltale in module.telltales.items():
        yield (*here, "telltales", lamp), telltale.when
    if module.shuts_down_when:
        yield (*here, "shuts_down_when"), module.shuts_down_when
    if module.hears_when:
        yield (*here, "hears_when"), module.hears_when
    for index, monitor in enumerate(module.hears):
        if monitor.when:
            yield (*here, "hears", index), monitor.when
    for index, check in enumerate(module.checks):
        if check.when:
            yield (*here, "checks", index), check.when
    if vehicle.engine and vehicle.engine.start_stop and vehicle.engine.controller == name:
        yield from _start_stop_conditions(vehicle.engine.start_stop)
    if vehicle.high_voltage:
        yield from _high_voltage_conditions(vehicle.high_voltage, name)
    if vehicle.power_modes and vehicle.power_modes.master == name:
        for index, rule in enumerate(vehicle.power_modes.rules):
            yield ("power_modes", "rules", index), rule.if_


def _start_stop_conditions(spec: StartStop) -> Iterator[tuple[Path, Condition]]:
    here = ("engine", "start_stop")
    yield (*here, "stop_when"), spec.stop_when
    yield (*here, "drives_when"), spec.drives_when
    yield (*here, "restarts_when"), spec.restarts_when
    yield from (((*here, "allowed", name), one) for name, one in spec.allowed.items())


def _high_voltage_conditions(spec: HighVoltage, name: str) -> Iterator[tuple[Path, Condition]]:
    here = ("high_voltage",)
    if name == spec.controller:
        yield (*here, "close"), spec.close
        yield (*here, "hold"), spec.hold
    if name == spec.drive:
        yield (*here, "ready"), spec.ready
    if name == spec.converter.module:
        yield (*here, "converter", "when"), spec.converter.when
    if spec.inlet and name == spec.inlet.module:
        yield (*here, "inlet", "when"), spec.inlet.when


def _management_ids(vehicle: Vehicle, buses_of: dict[str, tuple[str, ...]]) -> dict[tuple[str, str], int]:
    """The identifier of each module's network management frame on each bus that has it."""
    managed = {bus: spec.network_management for bus, spec in vehicle.buses.items()}
    return {
        (name, bus): management.first_id + node
        for node, name in enumerate(vehicle.modules)
        for bus in buses_of[name]
        if (management := managed[bus]) is not None
    }


def _lin_slots(vehicle: Vehicle) -> Iterator[tuple[str, Slot]]:
    seen: dict[str, str] = {}
    for cluster, spec in vehicle.lin.items():
        taken = {slot.id for slot in spec.schedule if slot.id is not None}
        free = (number for number in range(1, HIGHEST_ID + 1) if number not in taken)
        used: set[int] = set()
        period_s = sum(slot.slot_ms for slot in spec.schedule) / 1000
        offset_s = 0.0
        for index, slot in enumerate(spec.schedule):
            path = ("lin", cluster, "schedule", index)
            if slot.message in seen:
                raise Problem(f"{slot.message} is in the schedule of {seen[slot.message]} already", path)
            seen[slot.message] = cluster
            frame_id = slot.id if slot.id is not None else next(free, None)
            if frame_id is None or frame_id in used:
                why = "none is left" if frame_id is None else f"{frame_id:02X} is used already"
                raise Problem(f"identifier for {slot.message} in the schedule of {cluster}: {why}", path)
            used.add(frame_id)
            length_s = slot.slot_ms / 1000
            yield slot.message, Slot(cluster, slot.message, frame_id, offset_s, length_s, period_s, path)
            offset_s += length_s


def _default_sends(vehicle: Vehicle, name: str, module: Module) -> dict[str, Message]:
    if module.sends is not None:
        return module.sends
    return {"status": Message(signals=tuple(module.signals))}
