"""A fault or a difference of the design in plain words, by the answers of the registry of edits."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import suppress

from sim.vehicle.answer_parts import PARTS
from sim.vehicle.car import Car
from sim.vehicle.edit import EDIT_KINDS
from sim.vehicle.edits import parse_edit, verb_of
from sim.vehicle.elements import Wire
from sim.vehicle.problems import EditProblem
from sim.vehicle.wire_names import wire_words

NOTHING_WRONG = "nothing wrong"


def fault_words(fault: str, car: Car) -> str:
    """The sentence of an edit in plain words: `ABS.C1: unplugged`. What no answer says stays as it is."""
    with suppress(EditProblem):
        fault = parse_edit(fault, car).text
    return next(_told(fault, car), fault)


def story_words(edits: Sequence[str], car: Car) -> str:
    """The edits of a story in plain words, each with its figure; stories may differ by that alone."""
    return "; ".join(_with_figure(fault_words(edit, car), edit) for edit in edits) or "the car as described"


def _with_figure(words: str, edit: str) -> str:
    figure = re.search(r"[0-9.]+ (ohm|%|V|kbit/s|s)$", edit)
    return words if figure is None or figure[0] in words else f"{words}, {figure[0]}"


def fault_set_words(faults: Sequence[str], car: Car) -> str:
    """All faults of a set in plain words; an empty set is `nothing wrong`."""
    return " and ".join(fault_words(fault, car) for fault in faults) or NOTHING_WRONG


def _told(fault: str, car: Car) -> Iterator[str]:
    kind = EDIT_KINDS.get(verb_of(fault))
    for answer in kind.answers if kind else ():
        said = re.fullmatch(_pattern(answer.sentence), fault)
        found = said.groupdict() if said else {}
        other = found.get("other", "")
        if "part" in found:
            parts = [found["part"]] if found["part"] in PARTS[answer.part](car) else []
        else:  # the sentence names what is at the part
            parts = [one for one in PARTS[answer.part](car) if not other or other in answer.others(car, one)]
        yield from (f"{_named(part, car)}: {answer.saying(other)}" for part in parts if said)


def _named(part: str, car: Car) -> str:
    """A part by the name that is on the diagram; a wire, which has none, by its ends."""
    wire = car.elements.get(part)
    return wire_words(wire, car) if isinstance(wire, Wire) else part


def _pattern(sentence: str) -> str:
    """What matches the sentences of an answer, whatever their figures."""
    pattern = re.escape(sentence).replace(r"\ ", " ")
    pattern = re.sub(r"\\\?|\b[0-9]+(?= m?s)", r"\\S+", pattern)
    pattern = pattern.replace(r"\{part\}", r"(?P<part>\S+?)", 1).replace(r"\{part\}", "(?P=part)")
    return pattern.replace(r"\{other\}", "(?P<other>.+?)") + r"( \S+ ohm)?"
