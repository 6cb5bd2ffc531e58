"""What was typed and chosen on the lab's pages, beside the bench: a refresh of the browser gives it back.

A field is kept by its key in the session's state; whatever a page has in no field (a case, a table, a draft)
it keeps by itself.
"""

from __future__ import annotations

import json

import streamlit as st

from ui.state import kept

KIND = "fields"
FIELDS: dict[str, type | tuple[type, ...]] = {
    # What if
    "suppositions": list, "suppose_repairs": list, "suppose_log": str, "what_if_own": str,
    "suppose_kind": str, "suppose_words": str,
    # Instead
    "branch_source": str, "branch_keep": int, "branch_instead": str, "branch_rest_follows": bool,
    # Suspects
    "suspects_of": str, "suspects_hide": bool, "suspects_most": str, "suspects_limit": int,
    "suspects_kinds": list,
    # Two faults
    "pairs_of": str, "pairs_edits": list,
    # Case
    "case_title": str, "step_do": str, "step_seen": list, "step_reads": (int, float), "step_within": float,
    "story_name": str, "story_edits": list, "experiment_do": str,
}  # fmt: skip
USE = "use "  # how each supposition is used, by its words


def take_up(key: str) -> None:
    """Put what was kept under a session's key into the fields, where it is something of ours."""
    try:
        known = json.loads(kept.kept(KIND, key) or "{}")
    except ValueError:
        return
    for name, value in known.items() if isinstance(known, dict) else ():
        if isinstance(value, _kind(name)):
            st.session_state.setdefault(name, value)


def keep(key: str) -> None:
    """Keep what is in the fields now, if it has changed."""
    now = {
        name: value
        for name, value in sorted(st.session_state.items(), key=lambda item: str(item[0]))
        if isinstance(value, _kind(str(name)))
    }
    text = json.dumps(now, ensure_ascii=False)
    if st.session_state.get("fields_kept", "{}") != text:
        kept.keep(KIND, key, text)
        st.session_state.fields_kept = text


def _kind(name: str) -> type | tuple[type, ...]:
    return str if name.startswith(USE) else FIELDS.get(name, ())
