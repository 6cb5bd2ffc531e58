"""Timelines: states with their times, loads that the network confirms, codes, and the picture of them."""

import re
from pathlib import Path

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.timeline import CodeMark, Span, Timeline, TimelineRecorder, picture, save_picture
from sim.network.frames import frame_bits
from sim.vehicle.problems import Problem
from sim.vehicle.reading import read_car


def timeline_of(car: str, *actions: str) -> tuple[Bench, Timeline]:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))
    with TimelineRecorder(bench.live) as recorder:
        bench.do_all(actions)
    return bench, recorder.stop()


def rounded(spans: list[Span]) -> list[tuple[float, float, str]]:
    return [(round(span.start_s, 3), round(span.end_s, 3), span.state) for span in spans]


def test_states_follow_each_other_without_gaps() -> None:
    """TCM starts in 200 ms (its file's default), loses its supply with its connector, starts again."""
    actions = ["press start", "wait 2 s", "unplug TCM.C1", "wait 1 s", "plug TCM.C1", "wait 1 s"]
    _, timeline = timeline_of("six-modules", *actions)
    assert [
        (0.05, 0.2, "starting"),
        (0.2, 2.75, "running"),
        (2.75, 3.8, "unpowered"),
        (3.8, 4.0, "starting"),
        (4.0, 4.85, "running"),
    ] == rounded(timeline.states["TCM"])
    assert [(0.05, 0.2, "starting"), (0.2, 4.85, "running")] == rounded(timeline.states["ECM"])


def test_codes_with_their_times() -> None:
    """A code's setting, healing and clearing are marked, the setting within its limits."""
    actions = ["press start", "wait 6 s", "unplug TCM.C1", "wait 3 s", "plug TCM.C1", "wait 2 s", "clear"]
    _, timeline = timeline_of("six-modules", *actions)
    ecm = [mark for mark in timeline.codes if mark.module == "ECM"]
    assert [("U0101-87", "sets"), ("U0101-87", "heals"), ("U0101-87", "is cleared")] == [
        (mark.code, mark.what) for mark in ecm
    ]
    # the last frame up to 100 ms before, ten periods of 100 ms, matured over 500 ms
    assert 6.75 + 1.4 <= ecm[0].time_s <= 6.75 + 1.5


def test_the_load_is_bits_by_time() -> None:
    """Six messages every 100 ms on 500 kbit/s: their bits, counted anew, over a tenth of a second's."""
    bench, timeline = timeline_of("six-modules", "press start", "wait 5 s")
    bits = sum(frame_bits(stream.frame) for stream in bench.live.world.streams.values())
    assert [bits / 50_000] * 20 == pytest.approx(timeline.loads["main"][-25:-5], rel=0.01)


def test_a_day_of_every_kind_in_one_picture(tmp_path: Path) -> None:
    """The picture shows bus load, modules' states and codes."""
    actions = ["press start", "wait 2 s", "unplug TCM.C1", "press start", "wait 30 s"]
    _, timeline = timeline_of("shuttle-minibus", *actions)
    assert {mark.what for mark in timeline.codes} >= {"sets"}
    path = tmp_path / "day.svg"
    save_picture(timeline, path)
    # matplotlib writes each text into a comment before the outlines of its letters
    texts = set(re.findall(r"<!--(.*?)-->", path.read_text(encoding="utf-8")))
    texts = {text.strip() for text in texts}
    assert {"bus load in %", "modules", "codes", "simulated time in s", "running", "unpowered"} <= texts
    assert set(timeline.loads) | set(timeline.states) | {mark.code for mark in timeline.codes} <= texts


def test_a_picture_of_nothing() -> None:
    """A timeline without events, or with codes alone, has its three axes."""
    empty = Timeline(0.0, 0.1, {"main": [0.0]}, {"ECM": []}, [])
    assert 3 == len(picture(empty).axes)
    marks = [CodeMark(0.5, "ECM", "U0100-87", "sets")]
    codes_only = Timeline(0.0, 1.0, {"main": [0.0] * 10}, {"ECM": []}, marks)
    assert 3 == len(picture(codes_only).axes)


def test_pictures_that_cannot_be(tmp_path: Path) -> None:
    """A wrong format or folder is one sentence."""
    _, timeline = timeline_of("six-modules")
    with pytest.raises(Problem, match=r"no pictures in '\.txt'; formats: \.svg \.png \.pdf"):
        save_picture(timeline, tmp_path / "a.txt")
    with pytest.raises(Problem, match="cannot be written: No such file or directory"):
        save_picture(timeline, tmp_path / "nowhere" / "a.svg")


def test_nothing_is_left_behind() -> None:
    """After a timeline was taken nothing listens to trace or network."""
    bench, _ = timeline_of("six-modules")
    assert bench.live.trace.on_event is None
    assert bench.live.network.tap is None
