"""What was done last, and the next sensible step: from what may be seen, never from what is hidden.

The functions here take no bench: a visible car, the last report, what the last action has shown. So no step
can give away what was not found.

After a measurement it is what the reading and the diagram suggest (`sim.instruments.follow_up`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sim.bench.action_words import words_of
from sim.bench.bench import GATEWAY_LOCKED
from sim.bench.tester import Report
from sim.instruments.follow_up import FollowUp
from sim.training.jobs import REPAIRS
from sim.vehicle.edits import EDIT_KINDS, verb_of
from ui.state.visible import Visible

SEAT = ("press", "brake", "key", "fob", "switch", "cable")
MEASURING = ("measure", "load")
SCAN = "Scan all modules"
NOT_DONE = ("refused", "no answer", GATEWAY_LOCKED)  # what a tester was told about work that it began


@dataclass(frozen=True, slots=True)
class Done:
    """The last thing done: its sentence, first word and part, and what it has shown in a few words.

    `minutes`, `cost`: labor and parts, at an exercise. `repairs`: actions that put right what it found.
    `follow_ups`: checks that a reading suggests.
    """

    action: str
    verb: str
    part: str = ""
    answer: str = ""
    minutes: float | None = None
    cost: float = 0.0
    vain: bool = False
    repairs: tuple[str, ...] = ()
    follow_ups: tuple[FollowUp, ...] = ()


@dataclass(frozen=True, slots=True)
class NextStep:
    """A step that is offered: its words, and the actions it does, or else the page's panel it opens.

    `opens`: "why KIND ITEM", "part IDENT" or "panel NAME".
    """

    words: str
    actions: tuple[str, ...] = ()
    opens: str = ""


@dataclass(frozen=True, slots=True)
class Tried:
    """What the steps follow from, beside what may be seen of the car.

    `start`: the action that starts this car. `gateways`: those that guard the codes behind them. `cleared`:
    the report is from before clearing. `roots`: the reasons that an answer to why has just ended at.
    """

    log: Sequence[str]
    report: Report | None
    start: str
    gateways: tuple[str, ...] = ()
    cleared: bool = False
    roots: tuple[str, ...] = ()


def next_step(done: Done | None, visible: Visible, tried: Tried) -> NextStep | None:
    """The step that a technician would take next; None where that is a matter of thought."""
    if done is None:
        return NextStep("Try to start the car", (tried.start,)) if tried.start else NextStep(SCAN, ("scan",))
    if done.vain:
        return None
    if done.repairs:
        return _do(done.repairs[0])
    if (repair := _of_the_roots(visible, tried.roots)) is not None:
        return repair
    if done.answer.startswith(NOT_DONE):
        return _again(done, tried) if done.answer.startswith(GATEWAY_LOCKED) else None
    if done.verb in MEASURING:
        return _after_a_reading(done, tried)
    if done.verb in REPAIRS:
        return _after_a_repair(visible, tried)
    if done.verb == "scan":
        return _after_a_scan(visible, tried)
    return _after_other_work(done, visible, tried)


def _do(action: str) -> NextStep:
    return NextStep(words_of(action), (action,))


def _again(done: Done, tried: Tried) -> NextStep | None:
    """The same once more, after the gateways that guard it are unlocked."""
    unlock = tuple(f"unlock {name}" for name in tried.gateways)
    return NextStep(f"Unlock and {done.action}", (*unlock, done.action)) if unlock else None


def _of_the_roots(visible: Visible, roots: tuple[str, ...]) -> NextStep | None:
    """The repair of a change that an answer to why has ended at."""
    for change in visible.changes:
        parts = change.undo.split()[1:]
        if any(set(parts) <= set(root.split()) for root in roots):
            return _do(change.undo)
    return None


def _after_a_reading(done: Done, tried: Tried) -> NextStep | None:
    """The first check that the readings suggest and that was not made since the car was changed last."""
    made = set(tried.log[last_change(tried.log) :])
    return next(
        (NextStep(one.words, (one.action,)) for one in done.follow_ups if one.action not in made), None
    )


def last_change(log: Sequence[str]) -> int:
    """The place of the last action that changed the car, 1 for the first; 0 if none did."""
    return max((place for place, text in enumerate(log, 1) if verb_of(text) in EDIT_KINDS), default=0)


def _after_a_repair(visible: Visible, tried: Tried) -> NextStep | None:
    if visible.only_found and visible.changes:
        return _do(visible.changes[0].undo)
    if tried.report is not None and tried.report.codes and not tried.cleared:
        return _clear(tried)
    return NextStep(SCAN, ("scan",))


def _clear(tried: Tried) -> NextStep:
    """Clear the codes; the gateways that guard them are unlocked first."""
    unlock = tuple(f"unlock {name}" for name in tried.gateways)
    return NextStep("Unlock and clear all codes" if unlock else "Clear all codes", (*unlock, "clear"))


def _after_a_scan(visible: Visible, tried: Tried) -> NextStep | None:
    report = tried.report
    if report is None or not report.power:
        return None
    if report.silent:
        name = report.silent[0]
        if visible.only_found:
            return NextStep(f"Open {name}", opens=f"part module {name}")
        return NextStep(f"Why does {name} not answer?", opens=f"why silent {name}")
    codes = [(entry.module, code) for entry in report.modules for code in entry.codes]
    codes.sort(key=lambda one: not one[1].failing_now)
    if codes:
        name, code = codes[0][0], codes[0][1].code
        if visible.only_found:
            return NextStep(f"Open {name}", opens=f"part module {name}")
        return NextStep(f"Why is {code} there?", opens=f"why code {name} {code}")
    if visible.only_found and "clear" in tried.log:
        return NextStep("Hand in", opens="panel Hand in")
    return None


def _after_other_work(done: Done, visible: Visible, tried: Tried) -> NextStep | None:
    if done.verb == "clear":
        return _prove(visible, tried)
    if done.verb == "unlock":
        return NextStep("Clear all codes", ("clear",))
    if done.verb in SEAT:
        return NextStep(SCAN, ("scan",))
    if done.verb == "unplug" and visible.only_found:
        return _do(f"look {done.part}")
    return None


def _prove(visible: Visible, tried: Tried) -> NextStep:
    """Let the monitors run, then scan."""
    if visible.seat.ignition in ("run", "crank"):
        return NextStep("Wait 10 s, then scan", ("wait 10 s", "scan"))
    if tried.start:
        return NextStep("Start again", (tried.start,))
    return NextStep(SCAN, ("scan",))
