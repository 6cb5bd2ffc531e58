"""What a log has shown explains itself: the car it came from is among its own candidates."""

from concurrent.futures import Executor, Future
from dataclasses import replace
from typing import Any

from sim.catalogue import vehicle_text
from sim.lab.case import CaseStep, Evidence
from sim.lab.compare import misses
from sim.lab.observed import observed
from sim.lab.run import Trial, run_trial
from sim.lab.search import find_causes
from sim.lab.search_plan import Question
from sim.lab.search_report import search_page
from sim.lab.sight import Sight
from sim.lab.workshop import Workshop

TEXT = vehicle_text("six-modules")
LOG = ["press start", "wait 5 s", "scan", "measure volts F5.2 to BAT-", "look F5", "clear"]


def test_every_step_agrees_with_a_run_of_the_same_car_and_not_with_a_whole_one() -> None:
    """The steps of a log agree with a run of the same car and contradict a run of a healthy one."""
    steps = observed(TEXT, LOG, given=("pull F5",))
    assert [(text,) for text in LOG] == [step.do for step in steps]
    same, whole = (run_trial(Trial(TEXT, given, tuple(LOG))).sights for given in (("pull F5",), ()))
    assert [] == [miss for step, sight in zip(steps, same, strict=True) for miss in misses(step, [sight])]
    wrong = [place for place, pair in enumerate(zip(steps, whole, strict=True)) if misses(pair[0], [pair[1]])]
    assert [2, 3, 4, 5] == wrong


def test_the_fault_is_among_the_candidates_of_its_own_log() -> None:
    """The search finds the fault from the log of its own car."""
    steps = observed(TEXT, LOG[:3], given=("pull F5",))
    with Workshop(workers=1) as workshop:
        found = find_causes(TEXT, steps, most=1, workshop=workshop)
    assert found.holds(["pull F5"])
    assert not found.holds([])
    page = search_page(found, None, 0.0)
    assert f"{len(found.causes)} possible causes. All 56 were tried." in page
    assert "silent: CLUSTER" in page
    assert (True, False) == ("F5: missing" in page, "pull F5" in page)
    assert "common practice, not statistics" in page


def test_what_cannot_be_done_is_left_out() -> None:
    """An impossible action of a log makes no step."""
    assert 1 == len(observed(TEXT, ["plug ECM", "wait 1 s"]))


class Asked(Executor):
    """Does what it is given at once, and counts it."""

    def __init__(self) -> None:
        self.count = 0

    def submit(self, work: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.count += 1
        done: Future[Any] = Future()
        done.set_result(work(*args, **kwargs))
        return done


def test_a_question_about_a_bench_is_answered_where_runs_are_made() -> None:
    """What a log shows comes from the workshop's executor, as it would be here; a case has its own steps."""
    question = Question(TEXT, log=tuple(LOG), hidden=("pull F5",))
    asked = Asked()
    steps = question.observations(Workshop(asked))
    assert 1 == asked.count
    assert observed(TEXT, LOG, given=("pull F5",)) == steps
    assert steps == Question(TEXT, steps=steps).observations(Workshop(asked))
    assert 1 == asked.count


def test_a_doubtful_reading_contradicts_nothing() -> None:
    """What an instrument shows with a warning decides neither for a candidate nor against it."""
    seen = Evidence(reads=60.0, within=1.0)
    sight = Sight("measure ohms DLC.6 to DLC.14", 1.0, "stopped", "off", "dark", display="12.0", reading=12.0)
    step = CaseStep(do=(sight.action,), seen=seen)
    assert 1 == len(misses(step, [sight]))
    assert () == misses(step, [replace(sight, doubtful=True)])
