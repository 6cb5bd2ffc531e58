"""Plain words in place of the verbs of sentences: `repair ECM.C1.3` is read as `mend ECM.C1.3`.

The log keeps the verb, which is one word for one thing.
"""

from __future__ import annotations

PLAIN_WORDS = {
    "repair": "mend",
    "inspect": "look",
    "remove short": "unshort",
    "remove resistor": "unterminate",
    "remove bypass": "unbypass",
    "swap back": "unswap",
}
FIRST_WORDS = frozenset(words.split()[0] for words in PLAIN_WORDS)


def in_form(sentence: str) -> str:
    """A sentence that begins with its verb; one that begins with anything else comes back as it is."""
    words = sentence.split()
    for plain, verb in PLAIN_WORDS.items():
        count = len(plain.split())
        if " ".join(words[:count]).lower() == plain:
            return " ".join((verb, *words[count:]))
    return sentence
