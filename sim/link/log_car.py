"""What a log shows becomes the start of a vehicle file, or of the table that `quick_car` reads.

A log does not tell who sends what, so every identifier gets a sender of its own, U1, U2 and so on. A
person who knows the car renames and joins them, and adds supplies, connectors and what the modules do.
Several buses meet in one module, GATEWAY. What it passes on is heard by the first module of the other bus,
for a gateway passes on what is wanted there.

Not modeled: several gateways; who really listens.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, get_args

from sim.link.log_import import (
    FEWEST_FRAMES,
    LONGEST_PERIOD_MS,
    SHORTEST_PERIOD_MS,
    LogContents,
    LoggedIdentifier,
    forwarded,
)
from sim.vehicle.addresses import FIRST_DIAGNOSTIC_ID
from sim.vehicle.description_base import MOST_MODULES, NAME, Bitrate
from sim.vehicle.identifiers import HIGHEST_11_BIT, shown_id
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import MOST_BUSES, NO_MODULE, TableRow

BITRATES: Final[tuple[int, ...]] = get_args(Bitrate)
GATEWAY: Final = "GATEWAY"
_From = dict[tuple[int, str], str]  # the channel of origin, by identifier and the channel it is passed on to
FIRST_CODE: Final = 0x100  # U1100 and up: of the maker's own range, for a generic one names no U1


@dataclass(slots=True)
class _Sender:
    """A module that the file begins with: what it sends, and the messages of others that it hears."""

    name: str
    bus: str
    sends: list[LoggedIdentifier] = field(default_factory=list)
    hears: list[tuple[_Sender, LoggedIdentifier]] = field(default_factory=list)

    @property
    def code(self) -> str:
        """What is set by who misses it."""
        return f"U1{FIRST_CODE + int(self.name[1:]):03X}"


def vehicle_file(log: Sequence[LogContents], bitrate_bps: int = 500_000) -> str:
    """The text of a vehicle file with the log's periodic messages. Raises `Problem` where there are none."""
    comes_from = forwarded(log)
    senders = _senders(log, comes_from)
    if bitrate_bps not in BITRATES:
        raise Problem(f"a bus has no bit rate of {bitrate_bps} bit/s; choose {', '.join(map(str, BITRATES))}")
    buses = list(dict.fromkeys(one.bus for one in senders))
    fast = {_bus_names(log)[one.channel] for one in log if one.fd}
    fed = [one.name for one in senders] + [GATEWAY] * (len(buses) > 1)
    return "\n".join(
        [
            *_head(log, comes_from),
            f"car: {json.dumps(f'Imported from {log[0].name}'[:120], ensure_ascii=False)}",
            "buses:",
            *(_bus(bus, bitrate_bps, _line(bus, senders), bus in fast) for bus in buses),
            "fuses:",
            *(f"  F{number}: {{rating_a: 10, feeds: {name}}}" for number, name in enumerate(fed, 1)),
            f"  F{len(fed) + 1}: {{rating_a: 10, feeds: DLC}}",
            "modules:",
            *([f"  {GATEWAY}: {{gateway: {{}}, sends: {{}}}}"] if len(buses) > 1 else []),
            *(line for one in senders for line in _module(one)),
            "",
        ]
    )


def _bus(name: str, bitrate_bps: int, line: str, is_fast: bool) -> str:
    fast = ", fd: {}" if is_fast else ""
    return f"  {name}: {{bitrate_bps: {bitrate_bps}{fast}, line: [{line}]}}"


def table_rows(log: Sequence[LogContents]) -> list[TableRow]:
    """The log's periodic messages as rows of the table that `quick_car` reads, a sender for each.

    Of several buses the gateway comes first. Raises `Problem` where there are no such messages.
    """
    senders = _senders(log, forwarded(log))
    buses = list(dict.fromkeys(one.bus for one in senders))
    rows = [TableRow(GATEWAY, ", ".join(buses), hears=NO_MODULE)] if len(buses) > 1 else []
    for one in senders:
        hears = ", ".join(dict.fromkeys(other.name for other, _ in one.hears)) or NO_MODULE
        rows.append(TableRow(one.name, one.bus, hears=hears, sends=", ".join(map(_sentence, one.sends))))
    return rows


