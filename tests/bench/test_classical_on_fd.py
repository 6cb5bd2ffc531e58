"""A part too old for CAN FD on an FD bus: who misses what, and why."""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

CAR = read_car(scenarios_folder() / "vehicles" / "small-estate.yaml")
OLD_PART = "set TCM.backbone to classical CAN"


def test_an_old_gearbox_module() -> None:
    """It hears nobody, disturbs for some milliseconds, still answers the tester in classical frames."""
    bench = Bench(CAR)
    bench.do_all(["press start", "press start", "wait 3 s", OLD_PART, "wait 1 s"])
    report = bench.do("scan").report
    assert report is not None
    assert {("TCM", "U0100-87"), ("TCM", "U0121-87"), ("ECM", "U0402-86")} == report.codes
    assert () == report.silent
    assert [OLD_PART] == why_code(bench, "TCM", "U0100").to_edits().roots()
    assert "error passive" == bench.live.network.state_of("TCM.backbone")
    assert {"error active"} == {
        bench.live.network.state_of(f"{name}.backbone") for name in ("ECM", "ABS", "STEERING", "GATEWAY")
    }
    bench.do_all(["replace TCM", "wait 3 s", "unlock GATEWAY", "clear", "wait 3 s"])
    after = bench.do("scan").report
    assert after is not None
    assert frozenset() == after.codes


def test_a_classical_bus_has_no_such_part() -> None:
    """One sentence."""
    with pytest.raises(EditProblem, match="body is classical CAN as it is"):
        Bench(CAR).do("set BCM.body to classical CAN")


def test_a_lead_from_the_fd_bus_to_a_classical_one() -> None:
    """With the gateway's plug off and both on one pair, the body's modules take FD frames for errors."""
    bench = Bench(CAR)
    bench.do_all(
        [
            "press start",
            "press start",
            "wait 3 s",
            "unplug GATEWAY",
            "bypass GATEWAY body to backbone",
            "wait 0.3 s",
        ]
    )
    segment = bench.live.network.segment_of("ECM.backbone")
    assert {"BCM.body", "CLUSTER.body", "AIRBAG.body", "DOOR-LEFT.body"} == {
        one.channel for one in segment.faults if one.classical
    }
