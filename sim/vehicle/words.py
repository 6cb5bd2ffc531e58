"""How numbers of things and units of time are written in a sentence."""

from __future__ import annotations

UNITS_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}  # in seconds


def counted(number: int, thing: str) -> str:
    """`0 codes`, `1 code`, `2 codes`: for things whose plural ends in a plain s."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
