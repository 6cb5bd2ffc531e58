"""A recorded log becomes the start of a vehicle file: every identifier with its length and its usual period.

A log does not tell who sends what, so every identifier gets a sender of its own, U1, U2 and so on, on one
bus. A person who knows the car renames and joins them, and adds supplies, connectors and what the modules
do. Any format that python-can reads will do.

Not modelled: 29-bit identifiers, parameter groups of SAE J1939, and CAN FD frames (all are counted);
signals inside a message; messages that are sent on events only (listed, without a sender).
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Final, get_args

import can

from sim.vehicle.addresses import FIRST_DIAGNOSTIC_ID
from sim.vehicle.description_base import MOST_MODULES, Bitrate
from sim.vehicle.problems import Problem, did_you_mean
from sim.vehicle.quick_car import NO_MODULE, TableRow

SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS = 5, 60_000  # limits of a vehicle file
FEWEST_FRAMES: Final = 3  # two intervals: below that no period can be told
# Periods are multiples of 5 ms; a median this near to one is that one (common practice, both).
USUAL_STEP_MS, USUAL_WITHIN = 5, 0.03
IRREGULAR: Final = 0.25  # half of the intervals further than this from the median: common practice
LATEST_S: Final = 1e11  # since 1970, as most formats count: some three thousand years
BITRATES: Final[tuple[int, ...]] = get_args(Bitrate)


@dataclass(slots=True)
class LoggedIdentifier:
    """What a log shows of one identifier."""

    can_id: int
    length: int = 0  # the longest seen
    times_s: array[float] = field(default_factory=lambda: array("d"))

    @property
    def period_ms(self) -> float | None:
        """Median interval, rounded as periods usually are; None with fewer than three frames."""
        if len(self.times_s) < FEWEST_FRAMES:
            return None
        exact_ms = median(self._intervals_s()) * 1000
        usual_ms = USUAL_STEP_MS * round(exact_ms / USUAL_STEP_MS)
        near = abs(usual_ms - exact_ms) <= USUAL_WITHIN * exact_ms
        return float(usual_ms) if near else round(exact_ms, 1)

    @property
    def note(self) -> str:
        """What a reader of the vehicle file should know of this message."""
        if not SHORTEST_PERIOD_MS <= (self.period_ms or 0) <= LONGEST_PERIOD_MS:
            return f"  # seen every {self.period_ms:g} ms, which a vehicle file does not take"
        return "" if self.regular else "  # irregular"

    @property
    def regular(self) -> bool:
        """Do at least half of the intervals lie near the median?"""
        middle_s = median(self._intervals_s())
        return median(abs(one - middle_s) for one in self._intervals_s()) <= IRREGULAR * middle_s

    def _intervals_s(self) -> Iterator[float]:
        return (later - earlier for earlier, later in pairwise(self.times_s))


@dataclass(slots=True)
class LogContents:
    """What a log holds: identifiers in their order, and how many frames a vehicle file cannot hold."""

    name: str
    identifiers: list[LoggedIdentifier]
    extended: int
    other_kinds: int

    def periodic(self) -> list[LoggedIdentifier]:
        """The identifiers that become messages."""
        return [
            one for one in self.identifiers if one.can_id < FIRST_DIAGNOSTIC_ID and one.period_ms is not None
        ]


def read_log(path: Path, channel: str | None = None) -> LogContents:
    """The contents of a log. Raises `Problem` where it cannot be read, or holds several channels and none
    is chosen."""
    found: dict[str, dict[int, LoggedIdentifier]] = {}
    counts: dict[str, list[int]] = {}
    for message in _messages(path):
        where = "" if message.channel is None else str(message.channel)
        identifiers = found.setdefault(where, {})
        skipped = counts.setdefault(where, [0, 0])
        if message.is_error_frame or message.is_remote_frame or message.is_fd:
            skipped[1] += 1
        elif message.is_extended_id:
            skipped[0] += 1
        else:
            can_id = message.arbitration_id
            one = identifiers.get(can_id) or identifiers.setdefault(can_id, LoggedIdentifier(can_id))
            one.length = max(one.length, message.dlc)
            one.times_s.append(message.timestamp)
    chosen = _channel(path, sorted(found), channel)
    for one in found[chosen].values():
        one.times_s = array("d", sorted(one.times_s))
    listed = sorted(found[chosen].values(), key=lambda one: one.can_id)
    return LogContents(path.name, listed, *counts[chosen])


def vehicle_file(log: LogContents, bitrate_bps: int = 500_000) -> str:
    """The text of a vehicle file with the log's periodic messages. Raises `Problem` where there are none."""
    messages = _some(log)
    if bitrate_bps not in BITRATES:
        raise Problem(f"a bus has no bit rate of {bitrate_bps} bit/s; choose {', '.join(map(str, BITRATES))}")
    senders = [f"U{number}" for number in range(1, min(len(messages), MOST_MODULES) + 1)]
    return "\n".join(
        [
            *_head(log),
            f"car: {json.dumps(f'Imported from {log.name}'[:120], ensure_ascii=False)}",
            "buses:",
            f"  main: {{bitrate_bps: {bitrate_bps}, line: [{', '.join(_line(senders))}]}}",
            "fuses:",
            *(f"  F{number}: {{rating_a: 10, feeds: {name}}}" for number, name in enumerate(senders, 1)),
            f"  F{len(senders) + 1}: {{rating_a: 10, feeds: DLC}}",
            "modules:",
            *_modules(senders, messages),
            "",
        ]
    )


