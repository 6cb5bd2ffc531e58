"""The electric van: contactors and precharge, interlock, insulation, converter and charging cable."""

import math

import pytest

from sim.bench.bench import Bench
from sim.bench.snapshot import BenchSnapshot
from sim.catalogue import find_car, vehicle_text
from sim.instruments.seat import seat_of
from sim.vehicle.description_high_voltage import CONTACTORS
from sim.vehicle.edits import catalogue, further_faults, parse_edit
from sim.vehicle.high_voltage_parts import orange_connectors, orange_parts
from sim.vehicle.pilot import pilot_state
from sim.vehicle.problems import EditProblem, FileProblem
from sim.vehicle.reading import car_from_text

VAN = find_car("parcel-van")
SPEC = VAN.built.high_voltage
assert SPEC is not None
START = ("press start with brake", "wait 5 s")


def driven(*given: str, actions: tuple[str, ...] = START) -> Bench:
    """The van with edits, after these actions."""
    bench = Bench(VAN, given, fidelity="stream")
    bench.do_all(actions)
    return bench


def codes_of(bench: Bench) -> set[str]:
    """Numbers of all codes that a scan finds."""
    bench.do("scan")
    assert bench.last_report is not None
    return {code for one in bench.last_report.modules for code in (entry.code for entry in one.codes)}


def steps_of(bench: Bench) -> list[tuple[float, str]]:
    """The steps of the sequence with their times."""
    return [(event.time_s, event.value) for event in bench.trace if event.kind == "contactors"]


def test_the_contactors_close_in_their_order_once_the_bus_is_charged() -> None:
    """Precharge takes RC ln 20 to 95 % (textbook), counted from the contactor that pulls in last."""
    bench = driven()
    expected = ["checking", "joining", "precharging", "taking over", "closed"]
    assert expected == [step for _, step in steps_of(bench)]
    pulled = {
        event.subject: event.time_s for event in bench.trace if event.kind == "relay" and event.value == "on"
    }
    charged_s = next(time_s for time_s, step in steps_of(bench) if step == "taking over")
    time_constant_s = SPEC.precharge.ohm * SPEC.precharge.farad
    assert time_constant_s * math.log(20) == pytest.approx(charged_s - pulled["PRECHARGE"], rel=0.02)
    assert "ready" == seat_of(bench).engine
    assert set() == codes_of(bench)


def test_the_van_is_ready_only_with_its_positive_contactor_pulled_in() -> None:
    """Positive contactor, precharge one off, ready: in this order, as common practice has it."""
    bench = driven()
    times = {
        f"{event.subject} {event.value}": event.time_s
        for event in bench.trace
        if event.kind in ("relay", "engine")
    }
    order = ["MAIN+ on", "PRECHARGE off", "engine ready"]
    assert order == sorted(order, key=times.__getitem__)


@pytest.mark.parametrize("connector", orange_connectors(VAN))
def test_an_interlock_that_is_open_at_any_orange_connector_keeps_the_contactors_open(connector: str) -> None:
    """By the contact of the loop as by the connector itself: code, lamp, no precharge, one cause."""
    for fault in (f"open {connector}.2", f"unplug {connector}"):
        bench = driven(fault)
        assert ("not ready", True) == (seat_of(bench).engine, "high_voltage" in seat_of(bench).lit)
        assert "P0A0D-13" in codes_of(bench)
        assert ["failed"] == [step for _, step in steps_of(bench)]
        assert 0.0 == pytest.approx(bench.live.world.high_voltage.bus_v(bench.now_s))
        event = next(one for one in bench.trace if one.item == "P0A0D-13")
        assert [f"given: {fault}"] == [bench.trace[cause].text for cause in event.causes]


def test_the_loop_opens_while_the_car_is_ready() -> None:
    """Everything opens at once, and the bus is below 60 V (ISO 6469) before two minutes have passed."""
    bench = driven()
    bench.do("open X3.3")
    assert ("not ready", "failed") == (seat_of(bench).engine, steps_of(bench)[-1][1])
    bench.do("wait 2 min")
    assert bench.live.world.high_voltage.bus_v(bench.now_s) < 60
    assert set() == bench.live.pulled_in & set(CONTACTORS)


def test_a_loop_that_is_shorted_to_ground_has_another_code() -> None:
    """Nothing is left of the loop's voltage at its source."""
    assert {"P0A0C-11"} <= codes_of(driven("short SERVICE-PLUG.1 to BODY"))


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ("weld MAIN+", "P0AA1-73"),
        ("jam MAIN+", "P0AA2-72"),
        ("weld MAIN-", "P0AA4-73"),
        ("weld PRECHARGE", "P0AA1-73"),
        ("jam MAIN-", "P0C78-00"),
        ("jam PRECHARGE", "P0C78-00"),
        ("burn PRECHARGE-RESISTOR", "P0C78-00"),
        ("leak HV- 20000 ohm", "P0AA6-1A"),
    ],
)
def test_what_is_wrong_in_the_pack_sets_its_code_and_is_repaired_by_a_licensed_technician(
    fault: str, code: str
) -> None:
    """Numbers of SAE J2012; after `refer` and a new start the van is ready."""
    bench = driven(fault)
    assert ("not ready", True) == (seat_of(bench).engine, code in codes_of(bench))
    bench.do_all(["press start", f"refer {fault.split()[1]}", "wait 2 min", *START])
    assert "ready" == seat_of(bench).engine


