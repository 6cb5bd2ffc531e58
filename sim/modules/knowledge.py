"""What a module knows: its pins, messages and signals, the power mode, and conditions over them.

Not modeled: plausibility checks between two sources of one fact.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Protocol

from sim.modules.facts import INVALID, OFF, UNKNOWN, Ask, Evaluation, Fact, Known, asked, judge
from sim.modules.high_voltage_bus import HighVoltageBus
from sim.modules.world import Host
from sim.vehicle.conditions import Condition, PowerMode


class ModeHolder(Protocol):
    """The power-mode master: the mode, and the event since which it holds."""

    mode: PowerMode
    event: int | None


class ReleaseHolder(Protocol):
    """One end of the immobilizer: is the engine released, and since which event?"""

    released: bool
    event: int | None


class ContactorState(Protocol):
    """The battery module's control of the contactors: what it tells others, and since which event."""

    event: int | None
    full: bool

    @property
    def told(self) -> str:
        """The step of the sequence."""

    @property
    def insulation(self) -> str:
        """`good`, `low` or `fault`."""

    @property
    def bus(self) -> HighVoltageBus:
        """The high-voltage bus."""


class StartStopState(Protocol):
    """The engine module's start-stop: what it does, and since which event."""

    event: int | None

    @property
    def state(self) -> str:
        """`idle`, `stopped` or `restarting`."""

    @property
    def told(self) -> str:
        """What it does or waits for, or which condition is missing."""

    @property
    def kept_told(self) -> str:
        """Which condition kept the engine running at the last standstill."""

    @property
    def met(self) -> dict[str, bool]:
        """Each condition by name: is it known to be true?"""


