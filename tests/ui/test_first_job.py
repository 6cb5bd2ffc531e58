"""A car that came with a complaint: nothing of its fault is shown before its modules are asked."""

import pytest

from tests.ui.drawn import has_drawn
from tests.ui.test_pages import held_of, opened, press
from ui.state.first_visit import FIRST_JOBS, FirstJob
from ui.state.held import Held


def began(job: FirstJob, *actions: str) -> Held:
    """A job of the first visit in the bay, with what was done since."""
    held = held_of(job.car_name, job.given)
    held.job = f"{job.title}: {job.complaint}"
    for text in ("wait 20 s", *actions):
        held.bench.do(text)
    return held


@pytest.mark.parametrize("job", FIRST_JOBS, ids=lambda job: job.title)
def test_before_a_scan_a_car_with_a_complaint_shows_what_a_whole_one_shows(job: FirstJob) -> None:
    """Map, changes and codes are those of the same car without its fault until the tester has asked."""
    whole = FirstJob(job.title, job.complaint, job.car_name, ())
    seen, as_whole = began(job).visible(), began(whole).visible()
    assert as_whole.modules == seen.modules
    assert {"not asked"} >= {one.word for name, one in seen.modules.items()} - {"on LIN"}
    hidden = (seen.connectors_off, seen.out, seen.changes, seen.theories, seen.given, seen.codes)
    assert (frozenset(), frozenset(), (), (), (), ()) == hidden


def test_what_the_visitor_took_apart_is_shown_before_a_scan() -> None:
    """A connector that was unplugged in the bay is off on the map, and can be put back."""
    seen = began(FIRST_JOBS[1], "unplug ECM").visible()
    assert ("ECM.C1",) == seen.modules["ECM"].connectors_off
    assert ["plug ECM.C1"] == [one.undo for one in seen.changes]


def test_after_the_scan_the_map_tells_who_does_not_answer() -> None:
    """With a report the whole state of the car is on the map."""
    assert "no supply" == began(FIRST_JOBS[1], "scan").visible().modules["CLUSTER"].word


@pytest.mark.parametrize("panel", ["Why", "Watch", "Log"])
def test_no_panel_tells_the_fault_before_a_scan(panel: str) -> None:
    """Why and Watch ask for a scan first, and the log does not list what the car came with."""
    job = FIRST_JOBS[1]
    app = opened("bay", began(job, "press start", "wait 10 s"), panel)
    assert not has_drawn(app, job.given[0])
    assert not has_drawn(app, "given")


def test_the_events_after_a_start_name_no_module_before_a_scan() -> None:
    """Below the map stand what the driver notices: the ignition and the engine, and no module's state."""
    held = began(FIRST_JOBS[1])
    app = press(opened("bay", held), "next_step")
    told = [event for event in held.events if event.kind in ("state", "code")]
    assert told
    assert has_drawn(app, "What that brought")
    assert not [event.text for event in told if has_drawn(app, event.text)]
    assert not has_drawn(app, "Watch it happen")
