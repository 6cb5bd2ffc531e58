"""Codes over days: clearing, operation cycles, confirmation, aging, snapshots; and telltales."""

from collections.abc import Callable

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code, why_telltale
from sim.catalogue import find_car
from sim.instruments.seat import seat_of
from sim.modules.fault_memory import Dtc, SnapshotRecord, Status
from sim.vehicle.reading import read_car

Make = Callable[..., Bench]
Tell = Callable[..., list[tuple[float, str]]]

CYCLE = ["switch key off", "wait 1 s", "switch key on", "wait 5 s"]


def code(bench: Bench, module: str, text: str) -> Dtc:
    return bench.live.modules[module].memory.get(text)


def test_cleared_codes_come_back_only_for_what_is_there(tiny: Make, told: Tell) -> None:
    """Of two faults one is mended; after clearing the other's code returns by its own maturation, 500 ms."""
    bench = tiny(
        ("fuses:", "fuses:\n  F9: {rating_a: 10, feeds: AIRBAG}"),
        ("ECM terminated,", "ECM terminated, AIRBAG,"),
        ("  CLUSTER: {hears: [ECM, BCM]", "  AIRBAG: {}\n  CLUSTER: {hears: [ECM, BCM, AIRBAG]"),
    )
    bench.do_all(["switch key on", "press start", "wait 3 s", "unplug BCM", "unplug AIRBAG", "wait 5 s"])
    assert {"U0140-87", "U0151-87"} == {e.code for e in bench.live.modules["CLUSTER"].memory.dtcs if e.stored}
    bench.do_all(["plug AIRBAG", "wait 2 s"])
    begin_s = bench.now_s
    bench.do("clear CLUSTER")
    bench.do("wait 2 s")
    cleared = told(bench, "code cleared", since_s=begin_s)
    assert ["CLUSTER: U0140-87 is cleared", "CLUSTER: U0151-87 is cleared"] == [text for _, text in cleared]
    assert [(round(cleared[0][0] + 0.5, 6), "CLUSTER sets U0140-87: BCM.status not received")] == [
        event for event in told(bench, "code", since_s=begin_s) if event[1].startswith("CLUSTER")
    ]
    assert 0x2F == int(code(bench, "CLUSTER", "U0140-87").status)
    assert 0x00 == int(code(bench, "CLUSTER", "U0151-87").status)
    assert not code(bench, "CLUSTER", "U0151-87").stored


def test_a_cleared_code_has_no_reason_any_more(tiny: Make) -> None:
    """A cleared code is explained as not set."""
    bench = tiny()
    bench.do_all(
        ["switch key on", "press start", "wait 3 s", "unplug BCM", "wait 3 s", "plug BCM", "wait 2 s"]
    )
    assert ["unplug BCM.C1"] == why_code(bench, "ECM", "U0140").to_edits().roots()
    bench.do("clear ECM")
    assert "ECM has not set U0140" == why_code(bench, "ECM", "U0140").text


def test_confirmed_in_the_second_failing_cycle(tiny: Make) -> None:
    """`confirm_cycles: 2`: pending in the first, confirmed in the second (ISO 14229-1, bits 2 and 3)."""
    bench = tiny(("ECM: {hears", "ECM: {confirm_cycles: 2, hears"), given=["unplug BCM"])
    bench.do_all(["switch key on", "wait 5 s"])
    assert 0x27 == int(code(bench, "ECM", "U0140-87").status)  # failing, this cycle, pending, since clear
    bench.do_all(CYCLE[:3])
    bench.do("wait 1 s")
    assert 0x65 == int(code(bench, "ECM", "U0140-87").status)  # new cycle: not completed, still pending
    bench.do("wait 4 s")
    assert 0x2F == int(code(bench, "ECM", "U0140-87").status)
    assert 2 == code(bench, "ECM", "U0140-87").failing_cycles


def test_a_fault_that_went_away_is_forgotten(tiny: Make) -> None:
    """Pending goes with the first good cycle, the confirmed code after `aging_cycles` of them."""
    bench = tiny(("ECM: {hears", "ECM: {aging_cycles: 3, hears"), given=["unplug BCM"])
    bench.do_all(["switch key on", "wait 5 s", "plug BCM", "press start", "wait 3 s"])
    statuses = [int(code(bench, "ECM", "U0140-87").status)]
    for _ in range(5):
        bench.do_all(CYCLE)
        statuses.append(int(code(bench, "ECM", "U0140-87").status))
    # bit 5, failed since clear, stays; bit 6 and 1 are of the cycle
    assert [0x2E, 0x2C, 0x28, 0x28, 0x20, 0x20] == statuses
    assert not code(bench, "ECM", "U0140-87").stored


def test_a_cycle_in_which_nothing_was_tested_ages_nothing(tiny: Make) -> None:
    """Switched off again within the settling time."""
    bench = tiny(("ECM: {hears", "ECM: {aging_cycles: 3, hears"), given=["unplug BCM"])
    bench.do_all(["switch key on", "wait 5 s", "plug BCM", "press start", "wait 3 s"])
    for _ in range(5):
        bench.do_all(["switch key off", "wait 0.5 s", "switch key on", "wait 1 s"])
    assert Status.PENDING | Status.CONFIRMED in Status(code(bench, "ECM", "U0140-87").status)


