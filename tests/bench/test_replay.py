"""A bench is a function of car, given edits, seed and actions: replays are equal to the byte.

This file is also a program: it runs the random days and prints the digest of each trace, so that the same
days can be lived in processes that hash strings differently. `BUSBAY_REPLAYED=1000` lives more of them.
"""

import hashlib
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

DAYS = int(os.environ.get("BUSBAY_REPLAYED", "150"))
SHARES = {"six-modules": 0.25, "teaching-car": 0.67, "shuttle-minibus": 0.08}
HANDS = {
    "six-modules": ["press start"],
    "teaching-car": ["key run", "key run", "key crank", "key off", "brake on", "brake off", "fob away"],
    "shuttle-minibus": ["press start with brake", "press start", "fob at button", "switch lamp_switch on"],
}


def random_day(name: str, car: Car, number: int) -> list[str]:
    """Two to six things that somebody might do to a car, most of them possible."""
    dice = random.Random(f"{name} {number}")
    faults: list[str] = []
    day = [dice.choice(HANDS[name])]
    for _ in range(dice.randint(1, 5)):
        fault = dice.choice(catalogue(car))
        undo = parse_edit(dice.choice(faults), car).undo if faults else None
        gateways = [module for module, spec in car.built.modules.items() if spec.gateway]
        leads = [
            f"bypass {gateway} {' to '.join(dice.sample(car.messages.buses_of[gateway], 2))}"
            for gateway in gateways
        ]
        choices = [
            dice.choice(HANDS[name]), f"wait {dice.choice([0.05, 0.4, 1.5, 3])} s", fault, undo or fault,
            dice.choice(["scan", "clear", *leads]), f"charge {dice.choice([5, 15, 40])} %",
        ]  # fmt: skip
        day.append(dice.choices(choices, [4, 6, 5, 3, 2, 1])[0])
        if day[-1] == fault:
            faults.append(fault)
    return day


def lived(car: Car, day: list[str], seed: int) -> Bench:
    bench = Bench(car, seed=seed)
    for action in day:
        try:
            bench.do(action)
        except EditProblem as problem:
            bench.live.world.record("problem", "person", str(problem))
    return bench


def digest(bench: Bench) -> str:
    return hashlib.sha256("\n".join([*bench.log, *bench.trace.lines()]).encode()).hexdigest()


def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def digests() -> Iterator[str]:
    """One line per random day: car, number, how many events, digest of actions and trace."""
    for name, share in SHARES.items():
        car = shipped(name)
        for number in range(round(DAYS * share)):
            bench = lived(car, random_day(name, car, number), number)
            yield f"{name} {number} {len(bench.trace)} {digest(bench)}"


def in_a_process_with(hash_seed: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, __file__],
        env=os.environ | {"PYTHONHASHSEED": hash_seed, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE,
        text=True,
    )


def test_random_days_in_two_processes() -> None:
    """Equal traces under different hash seeds, and not all the same day."""
    with in_a_process_with("1") as one, in_a_process_with("4242") as other:
        first, second = one.communicate()[0].splitlines(), other.communicate()[0].splitlines()
    assert (0, 0) == (one.returncode, other.returncode)
    assert first == second
    assert DAYS == pytest.approx(len(first), abs=2)
    assert len({line.split()[-1] for line in first}) > 0.9 * len(first)


MORNING = [
    "key run",
    "wait 3 s",
    "unplug ABS.C1",
    "wait 4 s",
    "scan",
    "save first",
    "plug ABS.C1",
    "clear",
    "key crank",
]


@pytest.fixture
def morning(teaching: Car) -> Bench:
    bench = Bench(teaching, ["pull F14"], seed=3)
    bench.do_all(MORNING)
    return bench


def test_a_saved_bench_is_restored_whole(morning: Bench, teaching: Car) -> None:
    """Saving writes the log; what is restored has the same trace, reports and future."""
    again = Bench.restored(teaching, morning.saved())
    assert list(morning.trace.lines()) == list(again.trace.lines())
    assert morning.reports == again.reports
    assert ["first"] == list(again.reports)
    assert morning.do("wait 5 s").events == again.do("wait 5 s").events


def test_another_seed_is_another_morning(morning: Bench, teaching: Car) -> None:
    """The seed goes into what the immobilizer asks, and so into the frames on the bus."""

    def challenges(seed: int) -> list[bytes]:
        bench = Bench(teaching, ["pull F14"], seed)
        frames: list[bytes] = []
        bench.live.network.tap = lambda start_s, end_s, frame, sender: (
            frames.append(frame.data) if frame.can_id == 0x1A0 else None
        )
        bench.do_all(MORNING[:2])
        return frames

    assert challenges(3) == challenges(3)
    assert challenges(3) != challenges(4)


