"""What keeps supply and signals away: culprits by name, in the same order every time."""

import pytest

from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState
from sim.wiring.tracing import Culprit
from sim.wiring.wiring import Reading, Wiring
from tests.hash_seeds import printed

CAR = """
car: Tracing example
buses:
  diag: {line: [GATEWAY terminated, DLC, R1 terminator]}
  front: {line: [GATEWAY terminated, X1, ECM, ABS terminated]}
  rear: {line: [GATEWAY terminated, BCM, TRAILER terminated], bitrate_bps: 125000}
grounds: {G1: {}, G2: {}}
inline: {X1: {}}
fuses:
  F1: {rating_a: 60}
  F2: {rating_a: 10, from: F1, feeds: [GATEWAY, BCM]}
  F3: {rating_a: 10, from: F1, feeds: [TRAILER, brake_switch, DLC]}
  F4: {rating_a: 10, from: K1, feeds: ECM via X1}
  F5: {rating_a: 30, feeds: ABS}
  F6: {rating_a: 10, from: K1, feeds: valve}
  F7: {rating_a: 60, feeds: heater}
relays: {K1: {coil: BCM.run, ground: G2}}
switches: {brake_switch: {operated_by: brake, to: BCM.brake}}
loads: {valve: {ohm: 14, to: ECM.valve}, heater: {ohm: 6, to: G2}}
modules:
  GATEWAY: {gateway: {}}
  BCM: {inputs: {brake: {}}, outputs: {run: {when: {all: []}}}}
  TRAILER: {}
  ECM: {ground: G1}
  ABS: {ground: [G1, G2]}
"""
Row = tuple[str, str, str]
EVERYONE = frozenset({"GATEWAY", "BCM", "TRAILER", "ECM", "ABS"})


def car(*edits: str) -> Car:
    return apply_all(car_from_text(CAR, "tracing.yaml"), edits)


def reading(*edits: str, run: bool = True, tester: bool = False) -> Reading:
    state = SwitchState(
        running=EVERYONE | ({"TESTER"} if tester else frozenset()),
        driven=frozenset({("BCM", "run")}) if run else frozenset(),
        pulled_in=frozenset({"K1"}) if run and "pull K1" not in edits else frozenset(),
    )
    return Wiring(car(*edits)).solve(state)


def rows(culprits: tuple[Culprit, ...]) -> list[Row]:
    return [(one.element_id, one.what, one.owner) for one in culprits]


GND = "ECM.C1.2"  # cavities are numbered in the order supply, ground, bus, outputs
UNSUPPLIED = [
    ("ECM", [], []),
    ("ECM", ["pull F4"], [("F4", "pulled", "F4")]),
    ("ECM", ["blow F1", "pull F4"], [("F4", "pulled", "F4")]),  # the relay is fed by the battery, not by F1
    ("GATEWAY", ["blow F1", "pull F2"], [("F1", "blown", "F1"), ("F2", "pulled", "F2")]),
    ("ECM", ["unplug X1"], [("X1.1", "unplugged", "X1")]),
    ("ECM", ["unplug ECM"], [("ECM.C1.1", "unplugged", "ECM.C1"), (GND, "unplugged", "ECM.C1")]),
    ("ECM", ["open ECM.GND"], [(GND, "open", "ECM.C1")]),
    ("ECM", ["open G1"], []),  # its current returns through the other grounds of the ABS
    ("ECM", ["open G1", "open ABS.GND2"], [("G1", "open", "G1"), ("ABS.C1.3", "open", "ABS.C1")]),
    ("ECM", ["pull K1"], [("K1", "pulled", "K1")]),
    ("ECM", ["corrode ECM.GND 80 ohm"], [(GND, "resistance", "ECM.C1")]),
    (
        "ECM",
        ["corrode ECM.GND 30 ohm", "corrode ECM.B+ 40 ohm"],
        [("ECM.C1.1", "resistance", "ECM.C1"), (GND, "resistance", "ECM.C1")],
    ),
    ("ABS", ["open ABS.GND"], []),
    (
        "ABS",
        ["open ABS.GND", "open ABS.GND2"],
        [("ABS.C1.2", "open", "ABS.C1"), ("ABS.C1.3", "open", "ABS.C1")],
    ),
    ("ABS", ["unplug BAT.NEG"], [("BAT.NEG", "unplugged", "BAT.NEG")]),
    ("ABS", ["short F5.2 to BODY 0.002 ohm"], [("short F5.2 to BODY", "short", "short F5.2 to BODY")]),
]


