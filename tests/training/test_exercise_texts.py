"""What a student reads before the work: no cause is given away, and no invented name is met twice."""

import re
from collections import Counter

import pytest

from sim.catalogue import shipped_cases, shipped_exercises
from sim.training.exercise import Exercise, read_exercise

EXERCISES = {name: read_exercise(path) for name, path in shipped_exercises().items()}
TOPICS = {
    "first scan",
    "no communication",
    "transmission",
    "dash",
    "starting",
    "engine",
    "warning lamps",
    "airbag",
    "doors and windows",
    "wipers",
    "passenger equipment",
    "comfort",
    "battery drain",
    "trailer",
    "inspection",
    "high voltage",
    "charging",
}  # complaints and systems, in the words of a work order
CAUSES = re.compile(
    r"fuse|ground|connector|plug|pin\b|open\b|short|broken|\bblow[ns]?\b|relay|terminat|gateway|bypass|diagram|wire\b"
    r"|swap\b|corro|green|paint|bus\b|babbl|asleep|wake|interrupt|intermittent|coding|mask|compound"
    r"|no fault|nothing wrong|nobody|everybody",
    re.IGNORECASE,
)  # what a technician has yet to find out


def person(exercise: Exercise) -> str:
    """The name in front of the customer's trade."""
    return exercise.work_order.customer.partition(",")[0]


def test_topics_are_complaints_and_systems() -> None:
    """A topic says what the customer complains of, never what is wrong."""
    assert {one.topic for one in EXERCISES.values()} == TOPICS


@pytest.mark.parametrize("name", EXERCISES)
def test_title_and_topic_do_not_give_the_cause_away(name: str) -> None:
    """A title, a topic and the name of a file hold no word for a cause."""
    one = EXERCISES[name]
    file = name.replace("-", " ")
    assert [] == CAUSES.findall(f"{one.exercise} · {one.topic} · {file}")


def test_no_customer_shares_a_name() -> None:
    """Each customer has a first and a last name, and no other customer has either of them."""
    people = [person(one) for one in EXERCISES.values()]
    assert [] == [name for name in people if len(name.split()) != 2]
    parts = Counter(part for name in people for part in name.split())
    assert [] == [part for part, times in parts.items() if times > 1]


def test_a_customers_name_is_in_no_other_text() -> None:
    """The name of a customer is in no other exercise and in no case."""
    texts = {**shipped_exercises(), **shipped_cases()}
    words = {name: set(re.findall(r"[\w'-]+", path.read_text("utf-8"))) for name, path in texts.items()}
    twice = [
        f"{part}: {name} and {other}"
        for name, exercise in EXERCISES.items()
        for part in person(exercise).split()
        for other in texts
        if other != name and part in words[other]
    ]
    assert [] == twice


@pytest.mark.parametrize("name", EXERCISES)
def test_no_sentence_but_the_customers_speaks_of_somebody(name: str) -> None:
    """Outside the customer's own words the subject is a part, a module, a reading or "you"."""
    text = shipped_exercises()[name].read_text("utf-8")
    said = re.sub(r"  words: >-\n(?: {4}.*\n)+", "", text)
    assert [] == re.findall(
        r"\b(?:no|some|any|every)body\b|\bwhoever\b|\bbeeps?\b|\bstands\b", said, re.IGNORECASE
    )


def test_every_kind_of_fault_has_an_exercise() -> None:
    """The curriculum holds these faults and theories, and one car with nothing wrong."""
    faults = [fault.arrives for one in EXERCISES.values() for fault in (one, *one.others)]
    kinds = {sentence.split()[0] for arrives in faults for sentence in arrives}
    expected = {
        "pull",
        "blow",
        "unplug",
        "open",
        "short",
        "corrode",
        "charge",
        "theory",
        "swap",
        "set",
        "stick",
    }
    assert kinds >= expected | {"babble", "keep", "interrupt", "terminate", "fail", "uncode", "unmatch"}
    assert () in faults
    assert any(len(arrives) > 1 for arrives in faults)


@pytest.mark.parametrize("name", EXERCISES)
def test_a_customer_can_be_asked(name: str) -> None:
    """Each customer knows since when, when, and what was done before; no answer tells a hidden edit."""
    one = EXERCISES[name]
    assert {"since when", "when", "what was done"} <= set(one.answers)
    for fault in (one, *one.others):
        said = [answer.says for answer in (one.answers | fault.answers).values()]
        words = " ".join(said).replace(",", " ").replace(".", " ").split()
        for sentence in fault.arrives:
            assert [] == [text for text in said if sentence in text]
            assert sentence.split()[1] not in words


def test_no_two_customers_answer_alike() -> None:
    """Answers are of their story: none is met twice."""
    said = Counter(answer.says for one in EXERCISES.values() for answer in one.answers.values())
    assert [] == [words for words, times in said.items() if times > 1]


def test_some_customers_err() -> None:
    """At least three answers are wrong, as the car shows; the proof of an exercise plays them."""
    wrong = [name for name, one in EXERCISES.items() for said in one.answers.values() if said.wrong]
    assert 3 <= len(wrong)
