"""Possible causes against brute force, on a car small enough for it."""

import random
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest

from sim.catalogue import vehicle_text
from sim.lab import judge
from sim.lab.case import CaseStep, Evidence
from sim.lab.compare import misses
from sim.lab.final_state import FinalState
from sim.lab.footprint import Footprint, opened
from sim.lab.judge import KnownSingles, Opens, Undecided, contradictions_key
from sim.lab.observed import observed
from sim.lab.odds import ODDS, odds
from sim.lab.pairs import Pairs
from sim.lab.run import Trial, run_trial, sentences
from sim.lab.run_cache import Cache
from sim.lab.search import find_causes, narrow_down, wrongly_judged
from sim.lab.search_result import SearchResult, explained
from sim.lab.structure import Structure
from sim.lab.workshop import Stopped, Workshop
from sim.vehicle.edits import catalogue, further_faults
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState

ACTIONS = (("wait 1 s", "press start", "wait 6 s"), ("scan",), ("measure volts F9.2 to BAT-",))


def evidence(vehicle: str, hidden: tuple[str, ...], looks: int = 3) -> tuple[CaseStep, ...]:
    """What a technician writes down who looks at everything, on a car with these faults."""
    actions = tuple(action for step in ACTIONS for action in step)
    sights = list(run_trial(Trial(vehicle, hidden, actions)).sights)
    steps = []
    for do in ACTIONS[:looks]:
        last = [sights.pop(0) for _ in do][-1]
        seen = Evidence(
            ignition=last.ignition,  # type: ignore[arg-type]
            answers=last.answering,
            silent=last.silent,
            codes=tuple(" ".join(code) for code in last.codes),
            no_other_codes=last.power is not None,
            reads=last.reading,
            within=None if last.reading is None else 0.3,
        )
        steps.append(CaseStep(do=do, seen=seen))
    return tuple(steps)


def by_brute_force(vehicle: str, steps: tuple[CaseStep, ...], edits: tuple[str, ...]) -> set[frozenset[str]]:
    """Every set of up to two edits that gives all that was seen, each run by itself to the end."""
    car = car_from_text(vehicle)
    actions = tuple(action for step in steps for action in step.do)
    found = set()
    for size in range(3):
        for some in combinations(edits, size):
            sights = list(run_trial(Trial(vehicle, sentences(some, car), actions)).sights)
            if not any(misses(step, [sights.pop(0) for _ in step.do]) for step in steps):
                found.add(frozenset(some))
    return found


def all_sets(found: SearchResult) -> set[frozenset[str]]:
    return {frozenset(edits) for one in found.causes for edits in (one.edits, *one.alike)}


@pytest.fixture(scope="module")
def some_edits(six: str) -> tuple[str, ...]:
    """A part of the catalogue, with all that can hide something else."""
    listed = catalogue(car_from_text(six))
    return tuple(sorted({*listed[::7], "pull F4", "unplug BCM.C1", "pull F8", "pull F2", "open TCM.C1.1"}))


@pytest.mark.parametrize(
    "hidden", [("pull F2",), ("pull F8", "unplug TCM.C1"), ("unplug BCM.C1", "pull F9"), ()]
)
def test_candidates_are_exactly_those_of_brute_force(
    six: str, some_edits: tuple[str, ...], hidden: tuple[str, ...], here: Workshop
) -> None:
    """The search keeps exactly the sets that a run of every set keeps."""
    steps = evidence(six, hidden)
    edits = tuple(sorted({*some_edits, *hidden}))
    found = find_causes(six, steps, edits=edits, workshop=here)
    assert by_brute_force(six, steps, edits) == all_sets(found)
    assert found.holds(hidden)
    assert found.runs < found.candidates


@pytest.mark.parametrize("hidden", [("corrode G1 8 ohm",), ("loosen TCM.C1", "short ABS.C1.1 to BODY")])
def test_faults_that_do_more_than_open_are_judged_as_by_brute_force(
    six: str, hidden: tuple[str, ...], here: Workshop
) -> None:
    """Shorts, resistances and the like are judged as by a run of every set."""
    car = car_from_text(six)
    kinds = ["blown fuses", "half seated connectors", "corroded grounds and supplies", "lifted grounds",
             "shorted supplies", "terminators", "flat battery"]  # fmt: skip
    further = further_faults(car, kinds)
    some = random.Random(5).sample(further, 5)
    edits = sentences(["pull F2", "open ABS.C1.3", "open ECM.C1.4", *some, *hidden], car)
    steps = evidence(six, sentences(hidden, car))
    found = find_causes(six, steps, edits=edits, workshop=here)
    assert by_brute_force(six, steps, edits) == all_sets(found)
    assert found.holds(sentences(hidden, car))


def test_random_hidden_faults_are_always_among_the_candidates(
    six: str, some_edits: tuple[str, ...], here: Workshop
) -> None:
    """A hidden fault is never lost from the search over its own evidence."""
    rng = random.Random(11)
    for _ in range(3):
        hidden = tuple(rng.sample(some_edits, rng.randint(1, 2)))
        found = find_causes(six, evidence(six, hidden), edits=some_edits, workshop=here)
        assert found.holds(hidden), hidden


