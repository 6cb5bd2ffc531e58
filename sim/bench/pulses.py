"""Signals that sensors give on their wires: what they do to the circuit, and when.

The network is solved with every sensor at rest. A pulse is a change on top of that: a sensor that draws more
current, or an output that joins two points. Instruments add what it does to the voltage where they probe
(`sim.instruments.pulsed`).

    SENT           the signal pulled down for some ticks at the start of every pulse (`sim.network.sent`)
    command        a module switches its pin to its own ground, by pulse width modulation
    wheel speed    7 mA more while a tooth passes: TEETH in ROLLING_M of way, half of the time

Not modeled: what two signals do to each other on one wire, jitter, a wheel that is out of round.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from sim.modules.sent_sensor import air_kg_h, counts_of
from sim.modules.world import World
from sim.network.sent import TICK_S, frame_nibbles, low_times_s, pulse_ticks, two_signals
from sim.vehicle.car import Car
from sim.vehicle.circuits import HIGH_A, LOW_A, ROLLING_M, SENSOR_LEAST_V, TEETH
from sim.wiring.wiring import Reading

KPH_PER_M_S = 3.6
TOOTH_SHARE = 0.5
# of a SENT output: its low level is below 0.5 V (SAE J2716, from memory); it works above this supply
SENT_LOW_OHM, SENT_LEAST_V = 15.0, 4.0
LOW_SIDE_OHM = 0.5  # of a module's low-side driver; data sheets give some tenths of an ohm, from memory
LOW_SIDE_A = 2.0  # what it carries at most: it protects itself; from memory


@dataclass(frozen=True, slots=True)
class PulseTrain:
    """A signal that repeats: at `ends` of the network it draws `more_a`, or joins them by `ohm`,
    which carries `limit_a` at most, if that is told.

    active: from when to when within each period of `period_s`, in s. begin_s: where one period begins.
    """

    part: str
    ends: tuple[str, str]
    period_s: float
    active: tuple[tuple[float, float], ...]
    begin_s: float = 0.0
    more_a: float = 0.0
    ohm: float = 0.0
    limit_a: float | None = None
    words: str = ""

    @property
    def share(self) -> float:
        """The share of time in which it is active, 0 to 1."""
        return sum(end_s - start_s for start_s, end_s in self.active) / self.period_s

    @property
    def frequency_hz(self) -> float:
        """Pulses in a second."""
        return len(self.active) / self.period_s

    def periods(self, start_s: float, end_s: float) -> Iterator[float]:
        """When the periods begin that reach into a stretch of time."""
        number = math.floor((start_s - self.begin_s) / self.period_s)
        while (at_s := self.begin_s + number * self.period_s) < end_s:
            yield at_s
            number += 1

    def changes(self, start_s: float, end_s: float) -> Iterator[tuple[float, bool]]:
        """When it becomes active or not, in periods that reach into a stretch of time."""
        for at_s in self.periods(start_s, end_s):
            for on_s, off_s in self.active:
                yield at_s + on_s, True
                yield at_s + off_s, False


def wheel_frequency_hz(speed_kph: float) -> float:
    """Teeth that pass an active wheel speed sensor in a second."""
    return speed_kph / KPH_PER_M_S / ROLLING_M * TEETH


def pulse_trains(car: Car, world: World, reading: Reading) -> tuple[PulseTrain, ...]:
    """The signals of a car now."""
    found = (*_wheel_speeds(car, world, reading), *_sent_frames(car, world, reading))
    return (*found, *command_trains(car, world))


def command_trains(car: Car, world: World) -> Iterator[PulseTrain]:
    """What modules do to the pins that they switch by pulse width."""
    for (module, pin), pct in world.duty_pct.items():
        if pct:
            period_s = 1 / car.built.modules[module].pulsed[pin].hz
            active = ((0.0, pct / 100 * period_s),)
            ends = (f"{module}:{pin}", f"{module}:0")
            yield PulseTrain(f"{module} {pin}", ends, period_s, active, ohm=LOW_SIDE_OHM, limit_a=LOW_SIDE_A)


def step_v(found: Reading, train: PulseTrain, a: str, b: str) -> float:
    """What a signal adds to the voltage of a against b while it is active.

    The network as it is solved gives the impedance between both places (superposition).
    """
    ports = found.ports([(a, b), train.ends])
    here_v, at_v = ports.voltage_v
    if here_v is None or at_v is None:
        return 0.0
    across_ohm, own_ohm = float(ports.impedance_ohm[0, 1]), float(ports.impedance_ohm[1, 1])
    drawn_a = train.more_a if train.more_a else at_v / (own_ohm + train.ohm)
    if train.limit_a is not None:
        drawn_a = max(-train.limit_a, min(train.limit_a, drawn_a))
    step = -across_ohm * drawn_a
    return step if math.isfinite(step) else 0.0


def _wheel_speeds(car: Car, world: World, reading: Reading) -> Iterator[PulseTrain]:
    speed_kph = float(str(world.speed_kph.value))
    if not speed_kph:
        return
    period_s = 1 / wheel_frequency_hz(speed_kph)
    for part, one in car.built.watched.items():
        ends = (f"{part}:1", f"{part}:2")
        if (
            not one.is_wheel_speed
            or part in car.harness.mute
            or (reading.between(*ends) or 0.0) < SENSOR_LEAST_V
        ):
            continue
        begin_s = zlib.crc32(part.encode()) / 0xFFFFFFFF * period_s
        tooth = ((0.0, TOOTH_SHARE * period_s),)
        yield PulseTrain(part, ends, period_s, tooth, begin_s, more_a=HIGH_A - LOW_A)


def _sent_frames(car: Car, world: World, reading: Reading) -> Iterator[PulseTrain]:
    """The output stage of a sensor with SENT frames pulls its signal down to its own ground."""
    for part, sensor in car.built.sensors.items():
        supplied_v = reading.between(f"{part}:1", f"{part}:3") or 0.0
        if sensor.sent_code is None or part in car.harness.mute or supplied_v < SENT_LEAST_V:
            continue
        nibbles = frame_nibbles(0, two_signals(counts_of(air_kg_h(world))))
        period_s = sum(pulse_ticks(nibbles)) * TICK_S
        words = " ".join(f"{one:X}" for one in nibbles)
        ends = (f"{part}:2", f"{part}:3")
        yield PulseTrain(part, ends, period_s, low_times_s(nibbles), ohm=SENT_LOW_OHM, words=f"SENT {words}")
