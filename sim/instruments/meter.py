"""The multimeter: volts, ohms, continuity, and amps where a loop can be opened.

    read(bench, "measure volts ECM.C1.1 to G2").display        # "12.58 V"
    read(bench, "measure ohms DLC.6 to DLC.14").value          # 60.2
    read(bench, "measure minimum volts BAT+ to BAT-")          # the lowest since the last action began
    read(bench, "measure maximum volts ABS.C1.4 to BAT-")
    read(bench, "measure frequency ABS.C1.4 to ABS.C1.2")      # "200 Hz"
    read(bench, "measure amps F12")
    read(bench, "measure clamp amps BAT.NEG")

The meter is part of the circuit: 10 megohms for volts, a current of its own for ohms, a shunt for amps. It
shows the average of a pulsed signal.

Not modeled: lead resistance (zeroed before), alternating voltage, the meter's tolerance; frequency and duty
of what runs on a bus; the pulses of a current.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

from sim.bench.observations import HELD, Observation, ObservationKind
from sim.bench.observing import HOLD_S, Observed
from sim.instruments.lamp import lamp_ohm
from sim.instruments.levels import Seen, Traffic, average, channels_at, now, seen, thevenin, traffic_at
from sim.instruments.probed import Probed
from sim.instruments.pulsed import pulsed
from sim.instruments.result import Result, common, digits
from sim.vehicle.car import Car
from sim.vehicle.elements import Contact, Element, FuseLink
from sim.vehicle.problems import EditProblem
from sim.wiring.conduction import draw_v, ohm_of
from sim.wiring.fuse import opening_s
from sim.wiring.wiring import Reading

INPUT_OHM = 10_000_000.0  # of a hand-held digital meter on volts; common practice
# Test current in A and end of the range in ohm, lowest range first: common practice, 0.6 V at full scale.
OHM_RANGES = ((1e-3, 600.0), (1e-4, 6e3), (1e-5, 6e4), (1e-6, 6e5), (1e-7, 6e6), (1e-8, 6e7))
BEEP_OHM = 30.0  # continuity beeps below; meters differ, 20 to 50 ohm (common practice)
SHUNT_OHM = 0.03  # ten-ampere input with its fuse and leads; from memory
METER_FUSE_A = 10.0
NO_LINE_OHM = 1e9  # a sensor that draws a fixed current is none of these
GHOST_V = 0.08  # what an open lead picks up wanders about this much; common practice
LIVE_V = 0.001
# A direct-current clamp of the small range, zeroed before: 10 mA a digit, and a zero that drifts by one
# (common practice; it has no fuse and no burden)
CLAMP_DIGIT_A = 0.01
CLAMP_DRIFT_A = 0.01
COUNTED_V = 0.2  # the smallest pulses whose frequency a meter counts; common practice, some tenths of a volt
PULSED_V = 0.2  # a level that moves by more than this is told of as pulsed; from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured(Result):
    """A meter's reading.

    value: in `unit` (V, Ω, A, Hz or %); None where nothing can be read: over the limit, or floating points.
    floating: nothing joins the two points, the digits wander. beeps: the continuity buzzer sounds.
    doubtful: resistance of a live circuit, or the average of a pulsed signal: no number to decide by.
    """

    kind: str
    value: float | None
    unit: str
    floating: bool = False
    beeps: bool = False
    doubtful: bool = False


def measured(bench: Probed, observed: Observed) -> Measured:
    """Return what the meter shows of the bench's last observation."""
    car, what = bench.car, observed.what
    if what.kind is ObservationKind.AMPS:
        return _amps(now(bench), observed, car)
    if what.kind is ObservationKind.CLAMP:
        return _clamp(bench, what)
    if what.kind is ObservationKind.VOLTS:
        return _volts(bench, observed)
    if what.kind in HELD:
        return _held(observed, car)
    if what.kind in (ObservationKind.FREQUENCY, ObservationKind.DUTY):
        return _timed(bench, what)
    found = now(bench)
    return _ohms(found, traffic_at(bench, found, observed), what, car)


# -- volts ---------------------------------------------------------------------------------------------------


def average_v(states: tuple[Seen, ...]) -> float | None:
    """Return what 10 megohms between two points read on average, in V; None if the points float."""
    return average(states, lambda state: _across_meter_v(state.volt, state.ohm)) if states else None


def _across_meter_v(open_v: float, ohm: float) -> float:
    return open_v * INPUT_OHM / (INPUT_OHM + ohm)


def _lamp_pulls_v(found: Reading, what: Observation) -> float:
    """What the lamp of an observation takes off the voltage between its points."""
    if not what.lamp_at:
        return 0.0
    ports = found.ports([what.pairs[0], what.lamp_at])
    open_v = ports.voltage_v[1]
    if open_v is None:
        return 0.0
    lamp_a = open_v / (float(ports.impedance_ohm[1, 1]) + lamp_ohm(what.lamp_w, draw_v(found.car)))
    return float(ports.impedance_ohm[0, 1]) * lamp_a


