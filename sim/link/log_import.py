"""What a recorded log of one or several buses shows: every identifier, its length, its usual period.

Any format that python-can reads will do. A bus is a channel of the log. An identifier that comes with the
same bytes on a second bus, shortly after, has been passed on by a gateway (`forwarded`).

Identifiers of 29 bits and frames of CAN FD with their sizes are kept; a bus with a frame of CAN FD is such a
bus.

Not modeled: 29-bit identifiers up to 7FF, error and remote frames (all are counted); parameter groups of SAE
J1939, which are plain 29-bit identifiers here; which frames of a bus of CAN FD are classical (they are
counted); signals inside a message; messages that are sent on events only (listed, without a sender).
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations
from pathlib import Path
from statistics import median
from typing import Final
from zlib import crc32

import can

from sim.vehicle.addresses import FIRST_DIAGNOSTIC_ID
from sim.vehicle.identifiers import HIGHEST_11_BIT, is_long_diagnosis, shown_id
from sim.vehicle.problems import Problem, did_you_mean

SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS = 5, 60_000  # limits of a vehicle file
FEWEST_FRAMES: Final = 3  # two intervals: below that no period can be told
# Periods are multiples of 5 ms; a median this near to one is that one (common practice, both).
USUAL_STEP_MS, USUAL_WITHIN = 5, 0.03
IRREGULAR: Final = 0.25  # half of the intervals further than this from the median: common practice
LATEST_S: Final = 1e11  # since 1970, as most formats count: some three thousand years
# A copy ends on the other bus later than its original, by a shortest frame at least (44 bits at 1 Mbit/s, ISO
# 11898-1) and some milliseconds of a gateway at most; most frames of what is passed on are copies (common
# practice, both).
SOONEST_COPY_S, LATEST_COPY_S, SHARE_OF_COPIES = 44e-6, 0.02, 0.8


@dataclass(slots=True)
class LoggedIdentifier:
    """What a log shows of one identifier."""

    can_id: int
    length: int = 0  # the longest seen
    times_s: array[float] = field(default_factory=lambda: array("d"))
    checksums: array[int] = field(default_factory=lambda: array("L"))  # of the bytes of each frame

    def take(self, message: can.Message) -> None:
        """One more frame."""
        self.length = max(self.length, message.dlc)
        self.times_s.append(message.timestamp)
        self.checksums.append(crc32(message.data))

    def sort(self) -> None:
        """Put the frames in order of time."""
        frames = sorted(zip(self.times_s, self.checksums, strict=True))
        self.times_s = array("d", (one for one, _ in frames))
        self.checksums = array("L", (one for _, one in frames))

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
    def is_message(self) -> bool:
        """Is it none that carries diagnosis?"""
        if self.can_id > HIGHEST_11_BIT:
            return not is_long_diagnosis(self.can_id)
        return self.can_id < FIRST_DIAGNOSTIC_ID

    @property
    def shown(self) -> str:
        """It in hexadecimal digits, three or eight."""
        return shown_id(self.can_id)

    @property
    def changes(self) -> bool:
        """Do its bytes ever change?"""
        return len(set(self.checksums)) > 1

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
    """What a log holds of one bus: identifiers in order, and how many frames a vehicle file cannot hold.

    `fd`, `classical`: how many frames of the identifiers are of CAN FD, and how many are not.
    """

    name: str
    channel: str
    identifiers: list[LoggedIdentifier]
    short_extended: int
    other_kinds: int
    fd: int
    classical: int

    def periodic(self) -> list[LoggedIdentifier]:
        """The identifiers that become messages."""
        return [one for one in self.identifiers if one.is_message and one.period_ms is not None]


def read_log(path: Path, channel: str | None = None) -> tuple[LogContents, ...]:
    """The contents of a log, bus by bus, or of the one channel. Raises `Problem` where it cannot be read."""
    found: dict[str, dict[int, LoggedIdentifier]] = {}
    counts: dict[str, list[int]] = {}
    for message in _messages(path):
        where = "" if message.channel is None else str(message.channel)
        identifiers = found.setdefault(where, {})
        counted = counts.setdefault(where, [0, 0, 0, 0])
        can_id = message.arbitration_id
        if message.is_error_frame or message.is_remote_frame:
            counted[1] += 1
        elif message.is_extended_id and can_id <= HIGHEST_11_BIT:
            counted[0] += 1
        else:
            counted[2 if message.is_fd else 3] += 1
            (identifiers.get(can_id) or identifiers.setdefault(can_id, LoggedIdentifier(can_id))).take(
                message
            )
    return tuple(
        LogContents(path.name, name, _in_order(found[name]), *counts[name])
        for name in _channels(path, sorted(found), channel)
    )


def _in_order(found: Mapping[int, LoggedIdentifier]) -> list[LoggedIdentifier]:
    for one in found.values():
        one.sort()
    return [found[can_id] for can_id in sorted(found)]


def forwarded(buses: Sequence[LogContents]) -> dict[tuple[int, str], str]:
    """From which channel an identifier comes to another one, by identifier and the other channel."""
    by_identifier: dict[int, dict[str, LoggedIdentifier]] = defaultdict(dict)
    for bus in buses:
        for one in bus.periodic():
            by_identifier[one.can_id][bus.channel] = one
    return {
        (can_id, channel): origin
        for can_id, seen in by_identifier.items()
        for channel, origin in _origins(seen).items()
        if channel != origin
    }


def _origins(seen: Mapping[str, LoggedIdentifier]) -> dict[str, str]:
    """Where an identifier comes from at first, by channel: itself, if it is no copy of another's.

    Where bytes never change, a copy may also be taken for the original of the next frame: the origin is the
    channel from which all others are reached soonest.
    """
    found: dict[str, str] = {}
    lags_s: dict[str, dict[str, float]] = {one: {} for one in seen}
    for one, other in permutations(seen, 2):
        if (lag_s := _lag_s(seen[one], seen[other])) is not None:
            lags_s[one][other] = lag_s
    for first in sorted(seen, key=lambda one: (-len(lags_s[one]), max(lags_s[one].values(), default=0), one)):
        if first not in found:
            found |= dict.fromkeys((first, *(other for other in lags_s[first] if other not in found)), first)
    return found


def _lag_s(original: LoggedIdentifier, copy: LoggedIdentifier) -> float | None:
    """How long after the same bytes of the one the frames of the other usually come; None if no copies."""
    lags_s = []
    for time_s, checksum in zip(copy.times_s, copy.checksums, strict=True):
        place = bisect_right(original.times_s, time_s - SOONEST_COPY_S) - 1
        if place >= 0 and original.checksums[place] == checksum:
            lags_s.append(time_s - original.times_s[place])
    near = [one for one in lags_s if one <= LATEST_COPY_S]
    return median(near) if len(near) >= SHARE_OF_COPIES * len(copy.times_s) else None


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


def _channels(path: Path, present: list[str], wanted: str | None) -> list[str]:
    if not present:
        raise Problem(f"{path} holds no frames")
    if wanted is None:
        return present
    if wanted not in present:
        raise Problem(f"{path} holds no channel '{wanted}'{did_you_mean(wanted, present)}")
    return [wanted]