@pytest.mark.parametrize(("module", "edits", "expected"), UNSUPPLIED)
def test_why_a_module_has_no_supply(module: str, edits: list[str], expected: list[Row]) -> None:
    """Each fault is named, nearest to the battery first, exactly if the module has no supply."""
    found = reading(*edits)
    assert expected == rows(found.why_unsupplied(module))
    assert bool(expected) == (found.supply_v(module) < 6)


def test_a_relay_that_is_not_pulled_in_is_traced_to_its_coil() -> None:
    """An open relay contact is traced to what keeps the coil from pulling in."""
    off = [("K1", "switch open", "K1"), ("BCM:run.driver", "driver off", "BCM")]
    assert off == rows(reading(run=False).why_unsupplied("ECM"))
    driven = SwitchState(running=EVERYONE, driven=frozenset({("BCM", "run")}))
    broken = Wiring(car("open K1.85--G2")).solve(driven)
    expected = [("K1", "switch open", "K1"), ("K1.85--G2", "open", "K1.85--G2")]
    assert expected == rows(broken.why_unsupplied("ECM"))


def test_a_battery_is_named_if_nothing_else_explains_it() -> None:
    """A flat battery is named only if no open, joint or short explains the missing supply."""
    # 11.89 V in series with 0.3 ohm (0.006 ohm at 2 % charge: this model) into a heater of 0.2 ohm
    text = CAR.replace("heater: {ohm: 6", "heater: {ohm: 0.2")
    all_run = SwitchState(running=EVERYONE)
    assert () == Wiring(car("charge 0 %")).solve(all_run).why_unsupplied("GATEWAY")
    flat = apply_all(car_from_text(text, "flat.yaml"), ["charge 0 %"])
    assert [("BAT", "battery", "BAT")] == rows(Wiring(flat).solve(all_run).why_unsupplied("GATEWAY"))
    shorted = car("charge 0 %", "short F5.1 to BODY 0.1 ohm")
    short = "short F5.1 to BODY"
    assert [(short, "short", short)] == rows(Wiring(shorted).solve(all_run).why_unsupplied("GATEWAY"))


def test_why_a_place_is_dead() -> None:
    """A terminal without voltage is traced to the open or short, through a load if need be."""
    assert [] == rows(reading().why_dead("ECM:B+"))
    assert [("F6", "pulled", "F6")] == rows(reading("pull F6").why_dead("valve.1"))
    # from the far side of a load, through the load
    assert [("F6", "pulled", "F6")] == rows(reading("pull F6").why_dead("ECM:valve"))
    assert [("valve.2--ECM.C1.5", "open", "valve.2--ECM.C1.5")] == rows(
        reading("open valve.2--ECM.C1.5").why_dead("ECM:valve")
    )
    assert [("brake_switch", "switch open", "brake_switch")] == rows(reading().why_dead("BCM:brake"))
    short = "short ECM.C1.5 to BODY"
    assert [(short, "short", short)] == rows(reading("short ECM.valve to BODY").why_dead("ECM:valve"))


UNHEARD = [
    ("ECM.front", "ABS.front", [], []),
    ("ECM.front", "BCM.rear", [], []),
    ("ECM.front", "ABS.front", ["pull F5"], [("F5", "pulled", "F5")]),
    ("ABS.front", "ECM.front", ["pull F5"], [("F5", "pulled", "F5")]),
    ("GATEWAY.front", "ECM.front", ["unplug X1"], [("X1.1", "unplugged", "X1")]),
    ("GATEWAY.front", "ABS.front", ["open X1.2"], [("X1.2", "open", "X1")]),
    ("GATEWAY.front", "ABS.front", ["unplug X1"], [("X1.2", "unplugged", "X1"), ("X1.3", "unplugged", "X1")]),
    (
        "ECM.front",
        "ABS.front",
        ["short ABS.front.H to BODY"],
        [("short ABS.C1.4 to BODY", "short", "short ABS.C1.4 to BODY")],
    ),
    (
        "ECM.front",
        "GATEWAY.front",
        ["open ABS.front.H", "corrode X1.2 2000 ohm"],
        [("X1.2", "resistance", "X1")],
    ),
    (
        "ABS.front",
        "ECM.front",
        ["open ABS.GND2", "corrode ABS.GND 30 ohm"],
        [("ABS.C1.2", "resistance", "ABS.C1")],
    ),
    (
        "BCM.rear",
        "TRAILER.rear",
        ["open GATEWAY.rear.H", "open TRAILER:rear.terminator"],
        [
            ("GATEWAY:rear.terminator", "no terminator", "GATEWAY"),
            ("GATEWAY.C1.7", "open", "GATEWAY.C1"),
            ("TRAILER:rear.terminator", "no terminator", "TRAILER"),
        ],
    ),
    (
        "ECM.front",
        "ABS.front",
        ["unplug GATEWAY", "bypass GATEWAY front to rear"],
        [
            ("GATEWAY.C1.5==GATEWAY.C1.7", "wrong bit rate", "bypass GATEWAY front to rear"),
            ("GATEWAY.C1.6==GATEWAY.C1.8", "wrong bit rate", "bypass GATEWAY front to rear"),
        ],
    ),
]


