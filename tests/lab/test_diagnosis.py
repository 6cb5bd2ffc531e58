"""Conflicts, diagnoses, hitting sets and probes on the field's standard examples."""

from collections.abc import Callable
from itertools import chain, combinations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.lab.diagnosis import (
    entropy,
    expected_entropy,
    minimal_conflicts,
    minimal_diagnoses,
    minimal_hitting_sets,
)

Sets = set[frozenset[str]]


def sets(*words: str) -> Sets:
    """{"A1 M1", "M2"} as sets of names."""
    return {frozenset(word.split()) for word in words}


# -- the polybox: three multipliers, two adders ------------------------------------------------------------

POLYBOX = ["A1", "A2", "M1", "M2", "M3"]
INPUTS = {"A": 3, "B": 2, "C": 2, "D": 3, "E": 3}
MULTIPLIERS = {"M1": ("A", "C", "X"), "M2": ("B", "D", "Y"), "M3": ("C", "E", "Z")}
ADDERS = {"A1": ("X", "Y", "F"), "A2": ("Y", "Z", "G")}


def derived(good: frozenset[str], seen: dict[str, int]) -> dict[str, int] | None:
    """All values that follow from what is known and from these good parts; None where two contradict."""
    known = {**INPUTS, **seen}
    for _ in range(6):
        for part in sorted(good):
            a, b, out = MULTIPLIERS.get(part) or ADDERS[part]
            if part in MULTIPLIERS:
                follows = [(out, known[a] * known[b])]
            else:
                follows = []
                if a in known and b in known:
                    follows.append((out, known[a] + known[b]))
                if out in known and a in known:
                    follows.append((b, known[out] - known[a]))
                if out in known and b in known:
                    follows.append((a, known[out] - known[b]))
            for name, value in follows:
                if known.setdefault(name, value) != value:
                    return None
    return known


def polybox(**seen: int) -> Callable[[frozenset[str]], bool]:
    return lambda good: derived(good, seen) is not None


def all_diagnoses(seen: dict[str, int]) -> list[frozenset[str]]:
    bad_sets = chain.from_iterable(combinations(POLYBOX, size) for size in range(6))
    return [frozenset(bad) for bad in bad_sets if derived(frozenset(POLYBOX) - set(bad), seen) is not None]


def test_conflicts_and_diagnoses_of_the_polybox() -> None:
    """F=10 where 12 was due, G=12: de Kleer and Williams 1987, from memory; {A2,M2} read in lecture notes."""
    seen = polybox(F=10, G=12)
    assert sets("A1 M1 M2", "A1 A2 M1 M3") == set(minimal_conflicts(POLYBOX, seen))
    assert sets("A1", "M1", "A2 M2", "M2 M3") == set(minimal_diagnoses(POLYBOX, seen))


def test_diagnoses_of_the_polybox_when_only_one_output_is_seen() -> None:
    """From memory of the same paper."""
    assert sets("A1", "M1", "M2") == set(minimal_diagnoses(POLYBOX, polybox(F=10)))


@pytest.mark.parametrize(
    ("x", "expected"),
    [
        (4, sets("M1")),
        (6, sets("A1", "A2 M2", "M2 M3")),
        (5, sets("A1 M1", "A2 M1 M2", "M1 M2 M3")),
    ],
)
def test_the_probe_at_x(x: int, expected: Sets) -> None:
    """Diagnoses after X is read, as lecture slides print them; 5 stands for neither 4 nor 6."""
    assert expected == set(minimal_diagnoses(POLYBOX, polybox(F=10, G=12, X=x)))


def test_of_the_32_candidates_27_are_diagnoses() -> None:
    """Counted by hand: 24 that contain A1 or M1, and 3 more."""
    assert 27 == len(all_diagnoses({"F": 10, "G": 12}))


def test_x_is_the_best_probe_of_the_polybox() -> None:
    """The choice is published (lecture slides); the four figures are our own, kept as regression values.

    Parts fail with probability 0.01; a place that a diagnosis leaves open has 16 equally likely values.
    """
    seen = {"F": 10, "G": 12}
    weights = {}
    for bad in all_diagnoses(seen):
        foretold = derived(frozenset(POLYBOX) - bad, {}) or {}
        unsaid = sum(place not in foretold for place in seen)
        weights[bad] = 0.01 ** len(bad) * 0.99 ** (5 - len(bad)) / 16**unsaid

    def after(place: str) -> float:
        def predicted(bad: frozenset[str]) -> int | None:
            return (derived(frozenset(POLYBOX) - bad, seen) or {}).get(place)

        return expected_entropy(weights, predicted, 16)

    assert 0.7426 == pytest.approx(entropy(weights.values()), abs=5e-5)
    assert [0.0266, 0.7372, 0.7396] == pytest.approx([after(place) for place in "XYZ"], abs=5e-5)


BUFFERS = range(4)


