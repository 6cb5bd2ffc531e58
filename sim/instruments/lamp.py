"""The test light and the loaded test: a lamp draws real current, and shows what continuity does not.

    read(bench, "load F12.2 to G1 with 21 W lamp").display    # "bright: 12.31 V, 1.666 A"

A lamp is its resistance at 12.6 V, six full cells: 55 W is 2.887 ohm.

Not modeled: the cold filament (about a tenth of the resistance for some milliseconds), drivers of a bus that
give in under the lamp (only the lines at rest are loaded), what the lamp does to the car while it burns.
"""

from __future__ import annotations

from dataclasses import dataclass

from sim.bench.observations import Observation
from sim.bench.observing import Observed
from sim.instruments.levels import now, thevenin
from sim.instruments.probed import Probed
from sim.instruments.result import Result, common, digits
from sim.vehicle.car import Car
from sim.wiring.conduction import DRAW_V, draw_v
from sim.wiring.wiring import Reading

# A filament gives light roughly with the third power of the voltage; how people call it is our own choice.
BRIGHT_SHARE, DIM_SHARE, GLOW_SHARE = 0.85, 0.5, 0.2
# General guides of the trade for the drop under load: wire or cable 0.2 V, ground 0.1 V.
FEED_DROP_V, GROUND_DROP_V = 0.2, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded(Result):
    """A loaded test. Voltages in V, current in A; open_v, loaded_v: first terminal against second.

    feed_drop_v: from the battery's plus post to the first terminal, ground_drop_v: from the second terminal
    to the minus post, while the lamp burns; None if there is no such path.
    light: bright, dim, glows or dark.
    """

    open_v: float | None
    loaded_v: float
    lamp_a: float
    light: str
    feed_drop_v: float | None
    ground_drop_v: float | None


def lamp_ohm(lamp_w: float, rated_v: float = DRAW_V) -> float:
    """Resistance of a hot lamp of this power at 12.6 V, or at twice that for a 24 V lamp."""
    return rated_v**2 / lamp_w


def loaded(bench: Probed, observed: Observed) -> Loaded:
    """Return what the lamp of the bench's last observation shows."""
    return load_test(now(bench), observed.what, bench.car)


def load_test(found: Reading, what: Observation, car: Car) -> Loaded:
    """A loaded test in one state of the network."""
    a, b = what.points
    open_pair = thevenin(found, a, b)
    open_v = None if open_pair is None else open_pair[0]
    hot_ohm = lamp_ohm(what.lamp_w, draw_v(car))
    lamp_a = 0.0 if open_pair is None else open_pair[0] / (open_pair[1] + hot_ohm)
    loaded_v = lamp_a * hot_ohm
    light = _light(abs(loaded_v) / draw_v(car))
    feed_v, ground_v = (_drop_v(found, path, (a, b), lamp_a) for path in (("BAT+", a), (b, "BAT-")))
    return Loaded(
        **common(what, car),
        display=f"{light}: {digits(loaded_v, 'V')}, {digits(lamp_a, 'A')}",
        notes=tuple(_notes(open_v, loaded_v, light, feed_v, ground_v)),
        open_v=open_v,
        loaded_v=loaded_v,
        lamp_a=lamp_a,
        light=light,
        feed_drop_v=feed_v,
        ground_drop_v=ground_v,
    )


def _drop_v(found: Reading, path: tuple[str, str], lamp: tuple[str, str], lamp_a: float) -> float | None:
    """What a meter along a path shows while the lamp burns."""
    ports = found.ports([path, lamp])
    open_v = ports.voltage_v[0]
    if open_v is None or ports.voltage_v[1] is None:
        return None
    return open_v - float(ports.impedance_ohm[0, 1]) * lamp_a


def _light(share: float) -> str:
    if share >= BRIGHT_SHARE:
        return "bright"
    if share >= DIM_SHARE:
        return "dim"
    return "glows" if share >= GLOW_SHARE else "dark"


def _notes(
    open_v: float | None, loaded_v: float, light: str, feed_v: float | None, ground_v: float | None
) -> list[str]:
    if open_v is None:
        return ["No circuit between the two terminals: no current can flow."]
    notes = []
    if abs(open_v) > 9 and light in ("dark", "glows"):
        notes.append(
            f"{digits(open_v, 'V')} without a load, {digits(loaded_v, 'V')} with one: "
            "the voltage collapses under load."
        )
    for drop_v, limit_v, side in ((feed_v, FEED_DROP_V, "feed"), (ground_v, GROUND_DROP_V, "ground")):
        if drop_v is not None and abs(drop_v) > limit_v:
            notes.append(
                f"The {side} side loses {digits(abs(drop_v), 'V')} under load; up to {limit_v:g} V is usual."
            )
    return notes
