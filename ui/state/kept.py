"""Texts that outlive the server, by kind and by the opaque key of a session, in this user's data folder.

The least recently written ones are dropped first. What was typed and chosen on the lab's pages is kept by
field, so that a refresh of the browser gives it back; whatever a page has in no field (a case, a table, a
draft) it keeps by itself.
"""

from __future__ import annotations

import json
import re
from contextlib import suppress
from pathlib import Path

import streamlit as st

from sim.paths import data_path

KEY = re.compile(r"[A-Za-z0-9_-]{8,64}")  # it becomes a file's name
MOST_KEPT = 300  # of a kind
FIELDS_KIND = "fields"
FIELDS: dict[str, type | tuple[type, ...]] = {
    # Bay
    "panel": str, "part": str, "watch_span": str, "watch_all": bool, "watch_wide": bool,
    "asked": str, "answered": str,
    # What if
    "suppositions": list, "suppose_repairs": list, "suppose_log": str, "what_if_own": str,
    "suppose_kind": str, "suppose_words": str,
    # Replay from here
    "branch_source": str, "branch_keep": int, "branch_instead": str, "branch_rest_follows": bool,
    # Possible causes
    "suspects_of": str, "suspects_hide": bool, "suspects_most": str, "suspects_limit": int,
    "suspects_kinds": list, "suspects_codes_text": str, "suspects_theories": bool,
    # Faults that hide each other
    "pairs_of": str, "pairs_edits": list,
    # Case
    "case_title": str, "case_given": str, "step_report": str, "case_codes_text": str,
    "step_do": str, "step_note": str, "step_seen": list, "step_reads": (int, float), "step_within": float,
    "story_name": str, "story_edits": list, "experiment_do": str,
}  # fmt: skip
USE = "use "  # how each supposition is used, by its words


def keep(kind: str, key: str, text: str) -> None:
    """Keep a text, whole or not at all; if it cannot be written, the session still has it."""
    with suppress(OSError):
        path = _path(kind, key)
        path.parent.mkdir(parents=True, exist_ok=True)
        is_new = not path.exists()
        beside = path.with_suffix(".new")
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
        # a folder of a whole class is looked through when it grows, not at every click
        for old in sorted(path.parent.glob("*.json"), key=_age)[MOST_KEPT:] if is_new else ():
            old.unlink(missing_ok=True)


def kept(kind: str, key: str) -> str | None:
    """What was kept, or None."""
    try:
        return _path(kind, key).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None


def anything(key: str) -> bool:
    """Is anything kept under this key, of whatever kind?"""
    return bool(KEY.fullmatch(key)) and any(data_path().glob(f"*/{key}.json"))


def forget(kind: str, begins: str) -> None:
    """Erase every text of a kind whose key begins so."""
    if KEY.fullmatch(begins):
        for file in (data_path() / kind).glob(f"{begins}-*.json"):
            file.unlink(missing_ok=True)


def _path(kind: str, key: str) -> Path:
    if not KEY.fullmatch(key):
        raise OSError(f"no key: {key!r}")
    return data_path() / kind / f"{key}.json"


def _age(path: Path) -> float:
    try:
        return -path.stat().st_mtime
    except OSError:  # another session was faster
        return 0.0


# -- fields --------------------------------------------------------------------------------------------------


def take_up_fields(key: str) -> None:
    """Put what was kept under a session's key into the fields; what has another type is left out."""
    try:
        known = json.loads(kept(FIELDS_KIND, key) or "{}")
    except ValueError:
        return
    for name, value in known.items() if isinstance(known, dict) else ():
        if isinstance(value, _type_of(name)):
            st.session_state.setdefault(name, value)


def keep_fields(key: str) -> None:
    """Keep what is in the fields now, if it has changed."""
    now = {
        name: value
        for name, value in sorted(st.session_state.items(), key=lambda item: str(item[0]))
        if isinstance(value, _type_of(str(name)))
    }
    text = json.dumps(now, ensure_ascii=False)
    if st.session_state.get("fields_kept", "{}") != text:
        keep(FIELDS_KIND, key, text)
        st.session_state.fields_kept = text


def _type_of(name: str) -> type | tuple[type, ...]:
    return str if name.startswith(USE) else FIELDS.get(name, ())
