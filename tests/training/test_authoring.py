"""From a broken car in the bay to an exercise file; the library never writes over a shipped one."""

from pathlib import Path

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car, shipped_exercises
from sim.lab.workshop import Stopped, Workshop
from sim.training.authoring import (
    exercise_file,
    faults_of,
    fields_of,
    of_fault,
    solution_from,
    taken_from,
    without_fault,
)
from sim.training.exercise import exercise_from_text, read_exercise
from sim.training.library import Library
from sim.training.proof import prove, rivals
from sim.vehicle.problems import EditProblem, FileProblem, Problem

WORDS = {
    "exercise": "The gearbox that went quiet",
    "topic": "fuses",
    "car": "six-modules",
    "customer": "Ferryman Odo",
    "words": "It is stuck in one gear: and it says so with a lamp. " * 4,
    "goal": "Look into the fuse box before under the car.",
    "why": "The fuse of the transmission module is out.",
    "hints": "Who does not answer?\nWhat feeds it?",
    "tools": "seat\nscan\nclear\neye\nfuses",
    "minutes": "20",
    "proof": "scan",
}


def worked(*actions: str, given: tuple[str, ...] = (), car: str = "six-modules") -> Bench:
    bench = Bench(find_car(car), given)
    bench.do_all(list(actions))
    return bench


def test_a_car_is_broken_in_the_bay_and_solved_there_and_the_exercise_works() -> None:
    """Fields taken from a bench and its solution make an exercise that proves itself."""
    bench = worked("wait 20 s", "pull F2", "press start", "wait 10 s", "scan", "look F2", "press start")
    fields = WORDS | taken_from(bench)
    assert "pull F2" == fields["arrives"]
    assert "wait 20 s\npress start\nwait 10 s\npress start" == fields["before"]
    arrived = worked(*fields["before"].split("\n"), given=("pull F2",))
    arrived.do_all(["scan", "save before", "look F2", "fit F2", "press start", "wait 5 s", "clear"])
    arrived.do_all(["wait 10 s", "scan", "save after"])
    fields["solution"] = solution_from(arrived, fields["arrives"], fields["before"])
    exercise = exercise_from_text(exercise_file(fields), "mine.yaml")
    assert ("pull F2",) == exercise.arrives
    assert WORDS["words"].strip() == exercise.work_order.words.strip()
    assert prove(exercise).result.complete


@pytest.mark.parametrize(
    ("actions", "given", "left"),
    [
        (("pull F2", "unplug ECM", "fit F2"), (), ("unplug ECM.C1",)),
        (("unplug ECM", "plug ECM.C1", "open TCM.C1.1"), (), ("open TCM.C1.1",)),
        (("pull F3",), ("pull F2",), ("pull F2", "pull F3")),
        (("corrode ECM.C1.3 2 ohm", "repair ECM.C1.3"), ("pull F2",), ("pull F2",)),
        (("fit F2 20 A", "disconnect battery"), (), ("fit F2 20 A", "unplug BAT.NEG")),
        (("short ECM.C1.1 to BODY", "wait 2 s", "remove short ECM.C1.1 to BODY"), ("pull F2",), ("pull F2",)),
    ],
)
def test_what_was_put_right_again_is_no_fault(
    actions: tuple[str, ...], given: tuple[str, ...], left: tuple[str, ...]
) -> None:
    """Only what is still wrong with the car in the bay becomes a hidden edit."""
    assert left == faults_of(worked(*actions, given=given))


def test_a_theory_comes_along() -> None:
    """A theory that the bench was started with is among the hidden edits."""
    bench = worked("unplug TRAILER", given=("theory ECM waits for TRAILER",), car="shuttle-minibus")
    assert ("theory ECM waits for TRAILER", "unplug TRAILER.C1") == faults_of(bench)


def test_a_whole_car_and_another_car_are_refused() -> None:
    """No exercise is taken from a whole car, and no solution from another exercise's car."""
    with pytest.raises(EditProblem, match="nothing is wrong with the car in the bay"):
        taken_from(worked("press start", "scan"))
    with pytest.raises(EditProblem, match="is not the one of this exercise"):
        solution_from(worked("press start"), "pull F2", "press start")


@pytest.mark.parametrize("name", sorted(shipped_exercises())[::4])
def test_the_fields_of_an_exercise_make_the_same_exercise(name: str) -> None:
    """An exercise survives the way to typed fields and back unchanged."""
    exercise = read_exercise(shipped_exercises()[name])
    again = exercise_from_text(exercise_file(fields_of(exercise)), "again.yaml")
    assert exercise == again


def test_faults_of_one_work_order_have_fields_of_their_own_and_each_can_go() -> None:
    """Each fault of a work order has its own fields and can be removed alone."""
    fields = fields_of(read_exercise(shipped_exercises()["01-first-scan"]))
    assert "3" == fields["faults"]
    assert ["unplug ABS.C1", "pull F3", "open ABS.C1.3"] == [
        fields[of_fault("arrives", n)] for n in (1, 2, 3)
    ]
    for number, left in ((1, [("pull F3",), ("open ABS.C1.3",)]), (3, [("unplug ABS.C1",), ("pull F3",)])):
        exercise = exercise_from_text(exercise_file(without_fault(fields, number)), "mine.yaml")
        assert left == [exercise.variant(one).arrives for one in (0, 1)]
        assert 1 == len(exercise.others)


