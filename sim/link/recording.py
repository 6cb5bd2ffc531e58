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
from pathlib import Path
from typing import Final

import can

from sim.bench.live import LiveCar
from sim.link.can_bridge import as_message
from sim.link.tap import add_tap
from sim.network.frames import Frame
from sim.vehicle.problems import Problem, did_you_mean

NAMES_BUSES: Final = (".log",)
NUMBERS_BUSES: Final = (".asc", ".blf")
ONE_BUS_A_FILE: Final = (".csv", ".db")
DATABASE_PATIENCE_S: Final = 10.0  # without any progress
FORMATS: Final = (*NAMES_BUSES, *NUMBERS_BUSES, *ONE_BUS_A_FILE)


class Recording:
    """Writes every frame of a live car from now until `stop`. A context manager.

    files: the files written. Raises `Problem` for a format that python-can's writers
    are not used for here, and for a file that cannot be written.
    """

    def __init__(self, live: LiveCar, path: Path) -> None:
        self._live = live
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
        self._heard_on: dict[tuple[str, ...], list[str]] = {}
        self._end = add_tap(live, self._frame)

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def frames(self) -> int:
        """Records so far."""
        return sum(self._written.values())

    def stop(self) -> None:
        """Record no more and complete the files."""
        self._end()
        for path, writer in self._writers.items():
            if isinstance(writer, can.SqliteWriter):
                _wait_for(writer, path, self._written[path])
            writer.stop()

    def _frame(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        for bus in self._buses(sender):
            path = self._paths[bus]
            self._written[path] += 1
            message = as_message(frame, end_s, channel=self._channels[bus])
            self._writers[path].on_message_received(message)

    def _buses(self, sender: str) -> list[str]:
        """The buses that a sender's frames are on: its own, and those that a lead joins to it."""
        members = self._live.network.segment_of(sender).members
        if members not in self._heard_on:
            parts = self._live.car.transceivers
            found = {parts[channel].bus for channel in (*members, sender) if channel in parts}
            self._heard_on[members] = sorted(found)
        return self._heard_on[members]


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
