"""Actions in the words of a button, and several in one sentence."""

from __future__ import annotations

from collections.abc import Sequence

VERB_WORDS = {
    "plug": "Plug {}", "fit": "Fit {}", "repair": "Repair {}", "remove": "Remove the {}",
    "unswap": "Swap back {}", "unterminate": "Remove the resistor {}", "unbypass": "Remove the bypass of {}",
    "replace": "Replace {}", "charge": "Charge to {}", "look": "Inspect {}", "unlock": "Unlock {}",
}  # fmt: skip


def words_of(action: str) -> str:
    """An action as the words of a button."""
    verb, _, rest = action.partition(" ")
    return VERB_WORDS.get(verb, f"{verb.capitalize()} {{}}").format(rest).strip()


def sentence_of(actions: Sequence[str]) -> str:
    """Actions one after another: `Unplug TCM.C1, then inspect TCM.C1, then plug TCM.C1`."""
    first, *rest = map(words_of, actions)
    return ", then ".join((first, *(one[0].lower() + one[1:] for one in rest)))
