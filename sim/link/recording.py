"""Recordings of everything on the buses, written by python-can's own writers.

The ending of the file's name chooses the format: .log (as of candump), .asc, .blf, .csv, .db (SQLite). A
frame is recorded on every bus where it is heard, with the simulated time in s at which it ends. In .log a bus
goes by its name, in .asc and .blf by its number in the car's order. .csv and .db have no place for it: a car
with several buses gets one file for each, the bus in the file's name.

.asc and .blf begin at the time of the first frame, as python-can writes them. .csv and .db do not say which
frames are CAN FD; LIN frames are not recorded.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import can
import numpy as np
from numpy.typing import NDArray

from sim.bench.live import LiveCar
from sim.link.can_bridge import as_message
from sim.link.record_lines import AscLines, CandumpLines, LineFormat, LineWords, Times, lines
from sim.network.can import CanNetwork
from sim.network.frame_log import FrameKind, FrameLog, Frames
from sim.network.frames import NS_PER_S, Frame
from sim.vehicle.problems import Problem, did_you_mean

NAMES_BUSES: Final = (".log",)
NUMBERS_BUSES: Final = (".asc", ".blf")
ONE_BUS_A_FILE: Final = (".csv", ".db")
DATABASE_PATIENCE_S: Final = 10.0  # without any progress
MOST_WORDS: Final = 20_000  # kinds of lines that are remembered
LINE_FORMATS: Final[dict[str, LineFormat]] = {".log": CandumpLines(), ".asc": AscLines()}
FORMATS: Final = (*NAMES_BUSES, *NUMBERS_BUSES, *ONE_BUS_A_FILE)

_Words = tuple[Frame, tuple[str, ...], str]


class Recording:
    """Writes every frame of a live car from now until `stop`. A context manager.

    files: the files written. Raises `Problem` for a format that python-can's writers
    are not used for here, and for a file that cannot be written.
    """

    def __init__(self, live: LiveCar, path: Path) -> None:
        self._live = live
        assert isinstance(live.network, CanNetwork)  # streams have no frames
        self._network = live.network
        if self._network.log is not None:
            raise Problem(f"{path}: this car is being recorded already")
        suffix = path.suffix.lower()
        if suffix not in FORMATS:
            known = f"; formats: {' '.join(FORMATS)}"
            raise Problem(f"'{path}': no recordings in '{suffix}'{did_you_mean(suffix, FORMATS)}{known}")
        names = list(live.car.built.buses)
        several = suffix in ONE_BUS_A_FILE and len(names) > 1
        self._paths = {name: path.with_stem(f"{path.stem}-{name}") if several else path for name in names}
        self.files = list(dict.fromkeys(self._paths.values()))
        self._channels: dict[str, str | int] = {
            name: name if suffix in NAMES_BUSES else number for number, name in enumerate(names)
        }
        self._written = dict.fromkeys(self.files, 0)
        self._writers = {path: _writer(path) for path in self.files}
        self._format = LINE_FORMATS.get(suffix)
        self._line_words = LineWords(self._format) if self._format else None
        self._from_ns: int | None = None  # what the times of lines count from
        self._words: dict[_Words, list[bytes]] = {}
        self._log = FrameLog(self._take)
        self._network.log = self._log

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def frames(self) -> int:
        """Records so far."""
        self._hand_over()
        return sum(self._written.values())

    def stop(self) -> None:
        """Record no more and complete the files."""
        self._hand_over()
        if self._network.log is self._log:
            self._network.log = None
        for path, writer in self._writers.items():
            if isinstance(writer, can.SqliteWriter):
                _wait_for(writer, path, self._written[path])
            writer.stop()

    def _hand_over(self) -> None:
        if self._network.log is self._log:
            self._log.hand_over(self._live.env.now_ns)

    def _take(self, frames: Frames) -> None:
        if self._format and self._line_words:
            self._write_lines(self._format, self._line_words, frames)
        else:
            self._write_messages(frames)

    def _write_lines(self, format: LineFormat, line_words: LineWords, frames: Frames) -> None:
        """All in one file: a line for each bus that a frame is on."""
        (path,) = self.files
        told = [self._words_of(line_words, kind) for kind in frames.kinds]
        ends_ns, which = _spread(frames, [len(words) for words in told])
        if not len(ends_ns):
            return
        writer: Any = self._writers[path]
        if self._from_ns is None:
            first = frames.kinds[frames.numbers[0]].frame
            self._from_ns = format.begin(writer, as_message(first, int(ends_ns[0]) / NS_PER_S))
        words = [one for some in told for one in some]
        writer.file.write(lines(format, ends_ns, self._from_ns, words, which))
        self._written[path] += len(ends_ns)

    def _words_of(self, line_words: LineWords, kind: FrameKind) -> list[bytes]:
        """The lines of one kind of frame without their times, one for each bus that it is on."""
        about = (kind.frame, kind.segment.members, kind.channel)
        if about not in self._words:
            if len(self._words) >= MOST_WORDS:
                self._words.clear()
            self._words[about] = [
                line_words.of(as_message(kind.frame, 0.0, channel=self._channels[bus]))
                for bus in self._buses(kind)
            ]
        return self._words[about]

    def _write_messages(self, frames: Frames) -> None:
        """One by one, each to the file of its bus."""
        buses = [self._buses(kind) for kind in frames.kinds]
        for end_ns, number in zip(frames.ends_ns.tolist(), frames.numbers.tolist(), strict=True):
            for bus in buses[number]:
                path = self._paths[bus]
                self._written[path] += 1
                message = as_message(
                    frames.kinds[number].frame, end_ns / NS_PER_S, channel=self._channels[bus]
                )
                self._writers[path].on_message_received(message)

    def _buses(self, kind: FrameKind) -> list[str]:
        """The buses that a sender's CAN frames are on: its own, and those that a lead joins to it."""
        if kind.frame.ip:
            return []
        parts, members = self._live.car.transceivers, kind.segment.members
        return sorted({parts[channel].bus for channel in (*members, kind.channel) if channel in parts})


def _spread(frames: Frames, of_kind: Sequence[int]) -> tuple[Times, NDArray[np.intp]]:
    """Frames line by line, where those of a kind have so many lines each: the end, and the line's number."""
    times = np.array(of_kind)
    ends_ns, which = frames.ends_ns, (np.cumsum(times) - times)[frames.numbers]
    if np.all(times == 1):
        return ends_ns, which
    of_each = times[frames.numbers]
    rows = np.repeat(np.arange(len(of_each)), of_each)
    return ends_ns[rows], which[rows] + np.arange(len(rows)) - np.searchsorted(rows, rows)


def _writer(path: Path) -> can.io.generic.MessageWriter:
    try:
        path.unlink(missing_ok=True)  # SQLite would add to what is there
        path.touch()
        return can.Logger(path)
    except OSError as error:
        raise Problem(f"{path} cannot be written: {error.strerror}") from None


def _wait_for(writer: can.SqliteWriter, path: Path, frames: int) -> None:
    """Let python-can's database thread catch up: when stopped it leaves out what still waits."""
    last_progress_s, before = time.monotonic(), -1
    while writer.num_frames < frames:
        if writer.num_frames != before:
            last_progress_s, before = time.monotonic(), writer.num_frames
        elif time.monotonic() > last_progress_s + DATABASE_PATIENCE_S:
            raise Problem(f"{path}: only {writer.num_frames} of {frames} frames could be written")
        time.sleep(0.01)