def _volts(bench: Probed, observed: Observed) -> Measured:
    what, found = observed.what, now(bench)
    states = seen(found, traffic_at(bench, found, observed), *what.points)
    volt = average_v(states)
    if volt is None:
        return _result(
            what, bench.car, f"{digits(_ghost_v(bench, what), 'V')}, wandering", None, "V",
            ["No circuit between the two points: the meter shows stray voltage."], floating=True,
        )  # fmt: skip
    volt -= _lamp_pulls_v(found, what)
    signals = pulsed(found, bench.live.pulse_trains(), *what.points)
    volt += sum(one.step_v * one.train.share for one in signals)
    is_pulsed = _is_pulsed(states) or any(abs(one.step_v) > PULSED_V for one in signals)
    notes = _volt_notes(states, is_pulsed)
    return _result(what, bench.car, digits(volt, "V"), volt, "V", notes, doubtful=is_pulsed)


def _held(observed: Observed, car: Car) -> Measured:
    """The lowest or highest reading since the last action began, of what lasted long enough for the hold."""
    what = observed.what
    a, b = what.points
    readings = [wiring.solve(state) for wiring, state in observed.held]
    if not readings:
        raise EditProblem(f"nothing recorded yet: do something first, then read the {what.kind}")
    if channels_at(readings[-1], a, b):
        raise EditProblem(f"{a} and {b} are on a bus: min and max hold are too slow for it; use the scope")
    found = [thevenin(one, a, b) for one in readings]
    volts = [_across_meter_v(*one) for one in found if one is not None]
    if not volts:
        return _result(what, car, "OL", None, "V", ["No circuit between the two points."], floating=True)
    lowest = what.kind is ObservationKind.MINIMUM
    volt = min(volts) if lowest else max(volts)
    side = "lowest" if lowest else "highest"
    notes = [f"The {side} since the last action began that lasted {HOLD_S:g} s."]
    return _result(what, car, f"{digits(volt, 'V')}, {what.kind}", volt, "V", notes)


def _timed(bench: Probed, what: Observation) -> Measured:
    """Frequency or duty cycle of the signal that moves the voltage between two points most."""
    found = now(bench)
    a, b = what.points
    hertz = what.kind is ObservationKind.FREQUENCY
    unit = "Hz" if hertz else "%"
    signals = [one for one in pulsed(found, bench.live.pulse_trains(), a, b) if abs(one.step_v) >= COUNTED_V]
    if channels_at(found, a, b):
        raise EditProblem(f"{a} and {b} are on a bus: a meter finds no steady frequency there; use the scope")
    if not signals:
        notes = ["No pulses between the two points, or too small for the meter to count."]
        return _result(what, bench.car, f"0.0 {unit}" if hertz else "OL", 0.0 if hertz else None, unit, notes)
    first = signals[0]
    value = first.train.frequency_hz if hertz else 100 * first.high_share
    notes = [] if hertz else ["The share of time at the higher level."]
    return _result(what, bench.car, f"{value:.1f} {unit}", value, unit, notes)


def _ghost_v(bench: Probed, what: Observation) -> float:
    """Digits of an open lead."""
    return GHOST_V * _wandering(bench, what)


def _wandering(bench: Probed, what: Observation) -> float:
    """A number from -1 to 1 that wanders, and is the same in every replay."""
    draw = zlib.crc32(f"{bench.seed} {bench.now_s:.6f} {what.points}".encode())
    return 2.0 * draw / 0xFFFFFFFF - 1.0


def _is_pulsed(states: tuple[Seen, ...]) -> bool:
    return any(abs(state.volt - states[0].volt) > PULSED_V for state in states)


def _volt_notes(states: tuple[Seen, ...], pulsed: bool) -> list[str]:
    notes = []
    if states[0].ohm > INPUT_OHM / 200 and abs(states[0].volt) > 0.5:
        notes.append("This voltage collapses under load: a test lamp would bring it down.")
    if pulsed:
        notes.append("Pulsed signal: the meter shows its average. A scope shows the levels.")
    return notes


# -- ohms ----------------------------------------------------------------------------------------------------


def average_ohm(states: tuple[Seen, ...]) -> float | None:
    """Return what the resistance range shows, in ohm; None over 60 megohms, or if nothing joins the points.

    On a live circuit the circuit's own voltage counts as if the test current had made it.
    """
    if not states:
        return None
    volt, ohm = average(states, lambda state: state.volt), average(states, lambda state: state.ohm)
    ranges = ((volt / test_a + ohm, end_ohm) for test_a, end_ohm in OHM_RANGES)
    return next((shown_ohm for shown_ohm, end_ohm in ranges if abs(shown_ohm) < end_ohm), None)


