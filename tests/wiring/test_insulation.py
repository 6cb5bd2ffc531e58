"""Insulation of a pack against its body, by the bridge method."""

import pytest

from sim.vehicle.pilot import CABLE_OHM, PROXIMITY_OHM, PROXIMITY_V, cable_rating_a, pilot_state
from sim.wiring.insulation import isolation_ohm, measured_ohm
from sim.wiring.solver import Circuit

RAILS_OHM = [(5e6, 5e6), (2e6, 40e3), (30e3, 3e6), (177.5e3, 177.5e3), (1e6, 999e3)]


def _bridge_v(positive_ohm: float, negative_ohm: float, known_at: str | None) -> dict[str, float]:
    """Both poles' voltages against the body by the general solver: a network of its own."""
    circuit = Circuit(reference="body")
    circuit.source("pack", "HV+", "HV-", 355.0, 0.01)
    circuit.resistor("positive", "HV+", "body", positive_ohm)
    circuit.resistor("negative", "HV-", "body", negative_ohm)
    if known_at:
        circuit.resistor("known", known_at, "body", 35_500.0)
    solution = circuit.solve()
    return {pole: abs(solution.voltage(pole) or 0.0) for pole in ("HV+", "HV-")}


@pytest.mark.parametrize(("positive_ohm", "negative_ohm"), RAILS_OHM)
def test_the_bridge_formula_finds_the_weaker_rail(positive_ohm: float, negative_ohm: float) -> None:
    """UN ECE R100: V1, V2 read, Ro at the pole with the higher, Ri = Ro (Vb/V1' - Vb/V1): the lower rail."""
    before = _bridge_v(positive_ohm, negative_ohm, None)
    higher = max(before, key=lambda pole: before[pole])
    after = _bridge_v(positive_ohm, negative_ohm, higher)
    found_ohm = isolation_ohm(355.0, before[higher], after[higher], 35_500.0)
    assert min(positive_ohm, negative_ohm) == pytest.approx(found_ohm, rel=1e-4)
    assert found_ohm == pytest.approx(measured_ohm(355.0, positive_ohm, negative_ohm, 35_500.0), rel=1e-4)


# IEC 61851-1, as in a semiconductor maker's reference design; 1 V of window from memory
@pytest.mark.parametrize(
    ("volt", "state"),
    [(12.0, "A"), (8.98, "B"), (6.0, "C"), (3.1, "D"), (0.0, "E"), (-12.0, "F"), (10.5, None), (1.5, None)],
)
def test_a_pilot_voltage_is_a_state_or_lies_between_two(volt: float, state: str | None) -> None:
    """The table of the control pilot."""
    assert state == pilot_state(volt)


@pytest.mark.parametrize("rating_a", CABLE_OHM)
def test_a_cable_tells_its_rating_by_its_resistor(rating_a: int) -> None:
    """The resistor in the plug, read as a divider."""
    ohm = CABLE_OHM[rating_a]
    assert rating_a == cable_rating_a(PROXIMITY_V * ohm / (ohm + PROXIMITY_OHM))
    assert cable_rating_a(PROXIMITY_V) is None
