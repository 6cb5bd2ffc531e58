"""Asking the customer: typed questions, answers that fit the story and the car, and where they are told."""

import pytest

from sim.bench.action_words import words_of
from sim.bench.actions import parse_action
from sim.bench.bench import Bench
from sim.catalogue import shipped_exercises
from sim.training.attempt import Attempt
from sim.training.authoring import exercise_file, fields_of
from sim.training.complaint import check_answers
from sim.training.debrief import debrief
from sim.training.debrief_page import as_html, sections
from sim.training.exercise import UNKNOWN, Exercise, exercise_from_text, find_exercise
from sim.training.good_method import good_method
from sim.training.lesson import as_html as sheets
from sim.training.lesson import as_text, lesson
from sim.vehicle.problems import EditProblem, FileProblem, Problem

SINCE = "Since Sunday evening, when my nephew had the wheels off."
WHEN = {"says": "As soon as it runs.", "played": [{"do": ["key run", "wait 8 s"], "seen": {"lit": ["abs"]}}]}


def answering(**more: object) -> Exercise:
    """The first exercise, with two answers, and others."""
    answers = {"since when": SINCE, "when": WHEN} | more
    return Exercise.model_validate(find_exercise("1").model_dump() | {"answers": answers})


def test_an_answer_is_given_when_it_is_asked_for_and_costs_a_minute() -> None:
    """The answer is what the step shows; the car and its clock are as before."""
    attempt = Attempt.begin(answering())
    before_s = attempt.bench.now_s
    step = attempt.do("ask since when")
    assert f"“{SINCE}”" == step.display
    assert 1.0 == step.minutes == attempt.minutes
    assert before_s == attempt.bench.now_s
    assert {"since when": SINCE} == attempt.answers


def test_what_a_customer_does_not_know_is_said_so() -> None:
    """A question without an answer in the file has one all the same, and costs its minute."""
    attempt = Attempt.begin(answering())
    assert f"“{UNKNOWN}”" == attempt.do("ask how often").display
    assert 1.0 == attempt.minutes


def test_answers_come_back_with_the_log() -> None:
    """A replay of the log has the same answers: they are in the records with it."""
    attempt = Attempt.begin(answering())
    attempt.do("ask when")
    again = Attempt.replay(attempt.exercise, attempt.log)
    assert attempt.steps[0].display == again.steps[0].display
    assert attempt.answers == again.answers


@pytest.mark.parametrize(
    ("sentence", "told"),
    [
        ("ask whn", "no question 'whn'; did you mean 'when'"),
        ("ask", "no question ''; known: how often, since when"),
        ("ask when:", "write the answer after the colon, or only 'ask when'"),
        (f"ask when: {'a' * 401}", "an answer has at most 400 characters (here: 401)"),
        ("ask when: at night", "the customer is here to answer: write 'ask when'"),
    ],
)
def test_a_question_that_is_none_is_refused_and_costs_nothing(sentence: str, told: str) -> None:
    """One clear error with the nearest right words; an exercise's customer answers for themselves."""
    attempt = Attempt.begin(answering())
    with pytest.raises(EditProblem) as problem:
        attempt.do(sentence)
    assert told in problem.value.what
    assert 0.0 == attempt.minutes


def test_the_answer_of_a_customer_of_your_own_is_noted_in_the_log() -> None:
    """In the free bay the sentence holds the answer, and the log and its words hold it, too."""
    bench = Bench(find_exercise("1").whole_car)
    assert "only in the rain" == bench.do("ask when: only in the rain").words
    assert "no answer was noted" == bench.do("ask when").words
    assert "ask when: only in the rain" == bench.log[0]
    assert "Ask the customer: When does it happen? “only in the rain”" == words_of(bench.log[0], bench.car)
    assert "ask when: only in the rain" == parse_action(" ASK  When:  only in the rain", bench.car).text


