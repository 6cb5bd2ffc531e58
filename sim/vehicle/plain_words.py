"""Other words for the verbs of sentences: `inspect ECM.C1` is read as `look ECM.C1`.

The log keeps the verb, which is one word for one thing. Words of earlier versions, which saved logs have, are
read as today's.
"""

from __future__ import annotations

PLAIN_WORDS = {
    "inspect": "look",
    "remove resistor": "unterminate",
    "remove bypass": "unbypass",
    "swap back": "unswap",
}
SAID_BEFORE = {"mend": "repair", "unshort": "remove short"}
FIRST_WORDS = frozenset(words.split()[0] for words in (*PLAIN_WORDS, *SAID_BEFORE))


def in_form(sentence: str) -> str:
    """A sentence that begins with its verb; one that begins with anything else comes back as it is."""
    words = sentence.split()
    for plain, verb in (PLAIN_WORDS | SAID_BEFORE).items():
        count = len(plain.split())
        if " ".join(words[:count]).lower() == plain:
            return " ".join((verb, *words[count:]))
    return sentence
