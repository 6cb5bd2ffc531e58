"""Insulation of a high-voltage pack against the body, and its measurement by the bridge method.

The method of UN ECE R100 (annex on the measurement of isolation resistance, with the tested device as
voltage source): the voltages of both poles against the body are read, a known resistance is joined to the
pole with the higher one, and the reading is repeated. What comes out is the smaller of both resistances.

Not modeled: the capacitance between pack and body, and the seconds that a reading takes for it.
"""

from __future__ import annotations


def pole_v(pack_v: float, own_ohm: float, other_ohm: float) -> float:
    """Voltage of a pole against the body in V, without sign, by its own and the other pole's resistance."""
    return pack_v * own_ohm / (own_ohm + other_ohm)


def parallel_ohm(*ohms: float) -> float:
    """Resistance of several side by side, in ohm."""
    return 1 / sum(1 / ohm for ohm in ohms)


def isolation_ohm(pack_v: float, without_v: float, with_v: float, known_ohm: float) -> float:
    """Isolation in ohm, Ri = Ro (Vb/V1' - Vb/V1), from the higher pole's voltage without and with Ro."""
    return known_ohm * (pack_v / with_v - pack_v / without_v)


def measured_ohm(pack_v: float, positive_ohm: float, negative_ohm: float, known_ohm: float) -> float:
    """What a monitor finds that measures a pack with these resistances of its rails, in ohm."""
    higher, lower = max(positive_ohm, negative_ohm), min(positive_ohm, negative_ohm)
    without_v = pole_v(pack_v, higher, lower)
    with_v = pole_v(pack_v, parallel_ohm(higher, known_ohm), lower)
    return isolation_ohm(pack_v, without_v, with_v, known_ohm)
