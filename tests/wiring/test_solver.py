"""The solver against worked networks, exact arithmetic and the laws it must keep."""

from fractions import Fraction

import pytest

from sim.wiring.solver import Circuit, CircuitError, Leg, Regulator, drive

SOURCE_OHM = 1e-3


def stiff_source(circuit: Circuit, id: str, node: str, volt: Fraction, load_a: Fraction) -> None:
    """A source that, with its internal resistance, gives exactly `volt` at `load_a`."""
    circuit.source(id, node, "0", float(volt) + SOURCE_OHM * float(load_a), SOURCE_OHM)


# T. Kuphaldt, Lessons in Electric Circuits, volume I (DC), chapter 10: worked networks with their netlists.


def test_mesh_network() -> None:
    """Kuphaldt, mesh current method: 28 V over 4 ohm and 7 V over 1 ohm meet on 2 ohm at 8 V."""
    circuit = Circuit("0")
    circuit.source("B1, R1", "2", "0", 28, 4)
    circuit.resistor("R2", "2", "0", 2)
    circuit.source("B2, R3", "2", "0", 7, 1)
    solution = circuit.solve()
    assert 8 == pytest.approx(solution.voltage("2"), rel=1e-9)
    currents_a = [solution.current(id) for id in ("B1, R1", "R2", "B2, R3")]
    assert [5, 4, -1] == pytest.approx(currents_a, rel=1e-9)
    assert [-40, 32, 8] == pytest.approx([solution.power(id) for id in ("B1, R1", "R2", "B2, R3")], rel=1e-9)


def test_unbalanced_bridge() -> None:
    """Kuphaldt, unbalanced Wheatstone bridge; exact values by rational elimination."""
    circuit = Circuit("0")
    stiff_source(circuit, "B1", "1", Fraction(24), Fraction(296, 2175))
    for id, a, b, ohm in [
        ("R1", "1", "2", 150),
        ("R2", "1", "3", 50),
        ("R3", "2", "3", 100),
        ("R4", "2", "0", 300),
        ("R5", "3", "0", 250),
    ]:
        circuit.resistor(id, a, b, ohm)
    solution = circuit.solve()
    exact = [24, Fraction(512, 29), Fraction(560, 29)]
    assert [float(v) for v in exact] == pytest.approx([solution.voltage(n) for n in "123"], rel=1e-9)
    assert float(Fraction(296, 2175)) == pytest.approx(solution.current("B1"), rel=1e-9)
    published_a = {"B1": 136.092e-3, "R1": 42.299e-3, "R3": -16.552e-3, "R4": 58.851e-3, "R5": 77.241e-3}
    assert published_a == pytest.approx({id: solution.current(id) for id in published_a}, abs=5.1e-7)
    published_v = {("1", "2"): 6.345, ("1", "3"): 4.690, ("3", "2"): 1.655}
    assert published_v == pytest.approx({ab: solution.voltage_between(*ab) for ab in published_v}, abs=5.1e-4)


def test_bridge_by_delta_and_star() -> None:
    """Kuphaldt, delta-star conversion; exact values by rational elimination."""
    circuit = Circuit("0")
    drawn_a = (10 - Fraction(90, 17)) / 12 + (10 - Fraction(80, 17)) / 18
    stiff_source(circuit, "B1", "1", Fraction(10), drawn_a)
    for id, a, b, ohm in [
        ("R12", "1", "2", 12),
        ("R18", "1", "3", 18),
        ("R6", "2", "3", 6),
        ("R18b", "2", "0", 18),
        ("R12b", "3", "0", 12),
    ]:
        circuit.resistor(id, a, b, ohm)
    solution = circuit.solve()
    exact = [10, Fraction(90, 17), Fraction(80, 17)]
    assert [float(v) for v in exact] == pytest.approx([solution.voltage(n) for n in "123"], rel=1e-9)
    assert {("1", "2"): 4.706, ("3", "2"): -0.5882} == pytest.approx(
        {ab: solution.voltage_between(*ab) for ab in [("1", "2"), ("3", "2")]}, abs=5.1e-4
    )


def test_a_floating_node_reads_none() -> None:
    """An open feed leaves no voltage, not zero and not NaN."""
    circuit = Circuit("ground")
    circuit.source("battery", "B+", "ground", 12.6, 0.005)
    circuit.resistor("fuse", "B+", "fed", 0.0077)
    circuit.resistor("wire", "fed", "end", 0.01)
    circuit.open("fuse")
    solution = circuit.solve()
    assert [12.6, None, None] == [solution.voltage(node) for node in ("B+", "fed", "end")]
    assert 0 == solution.voltage_between("fed", "end")
    assert solution.voltage_between("B+", "end") is None
    assert 0 == solution.current("fuse") == solution.power("fuse")


def test_a_zero_ohm_contact_is_refused() -> None:
    with pytest.raises(CircuitError, match=r"^switch: ohm is 0; it must be a finite number from 1e-06 \(a "):
        Circuit().resistor("switch", "a", "b", 0)


def test_typical_dominant_levels() -> None:
    """ISO 11898-2, typical: 3.5 V and 1.5 V into 60 ohm (also TI TCAN1044-Q1 data sheet)."""
    circuit = Circuit()
    circuit.resistor("terminators", "CANH", "CANL", 60)
    ports = circuit.solve().ports([("CANH", "ground"), ("CANL", "ground")])
    driven = drive(ports, [(0, Leg(supply_v=5.0)), (1, Leg())])
    assert (3.5, 1.5) == pytest.approx(driven.port_voltage_v, abs=1e-4)


@pytest.mark.parametrize(("ohm", "volt"), [(0.5, 0.0499), (30, 2.752), (100, 4.9968)])
def test_a_limited_sensor_supply(ohm: float, volt: float) -> None:
    """5 V, 0.05 ohm, 100 mA, other load 333 ohm: by hand 0.1 A x R parallel 333, or the divider."""
    circuit = Circuit()
    circuit.regulator("5 V", "supply", "ground", Regulator())
    circuit.resistor("others", "supply", "ground", 333)
    circuit.resistor("short", "supply", "ground", ohm)
    assert volt == pytest.approx(circuit.solve().voltage("supply"), abs=5.1e-4)
