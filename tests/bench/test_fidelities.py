"""Frame depth and stream depth give the same codes, statuses, module states and lamps.

Random faults and actions on both cars. `BUSBAY_RANDOM_DAYS` sets how many; the suite lives 28, 3000 is the
long run. Every day ends with some quiet seconds: at one and the same instant a message that is some
milliseconds late in arbitration may or may not have arrived yet. Seven seconds would be wrong: a module that
is told to sleep falls asleep after two and five, and a change that misses a frame is told a period later.
"""

from __future__ import annotations

import os
import random
from typing import Any

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, further_faults
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text, read_car

DAYS = int(os.environ.get("BUSBAY_RANDOM_DAYS", "28"))
HANDS = [
    "wait 3 s", "wait 10 s", "wait 30 s", "press start", "press start with brake", "key run", "key crank",
    "key off", "clear", "fob away", "fob in range", "brake on", "brake off", "unplug BAT.NEG", "plug BAT.NEG",
    "charge 20 %",
]  # fmt: skip
QUIET = "wait 9 s"


def _day(seed: int, car: str = "") -> tuple[str, list[str], list[str]]:
    rng = random.Random(seed)
    name = car or rng.choice(["teaching-car", "teaching-car", "shuttle-minibus"])
    faults = catalogue(_car(name))
    given = list(dict.fromkeys(rng.choice(faults) for _ in range(rng.randrange(3))))
    log = [rng.choice([*HANDS, *rng.sample(faults, 4)]) for _ in range(8)]
    return name, given, [*log, QUIET, "scan"]


def _car(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def _lived(bench: Bench, log: list[str]) -> dict[str, Any]:
    """What can be known of the car after the day."""
    refused = []
    for text in log:
        try:
            bench.do(text)
        except Problem as problem:
            refused.append(str(problem))
    report = bench.last_report
    modules = {
        name: (
            module.state,
            {entry.code: f"{int(entry.status):02X}" for entry in module.memory.dtcs},
            module.outputs.telltales,
        )
        for name, module in bench.live.modules.items()
    }
    scan = None if report is None else (report.silent, sorted(report.codes))
    return {"refused": refused, "modules": modules, "scan": scan, "engine": bench.live.world.engine.value}


@pytest.mark.parametrize("seed", range(DAYS))
def test_both_depths_live_the_same_day(seed: int) -> None:
    """A random day gives the same codes and states at both fidelities."""
    name, given, log = _day(seed)
    frames = _lived(Bench(_car(name), given, seed, "frame"), log)
    streams = _lived(Bench(_car(name), given, seed, "stream"), log)
    assert frames == streams, (name, given, log)


@pytest.mark.parametrize("seed", range(0, DAYS, 2))
def test_both_depths_live_the_same_day_with_modules_that_lack_something(seed: int) -> None:
    """Dead, uncoded, foreign, uncalibrated, half flashed: and what a tester does about it, or not."""
    rng = random.Random(seed)
    name = rng.choice(["teaching-car", "teaching-car", "small-estate"])
    faults = further_faults(_car(name), ["dead modules", "set-up of modules"])
    given = list(dict.fromkeys(rng.choice(faults) for _ in range(2)))
    parts = [text.split()[1] for text in (*given, *rng.sample(faults, 2))]
    jobs = [f"{verb} {part}" for part in parts for verb in ("identify", "flash", "code", "replace")]
    log = [rng.choice([*HANDS[:12], "match keys", *rng.sample(jobs, 4)]) for _ in range(6)]
    frames = _lived(Bench(_car(name), given, seed, "frame"), [*log, QUIET, "scan"])
    streams = _lived(Bench(_car(name), given, seed, "stream"), [*log, QUIET, "scan"])
    assert frames == streams, (name, given, log)


def test_a_frame_that_comes_just_when_a_code_matures_goes_over_to_frame_depth() -> None:
    """The mode 'off' and the end of a maturing within 0.1 ms: arbitration decides whether the code sets."""
    given, log = (
        ["unplug CLUSTER.C1", "open TRAILER.C1.2"],
        ["charge 20 %", "wait 3 s", "press start with brake"],
    )
    log += ["clear", "wait 3 s", "unplug X4", "press start with brake", "plug BAT.NEG", QUIET, "scan"]
    car = _car("shuttle-minibus")
    frames, streams = Bench(car, given, 2246, "frame"), Bench(car, given, 2246, "stream")
    assert _lived(frames, log) == _lived(streams, log)
    assert streams.fidelity == "frame"


@pytest.mark.parametrize("seed", range(max(1, DAYS // 20)))
def test_both_depths_live_the_same_day_with_lin_and_fd(seed: int) -> None:
    """So does a random day of the car with LIN and CAN FD."""
    name, given, log = _day(seed, "small-estate")
    frames = _lived(Bench(_car(name), given, seed, "frame"), log)
    streams = _lived(Bench(_car(name), given, seed, "stream"), log)
    assert frames == streams, (name, given, log)


def test_a_day_on_an_overloaded_bus_goes_over_to_frame_depth() -> None:
    """Fifty messages of 10 ms do not fit on 125 kbit/s: only frame depth can say who gets through."""
    path = scenarios_folder() / "vehicles" / "six-modules.yaml"
    text = path.read_text(encoding="utf-8")
    assert "line: [" in text
    crowded = text.replace("{line: [", "{bitrate_bps: 125000, line: [", 1)
    sends = "sends: {" + ", ".join(f"m{i}: {{period_ms: 10}}" for i in range(12)) + "}, "
    crowded = crowded.replace("TCM: {", "TCM: {" + sends, 1)
    bench = Bench(car_from_text(crowded, "crowded.yaml"), fidelity="stream")
    bench.do("wait 3 s")
    assert bench.fidelity == "frame"
    assert bench.live.network.frames_total > 1000  # type: ignore[union-attr]
