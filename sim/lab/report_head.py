"""Date and odometer in the head of a scan report, as they are written there.

Not modeled: which of two figures is the day (03/04/2026 is kept as it is); engine hours.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from sim.lab.report_words import plain

DATE: Final = re.compile(r"(?<![\d.,/-])(\d{4}-\d{1,2}-\d{1,2}|\d{1,2}([./-])\d{1,2}\2\d{4})(?!\.?\d)")
FIGURE: Final = r"(\d{1,3}(?:[.,' ]\d{3})+|\d{1,7})(?:[.,]\d)?"
UNIT: Final = r"(km|kilomet(?:er|re)s?|mi|miles)\b"
BY_WORD: Final = re.compile(
    rf"\b(?:odometer|mileage|kilometerstand|kilometrage|kilometraje)\b\W{{0,4}}{FIGURE}(?:\s*{UNIT})?"
)
BY_UNIT: Final = re.compile(rf"(?<![\d.,]){FIGURE}\s*{UNIT}(?!/|\s*/)")


def date_in(head: Iterable[str]) -> str:
    """The first date of these lines; "" where there is none."""
    return next((found[1] for line in head if (found := DATE.search(line))), "")


def odometer_in(head: Iterable[str]) -> str:
    """The first odometer reading of these lines, with its unit if it is given; "" without one."""
    for line in map(plain, head):
        if found := BY_WORD.search(line) or BY_UNIT.search(line):
            return " ".join(filter(None, found.groups()))
    return ""
