"""Work in a pool that is no longer wanted ends in the middle of a run.

    with tickets.one() as ticket:           # here, as long as its results are wanted
        ...
    with under(ticket): ...                 # in a worker; `check` raises `CalledOff` when it is over

A ticket is a place in memory that all processes share and a number that is in it while the work is wanted.

Not modeled: workers on other machines, whose runs come to their end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from multiprocessing.context import SpawnContext
from typing import Any

MOST_AT_ONCE = 64  # pieces of work; one more cannot be called off. Our own choice

Ticket = tuple[int, int] | None  # place and number

_numbers: Any = None  # in a worker: what is in the places
_ticket: Ticket = None


class CalledOff(Exception):
    """The work is no longer wanted."""


class Tickets:
    """The tickets of one pool; `numbers` goes to its workers when they begin."""

    def __init__(self, context: SpawnContext) -> None:
        self.numbers: Any = context.Array("q", MOST_AT_ONCE, lock=False)
        self._free, self._next = deque(range(MOST_AT_ONCE)), count(1)

    @contextmanager
    def one(self) -> Iterator[Ticket]:
        """A ticket that is good until the block ends."""
        try:
            place = self._free.popleft()
        except IndexError:
            yield None
            return
        number = self.numbers[place] = next(self._next)
        try:
            yield place, number
        finally:
            self.numbers[place] = 0
            self._free.append(place)


# -- in a worker ---------------------------------------------------------------------------------------------


def begin(numbers: Any) -> None:
    """Take over what the pool shares with its workers."""
    global _numbers
    _numbers = numbers


@contextmanager
def under(ticket: Ticket) -> Iterator[None]:
    """Work under a ticket."""
    global _ticket
    before, _ticket = _ticket, ticket
    try:
        yield
    finally:
        _ticket = before


def check(share: float = 0.0) -> None:
    """Raise `CalledOff` if the work of this process is no longer wanted; takes the progress of an action."""
    if _numbers is not None and _ticket is not None and _numbers[_ticket[0]] != _ticket[1]:
        raise CalledOff