def test_an_answer_is_played_on_the_car() -> None:
    """An answer that the car contradicts is refused, unless the customer errs; then it must be wrong."""
    no = [{"do": ["key run", "wait 8 s"], "seen": {"lit": ["airbag"]}}]
    check_answers(answering())
    with pytest.raises(Problem, match="lamp airbag: the customer says lit, the car shows dark"):
        check_answers(answering(when={"says": "The red one.", "played": no}))
    check_answers(answering(when={"says": "The red one.", "played": no, "wrong": True}))
    with pytest.raises(Problem, match="the car shows what this wrong answer says"):
        check_answers(answering(when=WHEN | {"wrong": True}))
    with pytest.raises(ValueError, match="needs `played` steps"):
        answering(when={"says": "Never.", "wrong": True})


def test_a_misspelled_question_of_a_file_is_one_clear_error() -> None:
    """File, line and the questions that there are."""
    text = shipped_exercises()["01-first-scan"].read_text("utf-8")
    with pytest.raises(FileProblem, match="line 17, answers > since whn"):
        exercise_from_text(text.replace("  since when:", "  since whn:"), "mine.yaml")


def test_another_fault_may_be_answered_otherwise() -> None:
    """A further fault has the first one's answers but for those of its own."""
    one = answering()
    other = one.others[0].model_copy(update={"answers": answering(when="At once.").answers})
    varied = one.model_copy(update={"others": (other,)}).variant(1)
    assert "At once." == varied.answers["when"].says  # type: ignore[index]
    assert SINCE == varied.answers["since when"].says  # type: ignore[index]


def test_an_author_gets_answers_back_as_they_were() -> None:
    """Fields of an exercise make the same exercise again, with plain and with played answers."""
    one = answering()
    again = exercise_from_text(exercise_file(fields_of(one)), "again.yaml")
    assert one.answers == again.answers
    assert f"since when: {SINCE}" in fields_of(one)["answers"]


def test_the_debrief_tells_what_was_asked_and_what_was_not() -> None:
    """Debrief and teacher's sheet hold the answers; a question before any work is good method."""
    attempt = Attempt.begin(answering(**{"what else": WHEN | {"wrong": False}}))
    for action in ("ask since when", *attempt.exercise.solution):
        attempt.do(action)
    attempt.hand_in(attempt.exercise.arrives)
    told = debrief(attempt)
    said = dict(sections(told))["What the customer could tell"]
    assert f"Since when? “{SINCE}”" == said[0]
    assert "When does it happen? “As soon as it runs.” (not asked)" == said[1]
    assert "good method" == told.judged[0].ruling.verdict
    assert "Ask the customer: Since when?" in as_html(told)
    plan = lesson("mine", attempt.exercise, {})
    assert f"“{SINCE}”" in sheets(plan)
    assert f"Since when? “{SINCE}”" in as_text(plan)


def test_a_fault_that_comes_and_goes_calls_for_a_question() -> None:
    """Where it matters when it happens, and the customer knows, not asking is missed."""
    comes = answering().broken_by(["interrupt ABS.C1.1 every 20 s for 300 ms"])
    attempt = Attempt.begin(comes)
    assert "customer asked" in [one.rule.name for one in good_method(comes, attempt.steps, None)]
    stays = answering()
    assert "customer asked" not in [one.rule.name for one in good_method(stays, attempt.steps, None)]


def test_a_question_counts_only_before_the_car_is_changed() -> None:
    """Asked first it is good method; asked after a plug is off it comes too late."""
    comes = answering().broken_by(["interrupt ABS.C1.1 every 20 s for 300 ms"])
    done = {}
    for actions in (("ask when", "unplug ABS.C1"), ("unplug ABS.C1", "ask when")):
        attempt = Attempt.begin(comes)
        for action in actions:
            attempt.do(action)
        told = good_method(comes, attempt.steps, None)
        done[actions[0]] = next(one.done for one in told if one.rule.name == "customer asked")
    assert {"ask when": True, "unplug ABS.C1": False} == done
