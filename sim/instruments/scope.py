"""The two-channel scope: the waveform between any two points, from frames really sent and levels solved.

    picture = read(bench, "scope DLC.6 to DLC.4 and DLC.14 to DLC.4 for 2 ms")
    picture.channels[0].time_s, picture.channels[0].volt      # arrays, 0 s is the first edge
    picture.cursors(0.0001, 0.0003)                            # volts at both, and their difference

Every bit is drawn at the level that its senders solve to: the acknowledge slot, where all receivers are
dominant together, is highest; with one terminator every level is higher. Edges are one exponential
each, with the capacitance of line and nodes and the resistance they see. Modules that get no frame through
are drawn as they try (`sim.instruments.attempts`); one that cannot read its own bits has gone silent.

Not modeled: reflections and ringing, noise, the probe's ground lead, levels that change during a sweep
because something switches.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.bench.observing import TRIGGER_S, Observed
from sim.bench.pulses import PulseTrain
from sim.instruments.attempts import Change, attempts
from sim.instruments.levels import (
    ACKNOWLEDGE_FROM_END,
    DOMINANT,
    Ran,
    bit_by_bit,
    channels_at,
    clusters_of,
    conductor,
    frame_by_frame,
    now,
    thevenin,
)
from sim.instruments.probed import Probed
from sim.instruments.pulsed import Pulsed, pulsed
from sim.instruments.pulsed import edges as pulse_edges
from sim.instruments.result import Result, common, digits
from sim.network.frames import NS_PER_S, bit_starts_ns, duration_ns, wire_bits
from sim.network.lin import OnWire
from sim.vehicle.elements import TESTER, LinPort
from sim.vehicle.problems import EditProblem
from sim.wiring.bus_clusters import LINE_F_PER_M, NODE_F, BusCluster
from sim.wiring.wiring import Reading

Array = NDArray[np.float64]

PROBE_OHM = 10_000_000.0  # a ten-to-one probe; common practice
LIN_NODE_F = 220e-12  # the usual capacitor at a slave's pin; with it goes the wire (LIN 2.x, from memory)
BEFORE_SHARE = 0.1  # of the sweep, before the first edge
# Straight lines between these points of an exponential stay within 1 % of it.
EDGE_TAUS = (*(k / 5 for k in range(16)), 3.5, 4.0, 5.0, 7.0)
PULSE_TAU_S = 2e-6  # edges of a sensor's signal; from memory
LEAST_TAU_S = 20e-9  # drivers take about this long to switch; from memory
QUIET_BITS = 9  # a line that was recessive for longer than within a frame: the next edge begins one
Edge = tuple[float, float, float]  # time, change of the level that is headed for, time constant
BAND_POINTS = 800  # so close together that no single edge is seen
LEG_SWING_V = 0.5  # of each wire, the other one opposite: 1 V between them (IEEE 802.3bw, from memory)
BAND_NOTE = (
    "An Ethernet pair carries three levels at 66.7 MBd without a pause: the scope shows a band. "
    "The tester reads link state and signal quality."
)
POINTS = 4000.0  # an edge shorter than a sweep by this factor is drawn as a step


class Tries(NamedTuple):
    """What is tried in vain on one bus, and when the first frame in the sweep begins, if one does."""

    changes: tuple[Change, ...]
    first_s: float | None


@dataclass(frozen=True, slots=True)
class Channel:
    """One trace: `time_s` and `volt` of shape (n,), time rising. floating: nothing joins the two points."""

    a: str
    b: str
    time_s: Array
    volt: Array
    rest_v: float
    floating: bool = False
    is_band: bool = False

    def at(self, time_s: float) -> float:
        """Voltage at a time."""
        return float(np.interp(time_s, self.time_s, self.volt))


@dataclass(frozen=True, slots=True)
class Cursors:
    """Two times, the voltages of each channel there, and the differences (second less first)."""

    times_s: tuple[float, float]
    volts: tuple[tuple[float, float], ...]

    @property
    def between_s(self) -> float:
        """Time between the cursors."""
        return self.times_s[1] - self.times_s[0]

    @property
    def steps_v(self) -> tuple[float, ...]:
        """What each channel changes from the first cursor to the second."""
        return tuple(second - first for first, second in self.volts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture(Result):
    """One sweep. frames: (start, end, identifier and data) of what ran, in s against the first edge."""

    channels: tuple[Channel, ...]
    sweep_s: float
    frames: tuple[tuple[float, float, str], ...]

    def cursors(self, first_s: float, second_s: float) -> Cursors:
        """Readings at two times."""
        volts = tuple((one.at(first_s), one.at(second_s)) for one in self.channels)
        return Cursors((first_s, second_s), volts)


def swept(bench: Probed, observed: Observed) -> Picture:
    """Return what the scope shows of the bench's last observation."""
    found, what = now(bench), observed.what
    near = set(channels_at(found, *what.points))
    if near and not observed.frame_fidelity:
        raise EditProblem("a scope on a bus needs a bench at frame fidelity")
    everything: tuple[Ran, ...] = (*observed.frames, *observed.on_wires)
    ran = [one for one in everything if one.sender in near]
    disturbed = _disturbed(found, observed, near)
    whole = [one for one in frame_by_frame(observed) if one.sender in near]
    trains = tuple(bench.live.pulse_trains())
    start_s, zero_s = _window(observed, whole)
    if not whole and (first := _first_pulse(found, trains, observed)) is not None:
        start_s, zero_s = first - BEFORE_SHARE * what.sweep_s, first
    lone = _tries(bench, clusters_of(found, near), start_s, what.sweep_s)
    tries = (*lone, *disturbed)
    first_s = min((one.first_s for one in tries if one.first_s is not None), default=None)
    if first_s is not None and (disturbed or not whole):
        start_s, zero_s = first_s - (zero_s - start_s), first_s
    channels = tuple(
        on_link(found, a, b, start_s - zero_s, what.sweep_s)
        or channel(found, whole, a, b, start_s, what.sweep_s, zero_s, tries, trains)
        for a, b in what.pairs
    )
    ran_pulses = [one for a, b in what.pairs for one in pulsed(found, trains, a, b)]
    frames = tuple(
        (one.start_s - zero_s, one.end_s - zero_s, one.words if isinstance(one, OnWire) else str(one.frame))
        for one in ran
        if one.end_s > start_s and one.start_s < start_s + what.sweep_s
    )
    frames += tuple(_told_by(ran_pulses, start_s, what.sweep_s, zero_s))
    return Picture(
        **common(what, bench.car),
        display="; ".join(_words(one) for one in channels),
        notes=()
        if ran_pulses
        else _notes(bench, near, channels, bool(frames), any(one.first_s for one in lone), bool(disturbed)),
        channels=channels,
        sweep_s=what.sweep_s,
        frames=frames,
    )


