"""What the car's file claims: the wiring diagram in tables. It may be wrong about the car; see What if."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import streamlit as st

from sim.bench.bench import Bench
from sim.network.response_time import PeriodicFrame, bus_load, worst_response_s
from sim.network.streams import Stream
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels.controls import download, tabs
from ui.panels.diagram import connector_words, grounds_of
from ui.state.held import Held
from ui.state.work import work_off


def show() -> None:
    """The car page."""
    held: Held = st.session_state.held
    work_off(held, st.empty())
    st.title(held.car.title)
    st.markdown(held.car.claimed.about)
    VIEWS[tabs("part of the file", list(VIEWS), "car_view", "modules")](held)


def _modules(held: Held) -> None:
    car = held.car
    rows = [
        (
            name,
            spec.title,
            spec.location,
            ", ".join((*car.messages.buses_of[name], *car.messages.clusters_of[name])),
            f"{car.addresses[name]:03X}" if name in car.addresses else "",
            ", ".join(spec.waits_for),
            spec.role if spec.role and spec.role != name else "",
        )
        for name, spec in car.claimed.modules.items()
    ]
    _table(("module", "title", "place", "buses", "request id", "waits for", "role"), rows, (4,))


def _fuses(held: Held) -> None:
    fuses, relays = held.car.claimed.fuses, held.car.claimed.relays
    rows = [
        (name, f"{fuse.rating_a:g} A", fuse.title, fuse.from_, ", ".join(fuse.feeds), fuse.location)
        for name, fuse in fuses.items()
    ]
    _table(("fuse", "rating", "title", "from", "feeds", "place"), rows)
    fed_by = {relay: [name for name, fuse in fuses.items() if fuse.from_ == relay] for relay in relays}
    rows = [
        (name, one.title, one.coil, one.from_, ", ".join([*one.feeds, *fed_by[name]]), one.location)
        for name, one in relays.items()
    ]
    if rows:
        _table(("relay", "title", "coil", "from", "feeds", "place"), rows)


def _grounds(held: Held) -> None:
    car = held.car
    modules = {
        point: [name for name in car.claimed.modules if point in grounds_of(car, name)]
        for point in car.claimed.grounds
    }
    rows = [
        (name, ground.title, ground.location, ", ".join(modules[name]))
        for name, ground in car.claimed.grounds.items()
    ]
    _table(("ground point", "title", "place", "modules"), rows)


def _connectors(held: Held) -> None:
    car = held.car
    name = st.selectbox(
        "connector",
        list(car.connectors),
        key="car_connector",
        format_func=lambda one: connector_words(car, car.connectors[one]),
    )
    rows = [(pin.id, pin.cavity, pin.function) for pin in car.connectors[name].pins]
    _table(("pin", "cavity", "carries"), rows, (0,))


def _buses(held: Held) -> None:
    car = held.car
    on = _messages_on(held.bench)
    rows = [
        (
            bus,
            spec.title,
            spec.rate,
            f"{len(on[bus])}",
            f"{100 * bus_load(on[bus], spec.bitrate_bps):.1f} %",
            " – ".join(spec.line),
        )
        for bus, spec in car.claimed.buses.items()
    ]
    _table(("bus", "title", "bit rate", "messages", "worst-case load", "line"), rows)
    st.caption("Bus load with worst-case bit stuffing; diagnostics not counted.")
    if not car.claimed.lin:
        return
    wires = [
        (
            cluster,
            wire.title,
            f"{wire.bitrate_bps / 1000:g} kbit/s",
            wire.master,
            f"{sum(slot.slot_ms for slot in wire.schedule):g} ms",
            " – ".join(slot.message for slot in wire.schedule),
            " – ".join(wire.line),
        )
        for cluster, wire in car.claimed.lin.items()
    ]
    _table(("LIN cluster", "title", "bit rate", "master", "cycle", "schedule", "wire"), wires)


def _messages_on(bench: Bench) -> dict[str, list[PeriodicFrame]]:
    """The periodic messages on each CAN bus, with those that a gateway passes on and network management."""
    sent, buses, world = bench.car.messages.sent, bench.car.claimed.buses, bench.live.world
    found: dict[str, list[PeriodicFrame]] = {bus: [] for bus in buses}

    def add(bus: str, name: str, stream: Stream, period_s: float) -> None:
        frame = PeriodicFrame.longest_of(name, stream.frame, period_s, buses[bus].bitrate_bps)
        found[bus].append(frame)

    for (name, bus), stream in world.streams.items():
        if bus in buses:
            add(bus, name, stream, sent[name].period_s)
    for bus, nodes in world.management.items():
        if times := buses[bus].network_management:
            for name, stream in nodes.items():
                add(bus, f"network management of {name}", stream, times.msg_cycle_ms / 1000)
    return found


def _messages(held: Held) -> None:
    on = _messages_on(held.bench)
    buses = held.car.claimed.buses
    late = {bus: worst_response_s(frames, buses[bus].bitrate_bps) for bus, frames in on.items()}
    rows = [
        (
            name,
            message.shown_id,
            f"{message.period_s * 1000:g} ms",
            f"{message.length}",
            ", ".join(message.signals),
            ", ".join(f"{bus} {1000 * late[bus][name]:.1f} ms" for bus in buses if name in late[bus]),
        )
        for name, message in held.car.messages.sent.items()
    ]
    _table(("message", "id", "period", "bytes", "signals", "worst-case delay, by bus"), rows, (1,))


def _routes(held: Held) -> None:
    rows = [
        (route.gateway, route.message, route.from_bus, route.to_bus) for route in held.car.messages.routes
    ]
    _table(("gateway", "message", "from", "to"), rows)


def _monitors(held: Held) -> None:
    rows = [
        (
            name,
            one.sender,
            one.message,
            f"{one.limit_s * 1000:g} ms",
            f"{one.mature_s * 1000:g} ms",
            one.code or "",
            one.invalid_code or "",
        )
        for name, several in held.car.messages.expected.items()
        for one in several
    ]
    _table(("module", "misses", "message", "limit", "matures in", "code", "code if invalid"), rows, (5, 6))


def _file(held: Held) -> None:
    download("Download", held.car_text, held.car_name, "car_download")
    st.code(held.car_text, language="yaml", height=620)


def _table(
    head: tuple[str, ...], rows: Sequence[tuple[str, ...]], code_columns: tuple[int, ...] = ()
) -> None:
    if not rows:
        st.caption("None in this car.")
        return
    sheet.show(plain_table(head, rows, code_columns), f"table {head}")


VIEWS: dict[str, Callable[[Held], None]] = {
    "modules": _modules,
    "fuses": _fuses,
    "grounds": _grounds,
    "connectors": _connectors,
    "buses": _buses,
    "messages": _messages,
    "routes": _routes,
    "monitors": _monitors,
    "file": _file,
}