def test_each_observation_leaves_fewer_and_narrowing_is_the_same_as_starting_again(
    six: str, some_edits: tuple[str, ...], here: Workshop
) -> None:
    """Narrowing down by more steps gives the same causes as a new search with all steps."""
    steps = evidence(six, ("pull F2",))
    at_once = find_causes(six, steps, edits=some_edits, workshop=here)
    first = find_causes(six, steps[:1], edits=some_edits, workshop=here)
    narrowed = narrow_down(first, steps[1:], workshop=here)
    assert all_sets(at_once) == all_sets(narrowed)
    assert at_once.remaining[-1] == narrowed.remaining[-1]
    assert list(at_once.remaining) == sorted(at_once.remaining, reverse=True)
    assert at_once.remaining[-1] == len(all_sets(at_once))
    assert [one.share for one in at_once.causes] == pytest.approx([one.share for one in narrowed.causes])
    assert 1.0 == pytest.approx(sum(one.share for one in at_once.causes))


def test_a_reading_tells_apart_what_was_equal_by_structure(six: str, here: Workshop) -> None:
    """A fuse and the pin after it are one until a measurement is taken between them."""
    edits = ["pull F2", "open TCM.C1.1"]
    steps = evidence(six, ("pull F2",), looks=2)
    found = find_causes(six, steps, edits=edits, most=1, workshop=here)
    assert [(("pull F2",), (("open TCM.C1.1",),))] == [(one.edits, one.alike) for one in found.causes]
    reading = CaseStep(do=("measure volts F2.2 to BAT-",), seen=Evidence(reads=12.5, within=0.5))
    assert [("open TCM.C1.1",)] == [one.edits for one in narrow_down(found, [reading], workshop=here).causes]


def test_what_was_not_looked_at_leaves_everybody_under_suspicion(
    six: str, some_edits: tuple[str, ...], here: Workshop
) -> None:
    """Steps without evidence reject no set."""
    found = find_causes(six, [CaseStep(do=("wait 1 s",))], edits=some_edits, workshop=here)
    assert found.candidates == len(all_sets(found))


def test_shares_follow_the_declared_odds(six: str, here: Workshop) -> None:
    """The shares of two causes are in the ratio of their prior odds."""
    car = car_from_text(six)
    assert ODDS["fuse"] * ODDS["pin"] == odds(["pull F2", "open TCM.C1.1"], car)
    assert ODDS["connector"] == odds(["unplug TCM.C1"], car)
    assert 1.0 == odds([], car)
    edits = ["pull F2", "open TCM.C1.3"]
    found = find_causes(six, evidence(six, ("pull F2",), 2), edits=edits, most=1, workshop=here)
    assert ["pull F2", "open TCM.C1.3"] == [one.title for one in found.causes]
    assert ODDS["fuse"] / (ODDS["fuse"] + ODDS["pin"]) == pytest.approx(found.causes[0].share)


def test_a_suspect_is_explained_back_to_its_edits(six: str, here: Workshop) -> None:
    """The reason for each silent module and code ends at the edits of the cause."""
    found = find_causes(six, evidence(six, ("pull F2",)), edits=["pull F2"], most=1, workshop=here)
    reasons = explained(found, found.causes[0])
    assert {"given: pull F2"} == {root for reason in reasons for root in reason.roots()}
    assert "TCM does not answer the tester" in [reason.text for reason in reasons]


def test_a_search_can_be_watched_and_stopped(six: str, here: Workshop) -> None:
    """Progress counts the runs, and a stop raises `Stopped`."""
    seen: list[int] = []

    def count(done: int, of: int) -> None:
        seen.append(done)

    with pytest.raises(Stopped):
        find_causes(six, evidence(six, ()), workshop=here, progress=count, stop=lambda: len(seen) > 3)
    assert 4 == len(seen)


def test_three_at_once_are_refused(six: str, here: Workshop) -> None:
    """A search for three faults at once raises one clear error."""
    with pytest.raises(Problem, match="sets of one or two edits"):
        find_causes(vehicle_text("six-modules"), evidence(six, ()), most=3, workshop=here)


def test_an_own_run_of_any_set_says_the_same_as_the_search(
    six: str, some_edits: tuple[str, ...], here: Workshop
) -> None:
    """`wrongly_judged` finds no set in a true result and finds the set that is missing from a false one."""
    found = find_causes(six, evidence(six, ("pull F2",)), edits=some_edits, workshop=here)
    sample = random.Random(2).sample([*combinations(some_edits, 2)], 30)
    assert () == wrongly_judged(found, sample, workshop=here)
    nothing_left = replace(found, causes=())
    kept = found.causes[0].edits
    assert (kept,) == wrongly_judged(nothing_left, [kept], workshop=here)


