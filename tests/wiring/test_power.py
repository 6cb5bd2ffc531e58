"""Supplies of a car: who has voltage, how it sags, what fuses carry, and the same answers from ngspice."""

import math
import random
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.catalogue import vehicle_text
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all, catalogue, parse_edit
from sim.vehicle.elements import GeneratorOutput, Source
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState, is_closed, ohm_of
from sim.wiring.errors import CircuitError
from sim.wiring.linear import MOST_FACTORS, factors_kept
from sim.wiring.wiring import Reading, Wiring

SIX_MODULES = """
car: Six-module example
buses: {main: {line: [DLC, ECM terminated, TCM, ABS, BCM, CLUSTER, AIRBAG terminated]}}
fuses:
  F1: {rating_a: 10, feeds: [ECM, TCM]}
  F2: {rating_a: 10, feeds: [ABS, AIRBAG]}
  F3: {rating_a: 10, feeds: [BCM, CLUSTER, DLC]}
modules:
  ECM: {hears: [TCM, ABS, BCM]}
  TCM: {hears: [ECM, ABS]}
  ABS: {hears: [ECM]}
  BCM: {hears: [ECM, CLUSTER, AIRBAG]}
  CLUSTER: {hears: [ECM, ABS, AIRBAG, BCM]}
  AIRBAG: {hears: [ABS]}
"""

# A starter of 0.06 ohm, two supplies, a relay, a switch, a lamp: the parts that the six modules do not have.
STARTING = """
car: Starting example
battery: {internal_ohm: 0.011, charge_pct: 100}
buses: {main: {line: [ECM terminated, BCM terminated]}}
grounds: {G1: {}, G2: {}}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: [BCM, brake_switch]}
  F3: {rating_a: 10, feeds: BCM.B+2}
  F4: {rating_a: 15, feeds: lamp}
relays: {K1: {coil: ECM.start, feeds: starter, ground: G2}}
switches: {brake_switch: {operated_by: brake, to: BCM.brake}}
loads:
  starter: {kind: starter, ohm: 0.06, to: G1}
  lamp: {kind: lamp, ohm: 2.887, to: G2}
modules:
  ECM: {ground: G1, outputs: {start: {when: {all: []}}}}
  BCM: {ground: [G1, G2], inputs: {brake: {}}}
engine: {controller: ECM, starter: starter, coils: [lamp], injectors: [lamp]}
"""

ALL_ON = SwitchState(
    running=frozenset({"ECM", "TCM", "ABS", "BCM", "CLUSTER", "AIRBAG", "TESTER"}),
    driven=frozenset({("ECM", "start")}),
    operated=frozenset({"brake"}),
    pulled_in=frozenset({"K1"}),
)
RUNNING = SwitchState(running=frozenset({"ECM", "TCM", "ABS", "BCM", "CLUSTER", "AIRBAG"}))


def six(*edits: str) -> Car:
    return apply_all(car_from_text(SIX_MODULES, "six.yaml"), edits)


def starting(*edits: str) -> Car:
    return apply_all(car_from_text(STARTING, "starting.yaml"), edits)


def reading(car: Car, state: SwitchState = RUNNING) -> Reading:
    return Wiring(car).solve(state)


def nodes_in(car: Car) -> list[str]:
    return list(dict.fromkeys(node for part in car.all_elements.values() for node in (part.a, part.b)))


def test_every_module_of_a_whole_car_has_nearly_battery_voltage() -> None:
    """Every module of a healthy car has nearly the battery's voltage."""
    found = reading(six())
    # 95 % charged: 12.61 V open circuit, from the table of rested voltages (common practice)
    for module in sorted(RUNNING.running):
        assert 12.4 < found.supply_v(module) < 12.61


def test_a_module_draws_its_stated_current_at_the_stated_voltage() -> None:
    """A module draws its stated current at 12.6 V, and in proportion at another voltage."""
    found = reading(six("charge 100 %"))
    supply_v = found.supply_v("ABS")
    assert 0.3 * supply_v / 12.6 == pytest.approx(found.current("ABS:B+.draw"))


def test_sleep_current_flows_where_a_module_does_not_run() -> None:
    """A sleeping car draws the sum of its modules' sleep currents."""
    # a car asleep draws less than 50 mA (common practice)
    asleep_a = reading(six(), SwitchState()).current("BAT")
    assert 6 * 0.0006 == pytest.approx(asleep_a, rel=0.02)
    assert asleep_a < 0.05


