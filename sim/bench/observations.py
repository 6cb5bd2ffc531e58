"""Observations: what a person measures or looks at, one sentence each. They stand in the log like any action.

    measure volts ECM.C1.1 to G2              red lead on the first terminal, black on the second
    measure minimum volts BAT+ to BAT-        the lowest during the last action, such as cranking
    measure ohms DLC.6 to DLC.14
    measure continuity F12.2 to ECM.C1.1
    measure amps F12                          in place of a fuse, at a battery clamp, in series with a pin
    load F12.2 to G1 with 21 W lamp           a lamp between two terminals, and what it does to the voltage
    measure volts F12.2 to SP.F12 while 21 W lamp at SP.F12 to G1
    scope DLC.6 to DLC.4 and DLC.14 to DLC.4 for 2 ms
    look ECM.C1                               a connector, fuse, relay, ground, lead or place of the harness

A sentence that probes may end in `by back-probing`, `by front-probing`, `by piercing` or `by breakout lead`;
without it, by the way that does least harm. A terminal may also be named by its function: `ECM.GND`.

The bench only lets the time of the measurement pass and keeps what ran over the buses meanwhile; what the
display shows is worked out in `sim.instruments`. Nothing about the car changes.

Not modelled: the minutes a person needs pass in the shop (`Observation.labor_s`), not on the car's clock.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

from sim.network.can import CanNetwork
from sim.network.clock import CLOCK_S
from sim.network.frames import Frame
from sim.network.lin import OnWire
from sim.vehicle.car import Car
from sim.vehicle.edit import terminal_of
from sim.vehicle.elements import TESTER, Contact, Element, FuseLink, Pin, Wire
from sim.vehicle.problems import EditProblem, did_you_mean, unknown
from sim.wiring.conduction import SwitchState
from sim.wiring.segments import Segment
from sim.wiring.wiring import Wiring

if TYPE_CHECKING:
    from sim.bench.live import LiveCar

OBSERVATION_VERBS = ("measure", "load", "scope", "look")
METER_FUNCTIONS = ("volts", "minimum", "ohms", "continuity", "amps")
PROBING = ("touching", "back-probing", "front-probing", "piercing", "breakout lead")

GATE_S = 0.4  # a hand-held meter shows two to five readings a second; common practice
RUN_IN_S = 0.003  # longer than any frame at 125 kbit/s, so that none is on the wire when the gate opens
HOLD_S = 0.1  # a meter's minimum hold catches what lasts this long; common practice
TRIGGER_S = 0.25  # how long a scope waits for the first edge before it draws what there is
LONGEST_SWEEP_S = 1.0
LAMP_LIMITS_W = (1.0, 100.0)
# `12 V, 21 W` on a bulb means at this voltage; common practice
LAMP_RATED_V = 12.0

# What a check takes in the shop, in seconds: common practice, to be changed by a class.
SHOP_S = {
    "volts": 30.0,
    "minimum": 45.0,
    "ohms": 30.0,
    "continuity": 20.0,
    "amps": 90.0,
    "load": 60.0,
    "scope": 120.0,
    "look": 60.0,
}
PROBING_S = {
    "touching": 15.0,
    "back-probing": 45.0,
    "front-probing": 30.0,
    "piercing": 30.0,
    "breakout lead": 120.0,
}


@dataclass(frozen=True, slots=True)
class Observation:
    """One measurement or look, read from its sentence.

    kind: volts, minimum, ohms, continuity, amps, load, scope or look. points: the terminals, pairwise, or the
    one thing that is looked at or measured at. by: per point, how it is reached (see PROBING), empty for a
    look.
    lamp_w, lamp_at: the lamp of a loaded test and its two terminals.
    """

    text: str
    kind: str
    points: tuple[str, ...]
    by: tuple[str, ...] = ()
    lamp_w: float = 0.0
    lamp_at: tuple[str, ...] = ()
    sweep_s: float = 0.0

    @property
    def labor_s(self) -> float:
        """Seconds that it takes in the shop."""
        ways = [
            way for place, way in enumerate(self.by) if way != "breakout lead" or way not in self.by[:place]
        ]
        return SHOP_S[self.kind] + sum(PROBING_S[way] for way in ways)

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """The points two by two."""
        return tuple(zip(self.points[0::2], self.points[1::2], strict=True))


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
    held: for a minimum, the electrical states of the last action that lasted `HOLD_S`.
    frame_fidelity: whether frames exist on this bench at all.
    """

    what: Observation
    start_s: float
    end_s: float
    frames: tuple[FrameSeen, ...]
    frame_fidelity: bool = True
    on_wires: tuple[OnWire, ...] = ()
    levels: tuple[LevelSeen, ...] = ()
    held: tuple[tuple[Wiring, SwitchState], ...] = ()


