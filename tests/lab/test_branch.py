"""What if something else had been done: the same past, two futures, and what differs between them."""

import pytest

from sim.bench.bench import Bench
from sim.catalogue import vehicle_text
from sim.lab.branch import branch
from sim.lab.workshop import Stopped
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

TEXT = vehicle_text("six-modules")
LOG = ["press start", "wait 5 s", "unplug ABS", "wait 5 s", "scan", "plug ABS", "wait 5 s", "scan"]


def test_the_future_that_was_is_the_bench_itself_and_the_other_is_a_bench_with_the_other_log() -> None:
    """Each future shows what a bench with that log shows."""
    found = branch(TEXT, LOG, 2, ["unplug TCM", "wait 1 s"], then_the_rest=False)
    assert ("press start", "wait 5 s") == found.shared
    assert ("press start", "wait 5 s", "unplug TCM.C1", "wait 1 s") == found.log
    other = [*found.log, *(one.action for one in found.instead[2:])]
    for log, sights in ((LOG, found.was), (other, found.instead)):
        bench = Bench.replay(car_from_text(TEXT), (), 0, log)
        assert bench.last_report is not None
        codes = {(one.module, code.code) for one in bench.last_report.modules for code in one.codes}
        assert codes == {(module, code) for module, code, _ in sights[-1].codes}
        assert bench.last_report.silent == sights[-1].silent
        assert bench.now_s == pytest.approx(sights[-1].time_s, abs=0.01)


def test_both_futures_end_together_with_a_scan() -> None:
    """The future that is over sooner waits, and both are scanned at the same moment."""
    found = branch(TEXT, LOG, 2, ["wait 1 s"], then_the_rest=False)
    first, waited, last = found.instead
    assert ("wait 1 s", "wait", "scan") == (first.action, waited.action.split()[0], last.action)
    assert waited.time_s == pytest.approx(found.was[-1].time_s, abs=0.02)


def test_what_differs_is_told_by_words() -> None:
    """The connector is left on: no module misses the brakes module, and it is in no codes."""
    found = branch(TEXT, LOG[:5], 2, ["wait 0.1 s"])
    told = {row.what: (row.was, row.instead) for row in found.differences}
    assert ("5 of 6", "6 of 6") == told["modules that answer"]
    assert ("silent", "answers") == told["ABS"]
    assert ("present", "no code") == told["ECM U0121-87"]
    assert "starter" not in told
    assert found.words.startswith(f"{len(told)} things differ: ")


def test_the_report_has_both_futures_and_says_what_it_is_worth() -> None:
    """The printed page lists the actions of both futures, their differences and the disclaimer."""
    text = branch(TEXT, LOG[:5], 2, ["wait 0.1 s"]).as_html()
    assert "<td>ABS</td><td>silent</td><td>answers</td><td>differs</td>" in text
    assert "never what a real car must do" in text


def test_doing_the_same_again_differs_in_nothing() -> None:
    """Replaying the same action gives two equal futures."""
    found = branch(TEXT, LOG, 2, [LOG[2]])
    assert () == found.differences
    assert "Nothing that could be seen would have been different." == found.words


def test_what_can_no_longer_be_done_says_so() -> None:
    """An action that is impossible in the other future is shown as impossible there."""
    found = branch(TEXT, LOG, 2, ["wait 1 s"])
    refused = [one for one in found.instead if one.refused]
    assert ["plug ABS"] == [one.action for one in refused]
    assert "plug ABS" not in found.log


def test_the_moment_may_be_the_end_of_the_log() -> None:
    """A branch can begin after the last action of a log."""
    found = branch(TEXT, LOG[:2], 2, ["unplug ABS", "wait 5 s"])
    assert ("6 of 6", "5 of 6") == next(
        (row.was, row.instead) for row in found.rows if row.what == "modules that answer"
    )


@pytest.mark.parametrize(
    ("keep", "instead", "sentence"),
    [
        (9, ["wait 1 s"], "the log has 8 actions; it has no moment after 9"),
        (2, ["unplug ABSS"], "no connector 'ABSS' in this car; did you mean 'ABS'?"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_one_sentence(
    keep: int, instead: list[str], sentence: str
) -> None:
    """A moment outside the log or an unknown action raises one clear error."""
    with pytest.raises(Problem) as told:
        branch(TEXT, LOG, keep, instead)
    assert sentence == str(told.value)


def test_progress_counts_every_action_and_a_stop_stops() -> None:
    """Progress reaches the number of actions, and a stop raises `Stopped`."""
    seen: list[tuple[int, int]] = []
    branch(TEXT, LOG, 2, ["wait 1 s"], progress=lambda done, of: seen.append((done, of)))
    assert [(done, 16) for done in range(17)] == seen
    with pytest.raises(Stopped):
        branch(TEXT, LOG, 2, ["wait 1 s"], stop=lambda: True)
