"""Contacts that open now and then: by chance, when they are shaken, or when they are hot.

What shakes and heats them is in `sim.bench.contacts`. The usual times are common practice.
"""

from __future__ import annotations

import re

from sim.vehicle.answer_parts import PartSort
from sim.vehicle.car import Car
from sim.vehicle.edit import Answer, Edit, EditKind, Offer, noted
from sim.vehicle.edit_words import conductor_named
from sim.vehicle.harness_state import Intermittent
from sim.vehicle.problems import EditProblem
from sim.vehicle.words import UNITS_S

INTERRUPTION_S = (0.01, 3600.0)
EVERY_SO_OFTEN = "every {between_s:g} s for {open_s:g} s"  # as it is offered
# while it is shaken: mean time between two interruptions, and mean length of one
SHAKEN_BETWEEN_S, SHAKEN_OPEN_S = 0.8, 0.7
CONDITIONS = {
    "when shaken": Intermittent(SHAKEN_BETWEEN_S, SHAKEN_OPEN_S, "when shaken"),
    "when hot": Intermittent(0.0, 0.0, "when hot"),
}
CONDUCTORS: tuple[PartSort, ...] = ("pin", "wire", "ground", "clamp")


def _interrupt(words: list[str], car: Car) -> Edit:
    name = conductor_named(words[:1], car, "interrupt")
    how = CONDITIONS.get(" ".join(words[1:]))
    if how is None:
        how = _by_chance(name, "".join(words[1:]))
    tail = how.when if how.when != "any time" else f"every {how.between_s:g} s for {how.open_s * 1000:g} ms"
    change = noted("intermittent", name, how)
    return Edit(f"interrupt {name} {tail}", "interrupt", "fault", change, f"repair {name}", (name,))


def _by_chance(name: str, joined: str) -> Intermittent:
    """The times of `every20sfor300ms`; raises `EditProblem`."""
    time = r"([0-9]+\.?[0-9]*|\.[0-9]+)(ms|s|min)"
    match = re.fullmatch(f"every{time}for{time}", joined)
    between_s, open_s = 0.0, 0.0
    if match is not None:
        between_s, open_s = float(match[1]) * UNITS_S[match[2]], float(match[3]) * UNITS_S[match[4]]
    low_s, high_s = INTERRUPTION_S
    if not (low_s <= between_s <= high_s and low_s <= open_s <= high_s):
        raise EditProblem(
            f"write 'interrupt {name} every 20 s for 300 ms', each time {low_s * 1000:g} ms to 60 min, "
            "or 'when shaken', or 'when hot'"
        )
    return Intermittent(between_s, open_s)


def _answers(words: str, tail: str) -> tuple[Answer, ...]:
    return tuple(Answer(sort, words, f"interrupt {{part}} {tail}") for sort in CONDUCTORS)


KINDS = (
    EditKind(
        "interrupt",
        "fault",
        _interrupt,
        {"intermittent": "{part} opens intermittently{how}"},
        "repair",
        answers=(
            *_answers("opens intermittently", "every 20 s for 300 ms"),
            *_answers("opens when it is shaken", "when shaken"),
            *_answers("opens when it is hot", "when hot"),
            Answer("module", "cracked solder joint inside", "interrupt {part}:GND.trace when shaken"),
        ),
        offers=(
            Offer("pin", "Open it intermittently", f"interrupt {{part}} {EVERY_SO_OFTEN}"),
            Offer("joint", "Open it when it is shaken", "interrupt {part} when shaken"),
            Offer("joint", "Open it when it is hot", "interrupt {part} when hot"),
            Offer("module", "Crack its ground joint inside", "interrupt {part}:GND.trace when shaken"),
        ),
    ),
)
