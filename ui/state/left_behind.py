"""The logs of a session in the free bay, and on disk under its key: a restart of the server loses nothing.

A car's text is written once, however many logs are of that car.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from sim.bench.bench import Bench, parts_of
from sim.vehicle.reading import car_from_text
from ui.state import kept
from ui.state.long_work import MOST_CPU_S, Report, carried_out

KIND = "bays"
MOST_TO_OPEN_S = 10 * MOST_CPU_S  # many clicks have made it


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """A log that was left by a rewind, a fresh start or another car, and can be taken up again."""

    words: str
    car_name: str
    car_text: str
    saved: str
    job: str = ""

    @property
    def parts(self) -> tuple[tuple[str, ...], int, tuple[str, ...]]:
        """Given edits, seed and actions; raises `EditProblem` if the text is no saved bench."""
        return parts_of(self.saved)

    def bench(self, report: Report) -> Bench:
        """The bench of this log, replayed."""
        given, seed, log = self.parts
        bench = Bench(car_from_text(self.car_text, self.car_name), given, seed)
        return carried_out(bench, log, report, MOST_TO_OPEN_S)[0]


def keep(key: str, now: LeftBehind, left_behind: Sequence[LeftBehind]) -> None:
    """Keep the log of a session, and those that it left behind."""
    texts = list(dict.fromkeys(one.car_text for one in (now, *left_behind)))
    logs = [asdict(one) | {"car_text": texts.index(one.car_text)} for one in (now, *left_behind)]
    kept.keep(KIND, key, json.dumps({"cars": texts, "logs": logs}, ensure_ascii=False))


def kept_under(key: str) -> tuple[LeftBehind, tuple[LeftBehind, ...]] | None:
    """The log under a key, with those left behind; None if there is none, or none that can be read."""
    try:
        data = json.loads(kept.kept(KIND, key) or "")
        logs = [LeftBehind(**(log | {"car_text": data["cars"][log["car_text"]]})) for log in data["logs"]]
        return logs[0], tuple(logs[1:])
    except (ValueError, KeyError, TypeError, IndexError):
        return None
