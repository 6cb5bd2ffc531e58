"""Blade fuses: cold resistance and time to open."""

import math
from collections.abc import Sequence

from sim.wiring.errors import CircuitError, require_positive

# Cold resistance in ohm by rating in A: fuse makers' data, from memory, +-15 %.
COLD_OHM = {
    5.0: 0.0179,
    7.5: 0.0109,
    10.0: 0.0077,
    15.0: 0.0048,
    20.0: 0.0034,
    25.0: 0.0025,
    30.0: 0.0020,
}

# Below this multiple of its rating a fuse never opens (ISO 8820-3: not in 100 h at 1.10), from memory.
HOLDS_MULTIPLE = 1.10
HOLDS_S = 100 * 3600.0

# Longest opening times of ISO 8820-3 in s by multiple of the rating, as quoted in TE's relay data sheet
# (mini ISO relay B, overload current); the 1.6 row from memory.
LONGEST_S = ((HOLDS_MULTIPLE, HOLDS_S), (1.35, 1800.0), (1.6, 50.0), (2.0, 5.0), (3.5, 0.5), (6.0, 0.1))
# Shortest opening times, ISO 8820-3 type C, from memory.
SHORTEST_S = ((HOLDS_MULTIPLE, HOLDS_S), (1.35, 0.75), (1.6, 0.25), (2.0, 0.15), (3.5, 0.04), (6.0, 0.02))


def fuse_cold_ohm(rating_a: float) -> float:
    """Cold resistance in ohm of a blade fuse; between and beyond the known ratings on a log-log line.

    Raises CircuitError for a rating not above 0.

    Not modeled: warming (about 1.4 times at rated current, from memory).
    """
    require_positive("fuse", rating_a=rating_a)
    return _log_log(rating_a, tuple(COLD_OHM.items()))


def opening_band_s(current_a: float, rating_a: float) -> tuple[float, float] | None:
    """Shortest and longest time in s to open at a constant current; None if it never opens.

    Between the multiples that ISO 8820-3 lists, on a log-log line; above 6 times the rating at constant
    I2t, where heat has no time to leave (textbook physics). The sign of the current does not matter.
    Raises CircuitError for a rating not above 0 or a current that is not a number.

    Not modeled: ambient temperature, aging, arcing, and types other than C (a small blade's shortest
    time at 3.5 times is 0.08 s, from memory).
    """
    require_positive("fuse", rating_a=rating_a)
    if math.isnan(current_a):
        raise CircuitError("fuse: current_a is not a number")
    multiple = abs(current_a) / rating_a
    if multiple <= HOLDS_MULTIPLE:
        return None
    return _opening_s(multiple, SHORTEST_S), _opening_s(multiple, LONGEST_S)


def opening_s(current_a: float, rating_a: float) -> float | None:
    """Nominal time in s to open: the geometric mean of the band; None if it never opens."""
    band = opening_band_s(current_a, rating_a)
    return None if band is None else math.sqrt(band[0] * band[1])


def _opening_s(multiple: float, curve: Sequence[tuple[float, float]]) -> float:
    last_multiple, last_s = curve[-1]
    if multiple > last_multiple:
        return last_s * (last_multiple / multiple) ** 2
    return _log_log(multiple, curve)


def _log_log(x: float, curve: Sequence[tuple[float, float]]) -> float:
    """Value at x on straight lines between the points of a curve drawn on log-log paper."""
    for known_x, known_y in curve:
        if x == known_x:
            return known_y
    k = min(max(sum(known_x < x for known_x, _ in curve), 1), len(curve) - 1)
    (x0, y0), (x1, y1) = curve[k - 1], curve[k]
    share = math.log(x / x0) / math.log(x1 / x0)
    return y0 * math.exp(share * math.log(y1 / y0))