def _disturbed(found: Reading, observed: Observed, near: set[str]) -> tuple[Tries, ...]:
    """Return what was on buses that ran bit by bit, each with the first edge after a quiet line."""
    buses = bit_by_bit(observed).items()
    return tuple(_since_quiet(changes, found, observed) for names, changes in buses if near & set(names))


def _since_quiet(changes: list[Change], found: Reading, observed: Observed) -> Tries:
    """With the first edge that a quiet line goes before, else the first there is."""
    driver = next(who[0] for _, who in changes if who)
    quiet_s = QUIET_BITS / found.car.transceivers[driver].bitrate_bps
    ahead_s = observed.start_s + BEFORE_SHARE * observed.what.sweep_s
    edges = [(time_s, who) for time_s, who in changes if time_s >= ahead_s]
    begins = [
        later_s for (time_s, who), (later_s, _) in pairwise(edges) if not who and later_s - time_s >= quiet_s
    ]
    first_s = begins[0] if begins else next((time_s for time_s, who in edges if who), None)
    return Tries(tuple(changes), first_s)


def _window(observed: Observed, ran: list[Ran]) -> tuple[float, float]:
    """When the sweep begins, and its zero: the first edge that comes, if one comes."""
    lead_s = BEFORE_SHARE * observed.what.sweep_s
    earliest_s = observed.start_s + lead_s
    for one in sorted(ran, key=lambda seen: seen.start_s):
        if one.start_s >= earliest_s and one.start_s - lead_s + observed.what.sweep_s <= observed.end_s:
            return one.start_s - lead_s, one.start_s
    return observed.start_s, observed.start_s + lead_s


