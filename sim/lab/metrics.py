"""How good a diagnosis was, in figures like those of the diagnostic competitions (DXC-style).

Definitions from memory of the diagnostic competitions' framework (Feldman and others, IJPHM); its text was
not at hand, so results are called DXC-style and not DXC scores.

Not modeled: time to detection, processor time and memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import fmean, median

Parts = frozenset[str]


def classification_error(true: Parts, weights: Mapping[Parts, float]) -> float:
    """M_err: expected number of parts named wrongly or left out, over weighted candidate sets."""
    return sum(weight * len(true ^ candidate) for candidate, weight in _shares(weights).items())


def utility(true: Parts, weights: Mapping[Parts, float], parts: int) -> float:
    """M_utl: 1 for the exact set, less by the expected share of vain repairs and of vain searching.

    `parts` is the number of parts that can fail.
    """
    shares = _shares(weights).items()
    return sum(weight * _utility(true, candidate, parts) for candidate, weight in shares)


def expected_draws(hidden: int, among: int) -> float:
    """How many of `among` parts must be drawn, one by one at random, until all `hidden` ones are found."""
    return hidden * (among + 1) / (hidden + 1)


@dataclass(frozen=True, slots=True)
class Figures:
    """A series of diagnoses in DXC-style figures."""

    scenarios: int
    error: float
    utility: float
    exact_share: float
    kept_share: float
    median_survivors: float
    median_minutes: float
    mean_minutes: float


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One scenario: the true edits, the weighted survivors, and the minutes of labor."""

    true: Parts
    weights: Mapping[Parts, float]
    minutes: float


def figures(diagnoses: Iterable[Diagnosis], parts: int) -> Figures:
    """Means of M_err and M_utl; shares with the exact set ranked best, and with it among the survivors."""
    runs = list(diagnoses)
    if not runs:
        raise ValueError("no diagnosis to judge")
    best = [_heaviest(run.weights) for run in runs]
    return Figures(
        len(runs),
        sum(classification_error(run.true, run.weights) for run in runs) / len(runs),
        sum(utility(run.true, run.weights, parts) for run in runs) / len(runs),
        sum(one == run.true for one, run in zip(best, runs, strict=True)) / len(runs),
        sum(run.true in run.weights for run in runs) / len(runs),
        median(len(run.weights) for run in runs),
        median(run.minutes for run in runs),
        fmean(run.minutes for run in runs),
    )


def _heaviest(weights: Mapping[Parts, float]) -> Parts | None:
    """The candidate with the greatest weight; of equals the first by name."""
    return max(sorted(weights, key=sorted), key=lambda one: weights[one], default=None)


def _utility(true: Parts, candidate: Parts, parts: int) -> float:
    missed, vain = len(true - candidate), len(candidate - true)
    search = expected_draws(missed, parts - len(candidate))
    repair = expected_draws(vain, len(candidate))
    return 1 - search / parts - repair / parts


def _shares(weights: Mapping[Parts, float]) -> dict[Parts, float]:
    total = sum(weights.values())
    if total <= 0:
        raise ValueError("no candidate has a weight above 0; an empty set says 'nothing is wrong'")
    return {candidate: weight / total for candidate, weight in weights.items()}