def test_the_seed_chooses_the_bit_errors_of_a_noisy_bus(teaching: Car) -> None:
    """A contact that leaves the bus little margin: one seed has the same retries, another others."""

    def ends_s(seed: int, *faults: str) -> list[float]:
        bench = Bench(teaching, ["pull F4", *faults], seed)  # no immobilizer, whose numbers follow the seed
        ends: list[float] = []
        bench.live.network.tap = lambda start_s, end_s, frame, sender: ends.append(end_s)
        bench.do_all(["key run", "wait 2 s"])
        return ends

    noisy = "corrode ECM.C1.4 165 ohm"
    assert ends_s(3) == ends_s(4)
    assert ends_s(3, noisy) == ends_s(3, noisy)
    assert ends_s(3, noisy) != ends_s(4, noisy)


def test_rewinding_is_a_shorter_day(morning: Bench) -> None:
    """The first k actions again, for every k; the future can then be another."""
    for keep in range(len(MORNING) + 1):
        earlier = morning.rewind(keep)
        assert MORNING[:keep] == earlier.log
        expected = list(morning.trace.lines())[: len(earlier.trace)]
        assert expected == list(earlier.trace.lines())
    other = morning.rewind(2)
    other.do("unplug TCM")
    assert list(other.trace.lines()) != list(morning.trace.lines())[: len(other.trace)]


@pytest.mark.parametrize("keep", [-1, len(MORNING) + 1])
def test_a_log_has_only_so_many_actions(morning: Bench, keep: int) -> None:
    """Rewinding beyond the log is refused with its length."""
    with pytest.raises(
        EditProblem, match=f"the log has {len(MORNING)} actions; it cannot be rewound to {keep}"
    ):
        morning.rewind(keep)


def test_the_same_morning_with_the_fuse_in(morning: Bench) -> None:
    """Only what follows from the edit is another: the coil codes go, and the engine starts."""
    branch = morning.with_given([])
    assert (MORNING, ()) == (branch.log, branch.given)

    def codes(bench: Bench) -> set[tuple[str, str]]:
        return set(bench.reports["first"].codes)

    assert {("ECM", f"P035{n}-13") for n in (1, 2, 3, 4)} == codes(morning) - codes(branch)
    assert set() == codes(branch) - codes(morning)
    assert ("stopped", "running") == (morning.live.world.engine.value, branch.live.world.engine.value)


@pytest.mark.parametrize(
    "text",
    [
        *("", "{}", "[]", '{"given": [], "seed": "1", "log": []}', '{"log": 3}', "nan"),
        *('{"given": "a", "seed": 0, "log": []}', '{"given": [], "seed": 0, "log": [1]}', "[" * 100_000),
    ],
)
def test_what_is_no_saved_bench_is_refused(text: str, teaching: Car) -> None:
    """A text that is no saved bench is refused in one sentence."""
    with pytest.raises(EditProblem, match="this is not a saved bench"):
        Bench.restored(teaching, text)


@pytest.mark.parametrize(
    ("action", "sentence"),
    [
        ("plug ABS", "ABS.C1 is plugged in already"),
        ("unplug ASB", "no connector 'ASB'"),
        ("theory ECM waits for TCM", "a theory is about how the car was built"),
        ("save x", "there is no scan to save yet"),
        ("wait -3 s", "'wait' takes more than 0 and at most 24 h"),
        ("press start", "this car has no start button"),
    ],
)
def test_an_action_that_makes_no_sense_changes_nothing(action: str, sentence: str, teaching: Car) -> None:
    """A refused action leaves log, trace and clock as they were."""
    bench = Bench(teaching)
    before = bench.saved(), list(bench.trace.lines()), bench.now_s
    with pytest.raises(EditProblem) as caught:
        bench.do(action)
    assert sentence in str(caught.value)
    assert before == (bench.saved(), list(bench.trace.lines()), bench.now_s)


def test_progress_is_told_and_changes_nothing(teaching: Car) -> None:
    """A long wait is lived in slices where somebody watches, and is the same wait."""
    told: list[float] = []
    watched, alone = Bench(teaching), Bench(teaching)
    watched.do("wait 20 s", told.append)
    alone.do("wait 20 s")
    assert [0.25, 0.5, 0.75, 1.0] == told
    assert list(alone.trace.lines()) == list(watched.trace.lines())


def test_text_of_an_action_is_put_in_normal_form(teaching: Car) -> None:
    """What stands in the log can be read back, whatever spelling it came in."""
    bench = Bench(teaching)
    spelled = {"WAIT 500ms": "wait 500 ms", "wait 2": "wait 2 s", "disconnect battery": "unplug BAT.NEG"}
    assert list(spelled.values()) == [bench.do(text).action for text in spelled]
    normal: Callable[[str], str] = lambda text: Bench(teaching).do(text).action  # noqa: E731
    assert bench.log == [normal(text) for text in bench.log]


if __name__ == "__main__":
    for line in digests():
        print(line)
