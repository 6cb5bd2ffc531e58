"""Three faults at once: where no single fault and no pair explains what was seen."""

from itertools import combinations
from pathlib import Path

import pytest

from sim.cli import main
from sim.lab.compare import misses
from sim.lab.drive import first_look
from sim.lab.observed import observed
from sim.lab.run import Trial, run_trial
from sim.lab.search_plan import Question, search_on
from sim.lab.three_faults import THREE, find_three
from sim.lab.workshop import Stopped, Workshop
from sim.vehicle.reading import car_from_text

THREE_FUSES = ("pull F2", "pull F5", "pull F7")
SOME = (*THREE_FUSES, "unplug ABS.C1", "pull F6", "pull F9", "open AIRBAG.C1.3", "pull F3")


def test_three_fuses_are_found_as_runs_of_every_triple_find_them(six: str, here: Workshop) -> None:
    """Each set that is found shows all that was seen in a run of its own, and none is left out."""
    steps = observed(six, first_look(car_from_text(six)), given=THREE_FUSES)
    found = find_three(six, steps, edits=SOME, workshop=here)
    actions = tuple(action for step in steps for action in step.do)
    agree = set()
    for some in combinations(SOME, 3):
        sights = list(run_trial(Trial(six, some, actions)).sights)
        if not any(misses(step, [sights.pop(0) for _ in step.do]) for step in steps):
            agree.add(frozenset(some))
    assert frozenset(THREE_FUSES) in agree
    assert agree == {frozenset(edits) for one in found.causes for edits in (one.edits, *one.alike)}


def test_a_third_fault_that_shows_nothing_alone_is_tried_beside_two_that_show_all(
    six: str, here: Workshop
) -> None:
    """Two faults alone would set codes that the third keeps from being set: all three are found."""
    hidden = ("unplug ABS.C1", "pull F9", "pull F5")
    steps = observed(six, first_look(car_from_text(six)), given=hidden)
    found = find_three(six, steps, edits=(*hidden, "pull F7", "pull F2"), workshop=here)
    assert [3] == [len(one.edits) for one in found.causes]
    assert found.holds(hidden)


def test_three_are_looked_for_after_pairs_and_the_search_goes_on_with_new_evidence(
    six: str, here: Workshop
) -> None:
    """No pair agrees, so three are found; a fuse that is seen out leaves fewer; a stop loses nothing."""
    look = first_look(car_from_text(six))
    steps = observed(six, look, given=THREE_FUSES)
    asked = Question(six, steps=steps)
    pairs = search_on(asked, SOME, 2, limit_s=60, workshop=here)
    assert () == pairs.result.causes
    found = search_on(asked, SOME, THREE, pairs, limit_s=60, workshop=here)
    assert THREE == found.most
    assert found.result.holds(THREE_FUSES)
    assert 0 == found.share_left
    more = observed(six, [*look, "look F7"], given=THREE_FUSES)
    fewer = search_on(Question(six, steps=more), SOME, THREE, found, limit_s=60, workshop=here)
    assert fewer.result.holds(THREE_FUSES)
    assert len(fewer.result.causes) <= len(found.result.causes)
    with pytest.raises(Stopped):
        search_on(asked, SOME, THREE, limit_s=60, workshop=here, stop=lambda: True)


def test_the_command_offers_three_where_no_single_fault_agrees(
    six: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where nothing agrees the command says how to look for three."""
    steps = observed(six, first_look(car_from_text(six)), given=THREE_FUSES)
    shown = [
        f"  - {{do: {list(step.do)}, seen: {step.seen.model_dump_json(exclude_defaults=True)}}}"
        for step in steps
    ]
    case = tmp_path / "three.yaml"
    case.write_text(
        "\n".join(["case: Three fuses", "car: six-modules", "steps:", *shown, "stories: {nothing: {}}"])
    )
    assert 1 == main(["causes", str(case), "--workers", "1"])
    assert "Look for three faults at once with --most 3." in capsys.readouterr().out
