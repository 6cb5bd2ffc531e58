"""The next best check."""

import re

import pytest

from sim.catalogue import vehicle_text
from sim.instruments import cautions
from sim.lab.case import Case, CaseStep, Evidence, Story
from sim.lab.checks import Check, possible_checks
from sim.lab.next_check import Advice, CheckOutcome, Ranked, next_check
from sim.lab.search import find_causes, narrow_down
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.separation import separations
from sim.lab.sequential import MOST_ROLLOUTS
from sim.lab.workshop import Workshop
from sim.vehicle.reading import car_from_text

STEPS = (
    CaseStep(do=("wait 1 s", "press start", "wait 6 s"), seen=Evidence(ignition="run")),
    CaseStep(
        do=("scan",), seen=Evidence(silent=("TCM",), answers=("ECM", "ABS", "CLUSTER", "AIRBAG", "BCM"))
    ),
)
SILENT_TCM = ["pull F2", "unplug TCM.C1", "open TCM.C1.1", "open TCM.C1.3"]


def causes(six: str, edits: list[str], workshop: Workshop) -> SearchResult:
    return find_causes(six, STEPS, edits=edits, most=1, workshop=workshop)


def test_the_best_check_parts_the_candidates_at_the_least_minutes(six: str, here: Workshop) -> None:
    """The check that is advised first tells the causes apart in the least expected time."""
    found = causes(six, SILENT_TCM, here)
    advice = next_check(found, workshop=here)
    assert (4, 4) == (advice.compared, advice.of)
    assert advice.best is not None
    told = advice.best.minutes_to_end
    assert told is not None
    assert all(told <= one.minutes_to_end for one in advice.ranked if one.minutes_to_end is not None)
    shares = [outcome.share for outcome in advice.best.outcomes]
    assert 1.0 == pytest.approx(sum(shares))
    assert sorted(SILENT_TCM) == sorted(name for outcome in advice.best.outcomes for name in outcome.leaves)


def test_doing_what_is_advised_leads_to_the_hidden_fault(six: str, here: Workshop) -> None:
    """Each check is done on the true car; what it shows narrows the candidates until one is left."""
    hidden = "open TCM.C1.3"
    found = causes(six, SILENT_TCM, here)
    for _ in range(6):
        advice = next_check(found, workshop=here)
        if advice.best is None:
            break
        check = advice.best.check
        found = narrow_down(found, written_down(found, hidden, check, here), workshop=here)
        assert found.holds([hidden])
    assert [hidden] == [one.title for one in found.causes]


def written_down(found: SearchResult, hidden: str, check: Check, workshop: Workshop) -> list[CaseStep]:
    """What a check shows on the true car, action by action."""
    sights = workshop.run([found.trial(PossibleCause((hidden,), (), 1.0), check.actions)])[0].sights
    return [
        CaseStep(
            do=(sight.action,),
            seen=Evidence(
                reads=sight.reading,
                within=None if sight.reading is None else 0.05,
                silent=sight.silent,
                answers=sight.answering,
                shows=sight.display if sight.display and sight.reading is None else None,
            ),
        )
        for sight in sights[-len(check.actions) :]
    ]


def test_what_changes_the_car_is_thought_of_where_nothing_else_tells_or_where_it_is_asked_for(
    six: str, here: Workshop
) -> None:
    """Checks that change the car are weighed only if no other check tells, or on request."""
    found = causes(six, ["pull F2", "unplug TCM.C1", "open TCM.C1.3"], here)
    advice, more = (next_check(found, every_kind=every, workshop=here) for every in (False, True))
    assert all(one.check.passive for one in advice.ranked)
    assert {one.check for one in advice.ranked} < {one.check for one in more.ranked}
    steps = (*STEPS, CaseStep(do=("look TCM.C1",), seen=Evidence(shows="its terminals cannot be seen")))
    pins = ["open TCM.C1.4", "open TCM.C1.5"]
    on_the_bus = find_causes(six, steps, edits=pins, most=1, workshop=here)
    assert pins == sorted(one.title for one in on_the_bus.causes)
    best = next_check(on_the_bus, workshop=here).best
    assert best is not None
    assert "unplug TCM.C1" in best.check.actions


