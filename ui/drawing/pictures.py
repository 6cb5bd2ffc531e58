"""Scope pictures of a data line in ten conditions: `python -m ui.drawing.pictures FOLDER` saves them.

The line is the powertrain bus of the teaching car, ignition on, measured at the transmission's connector.
Cursor A is on a line at rest, cursor B in the first dominant bit.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.instruments.read import read
from sim.instruments.scope import Picture
from sim.instruments.screen import figure
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem

CAR = "teaching-car"
H, L = "TCM.powertrain.H", "TCM.powertrain.L"
SWEEP = f"scope {H} to BODY and {L} to BODY for 500 us"
REST_S, DOMINANT_S = -20e-6, 1e-6  # the first bit of a frame lasts 2 us
DPI = 130


@dataclass(frozen=True, slots=True)
class LineState:
    """One condition of the line: its name, its words, and the edits that bring it about."""

    name: str
    words: str
    given: tuple[str, ...]


CONDITIONS = (
    LineState("healthy", "a healthy line", ()),
    LineState("high-on-low", "CAN high shorted to CAN low", (f"short {H} to {L}",)),
    LineState("high-on-ground", "CAN high shorted to ground", (f"short {H} to BODY",)),
    LineState("low-on-ground", "CAN low shorted to ground", (f"short {L} to BODY",)),
    LineState("low-on-battery", "CAN low shorted to battery", (f"short {L} to BAT+",)),
    LineState("high-open", "CAN high open in mid-line", ("open SP.powertrain.TCM.H--SP.powertrain.ABS.H",)),
    LineState("one-terminator", "one terminator missing", ("open GATEWAY:powertrain.terminator",)),
    LineState(
        "no-terminator",
        "both terminators missing",
        ("open GATEWAY:powertrain.terminator", "open ECM:powertrain.terminator"),
    ),
    LineState("swapped", "the pair swapped at the engine module", ("swap ECM.C1.4 with ECM.C1.5",)),
    LineState("alone", "the others without supply: no acknowledgment", ("pull F1", "pull F3", "pull F6")),
)


def taken(condition: LineState, car: Car) -> tuple[Bench, Picture]:
    """A bench with this trouble, ignition on, and the sweep taken there."""
    bench = Bench(car, condition.given)
    bench.do_all(["key run", "wait 2 s"])
    picture = read(bench, SWEEP)
    if not isinstance(picture, Picture):
        raise EditProblem(f"'{SWEEP}' is no sweep")
    return bench, picture


def main(folder: Path) -> None:
    """Save all pictures, and say where."""
    folder.mkdir(parents=True, exist_ok=True)
    car = find_car(CAR)
    for number, condition in enumerate(CONDITIONS, start=1):
        _, picture = taken(condition, car)
        path = folder / f"{number:02d}-{condition.name}.png"
        drawn = figure(picture, picture.cursors(REST_S, DOMINANT_S), condition.words)
        drawn.savefig(path, dpi=DPI)
        print(f"{path}: {picture.display} {' '.join(picture.notes)}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("write: python -m ui.drawing.pictures FOLDER")
    main(Path(sys.argv[1]))
