"""Tiny cars, and what is told about them."""

from collections.abc import Callable, Iterable

import pytest

from sim.bench.bench import Bench
from sim.vehicle.reading import car_from_text

# Three modules on one bus, one of them master of a mode that a button steps; a key that switches IGN by K1.
# Every message is `status`, each 100 ms, at a fixed offset after its sender came online.
TINY = """
car: Tiny
buses: {main: {line: [ECM terminated, BCM, DLC, CLUSTER terminated]}}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: BCM}
  F3: {rating_a: 10, feeds: CLUSTER}
  F4: {rating_a: 5, feeds: [key, button]}
  F5: {rating_a: 5, feeds: DLC}
  F6: {rating_a: 5, from: K1, feeds: [ECM.IGN, CLUSTER.IGN]}
relays: {K1: {coil: key}}
switches:
  key: {operated_by: key_run}
  button: {operated_by: button, to: BCM.button}
modules:
  ECM: {hears: [BCM], hears_when: {line: IGN}}
  BCM: {inputs: {button: {}}, signals: {power_mode: {fact: power_mode}},
        hears: [ECM], hears_when: {mode: run}}
  CLUSTER: {hears: [ECM, BCM], hears_when: {line: IGN}}
power_modes: {master: BCM, rules: [{from: off, to: run}, {from: run, to: off}]}
"""

Tell = Callable[..., list[tuple[float, str]]]


@pytest.fixture(scope="session")
def tiny() -> Callable[..., Bench]:
    """A bench with the tiny car after some changes of its text, each (old, new), and given edits."""

    def make(*changes: tuple[str, str], given: Iterable[str] = (), text: str = TINY) -> Bench:
        for old, new in changes:
            assert text.count(old) == 1, f"'{old}' is {text.count(old)} times in the tiny car"
            text = text.replace(old, new)
        return Bench(car_from_text(text), given)

    return make


@pytest.fixture(scope="session")
def told() -> Tell:
    """Time and text of the events of some kinds, from an instant on."""

    def tell(bench: Bench, *kinds: str, since_s: float = 0.0) -> list[tuple[float, str]]:
        return [
            (round(event.time_s, 6), event.text)
            for event in bench.trace.events
            if event.kind in kinds and event.time_s >= since_s
        ]

    return tell
