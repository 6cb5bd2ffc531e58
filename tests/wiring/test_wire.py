"""Conductor resistance against published tables."""

import math

import pytest

from sim.wiring.conduction import CABLE_MOHM_PER_M, wire_ohm
from sim.wiring.errors import CircuitError

# IEC 60228 class 5, plain copper, largest resistance at 20 degC in mohm/m (two published copies agree).
IEC_60228_CLASS_5 = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
    35.0: 0.554,
    50.0: 0.386,
}

# ASTM B258 diameters, 17.241 nohm m: mm2 and mohm/m of solid wire, computed apart to four digits.
AWG = {
    0: (53.48, 0.322),
    2: (33.63, 0.513),
    4: (21.15, 0.815),
    6: (13.30, 1.296),
    8: (8.366, 2.061),
    10: (5.261, 3.277),
    12: (3.309, 5.211),
    14: (2.081, 8.285),
    16: (1.309, 13.17),
    18: (0.8230, 20.95),
    20: (0.5176, 33.31),
    22: (0.3255, 52.96),
    24: (0.2047, 84.21),
}


@pytest.mark.parametrize(("area_mm2", "class_5_mohm"), IEC_60228_CLASS_5.items())
def test_vehicle_cable_stays_just_below_the_general_standard(area_mm2: float, class_5_mohm: float) -> None:
    """Road-vehicle cable is allowed 4 to 5 % less resistance than IEC 60228 class 5."""
    assert 0.945 <= 1000 * wire_ohm(1, area_mm2) / class_5_mohm <= 0.965


@pytest.mark.parametrize(
    ("area_mm2", "mohm"), [(0.13, 136), (0.35, 54.4), (0.5, 37.1), (2.5, 7.6), (16, 1.16), (50, 0.368)]
)
def test_a_listed_size_has_its_table_value(area_mm2: float, mohm: float) -> None:
    """ISO 6722-1, largest resistance at 20 degC (from memory)."""
    assert mohm == pytest.approx(1000 * wire_ohm(1, area_mm2), rel=1e-12)


def awg_mm2(gauge: int) -> float:
    """Cross-section of a solid American wire gauge: ASTM B258's formula, 39 equal ratios from 4/0 to 36."""
    return math.pi / 4 * (0.127 * 92 ** ((36 - gauge) / 39)) ** 2


@pytest.mark.parametrize(("gauge", "area_mm2", "mohm"), [(g, *row) for g, row in AWG.items()])
def test_american_wire_gauge(gauge: int, area_mm2: float, mohm: float) -> None:
    """A gauge of ASTM B258 has the resistance of solid copper in the published table."""
    assert area_mm2 == pytest.approx(awg_mm2(gauge), rel=5e-4)
    assert mohm == pytest.approx(1000 * wire_ohm(1, awg_mm2(gauge)), abs=0.00051 * max(1, mohm))


def test_awg_20_by_the_thousand_feet() -> None:
    """A published wire table: 10.15 ohm per 1000 ft."""
    assert 10.15 == pytest.approx(wire_ohm(304.8, awg_mm2(20)), abs=0.005)


def test_an_unlisted_size_follows_from_resistivity() -> None:
    """A size that no table lists has the resistance of solid copper."""
    assert 0.017241 / 3 * 2 == pytest.approx(wire_ohm(2, 3.0), rel=1e-12)


def test_every_listed_size_has_more_resistance_than_solid_copper() -> None:
    """Stranded cable of every listed size has more resistance than solid copper of that area."""
    for area_mm2, mohm in CABLE_MOHM_PER_M.items():
        assert 17.241 / area_mm2 < mohm


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((-1, 0.5), "wire: length_m is -1; it must be a finite number from 0"),
        ((1, 0), "wire: area_mm2 is 0; it must be a finite number above 0"),
    ],
)
def test_bad_input_gets_one_sentence(arguments: tuple[float, ...], sentence: str) -> None:
    """Bad input gets one sentence with the value and the limit."""
    with pytest.raises(CircuitError) as error:
        wire_ohm(*arguments)
    assert sentence == str(error.value)
