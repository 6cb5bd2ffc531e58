"""Instruments from the command line."""

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from sim.cli import main

HIGH_LOW = "scope ECM.powertrain.H to BODY and ECM.powertrain.L to BODY for 400 us"
AWAKE = ["--do", "key run", "--do", "wait 1 s"]

# Ten conditions, and the levels between which CAN high and low move: recessive 2.5 V, dominant 3.5 / 1.5 V
# into two terminators (typical, transceiver data sheets), the rest computed beforehand for legs of 0.6 V and
# 24.7 ohm; the highest is the acknowledge slot.
CONDITIONS = {
    "healthy": ([], AWAKE, [2.51, 3.99], [1.03, 2.51]),
    "one terminator": (["open GATEWAY:powertrain.terminator"], AWAKE, [2.51, 4.18], [0.84, 2.51]),
    "no terminator": (
        ["open GATEWAY:powertrain.terminator", "open ECM:powertrain.terminator"], AWAKE, [2.51], [2.51],
    ),
    "two nodes left": (["unplug TCM", "unplug ABS"], AWAKE, [2.51, 3.51], [1.51, 2.51]),
    "low on ground": (["short ECM.powertrain.L to BODY"], AWAKE, [0.02, 3.85], [0.0]),
    "high on ground": (["short ECM.powertrain.H to BODY"], AWAKE, [0.0], [0.02]),
    "high on low": (["short ECM.powertrain.H to ECM.powertrain.L"], AWAKE, [2.51], [2.51]),
    # each attempt before bus-off pulls the low line down: 6.97 V at 12.6 V in the table of test_bus_faults.py
    "high on battery": (["short ECM.powertrain.H to BAR"], AWAKE, [12.43], [6.82, 12.35]),
    "lifted ground": (["offset G2 1.5 V"], AWAKE, [3.63, 5.22], [2.08, 3.63]),
    "asleep": ([], ["--do", "wait 60 s"], [0.0], [0.0]),
}  # fmt: skip


def levels(words: str) -> list[float]:
    """The voltages in a scope's line: one where it is flat, else lowest and highest."""
    return [
        float(number) * (0.001 if unit == "mV" else 1)
        for number, unit in re.findall(r"([\d.]+) (m?V)", words)
    ]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_a_picture_of_each_condition_is_saved(
    condition: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A run saves the sweep as PNG and prints the levels of the condition."""
    given, actions, high, low = CONDITIONS[condition]
    edits = [word for edit in given for word in ("--given", edit)]
    status = main(["run", "teaching-car", *edits, *actions, "--do", HIGH_LOW, "--pictures", str(tmp_path)])
    printed = capsys.readouterr().out
    (saved,) = tmp_path.iterdir()
    assert (0, b"\x89PNG") == (status, saved.read_bytes()[:4])
    shown = next(line for line in printed.splitlines() if line.startswith("    ECM.C1.4 to BODY:"))
    first, second = shown.split(";")
    assert high == pytest.approx(levels(first.partition(":")[2]), abs=0.1)
    assert low == pytest.approx(levels(second.partition(":")[2]), abs=0.1)


def test_a_run_prints_readings_with_what_to_mind(capsys: pytest.CaptureFixture[str]) -> None:
    """Readings are printed with their notes."""
    assert 0 == main(
        ["run", "teaching-car", *AWAKE, "--do", "measure ohms ECM.C1.4 to ECM.C1.5", "--do", "look F1"]
    )
    printed = capsys.readouterr().out
    assert "Wrong reading: the circuit is live" in printed
    assert "in; 10 A printed on it, as the list says" in printed


@pytest.mark.parametrize("name", ["ECM", "F11", "powertrain", "ECM.C1"])
def test_a_diagram_is_written(name: str, tmp_path: Path) -> None:
    """The command writes a diagram that is well-formed SVG."""
    path = tmp_path / "sheet.svg"
    assert 0 == main(["diagram", "teaching-car", name, "--out", str(path)])
    assert ElementTree.parse(path).getroot().tag.endswith("svg")


def test_an_unknown_diagram_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong name ends in one sentence with the nearest right one."""
    assert 1 == main(["diagram", "teaching-car", "ECMM"])
    told = capsys.readouterr().err.splitlines()
    assert "busbay: no circuit 'ECMM' in this car; did you mean 'ECM'?" == told[0]
