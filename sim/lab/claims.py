"""Who misses whom: what the list of a car's parts says about the codes that an absent one leaves.

`claims_of(car)` reads it from a vehicle file; a car begun from two columns, module and bus, is enough.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import networkx as nx

from sim.lab.case import CodeSeen, Evidence
from sim.vehicle.bus_paths import bus_graph, shortest_bus_path
from sim.vehicle.car import Car
from sim.vehicle.codes import invalid_data_code, is_known_role, lost_communication_code
from sim.vehicle.own_codes import base_code
from sim.vehicle.wire_ends import wire_end

ASKED = ""  # the witness that is no module: a tester, which asks


@dataclass(frozen=True, slots=True)
class Hearing:
    """One module listens to another, or watches a part: `codes` (without failure type) that it sets then.

    `reasons`: what makes it miss the other by its absence: that itself, gateways between them, and in-line
    connectors on the way of its wires.
    """

    witness: str
    missed: str
    codes: frozenset[str]
    reasons: frozenset[str]


@dataclass(frozen=True)
class Claims:
    """All that a car's list says: its hearings, and what the others say of a module.

    `lost`, `invalid`: the generic codes about a module's role; `fed_by`: whose messages a module works with.
    """

    heard: tuple[Hearing, ...]
    lost: Mapping[str, str]
    invalid: Mapping[str, str]
    fed_by: Mapping[str, frozenset[str]]
    inline: Mapping[str, str] = field(default_factory=dict)  # in-line connectors with their titles

    def explaining(self, seen: CodeSeen) -> frozenset[str]:
        """The modules whose absence would explain a code; empty where none does."""
        code = base_code(seen.code)
        own = self._by_code.get((seen.module, code))
        if own:
            return own
        about = frozenset(name for name, lost in self.lost.items() if lost == code and name != seen.module)
        doubted = [name for name, invalid in self.invalid.items() if invalid == code and name != seen.module]
        return about.union(*(self.fed_by[name] for name in doubted)) - {seen.module}

    def is_told(self, one: Hearing, report: Evidence) -> bool:
        """Does the report hold a code of this hearing?"""
        return any(seen.module == one.witness and base_code(seen.code) in one.codes for seen in report.codes)

    @cached_property
    def _by_code(self) -> Mapping[tuple[str, str], frozenset[str]]:
        found: dict[tuple[str, str], frozenset[str]] = {}
        for one in self.heard:
            for code in one.codes:
                key = one.witness, code
                found[key] = found.get(key, frozenset()) | one.reasons
        return found


def claims_of(car: Car) -> Claims:
    """What the description of a car says about who misses whom."""
    modules = car.claimed.modules
    roles = {name: spec.role or name for name, spec in modules.items()}
    known = {name: role for name, role in roles.items() if is_known_role(role)}
    sender_of = {message.name: message.sender for message in car.messages.sent.values()}
    graph = bus_graph(car.claimed, car.messages.buses_of)
    return Claims(
        tuple(_merged((*_hearings(car, known, graph), *_questions(car, graph), *_watched(car)))),
        {name: lost_communication_code(role) for name, role in known.items()},
        {name: invalid_data_code(role) for name, role in known.items()},
        {
            name: _feeders(car, graph, name, {sender_of[one] for one in needs}) | _parts_behind(car, name)
            for name, needs in car.messages.needs.items()
        },
        {name: one.title for name, one in car.claimed.inline.items()},
    )


def _hearings(car: Car, known: Mapping[str, str], graph: nx.MultiGraph[str]) -> Iterator[Hearing]:
    messages = car.messages
    for witness, several in messages.expected.items():
        for one in several:
            code = one.code or (lost_communication_code(known[one.sender]) if one.sender in known else "")
            codes = frozenset((base_code(code),)) if code else frozenset()
            if one.message in messages.slots:
                between = {car.claimed.lin[messages.slots[one.message].cluster].master}
            else:
                path = shortest_bus_path(graph, messages.buses_of[one.sender], messages.buses_of[witness])
                between = _on_the_way(car, graph, path or [], one.sender, witness)
            reasons = {one.sender, *_connectors_to(car, one.sender), *between} - {witness}
            yield Hearing(witness, one.sender, codes, frozenset(reasons))


def _watched(car: Car) -> Iterator[Hearing]:
    """A module misses a small load or sensor whose circuit it watches."""
    for part, one in car.claimed.watched.items():
        yield Hearing(one.module, part, frozenset((one.code,)), frozenset((part, *one.group.via)))


def _feeders(car: Car, graph: nx.MultiGraph[str], receiver: str, senders: Iterable[str]) -> frozenset[str]:
    """Whose messages a module works with, and the in-line connectors that bring them to it."""
    found = set(senders)
    buses = car.messages.buses_of
    for sender in senders:
        path = shortest_bus_path(graph, buses[sender], buses[receiver])
        way = {*_on_the_way(car, graph, path or [], sender, receiver), *_connectors_to(car, sender)}
        found |= way & car.claimed.inline.keys()
    return frozenset(found)


def _parts_behind(car: Car, module: str) -> frozenset[str]:
    """Small loads and sensors behind a module's signals, and the connectors on their way."""
    parts = {part for one in car.claimed.modules[module].signals.values() for part in one.circuits}
    vias = (name for part in parts for name in car.claimed.watched[part].group.via)
    return frozenset((*parts, *vias))