def _ohms(found: Reading, traffic: Traffic, what: Observation, car: Car) -> Measured:
    states = seen(found, traffic, *what.points)
    ohm = average_ohm(states)
    live_v = max((abs(state.volt) for state in states), default=0.0)
    notes = []
    if live_v > LIVE_V:
        notes.append(
            f"Wrong reading: the circuit is live ({digits(live_v, 'V')} between the points), and the meter "
            "takes that for its own current. Disconnect the battery, negative clamp first, and measure again."
        )
    elif not {"BAT.NEG", "BAT.POS"} & car.harness.unplugged:
        notes.append(
            "The battery is connected: a module may wake up while you measure, and supplies count as "
            "parallel paths. Disconnect it for a reading to rely on."
        )
    beeps = what.kind is ObservationKind.CONTINUITY and ohm is not None and ohm < BEEP_OHM
    if beeps:
        notes.append("Continuity proves milliamps only. Load-test the circuit.")
    display = "OL" if ohm is None else digits(ohm, "Ω")
    if what.kind is ObservationKind.CONTINUITY:
        display = f"{display}, {'continuity' if beeps else 'no continuity'}"
    doubtful = live_v > LIVE_V
    return _result(what, car, display, ohm, "Ω", notes, floating=not states, beeps=beeps, doubtful=doubtful)


# -- amps ----------------------------------------------------------------------------------------------------


def amps_at(found: Reading, element: Element) -> float:
    """Current in A from the element's first to its second end with the meter there; 0 where no loop closes.

    In place of a fuse, or across a battery clamp that is off; at a pin in series with the mated contact.
    """
    car = found.car
    apart = found.without(element.id)
    loop = thevenin(apart, element.a, element.b)
    in_series = isinstance(element, Contact) and car.connectors[element.connector].kind != "battery"
    if loop is None or (in_series and not car.is_whole(element)):
        return 0.0
    if in_series and loop[1] > NO_LINE_OHM:
        return found.current(element.id)  # what takes the current takes none through an open circuit
    own_ohm = SHUNT_OHM + (ohm_of(element, car) if in_series else 0.0)
    return loop[0] / (loop[1] + own_ohm)


def _clamp(bench: Probed, what: Observation) -> Measured:
    """What a clamp around the wire shows, in its steps and with what its zero has drifted by."""
    amp = now(bench).current(what.points[0]) + CLAMP_DRIFT_A * _wandering(bench, what)
    shown_a = round(amp / CLAMP_DIGIT_A) * CLAMP_DIGIT_A
    note = f"The clamp resolves {CLAMP_DIGIT_A:g} A, and its zero drifts by as much. Nothing was opened."
    return _result(what, bench.car, f"{shown_a:.2f} A", shown_a, "A", [note])


def _amps(found: Reading, observed: Observed, car: Car) -> Measured:
    what = observed.what
    element = car.elements[what.points[0]]
    amp = amps_at(found, element)
    notes = ["The meter is in place of the fuse."] if isinstance(element, FuseLink) else []
    if observed.interrupted and (lost := _lost(found, element)):
        notes.append(
            f"Breaking the circuit reset these modules: {', '.join(lost)}. They are awake now. "
            "Leave the meter in, open nothing, wait until they sleep, and read again; or use a clamp meter."
        )
    in_series = isinstance(element, Contact) and car.connectors[element.connector].kind != "battery"
    if in_series and not car.is_whole(element):
        notes.append("No circuit: the contact does not close.")
    opens_s = opening_s(amp, METER_FUSE_A)
    if opens_s is None:
        return _result(what, car, digits(amp, "A"), amp, "A", notes)
    notes.append(
        f"{abs(amp):.0f} A: the meter's own {METER_FUSE_A:g} A fuse opens {_after(opens_s)}. "
        "Fit a new one, and use a clamp meter at this current."
    )
    return _result(what, car, "OL", None, "A", notes)


def _after(opens_s: float) -> str:
    if opens_s < 1:
        return "at once"
    return f"after {opens_s:.0f} s" if opens_s < 600 else "eventually"


def _lost(found: Reading, element: Element) -> list[str]:
    """Modules that lose their supply while the loop is open."""
    apart = found.without(element.id)
    modules = found.car.built.modules
    return [
        name
        for name, spec in modules.items()
        if found.supply_v(name) >= spec.min_supply_v > apart.supply_v(name)
    ]


def _result(
    what: Observation,
    car: Car,
    display: str,
    value: float | None,
    unit: str,
    notes: list[str],
    floating: bool = False,
    beeps: bool = False,
    doubtful: bool = False,
) -> Measured:
    return Measured(
        **common(what, car), display=display, notes=tuple(notes), kind=what.kind, value=value, unit=unit,
        floating=floating, beeps=beeps, doubtful=doubtful,
    )  # fmt: skip
