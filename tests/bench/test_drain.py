"""The battery over hours: sleep current, a module that never lets go, no crank, and why.

Hand arithmetic throughout: charge in Ah is current times hours; open-circuit voltage by charge is the
workshop table of a rested 12 V battery (common practice), 12.06 V at 25 % and 12.24 V at 50 %; that the
internal resistance goes with the inverse of the charge is this model's own choice.
"""

import math

import pytest

from sim import scenarios_folder
from sim.bench.battery import consumption_a
from sim.bench.bench import Bench
from sim.bench.explain import why_awake, why_battery
from sim.bench.live import Fidelity
from sim.instruments.meter import Measured
from sim.instruments.read import shown
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text, read_car
from tests.modules.test_states import CRANKED

MINIBUS = read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml")
# 60 Ah at 95 %; two modules of 0.3 A
KEYED = car_from_text(CRANKED.replace("main: {line:", "main: {network_management: {}, line:"))
FIDELITIES: tuple[Fidelity, ...] = ("frame", "stream")


def amps(bench: Bench) -> float:
    """By the meter, in series with the negative clamp, once all that can sleep does so again."""
    bench.do_all(["measure amps BAT.NEG", "wait 1 min", "measure amps BAT.NEG"])
    found = shown(bench)
    assert isinstance(found, Measured)
    assert found.value is not None
    return abs(found.value)


def test_a_minibus_left_alone_sleeps_and_takes_34_milliamperes() -> None:
    """38 modules of 0.6 mA, one of 3 mA and two of 4 mA: 33.8 mA; trade sources allow about 50 mA."""
    bench = Bench(MINIBUS)
    bench.do_all(["press start with brake", "wait 10 s", "press start", "wait 15 s"])
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}
    assert 0.0338 == pytest.approx(amps(bench), abs=0.0003)


def test_a_meter_that_goes_in_series_wakes_the_car() -> None:
    """The modules restart when the circuit is opened for it: first their awake current, then the rest.

    Common practice: leave the meter in and wait before a parasitic draw is read. Seven modules of 0.3 A to
    0.6 A; the minibus's 41 take more than the meter's own fuse carries.
    """
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "six-modules.yaml"))
    bench.do_all(["wait 1 min", "measure amps BAT.NEG"])
    first = shown(bench)
    assert isinstance(first, Measured)
    assert sum(one.run_a for one in bench.car.built.modules.values()) == pytest.approx(first.value, rel=0.02)
    assert any(note.startswith("Breaking the circuit reset these modules: ECM, TCM") for note in first.notes)
    assert 0.01 > amps(bench)
    assert () == shown(bench).notes
    minibus = Bench(MINIBUS)
    minibus.do_all(["wait 1 min", "measure amps BAT.NEG"])
    assert "OL" == shown(minibus).display


def test_a_clamp_meter_lets_the_car_sleep() -> None:
    """It opens nothing: 34 mA show as 20 to 50 mA, by its digit and its zero drift of 10 mA each."""
    bench = Bench(MINIBUS)
    bench.do_all(["wait 1 min"])
    events = len(bench.trace)
    shows = []
    for _ in range(20):
        bench.do("measure clamp amps BAT.NEG")
        found = shown(bench)
        assert isinstance(found, Measured)
        shows.append(round(abs(found.value or 0), 3))
    assert events == len(bench.trace)
    assert {0.02, 0.03, 0.04} >= set(shows)
    assert len(set(shows)) > 1


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_a_parked_minibus_lasts_for_months(fidelity: Fidelity) -> None:
    """Three days asleep: 72 h times 33.8 mA are 2.43 Ah of 95 Ah, 2.56 %. Nothing happens meanwhile."""
    bench = Bench(MINIBUS, fidelity=fidelity)
    bench.do("wait 1 min")
    charge, events = bench.live.battery.charge_pct, len(bench.trace)
    bench.do_all(["wait 24 h", "wait 24 h", "wait 24 h"])
    assert 2.56 == pytest.approx(charge - bench.live.battery.charge_pct, abs=0.02)
    assert events >= len(bench.trace) - 1  # at most the battery's fall below 90 %


@pytest.mark.parametrize("fidelity", FIDELITIES)
def test_one_module_keeps_its_bus_awake(fidelity: Fidelity) -> None:
    """All of the body line and nobody else; 0.6 A to 0.8 A each, as the file says, add up."""
    bench = Bench(MINIBUS, ["keep DOOR-LEFT awake"], fidelity=fidelity)
    bench.do("wait 1 min")
    awake = {name for name, module in bench.live.modules.items() if module.state == "running"}
    assert {name for name, module in bench.live.modules.items() if "body" in module.channels} == awake
    run_a = sum(MINIBUS.built.modules[name].run_a for name in awake)
    asleep_a = sum(spec.sleep_a for name, spec in MINIBUS.built.modules.items() if name not in awake)
    assert run_a + asleep_a == pytest.approx(amps(bench), rel=0.02)  # the meter's shunt takes a little
    before = bench.live.battery.charge_pct
    bench.do("wait 1 h")
    assert 100 * (run_a + asleep_a) / 95 == pytest.approx(before - bench.live.battery.charge_pct, rel=0.01)


