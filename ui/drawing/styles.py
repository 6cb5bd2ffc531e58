"""The style sheets of all drawings, for the sheets of a page and for drawings in files."""

from __future__ import annotations

from functools import cache
from pathlib import Path

HERE = Path(__file__).parent
NAMES = (
    "map", "timeline", "causes", "tables", "instruments", "plan", "dash", "fuse_box", "class", "doors",
    "term", "handbook",
)  # fmt: skip


@cache
def style() -> str:
    """All of them as one text."""
    return "".join((HERE / f"{name}.css").read_text(encoding="utf-8") for name in NAMES)
