"""Handing in: what counts as the cause, proof of repair, and what comes to light before."""

from dataclasses import replace

import pytest

from sim.training.attempt import Attempt
from sim.training.exercise import Exercise, find_exercise
from sim.training.hand_in import NO_FAULT, grade, normal_causes
from sim.training.jobs import REPAIRS
from sim.vehicle.edits import apply_all, parse_edit
from sim.vehicle.problems import EditProblem
from tests.training.seen import seen

FIRST = find_exercise("01-first-scan")
TEACHING = FIRST.whole_car
MINIBUS = find_exercise("16-seats-out").whole_car
FAULTS = [
    ("unplug ABS.C1", "plug ABS.C1", 2.0, 0.0),
    ("loosen ABS.C1", "plug ABS.C1", 2.0, 0.0),
    ("blow F3", "fit F3", 1.0, 1.0),
    ("open ABS.C1.4", "repair ABS.C1.4", 15.0, 4.0),
    ("corrode G2 2 ohm", "repair G2", 15.0, 4.0),
    ("interrupt TCM.C1.1 every 5 s for 1 s", "repair TCM.C1.1", 15.0, 4.0),
    ("offset G2 1.5 V", "repair G2", 15.0, 4.0),
    ("open R1", "repair R1", 15.0, 4.0),
    ("short ABS.C1.4 to BODY", "remove short ECM.C1.4 to G1", 15.0, 2.0),
    ("swap ABS.C1.4 with ABS.C1.5", "unswap ABS.C1.5 with ABS.C1.4", 15.0, 2.0),
    ("terminate DLC.6 to DLC.14", "unterminate GATEWAY.C1.8 to GATEWAY.C1.9", 10.0, 2.0),
    ("stick TCM.powertrain", "replace TCM", 60.0, 300.0),
    ("babble TCM.powertrain", "replace TCM", 60.0, 300.0),
    ("set TCM.powertrain to 250 kbit/s", "replace TCM", 60.0, 300.0),
    ("keep TCM awake", "replace TCM", 60.0, 300.0),
    ("short map_sensor:1 to map_sensor:3", "replace map_sensor", 15.0, 40.0),
    ("charge 5 %", "charge 80 %", 45.0, 0.0),
]


@pytest.mark.parametrize(
    ("named", "hidden"),
    [
        ("unplug ABS", "unplug ABS.C1"),
        ("open ABS.GND", "open ABS.C1.3"),
        ("blow F3", "pull F3"),
        ("short ECM.C1.4 to BODY", "short SP.powertrain.TCM.H to G3"),
        ("short ABS.C1.5 to ABS.C1.4", "short SP.powertrain.ABS.H to SP.powertrain.ABS.L 1 ohm"),
        ("corrode G2 5 ohm", "corrode G2 8 ohm"),
        ("charge 20 %", "charge 4 %"),
        ("theory F16 feeds DOOR-LEFT.B+", "theory F16 feeds DOOR-LEFT"),
        ("swap ABS.C1.5 with ABS.C1.4", "swap ABS.C1.4 with ABS.C1.5"),
        ("terminate DLC.6 to DLC.14", "terminate GATEWAY.C1.8 to GATEWAY.C1.9 150 ohm"),
        ("interrupt TCM.C1.1 every 5 s for 1 s", "interrupt TCM.C1.1 every 60 s for 200 ms"),
        ("offset G2 1 V", "offset G2 1.8 V"),
        ("loosen ABS", "loosen ABS.C1"),
    ],
)
def test_equal_causes_are_right(named: str, hidden: str) -> None:
    """Two sentences of the same effect count as one cause, either way round."""
    for one, other in ((named, hidden), (hidden, named)):
        verdict = grade(normal_causes([one], TEACHING), normal_causes([other], TEACHING), TEACHING)
        assert verdict.exact
        assert 1.0 == verdict.credit


