"""LIN clusters and CAN FD buses in a vehicle file: what they become, and what is refused in one sentence."""

from pathlib import Path

import pytest

from sim.network.frames import FD_SIZES
from sim.vehicle.elements import PullUp
from sim.vehicle.messages import FD_LENGTHS
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import read_car

ROOF = (Path(__file__).parents[1] / "bench" / "roof-car.yaml").read_text()


def test_lengths_are_those_of_the_frames() -> None:
    """The description's own list of sizes is the frames' list above 8 bytes."""
    assert tuple(size for size in FD_SIZES if size > 8) == FD_LENGTHS


def test_what_a_cluster_is_made_of(tmp_path: Path) -> None:
    """One wire from stop to stop, pull-ups of 1 and 30 kohm, no address for a slave."""
    path = tmp_path / "car.yaml"
    path.write_text(ROOF)
    car = read_car(path)
    pull_ups = {one.id: one.ohm for one in car.elements.values() if isinstance(one, PullUp)}
    assert {
        "BCM:roof.LIN.pull-up": 1000.0,
        "RAIN:roof.LIN.pull-up": 30_000.0,
        "WIPER:roof.LIN.pull-up": 30_000.0,
        "SUN:roof.LIN.pull-up": 30_000.0,
    } == pull_ups
    assert ["ECM", "BCM"] == list(car.addresses)
    assert "SP.roof.RAIN--SP.roof.WIPER" in car.elements
    slots = car.messages.slots
    assert [(1, 0.0), (2, 0.01), (3, 0.02), (4, 0.03)] == [
        (slot.frame_id, round(slot.offset_s, 3)) for slot in slots.values()
    ]
    assert {0.05} == {round(car.messages.sent[name].period_s, 6) for name in slots}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("master: BCM", "master: BCN", "the master 'BCN' is not on the line; did you mean 'BCM'?"),
        ("master: BCM", "master: RAIN", "the master RAIN is on no CAN bus"),
        ("[BCM, X1, RAIN, WIPER, SUN]", "[BCM, X1, RAIN, WIPER, SUM]",
         "nothing called 'SUM' for the line of roof; did you mean 'SUN'?"),
        ("[BCM, X1, RAIN, WIPER, SUN]", "[BCM, X1, RAIN, WIPER, SUN, RAIN]",
         "RAIN is on the line of roof twice"),
        ("[BCM, X1, RAIN, WIPER, SUN]", "[BCM, X1]", "a LIN line has a master and at least one slave"),
        ("WIPER.status,", "WIPER.state,",
         "no module sends a message 'WIPER.state'; did you mean 'WIPER.status'?"),
        ("WIPER.status,", "RAIN.status,", "RAIN.status is in the schedule of roof already"),
        ("WIPER.status,", "ECM.status, WIPER.status,", "ECM is not on the line of roof"),
        ("WIPER.status,", "", "WIPER.status is in no LIN schedule, and WIPER is on no CAN bus"),
        ("slot_ms: 20", "slot_ms: 5",
         "a slot of 5 ms is too short for the 8 bytes of SUN.status at 19200 bit/s: they take up to 9.0 ms"),
        ("slot_ms: 20", "slot_ms: 20, id: 62", "59"),
        ("hears: [BCM]", "hears: [BCM, {from: RAIN, code: U0231}]",
         "needs RAIN.status, which runs on the LIN cluster 'roof' only: let its master BCM send"),
        ("{length: 4, signals: [drops]}", "{length: 12, signals: [drops]}",
         "RAIN.status has 12 bytes: a LIN frame has 1 to 8"),
        ("{length: 4, signals: [drops]}", "{id: 0x123, length: 4, signals: [drops]}",
         "a LIN schedule gives this message its id and its times"),
        ("length: 64", "length: 40", "has no 40 bytes: above 8 it has 12, 16, 20, 24, 32, 48, 64"),
        ("fd: {data_bitrate_bps: 2000000}, ", "",
         "ECM.status has 64 bytes and runs on backbone, a classical CAN bus with at most 8"),
        ("data_bitrate_bps: 2000000", "data_bitrate_bps: 2500000", "data_bitrate_bps"),
        ("  roof:\n", "  backbone:\n", "the name 'backbone' is taken by one of the buses"),
    ],
    ids=lambda value: "",
)  # fmt: skip
def test_what_is_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    """One sentence each, with the limit or the nearest right name."""
    assert old in ROOF
    path = tmp_path / "car.yaml"
    path.write_text(ROOF.replace(old, new))
    with pytest.raises(FileProblem) as caught:
        read_car(path)
    assert words in str(caught.value)