def test_what_is_missing_is_said_with_its_place() -> None:
    """A field that makes no sense is refused with file, line and name."""
    with pytest.raises(FileProblem, match=r"mine.yaml, line 11, minutes: 'minutes' is a number"):
        exercise_from_text(exercise_file(WORDS | {"arrives": "pull F2", "minutes": "soon"}), "mine.yaml")


# -- the library -------------------------------------------------------------------------------------------


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "exercises")


def test_own_exercises_are_listed_after_the_shipped_ones(library: Library) -> None:
    """Own exercises are listed after the shipped ones and can be replaced and deleted."""
    text = exercise_file(WORDS | {"arrives": "pull F2"})
    path = library.save("quiet-gearbox", text)
    assert text == path.read_text(encoding="utf-8")
    assert [*shipped_exercises(), "quiet-gearbox"] == [one.name for one in library.entries()]
    assert [True] == [one.own for one in library.entries() if one.name == "quiet-gearbox"]
    library.save("quiet-gearbox", text.replace("Odo", "Ida"))
    assert "Ferryman Ida" == library.find("quiet-gearbox").exercise.work_order.customer
    library.delete("quiet-gearbox")
    with pytest.raises(Problem, match="no exercise 'quiet-gearbox'"):
        library.find("quiet-gearbox")


def test_shipped_exercises_are_never_written_over(library: Library) -> None:
    """Saving and deleting refuse the name of a shipped exercise."""
    name = next(iter(shipped_exercises()))
    before = shipped_exercises()[name].read_bytes()
    with pytest.raises(Problem, match="comes with busbay and is not overwritten"):
        library.save(name, exercise_file(WORDS | {"arrives": "pull F2"}))
    with pytest.raises(Problem, match="comes with busbay and is not deleted"):
        library.delete(name)
    assert before == shipped_exercises()[name].read_bytes()


@pytest.mark.parametrize("name", ["", "../x", "a/b", "A", "a b", "x" * 61, "a.yaml", "-a", ".."])
def test_a_name_is_no_path(library: Library, name: str, tmp_path: Path) -> None:
    """A name that could be a path is refused, and nothing is written."""
    with pytest.raises(Problem, match="a file name is made of"):
        library.save(name, exercise_file(WORDS | {"arrives": "pull F2"}))
    assert [] == list(tmp_path.iterdir())


def test_what_makes_no_sense_is_not_saved(library: Library, tmp_path: Path) -> None:
    """An exercise whose edits are none is refused, and nothing is written."""
    with pytest.raises(FileProblem, match="no fuse or relay 'F99'"):
        library.save("mine", exercise_file(WORDS | {"arrives": "pull F99"}))
    assert [] == list(tmp_path.iterdir())


def test_a_spoiled_own_file_is_told_and_does_no_harm(library: Library, tmp_path: Path) -> None:
    """A broken file is told as a problem, and all other exercises are listed."""
    folder = tmp_path / "exercises"
    folder.mkdir()
    (folder / "broken.yaml").write_text("exercise: [", encoding="utf-8")
    (folder / "bytes.yaml").write_bytes(b"\xff\xfe")
    assert list(shipped_exercises()) == [one.name for one in library.entries()]
    assert 2 == len(library.problems())


def test_a_draft_is_kept_as_it_was_typed(library: Library) -> None:
    """A draft comes back as it was typed, half a sentence included."""
    assert {} == library.draft()
    library.keep_draft({"words": "half a sen"})
    assert {"words": "half a sen"} == library.draft()


# -- rivals ------------------------------------------------------------------------------------------------


def test_a_solution_that_looks_before_it_repairs_leaves_no_rival_and_one_that_guesses_does() -> None:
    """A rival is left exactly where a repair comes before the check that rules it out."""
    careful = exercise_file(
        WORDS | {"arrives": "pull F2", "solution": "press start\nwait 5 s\nscan\nlook F2\nfit F2"}
    )
    guessing = exercise_file(
        WORDS | {"arrives": "pull F2", "solution": "press start\nwait 5 s\nscan\nfit F2"}
    )
    with Workshop(workers=1) as workshop:
        none, some = (
            rivals(exercise_from_text(file, "mine.yaml"), workshop, most=20) for file in (careful, guessing)
        )
    assert () == none
    assert "unplug TCM.C1" in some


def test_the_search_for_rivals_can_be_called_off() -> None:
    """A search for rivals ends with `Stopped` when it is called off."""
    file = exercise_file(WORDS | {"arrives": "pull F2", "solution": "press start\nscan\nfit F2"})
    with Workshop(workers=1) as workshop, pytest.raises(Stopped):
        rivals(exercise_from_text(file, "mine.yaml"), workshop, stop=lambda: True)
