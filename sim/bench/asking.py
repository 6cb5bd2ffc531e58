"""What a customer is asked: questions of a fixed list, each with its name in sentences and as it is spoken.

    ask since when                        the customer of an exercise answers
    ask since when: since the car wash    an answer that is noted, as of your own customer

Asking changes nothing about the car and takes no time on its clock. Which questions bring most is common
practice: the age of a fault, when it shows, how often, what was done to the car before, what else is noticed.

Not modeled: questions in free words, and a talk in which one answer leads to the next question.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from sim.vehicle.problems import EditProblem, did_you_mean

LONGEST_ANSWER = 400
NOT_NOTED = "no answer was noted"


class CustomerQuestion(StrEnum):
    """What is asked, by its name in a sentence."""

    SINCE_WHEN = "since when"
    WHEN = "when"
    HOW_OFTEN = "how often"
    WHAT_WAS_DONE = "what was done"
    WHAT_ELSE = "what else"


SPOKEN: Mapping[CustomerQuestion, str] = {
    CustomerQuestion.SINCE_WHEN: "Since when?",
    CustomerQuestion.WHEN: "When does it happen?",
    CustomerQuestion.HOW_OFTEN: "How often?",
    CustomerQuestion.WHAT_WAS_DONE: "What was done to it before?",
    CustomerQuestion.WHAT_ELSE: "Any noise, smell or anything else?",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """A question, and the answer that was noted with it; empty where it is for the customer to give."""

    question: CustomerQuestion
    answer: str = ""

    @property
    def words(self) -> str:
        """The answer, for the log."""
        return self.answer or NOT_NOTED


def parse_question(words: str) -> Asked:
    """The question of a sentence after its verb; raises `EditProblem` with the nearest right words."""
    name, colon, answer = words.partition(":")
    name, answer = " ".join(name.lower().split()), answer.strip()
    known = [str(one) for one in CustomerQuestion]
    if name not in known:
        raise EditProblem(f"no question '{name}'{did_you_mean(name, known)}")
    if colon and not answer:
        raise EditProblem(f"write the answer after the colon, or only 'ask {name}'")
    if len(answer) > LONGEST_ANSWER:
        raise EditProblem(f"an answer has at most {LONGEST_ANSWER} characters (here: {len(answer)})")
    return Asked(CustomerQuestion(name), answer)
