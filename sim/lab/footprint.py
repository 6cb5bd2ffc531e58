"""What a set of edits touches inside the car while a list of actions is done.

    mark = footprint(Trial(vehicle, ("pull F20",), actions))
    mark.dead, mark.changed, mark.moved

Everything is compared with the same car without these edits: its wiring in every state of the switches that
the run passes through, and what its modules, relays and engine did. Where two edits touch nothing in common,
they do together what each does alone (`sim.lab.pairs`).

Not modeled: differences too small for a decision (`SAME_V`, `SAME_A`, `SAME_SHARE`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from sim.bench.bench import Bench
from sim.bench.live import LiveCarWithoutReasons
from sim.lab.final_state import FinalState, final_state_of
from sim.lab.run import Trial, content_key, run_trial
from sim.lab.sight import Account
from sim.modules.module import ControlModule
from sim.modules.trace import Event
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.elements import TESTER, Element
from sim.vehicle.harness_state import OPENINGS
from sim.wiring.conduction import SwitchState, is_closed
from sim.wiring.power import REFERENCE
from sim.wiring.wiring import Reading, Wiring

# What a module cannot notice: its thresholds are volts apart. Choices of this program, tried against runs of
# all pairs (`sim.lab.search.wrongly_judged`).
SAME_V = 0.3
SAME_A, SAME_SHARE = 0.005, 0.05
DEAD_SHARE = 0.5  # with less than this share of the voltage it needs in every state, a module stays dead
NO_CURRENT_A = 1e-7
# What a module only notes or shows; what it does about it is another event.
TELLS = frozenset({"code", "code heals", "code cleared", "missing", "lost", "heard", "signal", "telltale"})
EDITED = "car"
_Story = tuple[list[str], list[str]]
Currents = NDArray[np.float64]  # A, by state and element


@dataclass(frozen=True)
class Footprint:
    """What one run shows and touches; names are of modules, relays, fuses, the engine.

    dead: modules without enough voltage from beginning to end. changed: whose state, inputs, outputs or
    supply differ. told: whose codes and received messages differ, and nothing else. moved: elements whose
    current differs. carrying: elements that carry current, or are under voltage, in any state; what the
    others feed is not missed. asked: the switches while a tester asked and most was switched on.
    final_state: that of the car.
    """

    account: Account
    dead: frozenset[str] = frozenset()
    changed: frozenset[str] = frozenset()
    told: frozenset[str] = frozenset()
    moved: frozenset[str] = frozenset()
    carrying: frozenset[str] = frozenset()
    asked: SwitchState | None = None
    final_state: FinalState | None = None

    @property
    def touched(self) -> frozenset[str]:
        """Whatever differs in any way."""
        return self.changed | self.told

    def as_json(self) -> str:
        """The footprint as text."""
        return _FOOTPRINTS.dump_json(self).decode()

    @classmethod
    def from_json(cls, text: str) -> Footprint:
        """The footprint that `as_json` wrote."""
        return _FOOTPRINTS.validate_json(text)


_FOOTPRINTS = TypeAdapter(Footprint)


def footprint_key(given: tuple[str, ...], watched: frozenset[str], trial: Trial) -> str:
    """A name for everything that a footprint depends on."""
    return content_key("footprint", given, sorted(watched), astuple(trial))


def footprint_text(given: tuple[str, ...], watched: frozenset[str], trial: Trial) -> str:
    """A footprint as text, for `Workshop.recalled`."""
    return footprint(given, watched, trial).as_json()


def footprint(given: tuple[str, ...], watched: frozenset[str], trial: Trial) -> Footprint:
    """Run a car and compare it with the one that has only the edits `given`, watching these elements."""
    account, live, events = _run(trial)
    if account.impossible or live is None:
        return Footprint(account)
    _, whole, usual = _run_without(replace(trial, given=given))
    assert whole is not None
    readings = [(reading, whole.base.solve(state)) for state, reading in live.met.items()]
    alive = {name for name, spec in live.car.built.modules.items() for now, _ in readings
             if now.supply_v(name) >= DEAD_SHARE * spec.min_supply_v}  # fmt: skip
    mine, theirs = _stories(events), _stories(usual)
    subjects = (mine.keys() | theirs.keys()) - {EDITED}
    empty: _Story = ([], [])
    told = {name for name in subjects if mine.get(name, empty)[1] != theirs.get(name, empty)[1]}
    changed = {name for name in subjects if mine.get(name, empty)[0] != theirs.get(name, empty)[0]}
    felt = {name: _felt(module) for name, module in live.modules.items()}
    changed |= {name for now, then in readings for name in felt if _feels(name, felt[name], now, then)}
    seen = sorted(id for id in watched if id in live.car.elements)
    now_a = np.array([now.currents(seen) for now, _ in readings])
    then_a = np.array([then.currents(seen) for _, then in readings])
    asking = [state for state in live.met if TESTER in state.running]
    return Footprint(
        account,
        frozenset(live.modules.keys() - alive),
        frozenset(changed),
        frozenset(told - changed),
        frozenset(id for id, now, then in zip(seen, now_a.T, then_a.T, strict=True) if not _same(now, then)),
        _carrying(seen, now_a, live),
        max(asking, key=lambda state: len(state.running) + len(state.pulled_in), default=None),
        final_state_of(live, trial),
    )


class _Watched(LiveCarWithoutReasons):
    """A car that remembers every state of its switches."""

    def __init__(self, car: Car, *rest: object) -> None:
        self.met: dict[SwitchState, Reading] = {}
        super().__init__(car, *rest)  # type: ignore[arg-type]

    def update(self) -> None:
        """Update, and remember the solution of this state."""
        super().update()
        self.met[self.reading.state] = self.reading

    @property
    def base(self) -> Wiring:
        """The wiring as it was given."""
        return next(iter(self.met.values())).wiring


class _WatchedBench(Bench):
    live_car = _Watched


def _run(trial: Trial) -> tuple[Account, _Watched | None, list[Event]]:
    benches: list[Bench] = []

    def make(*parts: object) -> Bench:
        benches.append(_WatchedBench(*parts))  # type: ignore[arg-type]
        return benches[0]

    account = run_trial(trial, make)
    live = benches[0].live if benches else None
    return account, live if isinstance(live, _Watched) else None, benches[0].trace.events if benches else []


_run_without = lru_cache(maxsize=4)(_run)


def _felt(module: ControlModule) -> frozenset[str]:
    """The pins whose voltage a module looks at."""
    return frozenset([*module.pins.functions(), *(circuit.check.pin for circuit in module.circuits)])


def _feels(module: str, pins: Iterable[str], now: Reading, then: Reading) -> bool:
    """Does a module notice the difference between two readings of the same switches?"""
    if abs(now.supply_v(module) - then.supply_v(module)) > SAME_V:
        return True
    return any(abs(now.pin_v(module, pin) - then.pin_v(module, pin)) > SAME_V for pin in pins)


def _same(now_a: Currents, then_a: Currents) -> bool:
    least_a = np.maximum(SAME_A, SAME_SHARE * np.maximum(abs(now_a), abs(then_a)))
    return bool(np.all(abs(now_a - then_a) <= least_a))


def _carrying(seen: Sequence[str], now_a: Currents, live: _Watched) -> frozenset[str]:
    """Of elements with these currents, state by state as they were met, those that carry anything."""
    flows = {id: bool(np.any(abs(amp) > NO_CURRENT_A)) for id, amp in zip(seen, now_a.T, strict=True)}
    idle = [live.car.elements[id] for id, flow in flows.items() if not flow]
    ends = tuple((one.a, REFERENCE) for one in idle)
    under_v = {
        one.id
        for state, reading in live.met.items()
        for one, volt in zip(idle, reading.all_between(ends), strict=True)
        if abs(volt) > SAME_V and is_closed(one, live.car, state)
    }
    return frozenset(id for id, flow in flows.items() if flow) | under_v


def _stories(events: Iterable[Event]) -> Mapping[str, _Story]:
    """Per subject, what it did and what it reported about others; without times and voltages."""
    found: dict[str, _Story] = {}
    for event in events:
        story = found.setdefault(event.subject, ([], []))
        story[event.kind in TELLS].append(re.sub(r"[0-9.]+ V", "", event.text))
    return found


def opened(edit: str, car: Car) -> frozenset[str] | None:
    """The elements that an edit opens; None if it does more than open."""
    after = apply_all(car, [edit])
    only_open = {name: getattr(car.harness, name) for name in OPENINGS}
    if after.built is not car.built or replace(after.harness, **only_open) != car.harness:
        return None
    return frozenset(id for id, one in after.elements.items() if _goes(one, car, after))


def _goes(element: Element, before: Car, after: Car) -> bool:
    return before.is_whole(element) and not after.is_whole(element)
