"""Runs of the same actions on differently given cars, as rows to lay side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import product

from sim.lab.sight import Account, Sight


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
    parts = [f"ignition {sight.ignition}", f"engine {sight.engine}"]
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
    "engine in the end",
    "ignition in the end",
    "lamps lit in the end",
    "codes",
    "which",
)


def _engine(account: Account) -> str:
    if any(sight.started for sight in account.sights):
        return "cranks and starts"
    if any(sight.cranked for sight in account.sights):
        return "cranks, does not start"
    return "does not crank"