def test_a_number_reads_as_on_the_meter_and_a_look_as_on_its_button(six: str, here: Workshop) -> None:
    """What a check may show has its unit, and names an inspection in words."""
    found = causes(six, ["pull F2", "unplug TCM.C1"], here)
    both = "measure volts F2.2 to BAT-", "look F2"
    advice = next_check(found, checks=[Check(both, 2.0, passive=True)], workshop=here)
    shown = [one.shows for one in advice.ranked[0].outcomes]
    assert 2 == len(shown)
    assert all(re.match(r"measure volts F2.2 to BAT-: [\d.]+ m?V; Inspect F2: ", one) for one in shown), shown


def test_a_chain_of_equals_is_halved(six: str, here: Workshop) -> None:
    """Four candidates of equal weight, checks of equal minutes that split them one to three or in half."""
    edits = ["unplug TCM.C1", "unplug ABS.C1", "unplug AIRBAG.C1", "unplug CLUSTER.C1"]
    found = find_causes(six, [CaseStep(do=("wait 1 s",))], edits=edits, most=1, workshop=here)
    found = SearchResult(six, (), 0, found.steps, tuple(one for one in found.causes if one.edits), (), 4, 4)
    checks = [
        Check(("measure volts TCM.C1.1 to TCM.C1.3",), 2.0, passive=True),
        Check(("look TCM.C1",), 2.0, passive=True),
        Check(("unplug DLC", "look ABS.C1"), 2.0),
    ]
    advice = next_check(found, checks=checks, workshop=here)
    assert {("look TCM.C1",)} >= {one.check.actions for one in advice.ranked if one.halves}
    both = [*checks, Check(("look TCM.C1", "look ABS.C1"), 2.0)]
    advice = next_check(found, checks=both, workshop=here)
    assert advice.best is not None
    assert ("look TCM.C1", "look ABS.C1") == advice.best.check.actions


def test_the_checks_that_tell_most_per_minute_are_thought_through(six: str, here: Workshop) -> None:
    """Only the best checks per minute get an expected time to the end, and they come first."""
    fuses = [f"F{number}" for number in range(1, 9)]
    found = find_causes(
        six, [CaseStep(do=("wait 1 s",))], edits=[f"pull {one}" for one in fuses], most=1, workshop=here
    )
    sentences = [*(f"look {one}" for one in fuses), *(f"measure volts {one}.2 to BAT-" for one in fuses)]
    checks = [Check((text,), 2.0 + place, passive=True) for place, text in enumerate(sentences)]
    advice = next_check(found, checks=checks, workshop=here)
    thought = [one.bits_per_minute for one in advice.ranked if one.minutes_to_end is not None]
    rest = [one.bits_per_minute for one in advice.ranked if one.minutes_to_end is None]
    assert (MOST_ROLLOUTS, len(checks)) == (len(thought), len(thought) + len(rest))
    assert min(thought) >= max(rest)


def test_nothing_that_spoils_and_no_airbag_circuit_is_advised() -> None:
    """No check pierces, spoils or touches an airbag circuit."""
    car = car_from_text(vehicle_text("shuttle-minibus"))
    edits = ["open AIRBAG.C1.1", "unplug AIRBAG.C1", "pull F26", "open ABS.C1.5", "open G4", "pull K2"]
    checks = possible_checks(car, [PossibleCause((edit,), (), 1.0) for edit in edits])
    titles = [check.title for check in checks]
    assert not any("AIRBAG.C1.1 " in title or "pierc" in title for title in titles)
    assert "measure volts G4 to BAT-" in titles
    assert all(check.minutes > 0 for check in checks)
    probing = next(check for check in checks if check.title.startswith("measure volts ABS.C1.5"))
    assert any("probe" in caution or "wire" in caution for caution in probing.cautions)


def test_a_module_that_may_disturb_its_bus_is_taken_off_it() -> None:
    """For a module that may disturb its bus, unplugging it is among the checks."""
    car = car_from_text(vehicle_text("six-modules"))
    checks = possible_checks(
        car, [PossibleCause((edit,), (), 1.0) for edit in ("stick TCM.main", "stick AIRBAG.main")]
    )
    taken_off = [check.title for check in checks if check.title.startswith("unplug")]
    assert ["unplug TCM.C1, wait 5 s, scan, plug TCM.C1"] == taken_off


def test_one_suspect_needs_no_check(six: str, here: Workshop) -> None:
    """With one possible cause or none left, there is no advice, and the sentence says why."""
    advice = next_check(causes(six, ["pull F2"], here), workshop=here)
    assert (None, ()) == (advice.best, advice.ranked)
    assert "One possible cause is left: there is nothing to tell apart." == advice.words
    assert "No possible cause is left: there is nothing to tell apart." == Advice((), 0, 0).words
    assert "No check known here tells these possible causes apart." == Advice((), 2, 2).words


