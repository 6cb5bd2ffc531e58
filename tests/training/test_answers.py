"""The answer builder: every fault of every exercise can be built by choosing, and is judged right."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from sim.catalogue import shipped_cars, shipped_exercises
from sim.training.answers import (
    NO_FAULT_WORDS,
    built,
    car_to_answer_for,
    cause_words,
    others_for,
    part_words,
    with_cause,
    wrongs_at,
)
from sim.training.exercise import Exercise, find_exercise, read_exercise
from sim.training.hand_in import NO_FAULT, grade, normal_causes
from sim.vehicle.answer_parts import PARTS, sorts_of
from sim.vehicle.car import Car
from sim.vehicle.edit import EDIT_KINDS, Answer
from sim.vehicle.edits import apply_all, parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

SHIPPED = {name: read_exercise(path) for name, path in shipped_exercises().items()}
FAULTS = [(name, number) for name, one in SHIPPED.items() for number in range(1 + len(one.others))]

# what a technician says was wrong, for what the file of an exercise says
SAID = {
    "unplug": "unplugged", "pull": "missing", "blow": "blown", "open": "open circuit",
    "corrode": "corroded, high resistance", "interrupt": "opens intermittently", "charge": "discharged",
    "swap": "swapped with another wire", "stick": "holds its bus dominant", "set": "wrong bit rate",
    "babble": "sends nonstop, blocks its bus", "keep": "never lets the network sleep",
    "fail": "internal failure", "uncode": "not coded", "unmatch": "not matched to the immobilizer",
    "loosen": "not fully seated", "leak": "leaks to the body", "weaken": "one cell is shorted",
    "readdress": "claims another module's address",
    "overcharge": "regulates too high", "mute": "gives no signal, failed inside",
    "miscode": "coded for other equipment",
    "halfflash": "software incomplete, only its boot loader",
    "strap": "wrong end of its Ethernet link (master or slave)",
}  # fmt: skip


def chosen(hidden: str, car: Car) -> tuple[str, str, str]:
    """The part, what is wrong with it and the other thing that a technician who found a fault chooses."""
    edit = parse_edit(hidden, car)
    first, second = (*edit.targets, "", "")[:2]
    match edit.verb, hidden.split():
        case "charge", _:
            return "BAT", SAID["charge"], ""
        case "short", [_, one, "to", "BODY", *_]:
            return one, "shorted to ground", ""
        case "short", _ if first.startswith("K") and second.endswith(".87"):
            return first.partition(".")[0], "contacts stuck together", ""
        case "short", _ if ":" in first:
            return first.partition(":")[0], "shorted inside", ""
        case "short", _ if first.partition(".")[0] in car.claimed.switches:
            return first.partition(".")[0], "stuck closed", ""
        case "short", _:
            return first, "shorted to another wire", second
        case "terminate", _:
            bus = car.pins[first].function.partition(".")[0]
            return bus, "an extra resistor across the pair", f"{first} to {second}"
        case "theory", [_, _, "waits", *_]:
            return first, "waits for another module at start-up", second
        case "theory", [_, _, "feeds", *_]:
            return second, "fed by another fuse than drawn", f"{first} feeds {second}"
        case "set", [*_, "classical", "CAN"]:
            return first.partition(".")[0], "too old for CAN FD", first
        case (("stick" | "babble" | "set"), _):
            return first.partition(".")[0], SAID[edit.verb], first
        case "strap", _:
            return first.partition(".")[0], SAID["strap"], hidden.removeprefix("strap ")
        case "interrupt", _ if ":" in first:
            return first.partition(":")[0], "cracked solder joint inside", ""
        case "interrupt", [*_, "when", how]:
            return first, f"opens when it is {how}", ""
        case (("fail" | "uncode" | "miscode" | "unmatch" | "halfflash" | "mute"), _):
            return first, SAID[edit.verb], first
        case "open", _ if sorts_of(first, car) == ("terminator",):
            return first, "open or missing", ""
    return first, SAID[edit.verb], second


def chose(part: str, words: str, other: str, car: Car) -> str:
    """Choose from what is offered, as the page does; fails for what is not offered."""
    assert part in part_words(car)
    answer = {one.words: one for one in wrongs_at(part, car)}[words]
    assert bool(other) == bool(answer.asks)
    assert not answer.asks or other in others_for(answer, part, car)
    return built(part, answer, other, car)


def choices_for(exercise: Exercise) -> Iterator[tuple[str, str, str]]:
    """What is chosen for each hidden fault in turn."""
    for hidden in exercise.arrives:
        yield chosen(hidden, exercise.whole_car)


def neighbor(part: str, words: str, other: str, car: Car) -> str:
    """The same thing said of a part beside the true one, which is of the same sort and feels it otherwise."""
    if part == "BAT":
        return chose("BAT.NEG", "corroded, high resistance", "", car)
    listed = list(PARTS[sorts_of(part, car)[0]](car))
    true = chose(part, words, other, car)
    place = listed.index(part)
    for beside in listed[place + 1 :] + listed[:place][::-1]:
        answer = {one.words: one for one in wrongs_at(beside, car)}.get(words)
        if answer is None:
            continue
        others = list(others_for(answer, beside, car)) or [""]
        wrong = built(beside, answer, others[0], car)
        if not grade((wrong,), (true,), car).exact:
            return wrong
    return chose("BAT", "discharged", "", car)


def test_there_are_105_faults() -> None:
    """The exercises that ship have 105 variants, three of them without a fault."""
    assert 105 == len(FAULTS)
    assert 3 == sum(not SHIPPED[name].variant(number).arrives for name, number in FAULTS)


@pytest.mark.parametrize(("name", "number"), FAULTS)
def test_every_true_cause_is_built_by_choosing_and_judged_right(name: str, number: int) -> None:
    """Part, wrong and other are on offer for each hidden fault; the list of them is judged exact."""
    exercise = SHIPPED[name].variant(number)
    named: tuple[str, ...] = ()
    for part, words, other in choices_for(exercise):
        car = car_to_answer_for(exercise.whole_car, named)
        named = with_cause(named, chose(part, words, other, car), car)
    if not exercise.arrives:
        named = with_cause((), NO_FAULT, exercise.whole_car)
    hidden = normal_causes(exercise.arrives, exercise.real_car) if exercise.arrives else ()
    verdict = grade(normal_causes(named, exercise.whole_car), hidden, exercise.real_car)
    assert (named, True, 1.0) == (verdict.right, verdict.exact, verdict.credit)


@pytest.mark.parametrize(("name", "number"), FAULTS)
def test_the_same_said_of_the_part_beside_is_judged_wrong(name: str, number: int) -> None:
    """One true cause replaced by its neighbor's, or any cause where nothing is wrong, is not exact."""
    exercise = SHIPPED[name].variant(number)
    car, real = exercise.whole_car, exercise.real_car
    hidden = normal_causes(exercise.arrives, real) if exercise.arrives else ()
    picked = list(choices_for(exercise)) or [("BAT", "discharged", "")]
    wrong = neighbor(*picked[0], car)
    others = tuple(chose(*one, car_to_answer_for(car, hidden)) for one in picked[1:])
    verdict = grade((wrong, *others), hidden, real)
    assert (False, others) == (verdict.exact, verdict.right)


