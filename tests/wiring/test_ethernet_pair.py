"""The pair of a 100BASE-T1 link: what it loses against circuit formulas, and when it carries nothing."""

import math
from pathlib import Path

import pytest

from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.ethernet import frame_ns, quality_of, wire_bytes
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text, read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.connectivity import Connectivity
from sim.wiring.ethernet_connectivity import loss_db_of
from sim.wiring.wiring import Wiring

HUBS = Path(__file__).parents[1] / "bench" / "two-hubs.yaml"
PLUS, MINUS = "COMFORT.C1.5", "COMFORT.C1.6"
ENDS = frozenset({"HUB.spine", "COMFORT.spine"})


@pytest.fixture(scope="module")
def hubs() -> Car:
    """Two hubs with an Ethernet pair between them."""
    return read_car(HUBS)


def _loss_db(car: Car) -> float:
    wiring = Wiring(car)
    reading = wiring.solve(SwitchState())
    cluster = next(one for one in wiring.clusters if one.channels[0].bus == "spine")
    return loss_db_of(cluster, reading)


def _heard(car: Car) -> Connectivity:
    return Wiring(car).solve(SwitchState(running=frozenset(car.built.modules))).connectivity(ENDS)


def _linked(car: Car) -> bool:
    return ("HUB.spine", "COMFORT.spine") in _heard(car).links


def _pair(hubs: Car) -> tuple[str, str]:
    plus, minus = (hubs.pin_of("COMFORT", f"spine.{leg}") for leg in "PN")
    assert plus is not None
    assert minus is not None
    return plus.id, minus.id


@pytest.mark.parametrize("ohm", [10.0, 50.0, 100.0, 200.0, 1000.0])
def test_added_resistance_loses_what_a_voltage_divider_says(hubs: Car, ohm: float) -> None:
    """R in one wire: 100 ohm source, 2 kohm common-mode resistors at both ends, 100 ohm load, by hand."""

    def received(added_ohm: float) -> float:
        load_ohm = 1 / (1 / 100 + 1 / 2000)
        seen_ohm = 1 / (1 / 2000 + 1 / (added_ohm + load_ohm))
        return seen_ohm / (100 + seen_ohm) * load_ohm / (added_ohm + load_ohm)

    worse = apply_all(hubs, [f"corrode {_pair(hubs)[0]} {ohm:g} ohm"])
    # the wires, contacts and the leak to ground of the healthy pair: a hundredth of a decibel
    assert 20 * math.log10(received(0) / received(ohm)) == pytest.approx(_loss_db(worse), abs=0.02)


def test_a_healthy_pair_loses_nothing_and_has_the_best_index(hubs: Car) -> None:
    """Seven of seven, and both ends hear each other."""
    assert pytest.approx(0.0, abs=0.02) == _loss_db(hubs)
    assert dict.fromkeys(ENDS, 7) == _heard(hubs).quality
    assert _linked(hubs)


def test_the_index_falls_before_the_link_does(hubs: Car) -> None:
    """A corroded terminal costs quality first, then the link: 0.9, 2.0, 3.7, 6.2, 11 dB by the divider."""
    plus, _ = _pair(hubs)
    indices = []
    for ohm in (20, 50, 100, 200, 500):
        worse = _heard(apply_all(hubs, [f"corrode {plus} {ohm} ohm"]))
        indices.append(worse.quality.get("HUB.spine", 0))
    assert [7, 5, 4, 1, 0] == indices
    assert any(
        "signal quality 4 of 7" in note for note in _heard(apply_all(hubs, [f"corrode {plus} 100 ohm"])).notes
    )


