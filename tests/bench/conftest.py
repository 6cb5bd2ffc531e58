"""The shipped cars, read once, and ways to look at what happened on a bench."""

from collections.abc import Callable, Iterable

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.vehicle.reading import read_car


def _shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


@pytest.fixture(scope="session")
def teaching() -> Car:
    return _shipped("teaching-car")


@pytest.fixture(scope="session")
def minibus() -> Car:
    return _shipped("shuttle-minibus")


@pytest.fixture(scope="session")
def stored() -> Callable[[Bench], dict[str, dict[str, int]]]:
    """Status bytes of the codes that modules hold, by module and code, read from their memories."""

    def read(bench: Bench) -> dict[str, dict[str, int]]:
        found = {
            name: {entry.code: int(entry.status) for entry in module.memory.dtcs if entry.stored}
            for name, module in bench.live.modules.items()
        }
        return {name: codes for name, codes in found.items() if codes}

    return read


@pytest.fixture(scope="session")
def told() -> Callable[..., list[tuple[float, str]]]:
    """Time and text of the events of some kinds (of all, by default) from one event on."""

    def tell(bench: Bench, kinds: Iterable[str] = (), since: int = 0) -> list[tuple[float, str]]:
        wanted = set(kinds)
        return [
            (round(event.time_s, 6), event.text)
            for event in bench.trace.events[since:]
            if not wanted or event.kind in wanted
        ]

    return tell