def observe(live: LiveCar, what: Observation) -> Observed:
    """Let the time of a measurement pass and keep the frames that were sent (none at stream depth)."""
    if what.kind == "look":
        return Observed(what, live.now_s, live.now_s, ())
    held = held_states(live) if what.kind == "minimum" else ()
    frames: list[FrameSeen] = []
    levels: list[LevelSeen] = []
    network = live.network
    with _tapped(network, frames, levels) if isinstance(network, CanNetwork) else nullcontext():
        live.run(RUN_IN_S)
        start_s = live.now_s
        on_wires: list[OnWire] = []
        live.lin.tap = on_wires.append
        live.run(TRIGGER_S + what.sweep_s if what.kind == "scope" else GATE_S)
        live.lin.tap = None
    seen = tuple(one for one in frames if start_s <= one.start_s and one.end_s <= live.now_s)
    at_frame_fidelity = isinstance(network, CanNetwork)
    changes = tuple(one for one in levels if start_s <= one.time_s <= live.now_s)
    return Observed(what, start_s, live.now_s, seen, at_frame_fidelity, tuple(on_wires), changes, held)


def held_states(live: LiveCar) -> tuple[tuple[Wiring, SwitchState], ...]:
    """The electrical states of the last action that lasted long enough for a hold, and the present one."""
    ends_s = [*(since_s for since_s, _, _ in list(live.hold)[1:]), math.inf]
    lasted = zip(live.hold, ends_s, strict=True)
    return tuple(
        (wiring, state) for (since_s, wiring, state), end_s in lasted if end_s >= since_s + HOLD_S - CLOCK_S
    )


