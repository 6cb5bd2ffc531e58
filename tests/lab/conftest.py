"""A small car for the lab's tests, and a workshop that stays in this process."""

from collections.abc import Iterator

import pytest

from sim.catalogue import vehicle_text
from sim.lab.workshop import Workshop


@pytest.fixture(scope="session")
def six() -> str:
    """Six modules on one bus."""
    return vehicle_text("six-modules")


@pytest.fixture
def here() -> Iterator[Workshop]:
    with Workshop(workers=1) as workshop:
        yield workshop