def test_fuses_together_carry_what_the_battery_gives() -> None:
    """The currents of all fuses add up to the battery's."""
    found = reading(six())
    assert found.current("BAT") == pytest.approx(sum(found.fuse_currents().values()))
    assert ["F1", "F2", "F3"] == list(found.fuse_currents())


@pytest.mark.parametrize(
    ("edit", "dead"),
    [
        ("pull F2", {"ABS", "AIRBAG"}),
        ("blow F1", {"ECM", "TCM"}),
        ("unplug ABS", {"ABS"}),
        ("open ABS.B+", {"ABS"}),
        ("open ABS.GND", {"ABS"}),
        ("open G1", RUNNING.running),
        ("unplug BAT.NEG", RUNNING.running),
        ("unplug BAT.POS", RUNNING.running),
        ("open BAT.POS--BAR", RUNNING.running),
    ],
)
def test_an_open_takes_the_supply_of_what_is_after_it(edit: str, dead: frozenset[str]) -> None:
    """An open takes the supply of exactly the modules downstream of it."""
    found = reading(six(edit))
    assert set(dead) == {module for module in RUNNING.running if found.supply_v(module) < 6}


def test_a_module_without_ground_floats_up_to_its_supply() -> None:
    """The ground terminal of a module without ground is at the supply's voltage."""
    found = reading(six("open ABS.GND"))
    ground_v = found.voltage("ABS:0")
    assert ground_v is not None
    assert ground_v > 12
    assert found.supply_v("ABS") < 0.1


def test_two_supplies_and_two_grounds() -> None:
    """One of two grounds is enough; of two supplies the lower one counts."""
    one_ground = reading(starting("open BCM.GND"))
    assert one_ground.supply_v("BCM") > 12
    no_ground = reading(starting("open BCM.GND", "open BCM.GND2"))
    assert no_ground.supply_v("BCM") < 0.1
    # one of two supplies gone: the lowest counts, and it is gone
    assert 0 == pytest.approx(reading(starting("pull F3")).supply_v("BCM"), abs=0.01)


def test_a_pin_is_read_against_the_modules_own_ground() -> None:
    """A module reads an input against its own ground, with the offset of a bad ground joint."""
    car = starting("corrode BCM.GND 5 ohm", "open BCM.GND2")
    pressed = reading(car, SwitchState(running=frozenset({"BCM"}), operated=frozenset({"brake"})))
    ground_v = pressed.voltage("BCM:0")
    pin_v = pressed.voltage("BCM:brake")
    assert ground_v is not None
    assert pin_v is not None
    assert ground_v > 0.5
    assert pin_v - ground_v == pytest.approx(pressed.pin_v("BCM", "brake"))
    assert 0 == pytest.approx(reading(car, SwitchState()).pin_v("BCM", "brake"), abs=0.01)


def test_a_relay_pulls_in_at_one_voltage_and_drops_out_at_a_lower_one() -> None:
    """A coil voltage between the two thresholds holds a relay but does not pull it in."""
    driven = SwitchState(running=RUNNING.running, driven=frozenset({("ECM", "start")}))
    held = SwitchState(running=RUNNING.running, driven=driven.driven, pulled_in=frozenset({"K1"}))
    whole = Wiring(starting())
    assert frozenset() == whole.solve(RUNNING).relays_wanted()
    assert {"K1"} == whole.solve(driven).relays_wanted()
    # 100 ohm in an 85 ohm coil's wire leave 5.8 V: under pull-in (6.9 V), over drop-out (1.2 V)
    weak = Wiring(starting("corrode ECM.start 100 ohm"))
    assert frozenset() == weak.solve(driven).relays_wanted()
    assert {"K1"} == weak.solve(held).relays_wanted()
    assert frozenset() == Wiring(starting("pull K1")).solve(held).relays_wanted()


def test_cranking_sags_the_battery() -> None:
    """Cranking takes the battery's voltage down by its internal resistance times the current."""
    # Cranking voltage 9.5..10.5 V on a healthy car and 150..185 A for four cylinders (common practice).
    found = reading(starting(), ALL_ON)
    post_v = found.between("BAT+", "BAT-")
    assert post_v is not None
    assert 9.5 < post_v < 11
    assert 150 < found.current("starter") < 185
    assert found.supply_v("ECM") < 11
    assert post_v == pytest.approx(12.65 - 0.011 * found.current("BAT"))


