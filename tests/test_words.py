"""Words that must not come back on screen, checked over all that `tests.words` lists."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import pytest

from tests.words import Said, said

ROOT: Final = Path(__file__).parent.parent
SPELLED: Final = {".py", ".md", ".yaml", ".html", ".csv", ".css", ".js"}

# each with what is said instead; names of files, keys of vehicle files and commands are no words on screen
NOT_AGAIN = {
    r"the engine stands": "engine not running",
    r"\bnobody\b": "no module, no one, or the sentence turned round",
    r"\bwhoever\b": "everyone, anyone",
    r"\bstands? (on|in|behind|there|alone|before|beside)\b": "is",
    r"behind this voltage": "This voltage collapses under load.",
    r"\bchopped\b": "pulsed signal",
    r"\bbeeps?\b": "continuity",
    r"\bfeed bar\b": "distribution rail",
    r"\bin touch with\b": "no communication",
    r"\bunder suspicion\b": "possible causes",
    r"\bsuspects? (left|say|leave|would)\b": "possible causes",
    r"\bshop (time|minutes)\b": "labor time",
    r"\busually dark\b": "normally off",
    r"\bproved itself\b": "authenticated",
    r"\bdead inside\b": "internal failure",
    r"\bnot heard\b": "not received",
    r"\bcylinders are fed\b": "Coils 1 to 4 have no supply.",
    r"\bfor proof\b|\bno proof\b": "challenge, authenticated",
    r"\blet go\b|\blets go\b": "released, releases",
    r"\bspanner\b": "wrench",
    r"\bframe depth\b": "frame fidelity",
    r"\bbuilt otherwise\b": "built differently from its diagram",
    r"\bsooner or later\b": "eventually",
    r"\bis no (way|end|code|time|question|saved)\b": "is not a way, an end, ...",
    r"\bfor ever\b": "for good",
    r"\btick\b": "check the box",
    r"\b(my|your|this|the) desk\b": "my jobs",
    r"\bby the door\b": "sign in",
    r"\bcall(ed)? (it )?off\b": "cancel",
    r"\bat the root\b": "root cause",
    r"\bpress it home\b": "seat it fully",
    r"\ba right one\b": "a good one",
    r"\bwhole car would\b": "good car",
    r"\bis dear\b": "is expensive",
    r"\bnothing joins\b": "no circuit between",
    r"\blies? on a bus\b": "is on a bus",
    r"\bno senders\b": "does not name senders",
    r"\bwhat is not told\b": "Leave blank what you did not check.",
    r"\botherwise than\b": "differently from",
    r"\b(plus|minus) (post|clamp)\b": "positive, negative",
    r"\b(tyre|windscreen|colour of|centre|bonnet|petrol)s?\b": "American spelling and trade words",
}


def _in_program(one: Said) -> bool:
    return one.file.startswith(("sim/", "ui/")) and not one.file.endswith(".csv")


@pytest.mark.parametrize("pattern", NOT_AGAIN)
def test_no_word_that_was_replaced_comes_back(pattern: str) -> None:
    """No sentence or label of the program uses a word that technicians do not use."""
    again = [f"{one.file}:{one.line} {one.text}" for one in said() if _in_program(one) and _has(pattern, one)]
    assert [] == again, f"say instead: {NOT_AGAIN[pattern]}"


def test_customers_and_cars_speak_american() -> None:
    """No text of an exercise, a case or a car uses a British word of the trade."""
    british = (
        r"\b(spanner|car park|tyre|windscreen|bonnet|petrol|lorry|kerb|gearbox oil|motorway|over night|"
        r"breaker.s yard|hooted)s?\b"
    )
    again = [f"{one.file}:{one.line} {one.text}" for one in said() if _has(british, one)]
    assert [] == [text for text in again if text.startswith("scenarios/")]


def test_names_and_comments_are_spelled_the_american_way() -> None:
    """No source file, text or page of the program and its cars has a British spelling."""
    british = re.compile(
        r"colour(?!s$|\")|licence|spoilt|burnt|behaviour|modell(ed|ing)|labell(ed|ing)|cancelled(?!Error)|neighbour|metres|"
        r"isation|minimis|organis|recognis|normalis|initialis|favour|honour|grey|towards",
        re.IGNORECASE | re.MULTILINE,
    )
    files = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    files += [path for room in ("sim", "ui", "scenarios") for path in sorted((ROOT / room).rglob("*.*"))]
    texts = {path: path.read_text("utf-8") for path in files if path.suffix in SPELLED}
    assert {} == {str(path): found[0] for path, text in texts.items() if (found := british.search(text))}


def _has(pattern: str, one: Said) -> bool:
    return bool(re.search(pattern, one.text, re.IGNORECASE))


def test_the_list_of_words_reaches_messages_labels_and_templates() -> None:
    """A message of the meter, a label of a button and a template's words are all in the list."""
    texts = {one.text for one in said()}
    assert {"Find possible causes", "engine not running"} <= texts
    assert any("Continuity proves milliamps only" in text for text in texts)
    assert any(one.file.endswith(".html") for one in said())