def test_cautions_stand_beside_the_checks_that_need_them() -> None:
    """Battery off: the clamp's; a plug off: the breakout lead's; reading codes is without danger."""
    car = car_from_text(vehicle_text("six-modules"))
    checks = {
        check.title: check for check in possible_checks(car, [PossibleCause(("stick TCM.main",), (), 1.0)])
    }
    battery = "press start, disconnect battery, wait 60 s, measure ohms DLC.6 to DLC.14, reconnect battery"
    assert cautions.BATTERY_CLAMP in checks[battery].cautions
    assert (cautions.BREAKOUT,) == checks["unplug TCM.C1, wait 5 s, scan, plug TCM.C1"].cautions
    assert () == checks["scan"].cautions


@pytest.mark.parametrize(
    ("shares", "halves"),
    [((0.5, 0.5), True), ((0.59, 0.41), True), ((0.61, 0.39), False), ((0.5, 0.25, 0.25), False)],
)
def test_a_check_halves_where_two_outcomes_are_nearly_alike_likely(
    shares: tuple[float, ...], halves: bool
) -> None:
    """Nearly: one of them between 40 and 60 in 100."""
    outcomes = tuple(CheckOutcome(f"shows {share}", share, ()) for share in shares)
    assert halves is Ranked(Check(("look F2",), 2.0), 1.0, None, outcomes).halves


def test_of_more_candidates_than_are_compared_the_likeliest_are(
    six: str, here: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fuse or a plug is likelier off than a pin open; the likelier outcome is told first."""
    monkeypatch.setattr("sim.lab.next_check.MOST_CAUSES", 2)
    advice = next_check(causes(six, SILENT_TCM, here), workshop=here)
    assert (2, 4) == (advice.compared, advice.of)
    assert advice.best is not None
    assert [("pull F2",), ("unplug TCM.C1",)] == [one.leaves for one in advice.best.outcomes]


@pytest.mark.parametrize(
    ("name", "start"),
    [
        ("six-modules", "press start"),
        ("shuttle-minibus", "press start with brake"),
        ("teaching-car", "key run"),
    ],
)
def test_codes_are_read_once_more_with_the_ignition_on_as_this_car_has_it(name: str, start: str) -> None:
    """The plan to read codes again switches the ignition on by this car's key or button."""
    checks = possible_checks(car_from_text(vehicle_text(name)), [PossibleCause(("pull F2",), (), 1.0)])
    assert f"{start}, wait 5 s, scan" in [check.title for check in checks]


def test_a_reading_with_a_warning_separates_nothing(six: str, here: Workshop) -> None:
    """Resistance on a live bus and the average of its traffic tell no causes apart, whatever the numbers."""
    edits = ["open TCM.C1.4", "short TCM.C1.4 to TCM.C1.5 200 ohm"]
    found = find_causes(six, [CaseStep(do=("press start",))], edits=edits, most=1, workshop=here)
    checks = [
        Check(("measure ohms DLC.6 to DLC.14",), 2.0, passive=True),
        Check(("measure volts DLC.6 to DLC.14",), 2.0, passive=True),
        Check(("wait 1 s", "measure ohms DLC.6 to DLC.14"), 2.0),
        Check(("look TCM.C1.4",), 3.0, passive=True),
    ]
    for text in edits:
        trial = found.trial(PossibleCause((text,), (), 1.0), ("measure ohms DLC.6 to DLC.14",))
        sight = here.run([trial])[0].sights[-1]
        assert any("live" in note for note in sight.notes)
    ranked = next_check(found, checks=checks, workshop=here).ranked
    assert {"look TCM.C1.4"} >= {one.check.title for one in ranked}


def test_an_experiment_that_ends_in_a_doubtful_reading_separates_nothing(six: str, here: Workshop) -> None:
    """Two stories that differ in the resistance of a live bus alone remain one group."""
    edits = [f"short TCM.C1.4 to TCM.C1.5 {ohm} ohm" for ohm in (200, 300)]
    stories = {text: Story(edits=(text,)) for text in edits}
    case = Case(case="Two", car=six, steps=(CaseStep(do=("press start",)),), stories=stories)
    plan = ["measure ohms DLC.6 to DLC.14"]
    assert [False] == [one.separates for one in separations(case, stories, [plan], workshop=here)]