def _tries(bench: Probed, clusters: list[BusCluster], start_s: float, sweep_s: float) -> tuple[Tries, ...]:
    """What modules that get nothing through do from the start of a sweep to its end, bus by bus."""
    tries = []
    for cluster in clusters:
        quiet_s = QUIET_BITS / min(one.bitrate_bps for one in cluster.channels)
        tries.append(_until_swept(attempts(bench.live, cluster, start_s), start_s, sweep_s, quiet_s))
    return tuple(tries)


def _until_swept(changes: Iterator[Change], start_s: float, sweep_s: float, quiet_s: float) -> Tries:
    """Changes from start_s until a sweep after the first edge that a quiet line goes before."""
    kept: list[Change] = []
    earliest_s = start_s + BEFORE_SHARE * sweep_s
    first_s, since_s = None, start_s - quiet_s
    for time_s, who in changes:
        if time_s > (start_s + TRIGGER_S if first_s is None else first_s + sweep_s):
            break
        if first_s is None and time_s >= earliest_s and time_s - since_s >= quiet_s:
            first_s = time_s
        kept.append((time_s, who))
        since_s = math.inf if who else time_s
    return Tries(tuple(kept), first_s)


def _told_by(
    signals: Iterable[Pulsed], start_s: float, sweep_s: float, zero_s: float
) -> Iterator[tuple[float, float, str]]:
    """The frames of sensors that lie wholly in a sweep, each once though two channels show it."""
    for train in {one.train.part: one.train for one in signals if one.train.words}.values():
        for at_s in train.periods(start_s, start_s + sweep_s):
            if at_s >= start_s and at_s + train.period_s <= start_s + sweep_s:
                yield at_s - zero_s, at_s + train.period_s - zero_s, train.words


def _first_pulse(found: Reading, trains: tuple[PulseTrain, ...], observed: Observed) -> float | None:
    """When the first rising edge of a sensor's signal comes that the sweep can begin with, if one does."""
    seen = [one for a, b in observed.what.pairs for one in pulsed(found, trains, a, b)]
    earliest_s = observed.start_s + BEFORE_SHARE * observed.what.sweep_s
    for one in seen:
        for time_s, step_v in pulse_edges((one,), earliest_s, earliest_s + TRIGGER_S):
            if time_s >= earliest_s and step_v > 0:
                return time_s
    return None


def _is_flat(one: Channel) -> bool:
    return float(one.volt.max() - one.volt.min()) < 0.05


def _words(one: Channel) -> str:
    if one.floating:
        return f"{one.a} to {one.b}: floating"
    low, high = float(one.volt.min()), float(one.volt.max())
    if _is_flat(one):
        return f"{one.a} to {one.b}: flat at {digits(one.rest_v, 'V')}"
    return f"{one.a} to {one.b}: {digits(low, 'V')} to {digits(high, 'V')}"


def _notes(
    bench: Probed,
    near: set[str],
    channels: tuple[Channel, ...],
    framed: bool,
    tried: bool,
    disturbed: bool,
) -> tuple[str, ...]:
    if any(one.is_band for one in channels):
        return (BAND_NOTE,)
    notes = []
    if any(one.floating for one in channels):
        notes.append("There is no circuit between the two points of a floating channel.")
    if tried:
        notes.append("Frames do not get through: no node acknowledges them.")
    elif disturbed and not all(_is_flat(one) for one in channels):
        notes.append("Frames are destroyed by others, or by their own sender: error flags are on the line.")
    elif not framed:
        notes.append("No frame ran while the scope waited.")
        if any(one.channel in near for one in bench.live.streams_running()):
            notes.append(
                "A module that cannot read its own bits back stops sending after 32 tries (bus-off)."
            )
    return tuple(notes)