def test_a_discharged_battery_turns_the_starter_weakly() -> None:
    """The lower the charge, the lower the starter's voltage."""
    volts = []
    for charge in (100, 50, 25, 5):
        found = reading(starting(f"charge {charge} %"), ALL_ON)
        volts.append(found.between("starter.1", "starter.2") or 0.0)
    assert sorted(volts, reverse=True) == volts
    assert volts[-1] < 6 < volts[0]


def test_the_generator_keeps_the_car_alive_with_the_battery_off() -> None:
    """Battery clamps off, engine running: modules live on the generator; with it on, the battery charges."""
    charging = SwitchState(running=RUNNING.running, generator=True)
    found = reading(starting("unplug BAT.NEG", "unplug BAT.POS"), charging)
    assert 13.8 < found.supply_v("ECM") < 14.2
    assert found.voltage("BODY") is None
    assert reading(starting(), charging).current("BAT") < 0


def test_a_joint_that_passes_a_continuity_check_dims_a_lamp() -> None:
    """Half an ohm in a lamp's ground drops nearly 2 V, as by hand."""
    # 55 W lamp of 2.887 ohm with 0.5 ohm in a joint at 12.6 V: 3.721 A, 10.740 V (computed by hand).
    found = reading(starting("corrode lamp.2--G2 0.5 ohm"))
    lamp_v = found.between("lamp.1", "lamp.2")
    source_v = found.between("F4.1", "G2")
    assert lamp_v is not None
    assert source_v is not None
    wire_ohm = sum(ohm_of(starting().elements[id], starting()) for id in ("F4", "F4.2--lamp.1", "lamp.2--G2"))
    assert source_v * 2.887 / (2.887 + 0.5 + wire_ohm) == pytest.approx(lamp_v)
    assert 1.8 < (found.between("lamp.2", "G2") or 0) < 1.95


def test_a_short_after_a_fuse_takes_many_times_its_rating() -> None:
    """A short to ground after a fuse takes more than six times its rating."""
    assert reading(six("short ABS.B+ to BODY")).fuse_currents()["F2"] > 6 * 10


def test_a_stronger_fuse_drops_less() -> None:
    """A fuse drops its current times the cold resistance of the rating that is fitted."""
    # cold resistance of blade fuses: 7.7 mohm at 10 A, 2.0 mohm at 30 A (makers' data, from memory)
    for edit, ohm in ((), 0.0077), (("fit F2 30 A",), 0.0020):
        found = reading(six(*edit))
        assert ohm * found.current("F2") == pytest.approx(found.between("F2.1", "F2.2"))


def test_a_tester_draws_from_the_connector_only_while_it_is_connected() -> None:
    """Current flows in pin 16 only with a tester connected, which needs that pin."""
    without = reading(six())
    assert 0 == without.current("DLC.16")
    connected = SwitchState(running=RUNNING.running | {"TESTER"})
    assert 0.2 == pytest.approx(reading(six(), connected).current("DLC.16"), rel=0.02)
    assert 0 == reading(six("open DLC.16"), connected).supply_v("TESTER")


def test_unknown_names_end_in_one_sentence() -> None:
    """A misspelled name gets an error with the nearest known one."""
    found = reading(six())
    for ask, sentence in (
        (lambda: found.supply_v("EMC"), "did you mean 'ECM'"),
        (lambda: found.voltage("ECM.C1.33"), "did you mean"),
        (lambda: found.while_dominant("ECM.mian"), "did you mean 'ECM.main'"),
        (lambda: found.why_unsupplied("EMC"), "did you mean 'ECM'"),
        (lambda: found.why_unheard("ECM.mian", "TCM.main"), "did you mean 'ECM.main'"),
    ):
        with pytest.raises(CircuitError, match=sentence):
            ask()


# -- the same car in another circuit simulator ----------------------------------------------------------