@pytest.mark.parametrize(("sender", "receiver", "edits", "expected"), UNHEARD)
def test_why_one_transceiver_does_not_hear_another(
    sender: str, receiver: str, edits: list[str], expected: list[Row]
) -> None:
    """Each fault is named exactly if the two channels of one bus do not communicate."""
    found = reading(*edits)
    assert expected == rows(found.why_unheard(sender, receiver))
    awake = (one for one in found.car.transceivers.values() if one.module in EVERYONE)
    powered = frozenset(one.id for one in awake if found.supply_v(one.module) >= 6)
    together = [members for members, *_ in found.connectivity(powered).segments]
    talking = any(sender in members and receiver in members for members in together)
    assert talking == (not expected and sender.split(".")[1] == receiver.split(".")[1])


def test_a_tester_that_hears_nothing() -> None:
    """A tester's silence is traced to its pin or its fuse."""
    for edit, expected in (("open DLC.6", ("DLC.6", "open", "DLC")), ("pull F3", ("F3", "pulled", "F3"))):
        found = reading(edit, tester=True)
        assert [expected] == rows(found.why_unheard("GATEWAY.diag", "TESTER"))


SCRIPT = """
import sys
from sim.vehicle.edits import apply_all
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring
text = sys.stdin.read()
for edits in ([], ["unplug X1"], ["open ABS.front.H"], ["short BCM.rear.L to BODY"], ["unplug GATEWAY"]):
    car = apply_all(car_from_text(text, "tracing.yaml"), edits)
    found = Wiring(car).solve(SwitchState(running=frozenset(car.built.modules), pulled_in=frozenset({"K1"})))
    connectivity = found.connectivity(frozenset(car.transceivers))
    print(connectivity.segments, sorted(connectivity.margins_v.items()), connectivity.notes)
    print([found.supply_v(module) for module in car.built.modules], found.fuse_currents())
    print([found.why_unheard("GATEWAY.front", other) for other in car.transceivers])
    print([found.why_unsupplied(module) for module in car.built.modules])
"""


def test_answers_are_byte_identical_under_any_hash_seed() -> None:
    """Segments, margins, voltages and culprits do not depend on the hash seed."""
    assert "ABS.front" in printed(SCRIPT, CAR)


@pytest.mark.parametrize(("drop_v", "named"), [(0.25, False), (0.35, True)])
def test_a_joint_is_bad_from_three_tenths_of_a_volt_on(drop_v: float, named: bool) -> None:
    """In series with 80 ohm in the ground, by Ohm's law; general guides of the trade: 0.3 V at most."""
    current_a = abs(reading("corrode ECM.GND 80 ohm").current(GND))
    found = reading("corrode ECM.GND 80 ohm", f"corrode ECM.B+ {drop_v / current_a:.4f} ohm")
    joints = [one.element_id for one in found.why_unsupplied("ECM")]
    assert ([GND, "ECM.C1.1"] if named else [GND]) == joints


def test_pins_in_the_wrong_cavities_are_named_as_swapped() -> None:
    """Two exchanged pins are named as swapped."""
    found = reading("swap ECM.B+ with ECM.GND").why_unsupplied("ECM")
    assert [("ECM.C1.1", "swapped", "ECM.C1"), (GND, "swapped", "ECM.C1")] == rows(found)


def test_of_two_shorts_that_of_the_larger_current_comes_first() -> None:
    """By Ohm's law half the resistance takes twice the current."""
    to_g1, to_body = "short BAT+ to G1", "short BAT+ to BODY"
    for ohm, leads in (((0.01, 0.02), [to_g1, to_body]), ((0.02, 0.01), [to_body, to_g1])):
        edits = [f"{lead} {one} ohm" for lead, one in zip((to_g1, to_body), ohm, strict=True)]
        assert leads == [one.element_id for one in reading(*edits).why_unsupplied("GATEWAY")]
