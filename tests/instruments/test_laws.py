"""What holds for every instrument on every fault: finite readings, and nothing changed but time."""

import math
from dataclasses import fields

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.probing import places
from sim.instruments.read import read
from sim.instruments.result import Result
from sim.instruments.scope import Picture
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

CAR = read_car(scenarios_folder() / "vehicles" / "six-modules.yaml")
TERMINALS = sorted(node for node in CAR.terminals if not node.startswith("TESTER"))
LOOPS = [*CAR.built.fuses, *CAR.pins]
FAULTS = [
    "pull F1", "unplug ABS", "open ECM.GND", "short TCM.main.H to BODY", "short TCM.main.L to BAR 100 ohm",
    "unplug BAT.NEG", "corrode G1 5 ohm", "swap AIRBAG.main.H with AIRBAG.main.L", "loosen BCM",
    "offset G1 4 V", "interrupt CLUSTER.B+ every 1 s for 300 ms", "terminate DLC.6 to DLC.14",
    "open ECM:main.terminator", "charge 0 %",
]  # fmt: skip

points = st.lists(st.sampled_from(TERMINALS), min_size=2, max_size=2, unique=True)
sentences = st.one_of(
    points.map(lambda p: f"measure volts {p[0]} to {p[1]}"),
    points.map(lambda p: f"measure ohms {p[0]} to {p[1]}"),
    points.map(lambda p: f"load {p[0]} to {p[1]} with 21 W lamp"),
    points.map(lambda p: f"scope {p[0]} to {p[1]} for 1 ms"),
    st.lists(points, min_size=2, max_size=2).map(
        lambda two: f"measure volts {two[0][0]} to {two[0][1]} while 5 W lamp at {two[1][0]} to {two[1][1]}"
    ),
    st.sampled_from(LOOPS).map(lambda at: f"measure amps {at}"),
    st.sampled_from(places(CAR)).map(lambda part: f"look {part}"),
)


@settings(max_examples=60)
@given(faults=st.lists(st.sampled_from(FAULTS), unique=True, max_size=3), sentence=sentences)
def test_every_reading_is_a_number_or_says_that_it_is_none(faults: list[str], sentence: str) -> None:
    """No instrument shows infinity or no number, whatever is faulty."""
    bench = Bench(CAR, faults)
    bench.do("press start")
    before = bench.car.harness
    try:
        result = read(bench, sentence)
    except EditProblem:
        return  # a place that no probe reaches now
    for value in numbers(result):
        assert math.isfinite(value), (sentence, result)
    assert result.display
    assert "nan" not in result.display.lower()
    assert 0 < result.labor_s < 1200  # a look at a wire under trim takes 16 min
    before_away, after_away = before.away, bench.car.harness.away
    assert before == bench.car.harness or before_away != after_away


def numbers(result: Result) -> list[float]:
    """Every number in a result, those of arrays too."""
    found = [getattr(result, one.name) for one in fields(result)]
    values = [
        float(value) for value in found if isinstance(value, float | int) and not isinstance(value, bool)
    ]
    if isinstance(result, Picture):
        for one in result.channels:
            assert np.all(np.diff(one.time_s) >= 0)
            values += [*one.time_s.tolist(), *one.volt.tolist()]
    return values
