"""Faults of connectors, grounds and terminators: what they do, and that they can be taken back."""

import pytest

from sim import scenarios_folder
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all, parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Reading, Wiring

TEACHING = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")


def edited(*edits: str) -> Car:
    return apply_all(TEACHING, edits)


def awake(car: Car) -> Reading:
    return Wiring(car).solve(SwitchState(running=frozenset(car.built.modules)))


def heard(car: Car) -> list[tuple[str, ...]]:
    return [
        members for members, *_ in awake(car).connectivity(frozenset(car.transceivers) - {"TESTER"}).segments
    ]


@pytest.mark.parametrize(
    "fault",
    [
        "swap ECM.C1.4 with ECM.C1.5",
        "loosen X1",
        "offset G2 1.5 V",
        "terminate DLC.6 to DLC.14 120 ohm",
        "open GATEWAY:diag.terminator",
        "open R1",
    ],
)
def test_each_fault_can_be_taken_back(fault: str) -> None:
    """The undo of each fault is a repair, and the car after it is the car before."""
    edit = parse_edit(fault, TEACHING)
    assert (fault, "fault") == (edit.text, edit.kind)
    broken = edit.apply(TEACHING)
    assert broken.harness != TEACHING.harness
    assert edit.undo is not None
    repair = parse_edit(edit.undo, broken)
    assert "repair" == repair.kind
    assert TEACHING.harness == repair.apply(broken).harness
    assert TEACHING.all_elements == repair.apply(broken).all_elements


def test_a_swapped_pair_silences_the_bus_it_spoils() -> None:
    """A module with swapped wires shares no segment with its bus."""
    whole, swapped = heard(TEACHING), heard(edited("swap TCM.powertrain.H with TCM.powertrain.L"))
    powertrain = ("ABS.powertrain", "ECM.powertrain", "GATEWAY.powertrain", "TCM.powertrain")
    assert powertrain in whole
    assert not any("TCM.powertrain" in members for members in swapped)


def test_swapped_wires_sit_in_each_others_cavities() -> None:
    """A probe at the cavity of CAN low finds the wire of CAN high."""
    # the probe at the cavity of CAN low finds the wire of CAN high
    high, low = (TEACHING.pin_of("TCM", f"powertrain.{leg}") for leg in "HL")
    assert high is not None
    assert low is not None
    reading = awake(edited(f"swap {high.id} with {low.id}")).while_dominant("ECM.powertrain")
    whole = awake(TEACHING).while_dominant("ECM.powertrain")
    assert whole.between(high.id, "BODY") == pytest.approx(reading.between(low.id, "BODY"), abs=0.05)
    assert whole.between(low.id, "BODY") == pytest.approx(reading.between(high.id, "BODY"), abs=0.05)


def test_supply_and_ground_swapped_turn_the_polarity() -> None:
    """The module sees a negative supply, and the swapped connector is named as the reason."""
    car = edited("swap TCM.B+ with TCM.GND")
    assert awake(car).supply_v("TCM") < -6
    culprits = awake(car).why_unsupplied("TCM")
    assert {("swapped", "TCM.C1")} == {(one.what, one.owner) for one in culprits}


def test_a_half_seated_connector_loses_some_pins_and_always_the_same() -> None:
    """Some pins do not meet, the same ones in every run, and no other part is open."""
    car = edited("loosen X1")
    loose = car.harness.loosened["X1"]
    assert loose == edited("loosen X1").harness.loosened["X1"]
    assert 0 < len(loose) < len(car.connectors["X1"].pins)
    open_now = {element.id for element in car.all_elements.values() if not car.is_whole(element)}
    assert set(loose) == open_now


def test_a_half_seated_connector_is_named_as_the_reason() -> None:
    """A module without supply is explained by the connector that is half seated."""
    car = edited("loosen DOOR-LEFT")
    lost = [one.what for name in ("DOOR-LEFT",) for one in awake(car).why_unsupplied(name)]
    assert lost == [] or set(lost) == {"half seated"}
    assert {"half seated"} == {one.what for one in awake(edited("loosen BAT.NEG")).why_unsupplied("ECM")}


@pytest.mark.parametrize("volt", [1.0, 3.0, -2.0])
def test_an_offset_lifts_everything_on_the_ground(volt: float) -> None:
    """A ground point at a voltage lifts the modules on it by the same."""
    reading = awake(edited(f"offset G4 {volt:g} V"))
    assert volt == pytest.approx(reading.between("G4", "BODY"), abs=0.05)
    assert volt == pytest.approx(reading.between("AIRBAG:0", "BODY"), abs=0.1)


def test_a_large_offset_leaves_the_common_mode_window_and_is_named() -> None:
    """5.5 V of ground shift take a module off its bus, and the ground is named."""
    car = edited("offset G4 5.5 V")
    assert not any("AIRBAG.body" in members for members in heard(car))
    assert ("G4", "resistance") in {
        (one.element_id, one.what) for one in awake(car).why_unheard("AIRBAG.body", "CLUSTER.body")
    }


def test_terminators_added_and_taken_out() -> None:
    """Two terminators read 60 ohm, three 40 and one 120 (ISO 11898-2: 120 ohm each)."""
    off = [edited("unplug BAT.NEG", *edits) for edits in ((), ("terminate DLC.6 to DLC.14",), ("open R1",))]
    ohm = [Wiring(car).solve(SwitchState()).ports([("DLC.6", "DLC.14")]).impedance_ohm[0, 0] for car in off]
    assert [60, 40, 120] == pytest.approx(ohm, abs=0.6)


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("swap ECM.C1.4", "write 'swap PIN with PIN'"),
        ("swap ECM.C1.4 with TCM.C1.4", "two pins of one connector (here: ECM.C1.4 and TCM.C1.4)"),
        ("swap ECM.C1.4 with ECM.C9.4", "no pin 'ECM.C9.4' in this car"),
        ("offset G9 1 V", "no ground point 'G9' in this car"),
        ("offset G2 80 V", "'offset G2' takes -15 to 15 V (here: 80)"),
        ("terminate DLC.6 to DLC.6", "DLC.6 cannot be joined to itself"),
        ("loosen X99", "no connector 'X99' in this car"),
    ],
)
def test_a_wrong_sentence_says_what_is_right(sentence: str, expected: str) -> None:
    """Each mistake gets one sentence with the form, the limit or the nearest right name."""
    with pytest.raises(EditProblem) as problem:
        parse_edit(sentence, TEACHING)
    assert expected in str(problem.value)


def test_what_makes_no_sense_now_is_refused() -> None:
    """A swap of swapped pins, and a repair of what is whole, are refused with the reason."""
    swapped = edited("swap ECM.C1.4 with ECM.C1.5")
    for car, sentence, expected in [
        (swapped, "swap ECM.C1.5 with ECM.C1.3", "another wire sits in ECM.C1.5 already"),
        (TEACHING, "unswap ECM.C1.4 with ECM.C1.5", "ECM.C1.4 and ECM.C1.5 are not swapped"),
        (edited("unplug X1"), "loosen X1", "X1 is not fully plugged in already"),
        (TEACHING, "unterminate DLC.6 to DLC.14", "there is no 'terminate DLC.6 to DLC.14' to remove"),
    ]:
        with pytest.raises(EditProblem, match=expected):
            parse_edit(sentence, car).apply(car)
