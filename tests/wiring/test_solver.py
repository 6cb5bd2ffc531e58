"""The solver against worked networks, data sheets and its own promises."""

import math
import weakref
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from scipy.sparse.linalg import splu

from sim.wiring import layout, linear, operating_point, solver
from sim.wiring.errors import CircuitError, NotConverged
from sim.wiring.oneway import LEAK_S, Leg, Regulator
from sim.wiring.recent import Recent
from sim.wiring.solution import Driven, Solution
from sim.wiring.solver import MIN_OHM, Circuit

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


@pytest.mark.parametrize(
    ("pair", "exact"),
    [(("a", "b"), Fraction(20, 3)), (("b", "c"), Fraction(15, 2)), (("c", "a"), Fraction(25, 6))],
)
def test_delta_and_star_are_one(pair: tuple[str, str], exact: Fraction) -> None:
    """Introduction to Electric Circuits, figure 3.32: delta 5, 15, 10 ohm is star 5/3, 5, 5/2 ohm."""
    delta, star = Circuit("a"), Circuit("a")
    for id, a, b, ohm in [("ab", "a", "b", 10.0), ("bc", "b", "c", 15.0), ("ca", "c", "a", 5.0)]:
        delta.resistor(id, a, b, ohm)
    for node, ohm in [("a", 5 / 3), ("b", 5.0), ("c", 2.5)]:
        star.resistor(node, node, "middle", ohm)
    for circuit in (delta, star):
        assert float(exact) == pytest.approx(circuit.solve().ports([pair]).impedance_ohm[0, 0], rel=1e-9)


@pytest.mark.parametrize(
    ("sections", "exact"),
    [(1, "2"), (2, "5/3"), (3, "13/8"), (4, "34/21"), (5, "89/55"), (6, "233/144"), (40, None)],
)
def test_ladder_of_ones(sections: int, exact: str | None) -> None:
    """n sections of 1 ohm along and 1 ohm across: ratios of Fibonacci numbers, limit the golden ratio."""
    circuit = Circuit("0")
    for k in range(1, sections + 1):
        circuit.resistor(f"along {k}", str(k - 1) if k > 1 else "in", str(k), 1)
        circuit.resistor(f"across {k}", str(k), "0", 1)
    expected = float(Fraction(exact)) if exact else (1 + math.sqrt(5)) / 2
    assert expected == pytest.approx(circuit.solve().ports([("in", "0")]).impedance_ohm[0, 0], rel=1e-9)


# Islands


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
    assert 0 == solution.current("fuse")


def test_an_island_with_its_own_battery_floats() -> None:
    """A battery on the bench beside the car: voltages inside it, none against the car."""
    circuit = Circuit()
    circuit.resistor("car", "a", "ground", 1)
    circuit.source("spare", "plus", "minus", 12.6, 0.01)
    circuit.resistor("lamp", "plus", "minus", 2.51)
    solution = circuit.solve()
    assert 12.55 == pytest.approx(solution.voltage_between("plus", "minus"), rel=1e-12)
    assert 5.0 == pytest.approx(solution.current("lamp"), rel=1e-12)
    assert solution.voltage("plus") is None
    assert solution.floating("minus")
    assert not solution.floating("a")
    assert solution.voltage_between("plus", "a") is None
    circuit.resistor("jumper", "minus", "a", 0.01)
    assert 12.55 == pytest.approx(circuit.solve().voltage("plus"), rel=1e-12)


def test_a_pin_with_nothing_on_it_floats() -> None:
    """A node without elements has no voltage, alone or against another."""
    circuit = Circuit()
    circuit.node("pin")
    assert circuit.solve().voltage("pin") is None
    assert 0 == circuit.solve().voltage("ground")


def test_a_current_source_without_a_return_path_carries_nothing() -> None:
    """A current source between two islands carries no current."""
    circuit = Circuit()
    circuit.current_source("bias", "a", "b", 0.001)
    circuit.resistor("link", "b", "a", 100)
    assert 0.1 == pytest.approx(circuit.solve().voltage_between("b", "a"))
    circuit.open("link")
    assert 0 == circuit.solve().current("bias")
    assert circuit.solve().voltage_between("b", "a") is None


def test_a_meter_on_a_floating_wire_reads_nothing() -> None:
    """10 Mohm joins the wire to ground, and no current flows."""
    circuit = Circuit()
    circuit.source("battery", "B+", "ground", 12.6, 0.005)
    circuit.resistor("wire", "wire", "end", 0.01)
    circuit.resistor("meter", "end", "ground", 10e6)
    assert 0 == circuit.solve().voltage("wire")


# Switching


