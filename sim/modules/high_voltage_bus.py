"""The high-voltage bus of a car: its capacitor, which contactors reach it, and the charge of the pack.

Between two switchings the bus's voltage is one exponential, so it is exact at any time. A converter takes
constant power; beside the pack's it is taken as the resistance that draws it at the pack's voltage.

Not modeled: the pack's internal resistance and its voltage by charge, arcs, inductance of the cables.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sim.vehicle.description_high_voltage import NEGATIVE, POSITIVE, PRECHARGE, RAILS, HighVoltage
from sim.wiring.insulation import measured_ohm, parallel_ohm, pole_v

CONTACT_OHM = 0.01  # closed contactor, cables and pack together; common practice
W_PER_KW, S_PER_H = 1000.0, 3600.0


@dataclass(frozen=True, slots=True)
class Feed:
    """What is joined to the bus: contactors that are closed, whether the resistor is whole, powers in W."""

    closed: frozenset[str] = frozenset()
    resistor_whole: bool = True
    drawn_w: float = 0.0
    charged_w: float = 0.0


class HighVoltageBus:
    """feed: as it is now; `bus_v`, `charge_pct`: at a time that is not before the last switching, in s.

    leaking: resistances in ohm that edits have put between a rail (`HV+`, `HV-`) and the body.
    """

    def __init__(self, spec: HighVoltage) -> None:
        self.spec = spec
        self.feed = Feed()
        self.leaking: Mapping[str, float] = {}
        self._since_s = 0.0
        self._start_v = 0.0
        self._start_pct = spec.charge_pct

    def switch(self, feed: Feed, now_s: float) -> bool:
        """Join something else from now on; returns whether anything differs."""
        if feed == self.feed:
            return False
        self._start_v, self._start_pct = self.bus_v(now_s), self.charge_pct(now_s)
        self.feed, self._since_s = feed, now_s
        return True

    @property
    def feeding_ohm(self) -> float | None:
        """Resistance between the pack and the bus; None while they are apart."""
        if NEGATIVE not in self.feed.closed:
            return None
        if POSITIVE in self.feed.closed:
            return CONTACT_OHM
        through = PRECHARGE in self.feed.closed and self.feed.resistor_whole
        return self.spec.precharge.ohm if through else None

    @property
    def load_ohm(self) -> float:
        """What discharges the bus: the bleeder, and the converter while it works."""
        loads = [self.spec.precharge.bleed_ohm]
        if self.feed.drawn_w > 0:
            loads.append(self.spec.pack_v**2 / self.feed.drawn_w)
        return parallel_ohm(*loads)

    @property
    def insulation_ohm(self) -> float:
        """The insulation of the weaker rail, as the bridge method finds it."""
        known_ohm = self.spec.insulation.fault_ohm_per_v * self.spec.pack_v
        return measured_ohm(self.spec.pack_v, *self._rails_ohm, known_ohm)

    @property
    def poles_v(self) -> tuple[float, float]:
        """Voltages of HV+ and HV- against the body, without sign: the leaking rail is near the body."""
        positive, negative = self._rails_ohm
        return pole_v(self.spec.pack_v, positive, negative), pole_v(self.spec.pack_v, negative, positive)

    @property
    def _rails_ohm(self) -> tuple[float, float]:
        spec = self.spec.insulation
        built = (spec.positive_ohm, spec.negative_ohm)
        leaks = (self.leaking.get(rail, math.inf) for rail in RAILS)
        positive, negative = (parallel_ohm(own, leak) for own, leak in zip(built, leaks, strict=True))
        return positive, negative

    @property
    def _settles(self) -> tuple[float, float]:
        """The voltage that the bus goes to, in V, and its time constant in s."""
        farad, feeding = self.spec.precharge.farad, self.feeding_ohm
        if feeding is None:
            return 0.0, self.load_ohm * farad
        final_v = self.spec.pack_v * self.load_ohm / (self.load_ohm + feeding)
        return final_v, parallel_ohm(feeding, self.load_ohm) * farad

    def bus_v(self, now_s: float) -> float:
        """Voltage of the bus."""
        final_v, tau_s = self._settles
        return final_v + (self._start_v - final_v) * math.exp(-(now_s - self._since_s) / tau_s)

    def reaches_in_s(self, level_v: float, now_s: float) -> float | None:
        """How long it takes from now to a voltage that lies ahead; None if it never gets there."""
        final_v, tau_s = self._settles
        to_go, left = level_v - final_v, self.bus_v(now_s) - final_v
        if to_go * left <= 0 or abs(to_go) >= abs(left):
            return None
        return tau_s * math.log(left / to_go)

    def charge_pct(self, now_s: float) -> float:
        """Charge of the pack."""
        kwh = (self.feed.charged_w - self._taken_w) * (now_s - self._since_s) / S_PER_H / W_PER_KW
        return min(100.0, max(0.0, self._start_pct + 100 * kwh / self.spec.capacity_kwh))

    @property
    def _taken_w(self) -> float:
        return self.feed.drawn_w if self.feeding_ohm is not None else 0.0

    def reaches_charge_in_s(self, pct: float, now_s: float) -> float | None:
        """How long it takes from now to a charge that lies ahead; None if it never gets there."""
        rate = (self.feed.charged_w - self._taken_w) / W_PER_KW / S_PER_H * 100 / self.spec.capacity_kwh
        left = pct - self.charge_pct(now_s)
        return None if rate == 0 or left / rate <= 0 else left / rate
