"""Cause sets against published tables of prime implicants and cut sets, and against their definition."""

from collections.abc import Iterable
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.lab.implicants import CauseSet, SymptomCauses, causes


def minimal_cut_sets(sets: Iterable[CauseSet]) -> list[tuple[str, ...]]:
    """The minimal sets of present edits once what must be absent is left out of account.

    This is what fault-tree practice calls coherent: it claims a symptom also where a hider is present.
    """
    positive = sorted({tuple(sorted(one.present)) for one in sets}, key=lambda cut: (len(cut), cut))
    return [cut for cut in positive if not any(set(other) < set(cut) for other in positive)]


def minterms(names: str, *ones: int) -> SymptomCauses:
    """A function as switching theory writes it: the first letter is the most significant bit."""
    letters = list(reversed(names))
    return causes(letters, [number in ones for number in range(2 ** len(names))])


def written(found: SymptomCauses) -> set[str]:
    """Primes as switching theory writes them: AB'D."""
    return {"".join(sorted([*one.present, *(f"{name}'" for name in one.absent)])) for one in found.sets}


def test_the_primes_of_a_university_quiz() -> None:
    """University of Minnesota, EE 2301, quiz III, read there: minimizing programs lose AC of these five."""
    found = minterms("ABCD", 0, 6, 8, 9, 10, 11, 13, 14, 15)
    assert {"B'C'D'", "BCD'", "AD", "AC", "AB'"} == written(found)


def test_the_cyclic_function_has_six_primes_and_no_essential_one() -> None:
    """The textbook's Sm(0,1,2,5,6,7): six primes; from memory, and a complete-sum library finds the same."""
    assert {"A'B'", "A'C'", "B'C", "BC'", "AC", "AB"} == written(minterms("ABC", 0, 1, 2, 5, 6, 7))


def test_the_six_primes_of_mccluskeys_example() -> None:
    """Sm(0,1,2,5,6,7,8,9,10,14): six primes; from memory."""
    assert 6 == len(minterms("ABCD", 0, 1, 2, 5, 6, 7, 8, 9, 10, 14).sets)


def consensus() -> SymptomCauses:
    """AB + A'C"""
    return minterms("ABC", 1, 3, 6, 7)


def test_a_bypass_shows_as_a_negative_literal_and_the_consensus_is_not_lost() -> None:
    """AB + A'C has the primes AB, A'C and BC; read in the tests of a fault-tree program."""
    assert {"AB", "A'C", "BC"} == written(consensus())
    assert ("A",) == consensus().hiders
    assert consensus().hiders


def test_as_coherent_cut_sets_the_negative_literals_are_left_out() -> None:
    """The same program's cut sets of the same function: AB and C."""
    assert [("C",), ("A", "B")] == minimal_cut_sets(consensus().sets)


THEATRE = {"mains": 0.03, "generator": 0.02, "relay": 0.05}


def theatre() -> SymptomCauses:
    """Lights go out when the mains fail and the generator or the relay that calls it fails."""
    names = list(THEATRE)
    shows = [mains and (generator or relay) for relay, generator, mains in product([False, True], repeat=3)]
    return causes(names, shows)


def test_the_cut_sets_of_the_theatre_supply() -> None:
    """Model and figures read in a fault-tree program's sources: exact 0.00207, rare-event sum 0.0021."""
    found = theatre()
    assert [("generator", "mains"), ("mains", "relay")] == minimal_cut_sets(found.sets)
    exact = 0.0
    for there in product([False, True], repeat=3):
        names = [name for name, on in zip(THEATRE, there, strict=True) if on]
        if any(one.holds(names) for one in found.sets):
            exact += np.prod([p if on else 1 - p for p, on in zip(THEATRE.values(), there, strict=True)])
    rare_event = sum(np.prod([THEATRE[name] for name in one.present]) for one in found.sets)
    assert 0.00207 == pytest.approx(exact, abs=1e-12)
    assert 0.0021 == pytest.approx(rare_event, abs=1e-12)
    assert ("mains",) == found.necessary
    assert () == found.hiders


