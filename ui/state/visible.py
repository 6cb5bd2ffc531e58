"""What may be seen of a bench. Everything that a page shows of a running car passes through here.

In the free bay all of it may be seen; of a car that came with a complaint, once the tester has asked its
modules. In an exercise it is what an eye sees from the driver's seat, what the
last scan has told, and what was touched or looked at: what is not in `Visible` never reaches the browser.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from sim.bench.bench import Bench
from sim.instruments.seat import Seat, seat_of
from sim.modules.module import ControlModule
from sim.modules.trace import Event
from sim.training.attempt import Attempt
from sim.training.exercise import TOOLS, Tool
from sim.vehicle.edits import apply_all, changes_of, is_theory

STATE_WORDS = {
    "running": "running",
    "starting": "starting",
    "shut down": "shut down",
    "going to sleep": "quiet",
    "asleep": "asleep",
    "unpowered": "no supply",
    "dead": "internal failure",
    "boot mode": "boot mode",
}
SEEN_FROM_SEAT = ("fault", "repair", "engine", "mode")  # events, by kind


@dataclass(frozen=True, slots=True)
class VisibleModule:
    """One module: its state, one short word for it, its supply where it is known, and what is off at it.

    `shape` names the drawing of the state: running, alone, starting, waiting, quiet, asleep, unpowered, dead,
    boot, shut; in an exercise unasked, answered, unanswered.
    """

    name: str
    title: str
    shape: str
    word: str
    supply_v: float | None
    waiting_for: tuple[str, ...]
    alone_on: tuple[str, ...]  # buses on which it is awake with no communication
    connectors_off: tuple[str, ...]
    code_count: int


@dataclass(frozen=True, slots=True)
class Change:
    """Something that differs from the car as it should be, and the sentence that takes it back."""

    text: str
    undo: str


@dataclass(frozen=True, slots=True)
class Visible:
    """What may be seen of a bench."""

    time_s: float
    seat: Seat
    modules: dict[str, VisibleModule]
    operated: frozenset[str]  # hand switches that are on, by what operates them
    connectors_off: frozenset[str]
    out: frozenset[str]  # fuses and relays out of their holders, or blown
    leads: tuple[str, ...]
    changes: tuple[Change, ...]
    theories: tuple[str, ...]
    given: tuple[str, ...]
    codes: tuple[tuple[str, str], ...]  # (module, code) of all that is stored
    tools: tuple[Tool, ...] = TOOLS  # what there is to work with
    only_found: bool = False  # an exercise: nothing but what was found
    checked: frozenset[str] = frozenset()  # in an exercise: what was handled or inspected
    unasked: bool = False  # a complaint is to be solved, and the tester has not asked the modules yet


def all_visible(bench: Bench) -> Visible:
    """The free bay: everything."""
    linked = bench.live.buses.linked_channels()
    return Visible(
        bench.now_s,
        seat_of(bench),
        {name: _module(bench, module, linked) for name, module in bench.live.modules.items()},
        bench.live.operated,
        bench.car.harness.unplugged,
        bench.car.harness.pulled | bench.car.harness.blown,
        tuple(bench.car.harness.leads),
        tuple(Change(words, undo) for words, undo in changes_of(bench.car)),
        tuple(text.removeprefix("theory ") for text in bench.given if is_theory(text)),
        tuple(text for text in bench.given if not is_theory(text)),
        tuple(
            (name, code.code)
            for name, module in bench.live.modules.items()
            for code in module.memory.dtcs
            if code.stored
        ),
    )


def before_a_scan(bench: Bench) -> Visible:
    """A car that came with a complaint, before its modules were asked: nothing of what it came with."""
    seen, came = all_visible(bench), apply_all(bench.base, bench.given)
    faults = set(changes_of(came))
    off = seen.connectors_off - came.harness.unplugged
    return replace(
        seen,
        modules={name: _not_asked(bench, module, off) for name, module in seen.modules.items()},
        connectors_off=off,
        out=seen.out - came.harness.pulled - came.harness.blown,
        changes=tuple(one for one in seen.changes if (one.text, one.undo) not in faults),
        theories=(), given=(), codes=(), unasked=True,
    )  # fmt: skip


def _not_asked(bench: Bench, module: VisibleModule, off: frozenset[str]) -> VisibleModule:
    own = tuple(name for name in module.connectors_off if name in off)
    word = "not asked" if module.name in bench.base.addresses else "on LIN"
    return VisibleModule(module.name, module.title, "unasked", word, None, (), (), own, 0)


def visible_to_student(attempt: Attempt) -> Visible:
    """An exercise: the driver's seat, the last scan, and what hand and eye have found."""
    bench, found = attempt.bench, attempt.found
    off, out, leads = frozenset(found.off), frozenset(found.out), tuple(sorted(found.leads))
    return Visible(
        bench.now_s,
        seat_of(bench),
        {name: _module_found(attempt, name, off) for name in bench.base.claimed.modules},
        bench.live.operated,
        off,
        out,
        leads,
        tuple(_taken_apart(off, out, leads)),
        theories=(),
        given=(),
        codes=(),
        tools=attempt.exercise.tools,
        only_found=True,
        checked=frozenset(found.checked),
    )