@pytest.mark.parametrize(("rail", "ohm"), [("HV+", 150_000), ("HV-", 150_000), ("HV+", 60_000)])
def test_insulation_between_both_limits_warns_and_drives_on(rail: str, ohm: int) -> None:
    """100 to 500 ohm per volt of 355 V are 35.5 to 177.5 kohm (UN ECE R100): lamp and code, but ready."""
    bench = driven(f"leak {rail} {ohm} ohm")
    assert ("ready", True) == (seat_of(bench).engine, "insulation" in seat_of(bench).lit)
    assert {"P0AA6-84"} == codes_of(bench)


def test_the_converter_feeds_the_12_volt_side_and_the_pack_pays_for_it() -> None:
    """Energy balance: what the pack loses in an hour is what came out at 12 V, over the efficiency."""
    bench = driven()
    bus, reading = bench.live.world.high_voltage, bench.live.reading
    before_pct, given_w = bus.charge_pct(bench.now_s), 0.0
    for _ in range(60):
        reading = bench.live.reading
        given_w += reading.current("CONVERTER") * reading.between("CONVERTER.1", "CONVERTER.2") / 60
        bench.do("wait 1 min")
    lost_kwh = (before_pct - bus.charge_pct(bench.now_s)) / 100 * SPEC.capacity_kwh
    assert given_w / 1000 / 0.92 == pytest.approx(lost_kwh, rel=0.02)
    assert 13.5 <= reading.between("BAT+", "BAT-") <= 14.7  # common practice


UNCHARGED = {"P0562-00", "P0A94-00"}


@pytest.mark.parametrize(
    ("fault", "codes"), [("pull F14", {"P0562-00"}), ("blow FL1", UNCHARGED), ("open CONVERTER", UNCHARGED)]
)
def test_a_converter_without_enable_cable_or_life_leaves_the_battery_alone(
    fault: str, codes: set[str]
) -> None:
    """The lamp, and a low system voltage; the converter's own code only where it was told to work."""
    bench = driven(fault, actions=("press start with brake", "wait 30 s"))
    assert ("ready", True) == (seat_of(bench).engine, "battery" in seat_of(bench).lit)
    assert codes == codes_of(bench)


def test_a_charging_cable_wakes_the_van_charges_it_and_lets_it_sleep_again() -> None:
    """The pilot's states of IEC 61851-1: B with a car there, C while it charges, B when it is full."""
    bench = driven(actions=("wait 60 s",))
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}
    bench.do("cable in")
    assert "B" == pilot_state(bench.live.reading.pin_v("CHARGER", "pilot"))
    bench.do("wait 10 s")
    assert ("C", "not ready") == (
        pilot_state(bench.live.reading.pin_v("CHARGER", "pilot")),
        seat_of(bench).engine,
    )
    told = bench.do("read CHARGER").told
    assert told is not None
    assert "control pilot state C, rating of the cable 32 A" in told.words
    before_pct = bench.live.world.high_voltage.charge_pct(bench.now_s)
    bench.do("wait 1 h")
    gained_pct = bench.live.world.high_voltage.charge_pct(bench.now_s) - before_pct
    assert 100 * SPEC.inlet.power_kw / SPEC.capacity_kwh == pytest.approx(gained_pct, rel=0.05)
    bench.do("wait 3 h")
    assert "B" == pilot_state(bench.live.reading.pin_v("CHARGER", "pilot"))
    bench.do_all(["cable out", "wait 60 s"])
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}
    assert frozenset() == bench.live.world.high_voltage.feed.closed


@pytest.mark.parametrize(("ready_h", "state"), [(1, "B"), (14, "C")])
def test_a_full_pack_is_charged_again_below_95_percent(ready_h: int, state: str) -> None:
    """What the van uses in an hour is not charged again, what it uses in fourteen is (common practice)."""
    bench = driven(actions=("cable in", "wait 4 h", "cable out", "press start with brake"))
    bench.do_all([f"wait {ready_h} h", "press start", "cable in", "wait 30 s"])
    left_pct = bench.live.world.high_voltage.charge_pct(bench.now_s)
    assert (state == "B") == (95.0 < left_pct < 99.8)
    assert state == pilot_state(bench.live.reading.pin_v("CHARGER", "pilot"))