def test_both_depths_have_the_same_charge() -> None:
    """After ten hours both fidelities show the same state of charge."""
    charges = []
    for fidelity in FIDELITIES:
        bench = Bench(KEYED, ["keep ECM awake"], fidelity=fidelity)
        bench.do("wait 10 h")
        charges.append(bench.live.battery.charge_pct)
    assert charges[0] == pytest.approx(charges[1], abs=1e-6)


def test_a_module_that_never_lets_go_empties_the_battery_in_the_computed_hours() -> None:
    """The starter needs 6.0 V. On its way, in mohm: clamps 0.2 each, cables of 50 mm2 0.52 and 0.17, studs
    0.1 each, solenoid 0.4, wires 0.345 each; together 2.4.

    12.04 V * 55 / (12 / charge + 2.4 + 55) = 6.0 V gives a charge of 22.6 %. From 95 % that is 43.4 Ah, and
    two modules of 0.3 A at 12.6 V take 0.587 A at the mean of 12.6 V and 12.04 V: 74 hours. The network sees
    the charge in steps of 1 %, one hour each.
    """
    way_ohm = 0.0002 * 2 + 0.00052 + 0.00017 + 0.0001 * 2 + 0.0004 + 0.000345 * 2
    needed_ohm = 12.04 * 0.055 / 6.0 - 0.055 - way_ohm
    no_crank_pct = 100 * 0.012 / needed_ohm
    assert 22.6 == pytest.approx(no_crank_pct, abs=0.3)
    hours = 60 * (95 - no_crank_pct) / 100 / (0.6 * (12.61 + 12.04) / 2 / 12.6)
    assert 74 == pytest.approx(hours, abs=0.5)
    assert "running" == state_of_engine(drained(hours - 2))
    too_late = drained(hours + 2)
    # what it gives at rest, by the table: 12.03 V at 20 %
    assert 12.03 == pytest.approx(too_late.live.reading.between("BAT+", "BAT-"), abs=0.04)
    assert "stopped" == state_of_engine(too_late)
    assert [] == [event for event in too_late.trace.events if event.kind == "engine"]


def drained(hours: float) -> Bench:
    bench = Bench(KEYED, ["keep ECM awake"], fidelity="stream")
    whole, rest = divmod(hours, 24)
    bench.do_all(["wait 24 h"] * int(whole))
    bench.do(f"wait {rest:.3f} h")
    return bench


def state_of_engine(bench: Bench) -> str:
    """After turning the key to crank."""
    bench.do_all(["key run", "wait 1 s", "key crank", "wait 1 s"])
    return str(bench.live.world.engine.value)


def test_without_the_fault_it_starts_after_the_same_time() -> None:
    """A healthy car still starts after three days."""
    bench = Bench(KEYED, fidelity="stream")
    bench.do_all(["wait 24 h", "wait 24 h", "wait 24 h", "key run", "wait 1 s", "key crank", "wait 1 s"])
    assert "running" == bench.live.world.engine.value


def test_the_minibus_does_not_start_after_a_night_awake() -> None:
    """Half full in the evening. 3.9 A at first, 3.8 A at the end; the starter turns down to 9.6 %, so
    38.4 Ah of the 95 Ah: 9.9 hours.
    """
    bench = Bench(MINIBUS, ["charge 50 %", "keep DOOR-LEFT awake"], fidelity="stream")
    bench.do("wait 1 min")
    first_a = bench.live.reading.current("BAT")
    assert 3.9 == pytest.approx(first_a, abs=0.05)
    hours = 95 * (50 - 9.6) / 100 / (first_a * (1 + 11.95 / 12.24) / 2)
    assert 9.9 == pytest.approx(hours, abs=0.1)
    bench.do(f"wait {hours + 0.5:.2f} h")
    bench.do_all(["press start with brake", "wait 5 s"])
    assert [] == [event.text for event in bench.trace.events if event.kind == "engine"]
    assert {"given: keep DOOR-LEFT awake", "given: charge 50 %"} == set(why_battery(bench).to_edits().roots())


def test_with_a_little_more_charge_it_starts() -> None:
    """A battery just above its limit starts the engine; in between it turns it, but the relay of the fuel
    pump does not pull in at 6.4 V.
    """
    bench = Bench(MINIBUS, ["charge 14 %", "keep DOOR-LEFT awake"], fidelity="stream")
    bench.do_all(["wait 1 min", "press start with brake", "wait 5 s"])
    assert "running" == bench.live.world.engine.value
    bench = Bench(MINIBUS, ["charge 11 %", "keep DOOR-LEFT awake"], fidelity="stream")
    bench.do_all(["wait 1 min", "press start with brake", "wait 1 s"])
    assert ("cranking", False) == (bench.live.world.engine.value, bench.live.engine.has_fuel())
    bench.do("wait 5 s")
    assert "stopped" == bench.live.world.engine.value


