"""Logs that outlive a refresh of the browser: text of car and bench, by the opaque key of a session."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

import streamlit as st

from sim.bench.bench import Bench
from sim.vehicle.reading import car_from_text

MOST_ON_SHELF = 300


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """A log that was left by a rewind, a fresh start or another car, and can be taken up again."""

    words: str
    car_name: str
    car_text: str
    saved: str
    job: str = ""

    def bench(self) -> Bench:
        """The bench of this log, replayed."""
        return Bench.restored(car_from_text(self.car_text, self.car_name), self.saved)


class Shelf:
    """Saved benches of all sessions by key; the one that was not touched for longest goes first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._saved: OrderedDict[str, tuple[LeftBehind, tuple[LeftBehind, ...]]] = OrderedDict()

    def put(self, key: str, now: LeftBehind, left_behind: Sequence[LeftBehind]) -> None:
        """Keep the log of a session, and those that it left behind."""
        with self._lock:
            self._saved[key] = now, tuple(left_behind)
            self._saved.move_to_end(key)
            while len(self._saved) > MOST_ON_SHELF:
                self._saved.popitem(last=False)

    def take(self, key: str) -> tuple[LeftBehind, tuple[LeftBehind, ...]] | None:
        """The log under a key, with those left behind; None if the key is not known."""
        with self._lock:
            return self._saved.get(key)


@st.cache_resource
def shelf() -> Shelf:
    """The shelf of this server."""
    return Shelf()