def test_everything_orange_refuses_all_work_but_an_inspection() -> None:
    """The refusal names the standard, licensed practice and local law, and what can be done instead."""
    bench = driven()
    connectors = list(orange_connectors(VAN))
    tried = [f"unplug {name}" for name in connectors] + [
        f"measure volts {name}.1 to BODY" for name in connectors
    ]
    tried += [f"repair {name}.1" for name in connectors] + [f"scope {connectors[0]}.1 to BODY for 2 ms"]
    for action in tried:
        with pytest.raises(EditProblem, match=r"licensed technician.*ISO 6469.*local law.*refer"):
            bench.do(action)
    for name in connectors:
        bench.do(f"look {name}")
    with pytest.raises(EditProblem, match="nothing is wrong with"):
        bench.do(f"refer {connectors[0]}")


def test_every_fault_of_the_pack_can_be_listed_and_taken_back() -> None:
    """Each has the sentence that undoes it, and a car without high voltage has none of them."""
    faults = further_faults(VAN, ["high voltage"])
    assert {"MAIN+", "MAIN-", "PRECHARGE", "PRECHARGE-RESISTOR", "HV+", "HV-"} == {
        one.split()[1] for one in faults
    }
    assert orange_parts(VAN) >= {one.split()[1] for one in faults}
    for text in faults:
        edit = parse_edit(text, VAN)
        assert VAN.harness == parse_edit(edit.undo, VAN).apply(edit.apply(VAN)).harness
    small = find_car("teaching-car")
    assert () == further_faults(small, ["high voltage"])
    with pytest.raises(EditProblem, match="no high-voltage system"):
        parse_edit("weld MAIN+", small)
    assert f"unplug {SPEC.service_disconnect}" in catalogue(VAN)


DAYS = (
    ((), ("press start with brake", "wait 5 s", "cable in", "wait 20 s", "press start", "wait 5 s", "scan")),
    (
        ("weld MAIN+",),
        ("cable in", "wait 5 s", "cable out", "wait 9 s", "press start with brake", "wait 9 s", "scan"),
    ),
    (("leak HV- 60000 ohm", "unplug BCM.C1"), ("press start with brake", "cable in", "wait 15 s", "scan")),
    (
        ("open X3.4",),
        ("press start with brake", "wait 9 s", "repair X3.4", "press start", "wait 9 s", "scan"),
    ),
    (("charge 10 %",), ("press start with brake", "wait 15 s", "open CONVERTER", "wait 30 s", "scan")),
)


@pytest.mark.parametrize(("given", "actions"), DAYS)
def test_both_fidelities_agree_on_the_van(given: tuple[str, ...], actions: tuple[str, ...]) -> None:
    """Codes, lamps, states, contactors and the voltage of the bus are the same frame by frame."""
    found = []
    for fidelity in ("frame", "stream"):
        bench = Bench(VAN, given, fidelity="frame" if fidelity == "frame" else "stream")
        bench.do_all(actions)
        bus = bench.live.world.high_voltage
        states = {name: module.state for name, module in bench.live.modules.items()}
        volt = round(bus.bus_v(bench.now_s) / 10)  # a message that is late by milliseconds moves it by a volt
        found.append(
            (codes_of(bench), seat_of(bench).lit, seat_of(bench).engine, states, bus.feed.closed, volt)
        )
    assert found[0] == found[1]


def test_a_clone_in_the_middle_of_precharge_goes_on_like_its_original() -> None:
    """The bus, its timers and the sequence are copied, and not shared."""
    bench = driven(actions=("press start", "press start", "brake on", "wait 200 ms"))
    clone = BenchSnapshot(bench).clone()
    assert 0 < bench.live.world.high_voltage.bus_v(bench.now_s) < 350
    for one in (clone, bench):
        one.do("wait 5 s")
    assert list(bench.trace.lines()) == list(clone.trace.lines())
    assert "ready" == seat_of(clone).engine
    clone.do("open X3.3")
    assert "ready" == seat_of(bench).engine


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("  controller: BATTERY", "  controller: PACK", "no module 'PACK'"),
        ("  drive: DRIVE", "  drive: DRIV", "did you mean 'DRIVE'"),
        ("service_disconnect: SERVICE-PLUG", "service_disconnect: PLUG", "no orange connector 'PLUG'"),
        ("    part: INLET", "    part: INLETS", "did you mean 'INLET'"),
        ("    module: CHARGER", "    module: CHARGR", "did you mean 'CHARGER'"),
        ("  interlock: {return_via: X3}", "  interlock: {return_via: X9}", "no in-line connector 'X9'"),
        ("hv_state: {fact: high_voltage}", "hv_state: {fact: high_volts}", "high_voltage"),
    ],
)
def test_a_wrong_name_in_the_section_is_one_clear_error(old: str, new: str, what: str) -> None:
    """Each names the line, what is wrong, and the nearest right name."""
    text = vehicle_text("parcel-van")
    assert old in text
    with pytest.raises(FileProblem, match=rf"line \d+.*{what}"):
        car_from_text(text.replace(old, new, 1))
