"""A bypass lead goes round a guarded gateway: what it opens, and what it costs."""

from sim import scenarios_folder
from sim.bench.actions import parse_action
from sim.bench.bench import Bench
from sim.lab.labor import minutes_of
from sim.modules.uds_responses import NegativeResponse, PositiveResponse
from sim.vehicle.reading import read_car

CAR = read_car(scenarios_folder() / "vehicles" / "small-estate.yaml")
UNLOCK = ["unlock GATEWAY"]
LEAD = ["unplug GATEWAY", "bypass GATEWAY diag to backbone", "unbypass GATEWAY", "plug GATEWAY"]


def test_the_lead_opens_what_the_challenge_guards() -> None:
    """Clearing goes through to the backbone; the body is out of reach and new codes set meanwhile."""
    bench = Bench(CAR)
    bench.do_all(["press start", "press start", "wait 3 s"])
    assert isinstance(bench.do("clear ECM").responses["ECM"], NegativeResponse)
    bench.do_all([*LEAD[:2], "wait 2 s"])
    assert isinstance(bench.do("clear ECM").responses["ECM"], PositiveResponse)
    report = bench.do("scan").report
    assert report is not None
    assert ("GATEWAY", "BCM", "CLUSTER", "AIRBAG", "DOOR-LEFT") == report.silent
    assert ("ECM", "U0140-87") in report.codes


def test_the_lead_costs_more_than_the_challenge() -> None:
    """Hands-on minutes there and back: 4 + 5 + 3 + 2 against 2 for seed and key."""
    assert 14.0 == sum(minutes_of(parse_action(action, CAR), CAR) for action in LEAD)
    assert 2.0 == sum(minutes_of(parse_action(action, CAR), CAR) for action in UNLOCK)
