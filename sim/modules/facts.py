"""What a module knows, and three-valued conditions over it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sim.vehicle.conditions import Condition, SignalValue


class _Invalid:
    """A signal that arrives but is marked invalid by its sender."""

    def __repr__(self) -> str:
        return "invalid"


INVALID: Final = _Invalid()
ENGINE_RPM: Final = {"stopped": 0, "cranking": 220, "running": 800}  # common practice: cranking, idle speed
READY_STATES: Final = ("ready", "not ready")  # of a car without an engine
MOVES: Final = ("running", "ready")  # in which a car would move off
Known = SignalValue | _Invalid | None
Ask = Callable[[], bool | None]


@dataclass(frozen=True, slots=True)
class Fact:
    """A value (None: not known) and the event since which it holds."""

    value: Known
    event: int | None = None


UNKNOWN: Final = Fact(None)
OFF: Final = Fact(False)


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The value of a condition, and the events that make it so (or keep it from being known)."""

    value: bool | None
    events: tuple[int, ...] = ()
    unmet: tuple[Condition, ...] = ()  # the leaves that are not true, for an explanation


def asked(condition: Condition, leaf: Callable[[Condition], Ask]) -> Ask:
    """The value that `judge` gives a condition, without its reasons, to be asked for again and again."""
    if condition.all_ is not None:
        return _any_is(False, [asked(part, leaf) for part in condition.all_])
    if condition.any_ is not None:
        return _any_is(True, [asked(part, leaf) for part in condition.any_])
    if condition.not_ is not None:
        inner = asked(condition.not_, leaf)
        return lambda: None if (value := inner()) is None else not value
    return leaf(condition)


def _any_is(decides: bool, parts: list[Ask]) -> Ask:
    def ask() -> bool | None:
        found: bool | None = not decides
        for part in parts:
            value = part()
            if value is decides:
                return decides
            if value is None:
                found = None
        return found

    return ask


def judge(condition: Condition, read: Callable[[Condition], Fact]) -> Evaluation:
    """Kleene's three-valued logic: false beats unknown in `all`, true beats unknown in `any`."""
    if condition.all_ is not None:
        return _together([judge(part, read) for part in condition.all_], decides=False)
    if condition.any_ is not None:
        return _together([judge(part, read) for part in condition.any_], decides=True)
    if condition.not_ is not None:
        inner = judge(condition.not_, read)
        value = None if inner.value is None else not inner.value
        return Evaluation(value, inner.events, () if value else (condition,))
    fact = read(condition)
    value = fact.value if isinstance(fact.value, bool) else None
    return Evaluation(value, () if fact.event is None else (fact.event,), () if value else (condition,))


def _together(parts: list[Evaluation], decides: bool) -> Evaluation:
    found = {part.value for part in parts}
    value = next((one for one in (decides, None) if one in found), not decides)
    events = sorted({event for part in parts if part.value is value for event in part.events})
    unmet = () if value else tuple(leaf for part in parts for leaf in part.unmet)
    return Evaluation(value, tuple(events), unmet)


def engine_or_vehicle(state: str) -> str:
    """What has this state: the engine, or the whole of a car that has none."""
    return "vehicle" if state in READY_STATES else "engine"


def engine_words(state: str) -> str:
    """What is said of an engine in a state: `not running`, `cranking`, `running`, `ready`."""
    return "not running" if state == "stopped" else state


def engine_told(state: str) -> str:
    """`engine not running`, `vehicle ready`: what a car does, as it is told."""
    return f"{engine_or_vehicle(state)} {engine_words(state)}"


def in_words(condition: Condition) -> str:
    """A condition as a technician would say it."""
    if condition.all_ is not None:
        return " and ".join(in_words(part) for part in condition.all_) or "always"
    if condition.any_ is not None:
        return " or ".join(in_words(part) for part in condition.any_)
    if condition.not_ is not None:
        return f"not ({in_words(condition.not_)})"
    return _leaf_in_words(condition)


def _leaf_in_words(leaf: Condition) -> str:
    wanted = " or ".join(str(one) for one in leaf.is_)
    match leaf.kinds()[0]:
        case "input":
            return f"input {leaf.input} active"
        case "signal" if leaf.above is not None:
            return f"{leaf.signal} above {leaf.above}"
        case "signal":
            return f"{leaf.signal}" if leaf.is_ == (True,) else f"{leaf.signal} is {wanted}"
        case "missing":
            return f"{leaf.missing} not received"
        case "lost":
            return f"no message from {leaf.lost}"
        case "code":
            return f"code {leaf.code} set"
        case "stored":
            return f"code {leaf.stored} stored"
        case "mode":
            return f"mode {' or '.join(leaf.mode or ())}"
        case "line":
            return f"line {leaf.line} on"
        case "fob":
            return f"fob {' or '.join(leaf.fob or ())}".replace("_", " ")
        case "engine":
            return f"engine {' or '.join(leaf.engine or ())}"
        case "immobilizer":
            return f"immobilizer {leaf.immobilizer}"
        case "dm1_lamp":
            return f"{leaf.dm1_lamp} lamp asked for"
        case "met":
            return f"{leaf.met} received before"
        case "start_stop":
            return f"start-stop {' or '.join(leaf.start_stop or ())}"
    return f"supply above {leaf.supply_above_v} V"
