"""Contacts that open now and then: by the seed, named as the reason, and gone when mended."""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

TEACHING = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
FAULT = "interrupt TCM.C1.1 every 5 s for 400 ms"


def turns(bench: Bench) -> list[tuple[float, str]]:
    return [(event.time_s, event.text) for event in bench.trace.events if event.kind == "contact"]


def driven(given: list[str], seed: int = 0, for_s: int = 120) -> Bench:
    bench = Bench(TEACHING, given, seed)
    bench.do_all(["key run", f"wait {for_s} s"])
    return bench


def test_it_opens_and_closes_about_as_often_and_as_long_as_stated() -> None:
    """Number and mean length of the interruptions are the stated ones."""
    events = turns(driven([FAULT], for_s=1200))
    opened = [time_s for time_s, words in events if words.endswith("loses contact")]
    closed = [time_s for time_s, words in events if words.endswith("makes contact")]
    lengths = [end - begin for begin, end in zip(opened, closed, strict=False)]
    # exponential times: the mean of 200 lies within 20 % in 99.5 of 100 seeds
    assert 1200 / 5.4 == pytest.approx(len(opened), rel=0.2)
    assert 0.4 == pytest.approx(sum(lengths) / len(lengths), rel=0.2)


def test_the_module_restarts_and_others_miss_it() -> None:
    """A module's code is led back to the contact of another that lost its supply."""
    bench = driven([FAULT])
    assert any(event.subject == "TCM" and "supply" in event.text for event in bench.trace.events)
    code = next(code for module, code in _stored(bench) if module == "ECM")
    because = why_code(bench, "ECM", code)
    assert [f"given: {FAULT}"] == because.to_edits().roots()
    assert any("TCM.C1.1 loses contact" in line for line in because.lines())


def _stored(bench: Bench) -> list[tuple[str, str]]:
    report = bench.do("scan").report
    assert report is not None
    return sorted(report.codes)


def test_the_same_seed_gives_the_same_times_and_another_gives_others() -> None:
    """The times of the interruptions depend on the seed alone."""
    one, same, other = driven([FAULT]), driven([FAULT]), driven([FAULT], seed=1)
    assert list(one.trace.lines()) == list(same.trace.lines())
    assert turns(one) != turns(other)


def test_mended_it_never_opens_again() -> None:
    """After the repair the contact stays closed."""
    bench = driven([FAULT])
    bench.do("repair TCM.C1.1")
    so_far = len(turns(bench))
    bench.do("wait 10 min")
    assert so_far == len(turns(bench))
    assert frozenset() == bench.car.harness.away
    assert {} == bench.car.harness.intermittent


def test_two_of_them_have_times_of_their_own() -> None:
    """A second intermittent contact does not move the times of the first."""
    alone = turns(driven([FAULT]))
    both = turns(driven([FAULT, "interrupt DOOR-LEFT.C1.1 every 5 s for 400 ms"]))
    assert alone == [(time_s, words) for time_s, words in both if words.startswith("TCM")]
    assert alone != both


@pytest.mark.parametrize(
    "words", ["", "every 20 s", "every 20 s for 2 h", "every 0 s for 1 s", "each 20 s for 1 s"]
)
def test_a_wrong_sentence_says_how_to_write_it(words: str) -> None:
    """An unreadable sentence is answered with the right form and its limits."""
    with pytest.raises(EditProblem) as problem:
        parse_edit(f"interrupt ECM.C1.3 {words}", TEACHING)
    assert str(problem.value).startswith("write 'interrupt ECM.C1.3 every 20 s for 300 ms', each time")
