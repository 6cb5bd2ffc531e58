"""What happened as lanes and marks: equal to the trace, and at its end equal to the car."""

import pytest

from sim.bench.bench import Bench
from sim.bench.cascade import Cascade, Lane, Mark, Stretch, cascade_of
from sim.modules.trace import Event
from sim.vehicle.car import Car

THEORY = "theory ECM waits for TRAILER"
TRY_TO_START = ("press start with brake", "wait 10 s")


@pytest.fixture(scope="module")
def absent_trailer(minibus: Car) -> Bench:
    """The minibus, asleep; then the trailer module is unplugged and the car is to be started."""
    bench = Bench(minibus, [THEORY])
    bench.do_all(["wait 20 s", "unplug TRAILER.C1", *TRY_TO_START])
    return bench


@pytest.fixture(scope="module")
def cascade(absent_trailer: Bench) -> Cascade:
    """What followed from the unplugging."""
    return cascade_of(absent_trailer.trace.events, 20.05, absent_trailer.now_s)


def marks_on(cascade: Cascade, lane: Lane) -> tuple[Mark, ...]:
    return tuple(mark for mark in cascade.marks if mark.lane == lane)


def events(bench: Bench, *kinds: str) -> list[Event]:
    """The events of some kinds since the trailer module was unplugged."""
    return [one for one in bench.trace.events if one.kind in kinds and one.time_s >= 20.05]


def test_the_marks_are_the_trace_of_the_absent_trailer_module(
    absent_trailer: Bench, cascade: Cascade
) -> None:
    """The whole list: every event of these kinds is a mark, in order, and nothing else is."""
    told = events(
        absent_trailer, "action", "fault", "repair", "mode", "held", "engine", "telltale", "relay", "fuse",
        "contact", "battery", "state", "waits", "lost", "heard", "code", "code heals", "code cleared", "bus",
        "refused", "immobilizer",
    )  # fmt: skip
    expected = [one for one in told if one.kind != "heard" or one.text.endswith(" again")]
    assert expected == [mark.event for mark in cascade.marks]


def test_the_cascade_tells_who_waits_whose_limit_runs_out_and_which_codes_mature(cascade: Cascade) -> None:
    """The engine module waits for the absent one; who needs its messages misses them, then sets codes."""
    engine_module = marks_on(cascade, Lane("module", "ECM"))
    assert ["waits"] == [mark.event.kind for mark in engine_module if mark.event.item == "TRAILER"]
    lost = {mark.event.subject for mark in cascade.marks if mark.event.kind == "lost"}
    coded = {mark.event.subject for mark in cascade.marks if mark.event.kind == "code"}
    assert {"GATEWAY", "CLUSTER", "ABS"} <= lost
    assert lost <= coded
    assert "waiting" == cascade.stretches[Lane("module", "ECM")][-1].value


def test_each_code_matures_after_its_time_limit_ran_out(cascade: Cascade) -> None:
    """No module sets a code for a lost message before its own time limit for one has run out."""
    for mark in cascade.marks:
        if mark.event.kind == "code" and "not heard" in mark.event.text:
            limits = [one for one in marks_on(cascade, mark.lane) if one.event.kind == "lost"]
            assert mark.event.causes[0] in [one.event.id for one in limits]


def test_at_its_end_the_cascade_is_the_car(absent_trailer: Bench, cascade: Cascade) -> None:
    """The last stretch of each lane is what the live car says: module states, mode, lamps; and codes held."""
    live = absent_trailer.live
    last = {lane: several[-1].value for lane, several in cascade.stretches.items()}
    states = {name: "waiting" if one.waiting_for else one.state for name, one in live.modules.items()}
    assert states == {lane.name: value for lane, value in last.items() if lane.kind == "module"}
    lit = {
        name: "lit" if on else "dark"
        for one in live.modules.values()
        for name, on in one.outputs.telltales.items()
    }
    assert lit == dict.fromkeys(lit, "dark") | {
        lane.name: value for lane, value in last.items() if lane.kind == "lamp"
    }
    assert "run" == last[Lane("mode")]
    held = {name: sum(dtc.stored for dtc in one.memory.dtcs) for name, one in live.modules.items()}
    counted = {name: changes[-1][1] for name, changes in cascade.codes.items()}
    assert {name: count for name, count in held.items() if count} == counted


def test_the_stretches_of_a_lane_have_no_gap(cascade: Cascade) -> None:
    """Each begins when the one before it ends, from the first moment to the last."""
    for several in cascade.stretches.values():
        assert cascade.start_s == several[0].start_s
        assert cascade.end_s == several[-1].end_s
        assert [one.end_s for one in several[:-1]] == [one.start_s for one in several[1:]]


def test_a_lamp_goes_dark_with_the_module_that_drives_it(teaching: Car) -> None:
    """A lamp has no event of its own when its module loses its supply: it is dark all the same."""
    bench = Bench(teaching)
    bench.do_all(["key run", "wait 3 s"])
    owner = next(name for name, one in bench.live.modules.items() if any(one.outputs.telltales.values()))
    bench.do_all([f"unplug {owner}", "wait 1 s"])
    found = cascade_of(bench.trace.events, 0.0, bench.now_s)
    lamps = {lane.name: several[-1].value for lane, several in found.stretches.items() if lane.kind == "lamp"}
    assert lamps
    assert dict.fromkeys(lamps, "dark") == lamps


def test_a_mode_that_hangs_is_a_mark(absent_trailer: Bench) -> None:
    """A press of the button that changes nothing is told on the lane of the power mode."""
    bench = absent_trailer.rewind(len(absent_trailer.log))
    begin_s = bench.now_s
    bench.do_all(["press start", "wait 2 s"])
    found = cascade_of(bench.trace.events, begin_s, bench.now_s)
    held = [mark.event.text for mark in marks_on(found, Lane("mode")) if mark.event.kind == "held"]
    assert ["the button changes nothing, power mode stays run"] == [text.partition(":")[0] for text in held]
    assert (Stretch(begin_s, bench.now_s, "run", "", found.stretches[Lane("mode")][0].event),) == (
        found.stretches[Lane("mode")]
    )
