"""Texts that outlive the server, by kind and by the opaque key of a session, in this user's data folder.

Those that were not written to for longest go first.
"""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path

from sim.paths import data_path

KEY = re.compile(r"[A-Za-z0-9_-]{8,64}")  # it becomes a file's name
MOST_KEPT = 300  # of a kind


def keep(kind: str, key: str, text: str) -> None:
    """Keep a text, whole or not at all; where the disk takes nothing, the session still has it."""
    with suppress(OSError):
        path = _path(kind, key)
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_suffix(".new")
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
        for old in sorted(path.parent.glob("*.json"), key=_age)[MOST_KEPT:]:
            old.unlink(missing_ok=True)


def kept(kind: str, key: str) -> str | None:
    """What was kept, or None."""
    try:
        return _path(kind, key).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None


def _path(kind: str, key: str) -> Path:
    if not KEY.fullmatch(key):
        raise OSError(f"no key: {key!r}")
    return data_path() / kind / f"{key}.json"


def _age(path: Path) -> float:
    try:
        return -path.stat().st_mtime
    except OSError:  # another session was faster
        return 0.0
