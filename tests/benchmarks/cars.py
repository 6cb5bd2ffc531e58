"""How fast every shipped car is simulated, side by side in one run, by processor time.

python -m tests.benchmarks.cars                        # all that ship
python -m tests.benchmarks.cars parcel-van regional-truck shuttle-minibus

Columns: the car's modules; frames of a driving car per second of processor time, and per bare SimPy timeout
beside it (the yardstick: `bare_timeouts`), best of `ROUNDS`; simulated seconds per second at stream
fidelity; one run of its plain morning in ms, and a run of a grid of `EDITS` of its faults; the next best
check among `SUSPECTS` of them in s.
"""

import sys
from dataclasses import dataclass
from statistics import median
from time import process_time

from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.live import Fidelity
from sim.catalogue import shipped_cars, vehicle_text
from sim.lab.case import CaseStep
from sim.lab.drive import first_look, plain_morning
from sim.lab.grid import run_grid
from sim.lab.next_check import next_check
from sim.lab.run import Trial, run_trial
from sim.lab.search import find_causes
from sim.lab.workshop import Workshop
from sim.vehicle.edits import catalogue
from sim.vehicle.reading import car_from_text
from tests.benchmarks.bare_timeouts import timeouts_per_second

FRAME_S, STREAM_S = 10.0, 120.0
EDITS, SUSPECTS, ROUNDS = 3, 10, 3
HEADINGS = ("car", "modules", "frames/s", "per timeout", "stream s/s", "run ms", "grid ms/run", "check s")


@dataclass(frozen=True, slots=True)
class Speed:
    """What one car costs; units as in `HEADINGS`."""

    car: str
    modules: int
    frames_per_s: float
    frames_per_timeout: float
    stream_s_per_s: float
    run_ms: float
    grid_ms: float
    check_s: float

    @property
    def cells(self) -> tuple[str, ...]:
        """The row of the table."""
        return (
            self.car, f"{self.modules}", f"{self.frames_per_s:,.0f}", f"{self.frames_per_timeout:.2f}",
            f"{self.stream_s_per_s:,.0f}", f"{self.run_ms:.0f}", f"{self.grid_ms:.0f}", f"{self.check_s:.2f}",
        )  # fmt: skip


def speed_of(name: str) -> Speed:
    """Measure one car."""
    text = vehicle_text(name)
    car = car_from_text(text)
    pairs = [(frames, timeouts_per_second()) for frames in frames_per_s(driving(text, "frame"))]
    stream = driving(text, "stream")
    stream_s = min(took_s(stream, STREAM_S) for _ in range(ROUNDS))
    return Speed(
        name,
        len(car.built.modules),
        max(frames for frames, _ in pairs),
        max(frames for frames, _ in pairs) / max(timeouts for _, timeouts in pairs),
        STREAM_S / stream_s,
        1000 * run_s(text),
        1000 * grid_s(text),
        check_s(text),
    )


def driving(text: str, fidelity: Fidelity) -> Bench:
    """A bench whose car has been started and driven off in."""
    car = car_from_text(text)
    bench = BenchWithoutReasons(car, (), 0, fidelity)
    bench.do_all([*first_look(car)[:-1], "wait 5 s"])
    return bench


def took_s(bench: Bench, for_s: float) -> float:
    """Processor time of so many simulated seconds."""
    began_s = process_time()
    bench.do(f"wait {for_s:g} s")
    return process_time() - began_s


def frames_per_s(bench: Bench) -> list[float]:
    """Frames per second of processor time, several times."""
    found = []
    for _ in range(ROUNDS):
        before = bench.live.network.frames_total
        taken_s = took_s(bench, FRAME_S)
        found.append((bench.live.network.frames_total - before) / taken_s)
    return found


def faults(text: str, count: int) -> list[str]:
    """Some of the car's faults, from all over its list."""
    listed = [
        fault for fault in catalogue(car_from_text(text)) if fault.startswith(("pull ", "unplug ", "open "))
    ]
    return listed[:: len(listed) // count][:count]


def run_s(text: str) -> float:
    """One run alone."""
    trial = Trial(text, (), tuple(plain_morning(car_from_text(text))))
    run_trial(trial)
    taken_s = []
    for _ in range(ROUNDS):
        began_s = process_time()
        run_trial(trial)
        taken_s.append(process_time() - began_s)
    return median(taken_s)


def grid_s(text: str) -> float:
    """A run of a grid, cause sets included."""
    actions = plain_morning(car_from_text(text))
    began_s = process_time()
    with Workshop(workers=1) as workshop:
        grid = run_grid(text, faults(text, EDITS), actions, workshop=workshop)
        assert grid.symptoms
    return (process_time() - began_s) / len(grid.accounts)


def check_s(text: str) -> float:
    """The next best check when everything was done and nothing looked at: every suspect is left."""
    steps = [CaseStep(do=first_look(car_from_text(text)))]
    with Workshop(workers=1) as workshop:
        found = find_causes(text, steps, edits=faults(text, SUSPECTS), most=1, workshop=workshop)
        began_s = process_time()
        next_check(found, workshop=workshop)
    return process_time() - began_s


def main(names: list[str]) -> None:
    """Print the table, row by row."""
    print(row(HEADINGS))
    for name in names or list(shipped_cars()):
        print(row(speed_of(name).cells), flush=True)


def row(cells: tuple[str, ...]) -> str:
    return "  ".join(f"{cell:>{max(15, len(head))}}" for cell, head in zip(cells, HEADINGS, strict=True))


if __name__ == "__main__":
    main(sys.argv[1:])
