"""Doing an observation: its time passes, and what runs over the buses meanwhile is kept."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass

from sim.bench.live import LiveCar
from sim.bench.observations import HELD, METER_FUNCTIONS, Observation, ObservationKind
from sim.network.can import CanNetwork
from sim.network.clock import CLOCK_S
from sim.network.frames import Frame
from sim.network.lin import OnWire
from sim.vehicle.ethernet import BITRATE_BPS as ETHERNET_BPS
from sim.wiring.conduction import SwitchState
from sim.wiring.segments import Segment
from sim.wiring.wiring import Wiring

GATE_S = 0.4  # a hand-held meter shows two to five readings a second; common practice
RUN_IN_S = 0.003  # longer than any frame at 125 kbit/s, so that none is on the wire when the gate opens
HOLD_S = 0.1  # a meter's minimum hold catches what lasts this long; common practice
LOOP_OPEN_S = 1.0  # while a fuse or lead comes off and the meter goes in; common practice
TRIGGER_S = 0.25  # how long a scope waits for the first edge before it draws what there is


@dataclass(frozen=True, slots=True)
class FrameSeen:
    """One frame that ran over a bus, and who acknowledged it."""

    start_s: float
    end_s: float
    frame: Frame
    sender: str
    acknowledged_by: tuple[str, ...]
    bitrate_bps: int


@dataclass(frozen=True, slots=True)
class LevelSeen:
    """A change of who drives a disturbed bus dominant, of its members."""

    time_s: float
    members: tuple[str, ...]
    dominant: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Observed:
    """An observation, its stretch of simulated time, and the complete frames in it, by their ends.

    levels: of buses that went bit by bit, where frames are only a part of what is on the line.
    on_wires: headers and responses on LIN.
    held: for a minimum or maximum, the electrical states of the last action that lasted `HOLD_S`.
    frame_fidelity: whether frames exist on this bench at all.
    interrupted: the circuit was opened for a meter in series.
    """

    what: Observation
    start_s: float
    end_s: float
    frames: tuple[FrameSeen, ...]
    frame_fidelity: bool = True
    on_wires: tuple[OnWire, ...] = ()
    levels: tuple[LevelSeen, ...] = ()
    held: tuple[tuple[Wiring, SwitchState], ...] = ()
    interrupted: bool = False


def observe(live: LiveCar, what: Observation) -> Observed:
    """Let the time of a measurement pass and keep the frames that were sent (none at stream fidelity)."""
    if what.kind is ObservationKind.LOOK:
        return Observed(what, live.now_s, live.now_s, ())
    interrupted = put_in_series(live, what)
    held = held_states(live) if what.kind in HELD else ()
    frames: list[FrameSeen] = []
    levels: list[LevelSeen] = []
    network = live.network
    with _tapped(network, frames, levels) if isinstance(network, CanNetwork) else nullcontext():
        live.run(RUN_IN_S)
        start_s = live.now_s
        on_wires: list[OnWire] = []
        live.lin.tap = on_wires.append
        live.run(TRIGGER_S + what.sweep_s if what.kind is ObservationKind.SCOPE else GATE_S)
        live.lin.tap = None
    seen = tuple(one for one in frames if start_s <= one.start_s and one.end_s <= live.now_s)
    at_frame_fidelity = isinstance(network, CanNetwork)
    changes = tuple(one for one in levels if start_s <= one.time_s <= live.now_s)
    return Observed(
        what, start_s, live.now_s, seen, at_frame_fidelity, tuple(on_wires), changes, held, interrupted
    )


def put_in_series(live: LiveCar, what: Observation) -> bool:
    """Put the ammeter in series, which opens the circuit for a second; not if it is there already.

    It stays until the meter measures something else. Not modeled: the moment in which it comes out.
    """
    if what.kind is not ObservationKind.AMPS:
        if what.kind in METER_FUNCTIONS and what.kind is not ObservationKind.CLAMP:
            live.meter_at = None
        return False
    place = what.points[0]
    was_there, live.meter_at = live.meter_at == place, place
    if was_there or not live.car.is_whole(live.car.elements[place]):
        return False
    live.turn_contact(place, opens=True, words=f"the circuit is opened at {place} for the meter")
    live.run(LOOP_OPEN_S)
    live.turn_contact(place, opens=False, words=f"the meter closes the circuit at {place}")
    return True


def held_states(live: LiveCar) -> tuple[tuple[Wiring, SwitchState], ...]:
    """The electrical states since the last action began that a hold catches, and the present one."""
    ends_s = [*(since_s for since_s, _, _ in list(live.hold)[1:]), math.inf]
    lasted = zip(live.hold, ends_s, strict=True)
    return tuple(
        (wiring, state) for (since_s, wiring, state), end_s in lasted if end_s >= since_s + HOLD_S - CLOCK_S
    )


@contextmanager
def _tapped(network: CanNetwork, frames: list[FrameSeen], levels: list[LevelSeen]) -> Iterator[None]:
    """Put every complete frame and every level into a list; another tap keeps working."""
    other_tap = network.tap

    def tap(start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        segment = network.segment_of(sender)
        others = tuple(channel for channel in segment.members if channel != sender)
        if segment.bitrate_bps != ETHERNET_BPS:  # a pair that never rests has no levels of single frames
            frames.append(FrameSeen(start_s, end_s, frame, sender, others, segment.bitrate_bps))
        if other_tap:
            other_tap(start_s, end_s, frame, sender)

    def level_tap(time_s: float, segment: Segment, dominant: tuple[str, ...]) -> None:
        levels.append(LevelSeen(time_s, segment.members, dominant))

    network.tap, network.level_tap = tap, level_tap
    try:
        yield
    finally:
        network.tap, network.level_tap = other_tap, None