def _on_the_way(car: Car, graph: nx.MultiGraph[str], path: list[str], sender: str, receiver: str) -> set[str]:
    """Gateways between two modules, and in-line connectors that the lines pass between them."""
    gateways = [graph.edges[a, b, 0]["gateway"] for a, b in pairwise(path)]
    found = set(gateways)
    for bus, a, b in zip(path, [sender, *gateways], [*gateways, receiver], strict=True):
        names = [stop.name for stop in car.claimed.buses[bus].stops]
        first, last = sorted((names.index(a), names.index(b)))
        found.update(name for name in names[first:last] if name in car.claimed.inline)
    return found


def _connectors_to(car: Car, module: str) -> frozenset[str]:
    """In-line connectors without which a module has no supply or no ground."""
    fed = (end for fuse in car.claimed.fuses.values() for end in fuse.ends if end.target == module)
    found = {name for end in fed for name in end.via}
    grounds = [wire_end(item) for item in car.claimed.modules[module].ground]
    if len(grounds) == 1:
        found.update(grounds[0].via)
    return frozenset(found)


def _questions(car: Car, graph: nx.MultiGraph[str]) -> Iterator[Hearing]:
    """A tester misses a module that does not answer, or one that cannot be reached."""
    buses = car.messages.buses_of
    at = tuple(
        bus for bus, spec in car.claimed.buses.items() if any(stop.name == "DLC" for stop in spec.stops)
    )
    for name in car.addresses:
        path = shortest_bus_path(graph, at, buses[name])
        between = _on_the_way(car, graph, path or [], "DLC", name)
        yield Hearing(ASKED, name, frozenset(), frozenset({name, *_connectors_to(car, name), *between}))


def _merged(heard: Iterable[Hearing]) -> Iterator[Hearing]:
    """One hearing for each pair: a module may listen to several messages of another."""
    pairs: dict[tuple[str, str], Hearing] = {}
    for one in heard:
        before = pairs.get((one.witness, one.missed))
        if before is None:
            pairs[one.witness, one.missed] = one
        else:
            both = before.codes | one.codes, before.reasons & one.reasons
            pairs[one.witness, one.missed] = Hearing(one.witness, one.missed, *both)
    yield from pairs.values()


def shared_parts(car: Car, absent: Iterable[str], answering: Iterable[str]) -> tuple[str, ...]:
    """Parts that several absent modules have in common and no module that answers: look there first."""
    gone, fine = frozenset(absent), frozenset(answering)
    users: dict[str, set[str]] = {}
    for fuse, spec in car.claimed.fuses.items():
        users.setdefault(f"fuse {fuse}", set()).update(end.part for end in spec.ends)
    for bus, line in car.claimed.buses.items():
        users[f"bus {bus}"] = {stop.name for stop in line.stops}
    for name, module in car.claimed.modules.items():
        for item in module.ground:
            users.setdefault(f"ground {wire_end(item).target}", set()).add(name)
    return tuple(part for part, names in users.items() if len(names & gone) > 1 and not names & fine)
