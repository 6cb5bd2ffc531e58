"""A scan report as text: what its lines say, as evidence."""

from __future__ import annotations

from collections.abc import Iterator

from sim.lab.case import Evidence
from sim.lab.telling import seen_of


def read_report(text: str) -> Evidence:
    """The evidence in a report with a sentence on each line: "ECM U0101 stored", "TCM is silent"."""
    return Evidence.model_validate(seen_of(list(_sentences(text))))


def _sentences(text: str) -> Iterator[str]:
    return (line.strip() for line in text.splitlines() if line.strip())
