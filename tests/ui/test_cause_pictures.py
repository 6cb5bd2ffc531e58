"""The picture of what causes what: the same wires on a screen and on a phone, nothing off its side."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from sim.lab.grid import run_grid
from sim.lab.workshop import Workshop
from ui.drawing.cause_pictures import NARROW, WIDE, Columns, cause_diagram, matrix
from ui.state.session import shipped_cars

DRAWING = re.compile(r"<svg.*?</svg>", re.DOTALL)


@pytest.mark.parametrize("columns", [WIDE, NARROW])
def test_the_diagram_fits_its_width_and_its_wires_join_what_they_say(columns: Columns) -> None:
    """Edits, gates and symptoms follow each other from left to right within the width of the drawing."""
    edits, actions = ["pull F5", "unplug ABS.C1"], ["press start", "wait 9 s", "scan"]
    with Workshop(workers=1) as workshop:
        grid = run_grid(shipped_cars()["six-modules.yaml"], edits, actions, workshop=workshop)
    drawn = ElementTree.fromstring(DRAWING.findall(cause_diagram(grid, columns is NARROW))[0])
    boxes = [one for one in drawn.iter("rect") if (one.get("class") or "").startswith("box")]
    edges = [(float(one.attrib["x"]), float(one.attrib["x"]) + float(one.attrib["width"])) for one in boxes]
    assert {1.0, columns.symptom_x + 1} == {left for left, _ in edges}
    assert columns.width >= max(right for _, right in edges)
    assert columns.edit_w < columns.gate_x - 17 < columns.gate_x + 17 < columns.symptom_x
    wires = [one.attrib["d"] for one in drawn.iter("path") if (one.get("class") or "").startswith("wire")]
    assert [] == [one for one in wires if not one.startswith("M")]
    assert {f"{columns.symptom_x:g}"} == {
        one.rpartition(" L")[2].partition(",")[0] for one in wires if " L" in one
    }


def test_all_combinations_of_two_faults_are_in_sight_on_a_phone() -> None:
    """The table of combinations is no wider than the column of a phone of 390 px, and names every fault."""
    edits, actions = ["pull F5", "unplug ABS.C1"], ["press start", "wait 9 s", "scan"]
    with Workshop(workers=1) as workshop:
        grid = run_grid(shipped_cars()["six-modules.yaml"], edits, actions, workshop=workshop)
    drawn = ElementTree.fromstring(DRAWING.findall(matrix(grid, narrow=True))[0])
    assert 390 - 2 * 16 >= float(drawn.attrib["width"])
    assert set(edits) < {
        "".join(one.itertext()).removeprefix(one[0].text or "") for one in drawn.iter("text")
    }