@pytest.mark.parametrize(
    "fault",
    [
        "open {plus}", "open {minus}", "unplug X1", "short {plus} to {minus}", "short {plus} to BODY",
        "short {minus} to BAT+", "strap COMFORT.spine as master", "strap HUB.spine as slave",
    ],
)  # fmt: skip
def test_one_bad_wire_a_short_or_two_equal_roles_leave_no_link(hubs: Car, fault: str) -> None:
    """Either wire open or shorted to anything, and both ends in one role: no link in either direction."""
    plus, minus = _pair(hubs)
    assert not _linked(apply_all(hubs, [fault.format(plus=plus, minus=minus)]))


def test_a_swapped_pair_and_exchanged_roles_work(hubs: Car) -> None:
    """PHYs correct the polarity, and it does not matter which end is master as long as the other is not."""
    plus, minus = _pair(hubs)
    assert _linked(apply_all(hubs, [f"swap {plus} with {minus}"]))
    assert _linked(apply_all(hubs, ["strap COMFORT.spine as master", "strap HUB.spine as slave"]))


def test_an_ohmmeter_sees_both_common_mode_terminations_or_one(hubs: Car) -> None:
    """Two resistors of 1 kohm in series in each PHY: 1 kohm at the pair, 2 kohm with one end off."""
    plus, minus = _pair(hubs)

    def ohms(car: Car) -> float:
        bare = apply_all(car, ["unplug BAT.NEG", "unplug BAT.POS"])
        solved = Wiring(bare).solve(SwitchState())
        return float(solved.ports([(plus, minus)]).impedance_ohm[0, 0])

    assert ohms(hubs) == pytest.approx(1000, rel=0.01)
    assert ohms(apply_all(hubs, [f"open {hubs.pin_of('HUB', 'spine.P').id}"])) == pytest.approx(
        2000, rel=0.01
    )  # type: ignore[union-attr]


def test_frames_take_what_ethernet_says() -> None:
    """The shortest frame at 100 Mbit/s takes 6.72 us: 148,810 in a second (IEEE 802.3, any handbook)."""
    assert 84 == wire_bytes(8)
    assert 6_720 == frame_ns(8)
    assert 148_810 == round(1e9 / frame_ns(0))
    # 64 data bytes: 14 header, 12 NTSCF, 8 ACF-CAN, 64, 4 check, 8 preamble, 12 gap
    assert 122 == wire_bytes(64)
    assert [7, 7, 6, 1, 0] == [quality_of(loss_db) for loss_db in (0.0, 0.9, 1.0, 7.2, 7.3)]


@pytest.mark.parametrize("fault", ["stick HUB.spine", "babble HUB.spine", "set HUB.spine to 250 kbit/s"])
def test_faults_of_can_transceivers_are_refused_at_a_phy(hubs: Car, fault: str) -> None:
    """A PHY has no dominant level, no priority and no second bit rate."""
    with pytest.raises(EditProblem, match="is a 100BASE-T1 link"):
        apply_all(hubs, [fault])


def test_a_strap_is_for_the_phy_of_a_link(hubs: Car) -> None:
    """On CAN there is no master; a role that the PHY has already is no fault."""
    with pytest.raises(EditProblem, match=r"HUB\.diag is on CAN"):
        apply_all(hubs, ["strap HUB.diag as slave"])
    with pytest.raises(EditProblem, match="as it is built"):
        apply_all(hubs, ["strap HUB.spine as master"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("line: [HUB, X1, COMFORT]", "line: [HUB, COMFORT, DOOR]"), "a module at each end"),
        (("line: [HUB, X1, COMFORT]", "line: [HUB terminated, COMFORT]"), "a module at each end"),
        (("master: HUB", "master: DOOR"), "at no end of the link"),
        (("protocol: 100base-t1", "protocol: 100base-t1, bitrate_bps: 500000"), "100 Mbit/s is the bit rate"),
    ],
)
def test_a_link_that_cannot_be_is_refused(change: tuple[str, str], said: str) -> None:
    """Two ends, one master, one bit rate."""
    with pytest.raises(Problem, match=said):
        car_from_text(HUBS.read_text("utf-8").replace(*change), "two hubs")
