"""What a tester reads besides codes: live data, the records of one code, and the engine's monitors.

Each is a conversation over the car's own wires by ISO 14229-1 or SAE J1979, request by request; the first
request that is refused ends it, and is what the technician is told.

Not modeled: live data of several modules at once, several identifiers in one request, freeze frames of SAE
J1979 service 02.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Protocol, runtime_checkable

from sim.bench.setting_up import refusal_of
from sim.bench.tester import Tester
from sim.modules import uds_client as asks
from sim.modules.diagnostics import engine_module
from sim.modules.fault_memory import SnapshotRecord
from sim.modules.live_data import live_value
from sim.modules.obd_services import CURRENT_DATA, MONITOR_STATUS, Monitors, monitors_in
from sim.modules.uds_data import POWER_MODE, SUPPLY_VOLTAGE, BadResponse
from sim.modules.uds_responses import (
    CountersRead,
    DataRead,
    PositiveResponse,
    ReportedDtc,
    SnapshotsRead,
)
from sim.vehicle.car import Car
from sim.vehicle.live_data import LiveDatum, live_data_of
from sim.vehicle.words import counted

BETWEEN_READINGS_S: Final = 0.5  # of live data that is read again and again; our own choice


@runtime_checkable
class Told(Protocol):
    """What a tester has found out, as a sentence for the log."""

    @property
    def words(self) -> str:
        """One sentence."""


@dataclass(frozen=True, slots=True)
class LiveRow:
    """One line of live data: what it is, a number in `unit` or words."""

    title: str
    value: float | str
    unit: str = ""

    @property
    def shown(self) -> str:
        """The value as a display has it."""
        return self.value if isinstance(self.value, str) else f"{self.value:g} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class LiveReading:
    """A module's live data at one time. `rows` is empty, and `refusal` says why, where it tells none."""

    module: str
    time_s: float
    rows: tuple[LiveRow, ...] = ()
    refusal: str = ""

    @property
    def words(self) -> str:
        """One sentence."""
        told = ", ".join(f"{row.title} {row.shown}" for row in self.rows)
        return f"{self.module}: {told or self.refusal}"


def live_reading(tester: Tester, name: str, car: Car, for_s: float = 0.0) -> list[LiveReading]:
    """Read a module's live data, for this long again and again; at least one reading."""
    if not tester.begin(f"reads live data of {name}"):
        return [LiveReading(name, tester.now_s, refusal="the tester has no power")]
    listed = live_data_of(car, name)
    found, until_s = [], tester.now_s + for_s
    while True:
        begun_s = tester.now_s
        found.append(_once(tester, name, listed))
        next_s = max(tester.now_s, begun_s + BETWEEN_READINGS_S)
        if next_s > until_s or found[-1].refusal:
            break
        if next_s > tester.now_s:
            tester.wait(next_s - tester.now_s)
    if until_s > tester.now_s:
        tester.wait(until_s - tester.now_s)
    tester.end()
    return found


def _once(tester: Tester, name: str, listed: tuple[LiveDatum, ...]) -> LiveReading:
    time_s, rows = tester.now_s, []
    for one in (SUPPLY_VOLTAGE, POWER_MODE):
        response = tester.ask(name, asks.read_data_by_identifier(one.number))
        if not isinstance(response, DataRead):
            return LiveReading(name, time_s, refusal=refusal_of(response))
        value = round(response.value, 2) if isinstance(response.value, float) else response.value
        rows.append(LiveRow(one.name, value, one.unit))
    for datum in listed:
        response = tester.ask(name, asks.read_data_by_identifier(datum.number))
        if not isinstance(response, DataRead):
            return LiveReading(name, time_s, tuple(rows), refusal_of(response))
        try:
            value = live_value(datum, bytes.fromhex(str(response.value)), tester.codec)
        except (BadResponse, ValueError):
            value = "an invalid response"
        rows.append(LiveRow(datum.title, value, datum.unit))
    return LiveReading(name, time_s, tuple(rows))