def test_an_old_solution_keeps_its_values() -> None:
    """Switching changes no solution that was taken before."""
    circuit = Circuit()
    circuit.source("battery", "a", "ground", 12, 1)
    circuit.resistor("lamp", "a", "ground", 2)
    before = circuit.solve()
    circuit.set_ohm("lamp", 5)
    circuit.set_volt("battery", 24)
    assert 8 == pytest.approx(before.voltage("a"))
    assert 4 == pytest.approx(before.current("lamp"))
    assert 20 == pytest.approx(circuit.solve().voltage("a"))


def test_a_state_seen_before_is_not_solved_again() -> None:
    """A state that returns has the same kept solution."""
    circuit = Circuit()
    circuit.source("battery", "a", "ground", 12, 1)
    circuit.resistor("lamp", "a", "ground", 2)
    first = circuit.solve()
    circuit.open("lamp")
    assert circuit.solve() is not first
    circuit.close("lamp")
    assert circuit.solve() is first


def test_kept_solutions_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """No more solutions than the limit are kept; the least recently used goes first."""
    most = 16
    monkeypatch.setattr(solver, "SOLUTIONS", Recent(most))
    circuit = Circuit()
    circuit.source("battery", "a", "ground", 12, 1)
    solved: weakref.WeakSet[Solution] = weakref.WeakSet([circuit.solve()])
    for k in range(most):
        circuit.set_volt("battery", 13 + k)
        solved.add(circuit.solve())
    assert most == len(solved)
    assert 12 not in {round(one.voltage("a") or 0) for one in solved}


def test_a_solution_does_not_depend_on_what_was_solved_before() -> None:
    """Bit for bit: a replay must be identical."""

    def build() -> Circuit:
        circuit = Circuit()
        circuit.source("battery", "n0", "ground", 12.6, 0.005)
        for k in range(50):
            circuit.resistor(f"w{k}", f"n{k}", f"n{k + 1}", 0.001 * (k + 1))
            circuit.resistor(f"l{k}", f"n{k + 1}", "ground", 10.0 + k)
        return circuit

    straight, detour = build(), build()
    for k in (3, 17, 30, 45):
        detour.open(f"w{k}")
        detour.solve()
        detour.close(f"w{k}")
    for circuit in (straight, detour):
        circuit.open("w40")
    nodes = [f"n{k}" for k in range(51)]
    assert [straight.solve().voltage(n) for n in nodes] == [detour.solve().voltage(n) for n in nodes]


def test_elements_can_be_added_after_solving() -> None:
    """A circuit can be extended after it was solved."""
    circuit = Circuit()
    circuit.source("battery", "a", "ground", 12.6, 1e6)
    assert 12.6 == circuit.solve().voltage("a")
    circuit.resistor("meter", "a", "ground", 10e6)
    assert 11.455 == pytest.approx(circuit.solve().voltage("a"), abs=5e-4)
    circuit.set_ohm("meter", 72)
    assert 0.0009 == pytest.approx(circuit.solve().voltage("a"), abs=5e-5)


# Bad input


@pytest.mark.parametrize(
    ("mistake", "sentence"),
    [
        (
            lambda c: c.resistor("switch", "a", "b", 0),
            "switch: ohm is 0; it must be a finite number from 1e-06 "
            "(a closed contact has milliohms; an open one is switched open)",
        ),
        (lambda c: c.resistor("lamp", "a", "b", 1), "the circuit already has an element 'lamp'"),
        (lambda c: c.open("lamb"), "there is no element 'lamb'; did you mean 'lamp'?"),
        (lambda c: c.set_volt("lamp", 1), "'lamp' is a resistor; this needs a source"),
        (lambda c: c.set_ohm("bias", 1), "'bias' is a current source; this needs a resistor or source"),
        (
            lambda c: c.current_source("leak", "a", "b", math.nan),
            "leak: amp is nan; it must be a finite number",
        ),
        (lambda c: c.solve().voltage("fred"), "there is no node 'fred'; did you mean 'fed'?"),
        (lambda c: c.solve().current("lam"), "there is no element 'lam'; did you mean 'lamp'?"),
        (lambda c: c.solve().current("zzz"), "there is no element 'zzz'; known: bias, lamp"),
        (
            lambda c: Driven(c.solve().ports([("fed", "ground")]), [(1, Leg())]),
            "there is no port 1: the ports are 0 to 0",
        ),
        (lambda c: Leg(limit_a=0), "leg: limit_a is 0; it must be a finite number above 0"),
        (lambda c: Leg(supply_v=math.inf), "leg: supply_v is inf; it must be a finite number"),
        (lambda c: Regulator(ohm=-1), "regulator: ohm is -1; it must be a finite number above 0"),
    ],
)
def test_bad_input_gets_one_sentence(mistake: Callable[[Circuit], object], sentence: str) -> None:
    """Bad input gets one sentence with the value and the limit."""
    circuit = Circuit()
    circuit.resistor("lamp", "fed", "ground", 1)
    circuit.current_source("bias", "fed", "ground", 0.001)
    with pytest.raises(CircuitError) as error:
        mistake(circuit)
    assert sentence == str(error.value)