@pytest.mark.parametrize(
    ("named", "hidden"),
    [
        ("pull F3", "open ABS.C1.1"),
        ("unplug ABS.C1", "pull F3"),
        ("open ABS.C1.4", "unplug ABS.C1"),
        ("open ABS.C1.4", "open ABS.C1.5"),
        ("corrode G2 0.5 ohm", "corrode G2 8 ohm"),
        ("open G2", "corrode G2 8 ohm"),
        ("unplug X2", "open X2.4"),
        ("short ECM.C1.4 to BODY", "short GATEWAY.C1.4 to BODY"),
        ("charge 50 %", "charge 4 %"),
        ("open TCM.C1.1", "interrupt TCM.C1.1 every 60 s for 200 ms"),
        ("short ABS.C1.4 to ABS.C1.5 120 ohm", "terminate ABS.C1.4 to ABS.C1.5 120 ohm"),
        ("terminate DLC.6 to DLC.14 15 ohm", "terminate DLC.6 to DLC.14 120 ohm"),
        ("offset G2 -3 V", "offset G2 3 V"),
    ],
)
def test_the_right_circuit_in_another_place_is_near_and_counts_half(named: str, hidden: str) -> None:
    """A cause in the right circuit at another place is near, with half credit."""
    verdict = grade(normal_causes([named], TEACHING), normal_causes([hidden], TEACHING), TEACHING)
    assert ((normal_causes([named], TEACHING)[0], normal_causes([hidden], TEACHING)[0]),) == verdict.near
    assert not verdict.exact
    assert 0.5 == verdict.credit


def test_other_circuits_are_wrong_and_what_is_left_is_missed() -> None:
    """A cause in another circuit is wrong, and the hidden edit not named is missed."""
    verdict = grade(("pull F3", "open G4"), ("pull F3", "unplug DOOR-LEFT.C1"), TEACHING)
    assert (("pull F3",), (), ("open G4",), ("unplug DOOR-LEFT.C1",)) == (
        verdict.right,
        verdict.near,
        verdict.wrong,
        verdict.missed,
    )
    assert 0.5 == verdict.credit


def test_all_pins_of_a_connector_open_are_the_connector_off() -> None:
    """All pins open equal the connector off; all but one do not."""
    pins = tuple(f"open DOOR-LEFT.C1.{cavity}" for cavity in range(1, 5))
    assert grade(pins, ("unplug DOOR-LEFT.C1",), TEACHING).exact
    assert not grade(pins[:3], ("unplug DOOR-LEFT.C1",), TEACHING).exact


def test_a_theory_must_be_the_right_one() -> None:
    """A hidden design difference must be named as it is."""
    hidden = ("theory F31 feeds TACHO", "pull F31")
    car = apply_all(MINIBUS, ["theory F31 feeds TACHO"])
    assert grade(("theory F31 feeds TACHO", "pull F31"), hidden, car).exact
    assert ("theory F31 feeds TACHO",) == grade(("pull F31",), hidden, car).missed
    assert not grade(("theory TACHO waits for TIRES", "pull F31"), hidden, car).exact


@pytest.mark.parametrize(
    ("named", "near"),
    [
        ("theory F30 feeds TACHO", True),
        ("theory F31 feeds TIRES", True),
        ("theory F30 feeds TIRES", False),
        ("theory TACHO waits for TIRES", True),
        ("theory TIRES waits for AIRBAG", False),
    ],
)
def test_theories_are_near_where_they_are_about_one_part(named: str, near: bool) -> None:
    """A theory is near another that names a part of it, not one that is only of the same sort."""
    verdict = grade((named,), ("theory F31 feeds TACHO",), MINIBUS)
    assert near is bool(verdict.near)
    assert (0.5 if near else 0.0) == verdict.credit


def test_no_fault_found_is_right_only_where_nothing_is_wrong() -> None:
    """`no fault found` is right exactly for a whole car."""
    assert grade((NO_FAULT,), (), TEACHING).exact
    assert ("pull F3",) == grade((NO_FAULT,), ("pull F3",), TEACHING).missed
    assert ("pull F3",) == grade(("pull F3",), (), TEACHING).wrong


