"""The eye: what a look finds, and what it cannot find."""

from collections.abc import Callable

import pytest

from sim.bench.bench import Bench
from sim.instruments.inspection import Inspection
from sim.instruments.read import read
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.problems import EditProblem
from tests.readings import finds

Benches = Callable[..., Bench]

SEEN = [
    ("unplug ECM", "ECM.C1", "unplugged"),
    ("unplug X1", "X1", "unplugged"),
    ("unplug ECM", "ECM", "ECM.C1 unplugged"),
    ("unplug BAT.NEG", "BAT.NEG", "unplugged"),
    ("loosen X2", "X2", "half seated: the lock has not closed"),
    ("corrode BAT.NEG 0.05 ohm", "BAT.NEG", "the clamp and its post are corroded"),
    ("pull F12", "F12", "the holder is empty"),
    ("blow F12", "F12", "its wire is melted through"),
    ("fit F12 20 A", "F12", "in; 20 A printed on it, the list says 5 A"),
    ("pull K2", "K2", "the holder is empty"),
    ("open G2", "G2", "the ring terminal is off its stud"),
    ("corrode G2 0.5 ohm", "G2", "the joint is corroded"),
    ("short SP.powertrain.TCM.H to BODY", "SP.powertrain.TCM.H", "bare copper touches the body"),
    ("short ECM.C1.4 to BODY", "ECM.C1.4", "bare copper touches the body"),
    ("open F1.2--ECM.C1.1", "F1.2--ECM.C1.1", "the wire is broken"),
    ("corrode F1.2--ECM.C1.1 2 ohm", "F1.2--ECM.C1.1", "the wire is corroded under its insulation"),
    ("terminate DLC.6 to DLC.14", "DLC.6", "a resistor has been added here"),
]


@pytest.mark.parametrize(("fault", "part", "expected"), SEEN)
def test_what_a_look_finds(teaching: Benches, fault: str, part: str, expected: str) -> None:
    """An inspection finds the visible fault, and nothing on a healthy car."""
    assert expected in finds(teaching(fault), part)
    assert () == finds(teaching(), part)


@pytest.mark.parametrize(
    ("fault", "with_it_off"),
    [
        ("open ECM.C1.3", "terminal 3 is pushed back"),
        ("corrode ECM.C1.3 2 ohm", "terminal 3 is corroded"),
        ("swap ECM.C1.4 with ECM.C1.5", "the wire in cavity 4 is not the color the pin table gives"),
        ("short ECM.C1.4 to ECM.C1.5 3 ohm", "terminals 4 and 5 are bridged"),
    ],
)
def test_terminals_are_seen_only_with_the_connector_off(
    teaching: Benches, fault: str, with_it_off: str
) -> None:
    """A fault at a terminal is found only after unplugging."""
    bench = teaching(fault)
    assert () == finds(bench, "ECM.C1")
    bench.do("unplug ECM")
    assert with_it_off in finds(bench, "ECM.C1")


@pytest.mark.parametrize(
    ("fault", "part"),
    [
        ("corrode G2 0.02 ohm", "G2"),  # too little to see: a load finds it
        ("short ECM.C1.4 to BODY", "ECM.C1"),  # under the tape behind the connector
        ("short SP.powertrain.TCM.H to BODY", "SP.powertrain.TCM.L"),
        ("short SP.powertrain.TCM.H to BODY 20000 ohm", "SP.powertrain.TCM.H"),  # damp, no bare copper
        ("open F1.2--ECM.C1.1", "F1"),
        ("charge 20 %", "BAT.NEG"),
        ("theory body runs through DOOR-LEFT", "DOOR-LEFT"),
    ],
)
def test_what_a_look_does_not_find(teaching: Benches, fault: str, part: str) -> None:
    """A fault that cannot be seen is not found."""
    assert () == finds(teaching(fault), part)


def test_a_look_names_a_bypass_lead(teaching: Benches) -> None:
    """A lead in an unplugged connector is seen."""
    bench = teaching("unplug GATEWAY", "bypass GATEWAY diag to powertrain")
    assert "a lead sits in it: GATEWAY diag to powertrain" in finds(bench, "GATEWAY.C1")


def test_looking_changes_nothing_and_stands_in_the_log(teaching: Benches) -> None:
    """An inspection is in the log, costs its minute of labor, and adds no event."""
    bench = teaching("pull F1")
    before = list(bench.trace.lines())
    seen = read(bench, "look F1")
    assert isinstance(seen, Inspection)
    assert (["look F1"], before) == (bench.log, list(bench.trace.lines()))
    assert 60 == seen.labor_s


@pytest.mark.parametrize(
    ("part", "minutes"),
    [("F1", 1), ("ECM.C1", 1), ("BAT.NEG", 1), ("G2", 1), ("DLC.6", 1), ("ECM.C1.4", 6),
     ("SP.powertrain.TCM.H", 16), ("F1.2--ECM.C1.1", 16)],
)  # fmt: skip
def test_what_lies_under_trim_costs_its_access(teaching: Benches, part: str, minutes: float) -> None:
    """What lies open takes a minute; tape five more, trim fifteen (common practice)."""
    seen = read(teaching(), f"look {part}")
    assert minutes * 60 == seen.labor_s
    assert (minutes > 1) == any("had to come off" in note for note in seen.notes)


def test_a_bridge_in_an_in_line_connector_is_seen_in_its_face(teaching: Benches) -> None:
    """Between the terminals of one half, or of the other."""
    for side in ("a", "b"):
        bench = teaching(f"short X1.1{side} to X1.2{side} 5 ohm", "unplug X1")
        assert "terminals 1 and 2 are bridged" in finds(bench, "X1")


def test_nothing_but_the_place_looked_at_is_told(teaching: Benches) -> None:
    """Whatever fault is hidden, a look at a part that it does not touch tells nothing."""
    bench = teaching()
    for fault in catalogue(bench.car)[::7]:
        name = parse_edit(fault, bench.car).text.split()[1]
        part = "G1" if name != "G1" else "G4"
        assert () == finds(teaching(fault), part)


def test_an_unknown_part_is_named_with_the_nearest(teaching: Benches) -> None:
    """An unknown part is refused with the nearest right name."""
    with pytest.raises(EditProblem, match="no part to look at 'F99' in this car; did you mean 'F9'"):
        read(teaching(), "look F99")


@pytest.mark.parametrize("fault", ["open", "corrode", "unplug", "pull", "blow", "loosen"])
def test_the_repair_of_what_was_seen_leaves_nothing_to_be_found(teaching: Benches, fault: str) -> None:
    """After the repairs that an inspection names, the same inspection finds nothing."""
    listed = [text for text in catalogue(teaching().car) if text.startswith(f"{fault} ")]
    for text in listed:
        part = parse_edit(text, teaching().car).part
        if ":" in part:  # a resistor inside a module is not to be seen
            continue
        bench = teaching(text)
        shown = read(bench, f"look {part}")
        assert isinstance(shown, Inspection)
        assert bool(shown.finds) == bool(shown.repairs)
        for repair in shown.repairs:
            bench.do(repair)
        assert () == finds(bench, part)


def test_a_plug_goes_home_after_its_terminals_are_repaired(teaching: Benches) -> None:
    """Of several repairs the one that hides the others is the last."""
    bench = teaching("open ECM.C1.3")
    bench.do("unplug ECM")
    shown = read(bench, "look ECM.C1")
    assert isinstance(shown, Inspection)
    assert ("repair ECM.C1.3", "plug ECM.C1") == shown.repairs