def table_rows(log: LogContents) -> list[TableRow]:
    """The log's periodic messages as rows of the table that `quick_car` reads, a sender for each.

    A log tells no listeners either. Raises `Problem` where there are no such messages.
    """
    return [
        TableRow(f"U{number}", "main", hears=NO_MODULE, sends=", ".join(_sentence(one) for one in share))
        for number, share in enumerate(_shares(_some(log)), start=1)
    ]


def _some(log: LogContents) -> list[LoggedIdentifier]:
    messages = log.periodic()
    if not messages:
        raise Problem(f"{log.name} holds no identifier below {FIRST_DIAGNOSTIC_ID:X} with three frames")
    return messages


def _sentence(message: LoggedIdentifier) -> str:
    return f"{message.can_id:03X} every {_period_ms(message):g} ms {message.length} bytes"


def _messages(path: Path) -> Iterator[can.Message]:
    if not path.is_file():
        raise Problem(f"there is no log {path}")
    try:
        with can.LogReader(path) as reader:
            for message in reader:
                yield _sound(message)
    except Exception as error:  # a foreign file in a foreign format: its readers raise what they like
        raise Problem(f"{path} cannot be read as a log: {error}") from None


def _sound(message: can.Message) -> can.Message:
    """The message, checked: a damaged log may hold anything where a number should be."""
    if not (isinstance(message.timestamp, int | float) and abs(message.timestamp) < LATEST_S):
        raise ValueError(f"a frame at the time {message.timestamp}")
    if not (isinstance(message.arbitration_id, int) and 0 <= message.arbitration_id < 1 << 29):
        raise ValueError(f"a frame with the identifier {message.arbitration_id}")
    if not (isinstance(message.dlc, int) and 0 <= message.dlc <= 64):
        raise ValueError(f"a frame of {message.dlc} bytes")
    return message


def _channel(path: Path, present: list[str], wanted: str | None) -> str:
    if not present:
        raise Problem(f"{path} holds no frames")
    if wanted is None and len(present) == 1:
        return present[0]
    if wanted is None:
        raise Problem(f"{path} holds {len(present)} channels ({', '.join(present)}): choose one")
    if wanted not in present:
        raise Problem(f"{path} holds no channel '{wanted}'{did_you_mean(wanted, present)}")
    return wanted


def _line(senders: list[str]) -> Iterable[str]:
    if len(senders) == 1:
        return (f"{senders[0]} terminated", "DLC", "R1 terminator")
    return (f"{senders[0]} terminated", *senders[1:-1], "DLC", f"{senders[-1]} terminated")


def _head(log: LogContents) -> Iterator[str]:
    yield f"# What {json.dumps(log.name)} shows. A log does not name senders: each identifier has its own."
    yield "# Merge them as you find out who sends what. Wires, fuses and positions on the bus are a guess."
    taken = {one.can_id for one in log.periodic()}
    left_out = [f"{one.can_id:03X}" for one in log.identifiers if one.can_id not in taken]
    if left_out:
        listed = " ".join(left_out)
        yield f"# Left out, diagnosis or fewer than {FEWEST_FRAMES} frames: {listed}"
    for number, kind in ((log.extended, "with 29-bit identifiers"), (log.other_kinds, "of another kind")):
        if number:
            yield f"# Left out: {number} {'frame' if number == 1 else 'frames'} {kind}."


def _modules(senders: list[str], messages: list[LoggedIdentifier]) -> Iterator[str]:
    for name, share in zip(senders, _shares(messages), strict=True):
        yield f"  {name}:"
        yield "    sends:"
        for message in share:
            period = f"period_ms: {_period_ms(message):g}"
            fields = f"id: 0x{message.can_id:03X}, {period}, length: {message.length}"
            yield f"      m{message.can_id:03X}: {{{fields}}}{message.note}"


def _shares(messages: list[LoggedIdentifier]) -> list[list[LoggedIdentifier]]:
    """What each sender sends: one message, or more where there are more than a car has modules."""
    shares: list[list[LoggedIdentifier]] = [[] for _ in messages[:MOST_MODULES]]
    for place, message in enumerate(messages):
        shares[place * len(shares) // len(messages)].append(message)
    return shares


def _period_ms(message: LoggedIdentifier) -> float:
    return min(max(message.period_ms or 0, SHORTEST_PERIOD_MS), LONGEST_PERIOD_MS)
