"""Effects and sums of squares against two published factorial experiments."""

import pytest

from sim.lab.factorial import effects

FILTRATION = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
# fmt: off
CERAMIC = [
    680.45, 722.48, 702.14, 666.93, 703.67, 642.14, 692.98, 669.26, 491.58, 475.52, 478.76, 568.23,
    444.72, 410.37, 428.51, 491.47, 607.34, 620.80, 610.55, 638.04, 585.19, 586.17, 601.67, 608.31,
    442.90, 434.41, 417.66, 510.84, 392.11, 343.22, 385.52, 446.73,
]
CERAMIC_SQUARES = {
    "speed": 894, "rate": 3497, "grit": 12664, "direction": 315133, "batch": 33654,
    "speed:rate": 4873, "speed:grit": 1839, "speed:direction": 1637, "speed:batch": 465,
    "rate:grit": 307, "rate:direction": 1973, "rate:batch": 199, "grit:direction": 3158,
    "grit:batch": 29, "direction:batch": 1329, "speed:rate:grit": 357, "speed:rate:direction": 5896,
    "speed:rate:batch": 145, "speed:grit:direction": 2, "speed:grit:batch": 30,
    "speed:direction:batch": 545, "rate:grit:direction": 44, "rate:grit:batch": 26,
    "rate:direction:batch": 167, "grit:direction:batch": 32,
}
# fmt: on


def test_the_filtration_rate_experiment() -> None:
    """Montgomery, Example 6.2: 15 effects; data and effects read in the tests of a statistics library."""
    expected = {
        "A": 21.625, "B": 3.125, "AB": 0.125, "C": 9.875, "AC": -18.125, "BC": 2.375, "ABC": 1.875,
        "D": 14.625, "AD": 16.625, "BD": -0.375, "ABD": 4.125, "CD": -1.125, "ACD": -1.625,
        "BCD": -2.625, "ABCD": 1.375,
    }  # fmt: skip
    found = {"".join(one.names): one.size for one in effects("ABCD", FILTRATION)}
    assert expected == found
    assert list(expected) == list(found)


def test_the_ceramic_strength_experiment() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 5.4.7.1: its table of variance, digit by digit."""
    names = ["speed", "rate", "grit", "direction", "batch"]
    found = {":".join(one.names): one.sum_of_squares for one in effects(names, CERAMIC)}
    assert CERAMIC_SQUARES == {name: round(found[name]) for name in CERAMIC_SQUARES}
    # the handbook pools the six effects of four and five factors into its residual
    assert 1905 == round(sum(value for name, value in found.items() if name.count(":") >= 3))
    assert 546.8959 == pytest.approx(sum(CERAMIC) / 32, abs=5e-5)


def test_one_edit_has_the_plain_difference_as_its_effect() -> None:
    """With one edit, the effect is the difference of the two results."""
    only = effects(["corrode"], [12.5, 11.75])
    assert [(("corrode",), -0.75)] == [(one.names, one.size) for one in only]
    assert "corrode: -0.75" == str(only[0])


@pytest.mark.parametrize(
    ("names", "values", "sentence"),
    [
        (["A", "B"], [1.0, 2.0, 3.0], "2 edits need 4 values"),
        (["A"], [1.0, float("nan")], "finite number"),
        ([], [1.0], "0 edits"),
    ],
)
def test_an_incomplete_experiment_is_refused(names: list[str], values: list[float], sentence: str) -> None:
    """A missing or infinite result raises `ValueError`."""
    with pytest.raises(ValueError, match=sentence):
        effects(names, values)
