"""Laws that every solved network keeps, on random networks."""

import math
import random
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import networkx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wiring.oneway import Leg, Regulator
from sim.wiring.solution import Driven, Solution
from sim.wiring.solver import Circuit

NODES = [f"n{k}" for k in range(9)]
REFERENCE = NODES[0]

node = st.sampled_from(NODES)
milliohm_to_megohm = st.floats(-3, 6).map(lambda exponent: 10.0**exponent)
volt = st.floats(-20, 20)
amp = st.floats(-2, 2)


@dataclass(frozen=True)
class Element:
    """A linear element: ohm None for a current source, whose value is a current; else a voltage."""

    a: str
    b: str
    ohm: float | None
    value: float
    closed: bool


resistor = st.builds(
    Element, node, node, milliohm_to_megohm, st.just(0.0), st.sampled_from([True, True, False])
)
source = st.builds(Element, node, node, milliohm_to_megohm, volt, st.sampled_from([True, True, False]))
current_source = st.builds(Element, node, node, st.none(), amp, st.booleans())
networks = st.lists(st.one_of(resistor, resistor, resistor, source, current_source), min_size=1, max_size=25)


def build(elements: list[Element]) -> Circuit:
    circuit = Circuit(REFERENCE)
    for name in NODES:
        circuit.node(name)
    for k, e in enumerate(elements):
        if e.ohm is None:
            circuit.current_source(str(k), e.a, e.b, e.value)
        elif e.value:
            circuit.source(str(k), e.a, e.b, e.value, e.ohm)
        else:
            circuit.resistor(str(k), e.a, e.b, e.ohm)
        if not e.closed:
            circuit.open(str(k))
    return circuit


def from_a_to_b(solution: Solution, id: str, e: Element) -> float:
    current_a = solution.current(id)
    return -current_a if e.ohm is not None and e.value else current_a


def islands(elements: list[Element]) -> networkx.Graph:
    graph = networkx.Graph()
    graph.add_nodes_from(NODES)
    graph.add_edges_from((e.a, e.b) for e in elements if e.closed and e.ohm is not None)
    return graph


def rounding_a(elements: list[Element]) -> float:
    """What 16 digits of the voltages are worth in the smallest resistance."""
    siemens = max([1 / e.ohm for e in elements if e.ohm] + [0.0])
    volt_scale = 40 + sum(abs(e.value) for e in elements) * 1e6 * any(e.ohm is None for e in elements)
    return 1e-15 * siemens * volt_scale + 1e-12


def left_over_a(currents: Iterable[tuple[str, str, float]]) -> float:
    """Largest sum of currents that any node is left with, from (first node, second node, current)."""
    left_a: dict[str, float] = defaultdict(float)
    for a, b, current_a in currents:
        left_a[a] += current_a
        left_a[b] -= current_a
    return max(abs(value) for value in left_a.values())


def currents_of(solution: Solution, elements: list[Element]) -> list[tuple[str, str, float]]:
    return [(e.a, e.b, from_a_to_b(solution, str(k), e)) for k, e in enumerate(elements)]


@given(networks)
def test_currents_at_every_node_sum_to_zero(elements: list[Element]) -> None:
    """Kirchhoff's first law."""
    solution = build(elements).solve()
    assert left_over_a(currents_of(solution, elements)) <= 10 * rounding_a(elements)


@given(networks)
def test_every_element_keeps_its_own_law_and_power_cancels(elements: list[Element]) -> None:
    """Ohm's law, open elements carry nothing, and what is delivered is taken up (Tellegen)."""
    solution = build(elements).solve()
    total_w, largest_w = 0.0, 0.0
    for k, e in enumerate(elements):
        across_v, current_a = solution.voltage_between(e.a, e.b), from_a_to_b(solution, str(k), e)
        if not e.closed or across_v is None:
            assert 0 == current_a
            continue
        if e.ohm is not None:
            assert (across_v - e.value) / e.ohm == pytest.approx(
                current_a, rel=1e-9, abs=rounding_a(elements)
            )
        total_w += across_v * current_a
        largest_w = max(largest_w, abs(across_v * current_a))
    assert abs(total_w) <= 1e-9 * largest_w + 40 * rounding_a(elements)


@given(networks)
def test_a_node_floats_if_nothing_closed_leads_to_the_reference(elements: list[Element]) -> None:
    """Islands as networkx finds them; a voltage is a finite number or None, never NaN."""
    solution, graph = build(elements).solve(), islands(elements)
    grounded = networkx.node_connected_component(graph, REFERENCE)
    for name in NODES:
        assert (name in grounded) == (not solution.floating(name))
        assert (name in grounded) == (solution.voltage(name) is not None)
        together = networkx.has_path(graph, name, NODES[-1])
        between_v = solution.voltage_between(name, NODES[-1])
        assert together == (between_v is not None)
        assert between_v is None or math.isfinite(between_v)


@given(networks.filter(lambda network: all(e.ohm is not None for e in network)), st.data())
def test_superposition(elements: list[Element], data: st.DataObject) -> None:
    """Two sets of source voltages together give the sum of what each gives alone."""
    share = [data.draw(st.floats(0, 1)) if e.value else 0.0 for e in elements]
    whole = build(elements)

    def with_sources(factor: list[float]) -> Solution:
        for k, e in enumerate(elements):
            if e.value:
                whole.set_volt(str(k), e.value * factor[k])
        return whole.solve()

    one, other = with_sources(share), with_sources([1 - s for s in share])
    both = with_sources([1.0] * len(elements))
    for name in NODES:
        if (volt := both.voltage(name)) is not None:
            assert volt == pytest.approx((one.voltage(name) or 0) + (other.voltage(name) or 0), abs=1e-7)