# -- waveforms -----------------------------------------------------------------------------------------------


def channel(
    found: Reading,
    frames: Iterable[Ran],
    a: str,
    b: str,
    start_s: float,
    sweep_s: float,
    zero_s: float,
    tries: tuple[Tries, ...] = (),
    trains: tuple[PulseTrain, ...] = (),
) -> Channel:
    """The voltage of a against b from start_s on; times are counted from zero_s."""
    rest_v = _level(found, a, b)
    if rest_v is None:
        ends = np.array([start_s, start_s + sweep_s]) - zero_s
        return Channel(a, b, ends, np.zeros(2), 0.0, floating=True)
    levels = _Levels(found, a, b, rest_v)
    near = set(channels_at(found, a, b))
    edges = list(_edges(levels, (one for one in frames if one.sender in near)))
    for one in tries:
        if near & {name for _, who in one.changes for name in who}:
            edges += _tried_edges(levels, one.changes)
    signals = pulsed(found, trains, a, b)
    edges += [
        (at_s, step_v, PULSE_TAU_S) for at_s, step_v in pulse_edges(signals, start_s, start_s + sweep_s)
    ]
    edges.sort()
    time_s, volt = _drawn(edges, rest_v, start_s, start_s + sweep_s, sweep_s / POINTS)
    return Channel(a, b, time_s - zero_s, volt, rest_v)


def on_link(found: Reading, a: str, b: str, begin_s: float, sweep_s: float) -> Channel | None:
    """The band of an Ethernet pair between its wires or against ground, while a PHY at it is awake."""
    phys = [one for one in found.car.transceivers.values() if one.phy and one.module in found.state.running]
    wires = [(one.h, one.l) for one in phys]
    ends = [conductor(found.car, node) for node in (a, b)]
    moved = [{leg for pair in wires for leg, node in enumerate(pair) if node in end} for end in ends]
    if not any(moved):
        return None
    swing_v = LEG_SWING_V * len(moved[0] | moved[1])
    time_s = begin_s + np.linspace(0.0, sweep_s, BAND_POINTS)
    volt = swing_v * np.where(np.arange(BAND_POINTS) % 2, 1.0, -1.0)
    return Channel(a, b, time_s, volt, 0.0, is_band=True)


def _level(found: Reading, a: str, b: str) -> float | None:
    seen = thevenin(found, a, b)
    return None if seen is None else seen[0] * PROBE_OHM / (PROBE_OHM + seen[1])


class _Levels:
    """Levels between two points while modules hold the lines dominant, each solved once."""

    def __init__(self, found: Reading, a: str, b: str, rest_v: float) -> None:
        self._found, self._a, self._b, self._rest_v = found, a, b, rest_v
        self._known: dict[tuple[str, ...], tuple[float, float, float]] = {}

    def step(self, who: tuple[str, ...]) -> tuple[float, float, float]:
        """What they move the level by from rest, in V, and the time constants of its edges to and from it."""
        if not who:
            return 0.0, LEAST_TAU_S, LEAST_TAU_S
        if who not in self._known:
            driven = self._found.while_dominant(*who)
            level_v = _level(driven, self._a, self._b)
            farads = _capacitance(self._found, who[0])
            on_s, off_s = (_pair_ohm(one, who[0]) * farads for one in (driven, self._found))
            moved_v = 0.0 if level_v is None else level_v - self._rest_v
            self._known[who] = moved_v, max(LEAST_TAU_S, on_s), max(LEAST_TAU_S, off_s)
        return self._known[who]


def _edges(levels: _Levels, frames: Iterable[Ran]) -> Iterator[Edge]:
    """Every edge of complete frames."""
    for one in frames:
        if isinstance(one, OnWire):
            starts_ns = [duration_ns(place, one.bitrate_bps) for place in range(len(one.bits) + 1)]
        else:
            starts_ns = bit_starts_ns(one.frame, one.bitrate_bps)
        for first, count, who in _dominant_runs(one):
            step_v, tau_on_s, tau_off_s = levels.step(who)
            if step_v:
                yield one.start_s + starts_ns[first] / NS_PER_S, step_v, tau_on_s
                yield one.start_s + starts_ns[first + count] / NS_PER_S, -step_v, tau_off_s


