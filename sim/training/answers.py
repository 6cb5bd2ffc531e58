"""What was wrong with a car, built by choosing: a part, what is wrong with it, and what else has to be said.

    parts_of(car)                              # {"ABS": "ABS · anti-lock brakes", ...}
    wrongs_at("ABS", car)                      # what can be wrong with it, as rows of the registry of edits
    others_for(answer, "ABS", car)             # what has to be chosen besides, if anything
    built("ABS", answer, "ABS.C1", car)        # "unplug ABS.C1"
    with_cause(("pull F3",), "unplug ABS.C1", car)
    cause_words("unplug ABS.C1", car)          # "ABS.C1: unplugged"

What is offered follows from the wiring diagram alone. Answers carry no figures: a resistance, voltage or bit
rate that is not said is judged by what it does and where (see `sim.training.effects`).

Not modeled: causes in free words; a bypass lead between more than two buses.
"""

from __future__ import annotations

from collections.abc import Sequence

from sim.training.effects import effect_of, same_effect
from sim.training.hand_in import NO_FAULT
from sim.vehicle.answer_parts import parts_of, sorts_of
from sim.vehicle.car import Car
from sim.vehicle.edit import EDIT_KINDS, Answer
from sim.vehicle.edits import apply_all, is_theory, parse_edit, verb_of
from sim.vehicle.fault_words import fault_words
from sim.vehicle.problems import EditProblem

NO_FAULT_WORDS = "No fault: the car is as it should be"
ALONE = "A cause and “no fault” exclude each other: take one of them off the list."
READ_AT_ONCE = 7  # answers; our own choice
# What is found most often at a module: its connector, then itself, then its set-up (common practice). The
# rest is rare, or a difference of the design.
COMMON = ("unplug", "loosen", "fail", "uncode", "misflash")


def car_to_answer_for(car: Car, named: Sequence[str]) -> Car:
    """The car of the diagram, changed by the design differences named so far: pins may be there by one."""
    return apply_all(car, [text for text in named if is_theory(text)])


def part_words(car: Car) -> dict[str, str]:
    """Every part that can be chosen, with the words by which it is found; a wire has no name but them."""
    return {
        name: words if "--" in name else f"{name} · {words}" if words else name
        for name, words in parts_of(car).items()
    }


def wrongs_at(part: str, car: Car) -> list[Answer]:
    """What can be wrong with a part: the same for all parts of its sort. Empty for an unknown name."""
    sorts = sorts_of(part, car)
    every = (answer for kind in EDIT_KINDS.values() for answer in kind.answers)
    offered = [one for one in every if one.part in sorts and (not one.asks or one.others(car, part))]
    return list({one.words: one for one in reversed(offered)}.values())[::-1]


def common_first(answers: Sequence[Answer]) -> tuple[list[Answer], list[Answer]]:
    """The answers that read in one look, and the rest; few enough are all in the first list."""
    if len(answers) <= READ_AT_ONCE:
        return list(answers), []
    common = [one for one in answers if verb_of(one.sentence) in COMMON]
    return common, [one for one in answers if one not in common]


def others_for(answer: Answer, part: str, car: Car) -> dict[str, str]:
    """What is to be chosen besides: names with their words; empty where nothing is."""
    others = answer.others(car, part)
    return {name: f"{name} · {words}" if words else name for name, words in others.items()}


def built(part: str, answer: Answer, other: str, car: Car) -> str:
    """The cause in normal form; raises `EditProblem` in one sentence where it is none for this car."""
    text = answer.sentence.format(part=part, other=other)
    try:
        cause = parse_edit(text, car).text
        effect_of(cause, car)
    except EditProblem:
        raise EditProblem(f"“{part}: {answer.saying(other)}” is not possible on this car.") from None
    return cause


def with_cause(named: Sequence[str], cause: str, car: Car) -> tuple[str, ...]:
    """The list with one cause more; raises `EditProblem` in one sentence where it does not belong there."""
    if NO_FAULT in (*named, cause) and named and (cause,) != tuple(named):
        raise EditProblem(ALONE)
    for known in named:
        if known == cause:
            raise EditProblem("This cause is on your list already.")
        if same_effect([known], [cause], car):
            raise EditProblem(f"This says the same as “{cause_words(known, car)}” on your list.")
    return (*named, cause)


# -- in words --------------------------------------------------------------------------------------------


def cause_words(cause: str, car: Car) -> str:
    """A cause in plain words: `ABS.C1: unplugged`. What no answer says is told by its sentence."""
    return NO_FAULT_WORDS if cause == NO_FAULT else fault_words(cause, car)