def test_the_fuse_that_a_short_has_blown_is_true_but_not_the_cause() -> None:
    """A blown fuse named beside its short is true as well; alone it earns nothing."""
    exercise = find_exercise("07")
    attempt = Attempt.replay(exercise, exercise.solution)
    result = attempt.hand_in(["short ECM.C1.1 to BODY", "blow F1"])
    assert result.complete
    assert ("blow F1",) == result.verdict.also
    result = Attempt.replay(exercise, exercise.solution).hand_in(["blow F1"])
    assert 0.0 == result.verdict.credit
    assert ("short ECM.C1.1 to BODY 0.05 ohm",) == result.verdict.missed


@pytest.mark.parametrize(
    ("named", "sentence"),
    [
        ([], "name at least one cause, or 'no fault found'"),
        (["no fault found", "pull F3"], "'no fault found' cannot be combined with causes"),
        (["plug ABS.C1"], "'plug ABS.C1' is a repair; name what was wrong"),
        (["unplug ASB"], "no connector 'ASB' in this car; did you mean 'ABS'"),
        (["the cluster"], "no edit begins with 'the'"),
    ],
)
def test_what_is_no_cause_is_refused_and_the_exercise_stays_open(named: list[str], sentence: str) -> None:
    """A hand-in that names no cause is refused, and work can go on."""
    attempt = Attempt.begin(FIRST)
    with pytest.raises(EditProblem, match=sentence):
        attempt.hand_in(named)
    assert attempt.result is None
    attempt.do("key run")


def test_a_named_cause_without_repair_and_proof_does_not_complete() -> None:
    """The right cause alone earns half the credit and closes the exercise."""
    attempt = Attempt.begin(FIRST)
    result = attempt.hand_in(["unplug ABS"], "the brake lamp")
    assert (True, False, False, 0.5) == (
        result.verdict.exact,
        result.repaired,
        result.complete,
        result.credit,
    )
    assert "the brake lamp" == result.evidence
    with pytest.raises(EditProblem, match="has been handed in"):
        attempt.do("scan")


def test_the_cause_counts_twice_as_much_as_the_repair_its_proof_and_good_method() -> None:
    """A car that was not repaired proves nothing."""
    repaired = FIRST.solution[: FIRST.solution.index("plug ABS.C1") + 1]
    for log, named, credit in (
        (FIRST.solution, "unplug ABS", 1.0),
        (FIRST.solution, "unplug ECM", 0.6),
        (repaired, "unplug ABS", 0.8),
        (repaired, "unplug ECM", 0.4),
        ((), "unplug ECM", 0.0),
    ):
        result = Attempt.replay(FIRST, log).hand_in([named], "")
        assert credit == pytest.approx(result.credit)
        alone = replace(result, repaired=False, method=None)
        assert pytest.approx(0.5 * result.verdict.exact) == alone.credit


def test_good_method_changes_the_credit_even_where_it_tells_nothing_new() -> None:
    """The same work without a report saved before clearing is complete and worth less."""
    careless = [step for step in FIRST.solution if not step.startswith("save")]
    result = Attempt.replay(FIRST, careless).hand_in(["unplug ABS"], "")
    assert (True, 0.5, 0.9) == (result.complete, result.method, pytest.approx(result.credit))


@pytest.mark.parametrize(
    ("log", "saved"),
    [
        (["scan", "save a", "clear"], True),
        (["scan", "clear", "save a"], False),
        (["scan", "unplug TCM", "save a"], False),
        (["scan", "disconnect battery", "save a"], True),
        (["scan"], False),
    ],
)
def test_a_report_is_saved_before_anything_is_cleared_or_taken_apart(log: list[str], saved: bool) -> None:
    """Only a report saved before the first clearing or change counts; a battery clamp is no change."""
    assert saved is Attempt.replay(FIRST, log).hand_in(["unplug ABS"]).saved_before