def _senders(log: Sequence[LogContents], comes_from: _From) -> list[_Sender]:
    """Who sends on which bus, and who hears what is passed on to it."""
    if len(log) > MOST_BUSES:
        raise Problem(
            f"{log[0].name} holds {len(log)} channels, a car at most {MOST_BUSES} buses: choose one"
        )
    own = _own_messages(log, comes_from)
    total = sum(map(len, own.values()))
    if not total:
        raise Problem(
            f"{log[0].name} holds no identifier below {FIRST_DIAGNOSTIC_ID:X} with three frames"
            ", and none of 29 bits"
        )
    room = MOST_MODULES if len(log) == 1 else MOST_MODULES - 1 - len(log)
    names = _bus_names(log)
    senders: list[_Sender] = []
    for bus in log:
        wanted = own[bus.channel]
        most = max(1, room * len(wanted) // total) if total > room else len(wanted)
        is_reached = any(channel == bus.channel for _, channel in comes_from)
        for share in _shares(wanted, most) or ([[]] if is_reached else []):
            senders.append(_Sender(f"U{len(senders) + 1}", names[bus.channel], share))
    _listen(senders, comes_from, names)
    return senders


def _own_messages(log: Sequence[LogContents], comes_from: _From) -> dict[str, list[LoggedIdentifier]]:
    """What begins on each bus, by channel. A car has an identifier once: the first bus keeps it."""
    taken: set[int] = set()
    own = {}
    for bus in log:
        own[bus.channel] = [
            one
            for one in bus.periodic()
            if (one.can_id, bus.channel) not in comes_from and one.can_id not in taken
        ]
        taken |= {one.can_id for one in own[bus.channel]}
    return own


def _listen(senders: Sequence[_Sender], comes_from: _From, names: dict[str, str]) -> None:
    by_message = {message.can_id: (one, message) for one in senders for message in one.sends}
    for can_id, channel in sorted(comes_from):
        first = next(one for one in senders if one.bus == names[channel])
        first.hears.append(by_message[can_id])


def _bus_names(log: Sequence[LogContents]) -> dict[str, str]:
    """A bus by its channel: `main` where there is one, else the channel's name, or `bus` and its number."""
    if len(log) == 1:
        return {log[0].channel: "main"}
    found: dict[str, str] = {}
    for number, bus in enumerate(log):
        name = f"bus{bus.channel}" if bus.channel.isdigit() else bus.channel
        is_free = re.fullmatch(NAME, name) and name not in found.values() and name != GATEWAY
        found[bus.channel] = name if is_free and not re.fullmatch(r"[UFR]\d+", name) else f"bus-{number}"
    return found


def _sentence(message: LoggedIdentifier) -> str:
    return f"{message.shown} every {_period_ms(message):g} ms {message.length} bytes"


def _line(bus: str, senders: Sequence[_Sender]) -> str:
    """The stops of a bus: its modules, and between them the gateway and, on the first bus, the connector."""
    names = [one.name for one in senders if one.bus == bus]
    between = [GATEWAY] if any(one.bus != bus for one in senders) else []
    if bus == senders[0].bus:
        between.append("DLC")
    if len(names) == 1:
        number = list(dict.fromkeys(one.bus for one in senders)).index(bus) + 1
        return ", ".join([f"{names[0]} terminated", *between, f"R{number} terminator"])
    return ", ".join([f"{names[0]} terminated", *names[1:-1], *between, f"{names[-1]} terminated"])


def _head(log: Sequence[LogContents], comes_from: _From) -> Iterator[str]:
    name = json.dumps(log[0].name)
    yield f"# What {name} shows. A log does not name senders: each identifier has its own."
    yield "# Merge them as you find out who sends what. Wires, fuses and positions on the bus are a guess."
    if len(log) > 1:
        yield from _passed_on(log, comes_from)
    for bus in log:
        where = f" on {bus.channel}" if len(log) > 1 else ""
        taken = {one.can_id for one in bus.periodic()}
        left_out = [one.shown for one in bus.identifiers if one.can_id not in taken]
        if left_out:
            listed = " ".join(left_out)
            yield f"# Left out{where}, diagnosis or fewer than {FEWEST_FRAMES} frames: {listed}"
        own = {one.can_id for one in _own_messages(log, comes_from)[bus.channel]}
        twice = sorted(one for one in taken - own if (one, bus.channel) not in comes_from)
        if twice:
            listed = " ".join(map(shown_id, twice))
            yield f"# Left out{where}, on an earlier bus with other bytes: {listed}"
        if bus.fd:
            yield f"# {bus.fd} frames{where} are of CAN FD. The fast bit rate is in no log: it is a guess."
        if bus.fd and bus.classical:
            yield f"# {bus.classical} frames{where} are classical ones; here all modules of it send CAN FD."
        if any(one.can_id > HIGHEST_11_BIT for one in bus.periodic()):
            yield f"# Identifiers{where} have 29 bits. If it is SAE J1939: 'protocol: j1939', 'pgn' for 'id'."
        kinds = (
            (bus.short_extended, "with a 29-bit identifier up to 7FF"),
            (bus.other_kinds, "of another kind"),
        )
        for number, kind in kinds:
            if number:
                yield f"# Left out{where}: {number} {'frame' if number == 1 else 'frames'} {kind}."


def _passed_on(log: Sequence[LogContents], comes_from: _From) -> Iterator[str]:
    if not comes_from:
        yield f"# No identifier is passed on from one bus to another: {GATEWAY} is a guess."
        return
    yield f"# {GATEWAY} passes on what comes on a second bus with the same bytes, shortly after:"
    for source, channel in sorted({(source, channel) for (_, channel), source in comes_from.items()}):
        passed = sorted(one for (one, to), of in comes_from.items() if (to, of) == (channel, source))
        yield f"#   from {source} to {channel}: {' '.join(map(shown_id, passed))}"
    constant = {one.can_id for bus in log for one in bus.periodic() if not one.changes}
    if by_chance := sorted({can_id for can_id, _ in comes_from} & constant):
        listed = " ".join(map(shown_id, by_chance))
        yield f"#   It may be chance, or the other way round, where the bytes never change: {listed}"
    yield "# Who wants them is a guess: the first module of the other bus hears them."


def _module(sender: _Sender) -> Iterator[str]:
    if not (sender.sends or sender.hears):
        yield f"  {sender.name}: {{}}"
        return
    yield f"  {sender.name}:"
    yield "    sends:" if sender.sends else "    sends: {}"
    for message in sender.sends:
        period = f"period_ms: {_period_ms(message):g}"
        fields = f"id: 0x{message.shown}, {period}, length: {message.length}"
        yield f"      m{message.shown}: {{{fields}}}{message.note}"
    if sender.hears:
        yield "    hears:"
    for other, message in sender.hears:
        yield f"      - {{from: {other.name}, message: m{message.shown}, code: {other.code}}}"


def _shares(messages: Sequence[LoggedIdentifier], most: int) -> list[list[LoggedIdentifier]]:
    """What each of `most` senders sends: one message, or more where there are more messages."""
    shares: list[list[LoggedIdentifier]] = [[] for _ in messages[:most]]
    for place, message in enumerate(messages):
        shares[place * len(shares) // len(messages)].append(message)
    return shares


def _period_ms(message: LoggedIdentifier) -> float:
    return min(max(message.period_ms or 0, SHORTEST_PERIOD_MS), LONGEST_PERIOD_MS)