class Knowledge:
    """Facts of one module, each with the event since which it holds.

    inputs, lines: its pins, by function. heard: messages, by name. signals: as last received. values: of its
    own signals. engine_lamp: does a code of its own ask for it? master, release, contactors, start_stop: what
    this module itself decides, if it is the one that does. dm1_lamps: asked for by others on SAE J1939. met:
    messages that have come since its software started.
    """

    def __init__(self, host: Host) -> None:
        self.inputs: dict[str, Fact] = {}
        self.lines: dict[str, Fact] = {}
        self.heard: dict[str, Fact] = {}
        self.signals: dict[str, Fact] = {}
        self.values: dict[str, Known] = {}
        self.engine_lamp = OFF
        self.dm1_lamps: dict[str, Fact] = {}
        self.met: dict[str, Fact] = {}
        self.failing: dict[str, int | None] = {}  # codes whose test fails now, with the event that set each
        self.failed_since_start: dict[
            str, int | None
        ] = {}  # the same, of tests that have run since its start
        self.stored: dict[str, int | None] = {}  # codes that are confirmed, with the event that set each
        self.master: ModeHolder | None = None
        self.release: ReleaseHolder | None = None
        self.contactors: ContactorState | None = None
        self.start_stop: StartStopState | None = None
        engine = host.world.car.built.engine
        self.runs_engine = bool(engine and engine.controller == host.name)
        self._host = host
        self._own = host.spec.signals

    def known_mode(self) -> PowerMode | None:
        """The power mode as this module knows it: its own, or the last it received."""
        if self.master:
            return self.master.mode
        value = self.value("power_mode")
        return value if value in ("off", "accessory", "run", "crank") else None  # type: ignore[return-value]

    def mode_event(self) -> int | None:
        """The event since which `known_mode` holds."""
        return self.master.event if self.master else self.signal("power_mode").event

    def released(self) -> bool:
        """Is the engine released for start, as far as this module decides it?"""
        return self.release.released if self.release else True

    def signal(self, name: str) -> Fact:
        """A signal as last received, or as this module itself computes it."""
        if name in self._own:
            return Fact(self.values.get(name), self._host.state_event)
        return self.signals.get(name, UNKNOWN)

    def value(self, name: str) -> Known:
        """The value of `signal`."""
        if name in self._own:
            return self.values.get(name)
        return self.signals.get(name, UNKNOWN).value

    def hears(self, message: str) -> bool:
        """Does the message arrive?"""
        return self.heard.get(message, UNKNOWN).value is True

    def judge(self, condition: Condition) -> Evaluation:
        """Evaluate a condition as far as this module can know it."""
        return judge(condition, self.read)

    def asks(self, condition: Condition) -> Ask:
        """Return a function that re-evaluates `condition`."""
        return asked(condition, lambda leaf: self._leaf(leaf)[0])

    def read(self, leaf: Condition) -> Fact:
        """The fact that one leaf of a condition names, as true, false or unknown."""
        ask, event = self._leaf(leaf)
        return Fact(ask(), event)

    def pins_on(self) -> Iterator[tuple[str, str, int | None]]:
        """Inputs and sense lines that are on: kind, name, and the event since which they are."""
        for kind, known in (("input", self.inputs), ("line", self.lines)):
            for name, fact in known.items():
                if fact.value is True:
                    yield kind, name, fact.event

    def pin_events(self) -> list[int | None]:
        """The events since which its inputs and sense lines are as they are."""
        return [fact.event for fact in (*self.inputs.values(), *self.lines.values())]

    def missing(self, message: str, signals: tuple[str, ...], event: int | None) -> None:
        """Note that a message does not arrive: its signals are unknown."""
        self.heard[message] = Fact(False, event)
        for name in signals:
            self.signals[name] = Fact(None, event)

    def _leaf(self, leaf: Condition) -> tuple[Ask, int | None]:
        """How to ask for the value of a leaf at any time, and the event since which it is as it is."""
        host = self._host
        if leaf.input is not None:
            return partial(_known, self.inputs, leaf.input, UNKNOWN), self.inputs.get(
                leaf.input, UNKNOWN
            ).event
        if leaf.line is not None:
            return partial(_known, self.lines, leaf.line, OFF), self.lines.get(leaf.line, OFF).event
        if leaf.signal is not None:
            return self._asks_signal(leaf.signal, leaf), self.signal(leaf.signal).event
        if leaf.missing is not None:
            missing = leaf.missing
            # a value that is marked invalid is of no more use than one that does not come
            return lambda: self.value(missing) in (None, INVALID), self.signal(missing).event
        if leaf.lost is not None:
            message = host.world.car.messages.message_from(leaf.lost, None, ()).name
            return lambda: not self.hears(message), self.heard.get(message, UNKNOWN).event
        if leaf.code is not None:
            code = leaf.code
            failed = self.failed_since_start
            return lambda: _event_of(failed, code) is not None, _event_of(failed, code)
        if leaf.stored is not None:
            kept = leaf.stored
            return lambda: _event_of(self.stored, kept) is not None, _event_of(self.stored, kept)
        if leaf.mode is not None:
            modes = leaf.mode
            return lambda: None if (mode := self.known_mode()) is None else mode in modes, self.mode_event()
        if leaf.fob is not None:
            places, seen = leaf.fob, host.spec.fob_receiver
            return lambda: host.world.fob.value in places if seen else None, host.world.fob.event
        if leaf.engine is not None:
            states, known = leaf.engine, self.runs_engine
            return lambda: host.world.engine.value in states if known else None, host.world.engine.event
        if leaf.immobilizer is not None:
            return self.released, self.release.event if self.release else None
        if leaf.dm1_lamp is not None:
            lamp = leaf.dm1_lamp
            return partial(_known, self.dm1_lamps, lamp, OFF), self.dm1_lamps.get(lamp, OFF).event
        if leaf.met is not None:
            message = host.world.car.messages.message_from(leaf.met, None, ()).name
            return partial(_known, self.met, message, OFF), self.met.get(message, OFF).event
        if leaf.start_stop is not None:
            wanted = leaf.start_stop
            event = self.start_stop.event if self.start_stop else None
            return lambda: self.start_stop.state in wanted if self.start_stop else None, event
        above_v = leaf.supply_above_v or 0.0
        return lambda: host.supply_v > above_v, host.state_event

    def _asks_signal(self, name: str, leaf: Condition) -> Ask:
        if leaf.above is None:
            return partial(self._signal_is, name, leaf.is_)
        return partial(self._signal_above, name, leaf.above)

    def _signal_above(self, name: str, limit: int) -> bool | None:
        value = self.value(name)
        return value > limit if isinstance(value, int) and not isinstance(value, bool) else None

    def _signal_is(self, name: str, wanted: tuple[object, ...]) -> bool | None:
        value = self.value(name)
        return None if value is None or value is INVALID else _same(value, wanted)


def _event_of(codes: dict[str, int | None], code: str) -> int | None:
    """The event that set a code, named with or without failure type, if it is one of these."""
    return next((event for one, event in codes.items() if code in (one, one.partition("-")[0])), None)


def _known(facts: dict[str, Fact], name: str, otherwise: Fact) -> bool | None:
    value = facts.get(name, otherwise).value
    return value if isinstance(value, bool) else None


def _same(value: Known, wanted: tuple[object, ...]) -> bool:
    # True == 1 in Python; a flag that is true is not the number one
    return any(value == one and isinstance(value, bool) == isinstance(one, bool) for one in wanted)