def _tried_edges(levels: _Levels, tries: tuple[Change, ...]) -> Iterator[Edge]:
    """Every edge of what modules try in vain."""
    before: tuple[str, ...] = ()
    for time_s, who in tries:
        step_v = levels.step(who)[0] - levels.step(before)[0]
        if step_v:
            yield time_s, step_v, levels.step(who)[1] if who else levels.step(before)[2]
        before = who


def _dominant_runs(one: Ran) -> Iterator[tuple[int, int, tuple[str, ...]]]:
    """First bit, number of bits and drivers of every dominant stretch of a frame."""
    bits = one.bits if isinstance(one, OnWire) else wire_bits(one.frame)
    drivers: list[tuple[str, ...]] = [(one.sender,) if bit == DOMINANT else () for bit in bits]
    if not isinstance(one, OnWire):
        drivers[len(bits) - ACKNOWLEDGE_FROM_END] = one.acknowledged_by
    at = 0
    for who, run in groupby(drivers):
        count = len(list(run))
        if who:
            yield at, count, who
        at += count


def _pair_ohm(found: Reading, channel_id: str) -> float:
    part = found.car.channels[channel_id]
    ends = (part.node, part.gnd) if isinstance(part, LinPort) else (part.h, part.l)
    ohm = float(found.ports([ends]).impedance_ohm[0, 0])
    return ohm if np.isfinite(ohm) else 0.0


def _capacitance(found: Reading, channel_id: str) -> float:
    """Between the lines of a bus, or of a LIN wire against ground, in F: the cable's, and every node's."""
    port = found.car.lin.get(channel_id)
    if port is not None:
        near = conductor(found.car, port.node)
        return LIN_NODE_F * sum(1 for one in found.car.lin.values() if one.node in near)
    cluster = clusters_of(found, [channel_id])[0]
    wired_m = sum(part.length_m for part in cluster.parts) / 2  # the lengths of both wires of the pair
    present = [one for one in cluster.channels if one.module != TESTER or TESTER in found.state.running]
    return LINE_F_PER_M * wired_m + NODE_F * len(present)


def _drawn(
    edges: list[tuple[float, float, float]], rest_v: float, start_s: float, end_s: float, finest_s: float
) -> tuple[Array, Array]:
    """Points of a line that heads for one level after another, each approach exponential."""
    times, volts = [start_s], [rest_v]
    here_v = target_v = rest_v
    tau_s, since_s = LEAST_TAU_S, start_s - 1.0
    for k, (time_s, step_v, next_tau_s) in enumerate(edges):
        here_v = _approach(here_v, target_v, time_s - since_s, tau_s)
        target_v, tau_s, since_s = target_v + step_v, next_tau_s, time_s
        if time_s <= start_s:
            volts[0] = _approach(here_v, target_v, start_s - time_s, tau_s)
        until_s = min(end_s, edges[k + 1][0]) if k + 1 < len(edges) else end_s
        if until_s <= start_s:
            continue
        if time_s > end_s:
            break
        taus = EDGE_TAUS if tau_s * EDGE_TAUS[-1] > finest_s else (0.0, EDGE_TAUS[-1])
        marks = [time_s + share * tau_s for share in taus]
        for mark_s in [*(mark for mark in marks if start_s < mark < until_s), until_s]:
            times.append(mark_s)
            volts.append(_approach(here_v, target_v, mark_s - time_s, tau_s))
    if times[-1] < end_s:
        times.append(end_s)
        volts.append(_approach(here_v, target_v, end_s - since_s, tau_s))
    return np.array(times), np.array(volts)


def _approach(from_v: float, to_v: float, for_s: float, tau_s: float) -> float:
    return to_v + (from_v - to_v) * float(np.exp(-for_s / tau_s))
