"""The test light and the loaded test."""

from collections.abc import Callable

import pytest

from sim.bench.bench import Bench
from sim.bench.observations import Observation
from sim.instruments.lamp import Loaded, lamp_ohm, load_test
from sim.vehicle.car import Car
from sim.wiring.wiring import Reading
from tests.readings import load, measure

Benches = Callable[..., Bench]


def lamp(found: Reading, a: str, b: str, lamp_w: float) -> Loaded:
    return load_test(found, Observation("load", "load", (a, b), ("touching", "touching"), lamp_w), found.car)


def test_a_lamp_is_its_resistance_at_six_full_cells() -> None:
    """A 55 W lamp has 2.887 ohm."""
    # 55 W is 2.887 ohm at 12.6 V, computed
    assert 2.887 == pytest.approx(lamp_ohm(55), abs=0.001)


def test_a_ghost_voltage_collapses_under_a_lamp(
    three: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """A voltage through a megohm is gone as soon as a lamp loads it."""
    # 12.6 V behind 1 megohm into a 2 W lamp: about 0.001 V, computed
    found = solved(three("pull F4", "pull F2", "unplug N2", "short F2.2 to BAR 1000000 ohm"), asleep=True)
    loaded = lamp(found, "F2.2", "BODY", 2)
    assert 12.6 == pytest.approx(loaded.open_v, abs=0.02)
    assert 0.001 == pytest.approx(loaded.loaded_v, abs=0.0005)
    assert "dark" == loaded.light
    assert any("collapses under load" in note for note in loaded.notes)


def test_a_joint_that_beeps_is_found_under_load(teaching: Benches) -> None:
    """Half an ohm in a feed dims a lamp that a sound feed lights."""
    good, bad = (
        load(teaching(*edits), "blower.1 to G4 with 55 W lamp")
        for edits in (
            ["pull K2", "short K2.87 to BAR"],
            ["pull K2", "short K2.87 to BAR", "corrode F16.2--blower.1 0.5 ohm"],
        )
    )
    assert "bright" == good.light
    assert good.feed_drop_v is not None
    assert bad.feed_drop_v is not None
    through_a = bad.lamp_a + bad.loaded_v / 2  # the lamp's and the blower's current pass the joint
    assert 0.5 * through_a == pytest.approx(bad.feed_drop_v - good.feed_drop_v, rel=0.1)
    assert any(note.startswith("The feed side loses") for note in bad.notes)


def test_a_bad_ground_shows_on_the_ground_side(teaching: Benches) -> None:
    """A loaded test of a corroded ground blames the ground side alone."""
    loaded = load(teaching("corrode G4 1 ohm"), "F4.1 to G4 with 21 W lamp")
    assert loaded.ground_drop_v is not None
    others_a = loaded.ground_drop_v / 1.0 - loaded.lamp_a  # the airbag module's current takes the same way
    assert 0 < others_a < 0.35
    assert any(note.startswith("The ground side loses") for note in loaded.notes)
    assert loaded.feed_drop_v is not None
    assert loaded.feed_drop_v < 0.1


def test_volts_beside_a_lamp_show_the_drop(teaching: Benches) -> None:
    """A meter beside a burning lamp shows the drop along the wire."""
    bench = teaching("corrode F4.2--BCM.C1.1 0.5 ohm")
    alone = measure(bench, "volts F4.2 to BCM.C1.1")
    beside = measure(bench, "volts F4.2 to BCM.C1.1 while 21 W lamp at BCM.C1.1 to G3")
    assert alone.value is not None
    assert beside.value is not None
    assert 0.5 * 21 / 12.6 == pytest.approx(beside.value - alone.value, rel=0.1)
    assert "measure volts F4.2 to BCM.C1.1 while 21 W lamp at BCM.C1.1 to G3" == bench.log[-1]


def test_between_islands_no_current_flows(teaching: Benches) -> None:
    """A lamp between two circuits that nothing joins stays dark and says why."""
    loaded = load(teaching("pull F1", "unplug ECM"), "F1.2 to G2 with 2 W lamp")
    assert (0, None, "dark") == (loaded.lamp_a, loaded.open_v, loaded.light)
    assert "No circuit between the two terminals: no current can flow." in loaded.notes


def test_a_lamp_on_electronics_is_warned_of(teaching: Benches) -> None:
    """A lamp on a data line is warned of and does harm, one on a fuse does not."""
    on_bus = load(teaching(), "ECM.powertrain.H to G2 with 2 W lamp")
    on_fuse = load(teaching(), "F3.2 to G2 with 21 W lamp")
    assert any(caution.startswith("No filament test lamp") for caution in on_bus.cautions)
    assert any("can burn out a driver" in words for words in on_bus.harm)
    assert not any(caution.startswith("No filament test lamp") for caution in on_fuse.cautions)
    assert () == on_fuse.harm
