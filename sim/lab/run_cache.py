"""Finished runs kept on disk by content, in one SQLite file."""

from __future__ import annotations

import hashlib
import sqlite3
import threading
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from sim.lab.run import code_version

MOST_BYTES = 500_000_000  # then the oldest quarter goes; our own choice
LOOKED_AT_EVERY = 50  # so many runs may come before the size is looked at


class Cache:
    """Finished runs in one file of a folder, safe against being killed and against several users at once.

    The file grows up to `most_bytes` and a few runs.
    """

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._kept = 0
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / "runs.sqlite"
        self._lock = threading.Lock()
        try:
            self._open()
        except sqlite3.DatabaseError:  # not a file of ours, or spoiled: begin again
            self._path.unlink()
            self._open()

    def find(self, keys: Iterable[str]) -> dict[str, str]:
        """The kept texts among these keys."""
        found = {}
        with self._lock, closing(self._connected()) as store:
            for key in keys:
                row = store.execute("SELECT account, check_sum FROM runs WHERE key = ?", (key,)).fetchone()
                if row and _check_sum(key, row[0]) == row[1]:
                    found[key] = row[0]
        return found

    def keep(self, key: str, account: str) -> None:
        """Keep one text, of an account or of what else was worked out, whole or not at all."""
        with self._lock, closing(self._connected()) as store, store:
            row = (key, code_version(), account, _check_sum(key, account))
            store.execute("INSERT OR REPLACE INTO runs VALUES (?, ?, ?, ?)", row)
            self._kept += 1
            if self._kept % LOOKED_AT_EVERY == 0 and _size(store) > self._most_bytes:
                oldest = "SELECT rowid FROM runs ORDER BY rowid LIMIT (SELECT 1 + count(*) / 4 FROM runs)"
                store.execute(f"DELETE FROM runs WHERE rowid IN ({oldest})")  # its pages are used again

    def _open(self) -> None:
        with closing(self._connected()) as store, store:
            store.execute("PRAGMA journal_mode = WAL")
            columns = "key TEXT PRIMARY KEY, version TEXT, account TEXT, check_sum TEXT"
            store.execute(f"CREATE TABLE IF NOT EXISTS runs ({columns})")
            store.execute("DELETE FROM runs WHERE version != ?", (code_version(),))

    def _connected(self) -> sqlite3.Connection:
        return sqlite3.connect(self._path, timeout=30)


def _size(store: sqlite3.Connection) -> int:
    """Bytes in use."""
    pages, free, size = (
        store.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * size)


def _check_sum(key: str, account: str) -> str:
    return hashlib.sha256(f"{key} {account}".encode()).hexdigest()