def events_to_show(events: Iterable[Event], unasked: bool = False) -> list[Event]:
    """The events that a person would want to read after an action, in order; `unasked`: none of modules."""
    told = SEEN_FROM_SEAT if unasked else (*SEEN_FROM_SEAT, "state", "code", "relay", "gateway", "set up")
    return [event for event in events if event.kind in told]


def _module(bench: Bench, module: ControlModule, linked: frozenset[str]) -> VisibleModule:
    off = bench.car.harness.unplugged
    own = [plug.id for plug in bench.car.connectors.values() if plug.owner == module.name]
    alone = tuple(
        bus for bus, channel in module.all_channels.items() if module.hears and channel not in linked
    )
    shape = {"going to sleep": "quiet", "boot mode": "boot", "shut down": "shut"}.get(
        module.state, module.state
    )
    word = STATE_WORDS.get(module.state, module.state)
    if module.state == "starting" and module.waiting_for:
        shape, word = "waiting", f"waits: {', '.join(module.waiting_for)}"
    elif module.state == "running" and alone and len(alone) == len(module.all_channels):
        shape, word = "alone", "cut off"
    return VisibleModule(
        module.name, module.spec.title, shape, word, module.supply_v, module.waiting_for, alone,
        tuple(name for name in own if name in off), sum(1 for code in module.memory.dtcs if code.stored),
    )  # fmt: skip


def _module_found(attempt: Attempt, name: str, off: frozenset[str]) -> VisibleModule:
    """A module as the last scan reports it."""
    report, car = attempt.bench.last_report, attempt.bench.base
    entry = next((one for one in report.modules if one.module == name), None) if report else None
    shape, word = "unasked", "not asked"
    if attempt.bench.cleared_since_scan:  # what it said then says nothing about now
        report = entry = None
        word = "scan again"
    if name not in car.addresses:
        word = "on LIN"
    elif report and report.power and entry:
        shape, word = ("answered", "answered") if entry.answers else ("unanswered", "no answer")
    own = (plug.id for plug in car.connectors.values() if plug.owner == name)
    return VisibleModule(
        name, car.claimed.modules[name].title, shape, word, None, (), (),
        tuple(plug for plug in own if plug in off), len(entry.codes) if entry else 0,
    )  # fmt: skip


def _taken_apart(off: frozenset[str], out: frozenset[str], leads: tuple[str, ...]) -> Iterator[Change]:
    for name in sorted(off):
        clamp = name.startswith("BAT.")
        yield Change(f"{name} {'off' if clamp else 'unplugged'}", f"plug {name}")
    for name in sorted(out):
        yield Change(f"{name} missing or blown", f"fit {name}")
    for lead in leads:
        yield Change(lead, f"unbypass {lead.split()[1]}")