def test_every_fault_of_the_registry_has_an_answer() -> None:
    """A kind of fault that cannot be told would be one that cannot be answered."""
    faults = {verb for verb, kind in EDIT_KINDS.items() if kind.sort != "repair"} | {"charge", "fit"}
    assert set() == {verb for verb in faults if not EDIT_KINDS[verb].answers}


@pytest.mark.parametrize("car", ["teaching-car", "small-estate", "parcel-van"])
def test_whatever_is_offered_can_be_built_and_is_told_in_words_without_its_sentence(car: str) -> None:
    """For a part of each sort every answer parses, applies, and reads back without grammar or figures."""
    whole = read_car(shipped_cars()[car])
    for sort, listed in PARTS.items():
        for part in list(listed(whole))[:3]:
            for answer in wrongs_at(part, whole):
                others = list(others_for(answer, part, whole)) or [""]
                cause = built(part, answer, others[0], whole)
                assert EDIT_KINDS[cause.partition(" ")[0]].answers, sort
                words = cause_words(cause, whole)
                assert words != cause
                assert not re.search(r"\?|\bohm\b|theory|[{}]", words)


@pytest.mark.parametrize("name", ["12", "14", "27", "32", "42", "46", "48"])
def test_what_is_offered_is_the_same_whatever_is_wrong(name: str) -> None:
    """Parts, what can be wrong with them and what else is asked come from the diagram: a fault hides well."""
    exercise = find_exercise(name)
    whole, broken = exercise.whole_car, apply_all(exercise.whole_car, exercise.arrives)
    assert whole.harness != broken.harness
    assert part_words(whole) == part_words(broken)
    touched = {target for text in exercise.arrives for target in parse_edit(text, whole).targets}
    for part in {*list(part_words(whole))[::40], *(touched & part_words(whole).keys())}:
        answers = wrongs_at(part, whole)
        assert answers == wrongs_at(part, broken)
        others = [[others_for(one, part, car) for one in answers] for car in (whole, broken)]
        assert others[0] == others[1]


