"""The file of a bench, car and log, as it is downloaded and restored."""

from __future__ import annotations

import json

from sim.vehicle.problems import EditProblem
from ui.state.held import Held


def log_to_download(held: Held) -> str:
    """The whole bench as one file: car and log."""
    bench = json.loads(held.bench.saved())
    return json.dumps(
        {"busbay": 1, "car_name": held.car_name, "car": held.car_text, "bench": bench},
        ensure_ascii=False,
        indent=1,
    )


def opened_log(text: str) -> tuple[str, str, str]:
    """Name and text of the car, and the saved bench, of a downloaded log."""
    try:
        saved = json.loads(text)
        name, car_text, bench = saved["car_name"], saved["car"], saved["bench"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise EditProblem("this file is no log of busbay") from None
    if not isinstance(name, str) or not isinstance(car_text, str):
        raise EditProblem("this file is no log of busbay")
    return name, car_text, json.dumps(bench)