def test_what_a_module_noted(tiny: Make) -> None:
    """First and latest failure with time, supply and the mode it knew; occurrences counted."""
    bench = tiny(("hears: [ECM], hears_when: {mode: run}", "hears: [ECM], hears_when: {supply_above_v: 9}"))
    bench.do_all(["wait 3 s", "press start", "unplug ECM", "wait 3 s"])
    entry = code(bench, "BCM", "U0100-87")
    set_s = next(
        event.time_s for event in bench.trace.events if event.kind == "code" and event.subject == "BCM"
    )
    supply_v = round(bench.live.modules["BCM"].supply_v, 2)
    assert SnapshotRecord(set_s, supply_v, "run") == entry.first == entry.last
    bench.do_all(["plug ECM", "wait 2 s", "press start", "charge 50 %", "unplug ECM", "wait 3 s"])
    assert 2 == entry.occurrences
    assert SnapshotRecord(set_s, supply_v, "run") == entry.first
    assert entry.last is not None
    assert ("off", True) == (entry.last.power_mode, entry.last.supply_v < supply_v)


def test_a_module_notes_the_speeds_and_the_coolant_that_it_knows() -> None:
    """The engine's module all three, another what it receives; nothing is noted of what has not come."""
    bench = Bench(find_car("teaching-car"), fidelity="stream")
    bench.do_all(["key run", "wait 3 s", "key crank", "wait 3 s", "drive at 30 km/h", "pull F2", "wait 3 s"])
    of_engine, of_cluster = (code(bench, name, "U0101-87").first for name in ("ECM", "CLUSTER"))
    assert of_engine is not None
    assert of_cluster is not None
    assert (800, 30) == (of_engine.engine_rpm, of_engine.speed_kph)
    assert 20 < (of_engine.coolant_c or 0) < 30
    assert (None, 800, 30) == (of_cluster.coolant_c, of_cluster.engine_rpm, of_cluster.speed_kph)
    bench = Bench(find_car("teaching-car"), ["pull F3", "pull F1"], fidelity="stream")
    bench.do_all(["key run", "wait 3 s"])
    blind = code(bench, "CLUSTER", "U0121-87").first
    assert blind is not None
    assert (None, None, None) == (blind.coolant_c, blind.engine_rpm, blind.speed_kph)


def test_codes_survive_the_battery(tiny: Make) -> None:
    """A stored code is kept without battery."""
    bench = tiny()
    bench.do_all(["switch key on", "press start", "wait 3 s", "unplug BCM", "wait 3 s"])
    bench.do_all(["disconnect battery", "wait 60 s", "reconnect battery", "wait 1 s"])
    assert code(bench, "ECM", "U0140-87").stored


@pytest.fixture
def teaching() -> Bench:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml"))
    bench.do_all(["wait 12 s", "key run", "wait 3 s"])
    return bench


@pytest.mark.parametrize(
    ("fault", "lamps"),
    [
        ([], ["mil", "battery"]),  # the engine is not running
        (["unplug ABS"], ["mil", "battery", "abs"]),
        (["unplug TCM"], ["mil", "battery", "gearbox"]),
        (["unplug AIRBAG"], ["mil", "battery", "airbag"]),
        # without the engine module the gear is marked invalid: its lamp lights; the charge lamp is wired
        (["unplug ECM"], ["mil", "battery", "gearbox"]),
        (["unplug BCM"], ["security", "mil", "battery"]),
        (["unplug GATEWAY"], ["mil", "battery", "abs", "gearbox"]),
        (["pull F13"], []),  # no ignition at the cluster
        (["unplug CLUSTER"], []),
    ],
    ids=lambda value: " ".join(value) if value and " " in value[0] else None,
)
def test_telltales(fault: list[str], lamps: list[str], teaching: Bench) -> None:
    """What the cluster lights with the ignition on, five seconds after a fault."""
    teaching.do_all([*fault, "wait 5 s"])
    assert lamps == list(seat_of(teaching).lit)


def test_a_lamp_knows_why(teaching: Bench) -> None:
    """A lit telltale is explained down to the edit that lit it."""
    teaching.do_all(["unplug ABS", "wait 2 s"])
    assert ["unplug ABS.C1"] == why_telltale(teaching, "abs").to_edits().roots()
    lines = list(why_telltale(teaching, "abs").to_edits().lines())
    assert "telltale abs is lit" == lines[0]
    assert lines[1].startswith("  because CLUSTER does not receive ABS.wheels (at ")


def test_a_started_engine_puts_the_lamps_out(teaching: Bench) -> None:
    """With the engine running no telltale is lit."""
    teaching.do_all(["key crank", "wait 2 s"])
    assert ("running", ()) == (seat_of(teaching).engine, seat_of(teaching).lit)