def test_all_parts_of_a_sort_have_the_same_answers() -> None:
    """All modules, fuses and pins are offered alike, those with a fault in them as well."""
    exercise = find_exercise("21")
    for sort in ("fuse", "ground", "wire"):
        listed = PARTS[sort](exercise.whole_car)
        offered = {tuple(one.words for one in wrongs_at(part, exercise.whole_car)) for part in listed}
        assert 1 == len(offered), sort


TEACHING = find_exercise("01").whole_car


@pytest.mark.parametrize(
    ("named", "cause", "sentence"),
    [
        (["pull F3"], "pull F3", "on your list already"),
        (["pull F3"], "blow F3", "says the same as “F3: missing”"),
        (["pull F3"], NO_FAULT, "exclude each other"),
        ([NO_FAULT], "pull F3", "exclude each other"),
        ([NO_FAULT], NO_FAULT, "on your list already"),
    ],
)
def test_what_does_not_belong_on_the_list_is_told_in_one_sentence(
    named: list[str], cause: str, sentence: str
) -> None:
    """Twice the same, two names of one thing, and a cause beside "no fault" are refused as they are added."""
    with pytest.raises(EditProblem, match=sentence):
        with_cause(named, cause, TEACHING)


def test_a_cause_in_words() -> None:
    """Part first, then what is wrong with it; no sentence of the command."""
    assert "ABS.C1: unplugged" == cause_words("unplug ABS.C1", TEACHING)
    assert "G2: corroded, high resistance" == cause_words("corrode G2 ? ohm", TEACHING)
    assert "G2: corroded, high resistance" == cause_words("corrode G2 8 ohm", TEACHING)
    assert "BAT: discharged" == cause_words("charge 4 %", TEACHING)
    assert NO_FAULT_WORDS == cause_words(NO_FAULT, TEACHING)


@pytest.mark.parametrize(
    ("said", "true", "other"),
    [
        ("corrode G2 ? ohm", "corrode G2 40 ohm", "open G2"),
        ("offset G2 ? V", "offset G2 -3 V", "corrode G2 2 ohm"),
        ("charge ? %", "charge 45 %", "corrode BAT.NEG 1 ohm"),
        ("terminate DLC.6 to DLC.14 ? ohm", "terminate GATEWAY.C1.8 to GATEWAY.C1.9 15 ohm", "open R1"),
        ("set TCM.powertrain to ? kbit/s", "set TCM to 125 kbit/s", "set ABS to 125 kbit/s"),
        ("fit F3 ? A", "fit F3 30 A", "fit F4 30 A"),
    ],
)
def test_a_figure_that_was_not_measured_is_any_figure(said: str, true: str, other: str) -> None:
    """`?` is right for every size of the same fault at the same place, and for no other fault."""
    said, true, other = (parse_edit(text, TEACHING).text for text in (said, true, other))
    assert grade((said,), (true,), TEACHING).exact
    assert not grade((said,), (other,), TEACHING).exact


def test_a_bypass_lead_that_was_left_in_is_a_cause() -> None:
    """Gateway off and a lead in its place: both are built, and judged by the pairs that the lead joins."""
    hidden = ("unplug GATEWAY.C1", "bypass GATEWAY diag to powertrain")
    lead, body = (
        chose("GATEWAY", "a bypass lead is left in its connector", buses, TEACHING)
        for buses in ("powertrain to diag", "powertrain to body")
    )
    assert "GATEWAY: a bypass lead is left between powertrain to diag" == cause_words(lead, TEACHING)
    off = chose("GATEWAY.C1", "unplugged", "", TEACHING)
    assert grade((off, lead), hidden, TEACHING).exact
    assert not grade((off, body), hidden, TEACHING).exact
    assert (hidden[1],) == grade((off,), hidden, TEACHING).missed


def test_an_answer_tells_what_is_asked_for() -> None:
    """Whatever needs another thing says in its question which."""
    answers: list[Answer] = [one for kind in EDIT_KINDS.values() for one in kind.answers]
    assert all(one.asks for one in answers if "{other}" in one.sentence)
    assert not any(one.asks for one in answers if "{other}" not in one.sentence)