def test_the_smallest_resistance_is_accepted() -> None:
    """The limit itself is a resistance that a circuit can have."""
    circuit = Circuit()
    circuit.source("battery", "a", "ground", 12, 1)
    circuit.resistor("bar", "a", "ground", MIN_OHM)
    assert 12e-6 == pytest.approx(circuit.solve().voltage("a"), rel=1e-5)


# Drivers of a bus


def bus(ohm: float) -> Circuit:
    circuit = Circuit()
    circuit.resistor("terminators", "CANH", "CANL", ohm)
    return circuit


def add_plain_driver(circuit: Circuit, name: str) -> None:
    """A driver of 45 ohm per leg from 5 V, which gives 3.5 V and 1.5 V into 60 ohm."""
    circuit.source(f"{name} high", "CANH", "ground", 5, 45)
    circuit.resistor(f"{name} low", "CANL", "ground", 45)


@pytest.mark.parametrize(
    ("ohm", "volt"), [(120, 2.857), (60, 2.000), (40, 1.538), (30, 1.250), (2240, 4.807)]
)
def test_difference_by_load(ohm: float, volt: float) -> None:
    """5 V over the load and 45 ohm on either side, by hand."""
    circuit = bus(ohm)
    add_plain_driver(circuit, "one")
    assert 5 * ohm / (ohm + 90) == pytest.approx(circuit.solve().voltage_between("CANH", "CANL"), rel=1e-9)
    assert volt == pytest.approx(circuit.solve().voltage_between("CANH", "CANL"), abs=5e-4)


@pytest.mark.parametrize(("modules", "volt"), [(1, 2.000), (2, 2.857), (3, 3.333), (5, 3.846)])
def test_modules_dominant_together(modules: int, volt: float) -> None:
    """n legs of 45 ohm in parallel, by hand: why an acknowledged bit is taller."""
    circuit = bus(60)
    for k in range(modules):
        add_plain_driver(circuit, f"module {k}")
    assert volt == pytest.approx(circuit.solve().voltage_between("CANH", "CANL"), abs=5e-4)


PINS = [("CANH", "ground"), ("CANL", "ground")]
BOTH_LEGS = [(0, Leg(supply_v=5.0)), (1, Leg())]


def test_typical_dominant_levels() -> None:
    """ISO 11898-2, typical: 3.5 V and 1.5 V into 60 ohm (also TI TCAN1044-Q1 data sheet)."""
    driven = Driven(bus(60).solve().ports(PINS), BOTH_LEGS)
    assert (3.5, 1.5) == pytest.approx(driven.port_voltage_v, abs=1e-4)
    assert (-2 / 60, 2 / 60) == pytest.approx(driven.leg_current_a, abs=1e-6)


@pytest.mark.parametrize(
    ("ohm", "low_v", "high_v"),
    [(50, 1.5, 3.0), (65, 1.5, 3.0), (45, 1.4, 3.3), (70, 1.4, 3.3), (2240, 1.5, 5.0)],
)
def test_dominant_difference_stays_in_the_data_sheets_range(ohm: float, low_v: float, high_v: float) -> None:
    """TI TCAN1043A-Q1 and TCAN1044-Q1 data sheets, differential output voltage, dominant."""
    driven = Driven(bus(ohm).solve().ports(PINS), BOTH_LEGS)
    assert low_v <= (driven.voltage_between("CANH", "CANL") or 0) <= high_v


def test_a_shorted_line_draws_no_more_than_the_limit() -> None:
    """About 100 mA per leg (ABB AC800F manual, short-circuit current of a transceiver)."""
    circuit = bus(60)
    circuit.source("battery", "CANL", "ground", 12.6, 0.01)
    driven = Driven(circuit.solve().ports(PINS), BOTH_LEGS)
    assert 0.09 < driven.leg_current_a[1] < 0.1
    assert 0 == pytest.approx(driven.leg_current_a[0], abs=1e-10)


