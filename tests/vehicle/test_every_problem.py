"""All that is wrong with a file is told at once, in the order of its lines."""

import pickle

import pytest

from sim.catalogue import shipped_exercises
from sim.lab.case_file import case_from_text
from sim.training.exercise import exercise_from_text
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text

CAR = """car: A car with many mistakes
buses:
  main: {bitrate_bps: 500000, line: [ECM terminated, ABX, BCM terminated]}
  body: {bitrate_bps: 123, line: [BCM terminated, DOOR terminated]}
grounds: {G1: {}}
fuses:
  F1: {rating_a: 10, feeds: [ECM, ABX]}
  F2: {rating_a: -3, feeds: [BCM, DOR]}
modules:
  ECM: {ground: G1, hears: [BCN]}
  ABS: {ground: G9, sendz: {}}
  BCM: {ground: G1, gateway: {}}
  DOOR: {ground: G1}
"""
RIGHT = {"ABX": "ABS", "123": "500000", "-3": "3", "DOR": "DOOR", "BCN": "BCM", "G9": "G1", ", sendz: {}": ""}
HEALTHY = CAR
for wrong, right in RIGHT.items():
    HEALTHY = HEALTHY.replace(wrong, right)


def problems_of(text: str) -> list[FileProblem]:
    """What is wrong with the text of a vehicle file."""
    with pytest.raises(FileProblem) as found:
        car_from_text(text, "mine.yaml")
    return list(found.value.all)


def test_all_that_is_wrong_with_a_car_is_told_by_line() -> None:
    """Wrong values, unknown keys and unknown names, each with its line and the nearest right name."""
    told = [(one.line, one.what.rpartition("; ")[2]) for one in problems_of(CAR)]
    assert [
        (3, "did you mean 'ABS'?"),
        (4, "'bitrate_bps' is one of 125000, 250000, 500000 or 1000000 (here: 123 bit/s)"),
        (7, "did you mean 'ABS'?"),
        (8, "'rating_a' is above 0 A (here: -3 A)"),
        (8, "did you mean 'DOOR'?"),
        (10, "did you mean 'BCM'?"),
        (11, "did you mean 'sends'?"),
        (11, "did you mean 'G1'?"),
    ] == told


def test_one_mistake_is_told_once() -> None:
    """What follows from a mistake alone is not told as another: a name, a key, a value of several kinds."""
    assert "A car with many mistakes" == car_from_text(HEALTHY).title
    for wrong in ("hearz: [BCM]", "hears: [[BCM]]", "hears: [{frm: BCM}]", "hears: [BMC]", "fits: 3"):
        text = HEALTHY.replace("ABS: {ground: G1", f"ABS: {{ground: G1, {wrong}")
        assert 1 == len(problems_of(text)), wrong


def test_a_part_that_cannot_be_ends_the_search() -> None:
    """A fuse whose name is taken is told; that its consumers would have no supply without it is not."""
    (told,) = problems_of(HEALTHY.replace("  F1:", "  DLC:"))
    assert (7, "the name 'DLC' is taken by the diagnostic connector") == (told.line, told.what)


def test_the_problems_of_a_file_travel_whole_and_read_line_by_line() -> None:
    """From another process as here; each has a line of its own."""
    with pytest.raises(FileProblem) as found:
        car_from_text(CAR, "mine.yaml")
    again = pickle.loads(pickle.dumps(found.value))
    assert str(found.value) == str(again)
    assert [one.line for one in found.value.all] == [
        int(line.split("line ")[1].split(",")[0]) for line in str(again).splitlines()
    ]


def test_the_problems_of_a_case_count_from_the_top_of_its_file() -> None:
    """A car inside of a case: its lines are those of the case's file."""
    held = "".join(f"  {line}\n" for line in CAR.splitlines())
    case = f"case: A car in a case\ncar: |\n{held}steps: [{{do: scan}}]\nstories: {{none: {{}}}}\n"
    with pytest.raises(FileProblem) as found:
        case_from_text(case, "case.yaml")
    assert [one.line + 2 for one in problems_of(CAR)] == [one.line for one in found.value.all]


def test_two_mistakes_of_an_exercise_are_both_told() -> None:
    """Its car and an exercise that comes before it."""
    text = shipped_exercises()["03-dark-dash"].read_text(encoding="utf-8")
    text = text.replace("car: teaching-car", "car: six-modulez").replace("[01-first-scan]", "[01-first-scam]")
    with pytest.raises(FileProblem) as found:
        exercise_from_text(text, "mine.yaml")
    offered = [one.what.rpartition("; ")[2] for one in found.value.all]
    assert ["did you mean '01-first-scan'?", "did you mean 'six-modules'?"] == offered[:2]