@given(networks, st.lists(st.tuples(node, node), min_size=1, max_size=6))
def test_reciprocity(elements: list[Element], pairs: list[tuple[str, str]]) -> None:
    """A port's volts per ampere at another are the same both ways, and no port gives power away."""
    impedance_ohm = build(elements).solve().ports(pairs).impedance_ohm
    closed = [k for k in range(len(pairs)) if np.isfinite(impedance_ohm[k, k])]
    inner = impedance_ohm[np.ix_(closed, closed)]
    scale = float(np.max(np.abs(inner), initial=1e-3))
    assert np.allclose(inner, inner.T, rtol=0, atol=1e-9 * scale)
    assert np.linalg.eigvalsh(inner).min(initial=0) >= -1e-9 * scale


@given(networks, st.tuples(node, node), milliohm_to_megohm)
def test_thevenin(elements: list[Element], pair: tuple[str, str], ohm: float) -> None:
    """A resistor put across a port carries V / (Z + R)."""
    circuit = build(elements)
    ports = circuit.solve().ports([pair])
    circuit.resistor("load", *pair, ohm)
    current_a = circuit.solve().current("load")
    if ports.voltage_v[0] is None:
        if any(e.ohm is None for e in elements):
            return  # the load may be the return path that a current source lacked
        assert 0 == pytest.approx(current_a, abs=rounding_a(elements) + 1e-12 / ohm)
        return
    expected_a = ports.voltage_v[0] / (ports.impedance_ohm[0, 0] + ohm)
    assert expected_a == pytest.approx(current_a, rel=1e-6, abs=rounding_a(elements) + 1e-12 / ohm)


def exact_voltages(elements: list[Element]) -> dict[str, Fraction]:
    """Node voltages by elimination in fractions, for networks of one island."""
    n = len(NODES)
    rows = [[Fraction(0)] * (n + 1) for _ in range(n)]
    for e in elements:
        a, b = NODES.index(e.a), NODES.index(e.b)
        siemens = 1 / Fraction(e.ohm) if e.ohm else Fraction(0)
        pushed = siemens * Fraction(e.value) if e.ohm else -Fraction(e.value)
        for here, there, sign in ((a, b, 1), (b, a, -1)):
            rows[here][here] += siemens
            rows[here][there] -= siemens
            rows[here][n] += sign * pushed
    rows[0] = [Fraction(int(k == 0)) for k in range(n)] + [Fraction(0)]
    for k in range(n):
        pivot = next(row for row in range(k, n) if rows[row][k])
        rows[k], rows[pivot] = rows[pivot], rows[k]
        for row in range(n):
            if row != k and rows[row][k]:
                factor = rows[row][k] / rows[k][k]
                rows[row] = [x - factor * y for x, y in zip(rows[row], rows[k], strict=True)]
    return {name: rows[k][n] / rows[k][k] for k, name in enumerate(NODES)}


@pytest.mark.parametrize("seed", range(60))
def test_exact_arithmetic(seed: int) -> None:
    """To 1e-9 of the voltages that elimination in fractions gives, from 1 mohm to 10 Mohm."""
    rng = random.Random(seed)
    elements = [
        Element(NODES[k], NODES[rng.randrange(k)], 10 ** rng.uniform(-3, 7), 0.0, True)
        for k in range(1, len(NODES))
    ]
    for _ in range(rng.randrange(12)):
        a, b = rng.sample(NODES, 2)
        elements.append(
            Element(a, b, 10 ** rng.uniform(-3, 7), rng.choice([0.0, rng.uniform(-15, 15)]), True)
        )
    a, b = rng.sample(NODES, 2)
    elements.append(Element(a, b, None, 1e-3, True))
    solution, exact = build(elements).solve(), exact_voltages(elements)
    actual = {name: solution.voltage(name) for name in NODES}
    largest_v = float(max(map(abs, exact.values())))
    assert {name: float(v) for name, v in exact.items()} == pytest.approx(actual, rel=0, abs=1e-9 * largest_v)


one_way = st.one_of(
    st.just(Leg()),
    st.builds(Leg, supply_v=st.floats(1, 15)),
    st.builds(Regulator, volt=st.floats(1, 15), ohm=st.floats(0.01, 1), limit_a=st.floats(0.01, 1)),
)


@given(
    networks.filter(lambda network: all(e.ohm is not None for e in network)),
    st.lists(st.tuples(node, node, one_way), min_size=1, max_size=8),
)
def test_one_way_elements_settle_everywhere(
    elements: list[Element], drivers: list[tuple[str, str, Leg | Regulator]]
) -> None:
    """Whatever is put where: an operating point is found, currents balance, nothing flows backwards."""
    ports = build(elements).solve().ports([(a, b) for a, b, _ in drivers])
    driven = Driven(ports, [(k, element) for k, (_, _, element) in enumerate(drivers)])
    through = [(a, b, amp) for (a, b, _), amp in zip(drivers, driven.leg_current_a, strict=True)]
    assert left_over_a([*currents_of(driven, elements), *through]) <= 100 * rounding_a(elements)
    for (_, _, element), current_a, port_v in zip(
        drivers, driven.leg_current_a, driven.port_voltage_v, strict=True
    ):
        low_side = isinstance(element, Leg) and element.supply_v is None
        forward_a = current_a if low_side else -current_a
        assert port_v is not None
        assert math.isfinite(port_v)
        assert -1e-9 <= forward_a <= element.limit_a * (1 + 1e-6) + 1e-9