def chain_weights(with_healthy: bool) -> dict[frozenset[int], float]:
    bad_sets = [frozenset(bad) for size in range(5) for bad in combinations(BUFFERS, size)]
    return {bad: 0.01 ** len(bad) * 0.99 ** (4 - len(bad)) for bad in bad_sets if bad or with_healthy}


def test_a_chain_with_a_wrong_end_is_halved() -> None:
    """Four buffers in a row (de Kleer and Williams 1987, from memory): probe the middle.

    The four figures are our own, kept as regression values.
    """
    weights = chain_weights(with_healthy=False)

    def after(probe: int) -> float:
        def predicted(bad: frozenset[int]) -> bool | None:
            upstream = any(stage <= probe for stage in bad)
            downstream = any(stage > probe for stage in bad)
            return True if not upstream else None if downstream else False

        return expected_entropy(weights, predicted, 2)

    assert 1.4709 == pytest.approx(entropy(weights.values()), abs=5e-5)
    assert [0.9138, 0.7848, 0.9138] == pytest.approx([after(probe) for probe in range(3)], abs=5e-5)


def test_a_chain_of_which_nothing_is_known_is_read_at_its_end() -> None:
    """De Kleer and Williams 1987, from memory."""
    weights = chain_weights(with_healthy=True)

    def after(probe: int) -> float:
        return expected_entropy(
            weights, lambda bad: None if any(stage <= probe for stage in bad) else True, 2
        )

    assert 3 == min(BUFFERS, key=after)


# -- the gates of ISCAS-85 c17 ------------------------------------------------------------------------------

GATES = {"10": "1 3", "11": "3 6", "16": "2 11", "19": "11 7", "22": "10 16", "23": "16 19"}


def c17(good: frozenset[str]) -> bool:
    """Can outputs 22 and 23 both be 1 with inputs 1,2,3,6,7 = 0,1,1,1,1 and these gates good?"""
    free = [gate for gate in GATES if gate not in good]
    for chosen in product([0, 1], repeat=len(free)):
        line = {"1": 0, "2": 1, "3": 1, "6": 1, "7": 1, **dict(zip(free, chosen, strict=True))}
        for gate, inputs in GATES.items():
            if gate in good:
                a, b = inputs.split()
                line[gate] = 1 - (line[a] & line[b])
        if line["22"] == line["23"] == 1:
            return True
    return False


def test_conflicts_and_diagnoses_of_c17() -> None:
    """Netlist and observation read in a public library; conflicts and diagnoses worked out by hand."""
    assert sets("10 11 16 22", "11 16 19 23") == set(minimal_conflicts(list(GATES), c17))
    expected = sets("11", "16", "10 19", "10 23", "19 22", "22 23")
    assert expected == set(minimal_diagnoses(list(GATES), c17))


@pytest.mark.parametrize("consistent", [polybox(F=10, G=12), polybox(F=10), polybox(F=10, G=11)])
def test_diagnoses_are_the_hitting_sets_of_the_conflicts(
    consistent: Callable[[frozenset[str]], bool],
) -> None:
    """Reiter 1987, theorem 4.4."""
    conflicts = minimal_conflicts(POLYBOX, consistent)
    assert minimal_diagnoses(POLYBOX, consistent) == minimal_hitting_sets(conflicts)


# -- hitting sets ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("families", "expected"),
    [
        # Reiter 1987, his running example; from memory
        ("2 4 5|1 2 3|1 3 5|2 4 6|2 4|2 3 5|1 6", sets("1 2", "1 3 4", "1 4 5", "2 3 6", "2 5 6", "3 4 6")),
        # Greiner and others 1989, where Reiter's uncorrected tree loses a b; from memory
        ("a b|b c|a c|b d|b", sets("a b", "b c")),
        # the tests of a public library of hitting sets
        ("1 2 5|1 2|3 4", sets("1 3", "1 4", "2 3", "2 4")),
        (
            "1 2 3 4|3|2 4|15|9 2 15|9 3|8 7|8 9 1 7",
            sets("8 2 3 15", "2 3 7 15", "8 3 4 15", "3 4 7 15"),
        ),
    ],
    ids=["Reiter", "Greiner", "three families", "eight families"],
)
def test_published_families(families: str, expected: Sets) -> None:
    """Minimal hitting sets agree with published examples."""
    assert expected == set(minimal_hitting_sets([one.split() for one in families.split("|")]))


def test_nothing_to_hit_and_nothing_that_could() -> None:
    """No families have the empty set as their hitting set; an empty family has none."""
    assert [frozenset()] == minimal_hitting_sets([])
    assert [] == minimal_hitting_sets(["ab", ""])


@given(st.lists(st.frozensets(st.integers(0, 5), min_size=1), max_size=6))
def test_hitting_sets_against_their_definition(families: list[frozenset[int]]) -> None:
    """On random families the sets are exactly the minimal ones found by trying all."""
    everything = [frozenset(some) for size in range(7) for some in combinations(range(6), size)]
    hitting = [one for one in everything if all(one & family for family in families)]
    expected = {one for one in hitting if not any(other < one for other in hitting)}
    assert expected == set(minimal_hitting_sets(families))
