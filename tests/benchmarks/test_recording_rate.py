"""How long a minute of a driving minibus takes with everything on its buses recorded, and without.

Yardstick, in the same run: the same minute without a recording. Lines of text go out many at a time
(`sim.link.record_lines`); .blf, .csv and .db are written frame by frame by python-can.
"""

from pathlib import Path
from time import process_time

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.recording import Recording
from sim.vehicle.reading import read_car

FOR_S = 60.0
TARGETS = {".log": 1.5, ".asc": 1.7, ".blf": 8.0}  # times the run itself
ROUNDS = 3


def took_s(bench: Bench, path: Path | None) -> float:
    """Processor time of a minute, recorded to a file or not."""
    frames, began_s = bench.live.network.frames_total, process_time()
    recording = Recording(bench.live, path) if path else None
    bench.do(f"wait {FOR_S:g} s")
    if recording:
        recording.stop()
        # a frame on its way at either end may be counted on one side only
        assert bench.live.network.frames_total - frames == pytest.approx(recording.frames, abs=10)
    return process_time() - began_s


@pytest.mark.parametrize("suffix", TARGETS)
def test_minibus_recorded(tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Recording to a text file takes at most half as long again as the run itself."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"))
    bench.do_all(["press start", "press start", "wait 5 s"])
    pairs = [(took_s(bench, None), took_s(bench, tmp_path / f"day{suffix}")) for _ in range(ROUNDS)]
    plain_s, recorded_s = map(min, zip(*pairs, strict=True))
    with capsys.disabled():
        print(f"\nminibus, {FOR_S / plain_s:.0f} times real time; recorded as {suffix}:", end=" ")
        print(f"{FOR_S / recorded_s:.0f}, that is {recorded_s / plain_s:.2f} of the run")
    assert recorded_s <= TARGETS[suffix] * plain_s
