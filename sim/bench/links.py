"""Which channels of modules are linked to any other module now."""

from __future__ import annotations

from sim.bench.buses import Buses


def linked_channels(buses: Buses) -> frozenset[str]:
    """Channels of modules that share a segment with another one; none before the network was built."""
    if buses.connectivity is None:
        return frozenset()
    on_can = {channel for members, *_ in buses.connectivity.segments for channel in members}
    return frozenset(on_can.union(*buses.wire_links))