@dataclass(frozen=True, slots=True)
class CodeDetails:
    """The records of one code: freeze frames of its first and latest failure, and its counters.

    `status` is the code as reported with them, None where the module refuses: `refusal` says why.
    """

    module: str
    code: str
    time_s: float
    status: ReportedDtc | None = None
    first: SnapshotRecord | None = None
    last: SnapshotRecord | None = None
    occurrences: int = 0
    aging_count: int = 0
    fault_detection_counter: int = 0
    refusal: str = ""

    @property
    def words(self) -> str:
        """One sentence."""
        if self.refusal:
            return f"{self.module} {self.code}: {self.refusal}"
        told = [f"{title} {value}" for title, value in self.rows()]
        return f"{self.module} {self.code}: {', '.join(told)}"

    def rows(self) -> Iterator[tuple[str, str]]:
        """Line by line: what it is, and what the module says."""
        if self.status is None:
            return
        yield "status", f"{', '.join(self.status.flags) or 'no bits set'} ({self.status.status:02X})"
        for title, frame in (("first failure", self.first), ("latest failure", self.last)):
            yield title, "none stored" if frame is None else _frame_words(frame)
        yield "occurrences", str(self.occurrences)
        yield "good cycles since", str(self.aging_count)
        yield "fault detection counter", str(self.fault_detection_counter)


def _frame_words(frame: SnapshotRecord) -> str:
    mode = frame.power_mode or "not known"
    told = [f"at {frame.time_s:.1f} s, {frame.supply_v:.2f} V supply, power mode {mode}"]
    known = (
        (frame.coolant_c, "coolant {:.0f} °C"),
        (frame.engine_rpm, "engine {:.0f} rpm"),
        (frame.speed_kph, "{:.0f} km/h"),
    )
    return ", ".join([*told, *(words.format(value) for value, words in known if value is not None)])


def details(tester: Tester, name: str, code: str) -> CodeDetails:
    """Read the snapshot and extended data records of one code (ReadDTCInformation 04 and 06)."""
    if not tester.begin(f"reads the records of {name} {code}"):
        return CodeDetails(name, code, tester.now_s, refusal="the tester has no power")
    frames = tester.ask(name, asks.report_dtc_snapshot_record(code))
    counters = tester.ask(name, asks.report_dtc_ext_data_record(code))
    tester.end()
    if not isinstance(frames, SnapshotsRead):
        return CodeDetails(name, code, tester.now_s, refusal=refusal_of(frames))
    if not isinstance(counters, CountersRead):
        return CodeDetails(name, code, tester.now_s, refusal=refusal_of(counters))
    stored = [frame for _, frame in frames.snapshots]
    return CodeDetails(
        name, code, tester.now_s, frames.code, stored[0] if stored else None, stored[-1] if stored else None,
        counters.occurrences, counters.aging_count, counters.fault_detection_counter,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Readiness:
    """The engine's monitors since codes were last cleared (SAE J1979 service 01, parameter 01)."""

    module: str
    time_s: float
    found: Monitors | None = None
    refusal: str = ""

    @property
    def words(self) -> str:
        """One sentence."""
        if self.found is None:
            return f"{self.module}: {self.refusal}"
        lamp = "asks for the engine lamp" if self.found.lamp else "does not ask for the engine lamp"
        states = [f"{name} {state}" for name, state in self.rows()]
        return f"{self.module} {lamp}, {counted(self.found.codes, 'code')}; {', '.join(states)}"

    def rows(self) -> Iterator[tuple[str, str]]:
        """Each monitor that the module has, and whether it has run since codes were cleared."""
        if self.found is not None:
            yield from ((name, "complete" if done else "not complete") for name, done in self.found.monitors)


def readiness(tester: Tester, car: Car) -> Readiness:
    """Ask the engine module for its monitors."""
    name = engine_module(car.built)
    assert name is not None  # what the action needs
    if not tester.begin("asks for the engine's monitors"):
        return Readiness(name, tester.now_s, refusal="the tester has no power")
    response = tester.ask(name, bytes([CURRENT_DATA, MONITOR_STATUS]))
    tester.end()
    if not isinstance(response, PositiveResponse):
        return Readiness(name, tester.now_s, refusal=refusal_of(response))
    found = monitors_in(response.data)
    return Readiness(name, tester.now_s, found, "" if found else "an invalid response")
