"""What no order of tests can beat: the optimum by brute force, and the bounds of coding theory."""

from heapq import heapify, heappop, heappush
from math import log2

from sim.lab.sequential import Sequencing


def optimum(problem: Sequencing) -> float:
    """The least expected cost that any order of tests can have."""
    known: dict[frozenset[int], float] = {}

    def least(states: frozenset[int]) -> float:
        if states not in known:
            total = problem.weight(states)
            known[states] = min(
                (
                    test.cost
                    + sum(
                        problem.weight(group) / total * least(group) for group in problem.split(test, states)
                    )
                    for test in problem.useful(states)
                ),
                default=0.0,
            )
        return known[states]

    return least(problem.all_states)


def entropy_bound(problem: Sequencing) -> float:
    """No two-valued tests of cost 1 that name the state can do better than the entropy in bits."""
    total = sum(problem.weights)
    return -sum(weight / total * log2(weight / total) for weight in problem.weights)


def huffman_bound(problem: Sequencing) -> float:
    """No two-valued tests of cost 1 that name the state can do better than a Huffman code's mean length."""
    total = sum(problem.weights)
    heap = [weight / total for weight in problem.weights]
    heapify(heap)
    length = 0.0
    while len(heap) > 1:
        pair = heappop(heap) + heappop(heap)
        length += pair
        heappush(heap, pair)
    return length
