"""The messages of a car as streams: one for every message on every bus that it runs on."""

from __future__ import annotations

from typing import TypedDict

from sim.network.lin import Cluster, FrameSlot
from sim.network.streams import Stream
from sim.vehicle.car import Car

Streams = dict[tuple[str, str], Stream]  # by message and bus


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
                message.offset_s, bytes(message.length), **_format_on(car, bus),
            )  # fmt: skip
    for route in messages.routes:
        message = messages.sent[route.message]
        streams[message.name, route.to_bus] = Stream(
            f"{message.name}@{route.to_bus}", f"{route.gateway}.{route.to_bus}", message.can_id, None, 0.0,
            bytes(message.length), **_format_on(car, route.to_bus),
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
