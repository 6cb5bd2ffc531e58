"""The ten pictures of a line in trouble: each level under a cursor is the one that the network solves to."""

from itertools import pairwise
from pathlib import Path

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.instruments.levels import now
from sim.instruments.scope import Channel, Picture
from sim.instruments.screen import figure, scale
from sim.vehicle.reading import read_car
from ui.drawing import pictures
from ui.drawing.instruments import digest, screen
from ui.drawing.pictures import CAR, CONDITIONS, DOMINANT_S, REST_S, LineState, taken

TEACHING = read_car(scenarios_folder() / "vehicles" / f"{CAR}.yaml")
BY_NAME = {condition.name: condition for condition in CONDITIONS}
FLAT = ("high-on-low", "high-on-ground", "low-on-battery", "no-terminator")
QUIET_AFTER_BUS_OFF = "A module that cannot read its own bits back stops sending after 32 tries (bus-off)."


@pytest.fixture(scope="module")
def sweeps() -> dict[str, tuple[Bench, Picture]]:
    return {condition.name: taken(condition, TEACHING) for condition in CONDITIONS}


Sweeps = dict[str, tuple[Bench, Picture]]


def at_cursors(picture: Picture) -> tuple[tuple[float, float], ...]:
    return picture.cursors(REST_S, DOMINANT_S).volts


@pytest.mark.parametrize("name", BY_NAME)
def test_levels_at_rest_are_the_solved_ones(sweeps: Sweeps, name: str) -> None:
    """The scope shows the voltages that the network solves for a recessive line."""
    bench, picture = sweeps[name]
    for one, (rest_v, _) in zip(picture.channels, at_cursors(picture), strict=True):
        assert now(bench).between(one.a, one.b) == pytest.approx(rest_v, abs=0.005)  # a probe has 10 Mohm


@pytest.mark.parametrize("name", ["healthy", "low-on-ground", "high-open", "one-terminator"])
def test_levels_of_the_first_bit_are_the_solved_ones(sweeps: Sweeps, name: str) -> None:
    """The scope shows the voltages that the network solves for a dominant bit."""
    bench, picture = sweeps[name]
    assert bench.observed is not None
    identifier = picture.frames[0][2]
    sender = next(one.sender for one in bench.observed.frames if str(one.frame) == identifier)
    driven = now(bench).while_dominant(sender)
    for one, (_, dominant_v) in zip(picture.channels, at_cursors(picture), strict=True):
        assert driven.between(one.a, one.b) == pytest.approx(dominant_v, abs=0.01)


@pytest.mark.parametrize("name", FLAT)
def test_where_nobody_reads_himself_the_lines_stay_at_rest(sweeps: Sweeps, name: str) -> None:
    """A sender that cannot read its own bits goes bus-off, and the lines stay at rest."""
    _, picture = sweeps[name]
    # each attempt before bus-off moves them by some millivolts, across the short's own resistance
    assert [True, True] == [float(one.volt.max() - one.volt.min()) < 0.02 for one in picture.channels]
    assert QUIET_AFTER_BUS_OFF in picture.notes


# typical levels, transceiver data sheets; a short to the battery's 12.4 V pulls both lines up
@pytest.mark.parametrize(
    ("name", "high_v", "low_v"),
    [("high-on-low", 2.5, 2.5), ("high-on-ground", 0.0, 0.0), ("low-on-battery", 12.4, 12.4)],
)
def test_where_the_lines_stand_tells_the_short(
    sweeps: Sweeps, name: str, high_v: float, low_v: float
) -> None:
    """Each short holds its line at a level of its own."""
    (high, _), (low, _) = at_cursors(sweeps[name][1])
    assert (high_v, low_v) == (pytest.approx(high, abs=0.15), pytest.approx(low, abs=0.15))


def runs(one: Channel, above_v: float) -> list[tuple[float, float]]:
    """Stretches of time, in bits of 2 us from the first edge, in which a trace stands above a level."""
    found, begin = [], None
    for time_s, volt in zip(one.time_s, one.volt, strict=True):
        if volt > above_v and begin is None:
            begin = time_s
        elif volt <= above_v and begin is not None:
            found.append((begin / 2e-6, time_s / 2e-6))
            begin = None
    return found