def test_codes_cleared_with_the_ignition_off_prove_nothing() -> None:
    """A clean scan proves a repair only with ignition on and time for the monitors."""
    log = [
        "key run",
        "wait 5 s",
        "scan",
        "save before",
        "key off",
        "plug ABS.C1",
        "clear",
        "wait 10 s",
        "scan",
    ]
    assert not Attempt.replay(FIRST, log).hand_in(["unplug ABS"]).proven
    log = [*log[:6], "key run", "clear", "scan"]
    assert not Attempt.replay(FIRST, log).hand_in(["unplug ABS"]).proven, "monitors have had no time"
    log = [*log[:6], "key run", "clear", "wait 10 s", "scan"]
    assert Attempt.replay(FIRST, log).hand_in(["unplug ABS"]).complete


def test_a_repair_of_something_whole_costs_its_time_and_tells_only_that() -> None:
    """A repair in vain costs time but no parts, and replays byte for byte."""
    attempt = Attempt.begin(FIRST)
    step = attempt.do("repair ECM.C1.3")
    assert "ECM.C1.3 has nothing to repair" == step.vain
    assert 15.0 == attempt.minutes
    assert 0.0 == attempt.cost
    assert ["repair ECM.C1.3"] == attempt.log
    again = Attempt.replay(FIRST, attempt.log)
    assert list(attempt.bench.trace.lines()) == list(again.bench.trace.lines())
    assert seen(attempt) == seen(again)


def test_damage_and_theories_are_no_work() -> None:
    """Damage, design differences and missing tools are refused and leave no line."""
    attempt = Attempt.begin(FIRST)
    for sentence, words in (
        ("open ECM.C1.3", "'open' would damage the customer's car"),
        ("short DLC.6 to DLC.14", "'short' would damage"),
        ("charge 5 %", "'charge' would damage"),
        ("theory ECM waits for ABS", "hand it in as a cause"),
        ("bypass GATEWAY diag to powertrain", "without the tool 'bypass'"),
    ):
        with pytest.raises(EditProblem, match=words):
            attempt.do(sentence)
    assert [] == attempt.log


def test_what_is_unsafe_is_noted_at_the_step() -> None:
    """Ignition, battery, airbag and fuse rating dangers are noted at their step."""
    attempt = Attempt.begin(find_exercise("38"))
    attempt.do("key run")
    on = attempt.do("plug AIRBAG.C1").dangers
    assert 2 == len(on)
    assert "with the ignition on" in on[0]
    assert "belongs to the airbag module, and the battery was connected" in on[1]
    attempt = Attempt.begin(find_exercise("38"))
    attempt.do("disconnect battery")
    attempt.do("wait 2 min")
    assert "off for 120 s only" in attempt.do("plug AIRBAG.C1").dangers[0]
    attempt = Attempt.begin(find_exercise("38"))
    attempt.do("disconnect battery")
    attempt.do("wait 10 min")
    assert () == attempt.do("plug AIRBAG.C1").dangers
    attempt = Attempt.begin(FIRST)
    assert () == attempt.do("fit F1 5 A").dangers
    assert "is made for 10 A" in attempt.do("fit F1 30 A").dangers[0]
    running = Attempt.begin(FIRST)
    for action in ("key run", "key crank", "wait 5 s"):
        running.do(action)
    assert "with the engine running" in running.do("disconnect battery").dangers[0]


def test_hints_cost_time_and_end() -> None:
    """Each hint costs five minutes, and there is no fourth."""
    attempt = Attempt.begin(FIRST)
    assert FIRST.hints[0] == attempt.hint()
    assert 5.0 == attempt.minutes
    attempt.hint()
    attempt.hint()
    with pytest.raises(EditProblem, match="no more hints"):
        attempt.hint()