def netlist(car: Car, state: SwitchState, nodes: list[str]) -> str:
    """The car as ngspice reads it: sources with a resistance in series, opens as 1 Tohm."""
    number = {"BAT-": 0}
    lines = ["* a car"]
    for k, element in enumerate(car.all_elements.values()):
        a, b = (number.setdefault(node, len(number)) for node in (element.a, element.b))
        closed = is_closed(element, car, state)
        if isinstance(element, Source):
            # a full battery of 60 Ah gives through 11 mohm, and takes 0.3 A at 14.4 V
            short_v = f"(12.65-v({a},{b}))"
            given = f"({short_v} > 0 ? {short_v}/0.011 : {short_v}/{(14.4 - 12.65) / 0.3})"
            lines.append(f"B{k} {b} {a} I={given}" if closed else f"R{k} {a} {b} 1e12")
        elif isinstance(element, GeneratorOutput):
            # 14.2 V in series with 2 mohm, up to 120 A, and no current in
            lines.append(
                f"B{k} {b} {a} I=max(0,min(120,(14.2-v({a},{b}))/0.002))" if closed else f"R{k} {a} {b} 1e12"
            )
        else:
            draw_a = getattr(element, "run_a", None)
            if draw_a and element.module not in state.running:  # type: ignore[attr-defined]
                draw_a = element.sleep_a  # type: ignore[attr-defined]
            ohm = 12.6 / draw_a if draw_a else ohm_of(element, car)
            lines.append(f"R{k} {a} {b} {ohm if closed else 1e12:.12g}")
    for k, one in enumerate(car.transceivers.values()):
        awake = one.module in state.running
        for leg, node in (("h", one.h), ("l", one.l)):
            lines.append(f"Vb{leg}{k} b{leg}{k} {number[one.gnd]} {2.5 if awake else 0}")
            lines.append(f"Rb{leg}{k} b{leg}{k} {number[node]} {30e3 if awake else 1e6}")
    # 1 Tohm to ground keeps floating nodes solvable there
    lines += [f"Rg{k} {k} 0 1e12" for k in number.values() if k]
    prints = " ".join(f"v({number[node]})" for node in nodes)
    return "\n".join([*lines, ".control", "set numdgt=12", "op", f"print {prints}", ".endc", ".end", ""])


@pytest.mark.parametrize(
    "edit",
    ["", "corrode BCM.GND 5 ohm", "unplug BAT.NEG", "open G1", "short ECM.main.H to BAR", "pull F4"],
)
def test_voltages_of_a_whole_car_agree_with_ngspice(ngspice: str, tmp_path: Path, edit: str) -> None:
    """Every terminal of a cranking car has the voltage that ngspice finds."""
    car = starting(*([edit] if edit else []))
    state = replace(ALL_ON, generator=True)
    found = reading(car, state)
    anchored = [node for node in nodes_in(car) if node != "BAT-" and found.voltage(node) is not None]
    file = tmp_path / "car.cir"
    file.write_text(netlist(car, state, anchored))
    run = subprocess.run([ngspice, "-b", str(file)], capture_output=True, text=True, check=False, timeout=60)
    answers = [float(line.split("=")[1]) for line in run.stdout.splitlines() if line.startswith("v(")]
    assert len(anchored) == len(answers)
    for node, volt in zip(anchored, answers, strict=True):
        assert volt == pytest.approx(found.voltage(node), abs=1e-4), node


# -- anything may be done to a car -----------------------------------------------------------------------

LINES = ["ABS.main.H", "ABS.main.L", "TCM.main.H"]
SHORTABLE = [*LINES, "BODY", "BAR", "ECM.B+", "AIRBAG:0", "F2.2", "BAT-", "DLC.16"]
FAULTS = st.one_of(
    st.sampled_from(catalogue(car_from_text(SIX_MODULES, "six.yaml"))),
    st.builds(
        "corrode {} {} ohm".format,
        st.sampled_from(["ABS.GND", "ECM.main.H", "AIRBAG.main.L", "BAT.NEG", "G1", "TCM.B+"]),
        st.sampled_from(["1e-9", "0.5", "60", "150", "1e6", "9e8"]),
    ),
    st.builds(
        "short {} to {} {} ohm".format,
        st.sampled_from(SHORTABLE),
        st.sampled_from(SHORTABLE),
        st.sampled_from(["1e-9", "0.05", "80", "1e5"]),
    ),
    st.sampled_from(["charge 0 %", "charge 40 %", "fit F1 3 A", "blow F2", "theory main runs through ABS"]),
)


