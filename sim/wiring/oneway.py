"""One-way elements: transceiver legs and current-limited regulators, and their characteristics.

A one-way element sits at a *port*, a pair of nodes (a, b). Its current i is counted from a through the
element to b. The rest of the circuit is linear, so it answers with

    v = open_v - impedance_ohm @ i + offsets,

where `offsets` are the free potentials of galvanically separate islands that only one-way elements tie
together (the current into each of them must sum to zero).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import wrightomega

from sim.wiring.errors import require_finite, require_positive

Array = NDArray[np.float64]

# Boltzmann constant / elementary charge (exact in the SI since 2019) times 300.15 K, the nominal
# temperature of SPICE (27 degC).
THERMAL_V = 1.380649e-23 / 1.602176634e-19 * 300.15

# 24.7 ohm, 100 mA and a diode of 0.626 V at 33.3 mA give 3.5 V / 1.5 V into 60 ohm, the typical dominant
# levels of ISO 11898-2. Computed; the 100 mA limit per leg is the ABB AC800F manual's (7-30).
LEG_OHM = 24.7
LEG_LIMIT_A = 0.1
LEG_SATURATION_A = 1e-12

# 5 V with 0.05 ohm up to the limit: computed model of a sensor supply. Classes of 50, 70, 150 and 300 mA
# exist (from memory).
REGULATOR_OHM = 0.05

# Leakage across every one-way element that is switched on, the value SPICE calls GMIN: common practice.
# It decides the voltage of a line that nothing else holds.
LEAK_S = 1e-12


@dataclass(frozen=True, slots=True)
class Leg:
    """One leg of a bus driver: a diode, a resistance and a soft current limit in series.

    supply_v: None for a low-side leg, which conducts from node a to node b; a voltage for a high-side leg,
    which pulls node a up toward `supply_v` above node b and never takes current in.
    ohm, limit_a: resistance, and limit of the current.

    With i the current and V_T the thermal voltage, the leg drops
    V_T ln(1 + i/LEG_SATURATION_A) + ohm i / sqrt(1 - (i/limit_a)^2).

    Not modeled: temperature, thermal shutdown, the time-out of a dominant transmitter, and what the
    supply of a high-side leg takes from the battery.
    """

    supply_v: float | None = None
    ohm: float = LEG_OHM
    limit_a: float = LEG_LIMIT_A

    def __post_init__(self) -> None:
        require_positive("leg", ohm=self.ohm, limit_a=self.limit_a)
        require_finite("leg", supply_v=self.supply_v or 0.0)


@dataclass(frozen=True, slots=True)
class Regulator:
    """A supply: node a at `volt` above node b through `ohm`, up to `limit_a`, then constant current.

    It takes no current in: a line pulled above `volt` is left alone.

    Not modeled: fold-back, thermal shutdown, and the current taken from the regulator's own supply.
    """

    volt: float = 5.0
    ohm: float = REGULATOR_OHM
    limit_a: float = LEG_LIMIT_A

    def __post_init__(self) -> None:
        require_positive("regulator", ohm=self.ohm, limit_a=self.limit_a)
        require_finite("regulator", volt=self.volt)


OneWay = Leg | Regulator


class Bank:
    """The characteristics of several one-way elements, evaluated together."""

    def __init__(self, elements: Sequence[OneWay]) -> None:
        self.leak_s = LEAK_S
        self.sense = np.array([1.0 if isinstance(e, Leg) and e.supply_v is None else -1.0 for e in elements])
        self.supply_v = np.array([(e.supply_v or 0.0) if isinstance(e, Leg) else e.volt for e in elements])
        self.ohm = np.array([e.ohm for e in elements])
        self.limit_a = np.array([e.limit_a for e in elements])
        self.is_leg = np.array([isinstance(e, Leg) for e in elements], dtype=bool)

    def current(self, port_v: Array) -> tuple[Array, Array]:
        """Currents from a to b in A and their slopes in S, at voltages of a against b in V; shape (n,)."""
        forward_v = self.sense * port_v + self.supply_v
        current_a, slope_s = self._regulator_current(forward_v)
        leg = self.is_leg
        if leg.any():
            current_a[leg], slope_s[leg] = _leg_current(forward_v[leg], self.ohm[leg], self.limit_a[leg])
        return self.sense * (current_a + self.leak_s * forward_v), slope_s + self.leak_s

    def _regulator_current(self, forward_v: Array) -> tuple[Array, Array]:
        free_a = forward_v / self.ohm
        regulating = (free_a > 0) & (free_a < self.limit_a)
        return np.clip(free_a, 0.0, self.limit_a), np.where(regulating, 1.0 / self.ohm, 0.0)


def _leg_current(forward_v: Array, ohm: Array, limit_a: Array) -> tuple[Array, Array]:
    """Solve v = V_T ln(1 + i/I_S) + y with y the drop of the limited resistance, by Newton in y.

    Without the limit the answer is a Wright omega function; it lies below the true y, the left side is
    concave in y, so Newton climbs to the root without overshoot.
    """
    saturation_a, conducting_v = LEG_SATURATION_A, np.maximum(forward_v, 0.0)
    saturation_v = saturation_a * ohm
    exponent = np.log(saturation_v / THERMAL_V) + (conducting_v + saturation_v) / THERMAL_V
    drop_v = np.maximum(THERMAL_V * wrightomega(exponent) - saturation_v, 0.0)
    knee_v = ohm * limit_a
    for _ in range(50):
        ratio = 1.0 + (drop_v / knee_v) ** 2
        current_a = drop_v / ohm / np.sqrt(ratio)
        excess_v = conducting_v - drop_v - THERMAL_V * np.log1p(current_a / saturation_a)
        rise = 1.0 + THERMAL_V / (current_a + saturation_a) / (ohm * ratio**1.5)
        step_v = excess_v / rise
        drop_v = np.maximum(drop_v + step_v, 0.0)
        if np.all(np.abs(step_v) <= 1e-13 * (1.0 + conducting_v)):
            break
    ratio = 1.0 + (drop_v / knee_v) ** 2
    current_a = drop_v / ohm / np.sqrt(ratio)
    slope_s = 1.0 / (THERMAL_V / (current_a + saturation_a) + ohm * ratio**1.5)
    blocked_v = np.minimum(forward_v, 0.0)
    blocked = forward_v < 0
    current_a = np.where(blocked, saturation_a * np.expm1(blocked_v / THERMAL_V), current_a)
    slope_s = np.where(blocked, saturation_a / THERMAL_V * np.exp(blocked_v / THERMAL_V), slope_s)
    return current_a, slope_s
