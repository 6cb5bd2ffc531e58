"""How fast simulated time passes for the minibus, with and without everything on its buses being recorded."""

from pathlib import Path
from time import process_time

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.recording import Recording
from sim.vehicle.reading import read_car

FOR_S = 20.0
TARGET = 4.0  # simulated seconds per second of processor time; one is enough for a car in real time


@pytest.mark.parametrize("suffix", ["", ".log", ".blf"])
def test_minibus_recorded(tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A recorded minibus runs faster than real time, and every frame is in the recording."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"))
    bench.do_all(["press start", "press start", "wait 5 s"])
    recording = Recording(bench.live, tmp_path / f"day{suffix}") if suffix else None
    frames, began_s = bench.live.network.frames_total, process_time()
    bench.do(f"wait {FOR_S:g} s")
    if recording:
        recording.stop()
    rate = FOR_S / (process_time() - began_s)
    frames = bench.live.network.frames_total - frames
    with capsys.disabled():
        how = f"recorded as {suffix}" if suffix else "not recorded"
        print(f"\nminibus, {how}: {frames} frames in {FOR_S:g} s, {rate:.1f} times real time")
    if recording:
        # a frame on its way at either end may be counted on one side only
        assert frames == pytest.approx(recording.frames, abs=10)
    assert rate > TARGET
