"""Blade fuses against ISO 8820-3 and makers' data."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wiring.errors import CircuitError
from sim.wiring.fuse import fuse_cold_ohm, opening_band_s, opening_s

# ISO 8820-3: longest times as quoted in TE's mini ISO relay data sheet; shortest times, type C, from memory.
BAND_S = {1.35: (0.75, 1800.0), 2.0: (0.15, 5.0), 3.5: (0.04, 0.5), 6.0: (0.02, 0.1)}

RATINGS_A = (5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)


@pytest.mark.parametrize("rating_a", RATINGS_A)
@pytest.mark.parametrize(("multiple", "band_s"), BAND_S.items())
def test_opening_band_of_the_standard(rating_a: float, multiple: float, band_s: tuple[float, float]) -> None:
    """A fuse opens between the shortest and longest time of ISO 8820-3 at each listed multiple."""
    assert band_s == pytest.approx(opening_band_s(multiple * rating_a, rating_a), rel=1e-9)


def test_it_holds_at_a_tenth_above_its_rating() -> None:
    """ISO 8820-3: no opening in 100 h at 1.10 times (from memory)."""
    assert opening_band_s(11.0, 10.0) is None
    assert opening_s(11.0, 10.0) is None
    assert opening_s(10.999, 10.0) is None
    assert 100_000 < (opening_s(11.01, 10.0) or 0) < 360_000


def test_halfway_on_log_paper() -> None:
    """At the geometric mean of two multiples, the geometric mean of their times."""
    band = opening_band_s(10 * math.sqrt(2.0 * 3.5), 10)
    assert (math.sqrt(0.15 * 0.04), math.sqrt(5 * 0.5)) == pytest.approx(band, rel=1e-12)


def test_nominal_time_is_the_geometric_mean() -> None:
    """The nominal opening time is the geometric mean of the band, in either direction of current."""
    assert math.sqrt(0.15 * 5.0) == pytest.approx(opening_s(20, 10), rel=1e-12)
    assert math.sqrt(0.02 * 0.1) == pytest.approx(opening_s(-60, 10), rel=1e-12)


def test_a_dead_short_opens_at_constant_i2t() -> None:
    """Five times the last listed multiple opens 25 times as fast."""
    assert (0.02 / 25, 0.1 / 25) == pytest.approx(opening_band_s(300, 10), rel=1e-12)


@given(st.floats(1.1001, 1000), st.floats(1.0001, 3))
def test_more_current_never_opens_later(multiple: float, more: float) -> None:
    """More current opens a fuse no later."""
    slow, fast = opening_band_s(multiple, 1.0), opening_band_s(multiple * more, 1.0)
    assert slow is not None
    assert fast is not None
    assert 0 < fast[0] <= slow[0] <= slow[1]
    assert fast[1] <= slow[1]


@pytest.mark.parametrize(("rating_a", "drop_mv"), [(5.0, 130), (30.0, 85)])
def test_drop_at_rated_current(rating_a: float, drop_mv: float) -> None:
    """Makers' data, from memory: 85 mV (30 A) to 130 mV (5 A) with a hot resistance of about 1.4 times."""
    assert drop_mv == pytest.approx(1.4 * 1000 * rating_a * fuse_cold_ohm(rating_a), rel=0.15)


def test_resistance_falls_with_rating_also_between_and_beyond_the_known_ones() -> None:
    """A larger fuse has less resistance, also between and beyond the listed ratings."""
    values = [fuse_cold_ohm(rating_a) for rating_a in (1, 2, 3, 5, 6, 7.5, 10, 12, 15, 20, 25, 30, 40, 60)]
    assert values == sorted(values, reverse=True)
    assert 0.0077 == fuse_cold_ohm(10)


def test_bad_input_gets_one_sentence() -> None:
    """Bad input gets one sentence with the value and the limit."""
    with pytest.raises(CircuitError, match=r"^fuse: rating_a is 0; it must be a finite number above 0$"):
        opening_s(10, 0)
    with pytest.raises(CircuitError, match=r"^fuse: current_a is not a number$"):
        opening_s(math.nan, 10)
