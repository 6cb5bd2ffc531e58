"""Fuses as the diagram prints them: a number, and the box it is in. Two boxes of a car may count alike.

A car names each fuse once: the two F5 of a table with boxes are `F5-cabin` and `F5-engine-bay`, each in its
box. The picture of a box shows the number alone, as it is printed there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping


def in_box(number: str, box: str) -> str:
    """The name of a fuse whose number another box has, too: `F5-engine-bay`."""
    return "-".join([number, *filter(None, re.split(r"[^A-Za-z0-9_+]+", box))])


def printed(name: str, box: str) -> str:
    """What is printed at a fuse in its box: `F5` of `F5-engine-bay` in the engine bay."""
    return name.removesuffix(in_box("", box))


def boxes_of_numbers(fuses: Iterable[tuple[str, str]]) -> Mapping[str, tuple[str, ...]]:
    """The boxes, in order, that each number of these pairs of number and box is in."""
    found: dict[str, dict[str, None]] = {}
    for number, box in fuses:
        found.setdefault(number, {}).update({box: None} if box else {})
    return {number: tuple(boxes) for number, boxes in found.items()}
