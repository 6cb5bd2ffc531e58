"""What is supposed about a car, to be varied, and what each combination shows, to lay side by side.

A supposition is one edit, or several that belong together.

Several are divided by ';': "unplug GATEWAY.C1; bypass GATEWAY diag to powertrain" are both there or both left
out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import product

from sim.lab.case import Case
from sim.lab.sight import Account, Sight
from sim.modules.facts import engine_told
from sim.vehicle.car import Car
from sim.vehicle.edit import Edit
from sim.vehicle.edits import is_repair, is_theory, parse_edit


def parts(text: str) -> list[str]:
    """The edits of one supposition."""
    return [part.strip() for part in text.split(";")]


def puts_right(action: str, supposed: Sequence[str]) -> bool:
    """Is it the repair of something supposed? Played too, it would make all combinations alike in the end."""
    verb, *what = action.split()
    edits = [part for text in supposed for part in parts(text) if part and not is_theory(part)]
    faults = [words for words in map(str.split, edits) if not is_repair(words[0])]
    return is_repair(verb) and any(what[:1] == words[1:2] for words in faults)


def suppositions_of(case: Case) -> tuple[list[str], list[str]]:
    """What a case and its stories suppose, and the repairs that take any of that back.

    A repair of one of these faults is the same as leaving the fault out, so it is no supposition.
    """
    car = case.whole_car
    told = [*case.given, *(edit for story in case.stories.values() for edit in story.edits)]
    edits = {edit.text: edit for edit in (parse_edit(text, car) for text in told)}
    undone = {edit.undo for edit in edits.values() if edit.kind == "fault"}
    repairs = [text for text, edit in edits.items() if edit.kind == "repair" and text in undone]
    # a bypass lead goes into the plug of the module whose place it takes: one does not go without the other
    leads = {edit.part: text for text, edit in edits.items() if edit.verb == "bypass"}
    alone = [edit for text, edit in edits.items() if text not in repairs and edit.verb != "bypass"]
    return [_with_lead(edit, leads, car) for edit in alone], repairs


def _with_lead(edit: Edit, leads: dict[str, str], car: Car) -> str:
    lead = leads.get(car.connectors[edit.part].owner) if edit.verb == "unplug" else None
    return f"{edit.text}; {lead}" if lead else edit.text


def combinations(always: Iterable[str], varied: Iterable[str]) -> list[tuple[str, ...]]:
    """Given edits of every case: `always` with each choice out of `varied`, everything in first."""
    fixed, open_ = tuple(always), tuple(varied)
    return [
        (*fixed, *(text for text, is_in in zip(open_, choice, strict=True) if is_in))
        for choice in product((True, False), repeat=len(open_))
    ]


def step_words(sight: Sight) -> str:
    """One action's outcome in one line."""
    if sight.refused:
        return f"cannot be done: {sight.refused}"
    engine = "starts" if sight.started else "cranks" if sight.cranked else ""
    parts = [f"ignition {sight.ignition}", engine_told(sight.engine)]
    return "; ".join([*([f"the engine {engine}"] if engine else []), *parts])


def rows(account: Account) -> tuple[tuple[str, str], ...]:
    """(what, value) of one case."""
    if account.impossible:
        return tuple((name, account.impossible if name == ROWS[0] else "") for name in ROWS)
    last = account.sights[-1]
    modules = len(last.answering) + len(last.silent)
    codes = Counter(code for _, code, _ in last.codes)
    values = (
        f"{len(last.answering)} of {modules}" if last.power else "the tester has no power",
        ", ".join(last.silent) or "none",
        _engine(account),
        last.engine,
        last.ignition,
        ", ".join(name.replace("_", " ") for name in last.lit) or "none",
        str(len(last.codes)),
        ", ".join(f"{code} ×{count}" if count > 1 else code for code, count in sorted(codes.items()))
        or "none",
    )
    return tuple(zip(ROWS, values, strict=True))


ROWS = (
    "modules that answer",
    "no answer from",
    "engine",
    "engine at the end",
    "ignition at the end",
    "lamps lit at the end",
    "codes",
    "which",
)


def _engine(account: Account) -> str:
    if any(sight.started for sight in account.sights):
        return "cranks and starts"
    if any(sight.cranked for sight in account.sights):
        return "cranks, does not start"
    return "does not crank"
