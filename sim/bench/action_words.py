"""Actions in the words of a button, and several in one sentence: on buttons, in logs and debriefs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from sim.bench.asking import SPOKEN
from sim.vehicle.car import Car
from sim.vehicle.wire_names import in_words

VERB_WORDS = {
    "plug": "Plug {}", "fit": "Fit {}", "repair": "Repair {}", "remove": "Remove the {}",
    "unswap": "Swap back {}", "unterminate": "Remove the resistor {}", "unbypass": "Remove the bypass of {}",
    "replace": "Replace {}", "charge": "Charge to {}", "look": "Inspect {}", "unlock": "Unlock {}",
    "load": "Load test {}", "save": "Save a report: {}", "key": "Key to {}", "fob": "Key fob {}",
    "drive": "Drive {}", "wiggle": "Wiggle {}", "heat": "Heat {}", "freeze": "Freeze {}",
    "selftest": "Self-test {}", "details": "Details of {}",
}  # fmt: skip
WHOLE = {"scan": "Scan all modules", "clear": "Clear all codes"}
WHOLE |= {f"ask {name}": f"Ask the customer: {spoken}" for name, spoken in SPOKEN.items()}
WHOLE |= {"drive at 0 km/h": "Stop the car", "drive to the lights": "Drive off and stop at the lights"}
WHOLE |= {"brake on": "Hold the brake", "brake off": "Release the brake"}


def words_of(action: str, car: Car | None = None) -> str:
    """An action as the words of a button; with a car, wires and splices in words, too."""
    if action in WHOLE:
        return WHOLE[action]
    verb, _, rest = action.partition(" ")
    if verb == "ask":  # with the answer that was noted
        question, _, answer = action.partition(": ")
        return f"{WHOLE[question]} “{answer}”"
    if car is not None:
        rest = in_words(rest, car)
    return VERB_WORDS.get(verb, f"{verb.capitalize()} {{}}").format(rest).strip()


def sentence_of(actions: Sequence[str], car: Car | None = None) -> str:
    """Actions one after another: `Unplug TCM.C1, then inspect TCM.C1, then plug TCM.C1`."""
    first, *rest = (words_of(action, car) for action in actions)
    return ", then ".join((first, *(one[0].lower() + one[1:] for one in rest)))


def lines_of(actions: Iterable[str], car: Car | None = None) -> list[str]:
    """A line each; what is done several times in a row is told once: `Wait 10 s (3 times)`."""
    told = ((words_of(action, car), len(list(same))) for action, same in groupby(actions))
    return [words if times == 1 else f"{words} ({times} times)" for words, times in told]