def edited(edits: list[str]) -> Car:
    """The six-module car with as many of the edits as can be done one after another."""
    return with_all_possible(six(), edits)


def with_all_possible(car: Car, edits: list[str]) -> Car:
    """A car with as many of the edits as can be done one after another."""
    for text in edits:
        try:
            car = parse_edit(text, car).apply(car)
        except EditProblem:
            continue
    return car


@pytest.mark.parametrize("seed", range(4))
def test_the_circuit_of_an_edited_car_is_the_one_that_is_built_for_it_alone(seed: int) -> None:
    """Up to four edits of the catalogue, changed in the circuit as built, give every volt to the last bit."""
    rng = random.Random(seed)
    teaching = car_from_text(vehicle_text("teaching-car"))
    listed = catalogue(teaching)
    for _ in range(12):
        car = with_all_possible(teaching, rng.sample(listed, rng.randint(1, 4)))
        alone = replace(car, before_edits=None)
        state = SwitchState(frozenset(rng.sample(sorted(car.built.modules), 4)), generator=rng.random() < 0.5)
        one, other = reading(car, state), reading(alone, state)
        nodes = sorted(nodes_in(car))
        assert [other.voltage(node) for node in nodes] == [one.voltage(node) for node in nodes]
        assert other.currents(list(car.all_elements)) == one.currents(list(car.all_elements))


def test_cars_edited_side_by_side_share_no_switch() -> None:
    """What an edit opens in one car's circuit stays closed in that of the next and of the car as built."""
    teaching = car_from_text(vehicle_text("teaching-car"))
    cars = [apply_all(teaching, [edit]) for edit in ("pull F1", "pull F3", "charge 50 %")] + [teaching]
    wirings = [Wiring(car) for car in cars]
    states = [wiring.solve(RUNNING) for wiring in wirings]
    dead = [{name for name in ("ECM", "ABS") if one.supply_v(name) < 1} for one in states]
    assert [{"ECM"}, {"ABS"}, set(), set()] == dead
    assert states[2].supply_v("ECM") < states[3].supply_v("ECM") - 0.1


@settings(max_examples=60)
@given(
    edits=st.lists(FAULTS, max_size=6),
    running=st.frozensets(st.sampled_from(sorted(ALL_ON.running))),
    powered=st.frozensets(st.sampled_from([*sorted(f"{m}.main" for m in RUNNING.running), "TESTER"])),
)
def test_whatever_is_edited_every_answer_is_a_number(
    edits: list[str], running: frozenset[str], powered: frozenset[str]
) -> None:
    """Any edits leave finite voltages, currents and margins, and links among powered channels only."""
    car = edited(edits)
    found = reading(car, SwitchState(running=running))
    numbers = [found.supply_v(module) for module in sorted(ALL_ON.running)]
    numbers += [abs(found.current(id)) for id in car.all_elements]
    numbers += [volt for node in nodes_in(car) if (volt := found.voltage(node)) is not None]
    connectivity = found.connectivity(powered)
    numbers += connectivity.margins_v.values()
    assert all(math.isfinite(number) for number in numbers)
    assert all(one in powered for link in connectivity.links for one in link)
    names = [name for members, listeners, *_ in connectivity.segments for name in (*members, *listeners)]
    assert len(set(names)) <= len(powered)
    found.why_unsupplied("ABS")
    found.why_unheard("ABS.main", "AIRBAG.main")
    found.why_dead("TCM:B+")


def test_a_network_asked_again_and_again_answers_to_the_last_bit_as_before() -> None:
    """Ports by a kept factorization are those by one of their own; more networks than are kept, too."""
    wiring = Wiring(car_from_text(SIX_MODULES))
    states = [SwitchState(running=frozenset(names)) for names in ("", ["ECM"], ["TCM"], ["ECM", "TCM"])]
    readings = [wiring.solve(state) for state in states]
    readings += [one.without(fuse) for fuse in ("F1", "F2", "F3") for one in readings]
    pairs = [(("ECM:B+", "BAT-"),), (("F1.2", "BODY"), ("F2.2", "BAT-"))]
    alone = [one.ports(pair).impedance_ohm.tolist() for pair in pairs for one in readings]
    with factors_kept():
        kept = [one.ports(pair).impedance_ohm.tolist() for pair in pairs for one in readings]
    assert MOST_FACTORS < len(readings)
    assert alone == kept
