"""The good car that an exercise's car is compared with."""

from sim.catalogue import shipped_exercises
from sim.lab.run import sight_of
from sim.training.exercise import read_exercise
from sim.training.good_cars import good_car_like

EXERCISE = read_exercise(shipped_exercises()["01-first-scan"])


def test_a_good_car_shows_what_one_that_was_driven_in_for_it_shows_and_keeps_its_work_to_itself() -> None:
    """What is done to one good car is not done to the next, and both show what a car of its own would."""
    alone = EXERCISE.broken_by(()).bench(reasons=False)
    for _ in range(3):
        good = good_car_like(EXERCISE, "frame")
        assert alone.log == good.log
        for action in ("key run", "unplug ABS.C1", "wait 5 s"):
            good.do(action)
    good = good_car_like(EXERCISE, "frame")
    for action in ("key run", "wait 5 s", "scan"):
        assert sight_of(alone, action) == sight_of(good, action)