@contextmanager
def _tapped(network: CanNetwork, frames: list[FrameSeen], levels: list[LevelSeen]) -> Iterator[None]:
    """Every complete frame and every level goes into a list; another tap goes on as before."""
    other_tap = network.tap

    def tap(start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        segment = network.segment_of(sender)
        others = tuple(channel for channel in segment.members if channel != sender)
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


# -- sentences -----------------------------------------------------------------------------------------------


def parse_observation(text: str, car: Car) -> Observation:
    """The observation that a sentence means; raises `EditProblem` with the nearest right word or way."""
    verb, _, rest = text.strip().partition(" ")
    return _PARSERS[verb.lower()](rest.split(), car)


def _measure(words: list[str], car: Car) -> Observation:
    function = words[0].lower() if words else ""
    if function == "minimum":
        if words[1:2] != ["volts"]:
            raise EditProblem("write 'measure minimum volts TERMINAL to TERMINAL'")
        words = words[1:]
    if function not in METER_FUNCTIONS:
        raise EditProblem(f"a meter does not measure '{function}'{did_you_mean(function, METER_FUNCTIONS)}")
    if function == "amps":
        return _amps(words[1:], car)
    words, by = _tail_by(words[1:])
    words, lamp_w, lamp_at = _tail_lamp(words, car)
    if lamp_at and function != "volts":
        raise EditProblem("a lamp is lit by the car's own voltage: only volts are measured beside one")
    shown = "minimum volts" if function == "minimum" else function
    points = _pair(words, car, f"measure {shown}")
    lamp = f" while {lamp_w:g} W lamp at {lamp_at[0]} to {lamp_at[1]}" if lamp_at else ""
    head = f"measure {shown} {points[0]} to {points[1]}{lamp}"
    return _probed(head, function, points, by, car, lamp_w, lamp_at)


def _load(words: list[str], car: Car) -> Observation:
    words, by = _tail_by(words)
    if "with" not in words:
        raise EditProblem("write 'load TERMINAL to TERMINAL with 21 W lamp'")
    at = words.index("with")
    lamp_w = _lamp(words[at + 1 :])
    points = _pair(words[:at], car, "load")
    return _probed(
        f"load {points[0]} to {points[1]} with {lamp_w:g} W lamp", "load", points, by, car, lamp_w, points
    )


def _scope(words: list[str], car: Car) -> Observation:
    words, by = _tail_by(words)
    if "for" not in words:
        raise EditProblem("write 'scope TERMINAL to TERMINAL for 2 ms', a second pair behind 'and'")
    at = words.index("for")
    sweep_s = _sweep(words[at + 1 :])
    words = words[:at]
    channels = [words]
    if "and" in words:
        middle = words.index("and")
        channels = [words[:middle], words[middle + 1 :]]
    pairs = [_pair(one, car, "scope") for one in channels]
    shown = " and ".join(f"{a} to {b}" for a, b in pairs)
    return _probed(
        f"scope {shown} for {sweep_s * 1000:g} ms", "scope", tuple(chain(*pairs)), by, car, sweep_s=sweep_s
    )


def _look(words: list[str], car: Car) -> Observation:
    name = " ".join(words)
    known = places(car)
    if name not in known:
        raise EditProblem(unknown("part to look at", name, known))
    return Observation(f"look {name}", "look", (name,))


def places(car: Car) -> tuple[str, ...]:
    """Everything that can be looked at: parts with a name, and places of the harness."""
    wired = car.built
    parts = [
        *car.connectors,
        *wired.fuses,
        *wired.relays,
        *wired.grounds,
        *wired.loads,
        *wired.switches,
        *wired.modules,
    ]
    harness = sorted(node for node in car.terminals if node.startswith("SP."))
    wires = [element.id for element in car.elements.values() if isinstance(element, Wire)]
    return tuple(dict.fromkeys([*parts, *harness, *wires, *(pin.id for pin in car.pins.values())]))


def _amps(words: list[str], car: Car) -> Observation:
    name = words[0] if len(words) == 1 else ""
    element = loop_at(name, car)
    way = (
        "breakout lead"
        if isinstance(element, Contact) and car.connectors[element.connector].kind != "battery"
        else "touching"
    )
    return Observation(f"measure amps {element.id}", "amps", (element.id,), (way,))


def loop_at(name: str, car: Car) -> Element:
    """The fuse holder, pin or battery clamp at which a loop can be opened for a meter."""
    module, _, function = name.partition(".")
    pin = car.pin_of(module, function)
    element = car.elements.get(pin.id if pin else name)
    if isinstance(element, FuseLink) or (isinstance(element, Contact) and element.connector != "DLC"):
        return element
    known = [one.id for one in car.elements.values() if isinstance(one, FuseLink | Contact)]
    raise EditProblem(unknown("fuse, pin or battery clamp", name, known))


def _tail_by(words: list[str]) -> tuple[list[str], str]:
    if "by" not in words:
        return words, ""
    at = words.index("by")
    way = " ".join(words[at + 1 :])
    if way not in PROBING:
        raise EditProblem(f"no way of probing '{way}'{did_you_mean(way, PROBING)}")
    return words[:at], way


def _tail_lamp(words: list[str], car: Car) -> tuple[list[str], float, tuple[str, ...]]:
    if "while" not in words:
        return words, 0.0, ()
    at = words.index("while")
    tail = words[at + 1 :]
    if "at" not in tail:
        raise EditProblem("write 'while 21 W lamp at TERMINAL to TERMINAL'")
    middle = tail.index("at")
    return words[:at], _lamp(tail[:middle]), _pair(tail[middle + 1 :], car, "lamp at")


def _lamp(words: list[str]) -> float:
    match = re.fullmatch(r"([0-9.]+)Wlamp", "".join(words))
    try:
        lamp_w = float(match[1]) if match else 0.0
    except ValueError:
        lamp_w = 0.0
    low_w, high_w = LAMP_LIMITS_W
    if not low_w <= lamp_w <= high_w:
        raise EditProblem(f"a lamp is '21 W lamp', {low_w:g} to {high_w:g} W (here: '{' '.join(words)}')")
    return lamp_w


def _sweep(words: list[str]) -> float:
    match = re.fullmatch(r"([0-9.]+)(us|ms|s)", "".join(words))
    try:
        sweep_s = float(match[1]) * {"us": 1e-6, "ms": 1e-3, "s": 1.0}[match[2]] if match else 0.0
    except ValueError:
        sweep_s = 0.0
    if not 1e-5 <= sweep_s <= LONGEST_SWEEP_S:
        raise EditProblem(f"a sweep takes 10 us to {LONGEST_SWEEP_S:g} s (here: '{' '.join(words)}')")
    return sweep_s


def _pair(words: list[str], car: Car, verb: str) -> tuple[str, str]:
    if len(words) != 3 or words[1] != "to":
        raise EditProblem(f"write '{verb} TERMINAL to TERMINAL'")
    a, b = terminal_of(words[0], car), terminal_of(words[2], car)
    if a == b:
        raise EditProblem(f"both leads on {a} measure nothing")
    return a, b


def _probed(
    head: str,
    kind: str,
    points: tuple[str, ...],
    by: str,
    car: Car,
    lamp_w: float = 0.0,
    lamp_at: tuple[str, ...] = (),
    sweep_s: float = 0.0,
) -> Observation:
    ways = [reach(point, car) for point in points]
    if by and not any(by in one for one in ways):
        raise EditProblem(f"{points[0]} cannot be reached by {by}; possible: {', '.join(ways[0])}")
    chosen = tuple(by if by in one else one[0] for one in ways)
    for point in lamp_at if lamp_at != points else ():
        reach(point, car)
    text = f"{head} by {by}" if by else head
    return Observation(text, kind, points, chosen, lamp_w, lamp_at, sweep_s)


def reach(node: str, car: Car) -> tuple[str, ...]:
    """How a terminal can be reached as the car stands now, the gentlest way first; raises `EditProblem`."""
    if node.startswith(f"{TESTER}:"):
        raise EditProblem(f"{node} is inside the tester: probe the diagnostic connector's pin")
    pin, inner = _pin_at(node, car)
    if inner and pin:
        if pin.connector in car.harness.unplugged and not _bypassed(pin, car):
            return ("front-probing",)
        what = car.connectors[pin.connector].kind
        raise EditProblem(f"{node} is inside the {what}: probe {pin.id}, or unplug {pin.connector} first")
    if pin is None:
        return _reach_part(node, car)
    plug = car.connectors[pin.connector]
    if plug.kind == "battery":
        return ("touching",)
    if plug.kind == "dlc":
        return ("breakout lead", "front-probing", "back-probing")
    if pin.connector in car.harness.unplugged:
        return ("front-probing", "back-probing", "piercing")
    return ("back-probing", "breakout lead", "piercing")


def _reach_part(node: str, car: Car) -> tuple[str, ...]:
    if ":" in node:
        raise EditProblem(f"{node} is inside the module: probe one of its pins")
    owner = node.partition(".")[0]
    if node.startswith("SP.") or _is_harness_terminator(owner, car):
        return ("piercing",)
    if owner in car.built.loads or owner in car.built.switches:
        return ("back-probing", "piercing")
    return ("touching",)


def _is_harness_terminator(owner: str, car: Car) -> bool:
    element = car.elements.get(owner)
    return element is not None and getattr(element, "kind", "") == "terminator"


def _pin_at(node: str, car: Car) -> tuple[Pin | None, bool]:
    """The pin that a node belongs to, and whether it is the module's side of it."""
    if node in car.pins:
        return car.pins[node], False
    for pin in car.pins.values():
        plug = car.connectors[pin.connector]
        if plug.kind == "inline" and node in (pin.inner, f"{pin.id}a"):
            return pin, False
        if pin.inner == node and plug.kind in ("module", "sensor"):
            return pin, True
        if pin.inner == node and plug.kind == "battery":
            return pin, False
    return None, False


def _bypassed(pin: Pin, car: Car) -> bool:
    owner = car.connectors[pin.connector].owner
    return car.harness.is_bypassed(owner)


_PARSERS: dict[str, Callable[[list[str], Car], Observation]] = {
    "measure": _measure,
    "load": _load,
    "scope": _scope,
    "look": _look,
}
