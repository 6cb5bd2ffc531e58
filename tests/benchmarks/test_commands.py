"""How soon the command answers: help and the README's first run, medians of ten, in processor time.

Measured against starting the interpreter with SimPy alone in the same run. On a quiet machine help has 0.3 s
and the run 1.5 s; processor time holds on a busy one, too.
"""

import resource
import subprocess
import sys
from pathlib import Path
from statistics import median

import pytest

ROOT = Path(__file__).resolve().parents[2]
TIMES = 10
RUN = [
    *("run", "teaching-car", "--given", "unplug ABS", "--do", "key run", "--do", "wait 5 s", "--do", "scan"),
    *("--why", "code ECM U0121", "--why", "silent ABS"),
]


def median_s(*words: str) -> float:
    """Median processor time of a Python process with these arguments."""
    spent_s = []
    for _ in range(TIMES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent_s.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return median(spent_s)


@pytest.mark.parametrize(
    ("words", "limit_s", "times_simpy"),
    [(["--help"], 0.3, 3), (RUN, 1.5, 30)],
    ids=["help", "run"],
)
def test_the_command_answers_soon(
    words: list[str], limit_s: float, times_simpy: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Help and a run take less than their limit, and than so many times `import simpy`."""
    bare_s = median_s("-c", "import simpy")
    taken_s = median_s("-m", "sim.cli", *words)
    with capsys.disabled():
        against = f"{taken_s / bare_s:.1f} times import simpy ({bare_s:.3f} s)"
        print(f"\nbusbay {words[0]}: {taken_s:.3f} s, {against}")
    assert taken_s < limit_s
    assert taken_s < times_simpy * bare_s
