"""What the tester says of a guarded gateway and of an edge node, as the car has it."""

import pytest

from sim.bench.tester import ModuleReport, Report
from sim.catalogue import find_car
from ui.drawing.tables import report_table
from ui.panels.diagram import right_lasts


@pytest.mark.parametrize(
    ("car", "gateway", "expected"),
    [("city-hatchback", "GATEWAY", "for 60 s"), ("shuttle-minibus", "GATEWAY", "until it sleeps or resets")],
)
def test_a_right_is_told_with_its_end(car: str, gateway: str, expected: str) -> None:
    """By the vehicle file: a time where it says one, else as long as the gateway's session."""
    assert expected == right_lasts(find_car(car), gateway)


def test_a_silent_module_s_row_tells_what_the_edge_node_said() -> None:
    """Beside "no answer", and not as a module that answers without telling its codes."""
    note = "GATEWAY acknowledges, the module does not answer"
    html = str(report_table(Report(1.0, True, (ModuleReport("DOOR-LEFT", False, (), note),))))
    assert note in html
    assert "answers, but does not tell its codes" not in html
