"""What runs on the buses of a car: its messages as streams, and the path of a frame through gateways."""

from __future__ import annotations

from itertools import pairwise
from typing import TypedDict

from sim.network.lin import Cluster, FrameSlot
from sim.network.streams import Stream
from sim.vehicle.bus_paths import bus_graph, shortest_bus_path
from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER, TESTER_LINK
from sim.vehicle.j1939_addresses import j1939_buses

Streams = dict[tuple[str, str], Stream]  # by message and bus
Hop = tuple[str, str]  # the channel that sends, and the one that must hear it


class _Format(TypedDict, total=False):
    """The frame format of a bus, for `Stream`."""

    fd: bool
    data_bitrate_bps: int


def car_streams(car: Car) -> Streams:
    """Return the streams of all messages: on their senders' own buses, and routed to others."""
    messages = car.messages
    streams: Streams = {}
    for message in messages.sent.values():
        for bus in messages.home_buses(message):
            streams[message.name, bus] = Stream(
                f"{message.name}@{bus}", f"{message.sender}.{bus}", message.can_id, message.period_s,
                message.offset_s, bytes(message.length), message.extended, **_format_on(car, bus),
            )  # fmt: skip
    for route in messages.routes:
        message = messages.sent[route.message]
        streams[message.name, route.to_bus] = Stream(
            f"{message.name}@{route.to_bus}", f"{route.gateway}.{route.to_bus}", message.can_id, None, 0.0,
            bytes(message.length), message.extended, **_format_on(car, route.to_bus),
        )  # fmt: skip
    return streams


def _format_on(car: Car, bus: str) -> _Format:
    spec = car.built.buses.get(bus)
    if spec is None or spec.fd is None:
        return {}
    return {"fd": True, "data_bitrate_bps": spec.fd.data_bitrate_bps}


def lin_clusters(car: Car) -> dict[str, Cluster]:
    """Return the LIN clusters of a car as the network runs them."""
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


def frame_path(car: Car, start: str, end: str) -> list[Hop]:
    """Return the path of frames from a module or the tester to a module; empty if there is none."""
    buses_of = car.messages.buses_of
    tester = car.transceivers.get(TESTER_LINK) or car.transceivers.get(TESTER)
    here = (tester.bus,) if start == TESTER and tester else buses_of.get(start, ())
    graph = bus_graph(car.built, buses_of)
    path = shortest_bus_path(graph, here, buses_of[end])
    if not path:
        return []
    hops, sender = [], tester.id if start == TESTER and tester else f"{start}.{path[0]}"
    for bus, next_bus in pairwise(path):
        gateway = graph.edges[bus, next_bus, 0]["gateway"]
        hops.append((sender, f"{gateway}.{bus}"))
        sender = f"{gateway}.{next_bus}"
    return [*hops, (sender, f"{end}.{path[-1]}")]


def is_on_j1939(car: Car) -> bool:
    """Is the bus at the diagnostic connector one of SAE J1939?"""
    return TESTER in car.transceivers and car.transceivers[TESTER].bus in j1939_buses(car.built)


def no_tester_address(car: Car, module: str) -> str:
    """Return why a tester cannot address a module that is on LIN only."""
    masters = " and ".join(car.built.lin[name].master for name in car.messages.clusters_of[module])
    return f"{module} is on LIN only and does not answer a tester: {masters} reports for it"
