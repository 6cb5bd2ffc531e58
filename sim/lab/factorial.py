"""Main effects and interactions of n edits on a number, from all 2^n combinations (a full factorial).

Standard order: bit k of a combination's number stands for edit k, so the first edit changes fastest. The
effect of an edit is the mean of the results with it minus the mean without it; an interaction is how far the
effect of one depends on the others (Montgomery, Design and Analysis of Experiments, chapter 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Effect:
    """The effect of one edit (one name) or the interaction of several, in the unit of the results."""

    names: tuple[str, ...]
    size: float
    sum_of_squares: float

    def __str__(self) -> str:
        return f"{' × '.join(self.names)}: {self.size:+g}"


def effects(names: Sequence[str], values: Sequence[float]) -> tuple[Effect, ...]:
    """All 2^n - 1 effects in standard order.

    `values`: 2^n finite numbers in standard order. Raises `ValueError` for another count: with a combination
    missing, main effects and interactions cannot be told apart.
    """
    n = len(names)
    if n == 0 or len(values) != 2**n:
        raise ValueError(f"{n} edits need {2**n} values (here: {len(values)})")
    contrasts = np.array(values, dtype=float)
    if not np.isfinite(contrasts).all():
        raise ValueError("every combination needs a finite number")
    for _ in range(n):  # Yates' algorithm: sums of neighbors, then their differences
        contrasts = np.concatenate([contrasts[0::2] + contrasts[1::2], contrasts[1::2] - contrasts[0::2]])
    sizes, squares = contrasts / 2 ** (n - 1), contrasts**2 / 2**n
    return tuple(
        Effect(
            tuple(name for k, name in enumerate(names) if number >> k & 1),
            float(sizes[number]),
            float(squares[number]),
        )
        for number in range(1, 2**n)
    )