def test_a_leg_conducts_one_way() -> None:
    """CANL at battery voltage pulls CANH along: a high-side leg takes no current in."""
    circuit = bus(60)
    circuit.source("battery", "CANL", "ground", 12.6, 0.01)
    driven = Driven(circuit.solve().ports(PINS), [(0, Leg(supply_v=5.0))])
    assert 12.6 == pytest.approx(driven.voltage("CANH"), abs=1e-6)


def test_two_drivers_and_a_swapped_one() -> None:
    """A module whose pair is crossed undoes the other's dominant bit."""
    ports = bus(60).solve().ports(PINS)
    alone, together = Driven(ports, BOTH_LEGS), Driven(ports, BOTH_LEGS + BOTH_LEGS)
    swapped = Driven(ports, [*BOTH_LEGS, (1, Leg(supply_v=5.0)), (0, Leg())])
    assert 2.0 == pytest.approx(alone.voltage_between("CANH", "CANL"), abs=1e-4)
    assert 2.5 < (together.voltage_between("CANH", "CANL") or 0) < 3.5
    assert 0 == pytest.approx(swapped.voltage_between("CANH", "CANL"), abs=1e-9)


def test_a_leg_holds_a_line_that_nothing_else_holds() -> None:
    """A floating line follows its driver; a lone low side pulls it to ground."""
    ports = bus(60).solve().ports(PINS)
    assert (None, None) == ports.voltage_v
    assert np.isinf(ports.impedance_ohm).all()
    assert (5.0, 5.0) == pytest.approx(Driven(ports, BOTH_LEGS[:1]).port_voltage_v, abs=1e-3)
    assert (0.0, 0.0) == pytest.approx(Driven(ports, BOTH_LEGS[1:]).port_voltage_v, abs=1e-3)
    assert (None, None) == Driven(ports, []).port_voltage_v


def test_driving_by_ports_is_the_same_as_building_the_legs_in() -> None:
    """Legs at ports give the voltages of a circuit that has them built in."""
    circuit = bus(45)
    circuit.source("bias", "CANH", "ground", 2.5, 30e3)
    driven = Driven(circuit.solve().ports(PINS), BOTH_LEGS)
    circuit.leg("high", "CANH", "ground", Leg(supply_v=5.0))
    circuit.leg("low", "CANL", "ground", Leg())
    built = circuit.solve()
    assert driven.port_voltage_v == pytest.approx([built.voltage("CANH"), built.voltage("CANL")], abs=1e-12)
    assert driven.leg_current_a == pytest.approx([built.current("high"), built.current("low")], abs=1e-12)
    assert driven.current("terminators") == pytest.approx(built.current("terminators"), abs=1e-12)
    circuit.open("high")
    assert 0 == circuit.solve().current("high")


@pytest.mark.parametrize("current_a", [1e-6, 1e-3, 33.3e-3, 0.08, 0.099])
def test_a_leg_drops_what_its_formula_says(current_a: float) -> None:
    """V_T ln(1 + i/I_S) + R i / sqrt(1 - (i/I_max)^2), with a current source in its way."""
    circuit = Circuit()
    circuit.current_source("push", "ground", "a", current_a)
    circuit.resistor("return path", "a", "ground", 1e6)
    circuit.leg("leg", "a", "ground", Leg())
    solution = circuit.solve()
    through_a, volt = solution.current("leg"), solution.voltage("a")
    thermal_v = 0.0258649  # k T / q at 27 degC, the nominal temperature of SPICE
    drop_v = thermal_v * math.log1p(through_a / 1e-12) + 24.7 * through_a / math.sqrt(
        1 - (through_a / 0.1) ** 2
    )
    assert drop_v == pytest.approx(volt, rel=1e-5)
    assert current_a == pytest.approx(through_a + (volt or 0) / 1e6, rel=1e-9)