def test_the_cut_sets_of_the_pressure_tank() -> None:
    """NUREG-0492, the pressure tank: {T}, {K2}, {S,S1}, {S,K1}, {S,R}; from memory."""
    names = ["T", "K2", "S", "S1", "K1", "R"]
    shows = []
    for number in range(64):
        on = {name: bool(number >> k & 1) for k, name in enumerate(names)}
        shows.append(on["T"] or on["K2"] or (on["S"] and (on["S1"] or on["K1"] or on["R"])))
    found = causes(names, shows)
    assert [("K2",), ("T",), ("K1", "S"), ("R", "S"), ("S", "S1")] == minimal_cut_sets(found.sets)
    assert ("T", "K2") == found.sufficient


def tables(edits: int) -> st.SearchStrategy[list[bool | None]]:
    values = st.sampled_from([True, False, None])
    return st.lists(values, min_size=2**edits, max_size=2**edits)


@given(st.integers(1, 5).flatmap(tables))
def test_every_set_keeps_its_definition_and_none_is_missing(shows: list[bool | None]) -> None:
    """Against the definition, cube by cube: sufficient in every possible combination, and minimal."""
    n = len(shows).bit_length() - 1
    names = [f"e{k}" for k in range(n)]

    def covered(cube: tuple[int, ...]) -> list[bool | None]:
        return [
            value
            for number, value in enumerate(shows)
            if all(place == 2 or place == number >> k & 1 for k, place in enumerate(cube))
        ]

    def implies(cube: tuple[int, ...]) -> bool:
        return False not in covered(cube)

    expected = set()
    for cube in product((0, 1, 2), repeat=n):
        wider = [(*cube[:k], 2, *cube[k + 1 :]) for k in range(n) if cube[k] != 2]
        if implies(cube) and True in covered(cube) and not any(implies(one) for one in wider):
            expected.add(
                CauseSet(
                    tuple(names[k] for k in range(n) if cube[k] == 1),
                    tuple(names[k] for k in range(n) if cube[k] == 0),
                )
            )
    found = causes(names, shows)
    assert expected == set(found.sets)
    for number, value in enumerate(shows):
        there = [names[k] for k in range(n) if number >> k & 1]
        if value is not None:
            assert value == any(one.holds(there) for one in found.sets)


def test_always_and_never_are_said_so() -> None:
    """A symptom of every combination or of none is called that."""
    always = causes(["A", "B"], [True] * 4)
    assert (True, False, "always") == (always.always, always.never, str(always))
    assert ("A", "B") == always.without_part
    never = causes(["A", "B"], [False] * 4)
    assert (False, True, "never", ()) == (never.always, never.never, str(never), never.sets)


def test_a_combination_that_cannot_be_speaks_neither_for_nor_against() -> None:
    """A lead that only fits where the plug is off: 'lead' alone cannot be, so it says nothing."""
    found = causes(["off", "lead"], [False, True, None, False])
    assert ["off and not lead"] == [str(one) for one in found.sets]
    assert (("off",), ("lead",)) == (found.necessary, found.hiders)


@pytest.mark.parametrize(
    ("names", "values", "sentence"),
    [
        (["A", "B"], 3, "2 different edits need 4 values (here: 3)"),
        (["A", "A"], 4, "2 different edits need 4 values (here: 4)"),
        ([f"e{k}" for k in range(13)], 0, "at most 12 edits (here: 13)"),
    ],
)
def test_a_table_of_the_wrong_size_is_refused(names: list[str], values: int, sentence: str) -> None:
    """A truth table of another length, or with equal names, raises `ValueError`."""
    with pytest.raises(ValueError, match=sentence.replace("(", r"\(").replace(")", r"\)")):
        causes(names, [True] * values)


def test_ten_edits_take_no_time() -> None:
    """Nothing beyond the 59,049 cubes is searched: one set of ten edits is found among them."""
    names = [f"e{k}" for k in range(10)]
    found = causes(names, [number == 1023 for number in range(1024)])
    assert (CauseSet(tuple(names)),) == found.sets
    assert tuple(names) == found.necessary
