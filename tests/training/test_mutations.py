"""Two thousand spoiled exercise and case files: each is accepted, or refused with file, line and reason."""

import os
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from sim.catalogue import shipped_cases, shipped_exercises
from sim.lab.case_file import case_from_text
from sim.training.exercise import Exercise, exercise_from_text, read_exercise
from sim.vehicle.problems import LONGEST_SENTENCE, FileProblem
from tests.vehicle.test_mutations import MUTATIONS

EXERCISES = [path.read_text(encoding="utf-8") for path in shipped_exercises().values()]
SMALL = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
CASES = [path.read_text(encoding="utf-8") for path in shipped_cases().values()]
# of each kind of file for each way to spoil one; `BUSBAY_MUTATIONS=210` makes five thousand in all
EACH = int(os.environ.get("BUSBAY_MUTATIONS", "90"))


def refused(read: Callable[[str, str], object], text: str) -> str:
    """`accepted`, or `refused` after a look at the refusal."""
    try:
        read(text, "class.yaml")
    except FileProblem as problem:
        lines = len(text.splitlines()) + 1
        short = 0 < len(problem.what) <= LONGEST_SENTENCE + len("...")
        good = problem.file == "class.yaml" and 1 <= problem.line <= lines and short
        return "refused" if good and "\n" not in problem.what else f"a poor refusal: {problem}"
    return "accepted"


@pytest.mark.parametrize("mutate", MUTATIONS, ids=lambda mutate: mutate.__name__)
@pytest.mark.parametrize(
    ("read", "files"),
    [(exercise_from_text, [SMALL] * 9 + EXERCISES), (case_from_text, CASES)],
    ids=["exercise", "case"],
)
def test_a_spoiled_file_is_accepted_or_refused_with_its_line(
    read: Callable[[str, str], object], files: list[str], mutate: Callable[[str, random.Random], str]
) -> None:
    """Many files of each kind for each of 12 ways to spoil one; any other exception fails with its seed."""
    found: Counter[str] = Counter()
    for seed in range(EACH):
        dice = random.Random(f"{mutate.__name__} {seed}")
        text = mutate(files[seed % len(files)], dice)
        try:
            result = refused(read, text)
        except Exception as error:
            raise AssertionError(f"seed {seed}: {type(error).__name__}: {error}") from error
        found[result] += 1
    assert {"accepted", "refused"} >= set(found)
    assert found["refused"] > 0


def test_there_are_two_thousand_of_them() -> None:
    """The ordinary run spoils at least two thousand files."""
    assert len(MUTATIONS) * EACH * 2 >= 2000


HEAD = (
    "exercise: x\ntopic: x\ncar: six-modules\nwork_order: {customer: x, words: x}\ngoal: x\nguide: {why: x}\n"
)


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        ("arrives: [pull F2]\ncar2: x", "line 8, car2: unknown key 'car2'; did you mean 'car'?"),
        ("before: []", "line 1, arrives: 'arrives' is missing"),
        (
            "arrives: [pull F22]",
            "line 7, arrives > 0: no fuse or relay 'F22' in this car; did you mean 'F2'?",
        ),
        ("arrives: [fit F2]", "line 7, arrives > 0: 'fit F2' mends something; a car arrives with faults"),
        ("arrives: [pull F2, pull F2]", "line 7, arrives > 1: F2 is out already"),
        ("arrives: []\nbefore: [key run]", "line 8, before > 0: this car has no ignition key"),
        ("arrives: []\nbefore: [wait 5 h]", "more than 4 h pass before the car comes in"),
        ("arrives: []\nsolution: [scan it]", "line 8, solution > 0: 'scan' takes nothing more"),
        ("arrives: []\nlevel: 6", "line 8, level: 'level' is at most 5 (here: 6)"),
        ("arrives: []\ntools: [hammer]", "line 8, tools > 0: 'hammer' is one of"),
        ("arrives: []\nproof: []", "line 8, proof: 'proof' has at least 1 entry"),
        (
            "arrives: []\nothers:\n  - {arrives: [open ECM.C9.1], solution: [], why: x}",
            "others > 0 > arrives > 0: no pin, wire or ground point 'ECM.C9.1'",
        ),
    ],
)
def test_what_is_wrong_is_said_with_its_place(lines: str, sentence: str) -> None:
    """A wrong exercise file is refused with line, key and reason."""
    with pytest.raises(FileProblem) as refusal:
        exercise_from_text(HEAD + lines, "class.yaml")
    assert sentence.replace("'hammer' is one of", "") in str(refusal.value)


def test_a_car_is_one_of_ours_and_no_path() -> None:
    """An exercise names a shipped car; a path is refused."""
    for car in ("../vehicles/six-modules", "/etc/passwd", "six-module"):
        with pytest.raises(FileProblem, match=r"line 3, car: no car '.*'.*(did you mean|known:)"):
            exercise_from_text(f"{HEAD}arrives: []".replace("six-modules", car), "class.yaml")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing exercise file is refused by its name."""
    with pytest.raises(FileProblem, match="cannot be read"):
        read_exercise(tmp_path / "none.yaml")


def test_an_exercise_that_is_as_small_as_can_be() -> None:
    """The smallest exercise file is read with its defaults."""
    small = exercise_from_text(f"{HEAD}arrives: pull F2", "class.yaml")
    assert isinstance(small, Exercise)
    assert ("pull F2",) == small.arrives