def test_no_operating_point_names_the_element(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search that does not converge names the element that moved most."""
    monkeypatch.setattr(operating_point, "MAX_STEPS", 1)
    monkeypatch.setattr(operating_point, "LEAK_LADDER_S", (LEAK_S,))
    ports = bus(60).solve().ports(PINS)
    with pytest.raises(
        NotConverged, match=r"^no operating point for 'driver on port [01], CAN[HL] to ground' "
    ):
        Driven(ports, BOTH_LEGS)


# Sensor supplies


@pytest.mark.parametrize(("ohm", "volt"), [(0.5, 0.0499), (30, 2.752), (100, 4.9968)])
def test_a_limited_sensor_supply(ohm: float, volt: float) -> None:
    """5 V, 0.05 ohm, 100 mA, other load 333 ohm: by hand 0.1 A x R parallel 333, or the divider."""
    circuit = Circuit()
    circuit.regulator("5 V", "supply", "ground", Regulator())
    circuit.resistor("others", "supply", "ground", 333)
    circuit.resistor("short", "supply", "ground", ohm)
    assert volt == pytest.approx(circuit.solve().voltage("supply"), abs=5.1e-4)


def test_a_regulator_leaves_a_line_above_its_voltage_alone() -> None:
    """A 5 V branch shorted to the battery takes the battery's voltage."""
    circuit = Circuit()
    circuit.regulator("5 V", "supply", "ground", Regulator())
    circuit.source("short to battery", "supply", "ground", 12.6, 1)
    solution = circuit.solve()
    assert 12.6 == pytest.approx(solution.voltage("supply"), abs=1e-9)
    assert 0 == pytest.approx(solution.current("5 V"), abs=1e-10)


def test_impedance_of_a_limited_supply() -> None:
    """0.05 ohm while it regulates, only the load's once it is at its limit."""
    circuit = Circuit()
    circuit.regulator("5 V", "supply", "ground", Regulator())
    circuit.resistor("load", "supply", "ground", 100)
    pair = [("supply", "ground")]
    assert 1 / (1 / 0.05 + 1 / 100) == pytest.approx(
        circuit.solve().ports(pair).impedance_ohm[0, 0], rel=1e-9
    )
    circuit.set_ohm("load", 30)
    assert 30 == pytest.approx(circuit.solve().ports(pair).impedance_ohm[0, 0], rel=1e-9)


def test_a_load_takes_the_current_of_its_supply() -> None:
    """A load draws what its supply delivers, at the supply's voltage less the drop in it."""
    circuit = Circuit()
    circuit.regulator("5 V", "supply", "ground", Regulator())
    circuit.resistor("load", "supply", "ground", 100)
    solution = circuit.solve()
    assert solution.current("load") == pytest.approx(solution.current("5 V"), rel=1e-9)
    assert 5 / 100.05 == pytest.approx(solution.current("load"), rel=1e-9)


def test_a_regulator_gives_what_its_load_takes() -> None:
    """Its current is positive where it delivers, as that of a source."""
    circuit = Circuit()
    circuit.regulator("5 V", "supply", "ground", Regulator())
    circuit.resistor("load", "supply", "ground", 100)
    solution = circuit.solve()
    assert 5 / 100.05 == pytest.approx(solution.current("5 V"), rel=1e-9)
    assert solution.current("load") == pytest.approx(solution.current("5 V"), rel=1e-9)


def test_no_factorisation_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """What one thread has factorised another cannot free: a server that kept any would grow for ever."""
    alive: weakref.WeakSet[Any] = weakref.WeakSet()

    class Factorised:
        def __init__(self, *matrix: Any, **options: Any) -> None:
            self._lu = splu(*matrix, **options)
            self.perm_c, self.solve = self._lu.perm_c, self._lu.solve
            alive.add(self)
            made.append(1)

    made: list[int] = []
    monkeypatch.setattr(layout, "splu", Factorised)
    monkeypatch.setattr(linear, "splu", Factorised)
    circuit = Circuit()
    circuit.source("battery", "kept", "ground", 12, 1)
    circuit.resistor("lamp", "kept", "ground", 2)
    circuit.leg("pull", "kept", "ground", Leg(supply_v=5.0))
    solution = circuit.solve()
    ports = solution.ports([("kept", "ground")])
    driven = Driven(ports, [(0, Leg())])
    assert ports.impedance_ohm[0, 0] > 0
    assert driven.voltage("kept") is not None
    assert len(made) >= 2
    assert 0 == len(alive)


def test_many_at_once_read_what_each_reads_alone() -> None:
    """Voltages and currents asked for together are those asked for one by one."""
    circuit = Circuit(reference="ground")
    circuit.source("battery", "B+", "ground", volt=12.6, ohm=0.01)
    circuit.resistor("lamp", "B+", "ground", ohm=3.0)
    circuit.resistor("wire", "loose", "end", ohm=0.01)
    circuit.regulator("reference", "5V", "ground", Regulator(5.0))
    circuit.resistor("sensor", "5V", "ground", ohm=1000.0)
    solution = circuit.solve()
    pairs = (("B+", "ground"), ("ground", "B+"), ("loose", "ground"), ("loose", "end"), ("B+", "end"))
    assert [solution.voltage_between(a, b) for a, b in pairs] == solution.voltages_between(pairs)
    assert [True, True, False, True, False] == [volt is not None for volt in solution.voltages_between(pairs)]
    elements = ("battery", "lamp", "wire", "reference", "sensor")
    assert [solution.current(id) for id in elements] == solution.currents(elements)
    assert solution.currents(["battery"])[0] > 4.0
