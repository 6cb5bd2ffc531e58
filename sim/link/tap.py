"""Several listeners to every frame of a car, where the network has one place for a tap."""

from __future__ import annotations

from collections.abc import Callable

from sim.bench.live import LiveCar
from sim.network.frames import Frame

Tap = Callable[[float, float, Frame, str], None]  # start and end in s, the frame, the channel of its sender


class _Taps:
    """The network's tap: it passes everything on to all of `listeners`."""

    def __init__(self) -> None:
        self.listeners: list[Tap] = []

    def __call__(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        for listener in self.listeners:
            listener(start_s, end_s, frame, sender)


def add_tap(live: LiveCar, tap: Tap) -> Callable[[], None]:
    """Call `tap` for every frame from now on; the function returned ends it."""
    network = live.network
    taps = network.tap if isinstance(network.tap, _Taps) else _Taps()
    if network.tap is not None and network.tap is not taps:
        taps.listeners.append(network.tap)
    network.tap = taps
    taps.listeners.append(tap)

    def remove() -> None:
        """End this tap."""
        taps.listeners.remove(tap)
        if not taps.listeners and network.tap is taps:
            network.tap = None

    return remove