def test_a_search_without_time_tells_what_it_has_not_judged_and_goes_on_later(
    six: str, some_edits: tuple[str, ...], here: Workshop
) -> None:
    """Sets without a turn are waiting, the likeliest first, and are judged when the search goes on."""
    steps = evidence(six, ("pull F2",))
    in_full = find_causes(six, steps, edits=some_edits, workshop=here)
    hasty = find_causes(six, steps, edits=some_edits, workshop=here, within_s=0.0)
    assert hasty.waiting
    assert 0.0 < hasty.covered < 1.0 == in_full.covered
    assert hasty.runs < in_full.runs
    car = car_from_text(six)
    assert odds(hasty.waiting[0], car) <= odds(hasty.causes[0].edits, car)
    later = narrow_down(hasty, [], workshop=here)
    assert (all_sets(in_full), 1.0, ()) == (all_sets(later), later.covered, later.waiting)


def test_a_repair_among_the_steps_makes_a_dead_module_answer_again(six: str, here: Workshop) -> None:
    """What no switch can feed is fed again by a hand; then the shortcut must not be taken."""
    steps = [
        CaseStep(do=("wait 1 s", "press start", "wait 6 s", "scan"), seen=Evidence(silent=("TCM",))),
        CaseStep(
            do=("fit F2", "wait 6 s", "scan"), seen=Evidence(answers=("TCM",), codes=("ECM U0101 stored",))
        ),
    ]
    edits = ["pull F2", "unplug TCM.C1", "pull F9"]
    found = find_causes(six, steps, edits=edits, most=1, workshop=here)
    assert [("pull F2",)] == [one.edits for one in found.causes]


def test_a_search_that_is_begun_again_runs_no_pair_twice(
    six: str, some_edits: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that is repeated takes its pairs from the cache."""
    made: list[tuple[str, ...]] = []

    def counting(steps: tuple[CaseStep, ...], trial: Trial) -> tuple[int, FinalState | None]:
        made.append(trial.given)
        return first_contradiction(steps, trial)

    first_contradiction = judge.first_contradiction
    monkeypatch.setattr(judge, "first_contradiction", counting)
    steps = evidence(six, ("pull F8", "unplug TCM.C1"))
    found = []
    for _ in range(2):
        with Workshop(workers=1, cache=Cache(tmp_path)) as workshop:
            found.append(find_causes(six, steps, edits=some_edits, workshop=workshop))
    assert made
    assert len(made) == len(set(made))
    assert found[0].causes == found[1].causes


def test_who_is_cut_off_stays_so_unless_the_other_opening_may_help_on_the_same_line(six: str) -> None:
    """A module that is cut off stays so, unless the other edit moves a terminator of its line."""
    car = car_from_text(six)
    scan = (CaseStep(do=("scan",), seen=Evidence(answers=("ECM", "TCM"))),)
    asked = SwitchState(running=frozenset({"TESTER"}))
    pairs = Pairs(car, scan, Footprint(run_trial(Trial(six, (), ("scan",))), asked=asked))
    structure = Structure(car)

    def opens(edit: str) -> Opens:
        elements = opened(edit, car)
        assert elements is not None
        return Opens(elements, structure.lines(elements), structure.keeps_terminators(elements))

    edits = ["unplug TCM.C1", "unplug AIRBAG.C1", "unplug CLUSTER.C1", "pull F2"]
    tcm, srs, ipc, fuse = ((edit,) for edit in edits)
    known = KnownSingles(pairs, {}, {tcm}, {(edit,): opens(edit) for edit in edits})
    assert 1 == known.told([tcm])
    assert 1 == known.told([tcm, srs]) == known.told([srs, tcm])  # a stub of the same line
    assert 1 == known.told([tcm, fuse])  # nothing of a line
    assert None is known.told([tcm, ipc])  # takes a terminator from it


def test_what_was_seen_is_part_of_the_name_of_what_was_run(six: str) -> None:
    """Results for other evidence are kept under another key."""
    sets = (Undecided(Trial(six, ("pull F2",), ("scan",))),)
    seen = Evidence(answers=("TCM",)), Evidence(silent=("TCM",))
    answers, silent = (CaseStep(do=("scan",), seen=one) for one in seen)
    keys = {contradictions_key((step,), (), sets) for step in (answers, silent, answers)}
    assert 2 == len(keys)


@pytest.mark.parametrize("fault", ["open TCM.C1.3", "corrode TCM.C1.3 2 ohm"])
def test_a_plug_that_is_off_shows_what_is_wrong_with_its_terminals(
    six: str, fault: str, here: Workshop
) -> None:
    """Each alone looks otherwise at the plug than both together: a run of the pair decides."""
    hidden = ("unplug TCM.C1", fault)
    log = ("wait 10 s", "press start", "wait 5 s", "scan", "look TCM.C1")
    steps = observed(six, log, given=hidden)
    found = find_causes(six, steps, edits=(*hidden, "pull F2"), workshop=here)
    assert found.holds(hidden)
    assert by_brute_force(six, steps, (*hidden, "pull F2")) == all_sets(found)