def test_why_the_bus_is_awake_and_the_battery_flat() -> None:
    """Both explanations name the module that stays awake and end at its fault."""
    bench = Bench(MINIBUS, ["keep DOOR-LEFT awake"], fidelity="stream")
    bench.do("wait 3 h")
    why = why_awake(bench, "body")
    assert "body is awake: 12 of 12 modules send on it" == why.text
    assert ["DOOR-LEFT stays awake: its network request is never released"] == [
        one.text for one in why.causes
    ]
    assert ["given: keep DOOR-LEFT awake"] == why.roots()
    assert "no module is awake on comfort" == why_awake(bench, "comfort").text
    flat = why_battery(bench)
    assert "the battery has 82 % of its charge; 12.0 Ah were drawn from it" == flat.text
    assert "DOOR-LEFT stays awake: its network request is never released" == flat.causes[0].text
    assert "BCM has drawn 2.4 Ah" in flat.roots()
    with pytest.raises(EditProblem, match="did you mean 'body'"):
        why_awake(bench, "bdy")


def test_a_switch_left_on_keeps_it_awake_as_well() -> None:
    """Not only software: the bridged door switch gives the door module a reason."""
    bench = Bench(MINIBUS, ["short door_switch.1 to door_switch.2"], fidelity="stream")
    bench.do("wait 2 min")
    assert ["DOOR-LEFT stays awake: input door is on"] == [
        one.text for one in why_awake(bench, "body").causes
    ]
    assert ["given: short door_switch.1 to door_switch.2 0.05 ohm"] == why_awake(bench, "body").roots()


def test_a_new_module_lets_the_car_sleep() -> None:
    """After the module that stays awake is replaced, all modules sleep."""
    bench = Bench(MINIBUS, ["keep DOOR-LEFT awake"], fidelity="stream")
    bench.do_all(["wait 2 min", "replace DOOR-LEFT", "wait 15 s"])
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}


def test_a_sleeping_module_with_that_fault_sleeps_on() -> None:
    """The fault shows once something has woken it."""
    bench = Bench(MINIBUS, fidelity="stream")
    bench.do_all(["wait 1 min", "keep DOOR-LEFT awake", "wait 1 min"])
    assert "asleep" == bench.live.modules["DOOR-LEFT"].state
    bench.do_all(["switch door_switch on", "wait 1 s", "switch door_switch off", "wait 2 min"])
    assert "running" == bench.live.modules["DOOR-LEFT"].state


def test_the_generator_gives_it_back() -> None:
    """While the engine runs the charge rises, and the current falls with the ampere-hours still missing.

    The ampere-hour law (from memory): the rest that is missing shrinks by 1/e in missing/current hours.
    """
    bench = Bench(KEYED, ["charge 50 %"], fidelity="stream")
    bench.do_all(["key run", "wait 1 s", "key crank", "wait 1 s"])
    assert "running" == bench.live.world.engine.value
    before, charging_a = bench.live.battery.charge_pct, -bench.live.reading.current("BAT")
    assert charging_a > 10
    bench.do("wait 6 min")
    gained_ah = (bench.live.battery.charge_pct - before) / 100 * 60
    missing_ah = 60 * (1 - before / 100)
    assert missing_ah * (1 - math.exp(-0.1 * charging_a / missing_ah)) == pytest.approx(gained_ah, rel=0.02)


def test_charging_sets_it_and_the_clamp_off_keeps_it() -> None:
    """Charging sets the charge, and without the clamp nothing takes it."""
    bench = Bench(KEYED, ["keep ECM awake"], fidelity="stream")
    bench.do("wait 20 h")
    assert bench.live.battery.charge_pct < 80
    bench.do_all(["charge 90 %", "disconnect battery", "wait 10 h"])
    assert 90 == pytest.approx(bench.live.battery.charge_pct, abs=0.01)


def test_an_empty_battery_stays_at_nothing() -> None:
    """The charge never falls below zero."""
    bench = Bench(KEYED, ["charge 3 %", "keep ECM awake"], fidelity="stream")
    bench.do("wait 24 h")
    assert (0.0, 0.0) == (bench.live.battery.charge_pct, bench.live.battery.shown_pct)


def test_what_is_taken_adds_up() -> None:
    """Modules, loads and coils together take what the battery gives, but for inputs and wires."""
    bench = Bench(MINIBUS, fidelity="stream")
    bench.do_all(["press start", "wait 10 s"])
    reading = bench.live.reading
    assert reading.current("BAT") == pytest.approx(sum(consumption_a(reading).values()), rel=0.02)


def test_a_drained_day_replays() -> None:
    """A restored bench has the same charge, and a rewound one the same trace."""
    bench = Bench(KEYED, ["keep ECM awake"], fidelity="stream")
    bench.do_all(["wait 4 h", "key run", "key crank", "wait 1 min"])
    again = Bench.restored(KEYED, bench.saved())
    assert bench.live.battery.charge_pct == pytest.approx(again.live.battery.charge_pct, abs=1e-6)
    twin = bench.rewind(4)
    assert list(bench.trace.lines()) == list(twin.trace.lines())