def test_without_company_the_acknowledge_slot_stays_empty_and_the_frame_comes_again(sweeps: Sweeps) -> None:
    """ISO 11898-1: six recessive bits of a passive flag, eight of its delimiter, three of intermission and
    eight of suspended transmission lie between two tries of a station that is error passive."""
    bench, picture = sweeps["alone"]
    high = picture.channels[0]
    dominant = runs(high, (high.rest_v + float(high.volt.max())) / 2)
    driven = now(bench).while_dominant("TCM.powertrain")
    assert driven.between(high.a, high.b) == pytest.approx(float(high.volt.max()), abs=0.01)
    gaps = [round(later[0] - earlier[1]) for earlier, later in pairwise(dominant)]
    # the frame's own delimiter and the empty slot come before what the standard puts between two tries
    assert 2 + 6 + 8 + 3 + 8 == max(gaps)
    assert () == picture.frames
    assert "Frames do not get through: no node acknowledges them." in picture.notes


def test_a_swapped_module_pulls_the_lines_the_wrong_way_and_error_flags_follow(sweeps: Sweeps) -> None:
    """A swapped pair drives the difference negative, and others answer with error flags."""
    bench, picture = sweeps["swapped"]
    high, low = picture.channels
    driven = now(bench).while_dominant("ECM.powertrain")
    assert driven.between(high.a, high.b) == pytest.approx(float(high.volt.min()), abs=0.01)
    assert driven.between(low.a, low.b) == pytest.approx(float(low.volt.max()), abs=0.01)
    flags = [end - begin for begin, end in runs(low, 2.6)]
    assert 6 <= max(flags)
    assert any("error flags" in note for note in picture.notes)


def test_a_missing_terminator_lifts_every_level(sweeps: Sweeps) -> None:
    """With one terminator left the dominant voltage is higher."""
    tops = {name: float(sweeps[name][1].channels[0].volt.max()) for name in ("healthy", "one-terminator")}
    first = {name: at_cursors(sweeps[name][1])[0][1] for name in ("healthy", "one-terminator")}
    assert tops["healthy"] + 0.1 < tops["one-terminator"]
    assert first["healthy"] + 0.2 < first["one-terminator"]


@pytest.mark.parametrize("name", ["healthy", "low-on-battery", "swapped", "alone"])
def test_the_screen_has_divisions_of_one_two_or_five(sweeps: Sweeps, name: str) -> None:
    """Ten divisions of time, at most eight of voltage, all of the sweep inside, and said.

    Source: a scope's grid of 8 by 10 divisions and its 1-2-5 steps are common practice.
    """
    picture = sweeps[name][1]
    divided = scale(picture)
    assert 10 == round(picture.sweep_s / divided.time_s)
    assert f"{divided.volt_v:e}"[0] in "125"
    assert 8 >= round((divided.high_v - divided.low_v) / divided.volt_v)
    assert divided.low_v <= min(float(one.volt.min()) for one in picture.channels)
    assert divided.high_v >= max(float(one.volt.max()) for one in picture.channels)
    drawn = figure(picture).axes[0]
    lines = drawn.get_yticks()
    assert {round(divided.volt_v, 9)} == {round(b - a, 9) for a, b in pairwise(map(float, lines))}
    said = [float(label.get_text()) for label in drawn.get_xticklabels() if label.get_text()]
    assert [round(number * divided.time_s * 1e6, 9) for number in range(0, 10, 2)] == said
    assert f"{divided.time_s * 1e6:g} µs/div" in screen(picture, picture.cursors(REST_S, DOMINANT_S))


def test_the_command_saves_ten_pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command writes one numbered PNG for each condition."""
    monkeypatch.setattr(pictures, "CONDITIONS", CONDITIONS[:2])
    pictures.main(tmp_path / "new")
    saved = sorted((tmp_path / "new").iterdir())
    assert ["01-healthy.png", "02-high-on-low.png"] == [path.name for path in saved]
    assert {b"\x89PNG"} == {path.read_bytes()[:4] for path in saved}
    assert 10 == len({condition.name for condition in CONDITIONS})


def test_the_same_sweep_is_drawn_once_and_the_cursors_lie_over_it(sweeps: Sweeps) -> None:
    """Moving a cursor draws no new image."""
    again = taken(LineState("healthy", "", ()), TEACHING)[1]
    picture = sweeps["healthy"][1]
    assert digest(again) == digest(picture)
    assert digest(picture) != digest(sweeps["one-terminator"][1])
    html = screen(picture, picture.cursors(REST_S, DOMINANT_S))
    assert 2 == html.count('class="cursor"')
    (high_rest, high), (low_rest, low) = at_cursors(picture)
    for volt in (high_rest, high, low_rest, low, high - low):
        assert f"{volt:.3f} V" in html