def test_practice_can_be_rewound_and_an_examination_cannot() -> None:
    """A practice attempt rewinds with its notes; an exam refuses."""
    attempt = Attempt.begin(FIRST, practice=True)
    for action in ("key run", "wait 5 s", "scan", "key off", "plug ABS.C1"):
        attempt.do(action)
    attempt.note("the liners!")
    earlier = attempt.rewind(3)
    assert ["key run", "wait 5 s", "scan"] == earlier.log
    assert ["the liners!"] == earlier.notes
    assert not earlier.is_whole
    with pytest.raises(EditProblem, match="in practice only"):
        Attempt.begin(FIRST).rewind(0)


@pytest.mark.parametrize(("fault", "repair", "minutes", "cost"), FAULTS)
def test_whatever_can_be_wrong_can_be_put_right_and_costs_what_it_costs(
    fault: str, repair: str, minutes: float, cost: float
) -> None:
    """Every verb that spoils a car, with the job that ends it; prices are round figures of our own."""
    parked = Exercise.model_validate(FIRST.model_dump() | {"arrives": (fault,), "before": ()})
    attempt = Attempt.begin(parked)
    step = attempt.do(repair)
    assert (True, "", minutes, cost) == (step.repairs, step.vain, step.minutes, step.cost)
    assert attempt.is_whole
    again = attempt.do(repair)
    if repair.startswith(("repair", "un")):
        assert again.vain
        assert not again.repairs


def test_the_job_that_ends_a_fault_is_one_that_counts() -> None:
    """No fault of the car's language is left without a repair."""
    car = FIRST.whole_car
    faults = [*(text for text, *_ in FAULTS), "pull F3", "fit F3 30 A", "unplug GATEWAY"]
    undone = [parse_edit(text, car).undo for text in faults]
    with_tester = {repair.split()[0] for _, repair, _ in WRITTEN} | {"calibrate"}
    no_fault_here = {
        "unbypass",
        "refer",
    }  # of a lead; of high voltage
    assert {str(undo).split()[0] for undo in undone} | no_fault_here | with_tester == set(REPAIRS)


WRITTEN = [
    ("uncode ECM", "code ECM", 10.0), ("miscode BCM", "code BCM", 10.0), ("transplant ECM", "code ECM", 10.0),
    ("unmatch ECM", "match keys", 20.0), ("halfflash TCM", "flash TCM", 30.0),
    ("misflash ABS", "flash ABS", 30.0),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "repair", "minutes"), WRITTEN)
def test_what_is_written_wrong_is_written_right_with_the_tester(
    fault: str, repair: str, minutes: float
) -> None:
    """It costs time and no part, over the car's own wires; without the tool it is refused."""
    given = {"arrives": (fault,), "before": ("key run",)}
    without = Attempt.begin(Exercise.model_validate(FIRST.model_dump() | given))
    with pytest.raises(EditProblem, match="to be solved without the tool 'program'"):
        without.do(repair)
    tools = {"tools": (*FIRST.tools, "program")}
    attempt = Attempt.begin(Exercise.model_validate(FIRST.model_dump() | given | tools))
    step = attempt.do(repair)
    assert (True, "", minutes, 0.0) == (step.repairs, step.vain, step.minutes, step.cost)
    assert attempt.is_whole


def test_a_battery_charged_to_another_figure_is_charged() -> None:
    """Any charge from the repair's limit on makes the car whole."""
    exercise = find_exercise("26")
    attempt = Attempt.begin(exercise)
    assert not attempt.is_whole
    attempt.do("charge 75 %")
    assert attempt.is_whole


# -- nothing hidden comes to light -------------------------------------------------------------------------


def test_a_refused_job_names_no_hidden_short() -> None:
    """A short taken off elsewhere is refused without naming it, and found on its own stretch."""
    exercise = find_exercise("10")
    attempt = Attempt.begin(exercise)
    step = attempt.do("remove short ECM.C1.5 to BODY")
    assert not attempt.is_whole
    assert "there is no 'short ECM.C1.5 to BODY' to remove" == step.vain
    assert "CLUSTER.C1.4" not in seen(attempt)
    attempt.do("remove short DLC.6 to G1")
    assert attempt.is_whole, "the same stretch of wire"
