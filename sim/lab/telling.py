"""How a person tells what was done and seen: short sentences to choose from, and what they mean in a case."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sim.lab.case import Evidence
from sim.lab.compare import with_unit
from sim.lab.drive import operated
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem, did_you_mean

PLAIN: dict[str, tuple[str, object]] = {
    "engine stopped": ("engine", "stopped"),
    "engine running": ("engine", "running"),
    "vehicle ready": ("engine", "ready"),
    "vehicle not ready": ("engine", "not ready"),
    "the starter turned": ("cranks", True),
    "the starter did not turn": ("cranks", False),
    "the engine fired": ("starts", True),
    "the engine did not fire": ("starts", False),
    "ignition off": ("ignition", "off"),
    "ignition accessory": ("ignition", "accessory"),
    "ignition run": ("ignition", "run"),
    "cluster awake": ("cluster", "awake"),
    "cluster dark": ("cluster", "dark"),
    "the tester has power": ("tester_power", True),
    "the tester has no power": ("tester_power", False),
    "no other codes": ("no_other_codes", True),
    "the reading floats": ("reads", "floating"),
    "it could not be done": ("cannot", True),
}
ENDINGS = {
    " answers": "answers",
    " is silent": "silent",
    " lit": "lit",
    " dark": "dark",
    " no codes": "no_codes",
}
MOST_TOLD, FEW_CLEAN = 12, 4  # things seen in one step that are told one by one
CODE_STATES = (" present", " stored")


def action_choices(car: Car) -> list[str]:
    """What is often done; anything else can be typed."""
    hand_switches = operated(car)
    starts = ["press start with brake", "press start"] if "button" in hand_switches else []
    keys = ["key run", "key crank", "key off"] if "key_run" in hand_switches else []
    battery = ["disconnect battery", "reconnect battery"]
    return [*starts, *keys, "scan", "wait 2 s", "wait 5 s", "wait 10 s", "clear", *battery, *catalogue(car)]


def seen_choices(car: Car) -> list[str]:
    """What can be seen; a code is typed: "ECM U0101 present"."""
    modules = list(car.built.modules)
    lamps = dict.fromkeys(name for one in car.built.modules.values() for name in one.telltales)
    words = [f"{name}{ending}" for name in modules for ending in (" answers", " is silent", " no codes")]
    return [*PLAIN, *(f"lamp {name}{state}" for name in lamps for state in (" lit", " dark")), *words]


def seen_of(sentences: Sequence[str], reads: float | None = None, within: float = 0.0) -> dict[str, Any]:
    """What the sentences mean, as the `seen` of a step; raises `Problem` for one that means nothing."""
    seen: dict[str, Any] = {} if reads is None else {"reads": float(reads), "within": within}
    for text in sentences:
        if text in PLAIN:
            what, value = PLAIN[text]
            seen[what] = value
            continue
        what, name = _named(text)
        seen.setdefault(what, []).append(name)
    return seen


def _named(text: str) -> tuple[str, str]:
    for ending, what in ENDINGS.items():
        if text.endswith(ending):
            return what, text.removesuffix(ending).removeprefix("lamp ")
    if text.endswith(CODE_STATES) or len(text.split()) == 2:
        return "codes", text
    raise Problem(f"'{text}' is nothing that can be seen{did_you_mean(text, [*PLAIN])}")


def seen_in_short(seen: Evidence, action: str = "") -> str:
    """What was seen, what is wrong first; modules that are in order are counted.

    `action`: what was done last, which tells the unit of a reading.
    """
    words = [with_unit(one, action) if one.startswith("reads ") else one for one in seen_words(seen)]
    fine = {name for name in seen.answers if name not in {one.module for one in seen.codes}}
    clean = [one for one in words if one.endswith((" no codes", " answers"))]
    telling = [one for one in words if one not in clean]
    more = len(telling) - MOST_TOLD
    told = [*telling[:MOST_TOLD], *([f"{more} more"] if more > 0 else [])]
    if len(clean) <= FEW_CLEAN:
        told += clean
    elif fine:
        told.append(f"{len(fine)} modules answer without a code")
    else:
        told.append(f"{len(clean)} modules in order")
    return "; ".join(told)


def untold(seen: Evidence) -> dict[str, Any]:
    """What was seen that the sentences to choose from do not tell: kept where a step is changed."""
    told = {*ENDINGS.values(), *(what for what, _ in PLAIN.values()), "codes", "within"}
    return {what: value for what, value in seen.model_dump(exclude_defaults=True).items() if what not in told}


def with_scan(seen: Evidence, scan: Evidence) -> Evidence:
    """What was seen with what a scan shows in the place of what it said of the modules before."""
    asked = ("answers", "silent", "codes", "no_codes", "no_other_codes")
    others = {what: one for what, one in seen.model_dump(exclude_defaults=True).items() if what not in asked}
    return Evidence.model_validate(others | scan.model_dump(exclude_defaults=True))


def seen_words(seen: Evidence) -> list[str]:
    """The same in sentences again."""
    told = seen.model_dump(exclude_defaults=True)
    words = [text for text, (what, value) in PLAIN.items() if what in told and told[what] == value]
    plain = {what for what, _ in PLAIN.values()} - {"reads"}
    for ending, what in ENDINGS.items():
        lamp = "lamp " if what in ("lit", "dark") else ""
        words += [f"{lamp}{name}{ending}" for name in told.pop(what, ())]
    words += told.pop("codes", ())
    if isinstance(seen.reads, float):
        words.append(f"reads {seen.reads:g} ± {seen.within:g}")
    left = {what: value for what, value in told.items() if what not in plain | {"reads", "within"}}
    return [*words, *(f"{what}: {value}" for what, value in left.items())]
