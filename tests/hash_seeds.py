"""The same program in processes with different hash seeds."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def printed(program: str, given: str = "") -> str:
    """What a program prints, which is the same byte for byte whatever order its sets have."""
    outputs = {
        subprocess.run(
            [sys.executable, "-c", program],
            input=given,
            env=os.environ | {"PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(ROOT)},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for hash_seed in ("0", "1", "4711")
    }
    assert 1 == len(outputs)
    return outputs.pop()
