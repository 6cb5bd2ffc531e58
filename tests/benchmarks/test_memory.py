"""One hour of a chattering minibus with every frame recorded: how much memory?

Two minutes are run and what they add is carried on to an hour; BUSBAY_WHOLE_HOUR=1 runs the hour itself
(some minutes). What is thinned, and how: frames go to the file and are not kept; the trace keeps changes
only, never a frame that repeats the one before, and each wording once (`Trace`).
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LIMIT_MB = 300.0
HOUR_S = 3600.0

HOUR = """
import json, os, sys
from pathlib import Path
from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.recording import Recording
from sim.vehicle.reading import read_car

def resident_mb():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

bench = Bench(
    read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"),
    ["interrupt ECM.powertrain.H every 1 s for 100 ms"],
)
bench.do_all(["press start with brake", "wait 30 s"])
step_s, steps, rows = float(sys.argv[1]), int(sys.argv[2]), []
with Recording(bench.live, Path(sys.argv[3])) as recording:
    for _ in range(steps):
        bench.do(f"wait {step_s:g} s")
        rows.append((bench.now_s, resident_mb(), len(bench.trace), recording.frames))
print(json.dumps(rows))
"""


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="resident memory is read from /proc")
def test_an_hour_stays_below_the_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Memory carried on to an hour of chatter, with every frame recorded, stays below the limit."""
    whole = bool(os.environ.get("BUSBAY_WHOLE_HOUR"))
    step_s, steps = (HOUR_S / 2, 2) if whole else (60.0, 2)
    done = subprocess.run(
        [sys.executable, "-c", HOUR, str(step_s), str(steps), str(tmp_path / "hour.log")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    (begun_s, begun_mb, _, _), (end_s, end_mb, events, frames) = json.loads(done.stdout)
    growth_mb_per_s = max(0.0, end_mb - begun_mb) / (end_s - begun_s)
    hour_mb = end_mb + growth_mb_per_s * max(0.0, HOUR_S - end_s)
    with capsys.disabled():
        print(
            f"\nmemory: {end_mb:.0f} MB after {end_s:.0f} s, {events} events and {frames} recorded frames; "
            f"{hour_mb:.0f} MB after an hour at {growth_mb_per_s * 1000:.1f} kB/s"
        )
    assert events > 1000
    assert frames > 100_000
    assert hour_mb < LIMIT_MB
